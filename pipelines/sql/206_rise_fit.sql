-- rise_fit: one row for each logged vacuum rise that is not plainly tight: four curves fitted to it.
-- reads   log_level, rise_bin
-- units   micron, absolute; s since the valve was shut; micron/s
-- why     A straight line (a leak lets in as much each minute), a root (water that comes out of oil or a film), a
--         flattening curve (water boils off until it has no more to give) and a flattening one on a line are fitted in
--         closed form, from sums, for 14 time constants at once.
create or replace temp table rise_fit as
with fitted as (
    select log_no, n, t - valve_s as t, p from rise_bin join log_level using (log_no)
    where needs_fit and t - valve_s >= 45
),
time_constant as (select 30 * pow(120, k / 13) as tau from range(14) as r(k)),
plain as (
    select log_no, count(*) as bins, sum(n) as n, sum(n * t) as st, sum(n * p) as sp,
        sum(n * t * t) - st * st / sum(n) as ctt, sum(n * p * p) - sp * sp / sum(n) as cpp,
        sum(n * p * t) - st * sp / sum(n) as cpt, sum(n * sqrt(t)) as sr,
        st - sr * sr / sum(n) as crr, sum(n * p * sqrt(t)) - sr * sp / sum(n) as cpr, min(t) as from_s, max(t) as to_s
    from fitted group by log_no
),
-- e bends as moisture does; c.. are sums of squares and products about the means
bent as (
    select log_no, tau, sum(n) as n, sum(n * e) as se, sum(n * e * e) - se * se / sum(n) as cee,
        sum(n * p * e) - se * sum(n * p) / sum(n) as cpe, sum(n * t * e) - se * sum(n * t) / sum(n) as cte
    from (select log_no, n, t, p, tau, 1 - exp(-t / tau) as e from fitted, time_constant)
    group by log_no, tau
),
solved as (
    select log_no, tau, se, if(cpe > 0, cpp - cpe * cpe / cee, cpp) as bent_rss, cpe / cee as bent_height,
        (cpt * cee - cpe * cte) / (ctt * cee - cte * cte) as both_slope,
        (cpe * ctt - cpt * cte) / (ctt * cee - cte * cte) as both_height,
        sqrt(cee / nullif(ctt * cee - cte * cte, 0)) as both_spread,
        if(both_slope > 0 and both_height > 0, cpp - both_slope * cpt - both_height * cpe, null) as both_rss
    from bent join plain using (log_no)
),
best as (
    select log_no, min(bent_rss) as bent_rss, arg_min(tau, bent_rss) as bent_tau,
        arg_min(bent_height, bent_rss) as bent_height, arg_min(se, bent_rss) as bent_se,
        min(both_rss) as both_rss, arg_min(tau, both_rss) as both_tau, arg_min(both_slope, both_rss) as both_slope,
        arg_min(both_height, both_rss) as both_height, arg_min(both_spread, both_rss) as both_spread
    from solved group by log_no
)
select log_no, bins, n, from_s, to_s, st / n as mean_t, sp / n as mean_p, cpt / ctt as straight_slope,
    greatest(cpp - cpt * cpt / ctt, 0) as straight_rss, greatest(cpp - cpr * cpr / crr, 0) as root_rss,
    cpr / crr as root_height, greatest(bent_rss, 0) as bent_rss, bent_tau, bent_height, bent_se / n as bent_mean_e,
    greatest(both_rss, 0) as both_rss, both_tau, both_slope, both_height,
    both_spread
from plain join best using (log_no)
where bins >= 5;
