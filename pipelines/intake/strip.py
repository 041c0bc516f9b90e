"""A copy of an export without some of its columns: the same rows on the same lines, and nothing left of the
columns.

A row that could not be read cell by cell (damage, a totals line) may hold anything, so a note of its reason
stands in its place. The copy is UTF-8 with a byte order mark, its cells set apart as before; lines above the
headings stay as they were. It is read again, and refused if it does not say exactly what the export says.
"""

import codecs
import hashlib
import re
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.intake.cells import NOT_RECORDED
from pipelines.intake.damage import TOTALS, Damage
from pipelines.intake.encoding import ExportError, text_blocks
from pipelines.intake.layout import BLANKS
from pipelines.intake.reader import Export

ROWS = 50_000  # at once
NOT_KEPT = "nothing of this row was kept, since columns were dropped at the door: see your own file"
_NOTE = (
    "Count of rows not kept: 1 ({})"  # which the reader takes for a totals line, whatever stands beside it
)
_NOTED = re.compile(re.escape(_NOTE).replace(r"\{\}", "(.+)"))
_LINE_END = re.compile(rb"\r\n|\n|\r")
_TITLES = 1 << 20  # bytes in which the headings are found


def write_without(
    path: Path, export: Export, dropped: Collection[str], target: Path, reopen: Callable[[Path], Export]
) -> None:
    """Write the export at `path` without the columns `dropped` (headings as in `export.headings`) to
    `target`.

    `reopen` opens the copy as it will be opened later. Raises ExportError where the copy would be read
    otherwise.
    """
    kept = [heading for heading in export.headings if heading not in set(dropped)]
    end, titles = _titles(path, export)
    said = _Said()
    with open(target, "wb") as file:
        file.write(codecs.BOM_UTF8 + titles)
        copy = _Copy(file, export.delimiter, end, export.heading_line)
        copy.write(
            np.array([export.heading_line]),
            _row_texts(pa.table([pa.array([heading]) for heading in kept], names=kept), copy.delimiter),
        )
        noted_so_far = 0
        for batch in export.batches(ROWS):
            texts = _row_texts(batch.table.select(kept), copy.delimiter)
            blank = pc.match_substring_regex(texts, f"^[{re.escape(copy.delimiter + BLANKS)}]*$")
            damage = [one for one in export.damage[noted_so_far:] if one.line < batch.lines[-1]]
            noted_so_far += len(damage)
            damage += [
                Damage(int(line), "", NOT_RECORDED, "")
                for line in batch.lines[blank.to_numpy(zero_copy_only=False)]
            ]
            texts, lines = (
                texts.filter(pc.invert(blank)),
                batch.lines[pc.invert(blank).to_numpy(zero_copy_only=False)],
            )
            said.rows(texts, lines)
            said.damage(damage)
            copy.write_with(lines, texts, damage)
        said.damage(export.damage[noted_so_far:])
        copy.write_with(np.empty(0, np.int64), pa.array([], pa.string()), export.damage[noted_so_far:])
    if not said.same(_read_again(target, reopen, kept)):
        raise ExportError(
            path.name,
            None,
            f"without {', '.join(map(repr, dropped))} it would be read otherwise",
            "a file whose rows are plain without these columns; take them out yourself, "
            "name them with --keep-columns, or give them a place in the mapping",
        )


def noted(damage: Damage) -> Damage:
    """Damage of such a copy as it was found in the export; its text is gone."""
    found = _NOTED.fullmatch(damage.text.strip(BLANKS)) if damage.reason == TOTALS else None
    return Damage(damage.line, "", found[1], NOT_KEPT) if found else damage


@dataclass
class _Said:
    """What an export says, row for row, as hashes that do not depend on how it is read in batches."""

    count: int = 0
    texts: Any = field(default_factory=hashlib.sha256)
    lines: Any = field(default_factory=hashlib.sha256)
    noted: list[tuple[int, str]] = field(default_factory=list)

    def rows(self, texts: pa.Array, lines: np.ndarray) -> None:
        self.count += len(lines)
        self.texts.update(_octets(pc.binary_join_element_wise(texts, "", "\n")))
        self.lines.update(np.ascontiguousarray(lines, np.int64))

    def damage(self, damage: list[Damage]) -> None:
        self.noted += [(one.line, one.reason) for one in damage]

    def same(self, other: "_Said | None") -> bool:
        def hashes(said):
            return (said.count, said.texts.digest(), said.lines.digest(), sorted(said.noted))

        return other is not None and hashes(self) == hashes(other)


def _read_again(copy: Path, reopen: Callable[[Path], Export], kept: list[str]) -> _Said | None:
    """What the copy says; None if it has no such headings."""
    try:
        export = reopen(copy)
    except ExportError:
        return None
    if list(export.headings) != kept:
        return None
    said = _Said()
    for batch in export.batches(ROWS):
        said.rows(_row_texts(batch.table, export.delimiter), batch.lines)
    said.damage([noted(one) for one in export.damage])
    return said


@dataclass
class _Copy:
    """A file being written, and the physical line at which its next record would stand."""

    file: BinaryIO
    delimiter: str
    end: str
    line: int

    def write_with(self, lines: np.ndarray, texts: pa.Array, damage: list[Damage]) -> None:
        """Rows, and notes of damage between them, in the order of their lines."""
        notes = pa.array([_NOTE.format(one.reason) for one in damage], pa.string())
        line_of = np.concatenate([lines, np.array([one.line for one in damage], np.int64)])
        order = np.argsort(line_of, kind="stable")
        self.write(line_of[order], pa.concat_arrays([texts, notes]).take(pa.array(order)))

    def write(self, lines: np.ndarray, texts: pa.Array) -> None:
        """Records on their lines, blank lines where something longer stood."""
        if not len(lines):
            return
        breaks = pc.count_substring_regex(texts, "\r\n|\n|\r").to_numpy() if _holds(texts, b"\r\n") else 0
        after = lines + breaks + 1
        gaps = lines - np.concatenate([[self.line], after[:-1]])
        blank = pc.binary_repeat(pa.scalar(self.end), pa.array(gaps))
        self.file.write(_octets(pc.binary_join_element_wise(blank, texts, pa.scalar(self.end), "")))
        self.line = int(after[-1])


def _titles(path: Path, export: Export) -> tuple[str, bytes]:
    """The line end of a file, and the lines above its headings as UTF-8."""
    text = b""
    for block in text_blocks(path, export.encoding, _TITLES):
        text += block
        if len(text) >= _TITLES:
            break
    ends = _LINE_END.finditer(text)
    end, at = b"\n", 0
    for line in range(export.heading_line):
        found = next(ends, None)
        if found is None:
            break
        end, at = found.group(), found.end() if line + 1 < export.heading_line else at
    return end.decode(), text[:at]


def _row_texts(table: pa.Table, delimiter: str) -> pa.Array:
    """Each row as one would write it: cells in quotes where they need them."""
    special = f"""["\r\n{re.escape(delimiter)}]|^'"""
    cells = []
    for column in table.columns:
        text = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
        text = pa.concat_arrays(text.chunks) if isinstance(text, pa.ChunkedArray) else text
        if _holds(text, f"\"\r\n'{delimiter}".encode()):
            quoted = pc.binary_join_element_wise('"', pc.replace_substring(text, '"', '""'), '"', "")
            text = pc.if_else(pc.match_substring_regex(text, special), quoted, text)
        cells.append(text)
    return pc.binary_join_element_wise(*cells, delimiter)


def _holds(texts: pa.Array, any_of: bytes) -> bool:
    """Whether any of these ASCII characters stands in any of the texts."""
    octets = bytes(_octets(texts))
    return any(octets.find(octet) >= 0 for octet in any_of)


def _octets(texts: pa.Array) -> memoryview:
    """The bytes of all texts, one after the other."""
    offsets = np.frombuffer(texts.buffers()[1], np.int32)[texts.offset : texts.offset + len(texts) + 1]
    return memoryview(texts.buffers()[2] or b"")[offsets[0] : offsets[-1]] if len(texts) else memoryview(b"")
