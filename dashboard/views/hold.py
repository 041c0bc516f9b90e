"""Hold before reporting: units whose final inspection is done and that should not be reported yet."""

from dashboard import data, downloads, filters, frame, tables, wording

who, snapshot, chosen, day = filters.viewer(), filters.snapshot(), filters.current(), filters.as_of()


def draw():
    by_agency = data.held(who, snapshot, chosen)
    tables.said(
        "A unit may be reported only after its final inspection, and money for entering it again later is "
        "scarce. Held is what has an open deficiency, or a safety-critical check never verified."
    )
    tables.show(
        by_agency,
        (
            tables.Column("agency", "Agency", link=lambda row: filters.link("hold", agency=row.agency)),
            tables.count("units", "Units to hold"),
            tables.count("opened", "With something open"),
            tables.count("unverified", "For want of verification only"),
            tables.day("oldest", "Oldest last visit"),
        ),
        "Units to hold, by agency",
        empty=(
            "No unit needs to be held: none with a final inspection, not yet reported, has anything open "
            "or a safety-critical check not verified."
        ),
        wide=False,
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
        data.homes_page(who, snapshot, chosen, "hold", day, "risk", page),
        tables.homes(filters.home_link, "What holds it back"),
        wording.range_of(page, data.ROWS_A_PAGE, count, "unit"),
        empty="",
    )
    filters.pages(count, data.ROWS_A_PAGE)


if not frame.nothing_loaded():
    draw()
