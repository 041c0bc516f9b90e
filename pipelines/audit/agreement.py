"""How finals and the re-inspections paired with them agree, check by check."""

import numpy as np
import pyarrow as pa

from pipelines.audit import chance
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.results import DEFICIENT, NOT_APPLICABLE

BOTH_OK, MISSED, OVERCALLED, BOTH_DEFICIENT, NOT_VERIFIED = range(5)  # what a pair came to
KINDS = 5


def agreement(found):
    """The rows of `agreement`, an Arrow table: a row per agency, crew and check with a pair it applied to.

    Pairs count where both could tell; `missed` were ok at the final and deficient at the re-inspection,
    `overcalled` the other way about; `not_verified` are pairs of which one could not tell, or both.
    """
    crew, names = found.crews.code[found.paired], len(found.crews.pairs)
    counted = [_pairs(found, check.id, crew, names).reshape(names, KINDS) for check in HOME_CHECKS]
    counts = np.stack(counted, axis=1)  # crews, checks, kinds
    who, which = np.nonzero(counts.sum(2))
    counts = counts[who, which]
    told = counts[:, :NOT_VERIFIED]
    kappa, low, high = chance.kappa(told.reshape(-1, 2, 2))
    return pa.table(
        {
            "agency": pa.array([found.crews.pairs[one][0] for one in who], pa.string()),
            "crew": pa.array([found.crews.pairs[one][1] for one in who], pa.string()),
            "check_id": pa.array([HOME_CHECKS[one].id for one in which], pa.string()),
            "pairs": pa.array(told.sum(1)),
            "agree": pa.array(counts[:, BOTH_OK] + counts[:, BOTH_DEFICIENT]),
            "kappa": pa.array(kappa, from_pandas=True),
            "missed": pa.array(counts[:, MISSED]),
            "overcalled": pa.array(counts[:, OVERCALLED]),
            "not_verified": pa.array(counts[:, NOT_VERIFIED]),
            "both_deficient": pa.array(counts[:, BOTH_DEFICIENT]),
            "kappa_low": pa.array(low, from_pandas=True),
            "kappa_high": pa.array(high, from_pandas=True),
        }
    )


def _pairs(found, check_id, crew, names):
    """Pairs of each crew by what they came to on a check."""
    first, second = found.outcomes_of_finals[check_id][found.paired], found.outcomes_of_again[check_id]
    told = (first <= DEFICIENT) & (second <= DEFICIENT)
    came = np.where(told, 2 * first + second, NOT_VERIFIED)
    applies = (first != NOT_APPLICABLE) & (second != NOT_APPLICABLE)
    return np.bincount(crew[applies] * KINDS + came[applies], minlength=names * KINDS)
