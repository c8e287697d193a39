"""The pages: what they share (looks, way about, age of the figures, cautions), and which one is open."""

from __future__ import annotations

import sys
from pathlib import Path

import streamlit as st

HERE = Path(__file__).resolve().parent
if str(HERE.parent) not in sys.path:
    # Streamlit puts this folder on the path, where the packages beside it are not found
    sys.path.insert(0, str(HERE.parent))

from dashboard import band, components, data, units_switch, ways, words  # noqa: E402
from pipelines.errors import InputError, StoreMissingError  # noqa: E402

INVENTED_FLEET_MARK = "invented-fleet.txt"
# Streamlit marks a page's link that has the keyboard with the same tint as the open page's: nobody could tell them apart
FOCUS_SEEN = (
    "<style>[data-testid='stSidebarNavLink']:focus-visible "
    "{outline: 2px solid currentColor; outline-offset: -2px}</style>"
)

# the icon is set before the navigation is sent: else the browser asks the web for the page's own one
st.set_page_config(page_title="slowfuse", page_icon=str(HERE / "mark.svg"), layout="wide")
st.html(FOCUS_SEEN)
st.logo(str(HERE / "wordmark.svg"), icon_image=str(HERE / "mark.svg"), size="large")

GLANCE = [
    st.Page(
        "app_pages/last_night.py",
        title="Last night",
        icon=":material/wb_twilight:",
        url_path="last-night",
        help="What landed, what must be gone back to, safety first, and what did not arrive.",
    ),
    st.Page(
        "app_pages/owners_page.py",
        title="Owner's page",
        icon=":material/storefront:",
        url_path="owners-page",
        help="What it costs, whether it gets better or worse, and how sure that is. Nobody is named.",
    ),
]
PEOPLE = [
    st.Page(
        "app_pages/crew_week.py",
        title="Crew week",
        icon=":material/groups:",
        url_path="crew-week",
        help="Who needs help with which step, and is it the person, the branch, the tool or the form? With the jobs.",
    ),
    st.Page(
        "app_pages/shop_class.py",
        title="Shop class",
        icon=":material/school:",
        url_path="shop-class",
        help="Whom to train in what, what it would save, and whether the last course worked.",
    ),
]
FAILURES = [
    st.Page(
        "app_pages/slow_fuses.py",
        title="Slow fuses",
        icon=":material/timer:",
        url_path="slow-fuses",
        help="The installs to visit first, why, what to check there, and which warranties end soon.",
    ),
    st.Page(
        "app_pages/visit_ledger.py",
        title="Visit ledger",
        icon=":material/menu_book:",
        url_path="visit-ledger",
        help="What early visits found, whether they paid, and those drawn by lot against those not drawn.",
    ),
    st.Page(
        "app_pages/what_skipping_does.py",
        title="What skipping does",
        icon=":material/stacked_line_chart:",
        url_path="what-skipping-does",
        help="What goes with a step that was not good: how strong the link is, how sure, and on how many failures.",
    ),
]
RECORDS = [
    st.Page(
        "app_pages/job_folder.py",
        title="Job folder",
        icon=":material/folder_open:",
        url_path="job-folder",
        help="Everything recorded on one job: readings as written, the limits they were held against, gauge logs.",
    ),
    st.Page(
        "app_pages/loading_dock.py",
        title="Loading dock",
        icon=":material/upload_file:",
        url_path="loading-dock",
        help="Put in export files, see how they are read, what was left out and why, and what the records can answer.",
    ),
    st.Page(
        "app_pages/house_rules.py",
        title="House rules",
        icon=":material/tune:",
        url_path="house-rules",
        help="The limits with their sources, the words for each state, targets and costs. Guesses are marked.",
    ),
]


def front_door() -> None:
    """The bare address leads to the first page, which so keeps an address of its own that can be shared."""
    st.switch_page(GLANCE[0], query_params=st.query_params.to_dict())


# these work before anything has been loaded
WORKS_WITHOUT_RECORDS = ("Loading dock", "House rules")

HOME = st.Page(front_door, title="slowfuse", default=True, visibility="hidden")

page = st.navigation({"": [HOME], "At a glance": GLANCE, "People": PEOPLE, "Failures": FAILURES, "Records": RECORDS})
ways.remember_pages(page.url_path, {one.url_path: one.title for one in (*GLANCE, *PEOPLE, *FAILURES, *RECORDS)})
st.set_page_config(page_title=f"{page.title} · slowfuse", page_icon=str(HERE / "mark.svg"), layout="wide")
if page is HOME:
    page.run()
if page.url_path != "job-folder":
    components.mend_the_way_back()


def age_of_the_figures(stamp: data.Stamp | None) -> None:
    """One line on every page: how old the data is, which load came last, which generation is shown; and the search."""
    parts = [f"**{page.title}**"]
    if stamp is None:
        parts.append("no records yet")
    else:
        parts.append(f"data to {words.date(stamp.as_of)}")
        if stamp.last_load:
            parts.append(f"last load {words.escaped(stamp.last_load)}, {words.moment(stamp.loaded_at)}")
        parts.append(f"generation {stamp.generation}")
        if (data.folder() / INVENTED_FLEET_MARK).exists():
            parts.append("**invented fleet**")
    with st.container(
        horizontal=True, horizontal_alignment="distribute", vertical_alignment="center", gap="small", key="top"
    ):
        st.markdown(":small[" + " · ".join(parts) + "]", width="content")
        if stamp is not None:
            ways.search_button()
    running = data.store().running()
    if running is not None and running.is_alive:
        what_is_running()
    band.show()


@st.fragment(run_every=2)
def what_is_running() -> None:
    """Say what changes the store, and look again until it has ended: then the whole page is drawn anew."""
    running = data.store().running()
    if running is None or not running.is_alive:
        st.rerun()
    st.info(
        f"A {words.escaped(running.reason)} is running since {running.started_at[11:16]}. The figures here are those "
        "from before it; they change by themselves when it is done.",
        icon=":material/progress_activity:",
    )


def show() -> None:
    try:
        units_switch.show(data.house_rules())  # first of all: figures are written by it
        stamp = data.stamp()
    except StoreMissingError:
        stamp = None
    except InputError as error:
        # a newer version's store, or a broken pointer: no page may draw half of it
        st.title("The records cannot be opened.", anchor=False)
        st.error(words.escaped(str(error)), icon=":material/error:")
        return
    age_of_the_figures(stamp)
    if page.title not in WORKS_WITHOUT_RECORDS and (stamp is None or stamp.jobs == 0):
        components.first_run(is_empty=stamp is None or stamp.last_load is None)
        return
    try:
        page.run()
    except InputError as error:
        st.error(words.escaped(str(error)), icon=":material/error:", title="This could not be done")
    except Exception:
        st.error(
            "The records are untouched. Run `slowfuse check` and load the page again; if it comes back, send what the "
            "terminal says.",
            icon=":material/error:",
            title="This page could not be drawn",
        )
        raise
    st.space("medium")
    st.markdown(f":small[{words.CAUTION['records']}]")
    if stamp is not None:
        with st.sidebar:
            ways.show_saved_views()  # after the page: what is saved is the address as the page leaves it


show()
