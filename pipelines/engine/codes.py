"""A result, or the state of a check at a home, as one whole number: its pieces in NumPy and in SQL."""

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
# The rest of a check's result, and its state at a home, are one whole number each, since a table costs by the
# column. Where the bits of each piece lie, (lowest, how many), its own lowest bits first; what is mostly 0
# lies highest, since small numbers take less room. `detail` is how far the certainty of a telling outcome
# falls short of 1, in steps, else the field that the reason is about; it, `word` and visits count from 1
# where 0 is none. `since`, `telling` and `decided` are visits: the first of the present run of deficient
# results, the last that was telling, and the one that decides the state. `uncounted` is 1 where a state that
# is not verified leaves no gap in safety.
RESULT_BITS = {"outcome": ((0, 2),), "word": ((2, 4), (28, 2)), "detail": ((6, 14),), "reason": ((20, 8),)}
STATE_BITS = {
    "state": ((0, 4),),
    "since": ((4, 4), (24, 12)),
    "telling": ((8, 4), (36, 12)),
    "decided": ((12, 4), (48, 12)),
    "stage": ((16, 4),),
    "risk": ((20, 4),),
    "uncounted": ((60, 1),),
}
TELLING = 2  # outcomes below it are telling: ok, deficient

assert len(FLAGS) <= 8 and len(REASONS) < 256 and len(BY_ID) < 127


def column(check_id, number):
    """Name of the column of one of a check's NUMBERS."""
    return f"{check_id.replace('-', '_')}__{number}"


def coded(check_id, table=""):
    """Name of the column with the rest of a check's result, or its state at a home, maybe of a `table`."""
    name = f"{check_id.replace('-', '_')}__codes"
    return f"{table}.{name}" if table else name


# ---- in SQL


def piece(number, name):
    """SQL for a piece of a coded number: a name in RESULT_BITS or STATE_BITS, `certainty` or `about`.

    `word` and `about` are positions from 0, -1 for none; `certainty` is NULL for an outcome that is not
    telling.
    """
    outcome, detail = (_bits(number, RESULT_BITS[one]) for one in ("outcome", "detail"))
    if name == "certainty":
        return f"CASE WHEN {outcome} < {TELLING} THEN {CERTAINTY_STEPS} - {detail} END"
    if name == "about":
        return f"CASE WHEN {outcome} >= {TELLING} THEN {detail} - 1 ELSE -1 END"
    found = _bits(number, (RESULT_BITS | STATE_BITS)[name])
    return f"({found} - 1)" if name == "word" else found


def only(number, bits, names):
    """SQL for a coded number with 0 in all pieces but some."""
    return f"({number} & {sum((1 << count) - 1 << lowest for name in names for lowest, count in bits[name])})"


def without_certainty(number):
    """SQL for a coded result with no word and no certainty."""
    outcome = _bits(number, RESULT_BITS["outcome"])
    return f"""CASE WHEN {outcome} < {TELLING} THEN {only(number, RESULT_BITS, ("outcome", "reason"))}
                    ELSE {only(number, RESULT_BITS, ("outcome", "reason", "detail"))} END"""


def picked(words, position):
    """SQL for the text at a position (0 = first) of a fixed list; NULL for '' and beyond the list.

    `position` is -1 or more. A list that is indexed is parsed and worked out at once, unlike a CASE of as
    many arms.
    """
    texts = ", ".join(quoted(word) if word else "NULL" for word in words)
    return f"([{texts}])[({position}) + 1]"


def quoted(text):
    """SQL for a text."""
    return "'" + text.replace("'", "''") + "'"


def _bits(number, spans):
    """SQL for a piece of a whole number."""
    shifted, found = 0, []
    for lowest, count in spans:
        bits = f"(({number} >> {lowest}) & {(1 << count) - 1})"
        found.append(f"({bits} << {shifted})" if shifted else bits)
        shifted += count
    return found[0] if len(found) == 1 else f"({' | '.join(found)})"


# ---- in NumPy


def pieces_of_results(codes):
    """What `piece` takes out of coded results (n,), as arrays by name.

    outcome, reason, word (-1 none), certainty (steps, -1 none), about (-1 none).
    """
    outcome, certainty = outcomes_of_results(codes)
    return {
        "outcome": outcome,
        "certainty": certainty,
        "reason": reason_of_results(codes),
        "word": _taken(codes, RESULT_BITS["word"]) - 1,
        "about": np.where(outcome < TELLING, NO_FIELD, _taken(codes, RESULT_BITS["detail"]) - 1),
    }


def outcome_of_results(codes):
    """The outcome alone."""
    return _taken(codes, RESULT_BITS["outcome"])


def reason_of_results(codes):
    """The reason alone."""
    return _taken(codes, RESULT_BITS["reason"])


def outcomes_of_results(codes):
    """(outcome, certainty) of these alone."""
    outcome = outcome_of_results(codes)
    return outcome, np.where(outcome < TELLING, CERTAINTY_STEPS - _taken(codes, RESULT_BITS["detail"]), -1)


def pieces_of_states(codes):
    """The same of coded states.

    state, stage, risk (beyond their lists for none), since, telling, decided (visits from 1, 0 none),
    uncounted (0 or 1).
    """
    return {name: _taken(codes, spans) for name, spans in STATE_BITS.items()}


def _taken(codes, spans):
    """A piece of whole numbers, shape (n,)."""
    codes, shifted, found = np.asarray(codes), 0, None
    for lowest, count in spans:
        bits = (codes >> lowest if lowest else codes) & (1 << count) - 1
        found = bits if found is None else found | bits << shifted
        shifted += count
    return found


def joined(bits, pieces):
    """Pieces, whole numbers (n,) by name, as one whole number each: int32, or int64 where they need it.

    Raises OverflowError where a piece does not fit.
    """
    highest = max(lowest + count for spans in bits.values() for lowest, count in spans)
    kind = np.int32 if highest < 32 else np.int64
    found = None
    for name, spans in bits.items():
        value, shifted = pieces[name], 0
        most = int(value.max(initial=0))
        if most >> sum(count for _, count in spans) or value.min(initial=0) < 0:
            raise OverflowError(f"{name}: {value.min()} to {most} does not fit into {bits[name]}")
        for lowest, count in spans:
            if most >> shifted:  # else there is nothing to add
                bits_of_it = value >> shifted & (1 << count) - 1 if len(spans) > 1 else value
                placed = bits_of_it.astype(kind) << kind(lowest)
                found = placed if found is None else found | placed
            shifted += count
    return np.zeros(len(value), kind) if found is None else found
