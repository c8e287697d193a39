-- rise_from_log: one row for each job whose vacuum rise was logged by a gauge; the last attempt counts.
-- reads   staged_trace
-- units   micron, absolute; s since the valve was shut, min
-- why     A log shows where the level stood at the time that the limit means, whatever the written reading says. The
--         start is the lowest level of the first 105 s, since shutting the valve makes the gauge jump, and only upwards.
--         The level at 10 min is the median of half a minute either side, so that one noisy sample decides nothing.
create or replace temp table rise_from_log as
with sample as (
    select job_id, coalesce(attempt, 1) as attempt, elapsed_s, value
    from staged_trace
    where quantity = 'vacuum' and coalesce(step::varchar, 'vacuum_rise') = 'vacuum_rise'
        and elapsed_s is not null and value is not null
),
one_attempt as (
    select job_id, attempt, count(*) as samples, max(elapsed_s) as last_s,
        -- a log of samples 10 s apart that ends at 590 s has watched for 10 min
        max(elapsed_s) + (max(elapsed_s) - min(elapsed_s)) / greatest(count(*) - 1, 1) as watched_s,
        min(value) filter (where elapsed_s <= 105) as start_micron,
        median(value) filter (where elapsed_s between $rise_s - 30 and $rise_s + 30) as at_rise_time_micron,
        arg_max(elapsed_s, elapsed_s) filter (where elapsed_s <= $rise_s) as last_before_s
    from sample
    group by job_id, attempt
),
the_last_attempt as (select job_id, max(attempt) as attempt from one_attempt group by job_id),
late as (
    -- a log that was stopped early: the median of its last minute, without the jump of the valve
    select sample.job_id, median(sample.value) as late_micron
    from sample join one_attempt using (job_id, attempt) join the_last_attempt using (job_id, attempt)
    where sample.elapsed_s >= greatest(45, one_attempt.last_s - 60) and one_attempt.watched_s < $rise_s
    group by sample.job_id
)
select job_id, start_micron,
    coalesce(if(watched_s >= $rise_s, at_rise_time_micron, null), late_micron) as end_micron,
    if(watched_s >= $rise_s, $rise_s, last_s) / 60 as time_min
from one_attempt join the_last_attempt using (job_id, attempt) left join late using (job_id)
where samples >= 8 and end_micron is not null;
