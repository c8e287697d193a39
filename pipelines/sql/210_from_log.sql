-- vacuum_from_log, test_from_log, rise_from_log: one row for each job whose step a gauge logged, of its last attempt.
-- reads   pull_down, pressure_log, log_level, rise_stretch
-- units   micron, absolute; psig; degF; min
-- why     A gauge wrote these down by itself, so they count before a single figure that was typed. Levels are medians
--         or fitted lines, so that no noisy sample decides. Fewer than 8 samples say too little.
create or replace temp table vacuum_from_log as
select job_id, round(last_micron, 1) as log_vacuum_micron from pull_down
where verdict <> 'cannot_tell'
qualify row_number() over (partition by job_id order by attempt desc) = 1;
create or replace temp table test_from_log as
select job_id, start_psig as log_start_psig, end_psig as log_end_psig, start_degf as log_start_degf,
    end_degf as log_end_degf, hold_min as log_hold_min, slowest_seen_psi_per_h as log_slowest_seen,
    slowest_seen_mol_per_s as log_slowest_seen_mol, verdict = 'failed' as log_has_leak, watched_min as log_watched_min
from pressure_log
where is_readable
qualify row_number() over (partition by job_id order by attempt desc) = 1;
create or replace temp table rise_from_log as
with early_end as (
    -- of a log that was stopped early the last minute
    select log_no, median(p) as last_micron
    from rise_stretch join log_level using (log_no)
    where not is_whole and t - valve_s >= greatest(45, last_s - 60) group by log_no
)
-- shutting the valve makes the gauge jump, and only upwards: the lowest early level is the start
select job_id, start_micron as log_start_micron, round(if(is_whole, level_micron, last_micron), 1) as log_end_micron,
    if(is_whole, asked_s, last_s) / 60 as log_time_min, is_whole as log_is_whole
from log_level left join early_end using (log_no)
where samples >= 8 and log_end_micron is not null
qualify row_number() over (partition by job_id order by attempt desc) = 1;
