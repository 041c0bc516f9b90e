"""Invented visits in columns, as the audit of readings asks for them, in a database of their own."""

import duckdb
import numpy as np
import pyarrow as pa

from pipelines.audit.habits import ODD, TAKEN
from pipelines.engine.codes import coded
from pipelines.engine.results import NOT_APPLICABLE
from pipelines.fields import BY_NAME, NUMBER

READ = dict.fromkeys(
    (
        *TAKEN,
        "precharge_psig",
        "heating_system",
        "cold_reading_state",
        "hot_reading_state",
        "emitter",
        "fill_connection",
        "precharge_system_side",
        "tank_air_valve",
        "tank_above_gauge_ft",
        "repairs_reported",
        "inspector",
        "inspected_on",
    )
)
READINGS = "made_readings"  # words as positions
FIRST_DAY, DAYS = np.datetime64("2024-01-01"), 500


def connected(order=None, **columns):
    """A database with `judged` and READINGS of visits in the order of systems; what is not named is NULL.

    Columns: home, kind, inspector, day, readings by their names, coded results by theirs. `order` puts the
    homes, by number, in another order.
    """
    home = columns["home"]
    rows = np.lexsort((columns["day"], home if order is None else order[home]))
    count = len(rows)
    ids = [f"v{row}" for row in rows]
    agency = np.asarray(columns.get("agency", np.full(count, "Alder County")))[rows]
    judged = {
        "agency": agency,
        "inspection_id": ids,
        "home_id": [f"h{one}" for one in home[rows]],
        "system_id": [""] * count,
        "inspection_kind": np.asarray(columns["kind"])[rows],
        "crew": np.asarray(columns.get("crew", np.full(count, "Crew 1")))[rows],
    }
    for check in (*ODD, "home-id-reused"):
        judged[coded(check)] = np.asarray(columns.get(coded(check), np.full(count, NOT_APPLICABLE)))[rows]
    readings = {"agency": agency, "inspection_id": ids}
    for name in READ:
        words, number = BY_NAME[name].words, BY_NAME[name].kind == NUMBER
        kind = pa.int8() if words else pa.float64() if number else pa.string()
        if name == "inspected_on":
            readings[name] = pa.array(FIRST_DAY + columns["day"][rows])
        elif name in columns:
            values = [words.index(one) for one in columns[name]] if words else columns[name]
            readings[name] = pa.array(np.asarray(values)[rows], kind, from_pandas=True)
        else:
            readings[name] = pa.nulls(count, kind)
    connection = duckdb.connect()
    for name, made in (("judged", judged), (READINGS, readings)):
        connection.register("made", pa.table(made))
        connection.execute(f"CREATE TABLE {name} AS SELECT * FROM made")
        connection.unregister("made")
    return connection


def pressures(seed, inspectors=12, visits=60, *, off=None, since=0, until=DAYS, spread=0.0, read_again=0.3,
              settings=0.8, order=None, second=None, read_with="test_gauge"):  # fmt: skip
    """Finals and re-inspections of homes whose pressure lies about the setting, in a database.

    `off` says by how much an inspector's gauge reads high (by number) from day `since` to `until`; honest
    gauges differ by `spread`. A share `read_again` of the homes is read by another inspector within 60 days:
    anybody, or whom `second` names for the first one. Pressures of houses differ by 1.2 psi with tails of a
    t distribution, readings by 0.5 psi.
    """
    random = np.random.default_rng(seed)
    count = inspectors * visits
    who, day = np.repeat(np.arange(inspectors), visits), random.integers(0, DAYS, count)
    setting = random.choice([12.0, 12.0, 14.0, 15.0, 18.0], count)
    house = setting + 1.2 * random.standard_t(4, count)
    recorded = np.where(random.random(count) < settings, setting, np.nan)
    again = np.flatnonzero(random.random(count) < read_again)
    by = random.integers(0, inspectors, len(again))
    if second:
        by = np.array([second.get(first, other) for first, other in zip(who[again], by, strict=True)])
    who, day = np.append(who, by), np.append(day, day[again] + random.integers(5, 60, len(again)))
    home = np.append(np.arange(count), again)
    gauge = random.normal(0.0, 1.0, inspectors)[who] * spread
    for one, shift in (off or {}).items():
        gauge += shift * ((who == one) & (day >= since) & (day < until))
    return connected(
        np.random.default_rng(0).permutation(count) if order else None,
        home=home,
        day=day,
        kind=np.append(np.full(count, "final"), np.full(len(again), "qa")),
        inspector=[f"I. {one:03d}" for one in who],
        heating_system=np.full(len(who), "hot_water"),
        fill_connection=np.full(len(who), "automatic"),
        pressure_read_with=np.full(len(who), read_with),
        fill_setting_psig=np.append(recorded, recorded[again]),
        cold_pressure_psig=(np.append(house, house[again]) + gauge + random.normal(0, 0.5, len(who))).round(
            1
        ),
    )
