-- listed_job: one row for each job, in the order in which lists show them: newest first, by number within a day.
-- listed_step: one row for each job of ours and step, by step and then in that order.
-- listed_instrument: one row for each of those of which a reading names an instrument, by instrument: the latest one named.
-- reads   staged_job, staged_system, staged_reading, step_grade
-- units   place counts from 1, the newest job; jobs without a day come last
-- why     A page that lists the jobs behind a number needs the first hundred of a million and how many there are. Held in
--         the order of the list, with a number for each job, the rows of a step lie side by side and the newest come
--         first: the store reads a few blocks where it read and sorted all. Nothing here is not told elsewhere.
create or replace temp table place_of_job as
select row_number() over (order by finished_on desc nulls last, job_id)::integer as place, job_id from staged_job;
create or replace table listed_step as
select grade.step, placed.place, grade.state, grade.technician_id
from step_grade as grade join place_of_job as placed on placed.job_id = grade.job_id
order by grade.step, placed.place;
create or replace table listed_job as
with counted as (
    select place, count(*) filter (state = 'passed')::utinyint as good,
        count(*) filter (state in ('passed', 'failed', 'ticked_only', 'not_done'))::utinyint as known
    from listed_step group by place
)
select placed.place, job.job_id, job.system_id, job.finished_on, job.job_kind::varchar as job_kind,
    system.equipment::varchar as equipment, job.branch, job.form,
    coalesce(job.installed_by::varchar = 'someone_else', false) as by_others, counted.good, counted.known
from place_of_job as placed
join staged_job as job on job.job_id = placed.job_id
left join staged_system as system on system.system_id = job.system_id
left join counted on counted.place = placed.place
order by placed.place;
create or replace table listed_instrument as
select arg_max(reading.instrument_id, coalesce(reading.taken_at, timestamp '1970-01-01')) as instrument_id,
    reading.step::varchar as step, placed.place
from staged_reading as reading join place_of_job as placed on placed.job_id = reading.job_id
where reading.instrument_id is not null
group by reading.step, placed.place
order by instrument_id, step, place;
drop table temp.place_of_job;
