"""Frame → Altair chart; no Streamlit, no queries. Every function returns the chart and the same in a sentence.

Shapes and dashes differ as well as colors. Marks stay under 2,000: frames come counted.
"""

import altair as alt
import pandas as pd

from dashboard import wording

INK, SOFT, LINE, BLUE, RUST = "#1c2329", "#4f5860", "#d9d5ca", "#0072b2", "#a53f04"
FONT = "Source Sans, sans-serif"


def charge_against_elevation(bins: pd.DataFrame, curve: pd.DataFrame, fill_psig: float):
    """Tank charges in bins of elevation and pressure, with the fill pressure and the charge a sea-level setting shows there.

    `bins`: elevation_ft, charge_psig, inspections. `curve`: elevation_ft, charge_psig, in order of elevation.
    """
    high = max(1000.0, float(bins["elevation_ft"].max()), float(curve["elevation_ft"].max())) + 250
    x = alt.X(
        "elevation_ft:Q",
        title="Elevation above sea level, ft",
        scale=alt.Scale(domain=[min(0.0, float(bins["elevation_ft"].min())) - 150, high], nice=False),
        axis=alt.Axis(format=",d"),
    )
    top = max(float(bins["charge_psig"].max()), float(curve["charge_psig"].max())) + 1.0
    y = alt.Y(
        "charge_psig:Q", title="Tank charge at 60 °F, psi gauge", scale=alt.Scale(domain=[0, top], nice=False)
    )
    dots = (
        alt.Chart(bins)
        .mark_circle(color=BLUE, opacity=0.55, stroke=INK, strokeWidth=0.3)
        .encode(
            x=x,
            y=y,
            size=alt.Size(
                "inspections:Q",
                title="Inspections",
                scale=alt.Scale(range=[12, 420]),
                legend=alt.Legend(
                    orient="right",
                    symbolFillColor=BLUE,
                    values=_round_counts(int(bins["inspections"].max())),
                    format=",d",
                ),
            ),
            tooltip=[
                alt.Tooltip("elevation_ft:Q", title="Elevation, ft", format=",.0f"),
                alt.Tooltip("charge_psig:Q", title="Charge, psi", format=".1f"),
                alt.Tooltip("inspections:Q", title="Inspections", format=",d"),
            ],
        )
    )
    ends = pd.DataFrame({"elevation_ft": [0.0, high], "charge_psig": [fill_psig, fill_psig]})
    fill = alt.Chart(ends).mark_line(color=INK, strokeWidth=1.5).encode(x=x, y=y)
    shifted = alt.Chart(curve).mark_line(color=RUST, strokeWidth=2, strokeDash=[7, 4]).encode(x=x, y=y)
    names = pd.DataFrame(
        {"elevation_ft": [high], "charge_psig": [fill_psig], "said": [f"fill pressure, {fill_psig:.0f} psi"]}
    )
    name_fill = (
        alt.Chart(names)
        .mark_text(align="right", baseline="top", dy=7, dx=-4, color=INK, fontSize=12, font=FONT)
        .encode(x=x, y=y, text="said:N")
    )
    last = curve.tail(1).assign(said=f"{fill_psig:.0f} psi set at sea level")
    name_curve = (
        alt.Chart(last)
        .mark_text(align="right", baseline="bottom", dy=-6, color=RUST, fontSize=12, font=FONT)
        .encode(x=x, y=y, text="said:N")
    )
    chart = _quiet(alt.layer(dots, fill, shifted, name_fill, name_curve).properties(height=330))
    above = int(bins.loc[bins["charge_psig"] > fill_psig + 2, "inspections"].sum())
    words = (
        f"Tank charge against elevation, {wording.plural(int(bins['inspections'].sum()), 'inspection')} between {bins['elevation_ft'].min():,.0f} and {bins['elevation_ft'].max():,.0f} feet. "
        f"{above:,} of them lie more than 2 psi above the fill pressure of {fill_psig:.0f} psi. A charge set to {fill_psig:.0f} psi at sea level would show "
        f"{curve['charge_psig'].iloc[-1]:.1f} psi at {curve['elevation_ft'].iloc[-1]:,.0f} feet."
    )
    return chart, words


def _round_counts(most):
    """1 and one or two round counts up to the largest, for the legend of areas."""
    tens = 10 ** (len(str(most)) - 1)
    return sorted({1, max(1, most // tens * tens // 4), most // tens * tens})


def crew_intervals(frame: pd.DataFrame, title: str):
    """Share deficient per crew with its exact 95 % interval, in the order of the frame; open marks under 10 units.

    `frame`: agency, crew, rate, low95, high95, visits, observed.
    """
    shown = frame[frame["visits"] > 0]
    shown = shown.assign(
        name=shown["crew"] + ", " + shown["agency"],
        size=(shown["visits"] < 10).map({True: "under 10 units", False: "10 units or more"}),
    )
    order = list(shown["name"])
    y = alt.Y(
        "name:N", sort=order, title=None, axis=alt.Axis(labelLimit=320, ticks=False, domain=False, offset=10)
    )

    def x(name):
        return alt.X(
            name,
            title="Share of verified units that were deficient",
            axis=alt.Axis(format=".0%", tickCount=6),
            scale=alt.Scale(domain=[0, max(0.1, float(shown["high95"].max()))], nice=True),
        )

    bars = alt.Chart(shown).mark_rule(color=SOFT, strokeWidth=2).encode(y=y, x=x("low95:Q"), x2="high95:Q")
    dots = (
        alt.Chart(shown)
        .mark_point(size=70, strokeWidth=2, color=INK)
        .encode(
            y=y,
            x=x("rate:Q"),
            fill=alt.Fill(
                "size:N",
                title=None,
                scale=alt.Scale(domain=["10 units or more", "under 10 units"], range=[BLUE, "#ffffff"]),
                legend=alt.Legend(orient="top", symbolStrokeColor=INK),
            ),
            tooltip=[
                alt.Tooltip("name:N", title="Crew"),
                alt.Tooltip("observed:Q", title="Deficient"),
                alt.Tooltip("visits:Q", title="Verified units"),
                alt.Tooltip("rate:Q", title="Share", format=".1%"),
                alt.Tooltip("low95:Q", title="From", format=".1%"),
                alt.Tooltip("high95:Q", title="To", format=".1%"),
            ],
        )
    )
    chart = _quiet(alt.layer(bars, dots).properties(height=80 + 24 * len(shown)))
    words = (
        f"{title}: "
        + "; ".join(
            f"{row.name} {row.observed} of {row.visits}, {wording.percent(row.low95)} to {wording.percent(row.high95)}"
            for row in shown.itertuples()
        )
        + "."
    )
    return chart, words


def _quiet(chart):
    return (
        chart.configure_view(strokeWidth=0)
        .configure_axis(
            gridColor=LINE,
            domainColor=SOFT,
            tickColor=SOFT,
            labelColor=INK,
            titleColor=INK,
            labelFont=FONT,
            titleFont=FONT,
            labelFontSize=12,
            titleFontSize=12,
            titleFontWeight="normal",
        )
        .configure_legend(
            labelFont=FONT,
            titleFont=FONT,
            labelFontSize=12,
            titleFontSize=12,
            titleFontWeight="normal",
            labelColor=INK,
            titleColor=INK,
        )
    )
