"""What is wrong with what a fleet keeps: its logs, and exports, inputs and samples against their hashes."""

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from pipelines.fleet import adopted, decided, moments
from pipelines.fleet.folder import Fleet, LogLine, hash_of_file
from pipelines.fleet.logs import FleetError
from pipelines.fleet.samples import faults_of_samples


def faults(fleet: Fleet) -> list[str]:
    """All that is wrong, one sentence each with what to do; one fault hides no other."""
    found = list(dict.fromkeys(_of_logs(fleet)))
    return [
        *found,
        *_of_exports(fleet),
        *_of_inputs(fleet),
        *_of_snapshots(fleet),
        *faults_of_samples(fleet),
        *_of_moments(fleet),
    ]


def exports_without_line(fleet: Fleet) -> list[str]:
    """Files in exports/ that no line names, which is no fault; none where the log itself is at fault."""
    try:
        return fleet.exports_without_line()
    except FleetError:
        return []


def _of_logs(fleet: Fleet) -> Iterator[str]:
    for read in (
        *(fleet.states, fleet.log, fleet.demand_states),
        *(lambda: decided.read(fleet), lambda: adopted.read(fleet), lambda: moments.names(fleet)),
    ):
        try:
            read()
        except FleetError as error:
            yield str(error)


def _log(fleet: Fleet) -> tuple[LogLine, ...]:
    """The log as far as it can be used: nothing of one that is at fault."""
    try:
        return fleet.log()
    except FleetError:
        return ()


def _of_exports(fleet: Fleet) -> Iterator[str]:
    for one in fleet.lines_without_export(_log(fleet)):
        try:
            fleet.export_path(one.sha256)
        except FleetError as error:
            yield f"{one.file_name}: {error}"
    for name, sha256 in fleet.stored().items():
        if sha256 and hash_of_file(fleet.exports / name) != sha256:
            yield (
                f"{name}: the bytes are not those that were received; put the file back from a backup; "
                f"coldfill rebuild --without {sha256[:12]} goes on without it."
            )


def _of_inputs(fleet: Fleet) -> Iterator[str]:
    """Texts of mappings, policies and tables that no longer are what was kept, or are gone."""
    kept = {path.name: path for path in sorted(fleet.inputs.glob("[0-9a-f]*"))}
    for name, path in kept.items():
        if hash_of_file(path) != name:
            yield f"{path} was changed after it was kept: put it back from a backup."
    try:
        states = fleet.states()
    except FleetError:
        states = ()
    needed = {
        sha256: f"{state.snapshot} was made from" for state in states for sha256 in state.inputs.values()
    }
    with suppress(FleetError):
        for one in adopted.read(fleet):
            texts = filter(None, (one.before, one.after))
            needed |= dict.fromkeys(texts, f"line {one.number} of adopted.csv put in place")
    for line in _log(fleet):
        if line.status == "loaded" and line.mapping_sha256:
            needed[line.mapping_sha256] = f"{line.file_name} is read with"
    for sha256, use in needed.items():
        if sha256 not in kept:
            yield f"{fleet.inputs} no longer holds {sha256}, which {use}: put it back from a backup."


def _of_moments(fleet: Fleet) -> list[str]:
    """What is wrong with kept moments; nothing where the log of states is at fault, which is told already."""
    try:
        return list(moments.faults(fleet))
    except FleetError:
        return []


def _of_snapshots(fleet: Fleet) -> Iterator[str]:
    """Snapshots that no longer are the files that were published."""
    current = fleet.current()
    for path in fleet.snapshots():
        if not bytes_as_published(fleet, path):
            number = "" if path == current else f" --state {int(path.name[:8])}"
            yield f"{path.name} was changed after it was published: run coldfill rebuild{number}."


def bytes_as_published(fleet: Fleet, snapshot: Path) -> bool:
    """Whether every byte of a snapshot is as it was published; True where states.csv does not say."""
    try:
        state = fleet.state_of(snapshot)
    except FleetError:
        return True
    return state is None or state.sha256 in ("", hash_of_file(snapshot))
