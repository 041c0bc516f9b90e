"""Columns that look personal: names, telephones, e-mail, births, Social Security numbers, incomes and the
like.

Used at the door on columns that no mapping asks for. It errs towards suspicion: a column it names is dropped
unless somebody maps it.
"""

import re
from collections.abc import Sequence

import pyarrow as pa

from pipelines.intake.cells import BLANKS, folded

# What in a heading gives a column away, as whole words; the first that matches is the reason.
_HEADINGS = (
    ("a Social Security number", r"ssn|social security|soc sec|taxpayer|itin"),
    (
        "a birth date or an age",
        r"dob|d o b|birth\w*|born|(?:client|applicant|occupant|resident|owner|tenant|head)s? age"
        r"|age of (?:client|applicant|occupant|resident|head)\w*|^ages?$",
    ),
    (
        "an income or a benefit",
        r"income\w*|wages?|salary|earnings|poverty|fpl|benefits?|snap|tanf|ssi|medicaid|medicare"
        r"|liheap",
    ),
    ("an e-mail address", r"e ?mail\w*"),
    ("a telephone number", r"tele?phone\w*|phone\w*|tel|mobile|cell|fax"),
    (
        "a name",
        r"(?:first|last|middle|given|family|full|maiden|sur)[ ]?name|surname|forename|signature"
        r"|signed by|spouse"
        r"|(?:client|applicant|occupant|customer|resident|householder|homeowner)s?"
        r"|(?:landlord|owner|tenant|contact)s?",
    ),
    (
        "an address or a place",
        r"address\w*|street|house (?:no|number)|apt|apartment|lat|latitude|lon|lng|longitude|gps"
        r"|coordinates?",
    ),
    (
        "a household's circumstances",
        r"race|ethnic\w*|gender|sex|marital|citizen\w*|veterans?|disab\w*|medical|health|pregnan\w*"
        r"|household (?:size|members?)",
    ),
    ("an account or a document number", r"accounts?|acct|driver\w* licen[sc]e|passport|license plate"),
)
_HEADING_PATTERNS = tuple((why, re.compile(rf"(?:^| )(?:{pattern})(?: |$)")) for why, pattern in _HEADINGS)
_NAME = re.compile(r"(?:^| )names?$")
_THINGS_WITH_NAMES = re.compile(
    r"agency|crew|file|program|measure|region|county|fund|model|brand|fuel|check|system|mapping|form|field"
    r"|sheet|work|job|make"
)

# What in a cell gives a column away, wherever it stands in the cell; one such cell is enough.
_CELLS = (
    ("an e-mail address", re.compile(r"[^\s@,;:<>]+@[^\s@,;:<>]+\.[a-z]{2,}", re.IGNORECASE)),
    ("a Social Security number", re.compile(r"(?<![\d-])\d{3}-\d{2}-\d{4}(?![\d-])")),
    (
        "a telephone number",
        re.compile(r"(?<![\d.-])(?:\+?1[-. ])?(?:\(\d{3}\) ?|\d{3}[-. ])\d{3}[-. ]\d{4}(?![\d.-])"),
    ),
    (
        "a street address",
        re.compile(
            r"(?<![\d.])\d{1,5} (?:[NSEW]\.? )?(?:[A-Z][a-z]+ ){1,3}"
            r"(?:St|Street|Ave|Avenue|Rd|Road|Dr|Drive|Ln|Lane|Ct|Court|Blvd|Way|Pl|Place)\b"
        ),
    ),
)
_PERSON = re.compile(r"[A-Z][a-z'’-]+(?:,? (?:[A-Z]\.? )?[A-Z][a-z'’-]+)")
_BIRTH = re.compile(
    r"(?:(?:19\d\d|200\d)[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.](?:19\d\d|200\d))(?:[T ].*)?"
)  # before 2010
_FEW = 8  # cells from which shares mean anything


def suspect_personal(headings: Sequence[str], sample_table: pa.Table) -> list[tuple[str, str]]:
    """Headings of columns that look personal, with why, in the order of the file.

    `sample_table` has string columns, one for each heading in the same order; some thousand rows are plenty.
    Every distinct text of it is looked at.
    """
    suspects = []
    for position, heading in enumerate(headings):
        texts = []
        if position < sample_table.num_columns:
            texts = [text.strip(BLANKS) for text in sample_table.column(position).drop_null().to_pylist()]
        why = _heading_says(heading) or _cells_say(list(filter(None, texts)))
        if why:
            suspects.append((heading, why))
    return suspects


def personal_in(text: str) -> str | None:
    """What in a text is surely of a person (an e-mail address, a telephone number ...); None for nothing."""
    return next((why for why, pattern in _CELLS if pattern.search(text)), None)


def _heading_says(heading: str) -> str | None:
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", heading)
    words = folded(re.sub(r"[^\w]|_", " ", spaced))
    for why, pattern in _HEADING_PATTERNS:
        if pattern.search(words):
            return f"the heading speaks of {why}"
    if _NAME.search(words) and not _THINGS_WITH_NAMES.search(words):
        return "the heading speaks of a name"
    return None


def _cells_say(texts: list[str]) -> str | None:
    distinct = set(texts)
    for why, pattern in _CELLS:
        if any(map(pattern.search, distinct)):
            return f"a cell looks like {why}"
    if len(texts) < _FEW:
        return None
    people = sum(bool(_PERSON.fullmatch(text)) for text in distinct)
    if people * 10 >= len(distinct) * 6 and len(distinct) * 2 >= len(texts):
        return "most cells look like names of people"
    births = sum(bool(_BIRTH.fullmatch(text)) for text in distinct)
    if births * 10 >= len(distinct) * 6:
        return "most cells look like birth dates"
    return None
