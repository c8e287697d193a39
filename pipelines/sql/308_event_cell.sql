-- event_cell: for each outcome its events, and the time after them that its own follow-up must not have.
-- reads   follow_up, outcome_event, age_band
-- units   as exposure_cell
-- why     Events are few beside installs: what an outcome needs is all follow-up less the time after its event, so
--         the follow-up is counted once for all outcomes.
create or replace table event_cell as
with after_event as (
    select event.outcome, piece.technician_id, piece.pattern, piece.equipment_and_joints, piece.is_visited,
        year(piece.started_on) // 2 as period, greatest(piece.from_age, event.age) as from_age, piece.to_age,
        event.in_follow_up and event.age > piece.from_age and event.age <= piece.to_age as is_counted,
        event.age
    from outcome_event as event
    join follow_up as piece
        on piece.system_id = event.system_id and piece.life_no = event.life_no and piece.to_age >= event.age
)
select outcome, technician_id, pattern, equipment_and_joints, is_visited, period,
    entry_band.band as entry_band, exit_band.band as exit_band,
    count(*) as n,
    count(*) filter (is_counted) as events,
    sum(piece.from_age - entry_band.from_days) as days_before_entry,
    sum(piece.to_age - exit_band.from_days) as days_in_exit_band
from after_event as piece
-- the band of the event is the one that its day ends in, also where nothing is left after it
join age_band as entry_band on
    case when is_counted then piece.age > entry_band.from_days and piece.age <= entry_band.to_days
    else piece.from_age >= entry_band.from_days and piece.from_age < entry_band.to_days end
join age_band as exit_band on piece.to_age > exit_band.from_days and piece.to_age <= exit_band.to_days
group by all;
