"""The door: each file is decided about, stripped of personal columns nobody asked for, kept, and logged once.

What is decided stands in the log, and a snapshot is made from the log (`snapshot.exports`). A file that
cannot be used is named with the reason and kept out; nothing of it is stored.
"""

import secrets
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path

from pipelines.engine.policy import policy as policies
from pipelines.fleet.folder import Fleet, LogLine, Received
from pipelines.fleet.logs import FleetError, locked
from pipelines.fleet.publishing import BUILD_WAIT_S, scratch
from pipelines.intake import strip
from pipelines.intake.cells import folded
from pipelines.intake.encoding import ExportError
from pipelines.intake.mapping import MappingError
from pipelines.intake.reader import Export
from pipelines.receiving import purge
from pipelines.receiving.deciding import Arrival, Call, Decision, decide, sha256_of
from pipelines.receiving.kept_uploads import sweep_uploads
from pipelines.receiving.report import not_loaded_summary
from pipelines.snapshot import precedence, tables
from pipelines.snapshot.exports import known_ids, mappings_of, read_one

ENDINGS = (".csv", ".tsv", ".txt")


def files_in(paths: Iterable[Path | str]) -> list[Path]:
    """The files that are meant: a folder stands for the exports directly in it, sorted by name."""
    return [path for path, _ in _meant(paths)]


def _meant(paths: Iterable[Path | str]) -> Iterator[tuple[Path, bool]]:
    """(file, whether it was named itself) of each file that is meant."""
    for path in map(Path, paths):
        if path.is_dir():
            exports = (one for one in sorted(path.iterdir()) if one.suffix.lower() in ENDINGS)
            yield from ((one, False) for one in exports if one.is_file())
        else:
            yield path, True


def load(
    fleet: Fleet,
    paths: Iterable[Path | str],
    *,
    mapping: str | None = None,
    agency: str | None = None,
    keep_columns: Iterable[str] = (),
    strict: bool = False,
    by_whom: str = "",
    say: Callable[[str], object] = lambda text: None,
) -> list[Arrival]:
    """Decide about each file, keep what can be used, and commit a line of the log for each; returns Arrivals.

    Bytes whose last line says the same are not logged again, and what a call leaves open (mapping, agency) an
    earlier decision about the same bytes settles. Columns that no field and no `carry` uses and that look
    personal are dropped, but for the headings in `keep_columns`. With `strict` it is all or nothing: anything
    that would not be loaded keeps every file out. Raises MappingError where `mapping` is none there is.
    """
    if not files_in(paths):
        raise FleetError(
            f"{', '.join(map(str, paths))} has no file to load: name a file, or a folder with "
            f"*{', *'.join(ENDINGS)} directly in it."
        )
    fleet.create()
    there = [one.name for one in mappings_of(fleet)]
    if mapping is not None and mapping not in there:
        raise MappingError(mapping, "", f"there is no such mapping; there are {', '.join(there)}")
    sweep_uploads(fleet)
    purge.take_up(fleet)

    def waiting() -> None:
        say(f"Another load is running in {fleet.path}; waiting until it is done.")

    with locked(fleet.load_lock, BUILD_WAIT_S, waiting):
        fleet.clear_incoming()
        fleet.wait_for_disk()
        call = _call(fleet, mapping, agency, keep_columns)
        files = list(_meant(paths))
        if strict and (refused := _all_or_nothing(call, files, say)):
            return refused
        arrivals: list[Arrival] = []
        lines: list[LogLine] = []
        for path, named in files:
            say(path.name)
            arrivals.append(_admitted(call, path, named))
            lines += _logged(call, arrivals[-1], by_whom)
        if lines:
            fleet.append(lines)
    return arrivals


def decided(
    fleet: Fleet,
    path: Path,
    *,
    mapping: str | None = None,
    agency: str | None = None,
    keep_columns: Iterable[str] = (),
) -> tuple[Arrival, LogLine | None]:
    """What `load` would decide about one file, and the latest line about its bytes; nothing is written."""
    call = _call(fleet, mapping, agency, keep_columns)
    arrival = decide(call, path, True).arrival
    return arrival, call.latest.get(arrival.sha256_received)


def _call(fleet: Fleet, mapping: str | None, agency: str | None, keep_columns: Iterable[str]) -> Call:
    latest: dict[str, LogLine] = {one.sha256_received: one for one in fleet.received()}
    return Call(fleet, mappings_of(fleet), mapping, agency, frozenset(map(folded, keep_columns)), latest)


def _admitted(call: Call, path: Path, named: bool) -> Arrival:
    """Decide about a file, and keep its copy if it is to be loaded."""
    decision = decide(call, path, named)
    arrival = decision.arrival
    try:
        if arrival.status == "loaded" and decision.mapping is not None:
            arrival = replace(arrival, sha256=_kept(call, path, decision))
            call.fleet.keep_input(decision.mapping.text)
    except ExportError as error:
        received = arrival.sha256_received
        arrival = Arrival(path.name, "kept out", str(error), sha256=received, sha256_received=received)
    if _stays(call, arrival):
        return replace(arrival, why=f"{arrival.why}; what was loaded of it before stays")
    return arrival


def _stays(call: Call, arrival: Arrival) -> bool:
    """Whether bytes that cannot be used now stay as they were loaded before.

    Only a call that asks for another mapping or agency undoes that.
    """
    before = call.latest.get(arrival.sha256_received)
    loaded_before = before is not None and before.status == "loaded"
    return arrival.status == "kept out" and loaded_before and call.mapping is None and call.agency is None


def _kept(call: Call, path: Path, decision: Decision) -> str:
    """Hash of the copy in exports/: the bytes as they are, or without the columns to be dropped."""
    dropped = [heading for heading, _ in decision.arrival.dropped]
    if not dropped or decision.export is None:
        sha256, _ = call.fleet.keep(path, path.name)
        received = sha256
    else:
        copy = call.fleet.exports / f".incoming-{secrets.token_hex(8)}"

        def reopened(written: Path) -> Export:
            return call.opened(written, decision.mapping, stripped=True)

        try:
            strip.write_without(path, decision.export, dropped, copy, reopened)
            sha256, _ = call.fleet.keep(copy, path.name)
        finally:
            copy.unlink(missing_ok=True)
        received = sha256_of(path)
    if received != decision.arrival.sha256_received:
        accepted = "a file nobody writes to; load it again"
        raise ExportError(path.name, None, "the file changed while it was read", accepted)
    return sha256


def _logged(call: Call, arrival: Arrival, by_whom: str) -> list[LogLine]:
    """The line of the log for an Arrival, noted in the call; none where the latest line stands."""
    before = call.latest.get(arrival.sha256_received)
    if arrival.status == "already loaded" or before is not None and _says_the_same(before, arrival):
        return []
    purged_before = before is not None and before.status == "purged"
    if _stays(call, arrival) or purged_before and arrival.status == "kept out":
        return []
    mapping, why = call.called(arrival.mapping), arrival.why
    if arrival.status == "loaded" and arrival.dropped:
        why = "; ".join(filter(None, (arrival.why, *arrival.remarks)))
    line = LogLine(
        sha256=arrival.sha256,
        sha256_received=arrival.sha256_received,
        dropped_headings="; ".join(heading for heading, _ in arrival.dropped),
        file_name=arrival.file_name,
        mapping=arrival.mapping,
        mapping_sha256=mapping.sha256 if mapping else "",
        agency=arrival.agency,
        status=arrival.status,
        why=why,
        by_whom=by_whom,
    )
    call.latest[arrival.sha256_received] = line
    return [line]


def _says_the_same(before: LogLine, arrival: Arrival) -> bool:
    said = before.mapping, before.agency, before.status, before.sha256
    return said == (arrival.mapping, arrival.agency, arrival.status, arrival.sha256)


def _all_or_nothing(
    call: Call, files: Iterable[tuple[Path, bool]], say: Callable[[str], object]
) -> list[Arrival]:
    """Arrivals that keep every file out, if any of them could not be loaded whole; else none."""
    found = []
    for path, named in files:
        say(path.name)
        decision = decide(call, path, named)
        kept_out = decision.arrival.status == "kept out"
        lacking = decision.arrival.why if kept_out else _shortfall(call, path, decision)
        found.append(replace(decision.arrival, status="kept out", why=lacking))
    if not any(one.why for one in found):
        return []
    other = "another file of this call cannot be loaded whole, and all or none were asked for"
    return [one if one.why else replace(one, why=f"{one.file_name}: {other}") for one in found]


def _shortfall(call: Call, path: Path, decision: Decision) -> str:
    """What of a file would not be loaded, in a sentence; nothing if all of it would."""
    received = Received(
        sha256=decision.arrival.sha256_received,
        sha256_received=decision.arrival.sha256_received,
        file_name=path.name,
        status="loaded",
        agency=decision.arrival.agency,
        export_id=1,
    )
    ids = known_ids(policies.load(call.fleet.policy))
    with scratch() as unpublished:
        connection = unpublished.connect()
        tables.create(connection)
        read_one(connection, path, received, decision.mapping, ids, {})
        precedence.settle(connection)
        lines = not_loaded_summary(lambda sql, params: connection.execute(sql, params).fetchall(), 1)
    lost = "; ".join(lines["not_loaded"])
    return f"{path.name}: not all of it can be loaded: {lost}" if lost else ""
