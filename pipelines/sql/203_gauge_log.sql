-- gauge_sample: one row for each sample of a logged evacuation or pressure test; gauge_log: one row for each such log.
-- reads   staged_trace, grade_job
-- units   t in s since the step began; p in micron, psig or degF
-- why     The logs are read from disk once. log_no is a hash of job, step and attempt: with a million logs the chance
--         that any two share one is below 1 in 10,000,000. Vacuum rises are read in 204.
create or replace temp table gauge_sample as
select hash(job_id, log_step, log_attempt) as log_no, log_step as step, job_id, log_attempt as attempt,
    quantity = 'test_temperature' as is_temperature, elapsed_s as t, value as p
from (
    select job_id, quantity, elapsed_s, value, coalesce(attempt, 1) as log_attempt,
        coalesce(step, if(quantity = 'vacuum', 'vacuum_rise', 'pressure_test')) as log_step
    from staged_trace where value is not null and elapsed_s is not null
)
where (log_step = 'evacuation' and quantity = 'vacuum')
    or (log_step = 'pressure_test' and quantity in ('test_pressure', 'test_temperature'));
create or replace temp table gauge_log as
select log.*, job.kind_no, job.atmosphere_psia, job.system_id
from (
    select log_no, any_value(job_id) as job_id, any_value(step) as step, any_value(attempt) as attempt,
        count(*) filter (where not is_temperature) as samples, min(t) as first_s, max(t) as last_s,
        -- a log of samples 10 s apart that ends at 590 s has watched for 10 min
        last_s + (last_s - first_s) / greatest(samples - 1, 1) as watched_s,
        max(p) filter (where not is_temperature) as most
    from gauge_sample group by log_no
) as log
join grade_job as job on job.job_id = log.job_id;
