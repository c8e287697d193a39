-- follow_up_then: follow_up as it could have been known on each earlier day of back_test_cutoff.
-- reads   follow_up, outcome_event, back_test_cutoff
-- units   ages in days since the life began; event_age empty where the compressor had not failed by then
-- kept    for the connection alone: the store need not carry it
-- why     A model is judged only on what it had not seen. Time after the cutoff and events after it are cut away here,
--         so that the models cannot see them by mistake.
create or replace temp table follow_up_then as
select cutoff.cutoff, piece.system_id, piece.life_no, piece.job_id, piece.technician_id, piece.pattern,
    piece.equipment_and_joints, piece.is_visited, piece.from_age,
    least(piece.to_age, datediff('day', piece.started_on, cutoff.cutoff)::double) as to_age,
    event.age as event_age
from back_test_cutoff as cutoff
join follow_up as piece on piece.from_age < datediff('day', piece.started_on, cutoff.cutoff)
left join outcome_event as event
    on event.outcome = 'compressor_failure' and event.system_id = piece.system_id
    and event.life_no = piece.life_no and event.happened_on <= cutoff.cutoff;
