-- energy_penalty: one row for each job, fault found on it and mode (cooling; heating too for a heat pump), and one more,
--         `together`, where there are several. `is_total` marks the one row of a job and mode that holds all of it.
-- reads   grade_job, grade_charge, grade_airflow, airflow_told, standing_check, fault_effect, staged_reading, staged_system
-- units   percent more electricity for the same cooling or heating, at the rating point; money a year
-- why     The curves speak of the rating point, not of a year: no published annual form could be read, so `basis` never says
--         annual. Charge counts by its weight where that is outside its limit and no charge check has passed since; airflow
--         by what was measured or read off the table, where it is below its limit. Charge and airflow together are less than
--         their product: the charge is turned into an airflow that costs as much capacity (OpenStudio-HPXML). The indoor
--         blower is not in it. Money needs hours, price and power from House rules (or the job's own input power).
create or replace table energy_penalty as
with charge as (
    select job.job_no, job.job_id, if(grade.measured < 0, 'undercharge', 'overcharge') as fault,
        greatest(least(round(grade.measured / 0.5), 60), -60)::integer as level_no, null::integer as low_no,
        null::integer as high_no, grade.measured as level, abs(grade.measured) > 30 as is_edge
    from grade_charge as grade join grade_job as job on job.job_no = grade.job_no
    where grade.reason = 'charge_outside'
),
flow as (
    select told.job_id, arg_min(airflow_cfm, told.method = 'fan_table') as cfm, arg_min(low, told.method = 'fan_table') as low,
        arg_min(high, told.method = 'fan_table') as high
    from airflow_told as told where told.method in ('measured', 'fan_table') and airflow_cfm is not null
    group by told.job_id
),
airflow as (
    select job.job_no, job.job_id, 'low_airflow' as fault,
        greatest(least(round(200 * flow.cfm / rated), 240), 100)::integer as level_no,
        greatest(least(round(200 * flow.low / rated), 240), 100)::integer as low_no,
        greatest(least(round(200 * flow.high / rated), 240), 100)::integer as high_no,
        100 * flow.cfm / rated as level, flow.cfm / rated < 0.5 as is_edge
    from (
        select flow.*, $rated_airflow_per_ton * nominal_tons as rated
        from flow join grade_job using (job_id)
    ) as flow
    join grade_job as job on job.job_id = flow.job_id
    join limit_of_kind as lim using (kind_no)
    where job.nominal_tons > 0 and flow.cfm < coalesce(maker_airflow_low, airflow_per_ton_low * job.nominal_tons)
),
gas as (
    -- how much of the circuit's volume holds vapour is not known: the mass lies between these shares of the whole
    select job.job_no, job.job_id, 'non_condensables' as fault,
        least(round(200 * excess_psi / 14.696 * (1 + $vapour_share_low / 100) / 2), 160)::integer as level_no,
        least(round(200 * greatest(low, 0) / 14.696 * $vapour_share_low / 100), 160)::integer as low_no,
        least(round(200 * high / 14.696), 160)::integer as high_no,
        excess_psi as level,
        200 * excess_psi / 14.696 * (1 + $vapour_share_low / 100) / 2 > 160.5 as is_edge
    from standing_check as standing join grade_job as job on job.job_id = standing.job_id
    where verdict = 'non_condensables'
),
fault as (
    select * from charge union all select * from airflow union all select * from gas
),
mode_of as (
    select fault.*, effect.mode, effect.capacity, effect.energy,
        least(effect.low, coalesce(at_low.low, effect.low), coalesce(at_high.low, effect.low)) as low,
        greatest(effect.high, coalesce(at_low.high, effect.high), coalesce(at_high.high, effect.high)) as high
    from (select * exclude (low_no, high_no), low_no, high_no from fault) as fault
    join grade_job as job on job.job_no = fault.job_no
    join fault_effect as effect on effect.fault = fault.fault and effect.level_no = fault.level_no
    left join fault_effect as at_low on at_low.fault = fault.fault and at_low.mode = effect.mode and at_low.level_no = low_no
    left join fault_effect as at_high on at_high.fault = fault.fault and at_high.mode = effect.mode
        and at_high.level_no = high_no
    where effect.mode = 'cooling' or job.equipment = 'split_heat_pump'
),
summed as (
    select job_no, job_id, mode, count(*) as faults, product(energy) as energy, product(capacity) as capacity,
        product(low) as low, product(high) as high,
        any_value(1 / capacity) filter (where fault in ('undercharge', 'overcharge')) as as_airflow,
        any_value(energy) filter (where fault in ('undercharge', 'overcharge')) as charge_energy,
        any_value(level / 100) filter (where fault = 'low_airflow') as share,
        any_value(energy) filter (where fault = 'low_airflow') as airflow_energy,
        bool_or(is_edge) as is_edge,
        case mode when 'cooling' then $airflow_cooling::double[] else $airflow_heating::double[] end as c
    from mode_of group by job_no, job_id, mode
),
together as (
    select job_no, job_id, mode, faults, capacity, is_edge, low, high, energy as by_product,
        greatest(share, 0.5) as at_share,
        if(as_airflow is not null and share is not null,
            energy / airflow_energy * (c[1] + c[2] * as_airflow * at_share + c[3] * power(as_airflow * at_share, 2))
            / (c[1] + c[2] * as_airflow + c[3] * power(as_airflow, 2)), energy) as energy
    from summed where faults > 1
),
told as (
    select mode_of.job_no, mode_of.job_id, mode_of.fault, mode_of.mode, mode_of.energy, mode_of.low, mode_of.high,
        mode_of.capacity, mode_of.is_edge, mode_of.level, summed.faults = 1 as is_total
    from mode_of join summed on summed.job_no = mode_of.job_no and summed.mode = mode_of.mode
    union all
    select job_no, job_id, 'together', mode, energy, least(energy, low * energy / by_product),
        greatest(energy, high * energy / by_product), capacity, is_edge, null, true
    from together
),
power as (
    select job_id, arg_max(value, reading_order) as input_w
    from staged_reading where step = 'electrical' and quantity = 'input_power' and job_id in (select job_id from told)
    group by job_id
),
priced as (
    select told.*, coalesce(power.input_w, $nominal_power_w_per_ton::double * job.nominal_tons) as power_w,
        power_w / 1000 * if(mode = 'cooling', $cooling_hours::double, $heating_hours::double) * $electricity_price::double
            as cost_of_all
    from told
    join grade_job as job on job.job_no = told.job_no
    left join power on power.job_id = told.job_id
)
select job_id, fault, 100 * (energy - 1) as percent, 100 * (low - 1) as low, 100 * (high - 1) as high,
    'rating_point' as basis, mode, 100 * (capacity - 1) as capacity_percent, is_total,
    cost_of_all * (energy - 1) as cost_per_year, cost_of_all * (low - 1) as cost_low, cost_of_all * (high - 1) as cost_high,
    case fault
        when 'undercharge' then 'The charge is ' || said(-level, 1) || ' % below what it should be'
        when 'overcharge' then 'The charge is ' || said(level, 1) || ' % above what it should be'
        when 'low_airflow' then 'The airflow is ' || said(level, 0) || ' % of the rated one'
        when 'non_condensables' then 'Gas that does not condense stands ' || said(level, 1) || ' psi above saturation'
        else 'All of these together' end
    || ': at the rating point, for the same ' || mode || ', ' || said(100 * (energy - 1), 1) || ' % more electricity ('
    || said(100 * (low - 1), 1) || ' to ' || said(100 * (high - 1), 1) || ').'
    || if(is_edge, ' That is as far as it was measured: it may be more.', '') as why
from priced;
