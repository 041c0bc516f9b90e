"""Frame → Altair chart; no Streamlit, no queries. Each function returns the chart and the same in a sentence.

Shapes and dashes differ as well as colors. Marks stay under 2,000: frames come counted.
"""

import altair as alt
import numpy as np
import pandas as pd

from dashboard import audit_words, wording

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
    chart = quiet(alt.layer(*layers).properties(height=330))
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
    bars = base.mark_rule(color=SOFT, strokeWidth=2).encode(x=x, y=y("low95:Q"), y2="high95:Q")
    dots = base.mark_point(size=70, filled=True, color=BLUE).encode(x=x, y=y("share:Q"), tooltip=tooltip)
    due = base.mark_tick(color=RUST, thickness=3, size=34).encode(x=x, y=y("due:Q"), tooltip=tooltip)
    said = "; ".join(
        f"{row.tenth} {wording.percent(row.share)}, expected {wording.percent(row.due)}"
        for row in shown.itertuples()
    )
    chart = quiet(alt.layer(bars, due, dots).properties(height=240))
    return chart, f"Share of outcomes that the next visit bore out, by certainty: {said}."


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
    wide = base.mark_area(color="#f1ece0").encode(x=x, y=y("low998:Q"), y2="high998:Q")
    narrow = base.mark_area(color="#e2d8c3").encode(x=x, y=y("low95:Q"), y2="high95:Q")
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
            **_marks(order, (RUST, BLUE, "#ffffff"), ("diamond", "circle", "circle")),
            tooltip=tooltip,
        )
    )
    named = points[(points["mark"] == THIS_ONE) | points["beyond"].notna()]
    names = (
        alt.Chart(named)
        .mark_text(align="right", dx=-9, fontSize=12, font=FONT, color=INK)
        .encode(x=x, y=y("share:Q"), text="name:N")
    )
    layers = (wide, narrow, middle.encode(y=y("rate:Q")), dots, names)
    chart = quiet(alt.layer(*layers).properties(height=300))
    every = "; ".join(audit_words.grid_cell(row) for row in points.itertuples())
    return chart, f"{title}. All together {wording.percent(found.rate)}. {every}."


def _marks(order, colors, shapes):
    """Channels that tell marks apart by fill and shape, with one legend for both."""
    legend = alt.Legend(orient="top", symbolOpacity=1)

    def scale(values):
        return alt.Scale(domain=list(order), range=list(values))

    # The outline says nothing, but in the legend an open mark has one only if it is a channel, too.
    return {
        "fill": alt.Fill("mark:N", title=None, scale=scale(colors), legend=legend),
        "shape": alt.Shape("mark:N", title=None, scale=scale(shapes), legend=legend),
        "stroke": alt.Stroke("mark:N", title=None, scale=scale([INK] * len(order)), legend=legend),
    }


def _standing_of(row, marked, few):
    if row.name == marked:
        return THIS_ONE
    return LITTLE_KNOWN if row.visits < few or row.standing == "not enough readings" else OTHERS


ENOUGH, FEW_UNITS, BEYOND = "within", "few units", "beyond chance"
MONTHS_PX, AROUND_PX = 225, 85  # of the drawing, and of its axis and legend
ROWS_OF_EVENTS, ROW_OF_EVENTS_PX = 4, 16
LETTERS_OF_EVENT, LETTERS_ACROSS = 52, 150  # about so many stand side by side in the width of a page


def over_time(found, events, few: float, title: str, agency: str):
    """Share deficient by month of the final, with the limits of chance about the share in the long run.

    `found` is an answers.over_time.OverTime, `events` those of answers.events that fall in its months, in
    order; they name their agency where `agency` is empty. Months of fewer than `few` units are open, months
    without any leave a gap.
    """
    months = found.months.assign(
        end=found.months["month"] + pd.offsets.MonthBegin(1),
        run=(found.months["verified"] == 0).cumsum(),
        mark=[_mark_of(row, few) for row in found.months.itertuples()],
        said=[audit_words.side(side) for side in found.months["side"]],
        chance=[audit_words.between(row.fewest998, row.most998) for row in found.months.itertuples()],
    )
    months["middle"] = months["month"] + (months["end"] - months["month"]) / 2
    of = months["verified"]
    for name in ("95", "998"):  # half a unit more, so that what is as the limit lies inside
        months[f"low{name}"] = ((months[f"fewest{name}"] - 0.5) / of).clip(lower=0.0)
        months[f"high{name}"] = ((months[f"most{name}"] + 0.5) / of).clip(upper=1.0)
    shown = months[of > 0]
    top = min(1.0, 1.08 * max(0.1, float(shown["share"].max()), float(shown["high998"].median())))
    step = next(one for one in (0.02, 0.05, 0.1, 0.2) if top <= 6 * one)
    steps = int(top / step + 1e-9) + 1
    bands = shown.assign(**{name: shown[name].clip(upper=top) for name in ("high95", "high998")})
    last = months["end"].iloc[-1]
    rows = _rows_of_events(events, months["month"].iloc[0], last, agency)
    room = ROW_OF_EVENTS_PX * (1 + int(rows["row"].max())) if len(rows) else 0
    domain = [alt.DateTime(year=day.year, month=day.month) for day in (months["month"].iloc[0], last)]

    def x(name):
        return alt.X(
            f"{name}:T",
            title="Month of the final",
            axis=alt.Axis(grid=False, format="%b %Y", labelOverlap=True),
            scale=alt.Scale(domain=domain, nice=False),
        )

    def y(name):
        return alt.Y(
            name,
            title="Share deficient",
            axis=alt.Axis(format=".0%", values=[round(step * number, 2) for number in range(11)][:steps]),
            scale=alt.Scale(domain=[0, top * (1 + room / MONTHS_PX)], nice=False),
        )

    def band(name, color):
        base = alt.Chart(bands).mark_rect(color=color, stroke=color)
        return base.encode(x=x("month"), x2="end:T", y=y(f"low{name}:Q"), y2=f"high{name}:Q")

    middle = alt.Chart(pd.DataFrame({"rate": [found.rate]})).mark_rule(color=INK, strokeDash=[5, 4])
    line = (
        alt.Chart(shown)
        .mark_line(color=BLUE, strokeWidth=1.2)
        .encode(x=x("middle"), y=y("share:Q"), detail="run:N")
    )
    dots = (
        alt.Chart(shown)
        .mark_point(size=80, strokeWidth=1.5, opacity=1)
        .encode(
            x=x("middle"),
            y=y("share:Q"),
            **_marks((ENOUGH, BEYOND, FEW_UNITS), (BLUE, RUST, "#ffffff"), ("circle", "diamond", "circle")),
            tooltip=[
                alt.Tooltip("month:T", title="Month", format="%B %Y"),
                alt.Tooltip("deficient:Q", title="Deficient"),
                alt.Tooltip("verified:Q", title="Verified units"),
                alt.Tooltip("chance:N", title="By chance, 998 of 1,000"),
                alt.Tooltip("said:N", title="Lies"),
            ],
        )
    )
    layers = [band("998", "#f1ece0"), band("95", "#e2d8c3"), middle.encode(y=y("rate:Q")), line]
    if found.changed is not None:
        ends = [(found.months["month"].iloc[0], found.changed), (found.changed, last)]
        rates = [part["deficient"].sum() / part["verified"].sum() for part in found.parts()]
        parts = pd.DataFrame(ends, columns=["start", "end"]).assign(rate=rates)
        changed = alt.Chart(parts).mark_rule(color=RUST, strokeWidth=2.5)
        layers.append(changed.encode(x=x("start"), x2="end:T", y=y("rate:Q")))
    layers.append(dots)
    layers += _events(rows, x) if len(rows) else []
    chart = quiet(alt.layer(*layers).properties(height=MONTHS_PX + room + AROUND_PX))
    said = "".join(f" {wording.day(event.day)}, {audit_words.happened(event, agency)}." for event in events)
    return chart, f"{title}, by month. {audit_words.over_time(found, few)}{said}"


def _mark_of(row, few):
    if row.side in ("above", "below"):
        return BEYOND
    return FEW_UNITS if row.verified < few else ENOUGH


def _rows_of_events(events, start, end, agency):
    """Events with the row their words stand in.

    It is below the words that an event's rule would cross, as far as there are rows.
    """
    until, rows = np.zeros(ROWS_OF_EVENTS), []
    for event in events:
        whole = audit_words.happened(event, agency)
        words = wording.cut(whole, LETTERS_OF_EVENT)
        at = (pd.Timestamp(event.day) - start) / (end - start) * LETTERS_ACROSS
        leftward = at + len(words) > LETTERS_ACROSS
        begin = at - len(words) if leftward else at
        taken = np.flatnonzero(until > begin)
        below = int(taken[-1]) + 1 if len(taken) else 0
        row = below if below < ROWS_OF_EVENTS else int(np.argmin(until))
        until[row] = begin + len(words) + 2
        rows.append((pd.Timestamp(event.day), words, whole, row, leftward))
    return pd.DataFrame(rows, columns=["day", "words", "whole", "row", "leftward"])


def _events(rows, x):
    """A rule at the day of each event from its words down, and these beside it."""
    tooltip = [alt.Tooltip("day:T", title="Day", format="%B %d, %Y"), alt.Tooltip("whole:N", title="What")]
    for (row, leftward), part in rows.groupby(["row", "leftward"]):
        base, top = alt.Chart(part).encode(x=x("day"), tooltip=tooltip), ROW_OF_EVENTS_PX * row
        yield base.mark_rule(color=INK, strokeWidth=1.2).encode(y=alt.value(top), y2=alt.value("height"))
        yield base.mark_text(
            align="right" if leftward else "left",
            baseline="top",
            dx=-5 if leftward else 5,
            fontSize=12,
            font=FONT,
            color=INK,
        ).encode(y=alt.value(top + 2), text="words:N")


def quiet(chart):
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
