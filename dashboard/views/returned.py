"""A list that came back filled in: what becomes of each row, and then, only then, recording it."""

from collections.abc import Sequence
from typing import Any

import streamlit as st

from dashboard import data, deciding, filters, frame, tables, uploads, wording

who, snapshot = filters.viewer(), filters.snapshot()
memory = st.session_state
MOST_SHOWN = 200  # rows of one table; the command shows all
ENDINGS = ("xlsx", "csv", "tsv", "txt")
HOW = (
    "Download a list on the page Homes, as XLSX or CSV.",
    "Fill in status, done on, done by, reading after and why, on the list or on its sheet Work. A row whose "
    "status is empty is not decided.",
    "Bring the file back here: columns may be moved or added, rows sorted or left out.",
)


def upload() -> str | None:
    """Path of the file that is open."""
    tables.section("The file", f"Up to {uploads.LARGEST_UPLOAD >> 20} MB. The file itself is not kept.")
    file = st.file_uploader("A list that came back", type=ENDINGS, label_visibility="collapsed")
    kept = memory.get("list_back")
    if kept and (file is None or kept[0] != file.file_id):
        uploads.let_go(memory.pop("list_back")[1])
        memory.pop("list_recorded", None)
    if file is None:
        tables.steps(HOW, "From the command line:", "coldfill decide --list FILE --by NAME --preview")
        return None
    if "list_back" not in memory:
        memory["list_back"] = file.file_id, uploads.keep_upload(who, file, file.file_id)
    return uploads.held(memory["list_back"][1])


def shown(rows: Sequence[Any], columns: Sequence[tables.Column], caption: str) -> None:
    """A table of rows, the first of them where they are many."""
    if rows:
        more = f", the first {MOST_SHOWN}" if len(rows) > MOST_SHOWN else ""
        tables.show(tables.rows(rows[:MOST_SHOWN]), columns, f"{caption}: {len(rows):,}{more}", empty="")


def place(row: Any) -> str:
    return f"{row.sheet}, row {row.line}" if row.sheet else f"line {row.line}"


WHERE = tables.Column("line", "Row", place, of_row=True, kind=tables.SHORT)
HOME = (
    tables.Column(
        "home_id",
        "Home",
        kind=tables.SHORT,
        link=lambda row: filters.home_link(row.agency, row.home_id) if row.home_id else None,
    ),
    tables.agency(),
)
CHECK = tables.Column("check_id", "Deficiency", lambda check: data.titles().get(check, check))
SAID = tables.Column(
    "decision", "Recorded as", lambda one: wording.sentence(data.decision_said(one)), width="26%"
)
MEANWHILE = tables.Column("meanwhile", "Decided since the list left", "; ".join)
REFUSED = (
    WHERE,
    *HOME,
    tables.Column("heading", "Column"),
    tables.Column("text", "Text"),
    tables.Column("reason", "Not recorded, because", wording.sentence, width="26%"),
    tables.Column("expected", "Accepted"),
)
CHANGED = (*HOME, tables.Column("what", "Now, and on the list", width="55%"))


def facts(found: uploads.Returned) -> None:
    """What the list rests on and what it comes to."""
    accepted, before = found.of(uploads.ACCEPTED), found.of(uploads.BEFORE)
    left = found.snapshot or "it does not say"
    tables.facts(
        [
            ("File", found.file_name),
            ("Left with snapshot", left + (", the current one" if found.snapshot == found.now else "")),
            ("As of", found.as_of),
            ("To record", f"{len(accepted):,}"),
            ("Refused", f"{len(found.of(uploads.REFUSED)):,}"),
            ("Recorded before", f"{len(before):,}"),
            ("On two rows, alike", f"{alike:,}" if (alike := len(found.of(uploads.TWICE))) else None),
            ("Not decided, status empty", f"{found.undecided:,}"),
            ("Filled in though hidden by a filter", f"{found.hidden:,}" if found.hidden else None),
        ]
    )
    tables.lines(map(wording.sentence, found.notes))


def draw() -> None:
    path = upload()
    if path is None:
        return
    found = uploads.list_back(who, path, snapshot)
    facts(found)
    accepted = found.of(uploads.ACCEPTED)
    if "list_recorded" in memory:
        frame.notice(f"Recorded: {wording.plural(memory['list_recorded'], 'decision')}, in force at once.")
    elif not accepted:
        frame.notice("Nothing of this list is left to record: it would change nothing.")
    if accepted:
        by = deciding.who_decides()
        if st.button(f"Record {wording.plural(len(accepted), 'decision')}", type="primary", disabled=not by):
            memory["list_recorded"] = uploads.record_list(who, path, snapshot, by)
            st.rerun()
    shown(found.of(uploads.REFUSED), REFUSED, "Refused")
    homes = [dict(zip(("agency", "home_id", "what"), one, strict=True)) for one in found.changed]
    shown(homes, CHANGED, "Homes that changed since the list left")
    shown(accepted, (WHERE, *HOME, CHECK, SAID, MEANWHILE), "To record")
    shown(
        found.of(uploads.BEFORE),
        (WHERE, *HOME, CHECK, SAID, tables.Column("reason", "When")),
        "Recorded before",
    )


draw()
