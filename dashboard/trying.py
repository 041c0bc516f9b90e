"""Policies that are tried: what can be set, the trials at work and done, and what is adopted.

A trial belongs to the text that was tried and the snapshot it was tried on, so that whoever opens its address
finds it; the last few are kept as long as the server runs.
"""

from collections import OrderedDict
from functools import lru_cache
from threading import Lock

import pandas as pd

from dashboard.data import fleet
from pipelines.answers import differences, settable, whatif
from pipelines.answers.access import Filters, Viewer
from pipelines.answers.differences import Part
from pipelines.answers.settable import Setting
from pipelines.answers.whatif import (
    GAINED,
    GRAVER,
    HELD,
    LIGHTER,
    LOST,
    RELEASED,
    SAID,
    Told,
    Trying,
    plans_said,
)
from pipelines.engine.policy.edits import ACCEPTED, LIMITS, MEASURES, RISK, Edit, edit
from pipelines.fleet import adopted
from pipelines.fleet.adopted import Adopted
from pipelines.receiving import adopting
from pipelines.receiving.loading import Publishing
from pipelines.snapshot import inputs
from pipelines.snapshot.version import attach

__all__ = [
    "ACCEPTED",
    "GAINED",
    "GRAVER",
    "HELD",
    "LIGHTER",
    "LIMITS",
    "LOST",
    "MEASURES",
    "RELEASED",
    "RISK",
    "SAID",
    "Edit",
    "Setting",
    "edit",
    "plans_said",
]

MOST_KEPT = 4
_kept: OrderedDict[tuple[str, str, bytes], Trying] = OrderedDict()
_lock = Lock()


def settings() -> dict[str, Setting]:
    """All that can be set in the fleet's policy as it stands, by name."""
    return {one.name: one for one in settable.settings(inputs.policy_of(fleet()))}


def now(found: dict[str, Setting], one: Edit):
    """What stands in the place of an edit now."""
    return settable.now(found, one)


def proposed(changes: tuple[Edit, ...]) -> bytes:
    """The fleet's policy with values set; PolicyError names the line that is refused."""
    return adopting.proposed(fleet(), changes)


def trial_of(snapshot: str, text: bytes) -> Trying | None:
    """The trial of a text on a snapshot, at work or done, where there is one."""
    with _lock:
        return _kept.get((str(fleet().path), snapshot, text))


def begin(snapshot: str, text: bytes) -> Trying:
    """Begin to try a text; it runs to its end whatever the page does. One that failed is tried again."""
    key = (str(fleet().path), snapshot, text)
    with _lock:
        there = _kept.get(key)
        if there is None or there.error is not None:
            _kept[key] = Trying(fleet(), text, str(fleet().policy)).begin()
        _kept.move_to_end(key)
        while len(_kept) > MOST_KEPT:
            _kept.popitem(last=False)
        return _kept[key]


@lru_cache(maxsize=MOST_KEPT)
def told(viewer: Viewer, snapshot: str, filters: Filters, work: Trying) -> Told:
    """What a trial says to a viewer; kept, since it counts all that would differ."""
    assert work.tried is not None
    return whatif.told(viewer, attach(snapshot), filters, work.tried)


def homes_count(found: Told, part: Part) -> int:
    return differences.homes_count(found.snapshot, found.differences, part)


def homes_page(found: Told, part: Part, page: int) -> pd.DataFrame:
    return differences.homes_page(found.snapshot, found.differences, part, page)


def held_count(found: Told, what: str) -> int:
    return whatif.held_count(found, what)


def held_page(found: Told, what: str, page: int) -> pd.DataFrame:
    return whatif.held_page(found, what, page)


# ---- adopting


def may_adopt(viewer: Viewer) -> bool:
    """Whether a viewer may change the policy, which is the whole fleet's."""
    return viewer.agencies is None


def adopt(viewer: Viewer, work: Trying, who: str, why: str) -> Adopted:
    assert work.tried is not None
    tried = work.tried
    return adopting.adopt(
        viewer, fleet(), tried.text, base=tried.base, who=who, why=why, snapshot=tried.snapshot.name
    )


def take_back(viewer: Viewer, number: int, who: str, why: str) -> Adopted:
    return adopting.take_back(viewer, fleet(), number, who=who, why=why)


def log() -> list[Adopted]:
    """Every change of the policy, the newest first."""
    return list(reversed(adopted.read(fleet())))


def may_be_taken_back(lines: list[Adopted]) -> Adopted | None:
    """The newest line, where policy.toml is still what it put in place."""
    return lines[0] if lines and lines[0].after == adopting.base_of(fleet()) else None


def publish(viewer: Viewer) -> Publishing:
    """Begin to build the snapshot that the policy now stands for."""
    return Publishing(viewer, fleet(), ()).begin()


def waits_for_build() -> bool:
    """Whether the policy is newer than the snapshot."""
    return fleet().policy.name in inputs.ahead(fleet()).inputs
