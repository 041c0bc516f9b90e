"""A batch of rows as text → typed readings, and every row and cell that was not used as read, with its reason.

Columns are read by their distinct texts: each column is dictionary-encoded, the distinct texts are typed once,
plain ones by pyarrow and odd ones in a short loop, and the rows take the result by code. Free text is only
trimmed.
"""

import json
import os
from collections.abc import Collection, Sequence
from collections.abc import Mapping as Lookup
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.fields import BY_NAME, DATE, FIELDS, NUMBER, REQUIRED, TEXT, TIME, WORD, WORDS, Field
from pipelines.intake import cells, units
from pipelines.intake.cells import BLANKS, Refused
from pipelines.intake.mapping import Column, Mapping, repeat_of, unmapped
from pipelines.intake.records import DAMAGE_REASONS
from pipelines.intake.units import ABSOLUTE, NOT_UNDERSTOOD, OTHER_QUANTITY, UnitError

Known = Lookup[str, Collection[str]]

NOT_MAPPED = "heading not mapped"
SAID_TWICE = "this file says two things about one inspection"  # found once the whole file is typed
REASONS: tuple[str, ...] = (
    *(*DAMAGE_REASONS, *cells.REASONS),
    *(NOT_UNDERSTOOD, OTHER_QUANTITY, ABSOLUTE),
    *(NOT_MAPPED, SAID_TWICE),
)

TYPES = {
    TEXT: pa.string(),
    WORDS: pa.string(),
    WORD: pa.dictionary(pa.int8(), pa.string()),
    NUMBER: pa.float64(),
    DATE: pa.date32(),
    TIME: pa.timestamp("us"),  # UTC; without a zone, so that no session's own zone ever shifts it
}
READINGS = pa.schema(
    [(field.name, TYPES[field.kind]) for field in FIELDS]
    + [("source_line", pa.int64()), ("unusable", pa.string()), ("carried", pa.string())]
)
NOT_LOADED = pa.schema(
    [("source_line", pa.int64())]
    + [(name, pa.string()) for name in ("heading", "field", "raw_text", "reason", "expected", "extent")]
)


@dataclass(frozen=True)
class Typed:
    """One batch, typed: `table` is as READINGS; `not_loaded` as NOT_LOADED, in the order of the file.

    A row of the batch is either in `table` or has exactly one entry of extent "row". `unusable` names the
    fields whose cell was kept out of the row, joined by ";"; `carried` is a JSON object of the mapping's
    carried columns. Numbers are finite or null, never NaN.
    """

    table: pa.Table
    not_loaded: pa.Table


def type_batch(
    batch, mapping: Mapping, *, agency: str | None = None, file_name: str = "", known: Known | None = None
) -> Typed:
    """Type one batch of an export.

    `batch` has `table` (string columns named by the file's headings) and `lines` (physical line of each row).
    The agency is the row's own, else `agency`, else the mapping's, else "": what to do with such rows is the
    caller's to say. `known` gives the accepted ids of fields that hold lists of ids; a field not in it takes
    any. Nothing that stands in a cell raises.
    """
    table, lines = batch.table, np.asarray(batch.lines, np.int64)
    if len(lines) != table.num_rows:
        raise ValueError(f"{file_name}: {table.num_rows} rows, but line numbers for {len(lines)}")
    sources = _sources(table.column_names, mapping)
    known_ids = {
        name: {cells.word_key(text): text for text in texts} for name, texts in (known or {}).items()
    }

    def typed(field: Field) -> _Column:
        source = sources.get(field.name)
        if source is None:
            return _Column(pa.nulls(table.num_rows, TYPES[field.kind]))
        return source.typed(table, _Reading(field, mapping, known_ids.get(field.name)))

    with ThreadPoolExecutor(min(4, os.cpu_count() or 1)) as pool:  # pyarrow works outside Python's lock
        columns = dict(zip(BY_NAME, pool.map(typed, FIELDS)))
    columns["agency"] = replace(columns["agency"], fallback=cells.collapsed(agency or mapping.agency or ""))
    return _assembled(columns, lines, _carried(table, mapping))


def column_notes(headings: Sequence[str], mapping: Mapping, heading_line: int | None = None) -> pa.Table:
    """One entry of extent "column", as NOT_LOADED, for each heading the mapping says nothing about."""
    unknown = unmapped(headings, mapping)
    expected = "in the mapping: a field for it, or its name under carry or ignore"
    return _entries(
        pa.array([heading_line] * len(unknown), pa.int64()),
        pa.array(unknown, pa.string()),
        "",
        "",
        NOT_MAPPED,
        expected,
        "column",
    )


# One column ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Column:
    """One field over the rows of a batch: its values, and the rows whose cell was not used as read.

    `bad` are row numbers; `raw`, `reason` and `expected` run along it. A bad row with a value was used in part.
    """

    values: pa.Array
    heading: str = ""
    bad: np.ndarray = field(default_factory=lambda: np.empty(0, np.int64))
    raw: pa.Array = field(default_factory=lambda: pa.array([], pa.string()))
    reason: pa.Array = field(default_factory=lambda: pa.array([], pa.string()))
    expected: pa.Array = field(default_factory=lambda: pa.array([], pa.string()))
    fallback: str | None = None

    def refusing(self, rows: np.ndarray, raw: pa.Array, reason: str, expected: str) -> "_Column":
        """The same with more rows refused, all for one reason."""
        return replace(
            self,
            bad=np.concatenate([self.bad, rows]),
            raw=pa.concat_arrays([self.raw, raw.cast(pa.string())]),
            reason=pa.concat_arrays([self.reason, pa.repeat(pa.scalar(reason), len(rows))]),
            expected=pa.concat_arrays([self.expected, pa.repeat(pa.scalar(expected), len(rows))]),
        )


@dataclass(frozen=True)
class _Reading:
    """How one field's texts are read in a file: `known` is word_key → id, None where any id is taken."""

    field: Field
    mapping: Mapping
    known: dict[str, str] | None = None
    column: Column | None = None


@dataclass(frozen=True)
class _Source:
    """The column of a file that feeds a field, and its repeats; `positions` are column numbers."""

    column: Column
    positions: tuple[int, ...]

    def text(self, table: pa.Table) -> tuple[pa.Array, np.ndarray, pa.Array]:
        """The text of each row, the rows where repeated columns differ, and what they say there."""
        text = _column(table, self.positions[0])
        if len(self.positions) == 1:
            return text, np.empty(0, np.int64), pa.array([], pa.string())
        every = [pc.utf8_trim(pc.fill_null(_column(table, at), ""), BLANKS) for at in self.positions]
        text, differ = every[0], np.zeros(len(text), bool)
        for other in every[1:]:
            filled = pc.and_(pc.not_equal(text, ""), pc.not_equal(other, ""))
            differ |= pc.and_(filled, pc.not_equal(text, other)).to_numpy(zero_copy_only=False)
            text = pc.if_else(pc.equal(text, ""), other, text)
        rows = np.flatnonzero(differ)
        raw = pc.binary_join_element_wise(*(one.take(rows) for one in every), " | ")
        return pc.if_else(pa.array(differ), pa.scalar(None, pa.string()), text), rows, raw

    def typed(self, table: pa.Table, reading: _Reading) -> _Column:
        text, rows, raw = self.text(table)
        column = _typed(text, replace(reading, column=self.column))
        return (
            column.refusing(rows, raw, cells.TWO_VALUES, "one column, or columns that agree")
            if len(rows)
            else column
        )


@dataclass(frozen=True)
class _Joined:
    """Columns of a file that are joined into one text field; a None part is not in the file."""

    parts: tuple[_Source | None, ...]
    mark: str

    def typed(self, table: pa.Table, reading: _Reading) -> _Column:
        nothing = _Column(pa.nulls(table.num_rows, pa.string()))
        parts = [part.typed(table, reading) if part else nothing for part in self.parts]
        values = pc.binary_join_element_wise(*(part.values for part in parts), self.mark)
        empty = [pc.is_null(part.values).to_numpy(zero_copy_only=False) for part in parts]
        refused = np.zeros(table.num_rows, bool)
        for part in parts:
            refused[part.bad] = True
        rows = np.flatnonzero(np.any(empty, axis=0) & (~np.all(empty, axis=0) | refused))
        texts = [part.text(table)[0] if part else nothing.values for part in self.parts]
        raw = pc.binary_join_element_wise(
            *(text.take(rows) for text in texts), " | ", null_handling="replace", null_replacement=""
        )
        headings = " + ".join(part.column.heading for part in self.parts if part)
        return _Column(values, headings).refusing(
            rows, raw, cells.PART_MISSING, f"a text in each of {headings}"
        )


def _sources(names: Sequence[str], mapping: Mapping) -> dict[str, "_Source | _Joined"]:
    """What feeds each field of this file; fields without a source are left out."""
    positions = _positions(names, mapping)

    def source(column: Column) -> _Source | None:
        at = positions.get(cells.folded(column.heading))
        return _Source(column, at) if at else None

    found: dict[str, _Source | _Joined | None] = {column.field: source(column) for column in mapping.columns}
    for join in mapping.joins:
        parts = tuple(source(Column(heading, join.field)) for heading in join.headings)
        found[join.field] = _Joined(parts, join.mark) if any(parts) else None
    return {name: source for name, source in found.items() if source}


def _positions(names: Sequence[str], mapping: Mapping) -> dict[str, tuple[int, ...]]:
    """Folded heading → numbers of the columns that carry it, repeats ("X (2)") included."""
    here = [cells.folded(name) for name in names]
    found: dict[str, tuple[int, ...]] = {}
    for at, heading in enumerate(here):
        if heading not in mapping.known:
            heading = repeat_of(heading, here) or heading
        found[heading] = (*found.get(heading, ()), at)
    return found


def _column(table: pa.Table, position: int) -> pa.Array:
    """One column as a single string array."""
    column = table.column(position)
    array = (
        column.chunk(0)
        if column.num_chunks == 1
        else pa.concat_arrays(column.chunks)
        if column.num_chunks
        else pa.array([], column.type)
    )
    return array if array.type == pa.string() else array.cast(pa.string())


def _typed(text: pa.Array, reading: _Reading) -> _Column:
    """A column of text, typed by its distinct texts; a text column that hardly repeats is read as it stands."""
    kind = reading.field.kind
    heading = reading.column.heading
    if text.null_count == len(text) or not pc.max(pc.binary_length(text)).as_py():
        return _Column(pa.nulls(len(text), TYPES[kind]), heading)
    if kind == TEXT and not _repeats(text):
        distinct, codes = text, None
    else:
        encoded = text.dictionary_encode()
        distinct, codes = encoded.dictionary, encoded.indices
    values, refused = _READERS[kind](distinct, reading)
    if codes is not None:
        values = values.take(codes)
    if kind == WORD:
        values = pa.DictionaryArray.from_arrays(values, pa.array(reading.field.words, pa.string()))
    if not refused:
        return _Column(values, heading)
    entry = np.full(len(distinct) + 1, -1)  # the last place is that of a null
    entry[list(refused)] = np.arange(len(refused))
    of_row = entry[:-1] if codes is None else entry[pc.fill_null(codes, len(distinct)).to_numpy()]
    bad = np.flatnonzero(of_row >= 0)
    which = of_row[bad]
    reason = pa.array([one.reason for one in refused.values()], pa.string()).take(which)
    expected = pa.array([one.expected for one in refused.values()], pa.string()).take(which)
    return _Column(
        values, heading, bad, distinct.take(np.fromiter(refused, np.int64)[which]), reason, expected
    )


def _repeats(text: pa.Array, probe: int = 2000) -> bool:
    first = text.slice(0, probe)
    return pc.count_distinct(first).as_py() * 2 < len(first)


# Distinct texts → values, and what was refused -------------------------------------------------------------
# Each takes an array of texts and a _Reading, and gives an array of the same length and {position: Refused}.

Refusals = dict[int, Refused]
_SHEET = Refused(cells.SHEET_ERROR, "what the cell was to show")
_LETTER_LOST = Refused(
    cells.NOT_CERTAIN, "the letter that the mark \ufffd stands for: it was lost before the file came"
)


def _sorted_out(texts: pa.Array, reading: _Reading) -> tuple[pa.Array, np.ndarray, Refusals]:
    """Trimmed texts, which of them are not recorded, and a spreadsheet's error texts refused."""
    trimmed = pc.utf8_trim(texts, BLANKS)
    words = pa.array(sorted(cells.missing_words(reading.field, reading.mapping.not_recorded)))
    missing = pc.or_(pc.is_in(pc.utf8_lower(trimmed), words), pc.is_null(trimmed))
    errors = pc.fill_null(pc.and_not(pc.match_substring_regex(trimmed, cells.SHEET_ERRORS), missing), False)
    refused = dict.fromkeys(np.flatnonzero(errors.to_numpy(zero_copy_only=False)).tolist(), _SHEET)
    return trimmed, missing.to_numpy(zero_copy_only=False), refused


def _text(texts: pa.Array, reading: _Reading) -> tuple[pa.Array, Refusals]:
    trimmed, missing, refused = _sorted_out(texts, reading)
    if reading.field.name not in cells.NONE_IS_TEXT:  # a letter lost from free text is no other value
        lost = pc.fill_null(pc.match_substring(trimmed, "\ufffd"), False).to_numpy(zero_copy_only=False)
        refused |= dict.fromkeys(np.flatnonzero(lost).tolist(), _LETTER_LOST)
    missing[list(refused)] = True
    if reading.field.folded:
        trimmed = pc.replace_substring_regex(trimmed, cells.BLANK_RUN, " ")
    return pc.if_else(
        pa.array(missing), pa.scalar(None, pa.string()), trimmed
    ) if missing.any() else trimmed, refused


def _number(texts: pa.Array, reading: _Reading) -> tuple[pa.Array, Refusals]:
    field, mark = reading.field, reading.mapping.decimal
    trimmed, missing, refused = _sorted_out(texts, reading)
    matches = pc.match_substring_regex(trimmed, rf"^-?(?:[0-9]{{1,15}}|[0-9]{{0,15}}[{mark}][0-9]{{1,15}})$")
    plain = pc.fill_null(matches, False).to_numpy(zero_copy_only=False) & ~missing
    values = np.full(len(trimmed), np.nan)
    values[plain] = (
        pc.replace_substring(trimmed.filter(pa.array(plain)), mark, ".").cast(pa.float64()).to_numpy()
    )
    units_used: dict[str, list] = {"": np.flatnonzero(plain).tolist()}
    for at in _remaining(~plain & ~missing, refused):
        got = cells.number(trimmed[at].as_py(), mark)
        if isinstance(got, Refused):
            refused[at] = got
        else:
            values[at], unit = got
            units_used.setdefault(unit, []).append(at)
    for unit, at in units_used.items():
        try:
            values[at] = _in_own_unit(values[at], unit or reading.column.unit, field)
        except UnitError as error:
            refused |= dict.fromkeys(at, Refused(error.reason, error.accepted))
    values[list(refused)] = np.nan
    values += 0.0  # a minus zero is zero
    low, high = field.plausible
    for wrong, reason, expected in (
        (
            (values < low) | (values > high),
            cells.IMPLAUSIBLE,
            f"{low:,} to {high:,} {field.unit or ''}".rstrip(),
        ),
        (
            (values != np.rint(values)) & (field.unit is None and field.decimals == 0),
            cells.NOT_WHOLE,
            "a whole number",
        ),
    ):
        wrong &= ~np.isnan(values)
        refused |= dict.fromkeys(np.flatnonzero(wrong).tolist(), Refused(reason, expected))
        values[wrong] = np.nan
    return pa.array(values, from_pandas=True), refused


def _in_own_unit(values: np.ndarray, unit: str | None, field: Field) -> np.ndarray:
    """`values` in the field's unit, rounded to its decimals if they had to be converted; else as written."""
    if field.unit is None:
        if unit:
            raise UnitError(NOT_UNDERSTOOD, unit, "a number without a unit")
        return values
    factor, offset = units.affine(unit or field.unit, field.unit)
    if (factor, offset) == (1.0, 0.0):
        return values
    with np.errstate(over="ignore"):  # hundreds of digits become infinite, and then implausible
        return np.round(values * factor + offset, field.decimals)


def _remaining(wanted: np.ndarray, refused: Refusals) -> list[int]:
    return [at for at in np.flatnonzero(wanted).tolist() if at not in refused]


def _word(texts: pa.Array, reading: _Reading) -> tuple[pa.Array, Refusals]:
    trimmed, missing, refused = _sorted_out(texts, reading)
    place = {word: at for at, word in enumerate(reading.field.words)}
    codes: list[int | None] = [None] * len(trimmed)
    for at, text in enumerate(trimmed.to_pylist()):
        got = cells.word(text, reading.field, reading.column.translations) if text else None
        if isinstance(got, str):
            codes[at] = place[got]
            refused.pop(at, None)
        elif got and not missing[at]:
            refused.setdefault(at, got)
    return pa.array(codes, pa.int8()), refused


def _ids(texts: pa.Array, reading: _Reading) -> tuple[pa.Array, Refusals]:
    trimmed, missing, refused = _sorted_out(texts, reading)
    values: list[str | None] = [None] * len(trimmed)
    for at in _remaining(~missing, refused):
        values[at], unknown = cells.ids(trimmed[at].as_py(), reading.column.translations, reading.known)
        if unknown:
            known = ", ".join(sorted(reading.known.values())) if reading.known else "ids parted by ;"
            refused[at] = Refused(cells.UNKNOWN_ID, f"for {', '.join(unknown)}: {known}")
    return pa.array(values, pa.string()), refused


# Dates that are right as they stand: no month has fewer than 28 days. Others go through `cells`.
_SURE_DAY = r"^(?:19[89][0-9]|20[0-9]{2})-(?:0[1-9]|1[0-2])-(?:0[1-9]|1[0-9]|2[0-8])"
_SURE_TIME = _SURE_DAY + r"[T ](?:[01][0-9]|2[0-3]):[0-5][0-9](?::[0-5][0-9](?:\.[0-9]{1,6})?)?Z?$"


def _date(texts: pa.Array, reading: _Reading) -> tuple[pa.Array, Refusals]:
    return _dated(texts, reading, _SURE_DAY + "$", cells.day)


def _time(texts: pa.Array, reading: _Reading) -> tuple[pa.Array, Refusals]:
    return _dated(
        texts,
        reading,
        _SURE_TIME,
        lambda *cell: got if isinstance(got := cells.moment(*cell), Refused) else got[1],
    )


def _dated(texts: pa.Array, reading: _Reading, pattern: str, read) -> tuple[pa.Array, Refusals]:
    kind = TYPES[reading.field.kind]
    trimmed, missing, refused = _sorted_out(texts, reading)
    sure = pc.and_(pc.fill_null(pc.match_substring_regex(trimmed, pattern), False), pa.array(~missing))
    values = pc.utf8_rtrim(pc.if_else(sure, trimmed, pa.scalar(None, pa.string())), "Z").cast(kind)
    odd = _remaining(~sure.to_numpy(zero_copy_only=False) & ~missing, refused)
    got = [read(trimmed[at].as_py(), reading.mapping.dates) for at in odd]
    refused |= {at: one for at, one in zip(odd, got) if isinstance(one, Refused)}
    if odd:
        mask = np.zeros(len(trimmed), bool)
        mask[odd] = True
        values = pc.replace_with_mask(
            values, pa.array(mask), pa.array([None if isinstance(one, Refused) else one for one in got], kind)
        )
    return values, refused


_READERS = {TEXT: _text, NUMBER: _number, WORD: _word, WORDS: _ids, DATE: _date, TIME: _time}


# Columns → rows --------------------------------------------------------------------------------------------


def _assembled(columns: dict[str, _Column], lines: np.ndarray, carried: pa.Array) -> Typed:
    """The readings table without the rows lost, and the entries for lost rows and unused cells."""
    lost = np.zeros(len(lines), bool)
    entries = []
    for name in (*REQUIRED, "agency"):
        column = columns[name]
        empty = pc.is_null(column.values).to_numpy(zero_copy_only=False)
        newly = column.bad[empty[column.bad] & ~lost[column.bad]]
        entries.append(_refused(name, column, np.isin(column.bad, newly), lines, "row"))
        lost[newly] = True
        if name in REQUIRED:
            rows = np.flatnonzero(empty & ~lost)
            entries.append(
                _entries(
                    pa.array(lines[rows]),
                    column.heading,
                    name,
                    "",
                    cells.NOT_RECORDED,
                    f"{name} in every row",
                    "row",
                )
            )
            lost[rows] = True
    unusable = np.zeros(len(lines), np.int64)
    patterns: dict[str, int] = {"": 0}
    for name, column in columns.items():
        if not len(column.bad):
            continue
        entries.append(_refused(name, column, ~lost[column.bad], lines, "cell"))
        empty = column.bad[pc.is_null(column.values.take(column.bad)).to_numpy(zero_copy_only=False)]
        _add_name(unusable, patterns, empty, name)
    names = pa.array([pattern or None for pattern in patterns], pa.string()).take(unusable)
    values = [
        column.values if column.fallback is None else pc.fill_null(column.values, column.fallback)
        for column in columns.values()
    ]
    table = pa.Table.from_arrays([*values, pa.array(lines), names, carried], schema=READINGS)
    not_loaded = pa.concat_tables(entries)
    return Typed(
        table.filter(pa.array(~lost)) if lost.any() else table,
        not_loaded.take(pc.sort_indices(not_loaded["source_line"])).combine_chunks()
        if not_loaded.num_rows
        else NOT_LOADED.empty_table(),
    )


def _add_name(codes: np.ndarray, patterns: dict[str, int], rows: np.ndarray, name: str) -> None:
    """Append `name` to the list of names each of `rows` has; equal lists share a code."""
    texts = list(patterns)
    before, which = np.unique(codes[rows], return_inverse=True)
    after = [
        patterns.setdefault(f"{texts[code]};{name}".lstrip(";"), len(patterns)) for code in before.tolist()
    ]
    codes[rows] = np.array(after, np.int64)[which]


def _refused(name: str, column: _Column, chosen: np.ndarray, lines: np.ndarray, extent: str) -> pa.Table:
    mask = pa.array(chosen)
    return _entries(
        pa.array(lines[column.bad[chosen]]),
        column.heading,
        name,
        column.raw.filter(mask),
        column.reason.filter(mask),
        column.expected.filter(mask),
        extent,
    )


def _entries(lines: pa.Array, *texts: pa.Array | str) -> pa.Table:
    """Entries as NOT_LOADED; a single text is repeated."""
    arrays = [
        pa.repeat(pa.scalar(text, pa.string()), len(lines)) if isinstance(text, str) else text
        for text in texts
    ]
    return pa.Table.from_arrays([lines, *arrays], schema=NOT_LOADED)


def _carried(table: pa.Table, mapping: Mapping) -> pa.Array:
    """A JSON object of the mapping's carried columns for each row; null where the mapping has none."""
    if not mapping.carry:
        return pa.nulls(table.num_rows, pa.string())
    positions = _positions(table.column_names, mapping)
    pieces: list = []
    for heading in mapping.carry:
        texts = pa.nulls(table.num_rows, pa.string())
        if at := positions.get(cells.folded(heading)):
            texts, rows, raw = _Source(Column(heading, ""), at).text(table)
            if len(rows):
                texts = pc.replace_with_mask(texts, pa.array(np.isin(np.arange(table.num_rows), rows)), raw)
        encoded = pc.fill_null(texts, "").dictionary_encode()
        quoted = [
            json.dumps(text.strip(BLANKS), ensure_ascii=False) for text in encoded.dictionary.to_pylist()
        ]
        pieces += [
            pa.scalar(f"{', ' if pieces else '{'}{json.dumps(heading, ensure_ascii=False)}: "),
            pa.array(quoted, pa.string()).take(encoded.indices),
        ]
    return pc.binary_join_element_wise(*pieces, pa.scalar("}"), "")
