"""Frame → Altair chart; no Streamlit, no queries. Each function returns the chart and the same in a sentence.

Shapes and dashes differ as well as colors. Marks stay under 2,000: frames come counted.
"""

import altair as alt
import pandas as pd

from dashboard import wording

INK, SOFT, LINE, BLUE, RUST = "#1c2329", "#4f5860", "#d9d5ca", "#0072b2", "#a53f04"
FONT = "Source Sans, sans-serif"


def charge_against_elevation(bins: pd.DataFrame, curve: pd.DataFrame, fill_psig: float, tolerance_psi: float):
    """Tank charges in bins of elevation and pressure, with two lines to read them by.

    One is the fill pressure, the other what a charge set at sea level shows. `bins`: elevation_ft,
    charge_psig, inspections. `curve`: elevation_ft, charge_psig, in order of elevation. Charges more than
    `tolerance_psi` above `fill_psig` are counted in the words.
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
    layers = (_bins(bins, x, y), fill, shifted, name_fill, name_curve)
    chart = _quiet(alt.layer(*layers).properties(height=330))
    return chart, _charges_in_words(bins, curve, fill_psig, tolerance_psi)


def _extent(bins, curve):
    """Lowest and highest elevation drawn, and the highest charge."""
    low = min(0.0, float(bins["elevation_ft"].min())) - 150
    high = max(1000.0, float(bins["elevation_ft"].max()), float(curve["elevation_ft"].max())) + 250
    top = max(float(bins["charge_psig"].max()), float(curve["charge_psig"].max())) + 1.0
    return low, high, top


def _bins(bins, x, y):
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
    ]
    dots = alt.Chart(bins).mark_circle(color=BLUE, opacity=0.55, stroke=INK, strokeWidth=0.3)
    return dots.encode(x=x, y=y, size=size, tooltip=tooltip)


def _name_of_line(end, words, x, y, **manner):
    """A line's name in words at its end."""
    text = alt.Chart(end.assign(words=words)).mark_text(align="right", fontSize=12, font=FONT, **manner)
    return text.encode(x=x, y=y, text="words:N")


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


def crew_intervals(frame: pd.DataFrame, few: float, title: str):
    """Share deficient per crew with its exact 95 % interval, in the order of the frame.

    `frame`: agency, crew, rate, own_low95, own_high95, visits, observed. Marks of fewer than `few` units are
    open.
    """
    many_units, few_units = f"{few:.0f} units or more", f"under {few:.0f} units"
    shown = frame[frame["visits"] > 0]
    shown = shown.assign(
        name=shown["crew"] + ", " + shown["agency"],
        size=(shown["visits"] < few).map({True: few_units, False: many_units}),
    )
    y = alt.Y(
        "name:N",
        sort=list(shown["name"]),
        title=None,
        axis=alt.Axis(labelLimit=320, ticks=False, domain=False, offset=10),
    )

    def x(name):
        return alt.X(
            name,
            title="Share of verified units that were deficient",
            axis=alt.Axis(format=".0%", tickCount=6),
            scale=alt.Scale(domain=[0, max(0.1, float(shown["own_high95"].max()))], nice=True),
        )

    fill = alt.Fill(
        "size:N",
        title=None,
        scale=alt.Scale(domain=[many_units, few_units], range=[BLUE, "#ffffff"]),
        legend=alt.Legend(orient="top", symbolStrokeColor=INK),
    )
    tooltip = [
        alt.Tooltip("name:N", title="Crew"),
        alt.Tooltip("observed:Q", title="Deficient"),
        alt.Tooltip("visits:Q", title="Verified units"),
        alt.Tooltip("rate:Q", title="Share", format=".1%"),
        alt.Tooltip("own_low95:Q", title="From", format=".1%"),
        alt.Tooltip("own_high95:Q", title="To", format=".1%"),
    ]
    bars = (
        alt.Chart(shown)
        .mark_rule(color=SOFT, strokeWidth=2)
        .encode(y=y, x=x("own_low95:Q"), x2="own_high95:Q")
    )
    dots = alt.Chart(shown).mark_point(size=70, strokeWidth=2, color=INK)
    dots = dots.encode(y=y, x=x("rate:Q"), fill=fill, tooltip=tooltip)
    chart = _quiet(alt.layer(bars, dots).properties(height=80 + 24 * len(shown)))
    crews = (
        f"{row.name} {row.observed} of {row.visits}, "
        f"{wording.percent(row.own_low95)} to {wording.percent(row.own_high95)}"
        for row in shown.itertuples()
    )
    return chart, f"{title}: {'; '.join(crews)}."


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
