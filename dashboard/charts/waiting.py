"""What waits: homes by the gravest that is open in them, by month what came and went, agencies by day."""

from collections.abc import Callable
from datetime import date

import altair as alt
import pandas as pd

from dashboard import wording
from dashboard.charts.bars import Part, bars
from dashboard.charts.theme import BLUE, FONT, INK, RUST, SOFT, quiet

STAGES = (
    Part("reported with it open", "#a53f04", "#7a1f12", 1.0, ink="#ffffff"),
    Part("found after reporting", "#f6dccb", "#b04a05", 2.5),
    Part("open after the final", "#ffffff", "#1c2329", 1.2),
    Part("waiting for work", "#f1ece0", "#6f6a5e", 1.2, (4, 3)),
)


def by_gravest(found: pd.DataFrame, levels, address: Callable[..., str]):
    """A bar for each risk, the gravest on top: homes, by the stage of the gravest deficiency open in them.

    `found` is answers.waiting.by_gravest; `address(risk, stage)` leads to the homes, of all stages without.
    """
    marks = pd.DataFrame(
        {
            "name": found["risk"],
            "part": found["stage"],
            "count": found["homes"],
            "address": [address(row.risk, row.stage) for row in found.itertuples()],
            "said": [
                f"{row.risk}: {wording.plural(row.homes, 'home')} {row.stage}" for row in found.itertuples()
            ],
        }
    )
    whole = found.groupby("risk")["homes"].sum()
    shown = [level for level in levels if level in whole.index]
    totals = pd.DataFrame(
        {
            "name": shown,
            "count": [int(whole[level]) for level in shown],
            "address": [address(level) for level in shown],
            "said": [f"{level}: {wording.plural(int(whole[level]), 'home')}" for level in shown],
        }
    )
    said = "; ".join(
        f"{level} {int(whole[level]):,} ("
        + ", ".join(f"{int(row.homes):,} {row.stage}" for row in found[found["risk"] == level].itertuples())
        + ")"
        for level in shown
    )
    chart = bars(marks, totals, STAGES, "Homes, each by the gravest deficiency open in it")
    return chart, f"Homes by the gravest deficiency open in them: {said}."


FOUND, CORRECTED, GONE = "found", "corrected", "no longer applies"
STEPS = (
    Part(FOUND, RUST, "#7a1f12"),
    Part(CORRECTED, "#ffffff", INK, 1.2),
    Part(GONE, "#f1ece0", "#6f6a5e", 1.2, (4, 3)),
)
MONTHS_DRAWN = 36


def by_month(found: pd.DataFrame, newest: date):
    """Deficiencies by month: found upward, corrected and gone downward, the line what is open.

    `found` is answers.waiting.by_month; `newest` the day of the newest visit, with which the last month ends.
    The last MONTHS_DRAWN are drawn.
    """
    shown = found.tail(MONTHS_DRAWN).assign(
        next_month=lambda frame: frame["month"] + pd.offsets.MonthBegin(1),
        middle=lambda frame: frame["month"] + pd.Timedelta(days=15),
    )
    steps = pd.concat(
        [
            _step(shown, FOUND, 0, shown["found"]),
            _step(shown, CORRECTED, 0, -shown["corrected"]),
            _step(shown, GONE, -shown["corrected"], -shown["corrected"] - shown["no_longer_applies"]),
        ]
    )
    steps = steps[steps["start"] != steps["end"]]
    x = alt.X(
        "month:T", title="Month of the visit", axis=alt.Axis(grid=False, format="%b %Y", labelOverlap=True)
    )
    order = [part.name for part in STEPS]

    def looks(kind, values):
        legend = alt.Legend(orient="top", symbolType="square", symbolSize=180)
        return kind("part:N", title=None, legend=legend, scale=alt.Scale(domain=order, range=list(values)))

    bodies = (
        alt.Chart(steps)
        .mark_rect(fillOpacity=1, xOffset=2, x2Offset=-2)
        .encode(
            x=x,
            x2=alt.X2("next_month:T"),
            y=alt.Y("start:Q", title="Found (up), corrected (down)", axis=alt.Axis(format=",d", tickCount=6)),
            y2=alt.Y2("end:Q"),
            fill=looks(alt.Fill, (part.fill for part in STEPS)),
            stroke=looks(alt.Stroke, (part.outline for part in STEPS)),
            strokeDash=looks(alt.StrokeDash, (list(part.dashes) for part in STEPS)),
            tooltip=[
                alt.Tooltip("month:T", title="Month", format="%B %Y"),
                alt.Tooltip("part:N", title=" "),
                alt.Tooltip("count:Q", title="Deficiencies", format=",d"),
            ],
        )
    )
    of_open = alt.Y(
        "open_at_end:Q",
        title="Open at the month's end (line)",
        axis=alt.Axis(orient="right", grid=False, format=",d", tickCount=6, titleColor=BLUE),
        scale=alt.Scale(domainMin=0),
    )
    base = alt.Chart(shown)
    tooltip = [
        alt.Tooltip("month:T", title="Month", format="%B %Y"),
        alt.Tooltip("open_at_end:Q", title="Open at its end", format=",d"),
    ]
    line = base.mark_line(color=BLUE, strokeWidth=2).encode(x=alt.X("middle:T", title=None), y=of_open)
    dots = base.mark_point(color=BLUE, filled=True, size=45, opacity=1).encode(
        x=alt.X("middle:T", title=None), y=of_open, tooltip=tooltip
    )
    chart = alt.layer(bodies, alt.layer(line, dots)).resolve_scale(y="independent").properties(height=260)
    return quiet(chart), _last_month(found, newest)


def _step(shown, part, start, end):
    return shown[["month", "next_month"]].assign(part=part, start=start, end=end, count=(end - start).abs())


def _last_month(found, newest):
    """The last month and what it changed, in words."""
    last, so_far = found.iloc[-1], f", up to {wording.day(newest)}"
    said = (
        f"In {last['month']:%B %Y}{so_far}, visits found {int(last['found']):,} deficiencies and "
        f"{int(last['corrected']):,} corrected"
    )
    if last["no_longer_applies"]:
        said += f"; {int(last['no_longer_applies']):,} no longer apply"
    said += f". {int(last['open_at_end']):,} stood open at its end"
    if len(found) < 2:
        return f"{said}."
    step = int(last["open_at_end"] - found.iloc[-2]["open_at_end"])
    more = f"{abs(step):,} {'more' if step > 0 else 'fewer'} than" if step else "as many as"
    return f"{said}, {more} a month before."


RECENT, SILENT = "recent", "no recent file"
DAYS_DRAWN = 400


def agencies(found: pd.DataFrame, as_of: date, recent_days: float, address: Callable[[str], str]):
    """Agencies by the day of their last inspection: filled where a file is recent, hollow where silent.

    `found` is answers.files.agencies.
    """
    known = found[found["last_inspected_on"].notna()].copy()
    silent = [
        not wording.recent(row.received_at, row.last_inspected_on, as_of, recent_days).startswith(RECENT)
        for row in known.itertuples()
    ]
    start = pd.Timestamp(as_of) - pd.Timedelta(days=DAYS_DRAWN)
    known = known.assign(
        mark=[SILENT if one else RECENT for one in silent],
        on=known["last_inspected_on"].where(known["last_inspected_on"] > start, start),
        words=[
            f"{wording.day(row.last_inspected_on)}{', silent' if one else ''}"
            for row, one in zip(known.itertuples(), silent, strict=True)
        ],
        address=[address(name) for name in known["agency"]],
    )
    domain = [
        alt.DateTime(year=day.year, month=day.month, date=day.day) for day in (start, pd.Timestamp(as_of))
    ]
    base = alt.Chart(known).encode(
        x=alt.X(
            "on:T",
            title=f"Last inspection, up to {wording.day(as_of)}",
            axis=alt.Axis(grid=False, format="%b %Y", labelOverlap=True),
            scale=alt.Scale(domain=domain, nice=False, padding=10),
        ),
        y=alt.Y("agency:N", title=None, sort=None, axis=alt.Axis(grid=True, labelLimit=260)),
        href=alt.Href("address:N"),
    )
    names = [RECENT, SILENT]
    dots = base.mark_point(size=110, strokeWidth=2, opacity=1, cursor="pointer").encode(
        fill=alt.Fill("mark:N", title=None, scale=alt.Scale(domain=names, range=[BLUE, "#ffffff"])),
        stroke=alt.Stroke("mark:N", title=None, scale=alt.Scale(domain=names, range=[BLUE, RUST])),
        shape=alt.Shape("mark:N", title=None, scale=alt.Scale(domain=names, range=["circle", "diamond"])),
        tooltip=[alt.Tooltip("agency:N", title="Agency"), alt.Tooltip("words:N", title="Last inspection")],
    )
    words = base.mark_text(align="right", dx=-11, fontSize=12, font=FONT, color=SOFT).encode(
        text=alt.Text("words:N")
    )
    chart = alt.layer(dots, words).properties(height=alt.Step(26))
    quiet_ones = [str(row.agency) for row, one in zip(known.itertuples(), silent, strict=True) if one]
    quiet_ones += [str(name) for name in found[found["last_inspected_on"].isna()]["agency"]]
    return quiet(chart), (f"Silent: {', '.join(quiet_ones)}." if quiet_ones else "No agency is silent.")
