"""Readings × CHECKS × policy → an outcome for every inspection and check, and how certain it is.

The only module that decides an outcome, always in this order: not applicable, not verified (and why),
deficient, ok.
"""

from dataclasses import dataclass

import numpy as np

from pipelines.engine.arrays import Numbers, Words, more
from pipelines.engine.checks import BY_ID, CHECKS
from pipelines.engine.checks.kinds import AnyOf, Band, Fact, Odd
from pipelines.engine.margins import at
from pipelines.engine.quantities.assessed import (
    ASSESSED,
    LOOKS_LIKE_STEAM,
    LOOKS_OPEN,
    NO_EVIDENCE,
    OTHER_SYSTEM,
)
from pipelines.engine.reasons import field_of, first_gap, gap, reason_of
from pipelines.fields import BY_NAME

OUTCOMES = ("ok", "deficient", "not verified", "not applicable")
OK, DEFICIENT, NOT_VERIFIED, NOT_APPLICABLE = range(4)
CERTAINTY_DECIMALS = 4  # before anything is decided from it, so that what is shown is what was compared

# Systems that are not assessed: outcome and gap of every check.
STATES = {
    OTHER_SYSTEM: (NOT_APPLICABLE, gap("another heating system", "heating_system")),
    NO_EVIDENCE: (NOT_VERIFIED, gap("heating system not recorded", "heating_system")),
    LOOKS_LIKE_STEAM: (
        NOT_VERIFIED,
        gap("looks like steam: relief setting too low for hot water", "relief_setting_psig"),
    ),
    LOOKS_OPEN: (NOT_VERIFIED, gap("looks like an open system", "tank_type")),
}


@dataclass
class Result:
    """One check over a batch.

    Arrays of shape (n,): `outcome` holds positions in OUTCOMES, numbers are NaN where there is none.
    `certainty` is the probability that the stated outcome is true, NaN for the two outcomes that state
    nothing. `said` is the gap that tells why it is not verified, or what must be said beside it. `shows`
    names those of the three numbers that the check ever shows, whatever the batch. `graver` and `uncounted`
    are those of `checks.kinds.Said`.
    """

    outcome: np.ndarray
    observed: np.ndarray
    low: np.ndarray
    high: np.ndarray
    words: Words | None
    certainty: np.ndarray
    said: np.ndarray
    shows: tuple[str, ...] = ()
    graver: np.ndarray | None = None
    uncounted: np.ndarray | None = None

    @property
    def reason(self):
        """Positions in REASONS."""
        return reason_of(self.said)

    @property
    def about(self):
        """Positions in FIELDS of what the reason speaks of, NO_FIELD for none."""
        return field_of(self.said)


class Results(dict):
    """Result by check id, as far as the checks have run."""

    def sure_danger(self, least):
        """True where a safety-critical check of the visit is deficient with at least this certainty."""
        return np.logical_or.reduce(
            [
                (result.outcome == DEFICIENT) & (result.certainty >= least)
                for check, result in self.items()
                if BY_ID[check].safety_critical
            ]
        )


def results(recomputed, checks=CHECKS):
    """Every check over a batch: check id → Result.

    `recomputed` is a `resolver.Recomputed`, whose policy is that of its rows. Checks that read other results
    come after those they read.
    """
    out = Results()
    for _ in one_by_one(recomputed, checks, out):
        pass
    return out


def one_by_one(recomputed, checks=CHECKS, so_far=None):
    """(check, Result) of each, run when it is asked for and put among the results `so_far`."""
    out, batch = Results() if so_far is None else so_far, _Batch(recomputed)
    for check in checks:
        out[check.id] = _run(check, batch, out)
        yield check, out[check.id]


class _Batch:
    """What every check asks of the batch: which inspections are assessed, and what is said of the others."""

    def __init__(self, recomputed):
        self.recomputed, self.count = recomputed, len(recomputed.readings)
        self.assessed = recomputed["state"] == ASSESSED
        self.not_assessed = np.flatnonzero(~self.assessed)
        outcome, said = zip(
            *(STATES.get(code, (NOT_APPLICABLE, 0)) for code in range(max(STATES) + 1)), strict=True
        )
        state = recomputed["state"][self.not_assessed]
        self.outcome, self.said = np.array(outcome, np.int8)[state], np.array(said, np.uint16)[state]
        self.nothing = np.full(self.count, np.nan)
        self.other_system = state == OTHER_SYSTEM

    def unassessed(self, check, outcome):
        """(rows, outcome, gap) of the inspections not assessed, but those that a check finds odd even so."""
        stated = self.not_assessed, self.outcome, self.said
        if not check.any_system:
            return stated
        rest = ~(self.other_system & (outcome[self.not_assessed] == DEFICIENT))
        return tuple(values[rest] for values in stated)


def _run(check, batch, so_far):
    recomputed = batch.recomputed
    found = check.function(
        *(_value(name, recomputed, so_far) for name in check.needs),
        **{name: _value(name, recomputed, so_far) for name in check.uses},
    )
    parts = found.parts if isinstance(found, AnyOf) else (found,)
    outcome, said, certainty = _judged(check, parts, batch)
    deficient = outcome == DEFICIENT
    if found.least_certainty is not None:
        unsure = (outcome < NOT_VERIFIED) & (certainty < found.least_certainty)
        _say(outcome, said, unsure, NOT_VERIFIED, gap("too close to call"))
    if check.applies is not None:
        applies = check.applies(**{name: _value(name, recomputed, so_far) for name in check.asks})
        unknown = np.broadcast_to(applies.unknown, (batch.count,))
        absent = recomputed.readings.gap(applies.field) if applies.field else gap("not recorded")
        _say(outcome, said, ~applies.yes & ~unknown, NOT_APPLICABLE, gap("does not apply here"))
        _say(outcome, said, unknown, NOT_VERIFIED, absent)
    rows, stated, gaps = batch.unassessed(check, outcome)
    outcome[rows], said[rows] = stated, gaps
    telling = outcome < NOT_VERIFIED
    for note in found.notes:
        noted = note.mask & telling & (said == 0) & _concerns(note.outcome, outcome == DEFICIENT)
        said = np.where(noted, gap(note.reason), said)
    observed, low, high, words = _shown(parts, deficient, batch)
    certainty = np.where(telling, certainty, np.nan)
    weighed = found.graver, found.uncounted
    return Result(outcome, observed, low, high, words, certainty, said, _shows(parts), *weighed)


def words_that_pass(check, field, recomputed):
    """Which words of a field a check lets pass at each inspection, all else as it is there.

    A mask of shape (n, words of the field), of a check that is one Fact; a word that would be not verified
    does not pass.
    """
    words, count = BY_NAME[field].words, len(recomputed.readings)
    passes = np.zeros((count, len(words)), bool)
    for position in range(len(words)):
        tried = Words(np.full(count, position, np.int8), words)
        asked = {name: _value(name, recomputed, {}) for name in check.needs + check.uses} | {field: tried}
        fact = check.function(**asked)
        among = tried.among(*fact.among) if isinstance(fact.among, tuple) else fact.among
        doubted = [doubt.mask for doubt in fact.less if doubt.outcome != "deficient"]
        passes[:, position] = among & ~np.logical_or.reduce([np.False_, *doubted])
    return passes


def _judged(check, parts, batch):
    """(outcome, gap, certainty) of a check by its parts: deficient, else not verified, else ok."""
    count, recomputed = batch.count, batch.recomputed
    lacking, deficient, chance = np.zeros(count, np.uint16), np.zeros(count, bool), _Chance(count)
    for part in parts:
        gaps = (recomputed[name].gap for name in part.needs or check.needs)
        missing = first_gap((np.zeros(count, np.uint16), *gaps))
        wrong = _point(part) & (missing == 0)
        for doubt in part.less:
            unsure = doubt.mask & (missing == 0) & _concerns(doubt.outcome, wrong)
            if unsure.any():
                whole = isinstance(doubt.reason, str)
                missing[unsure] = gap(doubt.reason, doubt.field) if whole else doubt.reason[unsure]
                wrong &= ~unsure
        lacking = first_gap((lacking, missing))
        deficient |= wrong
        chance.add(part, wrong, np.flatnonzero(missing == 0))
    otherwise = np.where(lacking == 0, np.int8(OK), np.int8(NOT_VERIFIED))
    outcome = np.where(deficient, np.int8(DEFICIENT), otherwise)
    said = np.where(deficient, np.uint16(0), lacking)
    return outcome, said, np.where(deficient, chance.deficient, chance.ok).round(CERTAINTY_DECIMALS)


def _say(outcome, said, where, code, gaps):
    """Put an outcome, and the gaps that tell why, where `where` holds."""
    if where.any():
        outcome[where] = code
        said[where] = gaps[where] if np.ndim(gaps) else gaps


def _concerns(which, deficient):
    """Where an outcome (ok, deficient or either) is the one that a doubt or note speaks of."""
    return True if which == "either" else deficient if which == "deficient" else ~deficient


def _value(name, recomputed, so_far):
    """What a check's function receives under a parameter's name: of numbers the values alone."""
    if name == "results":
        return so_far
    found = recomputed[name]
    return found.value if isinstance(found, Numbers) else found


def _point(part):
    """True where a part is deficient by the point estimate; at the limit is ok."""
    if isinstance(part, Band):
        wrong = np.zeros(len(part.observed), bool)
        if part.low is not None:
            wrong |= more(part.low, part.observed)
        if part.high is not None:
            wrong |= more(part.observed, part.high)
        return wrong
    if isinstance(part, Fact):
        acceptable = part.observed.among(*part.among) if isinstance(part.among, tuple) else part.among
        return ~acceptable
    return np.array(part.odd, bool)


class _Chance:
    """Probability that the stated outcome is true, gathered over parts.

    Deficient: that of the surest part which says so. Ok: what the chances of all parts to be deficient leave.
    """

    def __init__(self, count):
        self.deficient, self.ok = np.zeros(count), np.ones(count)

    def add(self, part, wrong, rows):
        """Only the `rows` (positions) where the part is known are worked out."""
        at_rows = wrong[rows]
        if isinstance(part, Fact):
            deficient = np.where(
                at_rows, at(part.certainty_deficient, rows), 1.0 - at(part.certainty_ok, rows)
            )
        elif isinstance(part, Band) and (part.below or part.above):
            deficient = sum(margin.chance_below_zero(rows) for margin in (part.below, part.above) if margin)
        elif isinstance(part, Odd) and part.chance:
            said = rows[at_rows]
            deficient = at_rows.astype(float)
            deficient[at_rows] = part.chance(said)
        else:
            deficient = at_rows.astype(float)
        deficient = np.clip(deficient, 0.0, 1.0)
        self.deficient[rows] = np.where(
            at_rows, np.maximum(self.deficient[rows], deficient), self.deficient[rows]
        )
        self.ok[rows] = np.minimum(self.ok[rows], 1.0 - deficient)


def _shown(parts, deficient, batch):
    """(observed, low, high, words) as shown: of the first band; of the fact that is wrong, else the first.

    Where something else than the band is wrong its limits are left out: they would contradict the outcome.
    """
    band = next((part for part in parts if isinstance(part, Band)), None)
    odd = next((part for part in parts if isinstance(part, Odd) and part.observed is not None), None)
    numbers = [band.observed, band.low, band.high] if band else [odd.observed if odd else None, None, None]
    limits = (
        batch.assessed if band is None or len(parts) == 1 else batch.assessed & ~(deficient & ~_point(band))
    )
    numbers = [
        batch.nothing if values is None else np.where(np.isfinite(values) & where, values, np.nan)
        for values, where in zip(numbers, (batch.assessed, limits, limits), strict=True)
    ]
    facts = [part for part in parts if isinstance(part, Fact)]
    if not facts:
        return *numbers, None
    words = tuple(dict.fromkeys(word for fact in facts for word in fact.observed.words))
    codes = np.full(batch.count, -1, np.int8)
    for fact in reversed(facts):
        position = np.array([words.index(word) for word in fact.observed.words] + [-1], np.int8)
        here = position[fact.observed.codes]
        codes = np.where((here >= 0) & (_point(fact) | ~deficient | (codes < 0)), here, codes)
    return *numbers, Words(codes, words)


def _shows(parts):
    """Names of the numbers that are shown of a check's parts."""
    band = next((part for part in parts if isinstance(part, Band)), None)
    if band is not None:
        return ("observed", *(name for name in ("low", "high") if getattr(band, name) is not None))
    return ("observed",) if any(isinstance(part, Odd) and part.observed is not None for part in parts) else ()
