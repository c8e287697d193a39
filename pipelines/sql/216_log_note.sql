-- log_note: one row for each job and step whose gauge log and written figures disagree, or whose log says how small a
--         leak it could have seen: the sentence that stands behind the grade's reason.
-- reads   vacuum_from_log, test_from_log, rise_from_log, staged_reading, grade_job, grade_step_name
-- units   micron, psig, min, mol/s
-- why     Where a log exists it decides; a written figure that lies further from it than gauge and clock explain is
--         said beside it, so that the two can be looked at together. Few jobs have one: the sentences are written out.
create or replace table log_note as
with logged as (
    select job_id from vacuum_from_log union select job_id from test_from_log union select job_id from rise_from_log
),
written as (
    select job_id,
        arg_max(value, reading_order) filter (where step = 'evacuation' and quantity = 'vacuum') as vacuum,
        arg_max(value, reading_order) filter (where quantity = 'rise_end') as rise_end,
        arg_max(value, reading_order) filter (where quantity = 'rise_time') as rise_time,
        arg_max(value, reading_order) filter (where quantity = 'end_pressure') as end_pressure,
        arg_max(value, reading_order) filter (where quantity = 'hold_time') as hold_time
    from staged_reading
    where job_id in (select job_id from logged)
        and quantity in ('vacuum', 'rise_end', 'rise_time', 'end_pressure', 'hold_time')
    group by job_id
),
said as (
    select job_id, 'evacuation' as step,
        if(abs(vacuum - log_vacuum_micron) > greatest($log_disagreement / 100 * log_vacuum_micron, 20),
            format(' Written {:,} micron, the log shows {:,} micron.', round(vacuum)::bigint,
                round(log_vacuum_micron)::bigint), '') as sentence
    from vacuum_from_log join written using (job_id)
    union all
    select job_id, 'vacuum_rise',
        if(abs(rise_end - log_end_micron) > greatest($log_disagreement / 100 * log_end_micron, 20)
            and abs(coalesce(rise_time, log_time_min) / log_time_min - 1) < 0.2,
            format(' Written {:,} micron, the log shows {:,} micron.', round(rise_end)::bigint,
                round(log_end_micron)::bigint), '')
        || if(not log_is_whole and rise_time > 1.2 * log_time_min,
            printf(' Written %.0f min, the log ends after %.0f min.', rise_time, log_time_min), '')
    from rise_from_log join written using (job_id)
    union all
    select job_id, 'pressure_test',
        if(abs(end_pressure - log_end_psig) > greatest(0.01 * log_end_psig, 2),
            format(' Written {:,} psig at the end, the log shows {:,} psig.', round(end_pressure)::bigint,
                round(log_end_psig)::bigint), '')
        || if(hold_time > 1.2 * log_watched_min,
            printf(' Written %.0f min held, the log ends after %.0f min.', hold_time, log_watched_min), '')
        || if(log_slowest_seen_mol is null, '',
            printf(' As a leak that is %.1e mol a second.', log_slowest_seen_mol))
    from test_from_log left join written using (job_id)
)
select job.job_no, step_name.step_no, sentence
from said join grade_job as job using (job_id) join grade_step_name as step_name on step_name.step = said.step
where sentence <> '';
