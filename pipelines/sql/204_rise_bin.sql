-- rise_bin: a logged vacuum rise in at most 28 stretches of time; rise_valve: when its valve was shut, and its noise.
-- reads   staged_trace, grade_job
-- units   micron, absolute; s since the log's zero; noise as a share of the level
-- why     Means of stretches of 15 s and more are as good for a curve as thousands of samples, and cheaper. A log may
--         begin before the valve was shut: then it falls or lies flat first and rises from a corner, where time is
--         counted anew. Samples from the first that stands at the gauge's top say nothing of the curve.
create or replace temp table rise_stretch as
select job_id, hash(job_id, attempt) as log_no, attempt, bin, n, t / n as t, p / n as p, least, most, until_s
from (
    select job_id, coalesce(attempt, 1) as attempt, floor(elapsed_s / 15)::integer as bin, count(*) as n,
        sum(elapsed_s) as t, sum(value) as p, min(value) as least, max(value) as most,
        max(elapsed_s) as until_s
    from staged_trace
    where quantity = 'vacuum' and coalesce(step, 'vacuum_rise') = 'vacuum_rise' and value is not null and elapsed_s >= 0
    group by job_id, coalesce(attempt, 1), bin
);
create or replace temp table rise_log as
with span as (
    select log_no, any_value(job_id) as job_id, any_value(attempt) as attempt, max(most) as most, max(until_s) as end_s,
        -- the steps in which the gauge shows
        case when max(most::bigint % 50) = 0 then 50 when max(most::bigint % 10) = 0 then 10 else 1 end as gauge_step,
        greatest(ceil(max(bin) / 27), 1) as merged
    from rise_stretch group by log_no
),
at_top as (
    select log_no, if(sum(n) filter (where stretch.least = span.most) >= 4, min(t), null) as top_s
    from rise_stretch as stretch join span using (log_no)
    where span.most >= 4000 and stretch.most = span.most group by log_no
)
select span.*, top_s, job.kind_no
from span join grade_job as job on job.job_id = span.job_id left join at_top using (log_no);
create or replace temp table rise_bin as
select log_no, floor(bin / merged)::integer as bin, sum(n) as n, sum(n * t) / sum(n) as t, sum(n * p) / sum(n) as p
from rise_stretch join rise_log using (log_no)
where top_s is null or t < top_s
group by log_no, floor(bin / merged);
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
    select log_no, median(kink) / (0.6745 * sqrt(6)) as noise, min(level) as least,
        arg_min(level, bin) as early, arg_max(level, bin) as late, min(t) as begin_s, max(t) as end_s
    from smoothed group by log_no
),
allowed as (
    select run.*, gauge_step, merged,
        (greatest(0.02, 3 * coalesce(noise, 0) / sqrt(3)) * least + 0.6 * gauge_step) as slack
    from run join rise_log using (log_no)
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
    if(is_late, corner_s + 7.5 * merged, 0) as valve_s
from allowed join corner using (log_no);
