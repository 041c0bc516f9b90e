"""The work that a list of what is open asks for: its order, its targets against print, its sheet and PDF."""

import io
import re
from dataclasses import replace
from datetime import date

import numpy as np
import openpyxl
import pypdf
import pytest
from click.testing import CliRunner

from pipelines import cli
from pipelines.answers import cautions, formats, homes, lists, targets, work, work_pdf, workbook
from pipelines.answers.access import EVERYTHING, Filters, ListError, Viewer
from pipelines.answers.paper import SPELT, typed
from pipelines.engine.causes import LINKS
from pipelines.engine.checks import BY_ID, HOME_CHECKS
from pipelines.engine.checks.kinds import GROUPS
from pipelines.engine.policy import policy as policies
from pipelines.fields import BY_NAME
from tests.inspections import SOUND, snapshot_of
from tests.inspections import STEEL as STEEL_TANK

AS_OF = date(2026, 4, 1)
IN_ORDER = {name: value for name, value in SOUND.items() if name in BY_NAME} | {"stated_result": None}
ODD_IDS = ("Łódź 1", "Αθήνα", "家-7", "🏠 9", "שלום", "a\u200fb", "=2+3")


def visit(home_id, **different):
    return IN_ORDER | dict(agency="North Aid", inspection_id=f"V{home_id}", home_id=home_id) | different


@pytest.fixture(scope="module")
def planted(tmp_path_factory):
    """Homes whose targets print tells, or no reading does, and homes with odd ids."""
    rows = [
        visit("high", top_height_ft=30.0, fill_setting_psig=None, precharge_psig=6.0)
        | dict(address="1 Invented Lane", postal_code="98765"),
        visit("attic tank", tank_above_gauge_ft=8.0, precharge_psig=18.0),
        visit("untimed", cold_temperature_f=None, cold_pressure_psig=13.0, fill_setting_psig=None)
        | dict(precharge_psig=18.0),
        visit("no height", top_height_ft=None, stories=None, precharge_psig=18.0, tank_above_gauge_ft=None),
        visit(
            "small tank",
            system_volume_gal=100.0,
            pipe_material="steel",
            hot_pressure_psig=None,
        ),
        visit("no tank", tank_type="none", tank_volume_gal=None, precharge_psig=None, system_volume_gal=None)
        | dict(boiler_output_btuh=None, tank_valve=None, tank_air_valve=None, tank_tap=None),
        visit("no plate", boiler_max_pressure_psig=None, relief_signs="dripping"),
        visit("steel", relief_signs="dry") | STEEL_TANK | dict(tank_tap="full"),
        visit("poison", backflow_device="none", antifreeze="ethylene_glycol", antifreeze_percent=30.0),
        *(visit(home, inspection_id=f"O{n}", relief_signs="stained") for n, home in enumerate(ODD_IDS)),
    ]
    return snapshot_of(tmp_path_factory.mktemp("work"), rows)


def listed(snapshot, viewer=EVERYTHING, **filters):
    return lists.flagged(viewer, snapshot, Filters(**filters), AS_OF)


def asked(snapshot, viewer=EVERYTHING, **filters):
    sheet = listed(snapshot, viewer, **filters)
    return sheet.work(sheet.rows)


def tasks_of(home):
    return [task for system in home.systems for task in system.tasks]


def set_to(snapshot, home_id, check_id):
    (home,) = [home for home in asked(snapshot) if home.home_id == home_id]
    (task,) = [task for task in tasks_of(home) if task.check_id == check_id]
    return task.set_to


# ---- targets


def test_the_fill_to_set_is_the_printed_one_for_the_height(planted):
    """30 ft: 17.0 psi with 4 psi at the top (0.433 psi a foot: check values §4, computed)."""
    assert set_to(planted, "high", "cold-pressure-low") == ("Set the fill to 17.0 psi, cold",)


def test_the_charge_to_set_is_the_fill_as_the_tank_feels_it(planted):
    """12 psi at the gauge, 8 ft up: 12 - 8 × 0.433 = 8.5 psi (psi a foot as printed: check values §4)."""
    assert set_to(planted, "attic tank", "precharge-high") == (
        f"Set the charge to {12 - 8 * 0.433:.1f} psi, water side at zero, tank cold",
    )


def test_the_charge_follows_the_fill_that_must_be_set_first(planted):
    assert set_to(planted, "high", "precharge-low") == (
        "Set the fill to 17.0 psi, cold",
        "Set the charge to 17.0 psi, water side at zero, tank cold",
    )


def test_the_tank_to_fit_is_that_of_printed_water_and_acceptance(planted):
    """100 gal, steel, 60 to 180 °F by the printed volumes 0.01603 and 0.01651 ft³/lb, 6.5e-6 per °F; a
    diaphragm tank from 12 to 27 psi takes 0.3597 of itself at sea level (check values §1.2 and §2).
    """
    share = 0.01651 / 0.01603 - 1 - 3 * 6.5e-6 * 120
    gallons = 100 * share / 0.3597
    size, charge = set_to(planted, "small tank", "tank-undersized")
    told = re.fullmatch(r"Diaphragm tank of ([\d.]+) gal or more", size)
    assert gallons == pytest.approx(7.7, abs=0.1) and float(told[1]) == pytest.approx(gallons, rel=0.03)
    assert charge == "Set the charge to 12.0 psi, water side at zero, tank cold"


def test_what_cannot_be_told_names_the_reading_that_is_lacking(planted):
    size, charge = set_to(planted, "no tank", "tank-missing")
    assert size == "Size of the diaphragm tank: not known, system volume not recorded"
    assert charge.startswith("Set the charge to 12.0 psi")
    setting, capacity = set_to(planted, "no plate", "relief-discharging")
    assert setting == "Relief setting: not known, boiler max pressure not recorded: read the plate"
    assert capacity == "Relief capacity 90,000 Btu/h or more, the boiler's output"
    (charge,) = set_to(planted, "no height", "precharge-high")
    assert charge == (
        "Set the charge to 12.0 psi, water side at zero, tank cold (estimated: tank taken at the gauge's "
        "height). Whether this fill is right is not known: top height not recorded"
    )


def test_a_charge_by_a_cold_pressure_without_its_temperature_says_so(planted):
    assert set_to(planted, "untimed", "precharge-high") == (
        "Set the charge to 13.0 psi, water side at zero, tank cold (estimated: cold pressure read without "
        "its temperature)",
    )


def test_an_estimate_says_that_it_is_one(sample_snapshot):
    said = [text for home in asked(sample_snapshot) for task in tasks_of(home) for text in task.set_to]
    by_stories = [text for text in said if "(estimated: height from stories" in text]
    assert by_stories and all(
        text.startswith(("Set the fill", "Set the charge", "Diaph", "Where that")) for text in by_stories
    )
    rows = sample_snapshot.rows("""
        SELECT o.agency, o.home_id, o.check_id
        FROM opened AS o
        JOIN recomputed AS c ON c.agency = o.agency AND c.inspection_id = o.inspection_id
        WHERE c.static_estimated AND o.check_id IN ('cold-pressure-low', 'cold-pressure-high')""")
    told = {
        (home.agency, home.home_id, task.check_id): task.set_to
        for home in asked(sample_snapshot)
        for task in tasks_of(home)
    }
    assert len(rows) > 10 and all("(estimated: height from stories)" in told[key][0] for key in rows)


def test_a_compression_tank_is_drained_and_never_charged(planted):
    assert set_to(planted, "steel", "tank-sounds-full") == (
        "No charge to set: drain the tank until it holds air alone",
    )


def test_the_kinds_that_are_accepted_are_those_the_check_lets_pass(planted, sample_snapshot):
    """Poison in the loop asks for another device than water does."""
    assert set_to(planted, "poison", "backflow-missing") == ("Accepted here: reduced pressure, air gap",)
    visits = sample_snapshot.arrow("SELECT agency, inspection_id FROM readings")
    of_visits = targets.of_visits(sample_snapshot, visits)
    judged = sample_snapshot.arrow(
        """
        SELECT r.outcome, d.backflow_device AS device, t.accepted_backflow_device AS accepted
        FROM of_visits AS t
        JOIN results AS r ON r.agency = t.agency AND r.inspection_id = t.inspection_id
        JOIN readings AS d ON d.agency = t.agency AND d.inspection_id = t.inspection_id
        WHERE r.check_id = 'backflow-insufficient' AND r.outcome IN ('ok', 'deficient')""",
        of_visits=of_visits,
    ).to_pylist()
    assert len(judged) > 1000
    for row in judged:
        among = row["device"].replace("_", " ") in (row["accepted"] or "").split(", ")
        assert among == (row["outcome"] == "ok"), row


def test_the_numbers_are_those_the_snapshot_keeps(sample_snapshot):
    """Worked out anew for the list, from the policy as the snapshot tells it."""
    visits = sample_snapshot.arrow("SELECT agency, inspection_id FROM recomputed WHERE assessed")
    found = sample_snapshot.query(
        """
        SELECT t.*, c.should_have_psig, c.required_cold_psig
        FROM of_visits AS t
        JOIN recomputed AS c ON c.agency = t.agency AND c.inspection_id = t.inspection_id""",
        of_visits=targets.of_visits(sample_snapshot, visits),
    )
    due = np.fmax(found.should_have_psig, found.required_cold_psig)
    known = due.notna()
    assert known.sum() > 1000 and (known == found.fill_to_set_psig.notna()).all()
    assert (found.fill_to_set_psig[known] - due[known]).between(-1e-6, 0.1).all()
    assert (found.fill_lacking.isna() == known).all()


def test_the_policy_of_a_snapshot_is_the_one_it_was_made_with(tmp_path):
    own = """
        [limits]
        cold_margin_psi = 5
        [accepted]
        low_water_cutoff = ["probe_or_float", "flow_switch"]
        [[region]]
        name = "Hill Side"
        limits = { typical_fill_psig = 15 }
        accepted = { backflow_without_additives = ["air_gap"] }
        """
    rows = [
        visit("1", region="hill  side", precharge_psig=30.0, fill_setting_psig=None, fill_connection="none")
    ]
    snapshot = snapshot_of(tmp_path, rows, policy=own)
    made, told = policies.parse(own.encode(), "policy.toml"), targets.policy_of(snapshot)
    assert {name: limit.value for name, limit in told.limits.items()} == {
        name: limit.value for name, limit in made.limits.items()
    }
    assert all(told.words(name) == made.words(name) for name in made.accepted)
    assert [(one.name, one.agency, one.limits, one.accepted) for one in told.regions] == [
        (one.name, one.agency, one.limits, one.accepted) for one in made.regions
    ]
    of_visit = targets.of_visits(snapshot, snapshot.arrow("SELECT agency, inspection_id FROM readings"))
    (row,) = of_visit.to_pylist()
    assert row["fill_to_set_psig"] == 15.0 and row["accepted_backflow_device"] == "air gap"
    assert row["accepted_low_water_cutoff"] == "probe or float, flow switch"


def test_targets_and_cautions_speak_of_checks_there_are():
    ids = {check.id for check in HOME_CHECKS}
    assert targets.WHAT.keys() <= ids and cautions.OF_CHECKS.keys() <= ids
    assert cautions.OF_GROUPS.keys() <= set(GROUPS)
    said = {one for some in (*cautions.OF_GROUPS.values(), *cautions.OF_CHECKS.values()) for one in some}
    assert said <= set(cautions.CAUTIONS)


def test_what_must_be_shut_down_is_cautioned_of_the_cold():
    for check in HOME_CHECKS:
        belonging = cautions.belonging([check])
        assert (cautions.COLD_HOUSE in belonging) >= check.act_today, check.id
        assert (cautions.PRESSURE_OFF in belonging) >= (check.group in ("tank", "relief")), check.id
        assert (cautions.NEVER_PLUG in belonging) >= (check.group == "relief"), check.id


# ---- order


def test_every_row_of_the_list_is_a_task_of_its_home_once(sample_snapshot):
    sheet = listed(sample_snapshot)
    found = [
        (home.agency, home.home_id, system.system_id, task.check_id)
        for home in sheet.work(sheet.rows)
        for system in home.systems
        for task in system.tasks
    ]
    columns = (sheet.rows[name].to_pylist() for name in ("agency", "home_id", "system_id", "check_id"))
    assert len(found) == len(set(found)) == sheet.rows.num_rows
    assert set(found) == set(zip(*columns, strict=True))


def test_homes_go_by_their_worst_risk_then_the_oldest(sample_snapshot):
    sheet = listed(sample_snapshot)
    oldest = {}
    for agency, home, since in zip(
        *(sheet.rows[n].to_pylist() for n in ("agency", "home_id", "since")), strict=True
    ):
        oldest[agency, home] = min(since, oldest.get((agency, home), since))
    keys = [
        (policies.LEVELS.index(home.risk), oldest[home.agency, home.home_id], home.agency, home.home_id)
        for home in sheet.work(sheet.rows)
    ]
    assert keys == sorted(keys) and len(set(keys)) == len(keys)


def test_a_root_comes_before_its_symptoms_and_act_today_before_all(sample_snapshot):
    links, seen = set(LINKS), 0
    for home in asked(sample_snapshot):
        for system in home.systems:
            today = [task.standing.startswith("act today") for task in system.tasks]
            assert today == sorted(today, reverse=True)
            order = [task.check_id for task in system.tasks]
            for later, task in enumerate(system.tasks):
                for earlier, root in enumerate(order):
                    if (root, task.check_id) in links and BY_ID[root].title in task.follows_from.split("; "):
                        seen += 1
                        assert earlier < later or today[later], (home.home_id, order)
    assert seen > 200


def test_a_narrowed_list_has_the_work_of_its_rows_alone(sample_snapshot):
    (first, *_) = asked(sample_snapshot)
    sheet = homes.flagged(
        EVERYTHING, sample_snapshot, Filters(), "act-today", AS_OF, ((first.agency, first.home_id),)
    )
    (home,) = sheet.work(sheet.rows)
    assert (home.agency, home.home_id) == (first.agency, first.home_id)
    assert len(tasks_of(home)) == sheet.rows.num_rows < len(tasks_of(first))


@pytest.mark.parametrize("only", ["", "act-today", "hold", "late-over-90", "not-held", "safety-not-verified"])
@pytest.mark.parametrize("chosen", [{}, {"risk": "high"}, {"check": ("relief-stained",), "reported": "no"}])
def test_as_many_homes_are_counted_as_have_work(sample_snapshot, only, chosen):
    """So a page knows whether a PDF takes them before it makes the list."""
    asked = EVERYTHING, sample_snapshot, Filters(**chosen), only, AS_OF
    assert homes.work_count(*asked) == homes.flagged(*asked).count_homes()


def test_an_address_is_seen_by_those_who_may(planted):
    for viewer, seen in ((EVERYTHING, True), (Viewer(personal=False), False)):
        sheet = listed(planted, viewer)
        texts = (texts_of(formats.as_xlsx(sheet)), text_of(formats.as_pdf(sheet)))
        assert [("1 Invented Lane" in text, "98765" in text) for text in texts] == [(seen, seen)] * 2


# ---- the workbook


def texts_of(xlsx):
    book = openpyxl.load_workbook(io.BytesIO(xlsx))
    return "\n".join(
        str(cell.value) for page in book for row in page.iter_rows() for cell in row if cell.value
    )


@pytest.mark.slow
def test_the_workbook_opens_on_the_work_and_keeps_the_list_first(sample_snapshot):
    sheet = listed(sample_snapshot)
    book = openpyxl.load_workbook(io.BytesIO(formats.as_xlsx(sheet)))
    assert book.sheetnames == ["flagged", "Work", "About"] and book.active.title == "Work"
    page = book["Work"]
    assert (page.page_setup.orientation, page.page_setup.paperSize) == ("landscape", 1)
    assert page.sheet_properties.pageSetUpPr.fitToPage and page.page_setup.fitToHeight == 0
    assert page.print_title_rows == "$1:$1" and [cell.value for cell in page[1]] == [
        "Status",
        "What was found",
        "What to do",
        "Set or fit",
        "Done on",
        "Done by",
        "Reading after",
        "Why",
        *("agency", "home_id", "system_id", "check_id", "since", "last_inspected_on"),  # hidden
    ]
    foot = page.oddFooter.left.text + page.oddFooter.center.text
    assert (
        sample_snapshot.name.removesuffix(".duckdb") in foot
        and "as of 2026-04-01" in foot
        and "Page &P" in foot
    )


@pytest.mark.slow
def test_every_task_stands_under_its_home_with_a_box_and_room_to_write(sample_snapshot):
    sheet = listed(sample_snapshot)
    page = openpyxl.load_workbook(io.BytesIO(formats.as_xlsx(sheet)))["Work"]
    found = []
    for row in page.iter_rows(min_row=2):
        box, seen, remedy, _, *room = row[:8]
        if remedy.value is None:
            if str(box.value).startswith("Home ") and not str(box.value).endswith("(continued)"):
                found.append((box.value, []))
        else:
            assert (
                box.value is None
                and box.border.left.style == "thick"
                and not any(cell.value for cell in room)
            )
            assert page.row_dimensions[box.row].height >= 13.5 * (seen.value.count("\n") + 1)
            found[-1][1].append(seen.value.split("\n")[0])
    wanted = [
        (workbook._called(home), [task.title for task in tasks_of(home)]) for home in sheet.work(sheet.rows)
    ]
    assert found == wanted


@pytest.mark.slow
def test_no_page_of_the_work_breaks_a_home_that_fits_one(sample_snapshot):
    sheet = listed(sample_snapshot)
    page = openpyxl.load_workbook(io.BytesIO(formats.as_xlsx(sheet)))["Work"]
    breaks = [one.id for one in page.row_breaks.brk]  # after these rows
    height = {row: page.row_dimensions[row].height or 15 for row in range(1, page.max_row + 1)}
    starts = [1, *(row + 1 for row in breaks)]
    ends = [*breaks, page.max_row]
    room = workbook.POINTS_A_PAGE - height[1]
    for start, end in zip(starts, ends, strict=True):
        assert sum(height[row] for row in range(max(start, 2), end + 1)) <= room + 15
    blocks = [row for row in range(2, page.max_row + 1) if str(page.cell(row, 1).value).startswith("Home ")]
    whole = [row for row in blocks if not page.cell(row, 1).value.endswith("(continued)")]
    for start, after in zip(whole, [*whole[1:], page.max_row + 1], strict=True):
        inside = [row for row in breaks if start <= row < after - 1]
        if inside:
            assert sum(height[row] for row in range(start, after)) > room, page.cell(start, 1).value
            assert all(page.cell(row + 1, 1).value.endswith("(continued)") for row in inside)
    assert len(breaks) > 100


@pytest.mark.slow
def test_a_long_work_goes_on_on_another_sheet(sample_snapshot, monkeypatch):
    monkeypatch.setattr(workbook, "BREAKS_A_SHEET", 100)
    sheet = listed(sample_snapshot)
    book = openpyxl.load_workbook(io.BytesIO(formats.as_xlsx(sheet)))
    pages = [name for name in book.sheetnames if name.startswith("Work")]
    assert len(pages) > 2 and book.active.title == "Work"
    titled = [
        str(cell.value)
        for name in pages
        for (cell,) in book[name].iter_rows(min_row=2, max_col=1)
        if str(cell.value).startswith("Home ") and not cell.value.endswith("(continued)")
    ]
    assert titled == [workbook._called(home) for home in sheet.work(sheet.rows)]


@pytest.mark.slow
def test_the_columns_of_the_list_fit_what_stands_in_them(sample_snapshot):
    sheet = listed(sample_snapshot)
    page = openpyxl.load_workbook(io.BytesIO(formats.as_xlsx(sheet)))["flagged"]
    width = {}
    for one in page.column_dimensions.values():
        if one.min:
            width |= dict.fromkeys(range(one.min, one.max + 1), one.width)
    for cells in page.iter_cols():
        texts = [cell.value for cell in cells if isinstance(cell.value, str)]
        least = min(max(map(len, texts)), 60)
        assert least <= width[cells[0].column] <= 62, cells[0].value
    units = {
        row[13].value: row[10].number_format for row in page.iter_rows(min_row=2) if row[10].data_type == "n"
    }
    assert units["psi"] == '0.0## "psi"' and units["gal"] == '0.0## "gal"'


def test_no_cell_of_the_work_is_a_formula(planted):
    book = openpyxl.load_workbook(io.BytesIO(formats.as_xlsx(listed(planted))))
    assert not [cell for page in book for row in page.iter_rows() for cell in row if cell.data_type == "f"]


# ---- the PDF


def read(pdf):
    return pypdf.PdfReader(io.BytesIO(pdf))


def text_of(pdf):
    return "\n".join(page.extract_text() for page in read(pdf).pages)


def test_the_pdf_has_every_home_and_task_in_order_each_whole_where_it_fits(sample_snapshot):
    sheet = listed(sample_snapshot, risk="high")
    wanted = sheet.work(sheet.rows)
    pages = [page.extract_text() for page in read(formats.as_pdf(sheet)).pages]
    lines = [(number, line) for number, page in enumerate(pages) for line in page.split("\n")]
    at = {}
    for number, line in lines:
        if line.startswith("Home ") and not line.endswith("(continued)"):
            at.setdefault(line, number)
    titles = [f"Home {home.home_id}, {home.agency}" for home in wanted]
    assert list(at) == titles
    continued = {line.removesuffix(" (continued)") for _, line in lines if line.endswith("(continued)")}
    whole = " ".join(" ".join(pages).split())
    for home, title in zip(wanted, titles, strict=True):
        place = whole.index(title)
        for task in tasks_of(home):
            place = whole.index(" ".join(task.title.split()), place)
        page = " ".join(pages[at[title]].split())
        assert (title in continued) != all(task.title in page for task in tasks_of(home))
    assert all(f"page {number} of {len(pages)}" in page for number, page in enumerate(pages, 1))
    assert all(f"{sample_snapshot.name[:8]}" in page and "as of 2026-04-01" in page for page in pages)
    assert all(caution[:40] in " ".join(pages[0].split()) for caution in cautions.CAUTIONS)


def test_the_pdf_is_half_a_letter_page_and_carries_the_time_of_its_snapshot(planted):
    sheet = listed(planted)
    found = read(formats.as_pdf(sheet))
    assert {tuple(map(float, page.mediabox)) for page in found.pages} == {(0.0, 0.0, 396.0, 612.0)}
    assert found.metadata.creation_date.replace(tzinfo=None) == sheet.time
    assert found.metadata.title == f"Work, {planted.name}, as of 2026-04-01"


def test_letters_that_the_print_lacks_are_spelt_out(planted):
    text = " ".join(text_of(formats.as_pdf(listed(planted))).split())
    assert " ".join(SPELT.split()) in text
    for home in ODD_IDS:
        assert typed(home) in text, home
    assert typed("Łódź 1") == "[U+0141]ód[U+017A] 1" and typed("a\u0007b\u200f") == "a[U+0007]b[U+200F]"
    assert typed("🏠") == "[U+1F3E0]" and typed("café, 20 °F, ½") == "café, 20 °F, ½"
    assert len({typed(home) for home in ODD_IDS}) == len(ODD_IDS)
    book = texts_of(formats.as_xlsx(listed(planted)))
    assert all(home in book for home in ODD_IDS)


def test_print_says_nothing_of_letters_where_it_has_them_all(sample_snapshot):
    assert SPELT[:30] not in text_of(formats.as_pdf(listed(sample_snapshot, risk="act today")))


def test_more_homes_than_anybody_leafs_through_are_refused(planted, monkeypatch):
    monkeypatch.setattr(work_pdf, "MOST_HOMES", 3)
    with pytest.raises(ListError, match=r"up to 3 homes, these are \d+: choose .xlsx, or narrow"):
        formats.as_pdf(listed(planted))


def test_a_home_larger_than_a_page_goes_on_under_its_name(planted, monkeypatch):
    (home,) = [home for home in asked(planted) if home.home_id == "high"]
    many = replace(home, systems=(work.System("", tasks_of(home)[:1] * 12),))
    sheet = listed(planted)
    sheet = replace(sheet, work=lambda rows: (many,))
    pages = [page.extract_text() for page in read(formats.as_pdf(sheet)).pages][1:]
    assert len(pages) > 2 and pages[0].startswith("Home high, North Aid")
    assert all(page.startswith("Home high, North Aid (continued)") for page in pages[1:])
    assert sum(page.count(tasks_of(home)[0].title.split(" for ")[0]) for page in pages) == 12


def test_an_empty_list_has_no_work(empty_fleet):
    from pipelines.fleet import snapshots

    sheet = listed(snapshots.attach(empty_fleet.current()))
    assert openpyxl.load_workbook(io.BytesIO(formats.as_xlsx(sheet))).sheetnames == ["flagged", "About"]
    assert "0 open deficiencies in 0 homes" in text_of(formats.as_pdf(sheet))


# ---- the command


def test_the_command_writes_the_work_and_refuses_where_there_is_none(sample_fleet, tmp_path):
    call = CliRunner().invoke
    words = ["--fleet", str(sample_fleet.path), "--out"]
    done = call(cli.main, ["flagged", "--risk", "act today", *words, str(tmp_path / "work.pdf")])
    assert done.exit_code == 0 and (tmp_path / "work.pdf").read_bytes().startswith(b"%PDF")
    done = call(cli.main, ["hold", *words, str(tmp_path / "hold.pdf")])
    assert done.exit_code == 2 and "hold.pdf: this list ends in .csv, .xlsx, .parquet, .json" in done.output
    done = call(cli.main, ["fields", "--out", str(tmp_path / "sheet.pdf")])
    assert done.exit_code == 0 and len(read((tmp_path / "sheet.pdf").read_bytes()).pages) == 1
    done = call(cli.main, ["fields", "--sheet", "--out", str(tmp_path / "sheet.doc")])
    assert done.exit_code == 2 and "sheet.doc: the sheet ends in .pdf, .txt" in done.output
