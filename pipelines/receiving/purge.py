"""Removing an export and all that was made from it."""

from dataclasses import replace

from pipelines.fleet.folder import LogLine, hash_of_file
from pipelines.fleet.logs import FleetError

# ---- purging


def purge(fleet, sha256, why, by_whom=""):
    """Commit to the log that an export is removed; `sha256` are the first digits of its hash.

    Returns its line; `forget` deletes what is left of it. A purge that was cut short is taken up again.
    """
    one = _named(fleet, sha256)
    if one.status == "purged":
        if not _copies(fleet, one) and not _made_with(fleet, one):
            raise FleetError(f"{one.file_name} ({one.sha256[:12]}) was purged before, {one.when}.")
        return one
    return _logged(fleet, one, "purged", why, by_whom)


def give_up(fleet, sha256, by_whom=""):
    """Commit to the log that the stored bytes of an export are lost, so that snapshots are made without it.

    FleetError where they are still there, whole: then only `purge` removes them.
    """
    one = _named(fleet, sha256)
    if one.status == "lost":
        return one
    if one.status != "loaded":
        raise FleetError(f"{one.file_name} ({one.sha256[:12]}) is {one.status}: no snapshot is made from it.")
    if one not in fleet.lines_without_export(fleet.log()):
        path = fleet.export_path(one.sha256)
        if hash_of_file(path) == one.sha256:
            raise FleetError(f"{path} is there, whole: coldfill purge removes an export that is not wanted.")
    return _logged(fleet, one, "lost", "its stored bytes are gone or were changed", by_whom)


def _named(fleet, sha256):
    """The one export whose hash, as received or as stored, begins with these digits."""
    log, digits = fleet.log(), sha256.lower()
    named = {
        line.sha256_received
        for line in log
        if line.sha256_received.startswith(digits) or line.sha256.startswith(digits)
    }
    found = [one for one in fleet.received(log) if one.sha256_received in named]
    if len(found) != 1 or len(digits) < 6:
        raise FleetError(
            f"{sha256!r} names {len(found) or 'no'} exports of {fleet.path}: "
            "give at least 6 digits of one hash, as in received.csv."
        )
    return found[0]


def _logged(fleet, one, status, why, by_whom):
    """The line now in the log by which an export has another status."""
    line = LogLine(**{name: getattr(one, name) for name in LogLine.__dataclass_fields__})
    return fleet.append([replace(line, number=0, when="", status=status, why=why, by_whom=by_whom)])[0]


def forget(fleet, line):
    """Delete every copy of a purged export, and every snapshot made with it, pinned or not.

    Returns the names of these snapshots.
    """
    for sha256 in _copies(fleet, line):
        fleet.remove_export(sha256)
    gone = []
    for path in _made_with(fleet, line):
        state = fleet.state_of(path)
        gone.append(
            f"{path.name} (pinned as {state.pinned_name!r})" if state and state.pinned_name else path.name
        )
        fleet.remove_snapshot(path)
    return gone


def _copies(fleet, line):
    """Hashes of the stored copies that are only this export's."""
    log = fleet.log()
    others = {
        one.sha256
        for one in fleet.received(log)
        if one.sha256_received != line.sha256_received and one.status == "loaded"
    }
    own = {one.sha256 for one in log if one.sha256_received == line.sha256_received} - others
    return sorted(sha256 for sha256 in own if any(fleet.exports.glob(f"{sha256}-*")))


def _made_with(fleet, line):
    """Snapshots that hold rows of an export, or of which nobody can tell."""
    log = fleet.log()
    found = []
    for path in fleet.snapshots():
        state = fleet.state_of(path)
        if state is None or any(
            one.sha256_received == line.sha256_received and one.status == "loaded"
            for one in fleet.received(log[: state.log_length])
        ):
            found.append(path)
    return found
