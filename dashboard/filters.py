"""What a page is asked, kept in its address: filters, search, page and day; and who asks, of which snapshot.

A widget whose choices are shown as they are is bound to the address by its key. One that shows titles for ids
is written there by hand, ids and all. So is the search: text that only an address answers to is personal and
stays out.
"""

from datetime import date
from functools import cache

import streamlit as st

from dashboard import clicks, data, wording
from dashboard.markup import render
from dashboard.navigation import BY_NAME, address
from pipelines.answers.access import EVERYTHING, NOT_RECORDED, Filters, Viewer
from pipelines.engine.history import AFTER_FINAL, STAGES
from pipelines.engine.policy.policy import LEVELS

LABELS = {
    "agency": "Agency",
    "region": "Region",
    "crew": "Crew",
    "check": "Check",
    "risk": "Risk",
    "stage": "Stage",
    "reported": "Reported to the funder",
    "file": "File",
    "elevation": "Elevation",
    "charge": "Tank charge",
}
KEPT = (
    *("agency", "region", "crew", "check", "risk", "exactly", "stage", "reported", "file", "first"),
    *("elevation", "charge", "as_of"),
)
FROM_PICTURES = ("elevation", "charge")  # what marks of charts ask for: shown while it is asked
BOXES = {"risk": "exactly", "file": "first"}  # what goes with a filter: a box below it


def viewer() -> Viewer:
    """Who looks; until there is a sign-in, everybody who reaches the page sees everything."""
    return EVERYTHING


def snapshot() -> str:
    """Path of the snapshot this run of the page reads from; None where there is none and none is needed."""
    return st.session_state["snapshot"]


def as_of() -> date:
    """The day that clocks count to: the one in the address, else the fleet's today."""
    return st.session_state.get("as_of") or data.today()


def current(*names: str) -> Filters:
    """The filters in force on this page; `names` limits them to some."""
    wanted = names or st.session_state.get("filters_of_page", ())
    chosen = {name: st.session_state.get(name) for name in wanted}
    search = st.session_state.get("search", "").strip() if "search" in wanted else ""

    def several_of(name):
        return tuple("" if one == NOT_RECORDED else one for one in chosen.get(name) or ())

    return Filters(
        agency=several_of("agency"),
        region=several_of("region"),
        crew=several_of("crew"),
        check=several_of("check"),
        risk="" if st.session_state.get("exactly") else chosen.get("risk") or "",
        risk_exactly=(chosen.get("risk") or "") if st.session_state.get("exactly") else "",
        reported=chosen.get("reported") or "",
        file="" if st.session_state.get("first") else chosen.get("file") or "",
        found_in=(chosen.get("file") or "") if st.session_state.get("first") else "",
        stage=several_of("stage"),
        search=search,
        elevation=several_of("elevation"),
        charge=several_of("charge"),
    )


def link(name: str, **asked) -> str:
    """Address of another page with the filters and day in force here that it knows, changed by `asked`."""
    chosen = in_address()
    return address(name, **({key: chosen[key] for key in _known(name)} | asked))


@cache
def _known(name: str) -> tuple[str, ...]:
    """What of KEPT a page answers to, in that order."""
    answers_to = BY_NAME[name].filters
    known = (*answers_to, "as_of", *(box for one, box in BOXES.items() if one in answers_to))
    return tuple(key for key in KEPT if key in known)


def home_link(agency: str, home_id: str) -> str:
    return link("home", of=agency, home=home_id)


def in_address() -> dict:
    """What each filter and the day come to in an address, what links to other pages rest on."""
    return st.session_state.get("in_address") or _in_address()


def _in_address():
    return {key: _written(key) for key in KEPT}


def _written(key):
    value = st.session_state.get(key)
    if key == "as_of":
        return None if value is None or value == st.session_state.get("today") else value.isoformat()
    return value


def sidebar(view):
    """Search, the filters this page answers to, and the day; drawn by the router around every page."""
    st.session_state["today"] = data.today()
    st.session_state.pop("in_address", None)
    if snapshot() is None:
        st.sidebar.html(render("page", "name"))
        return
    st.session_state["filters_of_page"] = (*view.filters, *(("search",) if view.name == "homes" else ()))
    who, where = viewer(), snapshot()
    offered = data.choices(who, where) | {
        "check": data.home_checks(),
        "risk": LEVELS,
        "stage": STAGES,
        "reported": ("yes", "no"),
        "file": tuple(files := data.files_called(who, where)),
        "elevation": (*data.BANDS, NOT_RECORDED) if _asked("elevation") else (),
        "charge": tuple(text for text in _asked("charge") if data.A_CHARGE.fullmatch(text)),
    }
    with st.sidebar:
        st.html(render("page", "name"))
        _search(view, who, where)
        for name in view.filters:
            _say_unknown(name, offered[name])
            if not offered[name] and name in FROM_PICTURES:
                continue
            if name == "check":
                several("Check", name, offered[name], data.names().get)
            elif name == "risk":
                st.selectbox(
                    "Risk, this or worse",
                    LEVELS,
                    index=None,
                    key=name,
                    bind="query-params",
                    placeholder="Any",
                )
                st.checkbox("This level only", key="exactly", bind="query-params")
            elif name == "file":
                one_of("File that brought them", name, list(files), files.get, "Any")
                st.checkbox("Only what it found first", key="first", bind="query-params")
            elif name == "reported":
                st.selectbox(
                    LABELS[name],
                    offered[name],
                    index=None,
                    key=name,
                    bind="query-params",
                    placeholder="Either",
                )
            else:
                st.multiselect(LABELS[name], offered[name], key=name, bind="query-params", placeholder="All")
        st.date_input(
            "Count due dates to",
            value=data.today(),
            key="as_of",
            bind="query-params",
            format="YYYY-MM-DD",
            help="The day that due dates and ages are counted to. What was found does not change with it.",
        )
    st.session_state["in_address"] = _in_address()  # once a run: a page has hundreds of links


def _asked(name):
    """What a filter or the address asks under a name."""
    return st.session_state.get(name) or st.query_params.get_all(name)


def on_paper(view):
    """Say for print what the boxes say on the screen: what the page is narrowed to, and its day."""
    titles = {"check": data.names(), "file": data.files_called(viewer(), snapshot())}
    narrowed = []
    for name in st.session_state["filters_of_page"]:
        value = st.session_state.get(name) or ()
        chosen = value if isinstance(value, list | tuple) else [value]
        said = ", ".join(str(titles.get(name, {}).get(one, one)) for one in chosen)
        if said:
            narrowed.append((LABELS.get(name, "Search"), said + _of_box(name)))
    st.html(render("page", "on_paper", narrowed=narrowed, day=wording.day(as_of())))


def _of_box(name):
    """What the box below a filter says of it."""
    ticked = name in BOXES and st.session_state.get(BOXES[name])
    if name == "risk":
        return ", this level only" if ticked else " or worse"
    return ", only what it found first" if ticked else ""


def several(label, key, ids, title):
    """A choice of several ids shown by their titles, kept in the address as ids."""
    if key not in st.session_state:
        st.session_state[key] = [one for one in st.query_params.get_all(key) if one in ids]
    chosen = st.multiselect(
        label, ids, key=key, format_func=title, placeholder="All", persist_state="session"
    )
    write(key, chosen)
    return chosen


def one_of(label, key, ids, title, nothing=None, where=st):
    """A choice of one id shown by its title, kept in the address as an id.

    Without a choice it is the first one, or none where there are words for `nothing`.
    """
    if key not in st.session_state:
        asked = st.query_params.get(key)
        st.session_state[key] = asked if asked in ids else ids[0] if nothing is None else None
    chosen = where.selectbox(
        label,
        ids,
        key=key,
        index=None if nothing else 0,
        format_func=title,
        placeholder=nothing,
        persist_state="session",
    )
    write(key, None if nothing is None and chosen == ids[0] else chosen)
    return chosen


def forget():
    """Let what was typed and chosen go, so that the address alone says what is asked."""
    clicks.choose_none()
    for name in (*st.session_state.pop("written", ()), "search", "searched", "unknown"):
        st.session_state.pop(name, None)


def write(key, value, *widgets):
    """Keep a value in the address, or take it out; `widgets` are keys that it comes from, if not its own."""
    st.session_state.setdefault("written", set()).update((key, *widgets))
    if value:
        st.query_params[key] = value
    elif key in st.query_params:
        del st.query_params[key]


def _say_unknown(name, offered):
    """Say which values in the address nothing here answers to.

    Leaving them out in silence would show too much as if it were asked for.
    """
    if name not in st.session_state:
        for text in st.query_params.get_all(name):
            if text not in offered:
                st.session_state.setdefault("unknown", []).append((name, text))
    for kind, text in st.session_state.get("unknown", ()):
        if kind == name and not st.session_state.get(name):
            unknown = f"There is no {LABELS[name].lower()} called {text!r}; it does not narrow this page."
            st.html(render("page", "no_such_filter", text=unknown))


def _search(view, who, where):
    if "search" not in st.session_state:
        st.session_state["search"] = st.query_params.get("search", "")
    before = st.session_state.get("searched", st.session_state["search"])
    text = st.text_input(
        "Search",
        key="search",
        placeholder="Home, job or address",
        help="Part of a home id, a job number or an address; Enter shows the homes.",
        persist_state="session",
    ).strip()
    st.session_state["searched"] = text
    if text != before and view.name != "homes":
        st.switch_page(
            "views/homes.py",
            query_params={"search": text} if text and data.known_by_number(who, where, text) else {},
        )
    write(
        "search", text if view.name == "homes" and text and data.known_by_number(who, where, text) else None
    )


def page_of(count: int, rows: int) -> int:
    """Number of the page to show of so many rows: the one in the address as far as there is one."""
    pages = max(1, -(-count // rows))
    asked = st.session_state.get("page") or _whole(st.query_params.get("page")) or 1
    if asked > pages:
        st.session_state["page"] = pages
    return min(asked, pages)


def pages(count: int, rows: int):
    """The buttons that turn pages, where there is more than one."""
    if count > rows:
        st.pagination(-(-count // rows), key="page", bind="query-params")


BETWEEN = "\u2003"  # a wide blank, which no agency and no check holds: theirs are collapsed


def name_of_row(row) -> str:
    """What the box in a row of homes chooses."""
    return f"{row.home_id}{BETWEEN}{row.agency}"


def homes_chosen() -> tuple[tuple[str, str], ...]:
    """Homes whose boxes are ticked, here and on pages before, as (agency, home id); none means all."""
    parted = (name.rpartition(BETWEEN) for name in clicks.rows_chosen())
    return tuple((agency, home) for home, _, agency in parted)


def _whole(text):
    return int(text) if text and text.isdecimal() and int(text) > 0 else None


def stage_shown() -> str:
    """The one stage this page counts; stages are never added up."""
    return st.segmented_control(
        "Stage counted",
        STAGES,
        default=STAGES[AFTER_FINAL],
        required=True,
        key="at",
        bind="query-params",
        help="Stages ask for different work and are not added up.",
    )


def risk_link(name, stage):
    """Link of a count in a row of risks to the homes with so grave a deficiency at a stage."""
    return lambda row: (
        link("homes", risk=row.risk, exactly="true", stage=stage) if getattr(row, name) else None
    )
