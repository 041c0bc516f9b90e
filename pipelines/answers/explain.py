"""One inspection, and one home, told from the line of the file on: readings, recomputed numbers, results, causes.

Plain values that a terminal, a page or a script can show; nothing is computed here that the snapshot does not hold.
"""

from dataclasses import asdict, dataclass
from datetime import date, datetime

from pipelines.answers.access import Filters, Viewer, where
from pipelines.answers.decisions import overlay
from pipelines.answers.lists import CAUTIONS
from pipelines.answers.phrases import amount, band, called, limit, shown, shown_quantity, sure
from pipelines.build.tables import IN_FORCE, REPEATED, SUPERSEDED, TWO_THINGS
from pipelines.engine.checks import BY_ID, CHECKS, HOME_CHECKS
from pipelines.engine.codes import (
    CERTAINTY_STEPS,
    FIELD_NAMES,
    NUMBERS,
    coded,
    column,
    pieces_of_results,
    pieces_of_states,
)
from pipelines.engine.history import STAGES, STATES
from pipelines.engine.policy.policy import LEVELS
from pipelines.engine.quantities import BY_NAME as QUANTITIES
from pipelines.engine.quantities import COLUMNS, FLAGS, resolver
from pipelines.engine.reasons import REASONS
from pipelines.engine.results import DEFICIENT, OUTCOMES
from pipelines.fields import BY_NAME, PERSONAL
from pipelines.intake.cells import collapsed, folded

STANDINGS = {
    IN_FORCE: "in force",
    SUPERSEDED: "superseded",
    REPEATED: "repeated",
    TWO_THINGS: "the file says two things",
}


NOT_KNOWN = "not known"


class NotFound(LookupError):
    """No such inspection or home among those the viewer may see."""


@dataclass(frozen=True)
class Reading:
    """One reading as recorded: `value` typed (text, number, date), `text` as shown."""

    field: str
    value: str | float | date | datetime
    text: str


@dataclass(frozen=True)
class Unused:
    """One cell of the row that was received and not used as read; `raw_text` is None where it must not be shown."""

    heading: str
    field: str
    raw_text: str | None
    reason: str
    expected: str


@dataclass(frozen=True)
class Number:
    """One recomputed quantity: `value` None where it is not known, `rests_on` what was estimated or taken for it."""

    name: str
    title: str
    value: float | None
    text: str
    rests_on: tuple[str, ...] = ()


@dataclass(frozen=True)
class Result:
    """One check's outcome with its band or word, and all of it in words."""

    check_id: str
    title: str
    outcome: str
    observed: float | None
    low: float | None
    high: float | None
    observed_text: str | None
    certainty: float | None
    reason: str | None
    reason_field: str | None
    text: str

    @property
    def check(self):
        return BY_ID[self.check_id]


@dataclass(frozen=True)
class Cause:
    """A root and the symptom it brings about at this visit; no root where the cause is not told."""

    root_check_id: str | None
    symptom_check_id: str
    note: str
    after_psig: float | None
    fix_first: bool
    text: str


@dataclass(frozen=True)
class Source:
    """Where a row of an inspection came from, and how it stands."""

    export_id: int
    file_name: str
    source_line: int
    standing: str
    received_at: str


@dataclass(frozen=True)
class Inspection:
    """Everything about one inspection in force; `other_rows` are rows of the same inspection that are not."""

    snapshot: str
    agency: str
    inspection_id: str
    home_id: str
    system_id: str
    inspected_on: date
    source: Source
    other_rows: tuple[Source, ...]
    readings: tuple[Reading, ...]
    unused: tuple[Unused, ...]
    recomputed: tuple[Number, ...]
    flags: dict[str, bool]
    results: tuple[Result, ...]
    causes: tuple[Cause, ...]


@dataclass(frozen=True)
class Visit:
    """One visit to one system of a home, in the order that history follows."""

    inspection_id: str
    system_id: str
    inspected_on: date
    inspection_kind: str | None
    crew: str | None
    inspector: str | None
    stated_result: str | None
    job_number: str | None
    repairs_reported: str | None
    reported_on: date | None
    source: Source
    assessed: bool


@dataclass(frozen=True)
class Standing:
    """How one check of one system stands, and what every visit to it said: (inspection id, outcome, words) in order."""

    system_id: str
    check_id: str
    title: str
    state: str
    stage: str | None
    since: date | None
    verified_on: date | None
    inspection_id: str | None
    risk: str | None
    act_by: date | None
    due: date | None
    overdue: bool
    visits: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True)
class Home:
    """One home: its headline, systems, visits in order, and every check's history."""

    snapshot: str
    agency: str
    home_id: str
    headline: str
    risk: str | None
    open_deficiencies: int
    safety_not_verified: int
    region: str | None
    crew: str | None
    job_number: str | None
    address: str | None
    last_inspected_on: date
    hold_before_reporting: bool
    assessed: bool
    systems: tuple[str, ...]
    visits: tuple[Visit, ...]
    checks: tuple[Standing, ...]


# ---- one inspection


def inspection(viewer: Viewer, snapshot, agency: str, inspection_id: str) -> Inspection:
    """The inspection in force of an agency (without case) under its id; NotFound with what is nearest.

    Personal readings, and raw texts of such cells, stay out for viewers who may not see them.
    """
    condition, params = where(viewer, Filters(agency=(agency,)), homes="r")
    names = ", ".join(f"r.{name}" for name in FIELD_NAMES)
    rows = snapshot.rows(
        f"""SELECT {names}, r.standing, r.export_id, r.source_line, e.file_name, e.received_at FROM received AS r JOIN exports AS e USING (export_id)
                             WHERE r.inspection_id = ? AND {condition} ORDER BY r.standing, r.export_id, r.source_line""",
        [collapsed(inspection_id), *params],
    )
    if not rows or rows[0][len(FIELD_NAMES)] != IN_FORCE:
        raise NotFound(_nearest(viewer, snapshot, agency, inspection_id, "inspection_id", "inspection"))
    row = dict(zip(FIELD_NAMES, rows[0], strict=False))
    sources = [
        Source(export, name, line, STANDINGS[standing], at)
        for standing, export, line, name, at in (line[len(FIELD_NAMES) :] for line in rows)
    ]
    key = [row["agency"], row["inspection_id"]]
    values = _one(snapshot, "recomputed", key)
    results = _results(snapshot, "agency = ? AND inspection_id = ?", key)[row["inspection_id"]]
    return Inspection(
        snapshot=snapshot.name,
        agency=row["agency"],
        inspection_id=row["inspection_id"],
        home_id=row["home_id"],
        system_id=row["system_id"] or "",
        inspected_on=row["inspected_on"],
        source=sources[0],
        other_rows=tuple(sources[1:]),
        readings=tuple(
            Reading(name, value, shown(name, value))
            for name, value in row.items()
            if value is not None and (viewer.personal or name not in PERSONAL)
        ),
        unused=_unused(viewer, snapshot, sources[0]),
        recomputed=_numbers(snapshot, row, values),
        flags={name: values[name] for name in FLAGS},
        results=results,
        causes=_causes(snapshot, key),
    )


def _one(snapshot, table, key):
    """The row of one inspection in a table, by column."""
    frame = snapshot.arrow(f"SELECT * FROM {table} WHERE agency = ? AND inspection_id = ?", key)
    return frame.to_pylist()[0]


def _nearest(viewer, snapshot, agency, wanted, name, kind):
    """What to say where nothing is found: another agency's, or ids that begin alike."""
    condition, params = where(viewer, Filters(), homes="r")
    agencies = [
        text
        for (text,) in snapshot.rows(
            f"SELECT DISTINCT r.agency FROM tally AS r WHERE {condition} ORDER BY 1", params
        )
    ]
    if folded(agency) not in map(folded, agencies):
        return f"no agency called {agency!r}; there are: {', '.join(agencies) or 'none'}"
    near = snapshot.rows(
        f"SELECT DISTINCT {name} FROM readings AS r WHERE {condition} AND r.agency IN (SELECT spelling FROM spellings WHERE field = 'agency' AND folded = ?) "
        f"ORDER BY jaro_winkler_similarity({name}, ?) DESC, 1 LIMIT 3",
        [*params, folded(agency), wanted],
    )
    return f"no {kind} {wanted!r} of {agency}; nearest: {', '.join(text for (text,) in near)}"


def _unused(viewer, snapshot, source):
    rows = snapshot.rows(
        "SELECT heading, field, raw_text, reason, expected FROM not_loaded WHERE export_id = ? AND source_line = ? AND extent = 'cell' ORDER BY heading, field",
        [source.export_id, source.source_line],
    )
    return tuple(
        Unused(heading, field, text if viewer.personal or field not in PERSONAL else None, reason, expected)
        for heading, field, text, reason, expected in rows
    )


def _numbers(snapshot, row, values):
    """Recomputed quantities with what each rests on that was not read at the visit."""
    limits = snapshot.rows("""
        SELECT name, value, unit FROM limits
        WHERE name NOT IN (SELECT name FROM region_overrides)""")
    taken = assumptions(row, values, {name: limit(value, unit) for name, value, unit in limits})
    out = []
    for name in COLUMNS:
        text = _quantity_said(QUANTITIES[name], values)
        rests = () if text == NOT_KNOWN else tuple(said for said, names in taken if name in names)
        out.append(Number(name, QUANTITIES[name].title, values[name], text, rests))
    return tuple(out)


def _quantity_said(quantity, values):
    """How a column of one inspection reads, `values` being its row of `recomputed`."""
    value, (flag, phrase) = values[quantity.name], quantity.reads or (None, "{}")
    phrase = phrase if flag is not None and values[flag] else "{}"
    if value is None and "{}" in phrase:
        return NOT_KNOWN
    return phrase.format("" if value is None else amount(quantity.name, value))


def assumptions(row, values, limits):
    """(what was estimated or taken, names of the columns that rest on it) of one inspection.

    `row` holds its readings by field, `values` its row of `recomputed`, `limits` the policy's limits in words by
    name, as far as no region has its own.
    """
    taken, quoted = resolver.assumptions(row | values), _Quoted(limits)
    return [(assumption.text.format_map(quoted), names) for assumption, names in taken]


class _Quoted(dict):
    """Limits as a sentence quotes them; one that differs from region to region is not quoted."""

    def __missing__(self, name):
        return "the policy's temperature" if name.endswith("_f") else "the policy's value"


def _results(snapshot, condition, params):
    """Results in words by inspection id, from the narrow columns; the checks in their order."""
    words = dict(
        snapshot.rows("SELECT check_id, list(word ORDER BY position) FROM shown_words GROUP BY check_id")
    )
    found = {}
    for row in snapshot.arrow(f"SELECT * FROM judged WHERE {condition}", params).to_pylist():
        found[row["inspection_id"]] = tuple(_result(check, row, words.get(check.id)) for check in CHECKS)
    return found


def _result(check, row, words):
    """One check's result from its narrow columns; what is said first is the number or word, or the reason there is none."""
    code = {what: int(value) for what, value in pieces_of_results(row[coded(check.id)]).items()}
    word = words[code["word"]] if words and code["word"] >= 0 else None
    observed, low, high = (row.get(column(check.id, what)) for what in NUMBERS)
    certainty = None if code["certainty"] < 0 else code["certainty"] / CERTAINTY_STEPS
    reason, field = (
        REASONS[code["reason"]] or None,
        FIELD_NAMES[code["about"]] if code["about"] >= 0 else None,
    )
    outcome = OUTCOMES[code["outcome"]]
    told = certainty is not None
    seen = (
        f"{called(_field_of(check, word))}: {word.replace('_', ' ')}"
        if word
        else band(shown_quantity(check), observed, low, high, outcome == OUTCOMES[DEFICIENT])
    )
    if told and word is None and observed is None:
        seen = ""  # the limits are not what decided it
    why = f"{called(field)}: {reason}" if field and reason else reason
    parts = [
        outcome,
        *((seen, why) if told else (why, seen)),
        sure(certainty) if told and not (word and certainty == 1) else None,
    ]
    return Result(
        check.id,
        check.title,
        outcome,
        observed,
        low,
        high,
        word,
        certainty,
        reason,
        field,
        "; ".join(filter(None, parts)),
    )


def _field_of(check, word):
    """The field a check read a word from: the first it asks for that may hold it."""
    return next(name for name in check.needs + check.uses if name in BY_NAME and word in BY_NAME[name].words)


def _causes(snapshot, key):
    """Links of one visit; a root is to be fixed first where nothing of the visit brings it about in turn."""
    rows = snapshot.rows(
        "SELECT root_check_id, symptom_check_id, note, after_psig FROM causes WHERE agency = ? AND inspection_id = ?",
        key,
    )
    place = {check.id: position for position, check in enumerate(CHECKS)}
    rows.sort(key=lambda row: (place.get(row[0], len(place)), place[row[1]]))
    symptoms = {symptom for root, symptom, *_ in rows if root != symptom}
    out = []
    for root, symptom, note, after in rows:
        brought = BY_ID[symptom].title
        if root is None:
            text = f"{brought}: cause not told by these readings"
        elif root == symptom:
            text = f"{brought}: its own cause, every check of tank and pressure is ok"
        else:
            text = f"{BY_ID[root].title} → {brought}" + (
                f" (put right, the pressure would be {amount('predicted_hot_psig', after)})"
                if after is not None
                else ""
            )
        first = root is not None and root not in symptoms
        out.append(
            Cause(
                root,
                symptom,
                note or "",
                after,
                first,
                f"fix first: {text}" if first and root != symptom else text,
            )
        )
    return tuple(out)


def as_json(found: Inspection) -> dict:
    """An inspection as one JSON document, without NaN; readings carry their file and line."""

    def plain(value):
        return value.isoformat() if isinstance(value, date) else value

    where_from = {"file_name": found.source.file_name, "source_line": found.source.source_line}
    return {
        **{
            name: plain(getattr(found, name))
            for name in ("snapshot", "agency", "inspection_id", "home_id", "system_id", "inspected_on")
        },
        "source": asdict(found.source),
        "other_rows": [asdict(source) for source in found.other_rows],
        "readings": [
            {
                "field": one.field,
                "value": plain(one.value),
                "unit": BY_NAME[one.field].unit,
                "text": one.text,
                **where_from,
            }
            for one in found.readings
        ],
        "unused": [asdict(one) | where_from for one in found.unused],
        "recomputed": {one.name: one.value for one in found.recomputed} | found.flags,
        "rests_on": {one.name: list(one.rests_on) for one in found.recomputed if one.rests_on},
        "results": [asdict(one) for one in found.results],
        "causes": [asdict(one) for one in found.causes],
        "cautions": list(CAUTIONS),
    }


def as_text(found: Inspection) -> str:
    """An inspection as a person reads it in a terminal."""
    system = f", system {found.system_id}" if found.system_id else ""
    lines = [
        f"{found.agency}, inspection {found.inspection_id}: home {found.home_id}{system}, {found.inspected_on.isoformat()}",
        f"from {found.source.file_name}, line {found.source.source_line} (snapshot {found.snapshot})",
    ]
    lines += [
        f"also received: {one.file_name}, line {one.source_line}: {one.standing}" for one in found.other_rows
    ]
    lines += ["", "Readings"] + [f"  {called(one.field):32} {one.text}" for one in found.readings]
    if found.unused:
        lines += ["", "Received but not used as read"]
        lines += [
            f"  {one.heading}: {'(not shown)' if one.raw_text is None else repr(one.raw_text)}: {one.reason}; accepted: {one.expected}"
            for one in found.unused
        ]

    def rests(one):
        return f"  ({'; '.join(one.rests_on)})" if one.rests_on else ""

    lines += ["", "Recomputed"] + [f"  {one.title:32} {one.text}{rests(one)}" for one in found.recomputed]
    for outcome in ("deficient", "not verified", "ok"):
        chosen = [one for one in found.results if one.outcome == outcome]
        if chosen:
            lines += ["", f"{outcome.capitalize()} ({len(chosen)})"] + [
                f"  {one.check_id:28} {one.title}: {one.text.removeprefix(outcome + '; ')}" for one in chosen
            ]
            if outcome == "deficient":
                lines += ["", "Causes"] + [f"  {one.text}" for one in found.causes] if found.causes else []
    aside = [one.check_id for one in found.results if one.outcome == "not applicable"]
    lines += ["", f"Not applicable ({len(aside)}): {', '.join(aside)}"] if aside else []
    return "\n".join([*lines, "", *CAUTIONS[:2], CAUTIONS[-1]])


# ---- one home


def home(
    viewer: Viewer, snapshot, agency: str, home_id: str, as_of: date | None = None, decisions=()
) -> Home:
    """One home of an agency (without case); NotFound with what is nearest. Clocks count to `as_of`; without, none is overdue."""
    condition, params = where(viewer, Filters(agency=(agency,)))
    rows = snapshot.arrow(
        f"SELECT h.* FROM homes AS h WHERE h.home_id = ? AND {condition}", [collapsed(home_id), *params]
    ).to_pylist()
    if not rows:
        raise NotFound(_nearest(viewer, snapshot, agency, home_id, "home_id", "home"))
    row = rows[0]
    key = [row["agency"], row["home_id"]]
    here = "agency = ? AND home_id = ?"
    systems = snapshot.arrow(f"SELECT * FROM state_columns WHERE {here} ORDER BY system_id", key).to_pylist()
    place = {one: position for system in systems for position, one in enumerate(system["visit_ids"])}
    visits = snapshot.arrow(
        """
        SELECT r.inspection_id, coalesce(r.system_id, '') AS system_id, r.inspected_on, r.inspection_kind, r.crew, r.inspector, r.stated_result, r.job_number, r.repairs_reported,
               r.reported_on, r.address, c.assessed, r.export_id, r.source_line, e.file_name, e.received_at
        FROM readings AS r JOIN recomputed AS c ON c.agency = r.agency AND c.inspection_id = r.inspection_id JOIN exports AS e USING (export_id)
        WHERE r.agency = ? AND r.home_id = ?""",
        key,
    ).to_pylist()
    visits.sort(key=lambda visit: (visit["inspected_on"], place[visit["inspection_id"]], visit["system_id"]))
    addresses = [visit.pop("address") for visit in visits]
    results = _results(snapshot, here, key)
    clocks = {
        (one["system_id"], one["check_id"]): one
        for one in overlay(
            snapshot, decisions, as_of or date.min, "d.agency = ? AND d.home_id = ?", key
        ).to_pylist()
    }
    checks = tuple(
        _standing(check, system, clocks.get((system["system_id"], check.id), {}), results)
        for system in systems
        for check in HOME_CHECKS
    )
    names = (
        "agency",
        "home_id",
        "headline",
        "risk",
        "open_deficiencies",
        "safety_not_verified",
        "region",
        "crew",
        "job_number",
        "last_inspected_on",
        "hold_before_reporting",
        "assessed",
    )
    return Home(
        snapshot=snapshot.name,
        **{name: row[name] for name in names},
        address=next((text for text in reversed(addresses) if text), None) if viewer.personal else None,
        systems=tuple(system["system_id"] for system in systems),
        checks=checks,
        visits=tuple(
            Visit(
                **{
                    name: visit[name]
                    for name in visit
                    if name not in ("export_id", "source_line", "file_name", "received_at", "inspector")
                },
                inspector=visit["inspector"] if viewer.personal else None,
                source=Source(
                    visit["export_id"],
                    visit["file_name"],
                    visit["source_line"],
                    STANDINGS[IN_FORCE],
                    visit["received_at"],
                ),
            )
            for visit in visits
        ),
    )


def _standing(check, system, clock, results):
    """One check of one system from its narrow columns, where 0 stands for no visit and a code beyond the list for none."""
    code = {what: int(value) for what, value in pieces_of_states(system[coded(check.id)]).items()}

    def word(texts, what):
        return texts[code[what]] if code[what] < len(texts) else None

    def of_visit(what, which):
        return system[which][code[what] - 1] if code[what] else None

    said = [
        (visit, result)
        for visit in system["visit_ids"]
        for result in results[visit]
        if result.check_id == check.id
    ]
    return Standing(
        system_id=system["system_id"],
        check_id=check.id,
        title=check.title,
        state=STATES[code["state"]],
        stage=word(STAGES, "stage"),
        since=of_visit("since", "visit_days"),
        verified_on=of_visit("telling", "visit_days"),
        inspection_id=of_visit("decided", "visit_ids"),
        risk=word(LEVELS, "risk"),
        act_by=clock.get("act_by"),
        due=clock.get("due"),
        overdue=clock.get("overdue", False),
        visits=tuple((visit, result.outcome, result.text) for visit, result in said),
    )
