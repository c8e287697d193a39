-- capacity_check: one row for each job whose air was read wet and dry on both sides of the coil, and whose airflow was
--         measured or read off the blower's table.
-- reads   grade_job, coil_reading, check_reading, airflow_told
-- units   Btu/h; degF; nominal is 12,000 Btu/h for each ton
-- why     What the air gives up at the coil by psychrometrics at the local pressure: 60 cfm / v (h1 - h2); the condensate's
--         own heat, about 1 %, and the blower's heat are left in. An airflow from the temperature split takes the capacity
--         as known and would only give it back, so it is not used. Rating conditions are 80/67 degF indoors and 95
--         outdoors; what a machine gives at others stands beside its nominal.
create or replace table capacity_check as
with flow as (
    select job_id, arg_min(method, if(method = 'measured', 1, 2)) as method,
        arg_min(airflow_cfm, if(method = 'measured', 1, 2)) as cfm, arg_min(low, if(method = 'measured', 1, 2)) as cfm_low,
        arg_min(high, if(method = 'measured', 1, 2)) as cfm_high
    from airflow_told where method in ('measured', 'fan_table') and airflow_cfm is not null
    group by job_id
),
air as (
    select job.job_id, reading.* exclude (job_id), return_wet_degf, outdoor_degf, flow.* exclude (job_id), 12000 * job.nominal_tons as nominal, job.atmosphere_psia as psia,
        humidity(return_dry_degf, return_wet_degf, psia) as return_w,
        humidity(supply_dry_degf, supply_wet_degf, psia) as supply_w,
        enthalpy(return_dry_degf, return_w) - enthalpy(supply_dry_degf, supply_w) as taken,
        60 * cfm / air_volume(return_dry_degf, return_w, psia) as lb_h,
        capacity_at(return_wet_degf, outdoor_degf, $conditions) as at_conditions
    from flow
    join grade_job as job on job.job_id = flow.job_id
    join coil_reading as reading on reading.job_id = flow.job_id
    join check_reading as checked on checked.job_id = flow.job_id
    where return_dry_degf - supply_dry_degf > 3
),
worked_out as (
    select *, lb_h * taken as total, lb_h * (0.240 + 0.444 * supply_w) * (return_dry_degf - supply_dry_degf) as sensible,
        sqrt(2) * $wet_bulb_error * $enthalpy_per_wet_bulb / taken as share,
        total * (1 - sqrt(power(share, 2) + power(1 - cfm_low / cfm, 2))) as least,
        total * (1 + sqrt(power(share, 2) + power(cfm_high / cfm - 1, 2))) as most,
        abs(return_dry_degf - 80) > 2 or abs(return_wet_degf - 67) > 1 or abs(outdoor_degf - 95) > 3
            or outdoor_degf is null as is_off_rating
    from air where taken > 1
)
select job_id, round(total) as total_btu_h, round(least(sensible, total)) as sensible_btu_h,
    round(greatest(least, 0)) as low, round(most) as high, nominal as nominal_btu_h, total / nominal as share_of_nominal,
    nominal * at_conditions as expected_btu_h, total / (nominal * at_conditions) as share_of_expected,
    method as airflow_method, cfm as airflow_cfm,
    thousands(total) || ' Btu/h (' || thousands(greatest(least, 0)) || ' to ' || thousands(most) || ') from '
    || thousands(cfm) || ' cfm ' || if(method = 'measured', 'measured', 'by the blower''s table') || '; '
    || said(return_dry_degf, 1) || ' degF dry and ' || said(return_wet_degf, 1) || ' degF wet going in, '
    || said(supply_dry_degf, 1) || ' degF dry and ' || said(supply_wet_degf, 1) || ' degF wet coming out.'
    || if(is_off_rating, ' These are not the rating conditions (80 degF dry and 67 degF wet indoors, 95 degF outdoors)'
        || coalesce('; at them a sound machine gives about ' || said(100 * at_conditions, 0) || ' % of nominal.',
            ', and how much a sound machine gives at them cannot be told'
            || if(outdoor_degf is null, ': the outdoor temperature is not recorded.', ' so far from the rating.')), '')
    || if(sensible > total, ' The sensible part comes out above the total: a wet bulb was misread.', '') as why
from worked_out;
