"""The door: each file is recognized, stripped of personal columns nobody asked for, kept, and logged once.

What is decided here stands in the log, and a snapshot is made from the log (`reading`). A file that cannot be used is
named with the reason and kept out; nothing of it is stored.
"""

import hashlib
import secrets
import shutil
import tempfile
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow as pa

from pipelines import precedence, snapshot
from pipelines.fields import REQUIRED
from pipelines.intake import strip
from pipelines.intake.cells import collapsed, folded
from pipelines.intake.mapping import MappingError, heading_warnings, recognize, repeat_of
from pipelines.intake.privacy import suspect_personal
from pipelines.intake.sniff import ExportError
from pipelines.logs import locked, told
from pipelines.policy import policy as policies
from pipelines.reading import (
    IN_THE_FILE,
    known_ids,
    mappings_of,
    names_agency,
    opened,
    own_headings,
    read_one,
)
from pipelines.store import BUILD_WAIT_S, FleetError, LogLine, Received, scratch

ENDINGS = (".csv", ".tsv", ".txt")
NO_AGENCY = "the agency is not recorded, and this fleet holds more than one"
LARGEST_UPLOAD = 200 << 20  # bytes a browser may send; larger files go through `coldfill load`
UPLOADS, UPLOAD_KEPT_S = ".uploads", 86_400.0  # folder in the fleet's, and how long one may lie there
LOOKED_AT = 200_000, 2_000  # of every so many rows so many are looked at for personal texts


@dataclass(frozen=True)
class Arrival:
    """What was decided about one file at the door.

    `sha256` is of the copy that is kept, `sha256_received` of the bytes that came. `dropped` are (heading, why) of the
    columns that are not kept.
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

    Bytes whose last line says the same are not logged again, and what a call leaves open (mapping, agency) an earlier
    decision about the same bytes settles. Columns that no field and no `carry` uses and that look personal are dropped,
    but for the headings in `keep_columns`. With `strict` it is all or nothing: anything that would not be loaded keeps
    every file out. Raises MappingError where `mapping` is none there is.
    """
    fleet.create()
    mappings = mappings_of(fleet)
    if mapping is not None and mapping not in {one.name for one in mappings}:
        raise MappingError(
            mapping, "", f"there is no such mapping; there are {', '.join(one.name for one in mappings)}"
        )
    sweep_uploads(fleet)
    with locked(
        fleet.path / ".load.lock",
        BUILD_WAIT_S,
        lambda: say(f"Another load is running in {fleet.path}; waiting until it is done."),
    ):
        fleet.clear_incoming()
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
        return {heading for one in self.mappings for heading in one.known}

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
            snapshot.create(connection)
            read_one(connection, path, received, mapping, known_ids(policies.load(self.fleet.policy)), {})
            precedence.settle(connection)
            lines = _not_loaded_summary(lambda sql, params: connection.execute(sql, params).fetchall(), 1)[
                "not_loaded"
            ]
        return f"{path.name}: not all of it can be loaded: {'; '.join(lines)}" if lines else ""


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
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        if unreadable is None:
            raise ExportError(
                path.name, None, f"cannot be opened: {error.strerror}", "a readable file"
            ) from None
        return hashlib.sha256(unreadable).hexdigest()


@contextmanager
def uploaded(file_name, file):
    """What a browser sent (bytes, or a file open for reading) as a file of its own name, for `load`, `preview`, `trial`.

    It lies in a private folder and is gone when the block ends. FleetError where it is larger than LARGEST_UPLOAD.
    """
    with tempfile.TemporaryDirectory(prefix="coldfill-upload-") as folder:
        yield _written(Path(folder), file_name, file)


def keep_upload(fleet, file_name, file, name=None):
    """What a browser sent, as `uploaded`, in a private folder of the fleet until `forget_upload`; returns its path.

    It is no part of the fleet. The folder is called `name`, if given, which nobody else must use. What others left there
    more than a day ago is removed.
    """
    uploads = fleet.path / UPLOADS
    sweep_uploads(fleet)
    with told("write in", uploads):
        folder = uploads / (name or secrets.token_hex(8))
        uploads.mkdir(parents=True, exist_ok=True)
        folder.mkdir(mode=0o700, exist_ok=True)  # only its owner may look in
    try:
        return _written(folder, file_name, file)
    except BaseException:
        forget_upload(folder / "it")
        raise


def forget_upload(path):
    """Remove what `keep_upload` wrote, if it is still there."""
    shutil.rmtree(path.parent, ignore_errors=True)
    with suppress(OSError):
        path.parent.parent.rmdir()


def sweep_uploads(fleet):
    """Remove uploads that nobody took up for a day: their page was closed, or the server was."""
    for folder in (fleet.path / UPLOADS).glob("*"):
        with suppress(OSError):
            if time.time() - folder.stat().st_mtime > UPLOAD_KEPT_S:
                shutil.rmtree(folder, ignore_errors=True)


def _written(folder, file_name, file):
    name = file_name.replace("\\", "/").split("/")[-1].replace("\0", "").strip() or "upload.csv"
    path = folder / (f"_{name}" if name in (".", "..") else name)
    with told("write", path), open(path, "wb") as copy:
        size = 0
        for block in (
            [file]
            if isinstance(file, bytes | bytearray | memoryview)
            else iter(lambda: file.read(1 << 20), b"")
        ):
            size += len(block)
            if size > LARGEST_UPLOAD:
                raise FleetError(
                    f"{path.name} has more than {LARGEST_UPLOAD >> 20} MB: load it with the command coldfill load, or send it in parts."
                )
            copy.write(block)
    return path


# ---- purging


def purge(fleet, sha256, why, by_whom=""):
    """Commit to the log that an export is removed; `sha256` are the first digits of its hash, as received or as stored.

    Returns its line; `forget` deletes what is left of it. A purge that was cut short is taken up again.
    """
    log, digits = fleet.log(), sha256.lower()
    named = {
        line.sha256_received
        for line in log
        if line.sha256_received.startswith(digits) or line.sha256.startswith(digits)
    }
    found = [one for one in fleet.received(log) if one.sha256_received in named]
    if len(found) != 1 or len(digits) < 6:
        raise FleetError(
            f"{sha256!r} names {len(found) or 'no'} exports of {fleet.path}: give at least 6 digits of one hash, as in received.csv."
        )
    one = found[0]
    if one.status == "purged":
        if not _copies(fleet, one) and not _made_with(fleet, one):
            raise FleetError(f"{one.file_name} ({one.sha256[:12]}) was purged before, {one.when}.")
        return one
    line = LogLine(**{name: getattr(one, name) for name in LogLine.__dataclass_fields__})
    return fleet.append([replace(line, number=0, when="", status="purged", why=why, by_whom=by_whom)])[0]


def forget(fleet, line):
    """Delete every copy of a purged export, and every snapshot made with it, pinned or not; returns what these were called."""
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


# ---- what became of a load


def reports(fleet, snapshot, arrivals):
    """What became of each file of a load, as dictionaries: its row of `exports`, what was dropped and not loaded, what it can answer."""
    ids = {one.sha256_received: one.export_id for one in fleet.received()}
    out = []
    for arrival in arrivals:
        row = {
            "file_name": arrival.file_name,
            "status": arrival.status,
            "reason": arrival.why,
            "mapping": arrival.mapping,
            "agency": arrival.agency,
            "dropped": [{"heading": heading, "why": why} for heading, why in arrival.dropped],
            "remarks": list(arrival.remarks),
        }
        if arrival.status != "kept out" and snapshot is not None:
            export_id = ids[arrival.sha256_received]
            counts = snapshot.query(
                "SELECT export_id, sha256, rows_read, rows_kept, rows_not_loaded, rows_repeated, rows_superseded FROM exports WHERE export_id = ?",
                [export_id],
            )
            row |= {
                name: value if isinstance(value, str) else int(value)
                for name, value in counts.iloc[0].items()
            }
            row |= _not_loaded_summary(snapshot.rows, export_id)
            row["answers"] = answers(snapshot, export_id).sentence()
        out.append(row)
    return out


def _not_loaded_summary(rows_of, export_id, most=6):
    rows = rows_of(
        """SELECT extent, reason, heading, count(*) AS entries, min(source_line) AS line, arg_min(raw_text, source_line) AS text, arg_min(expected, source_line) AS expected
        FROM not_loaded WHERE export_id = ? GROUP BY extent, reason, heading ORDER BY entries DESC, line""",
        [export_id],
    )
    lines = [
        f"{entries:,} {extent}{'s' if entries > 1 else ''}{f', heading {heading!r}' if heading else ''}: {reason} (line {line}: {(text or '')[:60]!r}; accepted: {expected})"
        for extent, reason, heading, entries, line, text, expected in rows
        if extent != "column"
    ]
    columns = [heading for extent, _, heading, *_ in rows if extent == "column"]
    if columns:
        lines.append(
            f"{len(columns)} columns not mapped: {', '.join(columns[:8])}{' ...' if len(columns) > 8 else ''}"
        )
    more = (
        [f"... and {len(lines) - most} kinds more; see the page of files received"]
        if len(lines) > most + 1
        else []
    )
    return {
        "cells_not_loaded": sum(row[3] for row in rows if row[0] == "cell"),
        "not_loaded": lines[:most] + more if more else lines,
    }


@dataclass(frozen=True)
class Answers:
    """Which checks an export can answer, which it cannot for want of a column, and which columns would open most."""

    can: tuple[str, ...]
    cannot: tuple[str, ...]
    columns: tuple[tuple[str, int], ...]

    def sentence(self):
        text = f"answers {len(self.can)} of {len(self.can) + len(self.cannot)} checks"
        if self.cannot:
            text += f"; for want of a column it cannot answer: {', '.join(self.cannot)}"
        if self.columns:
            text += f"; most would be opened by: {', '.join(f'{field} ({count} checks)' for field, count in self.columns)}"
        return text


def answers(snapshot, export_id):
    """What one export can answer, over its assessed inspections."""
    rows = snapshot.rows(
        """
        SELECT check_id, sum(inspections) FILTER (outcome IN ('ok', 'deficient')) > 0 AS told,
               max(reason_field) FILTER (outcome = 'not verified' AND filled = 0) AS lacking
        FROM export_checks LEFT JOIN export_fields ON export_fields.export_id = export_checks.export_id AND export_fields.field = export_checks.reason_field
        WHERE export_checks.export_id = ? GROUP BY check_id ORDER BY check_id""",
        [export_id],
    )
    can = tuple(check for check, told, lacking in rows if told)
    lacking = {check: field for check, told, field in rows if not told and field}
    opened = Counter(lacking.values())
    return Answers(
        can, tuple(lacking), tuple(sorted(opened.items(), key=lambda pair: (-pair[1], pair[0]))[:3])
    )
