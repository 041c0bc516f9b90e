"""What differs between two times, or two policies, in what was open: the one comparison there is of it.

Both sides are tables as snapshot.was_open makes them. A difference is named by what it means for a manager:

newly flagged: open, and it was not known to have been open before;
recurred: open, and it was put right, or stood right, in between;
worsened: open on both sides, and now of a graver risk, or a repair did not hold;
eased: open on both sides, and now of a lesser risk;
corrected: it was open, and the last visit that tells says ok;
gone: it was open, and there is nothing left that says so or otherwise.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd
import pyarrow as pa

from pipelines.answers.access import Filters, Viewer, where
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.codes import quoted
from pipelines.engine.history import CORRECTED, DID_NOT_HOLD, OPEN_STATES, RECURRED, STATES
from pipelines.engine.policy.policy import LEVELS
from pipelines.fleet.snapshots import Snapshot
from pipelines.snapshot.was_open import KEY

WHAT = ("newly flagged", "recurred", "worsened", "eased", "corrected", "gone")
CAME, WENT = WHAT[:2], WHAT[4:]  # now open and was not; was open and is not
_OPEN = f"({', '.join(quoted(STATES[code]) for code in OPEN_STATES)})"
_LEVELS = [*LEVELS]
ROWS_A_PAGE = 40


def between(snapshot: Snapshot, before: pa.Table, after: pa.Table) -> pa.Table:
    """A row for each check at a system that differs: KEY, what, risk_before and risk (NULL: not open), since
    and inspection_id of the side on which it is open, the later one where on both.

    `snapshot` only lends its connection. Rows come in no order.
    """
    keys = " AND ".join(f"b.{name} = a.{name}" for name in KEY)

    def rank(side: str) -> str:
        return f"list_position({_LEVELS}, {side}.risk)"

    return snapshot.arrow(
        f"""
        SELECT *
        FROM (
            SELECT {", ".join(f"coalesce(a.{name}, b.{name}) AS {name}" for name in KEY)},
                   CASE WHEN was AND NOT stands
                        THEN CASE WHEN a.state = {quoted(STATES[CORRECTED])} THEN 'corrected' ELSE 'gone' END
                        WHEN stands AND NOT was
                        THEN CASE WHEN b.state IS NULL THEN 'newly flagged' ELSE 'recurred' END
                        WHEN NOT stands THEN NULL
                        WHEN {rank("a")} < {rank("b")} THEN 'worsened'
                        WHEN a.state = {quoted(STATES[RECURRED])} AND a.since > b.since THEN 'recurred'
                        WHEN a.state = {quoted(STATES[DID_NOT_HOLD])} AND a.state <> b.state THEN 'worsened'
                        WHEN {rank("a")} > {rank("b")} THEN 'eased' END AS what,
                   b.risk AS risk_before, a.risk AS risk,
                   CASE WHEN stands THEN a.since ELSE b.since END AS since,
                   CASE WHEN stands THEN a.inspection_id ELSE b.inspection_id END AS inspection_id
            FROM before AS b
            FULL JOIN after AS a ON {keys},
            LATERAL (SELECT coalesce(b.state IN {_OPEN}, false) AS was,
                            coalesce(a.state IN {_OPEN}, false) AS stands))
        WHERE what IS NOT NULL""",
        before=before,
        after=after,
    )


# ---- counted, and home by home


def of_homes(viewer: Viewer, snapshot: Snapshot, filters: Filters, differences: pa.Table) -> pa.Table:
    """The differences that the viewer may see and the filters let through, with region, crew and job_number
    of the home as the snapshot knows it.

    A home that the snapshot does not hold any more has none of these, and fits no filter by them.
    """
    condition, params = where(viewer, filters, checks=None)
    return snapshot.arrow(
        f"""
        SELECT h.*
        FROM (
            SELECT d.*, homes.region, homes.crew, homes.job_number
            FROM differences AS d
            LEFT JOIN homes ON homes.agency = d.agency AND homes.home_id = d.home_id) AS h
        WHERE {condition}""",
        params,
        differences=differences,
    )


Groups = Mapping[str, tuple[str, ...]]
EACH: Groups = {what: (what,) for what in WHAT}
RISK = "coalesce(risk, risk_before)"  # of a deficiency, or the one it had where it is not open any more


def by_check(snapshot: Snapshot, differences: pa.Table, groups: Groups = EACH) -> pd.DataFrame:
    """Homes by check and what differs: `counted` (the check's id) and a column for each group of WHAT."""
    return _counted(snapshot, differences, groups, "check_id", [check.id for check in HOME_CHECKS])


def by_risk(snapshot: Snapshot, differences: pa.Table, groups: Groups = EACH) -> pd.DataFrame:
    """The same by RISK, the gravest first: `counted` is the risk."""
    return _counted(snapshot, differences, groups, RISK, _LEVELS)


def by_why(snapshot: Snapshot, differences: pa.Table, groups: Groups = EACH) -> pd.DataFrame:
    """The same by why, of differences that say so, in the order of the alphabet."""
    return _counted(snapshot, differences, groups, "why", []).sort_values("counted", ignore_index=True)


def _counted(
    snapshot: Snapshot, differences: pa.Table, groups: Groups, by: str, order: list[str]
) -> pd.DataFrame:
    columns = ", ".join(
        f'count(DISTINCT (agency, home_id)) FILTER ({Part(what).sql}) AS "{name}"'
        for name, what in groups.items()
    )
    return snapshot.query(
        f"""
        SELECT * FROM (SELECT {by} AS counted, {columns} FROM differences GROUP BY 1)
        ORDER BY list_position({order}::VARCHAR[], counted)""",
        differences=differences,
    )


@dataclass(frozen=True)
class Part:
    """A part of the differences: of some of WHAT, of one check, risk and reason; what is empty is all."""

    what: tuple[str, ...] = ()
    check: str = ""
    risk: str = ""
    why: str = ""

    @property
    def sql(self) -> str:
        """A condition over differences."""
        said = []
        if self.what:
            said.append(f"what IN ({', '.join(map(quoted, self.what))})")
        said += [f"check_id = {quoted(self.check)}"] if self.check else []
        said += [f"{RISK} = {quoted(self.risk)}"] if self.risk else []
        said += [f"why = {quoted(self.why)}"] if self.why else []
        return " AND ".join(said) or "true"


def homes_count(snapshot: Snapshot, differences: pa.Table, part: Part) -> int:
    """In how many homes something of a part differs."""
    return snapshot.rows(
        f"SELECT count(DISTINCT (agency, home_id)) FROM differences WHERE {part.sql}", differences=differences
    )[0][0]


def homes_page(snapshot: Snapshot, differences: pa.Table, part: Part, page: int) -> pd.DataFrame:
    """One page of these homes, the gravest first, `page` from 1: agency, home_id, region, crew, job_number,
    risk (the gravest of the part), of (a tuple of records: what, check_id, risk_before, risk, why if told).
    """
    gravest = f"min(list_position({_LEVELS}, {RISK}))"
    homes = snapshot.query(
        f"""
        SELECT agency, home_id, min(region) AS region, min(crew) AS crew, min(job_number) AS job_number,
               {_LEVELS}[{gravest}] AS risk
        FROM differences
        WHERE {part.sql}
        GROUP BY agency, home_id
        ORDER BY {gravest}, agency, home_id
        LIMIT ? OFFSET ?""",
        [ROWS_A_PAGE, ROWS_A_PAGE * (page - 1)],
        differences=differences,
    )
    told = snapshot.arrow(
        f"""
        SELECT d.*
        FROM differences AS d
        SEMI JOIN homes ON homes.agency = d.agency AND homes.home_id = d.home_id
        WHERE {part.sql}
        ORDER BY list_position({_LEVELS}, {RISK}), check_id, system_id""",
        differences=differences,
        homes=homes,
    ).to_pylist()
    of: dict[tuple, list[dict]] = {}
    for one in told:
        of.setdefault((one["agency"], one["home_id"]), []).append(one)
    keys = zip(homes["agency"], homes["home_id"], strict=True)
    return homes.assign(of=pd.Series([tuple(of[key]) for key in keys], dtype=object))


COLUMNS = (*KEY, "what", "risk_before", "risk", "since", "inspection_id")


def records(snapshot: Snapshot, differences: pa.Table) -> list[dict]:
    """Every difference as a document has it, in the order of home, system and check."""
    names = [name for name in (*COLUMNS, "why") if name in differences.column_names]
    ordered = snapshot.arrow(
        f"SELECT {', '.join(names)} FROM differences ORDER BY ALL", differences=differences
    )
    return ordered.to_pylist()
