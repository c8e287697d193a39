-- follow_up_step: one row for each piece of follow-up and step: the jobs, systems and time behind a step's effect.
-- reads   follow_up, step_place
-- units   ages in days since the life began
-- why     A number that cannot be opened cannot be trusted: this is the list behind every count of step_effect.
create or replace view follow_up_step as
select piece.system_id, piece.life_no, piece.job_id, piece.technician_id, place.step,
    case (piece.pattern // place.weight) % 6
        when 0 then 'passed'
        when 1 then 'failed'
        when 2 then 'ticked_only'
        when 3 then 'not_done'
        when 4 then 'unknown'
        else 'not_applicable'
    end as state,
    piece.is_visited, piece.from_age, piece.to_age
from follow_up as piece
cross join step_place as place;
