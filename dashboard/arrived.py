"""What became of files that were loaded, each number leading to what it counts."""

from collections.abc import Callable, Sequence
from typing import Any

import pandas as pd

from dashboard import data, filters, tables, wording
from dashboard.uploads import Brought


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
            return filters.link(page, **wording.lead(name, row.export_id)) if getattr(row, name) else None

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
                for name, words, page in wording.LEADS
            ),
        ),
        "What each came to",
        empty="",
    )


def _of_one(came: Brought) -> None:
    """All that became of one file."""
    found, who, snapshot = came.report, filters.viewer(), filters.snapshot()
    tables.section(f"{found['file_name']}: {found['status']}", wording.loaded(found, came.saved))
    tables.links((words, filters.link(page, **asked)) for words, page, asked in wording.leads(found))
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
