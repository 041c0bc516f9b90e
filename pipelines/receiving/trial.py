"""How a file would be read, before it is loaded: a preview, the draft of a mapping, and a trial of one.

Nothing here is stored but a mapping, and that only once it has been checked.
"""

import json
import os
import re
import secrets
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.engine.policy import policy as policies
from pipelines.fields import BY_NAME, DATE, REQUIRED, TEXT, WORD, WORDS
from pipelines.fleet.logs import attempting, sync
from pipelines.intake.cells import BLANKS, Refused, collapsed, folded, ids, missing_words, word, word_key
from pipelines.intake.encoding import ExportError
from pipelines.intake.mapping import (
    CANONICAL,
    Column,
    Join,
    Mapping,
    MappingError,
    parse_mapping,
    recognize,
    repeat_of,
    to_toml,
)
from pipelines.intake.privacy import suspect_personal
from pipelines.intake.reader import Batch
from pipelines.intake.rows import NOT_MAPPED, type_batch
from pipelines.intake.suggestions import draft, suiting
from pipelines.intake.units import UNITS, find
from pipelines.snapshot.exports import batches, known_ids, mappings_of, opened, own_headings

ROWS = 5_000  # of a file, looked at
ROWS_SHOWN = 12
MOST_WORDS = 60  # distinct texts of a field of words that are asked about
CARRY, IGNORE = "carry", "ignore"  # what a heading may be for, beside a field
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,79}", re.ASCII)
LOST = "its row is not loaded"


def preview(fleet, path, mapping=None):
    """How one file would be read: dialect, mapping, each heading with its field, what would be dropped, what not used.

    Raises MappingError where `mapping` is none there is.
    """
    mappings = mappings_of(fleet)
    chosen = next((one for one in mappings if one.name == mapping), None)
    if mapping is not None and chosen is None:
        raise MappingError(
            mapping, "", f"there is no such mapping; there are {', '.join(one.name for one in mappings)}"
        )
    known = {heading for one in mappings for heading in one.mapped_headings}
    try:
        export = opened(path, chosen, known)
        recognition = recognize(own_headings(export.headings), mappings)
        says = f"read with mapping {mapping!r}" if chosen else recognition.why
        chosen = chosen or recognition.mapping
        export = opened(path, chosen, known)
    except ExportError as error:
        return {"file_name": path.name, "says": str(error)}
    out = {
        "file_name": path.name,
        "says": says,
        "encoding": export.encoding,
        "delimiter": export.delimiter,
        "heading_line": export.heading_line,
        "notes": list(export.notes),
        "mapping": chosen.name if chosen else None,
    }
    sample = _first_rows(export)
    if chosen is None:
        out["columns"] = [
            f"{one.heading}: {one.field or 'no field'} ({one.reason})"
            for one in draft(export.headings, sample).suggestions
        ]
        return out
    tried = trial(path, chosen, known)
    out["columns"] = [
        f"{row.heading}: {row.field or 'no field'}"
        + (
            f", {row.used:,} used, {row.not_recorded:,} not recorded, {row.not_used:,} not used"
            if row.field
            else ""
        )
        + (f" ({row.reasons})" if row.reasons else "")
        for row in tried.itertuples()
    ]
    typed = type_batch(_batch(export), chosen, file_name=path.name) if sample.num_rows else None
    if typed is not None:
        out["says"] += (
            f"; {typed.table.num_rows:,} of the first {sample.num_rows:,} rows could be used, {typed.not_loaded.num_rows:,} entries not as read"
        )
        out["not_loaded"] = typed.not_loaded.slice(0, 20).to_pylist()
    return out


def draft_mapping(fleet, path, name=None, agency=None):
    """TOML of a suggested mapping for an unknown export, and in its comments what was left open. Raises ExportError."""
    export = opened(path, None, {heading for one in mappings_of(fleet) for heading in one.mapped_headings})
    headings, sample = own_headings(export.headings), _first_rows(export)
    found = draft(headings, sample.select(list(headings)))
    mapping = found.mapping(name or path.stem, agency)
    personal = dict(suspect_personal(headings, sample.select(list(headings))))
    left = [
        f"# {json.dumps(one.heading, ensure_ascii=False)}: {one.reason}"
        + (
            f"; looks personal ({personal[one.heading]}), dropped unless it gets a field or stands under carry"
            if one.heading in personal
            else ""
        )
        for one in found.suggestions
        if one.field is None
    ]
    lacking = [field for field in REQUIRED if not mapping.feeds(field)]
    notes = ([f"# Still lacking: {', '.join(lacking)}."] if lacking else []) + (
        ["# Headings without a field:", *left] if left else []
    )
    return to_toml(mapping) + ("\n" + "\n".join(notes) + "\n" if notes else "")


@dataclass(frozen=True)
class Look:
    """How a file is read before anybody has said what its columns are.

    `rows` are the first ones as read, a column of text for each heading. `mapping` is the one that is recognized, None
    where none or several fit (`fitting`); of the nearest, `missing` are headings it expects, `unknown` those of the
    file it says nothing about. `mappings` are all there are with how many of their headings are here, nearest first.
    `personal` are headings whose columns look personal, with why.
    """

    file_name: str
    encoding: str
    delimiter: str
    heading_line: int
    notes: tuple[str, ...]
    headings: tuple[str, ...]
    rows: pd.DataFrame
    mapping: str | None
    fitting: tuple[str, ...]
    nearest: str | None
    missing: tuple[str, ...]
    unknown: tuple[str, ...]
    mappings: tuple[tuple[str, int, int], ...]
    personal: tuple[tuple[str, str], ...]


def look(fleet, path):
    """Read the beginning of a file and see which mapping knows its headings; a Look. Raises ExportError, MappingError."""
    mappings = mappings_of(fleet)
    export = opened(path, None, {heading for one in mappings for heading in one.mapped_headings})
    headings = own_headings(export.headings)
    found = recognize(headings, mappings)
    if found.mapping is not None:
        export = opened(path, found.mapping, {heading for one in mappings for heading in one.mapped_headings})
        headings = own_headings(export.headings)
    sample = _first_rows(export).select(list(headings))
    here = set(map(folded, headings))
    shares = [
        (
            one.name,
            len(here & one.feeding.keys()),
            len(headings) if one.name == CANONICAL else len(one.feeding),
        )
        for one in mappings
    ]
    return Look(
        path.name,
        export.encoding,
        export.delimiter,
        export.heading_line,
        export.notes,
        headings,
        sample.slice(0, ROWS_SHOWN).to_pandas(),
        found.mapping.name if found.mapping else None,
        found.fitting,
        found.nearest,
        found.missing,
        found.unknown,
        tuple(sorted(shares, key=lambda one: (-one[1] / max(1, one[2]), one[0]))),
        tuple(suspect_personal(headings, sample)),
    )


@dataclass(frozen=True)
class Heading:
    """What one heading may be: the suggested field (None: nothing speaks clearly) and why, its unit where it is not the
    field's own, words that crews write for the field's; and the first few texts of its cells."""

    heading: str
    field: str | None
    why: tuple[str, ...]
    unit: str | None
    words: tuple[tuple[str, str], ...]
    examples: tuple[str, ...]
    repeats: bool = False


@dataclass(frozen=True)
class Suggested:
    """A draft to be corrected: headings in the order of the file; the decimal mark and order of dates, None where cells
    that could be read both ways do not tell."""

    headings: tuple[Heading, ...]
    decimal: str | None
    dates: str | None


def suggested(fleet, path):
    """What the headings of an unknown export may be; Suggested. Raises ExportError."""
    export = opened(path, None, {heading for one in mappings_of(fleet) for heading in one.mapped_headings})
    headings = own_headings(export.headings)
    sample = _first_rows(export).select(list(headings))
    found, here, out = draft(headings, sample), set(map(folded, headings)), []
    for place, one in enumerate(found.suggestions):
        texts = tuple(_filled(sample.column(place)).unique().slice(0, 4).to_pylist())
        repeats = repeat_of(one.heading, here) is not None
        out.append(
            Heading(one.heading, None, ("read together with the column it repeats",), None, (), texts, True)
            if repeats
            else Heading(one.heading, one.field, one.why, one.unit, one.words, texts)
        )
    texts = [text for column in sample.columns for text in column.unique().drop_null().to_pylist()]
    decimal = found.decimal or (
        None if any(re.fullmatch(r"-?[0-9]+[.,][0-9]+", text.strip(BLANKS)) for text in texts) else "."
    )
    return Suggested(tuple(out), decimal, found.dates)


def suited(fleet, path, heading, field):
    """(unit, words) that suit a field chosen for a heading by hand, as in Heading. Raises ExportError."""
    export = opened(path, None, {heading for one in mappings_of(fleet) for heading in one.mapped_headings})
    return suiting(heading, _filled(_first_rows(export).column(heading)).unique().to_pylist(), BY_NAME[field])


def name_for(fleet, path):
    """A name for a new mapping, after the file and not taken yet."""
    name = re.sub(r"[^A-Za-z0-9_-]+", "-", path.stem).strip("-_")[:70].lower() or "export"
    taken = {one.name.casefold() for one in mappings_of(fleet)}
    return next(
        one
        for number in range(1, len(taken) + 2)
        if (one := name if number == 1 else f"{name}-{number}").casefold() not in taken
    )


@dataclass(frozen=True)
class Choice:
    """What one heading is for: a field, CARRY, IGNORE, or "" where that is still open."""

    heading: str
    use: str = ""
    unit: str | None = None
    words: tuple[tuple[str, str], ...] = ()


def composed(name, choices, *, agency="", decimal=".", dates="ymd", not_recorded=()):
    """The mapping that choices make, unchecked: fields may be lacking, or fed twice. Several headings of one text field are joined."""
    feeding = {}
    for one in choices:
        if one.use in BY_NAME:
            feeding.setdefault(one.use, []).append(one)
    joined = {field for field, several in feeding.items() if len(several) > 1 and BY_NAME[field].kind == TEXT}
    columns = tuple(
        Column(one.heading, one.use, None if one.unit == BY_NAME[one.use].unit else one.unit, one.words)
        for one in choices
        if one.use in BY_NAME and one.use not in joined
    )
    joins = tuple(
        Join(field, tuple(one.heading for one in several))
        for field, several in feeding.items()
        if field in joined
    )

    def told_of(use):
        return tuple(one.heading for one in choices if one.use == use)

    mapping = Mapping(
        name,
        columns,
        joins,
        agency=collapsed(agency) or None,
        decimal=decimal,
        dates=dates,
        not_recorded=tuple(not_recorded),
        carry=told_of(CARRY),
        ignore=told_of(IGNORE),
    )
    return replace(mapping, text=to_toml(mapping))


def shortcomings(mapping):
    """(required fields that no heading feeds, {field: headings} of those fed by several that cannot be joined)."""
    feeding = {}
    for column in mapping.columns:
        feeding.setdefault(column.field, []).append(column.heading)
    return tuple(field for field in REQUIRED if not mapping.feeds(field)), {
        field: tuple(several) for field, several in feeding.items() if len(several) > 1
    }


def units_of(field):
    """Names of the units a field's numbers may come in, its own first; none for a field without one."""
    own = BY_NAME[field].unit
    return (
        (
            find(own).name,
            *(unit.name for unit in UNITS if unit.quantity == find(own).quantity and unit is not find(own)),
        )
        if own
        else ()
    )


def unit_named(text):
    """Our name for a unit that a mapping or a heading writes in its own way."""
    return find(text).name


def words_of(fleet, field):
    """What a text of a field may mean: its words, or the ids that lists of ids may hold; none where any text will do."""
    return (
        BY_NAME[field].words
        if BY_NAME[field].kind == WORD
        else tuple(sorted(known_ids(policies.load(fleet.policy)).get(field, ())))
    )


def words(fleet, path, mapping, known=()):
    """The distinct texts in columns of words, the most frequent of each column first, and what each means.

    Columns: heading, field, text, times (rows looked at), word ("" where it is not understood), given (the mapping says
    so). The first MOST_WORDS that are understood and as many that are not of each column. Raises ExportError.
    """
    batch = _batch(opened(path, mapping, known))
    accepted = {
        name: {word_key(one): one for one in of_field}
        for name, of_field in known_ids(policies.load(fleet.policy)).items()
    }
    here, rows = {folded(heading): heading for heading in batch.table.column_names}, []
    for column in mapping.columns:
        field, heading = BY_NAME[column.field], here.get(folded(column.heading))
        if field.kind not in (WORD, WORDS) or heading is None:
            continue
        missing, own = missing_words(field, mapping.not_recorded), {}
        counts = {
            one["values"]: one["counts"]
            for one in _filled(batch.table.column(heading)).value_counts().to_pylist()
        }
        times, spelled = Counter(), {}
        for text, count in counts.items():
            for part in text.split(";") if field.kind == WORDS else (text,):
                part = collapsed(part)
                if part and part.lower() not in missing:
                    times[word_key(part)] += count
                    spelled.setdefault(word_key(part), part)
        for key, count in times.items():
            if field.kind == WORD:
                meant = word(spelled[key], field, column.translations)
                own[key] = "" if isinstance(meant, Refused) else meant
            else:
                own[key] = ids(spelled[key], column.translations, accepted.get(field.name))[0] or (
                    "none" if key == "none" else ""
                )
        for understood in (False, True):
            of_kind = sorted(
                (key for key in times if bool(own[key]) is understood), key=lambda key: (-times[key], key)
            )[:MOST_WORDS]
            rows += [
                (heading, field.name, spelled[key], times[key], own[key], key in column.translations)
                for key in of_kind
            ]
    return pd.DataFrame(rows, columns=["heading", "field", "text", "times", "word", "given"])


def agencies_named(path, mapping, agency=None, known=()):
    """Every agency that rows of a file would be loaded for, read from end to end; "" where a row names none."""
    found = set()
    for batch in batches(opened(path, mapping, known)):
        found |= set(
            type_batch(batch, mapping, agency=agency, file_name=path.name)
            .table.column("agency")
            .unique()
            .to_pylist()
        )
    return {name or "" for name in found}


def rows_looked_at(path, mapping=None, known=()):
    """(rows looked at, whether these are all)."""
    looked_at = [
        batch.table.num_rows
        for batch, _ in zip(batches(opened(path, mapping, known), ROWS), range(2), strict=False)
    ]
    return (looked_at or [0])[0], len(looked_at) < 2


def _filled(column):
    """Texts of a column without those that are blank, trimmed."""
    trimmed = pc.utf8_trim(pc.fill_null(column, ""), BLANKS)
    return trimmed.filter(pc.not_equal(trimmed, ""))


def _supplied(batch, mapping):
    """The same with something in place of each required field that no heading feeds yet, so that other cells can be judged."""
    lacking, table = [name for name in REQUIRED if not mapping.feeds(name)], batch.table
    for name in lacking:
        table = table.append_column(
            f"\0{name}",
            pa.repeat(pa.scalar("2000-01-01" if BY_NAME[name].kind == DATE else "1"), table.num_rows),
        )
    return replace(batch, table=table), replace(
        mapping, columns=(*mapping.columns, *(Column(f"\0{name}", name) for name in lacking))
    )


def trial(path, mapping, known=()):
    """What a mapping makes of a file's first rows (ROWS), one row per heading and field, in the order of the file.

    Columns: heading, field ("" none, "carried", "ignored"), unit, used, not_recorded, not_used (these three add up to the
    rows looked at), reasons why not (with counts), examples of texts not used. `known` are more headings by which to
    find the line of headings. Required fields that a draft does not feed yet are left aside. Raises ExportError.
    """
    export = opened(path, mapping, known)
    headings, batch = own_headings(export.headings), _batch(export)
    typed = type_batch(*_supplied(batch, mapping), file_name=path.name)
    table, entries = typed.table, typed.not_loaded.to_pandas()
    here, carried, ignored = (set(map(folded, some)) for some in (headings, mapping.carry, mapping.ignore))
    personal = dict(suspect_personal(headings, batch.table.select(list(headings))))
    rows = []
    for heading in headings:
        name = (
            folded(heading)
            if folded(heading) in mapping.mapped_headings
            else repeat_of(heading, here) or folded(heading)
        )
        filled = pc.not_equal(
            pc.utf8_trim(pc.fill_null(batch.table.column(heading), ""), BLANKS), ""
        ).to_numpy(zero_copy_only=False)
        fields = [
            (column.field, column.unit or BY_NAME[column.field].unit)
            for column in mapping.columns
            if folded(column.heading) == name
        ]
        fields += [(join.field, None) for join in mapping.joins if name in map(folded, join.headings)]
        rows += [
            {
                "heading": heading,
                "field": field,
                "unit": unit or "",
                **_use_of(field, table, entries, batch.lines, filled),
            }
            for field, unit in fields
        ]
        if not fields:
            used = (
                int((filled & np.isin(batch.lines, table.column("source_line").to_numpy())).sum())
                if name in carried
                else 0
            )
            why = (
                f"looks personal: {personal[heading]}; dropped at the door"
                if heading in personal
                else NOT_MAPPED
                if name not in ignored
                else ""
            )
            texts = pc.unique(batch.table.column(heading).filter(pa.array(filled))).slice(0, 3).to_pylist()
            rows.append(
                {
                    "heading": heading,
                    "field": "carried" if name in carried else "ignored" if name in ignored else "",
                    "unit": "",
                    "used": used,
                    "not_used": int(filled.sum()) - used,
                    "not_recorded": int((~filled).sum()),
                    "reasons": "" if name in carried else why,
                    "examples": "; ".join(texts),
                }
            )
    return pd.DataFrame(
        rows, columns=["heading", "field", "unit", "used", "not_recorded", "not_used", "reasons", "examples"]
    )


def _use_of(field, table, entries, lines, filled):
    """Counts over the rows looked at, and why cells of one field were not used."""
    there = pc.is_valid(table.column(field)).to_numpy(zero_copy_only=False)
    loaded = table.column("source_line").to_numpy()
    own = entries[entries["field"] == field]
    refused = int((np.isin(loaded, own["source_line"]) & ~there).sum())
    cost_the_row = int((own["extent"] == "row").sum())
    with_row = int((filled & ~np.isin(lines, loaded) & ~np.isin(lines, own["source_line"])).sum())
    used, not_used = int(there.sum()), refused + cost_the_row + with_row
    reasons = own["reason"].value_counts().to_dict() | ({LOST: with_row} if with_row else {})
    texts = own["raw_text"].drop_duplicates()
    return {
        "used": used,
        "not_used": not_used,
        "not_recorded": len(lines) - used - not_used,
        "reasons": "; ".join(f"{reason} ({count:,})" for reason, count in reasons.items()),
        "examples": "; ".join(texts[texts != ""].head(3)),
    }


def save_mapping(fleet, name, toml_text):
    """Check a mapping and put it into the fleet's own mappings, over one of the same name; returns its path.

    Raises MappingError, and leaves what was there, if it cannot be used or the name will not do.
    """
    if not NAME.fullmatch(name) or name == CANONICAL:
        raise MappingError(
            f"{name}.toml",
            "",
            f"the name needs letters, digits, dashes and underscores, and is not {CANONICAL!r}",
        )
    mapping = parse_mapping(name, toml_text.replace("\r\n", "\n"))
    fleet.create()
    target = fleet.mappings / f"{name}.toml"
    draft_path = fleet.mappings / f".{name}-{secrets.token_hex(8)}"
    with attempting("write", target):
        try:
            draft_path.write_bytes(mapping.text.encode())
            sync(draft_path)
            os.replace(draft_path, target)
            sync(fleet.mappings)
        finally:
            draft_path.unlink(missing_ok=True)
    return target


def _batch(export):
    """The first rows of an export as one batch, which may be empty."""
    first = next(batches(export, ROWS), None)
    if first is not None:
        return first
    return Batch(
        pa.table({heading: pa.array([], pa.string()) for heading in export.headings}), np.empty(0, np.int64)
    )


def _first_rows(export):
    return _batch(export).table
