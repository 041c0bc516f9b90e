"""A mapping in the making: what each heading may be, the choices somebody makes, what is lacking, and the
saving.

Nothing is stored but a mapping, and that only once it has been checked.
"""

import os
import re
import secrets
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from pipelines.engine.policy import policy as policies
from pipelines.fields import BY_NAME, REQUIRED, TEXT, WORD
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import attempting, sync
from pipelines.intake.cells import BLANKS, collapsed, folded
from pipelines.intake.mapping import CANONICAL, Column, Join, Mapping, MappingError, parse_mapping, to_toml
from pipelines.intake.recognition import repeat_of
from pipelines.intake.suggestions import draft
from pipelines.intake.units import UNITS, find
from pipelines.snapshot.exports import known_ids

CARRY, IGNORE = "carry", "ignore"  # what a heading may be for, beside a field
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,79}", re.ASCII)


@dataclass(frozen=True)
class Heading:
    """What one heading may be: the suggested field (None: nothing speaks clearly) and why.

    `unit` is given where it is not the field's own; `words` are those that crews write for the field's;
    `examples` the first few texts of its cells; `short_date` the first that is a date with a year of two
    digits, if there is one.
    """

    heading: str
    field: str | None
    why: tuple[str, ...]
    unit: str | None
    words: tuple[tuple[str, str], ...]
    examples: tuple[str, ...]
    short_date: str = ""


@dataclass(frozen=True)
class Suggested:
    """Suggestions to be corrected, in the order of the file.

    The decimal mark and the order of dates are None where cells that could be read both ways do not show it.
    """

    headings: tuple[Heading, ...]
    decimal: str | None
    dates: str | None

    def hiding(self, headings: Collection[str], instead: str) -> "Suggested":
        """The same, with one text instead of the examples of some headings."""
        shown = (
            replace(one, examples=(instead,)) if one.heading in headings else one for one in self.headings
        )
        return replace(self, headings=tuple(shown))


def suggested(headings: Sequence[str], sample: pa.Table) -> Suggested:
    """What the headings of an unknown export may be; `sample` has a column of text for each."""
    found, here, out = draft(headings, sample), set(map(folded, headings)), []
    for position, one in enumerate(found.suggestions):
        texts = tuple(filled(sample.column(position)).unique().slice(0, 4).to_pylist())
        if repeat_of(one.heading, here) is None:
            out.append(Heading(one.heading, one.field, one.why, one.unit, one.words, texts, one.short_date))
        else:
            why = ("read together with the column it repeats",)
            out.append(Heading(one.heading, None, why, None, (), texts, one.short_date))
    every = [text for column in sample.columns for text in column.unique().drop_null().to_pylist()]
    either = re.compile(r"-?[0-9]+[.,][0-9]+")
    unclear = any(either.fullmatch(text.strip(BLANKS)) for text in every)
    return Suggested(tuple(out), found.decimal or (None if unclear else "."), found.dates)


def filled(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Texts of a column without those that are blank, trimmed."""
    trimmed = pc.utf8_trim(pc.fill_null(column, ""), BLANKS)
    return trimmed.filter(pc.not_equal(trimmed, ""))


def name_for(mappings: Iterable[Mapping], path: Path) -> str:
    """A name for a new mapping, after the file and not taken yet."""
    name = re.sub(r"[^A-Za-z0-9_-]+", "-", path.stem).strip("-_")[:70].lower() or "export"
    taken, number, free = {one.name.casefold() for one in mappings}, 1, name
    while free.casefold() in taken:
        number += 1
        free = f"{name}-{number}"
    return free


@dataclass(frozen=True)
class Choice:
    """What one heading is for: a field, CARRY, IGNORE, or "" where that is still open."""

    heading: str
    use: str = ""
    unit: str | None = None
    words: tuple[tuple[str, str], ...] = ()


def composed(
    name: str,
    choices: Sequence[Choice],
    *,
    agency: str = "",
    decimal: str = ".",
    dates: str = "ymd",
    two_digit_years_from: int | None = None,
    not_recorded: Iterable[str] = (),
) -> Mapping:
    """The mapping that choices make, unchecked: fields may be lacking, or fed twice.

    Several headings of one text field are joined.
    """
    feeding: dict[str, list[str]] = {}
    for one in choices:
        if one.use in BY_NAME:
            feeding.setdefault(one.use, []).append(one.heading)
    joins = tuple(
        Join(field, tuple(headings))
        for field, headings in feeding.items()
        if len(headings) > 1 and BY_NAME[field].kind == TEXT
    )
    joined = {join.field for join in joins}
    columns = tuple(
        Column(one.heading, one.use, None if one.unit == BY_NAME[one.use].unit else one.unit, one.words)
        for one in choices
        if one.use in BY_NAME and one.use not in joined
    )
    mapping = Mapping(
        name,
        columns,
        joins,
        agency=collapsed(agency) or None,
        decimal=decimal,
        dates=dates,
        two_digit_years_from=two_digit_years_from,
        not_recorded=tuple(not_recorded),
        carry=tuple(one.heading for one in choices if one.use == CARRY),
        ignore=tuple(one.heading for one in choices if one.use == IGNORE),
    )
    return replace(mapping, text=to_toml(mapping))


def shortcomings(mapping: Mapping) -> tuple[tuple[str, ...], dict[str, tuple[str, ...]]]:
    """Required fields that no heading feeds, and the headings, by field, of which one only may feed it."""
    feeding: dict[str, list[str]] = {}
    for column in mapping.columns:
        feeding.setdefault(column.field, []).append(column.heading)
    lacking = tuple(field for field in REQUIRED if not mapping.feeds(field))
    return lacking, {field: tuple(several) for field, several in feeding.items() if len(several) > 1}


def units_of(field: str) -> tuple[str, ...]:
    """Names of the units a field's numbers may come in, its own first; none for a field without one."""
    if BY_NAME[field].unit is None:
        return ()
    own = find(BY_NAME[field].unit)
    return own.name, *(unit.name for unit in UNITS if unit.quantity == own.quantity and unit is not own)


def unit_named(text: str) -> str:
    """Our name for a unit that a mapping or a heading writes in its own way."""
    return find(text).name


def words_of(fleet: Fleet, field: str) -> tuple[str, ...]:
    """What a text of a field may mean: its words, or the ids a list may hold; none where any text will do."""
    if BY_NAME[field].kind == WORD:
        return BY_NAME[field].words
    return tuple(sorted(known_ids(policies.load(fleet.policy)).get(field, ())))


def save_mapping(fleet: Fleet, name: str, toml_text: str) -> Path:
    """Check a mapping and put it into the fleet's own mappings, over one of the same name; returns its path.

    Raises MappingError, and leaves what was there, if it cannot be used or the name will not do.
    """
    if not NAME.fullmatch(name) or name == CANONICAL:
        wanted = f"the name needs letters, digits, dashes and underscores, and is not {CANONICAL!r}"
        raise MappingError(f"{name}.toml", "", wanted)
    mapping = parse_mapping(name, toml_text.replace("\r\n", "\n"))
    fleet.create()
    target = fleet.mappings / f"{name}.toml"
    draft_path = fleet.mappings / f".{name}-{secrets.token_hex(8)}"
    with attempting("write", target):
        try:
            draft_path.touch(mode=0o600)
            draft_path.write_bytes(mapping.text.encode())
            sync(draft_path)
            os.replace(draft_path, target)
            sync(fleet.mappings)
        finally:
            draft_path.unlink(missing_ok=True)
    return target
