-- follow_up: one row for each piece of time in which a system was in service and followed, under one job's work.
-- reads   segment, life, contact_window
-- units   ages in days since the life began
-- why     A proactive visit on which something was put right changes what comes after it: step effects stop there, the
--         risk of a failure goes on in the state `visited`. Pieces of one life never overlap, so time is counted once.
create or replace table follow_up as
with bounded as (
    select segment.system_id, segment.life_no, segment.job_id, segment.technician_id, segment.pattern,
        segment.equipment_and_joints, life.started_on, life.end_kind,
        datediff('day', life.started_on, life.ended_on)::double as life_end_age,
        datediff('day', life.started_on, life.put_right_on)::double as put_right_age,
        greatest(segment.from_age, datediff('day', life.started_on, seen.from_on)::double,
            datediff('day', life.started_on, life.entered_on)::double) as from_age,
        -- a system that failed on the day of its job was in service for part of that day
        case
            when life.end_kind = 'compressor_failure' and life.ended_on = life.started_on then 0.5
            else least(segment.to_age, datediff('day', life.started_on, seen.to_on)::double)
        end as to_age
    from segment
    join life using (system_id, life_no)
    join contact_window as seen using (system_id)
    where life.entered_on is not null
), piece as (
    select * exclude (put_right_age, to_age), false as is_visited, least(to_age, put_right_age) as to_age
    from bounded
    union all
    select * exclude (put_right_age, to_age, from_age), greatest(from_age, put_right_age) as from_age,
        true as is_visited, to_age
    from bounded
    where put_right_age is not null
)
select system_id, life_no, job_id, technician_id, pattern, equipment_and_joints, is_visited, started_on,
    from_age, to_age,
    started_on + from_age::integer as from_on,
    -- how the piece ends: with the life, or because contact, the segment or the unvisited time ends
    case when to_age >= life_end_age then end_kind else 'running' end as end_kind
from piece
where from_age < to_age;
