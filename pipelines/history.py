"""Homes over time: for each system and check, what stands now, since when, and at what stage.

The latest telling result (ok or deficient) stands until another replaces it. Not verified replaces nothing; not
applicable closes an open deficiency as no longer applying, never as corrected.
"""

from dataclasses import dataclass

import numpy as np

from pipelines.results import DEFICIENT, NOT_APPLICABLE, OK

STATES = ("open", "corrected", "recurred", "repair did not hold", "not verified", "ok", "no longer applies", "not applicable")
OPEN, CORRECTED, RECURRED, DID_NOT_HOLD, NOT_VERIFIED, STATE_OK, NO_LONGER, STATE_NOT_APPLICABLE = range(8)
OPEN_STATES = (OPEN, RECURRED, DID_NOT_HOLD)
STAGES = ("found after reporting", "left after our work", "waiting for work")
AFTER_REPORTING, AFTER_WORK, WAITING = range(3)
NO_STAGE = 15


@dataclass(frozen=True)
class Visits:
    """Visits in order, systems side by side: arrays of shape (n,) unless said otherwise.

    `starts` (s,): position of each system's first visit; `system` (n,): which system a visit belongs to, 0 to s-1.
    `replaced` and `tank_replaced`: how many times the boiler, or boiler or tank, had been replaced by then, counted
    anywhere as long as it does not fall.
    """

    starts: np.ndarray
    system: np.ndarray
    replaced: np.ndarray
    tank_replaced: np.ndarray

    @property
    def places(self):
        return np.arange(len(self.system), dtype=np.int32)  # a batch is small, and half as wide goes faster


@dataclass(frozen=True)
class Standing:
    """One check's standing per system (s,): state code, and positions of visits, -1 where there is none.

    `since` is the first visit of the present run of deficient results; `decided_by` the visit that decides the state;
    `told_by` the last telling one.
    """

    state: np.ndarray
    since: np.ndarray
    decided_by: np.ndarray
    told_by: np.ndarray


def visits(starts, count, boiler_year, tank_type):
    """Visits from where each system starts (sorted positions), boiler years (NaN missing) and tank codes (-1 missing)."""
    system = np.searchsorted(starts, np.arange(count), side="right") - 1
    new_boiler = _changed(boiler_year, ~np.isnan(boiler_year), starts, system)
    new_tank = _changed(tank_type.astype(float), tank_type >= 0, starts, system)
    return Visits(starts, system, np.cumsum(new_boiler), np.cumsum(new_boiler | new_tank))


def standing(outcome, repaired, visits, about_tank):
    """Standing of one check: `outcome` (n,) codes of results.OUTCOMES, `repaired` (n,) True where a measure that fixes
    it is reported at that visit, `about_tank` whether another kind of tank starts it anew."""
    places, starts, system = visits.places, visits.starts, visits.system
    if not len(starts):
        nothing = np.zeros(0, np.int32)
        return Standing(nothing.astype(np.uint8), nothing, nothing, nothing)
    last = lambda where: np.maximum.reduceat(np.where(where, places, np.int32(-1)), starts)
    first = lambda where: np.minimum.reduceat(np.where(where, places, np.int32(len(places))), starts)
    deficient, ok, away = outcome == DEFICIENT, outcome == OK, outcome == NOT_APPLICABLE
    last_bad, last_ok, last_away = last(deficient), last(ok), last(away)
    told = np.maximum(last_bad, last_ok)
    is_open = last_bad > last_ok
    state = np.where(told >= 0, np.where(last_bad >= 0, CORRECTED, STATE_OK), np.where(last_away >= 0, STATE_NOT_APPLICABLE, NOT_VERIFIED))
    state = np.where(is_open, OPEN, state)
    since = np.full(len(starts), -1, np.int32)
    decided = np.where(told >= 0, told, np.where(last_away >= 0, last_away, _ends(starts, len(places))))
    if is_open.any():
        told_here, before = told[system], places < told[system]
        generation = visits.tank_replaced if about_tank else visits.replaced
        same = generation == generation[np.maximum(told_here, 0)]
        before_it = last((deficient | ok) & before)
        cut = np.maximum(last_ok, last(away & before))
        since = np.where(is_open, first(deficient & (places > cut[system])), -1)
        bad_first = first(deficient & same)
        recurred = bad_first < last_ok
        fixes = np.cumsum(repaired)
        earlier = np.maximum(before_it, 0)
        did_not_hold = (before_it >= 0) & deficient[earlier] & same[earlier] & (fixes[np.maximum(told, 0)] > fixes[earlier])
        state = np.where(is_open & recurred, RECURRED, state)
        state = np.where(is_open & did_not_hold, DID_NOT_HOLD, state)
        gone = is_open & (last_away > told)
        state, since, decided = np.where(gone, NO_LONGER, state), np.where(gone, -1, since), np.where(gone, last_away, decided)
    return Standing(state.astype(np.uint8), since, decided, told)


def stages(state, since_day, reported_day, has_final):
    """Stage code of each open deficiency, NO_STAGE elsewhere; days as integers, a missing report below every day."""
    stage = np.where(since_day > reported_day, AFTER_REPORTING, np.where(has_final, AFTER_WORK, WAITING))
    stage = np.where((reported_day == NEVER) & (stage == AFTER_REPORTING), np.where(has_final, AFTER_WORK, WAITING), stage)
    return np.where(np.isin(state, OPEN_STATES), stage, NO_STAGE).astype(np.uint8)


NEVER = np.iinfo(np.int64).min


def _ends(starts, count):
    return np.append(starts[1:], count) - 1


def _changed(value, recorded, starts, system):
    """True where a recorded value differs from the last one recorded of the same system."""
    places = np.arange(len(value))
    latest = np.maximum.accumulate(np.where(recorded, places, -1))
    earlier = np.concatenate(([-1], latest))[: len(value)]
    valid = recorded & (earlier >= starts[system])
    return valid & (value != value[np.maximum(earlier, 0)]) if len(value) else valid
