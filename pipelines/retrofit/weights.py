"""What putting a deficiency right is worth: the policy's weight of its severity and probability."""

from collections.abc import Callable

from pipelines.engine import risk as risks
from pipelines.engine.checks import BY_ID
from pipelines.engine.policy.policy import LEVELS, PROBABILITIES, Policy

ACT_TODAY = LEVELS[0]
AS_POLICY, SEVERITY_ALONE, ALL_ALIKE = "policy", "severity", "alike"
WEIGHINGS = {
    AS_POLICY: "severity and probability, weighed as the policy says",
    SEVERITY_ALONE: "severity alone, as if everything were as probable as can be",
    ALL_ALIKE: "every deficiency alike",
}
# Steps of probability and of severity from those a check is rated at, in the order they are tried.
STEPS = ((0, 0), (-1, 0), (1, 0), (0, -1), (-1, -1), (1, -1))


def weigher(policy: Policy, weighing: str = AS_POLICY) -> Callable[[str, str], float]:
    """Weight of (check id, risk level) by one of WEIGHINGS; KeyError where it is none of them."""
    plan = policy.planning
    if weighing == ALL_ALIKE:
        return lambda check, level: 1.0
    if weighing == SEVERITY_ALONE:
        return lambda check, level: plan.weight(_cell(policy, check, level)[0], PROBABILITIES[0])
    if weighing != AS_POLICY:
        raise KeyError(weighing)
    return lambda check, level: (
        plan.act_today if level == ACT_TODAY else plan.weight(*_cell(policy, check, level))
    )


def _cell(policy: Policy, check: str, level: str) -> tuple[int, str]:
    """Severity and probability of a deficiency: as its check is rated, or the step that its level shows.

    What the visit saw may have raised or lowered it by a step of the matrix. A level above all these, such as
    the least of a safety-critical check, is that cell of the level whose weight is lowest.
    """
    severity, probability = risks.rating(BY_ID[check], policy)
    at = PROBABILITIES.index(probability)
    for more, graver in STEPS:
        if 0 <= at + more < len(PROBABILITIES) and severity + graver >= 1:
            cell = severity + graver, PROBABILITIES[at + more]
            if policy.level(*cell) == level:
                return cell
    cells = [(one, row) for row in PROBABILITIES for one in (1, 2, 3, 4) if policy.level(one, row) == level]
    return min(cells or [(severity, probability)], key=lambda cell: policy.planning.weight(*cell))
