"""SQL for what the checks say: a column whose text, number or position follows from a check's id."""

from collections.abc import Iterable

from pipelines.answers.outcomes import reasons, shown_words
from pipelines.answers.phrases import unit_shown
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.codes import CERTAINTY_STEPS, NUMBERS, coded, column, picked, piece, quoted
from pipelines.fleet.snapshots import Snapshot

IDS = [check.id for check in HOME_CHECKS]
UNITS = {check.id: unit for check in HOME_CHECKS if (unit := unit_shown(check))}


def shown(snapshot: Snapshot) -> tuple[str, ...]:
    """SQL columns observed, low, high, unit, certainty of the check `f.check_id` from the narrow results `o`.

    Numbers are rounded to the millionth, as limits are compared; where there is none, the reason says what
    was seen ("no cushion left").
    """
    with_one = dict(snapshot.rows("SELECT what, list(check_id) FROM shown_numbers GROUP BY what"))
    low, high, number = (
        f"round({of_check('f.check_id', 'o', what, with_one[what])}, 6) + 0.0"
        for what in ("low", "high", "observed")
    )
    words = " ".join(
        f"WHEN {quoted(check)} THEN {picked(texts, piece(coded(check, 'o'), 'word'))}"
        for check, texts in shown_words(snapshot).items()
    )
    return (
        f"CASE f.check_id {words} ELSE coalesce(({number})::VARCHAR, {reason(snapshot)}) END AS observed",
        f"{low} AS low",
        f"{high} AS high",
        f"CASE WHEN coalesce({number}, {low}, {high}) IS NOT NULL "
        f"THEN {by_check('f.check_id', UNITS)} END AS unit",
        f"{of_check('f.check_id', 'o', 'certainty')} / {CERTAINTY_STEPS}.0::DOUBLE AS certainty",
    )


def reason(snapshot: Snapshot) -> str:
    """SQL for the reason beside the result `o` of the check `f.check_id`."""
    return picked(reasons(snapshot), of_check("f.check_id", "o", "reason"))


def of_check(name: str, alias: str, what: str, checks: Iterable[str] = tuple(IDS)) -> str:
    """SQL for one narrow column of the check that `name` names."""
    cases = " ".join(
        f"WHEN {quoted(check)} THEN "
        + (f"{alias}.{column(check, what)}" if what in NUMBERS else piece(coded(check, alias), what))
        for check in checks
    )
    return f"CASE {name} {cases} END"


def position(name: str) -> str:
    """SQL for the position of the check that `name` names among the checks."""
    return f"list_position({IDS}, {name})"


def title(name: str, otherwise: str) -> str:
    """SQL for the title of the check that `name` names."""
    return by_check(name, {check.id: check.title for check in HOME_CHECKS}, otherwise)


def by_check(name: str, texts: dict[str, str], otherwise: str = "NULL") -> str:
    """SQL for the text of the check that `name` names."""
    cases = " ".join(f"WHEN {quoted(check)} THEN {quoted(text)}" for check, text in texts.items())
    return f"CASE {name} {cases} ELSE {otherwise} END"
