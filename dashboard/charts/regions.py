"""Shares of regions beside the share of all, a row of marks for each deficiency."""

from collections.abc import Callable
from textwrap import wrap

import altair as alt
import numpy as np
import pandas as pd

from dashboard import wording
from dashboard.charts.bars import LETTERS_A_LINE, LINE_PX
from dashboard.charts.theme import AXIS_PX, FONT, INK, ROW_OF_LEGEND_PX, RUST, SOFT, quiet

SHAPES = ("circle", "square", "triangle-up", "diamond", "triangle-down", "cross", "triangle-right")
MOST_CHECKS, MOST_REGIONS = 10, len(SHAPES)
LANE_PX, BETWEEN_PX = 11, 12
USUAL, FEW = 0.93, 30  # the share of intervals that fit, of regions with so many verified
WITHIN, BEYOND = "as the others, or not told apart from them", "apart from the others beyond chance"
AXIS = "Share with it open; upright line: all together"


def by_region(found: pd.DataFrame, titles: dict[str, str], stage: str, address: Callable[[str, str], str]):
    """The commonest deficiencies, each with the share of all, and a mark with its interval for each region.

    `found` is answers.regions.apart; `address(check, region)` leads to the homes. A mark is filled where the
    region stands apart from the others, and its name beside it.
    """
    checks = _commonest(found)
    seen = found.groupby("region")["verified"].sum().sort_values(ascending=False, kind="stable")
    regions = sorted(seen.index[:MOST_REGIONS], key=lambda region: (not region, region.lower()))
    drawn = found[found["check_id"].isin(checks) & found["region"].isin(regions) & (found["verified"] > 0)]
    titled = [wrap(titles[check], LETTERS_A_LINE) for check in checks]
    tops, height = {}, 0.0
    for check, lines in zip(checks, titled, strict=True):
        tops[check] = height
        height += LINE_PX * len(lines) + LANE_PX * len(regions) + BETWEEN_PX
    under = {check: LINE_PX * len(lines) + 4 for check, lines in zip(checks, titled, strict=True)}
    drawn = drawn.assign(
        share=drawn["deficient"] / drawn["verified"],
        name=[_called(region) for region in drawn["region"]],
        at=[
            tops[row.check_id] + under[row.check_id] + LANE_PX * (regions.index(row.region) + 0.5)
            for row in drawn.itertuples()
        ],
        apart=np.where(drawn["beyond"].notna(), BEYOND, WITHIN),
        address=[
            address(check, region) if bad else ""
            for check, region, bad in zip(drawn["check_id"], drawn["region"], drawn["deficient"], strict=True)
        ],
        said=[_said(row, titles) for row in drawn.itertuples()],
    )
    usual = drawn.loc[drawn["verified"] >= FEW, "high95"].quantile(USUAL)
    top = min(1.0, 1.1 * max(0.05, 0.0 if pd.isna(usual) else float(usual)))
    # What lies further out stands at the edge, with its share beside it.
    drawn["beside"] = [_beside(row, top) for row in drawn.itertuples()]
    for name, of in (("high", "high95"), ("low", "low95"), ("share", "share")):
        drawn[name] = drawn[of].clip(upper=top)
    rows = pd.DataFrame(
        {
            "label": ["\n".join(lines) for lines in titled],
            "at": [tops[check] + LINE_PX / 2 for check in checks],
            "from": [tops[check] + under[check] for check in checks],
            "to": [tops[check] + under[check] + LANE_PX * len(regions) for check in checks],
            "of_all": [min(top, _of_all(found, check)) for check in checks],
        }
    )
    chart = _drawing(drawn, rows, [_called(region) for region in regions], top, height)
    return chart, _in_words(found, drawn, checks, regions, titles, stage)


def _beside(row, top):
    """What stands beside a mark: its name where it is apart, and its share where that lies further out."""
    if row.share > top:
        return f"{row.name}, {wording.percent(row.share)} →"
    return row.name if row.apart == BEYOND else ""


def _commonest(found):
    """Ids of the checks that most systems have open, the commonest first."""
    most = found.groupby("check_id", sort=False)["everywhere"].first()
    most = most[most > 0].sort_values(ascending=False, kind="stable")
    return list(most.index[:MOST_CHECKS])


def _called(region):
    return region or "region not recorded"


def _of_all(found, check):
    return float(found.loc[found["check_id"] == check, "of_all"].iloc[0])


def _said(row, titles):
    beyond = f", {row.beyond} than elsewhere beyond chance" if isinstance(row.beyond, str) else ""
    return (
        f"{titles[row.check_id]}, {_called(row.region)}: {wording.percent(row.deficient / row.verified)}, "
        f"{row.deficient:,} of {row.verified:,} verified, 95 % interval {wording.percent(row.low95)} to "
        f"{wording.percent(row.high95)}{beyond}"
    )


def _drawing(drawn, rows, names, top, height):
    x = alt.X(
        "share:Q",
        title=AXIS,
        scale=alt.Scale(domain=[0, top], nice=False),
        axis=alt.Axis(format=".0%", tickCount=6),
    )

    def y_of(name):
        return alt.Y(name, axis=None, scale=alt.Scale(domain=[height, 0], nice=False))

    y = y_of("at:Q")
    legend = alt.Legend(
        orient="top", columns=2, labelLimit=0, symbolFillColor="#ffffff", symbolStrokeColor=INK
    )
    of_all = (
        alt.Chart(rows)
        .mark_rule(color=INK, strokeWidth=1.5)
        .encode(x=alt.X("of_all:Q", title=AXIS), y=y_of("from:Q"), y2=alt.Y2("to:Q"))
    )
    base = alt.Chart(drawn)
    intervals = base.mark_rule(color=SOFT, strokeWidth=1.2).encode(x=alt.X("low:Q"), x2=alt.X2("high:Q"), y=y)
    marks = base.mark_point(size=55, strokeWidth=1.6, opacity=1, cursor="pointer").encode(
        x=x,
        y=y,
        shape=alt.Shape(
            "name:N",
            title=None,
            legend=legend,
            scale=alt.Scale(domain=names, range=list(SHAPES[: len(names)])),
        ),
        fill=alt.Fill(
            "apart:N",
            title=None,
            legend=None,  # the page says it; a second legend is cut where the window is narrow
            scale=alt.Scale(domain=[WITHIN, BEYOND], range=["#ffffff", RUST]),
        ),
        stroke=alt.StrokeValue(INK),
        href=alt.Href("address:N"),
        tooltip=alt.Tooltip("said:N", title=" "),
        description=alt.Description("said:N"),
    )
    titles = (
        alt.Chart(rows)
        .mark_text(
            align="left",
            baseline="middle",
            fontSize=13,
            font=FONT,
            color=INK,
            lineBreak="\n",
            lineHeight=LINE_PX,
            fontWeight=600,
        )
        .encode(x=alt.XValue(0), y=y, text=alt.Text("label:N"))
    )
    layers = [of_all, intervals, marks, titles]
    for right in (True, False):
        part = drawn[(drawn["beside"] != "") & ((drawn["share"] > top / 2) != right)]
        if part.empty:
            continue
        text = alt.Chart(part).mark_text(
            align="left" if right else "right",
            baseline="middle",
            dx=6 if right else -6,
            fontSize=11,
            font=FONT,
            color=INK,
        )
        layers.append(text.encode(x=alt.X("high:Q" if right else "low:Q"), y=y, text=alt.Text("beside:N")))
    return quiet(alt.layer(*layers).properties(height=height + AXIS_PX + 3 * ROW_OF_LEGEND_PX))


def _in_words(found, drawn, checks, regions, titles, stage):
    first = checks[0]
    apart = [_said(row, titles) for row in drawn[drawn["beyond"].notna()].itertuples()]
    beyond = (
        f"Apart from the other regions beyond chance: {'; '.join(apart)}."
        if apart
        else "No region stands apart from the others beyond chance."
    )
    other_checks = int((found.groupby("check_id")["everywhere"].first() > 0).sum()) - len(checks)
    other_regions = found["region"].nunique() - len(regions)
    more = [
        wording.plural(count, f"more {one}", f"more {many}")
        for count, one, many in (
            (other_checks, "deficiency", "deficiencies"),
            (other_regions, "region", "regions"),
        )
        if count > 0
    ]
    rest = f" {' and '.join(more)}: see the table." if more else ""
    return (
        f"Commonest {stage}: {titles[first]}, in {wording.percent(_of_all(found, first))} of verified "
        f"systems. {beyond}{rest}"
    )
