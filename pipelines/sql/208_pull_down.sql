-- pull_down: one row for each attempt of a logged evacuation: how far it came, and where it stood still on the way.
-- reads   gauge_sample, gauge_log, limit_of_kind, water_point, staged_reading, grade_job
-- units   micron, absolute; min; degF
-- why     While water boils in a line the level stands still at the pressure at which it boils, however long the pump
--         runs; water that boils cools, so the level may stand lower, down to where it freezes. A level that stands
--         still elsewhere shows a leak, a hose or a pump at its end. Time at or below the limit is counted between
--         samples that both are; the last level is the median of the last minute.
create or replace temp table line_temperature as
select job_id,
    coalesce(arg_max(value, reading_order) filter (where step = 'pressure_test' and quantity = 'end_temperature'),
        arg_max(value, reading_order) filter (where step = 'pressure_test' and quantity = 'start_temperature'),
        arg_max(value, reading_order) filter (where quantity = 'outdoor_dry_bulb')) as degf
from staged_reading
where job_id in (select job_id from gauge_log where step = 'evacuation')
    and quantity in ('end_temperature', 'start_temperature', 'outdoor_dry_bulb')
group by job_id;
create or replace table pull_down as
with sample as (
    select log_no, t, p, lead(t) over along as next_t, lead(p) over along as next_p
    from gauge_sample where step = 'evacuation' and p > 0
    window along as (partition by log_no order by t)
),
log as (
    select log_no, any_value(job_id) as job_id, any_value(attempt) as attempt, any_value(watched_s) as watched_s,
        any_value(samples) as samples, any_value(first_s) as first_s, any_value(most) as most,
        any_value(vacuum_high) as limit_micron, greatest(20, (any_value(last_s) - any_value(first_s)) / 90) as width_s,
        min(p) as lowest_micron, median(p) filter (where t >= last_s - 60) as last_micron,
        sum(next_t - t) filter (where p <= vacuum_high and next_p <= vacuum_high) / 60 as min_below_limit
    from sample join gauge_log using (log_no) join limit_of_kind using (kind_no)
    group by log_no
),
stretch as (
    select log_no, floor((t - first_s) / width_s) as bin, avg(t) as t, avg(ln(p)) as ln_p,
        any_value(width_s) as width_s, any_value(limit_micron) as limit_micron, any_value(most) as most
    from sample join log using (log_no) group by log_no, bin
),
moving as (
    select *, exp(ln_p) between 1.2 * limit_micron and least(0.98 * most, $stall_below)
            and abs((lead(ln_p) over along - lag(ln_p) over along) / (lead(t) over along - lag(t) over along) * 60)
                < $stall_change / 100 as stands_still
    from stretch
    window along as (partition by log_no order by bin)
),
run as (
    select *, row_number() over (partition by log_no order by bin)
        - row_number() over (partition by log_no, stands_still order by bin) as run_no
    from moving
),
stall as (
    select log_no, exp(avg(ln_p)) as at_micron, (max(t) - min(t) + 2 * any_value(width_s)) / 60 as stalled_min
    from run where stands_still group by log_no, run_no
    qualify row_number() over (partition by log_no order by stalled_min desc) = 1
),
joined as (
    select log.*, if(stalled_min >= $stall_time, at_micron, null) as stalled_at_micron,
        if(stalled_min >= $stall_time, stall.stalled_min, null) as stalled_min, line.degf,
        here.micron * pow(here.next_micron / here.micron, line.degf - floor(line.degf)) as water_boils_at_micron,
        boiling.degf + ln(stalled_at_micron / boiling.micron) / ln(boiling.next_micron / boiling.micron)
            as boils_at_degf
    from log
    left join stall using (log_no)
    left join line_temperature as line on line.job_id = log.job_id
    left join water_point as here on here.degf = floor(line.degf)
    left join water_point as boiling on at_micron >= boiling.micron and at_micron < boiling.next_micron
),
judged as (
    select *, last_micron <= limit_micron as has_reached,
        coalesce(stalled_at_micron between (1 - $water_below / 100) * least($freezing_micron, water_boils_at_micron)
            and (1 + $water_above / 100) * water_boils_at_micron,
            stalled_at_micron between (1 - $water_below / 100) * $freezing_micron and $stall_below, false) as is_water,
        case
            when samples < 8 or watched_s < 120             then 'cannot_tell'
            when has_reached and stalled_at_micron is null  then 'reached'
            when has_reached and is_water                   then 'reached_after_water'
            when has_reached                                then 'reached_after_stall'
            when is_water                                   then 'stalled_at_water'
            when stalled_at_micron is not null              then 'stalled'
            else 'still_falling'
        end as verdict,
        if(stalled_at_micron is null, '', printf('The level stood still at %.0f micron for %.1f min', stalled_at_micron,
            stalled_min) || if(is_water, printf(', where water boils at %.0f degF', boils_at_degf)
            || if(degf is null, '; the temperature of the line is not recorded',
                printf('; the line was at %.0f degF, where it boils at %.0f micron', degf, water_boils_at_micron))
            || ': water was boiling off. ',
            if(degf is null, '. ', printf('; water would boil at %.0f micron at the %.0f degF of the line: not water, '
                || 'look for a leak, a hose or a pump at its end. ', water_boils_at_micron, degf)))) as stall_words
    from joined
)
select job_id, attempt, watched_s / 60 as watched_min, lowest_micron, last_micron,
    coalesce(min_below_limit, 0) as min_below_limit, stalled_at_micron, stalled_min, degf as line_degf,
    water_boils_at_micron, limit_micron, verdict,
    case verdict
        when 'cannot_tell' then printf('%d samples over %.1f min say too little of the pull-down.', samples,
            watched_s / 60)
        else stall_words || if(has_reached,
            printf('It came down to %.0f micron and was at or below %.0f micron for %.1f min.', last_micron,
                limit_micron, coalesce(min_below_limit, 0)),
            printf('It ended at %.0f micron, above %.0f micron', last_micron, limit_micron)
                || if(coalesce(min_below_limit, 0) > 0, printf(', after %.1f min at or below.', min_below_limit), '.'))
    end as why
from judged
order by job_id, attempt;
