"""Recording a decision, and taking one back: the dialog, who decides, and what was decided so far."""

from collections.abc import Callable, Collection
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import streamlit as st

from dashboard import clicks, data, filters, frame, tables, wording

OFFERED = ("seen", "ordered", "done", "accepted", "deferred", "referred", "refused", "no access", "assigned")
MEANS = {
    "seen": "somebody knows of it",
    "ordered": "work is ordered",
    "done": "a claim, until a later visit bears it out",
    "accepted": "it stays as it is until a day, for a reason",
    "deferred": "it waits until a day, for a reason",
    "referred": "somebody else sees to it",
    "refused": "the household refuses",
    "no access": "nobody could get in",
    "assigned": "a crew or person is to do it",
}
EVERYTHING = "Everything open at this home"
SAID = (
    "In force at once on every page and list. It changes no state, no stage and no hold; what must be acted "
    "on today can be neither accepted nor deferred. Taken back by another line, never deleted."
)


def who_decides(where: str = "") -> str:
    """The name of who decides, asked once a session; `where` tells the fields of a page apart."""
    if "decides" not in st.session_state:
        st.session_state["decides"] = clicks.name_known()
    if not where:
        return st.text_input("Your name", key="decides", persist_state="session").strip()
    key = f"name {where}"

    def keep():
        st.session_state["decides"] = st.session_state[key]

    return st.text_input("Your name", st.session_state["decides"], key=key, on_change=keep).strip()


def _chosen(opened, home, where, asked: str):
    """The check that is decided on, None for everything open; at first the one that is `asked` for."""
    names = [EVERYTHING, *(_called(check, home) for check in opened)]
    first = [*map(of_check, opened)].index(asked) + 1 if asked else int(len(opened) == 1)
    chosen = where.selectbox("On", names, index=first, key=f"on {asked}")
    return opened[names.index(chosen) - 1] if chosen != EVERYTHING else None


def _about(home, check, by: str, what: str, cells: dict[str, Any]):
    about = data.Decision(
        who=by,
        agency=home.agency,
        home_id=home.home_id,
        system_id=check.system_id if check else "",
        check_id=check.check_id if check else "",
        what=what,
    )
    return replace(about, **cells)


# ---- from a row of a table


BETWEEN = filters.BETWEEN
AT_ONCE = ("seen", "no access")  # need nothing but a name


def of_home(row) -> str | None:
    """What a row of homes asks for, where something is open there."""
    return filters.name_of_row(row) if row.open_deficiencies else None


def of_check(check) -> str:
    """What a row of open deficiencies asks for."""
    return f"{check.system_id}{BETWEEN}{check.check_id}"


def column(
    asked: Callable[[Any], str | None], link: Callable[[str], str], name: str = "agency"
) -> tables.Column:
    """A link in each row to decide on it; `asked` says what of, `link` makes an address of that.

    `name` is any column of the frame.
    """

    def address(row) -> str | None:
        what = asked(row)
        return link(what) if what else None

    def said(row) -> str:
        return "Decide" if asked(row) else ""

    return tables.Column(name, "Decide", said, of_row=True, link=address, kind=tables.SHORT)


def from_homes(who, snapshot: str, day: date) -> None:
    """Decide on the home whose row was clicked."""
    asked = clicks.asked_to_decide("homes")
    if asked:
        home_id, _, agency = asked.rpartition(BETWEEN)
        _dialog(snapshot, data.home(who, snapshot, agency, home_id, day), "")


def from_checks(snapshot: str, home) -> None:
    """Decide on the deficiency of a home whose row was clicked."""
    asked = clicks.asked_to_decide(f"home {home.agency} {home.home_id}")
    if asked and any(of_check(check) == asked for check in home.checks if check.stage):
        _dialog(snapshot, home, asked)


@st.dialog("Decide", width="medium", on_dismiss=clicks.answered)
def _dialog(snapshot: str, home, asked: str) -> None:
    """Two kinds of decision at one click each, the others with what they need."""
    opened = [check for check in home.checks if check.stage]
    tables.said(f"Home {home.home_id}, {home.agency}: {home.headline}")
    if not opened:
        tables.said("Nothing is open there.")
        return
    by = who_decides("in the dialog")
    check = _chosen(opened, home, st, asked)
    with st.container(horizontal=True):
        for what in AT_ONCE:
            if st.button(what.capitalize(), disabled=not by, help=MEANS[what], key=f"at once {what}"):
                _take(snapshot, _about(home, check, by, what, {}))
    others = [what for what in OFFERED if what not in AT_ONCE]
    what = st.selectbox("Or", others, format_func=lambda one: f"{one}: {MEANS[one]}", key="or")
    left, right = st.columns(2)
    cells = _cells(what, left, right, [one.check_id for one in ([check] if check else opened)])
    if st.button("Record it", disabled=not by, key="record in the dialog"):
        _take(snapshot, _about(home, check, by, what, cells))
    tables.said(SAID)


def _called(check, home) -> str:
    system = f", system {check.system_id}" if len(home.systems) > 1 else ""
    return f"{check.title}{system}"


def _cells(what: str, left, right, check_ids: Collection[str]) -> dict[str, Any]:
    """What a kind of decision asks for beside the deficiencies, which are of these checks."""
    cells: dict[str, Any] = {}
    if what in ("ordered", "done"):
        measures = data.measures(check_ids)
        titles = [""] if what == "done" else []
        cells["measure"] = left.selectbox(
            "Measure", [*titles, *measures], format_func=lambda one: measures.get(one, "not said")
        )
    if what == "done":
        cells["done_on"] = right.date_input("Done on", value=data.today(), format="YYYY-MM-DD").isoformat()
        cells["done_by"] = left.text_input("Done by").strip()
        cells["reading_after"] = right.text_input("Reading after").strip()
    if what in ("accepted", "deferred"):
        day = data.today() + timedelta(days=90)
        cells["until"] = left.date_input("Until", value=day, format="YYYY-MM-DD").isoformat()
    if what in ("referred", "assigned"):
        cells["to"] = left.text_input("To").strip()
    cells["why"] = right.text_input("Why", key=f"why {what}").strip()
    return cells


def on_chosen(snapshot: str, homes: tuple[tuple[str, str], ...], checks: tuple[str, ...]) -> None:
    """Record one decision on each of some chosen homes, as one batch.

    On the check that the page is narrowed to, where it is one, else on everything open there.
    """
    if not homes:
        return
    about = data.titles()[checks[0]] if len(checks) == 1 else "everything open"
    tables.subsection(f"Decide on {about} in {wording.plural(len(homes), 'chosen home')}")
    what = st.selectbox("Decision", OFFERED, format_func=lambda one: f"{one}: {MEANS[one]}")
    left, right = st.columns(2)
    cells = _cells(what, left, right, checks if len(checks) == 1 else ())
    by = who_decides()
    if st.button("Record it for all of them", disabled=not by):
        one = data.Decision(who=by, agency="", home_id="", what=what)
        one = replace(one, check_id=checks[0] if len(checks) == 1 else "", **cells)
        _take(snapshot, *(replace(one, agency=agency, home_id=home) for agency, home in homes))


def so_far(who, snapshot: str, home) -> None:
    """What was decided on a home, the newest first, each to be taken back."""
    found = data.decided_of_home(who, snapshot, home.agency, home.home_id)
    if not found:
        return
    undone = data.taken_back(found)
    tables.section("Decided so far", "The newest first.")
    if any(one.what != "undone" and one.id not in undone for one in found):
        with st.columns([1, 2])[0]:
            who_decides()
    for one in found:
        row = st.container(horizontal=True, vertical_alignment="center", gap="small")
        with row:
            tables.said(wording.sentence(_line(one, one.id in undone)))
            if one.what != "undone" and one.id not in undone:
                name = st.session_state.get("decides", "")
                if st.button("Take it back", key=f"undo {one.id}", disabled=not name):
                    _take(
                        snapshot,
                        data.Decision(
                            who=name,
                            agency=one.agency,
                            home_id=one.home_id,
                            what="undone",
                            undoes=str(one.id),
                        ),
                    )


def _line(one, undone: bool) -> str:
    about = data.titles().get(one.check_id, "everything open")
    said = data.decision_said(one)
    taken_back = ", taken back" if undone else ""
    return f"{one.at[:10]}, {one.who}: {said} ({about}){taken_back}"


def _take(snapshot: str, *taken) -> None:
    try:
        data.decide(snapshot, *taken)
    except data.Refused as error:
        frame.notice(wording.sentence(str(error)))
    else:
        clicks.answered()
        st.rerun()
