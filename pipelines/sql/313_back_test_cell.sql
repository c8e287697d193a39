-- back_test_exposure_cell, back_test_event_cell: the cells of 307 and 308 as they stood on each earlier day.
-- reads   follow_up_then, age_band
-- units   as exposure_cell
-- why     The same counting as for today, so that a back-test tries the very model that is used today.
create or replace temp table back_test_exposure_cell as
select piece.cutoff, piece.technician_id, piece.pattern, piece.equipment_and_joints, piece.is_visited,
    0 as period, entry_band.band as entry_band, exit_band.band as exit_band,
    count(*) as n,
    sum(piece.from_age - entry_band.from_days) as days_before_entry,
    sum(piece.to_age - exit_band.from_days) as days_in_exit_band
from follow_up_then as piece
join age_band as entry_band on piece.from_age >= entry_band.from_days and piece.from_age < entry_band.to_days
join age_band as exit_band on piece.to_age > exit_band.from_days and piece.to_age <= exit_band.to_days
group by all;

create or replace temp table back_test_event_cell as
with after_event as (
    select *, event_age > from_age and event_age <= to_age as is_counted
    from follow_up_then
    where to_age >= event_age
)
select piece.cutoff, 'compressor_failure' as outcome, piece.technician_id, piece.pattern, piece.equipment_and_joints,
    piece.is_visited, 0 as period, entry_band.band as entry_band, exit_band.band as exit_band,
    count(*) as n,
    count(*) filter (is_counted) as events,
    sum(greatest(piece.from_age, piece.event_age) - entry_band.from_days) as days_before_entry,
    sum(piece.to_age - exit_band.from_days) as days_in_exit_band
from after_event as piece
join age_band as entry_band on
    case when is_counted then piece.event_age > entry_band.from_days and piece.event_age <= entry_band.to_days
    else piece.from_age >= entry_band.from_days and piece.from_age < entry_band.to_days end
join age_band as exit_band on piece.to_age > exit_band.from_days and piece.to_age <= exit_band.to_days
group by all;
