"""What a comparison of what was open draws: numbers that lead to their homes, and the homes behind one."""

from collections.abc import Callable, Iterable, Mapping

import pandas as pd
import streamlit as st

from dashboard import data, filters, tables, wording
from pipelines.answers.differences import ROWS_A_PAGE, Part

# What a number is of: its name in the address.
ASKED = {"check": "flag", "risk": "level", "why": "why", "gravest": "gravest"}


def numbers(
    frame: pd.DataFrame,
    of: str,
    heading: str,
    labels: Mapping[str, str],
    means: Mapping[str, str],
    link: Callable[..., str],
) -> None:
    """A table of homes counted by check, risk, gravest risk or why (`of`); each number leads to its homes.

    `labels` and `means` are by the name of a column; `link` makes an address of what is asked.
    """
    say = {"check": data.titles().__getitem__, "why": wording.sentence}.get(of, wording.text)

    def column(name):
        at = name.replace(" ", "_")
        asked = ASKED[of]
        return tables.count(
            at,
            labels[name],
            help=means[name],
            link=lambda row: link(show=name, **{asked: row.counted}) if getattr(row, at) else None,
        )

    first = tables.Column(
        "counted",
        {"check": "Deficiency", "why": "Why"}.get(of, "Risk"),
        say,
        mark=wording.RISK_CLASS.get if of in ("risk", "gravest") else None,
    )
    shown = frame.rename(columns=lambda name: name.replace(" ", "_"))
    tables.show(shown, (first, *map(column, labels)), heading, empty="", wide=of == "check")


def asked_part(what: Mapping[str, tuple[str, ...]]) -> tuple[str, Part] | None:
    """Which number was followed, from the address, and the part of the differences it counts."""
    show = st.query_params.get("show", "")
    if show not in what:
        return None
    of = {name: st.query_params.get(key, "") for name, key in ASKED.items()}
    return show, Part(what[show], **of)


def of_part(part: Part) -> str:
    """Of which deficiency, risk and reason a list of homes is."""
    said = ", ".join(filter(None, (data.titles().get(part.check, ""), part.risk, part.gravest, part.why)))
    return f": {said}" if said else ""


def homes(found: pd.DataFrame, count: int, page: int, with_flags: bool = True) -> None:
    """A page of the homes behind a number."""
    columns = [tables.home(filters.home_link, under="job_number"), tables.agency(under="region")]
    if with_flags:
        columns += [
            tables.risk(),
            tables.Column("of", "What differs", flags, kind=tables.LINES, width="45%"),
        ]
    tables.show(
        found,
        (*columns, tables.Column("crew", "Crew")),
        wording.range_of(page, ROWS_A_PAGE, count, "home"),
        empty="No home.",
    )
    filters.pages(count, ROWS_A_PAGE)


def page_of(count: int) -> int:
    return filters.page_of(count, ROWS_A_PAGE)


def flags(several: Iterable[dict]) -> str:
    """The flags of a home that differ, a line each."""
    titles = data.titles()

    def line(one: dict) -> str:
        system = f", system {one['system_id']}" if one["system_id"] else ""
        risks = " → ".join(risk or "not open" for risk in (one["risk_before"], one["risk"]))
        why = f"; {one['what']}: {one['why']}" if "why" in one else ""
        return f"{titles[one['check_id']]}{system}: {risks}{why}"

    return "\n".join(map(line, several))
