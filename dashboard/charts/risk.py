"""Deficiencies by how many homes have them open, each bar in its risks."""

from collections.abc import Callable

import pandas as pd

from dashboard import wording
from dashboard.charts.bars import RISKS, at_most, bars

MOST_CHECKS = 12


def ranked(found: pd.DataFrame, stage: str, address: Callable[..., str]):
    """A bar for each deficiency open at a stage, the commonest first; length is homes, fill its risk.

    `found` is answers.risks.ranked; `address(check, risk)` leads to the homes, of every risk without one.
    """
    marks = pd.DataFrame(
        {
            "name": found["title"],
            "part": found["risk"],
            "count": found["homes"],
            "address": [address(row.check_id, row.risk) for row in found.itertuples()],
            "said": [f"{row.title}: {row.risk} in {_homes(row.homes)}" for row in found.itertuples()],
        }
    )
    of_checks = found.drop_duplicates("check_id")
    totals = pd.DataFrame(
        {
            "name": of_checks["title"],
            "count": of_checks["of_check"],
            "address": [address(check) for check in of_checks["check_id"]],
            "said": [f"{row.title}: open in {_homes(row.of_check)}" for row in of_checks.itertuples()],
        }
    )
    shown, rest = at_most(totals, MOST_CHECKS, "deficiency", "deficiencies")
    chart = bars(marks[marks["name"].isin(shown["name"])], shown, RISKS, f"Homes with it {stage}")
    words = (
        f"{wording.plural(len(of_checks), 'deficiency', 'deficiencies')} stand {stage}. The commonest is "
        f"{of_checks['title'].iloc[0]}, in {_homes(of_checks['of_check'].iloc[0])}. {_today(found)}{rest}"
    )
    return chart, words


def _homes(count):
    return wording.plural(int(count), "home")


def _today(found):
    """What must be acted on today, in a sentence."""
    today = found[found["risk"] == "act today"].sort_values("homes", ascending=False, kind="stable")
    if today.empty:
        return "Nothing here must be acted on today."
    said = [f"{row.title}, {_homes(row.homes)}" for row in today.itertuples()]
    return f"To be acted on today: {'; '.join(said)}."
