-- back_test_system: one row for each earlier day and system that ran and was followed then: what came of it.
-- reads   follow_up, follow_up_then, outcome_event, back_test_cutoff
-- units   ages in days since the life began; days_followed after the cutoff, at most 1,096
-- kept    for the connection alone
-- why     Judged only while the system went on unvisited and we would have heard: who was visited because he stood high
--         on the list, or was lost from sight, says nothing of whether the list was right. Only what was known to be in
--         contact on that day is judged: contact that later visits prove is proved for those alone that went on running.
create or replace temp table back_test_system as
with running as (
    select known.cutoff, datediff('day', piece.started_on, known.cutoff)::double as age, piece.*
    from follow_up_then as known
    join follow_up as piece
        on piece.system_id = known.system_id and piece.life_no = known.life_no and piece.from_age = known.from_age
    -- a job on the very day of the cutoff belongs to the next day
    where known.to_age = datediff('day', piece.started_on, known.cutoff) and piece.to_age > known.to_age
), later as (
    select running.cutoff, running.system_id, max(next_piece.to_age) as to_age
    from running
    join follow_up as next_piece
        on next_piece.system_id = running.system_id and next_piece.life_no = running.life_no
        and next_piece.is_visited = running.is_visited and next_piece.from_age = running.to_age
    group by all
)
select running.cutoff, running.system_id, running.job_id, running.technician_id, running.pattern,
    running.equipment_and_joints, running.is_visited, running.age,
    least(coalesce(event.age, 1e9), coalesce(later.to_age, running.to_age), running.age + 1096) - running.age
        as days_followed,
    coalesce(
        event.age <= least(coalesce(later.to_age, running.to_age), running.age + 1096), false
    ) as has_failed
from running
left join later using (cutoff, system_id)
left join outcome_event as event
    on event.outcome = 'compressor_failure' and event.system_id = running.system_id
    and event.life_no = running.life_no
where event.age is null or event.age > running.age;
