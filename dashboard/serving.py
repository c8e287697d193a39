"""The server of the pages: Streamlit, which makes ready what the first reader will ask while his browser still loads.

Run by `slowfuse dashboard` in a process of its own. A browser takes about a second to fetch and start the pages' frame;
by then the libraries that draw are imported, the store is open and the first page's questions are answered.
"""

from __future__ import annotations

import datetime as dt
import logging
import sys
import threading
import time

# the stretch of jobs and the number of lines with which the first page opens
FIRST_DAYS, FIRST_LINES = 90, 10
FIRST_VISITS, FIRST_HORIZON_MONTHS = 40, 12
HORIZONS_MONTHS = (12, 24, 36)
LOOK_EVERY_S = 0.02
GIVE_UP_AFTER_S = 60.0
# so long the processors are left to whoever opens the first page at once
LEFT_TO_THE_FIRST_READER_S = 3.0


def main() -> None:
    """Serve the pages; the arguments are those of `streamlit run`, the page first."""
    threading.Thread(target=make_ready, name="make ready", daemon=True).start()
    from streamlit.web.cli import main as streamlit

    sys.argv = ["streamlit", "run", *sys.argv[1:]]
    streamlit()


def make_ready() -> None:
    """Once the server answers: import, open the store, ask what comes first. What fails here is told by the page itself."""
    from streamlit import runtime

    until = time.monotonic() + GIVE_UP_AFTER_S
    while not runtime.exists():
        if time.monotonic() > until:
            return
        time.sleep(LOOK_EVERY_S)
    try:
        _first_page()
        _libraries()
        time.sleep(LEFT_TO_THE_FIRST_READER_S)
        _slow_questions()
    except Exception as error:
        logging.getLogger(__name__).debug("nothing was made ready: %s", error)


def _first_page() -> None:
    from dashboard import data, data_night
    from dashboard.data_night import ReturnFilter

    stamp, load = data.stamp(), data_night.last_load()
    from_on = stamp.as_of - dt.timedelta(days=FIRST_DAYS) if stamp.as_of else None
    which = ReturnFilter(from_on, None, load.load_id if load and not load.is_first else None)
    data_night.return_areas()
    data_night.return_counts(which)
    data_night.not_arrived_counts(from_on)
    data_night.jobs_between(from_on)
    data_night.reasons_why(data_night.returns(which, ("overdue", "due"), None, at_most=FIRST_LINES))


def _libraries() -> None:
    """What draws tables and charts; the pages import it when they first need it."""
    import altair as alt
    import pandas  # noqa: F401
    import polars as pl
    import pyarrow  # noqa: F401

    from dashboard import charts, course_charts, owner_charts, people_charts  # noqa: F401

    # the first picture that is made looks its words up; all later ones find them
    alt.Chart(pl.DataFrame({"at": [1.0]})).mark_line().encode(x="at:Q", y="at:Q").to_dict(validate=False)


def _slow_questions() -> None:
    """What the other pages ask on opening and takes longest."""
    from dashboard import data, data_visits
    from dashboard.data import JobFilter

    whole_list = (FIRST_HORIZON_MONTHS, None, None, data.house_rules().visit_cost)
    data.risk_totals(*whole_list, FIRST_VISITS)
    data.risk_curve(*whole_list)
    data.risk_list(*whole_list, FIRST_VISITS)
    data.proof_by_step()
    newest = data.matching_jobs(JobFilter(), 1)
    if newest.height:
        data.neighbours(JobFilter(), newest["job_id"][0])
    for kind in data.group_kinds():
        data.group_step(kind)
    data.drawn_to_measure_again()
    data.measured_again()
    said = data_visits.entered()
    data_visits.counts(said)
    data_visits.by_step(said)
    for months in HORIZONS_MONTHS:
        data_visits.worth(said, months)
    data_visits.listed(said, data_visits.VisitFilter())


if __name__ == "__main__":
    main()
