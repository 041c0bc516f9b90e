"""A snapshot is read by the version that made it; what is worked out does not change without a new version.

`python -m tests.test_version` writes worked_out.json anew: hashes of the samples' tables, and their version.
"""

import json
import subprocess
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from pipelines.fields import FIELDS
from pipelines.fleet import snapshots
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.receiving import door
from pipelines.snapshot import stages, version
from pipelines.snapshot.version import WORKED_OUT
from tests.conftest import SAMPLES
from tests.test_build import fleet_at

PINNED = Path(__file__).parent / "worked_out.json"
ANEW = "python -m tests.test_version"
NOT_WORKED_OUT = ("runs", "exports")  # when files came, and when the snapshot was made


def hashes(snapshot):
    """Rows and a hash of them, whatever their order, of every table and view.

    Floats are rounded to nine digits, since the last bits differ from processor to processor. Columns without
    a value are left out, since a field that no sample has changes nothing; so are hashes of DuckDB's own
    making.
    """
    names = snapshot.rows("""
        SELECT table_name FROM information_schema.tables
        WHERE table_catalog = 'snapshot' ORDER BY table_name
    """)
    return {name: _hash(snapshot, name) for (name,) in names if name not in NOT_WORKED_OUT}


def _hash(snapshot, name):
    columns = snapshot.rows(
        "SELECT column_name, column_type FROM (DESCRIBE SELECT * FROM query_table(?))", [name]
    )
    filled = snapshot.rows(
        f'SELECT {", ".join(f"""count("{column}")""" for column, _ in columns)} FROM "{name}"'
    )
    cells = [
        f"""printf('%.9g', "{column}")""" if kind == "DOUBLE" else f'"{column}"::VARCHAR'
        for (column, kind), count in sorted(zip(columns, filled[0], strict=True))
        if count and kind != "UBIGINT"
    ]
    row = (
        f"concat_ws(chr(31), {', '.join(f'coalesce({cell}, chr(30))' for cell in cells)})" if cells else "''"
    )
    rows = f'SELECT md5({row}) AS hash FROM "{name}"'
    count, found = snapshot.rows(f"SELECT count(*), md5(string_agg(hash, '' ORDER BY hash)) FROM ({rows})")[0]
    return [count, found]


def test_what_is_worked_out_has_a_version(sample_snapshot):
    pinned, found = json.loads(PINNED.read_text()), hashes(sample_snapshot)
    changed = sorted(
        name for name in found | pinned["tables"] if found.get(name) != pinned["tables"].get(name)
    )
    assert pinned["version"] == version.read_as(), (
        f"the lists or WORKED_OUT changed: write the table anew with {ANEW}"
    )
    assert not changed, (
        f"raise WORKED_OUT in pipelines/snapshot/version.py and write the table anew with {ANEW}"
    )


def test_the_hash_of_a_table_shows_every_change(tmp_path):
    """One digit, one word, a NULL in the place of nothing, two cells exchanged between rows."""
    told = {_hash(_of(tmp_path / f"{number}.duckdb", rows), "t")[1] for number, rows in enumerate(TABLES)}
    assert len(told) == len(TABLES)
    one, other = (
        _of(tmp_path / f"order-{sign}.duckdb", f"{TABLES[0]} ORDER BY a {sign}") for sign in ("ASC", "DESC")
    )
    assert _hash(one, "t") == _hash(other, "t")
    assert _hash(
        _of(tmp_path / "more.duckdb", f"SELECT *, NULL::INTEGER AS n FROM ({TABLES[0]})"), "t"
    ) == _hash(one, "t")


TABLES = (
    "SELECT * FROM (VALUES (1.5::DOUBLE, 'x', 'y'), (2.5, 'z', '')) AS v(a, b, c)",
    "SELECT * FROM (VALUES (1.5000001::DOUBLE, 'x', 'y'), (2.5, 'z', '')) AS v(a, b, c)",
    "SELECT * FROM (VALUES (1.5::DOUBLE, 'x', 'w'), (2.5, 'z', '')) AS v(a, b, c)",
    "SELECT * FROM (VALUES (1.5::DOUBLE, 'x', 'y'), (2.5, 'z', NULL)) AS v(a, b, c)",
    "SELECT * FROM (VALUES (1.5::DOUBLE, 'z', 'y'), (2.5, 'x', '')) AS v(a, b, c)",
)


def _of(path, rows):
    import duckdb

    with duckdb.connect(path) as connection:
        connection.execute(f"CREATE TABLE t AS {rows}")
    return snapshots.attach(path)


# ---- the digest


@dataclass(frozen=True)
class Record:
    """A record of a list, with a function as checks have one."""

    name: str
    function: object = len


def test_the_digest_is_of_every_list_and_of_the_order_in_it(monkeypatch):
    lists = version.encoded()
    found = {version.digest_of_lists()}
    for name, records in lists.items():
        if isinstance(records, tuple) and len(records) > 1:
            for changed in (records[::-1], (*records, records[0])):
                monkeypatch.setattr(
                    version, "encoded", lambda name=name, changed=changed: lists | {name: changed}
                )
                found.add(version.digest_of_lists())
    assert len(found) > 20
    words = [replace(field, words=field.words[::-1]) for field in FIELDS]
    monkeypatch.setattr(version, "encoded", lambda: lists | {"fields": words})
    assert version.digest_of_lists() not in found
    monkeypatch.setattr(version, "encoded", lambda: {"records": (Record("a"), Record("b", print))})
    functions = version.digest_of_lists()
    monkeypatch.setattr(version, "encoded", lambda: {"records": (Record("a", print), Record("b"))})
    assert version.digest_of_lists() == functions  # the same on every run


WITH_ONE_FIELD_MORE = """
import sys
import pipelines.fields as fields
at = [field.name for field in fields.FIELDS].index("relief_capacity_btuh")
more = fields.Field("relief_year", "relief", "number", "Its year", decimals=0, plausible=(1900, 2100))
fields.FIELDS = fields.FIELDS[:at] + (more,) + fields.FIELDS[at:]
fields.BY_NAME["relief_year"] = more
from pathlib import Path
from pipelines.snapshot import stages
from pipelines.fleet.folder import Fleet
from pipelines.receiving import door
fleet = Fleet(sys.argv[1]).create()
door.load(fleet, [Path(sys.argv[2])])
print(stages.build(fleet))
"""
NOT_MOUNTED = (
    "SELECT DISTINCT reason_field FROM results WHERE check_id = 'relief-isolated' AND reason = 'not recorded'"
)


def test_a_fleet_of_another_order_of_fields_is_refused_and_made_anew(tmp_path):
    """Positions that say "relief mounting" would say another field, read with another list."""
    export = tmp_path / "spring.csv"
    export.write_text(
        "agency,inspection_id,home_id,inspected_on,heating_system,relief_present\nAlder,1,H-1,2025-03-04,hot_water,yes\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", WITH_ONE_FIELD_MORE, tmp_path / "fleet", export],
        cwd=Path(__file__).parent.parent,
        capture_output=True,
        text=True,
        check=True,
    )
    old, fleet = Path(done.stdout.strip()), Fleet(tmp_path / "fleet")
    assert fleet.current() == old
    with pytest.raises(FleetError, match=r"was made by version .*: run coldfill rebuild; nothing .* is lost"):
        version.attach(old)
    second = tmp_path / "summer.csv"
    second.write_text(export.read_text().replace("H-1", "H-2").replace("Alder,1", "Alder,2"))
    door.load(fleet, [second])
    new = stages.build(fleet)
    assert version.attach(new).rows(NOT_MOUNTED) == [("relief_mounting",)]
    assert version.attach(new).rows("SELECT count(*) FROM readings") == [(2,)]


def test_a_snapshot_that_does_not_say_its_version_is_refused(tmp_path):
    _of(tmp_path / "other.duckdb", TABLES[0])
    with pytest.raises(FleetError, match="other.duckdb was made by version unknown"):
        version.attach(tmp_path / "other.duckdb")


def test_another_release_that_works_out_the_same_reads_what_is_there(sample_fleet, monkeypatch):
    monkeypatch.setattr(version, "code_version", lambda: f"99.0.0+{WORKED_OUT}.{version.digest_of_lists()}")
    current = sample_fleet.current()
    assert stages.build(sample_fleet) == current and version.attach(current).rows(
        "SELECT count(*) FROM homes"
    )


def write_anew():
    """Write worked_out.json; refuses to where something changed and the version did not."""
    with tempfile.TemporaryDirectory() as folder:
        fleet = fleet_at(Path(folder))
        door.load(fleet, [SAMPLES])
        found = hashes(version.attach(stages.build(fleet)))
    pinned = json.loads(PINNED.read_text()) if PINNED.exists() else {"version": "", "tables": {}}
    if pinned["version"] == version.read_as() and pinned["tables"] != found:
        sys.exit("The samples come to other tables: raise WORKED_OUT in pipelines/snapshot/version.py first.")
    tables = ",\n".join(f"  {json.dumps(name)}: {json.dumps(found[name])}" for name in sorted(found))
    PINNED.write_text(f'{{"version": "{version.read_as()}", "tables": {{\n{tables}\n}}}}\n')


if __name__ == "__main__":
    write_anew()
