"""Moments of a fleet's snapshots: kept at each publish, and made up for where one is missing."""

from collections.abc import Iterator

import pyarrow as pa

from pipelines.fleet import moments
from pipelines.fleet.folder import Fleet, State
from pipelines.fleet.logs import FleetError
from pipelines.fleet.snapshots import Snapshot, read_as
from pipelines.snapshot import version
from pipelines.snapshot.progress import Progress
from pipelines.snapshot.was_open import moment


def keep(fleet: Fleet, newest: int, progress: Progress) -> None:
    """Keep a moment of each snapshot there is that has none, and let go those that are not kept for good.

    Snapshots of another version of the code are passed over; the lock of builds is held. What cannot be kept
    is said in the notes: no load fails for it, and the next one makes up for it.
    """
    there = moments.files(fleet)
    for path in fleet.snapshots():
        state = fleet.state_of(path)
        if path.stem not in there and state is not None and _readable(state):
            try:
                moments.keep(fleet, path.name, of(fleet, version.attach(path), state))
            except FleetError as error:
                progress.notes.append(f"What is open in {path.name} is not kept beside it: {error}")
    try:
        moments.prune(fleet, newest)
    except FleetError as error:
        progress.notes.append(str(error))


def of(fleet: Fleet, snapshot: Snapshot, state: State) -> pa.Table:
    """The moment of a snapshot, from what it holds."""
    return moment(snapshot, fleet.log()[: state.log_length])


def forget(fleet: Fleet, snapshot: str) -> None:
    """Remove the moment of a snapshot that was wrong."""
    if (path := moments.files(fleet).get(snapshot.removesuffix(".duckdb"))) is not None:
        moments.remove(path)


def _readable(state: State) -> bool:
    return read_as(state.code_version) == version.read_as()


def faults(fleet: Fleet) -> Iterator[str]:
    """Moments that are not what their snapshot holds, where that is still kept, as sentences."""
    there = moments.files(fleet)
    for path in fleet.snapshots():
        state = fleet.state_of(path)
        if path.stem not in there or state is None or not _readable(state):
            continue
        try:
            if not moments.read(there[path.stem]).equals(of(fleet, version.attach(path), state)):
                yield f"{there[path.stem]} is not what {path.name} holds: remove it and run coldfill rebuild."
        except FleetError:
            continue  # said of the file, or the snapshot, itself
