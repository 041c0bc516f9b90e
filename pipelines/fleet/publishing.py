"""A snapshot in the making: a DuckDB file under the build lock, published whole or not at all."""

from __future__ import annotations

import secrets
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.fleet.folder import (
    SNAPSHOT_NAME,
    Fleet,
    LogLine,
    State,
    hash_of_file,
    hash_of_head,
)
from pipelines.fleet.logs import FleetError, attempting, disk_advice, locked, now_utc
from pipelines.fleet.private import settle
from pipelines.fleet.snapshots import forget, quoted

if TYPE_CHECKING:
    import duckdb

BUILD_WAIT_S = 3600.0
BUILD_MEMORY = "800MB"  # what DuckDB may hold while it builds; beyond that it uses the disk


class Unpublished:
    """A DuckDB file in a folder of its own, open for writing until it is finished."""

    def __init__(self, folder: Path):
        self.folder = folder
        self.path = folder / "snapshot.duckdb"
        self._connection: duckdb.DuckDBPyConnection | None = None
        self._finished = False

    def connect(self) -> duckdb.DuckDBPyConnection:
        """The read-write connection to the file, always the same one."""
        import duckdb

        if self._connection is None:
            with attempting("write in", self.folder):
                self.folder.mkdir(mode=0o700, exist_ok=True)
            self._connection = duckdb.connect(self.path)
            self._connection.execute(f"SET temp_directory = {quoted(self.folder / 'spill')}")
            self._connection.execute(f"SET memory_limit = '{BUILD_MEMORY}'")
            # Else the rows of five groups wait in memory.
            self._connection.execute("SET write_buffer_row_group_count = 1")
        return self._connection

    def copy(self, snapshot: Path) -> None:
        """Begin with a copy of a snapshot; before `connect`."""
        with attempting("copy a snapshot to", self.folder):
            self.folder.mkdir(mode=0o700, exist_ok=True)
            shutil.copyfile(snapshot, self.path)

    def finish(self) -> Path:
        """Checkpoint, close, and check that the file opens; it is not written to after that."""
        import duckdb

        if self._finished:
            return self.path
        connection = self.connect()
        connection.execute("CHECKPOINT")
        connection.close()
        self._connection = None
        if self.path.with_name(self.path.name + ".wal").exists():
            raise FleetError(
                f"{self.path} was not closed whole: close every cursor of the build before publishing."
            )
        duckdb.connect(self.path, read_only=True).close()
        self._finished = True
        return self.path

    def discard(self) -> None:
        """Close and remove what is left."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None
        forget(self.path.resolve())
        shutil.rmtree(self.folder, ignore_errors=True)


class Building(Unpublished):
    """A snapshot in the making, under the build lock; `log` is received.csv as the build found it."""

    def __init__(self, fleet: Fleet, folder: Path, log: tuple[LogLine, ...]):
        super().__init__(folder)
        self.fleet = fleet
        self.log = log

    def start_from(self, snapshot: Path) -> bool:
        """Begin with a copy of a snapshot; before `connect`.

        False, and nothing is begun, where its bytes are not those that were published.
        """
        self.copy(snapshot)
        state = self.fleet.state_of(snapshot)
        if state is not None and state.sha256 in ("", hash_of_file(self.path)):
            return True
        self.path.unlink()
        return False

    def publish(
        self,
        digest12: str,
        *,
        inputs: Mapping[str, str] | None = None,
        code_version: str = "",
        pinned_name: str = "",
        remakes: State | None = None,
        keep: int = 3,
    ) -> Path:
        """Finish the file and make it the current snapshot; `keep` of the newest stay, and pinned ones.

        `digest12` is 12 hexadecimal digits of what the snapshot was made from; `inputs` names each of these
        with its hash. `remakes` puts an old snapshot back under its own name instead, FleetError if the
        digest is another. The line in states.csv comes first: no snapshot is without one; one without its
        snapshot is harmless.
        """
        fleet = self.fleet
        finished = self.finish()
        sha256, sha256_head = hash_of_file(finished), hash_of_head(finished)
        with fleet.states_log.locked():
            taken = [
                *(path.name for path in fleet.snapshots()),
                *(state.snapshot for state in fleet.states()),
            ]
            number = (
                int(remakes.snapshot[:8])
                if remakes
                else max((int(name[:8]) for name in taken), default=0) + 1
            )
            target = fleet.snapshots_folder / f"{number:08d}-{digest12}.duckdb"
            if not SNAPSHOT_NAME.fullmatch(target.name):
                raise ValueError(f"'{digest12}' is not 12 hexadecimal digits")
            chained = bool(self.log) and bool(self.log[-1].line_before)
            head = fleet.received_log.hash_of(vars(self.log[-1])) if chained else ""
            state = State(
                target.name,
                len(self.log),
                dict(inputs or {}),
                code_version,
                now_utc(),
                pinned_name,
                head,
                sha256,
                sha256_head,
            )
            if remakes:
                if target.name != remakes.snapshot:
                    needed = f"install code version {remakes.code_version} and run the command again"
                    raise FleetError(f"{target.name} came out instead of {remakes.snapshot}: {needed}.")
                pinned_name = pinned_name or remakes.pinned_name
                state = replace(
                    remakes,
                    when=state.when,
                    pinned_name=pinned_name,
                    sha256=sha256,
                    sha256_head=sha256_head,
                )
            fleet.write_state(state)
            with attempting("publish", target):
                settle(finished, target)
        if remakes is None:
            fleet.prune(keep, target)
        return target


@contextmanager
def building(
    fleet: Fleet,
    wait: Callable[[str], None] = lambda text: None,
    timeout: float = BUILD_WAIT_S,
) -> Iterator[Building]:
    """The one build that may run in this fleet; unless it publishes, nothing of it stays.

    `wait` is called once, with words, if another one is running; after `timeout` seconds of waiting,
    FleetError.
    """
    waiting = f"Another load is running in {fleet.path}; waiting until it is done."
    with locked(fleet.build_lock, timeout, lambda: wait(waiting)):
        fleet.sweep()
        fleet.wait_for_disk()
        fleet.demand_states()
        with fleet.received_log.locked():
            log = fleet.log()
        building = Building(fleet, fleet.snapshots_folder / f".building-{secrets.token_hex(8)}", log)
        with _disk_named(fleet.snapshots_folder, building):
            yield building


@contextmanager
def _disk_named(folder: Path, building: Unpublished) -> Iterator[None]:
    """FleetError where the disk is what ends the block; nothing of what was being made stays."""
    import duckdb

    try:
        yield
    except (OSError, duckdb.Error) as error:
        if advice := disk_advice(error):
            raise FleetError(f"Cannot build in {folder}: {advice}.") from error
        raise
    finally:
        building.discard()


@contextmanager
def scratch() -> Iterator[Unpublished]:
    """A file that belongs to no fleet, in the system's temporary folder; it is gone when the block ends."""
    with attempting("write in", tempfile.gettempdir()):
        unpublished = Unpublished(Path(tempfile.mkdtemp(prefix="coldfill-scratch-")))
    with _disk_named(unpublished.folder.parent, unpublished):
        yield unpublished
