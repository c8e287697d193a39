-- segment: one row for each stretch of a life in which the same job's work stands.
-- reads   life, step_level, staged_job, staged_system, step_place
-- units   ages in days since started_on
-- why     A coil changeout or circuit repair opens the circuit again: from then on its own steps count, and a step that
--         does not belong to it (the airflow) keeps the state it had. The technician of a segment is who led its job.
create or replace table segment as
with all_unknown as (
    select (sum(weight) * 4)::integer as pattern from step_place
), life_job as (
    select life.system_id, life.life_no, job.job_id, job.technician_id, job.joints::varchar as joints,
        job.job_kind::varchar as job_kind, life.is_adopted and job.job_id = life.start_job_id as is_by_someone_else,
        coalesce(step_level.pattern, all_unknown.pattern) as own_pattern,
        step_level.pattern is not null as has_grades,
        datediff('day', life.started_on, job.finished_on)::double as from_age,
        row_number() over w as job_no,
        lead(datediff('day', life.started_on, job.finished_on)) over w as next_age,
        count(*) over (partition by life.system_id, life.life_no) as jobs
    from life
    join staged_job as job
        on job.system_id = life.system_id
        and job.finished_on between life.started_on and life.ended_on
        and (
            job.job_id = life.start_job_id
            or (
                not coalesce(job.installed_by::varchar = 'someone_else', false)
                and coalesce(job.job_kind::varchar, 'circuit_repair') in ('coil_changeout', 'circuit_repair')
            )
        )
    left join step_level on step_level.job_id = job.job_id
    cross join all_unknown
    window w as (
        partition by life.system_id, life.life_no
        order by job.job_id <> life.start_job_id, job.finished_on, job.job_id
    )
), own_level as (
    select system_id, life_no, job_id, job_no, place.weight,
        (own_pattern // place.weight) % 6 as level
    from life_job
    cross join step_place as place
    where jobs > 1
), carried as (
    select system_id, life_no, job_id,
        sum(weight * level)::integer as pattern
    from (
        select system_id, life_no, job_id, weight,
            coalesce(
                last_value(case when level <> 5 then level end ignore nulls) over (
                    partition by system_id, life_no, weight order by job_no
                    rows between unbounded preceding and current row
                ),
                5
            ) as level
        from own_level
    )
    group by all
)
select life_job.system_id, life_job.life_no, life_job.job_id,
    case when is_by_someone_else then '(someone else)' else coalesce(life_job.technician_id, '(not recorded)') end
        as technician_id,
    coalesce(carried.pattern, life_job.own_pattern) as pattern,
    concat_ws(
        ', ',
        coalesce(sys.equipment::varchar, 'equipment not recorded'),
        coalesce(life_job.joints, 'joints not recorded'),
        case when life.job_kind = 'compressor_changeout' then 'after a compressor changeout' end
    ) as equipment_and_joints,
    from_age,
    coalesce(next_age::double, datediff('day', life.started_on, life.ended_on)::double) as to_age
from life_job
join life using (system_id, life_no)
left join carried using (system_id, life_no, job_id)
left join staged_system as sys on sys.system_id = life_job.system_id;
