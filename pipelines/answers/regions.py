"""Regions: where which deficiency stands open, and tank charges against elevation."""

import numpy as np
import pandas as pd

from pipelines.answers.access import Filters, Viewer, where
from pipelines.answers.contents import limit
from pipelines.audit import chance
from pipelines.engine.codes import quoted
from pipelines.engine.history import OPEN_STATES, STATES
from pipelines.fleet.snapshots import Snapshot

VERIFIED = ", ".join(quoted(text) for text in (*(STATES[state] for state in OPEN_STATES), "ok", "corrected"))
ELEVATION_STEP_FT, CHARGE_STEP_PSI = 250, 0.5
MOST_MARKS = 1_900


def shares(viewer: Viewer, snapshot: Snapshot, filters: Filters, stage: str) -> pd.DataFrame:
    """Per region and check, how many systems were verified, are deficient at a stage, were not verified."""
    condition, params = where(viewer, filters, homes="t")
    return snapshot.query(
        f"""
        SELECT *
        FROM (
            SELECT coalesce(t.region, '') AS region, t.check_id,
                   coalesce(sum(systems) FILTER (state IN ({VERIFIED})), 0)::BIGINT AS verified,
                   coalesce(sum(systems) FILTER (stage = ?), 0)::BIGINT AS deficient,
                   coalesce(sum(systems) FILTER (state = 'not verified'), 0)::BIGINT AS not_verified
            FROM tally AS t
            WHERE {condition}
            GROUP BY ALL)
        ORDER BY lower(region), check_id""",
        [stage, *params],
    )


def apart(viewer: Viewer, snapshot: Snapshot, filters: Filters, stage: str) -> pd.DataFrame:
    """The rows of `shares` with what they are held against: the other regions, by chance alone.

    Added are low95 and high95 (Wilson's limits of the share), of_all (the share of all regions together),
    everywhere (systems deficient in all of them) and beyond: `more`, `fewer` or None, as the share of false
    discoveries that the policy allows, over all regions and checks, sets it.
    """
    found = shares(viewer, snapshot, filters, stage)
    bad, of = found["deficient"].to_numpy(), found["verified"].to_numpy()
    sums = found.groupby("check_id")[["deficient", "verified"]].transform("sum")
    all_bad, all_of = sums["deficient"].to_numpy(), sums["verified"].to_numpy()
    p = chance.adjusted(chance.apart_from_others(bad, of, all_bad - bad, all_of - of))
    low, high = chance.wilson_interval(bad, of)
    sure = p <= limit(viewer, snapshot, "false_discoveries")
    side = np.where(bad * all_of > all_bad * of, "more", "fewer")
    return found.assign(
        low95=low,
        high95=high,
        of_all=np.divide(all_bad, all_of, out=np.zeros(len(found)), where=all_of > 0),
        everywhere=all_bad,
        beyond=pd.Series(side, found.index, dtype=object).where(sure, None),
    )


def charges(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> tuple[pd.DataFrame, pd.DataFrame, int]:
    """Trusted tank charges against recorded elevation.

    Returned are their counts in bins (elevation_ft, charge_psig, inspections); points of the curve of a
    charge set at sea level (elevation_ft, charge_psig), of inspections at their elevations; and how many
    trusted charges stay out because their home's elevation is not recorded. Bins grow until there are fewer
    than 2,000.
    """
    condition, params = where(viewer, filters, checks=None)
    charge = f"""
        SELECT r.elevation_ft, c.trusted_charge_psig AS charge_psig, c.sea_level_charge_psig AS curve_psig
        FROM recomputed AS c
        JOIN readings AS r ON r.agency = c.agency AND r.inspection_id = c.inspection_id
        JOIN homes AS h ON h.agency = c.agency AND h.home_id = c.home_id
        WHERE c.trusted_charge_psig IS NOT NULL AND {condition}"""
    for step in (1, 2, 4, 8):
        feet, psi = ELEVATION_STEP_FT * step, CHARGE_STEP_PSI * step
        bins = snapshot.query(
            f"""
            SELECT round(elevation_ft / {feet}) * {feet} AS elevation_ft,
                   round(charge_psig / {psi}) * {psi} AS charge_psig, count(*) AS inspections
            FROM ({charge})
            WHERE elevation_ft IS NOT NULL
            GROUP BY ALL
            ORDER BY 1, 2""",
            params,
        )
        if len(bins) <= MOST_MARKS:
            break
    curve = snapshot.query(
        f"""
        SELECT min(elevation_ft) AS elevation_ft, min(curve_psig) AS charge_psig
        FROM ({charge})
        WHERE elevation_ft IS NOT NULL
        GROUP BY round(elevation_ft / {ELEVATION_STEP_FT})
        ORDER BY 1""",
        params,
    )
    left_out = snapshot.rows(f"SELECT count(*) FROM ({charge}) WHERE elevation_ft IS NULL", params)[0][0]
    return bins, curve, left_out
