-- standing_check: one row for each job whose pressure was read with the machine at rest.
-- reads   grade_job, coil_reading, check_reading, saturation_point
-- units   psig, psi, degF
-- why     A circuit at rest that holds liquid stands at the saturation pressure of its refrigerant at the temperature around
--         it: what stands above that is the pressure of a gas that does not condense (Dalton). With a glide the mixture
--         lies between its dew and its bubble pressure, so only what exceeds the bubble pressure counts. The coil must have
--         come to the temperature of the air: two degrees of doubt and the gauge's error make the range.
create or replace table standing_check as
with asked as (
    select job.job_id, reading.standing_psig, job.refrigerant, job.atmosphere_psia as psia, checked.outdoor_degf, shift,
        checked.outdoor_degf + shift * $standing_temperature_error as degf
    from coil_reading as reading
    join grade_job as job on job.job_id = reading.job_id
    left join check_reading as checked on checked.job_id = reading.job_id
    cross join (select unnest([-1, 0, 1]) as shift)
    where reading.standing_psig is not null
),
saturated as (
    select asked.*,
        exp($first_ln_psia + $step_ln_psia * (bubble.point + (degf - bubble.bubble_degf) / bubble.bubble_rise_degf))
            as bubble_psia,
        exp($first_ln_psia + $step_ln_psia * (dew.point + (degf - dew.dew_degf) / dew.dew_rise_degf)) as dew_psia
    from asked
    left join saturation_point as bubble on bubble.refrigerant = asked.refrigerant
        and degf >= bubble.bubble_degf and degf < bubble.bubble_degf + bubble.bubble_rise_degf
    left join saturation_point as dew on dew.refrigerant = asked.refrigerant
        and degf >= dew.dew_degf and degf < dew.dew_degf + dew.dew_rise_degf
),
held as (
    select job_id, any_value(standing_psig) as standing_psig, any_value(outdoor_degf) as ambient_degf,
        any_value(refrigerant) as refrigerant, any_value(psia) as psia,
        any_value(bubble_psia) filter (where shift = 0) as bubble, any_value(dew_psia) filter (where shift = 0) as dew,
        min(bubble_psia) as least_bubble, max(bubble_psia) as most_bubble, min(dew_psia) as least_dew
    from saturated group by job_id
),
compared as (
    select *, standing_psig + psia as standing_psia, bubble - psia as bubble_psig, dew - psia as dew_psig,
        standing_psia - bubble as excess, standing_psia * (1 - $gauge_error / 100) - most_bubble as low,
        standing_psia * (1 + $gauge_error / 100) - least_bubble as high,
        standing_psia * (1 + $gauge_error / 100) - least_dew as above_dew
    from held
)
select job_id, standing_psig, ambient_degf, bubble_psig as saturation_psig, dew_psig as saturation_dew_psig,
    excess as excess_psi, low, high,
    case when excess is null then 'cannot_tell' when low > 0 then 'non_condensables'
        when above_dew < 0 then 'below_saturation' else 'none_seen' end as verdict,
    case
        when refrigerant is null then 'The refrigerant is not recorded.'
        when ambient_degf is null then 'The outdoor temperature is not recorded, so there is nothing to hold the pressure against.'
        when excess is null then 'The outdoor temperature lies outside the table of this refrigerant.'
        when low > 0 then 'At rest ' || said(standing_psig, 1) || ' psig, ' || said(excess, 1) || ' psi (' || said(low, 1)
            || ' to ' || said(high, 1) || ' psi) above what ' || refrigerant || ' alone has at ' || said(ambient_degf, 0)
            || ' degF: a gas that does not condense, or a coil warmer than the air.'
        when above_dew < 0 then 'At rest ' || said(standing_psig, 1) || ' psig, below what ' || refrigerant || ' has at '
            || said(ambient_degf, 0) || ' degF: no liquid is left, or the coil is colder than the air.'
        else 'At rest ' || said(standing_psig, 1) || ' psig, as ' || refrigerant || ' alone has at ' || said(ambient_degf, 0)
            || ' degF: up to ' || said(greatest(high, 0), 1) || ' psi of another gas could not have been seen.'
    end as why
from compared;
