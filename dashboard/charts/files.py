"""Files by the week they came in, and what each of them can answer."""

from collections.abc import Callable, Sequence
from datetime import date, timedelta
from typing import Any

import altair as alt
import pandas as pd

from dashboard import wording
from dashboard.charts.bars import LINE_PX
from dashboard.charts.theme import AXIS_PX, BLUE, FONT, INK, ROW_OF_LEGEND_PX, SOFT, quiet

MOST_WEEKS, LEAST_WEEKS, MOST_LANES, MOST_AGENCIES = 104, 12, 4, 30
LANE_PX, BETWEEN_PX = 14, 8
UNNAMED = "no agency named"
USED, NOTHING = "rows of it are in force", "nothing of it is in force"


def received(found: pd.DataFrame, as_of: date, address: Callable[[Any], str]):
    """A square for each file in the week in which it came, a row an agency; hollow where nothing is in force.

    `found` is answers.files.exports; `address(row)` leads to what a file brought. Weeks run to that of
    `as_of`, or of the newest file.
    """
    files = found.assign(
        agency=found["agency"].replace("", UNNAMED).fillna(UNNAMED),
        week=[_monday(when.date()) for when in found["received_at"]],
        rows_read=found["rows_read"].fillna(0).astype(int),
        rows_kept=found["rows_kept"].fillna(0).astype(int),
    )
    last = max(_monday(as_of), files["week"].max())
    first = min(files["week"].min(), last - timedelta(weeks=LEAST_WEEKS))
    first = max(first, last - timedelta(weeks=MOST_WEEKS))
    shown = files[files["week"] >= first].sort_values(["agency", "export_id"])
    newest = files.groupby("agency")["received_at"].max().sort_values(kind="stable")
    agencies = list(newest.index[:MOST_AGENCIES])
    shown = shown[shown["agency"].isin(agencies)]
    lanes = shown.groupby(["agency", "week"]).cumcount()
    deep = {
        agency: min(MOST_LANES, int(lanes[shown["agency"] == agency].max()) + 1)
        for agency in agencies
        if (shown["agency"] == agency).any()
    }
    tops, height = {}, 0.0
    for agency in agencies:
        tops[agency] = height
        height += LINE_PX + LANE_PX * deep.get(agency, 1) + BETWEEN_PX
    marks = shown.assign(
        at=[
            tops[row.agency] + LINE_PX + 2 + LANE_PX * (lane + 0.5)
            for row, lane in zip(shown.itertuples(), lanes, strict=True)
        ],
        state=[USED if row.rows_kept else NOTHING for row in shown.itertuples()],
        address=[address(row) for row in shown.itertuples()],
        said=[
            f"{row.agency}, {row.file_name}, {wording.day(row.received_at)}: {row.status}, {row.rows_kept:,} "
            f"of {wording.plural(row.rows_read, 'row')} in force"
            for row in shown.itertuples()
        ],
        day=pd.to_datetime(shown["week"]),
    )
    marks, over = marks[lanes < MOST_LANES], marks[lanes >= MOST_LANES]
    rows = pd.DataFrame(
        {
            "name": agencies,
            "at": [tops[agency] + LINE_PX / 2 for agency in agencies],
            "base": [tops[agency] + LINE_PX + 2 + LANE_PX / 2 for agency in agencies],
        }
    )
    chart = _weeks(marks[["day", "at", "state", "address", "said"]], rows, first, last, height)
    return chart, _of_weeks(files, newest, as_of, len(over), len(newest) - len(agencies))


def _monday(day):
    return day - timedelta(days=day.weekday())


def _weeks(marks, rows, first, last, height):
    domain = [
        alt.DateTime(year=day.year, month=day.month, date=day.day)
        for day in (first - timedelta(days=4), last + timedelta(days=10))
    ]
    x = alt.X(
        "day:T",
        title="Week in which it came",
        scale=alt.Scale(domain=domain, nice=False),
        axis=alt.Axis(format="%b %d, %Y", labelOverlap=True, tickCount=6),
    )
    y = alt.Y("at:Q", axis=None, scale=alt.Scale(domain=[height, 0], nice=False))
    size = max(40, min(110, 70_000 // max(1, (last - first).days)))
    squares = (
        alt.Chart(marks)
        .mark_point(shape="square", size=size, strokeWidth=1.6, opacity=1, cursor="pointer", stroke=INK)
        .encode(
            x=x,
            y=y,
            fill=alt.Fill(
                "state:N",
                title=None,
                scale=alt.Scale(domain=[USED, NOTHING], range=[BLUE, "#ffffff"]),
                legend=alt.Legend(
                    orient="top", columns=1, labelLimit=0, symbolType="square", symbolStrokeColor=INK
                ),
            ),
            href=alt.Href("address:N"),
            tooltip=alt.Tooltip("said:N", title=" "),
            description=alt.Description("said:N"),
        )
    )
    names = (
        alt.Chart(rows)
        .mark_text(align="left", baseline="middle", fontSize=13, font=FONT, color=INK)
        .encode(x=alt.XValue(0), y=y, text=alt.Text("name:N"))
    )
    return quiet(alt.layer(squares, names).properties(height=height + AXIS_PX + 2 * ROW_OF_LEGEND_PX))


def _of_weeks(files, newest, as_of, over, more):
    hollow, silent = int((files["rows_kept"] == 0).sum()), (as_of - newest.iloc[0].date()).days
    said = (
        f"{wording.plural(len(files), 'file')} of {wording.plural(len(newest), 'agency', 'agencies')}; "
        f"{f'of {hollow:,} nothing is' if hollow else 'rows of each are'} in force."
    )
    if silent > 0:
        days = wording.plural(silent, "day")
        said += f" Longest without one: {newest.index[0]}, {days} on {wording.day(as_of)}."
    if over:
        said += f" {wording.plural(over, 'more file')} of crowded weeks: see the table."
    if more:
        said += f" {wording.plural(more, 'agency', 'agencies')} with a newer file not drawn: see the table."
    return said


ANSWERED, LACKING, OTHER = "answered", "its columns are lacking", "has the columns, no inspection told"
CROSS = "M-.7,-.7L.7,.7M.7,-.7L-.7,.7"
# As many files as stand beside the longest name in a window of 390 pixels.
COLUMN_PX, ROW_PX, MOST_FILES = 15, 17, 8


def answered(found: Sequence[Any], names: dict[str, str], address: Callable[[int], str]):
    """Checks down, files across: whether a file can answer a check, or why not.

    `found` is answers.files.answers, the newest first, `names` what each check looks at, in its order;
    `address(export_id)` leads to the homes a file has rows of.
    """
    shown = found[:MOST_FILES]
    at = {check: position for position, check in enumerate(names)}
    rows = [
        {
            "column": position + 0.5,
            "row": at[row.check_id] + 0.5,
            "state": state,
            "address": address(one.export_id),
            "said": f"{names[row.check_id]}, {one.file_name}: {state}, {row.telling:,} told, "
            f"{row.not_verified:,} not verified",
        }
        for position, one in enumerate(shown)
        for state, part in ((ANSWERED, one.answered), (LACKING, one.lacking), (OTHER, one.other))
        for row in part.itertuples()
    ]
    width = COLUMN_PX * len(shown)
    chart = _matrix(pd.DataFrame(rows), list(names.values()), len(shown), width)
    numbered = "; ".join(
        f"{number} {one.file_name}, {len(one.answered)} of {one.checks}"
        for number, one in enumerate(shown, 1)
    )
    more = len(found) - len(shown)
    return chart, (
        f"Files, the newest first, and how many checks each answers: {numbered}."
        + (f" {wording.plural(more, 'older file')} below." if more else "")
    )


def _matrix(marks, names, files, width):
    x = alt.X("column:Q", axis=None, scale=alt.Scale(domain=[0, files], range=[0, width], nice=False))
    y = alt.Y("row:Q", axis=None, scale=alt.Scale(domain=[len(names), 0], nice=False))
    order = [ANSWERED, OTHER, LACKING]

    def of(kind, values):
        legend = alt.Legend(orient="top", columns=1, labelLimit=0, symbolOpacity=1)
        return kind("state:N", title=None, legend=legend, scale=alt.Scale(domain=order, range=values))

    dots = (
        alt.Chart(marks)
        .mark_point(size=85, strokeWidth=1.6, opacity=1, cursor="pointer")
        .encode(
            x=x,
            y=y,
            fill=of(alt.Fill, [BLUE, "#ffffff", "#ffffff"]),
            shape=of(alt.Shape, ["circle", "circle", CROSS]),
            stroke=of(alt.Stroke, [INK, INK, SOFT]),
            href=alt.Href("address:N"),
            tooltip=alt.Tooltip("said:N", title=" "),
            description=alt.Description("said:N"),
        )
    )
    labels = pd.DataFrame({"row": [place + 0.5 for place in range(len(names))], "label": names})
    heads = pd.DataFrame(
        {
            "column": [place + 0.5 for place in range(files)],
            "label": [str(place + 1) for place in range(files)],
        }
    )
    plain: dict[str, Any] = {"fontSize": 12, "font": FONT, "color": INK}
    named = (
        alt.Chart(labels)
        .mark_text(align="left", baseline="middle", **plain)
        .encode(x=alt.XValue(width + 8), y=y, text=alt.Text("label:N"))
    )
    numbered = (
        alt.Chart(heads)
        .mark_text(baseline="bottom", dy=-2, **plain)
        .encode(x=x, y=alt.YValue(0), text=alt.Text("label:N"))
    )
    return quiet(
        alt.layer(dots, named, numbered).properties(height=ROW_PX * len(names) + 20 + 3 * ROW_OF_LEGEND_PX)
    )
