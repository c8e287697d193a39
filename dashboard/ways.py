"""Ways through the pages: the search, saved views, the way back from a job, the list that previous and next follow."""

from __future__ import annotations

import datetime as dt
from typing import Any
from urllib.parse import parse_qsl, urlencode

import polars as pl
import streamlit as st

from dashboard import data, data_ways, words
from dashboard.data_ways import JobList
from pipelines.contract import STATES, STEPS

SEARCH_KEY, BEFORE_KEY, AFTER_KEY = "S", "P", "N"
FIND = "find"
VIEW_KIND = "view"
NAME_AT_MOST = 60
_HERE, _TITLES = "_page_here", "_page_titles"
SEARCHABLE = (
    "Searched are numbers of jobs and of systems, technicians by {people}, and sites by number, label and address: what "
    "equals the words, begins with them or holds them. Small and capital letters are the same."
)


# --- where we are


def remember_pages(here: str, titles: dict[str, str]) -> None:
    """Which page is open and what all are called, by their addresses; told on each run by the page that frames them."""
    st.session_state[_HERE] = here
    st.session_state[_TITLES] = titles


def here() -> str:
    return st.session_state.get(_HERE, "")


def titles() -> dict[str, str]:
    return st.session_state.get(_TITLES, {})


def file_of(address: str) -> str:
    """The page behind an address."""
    return f"app_pages/{address.replace('-', '_')}.py"


def address_here(query: dict[str, str] | None = None) -> str:
    """This page with its filters and choices, as a link within the pages: `crew-week?step=evacuation`."""
    told = {key: value for key, value in (query or st.query_params.to_dict()).items() if key != FIND}
    if here() == "job-folder":
        told.pop("back", None)  # else the way back would grow with every step
    return f"{here()}?{urlencode(told)}" if told else here()


def parted(address: str | None) -> tuple[str, dict[str, str]] | None:
    """The page and the choices of such a link; None where there is no such page."""
    page, _, query = (address or "").partition("?")
    return (page, dict(parse_qsl(query))) if page in titles() else None


def link(address: str, label: str, **how: Any) -> None:
    """A link to a page with its filters, where the page exists."""
    found = parted(address)
    if found:
        st.page_link(file_of(found[0]), label=label, query_params=found[1] or None, **how)


# --- the list a job is opened from


def list_here() -> JobList:
    """The list that the open page shows, told by its address: where a page lists jobs of one kind."""
    query = st.query_params.to_dict()
    if here() == "last-night":
        return JobList("returns", _some(query, "within", "area", "stand", "reason"))
    if here() == "slow-fuses":
        return JobList("visits", _some(query, "horizon", "area", "warranty", "visits"))
    return JobList()


def _some(query: dict[str, str], *keys: str) -> dict[str, str]:
    return {key: query[key] for key in keys if query.get(key)}


def told(jobs: JobList) -> dict[str, str]:
    """A list as part of an address."""
    kind = {} if jobs.kind == "steps" else {"of": jobs.kind}
    return kind | {f"of_{key}": value for key, value in jobs.choices.items() if value}


def asked_for() -> JobList:
    """The list that this address tells."""
    query = st.query_params.to_dict()
    choices = {key.removeprefix("of_"): value for key, value in query.items() if key.startswith("of_")}
    return JobList(query.get("of", "steps"), choices)


def list_in_words(jobs: JobList) -> str:
    """What a list holds, as a person says it; in Markdown."""
    chosen = {key: words.escaped(value) for key, value in jobs.choices.items()}
    where = f", {chosen['area']}" if chosen.get("area") else ""
    if jobs.kind == "returns":
        stand = {"overdue": "past their day", "waiting": "that wait for warm weather", "settled": "settled"}
        within = chosen.get("within", "90")
        span = f" of the last {within} days" if within.isdecimal() else ""
        return f"Returns {stand.get(jobs.choices.get('stand', ''), 'to do now')}{span}{where}"
    if jobs.kind == "visits":
        return f"The first {chosen.get('visits', '40')} installs to visit{where}"
    if jobs.kind == "events":
        step = words.step(jobs.choices.get("step")).lower()
        return f"{words.outcomes(jobs.choices.get('outcome', '')).capitalize()} behind the figures of {step}"
    if jobs.kind == "month":
        month = _month(jobs.choices.get("month"))
        return f"Jobs of {words.month(month)} with a known step" if month else ""
    if jobs.kind == "finished":
        within = jobs.choices.get("within", "")
        return f"Jobs finished in the last {within} days" if within.isdecimal() else "All jobs of ours"
    fixed = {
        "landed": f"Jobs that load {chosen.get('load', '')} brought",
        "missing": "Jobs whose sheet did not arrive",
        "again": "Jobs measured again",
        "drawn": "Jobs drawn by lot to be measured again",
        "system": f"Jobs on system {chosen.get('system', '')}",
        "site": f"Jobs at site {chosen.get('site', '')}",
    }
    return fixed.get(jobs.kind) or _steps_in_words(jobs)


def _month(text: str | None) -> dt.date | None:
    try:
        return dt.date.fromisoformat(text or "")
    except ValueError:
        return None


def _steps_in_words(jobs: JobList) -> str:
    which = jobs.filter
    name = data.technician_name(which.technician) if which.technician else None
    parts = [
        words.step(which.step) if which.step in STEPS else "",
        _states_in_words(jobs.choices.get("state")),
        f"crew {words.escaped(which.crew)}" if which.crew else "",
        f"{words.GROUP_KIND.get(which.group_kind or '', 'group').lower()} {words.escaped(which.group)}"
        if which.group
        else "",
        words.escaped(name or which.technician) if which.technician else "",
    ]
    return ", ".join(part for part in parts if part)


def _states_in_words(word: str | None) -> str:
    if word in data_ways.STATES_TOGETHER:
        return f"all {word}"
    return words.state(word) if word in STATES else ""


def way_back(jobs: JobList, now: str) -> None:
    """The way one came to a job: page, list, job; the first two lead back with their filters as they were."""
    came_from = parted(st.query_params.get("back"))
    if came_from is None:
        return
    page, query = came_from
    with st.container(horizontal=True, gap="xxsmall", vertical_alignment="center", key="way_back"):
        label = titles()[page]
        where = list_in_words(jobs)
        st.page_link(
            file_of(page), label=f"{label} › {where}" if where else label, query_params=query or None,
            icon=":material/arrow_back:", help="Back to where you came from, with its filters as they were.",
        )  # fmt: skip
        st.markdown(f"› **{words.escaped(now)}**", width="content")


# --- search


def search_button() -> None:
    """The search, on every page; by key too. A link that carries `find` opens it with its words."""
    st.button(
        "Search", icon=":material/search:", key="search_open", type="tertiary", shortcut=SEARCH_KEY, on_click=_ask_for,
        help="A job, a system, a technician, a site.",
    )  # fmt: skip
    if FIND in st.query_params:
        _search_dialog()


def _ask_for() -> None:
    st.query_params[FIND] = st.query_params.get(FIND, "")


def _forget() -> None:
    st.query_params.pop(FIND, None)
    st.session_state.pop("search_words", None)


# a dialog gives the keyboard to itself, not to its field: whoever pressed the key wants to type
_TYPE_AT_ONCE = """<script>
(() => {
  const take = left => {
    const field = document.querySelector('[role="dialog"] input[type="search"]');
    if (field) { field.focus(); field.select(); } else if (left > 0) setTimeout(() => take(left - 1), 50);
  };
  take(20);
})();
</script>"""


@st.dialog("Search", width="medium", icon=":material/search:", on_dismiss=_forget)
def _search_dialog() -> None:
    if "search_words" not in st.session_state:
        st.session_state["search_words"] = st.query_params.get(FIND, "")
    text = st.text_input(
        "Number of a job or a system, a technician, a site",
        key="search_words", type="search", max_chars=80, placeholder="all or the beginning of it",
    )  # fmt: skip
    st.html(_TYPE_AT_ONCE, width="content", unsafe_allow_javascript=True)
    text = (text or "").strip()
    if text != st.query_params.get(FIND, ""):
        st.query_params[FIND] = text
    names = data.house_rules().names_shown
    searchable = SEARCHABLE.format(people="number and name" if names else "number")
    if not text:
        st.markdown(searchable)
        return
    show_hits(text, data_ways.search(text, names=names), searchable)


def show_hits(text: str, hits: data_ways.Hits, searchable: str) -> None:
    """What was found, each a link to where it leads; or what was searched, where nothing was."""
    if not hits.count:
        st.markdown(f"**Nothing is called “{words.escaped(text)}”.** {searchable}")
        return
    _hits_of("Jobs", "jobs", hits.jobs, hits.more, _job_hit)
    _hits_of("Systems", "systems", hits.systems, hits.more, _system_hit)
    _hits_of("Technicians", "people", hits.people, hits.more, _person_hit)
    _hits_of("Sites", "places", hits.places, hits.more, _place_hit)


def _hits_of(title: str, kind: str, rows: pl.DataFrame, more: tuple[str, ...], show: Any) -> None:
    if rows.is_empty():
        return
    if kind in more:
        st.markdown(f"**{title}** · the first {rows.height}; type more of it to see fewer")
    else:
        st.markdown(f"**{title}** · {rows.height}")
    with st.container(gap="xxsmall", key=f"hits_{kind}"):
        for row in rows.iter_rows(named=True):
            show(row)


def _job_hit(row: dict[str, Any]) -> None:
    st.page_link(
        file_of("job-folder"),
        label=f"{words.escaped(row['job_id'])} · {words.equipment_in_sentence(row['equipment'])}, "
        f"{words.date(row['finished_on'])}",
        icon=":material/folder_open:",
        query_params={"job": row["job_id"], "back": address_here()},
    )


def _system_hit(row: dict[str, Any]) -> None:
    label = f"{words.escaped(row['system_id'])} · {words.equipment_in_sentence(row['equipment'])}"
    label += f", area {words.escaped(row['area'])}" if row["area"] else ""
    _jobs_link(f"{label}, {words.counted(row['jobs'], 'job')}", "system", row["system_id"], row["jobs"])


def _place_hit(row: dict[str, Any]) -> None:
    named = ", ".join(words.escaped(row[key]) for key in ("label", "address") if row[key])
    label = f"{words.escaped(row['site_id'])} · {named or 'no address'}, {words.counted(row['jobs'], 'job')}"
    _jobs_link(label, "site", row["site_id"], row["jobs"])


def _jobs_link(label: str, kind: str, of: str, jobs: int) -> None:
    if not jobs:
        st.markdown(f":small[{label}]")
        return
    st.page_link(
        file_of("job-folder"), label=label, icon=":material/format_list_bulleted:",
        query_params={"of": kind, f"of_{kind}": of, "back": address_here()},
    )  # fmt: skip


def _person_hit(row: dict[str, Any]) -> None:
    label = words.escaped(row["name"])
    label += f" ({words.escaped(row['technician_id'])})" if row["name"] != row["technician_id"] else ""
    label += f", crew {words.escaped(row['crew'])}" if row["crew"] else ""
    if data.technician_name(row["technician_id"]) is None:
        st.markdown(f":small[{label}: no step is counted to this person]")
        return
    st.page_link(
        file_of("crew-week"), label=label, icon=":material/person:", query_params={"technician": row["technician_id"]}
    )


# --- saved views


def saved_views() -> dict[str, str]:
    """The views by name, in the order of names: each the address of a page with its filters and choices."""
    last: dict[str, Any] = {}
    for entry in data.entries().all(VIEW_KIND):
        last[entry.subject] = entry.content
    kept = {name: content["address"] for name, content in last.items() if content}
    return dict(sorted(kept.items(), key=lambda pair: pair[0].lower()))


def show_saved_views() -> None:
    """In the sidebar: the views to open, this one to save, each to rename or delete."""
    views = saved_views()
    st.markdown(":small[**Saved views**]")
    for name, address in views.items():
        link(address, words.escaped(name), icon=":material/bookmark:")
    with st.popover("Save this view", icon=":material/bookmark_add:", type="tertiary", key="view_save_open"):
        st.markdown("This page with its filters and choices as they are now, for everybody who uses this store.")
        with st.form("view_save", border=False, clear_on_submit=True):
            st.text_input("Its name", key="view_name", max_chars=NAME_AT_MOST)
            st.form_submit_button("Save", on_click=_save, args=(address_here(),))
    if views:
        with st.popover("Rename or delete", icon=":material/edit:", type="tertiary", key="view_edit_open"):
            chosen = st.selectbox("View", list(views), key="view_chosen")
            st.text_input("New name", key="view_new_name", max_chars=NAME_AT_MOST)
            with st.container(horizontal=True):
                st.button("Rename", key="view_rename", on_click=_rename, args=(chosen,))
                st.button("Delete", key="view_delete", on_click=_delete, args=(chosen,))
    said = st.session_state.pop("_view_said", None)
    if said:
        st.markdown(said)


def _clean(name: str | None) -> str:
    return " ".join((name or "").split())[:NAME_AT_MOST]


def _save(address: str) -> None:
    name = _clean(st.session_state.get("view_name"))
    if not name:
        st.session_state["_view_said"] = "Give it a name first."
        return
    data.entries().add(VIEW_KIND, name, {"address": address})


def _rename(name: str | None) -> None:
    new = _clean(st.session_state.get("view_new_name"))
    views = saved_views()
    if name not in views or not new:
        st.session_state["_view_said"] = "Type the new name first."
    elif new in views:
        st.session_state["_view_said"] = f"There is a view called {words.escaped(new)} already."
    else:
        data.entries().add(VIEW_KIND, new, {"address": views[name]})
        data.entries().add(VIEW_KIND, name, None)
    st.session_state["view_new_name"] = ""


def _delete(name: str | None) -> None:
    if name in saved_views():
        data.entries().add(VIEW_KIND, str(name), None)
