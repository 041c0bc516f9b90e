"""Mutated exports through the whole intake: whatever the bytes,
rows are read or told why not, and nothing else is raised.
"""

import os
import random
import time
from collections import Counter

import pytest

from pipelines.intake.encoding import ExportError
from pipelines.intake.mapping import load_mappings, parse_mapping
from pipelines.intake.recognition import recognize
from pipelines.intake.rows import REASONS, column_notes, type_batch
from pipelines.snapshot.exports import opened, own_headings
from tests import families
from tests.conftest import SAMPLES
from tests.polluted import FIELDS, FORMS

FULL = os.environ.get("COLDFILL_FULL") == "1"
FILES = 10_000 if FULL else 200
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1", "cp437")
TELLING = b"\"'\\,;\t|\n\r\0\xff\xfe\xef\xbb\xbf\x1a -.0123456789eE#\xc3\x80\xe9"


def seeds():
    """(text, mapping or None) of the exports that are mutated."""
    for form in FORMS.values():
        texts = [form.separator.join(form.written(row)) for row in form.rows()]
        yield form.file(texts).decode(form.encoding), parse_mapping("polluted", form.mapping())
    for path in sorted(SAMPLES.glob("*.csv")):
        data = path.read_bytes()[:12_000]
        for encoding in ("utf-8", "utf-16", "cp1252"):
            try:
                text = data[: len(data) // 2 * 2].decode(encoding)
            except UnicodeDecodeError:
                continue
            if "," in text or ";" in text:
                yield text, None
                break


def mutated(text, other, luck):
    """The bytes of a text after one to six accidents."""
    data = text.encode(luck.choice(ENCODINGS), "replace")
    for _ in range(luck.randint(1, 6)):
        at, long = luck.randrange(len(data) + 1), luck.choice((1, 2, 7, 60, 2_000))
        how = luck.randrange(10)
        if how == 0:
            data = data[:at] + bytes([luck.choice(TELLING)]) * luck.choice((1, 1, 1, 3, 400)) + data[at:]
        elif how == 1 and data:
            at %= len(data)
            data = data[:at] + bytes([data[at] ^ 1 << luck.randrange(8)]) + data[at + 1 :]
        elif how == 2:
            data = data[:at] + data[at + long :]
        elif how == 3:
            start = luck.randrange(len(data) + 1)
            data = data[:at] + data[start : start + long] + data[at:]
        elif how == 4:
            data = data[:at]
        elif how == 5:
            lines = data.split(b"\n")
            start = luck.randrange(len(lines))
            part = lines[start : start + luck.randint(1, 6)]
            luck.shuffle(part)
            data = b"\n".join([*lines[:start], *part, *lines[start + len(part) :]])
        elif how == 6:
            data = data[:at] + luck.randbytes(long) + data[at + long :]
        elif how == 7:
            data = (
                data[:at]
                + other.encode(luck.choice(ENCODINGS), "replace")[: luck.choice((50, 3_000))]
                + data[at:]
            )
        elif how == 8:
            data = data.replace(
                luck.choice((b",", b";", b"\n", b'"', b".")),
                luck.choice((b",", b";", b"\t", b"\r", b"", b'""')),
                luck.choice((1, 3, 10_000)),
            )
        else:
            data = data[at:]
    return data


def taken_in(path, mapping, mappings):
    """Everything that reading one file does; what became of it in a word."""
    try:
        export = opened(path, mapping, {heading for one in mappings for heading in one.mapped_headings})
        found = recognize(own_headings(export.headings), mappings)
        mapping = mapping or found.mapping
        if mapping is None:
            assert found.why
            list(export.batches())
            return "not recognized"
        rows, lost, read = 0, 0, 0
        lines = Counter()
        for batch in export.batches():
            typed = type_batch(batch, mapping, agency="Alder")
            read += batch.table.num_rows
            rows += typed.table.num_rows
            told = typed.not_loaded.to_pylist()
            lost += sum(one["extent"] == "row" for one in told)
            assert all(
                one["reason"] in REASONS and one["expected"] and one["extent"] in ("row", "cell")
                for one in told
            )
            lines.update(batch.lines.tolist())
        lines.update(one.line for one in export.damage)
        assert read == rows + lost and (not lines or max(lines.values()) == 1)
        assert all(one.reason in REASONS and one.expected for one in export.damage)
        column_notes(own_headings(export.headings), mapping, export.heading_line)
        return "rows" if rows else "no rows"
    except ExportError as error:
        assert error.wrong and error.accepted and path.name in str(error)
        return "refused"


@pytest.mark.parametrize("part", families.first(4, range(8)))
def test_mutated_files_raise_nothing_but_what_is_documented(tmp_path, part):
    luck, mappings, path = (
        random.Random(20261125 + part),
        load_mappings(SAMPLES / "fleet" / "mappings"),
        tmp_path / "export.csv",
    )
    texts, became, started = list(seeds()), Counter(), time.monotonic()
    assert len(texts) == len(FORMS) + 4 and all(heading in texts[0][0] for heading in FIELDS)
    for number in range(FILES // 8):
        text, mapping = luck.choice(texts)
        data = mutated(text, luck.choice(texts)[0], luck)
        path.write_bytes(data)
        try:
            became[taken_in(path, mapping, mappings)] += 1
        except Exception as error:
            (tmp_path / f"kept-{number}.csv").write_bytes(data)
            raise AssertionError(f"part {part}, file {number} ({tmp_path}): {error!r}") from error
    assert became["rows"] > FILES // 8 * 0.1 and became["refused"], became
    print(f"{sum(became.values()):,} mutated files in {time.monotonic() - started:.0f} s: {dict(became)}")
