"""Readings × CHECKS × policy → an outcome for every inspection and check, and how certain it is.

The only room that decides an outcome, always in this order: not applicable, not verified (and why), deficient, ok.
"""

from dataclasses import dataclass

import numpy as np

from pipelines.checks import BY_ID, CHECKS
from pipelines.checks.kinds import AnyOf, Applies, Band, Fact, Odd
from pipelines.margins import at
from pipelines.readings import FIELD_CODE, NO_FIELD, REASONS, Words, more, why
from pipelines.recompute import ASSESSED, LOOKS_LIKE_STEAM, LOOKS_OPEN, NO_EVIDENCE, OTHER_SYSTEM, Quantity

OUTCOMES = ("ok", "deficient", "not verified", "not applicable")
OK, DEFICIENT, NOT_VERIFIED, NOT_APPLICABLE = range(4)
CERTAINTY_DECIMALS = 4  # before anything is decided from it, so that what is shown is what was compared

STATE_REASONS = {
    OTHER_SYSTEM: "another heating system", NO_EVIDENCE: "heating system not recorded",
    LOOKS_LIKE_STEAM: "looks like steam: relief setting too low for hot water", LOOKS_OPEN: "looks like an open system",
}
STATE_FIELDS = {OTHER_SYSTEM: "heating_system", NO_EVIDENCE: "heating_system", LOOKS_LIKE_STEAM: "relief_setting_psig", LOOKS_OPEN: "tank_type"}


@dataclass
class Result:
    """One check over a batch, arrays of shape (n,): codes into OUTCOMES, REASONS and FIELDS; numbers NaN where none.

    `certainty` is the probability that the stated outcome is true, NaN for the two outcomes that state nothing. `shows`
    names those of the three numbers that the check ever shows, whatever the batch.
    """

    outcome: np.ndarray
    observed: np.ndarray
    low: np.ndarray
    high: np.ndarray
    words: Words | None
    certainty: np.ndarray
    reason: np.ndarray
    about: np.ndarray
    shows: tuple[str, ...] = ()


class Results(dict):
    """Result by check id, as far as the checks have run."""

    def sure_danger(self, least):
        """True where a safety-critical check of the visit is deficient with at least this certainty."""
        return np.logical_or.reduce([
            (result.outcome == DEFICIENT) & (result.certainty >= least)
            for check, result in self.items() if BY_ID[check].safety_critical])


def results(recomputed, checks=CHECKS):
    """Every check over a batch: check id → Result.

    `recomputed` is a `recompute.Recomputed`, whose policy is that of its rows. Checks that read other results come
    after those they read.
    """
    out = Results()
    for check in checks:
        out[check.id] = _run(check, recomputed, out)
    return out


def _run(check, recomputed, so_far):
    count = len(recomputed.readings)
    applies = _applies(check, recomputed, so_far)
    needs = {name: _need(name, recomputed) for name in check.needs}
    found = check.function(*(_value(name, recomputed, so_far) for name in check.needs),
                           **{name: _value(name, recomputed, so_far) for name in check.uses})
    parts = found.parts if isinstance(found, AnyOf) else (found,)
    outcome = np.full(count, OK, np.int8)
    reason, about = np.zeros(count, np.uint8), np.full(count, NO_FIELD, np.int8)

    lacking, lack_reason, lack_about = np.zeros(count, bool), reason.copy(), about.copy()
    deficient, chance = np.zeros(count, bool), _Chance(count)
    for part in parts:
        missing, why_missing, about_missing = _missing(part, needs, recomputed)
        wrong, perhaps = _point(part)
        wrong &= ~missing & ~perhaps
        for doubt in part.less:
            unsure = doubt.mask & ~missing & _concerns(doubt.outcome, wrong)
            code = FIELD_CODE[doubt.field] if doubt.field else NO_FIELD
            why_missing, about_missing = np.where(unsure, why(doubt.reason), why_missing), np.where(unsure, code, about_missing)
            missing, wrong = missing | unsure, wrong & ~unsure
        unsure = perhaps & ~missing
        if unsure.any():
            why_missing = np.where(unsure, why(part.perhaps_reason), why_missing)
            about_missing = np.where(unsure, FIELD_CODE[part.perhaps_field] if part.perhaps_field else NO_FIELD, about_missing)
            missing = missing | unsure
        fresh = missing & ~lacking
        lack_reason, lack_about = np.where(fresh, why_missing, lack_reason), np.where(fresh, about_missing, lack_about)
        lacking |= missing
        deficient |= wrong
        chance.add(part, wrong, np.flatnonzero(~missing))
    outcome[lacking] = NOT_VERIFIED
    outcome[deficient] = DEFICIENT
    reason, about = np.where(outcome == NOT_VERIFIED, lack_reason, reason), np.where(outcome == NOT_VERIFIED, lack_about, about)

    if isinstance(found, AnyOf):
        for doubt in found.less:
            reason, about = _doubt(outcome, reason, about, doubt)
    certainty = np.where(outcome == DEFICIENT, chance.deficient, np.where(outcome == OK, chance.ok, np.nan)).round(CERTAINTY_DECIMALS)
    if found.least_certainty is not None:
        close = certainty < found.least_certainty
        outcome[close] = NOT_VERIFIED
        reason = np.where(close, why("too close to call"), reason)

    _, unknown, field = applies.yes, np.broadcast_to(applies.unknown, (count,)), applies.field
    outcome[unknown] = NOT_VERIFIED
    code = FIELD_CODE[field] if field else NO_FIELD
    absent = recomputed.readings.missing_reason(field) if field else why("not recorded")
    reason, about = np.where(unknown, absent, reason), np.where(unknown, code, about)
    away = ~np.broadcast_to(applies.yes, (count,)) & ~unknown
    outcome[away] = NOT_APPLICABLE
    reason, about = np.where(away, why("does not apply here"), reason), np.where(away, NO_FIELD, about)

    state = recomputed.state
    for code, text in STATE_REASONS.items():
        here = state == code
        outcome[here] = NOT_APPLICABLE if code == OTHER_SYSTEM else NOT_VERIFIED
        reason, about = np.where(here, why(text), reason), np.where(here, FIELD_CODE[STATE_FIELDS[code]], about)
    telling = (outcome == OK) | (outcome == DEFICIENT)
    for note in found.notes:
        said = np.broadcast_to(note.mask, (count,)) & telling & (reason == 0) & _concerns(note.outcome, outcome == DEFICIENT)
        reason = np.where(said, why(note.reason), reason)
    observed, low, high, words = _shown(parts, deficient, count)
    assessed = state == ASSESSED
    return Result(outcome, _finite(observed, assessed), _finite(low, assessed), _finite(high, assessed), words,
                  np.where(telling, certainty, np.nan), reason.astype(np.uint8), about.astype(np.int8), _shows(parts))


def _concerns(which, deficient):
    return True if which == "either" else deficient if which == "deficient" else ~deficient


def _doubt(outcome, reason, about, doubt):
    unsure = doubt.mask & (outcome == (DEFICIENT if doubt.outcome == "deficient" else OK))
    outcome[unsure] = NOT_VERIFIED
    return np.where(unsure, why(doubt.reason), reason), np.where(unsure, FIELD_CODE[doubt.field] if doubt.field else NO_FIELD, about)


def _applies(check, recomputed, so_far):
    if check.applies is None:
        return Applies(np.ones(len(recomputed.readings), bool))
    import inspect
    parameters = inspect.signature(check.applies).parameters
    return check.applies(**{name: _value(name, recomputed, so_far) for name in parameters})


def _value(name, recomputed, so_far):
    """What a check's function receives under a parameter's name."""
    if name == "policy":
        return recomputed.policy
    if name == "results":
        return so_far
    field = _field(name)
    if field is not None and field.words:
        return recomputed.readings.word(name)
    if hasattr(type(recomputed), name):
        found = getattr(recomputed, name)
        return found.value if isinstance(found, Quantity) else found
    return recomputed.readings.number(name).value


def _need(name, recomputed):
    """(known, reason, about) of something a check cannot do without."""
    field = _field(name)
    if field is not None and field.words:
        known = recomputed.readings.word(name).known
        return known, recomputed.readings.missing_reason(name), FIELD_CODE[name]
    found = recomputed.quantity(name)
    return found.known, found.why, found.about


def _field(name):
    from pipelines.fields import BY_NAME
    return BY_NAME.get(name)


def _missing(part, needs, recomputed):
    """(missing, reason, about) of one part: the first of its needs that is not known names the reason."""
    count = len(recomputed.readings)
    missing, reason, about = np.zeros(count, bool), np.zeros(count, np.uint8), np.full(count, NO_FIELD, np.int8)
    wanted = list(needs.values()) if not part.needs else [_need(name, recomputed) for name in part.needs]
    for known, need_reason, need_about in wanted:
        fresh = ~known & ~missing
        reason, about = np.where(fresh, need_reason, reason), np.where(fresh, need_about, about)
        missing |= ~known
    return missing, reason, about


def _point(part):
    """(deficient, perhaps) by the point estimate; at the limit is ok."""
    if isinstance(part, Band):
        wrong = np.zeros(len(part.observed), bool)
        if part.low is not None:
            wrong |= more(part.low, part.observed)
        if part.high is not None:
            wrong |= more(part.observed, part.high)
        return wrong, np.zeros(len(wrong), bool)
    if isinstance(part, Fact):
        acceptable = part.observed.among(*part.among) if isinstance(part.among, tuple) else part.among
        perhaps = np.zeros(len(acceptable), bool) if part.perhaps is None else part.perhaps & ~acceptable
        return ~acceptable, perhaps
    return np.array(part.odd, bool), np.zeros(len(part.odd), bool)


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
            deficient = np.where(at_rows, at(part.certainty_deficient, rows), 1.0 - at(part.certainty_ok, rows))
        elif isinstance(part, Band) and (part.below or part.above):
            deficient = sum(margin.chance_below_zero(rows) for margin in (part.below, part.above) if margin)
        elif isinstance(part, Odd) and part.chance:
            said = rows[at_rows]
            deficient = at_rows.astype(float)
            deficient[at_rows] = part.chance(said)
        else:
            deficient = at_rows.astype(float)
        deficient = np.clip(deficient, 0.0, 1.0)
        self.deficient[rows] = np.where(at_rows, np.maximum(self.deficient[rows], deficient), self.deficient[rows])
        self.ok[rows] = np.minimum(self.ok[rows], 1.0 - deficient)


def _shown(parts, deficient, count):
    """What is shown: the first band's numbers, and the word of the fact that is wrong, else of the first.

    Where something else than the band is wrong its limits are left out: they would contradict the outcome.
    """
    nothing = np.full(count, np.nan)
    band = next((part for part in parts if isinstance(part, Band)), None)
    odd = next((part for part in parts if isinstance(part, Odd) and part.observed is not None), None)
    observed = band.observed if band else odd.observed if odd else nothing
    low = nothing if band is None or band.low is None else np.broadcast_to(band.low, (count,))
    high = nothing if band is None or band.high is None else np.broadcast_to(band.high, (count,))
    if len(parts) > 1 and band is not None:
        other = deficient & ~_point(band)[0]
        low, high = np.where(other, np.nan, low), np.where(other, np.nan, high)
    facts = [part for part in parts if isinstance(part, Fact)]
    if not facts:
        return observed, low, high, None
    words = tuple(dict.fromkeys(word for fact in facts for word in fact.observed.words))
    codes = np.full(count, -1, np.int8)
    for fact in reversed(facts):
        place = np.array([words.index(word) for word in fact.observed.words] + [-1], np.int8)
        here = place[fact.observed.codes]
        codes = np.where((here >= 0) & (_point(fact)[0] | ~deficient | (codes < 0)), here, codes)
    return observed, low, high, Words(codes, words)


def _shows(parts):
    band = next((part for part in parts if isinstance(part, Band)), None)
    if band is not None:
        return ("observed", *(name for name in ("low", "high") if getattr(band, name) is not None))
    return ("observed",) if any(isinstance(part, Odd) and part.observed is not None for part in parts) else ()


def _finite(values, where):
    """NaN for what is not a finite number of an assessed system; halves as wide as the table needs."""
    return np.where(np.isfinite(values) & where, values, np.nan)


def reason_text(code):
    return REASONS[code]
