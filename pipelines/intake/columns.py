"""The columns of a file that feed one field → its values, and every cell that was not used as read, with its
reason.

Columns are read by their distinct texts: each column is dictionary-encoded, the distinct texts are typed
once, plain ones by pyarrow and odd ones in a short loop, and the rows take the result by code. Free text is
only trimmed.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.fields import DATE, NUMBER, TEXT, TIME, WORD, WORDS, Field
from pipelines.intake import cells, units
from pipelines.intake.cells import BLANKS, Refused
from pipelines.intake.mapping import Column, Mapping
from pipelines.intake.recognition import repeat_of
from pipelines.intake.units import NOT_UNDERSTOOD, UnitError

TYPES = {
    TEXT: pa.string(),
    WORDS: pa.string(),
    WORD: pa.dictionary(pa.int8(), pa.string()),
    NUMBER: pa.float64(),
    DATE: pa.date32(),
    TIME: pa.timestamp("us"),  # UTC; without a zone, so that no session's own zone ever shifts it
}


@dataclass(frozen=True)
class TypedColumn:
    """One field over the rows of a batch: its values, and the rows whose cell was not used as read.

    `bad` are row numbers; `raw`, `reason` and `expected` run along it. A bad row with a value was used in
    part.
    """

    values: pa.Array
    heading: str = ""
    bad: np.ndarray = field(default_factory=lambda: np.empty(0, np.int64))
    raw: pa.Array = field(default_factory=lambda: pa.array([], pa.string()))
    reason: pa.Array = field(default_factory=lambda: pa.array([], pa.string()))
    expected: pa.Array = field(default_factory=lambda: pa.array([], pa.string()))
    fallback: str | None = None

    def refusing(self, rows: np.ndarray, raw: pa.Array, reason: str, expected: str) -> "TypedColumn":
        """The same with more rows refused, all for one reason."""
        return replace(
            self,
            bad=np.concatenate([self.bad, rows]),
            raw=pa.concat_arrays([self.raw, raw.cast(pa.string())]),
            reason=pa.concat_arrays([self.reason, pa.repeat(pa.scalar(reason), len(rows))]),
            expected=pa.concat_arrays([self.expected, pa.repeat(pa.scalar(expected), len(rows))]),
        )


Ids = dict[str, str] | None  # word_key → accepted id; None where any id is taken


@dataclass(frozen=True)
class CellRules:
    """How the texts of one column are read."""

    field: Field
    column: Column
    mapping: Mapping
    ids: Ids = None


@dataclass(frozen=True)
class Source:
    """The column of a file that feeds a field, and its repeats; `positions` are column numbers."""

    column: Column
    positions: tuple[int, ...]

    def text(self, table: pa.Table) -> tuple[pa.Array, np.ndarray, pa.Array]:
        """The text of each row, the rows where repeated columns differ, and what they say there."""
        text = text_at(table, self.positions[0])
        if len(self.positions) == 1:
            return text, np.empty(0, np.int64), pa.array([], pa.string())
        every = [pc.utf8_trim(pc.fill_null(text_at(table, at), ""), BLANKS) for at in self.positions]
        text, differ = every[0], np.zeros(len(text), bool)
        for other in every[1:]:
            filled = pc.and_(pc.not_equal(text, ""), pc.not_equal(other, ""))
            differ |= pc.and_(filled, pc.not_equal(text, other)).to_numpy(zero_copy_only=False)
            text = pc.if_else(pc.equal(text, ""), other, text)
        rows = np.flatnonzero(differ)
        raw = pc.binary_join_element_wise(*(one.take(rows) for one in every), " | ")
        return pc.if_else(pa.array(differ), pa.scalar(None, pa.string()), text), rows, raw

    @property
    def single(self) -> tuple["Source", ...]:
        return (self,)

    @property
    def first(self) -> int:
        """Number of the first column."""
        return self.positions[0]

    def typed(self, table: pa.Table, field: Field, mapping: Mapping, ids: Ids) -> TypedColumn:
        """The column typed."""
        text, rows, raw = self.text(table)
        column = typed_texts(text, CellRules(field, self.column, mapping, ids))
        if not len(rows):
            return column
        return column.refusing(rows, raw, cells.TWO_VALUES, "one column, or columns that agree")


@dataclass(frozen=True)
class Joined:
    """Columns of a file that are joined into one text field; a source of None is not in the file."""

    sources: tuple[Source | None, ...]
    mark: str

    @property
    def single(self) -> tuple[Source, ...]:
        """The sources that are in the file."""
        return tuple(one for one in self.sources if one)

    @property
    def first(self) -> int:
        """Number of the first column."""
        return self.single[0].first

    def typed(self, table: pa.Table, field: Field, mapping: Mapping, ids: Ids) -> TypedColumn:
        """The columns typed and joined; empty where one of them is."""
        nothing = TypedColumn(pa.nulls(table.num_rows, pa.string()))
        columns = [one.typed(table, field, mapping, ids) if one else nothing for one in self.sources]
        values = pc.binary_join_element_wise(*(column.values for column in columns), self.mark)
        empty = [pc.is_null(column.values).to_numpy(zero_copy_only=False) for column in columns]
        refused = np.zeros(table.num_rows, bool)
        for column in columns:
            refused[column.bad] = True
        rows = np.flatnonzero(np.any(empty, axis=0) & (~np.all(empty, axis=0) | refused))
        texts = [one.text(table)[0] if one else nothing.values for one in self.sources]
        raw = pc.binary_join_element_wise(
            *(text.take(rows) for text in texts), " | ", null_handling="replace", null_replacement=""
        )
        headings = " + ".join(one.column.heading for one in self.single)
        return TypedColumn(values, headings).refusing(
            rows, raw, cells.PART_MISSING, f"a text in each of {headings}"
        )


def sources_of(names: Sequence[str], mapping: Mapping) -> dict[str, "Source | Joined"]:
    """What feeds each field of this file; fields without a source are left out."""
    positions = positions_of(names, mapping)

    def source(column: Column) -> Source | None:
        at = positions.get(cells.folded(column.heading))
        return Source(column, at) if at else None

    found: dict[str, Source | Joined | None] = {column.field: source(column) for column in mapping.columns}
    for join in mapping.joins:
        joined = tuple(source(Column(heading, join.field)) for heading in join.headings)
        found[join.field] = Joined(joined, join.mark) if any(joined) else None
    return {name: source for name, source in found.items() if source}


def positions_of(names: Sequence[str], mapping: Mapping) -> dict[str, tuple[int, ...]]:
    """Folded heading → numbers of the columns that carry it, repeats ("X (2)") included."""
    here = [cells.folded(name) for name in names]
    found: dict[str, tuple[int, ...]] = {}
    for at, heading in enumerate(here):
        if heading not in mapping.mapped_headings:
            heading = repeat_of(heading, here) or heading
        found[heading] = (*found.get(heading, ()), at)
    return found


def text_at(table: pa.Table, position: int) -> pa.Array:
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


def typed_texts(text: pa.Array, rules: CellRules) -> TypedColumn:
    """A column of text, typed by its distinct texts; free text that hardly repeats as it stands."""
    kind = rules.field.kind
    heading = rules.column.heading
    if text.null_count == len(text) or not pc.max(pc.binary_length(text)).as_py():
        return TypedColumn(pa.nulls(len(text), TYPES[kind]), heading)
    if kind == TEXT and not _repeats(text):
        distinct, codes = text, None
    else:
        encoded = text.dictionary_encode()
        distinct, codes = encoded.dictionary, encoded.indices
    values, refused = _READERS[kind](distinct, rules)
    if codes is not None:
        values = values.take(codes)
    if kind == WORD:
        values = pa.DictionaryArray.from_arrays(values, pa.array(rules.field.words, pa.string()))
    if not refused:
        return TypedColumn(values, heading)
    entry = np.full(len(distinct) + 1, -1)  # the last one is that of a null
    entry[np.fromiter(refused, np.int64)] = np.arange(len(refused))
    of_row = entry[:-1] if codes is None else entry[pc.fill_null(codes, len(distinct)).to_numpy()]
    bad = np.flatnonzero(of_row >= 0)
    which = of_row[bad]
    reason = pa.array([one.reason for one in refused.values()], pa.string()).take(which)
    expected = pa.array([one.expected for one in refused.values()], pa.string()).take(which)
    return TypedColumn(
        values, heading, bad, distinct.take(np.fromiter(refused, np.int64)[which]), reason, expected
    )


def _repeats(text: pa.Array, probe: int = 2000) -> bool:
    first = text.slice(0, probe)
    return pc.count_distinct(first).as_py() * 2 < len(first)


# Distinct texts → values, and what was refused -------------------------------------------------------------
# Each takes an array of texts and a CellRules, and gives an array of the same length and {position: Refused}.

Refusals = dict[int, Refused]
_SHEET = Refused(cells.SHEET_ERROR, "what the cell was to show")
_LETTER_LOST = Refused(
    cells.NOT_CERTAIN, "the letter that the mark \ufffd stands for: it was lost before the file came"
)


def _sorted_out(texts: pa.Array, rules: CellRules) -> tuple[pa.Array, np.ndarray, Refusals]:
    """Trimmed texts, which of them are not recorded, and a spreadsheet's error texts refused."""
    trimmed = pc.utf8_trim(texts, BLANKS)
    words = pa.array(sorted(cells.missing_words(rules.field, rules.mapping.not_recorded)))
    missing = pc.or_(pc.is_in(pc.utf8_lower(trimmed), words), pc.is_null(trimmed))
    errors = pc.fill_null(pc.and_not(pc.match_substring_regex(trimmed, cells.SHEET_ERRORS), missing), False)
    refused = dict.fromkeys(np.flatnonzero(errors.to_numpy(zero_copy_only=False)).tolist(), _SHEET)
    return trimmed, missing.to_numpy(zero_copy_only=False), refused


def _text(texts: pa.Array, rules: CellRules) -> tuple[pa.Array, Refusals]:
    trimmed, missing, refused = _sorted_out(texts, rules)
    if rules.field.name not in cells.NONE_IS_TEXT:  # a letter lost from free text is no other value
        lost = pc.fill_null(pc.match_substring(trimmed, "\ufffd"), False).to_numpy(zero_copy_only=False)
        refused |= dict.fromkeys(np.flatnonzero(lost).tolist(), _LETTER_LOST)
    missing[np.fromiter(refused, np.int64)] = True
    if rules.field.folded:
        trimmed = pc.replace_substring_regex(trimmed, cells.BLANK_RUN, " ")
    return pc.if_else(
        pa.array(missing), pa.scalar(None, pa.string()), trimmed
    ) if missing.any() else trimmed, refused


def _number(texts: pa.Array, rules: CellRules) -> tuple[pa.Array, Refusals]:
    field, mark = rules.field, rules.mapping.decimal
    trimmed, missing, refused = _sorted_out(texts, rules)
    matches = pc.match_substring_regex(trimmed, rf"^-?(?:[0-9]{{1,15}}|[0-9]{{0,15}}[{mark}][0-9]{{1,15}})$")
    plain = pc.fill_null(matches, False).to_numpy(zero_copy_only=False) & ~missing
    values = np.full(len(trimmed), np.nan)
    values[plain] = (
        pc.replace_substring(trimmed.filter(pa.array(plain)), mark, ".").cast(pa.float64()).to_numpy()
    )
    units_used: dict[str, list[int]] = {"": np.flatnonzero(plain).tolist()}
    for at in _remaining(~plain & ~missing, refused):
        got = cells.number(trimmed[at].as_py(), mark)
        if isinstance(got, Refused):
            refused[at] = got
        else:
            values[at], unit = got
            units_used.setdefault(unit, []).append(at)
    for unit, positions in units_used.items():
        try:
            values[positions] = _in_own_unit(values[positions], unit or rules.column.unit, field)
        except UnitError as error:
            refused |= dict.fromkeys(positions, Refused(error.reason, error.accepted))
    values[np.fromiter(refused, np.int64)] = np.nan
    values += 0.0  # a minus zero is zero
    assert field.plausible is not None, field.name
    low, high = field.plausible
    plausible = f"{low:,} to {high:,} {field.unit or ''}".rstrip()
    values = _kept(values, (values < low) | (values > high), cells.IMPLAUSIBLE, plausible, refused)
    if field.unit is None and field.decimals == 0:
        values = _kept(values, values != np.rint(values), cells.NOT_WHOLE, "a whole number", refused)
    return pa.array(values, from_pandas=True), refused


def _kept(values: np.ndarray, wrong: np.ndarray, reason: str, expected: str, refused: Refusals) -> np.ndarray:
    """`values` without those that are wrong, which are added to `refused`."""
    wrong &= ~np.isnan(values)
    refused |= dict.fromkeys(np.flatnonzero(wrong).tolist(), Refused(reason, expected))
    return np.where(wrong, np.nan, values)


def _in_own_unit(values: np.ndarray, unit: str | None, field: Field) -> np.ndarray:
    """`values` in the field's unit, rounded to its decimals if they had to be converted; else as written."""
    if field.unit is None:
        if unit:
            raise UnitError(NOT_UNDERSTOOD, unit, "a number without a unit")
        return values
    factor, offset = units.affine(unit or field.unit, field.unit)
    if (factor, offset) == (1.0, 0.0):
        return values
    assert field.decimals is not None, field.name
    with np.errstate(over="ignore"):  # hundreds of digits become infinite, and then implausible
        return np.round(values * factor + offset, field.decimals)


def _remaining(wanted: np.ndarray, refused: Refusals) -> list[int]:
    return [at for at in np.flatnonzero(wanted).tolist() if at not in refused]


def _word(texts: pa.Array, rules: CellRules) -> tuple[pa.Array, Refusals]:
    trimmed, missing, refused = _sorted_out(texts, rules)
    position = {word: at for at, word in enumerate(rules.field.words)}
    codes: list[int | None] = [None] * len(trimmed)
    for at, text in enumerate(trimmed.to_pylist()):
        got = cells.word(text, rules.field, rules.column.translations) if text else None
        if isinstance(got, str):
            codes[at] = position[got]
            refused.pop(at, None)
        elif got and not missing[at]:
            refused.setdefault(at, got)
    return pa.array(codes, pa.int8()), refused


def _ids(texts: pa.Array, rules: CellRules) -> tuple[pa.Array, Refusals]:
    trimmed, missing, refused = _sorted_out(texts, rules)
    values: list[str | None] = [None] * len(trimmed)
    for at in _remaining(~missing, refused):
        values[at], unknown = cells.ids(trimmed[at].as_py(), rules.column.translations, rules.ids)
        if unknown:
            accepted = ", ".join(sorted(rules.ids.values())) if rules.ids else "ids parted by ;"
            refused[at] = Refused(cells.UNKNOWN_ID, f"for {', '.join(unknown)}: {accepted}")
    return pa.array(values, pa.string()), refused


# Dates that are right as they stand: no month has fewer than 28 days. Others go through `cells`.
_SURE_DAY = r"^(?:19[89][0-9]|20[0-9]{2})-(?:0[1-9]|1[0-2])-(?:0[1-9]|1[0-9]|2[0-8])"
_SURE_TIME = _SURE_DAY + r"[T ](?:[01][0-9]|2[0-3]):[0-5][0-9](?::[0-5][0-9](?:\.[0-9]{1,6})?)?Z?$"


def _date(texts: pa.Array, rules: CellRules) -> tuple[pa.Array, Refusals]:
    return _dated(texts, rules, _SURE_DAY + "$", cells.day)


def _time(texts: pa.Array, rules: CellRules) -> tuple[pa.Array, Refusals]:
    def moment(text: str, order: str, two_digit_years_from: int | None) -> datetime | Refused:
        got = cells.moment(text, order, two_digit_years_from)
        return got if isinstance(got, Refused) else got[1]

    return _dated(texts, rules, _SURE_TIME, moment)


def _dated(
    texts: pa.Array, rules: CellRules, pattern: str, read: Callable[[str, str, int | None], date | Refused]
) -> tuple[pa.Array, Refusals]:
    kind = TYPES[rules.field.kind]
    trimmed, missing, refused = _sorted_out(texts, rules)
    sure = pc.and_(pc.fill_null(pc.match_substring_regex(trimmed, pattern), False), pa.array(~missing))
    values = pc.utf8_rtrim(pc.if_else(sure, trimmed, pa.scalar(None, pa.string())), "Z").cast(kind)
    odd = _remaining(~sure.to_numpy(zero_copy_only=False) & ~missing, refused)
    if not odd:
        return values, refused
    order, years_from = rules.mapping.dates, rules.mapping.two_digit_years_from
    got = [read(trimmed[at].as_py(), order, years_from) for at in odd]
    refused |= {at: one for at, one in zip(odd, got, strict=True) if isinstance(one, Refused)}
    mask = np.zeros(len(trimmed), bool)
    mask[odd] = True
    read_by_hand = pa.array([None if isinstance(one, Refused) else one for one in got], kind)
    return pc.replace_with_mask(values, pa.array(mask), read_by_hand), refused


_READERS = {TEXT: _text, NUMBER: _number, WORD: _word, WORDS: _ids, DATE: _date, TIME: _time}
