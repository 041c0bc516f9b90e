"""One letter page to hand over: it never runs on to a second, and says how much it has no room for."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from pipelines.answers.access import ListError
from pipelines.answers.paper import BOLD, Block, Line, Paper, set_in, typed

WIDTH, HEIGHT, MARGIN = 8.5 * 72, 11 * 72, 45.0
MEASURE = WIDTH - 2 * MARGIN
LONGEST = 70  # letters of a recorded name: beyond, three dots say that it goes on
TITLE = Line(font=BOLD, size=15)
HEADING = Line(font=BOLD, size=11, space=8, rule=True)
TEXT = Line(size=10, space=1.5)
SMALL = Line(size=8, space=2)


@dataclass(frozen=True)
class Basis:
    """What a page rests on: the snapshot's name and time, the day clocks count to, the policy's hash."""

    snapshot: str
    as_of: str
    policy: str
    received_until: datetime

    @classmethod
    def of(cls, about: dict) -> Basis:
        """From what a list is said to rest on (`lists.about`)."""
        return cls(
            about["snapshot"].removesuffix(".duckdb"),
            about["as_of"],
            about["policy"][:12],
            datetime.fromisoformat(about["received_until"].removesuffix("Z")),
        )


def drawn(
    title: str,
    basis: Basis,
    foot: str,
    most: int,
    lines: Callable[[int], Iterable[Line]],
    language: str = "en-US",
) -> bytes:
    """The page as a PDF, the same bytes for the same question.

    `lines(shown)` gives all of it with so many of the `most` things that may be left out, and counts the
    rest; the most that fit are shown. ListError where not even none of them does.
    """
    for shown in range(most, -1, -1):
        paper = Paper(WIDTH, HEIGHT, MARGIN, foot, numbered=False)
        paper.put(Block((), (), tuple((line,) for line in lines(shown))))
        if len(paper.pages) == 1:
            return paper.drawn(title, basis.received_until, language)
    raise ListError(f"{title}: more than one letter page takes; shorten the names it holds")


def short(text: str, most: int = LONGEST) -> str:
    """A recorded name of at most so many letters, three dots where it goes on."""
    text = typed(text)
    return text if len(text) <= most else f"{text[: most - 3].rstrip()}..."


def headed(title: str, texts: Iterable[str], like: Line = TEXT) -> Iterator[Line]:
    """A heading and paragraphs below it."""
    yield from set_in(title, HEADING, MEASURE)
    for text in texts:
        yield from set_in(text, like, MEASURE)


def listed(texts: Iterable[str], like: Line = TEXT) -> Iterator[Line]:
    """Paragraphs, each after a dash."""
    for text in texts:
        first, *rest = set_in(text, replace(like, left=like.left + 10), MEASURE)
        yield replace(first, text=f"\N{EN DASH} {first.text}", left=like.left)
        yield from rest


def table(
    headings: Sequence[str], rows: Iterable[Sequence[str]], ends: Sequence[float], like: Line = TEXT
) -> Iterator[Line]:
    """A table: the first cell of each row at the left, the others end at `ends`; headings small and bold."""
    head = replace(like, font=BOLD, size=like.size - 1.5, space=5)
    room = min(ends) - 60
    for number, row in enumerate((headings, *rows)):
        cells = tuple(zip(ends, row[1:], strict=True))
        yield from set_in(row[0], replace(like if number else head, cells=cells), room)
