-- airflow_told: one row for each job and way in which its airflow is told.
-- reads   grade_job, grade_airflow, airflow_reading, airflow_estimate
-- units   cfm, as volume of the air at the blower; low and high are the range by the errors of data/physics.csv
-- why     A measured airflow, one read off the blower's table and one worked out from a temperature split are not the same
--         thing. Without a table the fan laws tell only a share: on ducts that are left as they are, static goes with the
--         airflow to the power 2 in full turbulence, down to 1.67 through filters and coils; they say nothing of other
--         ducts, other settings or another blower.
create or replace table airflow_told as
with measured as (
    select job.job_no, job.job_id, figure(read_airflow_cfm) as cfm, $measured_airflow_error / 100 * cfm as error
    from grade_job as job join airflow_reading as reading on reading.job_id = job.job_id
    where read_airflow_cfm > 0
),
by_table as (
    select job.job_no, job.job_id, estimate.*, measured.cfm as measured_cfm, measured.error,
        abs(table_cfm - measured_cfm) > sqrt(power(error, 2) + power(greatest(table_high - table_cfm,
            table_cfm - table_low), 2)) as is_disagreeing
    from airflow_estimate as estimate
    join grade_job as job on job.job_no = estimate.job_no
    left join measured on measured.job_no = estimate.job_no
),
by_law as (
    select job.job_no, job.job_id, grade.measured as static_inwc, grade.limit_value as most_inwc, measured.cfm,
        power(most_inwc / static_inwc, 1 / 2) as share_high,
        power(most_inwc / static_inwc, 1 / $duct_exponent_low) as share_low
    from grade_airflow as grade
    join grade_job as job on job.job_no = grade.job_no
    left join measured on measured.job_no = grade.job_no
    left join airflow_estimate as estimate on estimate.job_no = grade.job_no
    where grade.reason = 'static_outside' and grade.measured > 0 and estimate.basis is null
)
select job_id, 'measured' as method, cfm as airflow_cfm, round(cfm - error) as low, round(cfm + error) as high,
    'With which device is not recorded, so to within ' || said($measured_airflow_error, 0) || ' %.' as why
from measured
union all
select job_id, 'fan_table', table_cfm, table_low, table_high,
    'Read off the blower''s table at ' || said(inwc, 2) || ' in. w.c.'
    || if(abs(weight - 1) > 0.02, ' (brought to standard air: the air here weighs ' || said(100 * weight, 0) || ' % of it)', '')
    || case basis when 'setting' then ', setting ' || asked || '.'
        when 'between' then ', between two settings for setting ' || asked || '.'
        when 'setting_unknown' then '; the setting is not recorded, so the range spans all settings.'
        else '; the table has no setting ' || asked || ', so the range spans all settings.' end
    || case place when 'inside' then '' when 'above' then ' The static lies below the table: it is more than the low figure.'
        when 'below' then ' The static lies above the table: it is less than the high figure.'
        else ' The static lies outside the table.' end
    || case when is_disagreeing then ' It disagrees with the measured ' || thousands(measured_cfm)
        || ' cfm by more than both errors: a fouled blower or filter, another setting, or a reading that is off.'
        when measured_cfm is not null and table_cfm is not null then ' It agrees with the measured ' || thousands(measured_cfm)
            || ' cfm within both errors.' else '' end
from by_table where basis is not null
union all
select job_id, 'temperature_split', split_cfm, split_low, split_high,
    'Worked out from the ' || if(is_by_enthalpy, 'heat that the air gave up, wet bulbs included', 'temperature split of '
        || said(split_degf, 1) || ' delta_degF, the moisture guessed')
    || ', taking the machine''s own capacity as known: rough, and circular for judging that capacity.'
from by_table where split_cfm is not null
union all
select job_id, 'fan_laws', round(cfm * (share_low + share_high) / 2), round(cfm * share_low), round(cfm * share_high),
    'No blower table: by the fan laws, at ' || said(most_inwc, 2) || ' in. w.c. instead of ' || said(static_inwc, 2)
    || ' in. w.c. these ducts would pass ' || said(100 * share_low, 0) || ' to ' || said(100 * share_high, 0)
    || ' % of today''s airflow. Only for these ducts as they are, and only a share'
    || if(cfm is null, ': the airflow itself was not measured.', '.')
from by_law;
