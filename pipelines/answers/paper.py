"""Pages drawn as a PDF: lines of text that are set, kept together and numbered; the same bytes every time.

The letters are those of the fonts that every reader of PDF has, which know Western Europe; every other one is
spelt out by its number, so that none is lost or taken for another.
"""

import io
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import lru_cache
from typing import Any

PLAIN, BOLD, SLANTED = "Helvetica", "Helvetica-Bold", "Helvetica-Oblique"
LEADING = 1.22  # of a line, by the size of its letters
SPELT = "Letters that this print has no type for stand by their number, as [U+0142] does."


@dataclass(frozen=True)
class Line:
    """One line: its text, and what is drawn beside it. Lengths in points.

    `box` draws a square to tick at the left, of this size; `blanks` are (where it begins, where it ends,
    what is to be written there) below the text's baseline; `cells` are texts that end so far from the left;
    `shade` lies behind all of it. `figure(canvas, left, bottom, width)` draws in its place.
    """

    text: str = ""
    font: str = PLAIN
    size: float = 10.0
    left: float = 0.0
    box: float = 0.0
    shade: float = 1.0
    rule: bool = False
    blanks: tuple[tuple[float, float, str], ...] = ()
    cells: tuple[tuple[float, str], ...] = ()
    figure: Callable[[Any, float, float, float], None] | None = None
    mark: str = ""  # its name in the reader's list of contents
    space: float = 0.0  # above it

    @property
    def height(self) -> float:
        return self.space + self.size * LEADING


@dataclass(frozen=True)
class Block:
    """What stands together: a head and its parts; where these go on on another page, `again` heads it."""

    head: tuple[Line, ...]
    again: tuple[Line, ...]
    parts: tuple[tuple[Line, ...], ...]


@dataclass
class Paper:
    """A size of page with margins, in points, and what stands at its foot beside the number."""

    width: float
    height: float
    margin: float
    foot: str
    pages: list[list[Line]] = field(default_factory=lambda: [[]])
    foot_size: float = 7.5
    numbered: bool = True

    @property
    def measure(self) -> float:
        """Width that lines are set to."""
        return self.width - 2 * self.margin

    @property
    def room(self) -> float:
        """Height of a page for lines."""
        return self.height - 2 * self.margin - 2 * self.foot_size

    @property
    def left_over(self) -> float:
        return self.room - height_of(self.pages[-1])

    def turn(self) -> None:
        """Go on at the top of a page."""
        if self.pages[-1]:
            self.pages.append([])

    def put(self, block: Block) -> None:
        """Set a block: on this page where it fits whole, on the next where it fits there, else in parts."""
        whole = height_of([*block.head, *(line for part in block.parts for line in part)])
        if whole > self.left_over:
            self.turn()
        self.pages[-1] += block.head
        for part in block.parts:
            for together in self._broken(part, block.again):
                if height_of(together) > self.left_over:
                    self.pages.append(list(block.again))
                self.pages[-1] += together

    def _broken(self, part: Sequence[Line], again: Sequence[Line]) -> list[list[Line]]:
        """A part whole, or by its lines where no page takes it."""
        if height_of(part) <= self.room - height_of(again):
            return [list(part)]
        return [[line] for line in part]

    def drawn(self, title: str, time: datetime, language: str = "en-US") -> bytes:
        """All of it as a PDF made at a time."""
        out = io.BytesIO()
        canvas = canvas_for(out, self.width, self.height, title, time, language)
        for number, lines in enumerate(self.pages, 1):
            top = self.height - self.margin
            for line in lines:
                top = self._draw(canvas, line, top)
            canvas.setFillGray(0.25)
            canvas.setFont(PLAIN, self.foot_size)
            canvas.drawString(self.margin, self.margin - self.foot_size, self.foot)
            if self.numbered:
                canvas.drawRightString(
                    self.width - self.margin,
                    self.margin - self.foot_size,
                    f"page {number:,} of {len(self.pages):,}",
                )
            canvas.showPage()
        canvas.save()
        return out.getvalue()

    def _draw(self, canvas, line: Line, top: float) -> float:
        """Draw a line below `top`; returns where the next begins."""
        bottom = top - line.height
        base = bottom + line.size * (LEADING - 1.0)
        right = self.width - self.margin
        if line.shade < 1.0:
            canvas.setFillGray(line.shade)
            canvas.rect(self.margin - 3, bottom, self.measure + 6, line.height - line.space, stroke=0, fill=1)
        if line.rule:
            canvas.setLineWidth(0.4)
            canvas.line(self.margin, top - line.space / 2, right, top - line.space / 2)
        if line.mark:
            canvas.bookmarkPage(line.mark)
            canvas.addOutlineEntry(line.mark, line.mark)
        canvas.setFillGray(0)
        if line.box:
            canvas.setLineWidth(1)
            canvas.rect(self.margin, base - 1, line.box, line.box)
        for start, end, said in line.blanks:
            canvas.setLineWidth(0.5)
            canvas.line(self.margin + start, base - 1, self.margin + end, base - 1)
            canvas.setFont(PLAIN, line.size * 0.75)
            canvas.drawString(self.margin + start, base, said)
        canvas.setFont(line.font, line.size)
        if line.text:
            canvas.drawString(self.margin + line.left, base, line.text)
        for end, text in line.cells:
            canvas.drawRightString(self.margin + end, base, text)
        if line.figure:
            line.figure(canvas, self.margin, bottom, self.measure)
        return bottom


def canvas_for(
    out: io.BytesIO, width: float, height: float, title: str, time: datetime, language: str = "en-US"
):
    """Where to draw a PDF that carries a title and the time it was made at, and no other clock."""
    from reportlab.pdfgen.canvas import Canvas

    canvas = Canvas(out, pagesize=(width, height), invariant=1, lang=language)
    canvas.setDateFormatter(lambda *_: f"D:{time:%Y%m%d%H%M%S}Z")
    canvas.setTitle(title)
    return canvas


def height_of(lines: Iterable[Line]) -> float:
    return sum(line.height for line in lines)


def set_in(text: str, like: Line, measure: float) -> tuple[Line, ...]:
    """A text set into lines so wide, each as `like`; its box, blanks, cells and space are the first
    line's alone.
    """
    rest = replace(like, box=0.0, blanks=(), cells=(), space=0.0, rule=False, mark="")
    texts = _wrapped(typed(text), like.font, like.size, measure - like.left)
    return tuple(replace(rest if number else like, text=line) for number, line in enumerate(texts))


def has_no_type_for(text: str) -> bool:
    """Whether some letter of a text is spelt out."""
    return typed(text) != text


@lru_cache(maxsize=8192)
def typed(text: str) -> str:
    """A text in the letters there are; every other letter by its number."""
    return "".join(letter if _is_there(letter) else f"[U+{ord(letter):04X}]" for letter in text)


def _is_there(letter: str) -> bool:
    if not letter.isprintable():
        return False
    try:
        letter.encode("cp1252")
    except UnicodeEncodeError:
        return False
    return True


@lru_cache(maxsize=8192)
def _wrapped(text: str, font: str, size: float, measure: float) -> tuple[str, ...]:
    """Lines no wider than a measure; a word that is wider goes on in the next."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    lines, line = [], ""
    for word in text.split(" "):
        longer = f"{line} {word}" if line else word
        if stringWidth(longer, font, size) <= measure:
            line = longer
            continue
        if line:
            lines.append(line)
        line = word
        while stringWidth(line, font, size) > measure:
            cut = next(at for at in range(len(line), 0, -1) if stringWidth(line[:at], font, size) <= measure)
            lines.append(line[:cut])
            line = line[cut:]
    return (*lines, line)
