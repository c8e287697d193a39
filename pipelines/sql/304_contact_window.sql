-- contact_window: one row for each stretch of days in which we would have heard of a failure; stretches do not overlap.
-- reads   life, staged_system, known_call
-- units   calendar days; a month is 30.4375 days
-- why     An unplanned call is an outcome and never lengthens follow-up: taking the last call of any kind as the end
--         makes failure look 1.7 times as frequent as it is. Planned visits do lengthen it, whatever they find.
create or replace table contact_window as
with planned as (
    select system_id, opened_on as seen_on
    from known_call
    where opened_on <= $as_of and call_kind in ('maintenance', 'proactive')
), first_entry as (
    select system_id, min(entered_on) as entered_on
    from life
    where entered_on is not null
    group by system_id
), seen as (
    select system_id, started_on as seen_on from life where not is_adopted
    union all
    select system_id, seen_on from planned
), last_seen as (
    select system_id, max(seen_on) as seen_on from seen group by system_id
), raw_window as (
    select entry.system_id, entry.entered_on as from_on, least(sys.last_contact_on, $as_of) as to_on
    from first_entry as entry
    join staged_system as sys using (system_id)
    where sys.last_contact_on is not null
    union all
    select entry.system_id, entry.entered_on,
        coalesce(last_seen.seen_on, entry.entered_on)
            + round(coalesce(sys.visit_interval_months, $visit_interval_months) * 30.4375)::integer
    from first_entry as entry
    join staged_system as sys using (system_id)
    left join last_seen using (system_id)
    where sys.last_contact_on is null and coalesce(sys.agreement, false)
    union all
    select seen.system_id, seen.seen_on, seen.seen_on + round($heard_back_months * 30.4375)::integer
    from seen
    left join staged_system as sys using (system_id)
    where sys.last_contact_on is null and not coalesce(sys.agreement, false)
), cut as (
    select system_id, from_on, least(to_on, $as_of) as to_on
    from raw_window
    where from_on < least(to_on, $as_of)
), marked as (
    select *,
        coalesce(
            from_on > max(to_on) over (
                partition by system_id order by from_on, to_on rows between unbounded preceding and 1 preceding
            ),
            true
        )::integer as is_new
    from cut
), numbered as (
    select *, sum(is_new) over (partition by system_id order by from_on, to_on) as window_no
    from marked
)
select system_id, min(from_on) as from_on, max(to_on) as to_on
from numbered
group by system_id, window_no;
