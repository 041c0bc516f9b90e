"""Samples drawn so far: how many of their units were visited, what was found, and what that lets conclude."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa

from pipelines.answers.access import Viewer
from pipelines.answers.phrases import counted
from pipelines.audit.chance import most_bad
from pipelines.audit.drawing import most_bad_of_strata
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.codes import coded, piece
from pipelines.engine.results import DEFICIENT, NOT_VERIFIED
from pipelines.fleet.samples import UNIT, Sample, unit_of
from pipelines.fleet.snapshots import Snapshot
from pipelines.intake.cells import folded

SAFETY = [check.id for check in HOME_CHECKS if check.safety_critical]


@dataclass(frozen=True)
class Progress:
    """A sample and what came of it so far.

    `visited` of its `size` units were re-inspected; `told` is at how many of these every danger was told, or
    one was found; `dangers` at how many one was found. `checks` has a row for each check told at one of them
    at least: check_id, told, deficient, at_most (share of the frame, with 95 % confidence).
    """

    sample: Sample
    visited: int
    told: int
    dangers: int
    gone: int
    conclusion: tuple[str, ...]
    checks: pd.DataFrame

    @property
    def size(self) -> int:
        return self.sample.drawn["size"]

    @property
    def frame(self) -> int:
        """Units of all strata drawn from."""
        return sum(stratum["units"] for stratum in self.sample.drawn["strata"])


def seen_by(viewer: Viewer, samples: list[Sample]) -> list[Sample]:
    """Samples of agencies that the viewer may see."""
    if viewer.agencies is None:
        return samples
    own = set(map(folded, viewer.agencies))
    return [one for one in samples if set(map(folded, one.drawn["agencies"])) <= own]


def progress(viewer: Viewer, snapshot: Snapshot, sample: Sample) -> Progress:
    """What the snapshot tells of a sample's units; for-cause visits are not looked at."""
    names = [stratum["stratum"] for stratum in sample.drawn["strata"]]
    sizes = np.array([stratum["units"] for stratum in sample.drawn["strata"]], np.int64)
    found = _outcomes(snapshot, sample)
    outcomes = {check.id: found[check.id].to_numpy() for check in HOME_CHECKS}
    stratum = found["stratum"].map(names.index).to_numpy(np.int64)
    safety = np.stack([outcomes[check_id] for check_id in SAFETY])
    dangerous = (safety == DEFICIENT).any(axis=0)
    sound = ~(safety == NOT_VERIFIED).any(axis=0) & (safety < NOT_VERIFIED).any(axis=0)
    told = dangerous | sound
    dangers = int(dangerous.sum())

    def at_most(of: np.ndarray, bad: int) -> int:
        return most_in_frame(sizes, np.bincount(stratum[of], minlength=len(sizes)), bad)

    rows = []
    for check_id, outcome in outcomes.items():
        telling, bad = outcome < NOT_VERIFIED, int((outcome == DEFICIENT).sum())
        if telling.any():
            share = at_most(telling, bad) / sizes.sum()
            rows.append((check_id, int(telling.sum()), bad, share))
    lost = len(sample.to_visit) - _still_there(snapshot, sample)
    return Progress(
        sample,
        len(found),
        int(told.sum()),
        dangers,
        lost,
        tuple(_conclusion(sample, sizes, len(found), told, dangers, at_most(told, dangers), lost)),
        pd.DataFrame(rows, columns=["check_id", "told", "deficient", "at_most"]),
    )


def most_in_frame(sizes, told, bad: int) -> int:
    """Most bad units in all strata that so many `bad` among those `told` of each leave likely, 95 % sure.

    Not less than where none was found and the bad ones stand where fewest were looked at, so that a crew not
    visited yet is wholly in doubt.
    """
    sizes, told = np.asarray(sizes, np.int64), np.asarray(told, np.int64)
    as_one = int(most_bad(sizes.sum(), told.sum(), bad))
    return max(as_one, most_bad_of_strata(sizes, told))


def _conclusion(sample, sizes, visited, told, dangers, most, lost):
    size, frame, known = sample.drawn["size"], int(sizes.sum()), int(told.sum())
    if not visited:
        yield f"None of {counted(size, 'unit')} has been re-inspected yet: nothing can be concluded."
    else:
        said = f"{dangers:,} of {counted(known, 'unit')} with an open danger"
        if not known:
            said = f"At none of {counted(visited, 'unit')} visited could every danger be told"
        yield (
            f"{said}: with 95 % confidence at most {most:,} of the {counted(frame, 'unit')} of the frame "
            f"({-(-1000 * most // frame) / 10:.1f} %) had one."
        )
        if visited > known > 0 or (visited and not known):
            yield (
                f"At {counted(visited - known, 'unit')} visited no danger was found, but not every "
                "safety-critical check was verified: they count as not looked at, not as sound."
            )
        if visited < size:
            yield f"{counted(size - visited, 'unit')} of the sample not re-inspected yet: not in the bound."
    if sample.replacements:
        yield (
            f"{counted(len(sample.replacements), 'unit')} replaced by an alternate: homes that could not be "
            "entered may differ from those that could."
        )
    if lost:
        yield f"{counted(lost, 'unit')} no longer in the data under the same home, system and job."


def _outcomes(snapshot: Snapshot, sample: Sample) -> pd.DataFrame:
    """Outcome of every check at the re-inspection of each unit visited, as whole numbers, and its stratum."""
    outcomes = ", ".join(
        f'({piece(coded(check.id, "j"), "outcome")})::INTEGER AS "{check.id}"' for check in HOME_CHECKS
    )
    return snapshot.query(
        f"""
        SELECT s.stratum, {outcomes}
        FROM to_visit AS s
        JOIN program_units AS u USING (agency, home_id, system_id, job_number)
        JOIN judged AS j ON j.agency = u.agency AND j.inspection_id = u.again_id
        ORDER BY s.place""",
        to_visit=_to_visit(sample),
    )


def _still_there(snapshot: Snapshot, sample: Sample) -> int:
    return snapshot.rows(
        """
        SELECT count(*)
        FROM to_visit
        SEMI JOIN program_units USING (agency, home_id, system_id, job_number)""",
        to_visit=_to_visit(sample),
    )[0][0]


def _to_visit(sample: Sample) -> pa.Table:
    """The units to visit with their stratum and place in the sample."""
    homes = sample.to_visit
    columns = {name: [unit_of(home)[at] for home in homes] for at, name in enumerate(UNIT)}
    columns["stratum"] = [home["stratum"] for home in homes]
    table = pa.table({name: pa.array(texts, pa.string()) for name, texts in columns.items()})
    return table.append_column("place", pa.array(range(len(homes)), pa.int64()))
