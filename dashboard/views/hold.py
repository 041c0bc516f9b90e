"""Hold before reporting: units whose final inspection is done and that should not be reported yet."""

from dashboard import charts, data, downloads, filters, frame, pictures, tables, wording

who, snapshot, chosen, day = filters.viewer(), filters.snapshot(), filters.current(), filters.as_of()
COUNT = {
    "hold": "units",
    "hold-open": "opened",
    "hold-unverified": "unverified",
    "one-reading": "one_reading",
    "one-measure": "one_measure",
    "may-be-reported": "clear",
}


def asking(question):
    """Link of a count of an agency's units to the homes counted."""
    return lambda row: (
        filters.link("homes", only=question, agency=row.agency) if getattr(row, COUNT[question]) else None
    )


@frame.kept
def by_agencies(who, snapshot, chosen):
    by_agency = data.held(who, snapshot, chosen)
    tables.said(
        "A unit may be reported only after its final inspection, and money for entering it again later is "
        "scarce. Held is what has an open deficiency, or a safety-critical check never verified."
    )
    if by_agency.empty:
        tables.show(by_agency, (), "", empty="No unit has had its final inspection and waits to be reported.")
        return
    pictures.show(
        "Units with a final inspection that are not reported, by agency",
        charts.held(
            by_agency,
            lambda agency, question: filters.link("homes", only=question, agency=agency),
            lambda agency: filters.link("hold", agency=agency),
        ),
    )
    tables.folded_table(
        by_agency,
        (
            tables.Column("agency", "Agency", link=lambda row: filters.link("hold", agency=row.agency)),
            tables.count("units", "Units to hold", link=asking("hold")),
            tables.count("opened", "With something open", link=asking("hold-open")),
            tables.count("unverified", "For want of verification only", link=asking("hold-unverified")),
            tables.count(
                "no_column",
                "Of these only for columns no file has",
                help="Held for nothing but checks that no file of the agency has the columns for.",
            ),
            tables.count("one_reading", "One reading away", link=asking("one-reading")),
            tables.count("one_measure", "One measure away", link=asking("one-measure")),
            tables.count("clear", "May be reported", link=asking("may-be-reported")),
        ),
        "The same by agency, in numbers, and what is one reading or one measure away",
    )


def draw():
    by_agencies()
    by_agency = data.held(who, snapshot, chosen)
    if by_agency.empty:
        return
    if len(chosen.agency) == 1:
        agency = chosen.agency[0]
        downloads.as_it_is(
            lambda: data.monitoring_as_pdf(data.monitoring_of(who, snapshot, agency, day)),
            f"{downloads.name(f'monitoring-{data.safe_name(agency)}', snapshot, day)}.pdf",
            "One page to hand over",
            f"the monitoring packet of {agency}, counts only",
        )
    if by_agency["clear"].sum():
        downloads.offer(
            lambda: data.hold(who, snapshot, chosen, day, clear=True),
            downloads.name("may-be-reported", snapshot, day),
            f"the list of {wording.plural(by_agency['clear'].sum(), 'unit')} that may be reported",
        )
    count = data.homes_count(who, snapshot, chosen, "hold", day)
    if not count:
        return
    page = filters.page_of(count, data.ROWS_A_PAGE)
    downloads.offer(
        lambda: data.hold(who, snapshot, chosen, day),
        downloads.name("hold", snapshot, day),
        wording.these(count, "unit"),
    )
    tables.show(
        data.held_page(who, snapshot, chosen, day, page),
        tables.homes(filters.home_link, tables.why_held()),
        wording.range_of(page, data.ROWS_A_PAGE, count, "unit"),
        empty="",
    )
    filters.pages(count, data.ROWS_A_PAGE)


if not frame.nothing_loaded():
    draw()
