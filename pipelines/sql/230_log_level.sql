-- log_level: one row for each attempt of a logged vacuum rise: where the level stood at the asked time.
-- reads   staged_trace, grade_job, limit_of_kind
-- units   micron, absolute; s since the valve was shut
-- why     The level at the asked time (10 min) decides `tight`; how the curve bends is looked at only where that fails.
--         Samples before 45 s are left out: shutting the valve makes the gauge jump. level_error is two standard errors
--         of the median, and never below 1 % of the level.
create or replace temp table log_level as
with asked as (
    select job_id, 60 * rise_time_low as asked_s, rise_end_high as most_micron
    from grade_job join limit_of_kind using (kind_no)
),
sample as (
    select job_id, coalesce(attempt, 1) as attempt, elapsed_s, value, asked_s, most_micron
    from staged_trace join asked using (job_id)
    where coalesce(step, 'vacuum_rise') = 'vacuum_rise' and quantity = 'vacuum'
        and elapsed_s >= 45 and value is not null
),
attempted as (
    select job_id, attempt, any_value(asked_s) as asked_s, any_value(most_micron) as most_micron,
        count(*) as samples, min(elapsed_s) as first_s, max(elapsed_s) as last_s,
        -- a log of samples 10 s apart that ends at 590 s has watched for 10 min
        last_s + (last_s - first_s) / greatest(samples - 1, 1) as watched_s,
        max(value) - min(value) as span_micron,
        median(value) filter (where elapsed_s <= 105) as early_micron,
        -- a log mostly ends at the asked time, so the last minute is carried on to it by its own slope
        count(*) filter (where abs(elapsed_s - asked_s) <= 60) as near_samples,
        median(value) filter (where abs(elapsed_s - asked_s) <= 60)
            + coalesce(regr_slope(value, elapsed_s) filter (where abs(elapsed_s - asked_s) <= 60), 0)
            * (any_value(asked_s) - median(elapsed_s) filter (where abs(elapsed_s - asked_s) <= 60)) as asked_micron,
        coalesce(regr_r2(value, elapsed_s) filter (where abs(elapsed_s - asked_s) <= 60), 0) as near_r2,
        2 * 1.2533 * sqrt(greatest(0, 1 - near_r2) * var_pop(value) filter (where abs(elapsed_s - asked_s) <= 60)
            / greatest(near_samples, 1)) as asked_error
    from sample group by job_id, attempt
)
select job_id, attempt, asked_s, most_micron, samples, last_s, span_micron, early_micron, watched_s,
    watched_s >= asked_s and asked_micron is not null as is_whole,
    if(is_whole, asked_micron, null) as level_micron,
    if(is_whole, greatest(coalesce(asked_error, 0), 0.01 * asked_micron), null) as level_error,
    watched_s >= 300 and samples >= 8 and not (is_whole and level_micron + level_error < most_micron) as needs_fit
from attempted;
