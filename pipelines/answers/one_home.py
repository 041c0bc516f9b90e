"""One home: its systems, its visits in order, and what every visit said of every check."""

from dataclasses import dataclass
from datetime import date

from pipelines.answers.access import Filters, NotFound, Viewer, nearest_id, where
from pipelines.answers.decisions import overlay
from pipelines.answers.one_inspection import ROW_STATUS, Source
from pipelines.answers.outcomes import Result, results
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.checks.kinds import Check
from pipelines.engine.codes import coded, pieces_of_states
from pipelines.engine.history import NOT_VERIFIED, STAGES, STATES
from pipelines.engine.policy.policy import LEVELS
from pipelines.fleet.snapshots import Snapshot
from pipelines.intake.cells import collapsed
from pipelines.snapshot.tables import IN_FORCE


@dataclass(frozen=True)
class Visit:
    """One visit to one system of a home, in the order that history follows.

    `crew_recorded` is the crew as the export names it, None where that is the crew it counts as.
    """

    inspection_id: str
    system_id: str
    inspected_on: date
    inspection_kind: str | None
    crew: str | None
    crew_recorded: str | None
    inspector: str | None
    stated_result: str | None
    job_number: str | None
    repairs_reported: str | None
    reported_on: date | None
    source: Source
    assessed: bool


@dataclass(frozen=True)
class CheckOfSystem:
    """The state of one check at one system of a home.

    `visits` is what every visit said of it, in order: (inspection id, outcome, words). `gap_in_safety`: a
    danger that nobody ruled out.
    """

    system_id: str
    check_id: str
    title: str
    name: str
    state: str
    stage: str | None
    since: date | None
    verified_on: date | None
    inspection_id: str | None
    risk: str | None
    act_by: date | None
    due: date | None
    overdue: bool
    decided: str | None
    acted: bool
    gap_in_safety: bool
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
    checks: tuple[CheckOfSystem, ...]


# What a home has from its row of `homes` and a visit from its row, by name.
OF_HOMES = tuple(
    name
    for name in Home.__dataclass_fields__
    if name not in ("snapshot", "address", "systems", "visits", "checks")
)
OF_VISITS = tuple(name for name in Visit.__dataclass_fields__ if name not in ("inspector", "source"))


def home(
    viewer: Viewer,
    snapshot: Snapshot,
    agency: str,
    home_id: str,
    as_of: date | None = None,
    decisions: tuple | None = None,
) -> Home:
    """One home of an agency (without case); NotFound with what is nearest.

    Clocks count to `as_of`; without it nothing is overdue. Address and inspectors stay out for viewers who
    may not see personal fields.
    """
    condition, params = where(viewer, Filters(agency=(agency,)))
    # Ids are kept as they were written, blanks and all; one that is typed may have fewer.
    found = snapshot.arrow(
        f"""
        SELECT h.* FROM homes AS h
        WHERE h.home_id IN (?, ?) AND {condition}
        ORDER BY h.home_id = ? DESC""",
        [home_id, collapsed(home_id), *params, home_id],
    ).to_pylist()
    if not found:
        raise NotFound(nearest_id(viewer, snapshot, agency, home_id, "home_id", "home"))
    key = [found[0]["agency"], found[0]["home_id"]]
    here = "agency = ? AND home_id = ?"
    systems = snapshot.arrow(f"SELECT * FROM state_columns WHERE {here} ORDER BY system_id", key).to_pylist()
    visits = _visits(snapshot, key, systems)
    of_visits = results(snapshot, here, key)
    clocks = {
        (one["system_id"], one["check_id"]): one
        for one in overlay(
            snapshot, decisions, as_of or date.min, "d.agency = ? AND d.home_id = ?", key
        ).to_pylist()
    }
    address = next((visit["address"] for visit in reversed(visits) if visit["address"]), None)
    return Home(
        snapshot=snapshot.name,
        **{name: found[0][name] for name in OF_HOMES},
        address=address if viewer.personal else None,
        systems=tuple(system["system_id"] for system in systems),
        visits=tuple(_visit(viewer, visit) for visit in visits),
        checks=tuple(
            _check(check, system, clocks.get((system["system_id"], check.id), {}), of_visits)
            for system in systems
            for check in HOME_CHECKS
        ),
    )


def _visits(snapshot: Snapshot, key: list[str], systems: list[dict]) -> list[dict]:
    """Visits to a home by name of their columns, in the order that history follows."""
    position = {one: number for system in systems for number, one in enumerate(system["visit_ids"])}
    visits = snapshot.arrow(
        """
        SELECT r.inspection_id, c.system_id, r.inspected_on, r.inspection_kind,
               j.crew, CASE WHEN r.crew <> j.crew THEN r.crew END AS crew_recorded,
               r.inspector, r.stated_result, r.job_number, r.repairs_reported, r.reported_on,
               r.address, c.assessed, r.export_id, r.source_line, e.file_name, e.received_at
        FROM readings AS r
        JOIN recomputed AS c ON c.agency = r.agency AND c.inspection_id = r.inspection_id
        JOIN judged AS j ON j.agency = r.agency AND j.inspection_id = r.inspection_id
        JOIN exports AS e ON e.export_id = r.export_id
        WHERE r.agency = ? AND r.home_id = ?""",
        key,
    ).to_pylist()
    return sorted(
        visits, key=lambda one: (one["inspected_on"], position[one["inspection_id"]], one["system_id"])
    )


def _visit(viewer: Viewer, visit: dict) -> Visit:
    source = Source(
        visit["export_id"],
        visit["file_name"],
        visit["source_line"],
        ROW_STATUS[IN_FORCE],
        visit["received_at"],
    )
    return Visit(
        **{name: visit[name] for name in OF_VISITS},
        inspector=visit["inspector"] if viewer.personal else None,
        source=source,
    )


def _check(
    check: Check, system: dict, clock: dict, of_visits: dict[str, tuple[Result, ...]]
) -> CheckOfSystem:
    """One check of one system from its narrow columns.

    In these, 0 stands for no visit, and a code beyond the list for no stage or risk.
    """
    code = {what: int(value) for what, value in pieces_of_states(system[coded(check.id)]).items()}

    def word(texts, what):
        return texts[code[what]] if code[what] < len(texts) else None

    def of_visit(what, which):
        return system[which][code[what] - 1] if code[what] else None

    return CheckOfSystem(
        system_id=system["system_id"],
        check_id=check.id,
        title=check.title,
        name=check.name,
        state=STATES[code["state"]],
        stage=word(STAGES, "stage"),
        since=of_visit("since", "visit_days"),
        verified_on=of_visit("telling", "visit_days"),
        inspection_id=of_visit("decided", "visit_ids"),
        risk=word(LEVELS, "risk"),
        act_by=clock.get("act_by"),
        due=clock.get("due"),
        overdue=clock.get("days_late", 0) > 0,
        decided=clock.get("decided") or None,
        acted=clock.get("acted", False),
        gap_in_safety=check.safety_critical and code["state"] == NOT_VERIFIED and not code["uncounted"],
        visits=tuple(
            (visit, result.outcome, result.text)
            for visit in system["visit_ids"]
            for result in of_visits[visit]
            if result.check_id == check.id
        ),
    )
