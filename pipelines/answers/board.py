"""The board page: a fleet on one page for people who do not read lists, with a picture of what is known."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from typing import Any

import pandas as pd

from pipelines.answers import files, reinspections
from pipelines.answers.access import Filters, Viewer, demand_known, where
from pipelines.answers.contents import limit
from pipelines.answers.lists import about
from pipelines.answers.monitoring import Waits, decided, deficiencies, in_words, silent_parts, what_waits
from pipelines.answers.one_page import MEASURE, SMALL, TEXT, TITLE, Basis, drawn, headed, listed, short
from pipelines.answers.paper import BOLD, LEADING, PLAIN, Line, set_in
from pipelines.answers.phrases import counted
from pipelines.answers.waiting import QUESTION
from pipelines.fleet.snapshots import Snapshot

MOST_AGENCIES = 12
OPEN, UNKNOWN, CLEAR, ASIDE = KNOWN = ("open", "unknown", "clear", "aside")
SAID = {
    OPEN: "Something is open",
    UNKNOWN: "Nothing open found, but not everything verified",
    CLEAR: "Nothing open, every safety-critical check verified",
    ASIDE: "Not assessed",
}
IN_WORDS = {OPEN: "open", UNKNOWN: "not all verified", CLEAR: "all verified", ASIDE: "not assessed"}
BAR, GAP, NAMES = 17.0, 7.0, 175.0  # height of a bar, between two, width for names: points
LETTERS = 9.5
LARGE = replace(TEXT, size=11, space=2.5)


@dataclass(frozen=True)
class Board:
    """A fleet for a board.

    `agencies` has a row an agency: agency and how many homes are each of KNOWN. `waits` is the first page by
    question, `year` the newest program year's sums of `reinspections.required` (None without units), `silent`
    the agencies without a recent file, `acted` open deficiencies with a decision in force.
    """

    basis: Basis
    as_of: date
    filters: dict[str, Any]
    agencies: pd.DataFrame
    waits: Waits
    year: dict[str, int] | None
    silent: tuple[str, ...]
    recent_days: int
    acted: int

    def homes(self, known: str) -> int:
        return int(self.agencies[known].to_numpy().sum())


def board(viewer: Viewer, snapshot: Snapshot, filters: Filters, as_of: date) -> Board:
    """The board page of what filters (agency, region, crew) let through; ListError where one is none."""
    demand_known(viewer, snapshot, filters)
    own = Filters(agency=filters.agency, region=filters.region, crew=filters.crew)
    recent = int(limit(viewer, snapshot, "recent_file_days"))
    of_files = files.agencies(viewer, snapshot, own, as_of)
    silent = [row["agency"] for row in of_files.to_dict("records") if silent_parts(row, as_of, recent)]
    required = reinspections.required(viewer, snapshot, own)
    newest = required[required["program_year"] == required["program_year"].max()]
    year = None
    if len(newest):
        year = {name: int(newest[name].to_numpy().sum()) for name in ("units", "required", "done", "short")}
        year["begins"] = int(newest["program_year"].to_numpy()[0])
    return Board(
        Basis.of(about("board", snapshot, as_of, own)),
        as_of,
        own.stated,
        what_is_known(viewer, snapshot, own),
        what_waits(viewer, snapshot, own, as_of),
        year,
        tuple(silent),
        recent,
        sum(decided(viewer, snapshot, own, as_of).values()),
    )


def what_is_known(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> pd.DataFrame:
    """Per agency how many homes are of each of KNOWN, each home in one of them: agency and KNOWN."""
    condition, params = where(viewer, filters, checks=None)
    return snapshot.query(
        f"""
        WITH told AS (
            SELECT h.agency,
                   CASE
                       WHEN h.open_deficiencies > 0 THEN '{OPEN}'
                       WHEN {QUESTION["none-found"].sql} THEN '{CLEAR}'
                       WHEN {QUESTION["not-assessed"].sql} THEN '{ASIDE}'
                       ELSE '{UNKNOWN}'
                   END AS known
            FROM homes AS h
            WHERE {condition})
        SELECT agency, {", ".join(f"count(*) FILTER (known = '{one}') AS {one}" for one in KNOWN)}
        FROM told
        GROUP BY agency
        ORDER BY lower(agency), agency""",
        params,
    )


# ---- on paper


def as_pdf(said: Board) -> bytes:
    """The page as a letter sheet; agencies that have no bar of their own are drawn as one."""
    foot = f"{said.basis.snapshot}, as of {said.basis.as_of}, policy {said.basis.policy}"
    most = min(MOST_AGENCIES, len(said.agencies))
    return drawn("Hot-water heating in our homes", said.basis, foot, most, lambda shown: _lines(said, shown))


def _lines(said: Board, shown: int) -> Iterator[Line]:
    yield from set_in("Hot-water heating in our homes", TITLE, MEASURE)
    chosen = "; ".join(f"{name}: {', '.join(value)}" for name, value in said.filters.items())
    only = f"Only {short(chosen, 160)}. " if chosen else ""
    yield from set_in(
        f"As of {in_words(said.as_of)}. {only}What inspections of "
        "pressure, tanks, relief valves and drinking-water protection have found, and what was done.",
        TEXT,
        MEASURE,
    )
    bars = _bars(said, shown)
    yield from headed("What is known of the homes", _known(said), LARGE)
    yield from _legend()
    yield Line(size=len(bars) * (BAR + GAP) / LEADING, space=8, figure=partial(_draw, bars))
    yield from headed("What must be done", ())
    yield from listed(_to_do(said), LARGE)
    yield from headed("What is being done", ())
    yield from listed(_doing(said), LARGE)
    yield from headed("What this page cannot say", ())
    yield from listed(_limits(said), LARGE)


def _known(said: Board) -> Iterator[str]:
    homes = sum(said.homes(one) for one in KNOWN)
    agencies = f"{len(said.agencies):,} {'agency' if len(said.agencies) == 1 else 'agencies'}"
    yield (
        f"{counted(homes, 'home')} of {agencies}. In {said.homes(OPEN):,} something is open that has to be "
        f"put right. In {said.homes(UNKNOWN):,} nothing open was found, but something that matters for "
        f"safety was never verified: nobody knows. In {said.homes(CLEAR):,} nothing is open and every "
        f"safety-critical check was verified. {said.homes(ASIDE):,} were not assessed: another kind of "
        "heating, or none recorded."
    )


def _to_do(said: Board) -> Iterator[str]:
    for question, text in (
        ("act-today", "To act on the day it is known"),
        ("high-risk", "Of high risk, next after these"),
    ):
        stages = said.waits.stages(question)
        already = f"; {stages[0]:,} of these in units already reported as finished" if stages[0] else ""
        yield f"{text}: {deficiencies(sum(stages))}{already}."
    reported, units = said.waits.reported()
    yield (
        f"{counted(units, 'unit')} reported to the funder as finished with something open "
        f"({deficiencies(reported)})."
    )
    yield f"More than 90 days past the time to correct: {deficiencies(said.waits.opened('late-over-90'))}."
    hold, clear = (said.waits.homes(name) for name in ("hold", "may-be-reported"))
    yield (
        f"{counted(hold, 'finished unit')} to hold back from reporting until put right or verified; "
        f"{clear:,} may be reported."
    )


def _doing(said: Board) -> Iterator[str]:
    none = said.waits.opened("no-action")
    yield (
        f"For {deficiencies(said.acted)} an action is recorded and in force; for {none:,} none is. "
        f"{said.waits.opened('not-held'):,} were reported repaired and found again."
    )
    if said.year is not None:
        yield (
            f"Program year from {said.year['begins']}, agency by agency: "
            f"{counted(said.year['units'], 'unit')}, {said.year['required']:,} re-inspections "
            f"required, {said.year['done']:,} done, {said.year['short']:,} short."
        )


def _limits(said: Board) -> Iterator[str]:
    if said.silent:
        rest = f" and {len(said.silent) - 4:,} more" if len(said.silent) > 4 else ""
        named = ", ".join(short(name, 40) for name in said.silent[:4])
        yield f"No file or inspection of the last {said.recent_days} days from: {named}{rest}."
    yield (
        "It rests on recorded readings and is not a safety inspection. Carbon monoxide, draft and gas leaks "
        "are outside these checks."
    )


# ---- the picture


def _bars(said: Board, shown: int) -> list[tuple[str, tuple[int, ...]]]:
    """(name, homes of each of KNOWN) for all homes, then for each agency; those not shown together."""
    rows = [
        (str(row["agency"]), tuple(int(row[one]) for one in KNOWN)) for _, row in said.agencies.iterrows()
    ]
    rest = [counts for _, counts in rows[shown:]]
    bars = [("All homes", _summed([counts for _, counts in rows]))] if len(rows) != 1 else []
    bars += rows[:shown]
    return [*bars, (f"{len(rest):,} more agencies", _summed(rest))] if rest else bars


def _summed(counts: Sequence[tuple[int, ...]]) -> tuple[int, ...]:
    return tuple(sum(of_known) for of_known in zip(*counts, strict=True)) or (0,) * len(KNOWN)


def _legend() -> Iterator[Line]:
    yield from set_in("Each bar is all homes of one agency; the numbers are homes.", SMALL, MEASURE)
    for one in KNOWN:
        yield Line(
            SAID[one],
            size=LETTERS,
            left=20,
            space=2,
            figure=partial(_swatch, one),
        )


def _swatch(known: str, canvas, left: float, bottom: float, width: float) -> None:
    _fill(canvas, known, left, bottom + 2, 13, 9)


def _draw(bars: list[tuple[str, tuple[int, ...]]], canvas, left: float, bottom: float, width: float) -> None:
    top = bottom + len(bars) * (BAR + GAP)
    room = width - NAMES
    for number, (name, counts) in enumerate(bars):
        base = top - number * (BAR + GAP) - BAR
        canvas.setFont(PLAIN if number or len(bars) == 1 else BOLD, LETTERS)
        canvas.drawString(left, base + 6.5, short(name, 34))
        start, whole, narrow = left + NAMES, sum(counts) or 1, []
        for one, count in zip(KNOWN, counts, strict=True):
            long = room * count / whole
            if count:
                _fill(canvas, one, start, base, long, BAR)
                if not _number(canvas, one, count, start, base, long):
                    narrow.append(f"{count:,} {IN_WORDS[one]}")
            start += long
        canvas.setFont(PLAIN, 6.5)
        canvas.drawString(left, base - 1, "; ".join(narrow))


def _fill(canvas, known: str, left: float, bottom: float, width: float, height: float) -> None:
    """A piece of a bar: black, hatched, white or gray, each with a line around it."""
    canvas.saveState()
    canvas.setLineWidth(0.6)
    canvas.setFillGray({OPEN: 0.0, UNKNOWN: 1.0, CLEAR: 1.0, ASIDE: 0.8}[known])
    canvas.rect(left, bottom, width, height, stroke=1, fill=1)
    if known == UNKNOWN:
        path = canvas.beginPath()
        path.rect(left, bottom, width, height)
        canvas.clipPath(path, stroke=0, fill=0)
        at = left - height
        while at < left + width:
            canvas.line(at, bottom, at + height, bottom + height)
            at += 4.0
    canvas.restoreState()


def _number(canvas, known: str, count: int, left: float, base: float, width: float) -> bool:
    """Write the count within a piece, on white where lines cross it; False where it has no room."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    text = f"{count:,}"
    wide = stringWidth(text, BOLD, LETTERS)
    if wide + 4 > width:
        return False
    middle = left + width / 2
    canvas.saveState()
    if known == UNKNOWN:
        canvas.setFillGray(1.0)
        canvas.rect(middle - wide / 2 - 2, base + 3, wide + 4, BAR - 6, stroke=0, fill=1)
    canvas.setFillGray(1.0 if known == OPEN else 0.0)
    canvas.setFont(BOLD, LETTERS)
    canvas.drawCentredString(middle, base + 5, text)
    canvas.restoreState()
    return True
