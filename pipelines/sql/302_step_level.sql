-- step_level: one row for each graded job: where its nine steps stand, packed into one whole number.
-- reads   step_grade, step_place
-- units   pattern = sum over the steps of level x 6 ^ place; level 0 good, 1 failed, 2 ticked only, 3 not done,
--         4 unknown (no record, cannot tell, disputed), 5 does not belong
-- why     A fleet of a million jobs has a few thousand different patterns: the models look them up instead of
--         carrying nine columns for each job. A disputed step is out of every count until it is settled, so it is unknown.
create or replace table step_level as
select grade.job_id,
    sum(
        place.weight * case grade.state::varchar
            when 'passed' then 0
            when 'failed' then 1
            when 'ticked_only' then 2
            when 'not_done' then 3
            when 'not_applicable' then 5
            else 4
        end
    )::integer + (select sum(weight) * 4 from step_place)::integer
    -- a step without any grade is unknown too
    - (sum(place.weight) * 4)::integer as pattern
from step_grade as grade
join step_place as place on place.step = grade.step::varchar
group by grade.job_id;
