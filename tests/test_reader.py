"""Reading exports: finding the table, keeping damage in its row, and two paths that must agree.

Every damaged file is made here from a clean one whose rows are known, so what each row may say is known too.
"""

import contextlib
import csv
import io
import os
import random
import re
from pathlib import Path
from unittest import mock

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.intake import reader, records, stretches
from pipelines.intake.cells import folded
from pipelines.intake.damage import (
    CUT_OFF,
    DAMAGE_REASONS,
    NOT_TEXT,
    OTHER_HEADINGS,
    OTHER_SEPARATOR,
    QUOTE_STRAY,
    REPEATED,
    TOO_MANY,
    TOTALS,
)
from pipelines.intake.encoding import ExportError, text_blocks
from pipelines.intake.layout import BLANKS
from pipelines.intake.reader import open_export
from pipelines.intake.table import find_table
from tests import families

FULL = bool(os.environ.get("COLDFILL_FULL"))

HEADINGS = [
    "Visit",
    "Home",
    "Day",
    "Kind",
    "Crew",
    "Cold psi",
    "Cold F",
    "Hot psi",
    "Hot F",
    "Tank gal",
    "Notes",
    "Form",
]
NOTES = [
    "ok",
    "",
    '3/4" copper, painted',
    "seen twice",
    "two lines:\nfirst, then second",
    "done",
    "tank; vent",
    "",
    'quoted "word"',
    "60 °F",
    "a\n\nb",
    "none",
]
ROWS = [
    [f"V-{4100 + 7 * i}", f"H{230 + i}", f"2024-{i % 12 + 1:02d}-{i + 3:02d}",
        ("initial", "final", "qa")[i % 3], f"Crew {i % 4}",
     f"{12 + i % 5}.5", f"{64 + i % 7}", f"{19 + i % 6}.0", f"{171 + i}", ("4.4", "2.0", "")[i % 3], NOTES[i],
     ("A", "B")[i % 2]]
    for i in range(12)
]  # fmt: skip


def written(rows, headings=HEADINGS, delimiter=",", line_end="\n", quoting=csv.QUOTE_MINIMAL, **more) -> str:
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=delimiter, lineterminator=line_end, quoting=quoting, **more).writerows(
        [headings, *rows]
    )
    return text.getvalue()


def put(folder: Path, data: bytes | str, name="export.csv") -> Path:
    path = folder / name
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    return path


def read(path: Path, **asked):
    """The export, its rows as lists, the line of each, exhausted."""
    export = open_export(path, **asked)
    rows, lines = [], []
    for batch in export.batches():
        assert batch.table.column_names == list(export.headings)
        assert batch.lines.dtype == np.int64 and len(batch.lines) == batch.table.num_rows
        rows += zip(*(column.to_pylist() for column in batch.table.columns), strict=True)
        lines += batch.lines.tolist()
    return export, [list(row) for row in rows], lines


def slowly():
    """Every stretch is read by the grammar, in large pieces, since none is taken for clean."""
    return mock.patch.multiple(reader, PIECE=1 << 20, SMALLEST_PIECE=1 << 20, _clean_rows=lambda *_: None)


def read_both(path: Path, **asked):
    """The same by both paths, which agree in every row, line and damage; and some rows each by itself."""
    export, rows, lines = read(path, **asked)
    for at in range(0, len(rows), max(1, len(rows) // 12)):
        assert export.row_at(lines[at]) == tuple(rows[at])
    assert export.row_at(export.heading_line + 10_000_000) is None
    with slowly():
        slow, slow_rows, slow_lines = read(path, **asked)
    assert (rows, lines) == (slow_rows, slow_lines)
    assert export.damage == slow.damage
    return export, rows, lines


@pytest.fixture
def small_pieces(monkeypatch):
    """Pieces so small that a file of a few rows is read in many, fast and slow in turn."""
    monkeypatch.setattr(reader, "BLOCK", 700)
    monkeypatch.setattr(reader, "PIECE", 2048)
    monkeypatch.setattr(reader, "SMALLEST_PIECE", 256)


# ---- finding the table


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("quoting", [csv.QUOTE_MINIMAL, csv.QUOTE_ALL])
# Fmt: skip
@pytest.mark.parametrize(
    "encoding, told",
    [
        ("utf-8", "utf-8"),
        ("utf-8-sig", "utf-8"),
        ("utf-16", "utf-16-le"),
        ("utf-16-le", "utf-16-le"),
        ("utf-16-be", "utf-16-be"),
        ("cp1252", "windows-1252"),
    ],
)
def test_every_dialect_in_every_encoding(
    tmp_path, small_pieces, delimiter, line_end, quoting, encoding, told
):
    rows = [list(row) for row in ROWS]
    rows[3][10], rows[7][10] = "60 °F, ½ full", "Küchenherd – “old”"
    text = written(
        rows, delimiter=delimiter, line_end="\n" if line_end == "\r" else line_end, quoting=quoting
    )
    if line_end == "\r":
        text, rows = text.replace("\n", "\r"), [[cell.replace("\n", "\r") for cell in row] for row in rows]
    export, got, lines = read_both(put(tmp_path, text.encode(encoding)))
    assert (export.encoding, export.delimiter, export.headings) == (told, delimiter, tuple(HEADINGS))
    assert got == rows and not export.damage
    assert lines == [2, 3, 4, 5, 6, 8, 9, 10, 11, 12, 13, 16]  # rows 5 and 11 have cells over 2 and 3 lines
    guessed = told == "windows-1252" or encoding in ("utf-16-le", "utf-16-be")
    assert any("guessed" in note for note in export.notes) == guessed


def test_windows_1252_is_preferred_and_latin_1_can_be_asked_for(tmp_path):
    text = written([*ROWS[:3], ["V-1", "H1", "2024-01-01", "qa", "Renée", *[""] * 7]])
    export, rows, _ = read_both(put(tmp_path, text.encode("cp1252")))
    assert export.encoding == "windows-1252" and rows[3][4] == "Renée"
    export, rows, _ = read_both(put(tmp_path, text.encode("latin-1")), encoding="Latin-1")
    assert export.encoding == "latin-1" and rows[3][4] == "Renée" and not export.notes


def test_one_wild_byte_does_not_make_another_encoding(tmp_path):
    data = written(ROWS).encode().replace(b"V-4128", b"V-\xff4128")
    export, rows, _ = read_both(put(tmp_path, data))
    assert export.encoding == "utf-8" and len(rows) == 11
    assert [(damage.line, damage.reason) for damage in export.damage] == [(6, NOT_TEXT)]
    assert "V-\\xff4128" in export.damage[0].text


def test_byte_without_meaning_in_windows_1252_costs_its_row(tmp_path):
    rows = [list(row) for row in ROWS]
    rows[0][10], rows[1][10], rows[2][10] = "60 °F", "½", "Renée"
    data = written(rows).encode("cp1252").replace(b"V-4128", b"V-\x814128")
    export, got, _ = read_both(put(tmp_path, data))
    assert export.encoding == "windows-1252" and got == rows[:4] + rows[5:]
    assert [damage.reason for damage in export.damage] == [NOT_TEXT]


def test_titles_and_blank_lines_above_the_headings(tmp_path, small_pieces):
    above = 'Inspections of 2024, all counties\n\n"Printed, for the file"\n,,,\nPeriod,January,December\n\n'
    export, rows, lines = read_both(put(tmp_path, above + written(ROWS)))
    assert export.heading_line == 7 and export.headings == tuple(HEADINGS) and rows == ROWS and lines[0] == 8
    assert any("above the headings" in note for note in export.notes)


def test_known_headings_find_the_heading_line_among_lookalikes(tmp_path):
    above = ",".join(f"word {i}" for i in range(12)) + "\n"
    export, rows, _ = read_both(
        put(tmp_path, above + written(ROWS)), mapped_headings={"visit", "COLD  PSI", "Hot psi"}
    )
    assert export.heading_line == 2 and rows == ROWS


def test_a_units_line_is_no_row_and_is_told(tmp_path):
    units = ["", "", "yyyy-mm-dd", "", "", "psi", "°F", "(psi)", "[F]", "gal", "", ""]
    path = put(tmp_path, written([units, *ROWS]))
    export, rows, lines = read_both(path)
    assert rows == ROWS and lines[0] == 3 and any("units" in note for note in export.notes)
    assert find_table(path).layout.units == tuple(units)


@pytest.mark.parametrize(
    "first",
    [
        ["Visit", "Home", "Cold", "", "Hot", ""],
        ["Visit", "Home", "Cold", "Cold", "Hot", "Hot"],
        ["", "", "Cold", "", "Hot", ""],
    ],
)
def test_headings_over_two_lines_only_where_known(tmp_path, first):
    second = (
        ["", "", "psi", "temp", "psi", "temp"]
        if first[0]
        else ["Visit", "Home", "psi", "temp", "psi", "temp"]
    )
    rows = [["V-1", "H1", "12", "60", "20", "180"], ["V-2", "H2", "13", "61", "21", "181"]]
    path = put(tmp_path, written([second, *rows], first))
    known = {"Visit", "Home", "cold psi", "cold temp", "hot psi", "hot temp"}
    export, got, _ = read_both(path, mapped_headings=known)
    assert [folded(heading) for heading in export.headings] == [
        "visit",
        "home",
        "cold psi",
        "cold temp",
        "hot psi",
        "hot temp",
    ]
    assert got == rows
    assert any("headings are lines 1 and 2" in note for note in export.notes)


def test_headings_over_two_lines_in_quotes(tmp_path):
    export, rows, lines = read_both(put(tmp_path, 'Visit,"Cold\nPressure",Hot\nV-1,12,20\n'))
    assert (
        export.headings == ("Visit", "Cold Pressure", "Hot")
        and rows == [["V-1", "12", "20"]]
        and lines == [3]
    )


def test_headings_are_made_distinct(tmp_path):
    export, rows, _ = read_both(put(tmp_path, "Visit, Psi ,PSI,Psi (2),psi,\nV-1,1,2,3,4,5\n"))
    assert export.headings == ("Visit", "Psi", "PSI (3)", "Psi (2)", "psi (4)", "column 6") and rows == [
        ["V-1", "1", "2", "3", "4", "5"]
    ]


@pytest.mark.parametrize("head, tail", [(",", ","), ("", ","), (",,", ",,"), (",", "")])
def test_separators_at_the_end_of_every_line(tmp_path, small_pieces, head, tail):
    lines = [",".join(HEADINGS) + head] + [
        ",".join(row).replace('"', "").replace("\n", " ").replace(", ", " ") + tail for row in ROWS
    ]
    export, rows, _ = read_both(put(tmp_path, "\n".join(lines) + "\n"))
    assert export.headings == tuple(HEADINGS) and len(rows) == 12 and not export.damage
    lines[4] += "," if tail else ",x"
    export, rows, _ = read_both(put(tmp_path, "\n".join(lines) + "\n"))
    assert len(rows) == 11 and [damage.reason for damage in export.damage] == [TOO_MANY]


@pytest.mark.parametrize("row", ["1,,2,", "1,2,3,", ",1,2,"])
def test_one_row_alone_proves_no_habit_of_separators(tmp_path, row):
    """A separator too many before an empty last cell looks like one at the end of the line."""
    export, rows, _ = read_both(put(tmp_path, f"Visit,Cold,Hot\n{row}\n"))
    assert rows == [] and [damage.reason for damage in export.damage] == [TOO_MANY]


def test_repeated_headings_totals_and_blank_rows_are_told_from_rows(tmp_path, small_pieces):
    text = (
        written(ROWS[:4])
        + written(ROWS[4:], line_end="\n")
        + "\n , ,\n,,,,,,,,,,,\nTotal,12,,,,150.5,,,,,,\nGrand total: 12\n12 records exported\n\x1a"
    )
    export, rows, _ = read_both(put(tmp_path, text))
    assert rows == ROWS
    assert [(damage.line, damage.reason) for damage in export.damage] == [
        (6, REPEATED), (21, TOTALS), (22, TOTALS), (23, TOTALS)
    ]  # fmt: skip


def test_rows_below_other_headings_are_not_read_under_the_first(tmp_path, small_pieces):
    """Two exports in one file, the second with its columns moved: its rows would be wrong in every cell."""
    moved = [HEADINGS[1], HEADINGS[0], *HEADINGS[2:]]
    text = written(ROWS) + written([[row[1], row[0], *row[2:]] for row in ROWS], moved)
    export, rows, _ = read_both(put(tmp_path, text))
    assert rows == ROWS
    assert [(damage.line, damage.reason) for damage in export.damage] == [(17, OTHER_HEADINGS)]


def test_an_agency_may_be_called_total(tmp_path, small_pieces):
    rows = [["Total", *row] for row in ROWS]
    export, got, _ = read_both(put(tmp_path, written(rows, ["Agency", *HEADINGS])))
    assert got == rows and not export.damage


def test_decimal_commas_and_lists_do_not_decide_the_separator(tmp_path):
    rows = [[cell.replace(".", ",") for cell in row] for row in ROWS]
    export, got, _ = read_both(put(tmp_path, written(rows, delimiter=";")))
    assert export.delimiter == ";" and got == rows
    rows = [[*row[:10], "a;b;c", row[11]] for row in ROWS]
    export, got, _ = read_both(put(tmp_path, written(rows)))
    assert export.delimiter == "," and got == rows


def test_backslash_escapes_are_found(tmp_path, small_pieces):
    rows = [[*row[:10], 'a "b", c\\d', row[11]] for row in ROWS]
    text = written(rows, quoting=csv.QUOTE_ALL, escapechar="\\", doublequote=False)
    assert '\\"' in text
    export, got, _ = read_both(put(tmp_path, text))
    assert got == rows and not export.damage


def test_single_quotes_are_found(tmp_path, small_pieces):
    rows = [[*row[:10], "O'Brien's, boiler", row[11]] for row in ROWS]
    export, got, _ = read_both(put(tmp_path, written(rows, quotechar="'", quoting=csv.QUOTE_ALL)))
    assert got == rows and export.headings == tuple(HEADINGS)


def test_inch_marks_as_a_habit_are_text_but_one_alone_is_damage(tmp_path, small_pieces):
    rows = [[*row[:10], '3/4" copper', row[11]] for row in ROWS]
    export, got, _ = read_both(put(tmp_path, "\n".join(map(",".join, [HEADINGS, *rows])) + "\n"))
    assert got == rows and any("plain text" in note for note in export.notes)
    rows = [[*row[:10], '3/4" copper' if i == 5 else "", row[11]] for i, row in enumerate(ROWS)]
    export, got, _ = read_both(put(tmp_path, "\n".join(map(",".join, [HEADINGS, *rows])) + "\n"))
    assert got == rows[:5] + rows[6:] and [damage.reason for damage in export.damage] == [QUOTE_STRAY]


def test_spaces_round_quotes_are_no_part_of_a_cell(tmp_path, small_pieces):
    export, rows, _ = read_both(put(tmp_path, 'Visit, Notes, Form\nV-1, "a, b" , A\nV-2,"c" ,B\n'))
    assert rows == [["V-1", "a, b", " A"], ["V-2", "c", "B"]] and export.headings == (
        "Visit",
        "Notes",
        "Form",
    )


def test_a_file_with_headings_only_has_no_rows(tmp_path):
    for text in (",".join(HEADINGS), ",".join(HEADINGS) + "\r\n\r\n"):
        export, rows, _ = read_both(put(tmp_path, text))
        assert export.headings == tuple(HEADINGS) and rows == [] and export.damage == []


def test_a_quote_out_of_place_in_the_headings_costs_no_row(tmp_path):
    export, rows, _ = read_both(put(tmp_path, written(ROWS).replace("Cold psi", '"Cold psi')))
    assert (
        export.headings == tuple(HEADINGS) and rows == ROWS and any("quote" in note for note in export.notes)
    )


def test_only_chosen_columns(tmp_path, small_pieces):
    text = written(ROWS) + "Total,,,,,1,,,,,,\n"
    export = open_export(put(tmp_path, text))
    for way in (contextlib.nullcontext, slowly):
        with way():
            tables = [batch.table for batch in export.batches(columns={"Notes", "Visit", "no such"})]
        assert [list(row.values()) for table in tables for row in table.to_pylist()] == [
            [row[0], row[10]] for row in ROWS
        ]
        assert [damage.reason for damage in export.damage] == [TOTALS]


def test_batches_have_the_size_asked_for_and_can_be_read_again(tmp_path, small_pieces):
    export = open_export(put(tmp_path, written(ROWS)))
    for _ in range(2):
        assert [len(batch.lines) for batch in export.batches(5)] == [5, 5, 2]


REFUSED = {
    b"PK\x03\x04\x14\0\0\0\x08\0xl/workbook.xml": "spreadsheet", b"PK\x03\x04\x14\0\0\0\x08\0a.csv": "zip",
    b"\x1f\x8b\x08\0abc": "gzip",
    b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1": "old office", b"%PDF-1.7\n": "PDF", b"\x89PNG\r\n\x1a\n": "PNG",
    b"\xff\xd8\xff\xe0": "JPEG",
    b"GIF89a": "GIF", b"  <!DOCTYPE html><html>": "HTML", "<html>".encode("utf-16"): "HTML",
    b"<table><tr>": "HTML",
    b'\xef\xbb\xbf<?xml version="1.0"?>\n<a/>': "XML", b'{"rows": [1]}': "JSON", b"": "empty",
    b"\r\n \n\n": "blank",
    bytes(range(256)) * 40: "not text", random.Random(1).randbytes(5000): "not text",
    b"\xff\xfe\0\0v\0\0\0": "UTF-32",
    b"just a line of prose\nand another one\n": "no heading line",
    b"1,2,3\n4,5,6\n7,8,9\n": "no heading line",
    b"x" * 600_000: "first line is longer",
    b"a,b,c\n1,2,3,4\n1,2,3,4\n1,2,3,4\n": "3 headings, but the rows have 4",
}  # fmt: skip


@pytest.mark.parametrize("data", REFUSED, ids=[f"{word}-{i}" for i, word in enumerate(REFUSED.values())])
def test_what_is_no_table_is_refused_by_name(tmp_path, data):
    with pytest.raises(ExportError) as refused:
        open_export(put(tmp_path, data, "thing.csv"))
    assert (
        REFUSED[data] in str(refused.value)
        and "thing.csv" in str(refused.value)
        and "accepted: " in str(refused.value)
    )


@pytest.mark.parametrize(
    "asked",
    [
        dict(encoding="klingon"),
        dict(encoding="rot13"),
        dict(encoding="cp037"),
        dict(delimiter=";;"),
        dict(delimiter=";"),
    ],
)
def test_what_is_asked_for_must_make_sense(tmp_path, asked):
    with pytest.raises(ExportError):
        open_export(put(tmp_path, written(ROWS)), **asked)
    with pytest.raises(ExportError):
        open_export(tmp_path / "not there.csv", **asked)


# ---- damage


class Base:
    """A clean export whose rows are damaged one at a time: cells, and the same as written."""

    def __init__(self, rows, headings=HEADINGS, separator=",", other=";", quoting=csv.QUOTE_MINIMAL):
        self.rows, self.separator, self.other = rows, separator, other
        self.cells = [
            [
                written([], [cell, "x"], delimiter=separator, quoting=quoting)
                .removesuffix("\n")
                .removesuffix('"x"' if quoting else "x")[:-1]
                for cell in row
            ]
            for row in rows
        ]
        self.texts = [separator.join(row) for row in self.cells]
        self.head = written([], headings, separator, quoting=quoting)
        self.starts = [2 + sum(text.count("\n") + 1 for text in self.texts[:r]) for r in range(len(rows))]

    def damaged(self, kind, r, c):
        """The text of a row damaged in a column; None where
        this kind of damage makes no difference or no sense.
        """
        return DAMAGE[kind](self.cells[r], c, self.separator, self.other)

    def file(self, texts):
        return (self.head + "".join(text + "\n" for text in texts)).encode("utf-8", "surrogateescape")

    def says(self, kind, text):
        """Cells that a damaged text says without doubt, told
        by Python's own strict reader; None if there is doubt.
        """
        if any(word in kind for word in ("quote", "NUL", "text", "letter", "too long")):
            return None
        cell = rf'(?:"(?:[^"]|"")*"|[^"\r\n{self.separator}]*)'
        if not re.fullmatch(rf"{cell}(?:{self.separator}{cell})*", text):
            return None
        try:
            said = list(csv.reader(io.StringIO(text, newline=""), delimiter=self.separator, strict=True))
        except csv.Error:
            return None
        return said[0] if len(said) == 1 and len(said[0]) == len(self.rows[0]) else None


def mid(text, insert):
    """A text with something put in its middle; in a quoted one, inside the quotes."""
    return text[: (len(text) + 1) // 2] + insert + text[(len(text) + 1) // 2 :]


def swap(cells, c, sep, *new):
    return sep.join([*cells[:c], *new, *cells[c + 1 :]])


def is_quoted(cell):
    return cell.startswith('"')


DAMAGE = {
    "separator missing": lambda cells, c, sep, _: sep.join([*cells[:c], "".join(cells[c : c + 2]),
        *cells[c + 2 :]]) if c < len(cells) - 1 else None,
    "separator extra": lambda cells, c, sep, _: swap(cells, c, sep, "", cells[c]),
    "separator inside": lambda cells, c, sep, _: swap(cells, c, sep, mid(cells[c], sep)),
    "other separator": lambda cells, c, sep,
    other: sep.join(cells[: c + 1]) + other + sep.join(cells[c + 1 :]) if c < len(cells) - 1 else None,
    "other separator from here": lambda cells, c, sep, _: sep.join([*cells[:c],
        "\t".join(cells[c:])]) if c < len(cells) - 1 else None,
    "other separator up to here": lambda cells, c, sep, other: sep.join([other.join(cells[: c + 1]),
        *cells[c + 1 :]]) if c else None,
    "stray quote inside": lambda cells, c, sep, _: swap(cells, c, sep,
        mid(cells[c], '"') + "x") if len(cells[c]) > 1 and '""' not in cells[c] else None,
    "quote opened": lambda cells, c, sep, _: swap(cells, c, sep,
        '"' + cells[c]) if not is_quoted(cells[c]) else None,
    "quote at the end": lambda cells, c, sep, _: swap(cells, c, sep, cells[c] + '"') if cells[c] else None,
    "closing quote lost": lambda cells, c, sep, _: swap(cells, c, sep,
        cells[c][:-1]) if is_quoted(cells[c]) else None,
    "opening quote lost": lambda cells, c, sep, _: swap(cells, c, sep,
        cells[c][1:]) if is_quoted(cells[c]) else None,
    "NUL": lambda cells, c, sep, _: swap(cells, c, sep, mid(cells[c], "\0")),
    "no text": lambda cells, c, sep, _: swap(cells, c, sep, mid(cells[c], "\udcff")),
    "half a letter": lambda cells, c, sep, _: swap(cells, c, sep, mid(cells[c], "\udcc3")),
    "row cut": lambda cells, c, sep, _: sep.join([*cells[:c],
        cells[c][: len(cells[c]) // 2]]) if c < len(cells) - 1 and (c or len(cells[0]) > 1) else None,
    "line end inside": lambda cells, c, sep, _: swap(cells, c, sep,
        mid(cells[c], "\n")) if len(cells[c]) > 1 else None,
    "carriage return inside": lambda cells, c, sep, _: swap(cells, c, sep,
        mid(cells[c], "\r")) if len(cells[c]) > 1 else None,
    "other line": lambda cells, c, sep, _: "# " * 20 if c == 0 else None,
    "too long": lambda cells, c, sep, _: swap(cells, c, sep, "x" * 1_000_001) if c in (0, 3) else None,
}  # fmt: skip

BASES = {
    "mixed": Base(ROWS),
    "all in quotes": Base([[cell.replace("\n", " ") for cell in row] for row in ROWS[4:10]],
        quoting=csv.QUOTE_ALL),
    "semicolons, decimal commas": Base([[cell.replace(".", ",") for cell in row] for row in ROWS[4:10]],
        separator=";", other=","),
    "narrow": Base([[str(7001 + 3 * r), str(12 + r), f"{r},5", "°F"] for r in range(6)],
        ["Visit", "Cold", "Tank", "Unit"], "\t", ","),
}  # fmt: skip


def some(places):
    """Every third place, each row and column among them; all of them in full."""
    return [place for place in places if FULL or sum(place) % 3 == 0]


@pytest.mark.slow
@pytest.mark.parametrize("kind", DAMAGE)
@pytest.mark.parametrize("base", BASES.values(), ids=BASES)
def test_damage_stays_in_its_row(tmp_path, small_pieces, base, kind):
    """Each kind of damage in each row and column: a row in
    doubt does not come through, all others do, unchanged.
    """
    for r, c in some(np.ndindex(len(base.rows), len(base.rows[0]))):
        text = base.damaged(kind, r, c)
        if text is None or text == base.texts[r]:
            continue
        export, rows, lines = read_both(
            put(tmp_path, base.file([*base.texts[:r], text, *base.texts[r + 1 :]]))
        )
        said = base.says(kind, text)
        assert rows == [*base.rows[:r], *([said] if said else []), *base.rows[r + 1 :]], (
            r,
            c,
            said,
            export.damage,
        )
        moved = len(re.findall("\r\n|\r|\n", text)) - base.texts[r].count("\n")
        assert lines == [*base.starts[: r + bool(said)], *(line + moved for line in base.starts[r + 1 :])], (
            r,
            c,
        )
        assert [damage.line for damage in export.damage] == ([] if said else [base.starts[r]]), (
            r,
            c,
            export.damage,
        )
        assert all(damage.reason in DAMAGE_REASONS and damage.expected for damage in export.damage)


def test_the_family_is_large():
    places = [
        (base, kind, r, c)
        for base in BASES.values()
        for kind in DAMAGE
        for r, c in np.ndindex(len(base.rows), len(base.rows[0]))
    ]
    assert sum(base.damaged(kind, r, c) not in (None, base.texts[r]) for base, kind, r, c in places) > 3000


@pytest.mark.slow
def test_a_long_cell_stays_in_its_row(tmp_path, small_pieces):
    for r in (0, 5, 11) if FULL else (5,):
        for c in range(12):
            rows = [list(row) for row in ROWS]
            rows[r][c] = "x, y" * 75_000
            export, got, _ = read_both(put(tmp_path, written(rows)))
            assert got == rows and not export.damage


def test_a_file_cut_off_anywhere_loses_at_most_its_last_row(tmp_path, small_pieces):
    """Cut behind every byte: whole rows are unchanged, and the last is kept only with all its cells."""
    data = written(ROWS).encode()
    start = len(written([]).encode())
    for cut in range(start, len(data), 1 if FULL else 7):
        export, rows, _ = read_both(put(tmp_path, data[:cut]))
        whole = [written([], row).encode() for row in ROWS]
        ends = start + np.cumsum([len(text) for text in whole])
        complete = int((ends <= cut).sum())
        assert rows[:complete] == ROWS[:complete], cut
        rest = data[ends[complete - 1] if complete else start : cut]
        if len(rows) > complete:
            assert len(rows) == complete + 1 and not export.damage
            assert rows[complete][:11] == ROWS[complete][:11] and ROWS[complete][11].startswith(
                rows[complete][11]
            )
            assert not rest.endswith(b"\n") and any("no line end" in note for note in export.notes)
        else:
            assert len(export.damage) == bool(rest), (cut, export.damage)


@pytest.mark.slow
def test_an_unclosed_quote_among_quoted_cells_swallows_nothing(tmp_path, small_pieces):
    cells = [
        [f'"{cell}"'.replace("\n", " ") for cell in row]
        for row in [[cell.replace('"', "") for cell in row] for row in ROWS]
    ]
    for r, c in some(np.ndindex(12, 12)):
        for broken in (cells[r][c][:-1], cells[r][c][1:]):
            lines = [",".join(row) for row in cells]
            lines[r] = swap(cells[r], c, ",", broken)
            export, rows, _ = read_both(put(tmp_path, ",".join(HEADINGS) + "\n" + "\n".join(lines) + "\n"))
            expected = [[cell.strip('"') for cell in row] for i, row in enumerate(cells) if i != r]
            if (
                broken == '"' or len(rows) == 12
            ):  # an empty cell without one quote, or `x"` at the end of a line
                assert [row for i, row in enumerate(rows) if i != r] == expected or rows == expected
            else:
                assert rows == expected and len(export.damage) == 1, (r, c, broken, export.damage)


def test_two_lost_quotes_do_not_make_one_row_of_what_lies_between(tmp_path, small_pieces):
    """An opening quote in one row and a closing one in a later row
    satisfy the count of quotes and of cells.
    """
    for gap in (1, 2, 5, 9):
        for c in range(12):
            rows = [
                [cell.replace('"', "").replace("\n", " ").replace(",", "") for cell in row] for row in ROWS
            ]
            lines = [list(row) for row in rows]
            lines[1][c], lines[1 + gap][c] = '"' + lines[1][c], lines[1 + gap][c] + '"'
            export, got, _ = read_both(put(tmp_path, "\n".join(map(",".join, [HEADINGS, *lines])) + "\n"))
            touched = {1} if lines[1 + gap][c] == '"' else {1, 1 + gap}
            assert [row for row in got if row in rows] == [
                row for i, row in enumerate(rows) if i not in (1, 1 + gap)
            ], (gap, c)
            assert len(got) == 10 and len(export.damage) == 2, (gap, c, touched, export.damage)


@pytest.mark.parametrize("seed", families.first(1, range(4)))
def test_several_damaged_rows_leave_the_others_alone(tmp_path, small_pieces, seed):
    chance, base = random.Random(seed), BASES["mixed"]
    kinds = [kind for kind in DAMAGE if kind != "too long"]
    for _ in range(1_000 if FULL else 40):
        texts, said = list(base.texts), {}
        for r in chance.sample(range(12), chance.randint(2, 5)):
            kind, c = chance.choice(kinds), chance.randrange(12)
            text = base.damaged(kind, r, c)
            if text not in (None, texts[r]):
                texts[r], said[r] = text, base.says(kind, text)
        export, rows, _ = read_both(put(tmp_path, base.file(texts)))
        assert rows == [said.get(r, row) for r, row in enumerate(base.rows) if said.get(r, row)], (
            texts,
            export.damage,
        )


@pytest.mark.slow
def test_a_line_end_at_the_edge_of_a_row_never_leaves_a_piece_of_it_as_a_row(tmp_path, small_pieces):
    """The first cell of the rest, or the last of the beginning, would be wrong without a sign of it."""
    for r in range(12):
        for cut in range(1, len(ROWS[r][0])):
            texts = list(BASES["mixed"].texts)
            texts[r] = texts[r][:cut] + "\n" + texts[r][cut:]
            export, rows, _ = read_both(put(tmp_path, BASES["mixed"].file(texts)))
            assert rows == ROWS[:r] + ROWS[r + 1 :] and len(export.damage) == 1, (r, cut, export.damage)


@pytest.mark.slow
def test_a_stray_line_between_rows_costs_no_neighbor(tmp_path, small_pieces):
    for stray in (
        "page 2 of 3",
        "*** continued ***",
        "Printed 2024-05-06 by the office",
        "V-4100;H230;2024-01-03",
    ):
        texts = BASES["mixed"].texts
        for r in range(13):
            export, rows, _ = read_both(put(tmp_path, BASES["mixed"].file([*texts[:r], stray, *texts[r:]])))
            assert rows == ROWS and [damage.text for damage in export.damage] == [stray], (
                stray,
                r,
                export.damage,
            )


def test_a_control_byte_in_an_id_costs_its_row(tmp_path, small_pieces):
    """A bell inside an id would be another id."""
    for r in range(12):
        texts = list(BASES["mixed"].texts)
        texts[r] = texts[r].replace("V-4", "V-4\a")
        export, rows, _ = read_both(put(tmp_path, BASES["mixed"].file(texts)))
        assert rows == ROWS[:r] + ROWS[r + 1 :] and [damage.reason for damage in export.damage] == [NOT_TEXT]


def test_a_byte_that_is_text_in_no_encoding_does_not_turn_western_text_away(tmp_path):
    rows = [list(row) for row in ROWS]
    rows[0][10] = rows[8][10] = ""
    rows[9][10] = "60 °F"
    export, got, _ = read_both(
        put(tmp_path, written(rows).encode("cp1252").replace(b"V-4128", b"V-\x814128"))
    )
    assert export.encoding == "windows-1252" and got == rows[:4] + rows[5:]


def test_a_last_cell_in_quotes_torn_off_its_row_takes_the_row_with_it(tmp_path, small_pieces):
    rows = [[cell.replace("\n", " ") for cell in row[:10]] for row in ROWS]
    for r in (0, 1, 3, 10):  # their last cells are not empty
        lines = written(rows, HEADINGS[:10], quoting=csv.QUOTE_ALL).splitlines(keepends=True)
        at = lines[1 + r].rindex('"', 0, -2)
        lines[1 + r] = lines[1 + r][:at] + "\n" + lines[1 + r][at:]
        export, got, _ = read_both(put(tmp_path, "".join(lines)))
        assert got == rows[:r] + rows[r + 1 :], (r, export.damage)


@pytest.mark.parametrize(
    "last, kept",
    [
        ("12.5", True),
        ("9.5", True),
        ("12", False),
        ("1", False),
        ("12.", False),
        ("", False),
        ('"12"', True),
        ("x", True),
    ],
)
def test_a_number_at_the_end_of_a_file_without_line_end_may_be_cut(tmp_path, small_pieces, last, kept):
    """ "12" where the column has "12.5" and the like, and never two
    digits, may be the beginning of "12.5".
    """
    text = "Visit,Day,Psi\n" + "".join(f"V{i},2024-01-0{i},1{i}.5\n" for i in range(1, 6))
    export, rows, _ = read_both(put(tmp_path, text + f"V6,2024-01-06,{last}"))
    assert len(rows) == 5 + kept and [damage.reason for damage in export.damage] == [CUT_OFF] * (not kept)
    export, rows, _ = read_both(put(tmp_path, text + f"V6,2024-01-06,{last}\n"))
    assert len(rows) == 6 and not export.damage


def test_a_row_with_as_many_cells_by_another_separator_is_not_cut_at_the_wrong_marks(tmp_path, small_pieces):
    rows = [[f"V{7001 + i}", f"{12 + i}.5", f"{i}.5", f"{19 + i}.0"] for i in range(8)]
    lines = [",".join(row) for row in [["Visit", "Cold", "Tank", "Hot"], *rows]]
    lines[4] = ";".join(rows[3]).replace(".", ",")
    assert lines[4].count(",") == lines[4].count(";") == 3
    export, got, _ = read_both(put(tmp_path, "\n".join(lines) + "\n"))
    assert got == rows[:3] + rows[4:] and [damage.reason for damage in export.damage] == [OTHER_SEPARATOR]
    lines[4] = "V7004,15.5,3.5,a;b;c;d"
    export, got, _ = read_both(put(tmp_path, "\n".join(lines) + "\n"))
    assert len(got) == 8 and not export.damage


def test_damage_text_is_capped(tmp_path):
    export, _, _ = read_both(put(tmp_path, written(ROWS) + "x" * 50_000 + "\n"))
    assert len(export.damage[0].text) == records.LONGEST_TEXT


def test_lines_are_physical(tmp_path, small_pieces):
    text = (
        written([])
        + "\n\n"
        + written([], ROWS[4])
        + "\n"
        + written([], ROWS[5])
        + "\n\n\n"
        + "damaged\n"
        + written([], ROWS[6])
    )
    for line_end in ("\n", "\r\n", "\r"):
        export, rows, lines = read_both(put(tmp_path, text.replace("\n", line_end)))
        assert lines == [4, 7, 12] and [damage.line for damage in export.damage] == [11]


@pytest.mark.slow
def test_a_lost_byte_in_utf_16_costs_its_row_only(tmp_path, small_pieces):
    rows = [[cell.replace("\n", " ") for cell in row] for row in ROWS]
    for encoding in ("utf-16-le", "utf-16-be"):
        data = "\ufeff".encode(encoding) + written(rows).encode(encoding)
        start, stop = (
            len(("\ufeff" + written(rows[:4])).encode(encoding)),
            len(("\ufeff" + written(rows[:5])).encode(encoding)) - 3,
        )
        for at in range(start, stop, 1 if FULL else 5):
            export, got, _ = read_both(put(tmp_path, data[:at] + data[at + 1 :]))
            assert got == rows[:4] + rows[5:] and len(export.damage) == 1, (encoding, at, export.damage)


# ---- properties

CELLS = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"], include_characters="\n\",;|\t'\\ "),
    max_size=12,
)
NAMES = st.lists(st.text("abcdefghijklmnopqrstuvwxyzäé ", min_size=3,
    max_size=9).map(str.strip).filter(lambda name: len(name) > 2), min_size=3, max_size=8,
    unique=True)  # fmt: skip


@st.composite
def exports(draw):
    """Headings, rows, and the bytes of an export in some dialect, with the delimiter."""
    names = [f"{name} {chr(65 + i)}" for i, name in enumerate(draw(NAMES))]
    rows = draw(st.lists(st.lists(CELLS, min_size=len(names) - 1, max_size=len(names) - 1), max_size=30))
    rows = [
        [
            f"V{i}",
            *(cell.replace("\n", " ") if "\n" in cell and set(cell) & set(",;|\t") else cell for cell in row),
        ]
        for i, row in enumerate(rows)
    ]
    delimiter = draw(st.sampled_from(",;\t|"))
    line_end = draw(st.sampled_from(["\n", "\r\n"]))
    text = written(
        rows, names, delimiter, line_end, draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]))
    )
    text = (
        draw(st.sampled_from(["", "A title\n", "A title\n\n"])).replace("\n", line_end)
        + text
        + draw(st.sampled_from(["", line_end]))
    )
    return names, rows, text.encode(draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]))), delimiter


PROPERTY = settings(
    max_examples=3000 if FULL else 150,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@PROPERTY
@given(exports())
def test_any_dialect_comes_back_as_it_was_written(tmp_path, small_pieces, made):
    names, rows, data, delimiter = made
    export, got, _ = read_both(put(tmp_path, data), mapped_headings=names)
    assert (export.headings, export.delimiter) == (tuple(names), delimiter)
    assert got == rows and not export.damage


def accounted(path: Path, data: bytes):
    """Read by both paths; every line that is not blank belongs to one row or one damaged stretch."""
    try:
        export, rows, lines = read_both(path)
    except ExportError:
        return None
    found = sorted(lines + [damage.line for damage in export.damage])
    assert len(set(found)) == len(found)
    table = export._table
    text = b"".join(text_blocks(path, table.encoding))
    next_line, at, number = records.lines_of(text), table.offset, table.line
    covered, stretch = [], []
    while at < len(text) and not (stretch and stretch[-1].reason == OTHER_HEADINGS):
        stretch, at, number = stretches.next_records(next_line, at, number, len(text), table.layout)
        covered += [(record.line, record.line + record.count) for record in stretch]
    assert [start for start, _ in covered] == found
    inside = {line for start, stop in covered for line in range(start, stop)}
    for number, line in enumerate(re.split(rb"\r\n|\r|\n", text), 1):
        blank = not line.decode("utf-8", "replace").strip(
            BLANKS + "\x1a" + table.layout.dialect.delimiter + table.layout.dialect.quote + " "
        )
        assert (
            number < table.line
            or number in inside
            or blank
            or covered[-1][0] < number
            and export.damage[-1].reason == OTHER_HEADINGS
        ), (number, line)
    return export


@PROPERTY
@given(
    exports(),
    st.lists(
        st.tuples(st.integers(0, 10_000), st.binary(max_size=3), st.integers(0, 3)), min_size=1, max_size=4
    ),
)
def test_changed_bytes_never_raise_and_every_row_is_accounted_for(tmp_path, small_pieces, made, changes):
    data = made[2]
    for at, put_in, taken in changes:
        at %= len(data) + 1
        data = data[:at] + put_in + data[at + taken :]
    accounted(put(tmp_path, data), data)


@pytest.mark.parametrize("seed", families.first(4, range(10)))
def test_mutations_of_one_export(tmp_path, small_pieces, seed):
    chance = random.Random(seed)
    for _ in range(2_000 if FULL else 25):
        data = (
            written(ROWS)
            .replace("\n", chance.choice(["\n", "\r\n", "\r"]))
            .encode(chance.choice(["utf-8", "utf-16", "cp1252"]))
        )
        for _ in range(chance.randint(1, 6)):
            at = chance.randrange(len(data) or 1)
            how = chance.randrange(5)
            if how == 0:
                data = data[:at] + bytes([chance.choice(b'",\n\r\0\xff;\t\\ x1')]) + data[at:]
            elif how == 1:
                data = data[:at] + data[at + chance.randint(1, 40) :]
            elif how == 2:
                data = data[:at] + data[chance.randrange(len(data) or 1) :][:60] + data[at:]
            elif how == 3:
                data = data[:at] + bytes([chance.randrange(256)]) + data[at + 1 :]
            else:
                data = data[: max(at, 40)]
        accounted(put(tmp_path, data), data)


# ---- size


def test_one_damaged_row_leaves_the_rest_to_the_fast_path(tmp_path, monkeypatch):
    """Of a file of 40 pieces only the piece with the damage is read slowly."""
    monkeypatch.setattr(reader, "PIECE", 64 << 10)
    monkeypatch.setattr(reader, "SMALLEST_PIECE", 4 << 10)
    lines = [
        ",".join(
            [
                f"V-{i}",
                *(cell.replace("\n", " ").replace('"', "").replace(",", "") for cell in ROWS[i % 12][1:]),
            ]
        )
        for i in range(30_000)
    ]
    lines[17_000] = lines[17_000].replace(",", "", 1)
    told = []
    slow = reader._judged_rows
    monkeypatch.setattr(reader, "_judged_rows", lambda *given: told.append(slow(*given)) or told[-1])
    export, rows, numbers = read(put(tmp_path, "\n".join([",".join(HEADINGS), *lines]) + "\n"))
    assert len(rows) == 29_999 and [damage.line for damage in export.damage] == [17_002]
    assert sum(len(stretch.lines) for stretch in told) < 300
