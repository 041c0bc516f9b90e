"""One cell: a text → what it says, or why it is not used. Nothing here knows of rows, files or columns.

A cell is only ever read where one reading is possible; anything else is Refused and says what would be
accepted. No function raises, whatever the text.
"""

import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from pipelines.fields import WORDS, YES_NO, Field

REASONS = (
    NOT_RECORDED := "required field not recorded",
    NOT_A_NUMBER := "not a number",
    NOT_WHOLE := "not a whole number",
    DECIMAL_UNCLEAR := "decimal mark unclear",
    NOT_CERTAIN := "not a certain value",
    IMPLAUSIBLE := "outside the plausible range",
    UNKNOWN_WORD := "not one of the words",
    UNKNOWN_ID := "id not known",
    NOT_A_DATE := "not a date",
    ORDER_UNCLEAR := "order of day and month unclear",
    SHORT_YEAR := "year without its century",
    SHEET_ERROR := "error of a spreadsheet",
    TWO_VALUES := "two columns of one heading differ",
    PART_MISSING := "a part of the joined id is missing",
)  # fmt: skip

# Every blank of Unicode (no-break ones too) and the marks of no width that spreadsheets leave behind.
BLANKS = "".join(
    map(
        chr,
        [
            *range(9, 14),
            *range(28, 33),
            0x85,
            0xA0,
            0x1680,
            *range(0x2000, 0x200C),
            0x2028,
            0x2029,
            0x202F,
            0x205F,
            0x2060,
            0x3000,
            0xFEFF,
        ],
    )
)
_BLANK = f"[{re.escape(BLANKS)}]"
BLANK_RUN = f"{_BLANK}+"
_BLANKS = re.compile(BLANK_RUN)
_WORD_GAPS = re.compile(rf"(?:{_BLANK}|[-_])+")

NOT_RECORDED_WORDS = frozenset(
    ("n/a", "na", "n.a.", "-", "--", "?", "null", "unknown", "not recorded", "#n/a")
)
SHEET_ERRORS = (
    r"(?i)^#(?:ref!|value!|div/0!|name\?|num!|null!|spill!|calc!|field!|#+)$"  # RE2 and Python alike
)
NONE_IS_TEXT = frozenset(("notes", "work_ordered", "address", "fuel"))  # "none" says something there

EARLIEST, LATEST = date(1980, 1, 1), date(2100, 12, 31)


@dataclass(frozen=True)
class Refused:
    """A cell kept out of use: `reason` is one of REASONS or a reason of `units`, `expected` what would do."""

    reason: str
    expected: str


def collapsed(text: str) -> str:
    """`text` without outer blanks, inner ones made one space each."""
    return _BLANKS.sub(" ", text.strip(BLANKS))


def folded(text: str) -> str:
    """What headings and words are compared by: collapsed, without case."""
    return collapsed(text).casefold()


def word_key(text: str) -> str:
    """What words are compared by: without case; blanks, hyphens and underscores alike.

    "Hot-water" is "hot_water".
    """
    return _WORD_GAPS.sub("_", text.strip(BLANKS)).casefold()


def missing_words(field: Field, more: tuple[str, ...] = ()) -> frozenset[str]:
    """Lower-case texts that mean "not recorded" in this field; `more` are the mapping's own.

    "none" is one where nothing could be none: not among a field's own words, in lists of ids and in free
    text.
    """
    none = () if "none" in field.words or field.kind == WORDS or field.name in NONE_IS_TEXT else ("none",)
    return NOT_RECORDED_WORDS | {"", *none, *(collapsed(text).lower() for text in more)}


# Numbers ---------------------------------------------------------------------------------------------------

_NO_BREAK = "\u00a0\u202f\u2009"  # how programs group digits; a plain space may stand between two values
_NUMBER = re.compile(rf"(?P<sign>[-+\u2212]?)(?P<digits>[0-9.,{_NO_BREAK}]*[0-9])(?P<unit>.*)", re.DOTALL)
_PLAIN = {mark: re.compile(rf"[0-9]+(?:[{mark}][0-9]+)?|[{mark}][0-9]+") for mark in ".,"}
_GROUPED = {
    ".": re.compile(rf"[1-9][0-9]{{0,2}}(?:(?:,[0-9]{{3}})+|(?:[{_NO_BREAK}][0-9]{{3}})+)(?:\.[0-9]+)?"),
    ",": re.compile(
        rf"[1-9][0-9]{{0,2}}(?:(?:\.[0-9]{{3}}){{2,}}|\.[0-9]{{3}}(?=,)|(?:[{_NO_BREAK}][0-9]{{3}})+)"
        r"(?:,[0-9]+)?"
    ),
}
_NO_UNIT = re.compile(r"""[^\w°˚%'"′″’”]|.*\?|.*(?<![a-z^][23])(?<=[0-9])""", re.IGNORECASE | re.DOTALL)


def number(text: str, mark: str = ".") -> tuple[float, str] | Refused:
    """The number a trimmed, filled cell states, and the text of a unit behind it ("" if none).

    `mark` is the decimal mark. Digits may be grouped by the other mark or a no-break blank, strictly in
    threes; under "," a lone "1.013" could be either and is refused. Powers ("1e3"), brackets, ranges, "< 5",
    "12?" and digits of other scripts are no numbers here.
    """
    expected = f"a number with the decimal mark {mark}"
    found = _NUMBER.fullmatch(text)
    if found is None:
        return Refused(NOT_CERTAIN if re.search("[0-9]", text) else NOT_A_NUMBER, expected)
    digits, unit = found["digits"], found["unit"].strip(BLANKS)
    if unit and _NO_UNIT.match(unit):
        return Refused(NOT_CERTAIN, expected)
    if not (_PLAIN[mark].fullmatch(digits) or _GROUPED[mark].fullmatch(digits)):
        return Refused(DECIMAL_UNCLEAR, expected)
    plain = re.sub(f"[^0-9{mark}]", "", digits).replace(mark, ".")
    value = float(plain)
    return (0.0 - value if found["sign"] in "-\u2212" and found["sign"] else value), unit


# Words -----------------------------------------------------------------------------------------------------

_YES_NO = {"y": "yes", "n": "no", "true": "yes", "false": "no"}


def word(text: str, field: Field, translations: dict[str, str]) -> str | Refused:
    """The word of `field.words` that a filled cell means; `translations` (word_key → word) come first."""
    key = word_key(text)
    meant = translations.get(key, key)
    if field.words == YES_NO:
        meant = _YES_NO.get(meant, meant)
    return meant if meant in field.words else Refused(UNKNOWN_WORD, ", ".join(field.words))


def ids(
    text: str, translations: dict[str, str], accepted: dict[str, str] | None
) -> tuple[str | None, list[str]]:
    """Ids of a cell joined by ";", in the order given and without doubles, and its pieces that are no id.

    `accepted` is word_key → id; None accepts every id. "none" alone is "", the empty list: said, not missing.
    None where nothing usable stands.
    """
    kept: dict[str, None] = {}
    unknown = []
    for piece in filter(None, (piece.strip(BLANKS) for piece in text.split(";"))):
        meant = translations.get(word_key(piece), piece).casefold()
        if accepted is not None and meant != "none":
            meant = accepted.get(word_key(meant), "")
        if meant:
            kept[meant] = None
        else:
            unknown.append(piece)
    if list(kept) == ["none"]:
        return (None if unknown else ""), unknown
    if kept.pop("none", "") is None:  # "none" beside an id says two things
        unknown.append("none")
    return ";".join(kept) or None, unknown


# Dates and times -------------------------------------------------------------------------------------------

_MONTHS = {
    name: at
    for at, name in enumerate(
        ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"], 1
    )
}
_MONTHS |= {
    name: at
    for at, name in enumerate(
        [
            "january",
            "february",
            "march",
            "april",
            "may",
            "june",
            "july",
            "august",
            "september",
            "october",
            "november",
            "december",
        ],
        1,
    )
}
_MONTHS["sept"] = 9
_ISO = re.compile(r"(?P<y>[0-9]{4})-(?P<m>[0-9]{2})-(?P<d>[0-9]{2})(?![0-9])")
_YEAR_FIRST = re.compile(r"(?P<y>[0-9]{4})(?P<s>[-/.])(?P<m>[0-9]{1,2})(?P=s)(?P<d>[0-9]{1,2})(?![0-9])")
_YEAR_LAST = re.compile(
    r"(?P<a>[0-9]{1,2})(?P<s>[-/.])(?P<b>[0-9]{1,2})(?P=s)(?P<y>[0-9]{4}|[0-9]{2})(?![0-9])"
)
_NAMED = re.compile(
    r"(?P<d>[0-9]{1,2})[- ](?P<m>[a-z]+)[- ](?P<y>[0-9]{4}|[0-9]{2})(?![0-9])"
    r"|(?P<m2>[a-z]+) (?P<d2>[0-9]{1,2}),? (?P<y2>[0-9]{4})(?![0-9])",
    re.IGNORECASE,
)
_CLOCK = re.compile(
    r"(?:T| +)(?P<hour>[0-9]{1,2}):(?P<minute>[0-9]{2})"
    r"(?::(?P<second>[0-9]{2})(?:[.](?P<fraction>[0-9]{1,9}))?)? ?(?P<half>[ap]m)?"
    r" ?(?P<zone>Z|UTC|(?P<sign>[-+\u2212])(?P<zh>[0-9]{2}):?(?P<zm>[0-9]{2}))?",
    re.IGNORECASE,
)
_DATE_EXPECTED = {
    "ymd": "a date as YYYY-MM-DD",
    "dmy": "a date as DD/MM/YYYY or YYYY-MM-DD",
    "mdy": "a date as MM/DD/YYYY or YYYY-MM-DD",
}


def day(text: str, order: str = "ymd", two_digit_years_from: int | None = None) -> date | Refused:
    """The day a filled cell names; a time of day behind it is left aside.

    `order` ("ymd", "dmy", "mdy") settles which of two short numbers is the day. ISO dates and months by name
    are always plain. Years need four digits, or two that stand for one of the hundred years from
    `two_digit_years_from` on: under 1970, 70 is 1970 and 69 is 2069.
    """
    found = moment(text, order, two_digit_years_from)
    return found if isinstance(found, Refused) else found[0]


def moment(
    text: str, order: str = "ymd", two_digit_years_from: int | None = None
) -> tuple[date, datetime] | Refused:
    """The day as written, and the time in UTC.

    Midnight where no time is given; UTC unless the text says otherwise.
    """
    text = collapsed(text)
    found = _day(text, order, two_digit_years_from)
    if isinstance(found, Refused):
        return found
    on, rest = found
    clock = _clock(rest)
    if clock is None:
        return Refused(NOT_A_DATE, _DATE_EXPECTED[order])
    if not EARLIEST <= on <= LATEST:
        return Refused(IMPLAUSIBLE, f"a date from {EARLIEST} to {LATEST}")
    return on, datetime(on.year, on.month, on.day) + clock


def _day(text: str, order: str, years_from: int | None) -> tuple[date, str] | Refused:
    expected = _DATE_EXPECTED[order]
    if found := _ISO.match(text) or (_YEAR_FIRST.match(text) if order == "ymd" else None):
        parts = found["y"], found["m"], found["d"]
    elif found := _NAMED.match(text):
        month = _MONTHS.get((found["m"] or found["m2"]).casefold(), 0)
        parts = found["y"] or found["y2"], month, found["d"] or found["d2"]
    elif found := _YEAR_LAST.match(text):
        if order == "ymd" and (len(found["y"]) == 4 or years_from is not None):
            return Refused(ORDER_UNCLEAR, f'{expected}, or dates = "mdy" or "dmy" in the mapping')
        parts = found["y"], *((found["b"], found["a"]) if order == "dmy" else (found["a"], found["b"]))
    else:
        return Refused(NOT_A_DATE, expected)
    year, month, of_month = map(int, parts)
    if len(parts[0]) == 2:
        if years_from is None:
            return Refused(SHORT_YEAR, expected)
        year = years_from + (year - years_from) % 100
    try:
        return date(year, month, of_month), text[found.end() :]
    except ValueError:
        return Refused(NOT_A_DATE, expected)


def _clock(text: str) -> timedelta | None:
    """Time since midnight UTC; None where `text` is not a time of day."""
    if not text:
        return timedelta()
    found = _CLOCK.fullmatch(text)
    if found is None:
        return None
    hour, minute, second = int(found["hour"]), int(found["minute"]), int(found["second"] or 0)
    if found["half"]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if found["half"].casefold() == "pm" else 0)
    ahead = timedelta(hours=int(found["zh"] or 0), minutes=int(found["zm"] or 0))
    if hour > 23 or minute > 59 or second > 59 or ahead > timedelta(hours=14) or int(found["zm"] or 0) > 59:
        return None
    microsecond = int((found["fraction"] or "").ljust(6, "0")[:6])
    since = timedelta(hours=hour, minutes=minute, seconds=second, microseconds=microsecond)
    return since - ahead if found["sign"] == "+" else since + ahead
