"""What the pages that take a file in ask of the pipelines; beside `data`, the only door to them.

An upload is read once for its session, and held as long as its page is connected.
"""

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import streamlit as st

from dashboard.data import fleet
from pipelines.answers.access import Viewer
from pipelines.fields import BY_NAME, DATE, NUMBER, TIME, WORDS
from pipelines.fleet import decided as log_of_decisions
from pipelines.fleet.folder import LogLine, Received
from pipelines.fleet.logs import FleetError
from pipelines.intake.encoding import ExportError
from pipelines.intake.mapping import Mapping as Made
from pipelines.receiving import changing, drafts, kept_uploads, loading, returned
from pipelines.receiving.changing import Effect, alike, as_it_is, changed
from pipelines.receiving.deciding import Arrival
from pipelines.receiving.drafts import (
    CARRY,
    IGNORE,
    Choice,
    Heading,
    Suggested,
    composed,
    shortcomings,
    unit_named,
)
from pipelines.receiving.kept_uploads import LARGEST_UPLOAD
from pipelines.receiving.loading import Brought, Loading, Rereading, Wanted
from pipelines.receiving.returned import ACCEPTED, BEFORE, REFUSED, TWICE, Returned
from pipelines.receiving.upload import Upload
from pipelines.receiving.verdict import Verdict
from pipelines.snapshot.exports import IN_THE_FILE, mappings_of, names_agency
from pipelines.snapshot.version import attach

__all__ = [
    "ACCEPTED",
    "BEFORE",
    "BY_NAME",
    "Brought",
    "CARRY",
    "IGNORE",
    "IN_THE_FILE",
    "LARGEST_UPLOAD",
    "REFUSED",
    "TWICE",
    "Choice",
    "Effect",
    "Heading",
    "Loading",
    "Made",
    "Rereading",
    "Returned",
    "Suggested",
    "Upload",
    "Verdict",
    "Viewer",
    "Waiting",
    "Wanted",
    "alike",
    "as_it_is",
    "changed",
    "composed",
    "names_agency",
    "shortcomings",
    "unit_named",
]


NEEDS_A_MAPPING, ALREADY_LOADED = "needs a mapping", "loaded already"
MOST_AT_ONCE = 12  # uploads a session has open: each holds its first rows


def state() -> str:
    """Changes with the fleet's mappings and what it has received, on which an upload's fate depends."""
    text = json.dumps([[one.name, one.sha256] for one in mappings_of(fleet())] + [len(fleet().log())])
    return hashlib.sha256(text.encode()).hexdigest()


def keep_upload(viewer: Viewer, file: BinaryIO, file_id: str) -> str:
    """What the browser sent, written to a private folder; its path.

    FleetError where it is too large or cannot be written.
    """
    name = hashlib.sha256(file_id.encode()).hexdigest()[:16]
    return str(kept_uploads.keep_upload(fleet(), file.name, file, name))


def let_go(path: str) -> None:
    """Remove an upload that is no longer open, unless it is being loaded."""
    loading.let_go(Path(path))


@st.cache_resource(scope="session", on_release=let_go, show_spinner=False)
def held(path: str) -> str:
    """An upload, for as long as its page is connected: it is let go when that ends."""
    return path


@st.cache_resource(scope="session", max_entries=MOST_AT_ONCE, ttl=3600, show_spinner=False)
def read(viewer: Viewer, path: str, state: str) -> Upload:
    """An upload and all that it says of itself; ExportError says why it is no export."""
    return Upload.into(fleet(), Path(path), shows_personal=viewer.personal)


def token(upload: Upload) -> str:
    """A short name of an upload that says nothing of where it lies."""
    return upload.path.parent.name


@st.cache_data(scope="session", max_entries=64, ttl=3600, show_spinner=False)
def decided(viewer: Viewer, wanted: Wanted, state: str) -> tuple[Arrival, LogLine | None]:
    """What the door would decide, and how these bytes stand already, as loading.decided."""
    return loading.decided(viewer, fleet(), wanted)


@st.cache_data(scope="session", max_entries=64, ttl=3600, show_spinner=False)
def verdict(
    viewer: Viewer, _upload: Upload, path: str, mapping: Made, agency: str, snapshot: str | None, state: str
) -> Verdict:
    """What the rows of an upload would come to, as loading.verdict_on; it rests on the snapshot, too."""
    return loading.verdict_on(fleet(), _upload, mapping, agency)


@dataclass(frozen=True)
class Waiting:
    """One of several uploads: how it stands, and what would be asked of a load, None where it cannot be yet.

    `mapping` is the one that is recognized, `why` what keeps the file from being loaded with the others, and
    `dropped` the headings that would be dropped at the door.
    """

    path: str
    file_name: str
    mapping: str = ""
    verdict: Verdict | None = None
    why: str = ""
    dropped: tuple[str, ...] = ()
    wanted: Wanted | None = None


def waiting(viewer: Viewer, path: str, snapshot: str | None) -> Waiting:
    """How one of several uploads stands, as recognized."""
    name, now = Path(path).name, state()
    try:
        opened = read(viewer, path, now)
        if opened.mapping is None:
            return Waiting(path, name, why=NEEDS_A_MAPPING)
        wanted = Wanted(opened.path)
        decision, _ = decided(viewer, wanted, now)
    except (ExportError, FleetError) as error:
        return Waiting(path, name, why=str(error))
    dropped = tuple(heading for heading, _ in decision.dropped)
    if decision.status != "loaded":
        why = decision.why or ALREADY_LOADED
        return Waiting(path, name, decision.mapping or opened.mapping, why=why, dropped=dropped)
    found = verdict(viewer, opened, path, mapping_called(decision.mapping), decision.agency, snapshot, now)
    return Waiting(
        path, name, decision.mapping, found, dropped=dropped, wanted=None if found.doubtful else wanted
    )


def mapping_called(name: str) -> Made:
    return next(one for one in mappings_of(fleet()) if one.name == name)


def mapping_name(upload: Upload) -> str:
    """A name for a new mapping that is not taken yet."""
    return drafts.name_for(mappings_of(fleet()), upload.path)


def save_mapping(viewer: Viewer, mapping: Made) -> str:
    """Save a new mapping; the name of its file. MappingError where it cannot be used or its name is taken."""
    return loading.save(viewer, fleet(), mapping).name


def changeable(viewer: Viewer) -> list[str]:
    """Names of the fleet's mappings that the viewer may change."""
    return changing.changeable(viewer, fleet())


def read_with(mapping: str) -> list[Received]:
    """The loaded files that are read with a mapping, the newest first."""
    return changing.read_with(fleet(), mapping)


@st.cache_resource(scope="session", max_entries=MOST_AT_ONCE, ttl=3600, show_spinner=False)
def stored(viewer: Viewer, sha256: str, state: str) -> Upload:
    """A stored file as an upload."""
    received = next(one for one in fleet().received() if one.sha256 == sha256)
    return changing.stored(fleet(), received, shows_personal=viewer.personal)


@st.cache_data(scope="session", max_entries=64, ttl=3600, show_spinner=False)
def effects(viewer: Viewer, before: Made, after: Made, state: str) -> list[Effect]:
    """What a change of a mapping does to the newest stored files that are read with it."""
    files = read_with(before.name)[: changing.MOST_FILES]
    return [changing.effect(stored(viewer, one.sha256, state), one, before, after) for one in files]


def begin_change(viewer: Viewer, before: Made, after: Made) -> Loading:
    """Begin to save a changed mapping and to read its files again."""
    return Rereading(viewer, fleet(), before, after).begin()


def begin_load(viewer: Viewer, *wanted: Wanted) -> Loading:
    """Begin to load uploads and publish; it runs to its end whatever the page does."""
    return Loading(viewer, fleet(), wanted).begin()


def takes_dates(use: str) -> bool:
    """Whether what a heading is for is a field of days or times."""
    return use in BY_NAME and BY_NAME[use].kind in (DATE, TIME)


def takes_lists(field: str) -> bool:
    """Whether several ids may stand in a cell of a field."""
    return BY_NAME[field].kind == WORDS


def words_of(field: str) -> tuple[str, ...]:
    """What a text of a field may mean; none where any text will do."""
    return drafts.words_of(fleet(), field)


def units_of(field: str) -> tuple[str, ...]:
    """Units that a field's numbers may come in, its own first; none for what is no number with a unit."""
    return drafts.units_of(field) if field in BY_NAME and BY_NAME[field].kind == NUMBER else ()


# ---- lists that come back


def list_back(viewer: Viewer, path: str, snapshot: str) -> Returned:
    """What would become of a list that came back, as returned.look; ExportError says why it is none."""
    return _list_back(viewer, path, snapshot, log_of_decisions.stamp(fleet()))


@st.cache_data(scope="session", max_entries=4, ttl=3600, show_spinner="Reading the list")
def _list_back(viewer: Viewer, path: str, snapshot: str, stamp: tuple[int, int]) -> Returned:
    return returned.look(viewer, fleet(), attach(snapshot), Path(path))


def record_list(viewer: Viewer, path: str, snapshot: str, by: str) -> int:
    """Record what a list that came back decides, as returned.record; how many decisions that added."""
    return len(returned.record(viewer, fleet(), attach(snapshot), Path(path), by)[1])
