-- log_level: one row for each attempt of a logged vacuum rise: where the level stood at the asked time.
-- reads   gauge_log, gauge_sample, limit_of_kind, rise_valve, rise_top
-- units   micron, absolute; s since the valve was shut
-- why     The level at the asked time (10 min) decides `tight`; how the curve bends is looked at only where that fails.
--         Samples before 45 s are left out: shutting the valve makes the gauge jump. level_error is two standard errors
--         of the median, and never below 1 % of the level.
create or replace temp table log_level as
with sample as (
    select log.log_no, log.job_id, log.attempt, t - coalesce(valve_s, 0) as s, p, log.most,
        60 * rise_time_low as asked_s, rise_end_high as most_micron, coalesce(valve_s, 0) as valve_s,
        coalesce(noise, 0) as noise, gauge_step, early,
        late, top_s
    from gauge_log as log
    join limit_of_kind using (kind_no)
    join gauge_sample as sample using (log_no)
    left join rise_valve using (log_no)
    left join rise_top using (log_no)
    where log.step = 'vacuum_rise'
),
attempted as (
    select log_no, any_value(job_id) as job_id, any_value(attempt) as attempt, any_value(asked_s) as asked_s,
        any_value(most_micron) as most_micron, any_value(valve_s) as valve_s, any_value(noise) as noise,
        any_value(gauge_step) as gauge_step, any_value(early) as early, any_value(late) as late,
        any_value(most) as most,
        any_value(top_s) - any_value(valve_s) as top_s, count(*) as samples, min(s) as first_s, max(s) as last_s,
        -- a log of samples 10 s apart that ends at 590 s has watched for 10 min
        last_s + (last_s - first_s) / greatest(samples - 1, 1) as watched_s,
        max(p) - min(p) as span_micron, median(p) filter (where s <= 105) as early_micron,
        -- a log mostly ends at the asked time, so the last minute is carried on to it by its own slope
        count(*) filter (where abs(s - asked_s) <= 60) as near_samples,
        median(p) filter (where abs(s - asked_s) <= 60)
            + coalesce(regr_slope(p, s) filter (where abs(s - asked_s) <= 60), 0)
            * (any_value(asked_s) - median(s) filter (where abs(s - asked_s) <= 60)) as asked_micron,
        coalesce(regr_r2(p, s) filter (where abs(s - asked_s) <= 60), 0) as near_r2,
        2 * 1.2533 * sqrt(greatest(0, 1 - near_r2) * var_pop(p) filter (where abs(s - asked_s) <= 60)
            / greatest(near_samples, 1)) as asked_error
    from sample where s >= 45 group by log_no
)
select *, watched_s >= asked_s and asked_micron is not null as is_whole,
    if(is_whole, asked_micron, null) as level_micron,
    if(is_whole, greatest(coalesce(asked_error, 0), 0.01 * asked_micron), null) as level_error,
    watched_s >= 300 and samples >= 8 and not (is_whole and level_micron + level_error < most_micron) as needs_fit
from attempted;
