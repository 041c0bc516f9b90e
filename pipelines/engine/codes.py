"""A result, or the state of a check at a home, as one whole number: where each part's bits lie, in NumPy and in SQL."""

import numpy as np

from pipelines.engine.checks import BY_ID
from pipelines.engine.quantities import FLAGS
from pipelines.engine.reasons import NO_FIELD, REASONS
from pipelines.engine.results import CERTAINTY_DECIMALS
from pipelines.fields import FIELDS

FIELD_NAMES = tuple(field.name for field in FIELDS)
# What a result may carry beside its outcome: columns of their own, only where the check shows such a number.
NUMBERS = ("observed", "low", "high")
CERTAINTY_STEPS = 10**CERTAINTY_DECIMALS  # kept as a whole number of these
# The rest of a check's result, and its state at a home, are one whole number each, since a table costs by the column.
# Where each part's bits lie, (lowest, how many), its own lowest bits first; what is mostly 0 lies highest, since small
# numbers take less room. `detail` is how far the certainty of a told outcome falls short of 1, in steps, else the field
# that the reason is about; it, `word` and visits count from 1 where 0 is none.
RESULT_BITS = {"outcome": ((0, 2),), "word": ((2, 4), (28, 2)), "detail": ((6, 14),), "reason": ((20, 8),)}
STATE_BITS = {
    "state": ((0, 4),),
    "since": ((4, 4), (24, 12)),
    "told": ((8, 4), (36, 12)),
    "decided": ((12, 4), (48, 12)),
    "stage": ((16, 4),),
    "risk": ((20, 4),),
}
TELLING = 2  # outcomes below it state something


def column(check_id, what):
    """Name of the column of one of a check's numbers."""
    return f"{check_id.replace('-', '_')}__{what}"


def coded(check_id):
    """Name of the column with the rest of a check's result, or with its state at a home."""
    return f"{check_id.replace('-', '_')}__codes"


def without_certainty(check_id):
    """SQL for the coded results of a check with no word and no certainty."""
    kept = {
        name: sum((1 << count) - 1 << lowest for lowest, count in spans)
        for name, spans in RESULT_BITS.items()
    }
    telling = kept["outcome"] | kept["reason"]
    return f"{coded(check_id)} & CASE WHEN {_bits(coded(check_id), RESULT_BITS['outcome'])} < {TELLING} THEN {telling} ELSE {telling | kept['detail']} END"


def part(check_id, what, alias=""):
    """SQL for one part of a check's result or state, as a code; `alias` names the table."""
    return part_of(f"{alias}.{coded(check_id)}" if alias else coded(check_id), what)


def part_of(number, what):
    """The same of any coded number."""
    outcome, detail = (_bits(number, RESULT_BITS[name]) for name in ("outcome", "detail"))
    if what == "certainty":
        return f"CASE WHEN {outcome} < {TELLING} THEN {CERTAINTY_STEPS} - {detail} END"
    if what == "about":
        return f"CASE WHEN {outcome} >= {TELLING} THEN {detail} - 1 ELSE -1 END"
    found = _bits(number, (RESULT_BITS | STATE_BITS)[what])
    return f"({found} - 1)" if what == "word" else found


def _bits(number, spans):
    """SQL for a part of a whole number."""
    shifted, took = 0, []
    for lowest, count in spans:
        bits = f"(({number} >> {lowest}) & {(1 << count) - 1})"
        took.append(f"({bits} << {shifted})" if shifted else bits)
        shifted += count
    return took[0] if len(took) == 1 else f"({' | '.join(took)})"


def parts_of_results(codes):
    """What `part` takes out of coded results (n,), as arrays by name: outcome, reason, word, certainty (steps, -1 none), about (-1 none)."""
    outcome, certainty = outcomes_of_results(codes)
    return {
        "outcome": outcome,
        "certainty": certainty,
        "reason": _told(codes, RESULT_BITS["reason"]),
        "word": _told(codes, RESULT_BITS["word"]) - 1,
        "about": np.where(outcome < TELLING, NO_FIELD, _told(codes, RESULT_BITS["detail"]) - 1),
    }


def outcomes_of_results(codes):
    """(outcome, certainty) of these alone."""
    outcome = _told(codes, RESULT_BITS["outcome"])
    return outcome, np.where(outcome < TELLING, CERTAINTY_STEPS - _told(codes, RESULT_BITS["detail"]), -1)


def parts_of_states(codes):
    """The same of coded states: state, stage, risk (codes; beyond their lists for none), since, told, decided (visits from 1, 0 none)."""
    return {name: _told(codes, spans) for name, spans in STATE_BITS.items()}


def _told(codes, spans):
    """A part of whole numbers, shape (n,)."""
    codes, shifted, told = np.asarray(codes), 0, 0
    for lowest, count in spans:
        told = told | (codes >> lowest & (1 << count) - 1) << shifted
        shifted += count
    return told


def joined_bits(bits, parts):
    """Parts, whole numbers by name, as one whole number each (int32, or int64 where they need it). Raises where a part does not fit."""
    kind = (
        np.int32
        if max(lowest + count for spans in bits.values() for lowest, count in spans) < 32
        else np.int64
    )
    joined = None
    for name, spans in bits.items():
        value, shifted = parts[name], 0
        most = int(value.max(initial=0))
        if most >> sum(count for _, count in spans) or value.min(initial=0) < 0:
            raise OverflowError(f"{name}: {value.min()} to {most} does not fit into {bits[name]}")
        for lowest, count in spans:
            if most >> shifted:  # else there is nothing to add
                bits_of_it = value >> shifted & (1 << count) - 1 if len(spans) > 1 else value
                placed = bits_of_it.astype(kind) << kind(lowest)
                joined = placed if joined is None else joined | placed
            shifted += count
    return np.zeros(len(value), kind) if joined is None else joined


def picked(words, position):
    """SQL for the text at a position (0 = first) of a fixed list."""
    cases = " ".join(f"WHEN {place} THEN {quoted(word)}" for place, word in enumerate(words) if word)
    return f"CASE {position} {cases} END"


def quoted(text):
    return "'" + text.replace("'", "''") + "'"


assert len(FLAGS) <= 8 and len(REASONS) < 256 and len(BY_ID) < 127
