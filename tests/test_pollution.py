"""Some thousand polluted copies of one export, read from their bytes to typed rows: damage stays in its row.

For every copy: each row stands for itself once, read or told why not; rows that were not touched are
unchanged; and a touched row says nothing but what its own text says, in the column where it stands.
"""

import os
import random
from collections import Counter

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from pipelines.fleet import snapshots
from pipelines.fleet.folder import Fleet
from pipelines.intake.mapping import parse_mapping
from pipelines.intake.reader import open_export
from pipelines.intake.rows import REASONS, type_batch
from pipelines.receiving import door
from pipelines.snapshot import stages
from pipelines.snapshot.exports import opened
from tests.polluted import CUTS, DAMAGE, FIELDS, FORMS, ROWS, family, means, said

FULL = os.environ.get("COLDFILL_FULL") == "1"
SHARE = 1 if FULL else 40  # of the copies one in so many is read
MAPPINGS = {name: parse_mapping("polluted", form.mapping()) for name, form in FORMS.items()}


def intake(path, mapping):
    """(typed rows, entries of rows and cells not loaded, rows read) of a file."""
    export = opened(path, mapping)
    rows, entries, read = [], [], 0
    for batch in export.batches():
        typed = type_batch(batch, mapping)
        read += batch.table.num_rows
        rows += typed.table.select([*FIELDS.values(), "source_line"]).to_pylist()
        entries += typed.not_loaded.to_pylist()
    entries += [
        {
            "source_line": one.line,
            "extent": "row",
            "raw_text": one.text,
            "reason": one.reason,
            "expected": one.expected,
            "field": "",
        }
        for one in export.damage
    ]
    return rows, entries, read + len(export.damage)


def faults(form, kind, r, c, text, rows, entries, read):
    """What is wrong with how a polluted copy was read, in words."""
    clean = [[means(at, cell, form) for at, cell in enumerate(row)] for row in form.rows()]
    if kind in CUTS:
        clean = clean[: r + 1]
    lost = [one for one in entries if one["extent"] == "row"]
    if read != len(rows) + len(lost):
        yield f"{read} rows read, {len(rows)} loaded and {len(lost)} not"
    if len({*(row["source_line"] for row in rows), *(one["source_line"] for one in lost)}) != read:
        yield "two rows of one line"
    if any(one["reason"] not in REASONS or not one["expected"] for one in entries):
        yield "a reason that is none"
    found = {row["inspection_id"]: [row[field] for field in FIELDS.values()] for row in rows}
    for i, row in enumerate(clean):
        if i != r and found.pop(row[0], None) != row:
            yield f"row {i} is lost or changed"
    if len(found) > 1:
        yield f"{len(found)} rows of one touched row"
    one_row = said(text, form, escapechar="\\") if "backslash" in kind else said(text, form)
    for values in found.values():
        refused = {entry["field"] for entry in entries if entry["extent"] == "cell"}
        for at, (field, value) in enumerate(zip(FIELDS.values(), values, strict=True)):
            texts = {form.rows()[r][at]} | (
                {one_row[at]} if one_row and (at == c or "moved" in kind) else set()
            )
            may = {means(at, one, form) for one in texts}
            if value is None and field not in refused and None not in may:
                yield f"{field} is lost without a word"
            if value is not None and value not in may:
                yield f"{field} is {str(value)[:40]!r}"
    if not found and text.strip(form.separator) and not any(one["raw_text"] or one["field"] for one in lost):
        yield "the text of the row is not kept"


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=() if name == "comma" else pytest.mark.slow) for name in FORMS]
)
def test_damage_stays_in_its_row_from_bytes_to_typed_rows(tmp_path, name):
    path, wrong, count = tmp_path / "export.csv", Counter(), 0
    luck = random.Random(name)
    for _, kind, r, c, data, text in family([name]):
        if luck.randrange(SHARE):
            continue
        path.write_bytes(data)
        count += 1
        for fault in faults(FORMS[name], kind, r, c, text, *intake(path, MAPPINGS[name])):
            wrong[kind, r, c, fault] += 1
    assert count > 30 and not wrong, wrong.most_common(20)


STRUCTURE = [
    kind
    for kind in DAMAGE
    if kind not in ("300 kB", "quote escaped by backslash")
    and "moved" not in kind
    and DAMAGE[kind].__name__ != "damage"
]


@st.composite
def tables(draw):
    """(rows, form): an id, a day, a word, free text, and numbers
    of one to three columns, the last at the end; few rows or many.
    """
    count, numbers = draw(st.integers(4, 16)), draw(st.integers(1, 3))
    form = draw(
        st.sampled_from([FORMS["comma"], FORMS["semicolon, decimal comma"], FORMS["CRLF, all in quotes"]])
    )
    decimals = [draw(st.integers(0, 2)) for _ in range(numbers)]

    def number(places):
        return draw(
            st.sampled_from(
                ["", *(f"{draw(st.integers(1, 150))}.{'5' * places}".rstrip(".") for _ in range(4))]
            )
        )

    text = st.sampled_from(
        ["", "done", "seen, twice", "tank; vent", 'a "good" loop', "60 psi", "3 radiators"]
    )
    rows = [
        [
            f"V-{4100 + 7 * i}",
            f"2024-01-{i + 1:02d}",
            draw(st.sampled_from(["final", "initial"])),
            draw(text),
            *(number(places) for places in decimals),
        ]
        for i in range(count)
    ]
    return [
        [cell.replace(".", form.decimal) if c > 3 else cell for c, cell in enumerate(row)] for row in rows
    ], form


@settings(
    max_examples=6_000 if FULL else 100,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(tables(), st.sampled_from(STRUCTURE), st.data())
def test_any_export_keeps_damage_in_its_row(tmp_path, made, kind, data):
    """Whatever the columns: the rows around a damaged one come
    through, and it itself only as it was or as it now strictly says.
    """
    rows, form = made
    r, c = data.draw(st.integers(0, len(rows) - 1)), data.draw(st.integers(0, len(rows[0]) - 1))
    cells = [form.written(row) for row in rows]
    text = DAMAGE[kind](cells[r], c, form)
    assume(
        kind != "beginning lost" or c < len(rows[0]) - 1
    )  # a cell alone may belong to the row before, which is then in doubt, too
    assume(
        text is not None and text != form.separator.join(cells[r]) and text.strip(form.separator + '"')
    )  # a blank line is no row
    texts = [form.separator.join(row) for row in cells]
    path = tmp_path / "export.csv"
    headings = ["Visit", "Day", "Kind", "Remarks", "Cold P", "Hot P", "Charge"][: len(rows[0])]
    path.write_bytes(
        form.end.join(
            [form.separator.join(form.written(headings)), *texts[:r], text, *texts[r + 1 :], ""]
        ).encode("utf-8", "surrogateescape")
    )
    export = open_export(path)
    got = [
        list(row)
        for batch in export.batches()
        for row in zip(*(column.to_pylist() for column in batch.table.columns), strict=True)
    ]
    around = rows[:r] + rows[r + 1 :]
    assert export.headings == tuple(headings)
    assert [row for row in got if row in around] == around, export.damage
    others = [row for row in got if row not in around]
    assert others in ([], [rows[r]], [said(text, form, len(rows[0]))]), (others, export.damage)
    assert len(export.damage) == (not others), export.damage


@pytest.mark.slow
@pytest.mark.parametrize("name", FORMS if FULL else ["comma"])
def test_a_row_cut_anywhere_with_its_line_end_gives_no_home_that_is_none(tmp_path, name):
    """What is left of a row stands before the next on one line: neither is read under an id made of both."""
    form, path = FORMS[name], tmp_path / "export.csv"
    texts = [form.separator.join(form.written(row)) for row in form.rows()]
    own, made = {row[0] for row in ROWS}, set()
    for r in range(2, 6):
        for k in range(1, len(texts[r])):
            path.write_bytes(form.file([*texts[:r], texts[r][:k] + texts[r + 1], *texts[r + 2 :]]))
            rows, entries, read = intake(path, MAPPINGS[name])
            assert len(rows) + sum(one["extent"] == "row" for one in entries) == read >= len(ROWS) - 2
            made |= {row["inspection_id"] for row in rows} - own
    # One letter of another id before an id of one letter is an id like any other.
    assert len(made) <= 1 and all(len(one) == 1 + len(ROWS[4][0]) for one in made), made


def test_a_first_cell_of_two_is_found_among_many_rows(tmp_path):
    rows = [f"V-{i},{i % 40}" for i in range(1, 30_001)]
    rows[20_000] = "V-2" + rows[20_000]
    path = tmp_path / "export.csv"
    path.write_text("\n".join(["Visit,Cold P", *rows, ""]))
    export = open_export(path)
    assert sum(batch.table.num_rows for batch in export.batches()) == 29_999
    assert [(one.line, one.reason) for one in export.damage] == [(20_002, "row cut off")]


def test_the_family_is_large():
    kinds, places = Counter(), set()
    for name, kind, r, c, _, _ in family(FORMS if FULL else ["comma"]):
        kinds[name, kind] += 1
        places.add((r, c))
    assert places == {(r, c) for r in range(len(ROWS)) for c in range(len(FIELDS))}
    assert {kind for _, kind in kinds} == {*DAMAGE, *CUTS}
    assert sum(kinds.values()) > (10_000 if FULL else 2_000)


@pytest.mark.slow
@pytest.mark.parametrize("name", FORMS)
def test_polluted_copies_in_a_fleet_add_up(tmp_path, name):
    """A part of the copies, each as the export of an agency of
    its own: counts hold and readings are as they were typed.
    """
    fleet, form, luck = Fleet(tmp_path / "fleet").create(), FORMS[name], random.Random(name)
    (fleet.mappings / "polluted.toml").write_text(form.mapping())
    expected, seen = {}, set()
    for at, (_, kind, r, c, data, text) in enumerate(family([name])):
        if (
            kind == "300 kB" or luck.randrange(10 if FULL else 100) or data in seen
        ):  # two kinds may come to the same bytes
            continue
        seen.add(data)
        path = tmp_path / f"copy {at}.csv"
        path.write_bytes(data)
        rows, entries, read = intake(path, MAPPINGS[name])
        assert not list(faults(form, kind, r, c, text, rows, entries, read))
        (arrival,) = door.load(fleet, [path], agency=f"Agency {at}", mapping="polluted")
        if arrival.status == "loaded":
            expected[arrival.file_name] = (
                read,
                sum(one["extent"] == "row" for one in entries),
                sorted(str([row[field] for field in FIELDS.values()]) for row in rows),
            )
        else:
            assert not rows and "no row" in arrival.why, arrival
    snapshot = snapshots.attach(stages.build(fleet))
    counts = snapshot.rows(
        "SELECT file_name, rows_read, rows_kept, rows_not_loaded, rows_repeated, rows_superseded, "
        "agency FROM exports WHERE status = 'loaded'"
    )
    assert len(counts) == len(expected) > 10
    readings = snapshot.rows(f"SELECT agency, {', '.join(FIELDS.values())} FROM readings")
    by_agency = {}
    for agency, *values in readings:
        by_agency.setdefault(agency, []).append(str(values))
    for file_name, read, kept, lost, repeated, superseded, agency in counts:
        assert read == kept + lost + repeated + superseded
        assert (read, lost) == expected[file_name][:2], file_name
        assert sorted(by_agency.get(agency, [])) == expected[file_name][2], file_name
