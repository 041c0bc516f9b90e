"""What happened beside the inspections: the fleet's events.csv, read when asked; no part of a snapshot."""

from dataclasses import dataclass
from datetime import date

from pipelines.answers.access import EVERYTHING, Viewer, names_there
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError, attempting
from pipelines.fleet.own_tables import day, lines
from pipelines.fleet.snapshots import Snapshot
from pipelines.intake.cells import collapsed, folded

HEADINGS, OPTIONAL = ("agency", "day", "kind", "what"), ("crew",)
KINDS = ("training", "staff", "policy", "other")


@dataclass(frozen=True)
class Event:
    """One line: `agency` is empty where it is of every agency, `crew` where it is of every crew there."""

    line: int
    agency: str
    crew: str
    day: date
    kind: str
    what: str


@dataclass(frozen=True)
class Events:
    """Events in the order of their days, and sentences about those that name what no inspection does."""

    events: tuple[Event, ...]
    remarks: tuple[str, ...]


def events(viewer: Viewer, snapshot: Snapshot, fleet: Fleet, agency: str, crew: str) -> Events:
    """What happened at an agency (at any the viewer may see where it is empty), of one crew or of every crew.

    Events of a crew stand with that crew only. FleetError names the line that cannot be used, though not to
    those who may not know of every agency.
    """
    allowed = None if viewer.agencies is None else {folded(one) for one in (*viewer.agencies, "")}
    try:
        kept = _read(fleet)
    except FleetError as error:
        if allowed is None:
            raise
        raise FleetError(f"{fleet.events.name} has a line that cannot be used: none is shown.") from error
    every = [one for one in kept if allowed is None or folded(one.agency) in allowed]
    lost = _matching_nothing(snapshot, every)
    shown = [
        one
        for one in every
        if one not in lost
        and (not agency or folded(one.agency) in (folded(agency), ""))
        and (not one.crew or folded(one.crew) == folded(crew))
    ]
    remarks = (f"{fleet.events.name}, line {one.line}: {said}." for one, said in lost.items())
    return Events(tuple(sorted(shown, key=lambda one: (one.day, one.line))), tuple(remarks))


def _read(fleet: Fleet) -> list[Event]:
    with attempting("read", fleet.events):
        try:
            data = fleet.events.read_bytes()
        except FileNotFoundError:
            return []
    return [
        _event(f"{fleet.events}, line {number}", number, row)
        for number, row in lines(data, fleet.events, HEADINGS, OPTIONAL)
    ]


def _event(line: str, number: int, row: dict[str, str]) -> Event:
    """The event of one line; FleetError begins with `line`."""
    agency, on, kind, what, crew = (collapsed(row[heading]) for heading in (*HEADINGS, *OPTIONAL))
    if folded(kind) not in KINDS:
        raise FleetError(f"{line}: kind is one of {', '.join(KINDS)}, not {kind!r}.")
    if not what:
        raise FleetError(f"{line}: what is empty; say in a few words what happened.")
    if crew and not agency:
        raise FleetError(f"{line}: crew {crew!r} needs its agency: two agencies may have one of that name.")
    return Event(number, agency, crew, day(line, "day", on), folded(kind), what)


def _matching_nothing(snapshot: Snapshot, every: list[Event]) -> dict[Event, str]:
    """Events of an agency or a crew that is not there, and what to say of each."""
    agencies = {folded(one) for one in names_there(EVERYTHING, snapshot, "agency")}
    crews = {
        (folded(agency), folded(crew))
        for agency, crew in snapshot.rows("SELECT DISTINCT agency, crew FROM crew_checks")
    }
    lost = {}
    for one in every:
        if one.agency and folded(one.agency) not in agencies:
            lost[one] = f"agency {one.agency!r} matches no inspection"
        elif one.crew and (folded(one.agency), folded(one.crew)) not in crews:
            lost[one] = f"no final followed work of a crew {one.crew!r} of {one.agency}"
    return lost
