"""Homes rolled up from their visits: the state of every check at every system, and one row per home.

A batch holds whole homes, its inspections in the order of visits; what comes out does not depend on how homes
were dealt to batches.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.engine import causes, codes, heating, history, results, risk
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.heating import REPLACES_IT
from pipelines.engine.history import IS_OPEN, NEVER, NO_STAGE, NOT_VERIFIED, STAGES, STATES
from pipelines.engine.policy.policy import LEVELS
from pipelines.engine.quantities.assessed import recorded_heating
from pipelines.engine.risk import NO_LEVEL
from pipelines.snapshot import tables
from pipelines.snapshot.headlines import SAFETY_BIT, headline_checks, headlines


@dataclass(frozen=True)
class Found:
    """What was found of the inspections of a batch.

    `outcomes` check id → (outcome, certainty), `active` check id → mask, `assessed` a mask, `links` those of
    causes.Links, `changes` those of the heating system; `graver` and `uncounted` check id → mask
    of the results that are, for the checks that have some.
    """

    outcomes: dict
    active: dict
    assessed: np.ndarray
    links: causes.Links
    changes: heating.Changes
    graver: dict
    uncounted: dict


@dataclass(frozen=True)
class Open:
    """Deficiencies that are open, arrays of one length: where, of which check, and since when.

    `system` and `home` are positions among those of the batch, `check` in HOME_CHECKS, `decided` and `since`
    among its visits; `state`, `stage` and `level` are codes.
    """

    system: np.ndarray
    home: np.ndarray
    check: np.ndarray
    state: np.ndarray
    stage: np.ndarray
    level: np.ndarray
    decided: np.ndarray
    since: np.ndarray


def heating_changes(table, readings):
    """What became of the heating system at each strand of a batch."""
    replaced = np.zeros(len(readings), bool)
    replaced[_reported(table)({REPLACES_IT})] = True
    recorded = heating.Recorded(
        heating=recorded_heating(readings),
        year=readings.number("boiler_year").value,
        day=readings.date("inspected_on").astype(np.int64),
        replaced=replaced,
        as_found=_as_found(readings),
    )
    return heating.changes(starts(*_columns(table, STRAND)), recorded)


def roll_up(table, readings, found, policy):
    """state_columns (a row a system), opened (a row a deficiency), homes and episodes (a row each time
    a check stood open) of a batch, as Arrow tables.

    `table` and `readings` are the batch's inspections, `found` what was found of them.
    """
    batch = _Batch(table, readings, found)
    repaired = _repaired(table, policy)
    systems = len(batch.starts)
    columns, of_checks, stood = batch.system_keys(), [], []
    unverified = np.zeros(systems, np.int64)
    for position, check in enumerate(HOME_CHECKS):
        outcome, certainty = found.outcomes[check.id]
        mended = repaired(check.id)
        told = history.tell(outcome, mended, batch.visits, safety_critical=check.safety_critical)
        followed = batch.of_systems(history.follow(told, mended, batch.visits, about_tank=check.about_tank))
        rows = np.flatnonzero(IS_OPEN[followed.state])
        state, since, decided = followed.state[rows], followed.since[rows], followed.decided[rows]
        stage, level = np.full(systems, NO_STAGE, np.uint8), np.full(systems, NO_LEVEL, np.uint8)
        stage[rows] = batch.stages(rows, state, since)

        def level_at(visits, check=check, certainty=certainty):
            return risk.levels(
                check,
                policy,
                np.nan_to_num(certainty[visits], nan=1.0),
                found.active[check.id][visits],
                found.graver[check.id][visits] if check.id in found.graver else np.False_,
            )

        level[rows] = level_at(decided)
        lacking = followed.state == NOT_VERIFIED
        if check.id in found.uncounted:
            counted = (outcome == results.NOT_VERIFIED) & ~found.uncounted[check.id]
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
        of_checks.append(
            (
                rows,
                batch.home_of_system[rows],
                np.full(len(rows), position),
                state,
                stage[rows],
                level[rows],
                decided,
                since,
            )
        )
        episodes = history.joined(history.episodes(told, batch.visits), batch.system_of_strand, batch.day)
        stood.append((episodes, np.full(len(episodes.found), position), level_at(episodes.found)))
        if check.safety_critical:
            unverified[batch.system_assessed & lacking] |= SAFETY_BIT[check.id]
    opened = Open(*(np.concatenate(values) for values in zip(*of_checks, strict=True)))
    homes = _homes_table(batch, opened, found.links, unverified)
    columns |= {name: homes.column(name).take(pa.array(batch.home_of_system)) for name in ("region", "crew")}
    columns["heating_in_doubt"] = pa.array(batch.in_doubt)
    return {
        "state_columns": pa.table(columns),
        "opened": _opened_table(batch, opened),
        "homes": homes,
        "episodes": _episodes_table(batch, stood),
    }


def _episodes_table(batch, stood):
    """Each time a check stood open at a system: when it was found, at what risk, and when and how it closed.

    Days are those of the visits; closed_on is NULL where it stands open still.
    """
    found, closed, system, corrected = (
        np.concatenate([getattr(episodes, name) for episodes, *_ in stood])
        for name in ("found", "closed", "strand", "corrected")
    )
    check, level = (np.concatenate([one[which] for one in stood]) for which in (1, 2))

    def of_system(column):
        return column.take(batch.starts).take(pa.array(system))

    def days(positions):
        return pa.array(batch.day[positions].astype("datetime64[D]"), mask=positions < 0)

    return pa.table(
        {
            "agency": of_system(batch.agency),
            "home_id": of_system(batch.home),
            "system_id": of_system(batch.system),
            "check_id": _picked([one.id for one in HOME_CHECKS], check),
            "risk": _picked(LEVELS, level),
            "found_on": days(found),
            "closed_on": days(closed),
            "corrected": pa.array(corrected),
        }
    )


def _picked(words, codes):
    return pa.DictionaryArray.from_arrays(pa.array(codes.astype(np.int8)), pa.array(words, pa.string()))


def _opened_table(batch, opened):
    """What is open now: home_checks without verified_on, and the export and day of the visit that decides.

    Kept whole because most questions start here.
    """

    def of_system(column):
        return column.take(batch.starts).take(pa.array(opened.system))

    def of_visit(name, positions):
        return batch.table.column(name).combine_chunks().take(pa.array(positions))

    return pa.table(
        {
            "agency": of_system(batch.agency),
            "home_id": of_system(batch.home),
            "system_id": of_system(batch.system),
            "check_id": _picked([one.id for one in HOME_CHECKS], opened.check),
            "inspection_id": of_visit("inspection_id", opened.decided),
            "state": _picked(STATES, opened.state),
            "stage": _picked(STAGES, opened.stage),
            "since": of_visit("inspected_on", opened.since),
            "risk": _picked(LEVELS, opened.level),
            "export_id": of_visit("export_id", opened.decided),
            "decided_on": of_visit("inspected_on", opened.decided),
            "found_in": of_visit("export_id", opened.since),
        }
    )


class _Batch:
    """Visits in order: where strands, systems and homes start, and what is needed of each visit."""

    def __init__(self, table, readings, found):
        self.table, self.count = table, len(readings)
        self.agency, self.home, self.system, address = _columns(table, STRAND)
        self.starts, self.home_starts = (
            starts(self.agency, self.home, self.system),
            starts(self.agency, self.home),
        )
        self.home_of_system = np.searchsorted(self.home_starts, self.starts, side="right") - 1
        self.systems_start = np.searchsorted(self.starts, self.home_starts)
        strands = starts(self.agency, self.home, self.system, address)
        self.strands_start = np.searchsorted(strands, self.starts)
        self.system_of_strand = np.searchsorted(self.starts, strands, side="right") - 1
        self.day = readings.date("inspected_on").astype(np.int64)
        self.visits = history.visits(
            strands,
            self.day,
            readings.number("boiler_year").value,
            readings.word("tank_type").codes,
            _as_found(readings),
            found.changes,
        )
        reported = readings.date("reported_on")
        self.reported = np.where(np.isnat(reported), NEVER, reported.astype(np.int64))
        self.final = readings.word("inspection_kind").among("final")
        self.reported_home = _over(np.maximum, self.reported, self.home_starts)
        self.has_final = _over(np.logical_or, self.final, self.starts)
        self.system_assessed = _over(np.logical_or, found.assessed, self.starts)
        self.in_doubt = _over(np.logical_or, found.changes.doubt, self.strands_start)
        self.gone = _over(np.logical_or, found.changes.gone, self.strands_start)
        self.two_addresses = _over(
            np.logical_or, address.to_numpy(zero_copy_only=False) > 0, self.home_starts
        )

    def of_systems(self, followed):
        """What was followed over strands, of systems: a system may have been visited at two addresses."""
        if len(self.strands_start) == len(followed.state):
            return followed
        return history.gravest(followed, self.strands_start)

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


def _homes_table(batch, opened, links, unverified):
    """One row per home, with the sentence that stands over it."""
    at, homes = batch.systems_start, len(batch.home_starts)
    count = np.bincount(opened.home, minlength=homes)
    lacking = _over(np.bitwise_or, unverified, at)
    lacking_count = _over(np.add, np.bitwise_count(unverified).astype(np.int64) + batch.in_doubt, at)
    assessed = _over(np.logical_or, batch.system_assessed, at)
    there = _over(np.logical_or, batch.system_assessed & ~batch.gone, at)
    to_report = batch.unreported_final() & assessed
    fit = (count == 0) & (lacking_count == 0)
    level, check = headline_checks(opened, links, homes)
    gravest = np.full(homes, 0xFF, np.uint8)  # level, then stage: the earlier where several are as grave
    np.minimum.at(gravest, opened.home, opened.level.astype(np.uint8) << np.uint8(4) | opened.stage)
    said = headlines(
        level=level,
        check=check,
        opened=count,
        lacking=lacking,
        systems_in_doubt=_over(np.add, batch.in_doubt.astype(np.int64), at),
        assessed=assessed,
        gone=assessed & ~there,
        two_addresses=batch.two_addresses,
        reported_open=np.bincount(opened.home[opened.stage == history.REPORTED_OPEN], minlength=homes),
    )
    visits = np.diff(np.append(batch.home_starts, batch.count))
    return pa.table(
        {
            "agency": batch.agency.take(batch.home_starts),
            "home_id": batch.home.take(batch.home_starts),
            "headline": said,
            "risk": pa.array(LEVELS, pa.string()).take(pa.array(level, mask=count == 0)),
            "stage": pa.array(STAGES, pa.string()).take(
                pa.array(np.where(count > 0, gravest & 0xF, 0), mask=count == 0)
            ),
            "open_deficiencies": pa.array(count),
            "safety_not_verified": pa.array(lacking_count),
            "region": batch.latest("region"),
            "crew": batch.latest("crew"),
            "last_inspected_on": batch.latest("inspected_on"),
            "hold_before_reporting": pa.array(to_report & ~fit),
            "may_be_reported": pa.array(to_report & fit),
            "assessed": pa.array(assessed),
            "job_number": batch.latest("job_number"),
            "reported_on": batch.last_reported(),
            "visits": pa.array(visits),
        }
    )


def _reported(table):
    """A function: measure ids → positions of the visits at which any of them is reported."""
    column = table.column("repairs_reported").combine_chunks()
    reporting = np.flatnonzero(pc.is_valid(column).to_numpy(zero_copy_only=False))
    encoded = column.take(pa.array(reporting)).dictionary_encode()
    lists, codes = (
        [set(text.split(";")) for text in encoded.dictionary.to_pylist()],
        encoded.indices.to_numpy(),
    )

    def reported(measures):
        return reporting[np.array([bool(measures & done) for done in lists], bool)[codes]]

    return reported


def _repaired(table, policy):
    """A function: check id → positions of the visits at which a measure that fixes it is reported."""
    fixing: dict[str, set[str]] = {}
    for measure in policy.measures:
        for check in measure.fixes:
            fixing.setdefault(check, set()).add(measure.id)
    reported = _reported(table)
    return lambda check: reported(fixing.get(check, set()))


STRAND = ("agency", "home_id", "system_id", "address_number")


def _columns(table, names):
    return tuple(table.column(name).combine_chunks() for name in names)


def _as_found(readings):
    """Mask of visits whose readings are of before the repairs reported there; any but final and qa."""
    return ~readings.word("inspection_kind").among("final", "qa")


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
