"""Returns and things that did not arrive for the small store: from its own grades, so that lists can be counted by hand."""

from __future__ import annotations

import duckdb

from pipelines.arrivals import make_return_reason
from pipelines.listings import make_listings


def returns(con: duckdb.DuckDBPyConnection) -> None:
    """Failed pressure tests, rises and airflows, the newest failed test turned into one made with air; and the listings."""
    make_listings(con)
    make_return_reason(con)
    con.execute(
        """
        create or replace table return_due as
        with due as (
            select g.job_id, g.step, g.system_id, s.area, j.finished_on,
                case when g.step = 'pressure_test'
                        and row_number() over (partition by g.step order by j.finished_on desc, g.job_id) = 1
                    then 'gas_not_nitrogen'
                    when g.step = 'pressure_test' then 'pressure_test_failed'
                    when g.step = 'vacuum_rise' then 'rise_failed' else 'airflow_failed' end as reason
            from step_grade g join staged_job j using (job_id) join staged_system s on s.system_id = g.system_id
            where g.state = 'failed' and g.step in ('pressure_test', 'vacuum_rise', 'airflow')
        )
        select job_id, step, due.reason, finished_on + r.due_days as due_on,
            if(hash(job_id) % 7 = 0 and due.reason <> 'gas_not_nitrogen', finished_on + 3, null) as settled_on,
            if(settled_on is not null, 'later_job', null) as settled_by, null::varchar as settled_job_id,
            system_id, area, finished_on, finished_on as due_from_on, 'guess' as due_chosen_by,
            r.is_safety, r.place, 'L0001' as load_id
        from due join return_reason r on r.reason = due.reason
        """
    )
    con.execute(
        """
        create or replace table not_arrived as
        select 'file' as kind, 'jobs_#-#-#.csv' as name, date '2025-07-01' as expected_on,
            date '2025-06-30' as last_seen_on, 'It had come new on 5 of the 5 working days before.' as detail
        union all
        select 'job_sheet', min(job_id), date '2025-06-20', date '2025-06-18',
            'Finished, and neither a step nor a reading of it has come.' from staged_job
        """
    )
