"""Work packets as a workbook: the jobs as a list, a sheet with a page for each day, and what they rest on."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from pipelines.answers.packets import Packet, Packets, Visit
from pipelines.answers.packets_pdf import found_said, homes_said
from pipelines.answers.phrases import counted
from pipelines.answers.workbook import as_xlsx, harmless_text

if TYPE_CHECKING:
    from xlsxwriter import Workbook

COLUMNS = (("Done", 6), ("Work", 40), ("Fit, set, read", 50), ("Date", 11), ("By", 13))  # widths in letters
LINE, GAP = 13.0, 4.0  # points of a line, and beside the lines of a row
BREAKS_A_SHEET = 1_000  # of which a sheet holds little more
STYLES: dict[str, dict[str, object]] = {
    "heading": {"bold": True, "bottom": 2},
    "day": {"bold": True, "font_size": 14, "top": 2},
    "home": {"bold": True, "font_size": 12, "bg_color": "#E6E6E6", "top": 2},
    "text": {},
    "caution": {"italic": True},
    "work": {"border": 1},
}
Row = tuple[str, tuple[str, ...]]  # style, and texts by column; one text goes over all


def as_workbook(found: Packets) -> bytes:
    """The jobs, the packets on a sheet to print, a page break before each day, and a sheet About."""
    return as_xlsx(found.listed, lambda book: _write(book, found))


def _write(book: Workbook, found: Packets) -> None:
    styles = {
        name: book.add_format({"font_size": 10, "text_wrap": True, "valign": "top"} | more)
        for name, more in STYLES.items()
    }
    about = found.listed.about
    rests_on = f"Snapshot {about['snapshot'].removesuffix('.duckdb')}, as of {about['as_of']}"
    for start in range(0, len(found.packets), BREAKS_A_SHEET):
        page = book.add_worksheet(f"Packets {start // BREAKS_A_SHEET + 1}" if start else "Packets")
        if not start:
            page.activate()
        page.set_paper(1)
        page.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.7)
        page.fit_to_pages(1, 0)
        page.hide_gridlines(2)
        page.set_footer(f"&L&8{rests_on}&C&8Page &P of &N&R&8Not a safety inspection")
        for position, (_, letters) in enumerate(COLUMNS):
            page.set_column(position, position, letters)
        line, breaks = 0, []
        for packet in found.packets[start : start + BREAKS_A_SHEET]:
            if line:
                breaks.append(line)
            for style, texts in _rows(packet):
                shown = [harmless_text(text) for text in texts]
                page.set_row(line, _points(style, shown))
                if len(shown) == 1:
                    page.merge_range(line, 0, line, len(COLUMNS) - 1, shown[0], styles[style])
                else:
                    for position, text in enumerate(shown):
                        page.write_string(line, position, text, styles[style])
                line += 1
        page.set_h_pagebreaks(breaks)
        page.print_area(0, 0, line - 1, len(COLUMNS) - 1)


def _points(style: str, texts: list[str]) -> float:
    widths = [sum(letters for _, letters in COLUMNS)] if len(texts) == 1 else [one for _, one in COLUMNS]
    larger = {"day": 1.5, "home": 1.25}.get(style, 1.0)
    lines = max(
        sum(max(1, -(-int(len(part) * larger * 1.1) // width)) for part in text.split("\n"))
        for text, width in zip(texts, widths, strict=True)
    )
    return min(400.0, lines * LINE * larger + GAP)


def _rows(packet: Packet) -> Iterator[Row]:
    day = packet.day
    yield "day", (packet.title,)
    way = f", {day.miles:.0f} miles between postal codes" if day.miles is not None else ""
    yield (
        "text",
        (f"{counted(len(packet.visits), 'home')}, {day.hours:.1f} hours with trips{way}. Order: {day.how}.",),
    )
    if day.too_long:
        yield "text", ("One job alone is longer than a day.",)
    for part, homes in packet.parts.items():
        yield "text", (f"Take along {len(homes)} × {part}: {homes_said(homes)}",)
    yield (
        "text",
        (f"Work of the day: {'; '.join(f'{count} × {one}' for one, count in packet.measures.items())}",),
    )
    yield "heading", tuple(heading for heading, _ in COLUMNS)
    for number, visit in enumerate(packet.visits, start=1):
        yield from _of_visit(number, visit)


def _of_visit(number: int, visit: Visit) -> Iterator[Row]:
    home, several = visit.home, len(visit.stop.jobs) > 1
    job = f"job {home.job_number}" if home.job_number else "no job"
    yield "home", (f"{number}. Home {home.home_id}, {job}",)
    known = (
        home.address,
        f"region {home.region}" if home.region else "",
        f"{visit.stop.hours:.1f} hours with the trip",
        f"worst {home.risk}",
        f"last visit {home.last_inspected_on}",
        *home.remarks,
    )
    yield "text", ("; ".join(filter(None, known)),)
    if home.cautions:
        yield "caution", ("\n".join(home.cautions),)
    for one in visit.work:
        system = f" (system {one.system_id or 'without id'})" if several else ""
        trade = ["licensed trade"] if one.measure.licensed else []
        hours = [f"{one.measure.hours:.1f} h"] if one.measure.hours is not None else []
        title = "\n".join([f"{one.measure.title}{system}", "; ".join(hours + trade)]).strip()
        yield "work", ("", title, "\n".join((*one.parts, *one.settings)), "", "")
    for one_system in home.systems:
        for task in one_system.tasks:
            yield "text", (found_said(one_system, task, several),)
    if visit.beside:
        yield "text", (f"Also open there, with no work of its own here: {'; '.join(visit.beside)}",)
    yield "work", ("", "Read afterwards", "\n".join(visit.readings), "", "")
