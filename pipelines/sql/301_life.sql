-- life: one row for each life of a system: from the job that put its compressor in to whatever ends it.
-- reads   staged_system, staged_job, known_call
-- units   days are whole calendar days; a life's age counts from started_on
-- why     A compressor changeout begins the clock again; a coil changeout or a circuit repair does not. What is known
--         only after $as_of has not happened yet. A system put in by someone else enters late, at our first contact:
--         the years before it are not ours to count, since had it failed in them we would never have met it.
create or replace table life as
with own_job as (
    select job_id, system_id, finished_on, job_kind::varchar as job_kind,
        coalesce(installed_by::varchar = 'someone_else', false) as is_adopted,
        row_number() over (partition by system_id order by finished_on, job_id) as job_no
    from staged_job
    where finished_on <= $as_of
), start_job as (
    -- a kind that was not recorded is taken for an installation only where it is the system's first job
    select *
    from own_job
    where job_kind in ('new_install', 'changeout', 'compressor_changeout')
        or is_adopted
        or (job_kind is null and job_no = 1)
), numbered as (
    select *,
        row_number() over (partition by system_id order by finished_on, job_id) as life_no,
        lead(finished_on) over (partition by system_id order by finished_on, job_id) as next_started_on
    from start_job
), first_contact as (
    select numbered.system_id, numbered.life_no, min(seen_on) as first_seen_on
    from numbered
    join (
        select system_id, opened_on as seen_on from known_call where opened_on <= $as_of
        union all
        select system_id, finished_on from own_job where not is_adopted
    ) as seen on seen.system_id = numbered.system_id and seen.seen_on >= numbered.finished_on
    where numbered.is_adopted
    group by all
), bounded as (
    select numbered.system_id, numbered.life_no::integer as life_no, numbered.job_id as start_job_id,
        numbered.finished_on as started_on, is_adopted, job_kind,
        case when is_adopted then first_seen_on else numbered.finished_on end as entered_on,
        next_started_on,
        case
            when retired_on between numbered.finished_on and least($as_of, coalesce(next_started_on, $as_of))
            then retired_on
        end as retired_on,
        case when retired_on <= $as_of then retired_because::varchar end as retired_because
    from numbered
    left join first_contact using (system_id, life_no)
    left join staged_system as sys on sys.system_id = numbered.system_id
), call_in_life as (
    -- a call on the day of a changeout belongs to the life that it ended
    select bounded.system_id, bounded.life_no, call.opened_on,
        call.finding in ('compressor_burnout', 'compressor_mechanical') as is_failure,
        call.call_kind = 'proactive' and coalesce(call.put_right, false) as is_put_right
    from bounded
    join known_call as call
        on call.system_id = bounded.system_id
        and call.opened_on <= least($as_of, coalesce(bounded.next_started_on, $as_of))
        and (call.opened_on > bounded.started_on or (bounded.life_no = 1 and call.opened_on = bounded.started_on))
), from_calls as (
    select system_id, life_no,
        min(opened_on) filter (is_failure) as failure_call_on,
        min(opened_on) filter (is_put_right) as put_right_on
    from call_in_life
    group by all
)
select bounded.system_id, bounded.life_no, start_job_id, started_on, is_adopted, job_kind, entered_on, next_started_on,
    bounded.retired_on,
    case when bounded.retired_on is not null then retired_because end as retired_because,
    least(failure_call_on, case when retired_because = 'compressor' then bounded.retired_on end) as failed_on,
    put_right_on,
    -- a dead compressor runs no more: its failure ends every outcome's follow-up, not only its own
    least($as_of, next_started_on, bounded.retired_on, failed_on) as ended_on,
    case
        when failed_on is not null and failed_on = ended_on then 'compressor_failure'
        when bounded.retired_on = ended_on then 'retired'
        when next_started_on = ended_on then 'replaced'
        else 'running'
    end as end_kind
from bounded
left join from_calls using (system_id, life_no);
