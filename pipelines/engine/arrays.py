"""One batch of inspections as arrays: numbers, words and dates by field name, and why a value is not there.

Everything after intake works on these small types. A missing number is NaN *and* a reason: the reason
travels with whatever is computed from it, so that a result can name the reading that was lacking.
"""

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.engine.reasons import first_gap, gap
from pipelines.fields import BY_NAME, DATE, NUMBER, WORD

NOT_RECORDED = gap("not recorded")
# Numbers beside the fields, with unit and decimals: of the home's place, and compared with other inspections.
BESIDE = {
    "place_elevation_ft": ("ft", 0),
    "place_spread_ft": ("ft", 0),
    "makeup_gal_per_month": ("gal a month", 1),
    "repeated_elsewhere": ("", 0),
    "changed_unexplained": ("", 0),
    "other_address": ("", 0),
}

POWERS_OF_TEN = np.array([float(f"1e{power}") for power in range(23)])


def to_six_digits(values):
    """What a fitted or special function gave, rounded to 6 significant digits; an array of the same shape.

    The last bits differ with the version of a library and the machine: before anything is decided from such a
    number, or stored, they go.
    """
    values = np.asarray(values, float)
    size = np.abs(values)
    exact = (size >= 1e-15) & (size < 1e21)  # powers of ten are whole numbers there
    power = 5 - np.floor(np.log10(size, out=np.zeros(size.shape), where=exact)).astype(np.int64)
    scale = POWERS_OF_TEN[np.abs(power)]
    with np.errstate(invalid="ignore"):
        rounded = np.where(power >= 0, np.rint(values * scale) / scale, np.rint(values / scale) * scale)
    for beyond in np.argwhere(~exact & np.isfinite(values) & (size > 0)).tolist():
        rounded[tuple(beyond)] = float(f"{values[tuple(beyond)]:.6g}")
    return rounded


@dataclass(frozen=True)
class Words:
    """Words of one field, shape (n,): a code per inspection, -1 where none is recorded.

    `absent` is the gap where none is, one for all or one per inspection.
    """

    codes: np.ndarray
    words: tuple[str, ...]
    absent: np.ndarray | np.uint16 = NOT_RECORDED

    def among(self, *accepted):
        """Mask, True where the word is one of `accepted`; ValueError where the field has no such word."""
        wanted = np.zeros(len(self.words) + 1, dtype=bool)
        for word in accepted:
            wanted[self.words.index(word)] = True
        return wanted[self.codes]

    @property
    def known(self):
        return self.codes >= 0

    @property
    def gap(self):
        return np.where(self.known, np.uint16(0), self.absent)

    def take(self, table):
        """The row of `table`, shape (words + 1, …), for each word; the last where none is recorded."""
        return np.asarray(table)[self.codes]

    @classmethod
    def of(cls, name, texts):
        """Words from a sequence of texts or None; raises ValueError for a word the field does not have."""
        words = BY_NAME[name].words
        return cls(
            np.array([-1 if text is None else words.index(text) for text in texts], dtype=np.int8), words
        )


@dataclass(frozen=True)
class Dates:
    """Dates of one field, shape (n,), datetime64[D], NaT where none is recorded; `absent` as of Words."""

    value: np.ndarray
    absent: np.ndarray | np.uint16 = NOT_RECORDED

    @property
    def known(self):
        return ~np.isnat(self.value)

    @property
    def gap(self):
        return np.where(self.known, np.uint16(0), self.absent)


@dataclass(frozen=True)
class Numbers:
    """A number per inspection and, where it is NaN, the gap: the reason and the field that was lacking.

    Both arrays have shape (n,). Infinity is a value: "no cushion left" for a pressure, "no loss shown" for a
    ratio.
    """

    value: np.ndarray
    gap: np.ndarray

    @property
    def known(self):
        return self.gap == 0

    def at(self, rows):
        """The same of some inspections (positions, mask or slice)."""
        return Numbers(self.value[rows], self.gap[rows])

    def withhold(self, where, reason, field=None, *, first=False):
        """The same numbers, not known where `where` holds, for a reason.

        Parameters
        ----------
        where : mask
        reason : str or array of gaps
            A text of REASONS, or gaps that hold reason and field.
        field : str, optional
            The field that is lacking, beside a text.
        first : bool
            Whether this gap stands before one that was there.
        """
        where = np.asarray(where) if first else where & self.known
        lacking = gap(reason, field) if isinstance(reason, str) else reason
        return Numbers(np.where(where, np.nan, self.value), np.where(where, lacking, self.gap))

    def instead(self, where, value):
        """The same numbers with `value` (floats or other Numbers) standing where `where` holds."""
        if not isinstance(value, Numbers):
            value = known(np.broadcast_to(np.asarray(value, dtype=float), self.value.shape))
        return Numbers(np.where(where, value.value, self.value), np.where(where, value.gap, self.gap))

    def otherwise(self, other):
        """These where known, else the others; where neither is, the reason of these stands."""
        return self.instead(~self.known & other.known, other)


def known(value):
    """Numbers without gaps."""
    value = np.asarray(value, dtype=float)
    return Numbers(value, np.zeros(value.shape, np.uint16))


def derive(value, *needs):
    """Numbers computed from others: missing where any is, for the reason of the first that is.

    Parameters
    ----------
    value : float array, broadcast to (n,)
        A NaN which the needs do not explain is a number outside the data that its formula has
        ("outside the fluid data").
    *needs : Numbers
        At least one, each of shape (n,); their order says which gap is told.
    """
    value, lacking = np.broadcast_to(value, needs[0].value.shape), first_gap(need.gap for need in needs)
    lacking = np.where((lacking == 0) & np.isnan(value), gap("outside the fluid data"), lacking)
    return Numbers(np.where(lacking == 0, value, np.nan), lacking)


class Readings:
    """A batch of inspections, each field by name and shape (n,).

    Parameters
    ----------
    count : int
        n.
    numbers : dict of str to float array
        NaN where not recorded; BESIDE may stand here too.
    words : dict of str to Words
    dates : dict of str to datetime64[D] array
        NaT where not recorded.
    texts : dict of str to Arrow column
    unusable : dict of str to mask
        True where a cell was received but kept out.

    `fleetwide` holds, by name, what was made by comparing with other inspections.
    """

    def __init__(self, count, numbers, words, dates=None, texts=None, unusable=None):
        self.count, self.numbers, self.words = count, numbers, words
        self.dates, self.texts, self.unusable = dates or {}, texts or {}, unusable or {}
        self.fleetwide: dict[str, Numbers] = {}

    def __len__(self):
        return self.count

    def number(self, name):
        """A field, or a number beside them, as Numbers."""
        if name in self.fleetwide:
            return self.fleetwide[name]
        value = self.numbers.get(name)
        if value is None:
            value = np.full(self.count, np.nan)
        return Numbers(value, np.where(np.isnan(value), self.gap(name), np.uint16(0)))

    def word(self, name):
        found = self.words.get(name)
        codes = np.full(self.count, -1, np.int8) if found is None else found.codes
        return Words(codes, BY_NAME[name].words, self.gap(name))

    def date(self, name):
        found = self.dates.get(name)
        return found if found is not None else np.full(self.count, np.datetime64("NaT"), "datetime64[D]")

    def field(self, name):
        """A field that is no text, or a number beside them, as Numbers, Words or Dates; else KeyError."""
        kind = NUMBER if name in BESIDE else BY_NAME[name].kind
        if kind == WORD:
            return self.word(name)
        if kind == DATE:
            return Dates(self.date(name), self.gap(name))
        if kind == NUMBER:
            return self.number(name)
        raise KeyError(name)

    def gap(self, name):
        """The gap of a missing cell of this field: never there, or kept out."""
        field, kept_out = name if name in BY_NAME else None, self.unusable.get(name)
        absent = gap("not recorded", field)
        return (
            absent
            if kept_out is None
            else np.where(kept_out, gap("recorded, but the cell could not be used", field), absent)
        )

    def rows(self, chosen):
        """The same batch restricted to `chosen` (slice, mask or positions)."""
        cut = {
            "numbers": {name: value[chosen] for name, value in self.numbers.items()},
            "words": {name: Words(value.codes[chosen], value.words) for name, value in self.words.items()},
            "dates": {name: value[chosen] for name, value in self.dates.items()},
            "texts": {},
            "unusable": {name: value[chosen] for name, value in self.unusable.items()},
        }
        count = (
            len(range(*chosen.indices(self.count)))
            if isinstance(chosen, slice)
            else len(np.arange(self.count)[chosen])
        )
        out = Readings(count, **cut)
        out.fleetwide = {name: numbers.at(chosen) for name, numbers in self.fleetwide.items()}
        return out


def from_arrow(table):
    """Readings from an Arrow table of typed fields, any subset; other columns of floats become numbers.

    Words may be strings or dictionaries. ValueError for a word that its field does not have.
    """
    numbers, words, dates, texts, unusable = {}, {}, {}, {}, {}
    for name in table.column_names:
        column = table.column(name)
        if column.null_count == len(column) and name != "unusable":
            continue  # an export never had it: the accessors answer "not recorded"
        field = BY_NAME.get(name)
        kind = field.kind if field else None
        if kind == WORD:
            words[name] = _words(field, column)
        elif kind == NUMBER or (field is None and pa.types.is_floating(column.type)):
            numbers[name] = column.to_numpy(zero_copy_only=False).astype(float, copy=False)
        elif pa.types.is_date(column.type):
            dates[name] = column.to_numpy(zero_copy_only=False).astype("datetime64[D]")
        elif name == "unusable":
            unusable = _unusable(column)
        else:
            texts[name] = column
    return Readings(table.num_rows, numbers, words, dates, texts, unusable)


def _words(field, column):
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    column = column.unify_dictionaries().combine_chunks()
    if isinstance(column, pa.ChunkedArray):  # empty table
        return Words(np.zeros(0, np.int8), field.words)
    positions = [field.words.index(word) for word in column.dictionary.to_pylist()]
    codes = pc.fill_null(column.indices, len(positions)).to_numpy(zero_copy_only=False)
    return Words(np.array([*positions, -1], dtype=np.int8)[codes], field.words)


def _unusable(column):
    """Masks by field from the `;`-joined names of the fields whose cells were kept out."""
    masks: dict[str, np.ndarray] = {}
    at = np.flatnonzero(pc.is_valid(column).to_numpy(zero_copy_only=False))
    if len(at) == 0:
        return masks
    encoded = column.take(pa.array(at)).combine_chunks().dictionary_encode()
    if isinstance(encoded, pa.ChunkedArray):
        encoded = encoded.combine_chunks()
    codes = encoded.indices.to_numpy(zero_copy_only=False)
    for code, names in enumerate(encoded.dictionary.to_pylist()):
        for name in names.split(";"):
            masks.setdefault(name, np.zeros(len(column), bool))[at[codes == code]] = True
    return masks


def more(left, right):
    """Mask: left > right, rounded to 1e-6: at the limit is not over it. False where either is NaN."""
    return np.round(left, 6) > np.round(right, 6)


def at_least(left, right):
    """Mask: left ≥ right, rounded to 1e-6. False where either is NaN."""
    return np.round(left, 6) >= np.round(right, 6)


def within(value, middle, tolerance):
    """Mask: |value - middle| ≤ tolerance, to half of 1e-6; False where either is NaN."""
    return np.abs(value - middle) <= tolerance + 0.5e-6
