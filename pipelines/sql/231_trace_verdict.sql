-- trace_verdict: one row for each attempt of a logged vacuum rise: tight, or what its curve says is behind it.
-- reads   log_level, staged_trace
-- units   micron, absolute; micron/min; s
-- why     Three curves are fitted in closed form, from sums, for 24 time constants at once: a straight line (a leak
--         lets in as much each minute), a flattening one (water boils off until it has no more to give), both together.
--         A misfit below 4 % of the rise says nothing, since real moisture has more than one time constant. Both
--         together are claimed only from logs of 20 min and more: shorter ones look alike.
create or replace table trace_verdict as
with fitted as (
    select sample.job_id, coalesce(sample.attempt, 1) as attempt, sample.elapsed_s as t, sample.value as p
    from staged_trace as sample
    join log_level as log on log.job_id = sample.job_id and log.attempt = coalesce(sample.attempt, 1)
    where log.needs_fit and coalesce(sample.step, 'vacuum_rise') = 'vacuum_rise' and sample.quantity = 'vacuum'
        and sample.elapsed_s >= 45 and sample.value is not null
),
time_constant as (select 30 * pow(120, k / 23) as tau from range(24) as r(k)),
-- e bends as moisture does; c.. are sums of squares and products about the means
sums as (
    select job_id, attempt, tau, count(*) as n, avg(t) as mean_t, avg(p) as mean_p, avg(1 - exp(-t / tau)) as mean_e,
        n * var_pop(t) as ctt, n * var_pop(p) as cpp, n * var_pop(1 - exp(-t / tau)) as cee,
        n * covar_pop(p, t) as cpt, n * covar_pop(p, 1 - exp(-t / tau)) as cpe,
        n * covar_pop(t, 1 - exp(-t / tau)) as cte
    from fitted, time_constant
    group by job_id, attempt, tau
),
solved as (
    select *, cpp - cpt * cpt / ctt as straight_rss, cpt / ctt as straight_slope,
        if(cpe > 0, cpp - cpe * cpe / cee, cpp) as bent_rss, cpe / cee as bent_height,
        (cpt * cee - cpe * cte) / (ctt * cee - cte * cte) as both_slope,
        (cpe * ctt - cpt * cte) / (ctt * cee - cte * cte) as both_height,
        if(both_slope > 0 and both_height > 0, cpp - both_slope * cpt - both_height * cpe, null) as both_rss
    from sums
),
best as (
    select job_id, attempt, any_value(n) as n, any_value(mean_t) as mean_t, any_value(mean_p) as mean_p,
        any_value(straight_slope) as straight_slope, any_value(straight_rss) as straight_rss,
        min(bent_rss) as bent_rss, arg_min(tau, bent_rss) as bent_tau, arg_min(bent_height, bent_rss) as bent_height,
        arg_min(mean_e, bent_rss) as bent_mean_e,
        min(both_rss) as both_rss, arg_min(tau, both_rss) as both_tau, arg_min(both_slope, both_rss) as both_slope
    from solved group by job_id, attempt
),
shape as (
    select log.*, best.* exclude (job_id, attempt),
        sqrt(greatest(straight_rss, 0) / (n - 2)) as straight_misfit,
        sqrt(greatest(least(straight_rss, bent_rss, both_rss), 0) / (n - 4)) as noise,
        coalesce(both_slope * (last_s - 45) / nullif(span_micron, 0), 0) as both_share,
        -- what the two simple curves say of the asked time, where the log does not reach it
        mean_p + straight_slope * (asked_s - mean_t) as straight_level,
        mean_p + bent_height * (1 - exp(-asked_s / bent_tau) - bent_mean_e) as bent_level,
        coalesce(level_micron, (straight_level + bent_level) / 2) as level,
        if(level_micron is not null, level_micron - level_error, 0.96 * least(straight_level, bent_level)) as low,
        if(level_micron is not null, level_micron + level_error, 1.04 * greatest(straight_level, bent_level)) as high,
        straight_misfit < 1.6 * noise or straight_misfit < 0.012 * span_micron as is_straight,
        straight_misfit > sqrt(noise * noise + pow(0.04 * span_micron, 2)) as is_bent
    from log_level as log left join best using (job_id, attempt)
),
judged as (
    select *,
        case
            when samples < 8                                                    then 'few_samples'
            when watched_s < 300                                                then 'short'
            when watched_s < 420 and noise > 0.03 * level                       then 'short_and_noisy'
            when level < 0.85 * early_micron                                    then 'falls'
            when high < most_micron                                             then 'tight'
            when low < most_micron                                              then 'near_limit'
            when is_straight                                                    then 'leak'
            when watched_s >= 1200 and both_share >= 0.4                        then 'both'
            when is_bent                                                        then 'moisture'
            else 'unclear'
        end as reason
    from shape
)
select job_id, 'vacuum_rise' as step, attempt,
    case reason when 'tight' then 'tight' when 'leak' then 'leak' when 'moisture' then 'moisture'
        when 'both' then 'moisture_and_leak' else 'cannot_tell' end as verdict,
    level as level_micron_at_10min, low as level_low, high as level_high,
    case reason when 'moisture' then bent_tau when 'both' then both_tau end as time_constant_s,
    case reason when 'leak' then 60 * straight_slope when 'both' then 60 * both_slope end as slope_micron_per_min,
    case reason
        when 'tight' then
            printf('The level stood at %.0f micron at %.0f min, below %.0f.', level, asked_s / 60, most_micron)
        when 'leak' then
            printf('The level rises in a straight line, %.0f micron a minute, as a leak does; a little moisture '
                || 'beside it is not excluded.', 60 * straight_slope)
        when 'moisture' then if(watched_s >= 1200,
            printf('The level flattens out within some %.0f min, as moisture does.', 3 * bent_tau / 60),
            printf('The level flattens out, as moisture does; a leak of up to %.0f micron a minute is not excluded.',
                60 * greatest(coalesce(both_slope, 0), 2 * noise / last_s)))
        when 'both' then
            printf('The level flattens and goes on rising by %.0f micron a minute: moisture and a leak.',
                60 * both_slope)
        when 'few_samples' then
            printf('Only %d samples after the first 45 seconds: at least 8 are needed.', samples)
        when 'short' then printf('Watched for %.1f min only: at least 5 are needed.', watched_s / 60)
        when 'short_and_noisy' then
            printf('Watched for %.1f min with a restless gauge: at least 7 are needed.', watched_s / 60)
        when 'falls' then
            printf('The level fell from %.0f to %.0f micron: the pump was still open, or the gauge drifted.',
                early_micron, level)
        when 'near_limit' then
            printf('At %.0f min the level lies between %.0f and %.0f micron, too near the limit of %.0f to tell.',
                asked_s / 60, low, high, most_micron)
        else
            printf('The level is above %.0f micron and bends a little: in %.0f min a leak and moisture look alike. '
                || 'Watch it for 20 min.', most_micron, watched_s / 60)
    end as why
from judged;
