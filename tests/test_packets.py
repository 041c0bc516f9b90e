"""Work packets: no job lost or twice, sums that agree, what is fitted and set, and the sheets."""

import io
import random
import re
from dataclasses import replace
from datetime import date
from itertools import combinations

import openpyxl
import pypdf
import pytest
from click.testing import CliRunner

from pipelines import cli
from pipelines.answers import jobs, lists, packet_files, packets, packets_pdf, packets_xlsx, targets
from pipelines.answers.access import EVERYTHING, Filters, ListError, Viewer
from pipelines.answers.formats import as_csv
from pipelines.answers.sheet import to_read_after
from pipelines.engine.checks import BY_ID, HOME_CHECKS
from pipelines.engine.policy.measures import Measure
from pipelines.fields import BY_NAME
from pipelines.fleet.decided import Decision
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.receiving.taking import take
from pipelines.retrofit.jobs import Job
from pipelines.retrofit.packets import BETTERED, BY_CODE, ONE_PLACE, SHORTEST, Stop, crew_days
from pipelines.retrofit.whole import Open, all_work, own_work
from pipelines.snapshot.places import coordinates
from tests.inspections import SOUND, snapshot_of

AS_OF = date(2026, 4, 1)
ACT_TODAY = ("--risk-exactly", "act today")
IN_ORDER = {name: value for name, value in SOUND.items() if name in BY_NAME} | {"stated_result": None}
PLACES = b"""agency,postal_code,region,elevation_ft,spread_ft,latitude,longitude
,00101,,500,50,40.0,-75.0
,00102,,500,50,40.0,-75.5
,00103,,500,50,40.0,-76.0
North Aid,00104,,500,50,40.0,-76.5
,00105,,500,50,,
"""


def visit(home_id, **different):
    return IN_ORDER | dict(agency="North Aid", inspection_id=f"V{home_id}", home_id=home_id) | different


def settled(folder):
    """A fleet's folder with a table of places."""
    fleet = Fleet(folder / "fleet").create()
    fleet.places.write_bytes(PLACES)
    return folder


@pytest.fixture(scope="module")
def planted(tmp_path_factory):
    rows = [
        visit("far", precharge_psig=18.0, crew="Crew A", postal_code="00104", address="4 Invented Lane"),
        visit("near", precharge_psig=18.0, crew="Crew A", postal_code="00101"),
        visit("middle", backflow_device="none", crew="Crew A", postal_code="00103", relief_signs="stained"),
        visit("between", backflow_device="none", crew="Crew A", postal_code="00102"),
        visit("unplaced", precharge_psig=18.0, crew="Crew A", postal_code="00105"),
        visit("small", system_volume_gal=100.0, pipe_material="steel", hot_pressure_psig=None, crew=None)
        | dict(boiler_output_btuh=90000),
        *(
            visit("two", inspection_id=f"S{name}", system_id=name, backflow_device="none", crew="Crew B")
            for name in ("East", "West")
        ),
    ]
    return snapshot_of(settled(tmp_path_factory.mktemp("packed")), rows)


@pytest.fixture(scope="module")
def found(planted):
    """Its packets."""
    return packed(planted)


@pytest.fixture(scope="module")
def decided(tmp_path_factory):
    """A fleet of its own to decide in, with names that a spreadsheet could take for formulas."""
    rows = [visit(home, precharge_psig=18.0, crew="=cmd()") for home in ("one", "two", "=1+1")]
    return snapshot_of(tmp_path_factory.mktemp("decided"), rows)


FIX = {
    "precharge-high": "set-charge",
    "backflow-missing": "fit-backflow-preventer",
    "tank-undersized": "replace-tank",
}


def listed(snapshot, viewer=EVERYTHING, as_of=AS_OF, **filters):
    return lists.flagged(viewer, snapshot, Filters(**filters), as_of)


def jobs_of(snapshot, **filters):
    """A job for each system, of the measures in FIX that fit what is open."""
    rows = listed(snapshot, **filters).rows.to_pylist()
    found = {}
    for row in rows:
        if row["check_id"] in FIX:
            found.setdefault((row["agency"], row["home_id"], row["system_id"]), {})[FIX[row["check_id"]]] = (
                None
            )
    return [Job(*key, tuple(measures), 100.0 * len(measures), 2.5) for key, measures in sorted(found.items())]


def packed(snapshot, jobs=None, viewer=EVERYTHING, **filters):
    return packets.packets(viewer, snapshot, jobs or jobs_of(snapshot), listed(snapshot, viewer, **filters))


# ---- days of crews


def stop(number, crew, hours, place=None, code="", act_today=False, agency="A"):
    job = Job(agency, f"H{number}", "", ("set-charge",), 1.0, hours)
    return Stop(agency, f"H{number}", crew, (job,), code, place, act_today)


def test_every_stop_is_on_exactly_one_day_of_its_crew():
    drawn = random.Random(5)
    stops = [
        stop(
            number,
            drawn.choice(("", "Crew 1", "crew 2")),
            drawn.choice((0.5, 2.0, 3.5, 9.0)),
            drawn.choice((None, (40 + drawn.random(), -75 - drawn.random()))),
            drawn.choice(("", "00101", "00102")),
            drawn.random() < 0.2,
            drawn.choice(("A", "B")),
        )
        for number in range(200)
    ]
    found = crew_days(stops, 8.0)
    gone_to = [one for day in found for one in day.stops]
    assert sorted(one.home_id for one in gone_to) == sorted(one.home_id for one in stops)
    for day in found:
        assert {(one.agency, one.crew) for one in day.stops} == {(day.agency, day.crew)}
        assert day.hours == pytest.approx(sum(one.hours for one in day.stops))
        assert day.too_long == (day.hours > 8) and (len(day.stops) == 1 or not day.too_long)
    assert sum(day.hours for day in found) == pytest.approx(sum(one.hours for one in stops))
    names = [(day.agency, day.crew) for day in found]
    assert list(dict.fromkeys(names)) == [
        (agency, crew) for agency in "AB" for crew in ("Crew 1", "crew 2", "")
    ]
    assert crew_days(stops[::-1], 8.0) == found
    for key in set(names):
        days = [day for day in found if (day.agency, day.crew) == key]
        assert [day.number for day in days] == list(range(1, len(days) + 1))
        urgent = [one.act_today for day in days for one in day.stops]
        last = max((day.number for day in days if any(one.act_today for one in day.stops)), default=0)
        before = [one for day in days if day.number < last for one in day.stops]
        assert all(one.act_today for one in before) or not any(urgent)


def test_a_day_goes_the_shortest_way_and_says_how_it_was_found():
    line = [stop(n, "C", 1.0, (40.0, -75.0 - n / 2)) for n in (3, 0, 2, 1)]
    (day,) = crew_days(line, 8.0)
    assert [one.home_id for one in day.stops] in (["H0", "H1", "H2", "H3"], ["H3", "H2", "H1", "H0"])
    assert day.how == SHORTEST and day.miles == pytest.approx(3 * 26.5, rel=0.01)
    (mixed,) = crew_days([*line, stop(9, "C", 1.0, code="00109")], 8.0)
    assert mixed.stops[-1].home_id == "H9" and "1 at the end" in mixed.how and BY_CODE in mixed.how
    (coded,) = crew_days([stop(n, "C", 1.0, code=str(9 - n)) for n in range(3)], 8.0)
    assert [one.postal_code for one in coded.stops] == ["7", "8", "9"] and coded.how == BY_CODE
    assert coded.miles is None
    many = [stop(n, "C", 0.1, (40 + n * 7 % 19 / 10, -75 - n * 5 % 17 / 10)) for n in range(40)]
    assert crew_days(many, 8.0)[0].how == BETTERED
    assert crew_days(line[:1], 8.0)[0].how == ONE_PLACE


# ---- where postal codes lie


def test_coordinates_are_read_from_the_table_of_places():
    found = coordinates(PLACES, "places.csv")
    assert found["", "00102"] == (40.0, -75.5) and ("", "00105") not in found
    assert found["north aid", "00104"] == (40.0, -76.5)


@pytest.mark.parametrize("cells", ["95,-75", "40,", "x,y", "40,-181"])
def test_coordinates_that_cannot_be_used_name_their_line(cells):
    table = f"agency,postal_code,region,elevation_ft,spread_ft,latitude,longitude\n,1,,5,5,{cells}\n".encode()
    with pytest.raises(FleetError, match="places.csv, line 2: latitude and longitude are degrees"):
        coordinates(table, "places.csv")


def test_no_snapshot_is_made_with_coordinates_that_cannot_be_used(tmp_path):
    fleet = Fleet(tmp_path / "fleet").create()
    fleet.places.write_bytes(PLACES + b",00106,,500,50,95,-75\n")
    with pytest.raises(FleetError, match="line 7: latitude"):
        snapshot_of(tmp_path, [visit("any")])


# ---- packets


def test_no_job_is_lost_and_sums_agree(planted, found):
    jobs = jobs_of(planted)
    put = [job for packet in found.packets for one in packet.visits for job in one.stop.jobs]
    assert sorted(put, key=str) == sorted(jobs, key=str)
    rows = found.listed.rows.to_pylist()
    assert len(rows) == len(jobs)
    assert sum(row["hours"] for row in rows) == sum(job.hours for job in jobs)
    assert sum(row["cost"] for row in rows) == sum(job.cost for job in jobs)
    counts = {}
    for packet in found.packets:
        for title, count in packet.measures.items():
            counts[title] = counts.get(title, 0) + count
    assert sum(counts.values()) == sum(len(job.measures) for job in jobs)
    fitted = [homes for packet in found.packets for homes in packet.parts.values()]
    assert sum(map(len, fitted)) == sum(
        bool(one.parts) for p in found.packets for v in p.visits for one in v.work
    )


def test_homes_stand_under_their_crew_in_the_order_of_the_way(found):
    assert [packet.title for packet in found.packets] == [
        "North Aid, crew Crew A, day 1",
        "North Aid, crew Crew A, day 2",
        "North Aid, crew Crew B, day 1",
        "North Aid, no crew, day 1",
    ]
    gone_to = [one.home.home_id for packet in found.packets[:2] for one in packet.visits]
    assert gone_to in (
        ["near", "between", "middle", "far", "unplaced"],
        ["far", "middle", "between", "near", "unplaced"],
    )


def test_what_is_fitted_and_set_is_that_of_the_home(found):
    works = {
        (visit.home.home_id, one.measure.id): one
        for packet in found.packets
        for visit in packet.visits
        for one in visit.work
    }
    charge = works["far", "set-charge"]
    assert (
        charge.settings == ("Set the charge to 12.0 psi, water side at zero, tank cold",) and not charge.parts
    )
    tank = works["small", "replace-tank"]
    assert re.fullmatch(r"Diaphragm tank of [\d.]+ gal or more", tank.parts[0])
    assert tank.settings == charge.settings
    assert works["middle", "fit-backflow-preventer"].parts[0].startswith("Accepted here: dual check vented")
    of_middle = next(v for p in found.packets for v in p.visits if v.home.home_id == "middle")
    assert of_middle.beside == (BY_ID["relief-stained"].title,)
    assert any(text.startswith("Backflow device: none / ") for text in of_middle.readings)


def test_the_readings_afterwards_let_the_check_tell_again():
    for check in HOME_CHECKS:
        asked = {field.name for _, fields in to_read_after([check]) for field in fields}
        assert asked and asked >= {name for name in check.needs if name in BY_NAME}, check.id
    pressures = {field.name for _, fields in to_read_after([BY_ID["precharge-high"]]) for field in fields}
    assert {"precharge_psig", "precharge_system_side", "cold_pressure_psig"} <= pressures
    assert not pressures & {"stories", "elevation_ft", "boiler_output_btuh"}


def test_every_target_of_a_measure_is_of_a_measure_that_ships():
    from pipelines.engine.policy import policy

    assert set(targets.FITTED) | set(targets.SET) <= {measure.id for measure in policy.load().measures}


def test_an_address_stands_only_where_the_viewer_may_see_it(planted, found):
    hidden = packed(planted, viewer=Viewer(personal=False))
    for one, there in ((found, True), (hidden, False)):
        assert ("4 Invented Lane" in text_of(packets_pdf.as_pdf(one))) == there
        assert (b"4 Invented Lane" in as_csv(one.listed)) == there
        assert ("address" in one.listed.rows.column_names) == there


def test_a_job_where_nothing_is_open_is_refused_and_so_are_too_many(planted):
    job = Job("North Aid", "nowhere", "", ("set-charge",), 1.0, 1.0)
    with pytest.raises(ListError, match="home nowhere of North Aid has a job, but nothing is open"):
        packed(planted, [*jobs_of(planted), job])
    many = [replace(job, home_id=str(number)) for number in range(packets.MOST_HOMES + 1)]
    with pytest.raises(ListError, match="up to 2,000 homes, these are 2,001"):
        packed(planted, many)


# ---- the work of a list without a plan


def measure(name, cost, *fixes, **more):
    return Measure(name, name, fixes, cost, more.pop("hours", 1.0), **more)


def of_all(found, measures, tank="diaphragm", stays=()):
    return all_work(tuple(found), tank, frozenset(stays), tuple(measures))


def test_the_cheapest_work_that_puts_all_right_is_that_of_every_combination():
    drawn = random.Random(11)
    checks = "abcdef"
    for _ in range(150):
        measures = [
            measure(f"m{number}", drawn.randrange(1, 30), *drawn.sample(checks, drawn.randrange(1, 4)))
            for number in range(drawn.randrange(1, 8))
        ]
        opened = drawn.sample(checks, drawn.randrange(1, 6))
        work = of_all([Open(check, frozenset()) for check in opened], measures)
        reach = {check for one in measures for check in one.fixes} & set(opened)
        ways = (
            sum(one.cost for one in some)
            for count in range(len(measures) + 1)
            for some in combinations(measures, count)
            if reach <= {check for one in some for check in one.fixes}
        )
        assert work.cost == min(ways) and set(work.left) == set(opened) - reach
        fixed = {check for one in measures if one.id in work.measures for check in one.fixes}
        assert reach <= fixed


def test_a_symptom_goes_with_its_root_unless_it_stays_and_a_circle_begins_somewhere():
    root, symptom = Open("root", frozenset()), Open("symptom", frozenset({"root"}))
    measures = [measure("cause", 5, "root"), measure("sign", 3, "symptom")]
    assert of_all([root, symptom], measures).measures == ("cause",)
    assert of_all([root, symptom], measures, stays=["symptom"]).measures == ("cause", "sign")
    assert of_all([symptom], measures).measures == ("sign",)
    circle = [Open("a", frozenset("b")), Open("b", frozenset("a")), Open("c", frozenset("b"))]
    assert own_work(circle, frozenset()) == {"a"}


def test_a_measure_without_figures_or_for_another_tank_is_in_no_work():
    found = [Open("a", frozenset())]
    assert of_all(found, [measure("free", None, "a")]).left == ("a",)
    steel = [measure("drain", 1, "a", tanks=("plain_steel",)), measure("charge", 2, "a")]
    assert of_all(found, steel).measures == ("charge",)
    assert of_all(found, steel, tank="plain_steel").measures == ("drain",)


def test_many_measures_are_chosen_one_by_one_and_still_put_all_right():
    checks = [f"c{number}" for number in range(20)]
    measures = [
        measure(f"m{number}", 5 + number, checks[number], checks[-1 - number]) for number in range(20)
    ]
    work = of_all([Open(check, frozenset()) for check in checks], measures)
    assert not work.left and len(work.measures) <= 20


def test_the_jobs_of_a_list_put_all_of_it_right_and_count_each_trip_once(sample_snapshot):
    whole = listed(sample_snapshot, agency=("Ouvray Plateau Energy Aid",))
    found = jobs.jobs_of(EVERYTHING, sample_snapshot, whole, AS_OF)
    by_id = {one.id: one for one in targets.policy_of(sample_snapshot).measures}
    usd, hours = (
        sample_snapshot.rows("SELECT value FROM limits WHERE name = ?", [name])[0][0]
        for name in ("trip_usd", "trip_h")
    )
    homes = {(job.agency, job.home_id) for job in found.jobs}
    assert sum(job.cost for job in found.jobs) == pytest.approx(
        sum(by_id[one].cost for job in found.jobs for one in job.measures) + usd * len(homes)
    )
    assert sum(job.hours for job in found.jobs) == pytest.approx(
        sum(by_id[one].hours for job in found.jobs for one in job.measures) + hours * len(homes)
    )
    assert found.against == found.without == 0
    assert homes == {(row["agency"], row["home_id"]) for row in whole.rows.to_pylist()}
    fixes = {
        (job.home_id, job.system_id): {check for one in job.measures for check in by_id[one].fixes}
        for job in found.jobs
    }
    alone = sample_snapshot.rows(
        """
        SELECT o.home_id, o.system_id, o.check_id FROM opened AS o
        WHERE o.agency = 'Ouvray Plateau Energy Aid' AND NOT EXISTS (
            FROM causes AS c WHERE c.agency = o.agency AND c.inspection_id = o.inspection_id
                AND c.symptom_check_id = o.check_id)"""
    )
    assert alone and all(check in fixes[home, system] for home, system, check in alone)


def test_what_brings_about_something_on_the_list_is_put_right_with_it(sample_snapshot):
    check = "hot-pressure-near-relief"
    found = jobs.jobs_of(EVERYTHING, sample_snapshot, listed(sample_snapshot, check=(check,)), AS_OF)
    by_id = {one.id: one for one in targets.policy_of(sample_snapshot).measures}
    roots = sample_snapshot.rows(
        """
        SELECT r.agency, r.home_id, r.system_id, r.check_id
        FROM opened AS s
        JOIN causes AS c
            ON c.agency = s.agency AND c.inspection_id = s.inspection_id AND c.symptom_check_id = s.check_id
        JOIN opened AS r
            ON r.agency = s.agency AND r.home_id = s.home_id AND r.system_id = s.system_id
            AND r.check_id = c.root_check_id
        WHERE s.check_id = ? AND NOT EXISTS (
            FROM causes AS d WHERE d.agency = r.agency AND d.inspection_id = r.inspection_id
                AND d.symptom_check_id = r.check_id)""",
        [check],
    )
    fixed = {
        (job.agency, job.home_id, job.system_id, one)
        for job in found.jobs
        for name in job.measures
        for one in by_id[name].fixes
    }
    assert len(roots) > 20 and set(roots) <= fixed


def test_a_home_goes_to_whom_it_is_assigned_and_what_is_decided_against_is_counted(decided):
    about = dict(who="Q. A.", agency="North Aid", check_id="precharge-high")
    fleet = Fleet(decided.path.parent.parent)
    take(
        fleet,
        decided,
        [
            Decision(**about, home_id="one", what="refused", why="not wanted"),
            Decision(**about, home_id="two", what="assigned", to="Crew Z"),
        ],
    )
    today = date.today()
    found = packet_files.of_list(EVERYTHING, decided, listed(decided, as_of=today), today)
    assert [(one.home.home_id, packet.day.crew) for packet in found.packets for one in packet.visits] == [
        ("=1+1", "=cmd()"),
        ("two", "Crew Z"),
    ]
    (said,) = packet_files.stays_out(found)
    assert said.startswith("1 on the list, but accepted")
    assert "decided against: 1" in text_of(packets_pdf.as_pdf(found))
    none = packets.packets(EVERYTHING, decided, [], listed(decided))
    assert not none.packets
    for ending in packet_files.ENDINGS:
        assert packet_files.made(none, ending)


# ---- as a command and on a page


@pytest.mark.slow
def test_the_command_writes_packets(sample_fleet, tmp_path):
    def run(*args):
        return CliRunner().invoke(cli.main, ["packets", *args, "--fleet", str(sample_fleet.path)])

    for ending in packet_files.ENDINGS:
        out = tmp_path / f"packets{ending}"
        done = run("--agency", "Tillamere Community Partners", *ACT_TODAY, "--out", str(out))
        assert done.exit_code == 0 and f"packets  {out}" in done.stdout, done.output
        assert out.stat().st_size and re.search(r"\d+ days?, \d+ homes?, [\d.]+ hours", done.stdout)
    none = run("--agency", "Hollin Peaks Home Repair", *ACT_TODAY, "--out", str(tmp_path / "x.pdf"))
    assert none.exit_code == 1 and "no work" in none.stderr
    assert run("--out", str(tmp_path / "packets.txt")).exit_code == 2
    assert run("--agency", "Nobody", "--out", str(tmp_path / "x.pdf")).exit_code == 2


def test_homes_offers_packets_beside_the_list(sample_fleet, show):
    page = show(sample_fleet, "homes", agency="Hollin Peaks Home Repair")
    assert not page.exception
    helps = [button.help for button in page.get("download_button")]
    assert sum(text.startswith("work packets, by crew and day") for text in helps) == 3


# ---- the sheets


def text_of(pdf):
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages).split())


def test_each_day_begins_a_page_of_the_pdf(found):
    pdf = packets_pdf.as_pdf(found)
    pages = [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]
    begun = [page.split("\n")[0] for page in pages]
    for packet in found.packets:
        assert packet.title in begun
    text = " ".join(" ".join(pages).split())
    for packet in found.packets:
        for one in packet.visits:
            assert f"Home {one.home.home_id}," in text
            assert all(" ".join(reading.split()) in text for reading in one.readings)
            assert all(caution in text for caution in one.home.cautions)
    assert "system East" in text and "system West" in text


def test_the_workbook_has_the_jobs_a_page_for_each_day_and_what_they_rest_on(planted, found):
    book = openpyxl.load_workbook(io.BytesIO(packets_xlsx.as_workbook(found)))
    assert book.sheetnames == ["jobs", "Packets", "About"] and book.active.title == "Packets"
    assert book["jobs"].max_row == 1 + len(jobs_of(planted))
    page = book["Packets"]
    breaks = [one.id for one in page.row_breaks.brk]
    begins = [line for line in range(1, page.max_row + 1) if page.cell(line, 1).value in
              [packet.title for packet in found.packets]]  # fmt: skip
    assert [line - 1 for line in begins[1:]] == breaks and begins[0] == 1
    told = {page.cell(line, 1).value for line in range(1, page.max_row + 1)}
    for packet in found.packets:
        for number, one in enumerate(packet.visits, start=1):
            assert f"{number}. Home {one.home.home_id}, no job" in told
    about = {row[0].value: row[1].value for row in book["About"].iter_rows()}
    assert about["snapshot"] == planted.name and "crow flies" in about["how ordered"]


def test_the_same_jobs_give_the_same_files(planted, found):
    again = packed(planted)
    assert packets_xlsx.as_workbook(found) == packets_xlsx.as_workbook(again)
    assert packets_pdf.as_pdf(found) == packets_pdf.as_pdf(again)


def test_a_file_of_jobs_does_no_harm_in_a_spreadsheet(decided):
    found = packed(decided)
    book = openpyxl.load_workbook(io.BytesIO(packets_xlsx.as_workbook(found)))
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert all(cell.data_type != "f" for cell in cells)
    assert b"\n=" not in as_csv(found.listed) and b",=" not in as_csv(found.listed)
