"""What stands around every page: stylesheet, heading, cautions, and what to do where nothing can be shown."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import Any, Concatenate, ParamSpec

import streamlit as st

from dashboard import data, filters, wording
from dashboard.markup import as_label, render
from dashboard.navigation import View, address
from pipelines.answers.access import Filters, ListError, NotFound, Viewer
from pipelines.answers.cautions import CAUTIONS
from pipelines.engine.policy.policy import PolicyError
from pipelines.fleet.logs import FleetError
from pipelines.intake.encoding import ExportError
from pipelines.intake.mapping import MappingError

STYLE = Path(__file__).parent / "style.css"
REFUSALS = (ExportError, FleetError, MappingError, PolicyError, ListError, NotFound)
P = ParamSpec("P")


def opened(view: View) -> bool:
    """Draw the heading of a page; False where there is no snapshot for the page, after saying what to do."""
    st.html(STYLE)
    try:
        path = data.current()
        state = _state(data.about(filters.viewer(), path)) if path else None
    except FleetError as error:
        _heading(view, "")
        notice(str(error))
        return False
    st.session_state["snapshot"] = path
    if state is not None:
        _heading(view, state)
        if newer := data.newer(filters.viewer()):
            notice(newer)
        return True
    _heading(view, "nothing loaded yet" if view.anytime else "")
    if not view.anytime:
        how_to_start()
    return view.anytime


def _state(about: dict) -> str:
    homes = wording.plural(about["homes"], "home")
    inspections = wording.plural(about["inspections"], "inspection")
    made_on = wording.day(about["made_on"])
    return f"{homes}, {inspections} · snapshot {about['number'] or about['name']} made {made_on}"


def _heading(view: View, state: str):
    st.html(
        render("page", "heading", title=view.title, state=state, question=view.question, cautions=CAUTIONS)
    )


def how_to_start():
    """Say how exports get in."""
    st.html(render("page", "how_to_start", add=address("add")))


def nothing_loaded(unless_files=False) -> bool:
    """True, after saying what to do, where the snapshot holds no inspection.

    With `unless_files`, where it holds no file either.
    """
    about = data.about(filters.viewer(), filters.snapshot())
    if about["inspections"] or (unless_files and about["files"]):
        return False
    how_to_start()
    return True


def at_work(work: Any, label: str) -> None:
    """Say how far some work in a thread is (`said`, `share`, `wait`), until it is over."""
    spot = st.empty()
    with spot.status(label, expanded=True) as status:
        st.html("<p class='read'>It goes on even if you leave this page.</p>")
        bar = st.empty()
        while not work.wait(0.15):
            status.update(label=as_label(wording.sentence(work.said)), expanded=True)
            if work.share is not None:
                bar.progress(work.share)
    spot.empty()


def notice(text: str):
    st.html(render("page", "notice", text=text))


def words_of(error: BaseException) -> str:
    """What to tell of an error that ended some work: why it was refused, or that this program is at fault."""
    if isinstance(error, REFUSALS):
        return str(error)
    return (
        f"This went wrong in a way nobody foresaw ({type(error).__name__}); nothing was published. "
        "Please report it with the file."
    )


@contextmanager
def errors_shown() -> Iterator[None]:
    """What a fleet, a policy or a filter refuses is said on the page, in the words of who refused it."""
    try:
        yield
    except REFUSALS as error:
        notice(str(error))


def kept(draw: Callable[Concatenate[Viewer, str, Filters, P], None]) -> Callable[P, None]:
    """A part of a page without widgets, drawn again as it was where all that it and its links rest on is."""

    @wraps(draw)
    def part(*args: P.args, **more: P.kwargs) -> None:
        where = draw.__code__.co_filename, draw.__name__
        asked = filters.viewer(), filters.snapshot(), filters.current()
        _drawn(draw, where, data.stamp(), filters.in_address(), *asked, *args, **more)

    return part


@st.cache_data(max_entries=128, show_spinner=False)
def _drawn(_draw: Callable[..., None], where: object, stamp: object, links: object, *args: Any, **more: Any):
    _draw(*args, **more)
