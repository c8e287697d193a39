-- vacuum_from_log, test_from_log, rise_from_log: one row for each job whose step a gauge logged, of its last attempt.
-- reads   staged_trace, grade_job, limit_of_kind
-- units   micron, absolute; psig; degF; s since the step began (for a rise since the valve was shut), min
-- why     A log stands in where the written readings leave a gap, and shows where a level stood at the asked time.
--         Levels are medians of a minute, so that no noisy sample decides. Fewer than 8 samples say too little.
create or replace temp table vacuum_from_log as
with last_attempt as (
    select job_id, coalesce(attempt, 1) as attempt, max(elapsed_s) as last_s
    from staged_trace
    where step = 'evacuation' and quantity = 'vacuum'
    group by job_id, coalesce(attempt, 1)
    qualify row_number() over (partition by job_id order by coalesce(attempt, 1) desc) = 1
)
select job_id, median(value) filter (where elapsed_s >= last_s - 60) as log_vacuum_micron
from staged_trace as sample
join last_attempt using (job_id)
where sample.step = 'evacuation' and quantity = 'vacuum' and coalesce(sample.attempt, 1) = last_attempt.attempt
group by job_id having count(*) >= 8;
create or replace temp table test_from_log as
with last_attempt as (
    select job_id, coalesce(attempt, 1) as attempt, min(elapsed_s) as first_s, max(elapsed_s) as last_s
    from staged_trace
    where coalesce(step, 'pressure_test') = 'pressure_test' and quantity = 'test_pressure'
    group by job_id, coalesce(attempt, 1)
    qualify row_number() over (partition by job_id order by coalesce(attempt, 1) desc) = 1
),
span as (
    -- freshly filled gas still cools: where the log is long enough, its first 5 minutes are left to settle
    select job_id, attempt, last_s,
        first_s + if(last_s - first_s - 300 >= 60 * hold_time_low, 300, 0) as begin_s
    from last_attempt join grade_job using (job_id) join limit_of_kind using (kind_no)
)
select job_id,
    median(value) filter (where quantity = 'test_pressure' and elapsed_s between begin_s and begin_s + 60)
        as log_start_psig,
    median(value) filter (where quantity = 'test_pressure' and elapsed_s >= last_s - 60) as log_end_psig,
    median(value) filter (where quantity = 'test_temperature' and elapsed_s between begin_s and begin_s + 60)
        as log_start_degf,
    median(value) filter (where quantity = 'test_temperature' and elapsed_s >= last_s - 60) as log_end_degf,
    any_value(last_s - begin_s) / 60 as log_hold_min
from staged_trace as sample
join span using (job_id)
where coalesce(sample.step, 'pressure_test') = 'pressure_test' and quantity in ('test_pressure', 'test_temperature')
    and coalesce(sample.attempt, 1) = span.attempt
group by job_id having count(*) filter (where quantity = 'test_pressure') >= 8;
create or replace temp table rise_from_log as
with last_attempt as (
    select job_id, coalesce(attempt, 1) as attempt, max(elapsed_s) as last_s,
        -- a log of samples 10 s apart that ends at 590 s has watched for 10 min
        max(elapsed_s) + (max(elapsed_s) - min(elapsed_s)) / greatest(count(*) - 1, 1) as watched_s
    from staged_trace
    where coalesce(step, 'vacuum_rise') = 'vacuum_rise' and quantity = 'vacuum'
    group by job_id, coalesce(attempt, 1)
    qualify row_number() over (partition by job_id order by coalesce(attempt, 1) desc) = 1
),
span as (
    select job_id, attempt, last_s, 60 * rise_time_low as asked_s, watched_s >= 60 * rise_time_low as is_whole,
        -- the level at the asked time; of a log that was stopped early its last minute, without the jump of the valve
        if(is_whole, asked_s, last_s) as at_s, greatest(45, at_s - 60) as from_s, if(is_whole, at_s + 60, at_s) as to_s
    from last_attempt join grade_job using (job_id) join limit_of_kind using (kind_no)
)
select job_id,
    -- shutting the valve makes the gauge jump, and only upwards: the lowest early level is the start
    min(value) filter (where elapsed_s <= 105) as log_start_micron,
    -- a log mostly ends at the asked time, so its last minute is carried on to it by its own slope
    median(value) filter (where elapsed_s between from_s and to_s)
        + coalesce(regr_slope(value, elapsed_s) filter (where elapsed_s between from_s and to_s), 0)
        * (any_value(at_s) - median(elapsed_s) filter (where elapsed_s between from_s and to_s)) as log_end_micron,
    any_value(at_s) / 60 as log_time_min
from staged_trace as sample
join span using (job_id)
where coalesce(sample.step, 'vacuum_rise') = 'vacuum_rise' and quantity = 'vacuum'
    and coalesce(sample.attempt, 1) = span.attempt
group by job_id
having count(*) >= 8 and log_end_micron is not null;
