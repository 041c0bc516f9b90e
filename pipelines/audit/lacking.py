"""What to record next time: readings whose lack kept finals from telling, by crew."""

import numpy as np
import pyarrow as pa

from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.codes import FIELD_NAMES, pieces_of_results, reason_of_results
from pipelines.engine.reasons import REASONS
from pipelines.engine.results import NOT_VERIFIED

NOT_RECORDED = REASONS.index("not recorded")


def lacking(found):
    """The rows of `lacking_readings`, an Arrow table: agency, crew, field, checks, units.

    `checks` counts results of finals that are not verified because the field is not recorded; `units` those
    in which it is so of a safety-critical check.
    """
    fields, crews = len(FIELD_NAMES), len(found.crews.pairs)
    crew = found.crews.code
    checks = np.zeros(crews * fields, np.int64)
    blocked = [np.zeros(0, np.int64)]
    for check in HOME_CHECKS:
        codes = found.codes_of_finals[check.id]
        untold = np.flatnonzero(found.outcomes_of_finals[check.id] == NOT_VERIFIED)
        untold = untold[reason_of_results(codes[untold]) == NOT_RECORDED]
        about = pieces_of_results(codes[untold])["about"]
        rows, about = untold[about >= 0], about[about >= 0]
        checks += np.bincount(crew[rows] * fields + about, minlength=crews * fields)
        if check.safety_critical:
            blocked.append(rows * fields + about)
    both = np.sort(np.concatenate(blocked))
    unit, field = np.divmod(both[np.diff(both, prepend=-1) > 0], fields)
    units = np.bincount(crew[unit] * fields + field, minlength=crews * fields)
    at = np.flatnonzero(checks)
    who, what = np.divmod(at, fields)
    return pa.table(
        {
            "agency": pa.array([found.crews.pairs[one][0] for one in who], pa.string()),
            "crew": pa.array([found.crews.pairs[one][1] for one in who], pa.string()),
            "field": pa.array([FIELD_NAMES[one] for one in what], pa.string()),
            "checks": pa.array(checks[at]),
            "units": pa.array(units[at]),
        }
    )
