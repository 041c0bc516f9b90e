"""The reading sheet on a letter page, with boxes to tick and, small, each column's name in the CSV."""

import io
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from pipelines.answers.cautions import CAUTIONS
from pipelines.answers.paper import BOLD, PLAIN, SLANTED, Line, canvas_for, set_in
from pipelines.answers.sheet import HOW_TO_FILL_IN, sections, title_of, unit_of, word_said
from pipelines.fields import DATE, NUMBER, Field

# In points.
WIDTH, HEIGHT, MARGIN = 8.5 * 72, 11 * 72, 27.0
MEASURE = WIDTH - 2 * MARGIN
TEXT, NAME, HEADING, CAUTION = 8.2, 5.2, 9.5, 7.4
ROW, SECTION = 16.6, 14.0
BOX, GAP, INSIDE = 7.0, 11.0, 3.0
BLANKS = {NUMBER: 34.0, DATE: 56.0}  # to write in; other kinds are texts
BLANK, LONG, NOTES = 62.0, 130.0, 480.0
LONG_TEXTS = ("address", "work_ordered", "stated_deficiencies", "repairs_reported")
HOW_TO_TYPE_IN = "Small below each name: its column in the CSV."
MADE = datetime(1980, 1, 1)  # it rests on no fleet


@dataclass(frozen=True)
class _Piece:
    """What is not parted: a field's title or a box with its word; the name of its column below, if any."""

    text: str
    font: str = PLAIN
    name: str = ""
    box: bool = False
    blank: float = 0.0
    unit: str = ""

    @property
    def width(self) -> float:
        beside = (BOX + INSIDE) * self.box + (self.blank + INSIDE if self.blank else 0.0)
        unit = _width(f" {self.unit}", PLAIN, TEXT) if self.unit else 0.0
        return max(_width(self.text, self.font, TEXT), _width(self.name, PLAIN, NAME)) + beside + unit


def sheet_pdf() -> bytes:
    """One letter page, or more sides where there are more fields than it takes; the same bytes every time."""
    out = io.BytesIO()
    canvas = canvas_for(out, WIDTH, HEIGHT, "Reading sheet", MADE)
    top = HEIGHT - MARGIN
    top = _words(canvas, f"{HOW_TO_FILL_IN} {HOW_TO_TYPE_IN}", Line(size=TEXT), top)
    for title, fields in sections():
        top = _below(canvas, top, SECTION + ROW) + ROW
        canvas.setFont(BOLD, HEADING)
        canvas.drawString(MARGIN, top, title)
        canvas.setLineWidth(0.4)
        canvas.line(MARGIN, top - 3, WIDTH - MARGIN, top - 3)
        for row in rows_of(fields):
            top = _below(canvas, top, ROW)
            draw_row(canvas, row, top)
        top -= 4
    _words(canvas, " ".join(CAUTIONS), Line(font=SLANTED, size=CAUTION), top - 6)
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def _below(canvas, top: float, taken: float) -> float:
    """Where a row stands that takes so much below `top`: on the next side where this one is full."""
    if top - taken >= MARGIN:
        return top - taken
    canvas.showPage()
    return HEIGHT - MARGIN - taken


def rows_of(fields: list[Field]) -> Iterator[list[tuple[float, _Piece]]]:
    """Pieces with where they begin, row by row; a field begins a new one where it does not fit whole."""
    row: list[tuple[float, _Piece]] = []
    end = 0.0
    for field in fields:
        pieces = list(_pieces(field))
        whole = sum(piece.width + INSIDE for piece in pieces)
        for number, piece in enumerate(pieces):
            taken = piece.width if number or whole > MEASURE else whole
            if row and end + taken > MEASURE:
                yield row
                row, end = [], 0.0
            row.append((end, piece))
            end += piece.width + (INSIDE if number < len(pieces) - 1 else GAP)
    yield row


def _pieces(field: Field) -> Iterator[_Piece]:
    if field.words:
        yield _Piece(title_of(field), BOLD, field.name)
        yield from (_Piece(word_said(word), box=True) for word in field.words)
    else:
        blank = LONG if field.name in LONG_TEXTS else BLANKS.get(field.kind, BLANK)
        blank = NOTES if field.name == "notes" else blank
        yield _Piece(title_of(field), BOLD, field.name, blank=blank, unit=unit_of(field))


def draw_row(canvas, row: list[tuple[float, _Piece]], base: float) -> None:
    for start, piece in row:
        left = MARGIN + start
        if piece.box:
            canvas.setLineWidth(0.7)
            canvas.rect(left, base - 0.8, BOX, BOX)
            left += BOX + 2.0
        canvas.setFont(piece.font, TEXT)
        canvas.drawString(left, base, piece.text)
        if piece.name:
            canvas.setFillGray(0.3)
            canvas.setFont(PLAIN, NAME)
            canvas.drawString(left, base - NAME - 0.4, piece.name)
            canvas.setFillGray(0)
        if piece.blank:
            left += max(_width(piece.text, piece.font, TEXT), _width(piece.name, PLAIN, NAME)) + 2.0
            canvas.setLineWidth(0.5)
            canvas.line(left, base - 1.5, left + piece.blank, base - 1.5)
            canvas.setFont(PLAIN, TEXT)
            canvas.drawString(left + piece.blank + 1.0, base, piece.unit)


def _words(canvas, text: str, like: Line, top: float) -> float:
    for line in set_in(text, like, MEASURE):
        top = _below(canvas, top, line.height)
        canvas.setFont(line.font, line.size)
        canvas.drawString(MARGIN, top, line.text)
    return top


def _width(text: str, font: str, size: float) -> float:
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return stringWidth(text, font, size)
