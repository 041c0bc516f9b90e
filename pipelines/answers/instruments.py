"""How far to trust the readings: gauges and thermometers that are off, habits of reading, by inspector."""

import numpy as np
import pandas as pd
import pyarrow as pa

from pipelines.answers.access import Filters, Viewer, where
from pipelines.answers.targets import policy_of
from pipelines.audit.habits import HABITS, SHOWN
from pipelines.audit.references import CHARGE, PRESSURE, READINGS, TEMPERATURE
from pipelines.engine.arrays import NOT_RECORDED, Numbers, from_arrow
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.hydronics.atmosphere import atmosphere_psia
from pipelines.engine.quantities.resolver import Recomputed
from pipelines.engine.results import OUTCOMES, results
from pipelines.fleet.snapshots import Snapshot
from pipelines.snapshot.batches import BATCH_FIELDS

# What a gauge or thermometer that is off reads wrong.
OFF = {
    PRESSURE: ("cold_pressure_psig", "hot_pressure_psig"),
    CHARGE: ("precharge_psig",),
    TEMPERATURE: ("cold_temperature_f", "hot_temperature_f"),
}
WORKED_OUT_AT_MOST = 2_000  # visits, the newest ones
HEIGHTS_FT = np.arange(-1_500.0, 20_000.0, 10.0)
COMPARED_ELSEWHERE = ("makeup_gal_per_month", "repeated_elsewhere", "changed_unexplained", "other_address")
# The same numbers for the same people wherever their names must not be seen.
NUMBERS = """
    SELECT agency, name, 'inspector ' || dense_rank() OVER (PARTITION BY agency ORDER BY name) AS number
    FROM (
        SELECT agency, inspector AS name FROM readings WHERE inspector IS NOT NULL
        UNION
        SELECT agency, inspector FROM habits
        UNION
        SELECT agency, name FROM standings WHERE kind = 'inspector')"""


def shifts(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> pd.DataFrame:
    """What is known of every inspector's gauges and thermometers: the rows of `instruments`.

    By agency and alphabet; inspectors are numbered for viewers who may not see personal fields.
    """
    return _by_inspector(
        viewer, snapshot, filters, "instruments", f"list_position({list(READINGS)}, i.reading)"
    )


def habits(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> pd.DataFrame:
    """What of an inspector's readings lies beyond chance: rows of `habits`, in the same order and naming."""
    found = _by_inspector(viewer, snapshot, filters, "habits", f"list_position({list(HABITS)}, i.habit)")
    return found[found["beyond_chance"]].reset_index(drop=True)


def habit_visits(viewer: Viewer, snapshot: Snapshot, agency: str, inspector: str, habit: str) -> pd.DataFrame:
    """The visits behind one number of `habits`, the newest first; of what is recorded, those that lack some.

    Columns: agency, home_id, inspection_id, inspected_on.
    """
    condition, params = where(viewer, Filters(agency=(agency,)), homes="j")
    shows, counts = SHOWN[habit]
    return snapshot.query(
        f"""
        WITH numbered AS ({NUMBERS})
        SELECT j.agency, j.home_id, j.inspection_id, r.inspected_on
        FROM judged AS j
        JOIN readings AS r ON r.agency = j.agency AND r.inspection_id = j.inspection_id
        JOIN numbered AS n ON n.agency = j.agency AND n.name = coalesce(r.inspector, j.crew)
        WHERE {condition} AND {_called(viewer)} = ? AND {counts} AND {shows}
        ORDER BY r.inspected_on DESC, j.home_id, j.inspection_id""",
        [*params, inspector],
    )


def _called(viewer: Viewer) -> str:
    """SQL for what an inspector is called, where NUMBERS are `n`."""
    return "n.name" if viewer.personal else "n.number"


def _by_inspector(
    viewer: Viewer, snapshot: Snapshot, filters: Filters, table: str, order: str
) -> pd.DataFrame:
    condition, params = where(viewer, Filters(agency=filters.agency), homes="i")
    return snapshot.query(
        f"""
        WITH numbered AS ({NUMBERS})
        SELECT i.* REPLACE ({_called(viewer)} AS inspector)
        FROM {table} AS i
        JOIN numbered AS n ON n.agency = i.agency AND n.name = i.inspector
        WHERE {condition}
        ORDER BY lower(i.agency), i.agency, lower(n.name), n.name, {order}""",
        params,
    )


def without_shift(
    viewer: Viewer, snapshot: Snapshot, agency: str, inspector: str, reading: str
) -> tuple[pd.DataFrame, int]:
    """What an inspector's visits would find, were a shift that is told taken out of the readings.

    Returns the outcomes that change, a row per check_id, `before` and `after` with `visits`, and how many
    visits were worked out again: those of the run that is told, WORKED_OUT_AT_MOST of them. Both are worked
    out from the readings alone; what is compared with other visits (make-up water) stays not verified.
    """
    found = shifts(viewer, snapshot, Filters(agency=(agency,)))
    told = found[found["beyond_chance"] & (found["inspector"] == inspector) & (found["reading"] == reading)]
    if told.empty:
        return pd.DataFrame(columns=["check_id", "before", "after", "visits"]), 0
    shift, since, until = (told[name].iloc[0] for name in ("shift", "since", "until"))
    visits = _visits(viewer, snapshot, agency, inspector, since, until)
    places = list(zip(visits["agency"].to_pylist(), visits["region"].to_pylist(), strict=True))
    policy = policy_of(snapshot).for_rows(places)
    before, after = (_outcomes(_read(visits, reading, by), policy) for by in (0.0, float(shift)))
    changes = pd.concat(
        [
            pd.DataFrame({"check_id": check, "before": before[check], "after": after[check]})
            for check in before
        ]
    )
    changes = changes[changes["before"] != changes["after"]]
    counted = changes.groupby(["check_id", "before", "after"], sort=True).size().reset_index(name="visits")
    for name in ("before", "after"):
        counted[name] = [OUTCOMES[one] for one in counted[name]]
    return counted, visits.num_rows


def _visits(viewer, snapshot, agency, inspector, since, until) -> pa.Table:
    """Readings of an inspector's visits within the days of a run, as the engine reads them."""
    found = snapshot.arrow(
        f"""
        WITH numbered AS ({NUMBERS})
        SELECT {", ".join(f"r.{name}" for name in BATCH_FIELDS)}, r.agency, r.region, r.unusable,
               CASE WHEN r.elevation_ft IS NULL THEN j.atmosphere_psia END AS air_psia
        FROM readings AS r
        JOIN judged AS j ON j.agency = r.agency AND j.inspection_id = r.inspection_id
        JOIN numbered AS n ON n.agency = r.agency AND n.name = coalesce(r.inspector, j.crew)
        WHERE r.agency = ? AND {_called(viewer)} = ?
            AND r.inspected_on BETWEEN ?::DATE AND coalesce(?::DATE, r.inspected_on)
        ORDER BY r.inspected_on DESC, r.inspection_id
        LIMIT {WORKED_OUT_AT_MOST}""",
        [agency, inspector, since, None if pd.isna(until) else until],
    )
    air = found["air_psia"].to_numpy(zero_copy_only=False).astype(float)
    height = np.interp(-air, -atmosphere_psia(HEIGHTS_FT), HEIGHTS_FT)  # NaN where no height is known
    found = found.drop_columns(["air_psia"])
    return found.append_column("place_elevation_ft", pa.array(height, from_pandas=True))


def _read(visits, reading, shift):
    """Those readings less a shift; pressures on the boiler's own gauge are not the inspector's."""
    readings = from_arrow(visits.drop_columns(["agency", "region"]))
    own = np.ones(len(readings), bool)
    if reading == PRESSURE:
        own = ~readings.word("pressure_read_with").among("boiler_gauge")
    for name in OFF[reading]:
        if name in readings.numbers:
            readings.numbers[name] = readings.numbers[name] - np.where(own, shift, 0.0)
    nothing = Numbers(np.full(len(readings), np.nan), np.full(len(readings), NOT_RECORDED))
    readings.fleetwide = dict.fromkeys(COMPARED_ELSEWHERE, nothing)
    return readings


def _outcomes(readings, policy):
    """Outcome of every check of a home by its id."""
    return {check: one.outcome for check, one in results(Recomputed(readings, policy), HOME_CHECKS).items()}
