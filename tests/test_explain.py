"""One inspection and one home in words: every number the snapshot's own, nothing said that does not hold."""

import csv
import json
from datetime import date
from functools import lru_cache

import numpy as np
import pyarrow as pa
import pytest

from pipelines.answers import explain, one_home, one_inspection, phrases
from pipelines.answers.access import EVERYTHING, NotFound, Viewer
from pipelines.answers.cautions import CAUTIONS
from pipelines.engine.causes import LINKS
from pipelines.engine.checks import BY_ID, CHECKS, HOME_CHECKS
from pipelines.engine.quantities import COLUMNS, FLAGS
from pipelines.fields import BY_NAME, PERSONAL
from pipelines.fleet import snapshots
from pipelines.fleet.folder import Fleet
from pipelines.receiving import door
from pipelines.snapshot import stages
from tests.inspections import SAMPLES, SOUND, batch, shipped_policy

CANONICAL = "tillamere-community-partners.csv"


# ---- numbers in words


@pytest.mark.parametrize(
    ("name", "numbers", "text"),
    [
        ("cool_cold_psig", (12.0, 17.0, 19.0), "12.0 psi; should be between 17.0 and 19.0"),
        ("cool_cold_psig", (12.04, 13.26, None), "12.0 psi; should be at least 13.3"),
        ("supply_pressure_psig", (95.0, None, 80.0), "95.0 psi; should be at most 80.0"),
        ("cushion_ratio", (0.31, 0.5, None), "0.31; should be at least 0.50"),
        ("relief_capacity_btuh", (90_000.0, 120_000.0, None), "90,000 Btu/h; should be at least 120,000"),
        ("days_since_backflow_test", (400.0, None, 366.0), "400 days; should be at most 366"),
        ("makeup_gal_per_month", (2.25, None, 1.0), "2.2 gal a month; should be at most 1.0"),
        ("anticipator_a", (0.4, 0.45, 0.67), "0.40 A; should be between 0.45 and 0.67"),
        ("tank_volume_gal", (4.4, 5.25, None), "4.40 gal; should be at least 5.25"),
        ("cold_temperature_f", (104.0, None, 100.0), "104.0 °F; should be at most 100.0"),
        ("cool_cold_psig", (None, 17.0, None), "should be at least 17.0 psi"),
        ("cool_cold_psig", (12.0, None, None), "12.0 psi"),
        ("cool_cold_psig", (None, None, None), ""),
        ("headroom_psi", (-0.04, None, None), "0.0 psi"),
    ],
)
def test_a_band_reads_as_a_sentence(name, numbers, text):
    assert phrases.band(name, *numbers) == text


@pytest.mark.parametrize(
    ("numbers", "text"),
    [
        ((12.04, 12.06, None), "12.04 psi; should be at least 12.06"),
        ((27.0001, None, 27.0), "27.0001 psi; should be at most 27.0000"),
        ((11.96, 12.04, 19.0), "12.0 psi; should be between 12.0 and 19.0"),
    ],
)
def test_a_deficiency_shows_the_decimals_that_make_it_one(numbers, text):
    """12.0 psi beside at least 12.1 would do; 12.0 beside 12.0 would not."""
    deficient = phrases.band("cool_cold_psig", *numbers, deficient=True)
    shown = [float(word) for word in deficient.replace(";", "").split() if word[0].isdigit()]
    assert shown[0] < shown[1] if numbers[1] is not None else shown[0] > shown[1]
    assert (
        phrases.band("cool_cold_psig", 12.0, 17.0, 19.0, deficient=True)
        == "12.0 psi; should be between 17.0 and 19.0"
    )


@pytest.mark.parametrize(
    ("certainty", "text"),
    [
        (1.0, "certainty above 0.99"),
        (0.9944, "certainty above 0.99"),
        (0.99, "certainty 0.99"),
        (0.5, "certainty 0.50"),
    ],
)
def test_no_certainty_is_rounded_to_one(certainty, text):
    assert phrases.sure(certainty) == text


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("cold_pressure_psig", 12.0, "12.0 psi"),
        ("cold_pressure_psig", 12.25, "12.25 psi"),
        ("elevation_ft", 5280.0, "5280 ft"),
        ("boiler_output_btuh", 105_000.0, "105,000 Btu/h"),
        ("stories", 2.5, "2.5"),
        ("boiler_year", 1998.0, "1998"),
        ("high_limit_f", 180.0, "180.0 °F"),
        ("antifreeze_percent", 30.0, "30.0 %"),
        ("tank_valve", "open", "open"),
        ("relief_mounting", "valve_between", "valve between"),
        ("job_number", "J_1", "J_1"),
        ("inspected_on", date(2026, 1, 2), "2026-01-02"),
    ],
)
def test_readings_are_shown_as_written_with_their_unit(name, value, text):
    assert phrases.shown(name, value) == text


def test_every_number_a_check_shows_has_its_unit(sample_snapshot):
    """By the sample: whatever check shows a number, its quantity's name tells the unit, unless a ratio."""
    shown = {
        check
        for (check,) in sample_snapshot.rows(
            "SELECT DISTINCT check_id FROM results WHERE observed IS NOT NULL"
        )
    }
    assert len(shown) >= 18
    unitless = {
        check for check in shown if not phrases.amount(phrases.shown_quantity(BY_ID[check]), 1.0).split()[1:]
    }
    assert unitless == {"tank-cushion-lost"}


# ---- one inspection


@pytest.fixture(scope="module")
def some(sample_snapshot):
    """Inspections of all sorts: every agency's first ones, and one for each outcome of each check."""
    keys = sample_snapshot.rows("""
        SELECT agency, min(inspection_id) FROM results GROUP BY agency, check_id, outcome
        UNION
        SELECT agency, min(inspection_id) FROM causes GROUP BY agency, root_check_id, symptom_check_id
        ORDER BY 1, 2""")
    assert len(keys) > 40
    return [one_inspection.inspection(EVERYTHING, sample_snapshot, *key) for key in keys]


def test_readings_are_the_cells_of_the_line_they_name(some):
    """An export under our own headings: a reading stands in its line, a filled cell is one or is unused."""
    lines = (SAMPLES / CANONICAL).read_text(encoding="utf-8").splitlines()
    headings = next(csv.reader(lines))
    ours = [one for one in some if one.source.file_name == CANONICAL]
    assert len(ours) > 5
    for one in ours:
        cells = {
            name: cell
            for name, cell in zip(
                headings, next(csv.reader([lines[one.source.source_line - 1]])), strict=True
            )
            if cell
        }
        readings = {reading.field: reading.value for reading in one.readings}
        assert cells.keys() == readings.keys() | {unused.field for unused in one.unused}
        for name, value in readings.items():
            assert (
                float(cells[name]) == value
                if isinstance(value, float)
                else cells[name].startswith(str(value)[:10])
            )


def test_results_are_those_of_the_long_view(sample_snapshot, some):
    names = (
        "check_id",
        "outcome",
        "observed",
        "low",
        "high",
        "observed_text",
        "certainty",
        "reason",
        "reason_field",
    )
    keys = pa.table(
        {"agency": [one.agency for one in some], "inspection_id": [one.inspection_id for one in some]}
    )
    rows = sample_snapshot.rows(
        f"""
        SELECT agency, inspection_id, {", ".join(names)}
        FROM results
        SEMI JOIN keys USING (agency, inspection_id)""",
        keys=keys,
    )
    for one in some:
        view = [row[2:] for row in rows if row[:2] == (one.agency, one.inspection_id)]
        ours = [tuple(getattr(result, name) for name in names) for result in one.results]
        assert [row[0] for row in ours] == [check.id for check in CHECKS]
        assert sorted(ours) == sorted((*row[:7], row[7] or None, row[8]) for row in view)


def test_recomputed_numbers_are_those_of_the_table(sample_snapshot, some):
    for one in some:
        row = sample_snapshot.query(
            f"SELECT {', '.join(COLUMNS + FLAGS)} FROM recomputed WHERE agency = ? AND inspection_id = ?",
            [one.agency, one.inspection_id],
        ).iloc[0]
        np.testing.assert_array_equal(
            [np.nan if number.value is None else number.value for number in one.recomputed],
            row[list(COLUMNS)].astype(float),
        )
        assert one.flags == {name: bool(row[name]) for name in FLAGS}


def test_an_outcome_stands_first_and_what_is_not_verified_says_why(some):
    for result in (result for one in some for result in one.results):
        assert result.text.startswith(result.outcome)
        if result.outcome == "not verified":
            assert result.reason and result.text.removeprefix("not verified; ").startswith(
                (result.reason, phrases.called(result.reason_field or ""))
            )
        if result.outcome == "deficient" and result.observed is not None:
            assert (
                result.text.split("; ")[1]
                == phrases.amount(phrases.shown_quantity(result.check), result.observed)
                or "should be" in result.text
            )


def test_unbounded_pressures_are_no_cushion_and_never_unknown(some):
    numbers = [(one, number) for one in some for number in one.recomputed]
    unbounded = [
        number
        for one, number in numbers
        if number.name == "predicted_limit_psig" and one.flags["predicted_limit_unbounded"]
    ]
    assert (
        unbounded
        and {number.text for number in unbounded} == {"no cushion left"}
        and {number.value for number in unbounded} == {None}
    )
    assert {number.name for _, number in numbers if number.text == "no cushion left"} <= {
        "predicted_hot_psig",
        "predicted_limit_psig",
    }
    assert {number.value for _, number in numbers if number.text == "not known"} == {None}


def test_causes_run_from_root_to_symptom_and_the_first_root_is_marked(sample_snapshot, some):
    linked = [one for one in some if one.causes]
    for one in linked:
        assert {(cause.root_check_id, cause.symptom_check_id) for cause in one.causes} == set(
            sample_snapshot.rows(
                "SELECT root_check_id, symptom_check_id FROM causes WHERE agency = ? AND inspection_id = ?",
                [one.agency, one.inspection_id],
            )
        )
        deficient = {result.check_id for result in one.results if result.outcome == "deficient"}
        for cause in one.causes:
            assert cause.symptom_check_id in deficient
            if cause.root_check_id not in (None, cause.symptom_check_id):
                assert (
                    cause.root_check_id,
                    cause.symptom_check_id,
                ) in LINKS and cause.root_check_id in deficient
                assert (
                    BY_ID[cause.root_check_id].title in cause.text.split(" → ")[0]
                    and BY_ID[cause.symptom_check_id].title in cause.text.split(" → ")[1]
                )
                brought_about = {
                    other.symptom_check_id
                    for other in one.causes
                    if other.root_check_id != other.symptom_check_id
                }
                assert (
                    cause.fix_first
                    == (cause.root_check_id not in brought_about)
                    == cause.text.startswith("fix first: ")
                )
    chains = [
        one
        for one in linked
        if {cause.fix_first for cause in one.causes if cause.root_check_id} == {True, False}
    ]
    assert chains  # at least one visit with a root of a root


def test_an_inspection_is_found_without_case_and_the_nearest_is_named_otherwise(sample_snapshot):
    found = one_inspection.inspection(EVERYTHING, sample_snapshot, "  hollin peaks  HOME repair", " 2 ")
    assert (found.agency, found.inspection_id) == ("Hollin Peaks Home Repair", "2")
    with pytest.raises(NotFound, match="there are: .*Hollin Peaks Home Repair"):
        one_inspection.inspection(EVERYTHING, sample_snapshot, "Nobody", "2")
    with pytest.raises(NotFound, match="no inspection 'VB-25-9999' of Foyers du Val Brenn; nearest: VB-25-"):
        one_inspection.inspection(EVERYTHING, sample_snapshot, "Foyers du Val Brenn", "VB-25-9999")


@pytest.mark.slow
def test_others_see_neither_the_agency_nor_personal_readings(sample_snapshot, some):
    stranger = Viewer(("Ouvray Plateau Energy Aid",))
    with pytest.raises(NotFound) as error:
        one_inspection.inspection(stranger, sample_snapshot, "Hollin Peaks Home Repair", "2")
    assert "there are: Ouvray Plateau Energy Aid" in str(error.value)
    with pytest.raises(NotFound):
        one_home.home(stranger, sample_snapshot, "Hollin Peaks Home Repair", some[0].home_id)
    for one in some:
        shown = one_inspection.inspection(
            Viewer(personal=False), sample_snapshot, one.agency, one.inspection_id
        )
        assert {reading.field for reading in shown.readings} == {
            reading.field for reading in one.readings
        } - set(PERSONAL)
    assert any(reading.field in PERSONAL for one in some for reading in one.readings)


def test_cells_not_used_are_told_with_what_would_be_accepted(sample_snapshot):
    (agency, inspection), *_ = sample_snapshot.rows("""
        SELECT r.agency, r.inspection_id
        FROM readings AS r
        JOIN not_loaded AS n USING (export_id, source_line)
        WHERE n.raw_text = '300 psi' AND n.extent = 'cell'""")
    found = one_inspection.inspection(EVERYTHING, sample_snapshot, agency, inspection)
    assert [(one.field, one.raw_text, one.reason, one.expected) for one in found.unused] == [
        ("relief_setting_psig", "300 psi", "outside the plausible range", "1 to 200 psi")
    ]
    assert "relief_setting_psig" not in {reading.field for reading in found.readings}
    assert "'300 psi': outside the plausible range; accepted: 1 to 200 psi" in explain.as_text(found)


def test_rows_not_in_force_are_named_beside_the_one_that_is(tmp_path):
    fleet = Fleet(tmp_path / "fleet").create()
    row = (
        "inspection_id,home_id,inspected_on,heating_system,cold_pressure_psig,notes\n"
        "7,1,2026-01-02,hot_water,{},{}\n"
    )
    for name, pressure, notes in (("first.csv", "9", "x"), ("second.csv", "12", "seen again")):
        (tmp_path / name).write_text(row.format(pressure, notes))
        door.load(fleet, [tmp_path / name], agency="North Aid")
    snapshot = snapshots.attach(stages.build(fleet))
    found = one_inspection.inspection(EVERYTHING, snapshot, "North Aid", "7")
    assert (found.source.file_name, found.source.source_line, found.source.row_status) == (
        "second.csv",
        2,
        "in force",
    )
    assert [(one.file_name, one.row_status) for one in found.other_rows] == [("first.csv", "superseded")]
    assert {reading.field: reading.value for reading in found.readings}["cold_pressure_psig"] == 12.0
    assert "also received: first.csv, line 2: superseded" in explain.as_text(found)


def test_json_has_the_names_others_rely_on(some):
    for one in some:
        document = json.loads(json.dumps(explain.as_json(one), allow_nan=False))
        assert {"readings", "recomputed", "results", "causes"} <= document.keys()
        assert all(
            {"field", "value", "file_name", "source_line"} <= reading.keys()
            for reading in document["readings"]
        )
        assert set(COLUMNS + FLAGS) == document["recomputed"].keys()
        assert all(
            {
                "check_id",
                "outcome",
                "observed",
                "low",
                "high",
                "observed_text",
                "certainty",
                "reason",
                "reason_field",
            }
            <= result.keys()
            for result in document["results"]
        )


def test_text_names_file_line_every_outcome_and_the_cautions(some):
    for one in some:
        text = explain.as_text(one)
        assert (
            f"{one.source.file_name}, line {one.source.source_line}" in text
            and "None" not in text
            and "nan" not in text.split()
        )
        flowed = " ".join(text.split())
        assert [caution for caution in CAUTIONS if caution not in flowed] == []
        for result in one.results:
            assert result.check_id in text
            assert (f"remedy: {result.check.remedy}" in flowed) or result.outcome != "deficient"
            assert (result.check.title in text) is (
                result.outcome == "deficient" or any(result.check.title in cause.text for cause in one.causes)
            )


# ---- what a number rests on

LIMITS = shipped_policy().quoted
TALL = SOUND | {
    "top_height_ft": 30.0,
    "cold_pressure_psig": 17.0,
    "hot_pressure_psig": 22.0,
    "fill_setting_psig": None,
    "precharge_psig": 16.0,
    "tank_temperature_f": 80.0,
    "buffer_tank_gal": None,
}
WITHOUT_CHARGE = TALL | {"precharge_psig": None, "precharge_system_side": None}
STEEL = WITHOUT_CHARGE | {"tank_type": "plain_steel", "tank_volume_gal": 16.0, "hot_pressure_psig": 24.0}
# (what is left out, what may stand there instead, the same otherwise, what is then said)
LEFT_OUT = (
    (
        {"elevation_ft": None, "place_elevation_ft": 1000.0, "place_spread_ft": 100.0},
        {"elevation_ft": 1000.0},
        {"elevation_ft": 4000.0},
        "elevation estimated from the place",
    ),
    (
        {"top_height_ft": None},
        {"top_height_ft": 30.0},
        {"top_height_ft": 34.0},
        "height estimated from stories and where the boiler stands",
    ),
    (
        {"system_volume_gal": None},
        {"system_volume_gal": 40.0},
        {"system_volume_gal": 55.0},
        "volume estimated from the boiler's output and the emitters",
    ),
    (
        {"buffer_tank": None},
        {"buffer_tank": "no"},
        {"buffer_tank": "yes", "buffer_tank_gal": 20.0},
        "no buffer tank recorded: none taken",
    ),
    (
        {"antifreeze": None},
        {"antifreeze": "none"},
        {"antifreeze": "propylene_glycol", "antifreeze_percent": 40.0},
        "antifreeze not recorded: reckoned as water",
    ),
    (
        {"pipe_material": None},
        {"pipe_material": "steel"},
        {"pipe_material": "pex"},
        "pipe not recorded: steel taken",
    ),
    (
        {"cold_temperature_f": None},
        {"cold_temperature_f": 60.0},
        {"cold_temperature_f": 80.0},
        "cold temperature not recorded: 60 °F taken",
    ),
    (
        {"high_limit_f": None},
        {"high_limit_f": 180.0},
        {"high_limit_f": 200.0},
        "high limit not recorded: 180 °F taken",
    ),
    (
        {"tank_temperature_f": None},
        {"tank_temperature_f": 60.0},
        {"tank_temperature_f": 90.0},
        "temperature of the tank not recorded: 60 °F taken",
    ),
    (
        {"tank_above_gauge_ft": None},
        {"tank_above_gauge_ft": 0.0},
        {"tank_above_gauge_ft": 4.0},
        "height of the tank above the gauge not recorded: 0 ft taken",
    ),
)


def quantities(row):
    recomputed = batch([row])
    values = {name: float(recomputed[name].value[0]) for name in COLUMNS}
    return {name: value if np.isfinite(value) else None for name, value in values.items()} | {
        name: bool(recomputed[name][0]) for name in FLAGS
    }


@pytest.mark.parametrize(
    "loop", [TALL, WITHOUT_CHARGE, STEEL], ids=["trusted charge", "no trusted charge", "compression tank"]
)
@pytest.mark.parametrize(
    ("without", "one_way", "another", "said"), LEFT_OUT, ids=[entry[3].split(":")[0] for entry in LEFT_OUT]
)
def test_a_number_rests_on_exactly_what_would_change_it(loop, without, one_way, another, said):
    """A quantity is said to rest on what was left out where, and only where, recording it changes it."""
    row = dict.fromkeys(BY_NAME) | loop | without
    values = quantities(loop | without)
    taken = {
        name
        for text, names in one_inspection.assumptions(row, values, LIMITS)
        if text == said
        for name in names
        if values[name] is not None
    }
    one, other = quantities(loop | one_way), quantities(loop | another)
    assert all(one[name] is not None and other[name] is not None for name in taken)
    moved = {name for name in COLUMNS if values[name] is not None and one[name] != other[name]}
    assert taken == moved


def test_nothing_is_said_to_be_taken_where_all_is_recorded():
    row = dict.fromkeys(BY_NAME) | TALL | {"buffer_tank": "no"}
    assert one_inspection.assumptions(row, quantities(TALL), LIMITS) == []


def test_a_limit_a_region_may_change_is_not_quoted():
    row = dict.fromkeys(BY_NAME) | TALL | {"high_limit_f": None}
    ((said, _),) = one_inspection.assumptions(
        row,
        quantities(TALL | {"high_limit_f": None}),
        {name: value for name, value in LIMITS.items() if name != "high_limit_missing_f"},
    )
    assert said == "high limit not recorded: the policy's temperature taken"


# ---- one home


@lru_cache
def told_home(snapshot, agency, home_id):
    return one_home.home(EVERYTHING, snapshot, agency, home_id, date(2026, 6, 1))


@pytest.fixture(scope="module")
def homes(sample_snapshot):
    """Homes with many visits, with several systems, and in every state."""
    keys = sample_snapshot.rows("""
        (SELECT agency, home_id FROM homes ORDER BY visits DESC, agency, home_id LIMIT 3)
        UNION
        (SELECT agency, home_id FROM state_columns GROUP BY ALL HAVING count(*) > 1 ORDER BY ALL LIMIT 3)
        UNION SELECT agency, min(home_id) FROM home_checks GROUP BY agency, state ORDER BY ALL""")
    return [told_home(sample_snapshot, *key) for key in keys]


def test_a_home_has_every_visit_once_in_the_order_of_history(sample_snapshot, homes):
    for home in homes:
        expected = sample_snapshot.rows(
            """
            SELECT inspection_id
            FROM readings
            WHERE agency = ? AND home_id = ?
            ORDER BY inspected_on,
                CASE inspection_kind
                    WHEN 'initial' THEN 0 WHEN 'service' THEN 1 WHEN 'final' THEN 2 WHEN 'qa' THEN 3 ELSE 4
                END, updated_at NULLS FIRST, inspection_id""",
            [home.agency, home.home_id],
        )
        visits = [visit.inspection_id for visit in home.visits]
        assert sorted(visits) == sorted(one for (one,) in expected) and [
            visit.inspected_on for visit in home.visits
        ] == sorted(visit.inspected_on for visit in home.visits)
        if len(home.systems) == 1:
            assert visits == [one for (one,) in expected]
    assert max(len(home.visits) for home in homes) > 2 and max(len(home.systems) for home in homes) > 1


def test_every_check_of_every_system_has_its_state_and_what_each_visit_said(sample_snapshot, homes):
    stained = set(
        sample_snapshot.rows(
            "SELECT agency, inspection_id, outcome FROM results WHERE check_id = 'relief-stained'"
        )
    )
    for home in homes:
        assert [(one.system_id, one.check_id) for one in home.checks] == [
            (system, check.id) for system in home.systems for check in HOME_CHECKS
        ]
        states = sample_snapshot.rows(
            """
            SELECT system_id, check_id, state, stage, since, verified_on, inspection_id, risk
            FROM home_checks
            WHERE agency = ? AND home_id = ?""",
            [home.agency, home.home_id],
        )
        assert {
            (
                one.system_id,
                one.check_id,
                one.state,
                one.stage,
                one.since,
                one.verified_on,
                one.inspection_id,
                one.risk,
            )
            for one in home.checks
        } == set(states)
        for one in home.checks:
            assert [visit for visit, *_ in one.visits] == [
                visit.inspection_id for visit in home.visits if visit.system_id == one.system_id
            ]
            if one.check_id == "relief-stained":
                assert {(home.agency, visit, outcome) for visit, outcome, _ in one.visits} <= stained


def test_a_homes_counts_are_those_of_its_checks(homes):
    for home in homes:
        opened = [one for one in home.checks if one.risk is not None]
        assert len(opened) == home.open_deficiencies and all(one.since and one.stage for one in opened)
        assert (home.risk is None) == (not opened)
        assert all(one.overdue == (one.due is not None and one.due < date(2026, 6, 1)) for one in home.checks)
    assert any(home.open_deficiencies for home in homes)


def test_without_a_day_nothing_is_late(sample_snapshot, homes):
    one = next(home for home in homes if home.open_deficiencies)
    again = one_home.home(EVERYTHING, sample_snapshot, one.agency.upper(), f" {one.home_id} ")
    assert (
        again.home_id == one.home_id
        and not any(check.overdue for check in again.checks)
        and [check.due for check in again.checks] == [check.due for check in one.checks]
    )


def test_a_homes_personal_fields_stay_with_those_who_may_see_them(sample_snapshot, homes):
    with_inspector = next(home for home in homes if any(visit.inspector for visit in home.visits))
    hidden = one_home.home(
        Viewer(personal=False), sample_snapshot, with_inspector.agency, with_inspector.home_id
    )
    assert hidden.address is None and {visit.inspector for visit in hidden.visits} == {None}


def test_an_unknown_home_names_the_nearest(sample_snapshot):
    with pytest.raises(NotFound, match="no home 'F9999' of Foyers du Val Brenn; nearest: F"):
        one_home.home(EVERYTHING, sample_snapshot, "Foyers du Val Brenn", "F9999")


# ---- from the number to the cell


RAW = """Visit;Haus;Tag;Kalt;Kalt (2);Warm F;Zeichen;Straße;Gemein
V-1;H-1;03.02.2026; 0,83 ;;"=178";N/K;Am Hang 3;x
V-2;H-2;04.02.2026;12 psi;12 psi;;works;;y
"""
RAW_MAPPING = """
agency = "Alder"
dates = "dmy"
decimal = ","
ignore = ["Gemein"]
columns.Visit = { field = "inspection_id" }
columns.Haus = { field = "home_id" }
columns.Tag = { field = "inspected_on" }
columns.Kalt = { field = "cold_pressure_psig", unit = "bar" }
columns."Warm F" = { field = "hot_temperature_f" }
columns.Zeichen = { field = "boiler_gauge" }
columns."Straße" = { field = "address" }
"""


@pytest.fixture
def raw(tmp_path):
    """A fleet that holds one export in another's headings, units and encoding."""
    fleet = Fleet(tmp_path / "fleet")
    fleet.create()
    (fleet.mappings / "alder.toml").write_text(RAW_MAPPING, encoding="utf-8")
    (tmp_path / "raw.csv").write_bytes(RAW.encode("cp1252"))
    door.load(fleet, [tmp_path / "raw.csv"])
    return fleet, snapshots.Snapshot(stages.build(fleet))


def cells_of(snapshot, inspection_id, viewer=EVERYTHING):
    found = one_inspection.inspection(viewer, snapshot, "Alder", inspection_id)
    assert not found.cells_lacking
    return {
        one.field: (one.text, [(cell.heading, cell.raw_text, cell.unit) for cell in one.cells])
        for one in found.readings
    }


def test_a_number_leads_to_the_cell_it_was_read_from(raw):
    found = cells_of(raw[1], "V-1")
    assert found["cold_pressure_psig"] == ("12.0 psi", [("Kalt", " 0,83 ", "bar"), ("Kalt (2)", "", "bar")])
    assert found["inspected_on"] == ("2026-02-03", [("Tag", "03.02.2026", "")])
    assert found["address"] == ("Am Hang 3", [("Straße", "Am Hang 3", "")])
    assert found["agency"] == ("Alder", [])
    assert "boiler_gauge" not in found
    assert "address" not in cells_of(raw[1], "V-1", Viewer(personal=False))
    text = explain.as_text(one_inspection.inspection(EVERYTHING, raw[1], "Alder", "V-1"))
    assert "Kalt: ' 0,83 ' (bar)" in text
    document = explain.as_json(one_inspection.inspection(EVERYTHING, raw[1], "Alder", "V-2"))
    cold = next(one for one in document["readings"] if one["field"] == "cold_pressure_psig")
    assert cold["cells"][0] == {"heading": "Kalt", "raw_text": "12 psi", "unit": "psi"}


def test_cells_are_read_as_the_snapshot_read_them(raw):
    """A mapping that has changed since says nothing of what an older snapshot rests on."""
    fleet, snapshot = raw
    (fleet.mappings / "alder.toml").write_text(RAW_MAPPING.replace("bar", "kPa"), encoding="utf-8")
    assert cells_of(snapshot, "V-1")["cold_pressure_psig"][1][0] == ("Kalt", " 0,83 ", "bar")
    (fleet.mappings / "alder.toml").unlink()
    assert cells_of(snapshot, "V-1")["cold_pressure_psig"][1][0] == ("Kalt", " 0,83 ", "bar")


def test_an_export_that_is_gone_is_said_and_the_readings_stay(raw):
    fleet, snapshot = raw
    for path in fleet.exports.iterdir():
        path.unlink()
    found = one_inspection.inspection(EVERYTHING, snapshot, "Alder", "V-1")
    assert "no longer holds" in found.cells_lacking and len(found.readings) > 5
    assert {one.cells for one in found.readings} == {()}
    assert "no longer holds" in explain.as_text(found)


def test_every_reading_of_the_samples_comes_from_a_filled_cell(some):
    """Of files in five dialects; a number in its field's own unit is the number in the cell."""
    compared = 0
    for one in some:
        assert not one.cells_lacking
        for reading in one.readings:
            filled = [cell for cell in reading.cells if cell.raw_text.strip()]
            assert filled or reading.field in ("agency", "region"), (one.source, reading)
            if isinstance(reading.value, float) and filled[0].unit == phrases.unit_said(
                BY_NAME[reading.field].unit
            ):
                number = filled[0].raw_text.replace(",", ".").split()[0]
                if number.replace(".", "").isdigit():
                    compared += float(number) == reading.value
                    assert float(number) == reading.value, (one.source, reading)
    assert compared > 200
