"""A fleet fed file by file equals one fed the same files in order at once, whatever the files correct."""

import csv
import os
import random
import shutil

import pytest

from pipelines.fleet import equality, snapshots
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.receiving import door, purge
from pipelines.snapshot import stages, version
from tests.conftest import SAMPLES, with_sample_settings


def corrections(folder, seed, files=4):
    """Exports that correct a sample: readings, homes, takers, repeats, two things about one."""
    luck = random.Random(seed)
    with open(SAMPLES / "tillamere-community-partners.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    for number in range(files):
        out = []
        for row in luck.sample(rows, 50):
            row = dict(row)
            change = luck.random()
            if change < 0.3:
                row["cold_pressure_psig"] = str(luck.randint(5, 25))
            elif change < 0.5:
                row["home_id"] = luck.choice(rows)["home_id"]
            elif change < 0.6:
                row["inspector"] = luck.choice(rows)["inspector"]
            if luck.random() < 0.5:
                row["updated_at"] = f"2026-11-0{number + 1}"
            out.append(row)
            if luck.random() < 0.1:
                out.append(dict(row, hot_pressure_psig="33"))
        path = folder / f"correction-{number}.csv"
        with open(path, "w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, fieldnames=list(rows[0]))
            writer.writeheader()
            writer.writerows(out)
        yield path


def fleet_at(path):
    return with_sample_settings(Fleet(path))


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2] if os.environ.get("COLDFILL_FULL") else [1])
def test_fed_in_steps_equals_fed_at_once(tmp_path, seed):
    files = [*sorted(SAMPLES.glob("*.csv")), *corrections(tmp_path, seed)]
    steps, whole = fleet_at(tmp_path / "steps"), fleet_at(tmp_path / "whole")
    for path in files:
        door.load(steps, [path])
        stages.build(steps)
    door.load(whole, files)
    stages.build(whole)
    assert equality.equal(steps.current(), whole.current()) == []
    superseded, lost = snapshots.attach(whole.current()).rows(
        "SELECT sum(rows_superseded), sum(rows_not_loaded) FROM exports"
    )[0]
    assert superseded > 0 and lost > 4  # the corrections did correct, and some said two things


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(20 if os.environ.get("COLDFILL_FULL") else 2))
def test_exports_corrections_remappings_and_purges_in_any_order(tmp_path, seed):
    """What the fleet comes to does not depend on when it was built in between."""
    luck = random.Random(seed)
    files = [SAMPLES / "tillamere-community-partners.csv", *corrections(tmp_path, 100 + seed, files=3)]
    headings = files[0].read_text(encoding="utf-8").splitlines()[0].split(",")
    without = luck.choice(["hot_pressure_psig", "relief_signs", "crew", "job_number"])
    columns = "".join(f'[columns."{name}"]\nfield = "{name}"\n' for name in headings if name != without)
    sequence = [("load", files[0], "canonical")]
    for path in files[1:]:  # two mappings fit: where none is named the file is kept out until one is
        sequence += [("load", path, luck.choice(["canonical", "canonical", None]))]
        sequence += (
            [
                (
                    "load",
                    luck.choice(files[: files.index(path) + 1]),
                    luck.choice(["fewer-columns", "canonical"]),
                )
            ]
            if luck.random() < 0.7
            else []
        )
    sequence += (
        [("purge", files[luck.randrange(1, len(files))], None)]
        if luck.random() < 0.5
        else [("load", files[0], "fewer-columns")]
    )
    found = []
    for name, build_each in (("steps", True), ("whole", False)):
        fleet = fleet_at(tmp_path / name)
        (fleet.mappings / "fewer-columns.toml").write_text(columns, encoding="utf-8")
        for what, path, mapping in sequence:
            if what == "purge":
                stored = next(one for one in reversed(fleet.received()) if one.file_name == path.name)
                purge.commit(fleet, stored.sha256, why="a test")
            else:
                door.load(fleet, [path], mapping=mapping)
            if build_each:
                stages.build(fleet)
        found.append(stages.build(fleet))
    assert equality.equal(*found) == []
    assert snapshots.attach(found[1]).rows("SELECT count(*) FROM readings")[0][0] > 100


def test_an_unchanged_fleet_publishes_nothing(sample_fleet):
    before = sample_fleet.snapshots()
    assert stages.build(sample_fleet) == before[-1] and sample_fleet.snapshots() == before


@pytest.mark.slow
def test_a_new_mapping_that_nothing_rests_on_leaves_the_rest_as_it_is(tmp_path, monkeypatch):
    """Only a mapping that a loaded export is read with is a reason to work everything out anew."""
    steps, whole = fleet_at(tmp_path / "steps"), fleet_at(tmp_path / "whole")
    new = tmp_path / "new.csv"
    new.write_text("Visit,House,Day,Cold\n1,H,2025-03-04,12\n")
    text = "agency = 'Alder County'\n" + "".join(
        f"[columns.{heading}]\nfield = '{field}'\n"
        for heading, field in (
            ("Visit", "inspection_id"),
            ("House", "home_id"),
            ("Day", "inspected_on"),
            ("Cold", "cold_pressure_psig"),
        )
    )
    door.load(steps, [SAMPLES / "hollin-peaks-home-repair.csv"])
    stages.build(steps)
    made_whole, fill = [], stages.fill
    monkeypatch.setattr(stages, "fill", lambda *given: made_whole.append(1) or fill(*given))
    (steps.mappings / "own.toml").write_text(text)
    door.load(steps, [new])
    stages.build(steps)
    assert not made_whole
    (whole.mappings / "own.toml").write_text(text)
    door.load(whole, [SAMPLES / "hollin-peaks-home-repair.csv", new])
    assert equality.equal(steps.current(), stages.build(whole)) == [] and len(made_whole) == 1
    (steps.mappings / "own.toml").write_text(text.replace("Alder", "Birch") + "unit = 'bar'\n")
    stages.build(steps)
    assert len(made_whole) == 2


@pytest.mark.slow
def test_an_old_state_is_remade_from_the_texts_that_were_kept(tmp_path):
    """Policy, places and a mapping change from load to load; the first comes back equal without them."""
    fleet = fleet_at(tmp_path / "fleet")
    export = tmp_path / "spring.csv"
    export.write_text("Visit,House,Day,Static\n1,H-1,2025-03-04,0.8\n2,H-2,2025-03-05,12\n")
    columns = "".join(
        f'[columns."{heading}"]\nfield = "{field}"\n'
        for heading, field in (
            ("Visit", "inspection_id"),
            ("House", "home_id"),
            ("Day", "inspected_on"),
            ("Static", "cold_pressure_psig"),
        )
    )
    mapping = fleet.mappings / "spring.toml"

    def state(margin, unit):
        fleet.policy.write_text(f'[limits.charge_tolerance_psi]\nvalue = {margin}\nwhy = "our gauges"\n')
        mapping.write_text(f'agency = "Alder"\n{columns}unit = "{unit}"\n')
        door.load(fleet, [SAMPLES / "tillamere-community-partners.csv", export])
        return stages.build(fleet)

    first = state(1.5, "psi")
    kept = tmp_path / "kept" / first.name
    kept.parent.mkdir()
    shutil.copyfile(first, kept)
    second = state(4.0, "bar")
    assert equality.equal(kept, second)
    first.unlink()
    fleet.places.unlink()
    fleet.policy.unlink()
    remade = stages.rebuild_state(fleet, 1).path
    assert remade.name == kept.name and equality.equal(remade, kept) == []
    assert fleet.current() == second and fleet.current().name == second.name


def test_an_old_state_whose_text_is_gone_says_so(tmp_path):
    fleet = fleet_at(tmp_path / "fleet")
    fleet.policy.write_text("[limits.charge_tolerance_psi]\nvalue = 1.5\n")
    first = stages.build(fleet)
    fleet.policy.unlink()
    stages.build(fleet)
    first.unlink()
    gone = fleet.state_of(first).inputs["policy.toml"]
    (fleet.inputs / gone).unlink()
    with pytest.raises(FleetError, match=gone):
        stages.rebuild_state(fleet, 1)


def test_a_snapshot_of_another_version_is_named_and_made_anew(tmp_path, monkeypatch):
    """After an update pages and lists say what to do; the next load or rebuild makes all of it again."""
    fleet = Fleet(tmp_path / "fleet").create()
    door.load(fleet, [SAMPLES / "tillamere-community-partners.csv"])
    with monkeypatch.context() as before:
        before.setattr(version, "code_version", lambda: "0.0.1")
        old = stages.build(fleet)
    with pytest.raises(
        FleetError, match="made by version 0.0.1 of the pipeline, this is .*: run coldfill rebuild"
    ):
        version.attach(old)
    new = stages.build(fleet)
    assert new != old and version.attach(new).rows("SELECT count(*) > 0 FROM homes") == [(True,)]
