"""Snapshots open for reading: attached once a process, asked by any number of threads."""

from __future__ import annotations

import shutil
import tempfile
import threading
import weakref
from collections import OrderedDict
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines.fleet.folder import SNAPSHOT_NAME, Fleet
from pipelines.fleet.logs import FleetError, attempting, disk_advice

if TYPE_CHECKING:
    import duckdb
    import pandas
    import pyarrow

SNAPSHOTS_OPEN = 4  # snapshots one process keeps attached


def quoted(text: object) -> str:
    return "'" + str(text).replace("'", "''") + "'"


class Snapshot:
    """A snapshot open for reading; any number of threads may ask at once.

    It stays readable as long as somebody holds it, even when its file was pruned meanwhile.
    """

    def __init__(self, path: Path):
        import duckdb

        self.path = path
        self.name = path.name
        match = SNAPSHOT_NAME.fullmatch(path.name)
        self.number = int(match[1]) if match else None
        if (wal := path.with_name(path.name + ".wal")).exists():
            raise FleetError(
                f"{wal} does not belong beside a finished snapshot: run coldfill rebuild, which removes both."
            )
        with attempting("write in", tempfile.gettempdir()):
            spill = tempfile.mkdtemp(prefix="coldfill-")
        self._connection = duckdb.connect(":memory:")
        weakref.finalize(self, _close, self._connection, spill)
        with self._naming_damage():
            self._connection.execute(f"ATTACH {quoted(path)} AS snapshot (READ_ONLY)")
            self._connection.execute(f"SET temp_directory = {quoted(spill)}")
            self._connection.execute("SET enable_external_access = false")
            self._connection.execute("SET lock_configuration = true")

    @cached_property
    def code_version(self) -> str:
        """The code version that made it, as it says itself; 'unknown' where it does not."""
        import duckdb

        try:
            return self.rows("SELECT code_version FROM runs")[0][0]
        except (duckdb.CatalogException, duckdb.BinderException):
            return "unknown"

    @cached_property
    def as_published(self) -> bool:
        """Whether it is the file that its fleet published, as far as states.csv says."""
        return Fleet(self.path.parent.parent).as_published(self.path)

    def query(self, sql: str, params: Any = None, **tables: Any) -> pandas.DataFrame:
        """The answer as a frame; `tables` are Arrow tables or frames that the question may name as well."""
        with self._cursor(tables) as cursor:
            return cursor.execute(sql, params).df()

    def rows(self, sql: str, params: Any = None, **tables: Any) -> list[tuple]:
        with self._cursor(tables) as cursor:
            return cursor.execute(sql, params).fetchall()

    def arrow(self, sql: str, params: Any = None, **tables: Any) -> pyarrow.Table:
        with self._cursor(tables) as cursor:
            return cursor.sql(sql, params=params).to_arrow_table()

    @contextmanager
    def _cursor(self, tables: Mapping[str, Any]) -> Iterator[duckdb.DuckDBPyConnection]:
        with self._naming_damage(), self._connection.cursor() as cursor:
            cursor.execute("USE snapshot")
            for name, table in tables.items():
                cursor.register(name, table)
            yield cursor

    @contextmanager
    def _naming_damage(self) -> Iterator[None]:
        """Turn DuckDB's errors into FleetError where the file or the disk, not the question, is at fault."""
        import duckdb

        try:
            yield
        except duckdb.Error as error:
            text = (str(error).splitlines() or ["no reason given"])[0]
            if advice := disk_advice(error):
                raise FleetError(
                    f"Cannot answer from {self.path}: {advice} ({tempfile.gettempdir()})."
                ) from error
            if (
                not isinstance(error, (duckdb.IOException, duckdb.FatalException))
                and "Corrupt database" not in text
            ):
                raise
            forget(self.path)
            if not self.path.exists():
                raise FleetError(f"{self.path} is not kept any more: open the current snapshot.") from error
            raise FleetError(f"{self.path} is damaged ({text}): {_remedy(self.path)}.") from error


def _close(connection: duckdb.DuckDBPyConnection, spill: str) -> None:
    connection.close()
    shutil.rmtree(spill, ignore_errors=True)


_open: OrderedDict[tuple[str, int, int, int], Snapshot] = OrderedDict()
_open_lock = threading.RLock()


def read_as(version: str) -> str:
    """What of a code version must be equal where a snapshot is read: all after the product's version."""
    return version.rpartition("+")[2]


def attach(snapshot: Path | str, version: str | None = None) -> Snapshot:
    """The snapshot at a path, opened once per process.

    FleetError if it is gone or damaged, and for a caller who understands the tables of the code version
    `version` if it is of another one or no longer the file that was published. A few snapshots are kept open;
    the one longest not asked for is let go and closes when its last user is done with it.
    """
    path = Path(snapshot).resolve()
    with _open_lock:
        try:
            stat = path.stat()
        except OSError as error:
            raise FleetError(f"{path} is not kept any more: open the current snapshot.") from error
        key = (str(path), stat.st_ino, stat.st_size, stat.st_mtime_ns)
        if key not in _open:
            _open[key] = Snapshot(path)
        if version is not None:
            _demand(version, _open[key])
        _open.move_to_end(key)
        while len(_open) > SNAPSHOTS_OPEN:
            _open.popitem(last=False)
        return _open[key]


def _demand(version: str, snapshot: Snapshot) -> None:
    """FleetError where a snapshot is of another code version, or does not say, or was changed."""
    if read_as(snapshot.code_version) != read_as(version):
        raise FleetError(
            f"{snapshot.name} was made by version {snapshot.code_version} of the pipeline, "
            f"this is {version}: run coldfill rebuild; nothing that was loaded is lost."
        )
    if not snapshot.as_published:
        raise FleetError(
            f"{snapshot.path} was changed after it was published: {_remedy(snapshot.path)}; "
            "nothing that was loaded is lost."
        )


def _remedy(path: Path) -> str:
    """What to do about a snapshot that is not to be believed."""
    if path == Fleet(path.parent.parent).current():
        return "run coldfill rebuild, which makes it anew and removes this one"
    match = SNAPSHOT_NAME.fullmatch(path.name)
    return f"run coldfill rebuild --state {int(match[1])}, which makes it anew" if match else "remove it"


def forget(path: Path) -> None:
    """Open a path anew the next time it is asked for."""
    with _open_lock:
        for key in [key for key in _open if key[0] == str(path)]:
            del _open[key]
