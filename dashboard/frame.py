"""What stands around every page: stylesheet, heading, cautions, and what to do where there is nothing to show."""

from contextlib import contextmanager
from html import escape
from pathlib import Path

import streamlit as st

from dashboard import data, filters, wording
from dashboard.navigation import address
from pipelines.answers.access import ListError, NotFound
from pipelines.answers.cautions import CAUTIONS
from pipelines.engine.policy.policy import PolicyError
from pipelines.fleet.logs import FleetError
from pipelines.intake.mapping import MappingError
from pipelines.intake.sniff import ExportError

STYLE = Path(__file__).parent / "style.css"
HOW_TO_START = (
    "There is nothing to show yet.",
    "Add a file",
    "here, or load the agencies' exports, a file or a folder of them, from a terminal and open this page again:",
    "coldfill load PATH",
    "Or look at the demonstration's invented homes first:",
    "coldfill demo",
)


def opened(view) -> bool:
    """Draw the heading of a page; False where there is no snapshot to draw it from, after saying what to do."""
    st.html(STYLE)
    try:
        path = data.current()
        about = data.about(filters.viewer(), path) if path else None
    except FleetError as error:
        _heading(view, "")
        told(str(error))
        return False
    st.session_state["snapshot"] = path
    if path is None:
        _heading(view, "nothing loaded yet" if view.anytime else "")
        if not view.anytime:
            how_to_start()
        return view.anytime
    _heading(
        view,
        f"{wording.plural(about['homes'], 'home')}, {wording.plural(about['inspections'], 'inspection')} · snapshot {about['number'] or about['name']} made {wording.day(about['made_on'])}",
    )
    return True


def _heading(view, state):
    st.html(
        f"<div class='head'><h1>{escape(view.title)}</h1><div class='state'>{escape(state)}</div></div><p class='question'>{escape(view.question)}</p>{_cautions()}"
    )


def _cautions():
    first, *others = CAUTIONS
    items = "".join(f"<li>{escape(caution)}</li>" for caution in CAUTIONS)
    return f"<details class='cautions'><summary><b>{escape(first)}</b> Local code rules. All {len(others) + 1} cautions before anyone touches a boiler</summary><ul>{items}</ul></details>"


def how_to_start():
    """Say how exports get in."""
    first, add, other, load, second, demo = HOW_TO_START
    link = f'<a href="{address("add")}">{escape(add)}</a>'
    st.html(
        f"<div class='told'><p>{escape(first)} {link} {escape(other)}</p><p><code>{load}</code></p><p>{escape(second)}</p><p><code>{demo}</code></p></div>"
    )


def nothing_loaded(unless_files=False) -> bool:
    """True, after saying what to do, where the snapshot holds no inspection (and, with `unless_files`, no file either)."""
    about = data.about(filters.viewer(), filters.snapshot())
    if about["inspections"] or (unless_files and about["files"]):
        return False
    how_to_start()
    return True


def told(text):
    st.html(f"<div class='told' role='alert'>{escape(text)}</div>")


REFUSALS = (ExportError, FleetError, MappingError, PolicyError, ListError, NotFound)


def words_of(error):
    """What to tell of an error that ended some work: the words of who refused it, or that it is a fault of this program."""
    return (
        str(error)
        if isinstance(error, REFUSALS)
        else f"This went wrong in a way nobody foresaw ({type(error).__name__}); nothing was published. Please report it with the file."
    )


@contextmanager
def errors_told():
    """What a fleet, a policy or a filter refuses is said on the page, in the words of who refused it."""
    try:
        yield
    except REFUSALS as error:
        told(str(error))
