"""Files received: what came of each, what was not loaded and why, and which checks each file can answer."""

import streamlit as st

from dashboard import charts, data, downloads, filters, frame, pictures, tables, uploads, wording

who, snapshot, chosen, day = filters.viewer(), filters.snapshot(), filters.current(), filters.as_of()
ANSWERS = (
    "A check is answered where at least one inspection of the file has a result that tells; checks about "
    "the readings themselves count too. "
    "Columns that would open most checks are counted by the column lacking first: a check may need another "
    "one too."
)
MENDING = (
    "Rows to mend are the file's own rows in its own columns, each with its line and what is wrong. The "
    "agency corrects the cells, leaves the headings as they are, and sends it back: "
    "add that file like any other, and its rows take the place of the old ones."
)
SUSPICIONS = (
    "Ids of one agency that differ only in capitals, blanks, punctuation or leading zeros. They are kept "
    "apart, each with its own visits, until a corrected file says otherwise."
)


def brought(row):
    """Address of the homes that a file has rows of, or of its agency's files where it has none."""
    return (
        filters.link("homes", file=row.export_id)
        if row.rows_kept
        else filters.link("files", agency=row.agency)
    )


def files(found):
    mappings = uploads.changeable(who)
    if len(found):
        pictures.show("Files by agency and week", charts.received(found, day, brought))
    tables.show(
        found,
        (
            tables.Column("file_name", "File"),
            tables.Column("agency", "Agency"),
            tables.day("received_at", "Received"),
            tables.Column(
                "mapping",
                "Mapping",
                help="The description of its columns that was used; it leads to where it can be changed.",
                link=lambda row: (
                    filters.link("add", mapping=row.mapping) if row.mapping in mappings else None
                ),
            ),
            tables.Column("status", "Status"),
            tables.count("rows_read", "Rows read"),
            tables.count("rows_kept", "In force"),
            tables.count("rows_not_loaded", "Not loaded"),
            tables.count("rows_repeated", "Repeated", help="Say again what another row says."),
            tables.count(
                "rows_superseded", "Superseded", help="Replaced by a newer row of the same inspection."
            ),
            tables.Column(
                "reason",
                "Remarks",
                lambda row: wording.remarks(row.reason, row.remarks, wording.dropped(row.dropped_headings)),
                help=(
                    "Dropped at the door are columns that look personal and that no field uses: nothing of "
                    "them was stored."
                ),
                of_row=True,
            ),
        ),
        wording.plural(len(found), "file"),
        empty="No file has been received.",
    )


def lost():
    tables.section(
        "Not loaded, by reason",
        "A row not loaded counts in no result. A cell not loaded leaves its row in, with that reading "
        "missing.",
    )
    grouped = data.not_loaded(who, snapshot, chosen)
    old = grouped["again"] == grouped["times"]
    columns = (
        tables.Column("file_name", "File"),
        tables.Column("extent", "What"),
        tables.Column("reason", "Reason"),
        tables.count("times", "Times"),
        tables.count(
            "again",
            "Of these in an earlier file too",
            help="The same cell of the same inspection, or the same row or column of the same agency: "
            "exports that only ever grow send it each time.",
        ),
        tables.Column("headings", "Columns"),
        tables.count("first_line", "First line"),
    )
    tables.show(
        grouped[~old],
        columns,
        "Rows, cells and columns not used as read",
        empty="Everything was used as read, but for what earlier files held too."
        if len(grouped)
        else "Everything was used as read.",
    )
    tables.folded_table(
        grouped[old],
        columns,
        f"{wording.plural(int(old.sum()), 'line')} more of what earlier files held already",
    )
    names = dict(zip(grouped["export_id"], grouped["file_name"], strict=True))
    if names:
        export_id: int = st.selectbox(
            "Download what was not loaded, of which file", list(names), format_func=lambda one: names[one]
        )
        downloads.offer(
            lambda: data.not_loaded_list(who, snapshot, export_id, day),
            f"not-loaded-{export_id}",
            f"{names[export_id]}: every row, cell and column not used as read",
            ("CSV", "XLSX"),
        )
        if export_id in data.to_mend(who, snapshot):
            downloads.as_it_is(
                lambda: data.mended(who, snapshot, export_id)[1],
                f"to-mend-{export_id}.csv",
                "CSV to mend",
                f"{names[export_id]}: the rows to mend",
            )
            tables.said(MENDING)


def answers():
    tables.section("What each file can answer", ANSWERS)
    every = data.answers(who, snapshot, chosen)
    if every:
        drawn = charts.answered(every, data.names(), lambda file: filters.link("homes", file=file))
        pictures.show("Checks by file", drawn)
    for found in every:
        answered, lacking, other = found.answered, found.lacking, found.other
        checks = wording.plural(found.checks, "check")
        tables.subsection(f"{found.file_name}: {len(answered)} of {checks} answered")
        if len(lacking):
            tables.folded(
                f"{wording.plural(len(lacking), 'check')} it cannot answer for want of a column",
                [
                    f"{row.name}: needs {wording.fields_said(row.lacking, data.called)}"
                    for row in lacking.itertuples()
                ],
            )
            opening = wording.columns_said(found.opening, data.called)
            tables.said(f"Columns that would open most checks: {opening}.")
        if len(other):
            tables.folded(
                f"{wording.plural(len(other), 'check')} that no inspection of it answered for other reasons",
                [
                    f"{row.name}: {wording.plural(row.not_verified, 'inspection')} not verified"
                    for row in other.itertuples()
                ],
            )
        tables.folded_table(
            answered,
            (
                tables.Column("name", "Check"),
                tables.count("telling", "Inspections answered"),
                tables.count("not_verified", "Not verified"),
            ),
            f"The {wording.plural(len(answered), 'check')} it answers",
        )


def unverified():
    found = data.not_verified(who, snapshot, chosen)
    tables.section(
        "Safety-critical checks not verified",
        "Homes in which a check was never verified: such a check says nothing of the home, good or bad.",
    )
    for one in data.lacking(who, snapshot, chosen):
        checks = wording.plural(one.checks, "safety-critical check")
        tables.folded(
            f"{one.agency}: its files lack the columns for {checks}, which can never be verified from them",
            [data.called(field) for field in one.fields],
        )
    tables.crossed(
        found,
        "check_id",
        "agency",
        lambda row: (
            (wording.NO_COLUMN, None)
            if row.lacking
            else (
                wording.whole(row.homes),
                filters.link("homes", only="safety-not-verified", check=row.check_id, agency=row.agency),
            )
        ),
        "Homes where a reading was missed at the visit, or could not be trusted",
        empty="Every safety-critical check was verified in every home.",
        labels=data.names(),
        heading="Check",
    )


def agencies():
    recent = data.limit(who, snapshot, "recent_file_days")
    tables.section(
        "By agency",
        f"No recent file: the newest file or the newest inspection is more than {recent:.0f} days old on "
        f"{wording.day(day)}.",
    )
    tables.show(
        data.agencies(who, snapshot, chosen, day),
        (
            tables.Column("agency", "Agency"),
            tables.count("homes", "Homes"),
            tables.count("files", "Files"),
            *tables.recency(day, recent),
        ),
        "Newest file and inspection of each agency",
        empty="No agency has sent a file.",
    )


def suspicions():
    count = data.suspicions_count(who, snapshot, chosen)
    page = filters.page_of(count, data.PAIRS_A_PAGE)
    tables.section("The same home under two spellings?", SUSPICIONS)
    tables.show(
        data.suspicions(who, snapshot, chosen, page),
        (
            tables.home(filters.home_link),
            tables.home(filters.home_link, "other_home_id", "Perhaps the same home"),
            tables.agency(),
            tables.Column("why", "Why"),
        ),
        wording.range_of(page, data.PAIRS_A_PAGE, count, "pair"),
        empty="No two ids of one agency look like the same home.",
    )
    filters.pages(count, data.PAIRS_A_PAGE)


if not frame.nothing_loaded(unless_files=True):
    found = data.exports(who, snapshot, chosen)
    tables.links([("Add a file", filters.link("add"))])
    files(found)
    lost()
    agencies()
    unverified()
    suspicions()
    answers()
