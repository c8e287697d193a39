-- grade_evacuation: one row for each job of ours, recorded or not.
-- reads   grade_job, limit_of_kind, vacuum_from_log, staged_reading, staged_step, rejected_reading, open_dispute
-- units   micron, absolute
-- why     The last reading before the system was shut off counts: a deeper one while the pump pulls proves little. A
--         pump time says that the pump ran, not that the system is dry: it never passes anything. A gauge log counts
--         before a figure that was typed.
create or replace temp table grade_evacuation as
with reading as (
    select job_id, arg_max(value, reading_order) as vacuum_micron
    from staged_reading where step = 'evacuation' and quantity = 'vacuum'
    group by job_id
),
unreadable as (select distinct job_id from rejected_reading where step = 'evacuation' and quantity = 'vacuum'),
disputed as (select distinct job_id from open_dispute where step = 'evacuation'),
judged as (
    select job.job_no, job.circuit_note, step.ticked::varchar as ticked, step.technician_id,
        log_vacuum_micron is not null as is_from_log,
        figure(coalesce(log_vacuum_micron, reading.vacuum_micron)) as vacuum,
        vacuum_low, vacuum_high, vacuum_low_no, vacuum_high_no,
        unreadable.job_id is not null as is_unreadable,
        case
            when not job.has_open_circuit                                  then 'factory_circuit'
            when disputed.job_id is not null                               then 'disputed'
            when is_outside(vacuum, vacuum_low, vacuum_high, vacuum_low_open, vacuum_high_open)
                                                                           then 'vacuum_outside'
            when vacuum is not null                                        then 'vacuum_inside'
            when is_unreadable                                             then 'unreadable'
            when ticked = 'done'                                           then 'ticked_only'
            when ticked = 'not_done'                                       then 'not_done'
            else 'no_record'
        end as reason,
        reason in ('vacuum_inside', 'vacuum_outside') as is_measured
    from grade_job as job
    join limit_of_kind as lim using (kind_no)
    left join reading on reading.job_id = job.job_id
    left join vacuum_from_log as log on log.job_id = job.job_id
    left join staged_step as step on step.job_id = job.job_id and step.step = 'evacuation'
    left join unreadable on unreadable.job_id = job.job_id
    left join disputed on disputed.job_id = job.job_id
)
select job_no, technician_id, reason,
    if(is_measured, vacuum, null) as measured,
    if(is_measured, bound_of(vacuum, vacuum_low, vacuum_high), null) as limit_value,
    if(is_measured, limit_of(vacuum, vacuum_low, vacuum_high, vacuum_low_no, vacuum_high_no), null) as limit_no,
    null::double as figure_a, null::double as figure_b,
    circuit_note
        + if(is_measured and coalesce(ticked = 'not_done', false), 8, 0)
        + if(is_measured and is_unreadable, 8192, 0)
        + if(is_measured and is_from_log, 16384, 0) as notes
from judged;
