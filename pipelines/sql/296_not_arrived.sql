-- not_arrived: one row for each thing that comes by habit and did not come: a file, a job's sheet, a crew's jobs.
-- reads   load_run, staged_job, staged_step, staged_reading, staged_call, staged_technician
-- units   calendar days; working days are those of the house
-- why     What is missing is seen by nobody, since no page can show it. Files are held against today, since a load
--         happens on a day; jobs and crews against the data's own last day, since an old export would else be called
--         late in all its parts. A file sent again byte for byte is not a new one. What did not come stays on the list
--         until it comes.
create or replace table not_arrived as
with working_day as (
    select day, row_number() over (order by day) as day_no
    from (
        select unnest(range($today::date - 150, $today::date + 1, interval 1 day))::date as day
    )
    where list_contains($working_days, isodow(day))
),
new_content as (
    -- which working day it was there for: a file of Sunday is there for Monday
    select regexp_replace(source_file, '[0-9]+', '#', 'g') as pattern, min(started_at)::date as came_on
    from load_run
    where undone_at is null
    group by source_file, sha256
),
arrival as (
    select distinct pattern, came_on, day_no
    from new_content asof join working_day on new_content.came_on <= working_day.day
    union
    -- after the last working day of the calendar above there is none yet
    select pattern, came_on, null from new_content
),
last_arrival as (
    select pattern, max(came_on) as last_seen_on, max(day_no) as last_no from arrival group by pattern
),
missing_file as (
    select last.pattern, expected.day as expected_on, last.last_seen_on, count(distinct arrival.day_no) as days_of_5
    from last_arrival as last
    join working_day as expected on expected.day_no = last.last_no + 1 and expected.day > last.last_seen_on
    join arrival on arrival.pattern = last.pattern and arrival.day_no between last.last_no - 4 and last.last_no
    group by all
    having days_of_5 >= 4
),
sheets_since as (
    select min(finished_on) as from_on
    from staged_job as job semi join staged_step as ticked on ticked.job_id = job.job_id
),
crew_job as (
    select crew, max(finished_on) as last_seen_on
    from staged_job as job join staged_technician as technician using (technician_id)
    where nullif(crew, '') is not null and finished_on <= $as_of
        and job.installed_by::varchar is distinct from 'someone_else'
    group by crew
),
crew_call as (
    select crew, count(*) as calls
    from staged_call as call join staged_technician as technician using (technician_id)
    where nullif(crew, '') is not null and opened_on between $as_of::date - 9 and $as_of
    group by crew
)
select 'file' as kind, pattern as name, expected_on, last_seen_on,
    format('It had come new on {} of the 5 working days before.', days_of_5) as detail
from missing_file
union all
select 'job_sheet', job.job_id, job.finished_on + 2, job.finished_on,
    'Finished, and neither a step nor a reading of it has come.'
from staged_job as job, sheets_since
where job.finished_on between sheets_since.from_on and $as_of::date - 2
    and job.installed_by::varchar is distinct from 'someone_else'
    and not exists (select 1 from staged_step as ticked where ticked.job_id = job.job_id)
    and not exists (select 1 from staged_reading as reading where reading.job_id = job.job_id)
union all
select 'crew', crew, last_seen_on + 10, last_seen_on,
    format('{} of its calls came in the last 10 days, and not one job.', calls)
from crew_job join crew_call using (crew)
-- a crew that has not installed for a season has other work
where last_seen_on between $as_of::date - 90 and $as_of::date - 10
order by kind, expected_on desc, name;
