"""What became of files that were loaded, each number leading to what it counts."""

from collections.abc import Callable, Sequence
from typing import Any

import pandas as pd

from dashboard import data, filters, tables, wording
from dashboard.uploads import Brought

# What a load came to, and the page that lists it: (count of its report, words, page).
LEADS = (
    ("act_today", "to act on today, new", "homes"),
    ("newly_open", "newly open", "homes"),
    ("to_hold", "to hold before reporting", "hold"),
)


def report(came: Sequence[Brought]) -> None:
    """Draw what became of the files of a load."""
    if len(came) == 1:
        _of_one(came[0])
    else:
        _of_several([one.report for one in came])
    tables.links([("Files received", filters.link("files")), ("Fleet", filters.link("fleet"))])


def _of_several(found: Sequence[dict]) -> None:
    """A line for each of several files."""

    def leading(name: str, page: str) -> Callable[[Any], str | None]:
        def link(row: Any) -> str | None:
            return filters.link(page, **_lead(name, row.export_id)) if getattr(row, name) else None

        return link

    tables.section(f"{len(found)} files are loaded")
    tables.show(
        pd.DataFrame(found),
        (
            tables.Column("file_name", "File"),
            tables.count("rows_new", "New inspections"),
            tables.count("rows_changed", "Changed"),
            tables.count("rows_repeated", "Repeated"),
            tables.count("rows_not_loaded", "Not loaded"),
            *(
                tables.count(name, wording.sentence(words), link=leading(name, page))
                for name, words, page in LEADS
            ),
        ),
        "What each came to",
        empty="",
    )


def _of_one(came: Brought) -> None:
    """All that became of one file."""
    found, who, snapshot = came.report, filters.viewer(), filters.snapshot()
    tables.section(f"{found['file_name']}: {found['status']}", wording.loaded(found, came.saved))
    tables.links((words, filters.link(page, **asked)) for words, page, asked in _leads(found))
    tables.facts(
        [
            ("Rows read", f"{found['rows_read']:,}"),
            ("In force", f"{found['rows_kept']:,}"),
            ("Not loaded", f"{found['rows_not_loaded']:,}"),
            ("Repeated", f"{found['rows_repeated']:,}"),
            ("Superseded", f"{found['rows_superseded']:,}"),
            ("Cells not used", f"{found['cells_not_loaded']:,}"),
            ("Agency", found["agency"]),
            ("Mapping", found["mapping"]),
        ]
    )
    tables.show(
        data.not_loaded(who, snapshot, filters.current(), found["export_id"]),
        (
            tables.Column("extent", "What"),
            tables.Column("reason", "Reason"),
            tables.count("times", "Times"),
            tables.Column("headings", "Columns"),
            tables.count("first_line", "First line"),
        ),
        "Rows, cells and columns not used as read",
        empty="Everything was used as read.",
    )
    if found["dropped"]:
        tables.lines_of(
            "Dropped before anything was stored",
            [f"{one['heading']}: {one['why']}" for one in found["dropped"]],
        )
    for one in data.answers(who, snapshot, filters.current(), found["export_id"]):
        opening = wording.columns_said(one.opening, data.called)
        tables.said(wording.answered(len(one.answered), one.checks, opening))


def _lead(name: str, export_id: int) -> dict[str, str]:
    """What the page of a count of LEADS is asked."""
    asked = {"file": str(export_id)}
    asked |= {"first": "true"} if name != "to_hold" else {}
    return asked | ({"risk": "act today", "exactly": "true"} if name == "act_today" else {})


def _leads(found: dict) -> list[tuple[str, str, dict[str, str]]]:
    """What a load came to, as words that lead on: (words, page, what it is asked), but for what is none."""
    return [
        (f"{found[name]:,} {words}", page, _lead(name, found["export_id"]))
        for name, words, page in LEADS
        if found[name]
    ]
