"""A mapping that is changed: what would become of the stored files that are read with it, and the saving.

A file is read with the mapping of the name in its line of the log, as it stands now: saved, a change reaches
every such file at the next build, and makes none of them newer than it was.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.fields import BY_NAME, FIELDS
from pipelines.fleet.folder import Fleet, Received
from pipelines.fleet.logs import FleetError
from pipelines.intake.cells import folded
from pipelines.intake.mapping import CANONICAL, Column, Join, Mapping, MappingError, to_toml
from pipelines.intake.recognition import repeat_of
from pipelines.intake.units import find
from pipelines.receiving import drafts
from pipelines.receiving.drafts import CARRY, IGNORE, Choice, Heading, Suggested
from pipelines.receiving.upload import NOT_SHOWN, Upload
from pipelines.snapshot.exports import IN_THE_FILE, is_stripped, known_ids, mappings_of
from pipelines.snapshot.inputs import policy_of

MOST_FILES = 5  # stored files on which a change is tried, the newest


def changeable(viewer: Any, fleet: Fleet) -> list[str]:
    """Names of the mappings that the viewer may change."""
    own = [one for one in mappings_of(fleet) if one.name != CANONICAL]
    return [one.name for one in own if _may(viewer, fleet, one)]


def _may(viewer: Any, fleet: Fleet, *mappings: Mapping) -> bool:
    """Whether nothing of an agency that the viewer does not see rests on mappings of one name."""
    if viewer.agencies is None:
        return True
    named = {folded(one.agency) for one in read_with(fleet, mappings[0].name)}
    named |= {folded(one.agency) for one in mappings if one.agency}
    return bool(named) and named <= set(map(folded, viewer.agencies))


def read_with(fleet: Fleet, name: str) -> list[Received]:
    """The loaded files that are read with a mapping, the newest first."""
    loaded = [one for one in fleet.received() if one.status == "loaded" and one.mapping == name]
    return sorted(loaded, key=lambda one: -one.export_id)


def stored(fleet: Fleet, received: Received, *, shows_personal: bool = True) -> Upload:
    """A stored file as an Upload. Raises ExportError, FleetError, MappingError, PolicyError."""
    ids = known_ids(policy_of(fleet))
    return Upload(
        fleet.export_path(received.sha256),
        mappings_of(fleet),
        ids,
        shows_personal=shows_personal,
        stripped=is_stripped(received),
    )


def as_it_is(upload: Upload, mapping: Mapping) -> Suggested:
    """What a mapping makes each heading of a file be, as suggestions to be changed."""
    found, here = upload.suggested, set(map(folded, upload.headings))
    columns = {folded(column.heading): column for column in mapping.columns}
    joined = {folded(heading): join.field for join in mapping.joins for heading in join.headings}
    carried, ignored = set(map(folded, mapping.carry)), set(map(folded, mapping.ignore))

    def heading(one: Heading) -> Heading:
        name = folded(one.heading)
        if name in columns:
            column = columns[name]
            return replace(one, field=column.field, why=(), unit=column.unit, words=column.words)
        if repeat_of(one.heading, here) is not None:
            return one
        use = joined.get(name) or (CARRY if name in carried else IGNORE if name in ignored else None)
        return replace(one, field=use, why=(), unit=None, words=())

    headings = tuple(map(heading, found.headings))
    return Suggested(headings, mapping.decimal, mapping.dates).hiding(upload.hidden, NOT_SHOWN)


def changed(mapping: Mapping, headings: Iterable[str], made: Mapping, choices: Sequence[Choice]) -> Mapping:
    """A mapping changed as choices for the `headings` of one file say; `made` is what they compose.

    What the choices cannot say stays: headings that the file lacks, how a file is opened, the order and mark
    of joins, what is carried beside its field, how headings and units are spelled, and the comments above.
    """
    here = set(map(folded, headings))
    spelled = {
        folded(heading): heading for heading in (*mapping.feeding.values(), *mapping.carry, *mapping.ignore)
    }
    use = {folded(one.heading): one.use for one in choices}

    def own(heading: str) -> str:
        return spelled.get(folded(heading), heading)

    def absent(headings: Iterable[str]) -> tuple[str, ...]:
        return tuple(heading for heading in headings if folded(heading) not in here)

    both = [
        one for one in mapping.carry if folded(one) in mapping.feeding and use.get(folded(one)) in BY_NAME
    ]
    feeding: dict[str, list[str]] = {}
    for join in mapping.joins:  # in their old order, then what is new
        feeding[join.field] = [
            one for one in join.headings if folded(one) not in here or use.get(folded(one)) == join.field
        ]
    for one in choices:
        fields = feeding.get(one.use)
        if fields is not None and own(one.heading) not in fields:
            fields.append(own(one.heading))
    for join in made.joins:
        feeding.setdefault(join.field, list(map(own, join.headings)))
    joins = {field: headings for field, headings in feeding.items() if len(headings) > 1}
    marks = {join.field: join.mark for join in mapping.joins}
    lone = [one for one in made.columns if one.field not in joins]
    new = replace(
        made,
        name=mapping.name,
        columns=_in_order_of(
            mapping,
            (
                *(_as_spelled(column, mapping) for column in lone),
                *(column for column in mapping.columns if folded(column.heading) not in here),
            ),
        ),
        joins=tuple(Join(field, tuple(several), marks.get(field, "-")) for field, several in joins.items()),
        encoding=mapping.encoding,
        delimiter=mapping.delimiter,
        carry=tuple(dict.fromkeys((*map(own, made.carry), *both, *absent(mapping.carry)))),
        ignore=(*map(own, made.ignore), *absent(mapping.ignore)),
    )
    comments = takewhile(lambda line: line.startswith("#") or not line.strip(), mapping.text.splitlines())
    return replace(new, text="".join(f"{line}\n" for line in comments) + to_toml(new))


def _as_spelled(column: Column, mapping: Mapping) -> Column:
    """A column with heading and unit as a mapping spells them, where it means the same."""
    for one in mapping.columns:
        if folded(one.heading) == folded(column.heading) and one.field == column.field:
            same = _unit_of(one) == _unit_of(column)
            return replace(column, heading=one.heading, unit=one.unit if same else column.unit)
    return column


def _unit_of(column: Column) -> str | None:
    """Our name for the unit a column comes in; None where its field has none."""
    unit = column.unit or BY_NAME[column.field].unit
    return find(unit).name if unit else None


def _in_order_of(mapping: Mapping, columns: Iterable[Column]) -> tuple[Column, ...]:
    """Columns as they stand in a mapping, new ones last."""
    places = {name: place for place, name in enumerate(mapping.feeding)}
    return tuple(sorted(columns, key=lambda column: places.get(folded(column.heading), len(places))))


def alike(one: Mapping, other: Mapping) -> bool:
    """Whether two mappings read every file the same, however they are written."""

    def said(mapping: Mapping) -> Mapping:
        columns = (
            replace(
                column,
                heading=folded(column.heading),
                unit=_unit_of(column),
                words=tuple(sorted(column.translations.items())),
            )
            for column in mapping.columns
        )
        return replace(
            mapping,
            columns=tuple(sorted(columns, key=lambda column: column.heading)),
            joins=tuple(sorted(mapping.joins, key=lambda join: join.field)),
            text="",
        )

    return said(one) == said(other)


@dataclass(frozen=True)
class Effect:
    """What a change does to a stored file: rows and cells used more, less, and cells read as something else.

    `rows` were looked at; `fields` are those whose cells change, the most first, each with how many.
    `wanting` are headings that the change would use and that were dropped when the file was loaded.
    """

    file_name: str
    rows: int
    whole: bool
    rows_more: int
    rows_less: int
    cells_more: int
    cells_less: int
    cells_other: int
    fields: tuple[tuple[str, int], ...]
    wanting: tuple[str, ...]

    @property
    def nothing(self) -> bool:
        return not (self.rows_more or self.rows_less or self.fields or self.wanting)


def effect(upload: Upload, received: Received, before: Mapping, after: Mapping) -> Effect:
    """What a change does to one stored file, on the rows looked at. Raises ExportError."""
    was, now = (_typed(upload, received, mapping) for mapping in (before, after))
    lines = was["source_line"].to_numpy(), now["source_line"].to_numpy()
    both_was = was.filter(pa.array(np.isin(lines[0], lines[1])))
    both_now = now.filter(pa.array(np.isin(lines[1], lines[0])))
    more = less = other = 0
    changes: dict[str, int] = {}
    for field in FIELDS:
        old, new = both_was[field.name], both_now[field.name]
        gained = _count(pc.and_(pc.is_null(old), pc.is_valid(new)))
        lost = _count(pc.and_(pc.is_valid(old), pc.is_null(new)))
        differs = _count(pc.not_equal(_plain(old), _plain(new)))
        more, less, other = more + gained, less + lost, other + differs
        if gained or lost or differs:
            changes[field.name] = gained + lost + differs
    dropped = {folded(one): one for one in received.dropped_headings.split("; ") if one}
    wanting = after.feeding.keys() - before.feeding.keys()
    return Effect(
        received.file_name,
        upload.rows_looked_at,
        upload.whole,
        len(lines[1]) - both_now.num_rows,
        len(lines[0]) - both_was.num_rows,
        more,
        less,
        other,
        tuple(sorted(changes.items(), key=lambda pair: (-pair[1], pair[0]))),
        tuple(dropped[name] for name in sorted(wanting & dropped.keys())),
    )


def _typed(upload: Upload, received: Received, mapping: Mapping) -> pa.Table:
    constant = received.agency if received.agency not in ("", IN_THE_FILE) else None
    return upload.typed(mapping, constant).table


def _plain(column: pa.ChunkedArray) -> pa.ChunkedArray:
    return column.cast(pa.string()) if pa.types.is_dictionary(column.type) else column


def _count(mask: pa.ChunkedArray) -> int:
    return pc.sum(pc.fill_null(mask, False)).as_py() or 0


def save(viewer: Any, fleet: Fleet, before: Mapping, after: Mapping) -> None:
    """Put a changed mapping into the place of the one it was made from, whose text is kept.

    MappingError where it cannot be used or another one stands there meanwhile; FleetError where files of
    agencies rest on it that the viewer does not see.
    """
    there = next((one for one in mappings_of(fleet) if one.name == before.name), None)
    if there is not None and there.text == after.text:
        return
    if there is None or there.text != before.text:
        wrong = "it was changed by somebody else meanwhile: open it again"
        raise MappingError(f"{before.name}.toml", "", wrong)
    if not _may(viewer, fleet, before, after):
        raise FleetError(
            f"{before.name}: it, or files that are read with it, is of other agencies than yours."
        )
    fleet.keep_input(before.text)
    drafts.save_mapping(fleet, after.name, after.text)
