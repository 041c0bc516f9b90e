"""Finals that are not reported, a bar an agency."""

from collections.abc import Callable
from typing import Any

import pandas as pd

from dashboard import wording
from dashboard.charts.bars import Part, at_most, bars

CLEAR, OPENED, UNVERIFIED = "may be reported", "held: something is open", "held: not all was verified"
PARTS = (
    Part(OPENED, "#a53f04", "#a53f04", 1.0, ink="#ffffff"),
    Part(UNVERIFIED, "#f1ece0", "#6f6a5e", 1.2, (4, 3)),
    Part(CLEAR, "#ffffff", "#1c2329", 1.2),
)
COLUMNS = {OPENED: ("opened", "hold-open"), UNVERIFIED: ("unverified", "hold-unverified")}
COLUMNS[CLEAR] = ("clear", "may-be-reported")
MOST_AGENCIES = 25


def held(by_agency: pd.DataFrame, address: Callable[[str, str], str], of_agency: Callable[[str], str]):
    """A bar for each agency with finals not reported, most first, in what holds them and what may go.

    `by_agency`: agency, opened, unverified, clear. `address(agency, question)` leads to the homes of a part,
    `of_agency` to the agency.
    """
    rows: list[dict[str, Any]] = []
    for row in by_agency.to_dict("records"):
        for part, (column, question) in COLUMNS.items():
            count = int(row[column])
            rows.append(
                {
                    "name": row["agency"],
                    "part": part,
                    "count": count,
                    "address": address(row["agency"], question),
                    "said": f"{row['agency']}: {wording.plural(count, 'unit')} {part}",
                }
            )
    marks = pd.DataFrame(rows)
    whole = by_agency["opened"] + by_agency["unverified"] + by_agency["clear"]
    totals = pd.DataFrame(
        {
            "name": by_agency["agency"],
            "count": whole.astype(int),
            "address": [of_agency(agency) for agency in by_agency["agency"]],
            "said": [
                f"{agency}: {wording.plural(int(count), 'unit')} with a final and not reported"
                for agency, count in zip(by_agency["agency"], whole, strict=True)
            ],
        }
    ).sort_values("count", ascending=False, kind="stable")
    shown, rest = at_most(totals, MOST_AGENCIES, "agency", "agencies")
    chart = bars(marks[marks["name"].isin(shown["name"])], shown, PARTS, "Units with a final, not reported")
    sums = {part: int(by_agency[column].sum()) for part, (column, _) in COLUMNS.items()}
    first = shown.iloc[0]
    words = (
        f"Of {wording.plural(int(whole.sum()), 'unit')} with a final inspection and not reported, "
        f"{sums[CLEAR]:,} may be reported, {sums[OPENED]:,} are held because something is open and "
        f"{sums[UNVERIFIED]:,} only because a safety-critical check was not verified. "
        f"Most are of {first['name']}: {first['count']:,}.{rest}"
    )
    return chart, words
