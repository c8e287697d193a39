-- pressure_log: one row for each attempt of a logged pressure test: what it lost beyond temperature, how surely.
-- reads   gauge_sample, gauge_log, limit_of_kind
-- units   psig, psi, psi/h; degF; s, min; mol/s
-- why     Pressure is carried to one temperature by the gas law, in absolute units, stretch by stretch. Gas that was
--         just filled in cools: the log is read from where its slope has come to rest, 5 min in where there is time. A
--         thermometer strapped to a pipe follows it late: of several delays the one that leaves the straightest line is
--         taken. The error of the slope holds the scatter that neighbours share and two readings of one thermometer. A
--         slower leak than the allowance over the time held passes unseen; as moles a second by 40 CFR 1065.644.
create or replace temp table test_span as
select log.log_no, log.job_id, log.attempt, log.samples, sample.first_s, sample.last_s,
    sample.last_s - sample.first_s as watched_s, (sample.last_s - sample.first_s) / greatest(samples - 1, 1) as every_s,
    greatest(30, (sample.last_s - sample.first_s) / 120) as width_s, atmosphere_psia, 60 * hold_time_low as asked_s,
    pressure_drop_compensated_high as allowed_psi, pressure_drop_share_high / 100 as allowed_share,
    internal_volume_l as volume_l
from gauge_log as log
join (
    select log_no, min(t) as first_s, max(t) as last_s from gauge_sample
    where step = 'pressure_test' and not is_temperature group by log_no
) as sample using (log_no)
join limit_of_kind using (kind_no)
where log.step = 'pressure_test';
create or replace temp table test_bin as
with stretch as (
    select log_no, floor((t - first_s) / width_s)::integer as bin, any_value(width_s) as width_s,
        avg(t) filter (where not is_temperature) as t, avg(p) filter (where not is_temperature) as psig,
        avg(p) filter (where is_temperature) as read_degf
    from gauge_sample join test_span using (log_no)
    where t between first_s and last_s + 600
    group by log_no, bin
)
-- a thermometer that is read seldom holds for the stretches before and after
select *, coalesce(read_degf, last_value(read_degf ignore nulls) over before, first_value(read_degf ignore nulls)
    over after) as degf
from stretch
window before as (partition by log_no order by bin rows between unbounded preceding and current row),
    after as (partition by log_no order by bin rows between current row and unbounded following);
create or replace temp table test_delayed as
-- the pressure carried to 70 degF, by each delay that the thermometer may have; without temperatures as it was read
select bin.log_no, delay.k * bin.width_s as lag_s, bin.t, bin.bin, bin.psig, later.degf,
    (bin.psig + atmosphere_psia) * if(later.degf is null, 1, 529.67 / (later.degf + 459.67)) as psia
from test_bin as bin
join test_span using (log_no)
join (select k from range(11) as r(k)) as delay on delay.k * bin.width_s <= $sensor_lag_most
join test_bin as later on later.log_no = bin.log_no and later.bin = bin.bin + delay.k
where bin.psig is not null;
create or replace temp table test_lag as
with line as (
    select log_no, lag_s, max(degf) - min(degf) as moved_degf,
        (1 - coalesce(regr_r2(psia, t), 0)) * var_pop(psia) as misfit
    from test_delayed join test_span using (log_no)
    -- the same stretches for every delay, after the filling
    where t between first_s + least(60 * $settling_time, 0.3 * (last_s - first_s)) and last_s - $sensor_lag_most
    group by log_no, lag_s
)
select log_no, if(any_value(moved_degf) >= 1 and arg_min(misfit, lag_s) > 1.3 * min(misfit), arg_min(lag_s, misfit),
    0) as lag_s
from line group by log_no;
create or replace temp table test_settled as
-- from when on the next 3 min slope no more than the rest does
with start as (select k * 60.0 as after_s from range($settling_time_most::integer + 1) as r(k)),
sloped as (
    select log_no, after_s, any_value(asked_s) as asked_s, any_value(watched_s) as watched_s,
        regr_slope(psia, t) filter (where t <= first_s + after_s + 180) as head_slope,
        regr_slope(psia, t) filter (where t > first_s + after_s + 180) as rest_slope,
        sqrt((1 - regr_r2(psia, t)) * var_pop(psia)) as scatter, count(*) as bins
    from test_delayed join test_span using (log_no) left join test_lag as lag using (log_no)
    join start on t >= first_s + after_s
    where test_delayed.lag_s = coalesce(lag.lag_s, 0)
    group by log_no, after_s
)
select log_no,
    min(after_s) filter (where head_slope - rest_slope > -greatest(0.25 / 180, 4 * scatter / 180)) as quiet_s,
    -- where the log is long enough its first 5 min are left to settle, come what may
    case when any_value(watched_s) - 60 * $settling_time >= any_value(asked_s) - 1
            then least(greatest(coalesce(quiet_s, 60 * $settling_time_most), 60 * $settling_time),
                any_value(watched_s) - any_value(asked_s))
        else least(coalesce(quiet_s, 0), greatest(0, any_value(watched_s) - any_value(asked_s))) end as settled_s
from sloped where bins >= 8 group by log_no;
create or replace table pressure_log as
with held as (
    select span.*, coalesce(settled_s, 0) as settled_s, bin.lag_s, bin.t, bin.psia, bin.degf,
        row_number() over (partition by log_no order by bin.bin) as place
    from test_span as span
    left join test_lag as lag using (log_no)
    left join test_settled using (log_no)
    join test_delayed as bin on bin.log_no = span.log_no and bin.lag_s = coalesce(lag.lag_s, 0)
        and bin.t >= first_s + coalesce(settled_s, 0)
),
line as (
    select log_no, any_value(job_id) as job_id, any_value(attempt) as attempt, any_value(samples) as samples,
        any_value(watched_s) as watched_s, any_value(every_s) as every_s, any_value(settled_s) as settled_s,
        any_value(lag_s) as lag_s, any_value(asked_s) as asked_s,
        any_value(atmosphere_psia) as atmosphere_psia, any_value(volume_l) as volume_l,
        count(*) as bins, regr_slope(psia, t) as slope, regr_intercept(psia, t) as level, stddev_pop(t) as spread_s,
        sqrt(greatest(0, 1 - coalesce(regr_r2(psia, t), 0)) * var_pop(psia)) as scatter,
        any_value(first_s) + any_value(settled_s) as begin_s, any_value(last_s) as end_s,
        arg_min(degf, t) as begin_degf, arg_max(degf, t) as finish_degf, count(degf) = count(*) as has_degf,
        any_value(allowed_psi) as least_allowed_psi, any_value(allowed_share) as allowed_share
    from held group by log_no
),
shared as (
    -- how much neighbours share of what the line leaves
    select log_no, if(var_pop(left_over) > 1e-12 and var_pop(left_before) > 1e-12, corr(left_over, left_before), 0)
        as alike
    from (
        select log_no, psia - level - slope * t as left_over,
            lag(psia - level - slope * t) over (partition by log_no order by place) as left_before
        from held join line using (log_no)
    )
    group by log_no
),
worked as (
    select *,
        -- a log that ends one sample before the asked time has held for it
        if(watched_s - settled_s < asked_s, least(watched_s - settled_s + every_s, asked_s), watched_s - settled_s)
            as hold_s,
        level + slope * begin_s as begin_psia_70,
        begin_psia_70 * if(has_degf, (begin_degf + 459.67) / 529.67, 1) as begin_psia,
        (level + slope * end_s) * if(has_degf, (finish_degf + 459.67) / 529.67, 1) as finish_psia,
        greatest(least_allowed_psi, allowed_share * begin_psia) as allowed_psi,
        -slope * hold_s as drop_psi, -3600 * slope as drop_rate_psi_per_h,
        greatest(bins * (1 - greatest(alike, 0)) / (1 + greatest(alike, 0)), 3) as free_bins,
        2 * 3600 * sqrt(pow(scatter / (sqrt(free_bins) * nullif(spread_s, 0)), 2)
            + if(has_degf, pow(sqrt(2) * $thermometer_error * begin_psia_70 / 529.67 / hold_s, 2), 0))
            as drop_rate_error,
        greatest(allowed_psi * 3600 / hold_s, drop_rate_error) as slowest_seen
    from line left join shared using (log_no)
),
judged as (
    select *,
        case
            when samples < 8 or bins < 5                then 'few_samples'
            when not has_degf                           then 'no_temperatures'
            when drop_psi > allowed_psi                 then 'leak'
            when -drop_psi > allowed_psi                then 'climbed'
            when hold_s < asked_s - 1                   then 'short'
            else 'held'
        end as reason,
        -- 40 CFR 1065.644: n = V dp / (R T dt)
        slowest_seen * 6894.757293168361 / 3600 * volume_l / 1000
            / (8.314462618 * (coalesce(begin_degf, 70) + 459.67) / 1.8) as slowest_seen_mol
    from worked
)
select job_id, attempt, watched_s / 60 as watched_min, settled_s / 60 as settled_after_min, hold_s / 60 as hold_min,
    begin_psia - atmosphere_psia as start_psig, finish_psia - atmosphere_psia as end_psig,
    if(has_degf, begin_degf, null) as start_degf, if(has_degf, finish_degf, null) as end_degf,
    lag_s as sensor_lag_s, if(has_degf, drop_psi, null) as drop_psi, allowed_psi,
    if(has_degf, drop_rate_psi_per_h, null) as drop_rate_psi_per_h,
    if(has_degf, drop_rate_psi_per_h - drop_rate_error, null) as rate_low,
    if(has_degf, drop_rate_psi_per_h + drop_rate_error, null) as rate_high,
    slowest_seen as slowest_seen_psi_per_h, volume_l, slowest_seen_mol as slowest_seen_mol_per_s,
    reason <> 'few_samples' as is_readable,
    case reason when 'held' then 'passed' when 'leak' then 'failed' else 'cannot_tell' end as verdict,
    case reason
        when 'few_samples' then printf('Only %d samples: too few to tell a slope.', samples)
        when 'no_temperatures' then
            'No temperatures beside the pressure: a leak and a change of temperature look the same.'
        when 'climbed' then printf('The pressure climbed %.1f psi beyond what temperature explains: the bottle was '
            || 'still open, or the gas still warming.', -drop_psi)
        else printf('From %.0f min on the pressure, carried to one temperature, %s %.1f psi in %.0f min, a loss of '
                || '%.1f psi an hour (%.1f to %.1f psi); at most %.1f psi is allowed. ', settled_s / 60,
                if(drop_psi < 0, 'rose by', 'fell by'), abs(drop_psi), hold_s / 60, drop_rate_psi_per_h,
                drop_rate_psi_per_h - drop_rate_error, drop_rate_psi_per_h + drop_rate_error,
                allowed_psi)
            || if(lag_s > 0, printf('The thermometer follows the pipe about %.0f s late; that is allowed for. ',
                lag_s), '')
            || case reason
                when 'held' then printf('A leak slower than about %.0f psi an hour would not show', slowest_seen)
                    || if(volume_l is null, '.', printf(', %.1e mol a second.', slowest_seen_mol))
                    || if(drop_rate_psi_per_h > greatest(drop_rate_error, 0.1), ' It does lose a little, steadily.', '')
                when 'short' then printf('It was held %.0f min only; at least %.0f are asked.', hold_s / 60,
                    asked_s / 60)
                else 'It leaks.' end
    end as why
from judged
order by job_id, attempt;
