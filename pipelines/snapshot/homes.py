"""Homes rolled up from their visits: the state of every check at every system, and one row per home.

A batch holds whole homes, its inspections in the order of visits; what comes out does not depend on how homes
were dealt to batches.
"""

from functools import cached_property

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.engine import codes, history, results, risk
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.history import IS_OPEN, NEVER, NO_STAGE, NOT_VERIFIED, STAGES, STATES
from pipelines.engine.policy.policy import LEVELS
from pipelines.engine.risk import NO_LEVEL
from pipelines.snapshot import tables

SAFETY_CHECKS = tuple(check.id for check in HOME_CHECKS if check.safety_critical)
SAFETY_BIT = {check: np.int64(1) << position for position, check in enumerate(SAFETY_CHECKS)}
NOTHING_OPEN = NO_LEVEL << 8  # a graver deficiency is a smaller number: level, then position of its check


def roll_up(table, readings, outcomes, active, assessed, policy, graver, uncounted):
    """state_columns (a row a system), opened (a row a deficiency) and homes of a batch, as Arrow tables.

    `table` and `readings` are the batch's inspections; per inspection, `outcomes` is check id → (outcome,
    certainty), `active` check id → mask, and `assessed` a mask; `graver` and `uncounted` check id → mask of
    the results that are, for the checks that have some.
    """
    batch = _Batch(table, readings, assessed)
    repaired = _repaired(table.column("repairs_reported").combine_chunks(), policy)
    systems = len(batch.starts)
    columns = batch.system_keys()
    worst, found_open = np.full(systems, NOTHING_OPEN, np.int64), []
    opened, unverified = np.zeros(systems, np.int64), np.zeros(systems, np.int64)
    gravest = np.full(systems, 0xFF, np.uint8)  # level, then stage: the earlier where several are as grave
    for position, check in enumerate(HOME_CHECKS):
        outcome, certainty = outcomes[check.id]
        followed = history.follow(outcome, repaired(check.id), batch.visits, check.about_tank)
        rows = np.flatnonzero(IS_OPEN[followed.state])
        state, since, decided = followed.state[rows], followed.since[rows], followed.decided[rows]
        stage, level = np.full(systems, NO_STAGE, np.uint8), np.full(systems, NO_LEVEL, np.uint8)
        stage[rows] = batch.stages(rows, state, since)
        level[rows] = risk.levels(
            check,
            policy,
            np.nan_to_num(certainty[decided], nan=1.0),
            active[check.id][decided],
            graver[check.id][decided] if check.id in graver else np.False_,
        )
        lacking = followed.state == NOT_VERIFIED
        if check.id in uncounted:
            counted = (outcome == results.NOT_VERIFIED) & ~uncounted[check.id]
            lacking &= _over(np.logical_or, counted, batch.starts)
        columns[codes.coded(check.id)] = tables.state_codes(
            state=followed.state,
            stage=stage,
            risk=level,
            since=batch.visit_number(followed.since),
            telling=batch.visit_number(followed.telling),
            decided=batch.visit_number(followed.decided),
            uncounted=((followed.state == NOT_VERIFIED) & ~lacking).astype(np.uint8),
        )
        worst[rows] = np.minimum(worst[rows], level[rows].astype(np.int64) << 8 | position)
        gravest[rows] = np.minimum(gravest[rows], level[rows] << np.uint8(4) | stage[rows])
        opened[rows] += 1
        found_open.append(
            (rows, np.full(len(rows), position), state, stage[rows], level[rows], decided, since)
        )
        if check.safety_critical:
            unverified[batch.system_assessed & lacking] |= SAFETY_BIT[check.id]
    homes = _homes_table(batch, worst, opened, unverified, gravest)
    columns |= {name: homes.column(name).take(pa.array(batch.home_of_system)) for name in ("region", "crew")}
    return {"state_columns": pa.table(columns), "opened": _opened_table(batch, found_open), "homes": homes}


def _opened_table(batch, found):
    """What is open now: home_checks without verified_on, and the export and day of the visit that decides.

    `found` is (systems, check, states, stages, risks, deciding visits, first visits) of every check. Kept
    whole because most questions start here.
    """
    system, check, state, stage, level, decided, since = (
        np.concatenate(values) for values in zip(*found, strict=True)
    )

    def of_system(column):
        return column.take(batch.starts).take(pa.array(system))

    def of_visit(name, positions):
        return batch.table.column(name).combine_chunks().take(pa.array(positions))

    def picked(words, codes):
        return pa.DictionaryArray.from_arrays(pa.array(codes.astype(np.int8)), pa.array(words, pa.string()))

    return pa.table(
        {
            "agency": of_system(batch.agency),
            "home_id": of_system(batch.home),
            "system_id": of_system(batch.system),
            "check_id": picked([one.id for one in HOME_CHECKS], check),
            "inspection_id": of_visit("inspection_id", decided),
            "state": picked(STATES, state),
            "stage": picked(STAGES, stage),
            "since": of_visit("inspected_on", since),
            "risk": picked(LEVELS, level),
            "export_id": of_visit("export_id", decided),
            "decided_on": of_visit("inspected_on", decided),
        }
    )


class _Batch:
    """Visits in order: where systems and homes start, and what is needed of each visit."""

    def __init__(self, table, readings, assessed):
        self.table, self.count = table, len(readings)
        self.agency, self.home, self.system = (
            table.column(name).combine_chunks() for name in ("agency", "home_id", "system_id")
        )
        self.starts, self.home_starts = (
            starts(self.agency, self.home, self.system),
            starts(self.agency, self.home),
        )
        self.home_of_system = np.searchsorted(self.home_starts, self.starts, side="right") - 1
        self.systems_start = np.searchsorted(self.starts, self.home_starts)
        self.visits = history.visits(
            self.starts, self.count, readings.number("boiler_year").value, readings.word("tank_type").codes
        )
        self.day = readings.date("inspected_on").astype(np.int64)
        reported = readings.date("reported_on")
        self.reported = np.where(np.isnat(reported), NEVER, reported.astype(np.int64))
        self.final = readings.word("inspection_kind").among("final")
        self.reported_home = _over(np.maximum, self.reported, self.home_starts)
        self.has_final = _over(np.logical_or, self.final, self.starts)
        self.system_assessed = _over(np.logical_or, assessed, self.starts)

    def system_keys(self):
        offsets = pa.array(np.append(self.starts, self.count), pa.int32())

        def listed(name):
            return pa.ListArray.from_arrays(offsets, self.table.column(name).combine_chunks())

        return {
            "agency": self.agency.take(self.starts),
            "home_id": self.home.take(self.starts),
            "system_id": self.system.take(self.starts),
            "visit_ids": listed("inspection_id"),
            "visit_days": listed("inspected_on"),
        }

    def visit_number(self, positions):
        """Positions of visits as numbers within their system, from 1; 0 for none."""
        return np.where(positions >= 0, positions - self.starts + 1, 0).astype(np.uint16)

    def stages(self, systems, state, since):
        """Stages of open deficiencies of some systems, from their state and first visit."""
        return history.stages(
            state, self.day[since], self.reported_home[self.home_of_system[systems]], self.has_final[systems]
        )

    def last_reported(self):
        """The last day on which each home was reported to the funder."""
        never = self.reported_home == NEVER
        return pa.array(np.where(never, 0, self.reported_home).astype("datetime64[D]"), mask=never)

    @cached_property
    def home_of_visit(self):
        return np.searchsorted(self.home_starts, np.arange(self.count), side="right") - 1

    def latest(self, name):
        """The last value recorded at any visit to each home, whatever the system."""
        column = self.table.column(name).combine_chunks()
        position = self._last_visit(pc.is_valid(column).to_numpy(zero_copy_only=False))
        return column.take(pa.array(np.maximum(position, 0), mask=position < 0))

    def _last_visit(self, recorded):
        """Position of the latest visit to each home with something recorded, -1 where there is none."""
        dated = np.where(recorded, self.day << 31 | np.arange(self.count), -1)
        found = _over(np.maximum, dated, self.home_starts)
        return np.where(found >= 0, found & ((1 << 31) - 1), -1)

    def unreported_final(self):
        """Mask of homes with a final inspection whose job (any, without a number) has no reporting date."""
        if not self.count:
            return np.zeros(0, bool)
        jobs = pc.fill_null(self.table.column("job_number").combine_chunks(), "").dictionary_encode()
        code = jobs.indices.to_numpy().astype(np.int64)
        unnamed = pc.equal(jobs.dictionary, "").to_numpy(zero_copy_only=False)[code]
        _, unit = np.unique(self.home_of_visit * (int(code.max()) + 1) + code, return_inverse=True)
        job_reported = np.zeros(int(unit.max()) + 1, bool)
        job_reported[unit[self.reported != NEVER]] = True
        done = np.where(unnamed, self.reported_home[self.home_of_visit] != NEVER, job_reported[unit])
        return _over(np.logical_or, self.final & ~done, self.home_starts)


def _homes_table(batch, worst, opened, unverified, gravest):
    """One row per home, with the sentence that stands over it."""
    at = batch.systems_start
    worst, opened = _over(np.minimum, worst, at), _over(np.add, opened, at)
    lacking, lacking_count = (
        _over(np.bitwise_or, unverified, at),
        _over(np.add, np.bitwise_count(unverified).astype(np.int64), at),
    )
    assessed = _over(np.logical_or, batch.system_assessed, at)
    hold = batch.unreported_final() & assessed & ((opened > 0) | (lacking_count > 0))
    said = np.where(
        opened > 0, worst << 16 | np.minimum(opened, 0xFFFF), np.where(assessed, -1 - lacking, NOT_ASSESSED)
    )
    distinct, which = np.unique(said, return_inverse=True)
    headlines = pa.array([_headline(int(code)) for code in distinct], pa.string()).take(
        pa.array(which.ravel())
    )
    visits = np.diff(np.append(batch.home_starts, batch.count))
    level = worst >> 8
    return pa.table(
        {
            "agency": batch.agency.take(batch.home_starts),
            "home_id": batch.home.take(batch.home_starts),
            "headline": headlines,
            "risk": pa.array(LEVELS, pa.string()).take(
                pa.array(np.where(opened > 0, level, 0), mask=opened == 0)
            ),
            "stage": pa.array(STAGES, pa.string()).take(
                pa.array(np.where(opened > 0, _over(np.minimum, gravest, at) & 0xF, 0), mask=opened == 0)
            ),
            "open_deficiencies": pa.array(opened),
            "safety_not_verified": pa.array(lacking_count),
            "region": batch.latest("region"),
            "crew": batch.latest("crew"),
            "last_inspected_on": batch.latest("inspected_on"),
            "hold_before_reporting": pa.array(hold),
            "assessed": pa.array(assessed),
            "job_number": batch.latest("job_number"),
            "reported_on": batch.last_reported(),
            "visits": pa.array(visits),
        }
    )


NOT_ASSESSED = -(1 << 60)


def _headline(said):
    """The sentence over a home: only one that was wholly verified may reassure."""
    if said == NOT_ASSESSED:
        return "not assessed"
    if said >= 0:
        worst, opened = said >> 16, said & 0xFFFF
        more = f" and {opened - 1} more" if opened > 1 else ""
        return f"{LEVELS[worst >> 8]}: {HOME_CHECKS[worst & 0xFF].title}{more}"
    names = [check.replace("-", " ") for check in SAFETY_CHECKS if -1 - said & int(SAFETY_BIT[check])]
    return (
        f"none found, {len(names)} not verified ({', '.join(names)})"
        if names
        else "none found, all safety-critical checks verified"
    )


def _repaired(column, policy):
    """A function: check id → positions of the visits at which a measure that fixes it is reported."""
    reporting = np.flatnonzero(pc.is_valid(column).to_numpy(zero_copy_only=False))
    encoded = column.take(pa.array(reporting)).dictionary_encode()
    lists, codes = (
        [set(text.split(";")) for text in encoded.dictionary.to_pylist()],
        encoded.indices.to_numpy(),
    )
    fixing: dict[str, set[str]] = {}
    for measure in policy.measures:
        for check in measure.fixes:
            fixing.setdefault(check, set()).add(measure.id)

    def repaired(check):
        wanted = fixing.get(check, set())
        return reporting[np.array([bool(wanted & done) for done in lists], bool)[codes]]

    return repaired


def _over(ufunc, values, at):
    """`ufunc` over each run that begins at the positions `at`."""
    return ufunc.reduceat(values, at) if len(at) else values[:0]


def starts(*columns):
    """Positions where a run of equal keys begins, in sorted columns."""
    count = len(columns[0])
    new = np.zeros(count, bool)
    new[:1] = True
    for column in columns:
        new[1:] |= pc.not_equal(column.slice(1), column.slice(0, max(0, count - 1))).to_numpy(
            zero_copy_only=False
        )
    return np.flatnonzero(new)
