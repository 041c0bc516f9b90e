"""Work packets on letter pages, each day of a crew on pages of its own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from pipelines.answers.listed import facts
from pipelines.answers.packets import Measured, Packet, Packets, Visit
from pipelines.answers.paper import BOLD, SLANTED, SPELT, Block, Line, Paper, has_no_type_for, set_in
from pipelines.answers.phrases import counted
from pipelines.answers.work import System, Task

WIDTH, HEIGHT, MARGIN = 8.5 * 72, 11 * 72, 40.0
TEXT, SMALL, BOX = Line(size=9.5), Line(size=8), 8.5
INDENT = 16.0


def as_pdf(found: Packets) -> bytes:
    """What the packets rest on and their days, then a packet after the other; always the same."""
    about = found.listed.about
    paper = Paper(
        WIDTH, HEIGHT, MARGIN, f"{about['snapshot'].removesuffix('.duckdb')}, as of {about['as_of']}"
    )
    paper.put(_cover(found, paper.measure))
    for packet in found.packets:
        paper.turn()
        paper.put(_head(packet, paper.measure))
        for number, visit in enumerate(packet.visits, start=1):
            paper.put(_visit(packet, number, visit, paper.measure))
    return paper.drawn(f"Work packets, {about['snapshot']}, as of {about['as_of']}", found.listed.time)


def _cover(found: Packets, measure: float) -> Block:
    homes = sum(len(packet.visits) for packet in found.packets)
    hours = sum(packet.day.hours for packet in found.packets)
    recorded = (
        text
        for packet in found.packets
        for visit in packet.visits
        for text in (packet.title, visit.home.home_id, visit.home.address, visit.home.job_number)
        if text
    )
    lines = (
        Line(f"Work packets: {counted(homes, 'home')}, {hours:,.1f} hours of crews", BOLD, 14),
        *(line for text in found.listed.about["cautions"] for line in set_in(text, SLANTED_TEXT, measure)),
        *(line for name, text in facts(found.listed) for line in set_in(f"{name}: {text}", SMALL, measure)),
        *(set_in(SPELT, SMALL, measure) if any(map(has_no_type_for, recorded)) else ()),
        Line("Crews", BOLD, 11, space=8, rule=True),
        *(line for text in found.crews for line in set_in(text, TEXT, measure)),
    )
    return Block((), (), tuple((line,) for line in lines))


SLANTED_TEXT = Line(font=SLANTED, size=8.5, space=1.5)


def _head(packet: Packet, measure: float) -> Block:
    day = packet.day
    way = f", {day.miles:.0f} miles between postal codes" if day.miles is not None else ""
    long = " One job alone is longer than a day." if day.too_long else ""
    told = f"{counted(len(packet.visits), 'home')}, {day.hours:.1f} hours with trips{way}"
    lines = [
        *set_in(packet.title, Line(font=BOLD, size=14, mark=packet.title), measure),
        *set_in(f"{told}. Order: {day.how}.{long}", TEXT, measure),
        Line("To take along", BOLD, 10.5, space=7, rule=True),
    ]
    for part, homes in packet.parts.items():
        lines += set_in(
            f"{len(homes)} × {part}: {homes_said(homes)}", replace(TEXT, box=BOX, left=INDENT), measure
        )
    if not packet.parts:
        lines += set_in("No part to fit is named.", TEXT, measure)
    lines += set_in("Work of the day", Line(font=BOLD, size=10.5, space=7, rule=True), measure)
    for title, count in packet.measures.items():
        lines += set_in(f"{count} × {title}", TEXT, measure)
    return Block((), (), tuple((line,) for line in lines))


def homes_said(homes: list[str]) -> str:
    return f"home{'' if len(homes) == 1 else 's'} {', '.join(homes)}"


def _visit(packet: Packet, number: int, visit: Visit, measure: float) -> Block:
    home = visit.home
    title = f"{number}. Home {home.home_id}, {f'job {home.job_number}' if home.job_number else 'no job'}"
    heading = Line(font=BOLD, size=11, shade=0.88, space=10)
    known = (
        home.address,
        f"region {home.region}" if home.region else "",
        f"{visit.stop.hours:.1f} hours with the trip",
        f"worst {home.risk}",
        f"last visit {home.last_inspected_on}",
        *home.remarks,
    )
    head = (
        *set_in(title, replace(heading, mark=f"{packet.title}: {title}"), measure),
        *set_in("; ".join(filter(None, known)), SMALL, measure),
        *(line for text in home.cautions for line in set_in(text, SLANTED_TEXT, measure)),
    )
    return Block(head, set_in(f"{title} (continued)", heading, measure), tuple(_parts(visit, measure)))


def _parts(visit: Visit, measure: float) -> Iterator[tuple[Line, ...]]:
    several = len({job.system_id for job in visit.stop.jobs}) > 1
    for one in visit.work:
        yield tuple(_measured(one, several, measure))
    for system in visit.home.systems:
        for task in system.tasks:
            yield (*set_in(found_said(system, task, several), replace(SMALL, left=INDENT), measure),)
    if visit.beside:
        text = f"Also open there, with no work of its own here: {'; '.join(visit.beside)}"
        yield (*set_in(text, replace(SMALL, left=INDENT), measure),)
    text = f"Read afterwards: {'; '.join(visit.readings)}"
    yield (*set_in(text, replace(TEXT, left=INDENT, space=4), measure),)
    third = (measure - INDENT) / 3
    blanks = tuple(
        (INDENT + third * at, INDENT + third * (at + 1) - 6, said)
        for at, said in enumerate(("Done on", "By", "What was not done, and why"))
    )
    yield (Line(size=10, space=10, blanks=blanks),)


def found_said(system: System, task: Task, several: bool) -> str:
    """A finding that the work puts right, with what was seen."""
    which = f" (system {system.system_id or 'without id'})" if several else ""
    return f"Found{which}: {task.title}: {task.seen}"


def _measured(one: Measured, several: bool, measure: float) -> Iterator[Line]:
    system = f", system {one.system_id or 'without id'}" if several else ""
    trade = "; licensed trade" if one.measure.licensed else ""
    hours = f" ({one.measure.hours:.1f} h{trade})" if one.measure.hours is not None else ""
    yield from set_in(
        f"{one.measure.title}{system}{hours}",
        Line(font=BOLD, size=9.5, left=INDENT, box=BOX, space=6),
        measure,
    )
    for text in (*one.parts, *one.settings):
        yield from set_in(text, replace(TEXT, left=INDENT + 10), measure)
