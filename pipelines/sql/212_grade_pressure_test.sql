-- grade_pressure_test: one row for each job of ours, recorded or not.
-- reads   grade_job, limit_of_kind, test_from_log, staged_reading, staged_step, rejected_reading, open_dispute
-- units   psig and degF as read; the drop in psi, worked out in absolute pressure and temperature; min
-- why     A pressure that falls may be a leak or a cold evening: only with both temperatures can it be told which. Gas
--         and over-pressure come first because they hurt people. A leak shows in a short test too, tightness does not.
create or replace temp table grade_pressure_test as
with reading as (
    select job_id,
        arg_max(value_text, reading_order) filter (where quantity = 'test_gas') as gas,
        arg_max(value, reading_order) filter (where quantity = 'start_pressure') as read_start_psig,
        arg_max(value, reading_order) filter (where quantity = 'end_pressure') as read_end_psig,
        arg_max(value, reading_order) filter (where quantity = 'start_temperature') as read_start_degf,
        arg_max(value, reading_order) filter (where quantity = 'end_temperature') as read_end_degf,
        arg_max(value, reading_order) filter (where quantity = 'hold_time') as read_hold_min,
        arg_max(value, reading_order) filter (where quantity = 'design_pressure_low') as design_low_psig,
        arg_max(value, reading_order) filter (where quantity = 'design_pressure_high') as design_high_psig
    from staged_reading where step = 'pressure_test'
    group by job_id
),
unreadable as (
    select distinct job_id from rejected_reading
    where step = 'pressure_test' and quantity in
        ('start_pressure', 'end_pressure', 'start_temperature', 'end_temperature', 'hold_time')
),
disputed as (select distinct job_id from open_dispute where step = 'pressure_test'),
found as (
    select job.job_no, job.has_open_circuit, job.circuit_note, disputed.job_id is not null as is_disputed,
        unreadable.job_id is not null as is_unreadable, step.ticked::varchar as ticked, step.technician_id,
        -- a log of the gauge counts before what was typed, unless it is too short to show anything
        gas, log.job_id is not null and (read_start_psig is null or read_end_psig is null or read_hold_min is null
            or log_hold_min >= hold_time_low or coalesce(log_has_leak, false)) as is_from_log,
        figure(if(is_from_log, log_start_psig, read_start_psig)) as start_psig,
        figure(if(is_from_log, log_end_psig, read_end_psig)) as end_psig,
        if(is_from_log, coalesce(log_start_degf, read_start_degf), read_start_degf) as start_degf,
        if(is_from_log, coalesce(log_end_degf, read_end_degf), read_end_degf) as end_degf,
        figure(if(is_from_log, log_hold_min, read_hold_min)) as hold_min,
        -- the maker's table first, then what was read off the plate; of two sides the weaker one holds
        figure(coalesce(least(lim.design_pressure_low, lim.design_pressure_high),
            least(reading.design_low_psig, reading.design_high_psig))) as plate_psig,
        coalesce(maker_start_pressure_high, plate_psig, start_pressure_high) as ceiling_psig,
        if(maker_start_pressure_high is null and plate_psig is not null, plate_start_no, start_pressure_high_no)
            as ceiling_no,
        coalesce(maker_start_pressure_low, least(plate_psig, start_pressure_low)) as least_psig,
        coalesce(maker_start_pressure_low, least(plate_psig, start_pressure_enough)) as enough_psig,
        if(maker_start_pressure_low is null and plate_psig < start_pressure_low, plate_start_no, start_pressure_low_no)
            as least_no,
        hold_time_low as least_hold_min, hold_time_low_no as hold_no,
        start_psig + job.atmosphere_psia as start_psia,
        figure(start_psia * (end_degf + 459.67) / (start_degf + 459.67) - job.atmosphere_psia - end_psig) as drop_psi,
        figure(start_psig - end_psig) as plain_drop_psi,
        figure(greatest(pressure_drop_compensated_high, pressure_drop_share_high / 100 * start_psia)) as allowed_psi,
        pressure_drop_compensated_high_no as drop_no, test_gas_no, log_slowest_seen
    from grade_job as job
    join limit_of_kind as lim using (kind_no)
    left join reading on reading.job_id = job.job_id
    left join test_from_log as log on log.job_id = job.job_id
    left join staged_step as step on step.job_id = job.job_id and step.step = 'pressure_test'
    left join unreadable on unreadable.job_id = job.job_id
    left join disputed on disputed.job_id = job.job_id
),
judged as (
    select *,
        case
            when not has_open_circuit                               then 'factory_circuit'
            when is_disputed                                        then 'disputed'
            when gas in ('air', 'other')                            then 'gas_not_nitrogen'
            when start_psig > ceiling_psig                          then 'over_pressure'
            when start_psig < least_psig                            then 'start_too_low'
            when drop_psi > allowed_psi                             then 'leak'
            when -drop_psi > allowed_psi                            then 'climbed'
            when drop_psi is not null and hold_min >= least_hold_min
                 then if(start_psig < enough_psig, 'start_unsure', 'held_tight')
            when drop_psi is not null and hold_min is not null      then 'hold_too_short'
            when drop_psi is null and $accept_uncompensated and hold_min >= least_hold_min
                 and abs(plain_drop_psi) <= allowed_psi
                 then if(start_psig < enough_psig, 'start_unsure', 'held_not_compensated')
            when is_unreadable                                      then 'unreadable'
            when drop_psi is null and plain_drop_psi is not null    then 'no_temperatures'
            when coalesce(start_psig, end_psig, start_degf, end_degf, hold_min) is not null then 'test_incomplete'
            when ticked = 'done'                                    then 'ticked_only'
            when ticked = 'not_done'                                then 'not_done'
            else 'no_record'
        end as reason,
        reason in ('held_tight', 'held_not_compensated') as is_passed,
        is_passed or reason in ('gas_not_nitrogen', 'over_pressure', 'start_too_low', 'leak', 'climbed', 'start_unsure',
            'hold_too_short', 'no_temperatures', 'test_incomplete') as is_measured
    from found
)
select job_no, technician_id, reason,
    case reason
        when 'over_pressure' then start_psig when 'start_too_low' then start_psig when 'start_unsure' then start_psig
        when 'leak' then drop_psi when 'climbed' then drop_psi when 'held_tight' then drop_psi
        when 'held_not_compensated' then plain_drop_psi when 'hold_too_short' then hold_min
    end as measured,
    case reason
        when 'over_pressure' then ceiling_psig when 'start_too_low' then least_psig when 'start_unsure' then enough_psig
        when 'leak' then allowed_psi when 'climbed' then allowed_psi when 'held_tight' then allowed_psi
        when 'held_not_compensated' then allowed_psi when 'hold_too_short' then least_hold_min
    end as limit_value,
    case reason
        when 'gas_not_nitrogen' then test_gas_no
        when 'over_pressure' then ceiling_no when 'start_too_low' then least_no when 'start_unsure' then least_no
        when 'leak' then drop_no when 'climbed' then drop_no when 'held_tight' then drop_no
        when 'held_not_compensated' then drop_no when 'hold_too_short' then hold_no
    end as limit_no,
    case when is_passed then hold_min when reason = 'climbed' then -drop_psi end as figure_a,
    -- what a slow leak may lose unseen in the time that was watched
    if(reason = 'held_tight', round(coalesce(if(is_from_log, log_slowest_seen, null),
        allowed_psi * 60 / nullif(hold_min, 0))), null) as figure_b,
    circuit_note
        + if(is_measured and coalesce(ticked = 'not_done', false), 8, 0)
        + if(is_measured and gas is null, 16, 0)
        + if(is_passed and plate_psig is null, 32, 0)
        + if(is_measured and reason <> 'over_pressure' and coalesce(end_psig > ceiling_psig, false), 64, 0)
        + if(is_measured and is_unreadable, 8192, 0)
        + if(is_measured and is_from_log, 16384, 0) as notes
from judged;
