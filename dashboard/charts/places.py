"""Where homes with something open stand: by elevation, and drawn where they lie."""

from collections.abc import Callable, Sequence
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from dashboard import wording
from dashboard.charts.bars import RISKS, bars, looks
from dashboard.charts.theme import FONT, INK, quiet

MOST_PLACES, MOST_NAMED = 400, 24
ROOM = 0.12  # about the outermost places, of the span between them
LEAST_SPAN_DEGREES = 0.05  # so that a single place has a span
MAP_PX, ACROSS_PX = 380, 900  # of the drawing; about so wide it is
LETTER_PX, LINE_PX = 6.2, 14  # of a name
MARK_PX, BESIDE_PX = 9, 18  # half a mark, and how far from its middle its name stands


NAMES_SHOWN = alt.ExprRef(f"width < {ACROSS_PX * 2 // 3} ? 0 : 1")  # a narrow window has no room for them


def by_elevation(found: pd.DataFrame, bands: Sequence[str], address: Callable[..., str]):
    """A bar for each band of elevation, the highest on top; length is homes, fill their gravest risk.

    `found` is answers.regions.open_by_place, `bands` those of its elevations, the lowest first. `address(row,
    risk)` leads to the homes of a row of a band, of every risk without one.
    """
    counts = found.groupby("elevation")[
        ["homes", *(f"risk{position}" for position in range(len(RISKS)))]
    ].sum()
    highest_first = [band for band in (*reversed(bands), "") if band in counts.index]
    rows: list[Any] = list(counts.loc[highest_first].reset_index().itertuples())
    marks = pd.DataFrame(
        [
            {
                "name": called(row.elevation),
                "part": part.name,
                "count": getattr(row, f"risk{position}"),
                "address": address(row, part.name),
                "said": f"{called(row.elevation)}: {_homes(getattr(row, f'risk{position}'))} {part.name}",
            }
            for row in rows
            for position, part in enumerate(RISKS)
        ]
    )
    totals = pd.DataFrame(
        [
            {
                "name": called(row.elevation),
                "count": row.homes,
                "address": address(row),
                "said": f"{called(row.elevation)}: {_homes(row.homes)} with something open",
            }
            for row in rows
        ]
    )
    chart = bars(marks, totals, RISKS, "Homes with something open, each by the gravest of it")
    most = max(rows, key=lambda row: row.homes)
    today = [row for row in rows if row.risk0]
    words = (
        f"{_homes(counts['homes'].sum())} with something open, at whatever stage. Most stand at "
        f"{called(most.elevation)}: {most.homes:,}. "
    )
    if not today:
        return chart, f"{words}Nothing must be acted on today."
    listed = "; ".join(f"{called(row.elevation)}, {_homes(row.risk0)}" for row in today)
    return chart, f"{words}To be acted on today: {listed}."


def called(elevation: str) -> str:
    """A band of elevation in words."""
    return elevation or "elevation not known"


def placed(found: pd.DataFrame, address: Callable[..., str]):
    """A mark for each part of a region, as large as its homes are many, filled by the gravest risk there.

    `found` is answers.regions.open_by_place, `address(row)` leads to the homes of a row. Rows without
    coordinates are counted in the words.
    """
    lying = found[found["latitude"].notna()]
    drawn = lying.head(MOST_PLACES)
    drawn = drawn.assign(
        part=[_gravest(row) for row in drawn.itertuples()],
        address=[address(row) for row in drawn.itertuples()],
        said=[_said(row) for row in drawn.itertuples()],
    )
    at = {"longitude": "longitude:Q", "latitude": "latitude:Q"}
    # Not drawn, but the drawing is fitted to them, too: marks at its edge are whole.
    edges = _corners(drawn)
    corners = alt.Chart(edges).mark_point(opacity=0, size=1, tooltip=None).encode(**at)
    marks = (
        alt.Chart(drawn[["longitude", "latitude", "homes", "part", "address", "said"]])
        .mark_point(shape="circle", fillOpacity=0.9, cursor="pointer")
        .encode(
            **at,
            size=alt.Size("homes:Q", legend=None, scale=alt.Scale(range=[40, 900], domainMin=0)),
            order=alt.Order("homes:Q", sort="descending"),
            href=alt.Href("address:N"),
            tooltip=alt.Tooltip("said:N", title=" "),
            description=alt.Description("said:N"),
            **looks(RISKS),
        )
    )
    layers = [corners, marks]
    for left, part in _named(drawn, edges).groupby("left"):
        layers.append(
            alt.Chart(part[["longitude", "latitude", "label", "address", "said"]])
            .mark_text(
                align="right" if left else "left",
                baseline="middle",
                dx=-BESIDE_PX if left else BESIDE_PX,
                fontSize=12,
                font=FONT,
                color=INK,
                opacity=NAMES_SHOWN,
                cursor="pointer",
            )
            .encode(
                **at,
                text=alt.Text("label:N"),
                href=alt.Href("address:N"),
                description=alt.Description("said:N"),
            )
        )
    chart = alt.layer(*layers).project(type="equalEarth").properties(height=MAP_PX)
    return quiet(chart), _map_in_words(found, lying, drawn)


def _corners(drawn):
    """Four places about all others."""
    edges = {}
    for name in ("longitude", "latitude"):
        low, high = drawn[name].min(), drawn[name].max()
        room = max(LEAST_SPAN_DEGREES, ROOM * (high - low))
        edges[name] = np.array([low - room, high + room])
    longitude, latitude = (one.ravel() for one in np.meshgrid(edges["longitude"], edges["latitude"]))
    return pd.DataFrame({"longitude": longitude, "latitude": latitude.clip(-90, 90)})


def _named(drawn, edges):
    """The rows that bear a name, most homes first, as far as none lies on another or a mark; `left` of it."""
    low, high = edges.min(), edges.max()
    shrunk = np.cos(np.radians((low["latitude"] + high["latitude"]) / 2))  # degrees of longitude are shorter
    wide, tall = (high["longitude"] - low["longitude"]) * shrunk, high["latitude"] - low["latitude"]
    px = min(ACROSS_PX / max(wide, 1e-9), MAP_PX / tall)
    across, down = (drawn["longitude"] - low["longitude"]) * shrunk * px, drawn["latitude"] * px
    taken = [
        (at - MARK_PX, at + MARK_PX, under, row)
        for row, at, under in zip(drawn.index, across, down, strict=True)
    ]
    named = []
    for row in drawn.head(MOST_NAMED).itertuples():
        label, at, under = f"{_place(row)}: {row.homes:,}", across[row.Index], down[row.Index]
        reach, outward = BESIDE_PX + LETTER_PX * len(label), at <= wide * px / 2
        for left in (not outward, outward):
            start, end = (at - reach, at) if left else (at, at + reach)
            if all(
                abs(under - below) >= LINE_PX or start > until or end < since
                for since, until, below, of in taken
                if of != row.Index
            ):
                taken.append((start, end, under, row.Index))
                named.append((row.Index, label, left))
                break
    index, labels, sides = zip(*named, strict=True) if named else ((), (), ())
    return drawn.loc[list(index)].assign(label=list(labels), left=list(sides))


def _gravest(row: Any) -> str:
    return next(part.name for position, part in enumerate(RISKS) if getattr(row, f"risk{position}"))


def _homes(count):
    return wording.plural(int(count), "home")


def _place(row):
    return f"{row.region or 'region not recorded'}, {called(row.elevation)}"


def _said(row):
    parts = [
        f"{getattr(row, f'risk{position}'):,} {part.name}"
        for position, part in enumerate(RISKS)
        if getattr(row, f"risk{position}")
    ]
    return f"{_place(row)}, {row.agency}: {_homes(row.homes)} with something open, {', '.join(parts)}"


def _map_in_words(found, lying, drawn):
    first = drawn.iloc[0]
    words = (
        f"{_homes(drawn['homes'].sum())} with something open at {wording.plural(len(drawn), 'mark')}. "
        f"Most in {_place(first)}: {first['homes']:,}. A mark is what of an agency's region lies in one "
        "band of elevation, drawn in the middle of its postal codes; north is up."
    )
    left_out = int(found["homes"].sum() - lying["homes"].sum())
    if left_out:
        words += f" {_homes(left_out)} of postal codes without coordinates: see the bars and the table."
    if more := len(lying) - len(drawn):
        words += f" {wording.plural(more, 'more such part')} with fewer: see the table."
    return words
