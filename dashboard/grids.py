"""Folded tables of cells: shares by check and region, and the matrix of severity and probability."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pandas as pd

from dashboard import tables, wording

SHADES = (("shade0", 0.0), ("shade1", 0.02), ("shade2", 0.05), ("shade3", 0.10), ("shade4", 0.20))


@dataclass(frozen=True)
class HeatCell:
    """One check in one region as the template draws it; without a share nothing was verified."""

    share: str | None
    count: str
    unverified: str
    shade: str
    address: str | None
    nothing: str = wording.NOTHING


def folded_heat(
    frame: pd.DataFrame,
    titles: dict[str, str],
    few: float,
    link: Callable[[str, str], str],
    caption: str,
    how_read: str,
    *,
    empty: str,
):
    """One line that opens to checks down, regions across: the share deficient among verified, shaded by it.

    Its counts stand beside, and those not verified. `frame`: region, check_id, verified, deficient,
    not_verified; a share of
    fewer than `few` verified is not shaded. `link(check, region)` is the address of the homes.
    """
    cells = {
        (row.check_id, row.region): _heat_cell(row, few, link)
        for row in frame.itertuples()
        if row.verified or row.not_verified
    }
    if not frame["verified"].any():
        tables.show(frame, (), "", empty=empty)
        return
    regions = sorted({region: None for _, region in cells}, key=lambda region: not region)
    checks = {check for check, _ in cells}
    tables.drawn(
        "folded_heat",
        caption=caption,
        how_read=how_read,
        shades=[(shade, f"{100 * share:.0f}") for shade, share in SHADES],
        few=f"{few:.0f}",
        regions=regions,
        rows=[
            (title, [cells.get((check, region)) for region in regions])
            for check, title in titles.items()
            if check in checks
        ],
    )


def _heat_cell(row: Any, few: float, link: Callable[[str, str], str]) -> HeatCell:
    share = row.deficient / row.verified if row.verified else None
    shade = ""
    if share and row.verified >= few:
        shade = next(shade for shade, least in reversed(SHADES) if share >= least)
    return HeatCell(
        share=None if share is None else wording.percent(share),
        count=f"{row.deficient:,} of {row.verified:,}",
        unverified=f"{row.not_verified:,} not verified",
        shade=shade,
        address=link(row.check_id, row.region) if row.deficient else None,
    )


@dataclass(frozen=True)
class MatrixCell:
    """One severity and probability as the template draws it; `checks` is empty where no check has both."""

    risk: str
    mark: str
    checks: str = ""
    count: str = ""
    address: str = ""


def folded_matrix(
    frame: pd.DataFrame,
    levels: dict[tuple[int, str], str],
    link: Callable[[list[str]], str],
    caption: str,
):
    """One line that opens to severity down, probability across.

    Each cell has its risk, how many are open, and of how many checks.

    `frame`: severity, probability, check_id, act_today, deficiencies. `levels`: (severity, probability) →
    risk.
    """
    cells = {key: MatrixCell(level, wording.RISK_CLASS[level]) for key, level in levels.items()}
    for (severity, probability), level in levels.items():
        checks = frame[(frame["severity"] == severity) & (frame["probability"] == probability)]
        if checks.empty:
            continue
        open_now = int(checks["deficiencies"].sum())
        today = ", act today" if checks["act_today"].all() else ""
        cells[severity, probability] = MatrixCell(
            level,
            wording.RISK_CLASS[level],
            checks=wording.plural(len(checks), "check") + today,
            count=f"{open_now:,}" if open_now else "",
            address=link(list(checks["check_id"])),
        )
    probabilities = sorted({probability for _, probability in levels})
    tables.drawn(
        "folded_matrix",
        caption=caption,
        probabilities=[wording.PROBABILITY[probability] for probability in probabilities],
        rows=[
            (wording.SEVERITY[severity], [cells[severity, probability] for probability in probabilities])
            for severity in sorted({severity for severity, _ in levels})
        ],
    )
