"""A first draft of a mapping, from an export's headings and some of its rows, for a person to check.

Nothing here is used to read a file: every suggestion says what speaks for it, and what does not agree is left
for the person to decide.
"""

import re
from collections.abc import Mapping as Lookup
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

import pyarrow as pa
import pyarrow.compute as pc

from pipelines.fields import DATE, FIELDS, NUMBER, TIME, WORD, YES_NO, Field
from pipelines.intake import cells, units
from pipelines.intake.cells import BLANKS, Refused
from pipelines.intake.mapping import Column, Mapping
from pipelines.intake.recognition import unit_in_heading
from pipelines.intake.trade_names import CREWS_WORDS, EMPTY_WORDS, NAMES, SAID_BY_UNIT, SHORT_FORMS, SPELLED
from pipelines.intake.units import UnitError

_SHORT_DATE = re.compile(
    r"[0-9]{1,2}([-/.])[0-9]{1,2}\1[0-9]{2}(?![0-9])|[0-9]{1,2}[- ][a-z]{3,9}[- ][0-9]{2}(?![0-9])",
    re.IGNORECASE,
)
_LOOKED_AT = 5000  # rows of the sample
_LIKE_ENOUGH = 0.6  # least likeness of a name
_MOST_VISITS = 20  # to a home, on average: what stands in more rows than that is no home
_MOST = 0.5  # least share of distinct texts that agree


@dataclass(frozen=True)
class Suggestion:
    """What one heading may be. `field` None: nothing speaks clearly; `why` says what was seen either way.

    `short_date` is the first of its texts that is a date with a year of two digits.
    """

    heading: str
    field: str | None
    why: tuple[str, ...]
    unit: str | None = None
    words: tuple[tuple[str, str], ...] = ()
    short_date: str = ""

    @property
    def reason(self) -> str:
        """`why` as one text."""
        return "; ".join(self.why)


@dataclass(frozen=True)
class Draft:
    """Suggestions in the order of the headings, and the marks that the cells speak for (None: unclear)."""

    suggestions: tuple[Suggestion, ...]
    decimal: str | None
    dates: str | None

    def mapping(self, name: str, agency: str | None = None) -> Mapping:
        """The suggestions as a mapping, unchecked: required fields may be lacking still."""
        columns = tuple(
            Column(one.heading, one.field, one.unit, one.words) for one in self.suggestions if one.field
        )
        return Mapping(name, columns, agency=agency, decimal=self.decimal or ".", dates=self.dates or "ymd")


def draft(headings: Sequence[str], sample_table: pa.Table) -> Draft:
    """Suggest a field for each heading, by its name and by what its cells say.

    `sample_table` has string columns, one for each heading in the same order; the first 5,000 rows count.
    Each field is suggested once at most; of two headings that suit it equally neither is.
    """
    texts = [_distinct(sample_table, at) for at in range(len(headings))]
    decimal, dates = _decimal(texts), _dates(texts)
    rated, repeated = {}, {}
    for at, heading in enumerate(headings):
        for field in FIELDS:
            likeness = _name_likeness(heading, field)
            named = likeness >= _LIKE_ENOUGH
            if not named and not _words_tell(texts[at], field):
                continue
            if field.name == "inspection_id" and (text := _said_twice(sample_table, at)):
                repeated[at] = text
                continue
            if field.name == "home_id" and _filled(sample_table, at) > _MOST_VISITS * len(texts[at]):
                continue
            agreeing, why, words, unit = _cells_agree(
                heading, texts[at], field, decimal or ".", dates or "ymd"
            )
            if agreeing >= _MOST:
                why = (f"name like {_plain_name(field)}" if named else "by its words alone", *why)
                rated[at, field.name] = (
                    round((likeness if named else 0) + agreeing / 4, 6),
                    why,
                    unit,
                    words,
                )
    chosen = _each_once({pair: entry[0] for pair, entry in rated.items()})
    taken = {name: headings[at] for at, name in chosen.items()}
    suggestions = []
    for at, heading in enumerate(headings):
        short = next(filter(_SHORT_DATE.match, texts[at]), "")
        if name := chosen.get(at):
            _, why, unit, words = rated[at, name]
            others = [headings[other] for other, field in rated if field == name and other not in chosen]
            also = (f"{', '.join(map(repr, others))} could be it, too",) if others else ()
            suggestions.append(Suggestion(heading, name, (*why, *also), unit, words, short))
        else:
            near = sorted(field for position, field in rated if position == at)
            why = _why_none(near, taken, repeated.get(at, ""))
            suggestions.append(Suggestion(heading, None, why, short_date=short))
    return Draft(tuple(suggestions), decimal, dates)


def _why_none(near: Sequence[str], taken: Lookup[str, str], repeated: str) -> tuple[str, ...]:
    """Why nothing is suggested for a heading.

    `near` are fields it is like, `taken` field → the heading it is suggested for, `repeated` a text that
    keeps the column from being inspection_id.
    """
    why = [f"could be {', '.join(near)}"] if near else []
    why += [f"{taken[name]!r} is taken for {name}" for name in near if name in taken]
    why += [f"no inspection_id: {cells.collapsed(repeated)!r} stands in several rows"] if repeated else []
    return tuple(why) or ("no field has a name like it and cells that agree",)


def suiting(
    heading: str, texts: list[str], field: Field, decimal: str = "."
) -> tuple[str | None, tuple[tuple[str, str], ...]]:
    """The unit and the words that suit a field which somebody chose for a heading.

    `texts` are distinct, trimmed and filled.
    """
    _, _, words, unit = _cells_agree(heading, texts, field, decimal, "ymd")
    return unit, words


def _each_once(ratings: dict[tuple[int, str], float]) -> dict[int, str]:
    """Column → field: best pairs first, each column and field once, none where two are equally good."""
    chosen: dict[int, str] = {}
    taken: set[str] = set()
    for rating in sorted(set(ratings.values()), reverse=True):
        level = [
            pair
            for pair, own in ratings.items()
            if own == rating and pair[0] not in chosen and pair[1] not in taken
        ]
        for at, name in level:
            if (
                sum(position == at for position, _ in level) == 1
                and sum(field == name for _, field in level) == 1
            ):
                chosen[at] = name
        taken |= {name for _, name in level}
    return chosen


def _distinct(table: pa.Table, position: int) -> list[str]:
    if position >= table.num_columns:
        return []
    texts = table.column(position).slice(0, _LOOKED_AT).unique().drop_null().to_pylist()
    return [
        text
        for text in (text.strip(BLANKS) for text in texts)
        if text and text.lower() not in cells.NOT_RECORDED_WORDS
    ]


def _said_twice(table: pa.Table, position: int) -> str:
    """A text that stands in several rows of a column; empty where there is none."""
    if position >= table.num_columns:
        return ""
    counted = _filled_texts(table, position).value_counts()
    several = counted.field("values").filter(pc.greater(counted.field("counts"), 1))
    return next((text for text in several.to_pylist() if text.lower() not in cells.NOT_RECORDED_WORDS), "")


def _filled(table: pa.Table, position: int) -> int:
    return len(_filled_texts(table, position)) if position < table.num_columns else 0


def _filled_texts(table: pa.Table, position: int) -> pa.ChunkedArray:
    trimmed = pc.utf8_trim(pc.fill_null(table.column(position), ""), BLANKS)
    return trimmed.filter(pc.not_equal(trimmed, ""))


# By name ---------------------------------------------------------------------------------------------------


def _name_words(text: str) -> frozenset[str]:
    """The words of a name that tell something: short forms written out, plurals without their s."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", _spelled(text))
    words = re.findall(r"[^\W\d_]+|[0-9]+", spaced.casefold())
    whole = " ".join(SHORT_FORMS.get(word, word) for word in words)
    return (
        frozenset(word[:-1] if len(word) > 3 and word.endswith("s") else word for word in whole.split())
        - EMPTY_WORDS
    )


def _spelled(heading: str) -> str:
    """A heading with the words for what it writes with signs."""
    for sign, words in SPELLED:
        heading = sign.sub(words, heading)
    return heading


def _plain_name(field: Field) -> str:
    """The field's name without its unit, as words."""
    name = field.name
    for ending in ("_psig", "_btuh", "_ft2", "_ft", "_gal", "_f", "_a"):
        name = name.removesuffix(ending) if field.unit else name
    return name.replace("_", " ")


def _name_likeness(heading: str, field: Field) -> float:
    """1 for the same words, less for fewer, 0 for none; a unit stands for the quantity it measures."""
    if cells.folded(heading) == field.name:
        return 1.5
    unit = _unit(heading, field)
    ours = {_name_words(heading)}
    if unit:
        bare = _name_words(cells.collapsed(heading).replace(unit, ""))
        ours = {bare, bare | {SAID_BY_UNIT.get(units.find(unit).quantity, "")}} if bare else set()
    phrases = map(_name_words, (_plain_name(field), *NAMES.get(field.name, ())))
    return max(
        (len(own & words) / len(own | words) for words in phrases for own in ours if words and own),
        default=0.0,
    )


def _unit(heading: str, field: Field) -> str | None:
    """The unit a heading names; also its first word, or its last letter, that measures what the field does.

    So in "PSI cold" and "Tank L", of which other words may look like units.
    """
    text = cells.collapsed(heading)
    if found := unit_in_heading(text):
        return found
    words = text.replace("_", " ").split(" ")
    if field.unit is None or len(words) == 1:
        return None
    for word in (words[-1] if len(words[-1]) == 1 else "", words[0]):
        with suppress(UnitError):
            if word and units.find(word, units.find(field.unit).quantity):
                return word
    return None


# By what the cells say -------------------------------------------------------------------------------------


def _cells_agree(heading: str, texts: list[str], field: Field, mark: str, order: str):
    """Share of the distinct texts that agree with the field, why, words for a mapping, and a unit for it."""
    if field.kind == NUMBER:
        return _numbers_agree(heading, texts, field, mark)
    if not texts:
        return 1.0, ("no cells to go by",), (), None
    if field.kind == WORD:
        return _words_agree(texts, field)
    if field.kind in (DATE, TIME):
        read = [cells.moment(text, order) for text in texts]
        open_yet = (cells.ORDER_UNCLEAR, cells.SHORT_YEAR)  # what the mapping is to say
        good = sum(not isinstance(one, Refused) or one.reason in open_yet for one in read)
        return good / len(texts), (f"{good} of {len(texts)} texts are dates",), (), None
    return 1.0, ("any text",), (), None


def _numbers_agree(heading: str, texts: list[str], field: Field, mark: str):
    unit = _unit(heading, field)
    why = []
    try:
        same = unit is None or field.unit is None or units.affine(unit, field.unit) == (1.0, 0.0)
    except UnitError as error:
        return 0.0, (f"heading names {unit}: {error.reason}",), (), None
    if unit and field.unit is None:
        return 0.0, (f"heading names {unit}",), (), None
    if unit:
        why.append(f"unit {unit} in the heading")
    if not texts:
        return 1.0, (*why, "no cells to go by"), (), None if same else unit
    factor, offset = units.affine(unit or field.unit, field.unit) if field.unit else (1.0, 0.0)
    assert field.plausible is not None, field.name
    low, high = field.plausible
    numbers = [
        found[0] for found in (cells.number(text, mark) for text in texts) if not isinstance(found, Refused)
    ]
    good = sum(low <= value * factor + offset <= high for value in numbers)
    why.append(
        f"{good} of {len(texts)} texts are {low:,} to {high:,}{f' {field.unit}' if field.unit else ''}"
    )
    return good / len(texts), tuple(why), (), None if same else unit


def _words_tell(texts: list[str], field: Field) -> bool:
    """Whether the texts are two or more words of the field and hardly anything else, whatever the heading."""
    if field.kind != WORD or len(texts) > 2 * len(field.words) + 4:
        return False
    found = {word for text in texts if not isinstance(word := cells.word(text, field, {}), Refused)}
    return len(found - set(YES_NO)) >= 2 and len(found) * 5 >= len(texts) * 4


def _words_agree(texts: list[str], field: Field):
    own = CREWS_WORDS.get(field.name, {})
    plain = [text for text in texts if not isinstance(cells.word(text, field, {}), Refused)]
    words = tuple(
        (text, own[cells.word_key(text)])
        for text in texts
        if text not in plain and cells.word_key(text) in own
    )
    strange = [text for text in texts if text not in plain and cells.word_key(text) not in own]
    share = 1 - len(strange) / len(texts)
    why = [f"{len(texts) - len(strange)} of {len(texts)} texts are its words"]
    if strange:
        why.append(f"no word yet for {', '.join(sorted(strange)[:5])}")
    return share, tuple(why), words, None


def _decimal(texts: list[list[str]]) -> str | None:
    """The decimal mark that cells speak for: those that only one mark explains."""
    numbers = [text for column in texts for text in column if re.fullmatch(r"-?[0-9]+[.,][0-9]+", text)]
    points = sum("." in text and len(text.split(".")[1]) != 3 for text in numbers)
    commas = sum("," in text and len(text.split(",")[1]) != 3 for text in numbers)
    return (
        None
        if points == commas or min(points, commas) * 10 > max(points, commas)
        else "."
        if points > commas
        else ","
    )


def _dates(texts: list[list[str]]) -> str | None:
    """The order of dates that cells speak for: those in which only one of two numbers can be the day.

    Where every first number is above twelve and the years have two digits, these may be the years themselves.
    """
    found = [
        match
        for column in texts
        for text in column
        if (match := re.match(r"([0-9]{1,2})[-/.]([0-9]{1,2})[-/.]([0-9]{4}|[0-9]{2})(?![0-9])", text))
    ]
    if not found:
        return "ymd"
    pairs = [(int(match[1]), int(match[2])) for match in found]
    first, second = sum(a > 12 for a, _ in pairs), sum(b > 12 for _, b in pairs)
    years_first = first == len(pairs) and all(len(match[3]) == 2 for match in found)
    return None if years_first or bool(first) == bool(second) else "dmy" if first else "mdy"
