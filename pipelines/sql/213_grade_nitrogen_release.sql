-- grade_nitrogen_release: one row for each job of ours, recorded or not.
-- reads   grade_job, limit_of_kind, staged_step, open_dispute
-- units   local times
-- why     There is nothing to measure: the tick is the proof, and its time must fit between the pressure test and the
--         evacuation. A step with one time only is taken as that moment; an absent time contradicts nothing.
create or replace temp table grade_nitrogen_release as
with disputed as (select distinct job_id from open_dispute where step = 'nitrogen_release'),
found as (
    select job.job_no, job.has_open_circuit, job.circuit_note, disputed.job_id is not null as is_disputed,
        release.ticked::varchar as ticked, release.technician_id, ticked_no,
        coalesce(coalesce(release.ended_at, release.started_at) < test.started_at, false)
            or coalesce(coalesce(release.started_at, release.ended_at) > evacuation.ended_at, false) as is_out_of_order
    from grade_job as job
    join limit_of_kind as lim using (kind_no)
    left join staged_step as release on release.job_id = job.job_id and release.step = 'nitrogen_release'
    left join staged_step as test on test.job_id = job.job_id and test.step = 'pressure_test'
    left join staged_step as evacuation on evacuation.job_id = job.job_id and evacuation.step = 'evacuation'
    left join disputed on disputed.job_id = job.job_id
)
select job_no, technician_id,
    case
        when not has_open_circuit                   then 'factory_circuit'
        when is_disputed                            then 'disputed'
        when ticked = 'done' and is_out_of_order    then 'release_out_of_order'
        when ticked = 'done'                        then 'released'
        when ticked = 'not_done'                    then 'not_done'
        else 'no_record'
    end as reason,
    null::double as measured, null::double as limit_value,
    if(reason in ('released', 'release_out_of_order'), ticked_no, null) as limit_no,
    null::double as figure_a, null::double as figure_b, circuit_note as notes
from found;
