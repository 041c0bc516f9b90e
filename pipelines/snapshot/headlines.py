"""The sentence over a home: its gravest open deficiency, or the root of it; else what was not verified."""

import numpy as np
import pyarrow as pa

from pipelines.engine.causes import SYMPTOMS
from pipelines.engine.checks import BY_ID, CHECKS, HOME_CHECKS
from pipelines.engine.history import REPORTED_OPEN, STAGES
from pipelines.engine.policy.policy import LEVELS
from pipelines.engine.risk import ACT_TODAY, NO_LEVEL

# Positions in HOME_CHECKS are those in CHECKS, which ends with the checks that are no part of a home's state.
assert CHECKS[: len(HOME_CHECKS)] == HOME_CHECKS
IS_SYMPTOM = np.isin([check.id for check in HOME_CHECKS], SYMPTOMS)
SAFETY_CHECKS = tuple(check.id for check in HOME_CHECKS if check.safety_critical)
SAFETY_BIT = {check: np.int64(1) << position for position, check in enumerate(SAFETY_CHECKS)}
LONGEST_CHAIN = 4  # of roots that are symptoms of others

# The only one that may reassure.
IN_ORDER = "none found, all safety-critical checks verified"
NO_MORE, IN_DOUBT, TWO_ADDRESSES = (
    "no hot-water system any more",
    "heating system in doubt",
    "one id, two addresses",
)


def headline_checks(opened, links, homes):
    """(level, check) of the headline of each of so many homes; NO_LEVEL and -1 where nothing is open.

    `opened` is a homes.Open, `links` rows of (visit, root, symptom). The gravest deficiency stands; of equals
    a symptom whose root is known, then what is no symptom, then the first in CHECKS. A symptom gives way to
    its root, where that is open too; what must be done today does not.
    """
    level, check = np.full(homes, NO_LEVEL, np.uint8), np.full(homes, -1)
    np.minimum.at(level, opened.home, opened.level)
    gravest = np.flatnonzero(opened.level == level[opened.home])
    symptom = IS_SYMPTOM[opened.check[gravest]] & (opened.level[gravest] != ACT_TODAY)
    root = opened.check[gravest].copy()
    root[symptom] = _roots(opened, links, gravest[symptom])
    rank = np.where(root != opened.check[gravest], 0, np.where(symptom, 2, 1))
    order = np.lexsort((opened.system[gravest], opened.check[gravest], rank, opened.home[gravest]))
    home = opened.home[gravest][order]
    first = order[np.diff(home, prepend=-1) > 0]
    check[opened.home[gravest][first]] = root[first]
    return level, check


def _roots(opened, links, chosen):
    """Of some open deficiencies (positions) the last root of each that is open too; else their own check."""
    checks, found = len(CHECKS), opened.check[chosen].copy()
    visits, one_of_each = np.unique(opened.decided[chosen], return_index=True)
    links = links[np.isin(links[:, 0], visits) & (links[:, 1] != links[:, 2])]
    if not len(links):
        return found
    visit, root, symptom = links.T
    system = opened.system[chosen[one_of_each]][np.searchsorted(visits, visit)]
    order = np.argsort(opened.system * checks + opened.check)
    keys = (opened.system * checks + opened.check)[order]
    is_open, at = _among(keys, system * checks + root)
    visit, root, symptom = links[is_open].T
    level = opened.level[order[at[is_open]]]
    # Of several roots of one symptom the gravest, then the first in CHECKS.
    order = np.lexsort((root, level, visit * checks + symptom))
    keys, first = np.unique((visit * checks + symptom)[order], return_index=True)
    roots = root[order][first]
    for _ in range(LONGEST_CHAIN):
        linked, at = _among(keys, opened.decided[chosen] * checks + found)
        found[linked] = roots[at[linked]]
    return found


def _among(keys, wanted):
    """(whether each is among sorted keys, and at which position)."""
    at = np.minimum(np.searchsorted(keys, wanted), max(0, len(keys) - 1))
    return (keys[at] == wanted if len(keys) else np.zeros(len(wanted), bool)), at


def headlines(
    *, level, check, opened, lacking, systems_in_doubt, assessed, gone, two_addresses, reported_open
):
    """An Arrow column of sentences from what is known of each home, arrays of shape (homes,).

    `opened` counts what is open, `lacking` holds the bits of the safety-critical checks that are not
    verified; `reported_open` tells of homes with something that was open when they were reported.
    """
    pieces = np.stack(
        [level, check, np.where(opened == 0, lacking, 0), opened, systems_in_doubt]
        + [assessed, gone, two_addresses, reported_open],
        axis=1,
    ).astype(np.int64)
    distinct, which = np.unique(pieces, axis=0, return_inverse=True)
    sentences = [_headline(*row) for row in distinct.tolist()]
    return pa.array(sentences, pa.string()).take(pa.array(which.ravel()))


def _headline(level, check, lacking, opened, systems_in_doubt, assessed, gone, two_addresses, reported_open):
    beside = [IN_DOUBT] * (systems_in_doubt > 0) + [TWO_ADDRESSES] * two_addresses
    beside += [STAGES[REPORTED_OPEN]] * reported_open
    if opened:
        more = f" and {opened - 1} more" if opened > 1 else ""
        return "; ".join([f"{LEVELS[level]}: {HOME_CHECKS[check].title}{more}", *beside])
    if not assessed:
        return "; ".join(["not assessed", *beside])
    if gone:
        return "; ".join([NO_MORE, *beside])
    names = [_looked_at(one) for one in SAFETY_CHECKS if lacking & int(SAFETY_BIT[one])]
    names += ["heating system"] * (systems_in_doubt > 0)
    if names:
        return "; ".join([*beside, f"none found, {len(names)} not verified ({', '.join(names)})"])
    return "; ".join([*beside, "none found"]) if beside else IN_ORDER


def _looked_at(check):
    """The neutral name of a check within a sentence: what nobody verified is no finding."""
    name = BY_ID[check].name
    return name[0].lower() + name[1:]
