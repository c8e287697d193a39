-- rise_bin: a logged vacuum rise in at most 40 stretches of time; rise_valve: when its valve was shut, and its noise.
-- reads   gauge_sample, gauge_log
-- units   micron, absolute; s since the log's zero; noise as a share of the level
-- why     Means of stretches of at least 15 s are as good for a curve as thousands of samples, and cheaper. A log may
--         begin before the valve was shut: then it falls or lies flat first and rises from a corner, where time is
--         counted anew. Samples from the first that stands at the gauge's top say nothing of the curve.
create or replace temp table rise_top as
select log.log_no, if(count(*) >= 4 and count(*) >= 0.04 * any_value(samples), min(t), null) as top_s
from gauge_log as log join gauge_sample as sample using (log_no)
where log.step = 'vacuum_rise' and most >= 4000 and p >= most
group by log.log_no;
create or replace temp table rise_bin as
select log_no, floor((t - first_s) / greatest(15, (last_s - first_s) / 40))::integer as bin, count(*) as n,
    avg(t) as t, avg(p) as p
from gauge_sample join gauge_log using (log_no) left join rise_top using (log_no)
where gauge_log.step = 'vacuum_rise' and t >= 0 and (top_s is null or t < top_s)
group by log_no, bin;
create or replace temp table rise_valve as
with smoothed as (
    select log_no, bin, t, p, avg(p) over around as level,
        -- what three neighbours show beyond a straight line; its spread is sqrt(6) times theirs
        abs(lag(p) over along - 2 * p + lead(p) over along) / p as kink
    from rise_bin where t >= 45
    window along as (partition by log_no order by bin),
        around as (partition by log_no order by bin rows between 1 preceding and 1 following)
),
run as (
    select log_no, median(kink) / (0.6745 * sqrt(6)) as noise, min(level) as least, arg_min(t, level) as least_s,
        arg_min(level, bin) as early, arg_max(level, bin) as late, min(t) as begin_s, max(t) as end_s
    from smoothed group by log_no
),
allowed as (
    select run.*, gauge_step, watched_s,
        (greatest(0.02, 3 * coalesce(noise, 0) / sqrt(3)) * least + 0.6 * gauge_step) as slack
    from run join gauge_log using (log_no)
),
corner as (
    select log_no, max(smoothed.t) as corner_s
    from smoothed join allowed using (log_no) where level <= least + slack group by log_no
)
select log_no, noise, early, late, end_s,
    early > least + greatest(0.05 * least, 2 * slack) and corner_s > 90 as has_fallen,
    -- on a straight line or a flattening one it would have risen this much by then
    corner_s > begin_s + 45 and (corner_s - begin_s) / (end_s - begin_s) * (late - early) > 3 * slack as was_flat,
    late - least > greatest(4 * slack, 0.1 * least) and (has_fallen or was_flat) as is_late,
    if(is_late, corner_s + greatest(15, watched_s / 40) / 2, 0) as valve_s
from allowed join corner using (log_no);
