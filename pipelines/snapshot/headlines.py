"""The sentence over a home: its gravest open deficiency, or the root of it; else what was not verified."""

import numpy as np
import pyarrow as pa

from pipelines.engine.causes import PRESSURE_SYMPTOMS, WET_SYMPTOMS
from pipelines.engine.checks import BY_ID, CHECKS, HOME_CHECKS
from pipelines.engine.policy.policy import LEVELS
from pipelines.engine.risk import ACT_TODAY, NO_LEVEL

# Positions in HOME_CHECKS are those in CHECKS, which ends with the checks that are no part of a home's state.
assert CHECKS[: len(HOME_CHECKS)] == HOME_CHECKS
IS_SYMPTOM = np.isin([check.id for check in HOME_CHECKS], (*PRESSURE_SYMPTOMS, *WET_SYMPTOMS))
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

    `opened` is a homes.Open, `links` a causes.Links of the batch. The gravest deficiency stands; of equals a
    symptom whose root is known, then what is no symptom, then the first in CHECKS. A symptom gives way to its
    root, where that is open too; what must be done today does not.
    """
    level, check = np.full(homes, NO_LEVEL, np.uint8), np.full(homes, -1)
    np.minimum.at(level, opened.home, opened.level)
    gravest = np.flatnonzero(opened.level == level[opened.home])
    found = opened.check[gravest]
    root = found.copy()
    gives_way = opened.level[gravest] != ACT_TODAY
    root[gives_way] = _roots(opened, links, gravest[gives_way])
    rank = np.where(root != found, 0, np.where(IS_SYMPTOM[found], 2, 1))
    order = np.lexsort((opened.system[gravest], found, rank, opened.home[gravest]))
    first = order[np.diff(opened.home[gravest][order], prepend=-1) > 0]
    check[opened.home[gravest][first]] = root[first]
    return level, check


def _roots(opened, links, chosen):
    """Of some open deficiencies (positions) the last root of each that is open too; else their own check.

    Of several roots of one symptom the one that brings the pressures of the visit lowest when put right, then
    the gravest, then the first in CHECKS.
    """
    checks, found = len(CHECKS), opened.check[chosen].copy()
    visits, one_of_each = np.unique(opened.decided[chosen], return_index=True)
    concerned = np.isin(links.rows, visits) & (links.roots >= 0) & (links.roots != links.symptoms)
    at = np.flatnonzero(concerned)
    if not len(at):
        return found
    visit, root, symptom = links.rows[at], links.roots[at].astype(np.int64), links.symptoms[at]
    _, which = np.unique(visit * checks + root, return_inverse=True)
    lowest = np.full(len(at), np.inf)
    np.fmin.at(lowest, which, links.after_psig[at])
    system = opened.system[chosen[one_of_each]][np.searchsorted(visits, visit)]
    order = np.argsort(opened.system * checks + opened.check)
    is_open, place = _among((opened.system * checks + opened.check)[order], system * checks + root)
    level = opened.level[order[place]]
    best = np.lexsort((root, level, lowest[which], visit * checks + symptom))
    best = best[is_open[best]]
    keys, first = np.unique((visit * checks + symptom)[best], return_index=True)
    roots = root[best][first]
    for _ in range(LONGEST_CHAIN):
        linked, place = _among(keys, opened.decided[chosen] * checks + found)
        found[linked] = roots[place[linked]]
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
    verified; `reported_open` counts what was open when they were reported.
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
    beside += [f"reported with {reported_open:,} open"] * (reported_open > 0)
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
