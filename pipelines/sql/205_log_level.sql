-- log_level: one row for each attempt of a logged vacuum rise: where the level stood at the asked time.
-- reads   rise_stretch, rise_log, limit_of_kind, rise_valve
-- units   micron, absolute; s since the valve was shut
-- why     The level at the asked time (10 min) decides `tight`; how the curve bends is looked at only where that fails.
--         The first 45 s are left out: shutting the valve makes the gauge jump. The level is a median of stretches of
--         15 s, so that no single sample decides; level_error is two of its standard errors, never below 1 %.
create or replace temp table log_level as
with stretch as (
    select log_no, n, t - coalesce(valve_s, 0) as s, p, least, until_s, coalesce(valve_s, 0) as valve_s,
        60 * rise_time_low as asked_s, abs(s - asked_s) <= 60 as is_near
    from rise_stretch
    join rise_log using (log_no)
    join limit_of_kind using (kind_no)
    left join rise_valve using (log_no)
),
whole as (
    select log_no, any_value(asked_s) as asked_s, sum(n) filter (where s >= 45) as samples,
        max(until_s - valve_s) as last_s,
        -- a log of samples 10 s apart that ends at 590 s has watched for 10 min
        last_s + (last_s - 45) / greatest(samples - 1, 1) as watched_s,
        min(least) filter (where s <= 105) as start_micron
    from stretch group by log_no
    having samples > 0
),
near as (
    -- a log mostly ends at the asked time, so the last minute is carried on to it by its own slope
    select log_no, median(p) + coalesce(regr_slope(p, s), 0) * (any_value(asked_s) - median(s)) as asked_micron,
        2 * 1.2533 * sqrt(greatest(0, 1 - coalesce(regr_r2(p, s), 0)) * var_pop(p) / greatest(count(*) - 1, 1))
            as asked_error
    from stretch where is_near group by log_no
),
attempted as (select * from whole left join near using (log_no))
select attempted.*, job_id, attempt, rise_end_high as most_micron, coalesce(valve_s, 0) as valve_s,
    coalesce(noise, 0) as noise, early, late, most, top_s - coalesce(valve_s, 0) as top_s,
    watched_s >= asked_s and asked_micron is not null as is_whole,
    if(is_whole, asked_micron, null) as level_micron,
    if(is_whole, greatest(coalesce(asked_error, 0), 0.01 * asked_micron), null) as level_error,
    watched_s >= 300 and samples >= 8 and not (is_whole and level_micron + level_error < most_micron) as needs_fit
from attempted join rise_log using (log_no) join limit_of_kind using (kind_no) left join rise_valve using (log_no);
