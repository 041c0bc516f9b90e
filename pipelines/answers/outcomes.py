"""Results of inspections in words: each check's outcome with the number, band or word that decided it."""

from dataclasses import dataclass

from pipelines.answers.phrases import band, called, shown_quantity, sure
from pipelines.engine.checks import BY_ID, CHECKS
from pipelines.engine.checks.kinds import Check
from pipelines.engine.codes import CERTAINTY_STEPS, FIELD_NAMES, NUMBERS, coded, column, pieces_of_results
from pipelines.engine.results import DEFICIENT, OK, OUTCOMES
from pipelines.fields import BY_NAME
from pipelines.fleet.snapshots import Snapshot

# Reasons beside which the number itself says nothing more: no gauge would ever show it.
INSTEAD_OF_NUMBER = ("would open the relief valve",)


@dataclass(frozen=True)
class Result:
    """One check's outcome with its band or word, and all of it in words."""

    check_id: str
    title: str
    outcome: str
    observed: float | None
    low: float | None
    high: float | None
    observed_text: str | None
    certainty: float | None
    reason: str | None
    reason_field: str | None
    text: str

    @property
    def check(self) -> Check:
        return BY_ID[self.check_id]


def shown_words(snapshot: Snapshot) -> dict[str, list[str]]:
    """The words that results of a check show, by check and position."""
    return dict(
        snapshot.rows("SELECT check_id, list(word ORDER BY position) FROM shown_words GROUP BY check_id")
    )


def reasons(snapshot: Snapshot) -> tuple[str, ...]:
    """Reasons by position, with the limits of the snapshot's policy that they name."""
    return tuple(text for (text,) in snapshot.rows("SELECT reason FROM reasons ORDER BY position"))


def results(snapshot: Snapshot, condition: str, params: list) -> dict[str, tuple[Result, ...]]:
    """Results by inspection id, from the narrow columns; the checks in their order."""
    words, texts = shown_words(snapshot), reasons(snapshot)
    judged = snapshot.arrow(f"SELECT * FROM judged WHERE {condition}", params).to_pylist()
    return {
        row["inspection_id"]: tuple(_result(check, row, words.get(check.id), texts) for check in CHECKS)
        for row in judged
    }


def _result(check: Check, row: dict, words: list[str] | None, reasons: tuple[str, ...]) -> Result:
    """One check's result from its narrow columns.

    The number or word comes first where there is an outcome that tells, else the reason why there is none.
    """
    code = {what: int(value) for what, value in pieces_of_results(row[coded(check.id)]).items()}
    word = words[code["word"]] if words and code["word"] >= 0 else None
    observed, low, high = (row.get(column(check.id, what)) for what in NUMBERS)
    certainty = None if code["certainty"] < 0 else code["certainty"] / CERTAINTY_STEPS
    reason = reasons[code["reason"]] or None
    field = FIELD_NAMES[code["about"]] if code["about"] >= 0 else None
    outcome = OUTCOMES[code["outcome"]]
    telling = certainty is not None
    if telling and observed is None and not word:
        seen = ""  # the limits are not what decided it
    else:
        seen = seen_in_words(check, observed, low, high, word, reason, outcome == OUTCOMES[DEFICIENT])
    why = f"{called(field)}: {reason}" if field and reason else reason
    certain = sure(certainty) if certainty is not None and not (word and certainty == 1) else None
    said = (outcome, seen, why, certain) if telling else (outcome, why, seen)
    return Result(
        check.id,
        _called(check, outcome),
        outcome,
        observed,
        low,
        high,
        word,
        certainty,
        reason,
        field,
        "; ".join(filter(None, said)),
    )


def seen_in_words(
    check: Check,
    observed: float | None,
    low: float | None,
    high: float | None,
    word: str | None,
    reason: str | None,
    deficient: bool = True,
) -> str:
    """The word that a check read, or its number against the limits."""
    if word:
        return f"{called(_field_of(check, word))}: {word.replace('_', ' ')}"
    number = None if reason in INSTEAD_OF_NUMBER else observed
    return band(shown_quantity(check), number, low, high, deficient)


def _called(check: Check, outcome: str) -> str:
    """A check beside an outcome: what is right, what is wrong, or else what was looked at."""
    return {OUTCOMES[OK]: check.sound, OUTCOMES[DEFICIENT]: check.title}.get(outcome, check.name)


def _field_of(check: Check, word: str) -> str:
    """The field a check read a word from: the first it asks for that may hold it."""
    return next(name for name in check.needs + check.uses if name in BY_NAME and word in BY_NAME[name].words)
