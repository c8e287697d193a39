-- outcome_event: one row for each life and outcome that came: its first event.
-- reads   life, staged_call, follow_up
-- units   age in days since the life began
-- why     The first event counts and ends that outcome's follow-up. One that came while nobody could be relied on to
--         tell us (in_follow_up false) is listed and not counted, but later time is not counted either: a second
--         callback is no first one. The first contact with a system that someone else put in is how we met it, no event.
create or replace table outcome_event as
with call_in_life as (
    select life.system_id, life.life_no, life.started_on, call.opened_on, call.call_id,
        call.call_kind::varchar as call_kind, call.finding::varchar as finding
    from life
    join staged_call as call
        on call.system_id = life.system_id
        and call.opened_on <= least($as_of, coalesce(life.next_started_on, $as_of))
        and (call.opened_on > life.started_on or (life.life_no = 1 and call.opened_on = life.started_on))
        and (not life.is_adopted or call.opened_on > life.entered_on)
), candidate as (
    select finding as outcome, system_id, life_no, started_on, opened_on as happened_on, call_id
    from call_in_life
    -- proactive visits go where the work was doubtful: what they find there would look caused by it
    where finding is not null and call_kind is distinct from 'proactive'
    union all
    select 'compressor_failure', system_id, life_no, started_on, opened_on, call_id
    from call_in_life
    where finding in ('compressor_burnout', 'compressor_mechanical')
    union all
    select 'compressor_failure', system_id, life_no, started_on, retired_on, null
    from life
    where retired_because = 'compressor'
    union all
    -- tested beside the control, so without it
    select 'callback', system_id, life_no, started_on, opened_on, call_id
    from call_in_life
    where call_kind in ('callback', 'repair', 'warranty') and finding is distinct from $negative_control
), first_event as (
    select outcome, system_id, life_no, started_on, happened_on, call_id
    from candidate
    qualify row_number() over (partition by outcome, system_id, life_no order by happened_on, call_id nulls last) = 1
), aged as (
    select *, greatest(datediff('day', started_on, happened_on)::double, 0.5) as age
    from first_event
)
select aged.outcome, aged.system_id, aged.life_no, aged.happened_on, aged.age, aged.call_id,
    piece.job_id,
    piece.job_id is not null as in_follow_up,
    coalesce(piece.is_visited, false) as is_visited
from aged
left join follow_up as piece
    on piece.system_id = aged.system_id and piece.life_no = aged.life_no
    and aged.age > piece.from_age and aged.age <= piece.to_age;
