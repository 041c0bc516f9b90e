"""Append-only logs, seen through received.csv: what is written comes back, what was torn never happened."""

import hashlib
import os
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.fleet import logs
from pipelines.fleet.folder import Fleet, LogLine
from pipelines.fleet.logs import FleetError, Log

FULL = os.environ.get("COLDFILL_FULL") == "1"
A, B, C = (hashlib.sha256(letter.encode()).hexdigest() for letter in "ABC")


@pytest.fixture
def fleet(tmp_path):
    return Fleet(tmp_path / "fleet").create()


def line(sha256=A, status="loaded", **cells):
    return LogLine(
        **{"sha256": sha256, "sha256_received": sha256, "file_name": "a.csv", "status": status, **cells}
    )


def test_lines_come_back_numbered_and_as_written(fleet):
    first = fleet.append([line(A, file_name='one, "two".csv', why="kept\r\nas\x00is"), line(B, "kept out")])
    second = fleet.append([line(A, "purged", when="2026-01-02T03:04:05Z")])
    assert fleet.log() == first + second
    assert [each.number for each in fleet.log()] == [1, 2, 3]
    assert fleet.log()[0].file_name == 'one, "two".csv'
    assert fleet.log()[0].why == "kept as is"
    assert fleet.log()[2].when == "2026-01-02T03:04:05Z"
    assert (fleet.path / "received.csv").read_bytes().count(b"\n") == 4


def test_nothing_appended_writes_nothing(fleet):
    assert fleet.append([]) == ()
    assert not (fleet.path / "received.csv").exists()


@settings(
    max_examples=300 if FULL else 60,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.lists(st.tuples(st.text(max_size=20), st.text(max_size=20)), min_size=1, max_size=5))
def test_any_text_is_one_physical_line_and_comes_back(tmp_path, rows):
    log = Log(tmp_path / f"{time.monotonic_ns()}.csv", ("who", "why"))
    for who, why in rows:
        log.append([{"who": who, "why": why}])
    assert log.read() == [{"who": logs.clean(who), "why": logs.clean(why)} for who, why in rows]
    assert log.path.read_bytes().count(b"\n") == len(rows) + 1


def test_file_name_that_is_not_utf8_is_logged(fleet):
    fleet.append([line(file_name=os.fsdecode(b"caf\xe9.csv"))])
    assert fleet.log()[0].file_name == "caf\\udce9.csv"


def test_line_too_long_to_be_read_again_is_refused(fleet):
    with pytest.raises(FleetError, match="received.csv.*characters"):
        fleet.append([line(why="x" * 200_000)])
    assert fleet.log() == ()


def test_torn_last_line_never_happened_wherever_it_was_torn(fleet):
    path = fleet.path / "received.csv"
    fleet.append([line(A)])
    whole = path.read_bytes()
    fleet.append([line(B, file_name='quo"té, name.csv', why="because")])
    both = path.read_bytes()
    for length in range(len(whole), len(both)):
        path.write_bytes(both[:length])
        assert [each.sha256 for each in fleet.log()] == [A]
    for length in (len(whole), len(whole) + 1, (len(whole) + len(both)) // 2, len(both) - 1):
        path.write_bytes(both[:length])
        fleet.append([line(C)])
        assert [(each.number, each.sha256) for each in fleet.log()] == [(1, A), (2, C)]


def test_torn_headings_never_happened(fleet):
    path = fleet.path / "received.csv"
    fleet.append([line(A)])
    headings = path.read_bytes().split(b"\n")[0]
    for length in (0, 1, len(headings) // 2, len(headings)):
        path.write_bytes(headings[:length])
        assert fleet.log() == ()
        fleet.append([line(B)])
        assert [each.sha256 for each in fleet.log()] == [B]


def test_torn_tail_longer_than_one_block_is_cut_off(fleet):
    path = fleet.path / "received.csv"
    fleet.append([line(A)])
    with path.open("ab") as file:
        file.write(b"2," + b"x" * 200_000)
    fleet.append([line(B)])
    assert [(each.number, each.sha256) for each in fleet.log()] == [(1, A), (2, B)]


@pytest.mark.parametrize(
    "change, damaged_line, why",
    [
        (lambda lines: lines[:1] + [b""] + lines[1:], 2, "0 cells"),
        (lambda lines: lines[:2] + [lines[2] + b",more"] + lines[3:], 3, "14 cells instead of 13"),
        (lambda lines: lines[:2] + lines[3:], 3, "its number is '3', not 2"),
        (lambda lines: lines[:2] + [lines[2].replace(b"loaded", b"fine")] + lines[3:], 3, "status 'fine'"),
        (lambda lines: lines[:2] + [lines[2].replace(b"a.csv", b"b.csv")] + lines[3:], 3, "not the line"),
        (lambda lines: lines[:1] + [lines[1].replace(b"Z", b"")] + lines[2:], 2, "not the line"),
        (lambda lines: lines[:2] + [lines[2].replace(B.encode(), b"abc")] + lines[3:], 3, "sha256 'abc'"),
        (lambda lines: lines[:2] + [lines[2].replace(b"a.csv", b'"a.csv')] + lines[3:], 3, "quote"),
        (lambda lines: lines[:3] + [lines[3].replace(b"a.csv", b"\xff.csv")] + lines[4:], 4, "UTF-8"),
        (lambda lines: [b"number,when"] + lines[1:], 1, "headings should be number,when,sha256"),
    ],
)
def test_damaged_line_is_named_and_stops_the_log(fleet, change, damaged_line, why):
    path = fleet.path / "received.csv"
    fleet.append([line(A), line(B), line(C)])
    path.write_bytes(b"\n".join(change(path.read_bytes().split(b"\n"))))
    before = path.read_bytes()
    for act in (fleet.log, fleet.received, lambda: fleet.append([line(A)])):
        with pytest.raises(FleetError, match=f"received.csv, line {damaged_line}, is damaged.*{why}"):
            act()
    assert path.read_bytes() == before


def test_log_saved_by_a_spreadsheet_still_reads(fleet):
    path = fleet.path / "received.csv"
    fleet.append([line(A), line(B)])
    log = fleet.log()
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    assert fleet.log() == log
    fleet.append([line(C)])
    assert [each.number for each in fleet.log()] == [1, 2, 3]


def test_wrong_line_is_not_written(fleet):
    for wrong in (line("not a hash"), line(status="fine")):
        with pytest.raises(ValueError):
            fleet.append([line(), wrong])
    assert fleet.log() == ()
