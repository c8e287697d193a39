-- follow_up_then: follow_up as it could have been known on each earlier day of back_test_cutoff.
-- reads   follow_up, outcome_event, back_test_cutoff, staged_system, known_call, life
-- units   ages in days since the life began; event_age empty where the compressor had not failed by then
-- kept    for the connection alone: the store need not carry it
-- why     A model is judged only on what it had not seen. Time after the cutoff and events after it are cut away here, so
--         that the models cannot see them by mistake. On an agreement without a written last contact, later visits prove
--         contact that nobody could have proved then: what follows the last visit known then by more than the interval
--         is cut too. A fit with that day as its own then counts the very same cells.
create or replace temp table follow_up_then as
with agreed as (
    select system_id, round(coalesce(visit_interval_months, $visit_interval_months) * 30.4375)::integer as heard_days
    from staged_system
    where last_contact_on is null and coalesce(agreement, false)
), seen as (
    select system_id, started_on as seen_on from life where not is_adopted
    union all
    select system_id, opened_on from known_call where call_kind in ('maintenance', 'proactive')
    union all
    -- someone else's system without a planned visit yet is heard of from the first contact on
    select system_id, min(entered_on) from life where entered_on is not null group by system_id
), contact_then as (
    select cutoff.cutoff, agreed.system_id, max(seen.seen_on) + any_value(agreed.heard_days) as until_on
    from back_test_cutoff as cutoff
    cross join agreed
    join seen on seen.system_id = agreed.system_id and seen.seen_on <= cutoff.cutoff
    group by all
), cut as (
    select cutoff.cutoff, piece.system_id, piece.life_no, piece.job_id, piece.technician_id, piece.pattern,
        piece.equipment_and_joints, piece.is_visited, piece.from_age,
        case
            -- who failed on the day of the job was in service for part of that day, whatever the hour
            when piece.to_age < 1 then piece.to_age
            else least(
                piece.to_age,
                datediff('day', piece.started_on, least(cutoff.cutoff, coalesce(contact_then.until_on, cutoff.cutoff)))
            )
        end as to_age,
        event.age as event_age
    from back_test_cutoff as cutoff
    join follow_up as piece on piece.started_on + piece.from_age::integer <= cutoff.cutoff
    left join contact_then on contact_then.cutoff = cutoff.cutoff and contact_then.system_id = piece.system_id
    left join outcome_event as event
        on event.outcome = 'compressor_failure' and event.system_id = piece.system_id
        and event.life_no = piece.life_no and event.happened_on <= cutoff.cutoff
)
select * from cut where from_age < to_age;
