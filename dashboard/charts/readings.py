"""Charts of readings: tank charges against elevation, and certainty against what came."""

from collections.abc import Callable

import altair as alt
import pandas as pd

from dashboard import audit_words, wording
from dashboard.charts.theme import BLUE, FONT, INK, RUST, SOFT, quiet


def charge_against_elevation(
    bins: pd.DataFrame,
    curve: pd.DataFrame,
    fill_psig: float,
    tolerance_psi: float,
    address: Callable[[str], str],
):
    """Tank charges in bins of elevation and pressure, with two lines to read them by.

    One is the fill pressure, the other what a charge set at sea level shows. `bins`: elevation_ft,
    charge_psig, inspections, homes, charge. `curve`: elevation_ft, charge_psig, in order of elevation.
    `address(charge)` leads to the homes of a bin. Charges more than `tolerance_psi` above `fill_psig` are
    counted in the words.
    """
    low, high, top = _extent(bins, curve)
    x = alt.X(
        "elevation_ft:Q",
        title="Elevation above sea level, ft",
        scale=alt.Scale(domain=[low, high], nice=False),
        axis=alt.Axis(format=",d"),
    )
    y = alt.Y(
        "charge_psig:Q",
        title="Tank charge at 60 °F, psi gauge",
        scale=alt.Scale(domain=[0, top], nice=False),
    )
    ends = pd.DataFrame({"elevation_ft": [0.0, high], "charge_psig": [fill_psig, fill_psig]})
    fill = alt.Chart(ends).mark_line(color=INK, strokeWidth=1.5).encode(x=x, y=y)
    shifted = alt.Chart(curve).mark_line(color=RUST, strokeWidth=2, strokeDash=[7, 4]).encode(x=x, y=y)
    name_fill = _name_of_line(
        ends.tail(1), f"fill pressure, {fill_psig:.0f} psi", x, y, baseline="top", dy=7, dx=-4, color=INK
    )
    name_curve = _name_of_line(
        curve.tail(1), f"{fill_psig:.0f} psi set at sea level", x, y, baseline="bottom", dy=-6, color=RUST
    )
    layers = (_bins(bins, x, y, address), fill, shifted, name_fill, name_curve)
    chart = quiet(alt.layer(*layers).properties(height=330))
    return chart, _charges_in_words(bins, curve, fill_psig, tolerance_psi)


def _extent(bins, curve):
    """Lowest and highest elevation drawn, and the highest charge."""
    low = min(0.0, float(bins["elevation_ft"].min())) - 150
    high = max(1000.0, float(bins["elevation_ft"].max()), float(curve["elevation_ft"].max())) + 250
    top = max(float(bins["charge_psig"].max()), float(curve["charge_psig"].max())) + 1.0
    return low, high, top


def _bins(bins, x, y, address):
    size = alt.Size(
        "inspections:Q",
        title="Inspections",
        scale=alt.Scale(range=[12, 420]),
        legend=alt.Legend(
            orient="right",
            symbolFillColor=BLUE,
            values=_round_counts(int(bins["inspections"].max())),
            format=",d",
        ),
    )
    tooltip = [
        alt.Tooltip("elevation_ft:Q", title="Elevation, ft", format=",.0f"),
        alt.Tooltip("charge_psig:Q", title="Charge, psi", format=".1f"),
        alt.Tooltip("inspections:Q", title="Inspections", format=",d"),
        alt.Tooltip("homes:Q", title="Homes", format=",d"),
    ]
    drawn = bins.assign(
        address=[address(charge) for charge in bins["charge"]],
        said=[
            f"{row.charge_psig:g} psi at {row.elevation_ft:,.0f} feet: "
            f"{wording.plural(row.inspections, 'inspection')} of {wording.plural(row.homes, 'home')}"
            for row in bins.itertuples()
        ],
    )
    dots = alt.Chart(drawn).mark_circle(
        color=BLUE, opacity=0.55, stroke=INK, strokeWidth=0.3, cursor="pointer"
    )
    return dots.encode(
        x=x,
        y=y,
        size=size,
        tooltip=tooltip,
        href=alt.Href("address:N"),
        description=alt.Description("said:N"),
    )


def _name_of_line(end, words, x, y, **manner):
    """A line's name in words at its end."""
    text = alt.Chart(end.assign(words=words)).mark_text(align="right", fontSize=12, font=FONT, **manner)
    return text.encode(x=x, y=y, text=alt.Text("words:N"))


def _charges_in_words(bins, curve, fill_psig, tolerance_psi):
    inspections = wording.plural(int(bins["inspections"].sum()), "inspection")
    lowest, highest = bins["elevation_ft"].min(), bins["elevation_ft"].max()
    above = int(bins.loc[bins["charge_psig"] > fill_psig + tolerance_psi, "inspections"].sum())
    end = curve.iloc[-1]
    return (
        f"Tank charge against elevation, {inspections} between {lowest:,.0f} and {highest:,.0f} feet. "
        f"{above:,} of them lie more than {tolerance_psi:g} psi above the fill pressure of {fill_psig:.0f} "
        "psi. "
        f"A charge set to {fill_psig:.0f} psi at sea level would show {end['charge_psig']:.1f} psi at "
        f"{end['elevation_ft']:,.0f} feet."
    )


def _round_counts(most):
    """1 and one or two round counts up to the largest, for the legend of areas."""
    tens = 10 ** (len(str(most)) - 1)
    return sorted({1, max(1, most // tens * tens // 4), most // tens * tens})


def reliability(tenths: pd.DataFrame):
    """Share borne out by the next visit for each tenth of certainty, with its interval, beside the expected.

    `tenths`: the rows of `calibration` that have results.
    """
    shown = tenths.assign(
        tenth=[audit_words.tenth(row) for row in tenths.itertuples()],
        share=tenths["borne_out"] / tenths["results"],
        due=tenths["expected"] / tenths["results"],
    )
    x = alt.X("tenth:N", title="Certainty stated", sort=None, axis=alt.Axis(labelAngle=0))

    def y(name):
        return alt.Y(
            name,
            title="Share borne out",
            axis=alt.Axis(format=".0%", tickCount=6),
            scale=alt.Scale(domain=[0, 1], nice=False),
        )

    tooltip = [
        alt.Tooltip("tenth:N", title="Certainty"),
        alt.Tooltip("results:Q", title="Results", format=",d"),
        alt.Tooltip("share:Q", title="Borne out", format=".1%"),
        alt.Tooltip("due:Q", title="Expected", format=".1%"),
    ]
    base = alt.Chart(shown)
    bars = base.mark_rule(color=SOFT, strokeWidth=2).encode(x=x, y=y("low95:Q"), y2=alt.Y2("high95:Q"))
    dots = base.mark_point(size=70, filled=True, color=BLUE).encode(x=x, y=y("share:Q"), tooltip=tooltip)
    due = base.mark_tick(color=RUST, thickness=3, size=34).encode(x=x, y=y("due:Q"), tooltip=tooltip)
    said = "; ".join(
        f"{row.tenth} {wording.percent(row.share)}, expected {wording.percent(row.due)}"
        for row in shown.itertuples()
    )
    chart = quiet(alt.layer(bars, due, dots).properties(height=240))
    return chart, (
        f"Share of outcomes that the next visit bore out, by certainty: {said}. They rest on "
        f"{wording.plural(int(shown['results'].sum()), 'outcome')}, each of one check at one visit and the "
        "next; these are counted only, so that no mark leads to homes."
    )
