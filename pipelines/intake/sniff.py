"""Find the table in a file that somebody exported: encoding, separator, quotes, headings.

Nothing is taken for granted and nothing is decided silently: what had to be guessed is said in the notes, and what is
no table is refused by name.
"""

import codecs
import functools
import itertools
import os
import re
from collections import Counter
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from .records import BLANKS, SEPARATORS, Dialect, Layout, Line, kind, split

BLOCK = 16 << 20  # bytes read at a time
SAMPLE = 512 << 10  # bytes of text looked at for the dialect and the headings
LARGEST_FILE = 64 << 30
MOST_COLUMNS = 2_000
MOST_TITLE_LINES = 60

ACCEPTED = "a text file with one heading line and cells set apart by comma, semicolon, tab or bar"

_SIGNATURES = (
    (b"PK\x03\x04", "a zip archive"), (b"PK\x05\x06", "an empty zip archive"), (b"\xd0\xcf\x11\xe0", "an old office document, such as an .xls workbook"),
    (b"\x1f\x8b", "gzip-compressed data"), (b"BZh", "bzip2-compressed data"), (b"\xfd7zXZ\0", "xz-compressed data"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"), (b"Rar!\x1a\x07", "a rar archive"), (b"\x28\xb5\x2f\xfd", "zstd-compressed data"),
    (b"%PDF", "a PDF document"), (b"\x89PNG", "a PNG image"), (b"\xff\xd8\xff", "a JPEG image"), (b"GIF8", "a GIF image"),
    (b"II*\0", "a TIFF image"), (b"MM\0*", "a TIFF image"), (b"PAR1", "a Parquet file"), (b"ARROW1", "an Arrow file"),
    (b"SQLite format 3\0", "an SQLite database"), (b"\x7fELF", "a program"),
)  # fmt: skip
_MARKUP = (
    (re.compile(r"<(?:!doctype html|html|head|body|table|script|style|meta|div)\b", re.I), "an HTML page"),
    (re.compile(r"<\?xml|<[A-Za-z][\w:.-]*(?: xmlns|>)", re.I), "an XML document"),
    (re.compile(r"\{\\rtf"), "a rich-text document"),
    (re.compile(r"\{\s*[\"}]|\[\s*[\[{]"), "a JSON document"),
)
_UNITS = re.compile(
    r"[\[(]?(?:psi[ag]?|k?pa|bar|mbar|hpa|ft|feet|in|inch(?:es)?|m|gal(?:lons?)?|l(?:iters?)?|(?:°|deg\.? ?)?[fc]|°|%|percent"
    r"|btuh?|btu/hr?|mbh|kw|a|amps?|ma|y/n|yes/no|yyyy-mm-dd|mm/dd/yyyy|dd/mm/yyyy|text|-)(?: ?(?:gauge|g))?[\])]?",
    re.IGNORECASE,
)  # fmt: skip
_NUMBER = re.compile(r"[-+$]?[\d.,:/ -]*\d[\d.,:/ -]*%?")


class ExportError(ValueError):
    """A file that cannot be read as an export: which file and line, what is wrong, what would be accepted."""

    def __init__(self, file: str, line: int | None, wrong: str, accepted: str = ACCEPTED):
        self.file, self.line, self.wrong, self.accepted = file, line, wrong, accepted
        place = f"{file}, line {line}" if line else file
        super().__init__(f"{place}: {wrong}; accepted: {accepted}")


@dataclass(frozen=True)
class Table:
    """Where the table of a file is: its layout, and the byte (of the text as UTF-8) and physical line of its first row."""

    encoding: str
    layout: Layout
    heading_line: int
    offset: int
    line: int
    notes: tuple[str, ...]


def find_table(
    path: Path,
    *,
    encoding: str | None = None,
    delimiter: str | None = None,
    headings_known: Collection[str] = (),
) -> Table:
    """Encoding, dialect, headings and first row of an export; raises ExportError where there is no table."""
    name = path.name
    try:
        with open(path, "rb") as file:
            size, head = os.fstat(file.fileno()).st_size, file.read(64 << 10)
            file.seek(max(size - 8, 0))
            tail = file.read()
    except OSError as error:
        raise ExportError(name, None, f"cannot be opened: {error.strerror}", "a readable file") from None
    if not size:
        raise ExportError(name, None, "the file is empty")
    if size > LARGEST_FILE:
        raise ExportError(
            name, None, f"the file has {size:,} bytes", f"files up to {LARGEST_FILE:,} bytes; split it"
        )
    _refuse_by_first_bytes(head, name)
    if delimiter is not None and (len(delimiter) != 1 or delimiter in '\r\n"' or not delimiter.isascii()):
        raise ExportError(
            name,
            None,
            f"{delimiter!r} cannot set cells apart",
            "one character, such as comma, semicolon, tab or bar",
        )
    codec, notes = _find_encoding(path, head, encoding, name)
    if not tail.rstrip(b"\0\x1a").endswith((b"\n", b"\r")):
        notes.append(
            "the last line has no line end; if the file was cut off there, its last cell may be short"
        )
    sample = _sample(path, codec)
    if not sample:
        raise ExportError(name, 1, f"the first line is longer than {SAMPLE:,} bytes")
    _refuse_markup(sample, name)
    known = {fold(heading) for heading in headings_known}
    again = functools.partial(_Candidate, sample, known=known)
    candidates = [again(Dialect(separator)) for separator in ([delimiter] if delimiter else SEPARATORS)]
    candidates = [candidate for candidate in candidates if candidate.heading is not None]
    if not candidates:
        if not sample.strip():
            raise ExportError(name, None, "the file holds only blank lines")
        apart = f" with cells set apart by {delimiter!r}" if delimiter else ""
        raise ExportError(name, None, f"no heading line was found{apart}")
    best = max(candidates, key=lambda candidate: candidate.score)
    return _settle(_with_quoting(best, sample, again), codec, notes, known, name)


def fold(heading: str) -> str:
    """A heading as it is compared: trimmed, blanks collapsed, without case."""
    return " ".join(heading.replace("\ufeff", "").split()).casefold()


# what is no text at all


def _refuse_by_first_bytes(head: bytes, name: str) -> None:
    for signature, what in _SIGNATURES:
        if head.startswith(signature):
            if what == "a zip archive" and (b"xl/" in head or b"[Content_Types].xml" in head):
                what = "a spreadsheet workbook (.xlsx) or another office document"
            elif what == "a zip archive" and b"opendocument" in head:
                what = "an OpenDocument spreadsheet or another office document"
            raise ExportError(
                name, None, f"this is {what}, not a text file", f"{ACCEPTED}; save or unpack it as CSV first"
            )
    if (
        head[:4] == b"RIFF"
        and head[8:12] == b"WEBP"
        or head[:2] == b"BM"
        and head[6:10] == b"\0\0\0\0"
        and len(head) > 14
    ):
        raise ExportError(name, None, "this is an image, not a text file")
    if head[:4] in (b"\xff\xfe\0\0", b"\0\0\xfe\xff"):
        raise ExportError(name, None, "this is UTF-32 text", "UTF-8, UTF-16 or Windows-1252 text")


def _refuse_markup(sample: bytes, name: str) -> None:
    start = sample[:4096].decode("utf-8", "replace").lstrip(BLANKS + "\r\n")
    for pattern, what in _MARKUP:
        if pattern.match(start):
            raise ExportError(
                name, 1, f"this is {what}, not a table of separated cells", f"{ACCEPTED}; export it as CSV"
            )


# encoding


def _find_encoding(path: Path, head: bytes, given: str | None, name: str) -> tuple[str, list[str]]:
    """The Python codec of a file, and what is to be said about it."""
    for mark, codec in (
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF16_LE, "utf-16-le"),
        (codecs.BOM_UTF16_BE, "utf-16-be"),
    ):
        if head.startswith(mark):
            notes = (
                []
                if given is None or _same_codec(given, codec)
                else [f"encoding {given} was asked for, but the file is marked as {codec}"]
            )
            return codec, notes
    if given is not None:
        return _codec_named(given, head, name), []
    for part in (head, head[:200]):  # the beginning alone, should a byte be lost later
        pairs, even, odd = len(part) // 2, part[0::2].count(0), part[1::2].count(0)
        for codec, most, least in (("utf-16-le", odd, even), ("utf-16-be", even, odd)):
            if most > 0.4 * pairs and least < 0.05 * pairs:
                return codec, [f"encoding guessed: {codec} without a byte order mark"]
    lines = head.splitlines() or [b""]
    binary = sum(1 for line in lines if re.search(rb"[\x00-\x08\x0e-\x1a\x1c-\x1f]", line))
    if binary > max(4, 0.5 * len(lines)) or head.count(0) > 0.3 * len(head):
        raise ExportError(name, None, "the file is not text: control bytes all over it")
    return _utf8_or_western(path)


def _same_codec(one: str, other: str) -> bool:
    try:
        names = {codecs.lookup(name).name.replace("-sig", "") for name in (one, other)}
    except LookupError:
        return False
    return len(names) == 1 or "utf-16" in names and other.startswith("utf-16")


_CODECS = re.compile(
    r"utf-(?:8(?:-sig)?|16(?:-[lb]e)?)|ascii|cp\d+|iso8859-\d+|mac-\w+|koi8-\w+|gb\w+|big5\w*|shift_jis\w*|euc_\w+"
)


def _codec_named(given: str, head: bytes, name: str) -> str:
    try:
        codec = codecs.lookup(given).name
    except (LookupError, ValueError):
        codec = ""
    plain = bytes([9, 10, 13, *range(32, 127)])
    if (
        not _CODECS.fullmatch(codec)
        or not codec.startswith("utf-16")
        and plain.decode(codec, "replace") != plain.decode()
    ):
        raise ExportError(
            name,
            None,
            f"encoding {given!r} is not known",
            "utf-8, utf-16, windows-1252, latin-1, or another encoding with plain letters in one byte",
        )
    if codec == "utf-16":
        return "utf-16-be" if head[0::2].count(0) > head[1::2].count(0) else "utf-16-le"
    return {"utf-8-sig": "utf-8", "ascii": "utf-8", "cp1252": "windows-1252", "iso8859-1": "latin-1"}.get(
        codec, codec
    )


_DEFINED = bytes(
    set(range(128, 256)) - {0x81, 0x8D, 0x8F, 0x90, 0x9D}
)  # in Windows-1252; the others are text in neither
_MULTIBYTE = re.compile(rb"[\xc2-\xdf][\x80-\xbf]|[\xe0-\xef][\x80-\xbf]{2}|[\xf0-\xf4][\x80-\xbf]{3}")
# Without \xc2 and \xc3: alone they are rather the first half of a UTF-8 letter.
_SMALL, _CAPITAL = r"[\xdf-\xf6\xf8-\xfd\x9a\x9c\x9e]", r"[\xc0\xc1\xc4-\xd6\xd8-\xdd\x8a\x8c\x8e]"
_WESTERN = re.compile(
    r"[\x85\x91-\x97\x99\xa0\xa3\xa7\xa9\xab\xae\xb0-\xb5\xb7\xb9-\xbf\xd7\xf7]"  # signs
    rf"|(?<=[A-Za-z\xc0-\xfd]){_SMALL}(?![A-Z\d])|(?<![A-Za-z\d]){_SMALL}(?=[a-z])"  # small letters in a word
    rf"|(?<![a-z\d]){_CAPITAL}(?=[a-z\xdf-\xfd])|(?<=[A-Z\xc0-\xdd]){_CAPITAL}(?=[A-Z\xc0-\xdd])".encode(
        "latin-1"
    )
)


def _utf8_or_western(path: Path) -> tuple[str, list[str]]:
    """UTF-8, unless more bytes of the file speak against it than for it and look like Western text."""
    fits, breaks, western = 0, 0, 0
    with open(path, "rb") as file:
        while (block := file.read(BLOCK)) and breaks < 1_000:
            block += file.readline(1 << 20)
            if block.isascii():
                continue
            try:
                fits += len(block) - len(block.decode("utf-8"))
            except UnicodeDecodeError:
                rest, found = _MULTIBYTE.subn(b"", block)
                high = len(rest) - len(rest.translate(None, _DEFINED))
                fits, breaks, western = fits + found, breaks + high, western + len(_WESTERN.findall(rest))
    if breaks > fits and western * 2 > breaks:
        return "windows-1252", ["encoding guessed: Windows-1252, since the file is not UTF-8"]
    if breaks:
        return "utf-8", [f"{breaks:,} bytes are not UTF-8 text"]
    return "utf-8", []


def text_blocks(path: Path, encoding: str, size: int = BLOCK) -> Iterator[bytes]:
    """The file as UTF-8 bytes without byte order mark, block by block; bytes that are no text stay invalid UTF-8."""
    with open(path, "rb") as file:
        if encoding in ("utf-16-le", "utf-16-be"):
            yield from _utf16_blocks(file, encoding, size)
            return
        if encoding == "utf-8":
            block = file.read(size)
            yield block.removeprefix(codecs.BOM_UTF8)
            while block := file.read(size):
                yield block
            return
        decoder = codecs.getincrementaldecoder(encoding)("surrogateescape")
        while block := file.read(size):
            yield decoder.decode(block).encode("utf-8", "surrogateescape")
        yield decoder.decode(b"", True).encode("utf-8", "surrogateescape")


def _utf16_blocks(file, encoding: str, size: int) -> Iterator[bytes]:
    """UTF-16 line by line where a byte is lost or added, so that only its own line is lost."""
    little = encoding == "utf-16-le"
    line_end = re.compile(rb"([\r\n]\0)" if little else rb"(\0[\r\n])")
    rest = file.read(2)
    if rest == (codecs.BOM_UTF16_LE if little else codecs.BOM_UTF16_BE):
        rest = b""
    while block := file.read(size):
        block = rest + block
        cut = 2 + max(block.rfind(end) for end in ((b"\n\0", b"\r\0") if little else (b"\0\n", b"\0\r")))
        if cut < 2 and len(block) < 4 * size:
            rest = block
            continue
        cut = cut if cut >= 2 else len(block) // 2 * 2
        rest = block[cut:]
        yield _utf16_text(block[:cut], encoding, line_end)
    yield _utf16_text(rest, encoding, line_end)


def _utf16_text(block: bytes, encoding: str, line_end: re.Pattern) -> bytes:
    try:
        text = block.decode(encoding)
        if text.count("\n") + text.count("\r") == len(line_end.findall(block)):
            return text.encode()
    except UnicodeDecodeError:
        pass
    lines = line_end.split(block)  # lines and line ends in turn
    for i, line in enumerate(lines):
        try:
            lines[i] = line.decode(encoding).encode()
        except UnicodeDecodeError:
            lines[i] = b"\xff" + re.sub(rb"[\0\r\n]", b"", line)
    return b"".join(lines)


def _sample(path: Path, codec: str) -> bytes:
    """The beginning of the text up to a line end, or all of it."""
    sample, whole = b"", False
    blocks = text_blocks(path, codec, SAMPLE)
    while len(sample) < SAMPLE and not whole:
        block = next(blocks, None)
        whole = block is None
        sample += block or b""
    if not whole:
        cut = max(sample.rfind(b"\n"), sample.rfind(b"\r", 0, -1)) + 1
        sample = sample[:cut]
    return sample


# separator and headings

_LINE_END = re.compile(rb"\r\n|\n|\r")


def lines_of(text: bytes):
    """A function that gives the physical line starting at a byte of a text that is all there."""

    def next_line(at: int) -> Line | None:
        if at >= len(text):
            return None
        found = _LINE_END.search(text, at)
        return (
            Line(text[at : found.start()], found.group(), found.end(), True)
            if found
            else Line(text[at:], b"", len(text), True)
        )

    return next_line


class _Candidate:
    """One dialect tried on the sample: its records, the heading line it leads to, and how much it explains."""

    def __init__(self, sample: bytes, dialect: Dialect, known: set[str]):
        self.dialect = dialect
        self.records = _plain_records(sample, dialect)
        self.heading = self._heading(known)
        if self.heading is None:
            return
        cells = self.records[self.heading].cells or self.records[self.heading].loose
        self.rows = [record for record in self.records[self.heading + 1 :] if record.cells]
        self.width = _width(cells, [len(record.cells) for record in self.rows])
        self.in_order = sum(len(record.cells) == self.width for record in self.rows)
        hits = _hits(cells, known)
        self.score = (
            hits if hits > 1 else 0,
            (self.in_order + 1) * (len(_trimmed(cells)) - 1),
        )  # known headings, else separators in order

    def _heading(self, known: set[str]) -> int | None:
        """The record with most known headings; without two of those the first that could be headings of the usual width."""
        counts = Counter(
            len(record.cells) for record in self.records if record.cells and len(record.cells) > 1
        )
        usual = max(counts, key=lambda width: (counts[width] * (width - 1), width), default=0)
        first = [
            (i, record.cells or record.loose) for i, record in enumerate(self.records[:MOST_TITLE_LINES])
        ]
        first = [(i, cells) for i, cells in first if self.records[i].cells or len(cells) == usual]
        most = max((_hits(cells, known) for _, cells in first), default=0)
        if most >= 2:
            return next(i for i, cells in first if _hits(cells, known) == most)
        return next((i for i, cells in first if usual and _could_be_headings(cells, usual)), None)


def _hits(cells: list[str], known: set[str]) -> int:
    return len({fold(cell) for cell in cells} & known)


@dataclass
class _Plain:
    """A record of the sample: first line, lines, byte after it, whether it has a line end, and its cells if its quotes are in order."""

    line: int
    count: int
    after: int
    ended: bool
    cells: list[str] | None = None
    loose: list[str] | None = None  # cells of a line whose quotes are not in order, quotes disregarded


def _plain_records(sample: bytes, dialect: Dialect, most: int = 600) -> list[_Plain]:
    """Records of the sample, told without knowledge of columns; blank ones are left out."""
    next_line, at, number, records = lines_of(sample), 0, 1, []
    while len(records) < most and (line := next_line(at)) is not None:
        record, blank = _plain_record(next_line, line, number, dialect)
        at, number = record.after, number + record.count
        if not blank:
            records.append(record)
    return records


def _plain_record(next_line, line: Line, number: int, dialect: Dialect) -> tuple[_Plain, bool]:
    record, text = _Plain(number, 1, line.after, bool(line.end)), line.raw.decode("utf-8", "replace")
    cells, quotes = split(text, dialect)
    if not text.strip(BLANKS + "\x1a") or not quotes and not any(cell.strip(BLANKS) for cell in cells):
        return record, True
    if quotes:
        record.loose = [cell.strip(BLANKS).strip(dialect.quote) for cell in text.split(dialect.delimiter)]
    done: list[str] = []
    count, opened = 1, [""]
    while quotes == "open" and line.end and count < 50:
        done += cells[:-1]
        opened = [*(opened if len(cells) == 1 else ()), cells[-1], line.end.decode()]
        line = next_line(line.after)
        if line is None:
            break
        count += 1
        inside = line.raw.decode("utf-8", "replace")
        cells, quotes = split(inside, dialect, opened)
        if (
            quotes == "open"
            and len(cells) == 1
            and 0 < inside.count(dialect.delimiter) == text.count(dialect.delimiter)
        ):
            return record, False  # a line inside the cell is like the first: the quote was never closed
    if quotes == "":
        record.cells, record.count, record.after, record.ended = (
            done + cells,
            count,
            line.after,
            bool(line.end),
        )
    return record, False


def _trimmed(cells) -> list[str]:
    """Cells without the blank ones at the end."""
    cells = list(cells)
    while cells and not cells[-1].strip(BLANKS):
        cells.pop()
    return cells


def _could_be_headings(cells: list[str], usual: int) -> bool:
    told = [cell.strip(BLANKS) for cell in cells if cell.strip(BLANKS)]
    if (
        abs(len(cells) - usual) > 1
        and abs(len(_trimmed(cells)) - usual) > 1
        or len(told) < max(2, 0.6 * usual)
    ):
        return False
    numbers = sum(bool(_NUMBER.fullmatch(cell)) for cell in told)
    return numbers <= 0.2 * len(told) and len({fold(cell) for cell in told}) >= 0.6 * len(told)


def _width(headings: list[str], rows: list[int]) -> int:
    """Cells of a row: as many as headings, unless nearly all rows, three at least, have more separators at the end, or fewer."""
    counts = Counter(rows)
    usual = max(counts, key=counts.get, default=len(headings))
    return (
        usual
        if usual >= len(_trimmed(headings)) and counts[usual] > max(2, 5 * counts[len(headings)])
        else len(headings)
    )


def _settle(best: _Candidate, codec: str, notes: list[str], known: set[str], name: str) -> Table:
    """The table with its headings named and its first rows learned."""
    head, lines, headings, units = best.records[best.heading], [best.records[best.heading]], None, ()
    if head.cells is None:
        head.cells = head.loose
        notes.append(f"line {head.line}: a quote out of place in the headings is disregarded")
    if pair := _two_lines(best, known):
        lines, headings, units = pair
        told = f"lines {lines[0].line} and {lines[1].line} together"
        notes.append(
            f"line {lines[1].line} is taken as the units of the headings"
            if units
            else f"the headings are {told}"
        )
    if best.records[0] is not lines[0]:
        notes.append(f"{best.records.index(lines[0])} lines above the headings are not read")
    rows = [row for row in best.rows if row is not lines[-1]]
    headings, width = _columns(headings or head.cells, best.width, rows, head.line, name)
    written = tuple(tuple(cell.strip(BLANKS) for cell in _trimmed(line.cells)) for line in lines)
    units = (
        tuple(cell.strip(BLANKS) for cell in [*units, *[""] * len(headings)][: len(headings)])
        if units
        else ()
    )
    layout = Layout(best.dialect, _distinct(headings), width, written, units)
    ordinary = [row for row in rows if len(row.cells) == width and kind(row.cells, layout) == "row"][:500]
    ended = [row for row in ordinary if row.ended] or ordinary  # a row that may be cut short teaches nothing
    layout.learn([row.cells for row in ended], ended[-1].line if ended else 0)
    if best.dialect.bare_quotes:
        notes.append("quotes inside cells without quotes round them are read as plain text")
    return Table(
        codec, layout, lines[0].line, lines[-1].after, lines[-1].line + lines[-1].count, tuple(notes)
    )


def _columns(
    cells: list[str], width: int, rows: list["_Plain"], line: int, name: str
) -> tuple[list[str], int]:
    """The headings, with an empty one for each filled column without heading, and the cells of a row."""
    headings, width = _trimmed(cells), max(width, len(_trimmed(cells)))
    filled = max((len(_trimmed(row.cells)) for row in rows if len(row.cells) == width), default=0)
    counts = Counter(len(row.cells) for row in rows)
    usual = max(counts, key=counts.get, default=width)
    if filled > len(headings) and len(cells) >= filled:
        headings = cells[:filled]
    elif filled > len(headings) or usual != width and counts[usual] >= 3 and not counts[width]:
        raise ExportError(
            name,
            line,
            f"{len(headings)} headings, but the rows have {usual} cells",
            "one heading for each column",
        )
    if len(headings) > MOST_COLUMNS:
        raise ExportError(name, line, f"{len(headings):,} headings", f"up to {MOST_COLUMNS:,} columns")
    return headings, width


def _with_quoting(best: _Candidate, sample: bytes, again: Callable[[Dialect], _Candidate]) -> _Candidate:
    """The candidate with the quoting habit that leaves most rows in order."""
    plain, delimiter = best.dialect, re.escape(best.dialect.delimiter.encode())
    if b'\\"' in sample:
        other = again(replace(plain, backslash=True))
        best = other if other.heading is not None and other.in_order > best.in_order else best
    wrapped = re.compile(rb"(?:^|%b)'[^'\r\n]*'(?=%b|[\r\n]|\Z)" % (delimiter, delimiter), re.MULTILINE)
    if len(wrapped.findall(sample)) >= 3 and not re.search(rb'(?:^|%b)"' % delimiter, sample, re.MULTILINE):
        other = again(replace(plain, quote="'"))
        best = other if other.heading is not None and other.in_order >= best.in_order else best
    if sum(record.cells is None for record in best.records[best.heading :]) >= 5:
        other = again(replace(best.dialect, bare_quotes=True))
        if other.heading is not None and other.in_order >= max(best.in_order + 5, 0.95 * len(other.rows)):
            best = other
    return best


def _two_lines(
    best: _Candidate, known: set[str]
) -> tuple[list["_Plain"], list[str] | None, list[str]] | None:
    """Two lines that surely are the headings together: the records, the headings joined (None: the first line's), the units."""
    around = [
        best.records[i] if 0 <= i < len(best.records) else None
        for i in (best.heading - 1, best.heading, best.heading + 1)
    ]
    above, head, below = around
    if below and below.cells and len(below.cells) == len(head.cells):
        told = [cell.strip(BLANKS) for cell in below.cells if cell.strip(BLANKS)]
        if (
            len(told) >= 2
            and all(map(_UNITS.fullmatch, told))
            and any(len(cell.strip("[]()")) > 1 for cell in told)
        ):
            return [head, below], None, below.cells
    for first, second in ((above, head), (head, below)):
        if not first or not second or not first.cells or not second.cells or second.after == first.after:
            continue
        headings = _joined(first.cells, second.cells, known)
        if _hits(headings, known) > max(_hits(head.cells, known), 1):
            return [first, second], headings, []
    return None


def _joined(first: list[str], second: list[str], known: set[str]) -> list[str]:
    """Headings written over two lines, a word of the first line standing for the empty cells right of it, too."""
    headings, group = [], ""
    for one, two in itertools.zip_longest(first, second, fillvalue=""):
        group = one.strip(BLANKS) or group
        told = [" ".join(words.split()) for words in (f"{one} {two}", f"{group} {two}", two, one)]
        headings.append(next((heading for heading in told if fold(heading) in known), told[0]))
    return headings


def _distinct(headings: list[str]) -> tuple[str, ...]:
    """Headings trimmed, line ends in them made blanks; the second "X" (without case) becomes "X (2)", an empty one "column 7"."""
    names: list[str] = []
    taken = {fold(heading) for heading in headings}
    used: set[str] = set()
    for i, heading in enumerate(headings, 1):
        name = plain = (
            " ".join(re.split(r"[ \0]*[\r\n]+\s*", heading.replace("\0", "").strip(BLANKS + "\r\n")))
            or f"column {i}"
        )
        count = 2
        while fold(name) in used or name != plain and fold(name) in taken:
            name, count = f"{plain} ({count})", count + 1
        used.add(fold(name))
        names.append(name)
    return tuple(names)
