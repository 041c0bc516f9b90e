"""Batches of whole homes → every number of them: in this process, or in some others side by side.

Another process (`python -m pipelines.snapshot.workers`) is told the policy, then one batch after another,
each answered before the next; it ends when nobody speaks to it any more. Python runs one thread at a time, so
threads would not do.
"""

import os
import pickle
import signal
import subprocess
import sys
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from pathlib import Path
from queue import SimpleQueue

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.engine.arrays import Numbers, from_arrow
from pipelines.engine.causes import NOTES, Links, causes
from pipelines.engine.checks import CHECKS
from pipelines.engine.heating import NOT_RECORDED
from pipelines.engine.quantities.assessed import recorded_heating
from pipelines.engine.quantities.resolver import Recomputed
from pipelines.engine.reasons import gap
from pipelines.engine.results import results
from pipelines.fleet.logs import FleetError
from pipelines.snapshot import homes, tables
from pipelines.snapshot.tables import VISIT

# Rows a formula runs over at once: with fewer, calls cost more than they do; with more, arrays leave the
# cache.
ROWS_IN_CACHE = 26_000
DAYS_A_MONTH = 365.25 / 12.0
LENGTH_BYTES = 8
PIPE_BYTES = 1 << 20  # of a pipe, so that its ends wait for each other less often


@contextmanager
def judges(policy, processes):
    """A function like `judge` without the policy; as many threads may call it at once as there are processes.

    With less than two processes it judges in this one. FleetError where a process could not do it.
    """
    if processes < 2:
        yield partial(judge, policy=policy)
        return
    free: SimpleQueue[_Process] = SimpleQueue()
    started: list[_Process] = []
    try:
        for _ in range(processes):
            started.append(_Process(policy))
            free.put(started[-1])

        def ask(table):
            process = free.get()
            try:
                return process.ask(table)
            finally:
                free.put(process)

        yield ask
    finally:
        for process in started:
            process.end()


class _Process:
    """Another process that judges."""

    def __init__(self, policy):
        root = str(Path(__file__).resolve().parents[2])
        path = os.pathsep.join(filter(None, (root, os.environ.get("PYTHONPATH"))))
        # A session of its own, so that CTRL-C reaches only this process, which then ends the other.
        self.process = subprocess.Popen(
            [sys.executable, "-m", "pipelines.snapshot.workers"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            pipesize=PIPE_BYTES,
            env=os.environ | {"PYTHONPATH": path, "OMP_NUM_THREADS": "1"},
            start_new_session=True,
        )
        assert self.process.stdin and self.process.stdout
        self.asked, self.answers = self.process.stdin, self.process.stdout
        # One that is gone already is found out by the first question.
        with suppress(BrokenPipeError):
            _put(self.asked, pickle.dumps(policy))

    def ask(self, table):
        try:
            _send(self.asked, table)
            found = _got(self.answers)
            if found is not None:
                shown, names = pickle.loads(found)
                return {name: _received(self.answers) for name in names}, shown
        except (BrokenPipeError, ConnectionResetError, pa.ArrowInvalid):
            pass
        raise FleetError(
            "A process that worked out inspections ended before it answered, as where memory runs out: "
            "close other programs and run the command again; nothing was published."
        )

    def end(self):
        self.process.kill()
        with suppress(BrokenPipeError):
            self.asked.close()
        self.answers.close()
        self.process.wait()


def serve(asked, answers, policy):
    """Judge every batch that is asked for until the asking ends."""
    while asked.peek(1):
        tables, shown = judge(_received(asked), policy)
        _put(answers, pickle.dumps((shown, list(tables))))
        for table in tables.values():
            _send(answers, table)


def _put(stream, data):
    stream.write(len(data).to_bytes(LENGTH_BYTES, "little"))
    stream.write(data)
    stream.flush()


def _got(stream):
    """What was put, or None where the stream ends before it."""
    length = stream.read(LENGTH_BYTES)
    data = stream.read(int.from_bytes(length, "little")) if len(length) == LENGTH_BYTES else b""
    return data if len(length) == LENGTH_BYTES and len(data) == int.from_bytes(length, "little") else None


def _send(stream, table):
    with pa.ipc.new_stream(pa.PythonFile(stream, "w"), table.schema) as writer:
        writer.write_table(table)
    stream.flush()


def _received(stream):
    """A table that was sent; pa.ArrowInvalid where the stream ends before it does."""
    with pa.ipc.open_stream(pa.PythonFile(stream, "r")) as reader:
        return reader.read_all().combine_chunks()


def judge(table, policy):
    """Every number of a batch of whole homes, as Arrow tables by the name of their table.

    And check id → (words, numbers) that its results may show.
    """
    readings = from_arrow(table)
    changes = homes.heating_changes(table, readings)
    readings.fleetwide = fleetwide(table, readings, changes)
    rows_policy = (
        policy.for_rows(_kinds(table, policy.days_of_change)) if policy.regions else policy.for_rows()
    )
    keys = {name: table.column(name) for name in VISIT}
    slices = [
        _judged(readings, rows_policy, keys, start)
        for start in range(0, max(1, len(readings)), ROWS_IN_CACHE)
    ]
    tables = {name: pa.concat_tables([one.tables[name] for one in slices]) for name in slices[0].tables}

    def whole(of_slice):
        return np.concatenate([of_slice(one) for one in slices])

    outcomes = {
        check.id: tuple(
            whole(lambda one, check=check, which=which: one.outcomes[check.id][which]) for which in (0, 1)
        )
        for check in CHECKS
    }
    active = {check.id: whole(lambda one, check=check: one.active[check.id]) for check in CHECKS}
    graver, uncounted = (
        {
            check: whole(lambda one, check=check, which=which: one.weighed[which][check])
            for check in slices[0].weighed[which]
        }
        for which in ("graver", "uncounted")
    )
    assessed = whole(lambda one: one.assessed)
    links = Links(
        *(whole(lambda one, name=name: getattr(one.links, name)) for name in Links.__dataclass_fields__)
    )
    found = homes.Found(outcomes, active, assessed, links, changes, graver, uncounted)
    return tables | homes.roll_up(table, readings, found, policy), slices[0].shown


@dataclass(frozen=True)
class _Judged:
    """What was found of some inspections.

    `tables` by name, `outcomes` check id → (outcome, certainty), `active` check id → mask of what is at work
    already, `assessed` a mask, `links` with positions in the batch, `shown` check id → (words, numbers) that
    its results may show, `weighed` by the names `graver` and `uncounted` check id → mask, for the checks that
    have one.
    """

    tables: dict
    outcomes: dict
    active: dict
    assessed: np.ndarray
    links: Links
    shown: dict
    weighed: dict


def _judged(readings, policy, keys, start):
    """A few thousand inspections from `start` on, so few that they stay in the processor's cache."""
    rows = slice(start, min(start + ROWS_IN_CACHE, len(readings)))
    recomputed = Recomputed(readings.rows(rows), policy.rows(rows))
    found = results(recomputed)
    links, active = causes(recomputed, found)
    here = {name: value.slice(rows.start, rows.stop - rows.start) for name, value in keys.items()}
    made = {"judged": tables.judged_table(here, recomputed, found), "causes": _causes_table(here, links)}
    outcomes = {check: (result.outcome, result.certainty) for check, result in found.items()}
    shown = {
        check: (result.words.words if result.words is not None else (), result.shows)
        for check, result in found.items()
    }
    weighed = {
        which: {check: mask for check, one in found.items() if (mask := getattr(one, which)) is not None}
        for which in ("graver", "uncounted")
    }
    links = replace(links, rows=links.rows + start)
    return _Judged(made, outcomes, active, recomputed["assessed"], links, shown, weighed)


def _kinds(table, days_of_change):
    """Distinct (agency, region, day) of the rows and a code per row; the day is the last day of change."""
    agency, region = (pc.fill_null(table.column(name), "").combine_chunks() for name in ("agency", "region"))
    both = pc.binary_join_element_wise(agency, region, "\x1f").dictionary_encode()
    inspected = table.column("inspected_on").to_numpy().astype("datetime64[D]")
    periods = [date.min, *days_of_change]
    period = np.searchsorted(np.array(days_of_change, "datetime64[D]"), inspected, side="right")
    distinct, codes = np.unique(both.indices.to_numpy() * len(periods) + period, return_inverse=True)
    names = [text.split("\x1f") for text in both.dictionary.to_pylist()]
    return [(*names[one // len(periods)], periods[one % len(periods)]) for one in distinct.tolist()], codes


def _causes_table(keys, links):
    ids = pa.array([check.id for check in CHECKS] + [None], pa.string())
    rows = pa.array(links.rows)
    return pa.table(
        {
            "agency": keys["agency"].take(rows),
            "inspection_id": keys["inspection_id"].take(rows),
            "root_check_id": ids.take(pa.array(np.where(links.roots < 0, len(CHECKS), links.roots))),
            "symptom_check_id": ids.take(pa.array(links.symptoms)),
            "note": pa.array(NOTES, pa.string()).take(pa.array(links.notes)),
            "after_psig": pa.array(links.after_psig, from_pandas=True),
        }
    )


def fleetwide(table, readings, changes):
    """The comparisons as quantities with their reasons; `changes` are those of the heating system."""

    def column(name):
        return table.column(name).to_numpy(zero_copy_only=False).astype(float)

    repeated, gallons, days = column("repeated"), column("gallons"), column("days")
    five = np.logical_and.reduce(
        [
            readings.number(name).known
            for name in (
                "cold_pressure_psig",
                "hot_pressure_psig",
                "cold_temperature_f",
                "hot_temperature_f",
                "precharge_psig",
            )
        ]
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        monthly = gallons / (days / DAYS_A_MONTH)
    meter = readings.number("makeup_meter_gal")
    gaps = np.select(
        [~meter.known, np.isnan(days) | (days <= 0), gallons < 0],
        [meter.gap, gap("no earlier meter reading"), gap("meter went backwards")],
        np.uint16(0),
    )
    repeat_gaps = np.select(
        [~five, np.isnan(repeated)],
        [gap("fewer than five readings to compare"), gap("taker of the readings not recorded")],
        np.uint16(0),
    )
    heating = recorded_heating(readings)
    heating_gaps = np.where(heating == NOT_RECORDED, gap("heating system not recorded", "heating_system"), 0)
    addressed = table.column("addressed").to_numpy(zero_copy_only=False).astype(bool)
    address_gaps = np.where(addressed, 0, gap("address or postal code not recorded"))

    def flag(odd, gaps):
        return Numbers(np.where(gaps == 0, odd, np.nan), gaps.astype(np.uint16))

    return {
        "changed_unexplained": flag(changes.odd, heating_gaps),
        "other_address": flag(column("address_number") > 0, address_gaps),
        "makeup_gal_per_month": Numbers(np.where(gaps == 0, monthly, np.nan), gaps),
        "repeated_elsewhere": Numbers(np.where(repeat_gaps == 0, repeated, np.nan), repeat_gaps),
    }


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with suppress(BrokenPipeError, pa.ArrowInvalid):
        serve(sys.stdin.buffer, sys.stdout.buffer, pickle.loads(_got(sys.stdin.buffer)))
