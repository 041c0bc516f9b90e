"""Bars under their names, longest first, in parts that fill, outline and number tell apart.

A name stands over its bar, so that none is cut where the window is narrow.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import wrap

import altair as alt
import pandas as pd

from dashboard import wording
from dashboard.charts.theme import FONT, INK, quiet

BAR_PX, LINE_PX, BETWEEN_PX = 15, 15, 10
LETTERS_A_LINE = 50  # of a name: what a window of 390 pixels holds
LEAST_NUMBERED = 0.03  # of the longest bar: what a part needs for its number to stand in it


@dataclass(frozen=True)
class Part:
    """How a part of a bar looks: fill, outline with its weight and dashes, and the ink of its number."""

    name: str
    fill: str
    outline: str
    weight: float = 1.0
    dashes: tuple[int, int] = (1, 0)
    ink: str = INK


# As the same words look in tables: the graver, the heavier.
RISKS = (
    Part("act today", "#7a1f12", "#7a1f12", 1.0, ink="#ffffff"),
    Part("high", "#f6dccb", "#b04a05", 2.5),
    Part("serious", "#ffffff", "#b04a05", 1.2),
    Part("medium", "#ffffff", "#6f6a5e", 1.0, (4, 3)),
    Part("low", "#e4dfd3", "#e4dfd3", 1.0),
)


def bars(marks: pd.DataFrame, totals: pd.DataFrame, parts: Sequence[Part], axis: str) -> alt.LayerChart:
    """A bar for each name of `totals`, in its order, made of its `marks`.

    `marks`: name, part, count, address, said (the mark in words). `totals`: name, count, address, said; the
    number at a bar's end. `axis` says what lengths count.
    """
    order = [part.name for part in parts]
    drawn = marks[marks["count"] > 0].assign(at=lambda frame: frame["part"].map(order.index))
    drawn = drawn.sort_values("at", kind="stable")
    drawn["end"] = drawn.groupby("name")["count"].cumsum()
    drawn["start"] = drawn["end"] - drawn["count"]
    drawn["middle"] = (drawn["start"] + drawn["end"]) / 2
    longest = max(1.0, float(drawn.groupby("name")["end"].max().max()))
    ends = drawn.groupby("name")["end"].max()
    totals = totals.assign(
        end=totals["name"].map(ends).fillna(0.0),
        label=["\n".join(wrap(name, LETTERS_A_LINE)) for name in totals["name"]],
        words=[f"{count:,}" for count in totals["count"]],
    )
    of_lines = 1 + totals["label"].str.count("\n")
    step = BAR_PX + LINE_PX * int(of_lines.max()) + BETWEEN_PX
    below = (step - BAR_PX) / 2 - 2
    y = alt.Y("name:N", sort=list(totals["name"]), axis=None, scale=alt.Scale(padding=0))
    x = alt.X(
        "start:Q",
        title=axis,
        scale=alt.Scale(domain=[0, longest * 1.1], nice=False),
        axis=alt.Axis(format=",d", tickMinStep=1, tickCount=5, grid=True),
    )
    bodies = (
        alt.Chart(drawn)
        .mark_bar(size=BAR_PX, yOffset=below, fillOpacity=1, cursor="pointer")
        .encode(
            y=y,
            x=x,
            x2=alt.X2("end:Q"),
            href=alt.Href("address:N"),
            tooltip=alt.Tooltip("said:N", title=" "),
            description=alt.Description("said:N"),
            **looks(parts),
        )
    )
    wide = drawn[drawn["count"] >= LEAST_NUMBERED * longest].assign(
        words=lambda frame: [f"{count:,}" for count in frame["count"]]
    )
    inks = alt.Scale(domain=order, range=[part.ink for part in parts])
    numbers = (
        alt.Chart(wide)
        .mark_text(fontSize=12, font=FONT, yOffset=below, baseline="middle", cursor="pointer")
        .encode(
            y=y,
            x=alt.X("middle:Q", title=axis),
            text=alt.Text("words:N"),
            href=alt.Href("address:N"),
            description=alt.Description("said:N"),
            color=alt.Color("part:N", scale=inks, legend=None),
        )
    )
    named = alt.Chart(totals).encode(y=y, href=alt.Href("address:N"), description=alt.Description("said:N"))
    names = [_names(named, part, lines, below) for lines, part in totals.groupby(of_lines)]
    sums = named.mark_text(
        align="left",
        baseline="middle",
        dx=6,
        fontSize=12,
        font=FONT,
        color=INK,
        fontWeight=600,
        yOffset=below,
    ).encode(x=alt.X("end:Q", title=axis), text=alt.Text("words:N"))
    return quiet(alt.layer(bodies, numbers, *names, sums).properties(height=alt.Step(step)))


def _names(named, totals, lines, below):
    """Names of so many lines, the last of them just over the bar."""
    text = named.mark_text(
        align="left",
        baseline="middle",
        fontSize=13,
        font=FONT,
        color=INK,
        lineBreak="\n",
        lineHeight=LINE_PX,
        yOffset=below - (BAR_PX + LINE_PX) / 2 - 1 - LINE_PX * (lines - 1),
        cursor="pointer",
    )
    return text.encode(x=alt.XValue(0), text=alt.Text("label:N")).properties(data=totals)


def looks(parts: Sequence[Part]) -> dict:
    """Channels that tell parts apart by fill, outline, its weight and its dashes, with one legend."""
    order = [part.name for part in parts]
    longest = max(map(len, order))
    side_by_side = 3 if longest < 10 else 2 if longest < 22 else 1  # as many as a window of 390 pixels holds
    legend = alt.Legend(
        orient="top", columns=side_by_side, symbolType="square", symbolSize=180, labelLimit=0, symbolOffset=2
    )

    def of(kind, values):
        return kind("part:N", title=None, legend=legend, scale=alt.Scale(domain=order, range=list(values)))

    return {
        "fill": of(alt.Fill, (part.fill for part in parts)),
        "stroke": of(alt.Stroke, (part.outline for part in parts)),
        "strokeWidth": of(alt.StrokeWidth, (part.weight for part in parts)),
        "strokeDash": of(alt.StrokeDash, (list(part.dashes) for part in parts)),
    }


def at_most(totals: pd.DataFrame, most: int, one: str, many: str) -> tuple[pd.DataFrame, str]:
    """The first rows, and a sentence for the rest where there is one."""
    rest = totals.iloc[most:]
    if rest.empty:
        return totals, ""
    more = wording.plural(len(rest), f"more {one}", f"more {many}")
    return totals.iloc[:most], f" {more} with {int(rest['count'].sum()):,} together: see the table."
