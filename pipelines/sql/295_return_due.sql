-- return_due: one row for each job of ours and step that somebody must go back for, settled since or not.
-- reads   graded_step, graded_job, grade_reason, grade_step_name, trace_verdict, staged_job, staged_system, staged_site,
--         staged_call, staged_step, staged_reading, return_seen_to, return_reason, warm_season
-- units   days
-- why     What a grade says of the record, this says of the work: where somebody must stand before the unit again, by
--         when, and whether a later record shows that he has. Only a pass answers a test that failed: a call that put
--         something else right does not. A disputed step waits for its answer and is not called for.
create or replace table return_due as
with due as (
    select job.job_id, job.system_id, step_name.step, graded.step_no, state, held.finished_on, held.rowid as place,
        case
            when reason.reason in ('gas_not_nitrogen', 'over_pressure')   then reason.reason
            when step_name.step = 'pressure_test' and state = 'failed'    then 'pressure_test_failed'
            when step_name.step = 'vacuum_rise' and state = 'failed'      then 'rise_failed'
            when step_name.step = 'airflow' and state = 'failed'          then 'airflow_failed'
            when reason.reason = 'too_cold'                               then 'too_cold_to_judge'
        end as called_for
    from graded_step as graded
    join grade_reason as reason on reason.reason_no = graded.reason_no
    join graded_job as job on job.job_no = graded.job_no
    join grade_step_name as step_name on step_name.step_no = graded.step_no
    join staged_job as held on held.job_id = job.job_id
    where step_name.step in ('pressure_test', 'vacuum_rise', 'airflow', 'charge_check')
        and (state = 'failed' or reason.reason = 'too_cold')
        and called_for is not null
),
judged_later as (
    -- every judged step of the same kinds on the systems in question
    select job.system_id, graded.step_no, held.finished_on, job.job_id, state
    from graded_step as graded
    join grade_reason as reason on reason.reason_no = graded.reason_no
    join graded_job as job on job.job_no = graded.job_no
    join staged_job as held on held.job_id = job.job_id
    where state in ('passed', 'failed')
        and exists (select 1 from due where due.system_id = job.system_id and due.step_no = graded.step_no)
),
settling as (
    select due.job_id, due.step_no, later.finished_on as settled_on, 'later_job' as settled_by, later.job_id as by_job
    from due join judged_later as later using (system_id, step_no)
    -- of two jobs on one day nobody can say which came last
    where later.finished_on > due.finished_on
        and (later.state = 'passed' or due.called_for = 'too_cold_to_judge')
    union all
    select due.job_id, due.step_no, due.finished_on, 'later_attempt', due.job_id
    from due
    join trace_verdict as log on log.job_id = due.job_id and log.step = due.step
    where due.called_for = 'rise_failed'
    group by due.job_id, due.step_no, due.finished_on
    having count(*) >= 2 and arg_max(log.verdict, log.attempt) = 'tight'
    union all
    select due.job_id, due.step_no, later.finished_on, 'replaced', later.job_id
    from due join staged_job as later using (system_id)
    where later.finished_on > due.finished_on and later.job_kind::varchar in ('new_install', 'changeout')
    union all
    select due.job_id, due.step_no, system.retired_on, 'retired', null
    from due join staged_system as system using (system_id)
    where system.retired_on >= due.finished_on
    union all
    select due.job_id, due.step_no, call.opened_on, 'call', null
    from due
    join return_reason as reason on reason.reason = due.called_for
    join staged_call as call using (system_id)
    where call.opened_on > due.finished_on and call.put_right
        and list_contains(string_split(reason.settled_by_findings, '|'), call.finding::varchar)
    union all
    select due.job_id, due.step_no, seen.seen_on, 'said', null
    from due join return_seen_to as seen on seen.job_id = due.job_id and seen.step = due.step
),
settled as (
    select job_id, step_no, min(settled_on) as settled_on, arg_min(settled_by, settled_on) as settled_by,
        arg_min(by_job, settled_on) as settled_job_id
    from settling
    where settled_on is not null
    group by job_id, step_no
),
brought as (
    -- the load that brought the newest of what the grade rests on
    select job_id, step, max(load_no) as load_no
    from (
        select due.job_id, due.step, substring(job.load_id, 2)::integer as load_no
        from due join staged_job as job using (job_id)
        union all
        select due.job_id, due.step, substring(ticked.load_id, 2)::integer
        from due join staged_step as ticked on ticked.job_id = due.job_id and ticked.step::varchar = due.step
        union all
        select due.job_id, due.step, substring(reading.load_id, 2)::integer
        from due join staged_reading as reading on reading.job_id = due.job_id and reading.step::varchar = due.step
    )
    group by job_id, step
),
first_warm_day as (
    -- the season that is on, else the next one to come
    select due.job_id, due.step_no, min(greatest(season.from_on, due.finished_on + 1)) as due_from_on
    from due
    join warm_season as season on season.to_on > due.finished_on
    where due.called_for = 'too_cold_to_judge'
    group by due.job_id, due.step_no
)
select due.job_id, due.step, due.called_for as reason,
    if(due.called_for = 'too_cold_to_judge', warm.due_from_on + 6, due.finished_on + reason.due_days) as due_on,
    settled.settled_on, settled.settled_by, settled.settled_job_id,
    due.system_id, coalesce(nullif(site.area, ''), nullif(system.area, '')) as area, due.finished_on,
    if(due.called_for = 'too_cold_to_judge', warm.due_from_on, due.finished_on) as due_from_on,
    if(due.called_for = 'too_cold_to_judge', $season_chosen_by, 'guess') as due_chosen_by,
    reason.is_safety, reason.place, if(brought.load_no is null, null, printf('L%04d', brought.load_no)) as load_id
from due
join return_reason as reason on reason.reason = due.called_for
left join settled using (job_id, step_no)
left join first_warm_day as warm using (job_id, step_no)
left join brought on brought.job_id = due.job_id and brought.step = due.step
left join staged_system as system on system.system_id = due.system_id
left join staged_site as site on site.site_id = system.site_id
order by reason.place, due_on, due.place;
