-- grade_electrical: one row for each job of ours, recorded or not.
-- reads   grade_job, limit_of_kind, derating_point, grade_airflow, grade_reason, staged_reading, staged_step, rejected_reading,
--         open_dispute
-- units   A, V, %
-- why     Current against the rated load current proves the step. A rating is not the expected current: there is no
--         lower bound. A voltage can break a limit, but by itself it proves nothing about the compressor. What a motor may
--         carry on unbalanced voltages is the curve of NEMA MG 1, which ends at 5 %.
create or replace temp table grade_electrical as
with reading as (
    select job_id,
        arg_max(value, reading_order) filter (where quantity = 'compressor_current') as read_current_a,
        arg_max(value, reading_order) filter (where quantity = 'rated_load_current') as read_rated_a,
        arg_max(value, reading_order) filter (where quantity = 'voltage') as read_voltage_v,
        arg_max(value, reading_order) filter (where quantity = 'rated_voltage') as read_rated_v,
        arg_max(value, reading_order) filter (where quantity = 'voltage_ab') as ab_v,
        arg_max(value, reading_order) filter (where quantity = 'voltage_bc') as bc_v,
        arg_max(value, reading_order) filter (where quantity = 'voltage_ca') as ca_v
    from staged_reading where step = 'electrical'
    group by job_id
),
unreadable as (
    select job_id, bool_or(quantity = 'compressor_current') as is_measured from rejected_reading
    where step = 'electrical' and quantity in ('compressor_current', 'rated_load_current')
    group by job_id
),
disputed as (select distinct job_id from open_dispute where step = 'electrical'),
found as (
    select job.job_no, job.metering, disputed.job_id is not null as is_disputed,
        unreadable.job_id is not null as is_unreadable,
        coalesce(unreadable.is_measured, false) as is_measure_unreadable,
        step.ticked::varchar as ticked, step.technician_id,
        figure(read_current_a) as current_a, figure(read_voltage_v) as voltage_v,
        coalesce(maker_compressor_current_high, lim.rated_load_current, figure(read_rated_a)) as rated_a,
        coalesce(maker_compressor_current_high_no, plate_current_no) as current_no,
        nullif(coalesce(lim.rated_voltage, read_rated_v), 0) as rated_v,
        -- the maker may say volts for his model; else it is held against the rated voltage
        coalesce(maker_voltage_low, maker_voltage_high) is not null as is_by_volts,
        if(is_by_volts, voltage_v, figure(100 * (voltage_v / rated_v - 1))) as volts,
        if(is_by_volts, maker_voltage_low, voltage_deviation_low) as volts_low,
        if(is_by_volts, maker_voltage_high, voltage_deviation_high) as volts_high,
        if(is_by_volts, maker_voltage_low_no, voltage_deviation_low_no) as volts_low_no,
        if(is_by_volts, maker_voltage_high_no, voltage_deviation_high_no) as volts_high_no,
        (ab_v + bc_v + ca_v) / 3 as average_v,
        figure(100 * greatest(abs(ab_v - average_v), abs(bc_v - average_v), abs(ca_v - average_v))
            / nullif(average_v, 0)) as unbalance,
        -- greatest passes over an absent voltage, the average does not
        voltage_unbalance_high as unbalance_most, voltage_unbalance_high_no as unbalance_no,
        is_outside(volts, volts_low, volts_high, not is_by_volts and voltage_deviation_low_open,
            not is_by_volts and voltage_deviation_high_open) as is_volts_outside,
        is_outside(unbalance, null, unbalance_most, false, voltage_unbalance_high_open) as is_unbalance_outside,
        coalesce(current_a > rated_a, false) as is_current_outside,
        airflow_reason.state as airflow_state
    from grade_job as job
    join limit_of_kind as lim using (kind_no)
    left join reading on reading.job_id = job.job_id
    left join staged_step as step on step.job_id = job.job_id and step.step = 'electrical'
    left join unreadable on unreadable.job_id = job.job_id
    left join disputed on disputed.job_id = job.job_id
    left join grade_airflow as airflow on airflow.job_no = job.job_no
    left join grade_reason as airflow_reason on airflow_reason.reason = airflow.reason
),
weighed as (
    select *,
        if(is_current_outside, excess(current_a, null, rated_a), null) as current_excess,
        if(is_volts_outside, excess(volts, volts_low, volts_high), null) as volts_excess,
        if(is_unbalance_outside, excess(unbalance, null, unbalance_most), null) as unbalance_excess,
        -- of several broken limits the one that is broken worst decides
        greatest(current_excess, volts_excess, unbalance_excess) as worst
    from found
),
judged as (
    select *,
        case
            when is_disputed                                 then 'disputed'
            when current_excess = worst                      then 'current_outside'
            when volts_excess = worst and is_by_volts        then 'voltage_volts_outside'
            when volts_excess = worst                        then 'voltage_outside'
            when unbalance_excess = worst and unbalance > 5  then 'unbalance_far_outside'
            when unbalance_excess = worst                    then 'unbalance_outside'
            when current_a is not null and rated_a is not null then 'current_inside'
            when is_measure_unreadable or (current_a is not null and is_unreadable) then 'unreadable'
            when current_a is not null                       then 'no_rating'
            when ticked = 'done'                             then 'ticked_only'
            when ticked = 'not_done'                         then 'not_done'
            else 'no_record'
        end as reason,
        reason in ('current_inside', 'current_outside') as is_by_current,
        reason in ('voltage_outside', 'voltage_volts_outside') as is_by_voltage,
        is_by_current or is_by_voltage or reason in ('unbalance_outside', 'unbalance_far_outside') as is_judged,
        is_judged or reason = 'no_rating' as is_measured
    from weighed
)
select job_no, technician_id, reason,
    case when is_by_current then current_a when is_by_voltage then volts when is_judged then unbalance end as measured,
    case when is_by_current then rated_a when is_by_voltage then bound_of(volts, volts_low, volts_high)
        when is_judged then unbalance_most end as limit_value,
    case when is_by_current then current_no
        when is_by_voltage then limit_of(volts, volts_low, volts_high, volts_low_no, volts_high_no)
        when is_judged then unbalance_no end as limit_no,
    case reason when 'no_rating' then current_a when 'voltage_outside' then voltage_v
        when 'unbalance_outside' then (
            select 100 * (share + slope * (unbalance - from_percent)) from derating_point
            where unbalance > from_percent and unbalance <= to_percent) end as figure_a,
    if(reason = 'voltage_outside', rated_v, null) as figure_b,
    if(is_measured and coalesce(ticked = 'not_done', false), 8, 0)
        + if(not is_measured, 0, case airflow_state when 'failed' then 128 when 'not_done' then 256
            when 'no_record' then 512 when 'ticked_only' then 1024 else 0 end)
        + if(is_measured and is_unreadable, 8192, 0)
        + if(is_by_current and coalesce(metering = 'eev', false), 524288, 0) as notes
from judged;
