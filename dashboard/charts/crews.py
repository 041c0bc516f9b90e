"""The funnel: a crew or inspector among the others, against what chance alone gives."""

import altair as alt
import pandas as pd

from dashboard import audit_words, wording
from dashboard.charts.theme import BLUE, FONT, INK, RUST, marks, quiet

THIS_ONE, OTHERS, LITTLE_KNOWN = "this one", "others", "too little known"


def funnel(found, marked: str, few: float, title: str):
    """Share deficient against units verified, with the limits of chance about the share of all.

    `found` is an answers.crews.Funnel, `marked` the name that stands out. Marks of fewer than `few` units, or
    of too few readings, are open.
    """
    points = found.points.assign(mark=[_standing_of(row, marked, few) for row in found.points.itertuples()])
    top = min(1.0, 1.12 * max(0.1, float(points["share"].max()), 2.2 * found.rate))
    curves = found.curves.clip(upper=top)
    curves["visits"] = found.curves["visits"]
    x = alt.X(
        "visits:Q",
        title="Units verified",
        axis=alt.Axis(grid=False, tickCount=10),
        scale=alt.Scale(domain=[0, float(curves["visits"].max())], nice=False),
    )

    def y(name):
        return alt.Y(
            name,
            title="Share deficient, put to houses alike",
            axis=alt.Axis(format=".0%", tickCount=6),
            scale=alt.Scale(domain=[0, top], nice=False),
        )

    base = alt.Chart(curves)
    wide = base.mark_area(color="#f1ece0").encode(x=x, y=y("low998:Q"), y2=alt.Y2("high998:Q"))
    narrow = base.mark_area(color="#e2d8c3").encode(x=x, y=y("low95:Q"), y2=alt.Y2("high95:Q"))
    middle = alt.Chart(pd.DataFrame({"rate": [found.rate]})).mark_rule(color=INK, strokeDash=[5, 4])
    tooltip = [
        alt.Tooltip("name:N", title="Name"),
        alt.Tooltip("observed:Q", title="Deficient"),
        alt.Tooltip("visits:Q", title="Verified units"),
        alt.Tooltip("expected:Q", title="Expected", format=".1f"),
        alt.Tooltip("standing:N", title="Standing"),
    ]
    order = [THIS_ONE, OTHERS, LITTLE_KNOWN]
    dots = (
        alt.Chart(points)
        .mark_point(size=90, strokeWidth=2, opacity=1)
        .encode(
            x=x,
            y=y("share:Q"),
            **marks(order, (RUST, BLUE, "#ffffff"), ("diamond", "circle", "circle")),
            tooltip=tooltip,
        )
    )
    named = points[(points["mark"] == THIS_ONE) | points["beyond"].notna()]
    names = (
        alt.Chart(named)
        .mark_text(align="right", dx=-9, fontSize=12, font=FONT, color=INK)
        .encode(x=x, y=y("share:Q"), text=alt.Text("name:N"))
    )
    layers = (wide, narrow, middle.encode(y=y("rate:Q")), dots, names)
    chart = quiet(alt.layer(*layers).properties(height=300))
    every = "; ".join(audit_words.grid_cell(row) for row in points.itertuples())
    return chart, f"{title}. All together {wording.percent(found.rate)}. {every}."


def _standing_of(row, marked, few):
    if row.name == marked:
        return THIS_ONE
    return LITTLE_KNOWN if row.visits < few or row.standing == "not enough readings" else OTHERS
