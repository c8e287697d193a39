-- grade_charge_check: one row for each job of ours, recorded or not.
-- reads   grade_job, limit_of_kind, saturation_point, superheat_cell, grade_airflow, grade_reason,
--         check_reading, staged_step, rejected_reading, open_dispute
-- units   psig and degF as read, psia and ln(psia) for the table; deviations in delta_degF
-- why     Superheat counts from the dew line, subcooling from the bubble line: swapped on R-407C they are wrong by
--         11 degF. Gauges read from the local atmosphere, so altitude matters. Below 55 degF outdoors nothing can be
--         judged, right or wrong. The blower is set first: what airflow says stands beside every charge check.
create or replace temp table grade_charge_check as
with unreadable as (
    select job_id, bool_or(quantity in ('suction_pressure', 'suction_temperature', 'liquid_pressure',
        'liquid_temperature')) as is_measured
    from rejected_reading
    where step = 'charge_check' and quantity in ('suction_pressure', 'suction_temperature', 'liquid_pressure',
        'liquid_temperature', 'target_subcooling', 'target_superheat', 'outdoor_dry_bulb', 'return_wet_bulb')
    group by job_id
),
disputed as (select distinct job_id from open_dispute where step = 'charge_check'),
found as (
    select job.job_no, job.equipment, job.refrigerant, job.check_note, job.atmosphere_psia,
        disputed.job_id is not null as is_disputed, unreadable.job_id is not null as is_unreadable,
        coalesce(unreadable.is_measured, false) as is_measure_unreadable,
        step.ticked::varchar as ticked, step.technician_id, figure(reading.outdoor_degf) as outdoor_degf,
        return_wet_degf as wet_bulb_degf,
        suction_psig, suction_degf, liquid_psig, liquid_degf,
        lim.target_subcooling is not null or lim.target_superheat is not null as has_makers_target,
        -- a maker who gives one target says with it which of the two counts
        case
            when lim.target_subcooling is not null and lim.target_superheat is null then 'subcooling'
            when lim.target_superheat is not null and lim.target_subcooling is null then 'superheat'
            when job.metering in ('txv', 'eev')    then 'subcooling'
            when job.metering = 'fixed_orifice'    then 'superheat'
        end as method,
        if(method = 'subcooling', liquid_psig, suction_psig) + job.atmosphere_psia as pressure_psia,
        if(method = 'subcooling', liquid_degf, suction_degf) as line_degf,
        if(pressure_psia > 0, (ln(pressure_psia) - $first_ln_psia) / $step_ln_psia, null) as place,
        floor(place)::integer as point,
        floor((return_wet_degf - 50) / 2)::integer as wet_bulb_cell,
        floor((reading.outdoor_degf - 55) / 5)::integer as outdoor_cell,
        if(method = 'subcooling', coalesce(lim.target_subcooling, read_subcooling_target),
            coalesce(lim.target_superheat, read_superheat_target)) as given_target,
        outdoor_dry_bulb_low, outdoor_dry_bulb_low_no,
        if(method = 'subcooling', subcooling_deviation_low, superheat_deviation_low) as low,
        if(method = 'subcooling', subcooling_deviation_high, superheat_deviation_high) as high,
        if(method = 'subcooling', subcooling_deviation_low_no, superheat_deviation_low_no) as low_no,
        if(method = 'subcooling', subcooling_deviation_high_no, superheat_deviation_high_no) as high_no,
        if(method = 'subcooling', subcooling_deviation_low_open, superheat_deviation_low_open) as is_low_open,
        if(method = 'subcooling', subcooling_deviation_high_open, superheat_deviation_high_open) as is_high_open,
        airflow_reason.state as airflow_state
    from grade_job as job
    join limit_of_kind as lim using (kind_no)
    left join check_reading as reading on reading.job_id = job.job_id
    left join staged_step as step on step.job_id = job.job_id and step.step = 'charge_check'
    left join unreadable on unreadable.job_id = job.job_id
    left join disputed on disputed.job_id = job.job_id
    left join grade_airflow as airflow on airflow.job_no = job.job_no
    left join grade_reason as airflow_reason on airflow_reason.reason = airflow.reason
),
looked_up as (
    select found.*,
        if(method = 'subcooling', bubble_degf + (place - found.point) * bubble_rise_degf,
            dew_degf + (place - found.point) * dew_rise_degf) as saturation_degf,
        figure(case method when 'subcooling' then saturation_degf - line_degf
            when 'superheat' then line_degf - saturation_degf end) as reached,
        -- a corner of the chart that bears no weight need not be known
        (wet_bulb_degf - 50) / 2 - superheat_cell.wet_bulb_cell as across,
        (outdoor_degf - 55) / 5 - superheat_cell.outdoor_cell as down,
        if(method = 'superheat' and given_target is null,
            if((1 - across) * (1 - down) = 0, 0, (1 - across) * (1 - down) * target_low_low)
            + if(across * (1 - down) = 0, 0, across * (1 - down) * target_high_low)
            + if((1 - across) * down = 0, 0, (1 - across) * down * target_low_high)
            + if(across * down = 0, 0, across * down * target_high_high), null) as chart_target,
        coalesce(given_target, chart_target) as target,
        figure(reached - target) as deviation
    from found
    left join saturation_point on saturation_point.refrigerant = found.refrigerant
        and saturation_point.point = found.point
    left join superheat_cell on superheat_cell.wet_bulb_cell = found.wet_bulb_cell
        and superheat_cell.outdoor_cell = found.outdoor_cell
),
judged as (
    select *,
        coalesce(suction_psig, suction_degf, liquid_psig, liquid_degf) is not null as is_read,
        case
            when equipment = 'ductless' and not has_makers_target       then 'ductless_weighed'
            when is_disputed                                            then 'disputed'
            when is_read and outdoor_degf < outdoor_dry_bulb_low        then 'too_cold'
            when is_outside(deviation, low, high, is_low_open, is_high_open) then method || '_outside'
            when deviation is not null                                  then method || '_inside'
            when is_measure_unreadable or (is_read and is_unreadable)   then 'unreadable'
            when not is_read and ticked = 'done'                        then 'ticked_only'
            when not is_read and ticked = 'not_done'                    then 'not_done'
            when not is_read                                            then 'no_record'
            when method is null                                         then 'metering_unknown'
            when pressure_psia is null or line_degf is null             then 'check_incomplete'
            when refrigerant is null                                    then 'refrigerant_unknown'
            when saturation_degf is null                                then 'outside_table'
            when wet_bulb_degf is not null and outdoor_degf is not null and method = 'superheat' then 'no_chart_target'
            else 'no_target'
        end as reason,
        deviation is not null and reason in ('subcooling_inside', 'subcooling_outside', 'superheat_inside',
            'superheat_outside') as is_judged,
        is_judged or (is_read and reason in ('too_cold', 'metering_unknown', 'check_incomplete', 'refrigerant_unknown',
            'outside_table', 'no_target', 'no_chart_target', 'unreadable')) as is_measured
    from looked_up
)
select job_no, technician_id, reason,
    case when reason = 'too_cold' then outdoor_degf when is_judged then deviation end as measured,
    case when reason = 'too_cold' then outdoor_dry_bulb_low when is_judged then bound_of(deviation, low, high) end
        as limit_value,
    case when reason = 'too_cold' then outdoor_dry_bulb_low_no
        when is_judged then limit_of(deviation, low, high, low_no, high_no) end as limit_no,
    if(is_judged or reason in ('no_target', 'no_chart_target'), reached, null) as figure_a,
    if(is_judged, target, null) as figure_b,
    check_note
        + if(is_measured and coalesce(ticked = 'not_done', false), 8, 0)
        + if(not is_measured, 0, case airflow_state when 'failed' then 128 when 'not_done' then 256
            when 'no_record' then 512 when 'ticked_only' then 1024 else 0 end)
        + if(is_judged and is_unreadable, 8192, 0)
        + if(is_judged and given_target is null, 32768, 0)
        + if(is_judged and outdoor_degf is null, 65536, 0) as notes
from judged;
