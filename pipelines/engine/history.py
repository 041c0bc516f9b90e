"""Homes over time: for each system and check, what stands now, since when, and at what stage.

The latest telling result (ok or deficient) stands until another replaces it. Not verified replaces nothing;
not applicable closes an open deficiency as no longer applying, never as corrected. Of telling results of one
day that disagree on a safety-critical check the deficient one is taken.
"""

from dataclasses import dataclass

import numpy as np

from pipelines.engine.results import DEFICIENT, NOT_APPLICABLE, OK
from pipelines.engine.results import NOT_VERIFIED as UNVERIFIED

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
    """Visits in order, strands side by side: a strand is the visits to one system of a home at one address.

    `starts`, `ends` (s,): position of each strand's first and last visit. `anew` (s,): the first visit since
    another heating system ended there. `boiler_since` and `tank_since` (n,): of each visit, the one at which
    the boiler, or boiler or tank, was seen to be another, here or at any strand before. `silent` (n,): visits
    at which not applicable closes nothing. `as_found` (n,): whether readings are of before the repairs
    reported there. `shared`: positions of visits that share their day with others of their strand, and
    `shared_starts` where each day begins among these.
    """

    starts: np.ndarray
    ends: np.ndarray
    anew: np.ndarray
    boiler_since: np.ndarray
    tank_since: np.ndarray
    silent: np.ndarray
    as_found: np.ndarray
    shared: np.ndarray
    shared_starts: np.ndarray


@dataclass(frozen=True)
class Followed:
    """One check over time, per strand (s,): state code, and positions of visits, -1 where there is none.

    `since` is the first visit of the present run of deficient results, `telling` the last telling visit,
    `decided` the one that decides the state.
    """

    state: np.ndarray
    since: np.ndarray
    telling: np.ndarray
    decided: np.ndarray


@dataclass(frozen=True)
class Episodes:
    """Of one check, each time it stood open, arrays of one length: from the visit that found it on.

    `strand`: which; `found` and `closed`: positions of visits, -1 where it stands open still; `corrected`:
    whether an ok closed it, and not that it no longer applies.
    """

    strand: np.ndarray
    found: np.ndarray
    closed: np.ndarray
    corrected: np.ndarray


class _Marked:
    """Visits of one kind, to be looked up from any visit; `first` is where its strand starts."""

    def __init__(self, mask):
        self.before = np.cumsum(mask, dtype=np.int32)  # how many up to each visit, itself counted
        self.positions = np.concatenate(([-1], np.flatnonzero(mask), [len(mask)])).astype(np.int32)

    def last(self, at, first):
        """The last one not after the visits `at`; -1 where none is within the strand."""
        found = self.positions[np.where(at < 0, 0, self.before[at])]
        return np.where(found >= first, found, -1)

    def next(self, at):
        """The first one after the visits `at` (-1: any), of any strand; the count of visits if none is."""
        return self.positions[np.where(at < 0, 0, self.before[at]) + 1]


def visits(starts, day, boiler_year, tank_type, as_found, changes):
    """Visits from where each strand starts (sorted), and of each visit (n,) what is recorded.

    Days are whole numbers, years NaN and tank codes -1 where missing; `changes` are those of the heating
    system (heating.Changes).
    """
    count = len(day)
    strand = np.searchsorted(starts, np.arange(count), side="right") - 1
    new_boiler = _changed(boiler_year, ~np.isnan(boiler_year), starts, strand)
    new_tank = _changed(tank_type.astype(float), tank_type >= 0, starts, strand)
    same_day = (day[1:] == day[:-1]) & (strand[1:] == strand[:-1])
    shared = np.flatnonzero((np.append(False, same_day) | np.append(same_day, False))[:count])

    def since(new):
        return np.maximum.accumulate(np.where(new, np.arange(count), 0)).astype(np.int32)

    return Visits(
        starts=starts,
        ends=np.append(starts[1:], count)[: len(starts)] - 1,
        anew=changes.anew,
        boiler_since=since(new_boiler),
        tank_since=since(new_boiler | new_tank),
        silent=np.flatnonzero(changes.silent),
        as_found=as_found,
        shared=shared,
        shared_starts=np.flatnonzero(~np.append(False, same_day)[shared]),
    )


def follow(told, repaired, visits, *, about_tank):
    """One check followed over the visits of every strand, from what they told of it.

    `repaired`: sorted positions of the visits at which a measure that fixes it is reported. `about_tank`:
    whether another kind of tank starts it anew.
    """
    starts, ends = visits.starts, visits.ends
    bad, ok, away = told.bad, told.ok, told.away
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
    same_since = (visits.tank_since if about_tank else visits.boiler_since)[at]
    same_since = np.maximum(same_since, visits.anew[unmended])
    recurred = bad.next(same_since - 1) < last_ok[unmended]
    # Deficient results since the last ok, of the same boiler and tank: a repair between any two did not hold.
    first = bad.next(np.maximum(same_since - 1, last_ok[unmended]))
    done = repaired + visits.as_found[repaired]  # the first visit whose readings are of after it
    did_not_hold = np.searchsorted(done, at, side="right") > np.searchsorted(done, first, side="right")
    gone = off > at
    cut = np.maximum(last_ok[unmended], away.last(at - 1, start))
    state[unmended] = np.where(
        gone, NO_LONGER, np.where(did_not_hold, DID_NOT_HOLD, np.where(recurred, RECURRED, OPEN))
    )
    since[unmended] = np.where(gone, -1, bad.next(np.maximum(cut, start - 1)))
    decided[unmended] = np.where(gone, off, at)
    # What was said before another heating system stood there says nothing of the one that came after.
    unsaid = np.flatnonzero((visits.anew > starts) & (telling < visits.anew))
    apart = last_away[unsaid] >= visits.anew[unsaid]
    state[unsaid] = np.where(apart, STATE_NOT_APPLICABLE, NOT_VERIFIED)
    decided[unsaid] = np.where(apart, last_away[unsaid], ends[unsaid])
    since[unsaid], telling[unsaid] = -1, -1
    return Followed(state, since, telling, decided)


@dataclass(frozen=True)
class Told:
    """The visits at which one check was deficient, ok or not applicable, as far as that counts."""

    bad: _Marked
    ok: _Marked
    away: _Marked


def tell(outcome, repaired, visits, *, safety_critical):
    """What the visits told of one check.

    `outcome` (n,): codes of results.OUTCOMES. `repaired`: sorted positions of the visits at which a measure
    that fixes it is reported.
    """
    outcome = _taken(outcome, repaired, visits, safety_critical)
    return Told(*(_Marked(outcome == code) for code in (DEFICIENT, OK, NOT_APPLICABLE)))


def episodes(told, visits):
    """Each time one check stood open at a strand, in order; what stands open at the end is what `follow`
    calls open there.

    What stood open when another heating system came is closed by the first visit to that one.
    """
    bad = told.bad.positions[1:-1]
    strand = np.searchsorted(visits.starts, bad, side="right") - 1
    first, anew = visits.starts[strand], visits.anew[strand]
    before = bad - 1
    last_bad, last_closed = (
        np.where(before >= first, one, -1)
        for one in (
            told.bad.last(before, first),
            np.maximum(told.ok.last(before, first), told.away.last(before, first)),
        )
    )
    since_anew = (bad >= anew) & (last_bad < anew) & (anew > first)
    begins = (last_bad < 0) | (last_closed > last_bad) | since_anew
    found, strand, first, anew = bad[begins], strand[begins], first[begins], anew[begins]
    end = visits.ends[strand] + 1
    by_ok, by_away = told.ok.next(found), told.away.next(found)
    by_anew = np.where((anew > first) & (found < anew), anew, end)
    closed = np.minimum(np.minimum(by_ok, by_away), np.minimum(by_anew, end))
    return Episodes(strand, found, np.where(closed < end, closed, -1), (closed < end) & (closed == by_ok))


def joined(episodes, systems, day):
    """Episodes of strands side by side as those of their systems: at two addresses at once they are one.

    `systems` (s,): the system of each strand. `day` (n,): of each visit. A system has several strands in few
    homes, and these are all that is looked at.
    """
    system = systems[episodes.strand]
    several = np.bincount(systems)[system] > 1
    rows = np.flatnonzero(several)
    if not len(rows):
        return Episodes(system, episodes.found, episodes.closed, episodes.corrected)
    moments = np.unique(
        day[np.concatenate((episodes.found[rows], episodes.closed[rows]))], return_inverse=True
    )[1]
    begin, end = np.split(moments, 2)
    never = len(moments)
    end = np.where(episodes.closed[rows] < 0, never, end)
    order = np.lexsort((begin, system[rows]))
    rows, begin, end = rows[order], begin[order], end[order]
    apart = system[rows].astype(np.int64) * (2 * never + 2)
    latest = np.maximum.accumulate(apart + end)
    new = np.append(True, (apart + begin)[1:] > latest[:-1])
    run = np.cumsum(new) - 1
    closing = np.full(run[-1] + 1, -1, np.int64)
    np.maximum.at(closing, run, end * len(rows) + np.arange(len(rows)))
    last, first = rows[closing % len(rows)], rows[new]
    one = np.flatnonzero(~several)
    return Episodes(
        np.concatenate((system[one], system[first])),
        np.concatenate((episodes.found[one], episodes.found[first])),
        np.concatenate((episodes.closed[one], episodes.closed[last])),
        np.concatenate((episodes.corrected[one], episodes.corrected[last])),
    )


def _taken(outcome, repaired, visits, safety_critical):
    """The outcomes that count: not every not applicable closes, and not every ok of a day stands."""
    counted = outcome
    if len(visits.silent):
        counted = outcome.copy()
        closing = outcome[visits.silent] == NOT_APPLICABLE
        counted[visits.silent[closing]] = UNVERIFIED
    if safety_critical and len(visits.shared):
        passed_over = _passed_over(counted, repaired, visits)
        if len(passed_over):
            counted = counted.copy() if counted is outcome else counted
            counted[passed_over] = UNVERIFIED
    return counted


def _passed_over(outcome, repaired, visits):
    """Positions of ok results of days on which another sheet is deficient, and that one is taken.

    The ok stands only where a final or qa sheet read it after the last deficient one, and a measure that
    fixes it is reported on that sheet or on an earlier one of the day.
    """
    rows, days = visits.shared, visits.shared_starts
    bad, ok = outcome[rows] == DEFICIENT, outcome[rows] == OK
    if not (bad.any() and ok.any()):
        return rows[:0]
    mended = np.zeros(len(outcome), bool)
    mended[repaired] = True
    last_bad = np.maximum.reduceat(np.where(bad, rows, -1), days)
    last_ok = np.maximum.reduceat(np.where(ok & ~visits.as_found[rows], rows, -1), days)
    first_mended = np.minimum.reduceat(np.where(mended[rows], rows, len(outcome)), days)
    stands = (last_bad < 0) | ((last_ok > last_bad) & (first_mended <= last_ok))
    day = np.searchsorted(days, np.arange(len(rows)), side="right") - 1
    return rows[ok & ~stands[day]]


# Of strands of one system, what stands of a check at any of them stands, the gravest first.
_GRAVITY = np.array([0, 2, 0, 0, 1, 3, 2, 4])


def gravest(followed, groups):
    """Of several strands followed side by side the one whose state stands, for each group of them.

    `groups`: positions of the strands at which each group starts, sorted. Of equals the first stands.
    """
    count = len(followed.state)
    ranked = _GRAVITY[followed.state] * count + np.arange(count)
    chosen = np.minimum.reduceat(ranked, groups) % count
    return Followed(*(values[chosen] for values in vars(followed).values()))


def stages(state, since_day, reported_day, has_final):
    """Stage code of each open deficiency, NO_STAGE elsewhere; days are integers, NEVER for not reported."""
    stage = np.select(
        [reported_day == NEVER, since_day <= reported_day],
        [np.where(has_final, AFTER_FINAL, WAITING), REPORTED_OPEN],
        AFTER_REPORTING,
    )
    return np.where(IS_OPEN[state], stage, NO_STAGE).astype(np.uint8)


NEVER = np.iinfo(np.int64).min


def _changed(value, recorded, starts, strand):
    """True where a recorded value differs from the last one recorded of the same strand."""
    positions = np.arange(len(value))
    latest = np.maximum.accumulate(np.where(recorded, positions, -1))
    earlier = np.concatenate(([-1], latest))[: len(value)]
    valid = recorded & (earlier >= starts[strand])
    return valid & (value != value[np.maximum(earlier, 0)]) if len(value) else valid
