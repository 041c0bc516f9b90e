"""The re-inspection sample: who counts, what is required, the draw made again by hand, what it tells."""

import hashlib
import io
import itertools
import json
import math
import shutil
import subprocess
import sys
from datetime import date
from html import unescape

import numpy as np
import openpyxl
import pypdf
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.answers import reinspections, sample_sheet, sampled
from pipelines.answers.access import EVERYTHING, Filters, ListError, Viewer
from pipelines.audit import drawing
from pipelines.fleet import proof, samples
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.receiving import purge
from pipelines.snapshot import stages
from pipelines.snapshot.version import attach
from tests.inspections import SOUND, agency_of, loaded, snapshot_of, snapshot_of_cases
from tests.small_exports import run

ALDER, BIRCH = "Alder County", "Birch Valley"
DAY = date(2026, 8, 1)
NOBODY = Viewer(personal=False)


def visit(number, home, kind="final", day="2026-02-05", **changes):
    return SOUND | {
        "agency": ALDER,
        "inspection_id": number,
        "home_id": home,
        "inspected_on": day,
        "inspection_kind": kind,
        "crew": "Crew 1",
        "inspector": "A. B.",
        "inspector_role": "qci",
        "job_number": f"J-{home}",
        "address": f"{number} Elm Lane",
        **changes,
    }


def finals(count, crew="Crew 1", agency=ALDER, begin=0):
    return [
        visit(f"{agency}-{begin + n}", f"H-{begin + n:04}", crew=crew, agency=agency) for n in range(count)
    ]


def fleet_of(folder, *files):
    fleet = Fleet(folder / "fleet").create()
    for _ in loaded(fleet, folder, files):
        pass
    stages.build(fleet)
    return fleet


@pytest.fixture(scope="module")
def thirty(tmp_path_factory):
    """A built fleet of thirty finals, which no test changes."""
    return fleet_of(tmp_path_factory.mktemp("thirty"), finals(30))


@pytest.fixture
def fleet(thirty, tmp_path):
    """A copy of it."""
    return Fleet(shutil.copytree(thirty.path, tmp_path / "fleet"))


def asked(rule=reinspections.NUMBER, amount=5, seed=11, agencies=(), year=2025):
    return reinspections.Asked(agencies, year, rule, amount, seed)


def drawn(snapshot, **question):
    return reinspections.sample(EVERYTHING, snapshot, asked(**question), DAY)


# ---- who counts, and how many are required


def units_by_hand(rows, begins=(7, 1)):
    """Units by (agency, home, system, job), told visit by visit, for rows in the order of visits."""
    jobs = {}
    for row in rows:
        if row["job_number"]:
            jobs.setdefault((row["agency"], row["home_id"], row["system_id"]), set()).add(row["job_number"])
    found = {}
    for row in rows:
        own = jobs.get((row["agency"], row["home_id"], row["system_id"]), set())
        job = row["job_number"] or (min(own) if len(own) == 1 else "")
        key = row["agency"], row["home_id"], row["system_id"], job
        found.setdefault(key, []).append(row)
    units = {}
    for key, visits in found.items():
        of_kind = {
            kind: [one for one in visits if one["inspection_kind"] == kind]
            for kind in ("initial", "final", "qa")
        }
        completed = max((one["completed_on"] for one in visits if one["completed_on"]), default=None)
        if not of_kind["final"] and completed is None:
            continue
        last = of_kind["final"][-1] if of_kind["final"] else None
        since = of_kind["final"][0]["inspected_on"] if last else completed
        by_chance = [one for one in of_kind["qa"] if one["qa_reason"] != "for_cause"]
        again = next((one["inspected_on"] for one in by_chance if one["inspected_on"] >= since), None)
        own_final = False
        if last:
            by, role = (last["inspector"] or "").strip().lower(), last["inspector_role"]
            audited = {(one["inspector"] or "").strip().lower() for one in of_kind["initial"]} - {""}
            crew = (last["crew"] or "").strip().lower()
            own_final = role in ("crew", "contractor") or (by != "" and (by == crew or by in audited))
            own_final = own_final or (by == "" and role not in ("qci", "monitor"))
        day = completed or last["inspected_on"]
        units[key] = (
            last["inspected_on"] if last else None,
            own_final,
            again,
            len(of_kind["qa"]) - len(by_chance),
            day.year - ((day.month, day.day) < begins),
        )
    return units


def test_units_are_those_that_a_loop_over_visits_tells(sample_snapshot):
    names = (
        *("agency", "home_id", "system_id", "job_number", "inspection_kind", "inspected_on", "completed_on"),
        *("inspector", "inspector_role", "crew", "qa_reason"),
    )
    rows = sample_snapshot.rows("""
        SELECT j.agency, j.home_id, j.system_id, nullif(j.job_number, ''), r.inspection_kind, r.inspected_on,
               r.completed_on, r.inspector, r.inspector_role, j.crew, r.qa_reason
        FROM judged AS j
        JOIN readings AS r USING (agency, inspection_id)
        ORDER BY j.rowid""")
    by_hand = units_by_hand([dict(zip(names, row, strict=True)) for row in rows])
    made = sample_snapshot.rows(
        "SELECT agency, home_id, system_id, job_number, final_on, own_final, again_on, for_cause, "
        "program_year FROM program_units"
    )
    assert {row[:4]: row[4:] for row in made} == by_hand and len(made) > 1_000


OWN = (
    ({}, False),
    ({"inspector_role": "crew"}, True),
    ({"inspector_role": "contractor"}, True),
    ({"inspector": "crew 1"}, True),
    ({"inspector": "a. b."}, False),
    ({"inspector": "C. D."}, True),  # audited the unit
    ({"inspector": None, "inspector_role": None}, True),  # nobody can tell
    ({"inspector": None}, False),  # somebody else's role
    ({"inspector": "E. F.", "inspector_role": None}, False),
)


@pytest.fixture(scope="module")
def audited(tmp_path_factory):
    audit = visit(1, "H", "initial", "2025-12-01", inspector="C. D.", inspector_role="auditor")
    cases = [[audit, visit(2, "H", **changes)] for changes, _ in OWN]
    return snapshot_of_cases(tmp_path_factory.mktemp("audited"), cases)


@pytest.mark.parametrize(("case", "own"), [(case, own) for case, (_, own) in enumerate(OWN)])
def test_whose_final_is_independent(audited, case, own):
    asked = "SELECT own_final FROM program_units WHERE agency = ?"
    assert audited.rows(asked, [agency_of(case)]) == [(own,)]


MORE = (
    ([], None),
    ([visit(9, "H", "qa", "2026-03-01", qa_reason="sample")], "2026-03-01"),
    ([visit(9, "H", "qa", "2026-03-01")], "2026-03-01"),
    ([visit(9, "H", "qa", "2026-03-01", qa_reason="for_cause")], None),
    ([visit(9, "H", "qa", "2026-01-01", qa_reason="sample")], None),  # before the final
    ([visit(9, "H", "qa", "2026-03-01", job_number=None)], "2026-03-01"),
    ([visit(9, "H", "qa", "2026-03-01", job_number="J-other")], None),
    ([visit(9, "H", "service", "2026-03-01")], None),
)


@pytest.fixture(scope="module")
def visited_again(tmp_path_factory):
    cases = [[visit(1, "H"), *more] for more, _ in MORE]
    return snapshot_of_cases(tmp_path_factory.mktemp("again"), cases)


@pytest.mark.parametrize(("case", "again"), [(case, again) for case, (_, again) in enumerate(MORE)])
def test_what_counts_as_a_sample_re_inspection(visited_again, case, again):
    asked = "SELECT again_on FROM program_units WHERE agency = ? AND final_on IS NOT NULL"
    found = visited_again.rows(asked, [agency_of(case)])
    assert found == [(date.fromisoformat(again) if again else None,)]


def test_a_unit_is_of_the_year_in_which_it_was_completed(tmp_path):
    rows = [
        visit(1, "A", day="2026-07-01"),
        visit(2, "B", day="2026-06-30"),
        visit(3, "C", day="2026-07-20", completed_on="2026-06-29"),
        visit(4, "D", "service", day="2026-07-20", completed_on="2026-07-19"),
        visit(5, "E", "service", day="2026-07-20"),
    ]
    (tmp_path / "july").mkdir()
    (tmp_path / "october").mkdir()
    year = "SELECT home_id, program_year FROM program_units ORDER BY 1"
    assert snapshot_of(tmp_path / "july", rows).rows(year) == [
        ("A", 2026),
        ("B", 2025),
        ("C", 2025),
        ("D", 2026),
    ]
    policy = "[limits]\nprogram_year_begins_month = 10\nprogram_year_begins_day = 1\n"
    other = snapshot_of(tmp_path / "october", rows, policy=policy)
    assert {year for _, year in other.rows(year)} == {2025}
    assert reinspections.years(EVERYTHING, other) == {2025: "Oct 1, 2025 to Sep 30, 2026"}


def test_required_done_and_short(tmp_path):
    own = [visit(f"own-{n}", f"O-{n}", inspector_role="crew") for n in range(11)]
    again = [visit(f"qa-{n}", f"H-{n:04}", "qa", "2026-03-01", qa_reason="sample") for n in range(2)]
    cause = [visit("cause", "H-0009", "qa", "2026-03-01", qa_reason="for_cause")]
    snapshot = snapshot_of(tmp_path, finals(60) + own + again + cause + finals(1, agency=BIRCH))
    found = reinspections.required(EVERYTHING, snapshot, Filters())
    assert found.to_dict("records") == [
        {
            **{"agency": ALDER, "program_year": 2025, "units": 71, "finals": 71, "own_finals": 11},
            **{"required": 5, "done": 2, "for_cause": 1, "in_frame": 69, "short": 3},  # 0.05 · 60 + 0.1 · 11
        },
        {
            **{"agency": BIRCH, "program_year": 2025, "units": 1, "finals": 1, "own_finals": 0},
            **{"required": 1, "done": 0, "for_cause": 0, "in_frame": 1, "short": 1},
        },
    ]
    share = drawn(snapshot, rule=reinspections.SHARE)
    assert [(one["agency"], one["alternate"]) for one in share["homes"]].count((ALDER, False)) == 3
    assert share["size"] == 4 and "2 done of 5 required, 3 drawn" in share["why"]
    for counted in reinspections.COUNTED:
        units = reinspections.units(EVERYTHING, snapshot, ALDER, 2025, counted)
        assert len(units) == found.loc[0, counted], counted
    mine = Viewer(agencies=(BIRCH,))
    assert list(reinspections.required(mine, snapshot, Filters())["agency"]) == [BIRCH]
    assert reinspections.sample(mine, snapshot, asked(amount=1), DAY)["agencies"] == [BIRCH]


# ---- the draw


def test_the_draw_is_made_again_by_hand_from_what_was_kept(sample_fleet, sample_snapshot):
    """A loop of its own over readings and hashes, which knows the document and nothing of the draw's code."""
    document = json.loads(json.dumps(drawn(sample_snapshot, amount=60, seed=20260801)))
    rows = sample_snapshot.rows("""
        SELECT agency, home_id, system_id, job_number, crew
        FROM program_units
        WHERE program_year = 2025 AND final_on IS NOT NULL AND again_on IS NULL""")
    frame = sorted(tuple(text or "" for text in row) for row in rows)
    lines = "".join("\t".join(row) + "\n" for row in frame)
    assert document["frame"] == {"units": len(frame), "sha256": hashlib.sha256(lines.encode()).hexdigest()}
    crews = {}
    for row in frame:
        text = "20260801\n" + "\n".join(row[:4])
        crews.setdefault((row[0], row[4]), []).append((hashlib.sha256(text.encode()).hexdigest(), row))
    assert len(crews) == len(document["strata"]) == 17
    for (agency, crew), stratum in zip(sorted(crews), document["strata"], strict=True):
        in_order = [row for _, row in sorted(crews[agency, crew])]
        homes = [one for one in document["homes"] if (one["agency"], one["crew"] or "") == (agency, crew)]
        taken = [one for one in homes if not one["alternate"]]
        assert [tuple(one[name] for name in samples.UNIT) for one in homes] == [
            row[:4] for row in in_order[: len(homes)]
        ]
        assert [one["order"] for one in taken] == list(range(1, stratum["drawn"] + 1))
        assert stratum["units"] == len(in_order)
        assert {one["weight"] for one in homes} == {round(len(in_order) / len(taken), 6)}
        assert abs(stratum["drawn"] - 60 * len(in_order) / len(frame)) < 1
    assert sum(one["drawn"] for one in document["strata"]) == document["size"] == 60
    assert drawn(sample_snapshot, amount=60, seed=20260801) == document
    assert drawn(sample_snapshot, amount=60, seed=20260802)["homes"] != document["homes"]


def test_published_discovery_sizes_through_the_command(tmp_path):
    """Hypergeometric, a tenth bad, 95 %: trade check values; no unit is left out where all must be seen."""
    sizes = {20: 16, 30: 19, 40: 21, 50: 22, 60: 23, 100: 25, 200: 27}
    fleet = fleet_of(tmp_path, [row for count in sizes for row in finals(count, agency=f"Of {count}")])
    for count, size in sizes.items():
        done = run(fleet, "sample", "--agency", f"of {count}", "--discover", 10, "--seed", 3, "--json")
        document = json.loads(done.stdout)
        assert (document["frame"]["units"], document["size"]) == (count, size)
        chosen = [one for one in document["homes"] if not one["alternate"]]
        assert len(chosen) == len({one["home_id"] for one in chosen}) == size


def test_a_discovery_sample_of_several_crews_holds_wherever_the_bad_ones_stand():
    keys = [(ALDER, f"Crew {crew}") for crew, count in enumerate((70, 41, 9, 3)) for _ in range(count)]
    bad = 12
    size = drawing.discovery_size(keys, bad)
    _, stratum = drawing.strata_of(keys, size)
    sizes = np.bincount(stratum)

    def missed(size):
        taken = drawing.allocated(sizes, size)
        return max(
            math.prod(
                math.comb(int(n) - b, int(k)) / math.comb(int(n), int(k))
                for n, k, b in zip(sizes, taken, placed, strict=True)
            )
            for placed in itertools.product(*(range(min(bad, n) + 1) for n in sizes))
            if sum(placed) == bad
        )

    assert missed(size) <= 0.05 < missed(size - 1)


@given(st.lists(st.integers(1, 400), min_size=1, max_size=30), st.data())
def test_shares_are_proportional_and_no_crew_is_left_out(sizes, data):
    size = data.draw(st.integers(len(sizes), sum(sizes)))
    taken = drawing.allocated(np.array(sizes), size)
    quota = np.array(sizes) * size / sum(sizes)
    assert taken.sum() == size and (taken >= 1).all() and (taken <= sizes).all()
    assert (taken[quota >= 1] - quota[quota >= 1] < 1).all()
    if (quota >= 1).all():
        assert (abs(taken - quota) < 1).all()


def test_fewer_units_than_crews_are_drawn_from_all_of_an_agency(tmp_path):
    rows = [row for crew in range(6) for row in finals(10, crew=f"Crew {crew}", begin=10 * crew)]
    snapshot = snapshot_of(tmp_path, rows + finals(30, agency=BIRCH))
    strata = {size: [one["stratum"] for one in drawn(snapshot, amount=size)["strata"]] for size in (1, 2, 7)}
    assert strata[1] == ["(all agencies)"]
    assert strata[2] == [f"{ALDER}: (all crews)", f"{BIRCH}: (all crews)"]
    assert len(strata[7]) == 7 and strata[7][0] == f"{ALDER}: Crew 0"
    for size in (0, 91):
        with pytest.raises(ListError, match="the frame has 90 units"):
            drawn(snapshot, amount=size)
    with pytest.raises(ListError, match="there are: 2025"):
        drawn(snapshot, year=1999)


def test_every_unit_is_drawn_as_often_as_another():
    """Over seeds, each of 30 units of two crews comes up 12 times in 30, within what chance gives."""
    keys = [(ALDER, f"H-{n}", "", "") for n in range(30)]
    stratum = np.arange(30) % 2
    count = np.zeros(30)
    for seed in range(600):
        numbers = [drawing.number_of(seed, key) for key in keys]
        found = drawing.draw(numbers, stratum, drawing.allocated(np.bincount(stratum), 12))
        count[found.unit[~found.alternate]] += 1
    assert count.sum() == 600 * 12 and (abs(count - 240) < 4 * math.sqrt(600 * 0.4 * 0.6)).all()


# ---- what is kept


def kept(fleet):
    return sorted(path.name for path in fleet.samples.iterdir())


def test_a_draw_is_kept_once_and_never_changed(fleet):
    first = run(fleet, "sample", "--size", 5, "--seed", 8)
    assert first.exit_code == 0 and "5 of 30 units, each stands for 6" in first.stdout
    names = kept(fleet)
    before = (fleet.samples / names[0]).read_bytes()
    run(fleet, "sample", "--size", 5, "--seed", 8)
    assert kept(fleet) == names and (fleet.samples / names[0]).read_bytes() == before
    for _ in range(2):
        assert "seed " in run(fleet, "sample", "--size", 5).stdout
    assert len(kept(fleet)) == 3
    assert (fleet.samples / names[0]).stat().st_mode & 0o777 == 0o400
    assert proof.faults(fleet) == []


@pytest.mark.parametrize(
    "words",
    [
        ("--share", "--size", 3),
        ("--size", 3, "--sample", "x"),
        ("--replace", "H-0001"),
        ("--why", "no reason to"),
        ("--replace", "H-0001", "--why", "  "),
        ("--discover", 0),
        ("--discover", 101),
        ("--size", 0),
        ("--size", 31),
        ("--seed", -1),
        ("--agency", "Nowhere"),
        ("--year", 1990),
        ("--out", "sample.docx"),
    ],
)
def test_what_cannot_be_meant_is_refused_and_draws_nothing(thirty, words):
    assert run(thirty, "sample", *words).exit_code == 2
    assert not thirty.samples.exists() or kept(thirty) == []


def test_a_home_is_replaced_by_the_next_alternate_of_its_crew(tmp_path):
    rows = finals(20) + finals(20, crew="Crew 2", begin=20)
    fleet = fleet_of(tmp_path, rows)
    name = json.loads(run(fleet, "sample", "--size", 4, "--seed", 5, "--json").stdout)["sample"]
    before = samples.sample_called(fleet, name)
    first, second = before.to_visit[0], before.to_visit[1]
    own = [one for one in before.alternates if one["stratum"] == first["stratum"]]
    done = run(fleet, "sample", "--replace", first["home_id"], "--why", "moved away", "--by", "M. N.")
    assert done.exit_code == 0 and "moved away" in done.stdout
    after = samples.sample_called(fleet, name)
    assert after.to_visit == [own[0], *before.to_visit[1:]] and after.drawn == before.drawn
    assert after.replacements[0]["why"] == "moved away" and after.replacements[0]["by_whom"] == "M. N."
    run(fleet, "sample", "--replace", own[0]["home_id"], "--why", "nobody home")
    assert samples.sample_called(fleet, name).to_visit[0] == own[1]
    gone = run(fleet, "sample", "--sample", name, "--replace", second["home_id"], "--why", "locked")
    assert gone.exit_code == 1 and "no alternate left" in gone.stderr
    again = run(fleet, "sample", "--replace", first["home_id"], "--why", "once more")
    assert again.exit_code == 1 and len(kept(fleet)) == 3
    with pytest.raises(FleetError, match="needs a reason"):
        samples.replace_home(fleet, name, ALDER, second["home_id"], " ")


def test_both_systems_of_a_home_are_replaced_and_by_another_home(tmp_path):
    rows = [
        visit(f"{home}-{system}", f"H-{home}", system_id=system)
        for home in range(6)
        for system in ("east", "west")
    ]
    fleet = fleet_of(tmp_path, rows)
    document = drawn(attach(fleet.current()), amount=9, seed=1)
    name = samples.keep_sample(fleet, document).stem
    before = samples.sample_called(fleet, name)
    counts = [one["home_id"] for one in before.to_visit]
    home = next(one for one in counts if counts.count(one) == 2)
    with pytest.raises(FleetError, match="no alternate left"):  # the fourth alternate would be needed
        for _ in range(4):
            samples.replace_home(fleet, name, ALDER, home, "refused")
            left = samples.sample_called(fleet, name)
            assert home not in {one["home_id"] for one in left.to_visit + left.alternates}
            home = left.to_visit[0]["home_id"]


KILLED = """
import os, sys
from pipelines.fleet import private, samples
from pipelines.fleet.folder import Fleet
private.os.rename = lambda *_: os._exit(9)
samples.keep_sample(Fleet(sys.argv[1]), {"drawn_on": "2026-08-01", "seed": 1, "homes": []})
"""


def test_a_run_killed_before_the_rename_leaves_nothing_half(tmp_path):
    fleet = fleet_of(tmp_path, finals(10))
    assert subprocess.run([sys.executable, "-c", KILLED, str(fleet.path)], check=False).returncode == 9
    assert len(kept(fleet)) == 1 and kept(fleet)[0].startswith(".incoming-")
    assert samples.samples(fleet) == [] and stages.verify(fleet) == []
    samples.keep_sample(fleet, drawn(attach(fleet.current())))
    assert len(samples.samples(fleet)) == 1


def test_verify_names_a_sample_that_was_changed_or_lost(fleet):
    run(fleet, "sample", "--size", 5, "--seed", 8)
    (sample,) = samples.samples(fleet)
    run(fleet, "sample", "--replace", sample.to_visit[0]["home_id"], "--why", "locked")
    assert proof.faults(fleet) == []
    path = fleet.samples / f"{sample.name}.json"
    text = path.read_text(encoding="utf-8")
    path.chmod(0o600)
    path.write_text(text.replace("H-00", "H-99", 1), encoding="utf-8")
    (fault,) = proof.faults(fleet)
    assert path.name in fault and run(fleet, "verify").exit_code == 1
    with pytest.raises(FleetError, match="no sample as it was kept"):
        samples.samples(fleet)
    path.unlink()
    (fault,) = proof.faults(fleet)
    assert sample.name in fault


def test_a_purge_takes_samples_and_replacements_along(fleet):
    run(fleet, "sample", "--size", 5, "--seed", 8)
    (sample,) = samples.samples(fleet)
    run(fleet, "sample", "--replace", sample.to_visit[0]["home_id"], "--why", "locked")
    done = purge.purge(fleet, fleet.received()[0].sha256, "sent by mistake")
    assert kept(fleet) == [] and not done.remaining


# ---- what is handed out


def test_the_sheet_holds_a_page_for_each_unit_and_is_the_same_every_time(fleet):
    snapshot = attach(fleet.current())
    name = samples.keep_sample(fleet, drawn(snapshot)).stem
    sample = samples.sample_called(fleet, name)
    for ending in sample_sheet.ENDINGS:
        twice = [sample_sheet.handed_out(EVERYTHING, snapshot, sample, ending) for _ in range(2)]
        assert twice[0] == twice[1], ending
    pages = [
        page.extract_text()
        for page in pypdf.PdfReader(
            io.BytesIO(sample_sheet.handed_out(EVERYTHING, snapshot, sample, ".pdf"))
        ).pages
    ]
    for home, text in zip(sample.to_visit, pages[-5:], strict=True):
        assert text.startswith(f"Home {home['home_id']}, job J-{home['home_id']}, {ALDER}")
        assert "Elm Lane" in text and "final 2026-02-05 by A. B." in text and "qa" in text
        assert text.index("Cold pressure") < text.index("Hot pressure") < text.index("Precharge")
    assert str(sample.drawn["seed"]) in pages[0] and sample.drawn["frame"]["sha256"] in pages[0]
    book = openpyxl.load_workbook(io.BytesIO(sample_sheet.handed_out(EVERYTHING, snapshot, sample, ".xlsx")))
    assert book.sheetnames == ["sample", "Readings", "About"] and book.active.title == "Readings"
    assert [row[1].value for row in book["sample"].iter_rows(min_row=2, max_row=6)] == [
        home["home_id"] for home in sample.to_visit
    ]
    assert len(book["Readings"].row_breaks.brk) == 4


def test_nothing_personal_reaches_who_may_not_see_it(tmp_path):
    fleet = fleet_of(tmp_path, finals(30) + finals(30, agency=BIRCH))
    snapshot = attach(fleet.current())
    name = samples.keep_sample(fleet, drawn(snapshot, agencies=(ALDER,))).stem
    sample = samples.sample_called(fleet, name)
    samples.replace_home(fleet, name, ALDER, sample.to_visit[0]["home_id"], "Mrs. X. is ill", "M. N.")
    sample = samples.sample_called(fleet, name)
    secrets = ("Elm Lane", "A. B.", "Mrs. X.", "M. N.")
    listed = sample_sheet.sheet(NOBODY, snapshot, sample)
    assert "address" not in listed.rows.column_names and "final_by" not in listed.rows.column_names
    texts = [
        sample_sheet.handed_out(NOBODY, snapshot, sample, ending).decode() for ending in (".csv", ".json")
    ]
    pdf = pypdf.PdfReader(io.BytesIO(sample_sheet.handed_out(NOBODY, snapshot, sample, ".pdf")))
    texts += [page.extract_text() for page in pdf.pages]
    book = openpyxl.load_workbook(io.BytesIO(sample_sheet.handed_out(NOBODY, snapshot, sample, ".xlsx")))
    texts += [str(cell) for page in book for row in page.iter_rows(values_only=True) for cell in row]
    assert not [secret for secret in secrets for text in texts if secret in text]
    assert "Elm Lane" in sample_sheet.handed_out(EVERYTHING, snapshot, sample, ".csv").decode()
    there = samples.samples(fleet)
    assert sampled.seen_by(Viewer(agencies=(BIRCH,)), there) == []
    assert sampled.seen_by(Viewer(agencies=("alder county",)), there) == there


# ---- what it lets one conclude


def re_inspected(sample, **found):
    """Sample visits of the units to visit; `found` are readings of some homes, by home."""
    return [
        visit(
            f"qa-{one['home_id']}", one["home_id"], "qa", "2026-09-01", qa_reason="sample", crew=one["crew"]
        )
        | found.get(one["home_id"].replace("-", "_"), {})
        for one in sample.to_visit
    ]


def come_back(tmp_path, rows, amount, changes, visited=None):
    """Progress of a sample after its visits came back."""
    fleet = fleet_of(tmp_path, rows)
    name = samples.keep_sample(fleet, drawn(attach(fleet.current()), amount=amount)).stem
    sample = samples.sample_called(fleet, name)
    homes = [one["home_id"].replace("-", "_") for one in sample.to_visit]
    found = dict(zip(homes, changes, strict=False))
    back = re_inspected(sample, **found)[:visited]
    (tmp_path / "back").mkdir()
    for _ in loaded(fleet, tmp_path / "back", [back]):
        pass
    snapshot = attach(stages.build(fleet))
    assert stages.verify(fleet) == []  # fed in two steps it equals one made at once
    return sampled.progress(EVERYTHING, snapshot, sample)


DANGER, UNTOLD = {"relief_mounting": "valve_between"}, {"relief_mounting": None}


@pytest.mark.slow
def test_none_found_among_25_of_100_leaves_at_most_9(tmp_path):
    """With 10 bad of 100 a sample of 25 holds one with 95 %: the published size, read the other way."""
    found = come_back(tmp_path, finals(100), 25, [])
    assert (found.visited, found.told, found.dangers) == (25, 25, 0)
    assert found.conclusion[0] == (
        "0 of 25 units with an open danger: with 95 % confidence at most 9 of the 100 units of the frame "
        "(9.0 %) had one."
    )
    assert len(found.conclusion) == 1 and set(found.checks["deficient"]) == {0}


@pytest.mark.slow
def test_what_was_found_not_told_and_not_visited_is_each_said(tmp_path):
    found = come_back(tmp_path, finals(60), 20, [DANGER, UNTOLD, DANGER, UNTOLD, UNTOLD], visited=15)
    assert (found.visited, found.told, found.dangers) == (15, 12, 2)
    most = next(
        bad
        for bad in range(60, 0, -1)
        if sum(math.comb(bad, k) * math.comb(60 - bad, 12 - k) for k in range(3)) / math.comb(60, 12) > 0.05
    )
    assert f"at most {most} of the 60 units" in found.conclusion[0]
    assert found.conclusion[0].startswith("2 of 12 units with an open danger")
    assert found.conclusion[1].startswith("At 3 units visited no danger was found, but not every")
    assert found.conclusion[2].startswith("5 units of the sample not re-inspected yet")
    (check,) = found.checks[found.checks["deficient"] > 0].to_dict("records")
    assert (check["told"], check["deficient"]) == (12, 2)


@pytest.mark.slow
def test_a_crew_not_visited_yet_is_wholly_in_doubt(tmp_path):
    rows = finals(30) + finals(10, crew="Crew 2", begin=30)
    found = come_back(tmp_path, rows, 20, [], visited=15)  # the 15 of the first crew
    assert "at most 10 of" not in found.conclusion[0]
    most = int(found.conclusion[0].split("at most ")[1].split(" of")[0])
    assert most >= 10


@pytest.mark.parametrize(
    ("sizes", "told"), [((8, 5), (4, 2)), ((6, 6, 3), (3, 2, 1)), ((9,), (4,)), ((4, 4), (2, 0))]
)
def test_the_bound_holds_wherever_the_bad_ones_stand(sizes, told):
    def unseen(bad):
        return max(
            (
                math.prod(
                    math.comb(n - b, k) / math.comb(n, k) for n, k, b in zip(sizes, told, placed, strict=True)
                )
                for placed in itertools.product(*(range(n + 1) for n in sizes))
                if sum(placed) == bad
            ),
            default=0.0,
        )

    most = max(bad for bad in range(sum(sizes) + 1) if unseen(bad) > 0.05)
    assert drawing.most_bad_of_strata(sizes, told) == most


@pytest.mark.parametrize("sizes", [(70, 41, 9, 3), (55, 49, 36, 41, 39, 57), (30,) * 10, (200, 20, 20, 5)])
def test_the_bound_holds_95_times_in_100_also_where_some_are_found(sizes):
    """4,000 samples of each fleet with bad units spread evenly, or all with the crews looked at least."""
    luck, sizes = np.random.default_rng(26), np.array(sizes)
    for size in (2 * len(sizes), sizes.sum() // 6):
        taken = drawing.allocated(sizes, size)
        for bad in (3, 8, 15, 25):
            least = np.argsort(taken / sizes)
            filled = np.minimum(sizes[least], np.maximum(bad - np.cumsum(sizes[least]) + sizes[least], 0))
            for placed in (
                drawing.allocated(sizes, bad) if bad >= len(sizes) else None,
                filled[np.argsort(least)],
            ):
                if placed is None:
                    continue
                found = luck.hypergeometric(placed, sizes - placed, taken, (4_000, len(sizes))).sum(axis=1)
                most = {count: sampled.most_in_frame(sizes, taken, count) for count in np.unique(found)}
                held = np.mean([most[count] >= bad for count in found])
                assert held >= 0.95 - 3 * math.sqrt(0.05 * 0.95 / 4_000), (size, bad, placed)


# ---- the page


def test_a_share_that_is_met_is_said_and_no_fault(tmp_path, show):
    again = [visit(f"again-{n}", f"H-{n:04}", "qa", "2026-02-20") for n in range(2)]
    page = show(fleet_of(tmp_path, finals(20) + again), "sample", year="2025")
    texts = "".join(one.proto.body for one in page.get("html"))
    assert "No re-inspection is short of the program's share" in unescape(texts)
    assert 'role="alert"' not in texts and not page.exception


def test_the_page_draws_records_and_replaces(tmp_path, show):
    fleet = fleet_of(tmp_path, finals(60) + finals(40, crew="Crew 2", begin=60))
    page = show(fleet, "sample", year="2025", rule="number")
    assert not page.exception and not fleet.samples.exists()
    page.number_input(key="seed").set_value(77)
    page.number_input(key="units").set_value(6)
    page.run()
    (button,) = [one for one in page.button if one.label.startswith("Draw and record")]
    assert button.label == "Draw and record 6 units"
    button.click().run()
    assert not page.exception
    (sample,) = samples.samples(fleet)
    assert sample.drawn == drawn(attach(fleet.current()), amount=6, seed=77) | {
        "drawn_on": sample.drawn["drawn_on"]
    }
    assert page.selectbox(key="sample").value == sample.name
    assert page.session_state["seed"] != 77
    home = sample.to_visit[0]["home_id"]
    (chosen,) = [one for one in page.selectbox if one.label == "Home"]
    chosen.set_value(f"{home}, {ALDER}")
    next(one for one in page.text_input if one.label.startswith("Why")).set_value("locked")
    next(one for one in page.button if one.label.startswith("Put the next")).click().run()
    assert not page.exception and len(samples.samples(fleet)[0].replacements) == 1


@pytest.mark.slow
@pytest.mark.browser
def test_a_sample_is_drawn_with_a_click_and_handed_out(tmp_path, chromium):
    from tests.test_browser import served, settle

    fleet = fleet_of(tmp_path, finals(40))
    with served(fleet) as place:
        page = chromium.new_page(viewport={"width": 1280, "height": 720})
        page.goto(f"{place}sample?rule=discover")
        settle(page)
        page.get_by_role("button", name="Draw and record 21 units").click()
        page.get_by_text("The sample is recorded").wait_for()
        settle(page)
        (sample,) = samples.samples(fleet)
        with page.expect_download() as saved:
            page.get_by_role("button", name="PDF").click()
        assert len(pypdf.PdfReader(saved.value.path()).pages) >= 22
        assert page.get_by_text("21 units to visit").count() == 1
        page.close()
    assert sample.drawn["size"] == 21
