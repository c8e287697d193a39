-- outcome_step: one row for each first event and step: what state the step was in when it came.
-- reads   outcome_event, follow_up_step
-- units   age in days since the life began
-- why     events_skipped of step_effect are the rows here with the step's contrast, in_follow_up and not is_visited.
create or replace view outcome_step as
select event.outcome, event.system_id, event.life_no, event.happened_on, event.age, event.call_id,
    case when event.age <= 730 then 'early' else 'late' end as age_band,
    piece.job_id, piece.step, piece.state, piece.is_visited
from outcome_event as event
join follow_up_step as piece
    on piece.system_id = event.system_id and piece.life_no = event.life_no
    and event.age > piece.from_age and event.age <= piece.to_age;
