"""The bytes of a file → text in UTF-8: what is no text at all, which encoding it is in, and where that had to
be guessed.

Nothing is decided silently: what had to be guessed is said in a note, and what is no text is refused by name.
"""

import codecs
import re
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from pipelines.intake.layout import BLANKS

BLOCK = 16 << 20  # bytes read at a time
SAMPLE = 512 << 10  # bytes of text looked at for the dialect and the headings

ACCEPTED = "a text file with one heading line and cells set apart by comma, semicolon, tab or bar"

_SIGNATURES = (
    (b"PK\x03\x04", "a zip archive"),
    (b"PK\x05\x06", "an empty zip archive"),
    (b"\xd0\xcf\x11\xe0", "an old office document, such as an .xls workbook"),
    (b"\x1f\x8b", "gzip-compressed data"),
    (b"BZh", "bzip2-compressed data"),
    (b"\xfd7zXZ\0", "xz-compressed data"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"Rar!\x1a\x07", "a rar archive"),
    (b"\x28\xb5\x2f\xfd", "zstd-compressed data"),
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a PNG image"),
    (b"\xff\xd8\xff", "a JPEG image"),
    (b"GIF8", "a GIF image"),
    (b"II*\0", "a TIFF image"),
    (b"MM\0*", "a TIFF image"),
    (b"PAR1", "a Parquet file"),
    (b"ARROW1", "an Arrow file"),
    (b"SQLite format 3\0", "an SQLite database"),
    (b"\x7fELF", "a program"),
)
_MARKUP = (
    (re.compile(r"<(?:!doctype html|html|head|body|table|script|style|meta|div)\b", re.I), "an HTML page"),
    (re.compile(r"<\?xml|<[A-Za-z][\w:.-]*(?: xmlns|>)", re.I), "an XML document"),
    (re.compile(r"\{\\rtf"), "a rich-text document"),
    (re.compile(r"\{\s*[\"}]|\[\s*[\[{]"), "a JSON document"),
)


class ExportError(ValueError):
    """A file that cannot be read as an export: which file and line, what is wrong, what would be accepted."""

    def __init__(self, file: str, line: int | None, wrong: str, accepted: str = ACCEPTED):
        self.file, self.line, self.wrong, self.accepted = file, line, wrong, accepted
        where = f"{file}, line {line}" if line else file
        super().__init__(f"{where}: {wrong}; accepted: {accepted}")


def refuse_by_first_bytes(head: bytes, name: str) -> None:
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


def refuse_markup(sample: bytes, name: str) -> None:
    start = sample[:4096].decode("utf-8", "replace").lstrip(BLANKS + "\r\n")
    for pattern, what in _MARKUP:
        if pattern.match(start):
            raise ExportError(
                name, 1, f"this is {what}, not a table of separated cells", f"{ACCEPTED}; export it as CSV"
            )


def find_encoding(path: Path, head: bytes, given: str | None, name: str) -> tuple[str, list[str]]:
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
    for octets in (head, head[:200]):  # the beginning alone, should a byte be lost later
        pairs, even, odd = len(octets) // 2, octets[0::2].count(0), octets[1::2].count(0)
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
    r"utf-(?:8(?:-sig)?|16(?:-[lb]e)?)|ascii|cp\d+|iso8859-\d+|mac-\w+|koi8-\w+|gb\w+|big5\w*"
    r"|shift_jis\w*|euc_\w+"
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


# Bytes that Windows-1252 defines; the others are text in neither.
_DEFINED = bytes(set(range(128, 256)) - {0x81, 0x8D, 0x8F, 0x90, 0x9D})
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
    """The file as UTF-8 without byte order mark, in blocks; bytes that are no text stay invalid UTF-8."""
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


def _utf16_blocks(file: BinaryIO, encoding: str, size: int) -> Iterator[bytes]:
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


def _utf16_text(block: bytes, encoding: str, line_end: re.Pattern[bytes]) -> bytes:
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


def beginning(path: Path, codec: str) -> bytes:
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
