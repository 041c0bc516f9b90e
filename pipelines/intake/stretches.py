"""How far a damage reaches: records read one after the other, with the pieces of one row joined.

A stray line may be torn off a row beside it, and a row may be broken over several lines; such records are one
stretch of which nothing is loaded but what is certain.
"""

import re
from collections import Counter

from pipelines.intake.damage import (
    BROKEN,
    CUT_OFF,
    NEIGHBOR,
    OTHER_HEADINGS,
    QUOTE_OPEN,
    QUOTE_STRAY,
    REPEATED,
    TOO_FEW,
    TOTALS,
)
from pipelines.intake.layout import Dialect, Layout, exact_shape, shape, split
from pipelines.intake.records import NextLine, Record, damaged, decoded, next_record

LONGEST_WORD = 40  # characters of an id or a number
LONGEST_STRETCH = 20_000  # records looked at together


def next_records(
    next_line: NextLine, at: int, number: int, until: int, layout: Layout
) -> tuple[list[Record], int, int]:
    """Records from a byte up to about another, and the byte and line where to go on.

    A stretch ends between two good records, of which the second is left for the next stretch, so that
    whatever touches a neighbor is seen together with it; at the end of the file it ends there, and where
    another table begins. Blank records are left out.
    """
    records: list[Record] = []
    start = at
    while (record := next_record(next_line, at, number, layout)) is not None:
        tidy = record.row is not None and bool(records) and (records[-1].blank or records[-1].row is not None)
        if tidy and record.at >= until > start or len(records) > LONGEST_STRETCH:
            break
        records.append(record)
        at, number = record.after, number + record.count
        if record.reason == OTHER_HEADINGS:
            break
    return [record for record in _joined(records, layout) if not record.blank], at, number


def _joined(records: list[Record], layout: Layout) -> list[Record]:
    """The same records with rows beside a stray line judged again, and the pieces of one row joined."""
    for i, record in enumerate(records):
        if (
            record.reason in (TOO_FEW, CUT_OFF)
            and record.count == 1
            and record.pieces == 1
            and layout.width > 1
        ):
            _judge_neighbors(records, i, layout)
    joined: list[Record] = []
    for record in records:
        joined.append(record)
        if _is_piece(record) and not _begins_a_row(record, layout):
            _join_broken(joined, layout)
            _join_quoted(joined, layout)
    return _join_neighbors(joined)


def _is_piece(record: Record) -> bool:
    return record.reason in (TOO_FEW, CUT_OFF, QUOTE_STRAY, QUOTE_OPEN)


def _begins_a_row(record: Record, layout: Layout) -> bool:
    """Whether a damaged record begins like a row: by the form of its first cell, else by many cells."""
    forms, quote = layout.edges[0], layout.dialect.quote
    if record.with_next or forms is None:
        return record.with_next or record.pieces * 2 > layout.width
    return exact_shape(decoded(record.raw).split(layout.dialect.delimiter, 1)[0].strip(quote + " ")) in forms


def _before(records: list[Record], at: int) -> int:
    """Index of the record before one, blank lines passed over; -1 if there is none."""
    at -= 1
    while at >= 0 and records[at].blank:
        at -= 1
    return at


def _join_broken(records: list[Record], layout: Layout) -> None:
    """Join the last pieces where together they have exactly the cells of one row, and none has them alone."""
    first, cells = len(records) - 1, records[-1].pieces
    while (
        cells < layout.width
        and records[first].pieces < layout.width
        and (before := _before(records, first)) >= 0
        and _is_piece(records[before])
    ):
        if _begins_a_row(records[first], layout):
            return
        first, cells = before, cells + records[before].pieces - 1
        if cells == layout.width and records[first].pieces < layout.width:
            expected = f"{layout.width} cells on one line, or the cell with the line end in quotes"
            records[first:] = [damaged(_one(records[first:]), BROKEN, expected)]
            return


def _join_quoted(records: list[Record], layout: Layout) -> None:
    """Join the last piece to what stands before it where a quoted cell of a damaged row may run over both."""
    quote = layout.dialect.quote.encode()
    while (
        (last := records[-1]).pieces < layout.width
        and _is_piece(last)
        and (at := _before(records, len(records) - 1)) >= 0
    ):
        if _begins_a_row(last, layout):
            return
        before = records[at]
        quotes = before.raw.count(quote)
        opened = quotes % 2 == 1
        closing = last.reason == QUOTE_STRAY and (quotes > 0 or before.pieces < layout.width)
        if (
            before.row is not None
            or before.reason in (TOTALS, REPEATED, OTHER_HEADINGS)
            or not (opened or closing)
        ):
            return
        joined = damaged(_one(records[at:]), before.reason, before.expected)
        joined.pieces = before.pieces
        if not quotes:
            joined.reason, joined.expected = last.reason, last.expected
        records[at:] = [joined]
        if quotes:
            return


def _one(records: list[Record]) -> Record:
    """One stretch of records that follow each other."""
    first, last = records[0], records[-1]
    raw = b"\n".join(record.raw.rstrip(b"\r\n") for record in records)
    return Record(
        first.at,
        last.after,
        first.line,
        sum(record.count for record in records),
        raw,
        ended=last.ended,
        with_next=last.with_next,
    )


def _judge_neighbors(records: list[Record], i: int, layout: Layout) -> None:
    """Keep only what is certain beside a line of one cell, which may be torn off the row before or after."""
    stray, quote = decoded(records[i].raw), layout.dialect.quote
    if stray.startswith(quote) and stray.endswith(quote) and stray.count(quote) == 2:
        stray = stray[1:-1]
    before = records[i - 1] if i > 0 and records[i - 1].row is not None else None
    after = records[i + 1] if i + 1 < len(records) and records[i + 1].row is not None else None
    end = _cells(before, layout)[-1] if before else ""
    start = _cells(after, layout)[0] if after else ""
    at_start, at_end = layout.edges
    torn_end, may_end = _torn(before, end, end + stray, at_end, layout) if before else (False, False)
    torn_start, may_start = _torn(after, start, stray + start, at_start, layout) if after else (False, False)
    begun = at_start is not None and any(form.startswith(exact_shape(stray)) for form in at_start)
    ends = before is not None and (
        shape(stray) in ("9", "a") if at_end is None else shape(end + stray) in set(map(shape, at_end))
    )
    if not records[i].ended or begun and not ends:
        may_end = torn_end  # a row or file cut off in its first cell says nothing of the row before
    if torn_end != torn_start:
        may_end, may_start = torn_end, torn_start
    for row, torn in ((before, may_end), (after, may_start)):
        if row is not None and torn:
            damaged(row, NEIGHBOR, "a row without a line of one cell beside it")
    if may_start:
        records[i].with_next = True
    elif may_end and before is not None:
        before.with_next = True


def _torn(row: Record, cell: str, joined: str, forms: Counter | None, layout: Layout) -> tuple[bool, bool]:
    """Whether a cell surely lost a piece, and whether it may have, by the forms its column has in other rows.

    Where a column has too many forms to tell, or is empty in every row, a piece of prose is taken for a line
    of its own, a piece of a word is not.
    """
    if forms is None or not any(forms):
        return False, bool(
            re.fullmatch(rf"\s*[^\s,;|]{{0,{LONGEST_WORD}}}[,;|]?[^\s,;|]{{0,{LONGEST_WORD}}}\s*", joined)
        )
    own = row.line <= layout.learned
    whole = exact_shape(joined)
    odd, fits = forms[exact_shape(cell)] <= own, forms[whole] > 0
    steady = joined.endswith(cell) and len(forms) == 1  # ids of one form, this one, too
    alike = not steady and shape(joined) in set(map(shape, forms))  # of another length, as "10" beside "9"
    return odd and fits, fits or (odd or alike) and len(whole) <= max(map(len, forms)) + 2


def _cells(record: Record, layout: Layout) -> list[str]:
    """Cells of a good record, one for each heading."""
    dialect = Dialect(layout.dialect.delimiter, layout.dialect.quote)
    return split(decoded(record.row or b""), dialect)[0][: len(layout.headings)]


def _join_neighbors(records: list[Record]) -> list[Record]:
    """One stretch of a stray line and the row it may be torn off."""
    joined: list[Record] = []
    for record in records:
        if joined and joined[-1].with_next:
            record = damaged(_one([joined.pop(), record]), NEIGHBOR, "a row on a line of its own")
        joined.append(record)
    return joined
