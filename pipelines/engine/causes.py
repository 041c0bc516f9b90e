"""Which deficiency of a visit brings about which other, so that paper can say what to fix first.

Links are between results of one visit. A link to a pressure holds only if putting that root right in the gas
balance brings the pressure below its limit; where the balance cannot be worked out, no such link is claimed.
"""

from dataclasses import dataclass

import numpy as np

from pipelines.engine.arrays import at_least
from pipelines.engine.checks import BY_ID, CHECKS
from pipelines.engine.reasons import why
from pipelines.engine.results import DEFICIENT, NOT_APPLICABLE, OK

# Each with the quantity that is the highest pressure which would be right.
PRESSURE_SYMPTOMS = {
    "hot-pressure-near-relief": "allowed_psig",
    "predicted-pressure-near-relief": "allowed_psig",
    "pressure-above-plate": "plate_limit_psig",
}
AT_THE_LIMIT = "predicted-pressure-near-relief"  # foretold of the limit temperature, not read
WET_SYMPTOMS = ("relief-discharging", "relief-stained")
TANK_ROOTS = (
    "tank-missing",
    "tank-valved-off",
    "tank-diaphragm-failed",
    "tank-cushion-lost",
    "tank-undersized",
    "precharge-low",
    "precharge-high",
    "cold-pressure-high",
)
LINKS = (
    *((root, "tank-cushion-lost") for root in ("vent-with-compression-tank", "tank-diaphragm-failed")),
    *((root, symptom) for root in TANK_ROOTS for symptom in (*PRESSURE_SYMPTOMS, *WET_SYMPTOMS)),
    ("fill-pressure-off-setting", "cold-pressure-high"),
    ("fill-pressure-off-setting", "cold-pressure-low"),
    ("relief-discharging", "makeup-excessive"),
    ("leak-seen", "makeup-excessive"),
    ("leak-seen", "cold-pressure-low"),
)
# Seen at the visit, not predicted: a root that has brought one about is at work already.
SEEN = (
    "hot-pressure-near-relief",
    "pressure-above-plate",
    "relief-discharging",
    "relief-stained",
    "makeup-excessive",
    "tank-cushion-lost",
)
# A valve is never its own cause where these do not apply, as with a built-in tank that nothing is known of.
MUST_BE_OK = ("tank-cushion-lost", "tank-undersized", "predicted-pressure-near-relief")
NOTES = ("", "its own cause", "cause not told")
OWN_CAUSE, NOT_TOLD = 1, 2


@dataclass(frozen=True)
class Links:
    """Roots and symptoms of a batch, arrays of one length, an element per link.

    `rows` are positions in the batch, `roots` and `symptoms` in CHECKS (root -1 where the cause is not
    known), `notes` in NOTES; `after_psig` is the gauge pressure once the root is put right, NaN where the
    link is not one of pressure.
    """

    rows: np.ndarray
    roots: np.ndarray
    symptoms: np.ndarray
    notes: np.ndarray
    after_psig: np.ndarray


POSITION = {check.id: position for position, check in enumerate(CHECKS)}


def causes(recomputed, results):
    """Links of a batch, and check id → mask: the check is a root of something seen at that visit."""
    linked = np.zeros(len(recomputed.readings), bool)
    found, active = [], {check.id: np.zeros(len(recomputed.readings), bool) for check in CHECKS}
    deficient = {check: result.outcome == DEFICIENT for check, result in results.items()}
    not_a_root = _no_roots(results, deficient)
    corrected = {}
    for root, symptom in LINKS:
        both = deficient[root] & deficient[symptom] & ~not_a_root.get(root, np.False_)
        if not both.any():
            continue
        after = np.full(both.shape, np.nan)
        if symptom in PRESSURE_SYMPTOMS:
            if root not in corrected:
                rows = np.flatnonzero(
                    deficient[root] & np.logical_or.reduce([deficient[one] for one in PRESSURE_SYMPTOMS])
                )
                corrected[root] = rows, recomputed["with_right"](root, rows)
            rows, pressures = corrected[root]
            after[rows] = pressures[symptom == AT_THE_LIMIT]
            both &= at_least(recomputed[PRESSURE_SYMPTOMS[symptom]].value, after)
        if symptom in SEEN:
            active[root] |= both
        if symptom == "relief-discharging":
            linked |= both
        found.append(_lines(both, POSITION[root], POSITION[symptom], 0, after))
    alone = deficient["relief-discharging"] & ~linked
    sound = np.logical_and.reduce(
        [
            np.isin(results[check.id].outcome, (OK, NOT_APPLICABLE))
            for check in CHECKS
            if check.group in ("tank", "pressure") or check.id in PRESSURE_SYMPTOMS
        ]
    )
    sound &= np.logical_and.reduce([results[check].outcome == OK for check in MUST_BE_OK])
    discharging = POSITION["relief-discharging"]
    found.append(_lines(alone & sound, discharging, discharging, OWN_CAUSE))
    found.append(_lines(alone & ~sound, -1, discharging, NOT_TOLD))
    columns = [np.concatenate(parts) for parts in zip(*found, strict=True)]
    return Links(*columns), active


def _no_roots(results, deficient):
    """Where a check that is a root elsewhere is none.

    A lost cushion that may as well be an over-charge is none, and where the diaphragm is holed that is the
    root; the charge of such a tank says nothing.
    """
    holed = deficient["tank-diaphragm-failed"]
    maybe = results["tank-cushion-lost"].reason == why(
        "cushion lost or over-charged: check the charge at zero pressure"
    )
    return {"tank-cushion-lost": maybe | holed, "precharge-low": holed, "precharge-high": holed}


def _lines(where, root, symptom, note, after=None):
    """Columns of Links for the rows where a root and a symptom go together."""
    rows = np.flatnonzero(where)
    same = (np.full(len(rows), position, np.int8) for position in (root, symptom, note))
    after = np.nan if after is None else after[rows]
    return rows, *same, np.where(np.isfinite(after), after, np.full(len(rows), np.nan))


assert all(check in BY_ID for link in LINKS for check in link)
