"""The tables of the audit, made whole at every publish from whole counts of units."""

import numpy as np
import pyarrow as pa

from pipelines.audit import charged
from pipelines.audit.agreement import agreement
from pipelines.audit.calibration import calibration
from pipelines.audit.habits import habits
from pipelines.audit.instruments import instruments
from pipelines.audit.lacking import lacking
from pipelines.audit.program_units import program_units
from pipelines.audit.side_by_side import SideBySide
from pipelines.audit.standings import counted, levels, standings
from pipelines.audit.units import CHECK, shown, units

KINDS = ("crew", "inspector", "region", "agency")  # in the order of the levels
ALONE = ("home_id", "job_number", "inspection_id", "final_id", "again_id")
CASE_MIX = pa.schema(
    [
        ("check_id", pa.string()),
        ("terms", pa.string()),
        ("units", pa.int64()),
        ("deficient", pa.int64()),
        ("area", pa.float64()),
        ("slope", pa.float64()),
        ("largest_gap", pa.float64()),
    ]
)


def crew_tables(connection, readings, policy, make):
    """Make the tables of the audit; crew and inspector are those of the final.

    `readings` is SQL of those in force, words as positions; `make` takes functions of a connection, which
    it calls side by side, those that take longest first.
    """
    both = SideBySide(connection, readings)
    make(lambda own: _of_readings(both.asked_by(own), policy))
    found = units(both, policy)
    every = shown(found, policy)
    make(lambda own: _of_work(own, found, every, policy))
    make(lambda own: _of_units(both.asked_by(own), found, every, policy))
    make(lambda own: _write(own, "program_units", program_units(both.asked_by(own), found, policy)))
    make(lambda own: _of_pairs(both.asked_by(own), found, policy))
    make(lambda own: _write(own, "lacking_readings", lacking(found)))


def _write(connection, name, rows):
    """Make a table of an Arrow table. Ids, all but one of a kind, are written in two thirds of the time where
    DuckDB need not find out that they share nothing.
    """
    connection.register("audited", rows)
    columns = ", ".join(
        f'"{column}" {kind}{" USING COMPRESSION zstd" if column in ALONE else ""}'
        for column, kind, *_ in connection.sql("DESCRIBE audited").fetchall()
    )
    connection.execute(f"CREATE OR REPLACE TABLE {name} ({columns})")
    connection.execute(f"INSERT INTO {name} SELECT * FROM audited")
    connection.unregister("audited")


def _of_readings(both, policy):
    """The tables of how far to trust the readings, by inspector."""
    _write(both.connection, "instruments", instruments(both, policy))
    _write(both.connection, "habits", habits(both, policy))


def _of_pairs(both, found, policy):
    """The tables of finals beside what was found there again."""
    _write(both.connection, "calibration", calibration(both, found, int(policy.paired_within_days)))
    _write(both.connection, "agreement", agreement(found))


def _of_work(connection, found, every, policy):
    """The tables of what finals found after the work, against chance; `every` Shown."""
    of_levels = levels(found)
    checks, counts, mixes = counted(found, every, of_levels)
    compared = (who for level in of_levels for who in level.compared)
    tables = {
        kind: _rows(who, checks, one, policy) for kind, who, one in zip(KINDS, compared, counts, strict=True)
    }
    others = [
        tables[kind].add_column(0, "kind", pa.array([kind] * tables[kind].num_rows, pa.string()))
        for kind in KINDS[1:]
    ]
    crews = tables["crew"].rename_columns(["agency", "crew", *tables["crew"].column_names[2:]])
    mixed = pa.table(
        [
            pa.array(values, field.type, from_pandas=True)
            for values, field in zip(zip(*mixes, strict=True), CASE_MIX, strict=True)
        ],
        schema=CASE_MIX,
    )
    _write(connection, "crew_checks", crews)
    _write(connection, "standings", pa.concat_tables(others))
    _write(connection, "case_mix", mixed)


def _rows(who, checks, counts, policy):
    """The rows of one comparison by agency, name and check; a region that is not recorded has none."""
    agencies, names = (pa.array([pair[at] for pair in who.names], pa.string()) for at in (0, 1))
    at = pa.array(counts.name)
    rows = pa.table(
        {
            "agency": agencies.take(at),
            "name": names.take(at),
            "check_id": pa.array(checks, pa.string()).take(pa.array(counts.check)),
            **standings(who, counts, policy),
        }
    )
    rank = np.argsort(np.argsort(checks))[counts.check]
    named = np.array([bool(name) for _, name in who.names], bool)[counts.name]
    order = np.lexsort((rank, counts.name))
    return rows.take(pa.array(order[named[order]]))


def _of_units(both, found, every, policy):
    """The table of the units counted: their final, the re-inspection paired with it, what they show of each
    group of checks and of any (units.NOTHING to units.LACKING_BAD), and whose what was found is.
    """
    rows = found.visits.select(["agency", "crew", "inspection_id"]).take(pa.array(found.final))
    again = found.visits.column("inspection_id").take(pa.array(found.again, mask=found.again < 0))
    columns = {
        "again_id": again,
        **{f"{one.check_id}__shows": pa.array(one.shows) for one in every if one.extent != CHECK},
        **charged.charged(both, found, policy.measures),
    }
    for name, values in columns.items():
        rows = rows.append_column(name, pa.array(values) if isinstance(values, np.ndarray) else values)
    _write(both.connection, "crew_units", rows)
    both.connection.execute(f"CREATE OR REPLACE VIEW charged AS {charged.view()}")
