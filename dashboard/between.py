"""Moments that the fleet keeps, and what changed between two of them; the last few answers are kept."""

from functools import lru_cache

import pandas as pd
import streamlit as st

from dashboard import wording
from dashboard.data import fleet
from pipelines.answers import changes, differences
from pipelines.answers.access import Filters, Viewer
from pipelines.answers.changes import Changed, Told
from pipelines.answers.differences import EACH, WHAT, Part
from pipelines.fleet import moments

__all__ = ["EACH", "WHAT"]


def kept() -> dict[str, str]:
    """Every moment, the newest first: its number, and how it is called on a page."""
    return {
        str(one.number): ", ".join(
            (f"Snapshot {one.number}", wording.day(one.day), *(f"“{name}”" for name in one.names))
        )
        for one in reversed(moments.moments(fleet()))
    }


def usual() -> tuple[str, str] | None:
    """The two that are compared unless asked otherwise."""
    return changes.usual(fleet())


def told(viewer: Viewer, snapshot: str, filters: Filters, before: str, after: str) -> Told:
    """What changed from one moment to another, for a viewer."""
    return _told(viewer, filters, _changed(str(fleet().path), snapshot, before, after))


@lru_cache(maxsize=4)
def _told(viewer: Viewer, filters: Filters, found: Changed) -> Told:
    return changes.told(viewer, filters, found)


@st.cache_resource(max_entries=4, show_spinner=False)
def _changed(folder: str, snapshot: str, before: str, after: str) -> Changed:
    return changes.changed(fleet(), before, after)


def homes_count(found: Told, part: Part) -> int:
    return differences.homes_count(found.snapshot, found.differences, part)


def homes_page(found: Told, part: Part, page: int) -> pd.DataFrame:
    return differences.homes_page(found.snapshot, found.differences, part, page)


def give_name(name: str, who: str) -> str:
    """Name the present moment; how it is called then."""
    return moments.give_name(fleet(), name, who).names[-1]
