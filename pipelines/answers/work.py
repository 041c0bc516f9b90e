"""What is to be done, home by home: the list of what is open, put in the order of going and of fixing."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import Any

import numpy as np
import pyarrow as pa

from pipelines.answers import of_checks, targets
from pipelines.answers.access import Viewer
from pipelines.answers.cautions import belonging
from pipelines.answers.outcomes import seen_in_words, shown_words
from pipelines.engine.checks import BY_ID
from pipelines.engine.codes import coded, picked, piece, quoted
from pipelines.engine.policy.policy import LEVELS
from pipelines.fleet.snapshots import Snapshot
from pipelines.snapshot.headlines import IN_DOUBT, LONGEST_CHAIN, TWO_ADDRESSES

SURE = 0.8  # below it a finding says how sure it is
KEY = ("agency", "home_id", "system_id", "check_id")
# Of the list; what mappings carry beside them may be called like anything.
COLUMNS = (
    *(*KEY, "job_number", "region", "crew", "last_inspected_on", "risk", "deficiency", "observed", "low"),
    *("high", "certainty", "fix_first", "remedy", "state", "since", "due", "decided"),
)


@dataclass(frozen=True)
class Task:
    """One deficiency: what was seen, what to do, to what (`set_to`), and what brought it about.

    `standing` says its risk, when it was found (`since`) and by when it is due, and what else to know of it.
    """

    check_id: str
    title: str
    standing: str
    seen: str
    follows_from: str
    remedy: str
    set_to: tuple[str, ...]
    since: date


@dataclass(frozen=True)
class System:
    """One system of a home, `system_id` empty for the only one, and its tasks in the order of doing them."""

    system_id: str
    tasks: tuple[Task, ...]


@dataclass(frozen=True)
class Home:
    """One home to go to; `address` is None where none is recorded or the viewer may not see it.

    `remarks` are doubts about the home as a whole, `cautions` those that belong to its tasks.
    """

    agency: str
    home_id: str
    job_number: str | None
    address: str | None
    region: str | None
    crew: str | None
    last_inspected_on: date
    risk: str
    remarks: tuple[str, ...]
    cautions: tuple[str, ...]
    systems: tuple[System, ...]


def homes(viewer: Viewer, snapshot: Snapshot, rows: pa.Table) -> tuple[Home, ...]:
    """The homes of some rows of the list of what is open, whole.

    The order is that of each home's worst risk, then of the oldest of its rows. Within a home comes what must
    be acted on today; then what is linked stands together, every root before its symptoms, the gravest first.
    The address is the one recorded last.
    """
    found = _ordered(snapshot, rows).to_pylist()
    found_at = addresses(snapshot, rows) if viewer.personal else {}
    return tuple(
        _home(list(of_home), found_at.get(key))
        for key, of_home in groupby(found, key=lambda row: (row["agency"], row["home_id"]))
    )


def _ordered(snapshot: Snapshot, rows: pa.Table) -> pa.Table:
    """The rows with what the visits that decide them say beside, and what to set, in the order of doing."""
    listed = rows.select(COLUMNS).append_column("place", pa.array(np.arange(rows.num_rows)))
    decided = snapshot.arrow(
        """
        SELECT l.place, l.agency, l.home_id, l.system_id, l.check_id, o.inspection_id, o.decided_on
        FROM listed AS l
        JOIN opened AS o
            ON o.agency = l.agency AND o.home_id = l.home_id AND o.system_id = l.system_id
            AND o.check_id = l.check_id""",
        listed=listed,
    )
    visits = decided.select(["agency", "inspection_id"]).group_by(["agency", "inspection_id"]).aggregate([])
    words = " ".join(
        f"WHEN {quoted(check)} THEN {picked(texts, piece(coded(check, 'o'), 'word'))}"
        for check, texts in shown_words(snapshot).items()
    )
    return snapshot.arrow(
        f"""
        WITH RECURSIVE links AS (
            SELECT s.place AS symptom, r.place AS root
            FROM decided AS s
            JOIN causes AS c
                ON c.agency = s.agency AND c.inspection_id = s.inspection_id
                AND c.symptom_check_id = s.check_id
            JOIN decided AS r
                ON r.agency = s.agency AND r.home_id = s.home_id AND r.system_id = s.system_id
                AND r.check_id = c.root_check_id
            WHERE r.place <> s.place),
        chains AS (
            SELECT place, place AS above, 0 AS depth
            FROM decided
            UNION ALL
            SELECT c.place, l.root, c.depth + 1
            FROM chains AS c
            JOIN links AS l ON l.symptom = c.above
            WHERE c.depth < {LONGEST_CHAIN}),
        both_ways AS (
            SELECT symptom AS one, root AS other FROM links
            UNION ALL
            SELECT root, symptom FROM links),
        linked AS (
            SELECT place, place AS other
            FROM decided
            UNION
            SELECT l.place, w.other
            FROM linked AS l
            JOIN both_ways AS w ON w.one = l.other),
        families AS (
            SELECT place, min(other) AS gravest
            FROM linked
            GROUP BY place),
        depths AS (
            SELECT place, max(depth) AS depth
            FROM chains
            GROUP BY place)
        SELECT f.*, l.decided_on, h.headline, h.risk AS home_risk,
               {of_checks.reason(snapshot)} AS reason,
               CASE f.check_id {words} END AS word,
               t.* EXCLUDE (agency, inspection_id)
        FROM decided AS l
        JOIN listed AS f ON f.place = l.place
        JOIN families AS y ON y.place = l.place
        JOIN depths AS d ON d.place = l.place
        JOIN homes AS h ON h.agency = l.agency AND h.home_id = l.home_id
        JOIN judged AS o ON o.agency = l.agency AND o.inspection_id = l.inspection_id
        JOIN to_set AS t ON t.agency = l.agency AND t.inspection_id = l.inspection_id
        ORDER BY list_position({list(LEVELS)}, h.risk),
                 min(f.since) OVER (PARTITION BY l.agency, l.home_id), l.agency, l.home_id,
                 min(l.place) OVER (PARTITION BY l.agency, l.home_id, l.system_id), l.system_id,
                 f.risk <> {quoted(LEVELS[0])}, y.gravest, d.depth, l.place""",
        listed=listed,
        decided=decided,
        to_set=targets.of_visits(snapshot, visits),
    )


def addresses(snapshot: Snapshot, rows: pa.Table) -> dict[tuple[str, str], str]:
    """Address and postal code recorded last at each home, by (agency, home id)."""
    found = snapshot.rows(
        """
        SELECT r.agency, r.home_id,
               max({'day': r.inspected_on, 'visit': r.inspection_id,
                    'said': concat_ws(', ', r.address, r.postal_code)}).said
        FROM readings AS r
        SEMI JOIN listed AS l ON l.agency = r.agency AND l.home_id = r.home_id
        WHERE r.address IS NOT NULL
        GROUP BY r.agency, r.home_id""",
        listed=rows.select(["agency", "home_id"]),
    )
    return {(agency, home): said for agency, home, said in found}


def _home(rows: Sequence[dict[str, Any]], address: str | None) -> Home:
    first = rows[0]
    same = ("agency", "home_id", "job_number", "region", "crew", "last_inspected_on")
    return Home(
        **{name: first[name] for name in same},
        address=address,
        risk=first["home_risk"],
        remarks=tuple(doubt for doubt in (IN_DOUBT, TWO_ADDRESSES) if doubt in first["headline"].split("; ")),
        cautions=belonging(BY_ID[row["check_id"]] for row in rows),
        systems=tuple(_systems(rows)),
    )


def _systems(rows: Sequence[dict[str, Any]]) -> Iterator[System]:
    for system_id, of_system in groupby(rows, key=lambda row: row["system_id"]):
        yield System(system_id, tuple(map(_task, of_system)))


def _task(row: dict[str, Any]) -> Task:
    check = BY_ID[row["check_id"]]
    number = None if row["word"] or row["observed"] in (None, row["reason"]) else float(row["observed"])
    telling = row["word"] or number is not None
    seen = (
        seen_in_words(check, number, row["low"], row["high"], row["word"], row["reason"]) if telling else ""
    )
    said = "; ".join(filter(None, (seen, row["reason"])))
    return Task(
        check_id=check.id,
        title=row["deficiency"],
        standing=_standing(row),
        seen=f"{said or row['deficiency']}; read {row['decided_on']}",
        follows_from=row["fix_first"] or "",
        remedy=row["remedy"],
        set_to=targets.in_words(row),
        since=row["since"],
    )


def _standing(row: dict[str, Any]) -> str:
    unsure = row["certainty"] is not None and row["certainty"] < SURE
    facts = (
        row["risk"],
        row["state"] if row["state"] != "open" else "",
        f"since {row['since']}",
        f"due {row['due']}" if row["due"] else "no due date",
        f"certainty {row['certainty']:.2f}" if unsure else "",
        row["decided"],
    )
    return "; ".join(filter(None, facts))
