"""Find the table in a file that somebody exported: encoding, separator, quotes, headings.

Nothing is taken for granted and nothing is decided silently: what had to be guessed is said in the notes, and what is
no table is refused by name.
"""

import codecs
import os
import re
from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from .records import BLANKS, Dialect, Layout, Line, kind, split

BLOCK = 16 << 20  # bytes read at a time
SAMPLE = 512 << 10  # bytes of text looked at for the dialect and the headings
LARGEST_FILE = 64 << 30
MOST_COLUMNS = 2_000
MOST_TITLE_LINES = 60
SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}

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
    units: tuple[str, ...]
    offset: int
    line: int
    notes: tuple[str, ...]


def find_table(path: Path, *, encoding: str | None = None, delimiter: str | None = None, heading_line: int | None = None, headings_known: Collection[str] = ()) -> Table:
    """Encoding, dialect, headings and first row of an export; raises ExportError where there is no table."""
    name = path.name
    try:
        with open(path, "rb") as file:
            size, head = os.fstat(file.fileno()).st_size, file.read(64 << 10)
    except OSError as error:
        raise ExportError(name, None, f"cannot be opened: {error.strerror}", "a readable file") from None
    if not size:
        raise ExportError(name, None, "the file is empty")
    if size > LARGEST_FILE:
        raise ExportError(name, None, f"the file has {size:,} bytes", f"files up to {LARGEST_FILE:,} bytes; split it")
    _refuse_by_first_bytes(head, name)
    if delimiter is not None and (len(delimiter) != 1 or delimiter in "\r\n\"" or not delimiter.isascii()):
        raise ExportError(name, None, f"{delimiter!r} cannot set cells apart", "one character, such as comma, semicolon, tab or bar")
    codec, notes = _find_encoding(path, head, encoding, name)
    sample, whole = _sample(path, codec)
    _refuse_markup(sample, name)
    known = {fold(heading) for heading in headings_known}
    best = None
    for candidate in [delimiter] if delimiter else SEPARATORS:
        found = _Candidate(sample, whole, Dialect(candidate), known, heading_line)
        if found.heading is not None and (best is None or found.score > best.score):
            best = found
    if best is None:
        if not sample.strip():
            raise ExportError(name, None, "the file holds only blank lines")
        raise ExportError(name, heading_line, "no heading line was found" if heading_line is None else "the heading line given has no cells")
    return _settle(best, sample, whole, codec, notes, known, heading_line, name)


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
            raise ExportError(name, None, f"this is {what}, not a text file", f"{ACCEPTED}; save or unpack it as CSV first")
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP" or head[:2] == b"BM" and head[6:10] == b"\0\0\0\0" and len(head) > 14:
        raise ExportError(name, None, "this is an image, not a text file")
    if head[:4] in (b"\xff\xfe\0\0", b"\0\0\xfe\xff"):
        raise ExportError(name, None, "this is UTF-32 text", "UTF-8, UTF-16 or Windows-1252 text")


def _refuse_markup(sample: bytes, name: str) -> None:
    start = sample[:4096].decode("utf-8", "replace").lstrip(BLANKS + "\r\n")
    for pattern, what in _MARKUP:
        if pattern.match(start):
            raise ExportError(name, 1, f"this is {what}, not a table of separated cells", f"{ACCEPTED}; export it as CSV")


# encoding


def _find_encoding(path: Path, head: bytes, given: str | None, name: str) -> tuple[str, list[str]]:
    """The Python codec of a file, and what is to be said about it."""
    for mark, codec in ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be")):
        if head.startswith(mark):
            notes = [] if given is None or _same_codec(given, codec) else [f"encoding {given} was asked for, but the file is marked as {codec}"]
            return codec, notes
    if given is not None:
        return _codec_named(given, head, name), []
    pairs = len(head) // 2
    zeros = [head[i : 2 * pairs : 2].count(0) for i in (0, 1)]
    for codec, most, least in (("utf-16-le", zeros[1], zeros[0]), ("utf-16-be", zeros[0], zeros[1])):
        if most > 0.4 * pairs and least < 0.05 * pairs:
            return codec, [f"encoding guessed: {codec} without a byte order mark"]
    lines = head.splitlines() or [b""]
    binary = sum(1 for line in lines if re.search(rb"[\x00-\x08\x0e-\x1a\x1c-\x1f]", line))
    if binary > 0.3 * len(lines) and binary > 2 or head.count(0) > 0.3 * len(head):
        raise ExportError(name, None, "the file is not text: control bytes all over it")
    return _utf8_or_western(path)


def _same_codec(one: str, other: str) -> bool:
    try:
        names = {codecs.lookup(name).name for name in (one, other)}
    except LookupError:
        return False
    return len(names) == 1 or names <= {"utf-8", "utf-8-sig"} or "utf-16" in names and other.startswith("utf-16")


def _codec_named(given: str, head: bytes, name: str) -> str:
    accepted = "utf-8, utf-16, windows-1252, latin-1 or another encoding that writes plain letters in one byte"
    try:
        codec = codecs.lookup(given).name
        plain = bytes([9, 10, 13, *range(32, 127)])
        if codec in ("utf-8", "utf-8-sig"):
            return "utf-8"
        if codec in ("utf-16-le", "utf-16-be"):
            return codec
        if codec == "utf-16":
            return "utf-16-be" if head[0::2].count(0) > head[1::2].count(0) else "utf-16-le"
        if plain.decode(codec) == plain.decode("ascii"):
            return given.strip().lower() if codec != "cp1252" else "windows-1252"
    except (LookupError, ValueError, TypeError):
        pass
    raise ExportError(name, None, f"encoding {given!r} is not known", accepted)


_MULTIBYTE = re.compile(rb"[\xc2-\xdf][\x80-\xbf]|[\xe0-\xef][\x80-\xbf]{2}|[\xf0-\xf4][\x80-\xbf]{3}")
_WESTERN = re.compile(
    rb"[\x85\x91-\x97\x99\xa0\xa3\xa7\xa9\xab\xae\xb0-\xb5\xb7\xb9-\xbf\xd7\xf7]"  # signs
    rb"|(?<=[a-z\xdf-\xf6\xf8-\xfd])[\xdf-\xf6\xf8-\xfd\x9a\x9c\x9e]|[\xdf-\xf6\xf8-\xfd\x9a\x9c\x9e](?=[a-z\xdf-\xf6\xf8-\xfd])"  # small letters
    rb"|(?<=[A-Z\xc0-\xd6\xd8-\xdd])[\xc0-\xd6\xd8-\xdd\x8a\x8c\x8e]|[\xc0-\xd6\xd8-\xdd\x8a\x8c\x8e](?=[A-Za-z\xc0-\xd6\xd8-\xfd])"  # capitals
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
                high = len(rest) - len(rest.translate(None, bytes(range(128, 256))))
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
    new_line, carriage_return = (b"\n\0", b"\r\0") if little else (b"\0\n", b"\0\r")
    mark = codecs.BOM_UTF16_LE if little else codecs.BOM_UTF16_BE
    rest = file.read(2)
    rest = b"" if rest == mark else rest
    while block := file.read(size):
        block = rest + block
        cut = max(block.rfind(new_line), block.rfind(carriage_return)) + 2
        if cut < 2 and len(block) < 4 * size:
            rest = block
            continue
        cut = cut if cut >= 2 else len(block) // 2 * 2
        if block[cut - 2 : cut] == carriage_return and cut > 2:
            cut -= 2  # its line feed may follow
        rest = block[cut:]
        yield _utf16_text(block[:cut], encoding, new_line)
    yield _utf16_text(rest, encoding, new_line)


def _utf16_text(block: bytes, encoding: str, new_line: bytes) -> bytes:
    try:
        text = block.decode(encoding)
        if text.count("\n") == block.count(new_line):
            return text.encode()
    except UnicodeDecodeError:
        pass
    lines = []
    for line in block.split(new_line):
        try:
            lines.append(line.decode(encoding).encode())
        except UnicodeDecodeError:
            lines.append(b"\xff" + line.replace(b"\0", b"").replace(b"\n", b" "))
    return b"\n".join(lines)


def _sample(path: Path, codec: str) -> tuple[bytes, bool]:
    """The beginning of the text up to a line end, and whether it is the whole of it."""
    sample, whole = b"", False
    blocks = text_blocks(path, codec, SAMPLE)
    while len(sample) < SAMPLE and not whole:
        block = next(blocks, None)
        whole = block is None
        sample += block or b""
    if not whole:
        cut = max(sample.rfind(b"\n"), sample.rfind(b"\r", 0, -1)) + 1
        sample = sample[:cut] if cut else sample
    return sample, whole


# separator and headings

_LINE_END = re.compile(rb"\r\n|\n|\r")


def lines_of(text: bytes):
    """A function that gives the physical line starting at a byte of a text that is all there."""

    def next_line(at: int) -> Line | None:
        if at >= len(text):
            return None
        found = _LINE_END.search(text, at)
        return Line(text[at : found.start()], found.group(), found.end(), True) if found else Line(text[at:], b"", len(text), True)

    return next_line


class _Candidate:
    """One separator tried on the sample: its records, the heading line it leads to, and how well the rows agree."""

    def __init__(self, sample: bytes, whole: bool, dialect: Dialect, known: set[str], heading_line: int | None):
        self.dialect = dialect
        self.records = _plain_records(sample, dialect, whole)
        self.heading = self.width = None
        self.score = ()
        self._find_heading(known, heading_line)
        if self.heading is None:
            return
        cells = self.records[self.heading].cells
        self.hits = sum(fold(cell) in known for cell in cells)
        rows = [len(record.cells) for record in self.records[self.heading + 1 :] if record.cells]
        self.width = _width(cells, rows)
        agree = sum(row == self.width for row in rows) / len(rows) if rows else 1.0
        if len(_trimmed(cells)) < 2 and len(SEPARATORS) > 1 and self.hits < 1:
            self.heading = None
            return
        self.score = (self.hits, agree >= 0.9, round(agree, 1) >= 0.5, len(_trimmed(cells)))

    def _find_heading(self, known: set[str], heading_line: int | None) -> None:
        if heading_line is not None:
            self.heading = next((i for i, record in enumerate(self.records) if record.line == heading_line and record.cells), None)
            return
        told = [i for i, record in enumerate(self.records[:MOST_TITLE_LINES]) if record.cells]
        hits = {i: len({fold(cell) for cell in self.records[i].cells} & known) for i in told}
        most = max(hits.values(), default=0)
        if most >= 2:
            self.heading = next(i for i in told if hits[i] == most)
            return
        counts = Counter(len(record.cells) for record in self.records if record.cells and len(record.cells) > 1)
        if not counts:
            return
        usual = max(counts, key=lambda width: (counts[width] * (width - 1), width))
        fitting = [i for i in told if _could_be_headings(self.records[i].cells, usual)]
        if fitting:
            self.heading = fitting[0]


@dataclass
class _Plain:
    """A record of the sample: first line, lines, byte after it, and its cells if its quotes are in order."""

    line: int
    count: int
    after: int
    cells: list[str] | None = None
    loose: list[str] | None = None  # cells of a line whose quotes are not in order, quotes disregarded


def _plain_records(sample: bytes, dialect: Dialect, whole: bool, most: int = 600) -> list[_Plain]:
    """Records of the sample, told without knowledge of columns; blank ones are left out."""
    next_line, at, number, records = lines_of(sample), 0, 1, []
    while len(records) < most and (line := next_line(at)) is not None:
        record, blank = _plain_record(next_line, line, number, dialect)
        at, number = record.after, number + record.count
        if not blank:
            records.append(record)
    if not whole and records and at >= len(sample):
        records.pop()
    return records


def _plain_record(next_line, line: Line, number: int, dialect: Dialect) -> tuple[_Plain, bool]:
    record, text = _Plain(number, 1, line.after), line.raw.decode("utf-8", "replace")
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
        cells, quotes = split(line.raw.decode("utf-8", "replace"), dialect, opened)
    if quotes == "":
        record.cells, record.count, record.after = done + cells, count, line.after
    return record, False


def _trimmed(cells) -> list[str]:
    """Cells without the blank ones at the end."""
    cells = list(cells)
    while cells and not cells[-1].strip(BLANKS):
        cells.pop()
    return cells


def _could_be_headings(cells: list[str], usual: int) -> bool:
    told = [cell.strip(BLANKS) for cell in cells if cell.strip(BLANKS)]
    if not told or abs(len(cells) - usual) > max(1, 0) and abs(len(_trimmed(cells)) - usual) > 1:
        return False
    numbers = sum(bool(_NUMBER.fullmatch(cell)) for cell in told)
    distinct = len({cell.casefold() for cell in told})
    return len(told) >= max(2, 0.6 * usual) and numbers <= 0.2 * len(told) and distinct >= 0.6 * len(told)


def _width(headings: list[str], rows: list[int]) -> int:
    """Cells of a row: as many as headings, unless the rows agree that each line ends in more separators or in fewer."""
    least = len(_trimmed(headings))
    if not rows:
        return len(headings)
    usual, count = Counter(rows).most_common(1)[0]
    return usual if usual >= least and count >= 0.5 * len(rows) else len(headings)


def _settle(best: _Candidate, sample: bytes, whole: bool, codec: str, notes: list[str], known: set[str], heading_line: int | None, name: str) -> Table:
    """The table with its headings named, its quoting habits told and its first rows learned."""
    best = _quoting(best, sample, whole, known, heading_line)
    head, rows = best.records[best.heading], best.records[best.heading + 1 :]
    first, units, written, last = list(head.cells), (), [head.cells], head
    joined = _second_line(best, known)
    if joined is not None:
        headings, units, last = joined
        written.append(last.cells)
        rows = rows[1:]
        if units:
            notes.append(f"line {last.line} is taken as the units of the headings")
        else:
            first = headings
            notes.append(f"headings are taken from lines {head.line} and {last.line}")
    headings = _trimmed(first)
    width = max(best.width, len(headings))
    spare = [row.cells for row in rows if row.cells and len(row.cells) == width]
    while len(headings) < width and any(row[len(headings) : ] and any(cell.strip(BLANKS) for cell in row[len(headings) :]) for row in spare):
        if not any(len(row.cells) < width for row in rows if row.cells) and len(first) >= width:
            headings.append("")
            continue
        raise ExportError(name, head.line, f"{len(_trimmed(first))} headings, but the rows have {width} cells", "one heading for each column")
    if len(headings) > MOST_COLUMNS:
        raise ExportError(name, head.line, f"{len(headings):,} headings", f"up to {MOST_COLUMNS:,} columns")
    agreed = Counter(len(row.cells) for row in rows if row.cells).most_common(1)
    if agreed and agreed[0][0] != width and agreed[0][1] >= 3 and not any(len(row.cells) == width for row in rows if row.cells):
        raise ExportError(name, head.line, f"{len(headings)} headings, but the rows have {agreed[0][0]} cells", "one heading for each column")
    above = [record for record in best.records[: best.heading]]
    if above:
        notes.append(f"{len(above)} lines above the headings are not read")
    layout = Layout(best.dialect, _distinct(headings), width, tuple(tuple(cell.strip(BLANKS) for cell in _trimmed(line)) for line in written))
    ordinary = [row for row in rows if row.cells and len(row.cells) == width and kind(row.cells, layout, width) == "row"][:500]
    layout.learn([row.cells for row in ordinary], ordinary[-1].line if ordinary else 0)
    if best.dialect.bare_quotes:
        notes.append("quotes inside cells without quotes round them are read as plain text")
    units = tuple(cell.strip(BLANKS) for cell in (list(units) + [""] * len(headings))[: len(headings)]) if units else ()
    return Table(codec, layout, head.line, units, last.after, last.line + last.count, tuple(notes))


def _quoting(best: _Candidate, sample: bytes, whole: bool, known: set[str], heading_line: int | None) -> _Candidate:
    """The candidate with the quoting habit that leaves most rows in order."""
    delimiter, plain = re.escape(best.dialect.delimiter.encode()), best.dialect

    def in_order(candidate):
        return sum(1 for record in candidate.records if record.cells and len(record.cells) == candidate.width)

    variants = []
    if b'\\"' in sample:
        variants.append(replace(plain, backslash=True))
    wrapped = re.compile(rb"(?:^|%b)'[^'\r\n]*'(?=%b|[\r\n]|$)" % (delimiter, delimiter), re.MULTILINE)
    if len(wrapped.findall(sample)) >= 3 and not re.search(rb'(?:^|%b)"' % delimiter, sample, re.MULTILINE):
        variants.append(replace(plain, quote="'"))
    for dialect in variants:
        other = _Candidate(sample, whole, dialect, known, heading_line)
        if other.heading is not None and in_order(other) > in_order(best) - (dialect.quote == "'"):
            best = other
    stray = [record for record in best.records[best.heading + 1 :] if record.cells is None]
    if len(stray) >= 5:
        other = _Candidate(sample, whole, replace(best.dialect, bare_quotes=True), known, heading_line)
        if other.heading is not None and in_order(other) >= in_order(best) + 5 and in_order(other) >= 0.95 * len(other.records) - best.heading:
            best = other
    return best


def _second_line(best: _Candidate, known: set[str]):
    """The line after the headings if it surely belongs to them: (joined headings, units, its record), else None."""
    if best.heading + 1 >= len(best.records):
        return None
    first, second = best.records[best.heading], best.records[best.heading + 1]
    if not second.cells or len(second.cells) != len(first.cells):
        return None
    told = [cell.strip(BLANKS) for cell in second.cells if cell.strip(BLANKS)]
    if len(told) >= 2 and all(_UNITS.fullmatch(cell) for cell in told):
        return first.cells, second.cells, second
    joined = [" ".join(f"{one} {two}".split()) for one, two in zip(first.cells, second.cells)]
    filled, group = [], ""
    for one, two in zip(first.cells, second.cells):
        group = one.strip(BLANKS) or group
        filled.append(" ".join(f"{group} {two}".split()))
    alone = sum(fold(cell) in known for cell in first.cells)
    for headings in (joined, filled):
        if sum(fold(cell) in known for cell in headings) > max(alone, 1):
            return headings, (), second
    if sum(fold(cell) in known for cell in second.cells) > max(alone, 1):
        return second.cells, (), second
    return None


def _distinct(headings: list[str]) -> tuple[str, ...]:
    """Headings trimmed, line ends in them made blanks; the second "X" (without case) becomes "X (2)", an empty one "column 7"."""
    names: list[str] = []
    taken = {fold(heading) for heading in headings}
    used: set[str] = set()
    for i, heading in enumerate(headings, 1):
        name = plain = " ".join(heading.replace("\0", "").split()) or f"column {i}"
        count = 2
        while fold(name) in used or name != plain and fold(name) in taken:
            name, count = f"{plain} ({count})", count + 1
        used.add(fold(name))
        names.append(name)
    return tuple(names)
