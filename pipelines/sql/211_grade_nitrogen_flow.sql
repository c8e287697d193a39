-- grade_nitrogen_flow: one row for each job of ours, recorded or not.
-- reads   grade_job, limit_of_kind, staged_reading, staged_step, rejected_reading, open_dispute
-- units   psig, scfh
-- why     A pressure or a rate proves that nitrogen flowed while the joints were hot; either one is enough.
create or replace temp table grade_nitrogen_flow as
with reading as (
    select job_id,
        arg_max(value, reading_order) filter (where quantity = 'flow_pressure') as pressure_psig,
        arg_max(value, reading_order) filter (where quantity = 'flow_rate') as rate_scfh
    from staged_reading where step = 'nitrogen_flow'
    group by job_id
),
unreadable as (
    select distinct job_id from rejected_reading
    where step = 'nitrogen_flow' and quantity in ('flow_pressure', 'flow_rate')
),
disputed as (select distinct job_id from open_dispute where step = 'nitrogen_flow'),
found as (
    select job.job_no, job.has_brazed_joints, job.joints_note, disputed.job_id is not null as is_disputed,
        unreadable.job_id is not null as is_unreadable, step.ticked::varchar as ticked, step.technician_id,
        figure(pressure_psig) as pressure, figure(rate_scfh) as rate,
        flow_pressure_low as pressure_low, flow_pressure_high as pressure_high, flow_rate_low as rate_low,
        flow_rate_high as rate_high, flow_pressure_low_no, flow_pressure_high_no, flow_rate_low_no, flow_rate_high_no,
        is_outside(pressure, pressure_low, pressure_high, flow_pressure_low_open, flow_pressure_high_open)
            as is_pressure_outside,
        is_outside(rate, rate_low, rate_high, flow_rate_low_open, flow_rate_high_open) as is_rate_outside
    from grade_job as job
    join limit_of_kind as lim using (kind_no)
    left join reading on reading.job_id = job.job_id
    left join staged_step as step on step.job_id = job.job_id and step.step = 'nitrogen_flow'
    left join unreadable on unreadable.job_id = job.job_id
    left join disputed on disputed.job_id = job.job_id
),
judged as (
    select *,
        case
            when not has_brazed_joints                    then 'no_brazed_joints'
            when is_disputed                              then 'disputed'
            when is_pressure_outside or is_rate_outside   then 'flow_outside'
            when pressure is not null or rate is not null then 'flow_inside'
            when is_unreadable                            then 'unreadable'
            when ticked = 'done'                          then 'ticked_only'
            when ticked = 'not_done'                      then 'not_done'
            else 'no_record'
        end as reason,
        reason in ('flow_inside', 'flow_outside') as is_measured,
        -- of two broken limits the one that is broken worse decides
        pressure is not null and not (is_rate_outside and not (is_pressure_outside
            and excess(pressure, pressure_low, pressure_high) >= excess(rate, rate_low, rate_high))) as is_by_pressure
    from found
)
select job_no, technician_id, reason,
    case when not is_measured then null when is_by_pressure then pressure else rate end as measured,
    case when not is_measured then null
        when is_by_pressure then bound_of(pressure, pressure_low, pressure_high)
        else bound_of(rate, rate_low, rate_high) end as limit_value,
    case when not is_measured then null
        when is_by_pressure
            then limit_of(pressure, pressure_low, pressure_high, flow_pressure_low_no, flow_pressure_high_no)
        else limit_of(rate, rate_low, rate_high, flow_rate_low_no, flow_rate_high_no) end as limit_no,
    null::double as figure_a, null::double as figure_b,
    joints_note
        + if(is_measured and coalesce(ticked = 'not_done', false), 8, 0)
        + if(is_measured and is_unreadable, 8192, 0) as notes
from judged;
