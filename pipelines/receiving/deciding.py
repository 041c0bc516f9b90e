"""What becomes of a file: which mapping reads it, whose it is, what is not kept of it; or why it is kept out.

Nothing is written here.
"""

import errno
import hashlib
import stat
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow as pa

from pipelines.fields import REQUIRED
from pipelines.fleet.folder import Fleet, LogLine
from pipelines.fleet.logs import FleetError
from pipelines.intake.cells import collapsed, folded
from pipelines.intake.encoding import ExportError
from pipelines.intake.mapping import Mapping
from pipelines.intake.privacy import suspect_personal
from pipelines.intake.reader import Export
from pipelines.intake.recognition import all_mapped_headings, heading_warnings, recognize, repeat_of
from pipelines.snapshot.exports import IN_THE_FILE, names_agency, opened, own_headings

NO_AGENCY = "the agency is not recorded, and this fleet holds more than one"
LOOKED_AT = 200_000, 2_000  # of every so many rows so many are looked at for personal texts


@dataclass(frozen=True)
class Arrival:
    """What was decided about one file at the door.

    `status` is loaded, kept out or already loaded. `sha256` is of the copy that is kept, `sha256_received` of
    the bytes that came. `dropped` are (heading, why) of the columns that are not kept.
    """

    file_name: str
    status: str
    why: str
    mapping: str = ""
    agency: str = ""
    sha256: str = ""
    sha256_received: str = ""
    dropped: tuple[tuple[str, str], ...] = ()
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True)
class Decision:
    """What becomes of a file; with `mapping` and `export` as it is read, unless it is kept out."""

    arrival: Arrival
    mapping: Mapping | None = None
    export: Export | None = None


@dataclass
class Call:
    """What one call asks for, and what the fleet holds: its mappings, and the latest line about each file's
    bytes.

    `mapping` and `agency` are those that are asked for, None where they are left open; `keep_columns` are
    folded headings to keep though they look personal; `latest` is by hash as received.
    """

    fleet: Fleet
    mappings: tuple[Mapping, ...]
    mapping: str | None
    agency: str | None
    keep_columns: frozenset[str]
    latest: dict[str, LogLine]

    @property
    def chosen(self) -> Mapping | None:
        """The mapping that is asked for."""
        return self.called(self.mapping)

    def called(self, name: str | None) -> Mapping | None:
        """The mapping of a name; None where there is none."""
        return next((one for one in self.mappings if one.name == name), None)

    def opened(self, path: Path, mapping: Mapping | None, *, stripped: bool = False) -> Export:
        """A file opened as a mapping says; ExportError where it is no export."""
        return opened(path, mapping, all_mapped_headings(self.mappings), stripped=stripped)


def decide(call: Call, path: Path, named: bool) -> Decision:
    """What becomes of a file; `named`: it was named itself, and is not one of a folder."""
    try:
        sha256, export = _hashed_and_opened(call, path)
        before = call.latest.get(sha256)
        _refuse_purged(path, before, named)
        mapping = call.chosen or _recognized(call, path, before, export)
        if call.chosen is None and (mapping.delimiter or mapping.encoding):
            export = call.opened(path, mapping)
        _refuse_without_required(path, mapping, export)
        _refuse_without_rows(path, export)
        agency = _agency(call, path, mapping, export, before)
        arrival = _arrival(call, path, sha256, before, mapping, export, agency)
        return Decision(arrival, mapping, export)
    except ExportError as error:
        sha256 = sha256_of(path, unreadable=b"")
        return Decision(Arrival(path.name, "kept out", str(error), sha256=sha256, sha256_received=sha256))


def _hashed_and_opened(call: Call, path: Path) -> tuple[str, Export]:
    """The hash of a file's bytes, and the file opened with the mapping asked for, or without one."""
    with ThreadPoolExecutor(1) as pool:  # the bytes are hashed while it is found out what they are
        hashing = pool.submit(sha256_of, path)
        export = opened(path, call.chosen) if call.chosen else call.opened(path, None)
        return hashing.result(), export


def _refuse_purged(path: Path, before: LogLine | None, named: bool) -> None:
    """ExportError where the bytes were purged, unless the file is named itself."""
    if before and before.status == "purged" and not named:
        wrong = f"was purged on {before.when} ({before.why})"
        raise ExportError(path.name, None, wrong, "the file named itself, if it is to be loaded again")


def _recognized(call: Call, path: Path, before: LogLine | None, export: Export) -> Mapping:
    """The mapping that fits the headings, else that of an earlier load; ExportError where there is none."""
    found = recognize(own_headings(export.headings), call.mappings)
    mapping = found.mapping
    if mapping is None and before and before.status == "loaded":
        mapping = call.called(before.mapping)
    if mapping is not None:
        return mapping
    some = ", ".join(map(repr, found.differing[:12])) + (" ..." if len(found.differing) > 12 else "")
    differing = f"; headings that differ: {some}" if found.differing else ""
    accepted = f"headings of one mapping; --mapping NAME names one, coldfill map {path.name} drafts one"
    raise ExportError(path.name, export.heading_line, found.why + differing, accepted)


def _refuse_without_required(path: Path, mapping: Mapping, export: Export) -> None:
    """ExportError where a required field has no column under a mapping."""
    here = set(map(folded, own_headings(export.headings)))
    feeding = {name: mapping.feeds(name) for name in REQUIRED}
    lacking = [name for name, fed_by in feeding.items() if not fed_by or not set(map(folded, fed_by)) <= here]
    if lacking:
        wanted = "; ".join(f"{' and '.join(map(repr, feeding[name]))} for {name}" for name in lacking)
        wrong = f"under mapping {mapping.name!r} there is no column for {', '.join(lacking)}"
        raise ExportError(path.name, export.heading_line, wrong, f"headings {wanted}")


def _refuse_without_rows(path: Path, export: Export) -> None:
    """ExportError where there is nothing below the headings but blank lines."""
    if not any(batch.table.num_rows for batch in export.batches(1)) and not export.damage:
        accepted = "at least one row below them"
        raise ExportError(path.name, export.heading_line, "there are headings and no rows", accepted)


def _agency(call: Call, path: Path, mapping: Mapping, export: Export, before: LogLine | None) -> str:
    """Whose file it is: as asked for, else by the mapping, a column of it, or an earlier load.

    "" only in a fleet that holds one agency at most, else ExportError.
    """
    loaded_before = before is not None and before.status == "loaded"
    agency = collapsed(call.agency or mapping.agency or "")
    if not agency and names_agency(own_headings(export.headings), mapping):
        agency = IN_THE_FILE
    if not agency and before is not None and loaded_before:
        return before.agency
    others = any(one.agency and one.status == "loaded" for one in call.latest.values() if one is not before)
    if not agency and others:
        accepted = "the agency named with --agency NAME, in the mapping, or in a column"
        raise ExportError(path.name, None, NO_AGENCY, accepted)
    return agency


def _arrival(
    call: Call,
    path: Path,
    sha256: str,
    before: LogLine | None,
    mapping: Mapping,
    export: Export,
    agency: str,
) -> Arrival:
    """What is decided about a file that can be read: loaded, or there already; which columns are dropped."""
    headings = own_headings(export.headings)
    remarks = (*export.notes, *heading_warnings(headings, mapping))
    arrival = Arrival(path.name, "loaded", "", mapping.name, agency, sha256, sha256, remarks=remarks)
    unused = [
        heading
        for heading in headings
        if not _is_used(heading, headings, mapping) and folded(heading) not in call.keep_columns
    ]
    as_before = ("loaded", mapping.name, agency)
    if before is not None and (before.status, before.mapping, before.agency) == as_before:
        wanted = set(headings) - set(unused)
        if _serves(call, before, mapping, wanted):
            gone = before.dropped_headings.split("; ") if before.dropped_headings else []
            dropped = tuple((heading, "dropped when it was first loaded") for heading in gone if heading)
            return replace(arrival, status="already loaded", sha256=before.sha256, dropped=dropped)
    if before and before.status == "purged":
        why = f"loaded again after it was purged on {before.when} ({before.why})"
        arrival = replace(arrival, why=why)
    if not unused:
        return arrival
    return replace(arrival, dropped=tuple(suspect_personal(unused, _sample(export, unused))))


def _is_used(heading: str, headings: tuple[str, ...], mapping: Mapping) -> bool:
    """Whether a field or `carry` of the mapping uses a heading of a file, or one that it repeats."""
    names = {folded(heading), repeat_of(heading, set(map(folded, headings)))}
    return bool(names & {*mapping.feeding, *map(folded, mapping.carry)})


def _serves(call: Call, before: LogLine, mapping: Mapping, wanted: set[str]) -> bool:
    """Whether the copy that is kept has every column that is wanted now."""
    stripped = before.sha256 != before.sha256_received
    with suppress(FleetError, ExportError):
        kept = opened(call.fleet.export_path(before.sha256), mapping, stripped=stripped)
        return wanted <= set(kept.headings)
    return False


def _sample(export: Export, headings: list[str]) -> pa.Table:
    """Some rows of some columns, taken all over the file."""
    batch_rows, most = LOOKED_AT
    taken = [pa.table({heading: pa.array([], pa.string()) for heading in headings})]
    for batch in export.batches(batch_rows, columns=headings):
        last, some = batch.table.num_rows - 1, min(most, batch.table.num_rows)
        rows = np.unique(np.linspace(0, last, some).astype(np.int64))
        taken.append(batch.table.take(pa.array(rows)))
    return pa.concat_tables(taken)


def sha256_of(path: Path, unreadable: bytes | None = None) -> str:
    """Hash of a file's bytes; that of `unreadable` where they cannot be had, or ExportError."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):  # to open a pipe waits until somebody writes into it
            raise OSError(errno.EINVAL, "it is a pipe, device or folder and not a file")
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        if unreadable is None:
            wrong = f"cannot be opened: {error.strerror}"
            raise ExportError(path.name, None, wrong, "a readable file") from None
        return hashlib.sha256(unreadable).hexdigest()
