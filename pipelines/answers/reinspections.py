"""Re-inspections: how many the program asks for, and a random sample drawn of the units not re-inspected yet.

A unit is a home, system and job. The frame is every unit of an agency and program year with a final and
without a sample re-inspection since; a visit for cause leaves a unit in it, since who is looked at for a
reason must not change what chance looks at.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import Any

import numpy as np
import pandas as pd

from pipelines.answers.access import Filters, ListError, Viewer, demand_known, where
from pipelines.answers.contents import limit
from pipelines.answers.phrases import counted
from pipelines.audit import drawing
from pipelines.fleet.snapshots import Snapshot

SHARE, DISCOVER, NUMBER = "share", "discover", "number"
MOST_SEED = 10**9
LEFT = "final_on IS NOT NULL AND again_on IS NULL"  # what a sample is drawn from
COUNTED = {
    "units": "true",
    "finals": "final_on IS NOT NULL",
    "own_finals": "own_final",
    "done": "again_on IS NOT NULL",
    "for_cause": "for_cause > 0",
    "in_frame": LEFT,
}
HOW_DRAWN = (
    "Within a stratum units stand in the order of the SHA-256 of seed, agency, home_id, system_id and "
    "job_number, a line each, no line end after the last; the first are drawn, the next are alternates. "
    "The frame's SHA-256 is of a line per unit in the order of these four texts, they and the crew joined by "
    "tabs, each line with its line end."
)


class NothingShort(ListError):
    """The program's share is re-inspected already: nothing is wrong, and nothing is left to draw by it."""


@dataclass(frozen=True)
class Asked:
    """What is to be drawn: of which agencies (none: all) and program year, by which rule, from which seed.

    `rule` SHARE draws what each agency is short of, DISCOVER so many that one bad unit at least is among them
    were `amount` percent bad, NUMBER `amount` units.
    """

    agencies: tuple[str, ...]
    year: int
    rule: str
    amount: float
    seed: int


def fresh_seed() -> int:
    return secrets.randbelow(MOST_SEED)


def required(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> pd.DataFrame:
    """Re-inspections the program asks for, by agency and program year, the newest year first.

    Columns: agency, program_year, units (completed, or with a final), finals, own_finals (by who also
    audited the unit or worked on it), required, done, for_cause (units visited for cause), short, in_frame
    (LEFT).
    """
    condition, params = where(viewer, Filters(agency=filters.agency), homes="u")
    counts = ", ".join(f"count(*) FILTER ({holds}) AS {name}" for name, holds in COUNTED.items())
    found = snapshot.query(
        f"""
        SELECT agency, program_year, {counts}
        FROM program_units AS u
        WHERE {condition}
        GROUP BY agency, program_year
        ORDER BY program_year DESC, lower(agency), agency""",
        params,
    )
    share, own_share = shares(viewer, snapshot)
    asked = share * (found["units"] - found["own_finals"]) + own_share * found["own_finals"]
    needed = np.ceil(asked.round(6)).astype(int)
    found.insert(5, "required", needed)
    return found.assign(short=(needed - found["done"]).clip(lower=0))


def units(viewer: Viewer, snapshot: Snapshot, agency: str, year: int, counted_as: str) -> pd.DataFrame:
    """The units behind one number of `required` (one of COUNTED): of an agency and program year.

    Columns: agency, home_id, system_id, job_number, crew, completed_on, final_on, final_id, again_on,
    again_id.
    """
    condition, params = where(viewer, Filters(agency=(agency,)), homes="u")
    return snapshot.query(
        f"""
        SELECT agency, home_id, system_id, job_number, crew, completed_on, final_on, final_id, again_on,
               again_id
        FROM program_units AS u
        WHERE {COUNTED[counted_as]} AND program_year = ? AND {condition}
        ORDER BY agency, home_id, system_id, job_number""",
        [year, *params],
    )


def shares(viewer: Viewer, snapshot: Snapshot) -> tuple[float, float]:
    """(share of units to re-inspect, the same where the final's inspector audited or worked there)."""
    share, own = (
        limit(viewer, snapshot, name) for name in ("reinspected_share", "reinspected_share_own_final")
    )
    return share, own


def years(viewer: Viewer, snapshot: Snapshot) -> dict[int, str]:
    """Program years that units are of, the newest first, with their first and last day in words."""
    condition, params = where(viewer, Filters(), homes="u")
    found = snapshot.rows(
        f"SELECT DISTINCT program_year FROM program_units AS u WHERE {condition} ORDER BY 1 DESC", params
    )
    month, day = (int(limit(viewer, snapshot, f"program_year_begins_{name}")) for name in ("month", "day"))
    return {year: _year_said(year, month, day) for (year,) in found if year is not None}


def _year_said(year: int, month: int, day: int) -> str:
    begins = date(year, month, day)
    ends = date.fromordinal(date(year + 1, month, day).toordinal() - 1)
    return f"{begins:%b} {begins.day}, {begins.year} to {ends:%b} {ends.day}, {ends.year}"


# ---- the draw


def sample(viewer: Viewer, snapshot: Snapshot, asked: Asked, drawn_on: date) -> dict[str, Any]:
    """A sample as a document for JSON; the same for the same snapshot and question, but for `drawn_on`.

    `homes` are those drawn, stratum by stratum, and after those of a stratum its alternates. ListError where
    there is nothing to draw from, or not so much.
    """
    demand_known(viewer, snapshot, Filters(agency=asked.agencies))
    if not 0 <= asked.seed <= MOST_SEED:
        raise ListError(f"a seed is a whole number up to {MOST_SEED:,}, not {asked.seed}")
    there = years(viewer, snapshot)
    if asked.year not in there:
        known = ", ".join(map(str, there)) or "none"
        raise ListError(f"no unit is of a program year that begins in {asked.year}; there are: {known}")
    frame = _frame(viewer, snapshot, asked)
    if not frame:
        raise ListError("every unit with a final is re-inspected already: there is none to draw")
    parts, why = _parts(viewer, snapshot, asked, frame)
    strata: list[dict[str, Any]] = []
    homes: list[dict[str, Any]] = []
    for units, size in parts:
        of_part, of_homes = _drawn(units, size, asked.seed)
        strata += of_part
        homes += of_homes
    return {
        "snapshot": snapshot.name,
        "drawn_on": drawn_on.isoformat(),
        "seed": asked.seed,
        "size": sum(stratum["drawn"] for stratum in strata),
        "why": why,
        "agencies": list(dict.fromkeys(unit[0] for unit in frame)),
        "program_year": asked.year,
        "year": there[asked.year],
        "frame": {"units": len(frame), "sha256": drawing.hash_of_frame(unit[:5] for unit in frame)},
        "how": HOW_DRAWN,
        "strata": strata,
        "homes": homes,
    }


def _frame(viewer: Viewer, snapshot: Snapshot, asked: Asked) -> list[tuple]:
    """The units to draw from in their order: agency, home, system, job, crew ('' where none), final's day."""
    condition, params = where(viewer, Filters(agency=asked.agencies), homes="u")
    return snapshot.rows(
        f"""
        SELECT agency, home_id, system_id, job_number, coalesce(crew, ''), final_on
        FROM program_units AS u
        WHERE {LEFT} AND program_year = ? AND {condition}
        ORDER BY agency, home_id, system_id, job_number""",
        [asked.year, *params],
    )


def _parts(
    viewer: Viewer, snapshot: Snapshot, asked: Asked, frame: list[tuple]
) -> tuple[list[tuple[list[tuple], int]], str]:
    """(units and how many to draw of them) for each part of the frame with a size of its own; and why."""
    count = len(frame)
    if asked.rule == SHARE:
        return _by_share(viewer, snapshot, asked, frame)
    if asked.rule == DISCOVER:
        if not 0 < asked.amount <= 100:
            raise ListError(f"a share to discover is above 0 and up to 100 percent, not {asked.amount:g}")
        bad = max(1, int(np.ceil(round(count * asked.amount / 100, 6))))
        size = drawing.discovery_size([(unit[0], unit[4]) for unit in frame], bad)
        why = (
            f"discovery: were {asked.amount:g} % of the frame bad ({bad:,} of {counted(count, 'unit')}), one "
            "of them at least would be drawn with a probability of 95 % or more, wherever they stand"
        )
        return [(frame, size)], why
    size = int(asked.amount)
    if not 1 <= size <= count:
        raise ListError(f"{size:,} units cannot be drawn: the frame has {counted(count, 'unit')}")
    return [(frame, size)], f"a number asked for: {counted(size, 'unit')} of {count:,}"


def _by_share(viewer, snapshot, asked, frame):
    found = required(viewer, snapshot, Filters(agency=asked.agencies))
    found = found[found["program_year"] == asked.year].set_index("agency")
    parts, said = [], []
    for agency, of_agency in groupby(frame, key=lambda unit: unit[0]):
        units, row = list(of_agency), found.loc[agency]
        size = min(int(row["short"]), len(units))
        if size:
            parts.append((units, size))
            said.append(f"{agency} {row['done']:,} done of {row['required']:,} required, {size:,} drawn")
    if not parts:
        raise NothingShort(
            "no re-inspection is short of the program's share in that year: ask for a number or for discovery"
        )
    return parts, f"the program's share: {'; '.join(said)}"


def _drawn(units: list[tuple], size: int, seed: int) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """(strata, homes) of one part of the frame."""
    names, stratum = drawing.strata_of([(unit[0], unit[4]) for unit in units], size)
    numbers = [drawing.number_of(seed, unit[:4]) for unit in units]
    drawn = drawing.draw(numbers, stratum, drawing.allocated(np.bincount(stratum), size))
    strata = [
        {
            "stratum": _stratum_said(name),
            "units": int(there),
            "drawn": int(taken),
            "weight": round(int(there) / int(taken), 6),
        }
        for name, there, taken in zip(names, drawn.size, drawn.drawn, strict=True)
    ]
    homes = []
    for unit, of, order, alternate in zip(
        drawn.unit, drawn.stratum, drawn.order, drawn.alternate, strict=True
    ):
        agency, home_id, system_id, job_number, crew, final_on = units[unit]
        homes.append(
            {
                "agency": agency,
                "home_id": home_id,
                "system_id": system_id,
                "job_number": job_number,
                "crew": crew or None,
                "final_on": final_on.isoformat(),
                "stratum": strata[of]["stratum"],
                "weight": strata[of]["weight"],
                "order": int(order),
                "alternate": bool(alternate),
            }
        )
    return strata, homes


def _stratum_said(name: tuple[str, ...]) -> str:
    """A stratum in words, no two alike."""
    if not name:
        return "(all agencies)"
    if len(name) == 1:
        return f"{name[0]}: (all crews)"
    return f"{name[0]}: {name[1] or '(crew not recorded)'}"
