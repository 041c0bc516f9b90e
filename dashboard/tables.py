"""Tables and words that pages share, as plain HTML.

So they wrap, print, follow the keyboard and carry real links. What people recorded is escaped by the
templates and nowhere trusted.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd
import streamlit as st

from dashboard import audit_words, wording
from dashboard.markup import render

# How a cell stands: short is kept on one line, a name mostly; lines stand one below the other.
NUMBER, TEXT, SHORT, NAME, LINES, SQUARES = "number", "text", "short", "name-of", "lines", "squares"


@dataclass(frozen=True)
class Column:
    """One column: the frame's column `name`, its heading, and how a value is said.

    `show` turns a value into plain text (the row, a named tuple, where `of_row`), `link` a row into an
    address or None, `mark` a value into a class of the stylesheet. `help` says what the column means, below
    the table and on the heading. `under` is another column, written small below; `width` a share of the
    table, for tables that stand above one another. `sort` is the order that a click on the heading asks for.
    `choose` turns a row into the name that a box in the cell chooses it by.
    """

    name: str
    label: str
    show: Callable[[Any], str] = wording.text
    help: str = ""
    kind: str = TEXT
    link: Callable[[Any], str | None] | None = None
    mark: Callable[[Any], str | None] | None = None
    of_row: bool = False
    under: str = ""
    width: str = ""
    sort: str = ""
    choose: Callable[[Any], str] | None = None


@dataclass(frozen=True)
class Cell:
    """One cell as the template draws it; `squares` are (words, class) of marks in the place of a text.

    `chooses` is the name of what a box before the text chooses.
    """

    text: str
    kind: str
    mark: str | None
    address: str | None
    under: str
    squares: tuple[tuple[str, str], ...] = ()
    chooses: str = ""


@dataclass(frozen=True)
class Order:
    """The order a table stands in, and where a click on a heading leads: address(order)."""

    now: str
    address: Callable[[str], str]


def count(name: str, label: str, **more: Any) -> Column:
    return Column(name, label, wording.whole, kind=NUMBER, **more)


def home(link: Callable[[str, str], str], name: str = "home_id", label: str = "Home", **more: Any) -> Column:
    """The home's id, leading to the home; `link` is a function of agency and home id."""
    return Column(name, label, kind=SHORT, link=lambda row: link(row.agency, getattr(row, name)), **more)


def agency(**more: Any) -> Column:
    return Column("agency", "Agency", kind=NAME, **more)


def recency(day_shown, recent_days: float) -> tuple[Column, ...]:
    """Newest file and newest inspection of an agency, and whether that is recent."""
    return (
        Column("file_name", "Newest file"),
        day("received_at", "Received"),
        day("last_inspected_on", "Last inspection"),
        Column(
            "last_inspected_on",
            "How recent",
            lambda row: wording.recent(
                row.received_at, row.last_inspected_on, day_shown, recent_days, row.later
            ),
            of_row=True,
        ),
    )


def headline() -> Column:
    """The sentence over a home."""
    return Column(
        "headline",
        "Headline",
        lambda row: wording.in_a_list(row.headline, row.risk),
        of_row=True,
        width="34%",
    )


def why_held(most: int = 8) -> Column:
    """What holds a unit back, one reason a line, the first few where there are many."""

    def lines(why: str) -> str:
        reasons = why.split("; ")
        more = len(reasons) - most
        return "\n".join(reasons if more < 2 else [*reasons[:most], f"and {more} more"])

    return Column("why", "What holds it back", lines, kind=LINES, width="34%")


def homes(
    link: Callable[[str, str], str], said: Column, choose: Callable[[Any], str] | None = None
) -> tuple[Column, ...]:
    """The columns of a list of homes; `said` is what the list says of each, `choose` as in Column."""
    return (
        home(link, under="job_number", sort="home_id", choose=choose),
        agency(under="region", sort="agency"),
        risk(sort="risk"),
        said,
        squares(),
        Column(
            "safety_not_verified",
            "Not verified",
            lambda row: wording.unverified(row.assessed, row.safety_not_verified),
            "Safety-critical checks that were never verified; a dash where the home was not assessed.",
            kind=NUMBER,
            of_row=True,
            sort="-safety_not_verified",
        ),
        Column("crew", "Crew", help="Last known to have worked on the home's heating.", sort="crew"),
        day("last_inspected_on", "Last visit", sort="-last_inspected_on"),
    )


def squares() -> Column:
    """A square for each group of checks."""
    return Column("pressure", "Checks", kind=SQUARES, help=wording.SQUARES_SAID)


def risk(**more: Any) -> Column:
    return Column("risk", "Risk", wording.text, mark=wording.RISK_CLASS.get, **more)


def day(name: str, label: str, **more: Any) -> Column:
    return Column(name, label, wording.day, kind=SHORT, **more)


def rows(records: Iterable[Any]) -> pd.DataFrame:
    """Records (dataclasses or dictionaries) as a frame, for `show`."""
    return pd.DataFrame(
        [
            record
            if isinstance(record, dict)
            else {name: getattr(record, name) for name in record.__dataclass_fields__}
            for record in records
        ]
    )


# ---- tables of rows


def show(
    frame: pd.DataFrame,
    columns: Sequence[Column],
    caption: str,
    *,
    empty: str,
    wide: bool = True,
    order: Order | None = None,
):
    """Draw a table under a caption; `empty` is said instead where there is no row."""
    if frame.empty:
        _words("empty", sentence=empty)
    else:
        cells = _cells(frame, columns)
        drawn("table", caption=caption, columns=columns, rows=cells, wide=wide, order=order)


def folded_table(frame: pd.DataFrame, columns: Sequence[Column], caption: str):
    """One line that opens to a table."""
    if not frame.empty:
        drawn("folded_table", caption=caption, columns=columns, rows=_cells(frame, columns))


def _cells(frame: pd.DataFrame, columns: Sequence[Column]) -> Iterator[list[Cell]]:
    for row in frame.itertuples(index=False):
        yield [_cell(column, row) for column in columns]


def _cell(column: Column, row: Any) -> Cell:
    value = getattr(row, column.name)
    if column.kind == SQUARES:
        return Cell("", SQUARES, None, None, "", tuple(wording.squares(row)))
    under = getattr(row, column.under) if column.under else None
    return Cell(
        text=column.show(row if column.of_row else value),
        kind=column.kind,
        mark=column.mark(value) if column.mark and not wording.missing(value) else None,
        address=column.link(row) if column.link else None,
        under="" if wording.missing(under) else wording.text(under),
        chooses=column.choose(row) if column.choose else "",
    )


def as_read(frame: pd.DataFrame, caption: str):
    """Cells as they were read, under their own headings; wide tables scroll."""
    cells = (
        [wording.cut(cell or "", 60) for cell in row] for row in frame.itertuples(index=False, name=None)
    )
    drawn("as_read", caption=caption, headings=list(frame.columns), rows=cells)


# ---- tables of cells


@dataclass(frozen=True)
class GridCell:
    """One check of one name as the template draws it: observed of expected, how it is marked, in words."""

    text: str
    marks: str
    said: str
    address: str


LESS, MORE = 2 / 3, 3 / 2  # observed over expected, beyond which a cell is shaded,
APART = 1.5  # where they are as many units apart


def grid(
    frame: pd.DataFrame,
    labels: dict[str, str],
    few: float,
    of_name: Callable[[Any], str],
    of_cell: Callable[[Any], str],
    caption: str,
    *,
    empty: str,
    key: bool = True,
):
    """Checks down, names across, in the order of the frame: what was observed of what is expected.

    `frame`: agency, name and the columns of answers.crews.compared. `of_name` and `of_cell` turn a row into
    an address. Checks that nobody was found deficient in are named in one line below.
    """
    found = frame.groupby("check_id")["observed"].sum()
    seen = frame.groupby("check_id")["visits"].sum()
    if not seen.any():
        _words("empty", sentence=empty)
        return
    cells = {(row.check_id, row.name): _grid_cell(row, few, of_cell) for row in frame.itertuples(index=False)}
    across = {row.name: of_name(row) for row in frame.itertuples(index=False)}
    drawn(
        "grid",
        caption=caption,
        few=f"{few:.0f}" if key else "",
        names=list(across.items()),
        rows=[
            (title, [cells.get((check, name)) for name in across])
            for check, title in labels.items()
            if found.get(check, 0)
        ],
    )
    clean = [title for check, title in labels.items() if seen.get(check, 0) and not found.get(check, 0)]
    if clean:
        folded(f"{wording.plural(len(clean), 'check')} at which nobody's unit was found deficient", clean)


def _grid_cell(row: Any, few: float, of_cell: Callable[[Any], str]) -> GridCell:
    short = row.visits < few or row.standing == "not enough readings"
    shade = "as"
    if not wording.missing(row.expected) and abs(row.observed - row.expected) >= APART:
        ratio = row.observed / max(row.expected, 1e-6)
        shade = "less" if ratio < LESS else "more" if ratio > MORE else "as"
    beyond = None if wording.missing(row.beyond) else row.beyond
    marks = " ".join(filter(None, ("few" if short else shade, "beyond" if beyond else "")))
    arrow = {"more": " ▲", "fewer": " ▼"}.get(beyond or "", "")
    return GridCell(
        f"{row.observed:,} / {audit_words.expected(row.expected)}{arrow}",
        marks,
        audit_words.grid_cell(row),
        of_cell(row),
    )


def folded_timeline(checks: Sequence[Any], visits: Sequence[Any], caption: str):
    """Outcome of every check at every visit, folded; the outcomes are words, told apart by weight."""
    if not checks:
        return
    rows = []
    for check in checks:
        outcomes = {visit: outcome for visit, outcome, _ in check.visits}
        at_visits = [outcomes.get(visit.inspection_id, "other system") for visit in visits]
        cells = [(outcome, wording.OUTCOME_CLASS.get(outcome, "")) for outcome in at_visits]
        rows.append((check.name, [*cells, (check.state, wording.STATE_CLASS.get(check.state, ""))]))
    days = [wording.day(visit.inspected_on) for visit in visits]
    drawn("folded_timeline", caption=caption, days=days, rows=rows)


def crossed(
    frame: pd.DataFrame,
    down: str,
    across: str,
    cell: Callable[[Any], tuple[str, str | None]],
    caption: str,
    *,
    empty: str,
    labels: dict[str, str],
    heading: str,
    order: Sequence[str] = (),
):
    """One row for each text of the column `down`, one column for each text of `across`, in their order.

    `order` is that of the columns, where the frame's is not.

    `cell` turns a row of the frame into text and address; where there is no row, there is none.
    """
    if frame.empty:
        _words("empty", sentence=empty)
        return
    cells = {(getattr(row, down), getattr(row, across)): cell(row) for row in frame.itertuples()}
    columns = list(dict.fromkeys(frame[across]))
    if order:
        columns.sort(key=list(order).index)
    drawn(
        "crossed",
        caption=caption,
        heading=heading,
        across=columns,
        rows=[
            (labels[name], [cells.get((name, column)) for column in columns])
            for name in dict.fromkeys(frame[down])
        ],
    )


# ---- words


def section(title: str, sentence: str = ""):
    """A heading inside a page and, in small print, how to read what follows."""
    _words("section", title=title, sentence=sentence)


def subsection(title: str):
    _words("subsection", title=title)


def heading(title: str):
    """What stands over a chart, as a caption does over a table; no step in the order of headings."""
    _words("heading", title=title)


def subtitle(title: str, sentence: str, risk: str | None):
    """What the page is about and the sentence over it."""
    _words(
        "subtitle",
        title=title,
        sentence=wording.without_risk(sentence, risk),
        risk=risk,
        mark=wording.RISK_CLASS[risk] if risk else "",
    )


def said(sentence: str):
    _words("said", sentence=sentence)


def facts(pairs: Iterable[tuple[str, Any]]):
    """A short list of names and values; what has no value is left out."""
    _words("facts", pairs=[(name, value) for name, value in pairs if not wording.missing(value)])


def numbers(triples: Iterable[tuple[str, str, str | None]]):
    """A short list of names and numbers that lead to what they count: (name, number, address or None)."""
    _words("numbers", triples=list(triples))


def lines(texts: Iterable[str]):
    _words("lines", texts=list(texts))


def lines_of(title: str, texts: Iterable[str]):
    """A short list that wants attention."""
    _words("lines_of", title=title, texts=list(texts))


def folded(title: str, texts: Iterable[str]):
    """One line that opens to a list."""
    _words("folded", title=title, texts=list(texts))


def steps(texts: Iterable[str], other: str, command: str):
    """What comes one after the other; and the command for what goes another way."""
    _words("steps", texts=list(texts), other=other, command=command)


def links(pairs: Iterable[tuple[str, str]]):
    """Ways on from here: (words, address)."""
    _words("links", pairs=list(pairs))


def picture(svg: str, words: Sequence[tuple[str, str]], title: str):
    """A drawing, and the same in words for those who do not see it."""
    st.image(svg, width=1180, alt=f"{title}: " + " ".join(f"{name}: {text}." for name, text in words))
    _words("folded_pairs", title=title, pairs=words)


def _words(macro: str, **values: Any):
    st.html(render("words", macro, **values))


def drawn(macro: str, **values: Any):
    st.html(render("tables", macro, **values))
