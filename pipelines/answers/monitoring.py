"""The monitoring packet of one agency: what stands and what was done; counts only, nothing of a client."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import pandas as pd

from pipelines.answers import crews, files, homes, reinspections, risks, waiting
from pipelines.answers.access import Filters, ListError, Viewer, demand_known
from pipelines.answers.contents import limit, names
from pipelines.answers.lists import about
from pipelines.answers.one_page import (
    MEASURE,
    SMALL,
    TEXT,
    TITLE,
    Basis,
    drawn,
    headed,
    listed,
    short,
    table,
)
from pipelines.answers.paper import Line, set_in
from pipelines.answers.phrases import counted
from pipelines.engine.history import STAGES
from pipelines.fleet.decided import WHAT
from pipelines.fleet.snapshots import Snapshot

MOST_LISTED = 12
OF_STAGES = ("Reported with it open", "After reporting", "After the final", "Waits for work")
LATE = {
    "late-over-90": "over 90 days",
    "late-90": "31 to 90 days",
    "late-30": "up to 30 days",
}


@dataclass(frozen=True)
class Waits:
    """What the first page counts, `rows` by question."""

    rows: dict[Any, dict[Any, Any]]

    def stages(self, question: str) -> list[int]:
        """Open deficiencies of a question at each stage."""
        return [int(self.rows[question][f"deficiencies{place}"]) for place in range(len(STAGES))]

    def opened(self, question: str) -> int:
        """Open deficiencies of a question, each at one stage."""
        return sum(self.stages(question))

    def homes(self, question: str) -> int:
        """Homes of a question of homes."""
        return int(self.rows[question]["homes"])

    def reported(self) -> tuple[int, int]:
        """(deficiencies, homes) reported to the funder with it open."""
        row = self.rows["reported-open"]
        return int(row["deficiencies0"]), int(row["homes0"])


def what_waits(viewer: Viewer, snapshot: Snapshot, filters: Filters, as_of: date) -> Waits:
    """What the first page counts of what filters let through."""
    found = waiting.first_page(viewer, snapshot, filters, as_of)
    return Waits(found.set_index("question").to_dict("index"))


@dataclass(frozen=True)
class Monitoring:
    """What is handed to who monitors an agency; frames are those of the pages that show the same numbers.

    `came` is the row of `files.agencies`, `held` that of `homes.held` (None where no unit waits to be
    reported); `years` is `reinspections.required`, `levels` `risks.levels`, `unverified`
    `waiting.not_verified`, `agreement` `crews.agreement`. `decided` counts open deficiencies by the decision
    in force, `corrected` those found once and corrected.
    """

    basis: Basis
    as_of: date
    agency: str
    recent_days: int
    came: dict[Any, Any]
    waits: Waits
    held: dict[Any, Any] | None
    years: pd.DataFrame
    levels: pd.DataFrame
    unverified: pd.DataFrame
    agreement: pd.DataFrame
    decided: dict[str, int]
    corrected: int

    @property
    def opened(self) -> int:
        return int(self.levels.drop(columns="risk").to_numpy().sum())


def monitoring(viewer: Viewer, snapshot: Snapshot, agency: str, as_of: date) -> Monitoring:
    """What to hand out about one agency (its name without case); ListError where there is none such."""
    own = Filters(agency=(agency,))
    came = files.agencies(viewer, snapshot, own, as_of)
    if came.empty:
        demand_known(viewer, snapshot, own)
        raise ListError(f"nothing was received of {agency!r}")
    held = homes.held(viewer, snapshot, own)
    basis = Basis.of(about("monitoring", snapshot, as_of, own))
    corrected = snapshot.rows(
        "SELECT coalesce(sum(systems), 0) FROM tally WHERE agency = ? AND state = 'corrected'",
        [came.iloc[0]["agency"]],
    )
    return Monitoring(
        basis,
        as_of,
        str(came.iloc[0]["agency"]),
        int(limit(viewer, snapshot, "recent_file_days")),
        came.to_dict("records")[0],
        what_waits(viewer, snapshot, own, as_of),
        None if held.empty else held.to_dict("records")[0],
        reinspections.required(viewer, snapshot, own),
        risks.levels(viewer, snapshot, own),
        waiting.not_verified(viewer, snapshot, own),
        crews.agreement(viewer, snapshot, own),
        decided(viewer, snapshot, own, as_of),
        int(corrected[0][0]),
    )


def decided(viewer: Viewer, snapshot: Snapshot, filters: Filters, as_of: date) -> dict[str, int]:
    """How many open deficiencies have which decision in force, in the order of decisions.WHAT."""
    counts = dict(
        snapshot.rows(
            "SELECT in_force, count(*) FROM found WHERE in_force IS NOT NULL GROUP BY in_force",
            found=waiting.overlaid(viewer, snapshot, filters, as_of),
        )
    )
    return {what: counts[what] for what in WHAT if what in counts}


# ---- on paper


def as_pdf(said: Monitoring) -> bytes:
    """The packet on one letter page; lists are as long as it takes, and say how much they leave out."""
    foot = f"{said.basis.snapshot}, as of {said.basis.as_of}, policy {said.basis.policy}"
    return drawn(
        f"Monitoring: {short(said.agency)}", said.basis, foot, MOST_LISTED, lambda shown: _lines(said, shown)
    )


def _lines(said: Monitoring, shown: int) -> Iterator[Line]:
    yield from set_in(f"Monitoring packet: {short(said.agency)}", TITLE, MEASURE)
    yield from set_in(
        f"As of {in_words(said.as_of)}. Counts only: no client, home, address or inspector is named. What "
        "was not verified is counted neither as good nor as bad.",
        SMALL,
        MEASURE,
    )
    yield from headed("Files received", _received(said))
    yield from headed("Units and re-inspections by program year", ())
    yield from _years(said, shown)
    yield from headed("What stands open", _open(said))
    yield from _levels(said)
    yield from headed("Hold before reporting", _held(said))
    yield from headed("Not verified", _unverified(said))
    yield from listed(_checks_not_verified(said, shown))
    yield from headed("Finals against re-inspections", _agreement(said))
    yield from listed(_disagreements(said, shown))
    yield from headed("What was done", _done(said))
    yield from set_in(
        "Rests on recorded readings; not a safety inspection. Local code and the authority having "
        "jurisdiction rule over every limit.",
        SMALL,
        MEASURE,
    )


def in_words(day: date | datetime) -> str:
    return f"{day:%B} {day.day}, {day.year}"


def _received(said: Monitoring) -> Iterator[str]:
    came = said.came
    if not came["files"]:
        yield "No file of this agency could be used."
        return
    last = "no inspection up to this day"
    if not pd.isna(came["last_inspected_on"]):
        last = f"the newest inspection up to this day is of {in_words(came['last_inspected_on'])}"
    later = f"; {counted(came['later'], 'inspection')} dated later" if came["later"] else ""
    yield (
        f"{counted(came['files'], 'file')} received, the newest on {in_words(came['received_at'])}; "
        f"{last}{later}. {counted(came['homes'], 'home')}, {came['assessed']:,} of them assessed."
    )
    silent = silent_parts(came, said.as_of, said.recent_days)
    if silent:
        yield f"No recent file: {' and '.join(silent)} more than {said.recent_days} days old."


def silent_parts(came: dict[Any, Any], as_of: date, recent_days: int) -> list[str]:
    """What of an agency (a row of `files.agencies`) is older than a recent file may be."""
    parts = (
        ("the newest file is", came["received_at"]),
        ("the newest inspection is", came["last_inspected_on"]),
    )
    return [
        name
        for name, day in parts
        if pd.isna(day) or (pd.Timestamp(as_of) - pd.Timestamp(day)).days > recent_days
    ]


def _years(said: Monitoring, shown: int) -> Iterator[Line]:
    columns = {
        "units": "Units",
        "finals": "Finals",
        "own_finals": "Own finals",
        "required": "Required",
        "done": "Done",
        "short": "Short",
        "for_cause": "For cause",
    }
    ends = [MEASURE * (0.30 + 0.70 * (at + 1) / len(columns)) for at in range(len(columns))]
    most = max(1, shown // 2)
    rows = [
        (f"Year from {row.program_year}", *(f"{getattr(row, name):,}" for name in columns))
        for row in said.years.head(most).itertuples()
    ]
    if not rows:
        yield from set_in("No unit is completed or has a final inspection.", TEXT, MEASURE)
        return
    yield from table(("Program year", *columns.values()), rows, ends)
    left = len(said.years) - most
    more = f" {counted(left, 'earlier year')} not shown." if left > 0 else ""
    own = "Own finals: by who also audited the unit or worked on it, or where nobody can tell."
    yield from set_in(f"{own}{more}", SMALL, MEASURE)


def _open(said: Monitoring) -> Iterator[str]:
    reported, homes_reported = said.waits.reported()
    late = ", ".join(f"{said.waits.opened(question):,} {words}" for question, words in LATE.items())
    yield (
        f"{deficiencies(said.opened)} open. Reported to the funder with it open: "
        f"{deficiencies(reported)} in {counted(homes_reported, 'home')}. "
        f"Past the time to correct: {late}."
    )


def _levels(said: Monitoring) -> Iterator[Line]:
    ends = [MEASURE * (0.24 + 0.76 * (at + 1) / len(STAGES)) for at in range(len(STAGES))]
    rows = [
        (str(row.risk).capitalize(), *(f"{getattr(row, f'stage{at}'):,}" for at in range(len(STAGES))))
        for row in said.levels.itertuples()
    ]
    if rows:
        yield from table(("Risk", *OF_STAGES), rows, ends)


def _held(said: Monitoring) -> Iterator[str]:
    if said.held is None:
        yield "No unit has had its final inspection and waits to be reported."
        return
    held = said.held
    yield (
        f"{counted(held['units'], 'unit')} to hold: {held['opened']:,} with something open, "
        f"{held['unverified']:,} for want of verification only ({int(held['no_column']):,} of these for "
        f"columns no file has). One reading would clear {held['one_reading']:,}, one measure "
        f"{held['one_measure']:,}. May be reported: {held['clear']:,}."
    )


def _unverified(said: Monitoring) -> Iterator[str]:
    count = said.waits.homes("safety-not-verified")
    yield (
        f"In {counted(count, 'home')} a safety-critical check was never verified; "
        f"{counted(said.came['homes'] - said.came['assessed'], 'home')} not assessed."
    )


def _checks_not_verified(said: Monitoring, shown: int) -> Iterator[str]:
    called = names()
    found = said.unverified.sort_values("homes", ascending=False, kind="stable")
    yield from _shortened(
        [
            f"{called[row['check_id']]}: {counted(row['homes'], 'home')}"
            + ("; its files have no column for it" if row["lacking"] else "")
            for row in found.to_dict("records")
        ],
        shown,
        "check",
    )


def _agreement(said: Monitoring) -> Iterator[str]:
    counts = ("pairs", "agree", "missed", "overcalled", "not_verified")
    total = {name: int(said.agreement[name].to_numpy().sum()) for name in counts}
    if not total["pairs"]:
        yield "No final has a re-inspection paired with it."
        return
    yield (
        f"Of {counted(total['pairs'], 'result')} told both times {total['agree']:,} agree; "
        f"{total['missed']:,} were ok at the final and deficient when re-inspected, "
        f"{total['overcalled']:,} the other way; {total['not_verified']:,} could not be told once or twice."
    )


def _disagreements(said: Monitoring, shown: int) -> Iterator[str]:
    found = said.agreement[said.agreement["missed"] > 0]
    found = found.sort_values("missed", ascending=False, kind="stable")
    lines = [f"{row.name}: missed {row.missed:,} of {row.pairs:,}" for row in found.itertuples(index=False)]
    yield from _shortened(lines, shown, "check")


def _done(said: Monitoring) -> Iterator[str]:
    kinds = ", ".join(f"{what} {count:,}" for what, count in said.decided.items())
    acted = sum(said.decided.values())
    none = said.waits.opened("no-action")
    yield (
        f"Of what is open, {acted:,} {'has' if acted == 1 else 'have'} an action in force"
        f"{f' ({kinds})' if kinds else ''} and {none:,} {'has' if none == 1 else 'have'} none. Repairs "
        f"claimed and not borne out: {said.waits.opened('not-held'):,}. Found once and corrected: "
        f"{said.corrected:,}."
    )


def deficiencies(count: int) -> str:
    return f"{count:,} {'deficiency' if count == 1 else 'deficiencies'}"


def _shortened(texts: Sequence[str], most: int, what: str) -> Iterator[str]:
    yield from texts[:most]
    left = len(texts) - most
    if left > 0:
        yield f"and {counted(left, what)} more"
