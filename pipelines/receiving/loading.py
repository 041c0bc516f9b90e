"""One file that somebody brings in from a page: from its bytes to a published snapshot, within what they may
do.

The work runs in a thread of its own, so that it ends well whatever becomes of the page that began it.
"""

import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipelines.engine.policy.policy import PolicyError
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.intake.cells import folded
from pipelines.intake.encoding import ExportError
from pipelines.intake.mapping import Mapping, MappingError
from pipelines.intake.rows import type_batch
from pipelines.receiving import changing, door, drafts, kept_uploads, report, verdict
from pipelines.snapshot import stages
from pipelines.snapshot.exports import IN_THE_FILE, batches, mapping_of, mappings_of, opened
from pipelines.snapshot.progress import Progress
from pipelines.snapshot.version import attach

BY_WHOM = "from the dashboard"
_at_work: set[Path] = set()  # uploads that are being loaded by this process


@dataclass(frozen=True)
class Wanted:
    """What is to be done with one file: read it with `mapping` (None: as recognized), or with `draft`, which
    is saved first.

    With `instead_of` the draft is that mapping, changed, and takes its place.

    `agency` is for files that do not name one; `keep` are headings to keep though they look personal.
    """

    path: Path
    mapping: str | None = None
    agency: str = ""
    keep: tuple[str, ...] = ()
    draft: Mapping | None = None
    instead_of: Mapping | None = None


@dataclass(frozen=True)
class Brought:
    """What came of a file.

    `report` is as `report.reports` gives it, `snapshot` now current, `saved` the name of a mapping saved.
    """

    path: Path
    report: dict
    snapshot: str
    saved: str = ""


def decided(viewer, fleet, wanted):
    """What the door would decide, as an Arrival, and how the same bytes stand already; nothing is written.

    FleetError where the viewer may not.
    """
    arrival, before = door.decided(
        fleet, wanted.path, mapping=wanted.mapping, agency=wanted.agency or None, keep_columns=wanted.keep
    )
    if arrival.status != "kept out":
        _refuse_others(viewer, fleet, wanted, arrival.mapping, before)
    return arrival, before


def verdict_on(fleet, upload, mapping, agency):
    """What the rows of an Upload would come to, read with a mapping for an agency, as verdict.verdict."""
    current = fleet.current()
    numbers = {one.sha256_received: one.export_id for one in fleet.received()}
    export_id = numbers.get(upload.sha256) or max(numbers.values(), default=0) + 1
    return verdict.verdict(upload, mapping, agency, attach(current) if current else None, export_id)


def save(viewer, fleet, draft):
    """Save a new mapping into the fleet.

    MappingError where its name is taken; FleetError where it is for an agency the viewer does not see.
    """
    if viewer.agencies is not None and folded(draft.agency or "") not in {"", *map(folded, viewer.agencies)}:
        raise FleetError(f"{draft.agency}: you may load for {_theirs(viewer)} only.")
    there = {one.name.casefold(): one for one in mappings_of(fleet)}.get(draft.name.casefold())
    if there is not None and there.text != draft.text:
        raise MappingError(
            f"{there.name}.toml",
            "",
            "there is a mapping of this name already, and files may rest on it; choose another name",
        )
    return drafts.save_mapping(fleet, draft.name, draft.text)


def bring(viewer, fleet, several, progress=None):
    """Save the drafts there are, load the files one after the other, publish once; (brought, refused).

    `brought` are Brought, `refused` (path, error) of the files that could not be loaded, which stop no other:
    FleetError, MappingError, ExportError or PolicyError. What was committed before another error stays, and
    the next load takes it up.
    """
    progress, arrivals, refused = progress or Progress(), [], []
    for one in several:
        try:
            arrivals.append((one, _admitted(viewer, fleet, one, progress)))
        except (FleetError, MappingError, ExportError, PolicyError) as error:
            refused.append((one.path, error))
    if not arrivals:
        return [], refused
    snapshot = stages.build(fleet, progress)
    rows = report.reports(fleet, attach(snapshot), [arrival for _, arrival in arrivals])
    for row in rows:
        row["remarks"] += progress.notes
    brought = [
        Brought(one.path, row, str(snapshot), one.draft.name if one.draft else "")
        for (one, _), row in zip(arrivals, rows, strict=True)
    ]
    return brought, refused


def _admitted(viewer, fleet, wanted, progress):
    """One file kept and logged, its draft saved before; its Arrival."""
    mapping, at_hand = wanted.mapping, f"reading {wanted.path.name}"
    if wanted.draft is not None:
        progress.say("saving the mapping")
        mapping = wanted.draft.name
        if wanted.instead_of is None:
            save(viewer, fleet, wanted.draft)
        else:
            changing.save(viewer, fleet, wanted.instead_of, wanted.draft)
    if viewer.agencies is not None:
        progress.say("reading which agencies the file names")
        decided(viewer, fleet, Wanted(wanted.path, mapping, wanted.agency, wanted.keep))
    progress.say(at_hand)
    (arrival,) = door.load(
        fleet,
        [wanted.path],
        mapping=mapping,
        agency=wanted.agency or None,
        keep_columns=wanted.keep,
        by_whom=BY_WHOM,
        say=lambda text: progress.say(text if "; waiting" in text else at_hand),
    )
    if arrival.status == "kept out":
        raise FleetError(arrival.why)
    return arrival


def let_go(path):
    """Remove an upload that nobody has open any more, unless it is being loaded."""
    if path not in _at_work:
        kept_uploads.forget_upload(path)


def _refuse_others(viewer, fleet, wanted, mapping_name, before):
    """FleetError where a file has rows for, or stands for, an agency the viewer does not see."""
    if viewer.agencies is None:
        return
    allowed = set(map(folded, viewer.agencies))
    mapping = next(one for one in mappings_of(fleet) if one.name == mapping_name)
    named = agencies_named(wanted.path, mapping, wanted.agency or None)
    if before is not None and before.status == "loaded":
        named |= (
            {before.agency}
            if before.agency != IN_THE_FILE
            else agencies_named(wanted.path, mapping_of(fleet, before))
        )
    others = sorted(name or "an agency that is not recorded" for name in named if folded(name) not in allowed)
    if others:
        some = ", ".join(others[:3]) + (" and others" if len(others) > 3 else "")
        may = f"you may load for {_theirs(viewer)} only"
        raise FleetError(f"{wanted.path.name} has, or had, rows for {some}: {may}.")


def agencies_named(path: Path, mapping: Mapping, agency: str | None = None) -> set[str]:
    """Every agency that rows of a file would be loaded for; "" where a row names none."""
    found: set[str | None] = set()
    for batch in batches(opened(path, mapping)):
        typed = type_batch(batch, mapping, agency=agency, file_name=path.name)
        found |= set(typed.table.column("agency").unique().to_pylist())
    return {name or "" for name in found}


def _theirs(viewer):
    return ", ".join(viewer.agencies) or "no agency"


@dataclass
class Loading:
    """A load at work: what it does now (`said`), how far it is within that (0 to 1, None unknown), and how it
    ended.

    `brought` and `refused` are as `bring` returns them; `error` is what ended the whole of it. An upload is
    removed when it was loaded, and kept when not, so that it can be tried again.
    """

    viewer: Any
    fleet: Fleet
    wanted: tuple[Wanted, ...]
    said: str = "waiting"
    share: float | None = None
    brought: list[Brought] = field(default_factory=list)
    refused: list[tuple[Path, Exception]] = field(default_factory=list)
    error: Exception | None = None
    _thread: threading.Thread | None = field(default=None, repr=False)

    def begin(self):
        _at_work.update(one.path for one in self.wanted)
        self._thread = threading.Thread(
            target=self._work, name="coldfill load", daemon=True
        )  # a load may be cut short anywhere
        self._thread.start()
        return self

    def wait(self, seconds):
        """Wait so long or until it is over; whether it is over."""
        if self._thread is None:
            return False
        self._thread.join(seconds)
        return not self._thread.is_alive()

    def _work(self):
        self.brought, self.refused, self.error = [], [], None
        try:
            self.brought, self.refused = bring(self.viewer, self.fleet, self.wanted, self._progress())
            for one in self.brought:
                kept_uploads.forget_upload(one.path)
        except Exception as error:  # said on the page by whoever waits
            self.error = error
        finally:
            _at_work.difference_update(one.path for one in self.wanted)

    def _progress(self):
        return Progress(self._say, self._step)

    def _say(self, text):
        self.said, self.share = text, None

    def _step(self, done, of):
        self.share = done / of if of else None


class Rereading(Loading):
    """A mapping that is changed, and every file read with it read again; no file is new."""

    def __init__(self, viewer, fleet, before, after):
        super().__init__(viewer, fleet, ())
        self.before, self.after = before, after

    def _work(self):
        self.error = None
        try:
            self._say("saving the mapping")
            changing.save(self.viewer, self.fleet, self.before, self.after)
            stages.build(self.fleet, self._progress())
        except Exception as error:  # said on the page by whoever waits
            self.error = error


class Publishing(Loading):
    """The snapshot of what the fleet now holds, built anew; no file is new."""

    def _work(self):
        self.error = None
        try:
            stages.build(self.fleet, self._progress())
        except Exception as error:  # said on the page by whoever waits
            self.error = error
