"""Work packets: jobs on the days of crews, each home with what to do, fit, set and read there afterwards."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import Any

import pyarrow as pa

from pipelines.answers import decisions, lists, targets, work
from pipelines.answers.access import Filters, ListError, Viewer
from pipelines.answers.contents import limit
from pipelines.answers.listed import Sheet
from pipelines.answers.phrases import counted
from pipelines.answers.sheet import title_of, to_read_after, unit_of, word_said
from pipelines.engine.checks import BY_ID
from pipelines.engine.policy.measures import Measure
from pipelines.engine.policy.policy import LEVELS
from pipelines.fleet.snapshots import Snapshot
from pipelines.intake.cells import collapsed, folded
from pipelines.retrofit.jobs import Job
from pipelines.retrofit.packets import HOW_ORDERED, CrewDay, Stop, crew_days
from pipelines.snapshot.places import coordinates_of

MOST_HOMES = 2_000  # as the work on paper
LISTED = pa.schema(
    [
        *((name, pa.string()) for name in ("agency", "crew")),
        *((name, pa.int64()) for name in ("day", "order")),
        *(
            (name, pa.string())
            for name in ("home_id", "system_id", "job_number", "region", "address", "risk")
        ),
        *((name, pa.string()) for name in ("measures", "to_fit", "to_set")),
        *((name, pa.float64()) for name in ("hours", "cost")),
    ]
)
Key = tuple[str, str]  # agency, home id


@dataclass(frozen=True)
class Measured:
    """One measure to carry out at a system: what is fitted there and what is set."""

    measure: Measure
    system_id: str
    parts: tuple[str, ...]
    settings: tuple[str, ...]


@dataclass(frozen=True)
class Visit:
    """One home of a day: `home` has the findings that the jobs put right, `beside` what else is open there.

    `readings` are to be taken after the work, in the order of taking, each with a blank.
    """

    stop: Stop
    home: work.Home
    postal_code: str
    work: tuple[Measured, ...]
    beside: tuple[str, ...]
    readings: tuple[str, ...]


@dataclass(frozen=True)
class Packet:
    """One day of a crew; `visits` in the order of going."""

    day: CrewDay
    visits: tuple[Visit, ...]

    @property
    def crew(self) -> str:
        return f"{self.day.agency}, {f'crew {self.day.crew}' if self.day.crew else 'no crew'}"

    @property
    def title(self) -> str:
        return f"{self.crew}, day {self.day.number}"

    @property
    def measures(self) -> dict[str, int]:
        """How often each measure is carried out on the day, by title."""
        found: dict[str, int] = {}
        for visit in self.visits:
            for one in visit.work:
                found[one.measure.title] = found.get(one.measure.title, 0) + 1
        return found

    @property
    def parts(self) -> dict[str, list[str]]:
        """What is to be fitted on the day, and at which homes."""
        found: dict[str, list[str]] = {}
        for visit in self.visits:
            for one in visit.work:
                if one.parts:
                    found.setdefault("; ".join(one.parts), []).append(visit.home.home_id)
        return found


@dataclass(frozen=True)
class Packets:
    """All packets, and the list they are of: a row for each job, in the order of crews, days and stops."""

    packets: tuple[Packet, ...]
    listed: Sheet

    @property
    def crews(self) -> list[str]:
        """Days, homes and hours of each crew, in words."""
        found = []
        for crew, of_crew in groupby(self.packets, key=lambda one: one.crew):
            own = list(of_crew)
            homes, hours = sum(len(one.visits) for one in own), sum(one.day.hours for one in own)
            found.append(f"{crew}: {counted(len(own), 'day')}, {counted(homes, 'home')}, {hours:,.1f} hours")
        return found


def packets(viewer: Viewer, snapshot: Snapshot, jobs: Sequence[Job], of: Sheet) -> Packets:
    """The packets of some jobs, which put right what is on a list of what is open, or brings it about.

    A home goes to the crew that its gravest deficiency is assigned to, else to the crew that worked there
    last, else to none. ListError where there are too many homes, or a job at a system where nothing is open
    that it puts right, so that no job is lost.
    """
    of_home: dict[Key, list[Job]] = {}
    for job in jobs:
        of_home.setdefault((job.agency, job.home_id), []).append(job)
    refuse_too_many(len(of_home))
    agencies = Filters(agency=tuple(dict.fromkeys(job.agency for job in jobs)))
    whole = lists.flagged(viewer, snapshot, agencies, date.fromisoformat(of.about["as_of"]))
    rows = _open_there(snapshot, whole.rows, jobs)
    measures = {measure.id: measure for measure in targets.policy_of(snapshot).measures}
    fixed = _fixed(rows, jobs, measures)
    homes = {(home.agency, home.home_id): home for home in work.homes(viewer, snapshot, rows.filter(fixed))}
    for key in of_home.keys() - homes.keys():
        raise ListError(f"home {key[1]} of {key[0]} has a job, but nothing is open there that it puts right")
    to_set = _to_set(snapshot, rows)
    codes = postal_codes(snapshot, rows)
    where = coordinates_of(snapshot)
    assigned = _assigned(snapshot)
    of_rows: dict[Key, list[dict[str, Any]]] = {}
    for row, is_fixed in zip(to_set, fixed.to_pylist(), strict=True):
        of_rows.setdefault((row["agency"], row["home_id"]), []).append(row | {"fixed": is_fixed})
    stops = [
        Stop(
            agency=key[0],
            home_id=key[1],
            crew=_crew(of_rows[key], assigned),
            jobs=tuple(of_jobs),
            postal_code=codes.get(key, ""),
            place=_place(where, key[0], codes.get(key, "")),
            act_today=homes[key].risk == LEVELS[0],
        )
        for key, of_jobs in of_home.items()
    ]
    found = tuple(
        Packet(
            day,
            tuple(
                _visit(
                    viewer,
                    stop,
                    homes[stop.agency, stop.home_id],
                    of_rows[stop.agency, stop.home_id],
                    measures,
                )
                for stop in day.stops
            ),
        )
        for day in crew_days(stops, limit(viewer, snapshot, "crew_day_h"))
    )
    cautions = of.about["cautions"]
    about = of.about | {"list": "packets", "how_ordered": HOW_ORDERED}
    about = {name: value for name, value in about.items() if name != "cautions"} | {"cautions": cautions}
    return Packets(found, Sheet("jobs", _rows(viewer, found), about))


def refuse_too_many(homes: int) -> None:
    """ListError where these are more homes than packets take."""
    if homes > MOST_HOMES:
        raise ListError(
            f"packets take up to {MOST_HOMES:,} homes, these are {homes:,}: narrow them with --agency, "
            "--region, --crew, --check, --risk, --stage or --since"
        )


def _open_there(snapshot: Snapshot, rows: pa.Table, jobs: Sequence[Job]) -> pa.Table:
    """The rows of the list at the systems that have a job, in their order, with the visits that decide."""
    keys = {
        name: pa.array([getattr(job, name) for job in jobs], pa.string()) for name in ("agency", "home_id")
    }
    keys["system_id"] = pa.array([job.system_id for job in jobs], pa.string())
    placed = rows.append_column("place", pa.array(range(rows.num_rows), pa.int64()))
    return snapshot.arrow(
        """
        SELECT l.*, o.inspection_id
        FROM listed AS l
        SEMI JOIN keys USING (agency, home_id, system_id)
        JOIN opened AS o
            ON o.agency = l.agency AND o.home_id = l.home_id AND o.system_id = l.system_id
            AND o.check_id = l.check_id
        ORDER BY l.place""",
        listed=placed,
        keys=pa.table(keys),
    )


def _fixed(rows: pa.Table, jobs: Sequence[Job], measures: dict[str, Measure]) -> pa.Array:
    """Which rows a job at their system puts right."""
    fixes = {
        (job.agency, job.home_id, job.system_id): {
            check for one in job.measures for check in measures[one].fixes
        }
        for job in jobs
    }
    names = ("agency", "home_id", "system_id", "check_id")
    cells = zip(*(rows[name].to_pylist() for name in names), strict=True)
    return pa.array(
        [check in fixes[agency, home, system] for agency, home, system, check in cells], pa.bool_()
    )


def _to_set(snapshot: Snapshot, rows: pa.Table) -> list[dict[str, Any]]:
    """The rows, each with what `targets.of_visits` says of the visit that decides it."""
    visits = rows.select(["agency", "inspection_id"]).group_by(["agency", "inspection_id"]).aggregate([])
    found = targets.of_visits(snapshot, visits).to_pylist()
    of_visit = {(row["agency"], row["inspection_id"]): row for row in found}
    return [row | of_visit[row["agency"], row["inspection_id"]] for row in rows.to_pylist()]


def postal_codes(snapshot: Snapshot, rows: pa.Table) -> dict[Key, str]:
    """Postal code recorded last at each home of some rows (agency, home_id); personal where it is shown."""
    found = snapshot.rows(
        """
        SELECT r.agency, r.home_id,
               max({'day': r.inspected_on, 'visit': r.inspection_id, 'code': r.postal_code}).code
        FROM readings AS r
        SEMI JOIN listed AS l ON l.agency = r.agency AND l.home_id = r.home_id
        WHERE r.postal_code IS NOT NULL
        GROUP BY r.agency, r.home_id""",
        listed=rows.select(["agency", "home_id"]),
    )
    return {(agency, home): code for agency, home, code in found}


def _place(where: dict[Key, tuple[float, float]], agency: str, code: str) -> tuple[float, float] | None:
    code = collapsed(code).lower()
    return where.get((folded(agency), code)) or where.get(("", code))


def _assigned(snapshot: Snapshot) -> dict[str, str]:
    """To whom work is assigned, by the words of the decision."""
    return {decisions.in_words(one): one.to for one in decisions.of_fleet(snapshot) if one.what == "assigned"}


def _crew(rows: Sequence[dict[str, Any]], assigned: dict[str, str]) -> str:
    to = next((assigned[row["decided"]] for row in rows if row["decided"] in assigned), "")
    return to or rows[0]["crew"] or ""


def _visit(
    viewer: Viewer,
    stop: Stop,
    home: work.Home,
    rows: Sequence[dict[str, Any]],
    measures: dict[str, Measure],
) -> Visit:
    several = len({row["system_id"] for row in rows}) > 1
    checks = [BY_ID[row["check_id"]] for row in rows if row["fixed"]]
    return Visit(
        stop,
        home,
        stop.postal_code if viewer.personal else "",
        tuple(_measured(stop, rows, measures)),
        tuple(
            f"{row['deficiency']} (system {row['system_id']})" if several else row["deficiency"]
            for row in rows
            if not row["fixed"]
        ),
        tuple(
            f"{title_of(field)}: {' / '.join(map(word_said, field.words))}"
            if field.words
            else f"{title_of(field)} ______ {unit_of(field)}".rstrip()
            for _, fields in to_read_after(checks)
            for field in fields
        ),
    )


def _measured(stop: Stop, rows: Sequence[dict[str, Any]], measures: dict[str, Measure]) -> Iterator[Measured]:
    for job in stop.jobs:
        for name in job.measures:
            measure = measures[name]
            of_measure = (
                row for row in rows if row["system_id"] == job.system_id and row["check_id"] in measure.fixes
            )
            row = next(of_measure, None)
            parts, settings = targets.of_measure(name, row) if row else ((), ())
            yield Measured(measure, job.system_id, parts, settings)


def _rows(viewer: Viewer, found: Sequence[Packet]) -> pa.Table:
    """A row for each job."""
    rows = [
        {
            "agency": packet.day.agency,
            "crew": packet.day.crew or None,
            "day": packet.day.number,
            "order": order,
            "home_id": visit.home.home_id,
            "system_id": job.system_id,
            "job_number": visit.home.job_number,
            "region": visit.home.region,
            "address": visit.home.address,
            "risk": visit.home.risk,
            "measures": "; ".join(job.measures),
            "to_fit": "; ".join(
                text for one in visit.work if one.system_id == job.system_id for text in one.parts
            ),
            "to_set": "; ".join(
                text for one in visit.work if one.system_id == job.system_id for text in one.settings
            ),
            "hours": job.hours,
            "cost": job.cost,
        }
        for packet in found
        for order, visit in enumerate(packet.visits, start=1)
        for job in visit.stop.jobs
    ]
    return pa.Table.from_pylist(
        rows, LISTED if viewer.personal else LISTED.remove(LISTED.get_field_index("address"))
    )
