-- airflow_reading, check_reading, coil_reading: one row for each job with readings of the airflow, of the charge check, and
--         of the air at the coil or the pressure at rest: the last of each quantity.
-- mixed_static: the jobs of a file whose return statics are written with both signs.
-- table_flow: one row for each job of a model with a blower table and a whole external static: the airflow by that table.
-- airflow_estimate: one row for each job whose airflow can be told otherwise than by measuring it.
-- reads   grade_job, staged_reading, staged_blower_table
-- units   inwc, cfm, degF
-- why     A blower moves a volume that does not change with altitude, against a static that falls with the air's weight:
--         the static is brought to standard air before the table is read (fan laws). A setting that the table does not
--         know, or that nobody wrote down, leaves the span of all its settings. A temperature split tells an airflow only
--         if the machine's own capacity is taken as known, so it is rough; never is it held against that capacity again.
create or replace temp table airflow_reading as
select job_id,
    arg_max(value, reading_order) filter (where quantity = 'return_static') as return_inwc,
    arg_max(value, reading_order) filter (where quantity = 'supply_static') as supply_inwc,
    arg_max(value, reading_order) filter (where quantity = 'airflow') as read_airflow_cfm,
    arg_max(value, reading_order) filter (where quantity = 'fan_power') as fan_w,
    arg_max(value, reading_order) filter (where quantity = 'maximum_static') as plate_inwc,
    arg_max(value_text, reading_order) filter (where quantity = 'blower_setting') as setting
from staged_reading where step = 'airflow'
group by job_id;
create or replace temp table check_reading as
select job_id,
    arg_max(value, reading_order) filter (where quantity = 'suction_pressure') as suction_psig,
    arg_max(value, reading_order) filter (where quantity = 'suction_temperature') as suction_degf,
    arg_max(value, reading_order) filter (where quantity = 'liquid_pressure') as liquid_psig,
    arg_max(value, reading_order) filter (where quantity = 'liquid_temperature') as liquid_degf,
    arg_max(value, reading_order) filter (where quantity = 'target_subcooling') as read_subcooling_target,
    arg_max(value, reading_order) filter (where quantity = 'target_superheat') as read_superheat_target,
    arg_max(value, reading_order) filter (where quantity = 'outdoor_dry_bulb') as outdoor_degf,
    arg_max(value, reading_order) filter (where quantity = 'return_wet_bulb') as return_wet_degf
from staged_reading where step = 'charge_check'
group by job_id;
-- few jobs have these: a pass of their own costs less than four more figures for every job
create or replace temp table coil_reading as
select job_id,
    arg_max(value, reading_order) filter (where quantity = 'return_dry_bulb') as return_dry_degf,
    arg_max(value, reading_order) filter (where quantity = 'supply_dry_bulb') as supply_dry_degf,
    arg_max(value, reading_order) filter (where quantity = 'supply_wet_bulb') as supply_wet_degf,
    arg_max(value, reading_order) filter (where quantity = 'standing_pressure') as standing_psig
from staged_reading
where step = 'charge_check'
    and quantity in ('return_dry_bulb', 'supply_dry_bulb', 'supply_wet_bulb', 'standing_pressure')
group by job_id;
create or replace temp table mixed_static as
select distinct job_id from staged_reading
where step = 'airflow' and quantity = 'return_static' and source_file in (
    select source_file from staged_reading
    where step = 'airflow' and quantity = 'return_static'
    group by source_file having min(value) < 0 and max(value) > 0
);
create or replace temp table table_flow as
with blower_point as (
    select model, lower(trim(setting)) as setting, total_static_inwc as inwc, avg(airflow_cfm) as cfm
    from staged_blower_table
    where model is not null and setting is not null and total_static_inwc is not null and airflow_cfm is not null
    group by all
),
stretch as (
    select model, setting, try_cast(setting as double) as setting_no, inwc, cfm,
        lead(inwc) over along as next_inwc, (lead(cfm) over along - cfm) / (lead(inwc) over along - inwc) as slope,
        first_value(inwc) over along as first_inwc
    from blower_point
    window along as (partition by model, setting order by inwc)
),
whole as (
    select job.job_no, system.model, job.atmosphere_psia / 14.695948775513 as weight, lower(trim(reading.setting)) as setting,
        try_cast(reading.setting as double) as setting_no,
        (abs(return_inwc) + abs(supply_inwc)) / (job.atmosphere_psia / 14.695948775513) as inwc
    from grade_job as job
    join airflow_reading as reading on reading.job_id = job.job_id
    join staged_system as system on system.system_id = job.system_id
    where return_inwc is not null and supply_inwc is not null and system.model in (select model from blower_point)
        and job.job_id not in (select job_id from mixed_static)
),
at_setting as (
    -- each setting of the table at the job's static; a static beyond the table leaves one bound
    select whole.job_no, whole.inwc, whole.weight, whole.setting as asked, whole.setting_no as asked_no,
        stretch.setting, stretch.setting_no, stretch.slope,
        stretch.cfm + coalesce(stretch.slope, 0) * greatest(whole.inwc - stretch.inwc, 0) as cfm,
        case when whole.inwc < stretch.first_inwc then 'above' when stretch.next_inwc is null and whole.inwc > stretch.inwc
            then 'below' else 'inside' end as place
    from whole
    join stretch on stretch.model = whole.model
        and (whole.inwc >= stretch.inwc or stretch.inwc = stretch.first_inwc)
        and (stretch.next_inwc is null or whole.inwc < stretch.next_inwc)
),
found as (
    select job_no, any_value(inwc) as inwc, any_value(weight) as weight, any_value(asked) as asked,
        arg_max(cfm, setting) filter (where setting = asked) as same_cfm,
        max(place) filter (where setting = asked) as same_place,
        arg_max(slope, setting) filter (where setting = asked) as same_slope,
        -- between two numbered settings
        max(setting_no) filter (where setting_no < asked_no) as under_no,
        arg_max(cfm, setting_no) filter (where setting_no < asked_no) as under_cfm,
        min(setting_no) filter (where setting_no > asked_no) as over_no,
        arg_min(cfm, setting_no) filter (where setting_no > asked_no) as over_cfm,
        any_value(asked_no) as asked_no, bool_and(place = 'inside') as is_inside,
        min(cfm) as least_cfm, max(cfm) as most_cfm, max(abs(slope)) as steepest
    from at_setting group by job_no
),
chosen as (
    select *,
        case
            when same_cfm is not null                         then 'setting'
            when under_no is not null and over_no is not null then 'between'
            when asked is null                                then 'setting_unknown'
            else 'setting_not_in_table'
        end as basis,
        case basis
            when 'setting' then same_cfm
            when 'between' then under_cfm + (over_cfm - under_cfm) * (asked_no - under_no) / (over_no - under_no)
            else (least_cfm + most_cfm) / 2 end as cfm,
        if(basis = 'setting', same_place, if(is_inside, 'inside', 'outside')) as place,
        coalesce(if(basis = 'setting', same_slope, steepest), 0) * $static_error as from_static,
        $fan_table_error / 100 as share
    from found
)
select job_no, inwc, weight, asked, basis, place,
    if(place = 'inside', round(cfm), null) as airflow_cfm,
    case when place = 'above' then round(same_cfm * (1 - share))
        when place = 'inside' and basis in ('setting', 'between') then round(cfm - sqrt(power(share * cfm, 2)
            + power(from_static, 2)))
        when place = 'inside' then round(least_cfm * (1 - share)) end as low,
    case when place = 'below' then round(same_cfm * (1 + share))
        when place = 'inside' and basis in ('setting', 'between') then round(cfm + sqrt(power(share * cfm, 2)
            + power(from_static, 2)))
        when place = 'inside' then round(most_cfm * (1 + share)) end as high
from chosen;
create or replace temp table airflow_estimate as
with split as (
    select job.job_no, reading.*, return_wet_degf, outdoor_degf, 12000 * job.nominal_tons as nominal_btu_h, job.atmosphere_psia as psia,
        coalesce(humidity(return_dry_degf, return_wet_degf, psia), 0.01) as return_w,
        enthalpy(return_dry_degf, humidity(return_dry_degf, return_wet_degf, psia))
            - enthalpy(supply_dry_degf, humidity(supply_dry_degf, supply_wet_degf, psia)) as taken_btu_lb,
        return_dry_degf - supply_dry_degf as split_degf,
        capacity_at(return_wet_degf, outdoor_degf, $conditions) as at_conditions
    from grade_job as job
    join coil_reading as reading on reading.job_id = job.job_id
    left join check_reading as checked on checked.job_id = job.job_id
    where return_dry_degf - supply_dry_degf between 5 and 40 and job.nominal_tons > 0 and job.is_ducted
),
worked_out as (
    select *,
        nominal_btu_h * coalesce(at_conditions, 1) as expected_btu_h,
        coalesce(taken_btu_lb > 1, false) as is_by_enthalpy,
        if(is_by_enthalpy, taken_btu_lb, (0.240 + 0.444 * return_w) * split_degf) as each_lb,
        air_volume(return_dry_degf, return_w, psia) / 60 as cfm_for_lb_h,
        -- how well the difference of the two states is known
        if(is_by_enthalpy,
            sqrt(2) * $wet_bulb_error * $enthalpy_per_wet_bulb / taken_btu_lb,
            sqrt(2) * $temperature_error / split_degf) as share,
        if(is_by_enthalpy, 1, $sensible_share / 100) as sensible,
        if(is_by_enthalpy, 1, $sensible_share_low / 100) as sensible_low,
        if(is_by_enthalpy, 1, $sensible_share_high / 100) as sensible_high
    from split
),
by_split as (
    select job_no, is_by_enthalpy, at_conditions, nominal_btu_h, expected_btu_h, split_degf, psia,
        round($split_capacity / 100 * expected_btu_h * sensible / each_lb * cfm_for_lb_h) as split_cfm,
        round($split_capacity_low / 100 * expected_btu_h * sensible_low / each_lb * cfm_for_lb_h * (1 - share))
            as split_low,
        round($split_capacity_high / 100 * expected_btu_h * sensible_high / each_lb * cfm_for_lb_h * (1 + share))
            as split_high
    from worked_out
)
select job_no, table_flow.basis, table_flow.place, table_flow.asked, table_flow.inwc, table_flow.weight,
    table_flow.airflow_cfm as table_cfm, table_flow.low as table_low, table_flow.high as table_high,
    by_split.split_cfm, by_split.split_low, by_split.split_high, by_split.split_degf, by_split.is_by_enthalpy
from table_flow full join by_split using (job_no);
