"""A check by month of the final, with the limits of chance and what happened beside it."""

import altair as alt
import numpy as np
import pandas as pd

from dashboard import audit_words, wording
from dashboard.charts.theme import BLUE, FONT, INK, RUST, marks, quiet

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
        return base.encode(x=x("month"), x2=alt.X2("end:T"), y=y(f"low{name}:Q"), y2=alt.Y2(f"high{name}:Q"))

    middle = alt.Chart(pd.DataFrame({"rate": [found.rate]})).mark_rule(color=INK, strokeDash=[5, 4])
    line = (
        alt.Chart(shown)
        .mark_line(color=BLUE, strokeWidth=1.2)
        .encode(x=x("middle"), y=y("share:Q"), detail=alt.Detail("run:N"))
    )
    dots = (
        alt.Chart(shown)
        .mark_point(size=80, strokeWidth=1.5, opacity=1)
        .encode(
            x=x("middle"),
            y=y("share:Q"),
            **marks((ENOUGH, BEYOND, FEW_UNITS), (BLUE, RUST, "#ffffff"), ("circle", "diamond", "circle")),
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
        layers.append(changed.encode(x=x("start"), x2=alt.X2("end:T"), y=y("rate:Q")))
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
        yield base.mark_rule(color=INK, strokeWidth=1.2).encode(y=alt.YValue(top), y2=alt.Y2Value("height"))
        yield base.mark_text(
            align="right" if leftward else "left",
            baseline="top",
            dx=-5 if leftward else 5,
            fontSize=12,
            font=FONT,
            color=INK,
        ).encode(y=alt.YValue(top + 2), text=alt.Text("words:N"))
