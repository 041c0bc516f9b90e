"""What may be wrong with a row of a file, so that it is not loaded."""

from dataclasses import dataclass

DAMAGE_REASONS = (
    TOO_FEW := "too few cells",
    TOO_MANY := "too many cells",
    QUOTE_OPEN := "quote not closed",
    QUOTE_STRAY := "quote out of place",
    NOT_TEXT := "bytes that are not text",
    NUL := "NUL byte",
    TOO_LONG := "cell too long",
    CUT_OFF := "row cut off",
    OTHER_SEPARATOR := "another separator",
    BROKEN := "row broken by a line end",
    NEIGHBOR := "row not told apart from a stray line beside it",
    TOTALS := "totals line",
    REPEATED := "headings repeated",
    OTHER_HEADINGS := "other headings from here on",
)  # fmt: skip


@dataclass(frozen=True)
class Damage:
    """One row of an export that is not loaded: the line where it starts, its text, why, what was expected."""

    line: int
    text: str
    reason: str
    expected: str
