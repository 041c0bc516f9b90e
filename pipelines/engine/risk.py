"""Severity × probability → a level of risk, by the matrix of MIL-STD-882E; what goes in is policy."""

from difflib import get_close_matches

import numpy as np

from pipelines.engine.checks import BY_ID
from pipelines.engine.policy.policy import LEVELS, PROBABILITIES

ACT_TODAY, SERIOUS = LEVELS.index("act today"), LEVELS.index("serious")
NO_LEVEL = 15


def rating(check, policy):
    """(severity 1 to 4, probability A to E) of a check: what ships beside it, or the policy's override."""
    own = policy.risk.get(check.id, {})
    return own.get("severity", check.severity), own.get("probability", check.probability)


def levels(check, policy, certainty, active, graver=np.False_):
    """Level codes (positions in LEVELS) of deficiencies of one check; arrays of shape (n,).

    Evidence of an active chain raises the probability by one step, certainty below the policy's figure lowers
    it by one; what the check found at a visit may be one step of severity `graver` (a mask). What must be
    acted on today stays so whatever its certainty, and no safety-critical check is below serious.
    """
    if check.act_today:
        return np.full(np.shape(certainty), ACT_TODAY, np.uint8)
    severity, probability = rating(check, policy)
    step = (
        PROBABILITIES.index(probability)
        + (np.asarray(certainty) < policy.sure_certainty).astype(int)
        - np.asarray(active).astype(int)
    )
    matrix = np.array(
        [[LEVELS.index(policy.level(one, row)) for row in PROBABILITIES] for one in (1, 2, 3, 4)], np.uint8
    )
    found = matrix[np.maximum(severity - 1 - np.asarray(graver), 0), np.clip(step, 0, len(PROBABILITIES) - 1)]
    return np.minimum(found, SERIOUS) if check.safety_critical else found


def refuse_unknown(policy):
    """Raise PolicyError where a policy rates or mends a check that is not there; file, line and key."""
    named: list[tuple[tuple, str, str]] = [(("risk", check), f"risk.{check}", check) for check in policy.risk]
    for measure in policy.measures:
        keys = ("measures", measure.id, "fixes")
        named += [(keys, f"measures.{measure.id}: fixes", check) for check in measure.fixes]
        keys = ("measures", measure.id, "only_where_open")
        named += [(keys, ".".join(keys), check) for check in measure.only_where_open]
    named += [(("plan", "stays"), "plan.stays", check) for check in policy.planning.stays]
    for keys, key, check in named:
        if check not in BY_ID:
            nearest = ", ".join(get_close_matches(check, BY_ID, n=3, cutoff=0.3))
            raise policy.source.wrong(keys, f"{key}: there is no check {check!r}; nearest: {nearest}")
