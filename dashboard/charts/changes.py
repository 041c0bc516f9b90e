"""What changed between two moments: how many homes each change is of, in its risks."""

from collections.abc import Callable

import pandas as pd

from dashboard import wording
from dashboard.charts.bars import RISKS, bars


def changed(by_gravest: pd.DataFrame, homes: dict[str, int], address: Callable[..., str]):
    """A bar for each change there is, what came above what went; length is homes, fill their gravest risk.

    `by_gravest`: counted (the gravest risk) and a column of homes for each change; `homes`: how many homes
    each change is of at all. `address(change, risk)` leads to them, of every risk without one.
    """
    there = [what for what, count in homes.items() if count]
    marks = pd.DataFrame(
        [
            {
                "name": wording.sentence(what),
                "part": row["counted"],
                "count": row[what],
                "address": address(what, row["counted"]),
                "said": f"{what}, {row['counted']}: {wording.plural(row[what], 'home')}",
            }
            for what in there
            for row in by_gravest.to_dict("records")
        ]
    )
    totals = pd.DataFrame(
        [
            {
                "name": wording.sentence(what),
                "count": homes[what],
                "address": address(what),
                "said": f"{what}: {wording.plural(homes[what], 'home')}",
            }
            for what in there
        ]
    )
    words = "; ".join(f"{what} in {wording.plural(homes[what], 'home')}" for what in there)
    return bars(marks, totals, RISKS, "Homes"), f"{wording.sentence(words)}."
