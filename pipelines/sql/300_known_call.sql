-- known_call: one row for each visit to a system that is on record: the calls, and early visits that were only entered.
-- reads   staged_call, visit_outcome
-- units   calendar days
-- kept    for the connection alone: the store need not carry it
-- why     What came of a planned visit is entered on the page on the day; its call may come with a later export, or never.
--         Until it comes the entry stands for it. A call for an early visit within a week of the entry is the same visit.
create or replace temp view known_call as
select system_id, opened_on, call_kind::varchar as call_kind, finding::varchar as finding, put_right
from staged_call
union all
select entered.system_id, entered.visited_on, 'proactive', entered.finding, entered.put_right
from visit_outcome as entered
where entered.state = 'visited' and entered.visited_on is not null
    and not exists (
        select 1
        from staged_call as call
        where call.system_id = entered.system_id and call.call_kind::varchar = 'proactive'
            and abs(datediff('day', call.opened_on, entered.visited_on)) <= 7
    );
