"""Inspections written down as words and numbers, and the sample exports as one batch, for tests of the
engineering core.
"""

import csv
import shutil
import tempfile
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

import numpy as np

from pipelines.engine.arrays import Readings, Words, from_arrow, known
from pipelines.engine.checks import BY_ID, CHECKS
from pipelines.engine.policy import policy as policies
from pipelines.engine.quantities.resolver import Recomputed
from pipelines.engine.reasons import REASONS
from pipelines.engine.results import OUTCOMES, results
from pipelines.fields import BY_NAME, DATE, FIELDS, NUMBER, WORD
from pipelines.fleet import publishing, snapshots
from pipelines.fleet.folder import Fleet
from pipelines.receiving import door
from pipelines.snapshot import (
    batches,
    comparison,
    crew_names,
    exports,
    homes,
    inputs,
    places,
    precedence,
    stages,
    tables,
    workers,
)
from pipelines.snapshot.progress import Progress

SAMPLES = Path(__file__).resolve().parent.parent / "sample_exports"

# A sound loop of 40 gal at sea level, diaphragm tank, everything recorded. Invented.
SOUND = dict(
    inspected_on=date(2026, 3, 10),
    inspection_kind="final",
    stated_result="pass",
    elevation_ft=0.0,
    stories=2.0,
    boiler_level="basement",
    top_height_ft=16.0,
    water_source="public",
    heating_system="hot_water",
    boiler_output_btuh=90_000.0,
    boiler_max_pressure_psig=30.0,
    boiler_min_pressure_psig=8.0,
    boiler_year=2012.0,
    emitter="fin_tube",
    system_volume_gal=40.0,
    buffer_tank="no",
    pipe_material="copper",
    antifreeze="none",
    water_treatment="no",
    domestic_coil="none",
    supply_pressure_psig=60.0,
    fill_setting_psig=12.0,
    fill_connection="automatic",
    cold_pressure_psig=12.0,
    cold_temperature_f=60.0,
    cold_reading_state="heat_off",
    hot_pressure_psig=17.0,
    hot_temperature_f=180.0,
    hot_reading_state="all_zones_hot",
    high_limit_f=180.0,
    pressure_read_with="test_gauge",
    boiler_gauge="works",
    leaks_seen="none",
    tank_type="diaphragm",
    tank_volume_gal=6.0,
    tank_above_gauge_ft=0.0,
    tank_temperature_f=60.0,
    precharge_psig=12.0,
    precharge_system_side="relieved",
    tank_air_valve="air",
    tank_tap="hollow",
    tank_valve="open",
    relief_present="yes",
    relief_setting_psig=30.0,
    relief_capacity_btuh=200_000.0,
    relief_mounting="on_boiler",
    relief_discharge_end="visible_drain",
    relief_discharge_pipe="full_size",
    relief_signs="dry",
    backflow_device="reduced_pressure",
    backflow_tested_on=date(2025, 9, 1),
    vent_cap="loose",
    thermostat="mechanical",
    anticipator_a=0.40,
    controlled_current_a=0.40,
    low_water_cutoff="probe_or_float",
    low_water_cutoff_test="stopped_burner",
    makeup_gal_per_month=0.1,
    repeated_elsewhere=0.0,
    changed_unexplained=0.0,
    other_address=0.0,
)
# What differs in the same loop with a steel compression tank and a plug in place of the vent; no charge can
# be read.
STEEL = dict(
    tank_type="plain_steel",
    tank_volume_gal=16.0,
    precharge_psig=None,
    precharge_system_side=None,
    tank_air_valve=None,
    tank_tap="half",
    tank_temperature_f=None,
    vent_cap="no_vent",
    hot_pressure_psig=17.5,
)
NO_TANK = dict(
    tank_type="none",
    tank_volume_gal=None,
    precharge_psig=None,
    tank_valve=None,
    tank_air_valve=None,
    tank_tap=None,
)
BUILT_IN = dict(
    tank_type="built_in", tank_volume_gal=None, precharge_psig=None, tank_air_valve=None, tank_tap=None
)
NO_RELIEF = dict(
    relief_present="no",
    relief_setting_psig=None,
    relief_capacity_btuh=None,
    relief_mounting=None,
    relief_discharge_end=None,
    relief_discharge_pipe=None,
    relief_signs=None,
)
FLEETWIDE = {
    "makeup_gal_per_month": "no earlier meter reading",
    "repeated_elsewhere": "fewer than five readings to compare",
    "changed_unexplained": "heating system not recorded",
    "other_address": "address or postal code not recorded",
}


@lru_cache
def shipped_policy():
    return policies.load()


def batch(rows, policy=None, places=None):
    """Recomputed of a batch: `rows` are dicts of readings, None or absent where not recorded.

    `places` (region per row) chooses a policy's regional overrides; `place_elevation_ft` and
    `place_spread_ft` in a row stand for the fleet's table of places.
    """

    def column(name):
        return [row.get(name) for row in rows]

    def floats(name):
        return np.array([np.nan if value is None else value for value in column(name)], dtype=float)

    numbers = {field.name: floats(field.name) for field in FIELDS if field.kind == NUMBER}
    numbers |= {name: floats(name) for name in ("place_elevation_ft", "place_spread_ft")}
    words = {field.name: Words.of(field.name, column(field.name)) for field in FIELDS if field.kind == WORD}
    dates = {
        field.name: np.array(column(field.name), dtype="datetime64[D]")
        for field in FIELDS
        if field.kind == DATE
    }
    unknown = (
        {name for row in rows for name in row} - set(BY_NAME) - set(numbers) - set(FLEETWIDE) - {"unusable"}
    )
    assert not unknown, f"no such readings: {unknown}"
    unusable = {
        name: np.array([name in row.get("unusable", ()) for row in rows])
        for row in rows
        for name in row.get("unusable", ())
    }
    readings = Readings(len(rows), numbers, words, dates, unusable=unusable)
    readings.fleetwide = {
        name: known(np.nan_to_num(floats(name))).withhold(np.isnan(floats(name)), reason)
        for name, reason in FLEETWIDE.items()
    }
    policy = policy or shipped_policy()
    return Recomputed(readings, policy.for_rows([("Agency", place) for place in places] if places else ()))


def judge(readings, check_id, policy=None, place=None):
    """One check of one inspection: (outcome, reason, field the reason is about, certainty, observed, low,
    high).
    """
    recomputed = batch([readings], policy, [place] if place else None)
    checks = CHECKS if "results" in BY_ID[check_id].uses else (BY_ID[check_id],)
    return one_row(results(recomputed, checks)[check_id])


def one_row(result, row=0):
    """A result's row in words and numbers."""
    field = int(result.about[row])
    return OneRow(
        OUTCOMES[result.outcome[row]],
        REASONS[result.reason[row]],
        FIELDS[field].name if field >= 0 else None,
        *(float(getattr(result, name)[row]) for name in ("certainty", "observed", "low", "high")),
    )


class OneRow(NamedTuple):
    """What a check found of one inspection; numbers NaN where there is none."""

    outcome: str
    reason: str
    field: str | None
    certainty: float
    observed: float
    low: float
    high: float


@lru_cache
def sample_inspections():
    """The sample exports as a build reads them: inspections in force as an Arrow table and as Readings."""
    with tempfile.TemporaryDirectory() as folder, publishing.scratch() as draft:
        fleet = Fleet(folder)
        fleet.create()
        shutil.copytree(SAMPLES / "fleet", folder, dirs_exist_ok=True)
        door.load(fleet, [SAMPLES])
        connection, progress = draft.connect(), Progress()
        tables.create(connection)
        exports.read_all(connection, fleet, fleet.received(), inputs.read(fleet), progress)
        precedence.settle(connection)
        places.places_table(connection, fleet.places.read_bytes(), fleet.places)
        crew_names.renamed_table(connection, ())
        comparison.compare(connection, shipped_policy())
        table = batches.batch(connection, 0, 1)
    readings = from_arrow(table)
    readings.fleetwide = workers.fleetwide(table, readings, homes.heating_changes(table, readings))
    return table, readings


def snapshot_of(folder, *files, policy=None):
    """A built fleet of canonical CSV files, each a list of rows (dicts; home_id, inspection_id and
    inspected_on at least).
    """
    fleet = Fleet(folder / "fleet").create()
    if policy:
        fleet.policy.write_text(policy, encoding="utf-8")
    for _ in loaded(fleet, folder, files):
        pass
    stages.build(fleet)
    return snapshots.attach(fleet.current())


def snapshot_of_cases(folder, cases):
    """One built fleet for many cases, lists of rows: those of a case are of an agency of its own."""
    return snapshot_of(
        folder, [row | {"agency": agency_of(number)} for number, rows in enumerate(cases) for row in rows]
    )


def agency_of(number):
    return f"Case {number}"


def loaded(fleet, folder, files):
    """Load canonical CSV files into a fleet, one after the other; yields after each."""
    for number, rows in enumerate(files, 1):
        headings = list(dict.fromkeys(name for row in rows for name in row if name in BY_NAME))
        path = folder / f"export-{number}.csv"
        with open(path, "w", encoding="utf-8", newline="") as out:
            lines = csv.DictWriter(out, headings, restval="", extrasaction="ignore")
            lines.writeheader()
            lines.writerows(
                {name: "" if value is None else value for name, value in row.items()} for row in rows
            )
        arrivals = door.load(fleet, [path])
        assert [arrival.status for arrival in arrivals] == ["loaded"], arrivals
        yield number
