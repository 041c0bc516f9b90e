"""A re-inspection sample to hand out: the list of its homes, and for each the readings to take, on paper."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from pipelines.answers import sheet_pdf
from pipelines.answers.access import Filters, ListError, Viewer
from pipelines.answers.cautions import CAUTIONS
from pipelines.answers.formats import as_csv
from pipelines.answers.listed import Sheet, facts
from pipelines.answers.lists import about
from pipelines.answers.paper import BOLD, PLAIN, SLANTED, SPELT, Line, canvas_for, has_no_type_for, set_in
from pipelines.answers.phrases import counted
from pipelines.answers.sheet import rests_on, sections, title_of, unit_of, word_said
from pipelines.answers.work import addresses
from pipelines.answers.workbook import as_xlsx, harmless_text
from pipelines.engine.checks import HOME_CHECKS
from pipelines.fields import Field
from pipelines.fleet.logs import attempting
from pipelines.fleet.samples import UNIT, Sample
from pipelines.fleet.snapshots import Snapshot

if TYPE_CHECKING:
    from xlsxwriter import Workbook

MOST_UNITS = 500  # on paper
# Of the visit, and those that checks compare with other visits.
ALWAYS = ("inspection_id", "inspected_on", "inspector", "heating_system")
ENDINGS = (".csv", ".xlsx", ".pdf", ".json")
HOW = (
    "Go to the homes in any order. One that cannot be entered is replaced by the next alternate of its "
    "group, with a reason: coldfill sample --replace HOME --why TEXT. Nobody chooses another home."
)


@dataclass(frozen=True)
class Visit:
    """One unit to re-inspect; address and who took the final are None where the viewer may not see them."""

    agency: str
    home_id: str
    system_id: str
    job_number: str
    crew: str | None
    final_on: date
    final_by: str | None
    address: str | None

    @property
    def known(self) -> list[str]:
        """What helps to find the home and what was done there."""
        said = (
            self.address,
            f"system {self.system_id}" if self.system_id else "",
            f"crew {self.crew}" if self.crew else "crew not recorded",
            f"final {self.final_on}{f' by {self.final_by}' if self.final_by else ''}",
        )
        return [one for one in said if one]

    @property
    def entered(self) -> str:
        """What makes the visit count as the re-inspection of this unit."""
        own = (("home id", self.home_id), ("system id", self.system_id), ("job number", self.job_number))
        said = ", ".join(f"{name} {text}" for name, text in own if text)
        return f"Enter the visit with inspection kind qa, QA reason sample, {said}."

    @property
    def title(self) -> str:
        job = f"job {self.job_number}" if self.job_number else "no job"
        return f"Home {self.home_id}, {job}, {self.agency}"


def sheet(viewer: Viewer, snapshot: Snapshot, sample: Sample) -> Sheet:
    """The list of a sample: the units to visit, group by group, then the alternates left.

    Columns: those of a unit, crew, final_on, final_by and address (for viewers who may see them), stratum,
    order, alternate, weight, then empty inspection_id and inspected_on.
    """
    homes = [*sample.to_visit, *sample.alternates]
    keys = pa.table({name: pa.array([home[name] for home in homes], pa.string()) for name in UNIT})
    by, at = _finals(snapshot, keys), addresses(snapshot, keys)
    columns: dict[str, pa.Array] = {name: keys[name] for name in UNIT}
    columns["crew"] = pa.array([home["crew"] for home in homes], pa.string())
    columns["final_on"] = pa.array([date.fromisoformat(home["final_on"]) for home in homes], pa.date32())
    if viewer.personal:
        units = [tuple(home[name] for name in UNIT) for home in homes]
        columns["final_by"] = pa.array([by.get(unit) for unit in units], pa.string())
        columns["address"] = pa.array([at.get(unit[:2]) for unit in units], pa.string())
    columns["stratum"] = pa.array([home["stratum"] for home in homes], pa.string())
    columns["order"] = pa.array([home["order"] for home in homes], pa.int64())
    columns["alternate"] = pa.array(
        ["no"] * len(sample.to_visit) + ["yes"] * len(sample.alternates), pa.string()
    )
    columns["weight"] = pa.array([home["weight"] for home in homes], pa.float64())
    for name in ("inspection_id", "inspected_on"):
        columns[name] = pa.nulls(len(homes), pa.string())
    drawn = sample.drawn
    rests_on = about("sample", snapshot, date.fromisoformat(drawn["drawn_on"]), Filters())
    rests_on["filters"] = {"agency": drawn["agencies"], "program year": drawn["year"]}
    more = {
        "sample": sample.name,
        "drawn_from": drawn["snapshot"],
        "seed": drawn["seed"],
        "size": f"{drawn['size']:,}: {drawn['why']}",
        "frame": f"{counted(drawn['frame']['units'], 'unit')}, SHA-256 {drawn['frame']['sha256']}",
        "how_drawn": drawn["how"],
        "replaced": [f"home {one['replaced']['home_id']}" for one in sample.replacements] or "none",
    }
    cautions = rests_on.pop("cautions")
    return Sheet("sample", pa.table(columns), rests_on | more | {"cautions": cautions})


def _finals(snapshot: Snapshot, keys: pa.Table) -> dict[tuple, str]:
    """Who took the last final of each unit, as far as recorded."""
    found = snapshot.rows(
        """
        SELECT u.agency, u.home_id, u.system_id, u.job_number, r.inspector
        FROM program_units AS u
        SEMI JOIN drawn USING (agency, home_id, system_id, job_number)
        JOIN readings AS r ON r.agency = u.agency AND r.inspection_id = u.final_id
        WHERE r.inspector IS NOT NULL""",
        drawn=keys,
    )
    return {tuple(unit): inspector for *unit, inspector in found}


def visits(listed: Sheet) -> list[Visit]:
    """The units to visit of a sample's list. ListError where they are too many for paper."""
    names = (*UNIT, "crew", "final_on", "final_by", "address")
    rows = [row for row in listed.rows.to_pylist() if row["alternate"] == "no"]
    if len(rows) > MOST_UNITS:
        raise ListError(f"readings of up to {MOST_UNITS:,} units stand on paper, these are {len(rows):,}")
    return [Visit(**{name: row.get(name) for name in names}) for row in rows]


@cache
def readings() -> tuple[tuple[str, tuple[Field, ...]], ...]:
    """(heading, fields) of what a re-inspection reads: what checks rest on, in the order of taking."""
    asked = set(ALWAYS).union(*map(rests_on, HOME_CHECKS))
    parts = ((title, tuple(one for one in fields if one.name in asked)) for title, fields in sections())
    return tuple((title, fields) for title, fields in parts if fields)


def document(viewer: Viewer, sample: Sample) -> dict[str, Any]:
    """A sample for JSON: as drawn, with its name and what was replaced; who and why for those who may see."""
    hidden = () if viewer.personal else ("by_whom", "why")
    replaced = [
        {name: value for name, value in one.items() if name not in ("sample", "snapshot", *hidden)}
        for one in sample.replacements
    ]
    return {"sample": sample.name, **sample.drawn, "replaced": replaced}


def handed_out(viewer: Viewer, snapshot: Snapshot, sample: Sample, ending: str) -> bytes:
    """A sample in one of the formats of ENDINGS."""
    if ending == ".json":
        text = json.dumps(document(viewer, sample), ensure_ascii=False, allow_nan=False, indent=1)
        return text.encode() + b"\n"
    return {".csv": as_csv, ".xlsx": as_workbook, ".pdf": as_pdf}[ending](sheet(viewer, snapshot, sample))


def write(viewer: Viewer, snapshot: Snapshot, sample: Sample, path: Path) -> None:
    """Write a sample in the format that its ending, one of ENDINGS, says."""
    data = handed_out(viewer, snapshot, sample, path.suffix.lower())
    with attempting("write", path):
        path.write_bytes(data)


# ---- as a workbook

PAIRS = 2  # readings side by side
WIDTHS = (25, 30, 13)  # in letters: the reading, what may stand there, what is read
NOTES_POINTS = 45


def as_workbook(listed: Sheet) -> bytes:
    """The list, a sheet with a page of readings for each unit, and what it rests on."""
    units = visits(listed)
    return as_xlsx(listed, lambda book: _write_readings(book, units, listed))


def _write_readings(book: Workbook, units: list[Visit], listed: Sheet) -> None:
    page = book.add_worksheet("Readings")
    page.activate()
    page.set_paper(1)
    page.fit_to_pages(1, 0)
    page.hide_gridlines(2)
    rests_on = f"Sample {listed.about['sample']}, snapshot {listed.about['snapshot'].removesuffix('.duckdb')}"
    page.set_footer(f"&L&8{rests_on}&C&8Page &P of &N&R&8Not a safety inspection")
    for position in range(PAIRS * len(WIDTHS)):
        page.set_column(position, position, WIDTHS[position % len(WIDTHS)])
    last = PAIRS * len(WIDTHS) - 1
    home, text, heading, boxed = (
        book.add_format(style | {"font_size": size, "valign": "top", "text_wrap": True})
        for style, size in (
            ({"bold": True, "bg_color": "#E6E6E6", "top": 2}, 12),
            ({}, 9),
            ({"bold": True, "bottom": 1}, 10),
            ({"border": 1}, 9),
        )
    )
    line, breaks = 0, []
    for unit in units:
        if line:
            breaks.append(line)
        for said, style in (
            (unit.title, home),
            (" · ".join(unit.known), text),
            (unit.entered, text),
            (" ".join(CAUTIONS), text),
        ):
            lines = -(-len(said) // (PAIRS * sum(WIDTHS)))
            page.set_row(line, 16 if lines == 1 else 12.5 * (lines + 1))
            page.merge_range(line, 0, line, last, harmless_text(said), style)
            line += 1
        for title, fields in readings():
            page.merge_range(line, 0, line, last, title, heading)
            line += 1
            for start in range(0, len(fields), PAIRS):
                pair = fields[start : start + PAIRS]
                longest = max(len(_may_stand(one)) for one in pair)
                page.set_row(line, 12.5 * max(1, -(-longest // WIDTHS[1])) + 2)
                for position, one in enumerate(pair):
                    left = position * len(WIDTHS)
                    page.write_string(line, left, title_of(one), text)
                    page.write_string(line, left + 1, _may_stand(one), text)
                    page.write_blank(line, left + 2, None, boxed)
                line += 1
        page.merge_range(line, 0, line, last, "Notes", heading)
        page.set_row(line + 1, NOTES_POINTS)
        page.merge_range(line + 1, 0, line + 1, last, "", boxed)
        line += 2
    page.set_h_pagebreaks(breaks)


def _may_stand(field: Field) -> str:
    if field.words:
        return " / ".join(map(word_said, field.words))
    return unit_of(field)


# ---- on paper

SMALL = Line(size=8)


def as_pdf(listed: Sheet) -> bytes:
    """Letter pages: what was drawn and how, then readings to take, a page for each unit; always the same."""
    units, out = visits(listed), io.BytesIO()
    about = listed.about
    canvas = canvas_for(out, sheet_pdf.WIDTH, sheet_pdf.HEIGHT, f"Sample {about['sample']}", listed.time)
    pages = _Pages(canvas, f"Sample {about['sample']}, {about['snapshot'].removesuffix('.duckdb')}")
    for line in _cover(listed, units):
        pages.put(line)
    for unit in units:
        pages.new(unit.title)
        pages.set_text(unit.title, Line(font=BOLD, size=12))
        pages.set_text("; ".join(unit.known), Line(size=9, space=2))
        pages.set_text(unit.entered, Line(size=9, space=2))
        for title, fields in readings():
            pages.put(Line(title, BOLD, sheet_pdf.HEADING, space=11, rule=True))
            for row in sheet_pdf.rows_of(list(fields)):
                base = pages.below(sheet_pdf.ROW)
                sheet_pdf.draw_row(canvas, row, base)
        pages.put(Line("Notes", BOLD, sheet_pdf.HEADING, space=12))
        for _ in range(3):
            base = pages.below(sheet_pdf.ROW)
            canvas.setLineWidth(0.5)
            canvas.line(sheet_pdf.MARGIN, base, sheet_pdf.WIDTH - sheet_pdf.MARGIN, base)
        pages.set_text(" ".join(CAUTIONS), Line(font=SLANTED, size=sheet_pdf.CAUTION, space=4))
    pages.end()
    canvas.save()
    return out.getvalue()


def _cover(listed: Sheet, units: list[Visit]) -> Iterator[Line]:
    measure = sheet_pdf.MEASURE
    yield Line(f"Re-inspection sample: {counted(len(units), 'unit')}", BOLD, 14)
    for text in (HOW, *CAUTIONS):
        yield from set_in(text, Line(font=SLANTED, size=9, space=3), measure)
    for name, text in facts(listed):
        if name != "list":
            yield from set_in(f"{name}: {text}", SMALL, measure)
    if any(has_no_type_for(text) for unit in units for text in (unit.title, *unit.known)):
        yield from set_in(SPELT, SMALL, measure)
    alternate, stratum = None, None
    for row in listed.rows.to_pylist():
        if row["alternate"] != alternate:
            alternate, stratum = row["alternate"], None
            title = "To visit" if alternate == "no" else "Alternates, only in this order and with a reason"
            yield Line(title, BOLD, 11, space=9, rule=True)
        if row["stratum"] != stratum:
            stratum = row["stratum"]
            each = f"{stratum}; each stands for {row['weight']:g} units of the frame"
            yield from set_in(each, Line(font=SLANTED, size=9, space=3), measure)
        job = f", job {row['job_number']}" if row["job_number"] else ""
        system = f", system {row['system_id']}" if row["system_id"] else ""
        yield from set_in(
            f"{row['order']}. Home {row['home_id']}{job}{system}", Line(size=9, left=10), measure
        )


class _Pages:
    """Letter pages written from the top, each with its number at the foot."""

    def __init__(self, canvas, foot: str):
        self.canvas, self.foot, self.number = canvas, foot, 1
        self.top = sheet_pdf.HEIGHT - sheet_pdf.MARGIN

    def below(self, taken: float) -> float:
        """Where something stands that takes so much: on the next page where this one is full."""
        if self.top - taken < sheet_pdf.MARGIN + 8:
            self.new()
        self.top -= taken
        return self.top

    def put(self, line: Line) -> None:
        base = self.below(line.height) + line.size * 0.22
        if line.rule:
            self.canvas.setLineWidth(0.4)
            self.canvas.line(sheet_pdf.MARGIN, base - 3, sheet_pdf.WIDTH - sheet_pdf.MARGIN, base - 3)
        self.canvas.setFont(line.font, line.size)
        self.canvas.drawString(sheet_pdf.MARGIN + line.left, base, line.text)

    def set_text(self, text: str, like: Line) -> None:
        for number, line in enumerate(set_in(text, like, sheet_pdf.MEASURE)):
            self.put(line if number == 0 else replace(line, space=0))

    def new(self, mark: str = "") -> None:
        """Go on at the top of the next page, which the reader's list of contents names so."""
        self.end()
        self.number += 1
        self.top = sheet_pdf.HEIGHT - sheet_pdf.MARGIN
        if mark:
            self.canvas.bookmarkPage(mark)
            self.canvas.addOutlineEntry(mark, mark)

    def end(self) -> None:
        self.canvas.setFont(PLAIN, 7)
        self.canvas.drawString(sheet_pdf.MARGIN, sheet_pdf.MARGIN - 9, self.foot)
        right = sheet_pdf.WIDTH - sheet_pdf.MARGIN
        self.canvas.drawRightString(right, sheet_pdf.MARGIN - 9, f"page {self.number:,}")
        self.canvas.showPage()
