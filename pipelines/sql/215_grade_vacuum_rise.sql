-- grade_vacuum_rise: one row for each job of ours, recorded or not.
-- reads   grade_job, limit_of_kind, rise_from_log, staged_reading, staged_step, rejected_reading, open_dispute
-- units   micron, absolute; min
-- why     The level at the asked time (10 min) decides. At or above the limit sooner is already a failure; above it
--         later says nothing about where it stood at 10 min. A level that falls, or starts above what the evacuation
--         asks, shows that the pump was still open. A gauge log counts before figures that were typed.
create or replace temp table grade_vacuum_rise as
with reading as (
    select job_id,
        arg_max(value, reading_order) filter (where quantity = 'rise_start') as read_start_micron,
        arg_max(value, reading_order) filter (where quantity = 'rise_end') as read_end_micron,
        arg_max(value, reading_order) filter (where quantity = 'rise_time') as read_time_min
    from staged_reading where step = 'vacuum_rise'
    group by job_id
),
unreadable as (
    select distinct job_id from rejected_reading
    where step = 'vacuum_rise' and quantity in ('rise_start', 'rise_end', 'rise_time')
),
disputed as (select distinct job_id from open_dispute where step = 'vacuum_rise'),
chosen as (
    select job.job_no, job.has_open_circuit, job.circuit_note, disputed.job_id is not null as is_disputed,
        unreadable.job_id is not null as is_unreadable, step.ticked::varchar as ticked, step.technician_id,
        rise_end_high as most, rise_end_high_no as end_no, rise_end_high_open as is_open, rise_time_low as asked_min,
        rise_time_low_no as time_no, vacuum_high as dry_micron, vacuum_high_no, rise_fall_high, rise_fall_high_no,
        -- a log of the gauge counts before what was typed, unless it was stopped before it could show anything
        log.job_id is not null and (read_end_micron is null or read_time_min is null or log_is_whole
            or log_end_micron >= rise_end_high) as is_from_log,
        figure(if(is_from_log, log_start_micron, read_start_micron)) as start_micron,
        -- the jump of the valve blurs the start of a log: a lower one that was written counts
        figure(if(is_from_log, least(log_start_micron, read_start_micron), read_start_micron)) as first_micron,
        figure(if(is_from_log, log_end_micron, read_end_micron)) as end_micron,
        figure(if(is_from_log, log_time_min, read_time_min)) as time_min
    from grade_job as job
    join limit_of_kind as lim using (kind_no)
    left join reading on reading.job_id = job.job_id
    left join rise_from_log as log on log.job_id = job.job_id
    left join staged_step as step on step.job_id = job.job_id and step.step = 'vacuum_rise'
    left join unreadable on unreadable.job_id = job.job_id
    left join disputed on disputed.job_id = job.job_id
),
judged as (
    select *,
        end_micron > most or (is_open and end_micron = most) as is_above,
        case
            when not has_open_circuit                           then 'factory_circuit'
            when is_disputed                                    then 'disputed'
            when is_above and time_min <= asked_min             then 'rise_outside'
            when end_micron < figure(start_micron * (1 - rise_fall_high / 100)) then 'rise_pump_open'
            when first_micron > dry_micron                      then 'rise_started_high'
            when is_above and time_min > asked_min              then 'rise_too_long'
            when end_micron is not null and time_min >= asked_min then 'rise_inside'
            when end_micron is not null and time_min is not null then 'rise_too_short'
            when is_unreadable                                  then 'unreadable'
            when coalesce(start_micron, end_micron, time_min) is not null then 'rise_incomplete'
            when ticked = 'done'                                then 'ticked_only'
            when ticked = 'not_done'                            then 'not_done'
            else 'no_record'
        end as reason,
        reason in ('rise_outside', 'rise_inside', 'rise_too_long', 'rise_pump_open', 'rise_started_high',
            'rise_too_short', 'rise_incomplete') as is_measured
    from chosen
)
select job_no, technician_id, reason,
    case reason
        when 'rise_outside' then end_micron when 'rise_inside' then end_micron when 'rise_too_long' then end_micron
        when 'rise_pump_open' then figure(100 * (1 - end_micron / start_micron))
        when 'rise_started_high' then first_micron
        when 'rise_too_short' then time_min
    end as measured,
    case reason
        when 'rise_outside' then most when 'rise_inside' then most when 'rise_too_long' then most
        when 'rise_pump_open' then rise_fall_high
        when 'rise_started_high' then dry_micron when 'rise_too_short' then asked_min
    end as limit_value,
    case reason
        when 'rise_outside' then end_no when 'rise_inside' then end_no when 'rise_too_long' then end_no
        when 'rise_pump_open' then rise_fall_high_no when 'rise_started_high' then vacuum_high_no
        when 'rise_too_short' then time_no
    end as limit_no,
    case when reason in ('rise_outside', 'rise_inside', 'rise_too_long') then time_min
        when reason = 'rise_pump_open' then start_micron end as figure_a,
    case when reason in ('rise_outside', 'rise_too_long') then asked_min when reason = 'rise_pump_open' then end_micron
        end as figure_b,
    circuit_note
        + if(is_measured and coalesce(ticked = 'not_done', false), 8, 0)
        + if(is_measured and is_unreadable, 8192, 0)
        + if(is_measured and is_from_log, 16384, 0) as notes
from judged;
