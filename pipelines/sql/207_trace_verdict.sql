-- trace_verdict: one row for each attempt of a logged vacuum rise: tight, or what its curve says is behind it.
-- reads   log_level, rise_fit
-- units   micron, absolute; micron/min; s
-- why     How far the flattening curve lies from the straight one tells a leak from moisture; how much of the rise a
--         line beside it takes tells both together, claimed only from logs of 20 min and more: shorter ones look alike.
--         The bounds come from a study of curves with a known cause (data/gauge_facts.csv); in between nothing is told.
create or replace table trace_verdict as
with shape as (
    select log.*, fit.* exclude (log_no),
        to_s - from_s as seen_s,
        -- the rise that the line shows from the first stretch to the last
        greatest(abs(straight_slope) * (to_s - from_s), 1) as rise,
        sqrt(straight_rss / n) / rise as straight_misfit,
        sqrt(least(straight_rss, bent_rss, root_rss, both_rss) / n) / rise as misfit,
        -- how far a flattening curve lies from the straight one; as sure as the noise of the stretches lets it be
        sqrt(greatest(straight_rss - least(bent_rss, root_rss), 0) / n) / rise as bend,
        coalesce(noise, 0) * mean_p / sqrt(bins) / rise as bend_error,
        -- how much of the rise the line beside a flattening curve takes
        coalesce(both_slope * (to_s - from_s) / rise, 0) as both_share,
        coalesce(noise * mean_p * sqrt(n / bins) * both_spread * (to_s - from_s) / rise, 0) as share_error,
        -- what the two simple curves say of the asked time, where the log does not reach it
        mean_p + straight_slope * (asked_s - mean_t) as straight_level,
        mean_p + bent_height * (1 - exp(-asked_s / bent_tau) - bent_mean_e) as bent_level,
        coalesce(level_micron, (straight_level + bent_level) / 2) as level,
        if(level_micron is not null, level_micron - level_error, 0.96 * least(straight_level, bent_level)) as low,
        if(level_micron is not null, level_micron + level_error, 1.04 * greatest(straight_level, bent_level)) as high
    from log_level as log left join rise_fit as fit using (log_no)
),
judged as (
    select *,
        case
            when samples < 8                                                    then 'few_samples'
            when watched_s < 300                                                then 'short'
            when watched_s < 420 and noise * sqrt(n / bins) > 0.035               then 'short_and_noisy'
            when coalesce(late, level) < early * (1 - greatest(0.05, 3 * noise)) then 'falls'
            when high < most_micron                                             then 'tight'
            when low < most_micron                                              then 'near_limit'
            when seen_s < 200                                                   then 'top'
            when bend < $bend_of_leak / 100 + 1.5 * bend_error and bend_error < 0.006 then 'leak'
            when bend > $bend_of_moisture / 100 + 2 * bend_error                 then 'moisture'
            when bend > $bend_beside / 100 + 2 * bend_error and both_share + share_error
                < if(watched_s >= 60 * $mixture_time, $line_share_long, $line_share_short) / 100 then 'moisture'
            when watched_s >= 60 * $mixture_time and both_share - share_error > $line_share_of_both / 100
                and bend > $bend_of_both / 100 + 2 * bend_error                 then 'both'
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
    if(valve_s > 0, printf('The valve was shut some %.1f min after the log began; time is counted from there. ',
        valve_s / 60), '') || case reason
        when 'tight' then
            printf('The level stood at %.0f micron at %.0f min, below %.0f micron.', level, asked_s / 60, most_micron)
        when 'leak' then
            printf('The level rises in a straight line, %.0f micron a minute, as a leak does; a little moisture '
                || 'beside it is not excluded.', 60 * straight_slope)
        when 'moisture' then if(watched_s >= 60 * $mixture_time,
            printf('The level flattens out within some %.0f min, as moisture does.', 3 * bent_tau / 60),
            printf('The level flattens out, as moisture does; a leak of up to %.0f micron a minute is not excluded.',
                60 * greatest(coalesce(both_slope, 0), 2 * noise * mean_p / last_s)))
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
                early, level)
        when 'near_limit' then
            printf('At %.0f min the level lies between %.0f and %.0f micron, too near the limit of %.0f micron to '
                || 'tell.', asked_s / 60, low, high, most_micron)
        when 'top' then
            printf('The gauge stood at its top of %.0f micron from %.1f min on: too little of the curve is seen.', most,
                top_s / 60)
        else
            printf('The level is above %.0f micron and bends a little: in %.0f min a leak and moisture look alike. '
                || 'Watch it for 20 min.', most_micron, watched_s / 60)
    end as why
from judged
order by job_id, attempt;
