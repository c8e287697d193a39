-- grade_airflow: one row for each job of ours, recorded or not.
-- reads   grade_job, limit_of_kind, airflow_reading, mixed_static, airflow_estimate, staged_step, rejected_reading,
--         open_dispute
-- units   inwc, cfm, cfm/ton, W/cfm
-- why     External static or airflow proves the step; a blower setting proves nothing. Return static is suction and is
--         written with either sign, one sign in a file: a file with both signs has to say first which is meant. One
--         static that is above the limit by itself already breaks it.
create or replace temp table grade_airflow as
with unreadable as (
    select distinct job_id from rejected_reading
    where step = 'airflow' and quantity in ('return_static', 'supply_static', 'airflow')
),
disputed as (select distinct job_id from open_dispute where step = 'airflow'),
found as (
    select job.job_no, job.is_ducted, job.leaves_airflow, job.airflow_note, job.air_handler,
        disputed.job_id is not null as is_disputed, unreadable.job_id is not null as is_unreadable,
        step.ticked::varchar as ticked, step.technician_id,
        mixed.job_id is not null as is_mixed, return_inwc, supply_inwc, figure(read_airflow_cfm) as airflow_cfm,
        if(is_mixed, null, figure(coalesce(abs(return_inwc), 0) + coalesce(abs(supply_inwc), 0))) as static_inwc,
        not is_mixed and return_inwc is not null and supply_inwc is not null as is_static_whole,
        coalesce(maker_total_external_static_high, lim.maximum_static, reading.plate_inwc,
            total_external_static_high) as static_most,
        if(maker_total_external_static_high is null and coalesce(lim.maximum_static, reading.plate_inwc) is not null,
            plate_static_no, total_external_static_high_no) as static_no,
        coalesce(return_inwc, supply_inwc) is not null and static_inwc > static_most as is_static_outside,
        -- the maker may say cfm for his model; else it is held against the tons
        coalesce(maker_airflow_low, maker_airflow_high) is not null as is_by_cfm,
        if(is_by_cfm, figure(airflow_cfm), figure(airflow_cfm / job.nominal_tons)) as flow,
        if(is_by_cfm, maker_airflow_low, airflow_per_ton_low) as flow_low,
        if(is_by_cfm, maker_airflow_high, airflow_per_ton_high) as flow_high,
        if(is_by_cfm, maker_airflow_low_no, airflow_per_ton_low_no) as flow_low_no,
        if(is_by_cfm, maker_airflow_high_no, airflow_per_ton_high_no) as flow_high_no,
        is_outside(flow, flow_low, flow_high, not is_by_cfm and airflow_per_ton_low_open,
            not is_by_cfm and airflow_per_ton_high_open) as is_flow_outside,
        figure(fan_w / nullif(airflow_cfm, 0)) as fan, fan_power_per_cfm_low as fan_low,
        fan_power_per_cfm_high as fan_high, fan_power_per_cfm_low_no, fan_power_per_cfm_high_no,
        is_outside(fan, fan_low, fan_high, fan_power_per_cfm_low_open, fan_power_per_cfm_high_open) as is_fan_outside,
        table_cfm, split_cfm,
        if(is_by_cfm, table_high, table_high / job.nominal_tons) < flow_low
            or if(is_by_cfm, table_low, table_low / job.nominal_tons) > flow_high as is_table_outside,
        -- both are off by something: they disagree where they are further apart than both errors together
        abs(table_cfm - airflow_cfm) > sqrt(power($measured_airflow_error / 100 * airflow_cfm, 2)
            + power(greatest(table_high - table_cfm, table_cfm - table_low), 2)) as is_disagreeing
    from grade_job as job
    join limit_of_kind as lim using (kind_no)
    left join airflow_reading as reading on reading.job_id = job.job_id
    left join mixed_static as mixed on mixed.job_id = job.job_id
    left join airflow_estimate as estimate on estimate.job_no = job.job_no
    left join staged_step as step on step.job_id = job.job_id and step.step = 'airflow'
    left join unreadable on unreadable.job_id = job.job_id
    left join disputed on disputed.job_id = job.job_id
),
weighed as (
    select *,
        if(is_static_outside, excess(static_inwc, null, static_most), null) as static_excess,
        if(is_flow_outside, excess(flow, flow_low, flow_high), null) as flow_excess,
        if(is_fan_outside, excess(fan, fan_low, fan_high), null) as fan_excess,
        -- of several broken limits the one that is broken worst decides
        greatest(static_excess, flow_excess, fan_excess) as worst
    from found
),
judged as (
    select *,
        case
            when not is_ducted                                  then 'no_ducts'
            when leaves_airflow                                 then 'ducts_not_touched'
            when is_disputed                                    then 'disputed'
            when static_excess = worst                          then 'static_outside'
            when flow_excess = worst and is_by_cfm              then 'airflow_cfm_outside'
            when flow_excess = worst                            then 'airflow_outside'
            when fan_excess = worst                             then 'fan_power_outside'
            when is_mixed                                       then 'signs_mixed'
            when is_static_whole                                then 'static_inside'
            when flow is not null and is_by_cfm                 then 'airflow_cfm_inside'
            when flow is not null                               then 'airflow_inside'
            when is_unreadable                                  then 'unreadable'
            when coalesce(return_inwc, supply_inwc) is not null then 'static_incomplete'
            when airflow_cfm is not null                        then 'airflow_no_tons'
            when ticked = 'done'                                then 'ticked_only'
            when ticked = 'not_done'                            then 'not_done'
            else 'no_record'
        end as reason,
        reason in ('static_inside', 'static_outside') as is_by_static,
        reason in ('airflow_inside', 'airflow_outside', 'airflow_cfm_inside', 'airflow_cfm_outside') as is_by_flow,
        reason = 'fan_power_outside' as is_by_fan,
        is_by_static or is_by_flow or is_by_fan as is_judged,
        is_judged or reason in ('signs_mixed', 'static_incomplete', 'airflow_no_tons') as is_measured
    from weighed
)
select job_no, technician_id, reason,
    case when is_by_static then static_inwc when is_by_flow then flow when is_by_fan then fan end as measured,
    case when is_by_static then static_most when is_by_flow then bound_of(flow, flow_low, flow_high)
        when is_by_fan then bound_of(fan, fan_low, fan_high) end as limit_value,
    case when is_by_static then static_no
        when is_by_flow then limit_of(flow, flow_low, flow_high, flow_low_no, flow_high_no)
        when is_by_fan then limit_of(fan, fan_low, fan_high, fan_power_per_cfm_low_no, fan_power_per_cfm_high_no)
    end as limit_no,
    if(reason = 'airflow_no_tons', airflow_cfm, null) as figure_a, null::double as figure_b,
    airflow_note
        + if(is_measured and coalesce(ticked = 'not_done', false), 8, 0)
        + if(is_judged and fan is not null and air_handler is null, 2048, 0)
        + if(is_judged and airflow_cfm is not null and flow is null, 4096, 0)
        + if(is_measured and is_unreadable, 8192, 0)
        + if(is_judged and is_mixed, 262144, 0)
        + case
            when not is_measured                     then 0
            when airflow_cfm is null and table_cfm is not null then 1048576
            when airflow_cfm is null and split_cfm is not null then 8388608
            when is_disagreeing                      then 4194304
            when table_cfm is not null               then 2097152
            else 0 end
        + if(is_measured and airflow_cfm is null and coalesce(is_table_outside, false), 16777216, 0) as notes
from judged;
