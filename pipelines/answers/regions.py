"""Regions: where what stands open, by region, place and elevation, and tank charges against elevation."""

import numpy as np
import pandas as pd
import pyarrow as pa

from pipelines.answers.access import (
    BANDS,
    CHARGES,
    ELEVATIONS,
    Filters,
    Viewer,
    charge_called,
    names_there,
    where,
)
from pipelines.answers.contents import limit
from pipelines.audit import chance
from pipelines.engine.codes import quoted
from pipelines.engine.history import OPEN_STATES, STATES
from pipelines.engine.policy.policy import LEVELS
from pipelines.fleet.snapshots import Snapshot
from pipelines.intake.cells import folded
from pipelines.snapshot.places import coordinates_of

VERIFIED = ", ".join(quoted(text) for text in (*(STATES[state] for state in OPEN_STATES), "ok", "corrected"))
ELEVATION_STEP_FT, CHARGE_STEP_PSI = 250, 0.5
MOST_MARKS = 1_900
# Where postal codes lie: agency, place (the code without case), latitude and longitude in degrees.
LOCATED = pa.schema(
    [("agency", pa.string()), ("place", pa.string()), ("latitude", pa.float64()), ("longitude", pa.float64())]
)
RISKS = {f"risk{position}": risk for position, risk in enumerate(LEVELS)}


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


def open_by_place(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> pd.DataFrame:
    """Homes with something open by agency, region and band of elevation, most first.

    Columns: agency, region, elevation (one of BANDS; both empty where it is not known), homes, risk0 and so
    on (those whose gravest deficiency is of that risk), latitude and longitude: the middle of their postal
    codes, NaN where places.csv has no coordinates of any, or the viewer may not know them.
    """
    condition, params = where(viewer, filters, checks=None)
    by_risk = ", ".join(f"count(*) FILTER (risk = {quoted(risk)}) AS {name}" for name, risk in RISKS.items())
    return snapshot.query(
        f"""
        WITH waiting AS (
            SELECT h.agency, h.home_id, coalesce(h.region, '') AS region,
                   coalesce(e.elevation, '') AS elevation, h.risk
            FROM homes AS h
            LEFT JOIN ({ELEVATIONS}) AS e ON e.agency = h.agency AND e.home_id = h.home_id
            WHERE h.risk IS NOT NULL AND {condition}),
        lying AS (
            SELECT r.agency, r.home_id, avg(l.latitude) AS latitude, avg(l.longitude) AS longitude
            FROM readings AS r
            JOIN located AS l ON l.agency = r.agency AND l.place = lower(r.postal_code)
            GROUP BY ALL)
        SELECT agency, region, elevation, count(*) AS homes, {by_risk},
               round(avg(latitude), 4) AS latitude, round(avg(longitude), 4) AS longitude
        FROM waiting
        LEFT JOIN lying USING (agency, home_id)
        GROUP BY agency, region, elevation
        ORDER BY homes DESC, agency, region, list_position({list(BANDS)}, elevation)""",
        params,
        located=_located(viewer, snapshot),
    )


def _located(viewer: Viewer, snapshot: Snapshot) -> pa.Table:
    """The rows of LOCATED that the viewer may know; a line of an agency goes before one for every agency."""
    found = coordinates_of(snapshot) if viewer.personal else {}
    rows = []
    for agency in names_there(viewer, snapshot, "agency") if found else ():
        own = {
            place: at for whose in ("", folded(agency)) for (of, place), at in found.items() if of == whose
        }
        rows += [
            {"agency": agency, "place": place, "latitude": latitude, "longitude": longitude}
            for place, (latitude, longitude) in own.items()
        ]
    return pa.Table.from_pylist(rows, LOCATED)


def charges(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> tuple[pd.DataFrame, pd.DataFrame, int]:
    """Trusted tank charges against recorded elevation.

    Returned are their counts in bins (elevation_ft, charge_psig, inspections, homes, and `charge`, what the
    filter calls these homes); points of the curve of a charge set at sea level (elevation_ft, charge_psig),
    of inspections at their elevations; and how many trusted charges stay out because their home's elevation
    is not recorded. Bins grow until there are fewer than 2,000.
    """
    condition, params = where(viewer, filters, checks=None)
    charge = f"""
        SELECT h.rowid AS home, c.*
        FROM ({CHARGES}) AS c
        JOIN homes AS h ON h.agency = c.agency AND h.home_id = c.home_id
        WHERE {condition}"""
    for step in (1, 2, 4, 8):
        feet, psi = ELEVATION_STEP_FT * step, CHARGE_STEP_PSI * step
        bins = snapshot.query(
            f"""
            SELECT round(elevation_ft / {feet}) * {feet} AS elevation_ft,
                   round(charge_psig / {psi}) * {psi} AS charge_psig, count(*) AS inspections,
                   count(DISTINCT home) AS homes
            FROM ({charge})
            WHERE elevation_ft IS NOT NULL
            GROUP BY ALL
            ORDER BY 1, 2""",
            params,
        )
        if len(bins) <= MOST_MARKS:
            break
    bins["charge"] = [
        charge_called(psig, elevation, psi, feet)
        for psig, elevation in zip(bins["charge_psig"], bins["elevation_ft"], strict=True)
    ]
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
