-- shared_cell: the cells of step effects as another contractor may be given them: counts, no names, no places, no days.
-- reads   exposure_cell, event_cell, segment, age_band, cell_run
-- units   as exposure_cell; outcome `follow_up` is all time, any other outcome the time after its event and its events
-- why     A contractor with few failures learns from what others saw. Technicians are numbers in an order that nobody can
--         work out from outside (it hangs on all job ids of the house), and house tells two files of one house apart.
create or replace macro step_level_word(level) as
    ['good', 'failed', 'ticked_only', 'not_done', 'unknown', 'not_applicable'][level + 1];

create or replace view shared_cell as
with house as (
    select md5(coalesce(string_agg(job_id, ' ' order by job_id), '')) as secret from segment
), technician as (
    select technician_id, row_number() over (order by md5(concat(technician_id, secret)))::integer as technician
    from (select distinct technician_id from exposure_cell) cross join house
), cell as (
    select 'follow_up' as outcome, * exclude (n, days_before_entry, days_in_exit_band), 0::bigint as events,
        n, days_before_entry, days_in_exit_band
    from exposure_cell
    union all by name
    select * from event_cell
), band as (
    select string_agg(from_days::bigint::varchar, ',' order by band) as age_band_days from age_band
)
select (select left(md5(secret), 12) from house) as house,
    (select negative_control from cell_run) as negative_control,
    (select age_band_days from band) as age_band_days,
    outcome, technician,
    step_level_word((pattern // 1) % 6) as nitrogen_flow,
    step_level_word((pattern // 6) % 6) as pressure_test,
    step_level_word((pattern // 36) % 6) as nitrogen_release,
    step_level_word((pattern // 216) % 6) as evacuation,
    step_level_word((pattern // 1296) % 6) as vacuum_rise,
    step_level_word((pattern // 7776) % 6) as charge,
    step_level_word((pattern // 46656) % 6) as airflow,
    step_level_word((pattern // 279936) % 6) as charge_check,
    step_level_word((pattern // 1679616) % 6) as electrical,
    equipment_and_joints, period::integer as period, is_visited, entry_band, exit_band,
    n::bigint as n, events::bigint as events, days_before_entry::double as days_before_entry,
    days_in_exit_band::double as days_in_exit_band
from cell
join technician using (technician_id);
