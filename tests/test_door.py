"""Privacy at the door: columns nobody asked for that look personal are never stored; all else stays true."""

import hashlib
import io
import os

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.intake import strip
from pipelines.intake.encoding import ExportError
from pipelines.intake.reader import open_export
from pipelines.intake.rows import REASONS
from pipelines.receiving import door, kept_uploads
from tests import families
from tests.small_exports import HEADINGS, counts, fed, row, run, stored, text_of, write

FULL = bool(os.environ.get("COLDFILL_FULL"))
SECRET = "Qhzlandra"  # stands for what must not be stored


@pytest.fixture
def fleet(tmp_path):
    return Fleet(tmp_path / "fleet").create()


def with_client(number, name=SECRET, **more):
    return row(number, **more) | {"Client name": name}


# ---- what is dropped


def test_a_personal_column_nobody_uses_is_shown_and_not_stored(fleet, tmp_path):
    path = write(tmp_path / "march.csv", [with_client(1), with_client(2, notes="boiler in the cellar, dry")])
    (arrival,), snapshot = fed(fleet, path)
    assert arrival.status == "loaded"
    assert arrival.dropped == (("Client name", "the heading speaks of a name"),)
    (data,) = stored(fleet).values()
    assert SECRET.encode() not in data and b"Client name" not in data and b"boiler in the cellar, dry" in data
    assert counts(snapshot, 1) == (2, 2, 0, 0, 0)
    (line,) = fleet.log()
    assert (line.dropped_headings, line.sha256, line.sha256_received) == (
        "Client name",
        hashlib.sha256(data).hexdigest(),
        hashlib.sha256(path.read_bytes()).hexdigest(),
    )
    assert snapshot.rows("SELECT dropped_headings, sha256, sha256_received FROM exports") == [
        ("Client name", line.sha256, line.sha256_received)
    ]
    assert snapshot.rows("SELECT count(*) FROM not_loaded")[0][0] == 0


def test_nothing_of_the_column_stands_anywhere_in_the_fleet(fleet, tmp_path):
    rows = [
        with_client(1),
        f'2,H-2,"{SECRET}',
        with_client(3, day="someday"),
        f"Total,{SECRET}",
        with_client(4),
    ]
    path = write(tmp_path / "march.csv", rows)
    run(fleet, "load", path)
    for path in fleet.path.rglob("*"):
        if path.is_file():
            assert SECRET.encode() not in path.read_bytes(), path


@pytest.mark.parametrize(
    ("encoding", "delimiter", "end"),
    families.first(
        2,
        [
            ("windows-1252", ";", "\r\n"),
            ("utf-16", "\t", "\n"),
            ("utf-8", ",", "\n"),
            ("utf-8", "|", "\r\n"),
        ],
    ),
)
def test_what_is_kept_reads_as_it_was_line_for_line(fleet, tmp_path, encoding, delimiter, end):
    notes = ["plain", f'3/4" pipe{delimiter} café', f"two{end}lines", "'in quotes'", "Total", ""]
    rows = [
        with_client(at + 1, notes=text, name=f"{SECRET}{end}second line") for at, text in enumerate(notes)
    ]
    rows[3:3] = [delimiter.join(["9", "H-9", SECRET]), ""]  # too few cells, and a blank line
    path = write(tmp_path / "a.csv", rows, encoding=encoding, delimiter=delimiter, end=end)
    original = open_export(path, mapped_headings=HEADINGS)
    lines = np.concatenate([batch.lines for batch in original.batches()])
    _, snapshot = fed(fleet, path)
    found = snapshot.rows(
        "SELECT inspection_id, coalesce(notes, ''), source_line FROM readings ORDER BY source_line"
    )
    assert found == [
        (str(at + 1), text, int(line)) for at, (text, line) in enumerate(zip(notes, lines, strict=True))
    ]
    lost = snapshot.rows("SELECT source_line, raw_text, reason, expected FROM not_loaded")
    assert lost == [(original.damage[0].line, "", original.damage[0].reason, strip.NOT_KEPT)]
    assert counts(snapshot, 1) == (7, 6, 1, 0, 0)


def test_a_file_without_suspects_is_stored_byte_for_byte(fleet, tmp_path):
    path = write(
        tmp_path / "a.csv",
        [row(1) | {"Printed by": "office"}, "2,x", row(3, notes="é")],
        encoding="windows-1252",
    )
    (arrival,), _ = fed(fleet, path)
    assert arrival.dropped == ()
    assert stored(fleet) == {f"{arrival.sha256}-a.csv": path.read_bytes()}
    assert arrival.sha256 == arrival.sha256_received


def test_a_personal_cell_far_down_the_file_gives_its_column_away(fleet, tmp_path):
    rows = [row(at, notes="") | {"Remark 2": "none"} for at in range(1, 300)]
    rows[250]["Remark 2"] = "call (555) 010-0199 first"
    (arrival,), _ = fed(fleet, write(tmp_path / "a.csv", rows))
    assert arrival.dropped == (("Remark 2", "a cell looks like a telephone number"),)


def test_a_mapping_keeps_what_it_carries_or_reads(fleet, tmp_path):
    base = "\n".join(f'[columns.{name}]\nfield = "{name}"' for name in HEADINGS if name != "notes")
    (fleet.mappings / "own.toml").write_text(
        f'carry = ["Phone"]\n{base}\n[columns."Client name"]\nfield = "notes"\n'
    )
    path = write(
        tmp_path / "a.csv",
        [row(1) | {"Client name": "A. B.", "Phone": "555-010-0199", "E-mail": "a@example.org"}],
        headings=[*HEADINGS[:-1], "Client name", "Phone", "E-mail"],
    )
    (arrival,), snapshot = fed(fleet, path, mapping="own")
    assert [heading for heading, _ in arrival.dropped] == ["E-mail"]
    assert snapshot.rows("SELECT notes, carried FROM readings") == [("A. B.", '{"Phone": "555-010-0199"}')]


def test_a_column_the_mapping_ignores_is_dropped_all_the_same(fleet, tmp_path):
    base = "\n".join(f'[columns.{name}]\nfield = "{name}"' for name in HEADINGS)
    (fleet.mappings / "own.toml").write_text(f'ignore = ["Client name"]\n{base}\n')
    (arrival,), _ = fed(fleet, write(tmp_path / "a.csv", [with_client(1)]), mapping="own")
    assert [heading for heading, _ in arrival.dropped] == ["Client name"]


def test_a_repeated_heading_of_a_used_column_is_kept(fleet, tmp_path):
    headings = [*HEADINGS, "notes"]
    path = tmp_path / "a.csv"
    path.write_text(
        ",".join(headings)
        + "\n1,1,H-1,2025-03-04,initial,hot_water,12,,see a@example.org\n".replace("1,1,", "Alder County,1,")
    )
    (arrival,), snapshot = fed(fleet, path)
    assert arrival.dropped == ()
    assert snapshot.rows("SELECT notes FROM readings") == [("see a@example.org",)]


def test_named_columns_are_kept_on_request(fleet, tmp_path):
    path = write(tmp_path / "a.csv", [with_client(1) | {"Phone": "555-010-0199"}])
    (arrival,), _ = fed(fleet, path, keep_columns=["client  NAME"])
    assert [heading for heading, _ in arrival.dropped] == ["Phone"]
    assert SECRET.encode() in next(iter(stored(fleet).values()))


def test_a_row_with_nothing_but_dropped_cells_is_still_counted(fleet, tmp_path):
    empty = "," * len(HEADINGS) + SECRET
    _, snapshot = fed(fleet, write(tmp_path / "a.csv", [with_client(1), empty, with_client(2)]))
    assert counts(snapshot, 1) == (3, 2, 1, 0, 0)
    assert snapshot.rows("SELECT source_line, reason FROM not_loaded") == [(3, "required field not recorded")]


def test_lines_above_the_headings_and_two_lines_of_headings(fleet, tmp_path):
    body = text_of([with_client(1), with_client(2)]).split("\n", 1)
    units = ",".join(["-"] * 6 + ["psi"] + ["-"] * 2)
    path = tmp_path / "a.csv"
    path.write_text("Inspections of March\n\n" + "\n".join([body[0], units, body[1]]))
    assert open_export(path, mapped_headings=HEADINGS).heading_line == 3
    (arrival,), snapshot = fed(fleet, path)
    assert [heading for heading, _ in arrival.dropped] == ["Client name"]
    assert snapshot.rows("SELECT inspection_id, source_line FROM readings ORDER BY 2") == [("1", 5), ("2", 6)]
    assert (
        next(iter(stored(fleet).values())).decode("utf-8-sig").startswith("Inspections of March\n\nagency,")
    )


def test_guesses_about_the_file_as_it_came_are_not_forgotten(fleet, tmp_path):
    path = write(tmp_path / "a.csv", [with_client(1, notes="café"), with_client(2)], encoding="windows-1252")
    (arrival,), snapshot = fed(fleet, path)
    (guess,) = [remark for remark in arrival.remarks if "guessed" in remark]
    assert snapshot.rows("SELECT reason FROM exports")[0][0].startswith(guess)


def test_a_file_with_no_good_row_to_go_by_is_kept_out_whole(fleet, tmp_path):
    path = write(
        tmp_path / "a.csv", [f"{at},{SECRET}" for at in range(4)], headings=[*HEADINGS, "Client name"]
    )
    (arrival,) = door.load(fleet, [path])
    assert arrival.status == "kept out" and "a.csv" in arrival.why
    assert stored(fleet) == {}


def test_an_export_that_looks_like_a_copy_without_columns_is_read_as_it_is(fleet, tmp_path):
    note = strip._NOTE.format("quote not closed")
    _, snapshot = fed(fleet, write(tmp_path / "a.csv", [row(1), note]))
    assert snapshot.rows("SELECT raw_text, reason FROM not_loaded") == [(note, "totals line")]


def test_every_reason_survives_in_the_copy(tmp_path):
    for reason in REASONS:
        path = write(tmp_path / "a.csv", [row(1), strip._NOTE.format(reason), row(2)])
        export = open_export(path, mapped_headings=HEADINGS)
        assert sum(batch.table.num_rows for batch in export.batches()) == 2
        assert [(one.line, one.text, one.reason) for one in map(strip.noted, export.damage)] == [
            (3, "", reason)
        ]


TEXTS = st.sampled_from(
    [
        "",
        "ok",
        "'quoted'",
        "a\nb",
        "x,y",
        '3/4" pipe',
        'say "hi"',
        "Total",
        "  pad ",
        "=1+1",
        "é°",
        "1,2,3,4,5,6",
        "a\\",
        "\x1a",
    ]
)
NAMES = st.sampled_from(
    [SECRET, f"{SECRET}, J", f"a\n{SECRET}", f'{SECRET} "J"', "", f"{SECRET}\n{SECRET},x"]
)
SPOILED = st.sampled_from(["", "cut", "more", "quote", "total", "headings", "stray", "half", "nul"])


@settings(
    max_examples=3000 if FULL else 120,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    rows=st.lists(st.tuples(TEXTS, NAMES, st.one_of(st.just(""), SPOILED)), max_size=9), at=st.integers(0, 8)
)
def test_copies_without_columns_never_leak_and_read_alike(tmp_path, rows, at):
    """Any damage anywhere: what cannot be kept true is refused, and that only where hardly a row is good."""
    headings = list(HEADINGS)
    headings.insert(at, "Client name")
    lines = [",".join(headings)]
    for number, (notes, name, spoil) in enumerate(rows):
        text = text_of([row(number, notes=notes) | {"Client name": name}], headings).split("\n", 1)[1][:-1]
        lines.append(
            {
                "": text,
                "cut": text.rsplit(",", 1)[0],
                "more": f"{text},x",
                "quote": text.replace(",", ',"', 1),
                "total": f"Total,{SECRET}",
                "headings": lines[0],
                "stray": SECRET,
                "half": text[: len(text) // 2],
                "nul": f"{text}\0",
            }[spoil]
        )
    path, copy = tmp_path / "a.csv", tmp_path / "copy.csv"
    path.write_text("\n".join(lines) + "\n", newline="")

    def reopen(target):
        return open_export(target, mapped_headings=HEADINGS)

    try:
        export = reopen(path)
    except ExportError:
        assume(False)  # no table to anybody
    try:
        strip.write_without(path, export, ["Client name"], copy, reopen)
    except ExportError:
        assert sum(batch.table.num_rows for batch in export.batches()) <= len(export.damage)
        return
    assert SECRET.encode() not in copy.read_bytes()
    before, after = reopen(path), reopen(copy)
    tables = [
        [
            (
                batch.lines.tolist(),
                batch.table.drop_columns(["Client name"]).to_pylist()
                if export is before
                else batch.table.to_pylist(),
            )
            for batch in export.batches()
        ]
        for export in (before, after)
    ]
    blank = {
        line
        for lines, rows in tables[0]
        for line, cells in zip(lines, rows, strict=True)
        if not "".join(cells.values()).strip()
    }
    kept = [
        [
            (line, cells)
            for lines, rows in part
            for line, cells in zip(lines, rows, strict=True)
            if line not in blank
        ]
        for part in tables
    ]
    assert kept[0] == kept[1]
    assert {one.line for one in before.damage} | blank == {one.line for one in after.damage}


# ---- the same bytes again


def test_the_same_bytes_are_recognized_though_a_column_was_dropped(fleet, tmp_path):
    path = write(tmp_path / "a.csv", [with_client(1)])
    _, first = fed(fleet, path)
    (arrival,), second = fed(fleet, path)
    assert arrival.status == "already loaded" and len(fleet.log()) == 1 and second.path == first.path
    renamed = tmp_path / "other name.csv"
    renamed.write_bytes(path.read_bytes())
    assert door.load(fleet, [renamed])[0].status == "already loaded"


def test_a_column_wanted_later_is_taken_from_the_same_bytes_and_they_are_no_newer(fleet, tmp_path):
    old = write(tmp_path / "old.csv", [with_client(1, cold="11"), with_client(2)])
    new = write(tmp_path / "new.csv", [row(1, cold="12")])
    fed(fleet, old)
    fed(fleet, new)
    (arrival,), snapshot = fed(fleet, old, keep_columns=["Client name"])
    assert arrival.status == "loaded" and arrival.dropped == ()
    assert [(one.export_id, one.status, one.dropped_headings) for one in fleet.received()] == [
        (1, "loaded", ""),
        (2, "loaded", ""),
    ]
    assert snapshot.rows("SELECT inspection_id, cold_pressure_psig, export_id FROM readings ORDER BY 1") == [
        ("1", 12.0, 2),
        ("2", 12.0, 1),
    ]
    (again,), _ = fed(fleet, old)  # what was kept is not taken away by a call that says nothing of it
    assert again.status == "already loaded" and len(fleet.log()) == 3


def test_the_stored_copy_sent_in_again_says_nothing_new(fleet, tmp_path):
    fed(fleet, write(tmp_path / "a.csv", [with_client(1), with_client(2)]))
    copy = tmp_path / "copy.csv"
    copy.write_bytes(next(iter(stored(fleet).values())))
    _, snapshot = fed(fleet, copy)
    assert counts(snapshot) == {1: (2, 2, 0, 0, 0), 2: (2, 0, 0, 2, 0)}


# ---- from a browser


@pytest.mark.parametrize(
    "name, own",
    [
        ("März.csv", "März.csv"),
        ("C:\\inbox\\a.csv", "a.csv"),
        ("../../etc/passwd", "passwd"),
        ("..", "_.."),
        ("", "upload.csv"),
    ],
)
@pytest.mark.parametrize("as_file", [False, True])
def test_an_upload_is_a_file_of_its_own_name_for_a_while(fleet, name, own, as_file):
    data = b"a,b\n1,2\n"
    path = kept_uploads.keep_upload(fleet, name, io.BytesIO(data) if as_file else data)
    assert path.name == own and path.read_bytes() == data
    folder = path.parent
    assert folder.stat().st_mode & 0o077 == 0
    kept_uploads.forget_upload(path)
    assert not folder.exists()


def test_an_upload_is_loaded_like_any_file(fleet):
    path = kept_uploads.keep_upload(fleet, "from browser.csv", text_of([with_client(1)]).encode())
    (arrival,), snapshot = fed(fleet, path, by_whom="somebody")
    assert (arrival.file_name, arrival.status, fleet.log()[0].by_whom) == (
        "from browser.csv",
        "loaded",
        "somebody",
    )
    assert counts(snapshot, 1) == (1, 1, 0, 0, 0)


def test_an_upload_beyond_the_limit_is_refused(fleet, monkeypatch):
    monkeypatch.setattr(kept_uploads, "LARGEST_UPLOAD", 3 << 20)
    assert kept_uploads.keep_upload(fleet, "a.csv", io.BytesIO(b"x" * (3 << 20))).stat().st_size == 3 << 20
    with pytest.raises(FleetError, match=r"a\.csv has more than 3 MB.*coldfill load"):
        kept_uploads.keep_upload(fleet, "a.csv", io.BytesIO(b"x" * ((3 << 20) + 1)))
