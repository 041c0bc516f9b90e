"""One home: what stands open, the loop with its readings, what was recomputed and found, and every visit."""

from functools import partial

import streamlit as st

from dashboard import (
    audit_words,
    charts,
    data,
    deciding,
    downloads,
    filters,
    frame,
    pictures,
    schematic,
    tables,
    wording,
)

PRESSURES = (
    "What was read, cold and hot, each with the range that 19 of 20 such readings keep to, and what this "
    "tank would do from the cold reading on. A hot reading near the dashed curve has lost its cushion; at "
    "the relief line the valve opens, and a reading there says no more than that."
)
who, snapshot, day = filters.viewer(), filters.snapshot(), filters.as_of()
agency, home_id, shown = (st.query_params.get(name, "") for name in ("of", "home", "visit"))


def headline(home):
    tables.subtitle(f"{home.home_id}, {home.agency}", home.headline, home.risk)
    tables.facts(
        [
            ("Address", home.address),
            ("Job", home.job_number),
            ("Region", home.region),
            ("Crew", home.crew),
            ("Last visit", wording.day(home.last_inspected_on)),
            ("Visits", f"{len(home.visits)}"),
            ("Systems", ", ".join(home.systems) if len(home.systems) > 1 else None),
            ("Reporting", "hold before reporting" if home.hold_before_reporting else None),
        ]
    )


def open_now(home):
    tables.section(
        "What stands open",
        "Since: the visit that first found it in the present run. Each leads to the check's other homes.",
    )
    tables.show(
        tables.rows(wording.by_risk(check for check in home.checks if check.stage)),
        (
            tables.Column(
                "title",
                "Deficiency",
                link=lambda row: filters.link("homes", check=row.check_id, agency=home.agency),
                width="15%",
            ),
            tables.risk(),
            tables.Column(
                "check_id", "Found", lambda row: wording.last_said(row.visits, row.inspection_id), of_row=True
            ),
            tables.Column("state", "State", help=wording.STATES_SAID, kind=tables.SHORT),
            tables.Column("stage", "Stage", help=wording.STAGES_SAID, kind=tables.SHORT),
            tables.day("since", "Since"),
            tables.day("due", "Due"),
            tables.Column("due", "Late", lambda due: wording.days_late(due, day), kind=tables.NUMBER),
            tables.Column("decided", "Decided"),
            tables.Column("check_id", "Remedy", lambda check: data.BY_ID[check].remedy),
            deciding.column(
                deciding.of_check,
                lambda asked: filters.link("home", of=home.agency, home=home.home_id, decide=asked),
                "title",
            ),
        ),
        f"Open deficiencies of home {home.home_id}",
        empty="None found open. What was not verified stands below."
        if home.safety_not_verified or not home.assessed
        else "None found open.",
    )
    tables.folded_table(
        tables.rows(data.why_of_home(who, snapshot, home)),
        (
            tables.Column("title", "Deficiency"),
            tables.risk(),
            tables.Column("base", "The check's own"),
            tables.Column("moved", "Raised or lowered, because", wording.text),
            tables.Column("would_change", "What would change it", wording.text),
        ),
        "Why this risk",
    )
    lacking = [check.name for check in home.checks if check.gap_in_safety]
    if home.assessed and lacking:
        tables.folded(f"{wording.plural(len(lacking), 'safety-critical check')} never verified", lacking)


def hand_over(home):
    """The client notice in each language."""
    with frame.errors_shown():
        said = {one: data.notice_of(who, snapshot, home, one, day) for one in data.languages()}
        name = downloads.name(f"notice-{data.safe_name(home.home_id)}", snapshot, day)
        downloads.some(
            {f"{name}-{one}.pdf": partial(data.notice_as_pdf, said[one]) for one in said},
            tuple(data.languages().values()),
            "the notice to the client, one letter page",
        )


def one_visit(home, found):
    opened = [check.check_id for check in home.checks if check.stage and check.system_id == found.system_id]
    tables.section(
        f"The loop, as read on {wording.day(found.inspected_on)}",
        f"Inspection {found.inspection_id}, from {found.source.file_name}, line "
        f"{found.source.source_line:,}. Framed parts have something open today.",
    )
    if found.other_system:
        tables.said(f"Recorded as {found.other_system}: these checks say nothing of it, good or bad.")
        recorded(found)
        return
    readings = {reading.field: reading.text for reading in found.readings}
    tables.picture(
        schematic.drawing(readings, opened), schematic.in_words(readings, opened), "The loop in words"
    )
    pressures(home, found)
    if found.causes:
        tables.section(
            "Fix first", "Links between what this visit found: put the root right before its symptom."
        )
        tables.lines(cause.text for cause in found.causes)
    left, right = st.columns([3, 2], gap="large")
    with left:
        results(home, found)
    with right:
        recomputed(found)
    recorded(found)


def pressures(home, found):
    drawn = data.pressures(who, snapshot, home.agency, found.inspection_id)
    if drawn is None:
        return
    tables.section("Pressure as the loop warms", PRESSURES)
    on = wording.day(found.inspected_on)
    pictures.show(f"Gauge pressure on {on}", charts.pressures(drawn, on))


def results(home, found):
    tables.section("Results of this visit", "")
    above = {
        check.check_id
        for check in home.checks
        if check.stage and (check.system_id, check.inspection_id) == (found.system_id, found.inspection_id)
    }
    for outcome in ("deficient", "not verified", "ok"):
        every = [result for result in found.results if result.outcome == outcome]
        rest = [one for one in every if outcome != "deficient" or one.check_id not in above]
        columns = (
            tables.Column("title", "Check"),
            tables.Column("text", "What was found", partial(wording.without_outcome, outcome)),
        )
        if outcome == "deficient":
            said = (
                f", {len(every) - len(rest)} of it under What stands open" if len(rest) < len(every) else ""
            )
            tables.show(
                tables.rows(rest),
                columns,
                f"Deficient: {len(every)}{said}",
                empty=f"Deficient: {len(every)}, under What stands open."
                if every
                else "Nothing was found deficient at this visit.",
            )
        else:
            tables.folded_table(tables.rows(rest), columns, f"{outcome}: {len(rest)}")
    aside = [result.title for result in found.results if result.outcome == "not applicable"]
    if aside:
        tables.folded(f"not applicable: {len(aside)}", aside)


def recomputed(found):
    tables.section("Recomputed", "From this visit's readings alone.")
    tables.show(
        tables.rows(found.recomputed),
        (
            tables.Column("title", "Quantity, and what it rests on", wording.sentence, under="rests_on"),
            tables.Column("text", "Value", kind=tables.NUMBER),
        ),
        "Recomputed quantities",
        empty="Nothing could be recomputed.",
    )


def recorded(found):
    tables.section("As recorded", "")
    if found.unused:
        tables.show(
            tables.rows(found.unused),
            (
                tables.Column("heading", "Column"),
                tables.Column("raw_text", "Text"),
                tables.Column("reason", "Not used, because"),
                tables.Column("expected", "Accepted"),
            ),
            "Received but not used as read",
            empty="",
        )
    tables.folded_table(
        tables.rows(found.readings),
        (
            tables.Column("field", "Reading", lambda field: wording.sentence(data.called(field))),
            tables.Column("text", "Used as"),
            tables.Column("cells", "Column of the file", wording.cell_headings),
            tables.Column("cells", "Cell, as it stands there", wording.cell_texts),
            tables.Column("cells", "Read in", wording.cell_units),
        ),
        f"Every reading of this visit: {len(found.readings)}",
    )
    if found.cells_lacking:
        frame.notice(f"The cells of the file cannot be shown: {found.cells_lacking}")


def history(home):
    tables.section(
        "Visits",
        "In the order that history follows, the newest last. Filled: deficient; hollow: ok; hatched: not "
        "verified; no mark: does not apply.",
    )
    tables.show(
        tables.rows(home.visits),
        (
            tables.Column(
                "inspection_id",
                "Inspection",
                kind=tables.SHORT,
                link=lambda row: filters.link(
                    "home", of=home.agency, home=home.home_id, visit=row.inspection_id
                ),
            ),
            tables.day("inspected_on", "Date"),
            tables.Column("inspection_kind", "Kind", lambda kind: wording.KINDS.get(kind, "not recorded")),
            *([tables.Column("system_id", "System")] if len(home.systems) > 1 else []),
            tables.Column("crew", "Crew", audit_words.crew_of_visit, of_row=True),
            tables.Column("inspector", "Inspector"),
            tables.Column("stated_result", "Stated"),
            tables.Column("repairs_reported", "Repairs reported", wording.measures),
            tables.day("reported_on", "Reported"),
            tables.Column(
                "source", "File and line", lambda source: f"{source.file_name}, line {source.source_line:,}"
            ),
        ),
        f"Visits to home {home.home_id}",
        empty="",
    )
    if drawn := charts.visits(home):
        chart, words = drawn
        pictures.place(chart, words)
    changed = [
        check
        for check in home.checks
        if len(home.visits) > 1 and any(outcome in ("deficient", "ok") for _, outcome, _ in check.visits)
    ]
    tables.folded_timeline(changed, home.visits, "Every check across the visits")


if not frame.nothing_loaded():
    if not home_id:
        tables.said("Search for a home, or choose one from a list.")
    else:
        home = data.home(who, snapshot, agency, home_id, day)
        headline(home)
        open_now(home)
        hand_over(home)
        deciding.from_checks(snapshot, home)
        deciding.so_far(who, snapshot, home)
        history(home)
        visit = (
            shown
            if shown in {visit.inspection_id for visit in home.visits}
            else home.visits[-1].inspection_id
        )
        one_visit(home, data.inspection(who, snapshot, home.agency, visit))
