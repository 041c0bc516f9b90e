"""The door: each file is recognized, stripped of personal columns nobody asked for, kept, and logged once.

What is decided here stands in the log, and a snapshot is made from the log (`reading`). A file that cannot be
used is named with the reason and kept out; nothing of it is stored.
"""

import errno
import hashlib
import secrets
import stat
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow as pa

from pipelines.engine.policy import policy as policies
from pipelines.fields import REQUIRED
from pipelines.fleet.folder import LogLine, Received
from pipelines.fleet.logs import FleetError, locked
from pipelines.fleet.publishing import BUILD_WAIT_S, scratch
from pipelines.intake import strip
from pipelines.intake.cells import collapsed, folded
from pipelines.intake.encoding import ExportError
from pipelines.intake.mapping import MappingError, heading_warnings, recognize, repeat_of
from pipelines.intake.privacy import suspect_personal
from pipelines.receiving import purge
from pipelines.receiving.kept_uploads import sweep_uploads
from pipelines.receiving.report import not_loaded_summary
from pipelines.snapshot import precedence, tables
from pipelines.snapshot.exports import (
    IN_THE_FILE,
    known_ids,
    mappings_of,
    names_agency,
    opened,
    own_headings,
    read_one,
)

ENDINGS = (".csv", ".tsv", ".txt")
NO_AGENCY = "the agency is not recorded, and this fleet holds more than one"
LOOKED_AT = 200_000, 2_000  # of every so many rows so many are looked at for personal texts


@dataclass(frozen=True)
class Arrival:
    """What was decided about one file at the door.

    `sha256` is of the copy that is kept, `sha256_received` of the bytes that came. `dropped` are (heading,
    why) of the columns that are not kept.
    """

    file_name: str
    status: str  # loaded, kept out, already loaded
    why: str
    mapping: str = ""
    agency: str = ""
    sha256: str = ""
    sha256_received: str = ""
    dropped: tuple[tuple[str, str], ...] = ()
    remarks: tuple[str, ...] = ()


def files_in(paths):
    """The files that are meant: a folder stands for the exports directly in it, sorted by name."""
    return [path for path, _ in _meant(paths)]


def _meant(paths):
    """(file, whether it was named itself) of each file that is meant."""
    found = []
    for path in map(Path, paths):
        if path.is_dir():
            found += [
                (p, False) for p in sorted(path.iterdir()) if p.suffix.lower() in ENDINGS and p.is_file()
            ]
        else:
            found.append((path, True))
    return found


def load(
    fleet,
    paths,
    *,
    mapping=None,
    agency=None,
    keep_columns=(),
    strict=False,
    by_whom="",
    say=lambda text: None,
):
    """Decide about each file, keep what can be used, and commit a line of the log for each; returns Arrivals.

    Bytes whose last line says the same are not logged again, and what a call leaves open (mapping, agency) an
    earlier decision about the same bytes settles. Columns that no field and no `carry` uses and that look
    personal are dropped, but for the headings in `keep_columns`. With `strict` it is all or nothing: anything
    that would not be loaded keeps every file out. Raises MappingError where `mapping` is none there is.
    """
    fleet.create()
    mappings = mappings_of(fleet)
    if mapping is not None and mapping not in {one.name for one in mappings}:
        raise MappingError(
            mapping, "", f"there is no such mapping; there are {', '.join(one.name for one in mappings)}"
        )
    sweep_uploads(fleet)
    purge.take_up(fleet)
    with locked(
        fleet.load_lock,
        BUILD_WAIT_S,
        lambda: say(f"Another load is running in {fleet.path}; waiting until it is done."),
    ):
        fleet.clear_incoming()
        fleet.wait_for_disk()
        standing = {one.sha256_received: one for one in fleet.received()}
        door = _Door(
            fleet, mappings, mapping, agency, {folded(heading) for heading in keep_columns}, standing
        )
        arrivals, lines = [], []
        if strict:
            arrivals = _all_or_nothing(door, paths, say)
        for path, named in _meant(paths) if not arrivals else ():
            say(path.name)
            arrival = door.admit(path, named)
            arrivals.append(arrival)
            if (line := door.line(arrival, by_whom)) is not None:
                lines.append(line)
        if lines:
            fleet.append(lines)
    return arrivals


def decided(fleet, path, *, mapping=None, agency=None, keep_columns=()):
    """What `load` would decide about one file, as an Arrival, and how its bytes stand (Received or None); nothing is written."""
    standing = {one.sha256_received: one for one in fleet.received()}
    door = _Door(
        fleet, mappings_of(fleet), mapping, agency, {folded(heading) for heading in keep_columns}, standing
    )
    arrival = door.decide(path, True).arrival
    return arrival, standing.get(arrival.sha256_received)


def _all_or_nothing(door, paths, say):
    """Arrivals that keep every file out, if any of them could not be loaded whole; else none."""
    found = []
    for path, named in _meant(paths):
        say(path.name)
        decision = door.decide(path, named)
        lacking = (
            decision.arrival.why if decision.arrival.status == "kept out" else door.shortfall(path, decision)
        )
        found.append(replace(decision.arrival, status="kept out", why=lacking))
    other = "another file of this call cannot be loaded whole, and all or none were asked for"
    return (
        [one if one.why else replace(one, why=f"{one.file_name}: {other}") for one in found]
        if any(one.why for one in found)
        else []
    )


@dataclass(frozen=True)
class _Decision:
    """What becomes of a file, with all that is needed to do it."""

    arrival: Arrival
    mapping: object = None
    export: object = None


@dataclass
class _Door:
    """One call of `load`: what it asks for, and how the bytes that came before stand (by hash as received)."""

    fleet: object
    mappings: tuple
    wanted: str | None
    agency: str | None
    keep_columns: set
    standing: dict

    def admit(self, path, named):
        """Decide about a file, and keep its copy if it is to be loaded."""
        decision = self.decide(path, named)
        arrival = decision.arrival
        try:
            if arrival.status == "loaded":
                arrival = replace(arrival, sha256=self._kept(path, decision))
                self.fleet.keep_input(decision.mapping.text)
        except ExportError as error:
            arrival = Arrival(
                path.name,
                "kept out",
                str(error),
                sha256=arrival.sha256_received,
                sha256_received=arrival.sha256_received,
            )
        return (
            replace(arrival, why=f"{arrival.why}; what was loaded of it before stays")
            if self._stays(arrival)
            else arrival
        )

    def _stays(self, arrival):
        """Whether bytes that cannot be used now stand as they were loaded before: only a call that asks for something else undoes that."""
        before = self.standing.get(arrival.sha256_received)
        return (
            arrival.status == "kept out"
            and before is not None
            and before.status == "loaded"
            and self.wanted is None
            and self.agency is None
        )

    def decide(self, path, named):
        """The _Decision about a file; nothing is written."""
        try:
            with ThreadPoolExecutor(1) as pool:  # the bytes are hashed while it is found out what they are
                hashing, looked = pool.submit(_sha256, path), self._looked_at(path)
            sha256 = hashing.result()
            before = self.standing.get(sha256)
            if before and before.status == "purged" and not named:
                raise ExportError(
                    path.name,
                    None,
                    f"was purged on {before.when} ({before.why})",
                    "the file named itself, if it is to be loaded again",
                )
            mapping, export = self._recognized(path, before, looked)
            return _Decision(self._arrival(path, sha256, before, mapping, export), mapping, export)
        except ExportError as error:
            return _Decision(
                Arrival(
                    path.name,
                    "kept out",
                    str(error),
                    sha256=_sha256(path, b""),
                    sha256_received=_sha256(path, b""),
                )
            )

    def _looked_at(self, path):
        """The export opened without a mapping, or with the one that is wanted; or the ExportError that this raised."""
        chosen = next((one for one in self.mappings if one.name == self.wanted), None)
        try:
            return opened(path, chosen) if chosen is not None else opened(path, None, self._known())
        except ExportError as error:
            return error

    def _known(self):
        return {heading for one in self.mappings for heading in one.mapped_headings}

    def _recognized(self, path, before, export):
        """(mapping, export opened with it); raises ExportError where none fits, or several do."""
        if isinstance(export, ExportError):
            raise export
        chosen = next((one for one in self.mappings if one.name == self.wanted), None)
        if chosen is not None:
            return chosen, export
        found = recognize(own_headings(export.headings), self.mappings)
        chosen = found.mapping
        if chosen is None and before and before.status == "loaded":
            chosen = next((one for one in self.mappings if one.name == before.mapping), None)
        if chosen is None:
            differ = (
                f"; headings that differ: {', '.join(map(repr, found.differing[:12]))}{' ...' if len(found.differing) > 12 else ''}"
                if found.differing
                else ""
            )
            raise ExportError(
                path.name,
                export.heading_line,
                found.why + differ,
                f"headings of one mapping; --mapping NAME names one, coldfill map {path.name} drafts one",
            )
        as_it_is = chosen.delimiter is None and chosen.encoding is None
        return chosen, export if as_it_is else opened(path, chosen, self._known())

    def _arrival(self, path, sha256, before, mapping, export):
        headings = own_headings(export.headings)
        lacking = [
            name
            for name in REQUIRED
            if not mapping.feeds(name)
            or not {folded(heading) for heading in mapping.feeds(name)} <= set(map(folded, headings))
        ]
        if lacking:
            wanted = "; ".join(
                f"{' and '.join(map(repr, mapping.feeds(name)))} for {name}" for name in lacking
            )
            raise ExportError(
                path.name,
                export.heading_line,
                f"under mapping {mapping.name!r} there is no column for {', '.join(lacking)}",
                f"headings {wanted}",
            )
        if not _has_rows(export):
            raise ExportError(
                path.name,
                export.heading_line,
                "there are headings and no rows",
                "at least one row below them",
            )
        loaded_before = before is not None and before.status == "loaded"
        agency = (
            collapsed(self.agency or mapping.agency or "")
            or (IN_THE_FILE if names_agency(headings, mapping) else "")
            or (before.agency if loaded_before else "")
        )
        others = any(
            one.agency and one.status == "loaded" for one in self.standing.values() if one is not before
        )
        if not agency and others and not loaded_before:
            raise ExportError(
                path.name,
                None,
                NO_AGENCY,
                "the agency named with --agency NAME, in the mapping, or in a column",
            )
        arrival = Arrival(
            path.name,
            "loaded",
            "",
            mapping.name,
            agency,
            sha256,
            sha256,
            remarks=(*export.notes, *heading_warnings(headings, mapping)),
        )
        unused = [
            heading
            for heading in headings
            if not _is_used(heading, headings, mapping) and folded(heading) not in self.keep_columns
        ]
        if (
            loaded_before
            and (before.mapping, before.agency) == (mapping.name, agency)
            and self._serves(before, mapping, set(headings) - set(unused))
        ):
            gone = tuple(
                (heading, "dropped when it was first loaded")
                for heading in before.dropped_headings.split("; ")
                if heading
            )
            return replace(arrival, status="already loaded", sha256=before.sha256, dropped=gone)
        if before and before.status == "purged":
            arrival = replace(
                arrival, why=f"loaded again after it was purged on {before.when} ({before.why})"
            )
        return replace(
            arrival, dropped=tuple(suspect_personal(unused, _sample(export, unused))) if unused else ()
        )

    def _serves(self, before, mapping, wanted):
        """Whether the copy that is kept has every column that is wanted now."""
        with suppress(FleetError, ExportError):
            return wanted <= set(
                opened(
                    self.fleet.export_path(before.sha256),
                    mapping,
                    stripped=before.sha256 != before.sha256_received,
                ).headings
            )
        return False

    def _kept(self, path, decision):
        """Hash of the copy in exports/: the bytes as they are, or without the columns to be dropped."""
        arrival, mapping = decision.arrival, decision.mapping
        if not arrival.dropped:
            sha256, _ = self.fleet.keep(path, path.name)
        else:
            known = self._known()
            copy = self.fleet.exports / f".incoming-{secrets.token_hex(8)}"
            try:
                strip.write_without(
                    path,
                    decision.export,
                    [heading for heading, _ in arrival.dropped],
                    copy,
                    lambda written: opened(written, mapping, known, stripped=True),
                )
                sha256, _ = self.fleet.keep(copy, path.name)
            finally:
                copy.unlink(missing_ok=True)
        if (sha256 if not arrival.dropped else _sha256(path)) != arrival.sha256_received:
            raise ExportError(
                path.name,
                None,
                "the file changed while it was read",
                "a file nobody writes to; load it again",
            )
        return sha256

    def line(self, arrival, by_whom):
        """The line of the log for an Arrival; None where the last line about these bytes says the same."""
        before = self.standing.get(arrival.sha256_received)
        said = before and (before.mapping, before.agency, before.status)
        if (
            arrival.status == "already loaded"
            or said == (arrival.mapping, arrival.agency, arrival.status)
            and before.sha256 == arrival.sha256
        ):
            return None
        if self._stays(arrival) or before and before.status == "purged" and arrival.status == "kept out":
            return None
        text = next((one.sha256 for one in self.mappings if one.name == arrival.mapping), "")
        why = (
            arrival.why
            if arrival.status != "loaded" or not arrival.dropped
            else "; ".join(filter(None, (arrival.why, *arrival.remarks)))
        )
        line = LogLine(
            sha256=arrival.sha256,
            sha256_received=arrival.sha256_received,
            dropped_headings="; ".join(heading for heading, _ in arrival.dropped),
            file_name=arrival.file_name,
            mapping=arrival.mapping,
            mapping_sha256=text,
            agency=arrival.agency,
            status=arrival.status,
            why=why,
            by_whom=by_whom,
        )
        self.standing[arrival.sha256_received] = line
        return line

    def shortfall(self, path, decision):
        """What of a file would not be loaded, in a sentence; nothing if all of it would."""
        mapping, arrival = decision.mapping, decision.arrival
        received = Received(
            sha256=arrival.sha256_received,
            sha256_received=arrival.sha256_received,
            file_name=path.name,
            status="loaded",
            agency=arrival.agency,
            export_id=1,
        )
        with scratch() as draft:
            connection = draft.connect()
            tables.create(connection)
            read_one(connection, path, received, mapping, known_ids(policies.load(self.fleet.policy)), {})
            precedence.settle(connection)
            lines = not_loaded_summary(lambda sql, params: connection.execute(sql, params).fetchall(), 1)[
                "not_loaded"
            ]
        return f"{path.name}: not all of it can be loaded: {'; '.join(lines)}" if lines else ""


def _has_rows(export):
    """Whether there is anything below the headings of an export but blank lines."""
    return any(batch.table.num_rows for batch in export.batches(1)) or bool(export.damage)


def _is_used(heading, headings, mapping):
    """Whether a field or `carry` of the mapping uses a heading of a file, or one that it repeats."""
    names = {folded(heading), repeat_of(heading, set(map(folded, headings)))}
    return bool(names & {*mapping.feeding, *map(folded, mapping.carry)})


def _sample(export, headings):
    """Some rows of some columns, taken all over the file."""
    batch_rows, most = LOOKED_AT
    taken = []
    for batch in export.batches(batch_rows, columns=headings):
        rows = np.unique(
            np.linspace(0, batch.table.num_rows - 1, min(most, batch.table.num_rows)).astype(np.int64)
        )
        taken.append(batch.table.take(pa.array(rows)))
    return (
        pa.concat_tables(taken)
        if taken
        else pa.table({heading: pa.array([], pa.string()) for heading in headings})
    )


def _sha256(path, unreadable=None):
    """Hash of a file's bytes; that of `unreadable` where they cannot be had, or ExportError."""
    try:
        # To open a pipe waits until somebody writes into it.
        if not stat.S_ISREG(path.stat().st_mode):
            raise OSError(errno.EINVAL, "it is a pipe, device or folder and not a file")
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        if unreadable is None:
            raise ExportError(
                path.name, None, f"cannot be opened: {error.strerror}", "a readable file"
            ) from None
        return hashlib.sha256(unreadable).hexdigest()
