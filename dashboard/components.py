"""The parts that every page shares: the answer in a sentence, how it is counted, the jobs behind it, the cautions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import AbstractContextManager
from typing import Any

import polars as pl
import streamlit as st

from dashboard import data, data_ways, links, ways, words
from dashboard.data import JobFilter
from dashboard.data_ways import JobList
from dashboard.take_away import take_away
from pipelines.contract import STATES, STEPS

JOB_PAGE = "app_pages/job_folder.py"
DOCK_PAGE = "app_pages/loading_dock.py"
_LEFT = "_left_for_a_job"


def answer(sentence: str) -> None:
    """The first line of a page: one sentence that answers its question, with the number, its range and its count."""
    st.title(words.in_markdown(sentence), anchor=False)


def heading(text: str) -> None:
    st.header(text, anchor=False)


def how_counted(text: str, key: str, label: str = "How is this counted?") -> None:
    """What a number stands for, one click away from it."""
    with st.popover(label, icon=":material/help:", type="tertiary", key=f"how_{key}"):
        st.markdown(words.in_markdown(text))


def folded(label: str, key: str, icon: str) -> AbstractContextManager[Any] | None:
    """A fold of the page, or None while it is closed: what nobody looks at is neither asked for nor sent."""
    box = st.expander(label, icon=icon, key=key, on_change="rerun")
    return box if box.open else None


def note(text: str) -> None:
    """A fact that belongs to a picture: normal contrast, since captions are too faint for facts."""
    st.markdown(words.in_markdown(text))


def cautions(names: Iterable[str]) -> None:
    """The usual cautions where work is advised; deferring to local codes and to licensed practice."""
    wanted = list(dict.fromkeys(names))
    if not wanted:
        return
    lines = "\n".join(f"- {words.CAUTION[name]}" for name in wanted)
    st.warning(
        f"{lines}\n\nThe maker's instructions, the local code and the licensed person on site come first.",
        icon=":material/health_and_safety:",
        title="Before anybody works on it",
    )


def about_people() -> None:
    st.info(words.CAUTION["people"], icon=":material/balance:", title="Before you talk to anybody")


def pick_step(first: str | None = None, *, label: str = "Step", key: str = "step") -> str:
    """The step the page is about; kept in the URL. `first` is shown until the reader chooses."""
    default = first if first in STEPS else STEPS[0]
    return links.select(label, STEPS, key, default=default, always=True, format_func=words.step) or default


def pick_crew(key: str = "crew") -> str | None:
    """A crew, or all of them; kept in the URL."""
    known = data.crews(also=st.query_params.get(key))
    if not known:
        return None
    return links.select("Crew", known, key, placeholder="All crews")


def pick_technician(crew: str | None, step: str, key: str = "technician") -> str | None:
    people = data.technician_step(step, crew)
    if people.is_empty():
        return None
    names = dict(zip(people["technician_id"].to_list(), people["name"].to_list(), strict=True))
    asked = st.query_params.get(key)
    if people.height == data.ROWS_AT_MOST and asked and asked not in names and (name := data.technician_name(asked)):
        names[asked] = name
    return links.select(
        "Technician", list(names), key, format_func=lambda who: names.get(who, who), placeholder="Everybody"
    )


def state_in_words(code: str | None) -> str:
    """A state, or states that are counted together, as a choice shows it."""
    return f"Σ All {code}" if code in data_ways.STATES_TOGETHER else words.state_with_sign(code)


def state_badge(state: str) -> str:
    """A state as a badge in Markdown: sign, words, colour."""
    return f":{words.STATE_COLOUR.get(state, 'gray')}-badge[{words.state_with_sign(state)}]"


def open_job(job_id: str, which: JobFilter | None = None, jobs: JobList | None = None) -> None:
    """Go to a job's folder; the way back and the list it came from go along in the URL: previous and next follow it.

    which : the job steps listed; jobs : another list. Without either it is the list that the page's address tells.
    """
    st.session_state[_LEFT] = st.query_params.to_dict()
    st.switch_page(JOB_PAGE, query_params=job_query(job_id, which, jobs))


def mend_the_way_back() -> None:
    """On a page that lists jobs: the browser's back button from a job's folder shows the list as it was left.

    Going to the folder writes its choices into the browser's history twice: under the list's address, then under its
    own. Whoever steps back onto the first finds the list's own choices put back there.
    """
    if "job" in st.query_params:
        st.query_params.from_dict(st.session_state.get(_LEFT, {}))


def job_query(job_id: str, which: JobFilter | None = None, jobs: JobList | None = None) -> dict[str, str]:
    if which is not None:
        pairs = {
            "step": which.step,
            "state": data_ways.word_of_states(which.states),
            "crew": which.crew,
            "technician": which.technician,
            "by": which.group_kind if which.group else None,
            "group": which.group,
        }
        jobs = JobList("steps", {key: value for key, value in pairs.items() if value})
    return {"job": job_id, **ways.told(jobs or ways.list_here()), "back": ways.address_here()}


def _open_clicked(ids: list[str], click_key: str, which: JobFilter) -> None:
    click = st.session_state.get(click_key)
    if click is not None and 0 <= click["row"] < len(ids):
        open_job(ids[click["row"]], which)


def jobs_behind(which: JobFilter, key: str, what: str = "") -> None:
    """The job steps that a number counts: the states with their counts, then the jobs, each opening its folder.

    The state is picked here and kept in the URL (`state`); the rest of the filter is the page's own.
    """
    st.header("The jobs behind it", anchor="jobs")
    counts = data.job_states(which)
    total = sum(n for state, n in counts.items() if state != "not_applicable")
    if not total:
        st.info("No graded job fits these choices. Widen the step, the crew or the person above.")
        return
    # a state with no job stays on offer: a link to it says nought, and does not quietly open another list
    offered = [code for code in STATES if code in counts or code not in ("not_applicable", "disputed")]
    for word, meant in data_ways.STATES_TOGETHER.items():
        counts[word] = sum(counts.get(code, 0) for code in meant)
    state = links.pills(
        "State",
        [*offered, *data_ways.STATES_TOGETHER],
        "state",
        format_func=lambda code: f"{state_in_words(code)} · {words.count(counts.get(code, 0))}",
    )
    chosen = JobFilter(
        which.step,
        data_ways.states_meant(state),
        which.crew,
        which.technician,
        which.group_kind,
        which.group,
        which.search,
    )
    rows = counts.get(state, 0) if state else total
    pages = max(1, -(-rows // data.PAGE_OF_JOBS))
    slot = st.container()
    page = links.page_number(pages, "jobs_page", of=chosen)
    first = (page - 1) * data.PAGE_OF_JOBS + 1
    last = min(rows, page * data.PAGE_OF_JOBS)
    noun = "job" if which.step not in (None, "all") else "job step"
    about = f" {what}" if what else ""
    shown = f"; shown: {words.count(first)} to {words.count(last)}" if pages > 1 else ""
    with slot:
        note(f"**{words.counted(rows, noun)}**{about}{shown}, newest first.")
        listed = data.job_steps(chosen, page)
        job_table(listed, chosen, key)
        take_away(listed, "jobs behind it", which_jobs(chosen, first, last, rows), key=key)


def which_jobs(which: JobFilter, first: int, last: int, rows: int) -> dict[str, str | None]:
    """The choices behind a list of jobs in words, as a file that is taken away carries them."""
    name = data.technician_name(which.technician) if which.technician else None
    return {
        "step": words.step(which.step) if which.step else None,
        "state": words.joined(words.state(state) for state in which.states),
        "crew": which.crew,
        "technician": name or which.technician,
        words.GROUP_KIND.get(which.group_kind or "", "group").lower(): which.group,
        "search": which.search,
        "shown": f"{words.count(first)} to {words.count(last)} of {words.count(rows)}",
    }


def job_table(steps: pl.DataFrame, which: JobFilter, key: str) -> None:
    """The job steps of one page of a list; the button of a row opens its job folder."""
    if steps.is_empty():
        return
    ids = steps["job_id"].to_list()
    shown = steps.select(
        pl.lit("Open").alias("Open"),
        pl.col("job_id").alias("Job"),
        pl.col("finished_on").alias("Finished"),
        pl.col("name").alias("Technician"),
        pl.col("crew").alias("Crew"),
        pl.col("step").cast(pl.String).replace_strict(words.STEP, default=pl.col("step").cast(pl.String)).alias("Step"),
        pl.col("state").cast(pl.String).map_elements(words.state_with_sign, return_dtype=pl.String).alias("State"),
        # in lists: Polars calls a function of ours in threads of its own, where nobody has said in which units
        pl.Series(
            "Measured", [words.measured(*row) for row in steps.select("measured", "unit").iter_rows()], pl.String
        ),
        pl.Series(
            "Limit", [words.measured(*row) for row in steps.select("limit_value", "unit").iter_rows()], pl.String
        ),
        pl.Series("Why", [words.sentence(why) for why in steps["why"]], pl.String),
    )
    if which.step not in (None, "all"):
        shown = shown.drop("Step")
    # the key is made from the rows shown: a grid with a fixed key keeps a row's number when other rows come
    click_key = f"{key}_open_{abs(hash(tuple(ids))) % 10**8}"
    st.dataframe(
        shown,
        hide_index=True,
        placeholder="–",
        height=min(38 + 35 * len(ids), 460),
        column_config={
            "Open": st.column_config.ButtonColumn(
                "Folder", width=70, type="tertiary", key=click_key, on_click=_open_clicked, args=(ids, click_key, which)
            ),
            "Finished": st.column_config.DateColumn(format=words.day_column()),
            "State": st.column_config.TextColumn(width=195),
            "Why": st.column_config.TextColumn(width="large"),
        },
        alt="The jobs behind the number, newest first",
    )
    open_first(ids, key, which)


def open_chosen(ids: list[str], place: str, jobs: JobList | None = None) -> None:
    """Open the folder of the row whose button was chosen. place : the buttons' key."""
    click = st.session_state.get(place)
    if click is not None and 0 <= click["row"] < len(ids) and ids[click["row"]]:
        open_job(ids[click["row"]], jobs=jobs)


def open_list(label: str, jobs: JobList, key: str) -> None:
    """A way from a number in a sentence to its jobs: opens the first one with its list, which previous and next follow."""
    first = data_ways.jobs_of_list(jobs, 1)
    if first.height:
        st.button(
            label, icon=":material/folder_open:", type="tertiary", key=key,
            on_click=open_job, args=(first["job_id"][0], None, jobs),
        )  # fmt: skip


def open_first(
    ids: Sequence[str | None], key: str, which: JobFilter | None = None, jobs: JobList | None = None
) -> None:
    """The way into a table's folders for whoever uses no mouse: the buttons in its cells do not listen to keys."""
    first = next((job for job in ids if job), None)
    if first is not None:
        st.button(
            f"Open the first, {words.escaped(first)}", icon=":material/folder_open:", type="tertiary",
            key=f"first_{key}", on_click=open_job, args=(first, which, jobs),
            help=f"Then previous and next lead through the list: keys {ways.BEFORE_KEY} and {ways.AFTER_KEY}.",
        )  # fmt: skip


def first_run(*, is_empty: bool = True) -> None:
    """Nothing, or not one job, has been loaded yet: say what this is for and what to do."""
    what = "Nothing" if is_empty else "No job"
    answer(f"{what} has been loaded yet, so there is nothing to judge.")
    st.markdown(
        "Put in the records you have: commissioning sheets, service calls, gauge logs. Every step of every job is then "
        "judged from what was **measured**, and what is not known is counted apart from what was not done."
    )
    st.markdown(
        "- **From here:** open *Loading dock* and drop your export files on it.\n"
        "- **From a terminal:** `slowfuse load FOLDER`\n"
        "- **To look around first:** `slowfuse demo` makes an invented fleet."
    )
    st.page_link(DOCK_PAGE, label="Open the Loading dock", icon=":material/upload_file:")


def not_told_yet(what: str, topic: str) -> None:
    """Worked out, but the records are too few or say too little: how much more it takes, in words."""
    needed = data.evidence_needed()
    texts = needed.filter(pl.col("topic") == topic)["text"].to_list() if needed.height else []
    answer(f"{what} cannot be told yet." + (f" {texts[0]}" if texts else ""))
    for text in texts[1:]:
        note(words.escaped(text))
    st.page_link(DOCK_PAGE, label="What the records can answer", icon=":material/upload_file:")


def not_fitted(what: str) -> None:
    """Jobs are there, but the statistics are not."""
    answer(f"{what} has not been worked out yet: the records are loaded, the figures are not.")
    st.markdown("Run `slowfuse fit`, or press the button on *House rules*. It takes seconds to minutes.")
    st.page_link("app_pages/house_rules.py", label="Open House rules", icon=":material/tune:")
