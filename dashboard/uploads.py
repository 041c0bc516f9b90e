"""The questions of the page on which a file is added; beside `data`, the only door to the pipelines.

Every function takes the viewer first. What an upload says is cached for its own session only, and not for
long.
"""

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import pandas as pd
import streamlit as st

from dashboard.data import Viewer, fleet
from pipelines.fields import BY_NAME, NUMBER, PERSONAL, WORDS
from pipelines.intake.mapping import Mapping
from pipelines.receiving import loading, trial, uploads
from pipelines.receiving.loading import Loading, Wanted
from pipelines.receiving.trial import CARRY, IGNORE, Choice, Look, Suggested, composed, shortcomings
from pipelines.receiving.uploads import LARGEST_UPLOAD
from pipelines.snapshot.exports import mappings_of, names_agency

__all__ = [
    "BY_NAME",
    "CARRY",
    "IGNORE",
    "LARGEST_UPLOAD",
    "Choice",
    "Wanted",
    "composed",
    "names_agency",
    "shortcomings",
]

cached = st.cache_data(max_entries=64, ttl=3600, show_spinner=False, scope="session")
NOT_SHOWN = "(personal, not shown)"


def state() -> str:
    """Changes with the fleet's mappings and with what it has received: what an upload would become depends on both."""
    text = json.dumps([[one.name, one.sha256] for one in mappings_of(fleet())] + [len(fleet().log())])
    return hashlib.sha256(text.encode()).hexdigest()


def keep_upload(viewer: Viewer, file) -> str:
    """What the browser sent (of file_uploader), written to a private place; its path. FleetError where it is too large or cannot be written."""
    return str(
        uploads.keep_upload(fleet(), file.name, file, hashlib.sha256(file.file_id.encode()).hexdigest()[:16])
    )


def let_go(path: str):
    """Remove an upload that is no longer open, unless it is being loaded."""
    loading.let_go(Path(path))


@st.cache_resource(scope="session", on_release=let_go, show_spinner=False)
def held(path: str) -> str:
    """An upload, for as long as its page is connected: it is let go when that ends."""
    return path


def place(path: str) -> Path:
    return Path(path)


def token(path: str) -> str:
    """A short name of an upload that says nothing of where it lies."""
    return Path(path).parent.name


@cached
def look(viewer: Viewer, path: str, state: str) -> Look:
    """How a file is read, and which mapping knows its headings; ExportError says why it is none."""
    found = trial.look(fleet(), Path(path))
    if viewer.personal:
        return found
    return replace(
        found,
        rows=found.rows.assign(
            **{heading: NOT_SHOWN for heading in _personal(path, found) & set(found.rows)}
        ),
    )


@cached
def suggested(viewer: Viewer, path: str) -> Suggested:
    """What each heading of an unknown export may be, and why."""
    found = trial.suggested(fleet(), Path(path))
    hidden = set() if viewer.personal else _personal(path, trial.look(fleet(), Path(path)))
    return replace(
        found,
        headings=tuple(
            replace(one, examples=(NOT_SHOWN,)) if one.heading in hidden else one for one in found.headings
        ),
    )


@cached
def suited(
    viewer: Viewer, path: str, heading: str, field: str
) -> tuple[str | None, tuple[tuple[str, str], ...]]:
    """The unit and words that suit a field chosen for a heading."""
    return trial.suited(fleet(), Path(path), heading, field)


@cached
def tried(viewer: Viewer, path: str, mapping: Mapping) -> pd.DataFrame:
    """What a mapping makes of the first rows, a row per heading and field, as trial.trial."""
    found = trial.trial(Path(path), mapping, _known())
    hidden = found["heading"].isin(
        set() if viewer.personal else _personal(path, trial.look(fleet(), Path(path)))
    ) | (found["field"].isin(PERSONAL) & (not viewer.personal))
    return found.assign(examples=found["examples"].mask(hidden, ""))


@cached
def words(viewer: Viewer, path: str, mapping: Mapping) -> pd.DataFrame:
    """The distinct texts in columns of words, and what each means, as trial.words."""
    found = trial.words(fleet(), Path(path), mapping, _known())
    return found if viewer.personal else found[~found["field"].isin(PERSONAL)]


@cached
def rows_looked_at(viewer: Viewer, path: str) -> tuple[int, bool]:
    """How many rows a trial looks at, and whether these are all."""
    return trial.rows_looked_at(Path(path), None, _known())


@cached
def decided(viewer: Viewer, wanted: Wanted, state: str):
    """What the door would decide, and how these bytes stand already, as uploads.decided."""
    return loading.decided(viewer, fleet(), wanted)


def mapping_called(name: str) -> Mapping:
    return next(one for one in mappings_of(fleet()) if one.name == name)


def mapping_name(viewer: Viewer, path: str) -> str:
    """A name for a new mapping that is not taken yet."""
    return trial.name_for(fleet(), Path(path))


def save_mapping(viewer: Viewer, mapping: Mapping) -> str:
    """Save a new mapping; the name of its file. MappingError where it cannot be used or its name is taken."""
    return loading.save(viewer, fleet(), mapping).name


def begin_load(viewer: Viewer, wanted: Wanted) -> Loading:
    """Begin to load an upload and publish; it runs to its end whatever the page does."""
    return Loading(viewer, fleet(), wanted).begin()


def takes_lists(field: str) -> bool:
    """Whether several ids may stand in a cell of a field."""
    return BY_NAME[field].kind == WORDS


def words_of(field: str) -> tuple[str, ...]:
    return trial.words_of(fleet(), field)


def units_of(field: str) -> tuple[str, ...]:
    """Units that a field's numbers may come in, its own first; none for what is no number with a unit."""
    return trial.units_of(field) if field in BY_NAME and BY_NAME[field].kind == NUMBER else ()


def unit_named(text: str) -> str:
    return trial.unit_named(text)


def _known():
    return {heading for one in mappings_of(fleet()) for heading in one.mapped_headings}


def _personal(path, found):
    """Headings whose cells a viewer without personal fields does not see: those that look personal, and those that feed such a field."""
    fields = {one.heading: one.field for one in trial.suggested(fleet(), Path(path)).headings}
    fed = {
        heading
        for name in ([found.mapping] if found.mapping else [])
        for field in PERSONAL
        for heading in mapping_called(name).feeds(field)
    }
    return (
        {heading for heading, _ in found.personal}
        | {heading for heading, field in fields.items() if field in PERSONAL}
        | fed
    )
