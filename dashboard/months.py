"""A check by month of the final: said, drawn with what happened beside it, and in numbers."""

from dashboard import audit_words, charts, data, frame, pictures, tables, wording

HOW_MONTHS_READ = (
    "Each mark is a month: the share deficient among the units whose final fell in it. Bands are what chance "
    "alone gives about the share in the long run, in as many units: 95 times in 100 the darker, 998 times in "
    "1,000 the lighter. A month outside asks for a reason; other houses or another inspector are reasons, "
    "too. Where the share changed to stay, two heavy lines show it before and since. Upright lines are what "
    "events.csv says happened."
)


def over_time(who, snapshot, agency, crew, check, few):
    """The check by month of the final, for one crew or for the agency, with what happened there."""
    called = data.compared_by()[check]
    found = data.by_month(who, snapshot, agency, crew, check)
    whose = f"{crew}, {agency}" if crew else agency or "all agencies"
    tables.section(f"{called} over time: {whose}", HOW_MONTHS_READ)
    happened = ()
    with frame.errors_shown():
        of_fleet = data.happened(who, snapshot, agency, crew)
        tables.lines(of_fleet.remarks)
        happened = _in_months(of_fleet.events, found.months["month"])
    tables.said(audit_words.over_time(found, few))
    if not found.verified:
        return
    chart, words = charts.over_time(found, happened, few, f"{called}, {whose}", agency)
    pictures.place(chart, words)
    tables.folded_table(
        found.months,
        (
            tables.Column("month", "Month", audit_words.month),
            tables.count("verified", "Verified units"),
            tables.count("deficient", "Deficient"),
            tables.Column("share", "Share", wording.percent, kind=tables.NUMBER),
            tables.Column(
                "most95",
                "By chance 95 of 100",
                lambda row: audit_words.between(row.fewest95, row.most95),
                kind=tables.NUMBER,
                of_row=True,
            ),
            tables.Column(
                "most998",
                "998 of 1,000",
                lambda row: audit_words.between(row.fewest998, row.most998),
                kind=tables.NUMBER,
                of_row=True,
            ),
            tables.count("not_verified", "Not verified"),
            tables.Column("side", "Lies", audit_words.side),
        ),
        f"By month: {called}, {whose}",
    )
    tables.folded_table(
        tables.rows(happened),
        (
            tables.day("day", "Day"),
            tables.Column("kind", "Kind", kind=tables.SHORT),
            tables.Column("what", "What happened"),
            tables.Column("crew", "Crew"),
            tables.agency(),
        ),
        f"What happened in these months: {wording.plural(len(happened), 'event')}",
    )


def _in_months(happened, months):
    """Events that fall in the months shown."""
    shown = {f"{month:%Y-%m}" for month in months}
    return tuple(event for event in happened if f"{event.day:%Y-%m}" in shown)
