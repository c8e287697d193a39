-- system_now: one row for each system that ever began a life: how it stands on $as_of.
-- reads   life, segment, staged_call, staged_system, staged_job
-- units   age in days since the current life began
-- why     A list of systems to visit may hold only what still runs. A compressor failure that was followed by neither a
--         changeout nor a retirement within 90 days leaves a system whose fate nobody wrote down: it is listed as that.
create or replace table system_now as
with current_life as (
    select * from life
    qualify row_number() over (partition by system_id order by life_no desc) = 1
), current_segment as (
    select * from segment
    qualify row_number() over (partition by system_id order by life_no desc, from_age desc, job_id desc) = 1
), seen as (
    select system_id, max(seen_on) as last_seen_on
    from (
        select system_id, opened_on as seen_on from staged_call where opened_on <= $as_of
        union all
        select system_id, finished_on from staged_job
        where finished_on <= $as_of and not coalesce(installed_by::varchar = 'someone_else', false)
        union all
        select system_id, least(last_contact_on, $as_of) from staged_system where last_contact_on is not null
    )
    group by system_id
)
select current_life.system_id, current_life.life_no, current_segment.job_id, current_segment.technician_id,
    current_segment.pattern, current_segment.equipment_and_joints, current_life.is_adopted,
    current_life.started_on, current_life.failed_on, current_life.retired_on, seen.last_seen_on,
    datediff('day', current_life.started_on, $as_of)::double as age,
    current_life.put_right_on is not null as is_visited,
    case
        when sys.retired_on <= $as_of and sys.retired_on >= current_life.started_on then 'retired'
        when current_life.failed_on is not null and datediff('day', current_life.failed_on, $as_of) > 90
        then 'fate_unknown'
        when current_life.failed_on is not null then 'failed'
        else 'in_service'
    end as fate
from current_life
join current_segment on current_segment.system_id = current_life.system_id
left join seen on seen.system_id = current_life.system_id
left join staged_system as sys on sys.system_id = current_life.system_id;
