"""Homes over time: for each system and check, what stands now, since when, and at what stage.

The latest telling result (ok or deficient) stands until another replaces it. Not verified replaces nothing;
not applicable closes an open deficiency as no longer applying, never as corrected.
"""

from dataclasses import dataclass

import numpy as np

from pipelines.engine.results import DEFICIENT, NOT_APPLICABLE, OK

STATES = (
    "open",
    "corrected",
    "recurred",
    "repair did not hold",
    "not verified",
    "ok",
    "no longer applies",
    "not applicable",
)
OPEN, CORRECTED, RECURRED, DID_NOT_HOLD, NOT_VERIFIED, STATE_OK, NO_LONGER, STATE_NOT_APPLICABLE = range(8)
OPEN_STATES = (OPEN, RECURRED, DID_NOT_HOLD)
IS_OPEN = np.isin(np.arange(len(STATES)), OPEN_STATES)
STAGES = ("reported with it open", "found after reporting", "open after the final", "waiting for work")
REPORTED_OPEN, AFTER_REPORTING, AFTER_FINAL, WAITING = range(4)
NO_STAGE = 15


@dataclass(frozen=True)
class Visits:
    """Visits in order, systems side by side.

    `starts`, `ends` (s,): position of each system's first and last visit. `boiler_since` and `tank_since`
    (n,): of each visit, the one at which the boiler, or boiler or tank, was seen to be another, here or at
    any system before.
    """

    starts: np.ndarray
    ends: np.ndarray
    boiler_since: np.ndarray
    tank_since: np.ndarray


@dataclass(frozen=True)
class Followed:
    """One check over time, per system (s,): state code, and positions of visits, -1 where there is none.

    `since` is the first visit of the present run of deficient results, `telling` the last telling visit,
    `decided` the one that decides the state.
    """

    state: np.ndarray
    since: np.ndarray
    telling: np.ndarray
    decided: np.ndarray


class _Marked:
    """Visits of one kind, to be looked up from any visit; `first` is where its system starts."""

    def __init__(self, mask):
        self.before = np.cumsum(mask, dtype=np.int32)  # how many up to each visit, itself counted
        self.positions = np.concatenate(([-1], np.flatnonzero(mask), [len(mask)])).astype(np.int32)

    def last(self, at, first):
        """The last one not after the visits `at`; -1 where none is within the system."""
        found = self.positions[np.where(at < 0, 0, self.before[at])]
        return np.where(found >= first, found, -1)

    def next(self, at):
        """The first one after the visits `at` (-1: any), of any system; the count of visits if none is."""
        return self.positions[np.where(at < 0, 0, self.before[at]) + 1]


def visits(starts, count, boiler_year, tank_type):
    """Visits from where each system starts (sorted), boiler years (NaN missing), tank codes (-1 missing)."""
    system = np.searchsorted(starts, np.arange(count), side="right") - 1
    new_boiler = _changed(boiler_year, ~np.isnan(boiler_year), starts, system)
    new_tank = _changed(tank_type.astype(float), tank_type >= 0, starts, system)

    def since(new):
        return np.maximum.accumulate(np.where(new, np.arange(count), 0)).astype(np.int32)

    return Visits(
        starts,
        np.append(starts[1:], count)[: len(starts)] - 1,
        since(new_boiler),
        since(new_boiler | new_tank),
    )


def follow(outcome, repaired, visits, about_tank):
    """One check followed over the visits of every system.

    `outcome` (n,): codes of results.OUTCOMES. `repaired`: sorted positions of the visits at which a measure
    that fixes it is reported. `about_tank`: whether another kind of tank starts it anew.
    """
    starts, ends = visits.starts, visits.ends
    bad, ok, away = (_Marked(outcome == code) for code in (DEFICIENT, OK, NOT_APPLICABLE))
    last_bad, last_ok, last_away = (one.last(ends, starts) for one in (bad, ok, away))
    telling = np.maximum(last_bad, last_ok)
    state = np.where(
        telling >= 0,
        np.where(last_bad >= 0, CORRECTED, STATE_OK),
        np.where(last_away >= 0, STATE_NOT_APPLICABLE, NOT_VERIFIED),
    ).astype(np.uint8)
    decided = np.where(telling >= 0, telling, np.where(last_away >= 0, last_away, ends))
    since = np.full(len(starts), -1, np.int32)
    unmended = np.flatnonzero(last_bad > last_ok)
    start, at, off = starts[unmended], telling[unmended], last_away[unmended]
    earlier = np.maximum(bad.last(at - 1, start), ok.last(at - 1, start))
    same_since = np.maximum((visits.tank_since if about_tank else visits.boiler_since)[at], start)
    recurred = bad.next(same_since - 1) < last_ok[unmended]
    mended_since = np.searchsorted(repaired, at, side="right") > np.searchsorted(
        repaired, earlier, side="right"
    )
    did_not_hold = (earlier >= same_since) & (outcome[earlier] == DEFICIENT) & mended_since
    gone = off > at
    cut = np.maximum(last_ok[unmended], away.last(at - 1, start))
    state[unmended] = np.where(
        gone, NO_LONGER, np.where(did_not_hold, DID_NOT_HOLD, np.where(recurred, RECURRED, OPEN))
    )
    since[unmended] = np.where(gone, -1, bad.next(np.maximum(cut, start - 1)))
    decided[unmended] = np.where(gone, off, at)
    return Followed(state, since, telling, decided)


def stages(state, since_day, reported_day, has_final):
    """Stage code of each open deficiency, NO_STAGE elsewhere; days are integers, NEVER for not reported."""
    stage = np.select(
        [reported_day == NEVER, since_day <= reported_day],
        [np.where(has_final, AFTER_FINAL, WAITING), REPORTED_OPEN],
        AFTER_REPORTING,
    )
    return np.where(IS_OPEN[state], stage, NO_STAGE).astype(np.uint8)


NEVER = np.iinfo(np.int64).min


def _changed(value, recorded, starts, system):
    """True where a recorded value differs from the last one recorded of the same system."""
    positions = np.arange(len(value))
    latest = np.maximum.accumulate(np.where(recorded, positions, -1))
    earlier = np.concatenate(([-1], latest))[: len(value)]
    valid = recorded & (earlier >= starts[system])
    return valid & (value != value[np.maximum(earlier, 0)]) if len(value) else valid
