"""The sample exports: made again byte for byte, invented throughout, and as hard to read as intended."""

import ast
import csv
import importlib.util
import os
import re
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

SAMPLES = Path(__file__).resolve().parent.parent / "sample_exports"
PLANTED = SAMPLES / "planted"
MADE = (
    "tillamere-community-partners.csv", "ouvray-plateau-energy-aid.csv", "foyers-du-val-brenn.csv",
    "hollin-peaks-home-repair.csv",
    "planted/truth.csv", "planted/crews.csv", "fleet/places.csv",
)  # fmt: skip


def rows_of(name, *, encoding="utf-8", delimiter=",", titles=0):
    with open(SAMPLES / name, encoding=encoding, newline="") as file:
        lines = list(csv.reader(file, delimiter=delimiter))[titles:]
    return [dict(zip(lines[0], line, strict=True)) for line in lines[1:]]


@pytest.fixture(scope="module")
def truth():
    return rows_of("planted/truth.csv")


@pytest.fixture(scope="module")
def physics():
    """The generator's own physics, loaded from its file."""
    spec = importlib.util.spec_from_file_location("planted_physics", PLANTED / "physics.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def true(row, check):
    return row[check] == "1"


# The files -------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_made_again_byte_for_byte(tmp_path):
    plain = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
    for hashing in ("1", "2"):  # the order of sets and dicts must not show
        into = tmp_path / hashing
        subprocess.run(
            [sys.executable, "-B", str(PLANTED / "make.py"), str(into)],
            check=True,
            env=plain | {"PYTHONHASHSEED": hashing},
        )
        for name in MADE:
            assert (into / name).read_bytes() == (SAMPLES / name).read_bytes(), name
        assert {path.relative_to(into).as_posix() for path in into.rglob("*") if path.is_file()} == set(MADE)


def test_generator_stands_alone():
    own = {path.stem for path in PLANTED.glob("*.py")}
    for path in PLANTED.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = (
                [alias.name for alias in node.names]
                if isinstance(node, ast.Import)
                else [node.module]
                if isinstance(node, ast.ImportFrom)
                else []
            )
            for name in names:
                top = name.partition(".")[0]
                assert top in own or top in sys.stdlib_module_names, f"{path.name} imports {name}"


def test_small_enough():
    assert (
        sum(
            path.stat().st_size
            for path in SAMPLES.rglob("*")
            if path.is_file() and "__pycache__" not in path.parts
        )
        < 3_000_000
    )


def test_no_household_is_described():
    for name in MADE[:4]:
        head = (SAMPLES / name).read_bytes()[:4000].decode("windows-1252").casefold()
        for word in ("elderly", "disabled", "children", "burden", "owner", "tenant", "phone", "e-mail"):
            assert word not in head.split("\n")[0 if "foyers" not in name else 3], f"{name}: {word}"


# The fleet -------------------------------------------------------------------------------------------------


def test_size_of_the_fleet(truth):
    homes = {(row["agency"], row["home_id"]) for row in truth}
    days = [row["inspected_on"] for row in truth]
    assert 1400 <= len(homes) <= 1600 and 2800 <= len(truth) <= 3300
    assert min(days) >= "2025-03-01" and max(days) <= "2026-08-31"
    assert 12 <= len({(row["agency"], row["crew"]) for row in truth if row["crew"]}) <= 20
    assert {"initial", "final", "qa", "service"} == {row["inspection_kind"] for row in truth}
    seen = [float(row["elevation_ft"]) for row in truth]
    assert min(seen) < 100 and 7500 < max(seen) <= 8000


def test_inspections_are_unique_within_an_agency(truth):
    assert max(Counter((row["agency"], row["inspection_id"]) for row in truth).values()) == 1


def test_two_agencies_share_ids_and_a_crew(truth):
    ids, crews = {}, {}
    for row in truth:
        ids.setdefault(row["agency"], set()).add(row["inspection_id"])
        crews.setdefault(row["agency"], set()).add(row["crew"])
    sharing = [agency for agency in ids if "1" in ids[agency] and "Crew 1" in crews[agency]]
    assert len(sharing) == 2
    assert len(ids[sharing[0]] & ids[sharing[1]]) > 500


def test_half_of_one_agency_is_not_hot_water(truth):
    rows = [row for row in truth if row["agency"] == "Hollin Peaks Home Repair"]
    others = [row for row in rows if row["heating_system"] != "hot_water"]
    assert 0.4 < len(others) / len(rows) < 0.6
    assert {"warm_air", "steam", "heat_pump", "other"} <= {row["heating_system"] for row in others}
    checks = [name for name in rows[0] if "-" in name]
    assert all(row[check] == "" for row in others for check in checks)


def test_what_each_export_is_like():
    own = (SAMPLES / MADE[0]).read_bytes().decode("utf-8").split("\n", 1)[0].split(",")
    assert len(own) > 70 and "cold_pressure_psig" in own
    metric = rows_of(MADE[1])
    assert {
        "File no",
        "Visit no",
        "Cold kPa",
        "Relief bar",
        "Cold °C",
        "Elevation m",
        "Water content L",
        "Boiler output kW",
    } <= metric[0].keys()
    raw = (SAMPLES / MADE[2]).read_bytes()
    with pytest.raises(UnicodeDecodeError):
        raw.decode("utf-8")
    accented = rows_of(MADE[2], encoding="windows-1252", delimiter=";", titles=3)
    texts = [row["Pression à froid"] for row in accented]
    assert any(re.fullmatch(r"\d+,5 psi", text) for text in texts) and any(
        text.endswith(" kPa") for text in texts
    )
    assert accented[-1]["N° de visite"] == "Total"
    sparse = rows_of(MADE[3])
    assert 12 <= len(sparse[0]) <= 15 and not any("elev" in heading.casefold() for heading in sparse[0])
    places = rows_of("fleet/places.csv")
    assert list(places[0]) == ["agency", "postal_code", "region", "elevation_ft", "spread_ft"]
    assert {row["ZIP"] for row in sparse if row["ZIP"]} == {row["postal_code"] for row in places}


# The generator's physics against print ---------------------------------------------------------------------

# °F, ft³/lb: printed table of specific volumes of water (engineeringtoolbox.com, no. 661)
PRINTED_VOLUMES = (
    (32, 0.01602), (40, 0.01602), (50, 0.01602), (60, 0.01603), (70, 0.01605), (80, 0.01607), (100, 0.01613),
    (120, 0.01620), (140, 0.01629),
    (160, 0.01640), (180, 0.01651), (190, 0.01657), (200, 0.01664), (212, 0.01672), (220, 0.01678),
)  # fmt: skip
# ft, psia: table of the ASHRAE Handbook, Fundamentals, chapter 1, as reproduced at engineersedge.com
PRINTED_ATMOSPHERES = (
    (0, 14.696),
    (500, 14.430),
    (1000, 14.175),
    (2000, 13.664),
    (3000, 13.173),
    (5000, 12.230),
    (6000, 11.778),
    (7000, 11.341),
    (8000, 10.914),
)


def test_water_against_a_printed_table(physics):
    for temperature_f, printed in PRINTED_VOLUMES:
        assert 1 / physics.water_density_lb_ft3(temperature_f) == pytest.approx(
            printed, abs=1e-5
        )  # the last printed digit


def test_atmosphere_against_a_printed_table(physics):
    for elevation_ft, printed in PRINTED_ATMOSPHERES:
        assert physics.atmosphere_psia(elevation_ft) == pytest.approx(printed, abs=0.005)


def test_tanks_against_a_printed_example(physics):
    """ASHRAE Handbook, HVAC Systems and Equipment: 3,000 gal, steel,
    40 to 220 °F, 10 to 25 psig: 578 and 344 gal (from memory).
    """
    expansion = 3000 * physics.net_expansion(40, 220, "steel")
    assert physics.required_tank_gal(expansion, 24.7, 39.7, 14.7) == pytest.approx(
        578, abs=2
    )  # its volumes are of older tables
    assert physics.required_tank_gal(expansion, 24.7, 39.7) == pytest.approx(344, abs=1)


@pytest.mark.parametrize(("charge", "printed_gal"), [(94.7, 5.44), (54.7, 9.4)])
def test_a_tank_of_the_printed_size_reaches_the_printed_pressure(physics, charge, printed_gal):
    """Griffith, Thermal Expansion Tanks Part 2: 2 gal from
    94.7 to 149.7 psia, charged to the line or left at 40 psig.
    """
    exact = 2.0 / (charge / 94.7 - charge / 149.7)
    assert exact == pytest.approx(printed_gal, abs=0.03)
    hot = physics.hot_pressure_psia(
        charge * exact, exact, 94.7, 2.0, 0.0
    )  # no loop water, so nothing but gas yields
    assert hot == pytest.approx(149.7, abs=0.01)


def test_no_cushion_no_pressure(physics):
    assert physics.hot_pressure_psia(26.7 * 0.2, 0.2, 26.7, 1.0, 40.0) == float("inf")


# The truth agrees with itself ------------------------------------------------------------------------------


def test_relief_valves_cap_the_pressure(truth):
    wet = capped = 0
    for row in truth:
        if (
            row["heating_system"] != "hot_water"
            or not row["relief_setting_psig"]
            or true(row, "relief-did-not-open")
        ):
            continue
        setting, hot = float(row["relief_setting_psig"]), float(row["hot_pressure_psig"])
        free = float("inf") if row["hot_free_psig"] == "no cushion" else float(row["hot_free_psig"])
        # A valve that is stuck and not dry does not occur.
        if hot > setting + (3 if setting <= 60 else 0.05 * setting):
            pytest.fail(f"{row['agency']} {row['inspection_id']}: {hot} over {setting}")
        if free > 1.05 * setting and hot < 1.04 * setting:
            capped += 1
            wet += true(row, "relief-stained") or true(row, "relief-discharging")
            assert hot > 0.9 * setting
    assert capped > 100 and wet == capped


def test_flags_follow_from_the_true_values(truth):
    counted = Counter()
    for row in truth:
        if row["heating_system"] != "hot_water":
            continue

        def number(name, row=row):
            return float(row[name])

        for check, wrong in {
            "cold-pressure-low": lambda: number("cold_pressure_psig") < number("required_cold_psig"),
            "cold-pressure-high": lambda: number("cold_pressure_psig") > number("should_have_psig") + 5,
            "tank-undersized": lambda: number("tank_volume_gal") < number("required_tank_gal"),
            "tank-cushion-lost": lambda: number("gas_fraction") < 0.5,
            "precharge-low": lambda: number("charge_psig") < number("fill_at_tank_psig") - 2,
            "precharge-high": lambda: number("charge_psig") > number("fill_at_tank_psig") + 2,
            "hot-pressure-near-relief": lambda: (
                number("hot_pressure_psig") > 0.9 * number("relief_setting_psig")
            ),
        }.items():
            if row[check]:
                counted[check] += wrong() == true(row, check)
                counted[check, "all"] += 1
    for check in [name for name in counted if isinstance(name, str)]:
        assert (
            counted[check] >= 0.998 * counted[check, "all"]
        )  # printed roundings may tip a value at its limit


def test_most_faults_are_planted_with_a_margin(truth):
    for check in (
        "tank-cushion-lost",
        "tank-undersized",
        "precharge-low",
        "precharge-high",
        "cold-pressure-high",
    ):
        wrong = [row for row in truth if row[check] == "1"]
        assert len(wrong) >= 60
        assert sum(check in row["near_limit"].split(";") for row in wrong) <= 0.25 * len(wrong)


def test_trustworthy_rows_were_taken_well(truth):
    rows = [row for row in truth if row["complete_and_trustworthy"] == "1"]
    assert len(rows) > 1200
    assert all(row["habits"] == "" and row["kept_out"] == "" for row in rows)
    assert all(57 <= float(row["cold_temperature_f"]) <= 79 for row in rows)


def test_readings_handed_in_twice(truth):
    """Five equal readings at two homes within a week by one inspector, in the export as in the truth."""
    five = (
        "cold_pressure_psig",
        "hot_pressure_psig",
        "cold_temperature_f",
        "hot_temperature_f",
        "precharge_psig",
    )
    readings = {row["inspection_id"]: row for row in rows_of(MADE[0])}
    marked = [row for row in truth if row["readings-repeated"] == "1"]
    assert len(marked) >= 10
    sets = Counter(tuple(readings[row["inspection_id"]][name] for name in five) for row in marked)
    assert min(sets.values()) >= 2 and all("" not in each for each in sets)
    copied = [row for row in marked if row["habits"]]
    assert all(row["inspector"] == "S. W." and row["complete_and_trustworthy"] == "0" for row in copied)


# Read by the intake ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def typed():
    """file name → (readings, not loaded) as the intake gives them."""
    pa = pytest.importorskip("pyarrow")
    reader = pytest.importorskip("pipelines.intake.reader")
    from pipelines.intake import mapping, recognition, rows

    mappings = mapping.load_mappings(SAMPLES / "fleet" / "mappings")
    out = {}
    for name in MADE[:4]:
        known = {heading for each in mappings for heading in each.mapped_headings}
        export = reader.open_export(SAMPLES / name, mapped_headings=known)
        found = recognition.recognize(export.headings, mappings)
        assert found.mapping is not None, f"{name}: {found.why}"
        assert recognition.unmapped(export.headings, found.mapping) == (), name
        assert recognition.heading_warnings(export.headings, found.mapping) == (), name
        batches = [rows.type_batch(batch, found.mapping, file_name=name) for batch in export.batches()]
        readings = pa.concat_tables([batch.table for batch in batches]).to_pylist()
        lost = pa.concat_tables([batch.not_loaded for batch in batches]).to_pylist()
        out[name] = readings, lost, export.damage
    return out


def test_all_four_load_and_only_the_slips_are_kept_out(typed, truth):
    for name, (readings, lost, damage) in typed.items():
        agency = readings[0]["agency"]
        rows = [row for row in truth if row["agency"] == agency]
        whole_rows = sum(entry["extent"] == "row" for entry in lost) + len(damage)
        totals = name in MADE[2:4]
        assert whole_rows == sum(row["kept_out"] == "row" for row in rows) + totals, name
        spoiled = Counter(row["kept_out"] for row in rows if row["kept_out"] not in ("", "row"))
        assert Counter(entry["field"] for entry in lost if entry["extent"] == "cell") == spoiled, name
        read = {row["inspection_id"] for row in readings}
        assert read == {row["inspection_id"] for row in rows if row["kept_out"] != "row"}, name


def test_what_was_read_is_what_was_planted(typed, truth):
    """Words and settings of an export, once read, against the truth; pressures within the gauge's noise."""
    planted = {(row["agency"], row["inspection_id"]): row for row in truth}
    compared = Counter()
    for readings, _, _ in typed.values():
        for row in readings:
            own = planted[row["agency"], row["inspection_id"]]
            assert row["home_id"] == own["home_id"] and str(row["inspected_on"]) == own["inspected_on"]
            assert (row["crew"] or "") == own["crew"] and row["inspection_kind"] == own["inspection_kind"]
            assert row["heating_system"] in (own["heating_system"], None)
            if own["heating_system"] != "hot_water":
                continue
            assert row["tank_type"] in (own["tank_type"], None)
            if row["relief_setting_psig"] is not None:
                assert row["relief_setting_psig"] == float(own["relief_setting_psig"])
            if row["elevation_ft"] is not None:
                assert row["elevation_ft"] == pytest.approx(float(own["elevation_ft"]), abs=3)
            if own["complete_and_trustworthy"] == "1":
                assert row["cold_pressure_psig"] == pytest.approx(float(own["cold_pressure_psig"]), abs=5.5)
                assert row["hot_pressure_psig"] == pytest.approx(float(own["hot_pressure_psig"]), abs=5.5)
                assert row["system_volume_gal"] is not None and row["high_limit_f"] is not None
                compared["whole"] += 1
    assert compared["whole"] > 1200
