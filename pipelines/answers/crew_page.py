"""A crew's own page to hand over: what held, what did not, three things to change; nothing of others."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime

import pandas as pd

from pipelines.answers.access import Filters, NotFound, Viewer
from pipelines.answers.cautions import CAUTIONS
from pipelines.answers.contents import limit
from pipelines.answers.crews import CREW, called, charged, compared, lacking_readings
from pipelines.answers.paper import BOLD, SLANTED, SPELT, Block, Line, Paper, has_no_type_for, set_in
from pipelines.answers.phrases import called as reading_called
from pipelines.audit.charged import NOT_RIGHT, WHOSE
from pipelines.audit.units import ANY, HOME_GROUPS
from pipelines.engine.checks import BY_ID
from pipelines.fleet.snapshots import Snapshot

MOST_HELD, TO_CHANGE = 12, 3
WIDTH, HEIGHT, MARGIN = 8.5 * 72, 11 * 72, 45.0
TEXT = Line(size=10, space=2)
SEPARATED = {
    "few to compare": "too few crews to tell it from its houses",
    "own territory": "nobody else works in its regions, so it cannot be told from its houses",
    "worse in the best case": "more, whatever the missing readings had shown",
    "better in the worst case": "fewer, whatever the missing readings had shown",
}


@dataclass(frozen=True)
class CrewPage:
    """What one crew is shown of its own work, in sentences; `units` are those with a final, by `until`."""

    agency: str
    crew: str
    snapshot: str
    received_until: datetime
    units: int
    since: date
    until: date
    held: tuple[str, ...]
    not_held: tuple[str, ...]
    to_change: tuple[str, ...]
    with_chance: tuple[str, ...]
    next_time: str


def crew_page(viewer: Viewer, snapshot: Snapshot, agency: str, crew: str) -> CrewPage:
    """The page of one crew of an agency (names without case); NotFound where no final followed its work."""
    own = Filters(agency=(agency,), crew=(crew,))
    found = compared(viewer, snapshot, own, CREW)
    if found.empty:
        raise NotFound(f"no final inspection followed work of a crew {crew!r} of {agency!r}")
    agency, crew = found["agency"].iloc[0], found["name"].iloc[0]
    units, since, until = snapshot.rows(
        """
        SELECT count(*), min(r.inspected_on), max(r.inspected_on)
        FROM crew_units AS u
        JOIN readings AS r ON r.agency = u.agency AND r.inspection_id = u.inspection_id
        WHERE u.agency = ? AND u.crew = ?""",
        [agency, crew],
    )[0]
    together = found["check_id"].isin([ANY, *HOME_GROUPS])
    checks = found[~together]
    few = limit(viewer, snapshot, "few_visits")
    held = checks[(checks["observed"] == 0) & (checks["visits"] >= few)].nlargest(MOST_HELD, "visits")
    more = (checks["observed"] - checks["expected"].fillna(checks["observed"])).rename("more")
    not_held = checks.assign(more=more)[checks["observed"] > 0]
    not_held = not_held.sort_values(["more", "observed"], ascending=False, kind="stable")
    return CrewPage(
        agency,
        crew,
        snapshot.name,
        _received_until(snapshot),
        units,
        since,
        until,
        tuple(f"{called()[str(row.check_id)]}: none of {row.visits:,}" for row in held.itertuples()),
        tuple(_found(row) for row in not_held.head(MOST_HELD).itertuples()),
        tuple(_to_change(not_held, charged(viewer, snapshot, own))),
        tuple(_with_chance(row) for row in found[together].itertuples()),
        next_reading(lacking_readings(viewer, snapshot, own)),
    )


def _received_until(snapshot: Snapshot) -> datetime:
    text = snapshot.rows("SELECT max(received_at) FROM exports")[0][0]
    return datetime.fromisoformat(text.removesuffix("Z"))


def _found(row) -> str:
    due = "" if pd.isna(row.expected) else f", {row.expected:.1f} expected of the same houses"
    beyond = {"more": "; more than chance", "fewer": "; fewer than chance"}.get(row.beyond, "")
    return f"{called()[row.check_id]}: {row.observed:,} of {row.visits:,} units deficient{due}{beyond}"


def _with_chance(row) -> str:
    known = _found(row).removesuffix("; more than chance").removesuffix("; fewer than chance")
    why = "" if pd.isna(row.why) else f" ({SEPARATED[row.why]})"
    within = {"more": "more than chance gives", "fewer": "fewer than chance gives"}
    said = "cannot be told from chance" if pd.isna(row.adjusted_p) else "within chance"
    said = row.standing if row.standing in ("too few", "not enough readings") else said
    return f"{known}: {within.get(row.beyond, said)}{why}"


def _to_change(not_held: pd.DataFrame, whose: pd.DataFrame) -> Iterator[str]:
    """What lies beyond chance first, then what was ordered and is not right, then what is most above."""
    not_right = whose[whose["whose"] == WHOSE[NOT_RIGHT]].set_index("check_id")["count"]
    own = not_held["check_id"].map(not_right).fillna(0).astype(int)
    ranked = not_held.assign(beyond_chance=not_held["beyond"] == "more", own=own)
    ranked = ranked.sort_values(["beyond_chance", "own", "more"], ascending=False, kind="stable")
    for row in ranked.head(TO_CHANGE).itertuples():
        check, count = BY_ID[str(row.check_id)], int(str(row.own))
        ordered = f", {count:,} of them ordered or reported done" if count else ""
        yield f"{check.title} ({row.observed:,} units{ordered}): {check.remedy}"


def next_reading(found: pd.DataFrame) -> str:
    """The next training in one sentence, from the readings that lack; empty where none does."""
    if found.empty:
        return ""
    most = int(found["checks"].to_numpy().argmax())
    fields, checks, units = (found[name].tolist() for name in ("field", "checks", "units"))
    results = f"{checks[most]:,} {'result' if checks[most] == 1 else 'results'}"
    first = f"Record {reading_called(fields[most])} at the final: its lack leaves {results} not verified"
    if not units[0]:
        return f"{first}."
    dangers = f"a danger not ruled out in {units[0]:,} {'unit' if units[0] == 1 else 'units'}"
    if most == 0:
        return f"{first}, and {dangers}."
    return f"{first}; and {reading_called(fields[0])}: its lack leaves {dangers}."


# ---- on paper


def as_pdf(page: CrewPage) -> bytes:
    """The page on one letter sheet; the same bytes for the same snapshot.

    Where not all has room, the lists of what held and what did not are shorter.
    """
    for most in range(MOST_HELD, 0, -1):
        paper = Paper(WIDTH, HEIGHT, MARGIN, page.snapshot.removesuffix(".duckdb"))
        shorter = replace(page, held=_first(page.held, most), not_held=_first(page.not_held, most))
        paper.put(Block((), (), tuple((line,) for line in _lines(shorter, paper.measure))))
        if len(paper.pages) == 1:
            break
    return paper.drawn(f"{page.crew}, {page.agency}", page.received_until)


def _first(texts: tuple[str, ...], most: int) -> tuple[str, ...]:
    left = len(texts) - most
    return (*texts[:most], f"and {left} more") if left > 0 else texts


def _lines(page: CrewPage, measure: float) -> Iterator[Line]:
    yield from set_in(f"{page.crew}, {page.agency}", Line(font=BOLD, size=15), measure)
    when = f"{page.since:%b} {page.since.day}, {page.since.year} to {page.until:%b} {page.until.day}"
    counted = f"What finals found in {page.units:,} units after this crew's work, {when}, {page.until.year}."
    yield from set_in(counted, TEXT, measure)
    for title, texts in (
        ("Three things to change", page.to_change or ("Nothing was found deficient.",)),
        ("What did not hold", page.not_held or ("Nothing was found deficient.",)),
        ("What held", page.held or ("No check was told often enough to say so.",)),
        ("Compared with chance", page.with_chance),
        ("What to record next time", (page.next_time or "Nothing that a check needs was left out.",)),
    ):
        yield Line(title, BOLD, 11, space=9, rule=True)
        for text in texts:
            yield from set_in(text, replace(TEXT, left=10), measure)
    small = Line(font=SLANTED, size=8, space=8)
    said = (
        "Expected is what a model of region, tank, boiler's age and elevation gives for the same houses, "
        f"whoever worked there. Small numbers scatter; what was not verified is in no count. {CAUTIONS[0]}"
    )
    yield from set_in(said, small, measure)
    if any(has_no_type_for(name) for name in (page.agency, page.crew)):
        yield from set_in(SPELT, replace(small, space=2), measure)
