"""A check over time: what finals found after the work, month by month, against the share in the long run."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.answers.access import Filters, Viewer, where
from pipelines.answers.contents import limit
from pipelines.answers.crews import outcomes_of_units
from pipelines.audit.chance import change_point, count_limits, deviation
from pipelines.fleet.snapshots import Snapshot

LEVELS = {"95": 0.95, "998": 0.998}
RARE = 0.01  # a change that chance alone shows so seldom is told


@dataclass(frozen=True)
class OverTime:
    """Units by the month of their final, of an agency or of one crew.

    `months`, every month from the first to the last: month (its first day), deficient, verified,
    not_verified, share, fewest95, most95, fewest998, most998 (deficient units that chance gives about `rate`
    in as many verified ones; NaN as `share` where none was), and `side`: within, high or low where it lies
    beyond 95 %, above or below where it lies beyond 99.8 %, '' where nothing was verified. `changed` is the
    month from which on the share differs from what it was, more than chance gives in any but RARE series;
    None where it does not, or where one month alone makes it so.
    """

    months: pd.DataFrame
    rate: float
    deficient: int
    verified: int
    changed: pd.Timestamp | None

    def parts(self) -> tuple[pd.DataFrame, ...]:
        """The months before the change and since, or all where there was none."""
        if self.changed is None:
            return (self.months,)
        before = self.months["month"] < self.changed
        return self.months[before], self.months[~before]


def over_time(viewer: Viewer, snapshot: Snapshot, agency: str, crew: str, check: str) -> OverTime:
    """The OverTime of a check, a group of checks or any; of every agency where `agency` is empty.

    Units are those that the crew's numbers count, each in the month of its final. `rate` is of all months,
    each among them.
    """
    own = Filters(agency=(agency,)) if agency else Filters()
    condition, params = where(viewer, own, homes="u")
    outcome, source = outcomes_of_units(check)
    found = snapshot.query(
        f"""
        WITH counted AS (
            SELECT u.agency, u.inspection_id, {outcome} AS outcome
            FROM {source}
            WHERE ? IN ('', u.crew) AND {condition})
        SELECT date_trunc('month', r.inspected_on)::DATE AS month,
               count(*) FILTER (c.outcome = 'deficient') AS deficient,
               count(*) FILTER (c.outcome IN ('ok', 'deficient')) AS verified,
               count(*) FILTER (c.outcome = 'not verified') AS not_verified
        FROM counted AS c
        JOIN readings AS r ON r.agency = c.agency AND r.inspection_id = c.inspection_id
        WHERE c.outcome IN ('ok', 'deficient', 'not verified')
        GROUP BY 1
        ORDER BY 1""",
        [crew, *params],
    )
    deficient, verified = int(found["deficient"].sum()), int(found["verified"].sum())
    rate = deficient / verified if verified else float("nan")
    months = _limited(_every_month(found), rate)
    changed = _changed(months, rate, limit(viewer, snapshot, "few_visits"))
    return OverTime(months, rate, deficient, verified, changed)


def _changed(months: pd.DataFrame, rate: float, least: float) -> pd.Timestamp | None:
    """The month from which on the share is another, with or without the month that lies farthest off."""
    bad, of = (months[name].to_numpy() for name in ("deficient", "verified"))
    position, seldom = change_point(bad, of, least)
    if position < 0 or seldom > RARE:
        return None
    others = np.arange(len(of)) != np.nanargmax(np.abs(deviation(bad, of, rate)))
    if not change_point(bad * others, of * others, least)[1] <= RARE:
        return None
    return months["month"].iloc[position + np.argmax(of[position:] > 0)]


def _every_month(found: pd.DataFrame) -> pd.DataFrame:
    """The same with a row for each month between that has no unit."""
    if found.empty:
        return found
    months = pd.to_datetime(found["month"])
    every = pd.date_range(months.min(), months.max(), freq="MS", name="month")
    return found.assign(month=months).set_index("month").reindex(every, fill_value=0).reset_index()


def _limited(months: pd.DataFrame, rate: float) -> pd.DataFrame:
    """Months with share, limits and side."""
    bad, of = months["deficient"], months["verified"]
    months["share"] = bad / of.where(of > 0)
    for name, level in LEVELS.items():
        months[f"fewest{name}"], months[f"most{name}"] = count_limits(rate, of, level)
    side = pd.Series("within", months.index)
    for name, (low, high) in {"95": ("low", "high"), "998": ("below", "above")}.items():
        side[bad < months[f"fewest{name}"]], side[bad > months[f"most{name}"]] = low, high
    months["side"] = side.where(of > 0, "")
    return months
