"""A file from a browser: kept in a private place only as long as
needed, loaded for those agencies only that its viewer may load for.
"""

import os
import stat
import time

import pytest

from pipelines.answers.access import EVERYTHING, Viewer
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError, locked
from pipelines.fleet.snapshots import attach
from pipelines.intake.mapping import MappingError
from pipelines.receiving import door, drafts, kept_uploads, loading
from pipelines.receiving.drafts import Choice
from pipelines.receiving.kept_uploads import UPLOAD_KEPT_S, UPLOADS
from pipelines.receiving.loading import BY_WHOM, Loading, Wanted
from pipelines.snapshot.progress import Progress
from tests.small_exports import counts, fed, row, stored, text_of

ALDER = Viewer(agencies=("Alder County",))
OWN = "Visit,House,Day,Cold\n1,H-1,2025-03-04,12\n2,H-2,2025-03-05,twelve\n"


@pytest.fixture
def fleet(tmp_path):
    return Fleet(tmp_path / "fleet").create()


def uploaded(fleet, text, name="a.csv"):
    return kept_uploads.keep_upload(fleet, name, text.encode())


def brought(viewer, fleet, wanted, progress=None):
    """What came of one file; raises what refused it."""
    came, refused = loading.bring(viewer, fleet, (wanted,), progress)
    for _, error in refused:
        raise error
    return came[0]


def drafted(agency="Alder County", name="own"):
    choices = [
        Choice(*pair)
        for pair in (
            ("Visit", "inspection_id"),
            ("House", "home_id"),
            ("Day", "inspected_on"),
            ("Cold", "cold_pressure_psig"),
        )
    ]
    return drafts.composed(name, choices, agency=agency)


def test_an_upload_lies_where_only_its_owner_looks_and_goes_without_a_trace(fleet):
    path = uploaded(fleet, OWN, "../sp ring.csv")
    assert (
        path.read_text() == OWN and path.name == "sp ring.csv" and path.parent.parent == fleet.path / UPLOADS
    )
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    kept_uploads.forget_upload(path)
    assert not (fleet.path / UPLOADS).exists()
    kept_uploads.forget_upload(path)


def test_an_upload_nobody_took_up_for_a_day_is_removed(fleet):
    old, new = uploaded(fleet, OWN), uploaded(fleet, OWN)
    os.utime(old.parent, (time.time() - UPLOAD_KEPT_S - 60,) * 2)
    kept_uploads.sweep_uploads(fleet)
    assert not old.exists() and new.exists()


def test_an_upload_too_large_leaves_nothing(fleet, monkeypatch):
    monkeypatch.setattr(kept_uploads, "LARGEST_UPLOAD", 10)
    with pytest.raises(FleetError, match="coldfill load"):
        uploaded(fleet, OWN)
    assert not list(fleet.path.glob(f"{UPLOADS}/*"))


def test_a_new_mapping_is_saved_and_its_file_loaded_and_published(fleet):
    path, said = uploaded(fleet, OWN), []
    progress = Progress(say=said.append)
    came = brought(EVERYTHING, fleet, Wanted(path, draft=drafted()), progress)
    assert came.saved == "own" and (
        came.report["rows_read"],
        came.report["rows_kept"],
        came.report["cells_not_loaded"],
        came.report["mapping"],
    ) == (2, 2, 1, "own")
    assert attach(came.snapshot).rows(
        "SELECT agency, home_id, cold_pressure_psig FROM readings ORDER BY home_id"
    ) == [("Alder County", "H-1", 12.0), ("Alder County", "H-2", None)]
    assert said[0] == "saving the mapping" and "recomputing and checking" in said
    assert fleet.log()[0].by_whom == BY_WHOM


def test_nothing_is_written_by_asking_what_would_be_decided(fleet):
    arrival, before = loading.decided(EVERYTHING, fleet, Wanted(uploaded(fleet, text_of([row(1)]))))
    assert (arrival.status, arrival.mapping, before) == ("loaded", "canonical", None)
    assert fleet.log() == () and stored(fleet) == {}
    arrival, _ = loading.decided(EVERYTHING, fleet, Wanted(uploaded(fleet, OWN)))
    assert arrival.status == "kept out" and "no mapping fits" in arrival.why


def test_a_name_that_is_taken_is_not_written_over(fleet):
    loading.save(EVERYTHING, fleet, drafted())
    assert loading.save(EVERYTHING, fleet, drafted()).stem == "own"  # the same text again
    before = {path.name: path.read_bytes() for path in fleet.mappings.iterdir()}
    for name in ("own", "OWN", "canonical"):
        with pytest.raises(MappingError, match="choose another name"):
            loading.save(EVERYTHING, fleet, drafted(agency="Birch County", name=name))
    assert {path.name: path.read_bytes() for path in fleet.mappings.iterdir()} == before


@pytest.mark.parametrize(
    "rows",
    [[row(1), row(2, agency="Birch County")], [row(1, agency="Birch County")], [row(1), row(2, agency="")]],
)
def test_a_viewer_loads_for_their_own_agencies_only(fleet, rows):
    wanted = Wanted(uploaded(fleet, text_of(rows)))
    for ask in (loading.decided, brought):
        with pytest.raises(FleetError, match="you may load for Alder County only"):
            ask(ALDER, fleet, wanted)
    assert fleet.log() == () and stored(fleet) == {}


def test_a_viewer_loads_for_their_own_agency_however_it_is_written(fleet):
    came = brought(ALDER, fleet, Wanted(uploaded(fleet, text_of([row(1, agency="alder  COUNTY")]))))
    assert came.report["rows_kept"] == 1


def test_a_viewer_neither_saves_nor_claims_for_another_agency(fleet, tmp_path):
    with pytest.raises(FleetError, match="you may load for Alder County only"):
        brought(ALDER, fleet, Wanted(uploaded(fleet, OWN), draft=drafted("Birch County")))
    assert not list(fleet.mappings.iterdir())
    loading.save(EVERYTHING, fleet, drafted(""))
    (tmp_path / "b.csv").write_text(OWN)
    fed(fleet, tmp_path / "b.csv", agency="Birch County")
    with pytest.raises(FleetError, match="Birch County: you may"):
        brought(ALDER, fleet, Wanted(uploaded(fleet, OWN), agency="Alder County"))
    assert [line.agency for line in fleet.log()] == ["Birch County"]


def test_a_load_at_work_says_what_it_does_and_forgets_the_upload(fleet):
    path = uploaded(fleet, text_of([row(1), row(2)]))
    work = Loading(EVERYTHING, fleet, (Wanted(path),)).begin()
    assert work.wait(60) and work.error is None and work.brought[0].report["rows_kept"] == 2
    assert not path.exists() and work.said == "done"


def test_a_load_that_fails_keeps_the_upload_and_says_why(fleet):
    path = uploaded(fleet, OWN)
    work = Loading(EVERYTHING, fleet, (Wanted(path),)).begin()
    assert work.wait(60) and work.brought == [] and path.exists()
    ((refused, error),) = work.refused
    assert refused == path and "no mapping fits" in str(error)


def test_several_files_are_loaded_one_after_the_other_and_one_refused_stops_no_other(fleet):
    first, last = uploaded(fleet, text_of([row(1)]), "a.csv"), uploaded(fleet, text_of([row(2)]), "c.csv")
    between = uploaded(fleet, OWN, "b.csv")
    work = Loading(EVERYTHING, fleet, (Wanted(first), Wanted(between), Wanted(last))).begin()
    assert work.wait(60) and work.error is None
    assert [(one.path, one.report["rows_new"]) for one in work.brought] == [(first, 1), (last, 1)]
    assert [path for path, _ in work.refused] == [between]
    assert between.exists() and not first.exists() and not last.exists()
    assert len(fleet.snapshots()) == 1  # published once


def test_an_upload_that_is_being_loaded_is_not_let_go(fleet, monkeypatch):
    path, idle = uploaded(fleet, text_of([row(1)])), uploaded(fleet, OWN)
    with locked(fleet.path / ".load.lock", 0):
        work = Loading(EVERYTHING, fleet, (Wanted(path),)).begin()
        loading.let_go(path)
        loading.let_go(idle)
        assert path.exists() and not idle.exists()
    assert work.wait(60) and work.error is None and not path.exists()


def test_a_second_load_waits_and_says_so(fleet, monkeypatch):
    monkeypatch.setattr(door, "BUILD_WAIT_S", 0.5)
    with locked(fleet.path / ".load.lock", 0):
        work = Loading(EVERYTHING, fleet, (Wanted(uploaded(fleet, text_of([row(1)]))),)).begin()
        assert work.wait(30)
    ((_, error),) = work.refused
    assert "waiting" in work.said and isinstance(error, FleetError) and "Another run has held" in str(error)
    assert work.begin().wait(60) and counts(attach(work.brought[0].snapshot)) == {1: (1, 1, 0, 0, 0)}


@pytest.mark.slow
def test_personal_columns_are_dropped_unless_they_are_chosen(fleet, tmp_path):
    text = text_of([row(1) | {"Phone": "555-010-0199"}])
    kept = brought(EVERYTHING, fleet, Wanted(uploaded(fleet, text), keep=("Phone",)))
    assert kept.report["dropped"] == [] and b"555-010" in next(iter(stored(fleet).values()))
    other = Fleet(tmp_path / "other").create()
    dropped = brought(EVERYTHING, other, Wanted(uploaded(other, text)))
    assert [one["heading"] for one in dropped.report["dropped"]] == ["Phone"] and b"555-010" not in next(
        iter(stored(other).values())
    )
