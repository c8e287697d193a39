-- exposure_cell: all follow-up, counted by where pieces enter and leave the age bands ("exit-band" cells).
-- reads   follow_up, age_band
-- units   time in days: days_before_entry lie in the entry band before the piece began, days_in_exit_band in the exit
--         band before it ended
--         period is the calendar year in which the life began, in pairs of years
-- why     Nothing is spread over rows: of n pieces each band between entry and exit takes its whole width n times, so
--         the time in every band follows from two sums. A piece that ends on a band's edge ends in the band before it.
create or replace table exposure_cell as
select piece.technician_id, piece.pattern, piece.equipment_and_joints, piece.is_visited,
    year(piece.started_on) // 2 as period, entry_band.band as entry_band, exit_band.band as exit_band,
    count(*) as n,
    sum(piece.from_age - entry_band.from_days) as days_before_entry,
    sum(piece.to_age - exit_band.from_days) as days_in_exit_band
from follow_up as piece
join age_band as entry_band on piece.from_age >= entry_band.from_days and piece.from_age < entry_band.to_days
join age_band as exit_band on piece.to_age > exit_band.from_days and piece.to_age <= exit_band.to_days
group by all;
