"""Records of the beginning of a file, read without knowledge of its columns, from which these are found."""

from dataclasses import dataclass

from pipelines.intake.layout import BLANKS, Dialect, split
from pipelines.intake.records import Line, NextLine, lines_of


@dataclass
class SampleRecord:
    """One record: its first line, how many lines it takes, the byte after it, whether it has a line end, its
    cells.

    `in_order`: its quotes are; where they are not, `cells` are those of its first line, quotes disregarded.
    """

    line: int
    count: int
    after: int
    ended: bool
    cells: list[str]
    in_order: bool = True


def sample_records(sample: bytes, dialect: Dialect, most: int = 600) -> list[SampleRecord]:
    """Records of a sample; blank ones are left out."""
    next_line, at, number = lines_of(sample), 0, 1
    records: list[SampleRecord] = []
    while len(records) < most and (line := next_line(at)) is not None:
        record, blank = _record(next_line, line, number, dialect)
        at, number = record.after, number + record.count
        if not blank:
            records.append(record)
    return records


def _record(next_line: NextLine, line: Line, number: int, dialect: Dialect) -> tuple[SampleRecord, bool]:
    """The record that begins with a line, and whether it is blank."""
    text = line.raw.decode("utf-8", "replace")
    cells, quotes = split(text, dialect)
    record = SampleRecord(number, 1, line.after, bool(line.end), cells)
    if not text.strip(BLANKS + "\x1a") or not quotes and not any(cell.strip(BLANKS) for cell in cells):
        return record, True
    if not quotes:
        return record, False
    record.cells = [cell.strip(BLANKS).strip(dialect.quote) for cell in text.split(dialect.delimiter)]
    record.in_order = False
    done: list[str] = []
    count, opened = 1, [""]
    while quotes == "open" and line.end and count < 50:
        done += cells[:-1]
        opened = [*(opened if len(cells) == 1 else ()), cells[-1], line.end.decode()]
        following = next_line(line.after)
        if following is None:
            break
        line, count = following, count + 1
        inside = line.raw.decode("utf-8", "replace")
        cells, quotes = split(inside, dialect, opened)
        alike = 0 < inside.count(dialect.delimiter) == text.count(dialect.delimiter)
        if quotes == "open" and len(cells) == 1 and alike:
            return record, False  # a line inside the cell is like the first: the quote was never closed
    if quotes == "":
        return SampleRecord(number, count, line.after, bool(line.end), done + cells), False
    return record, False
