"""Crews: what finals found after their work against what chance gives, by the alphabet; the units counted."""

import streamlit as st

from dashboard import audit_words, charts, data, downloads, filters, frame, months, pictures, tables, wording

who, snapshot, chosen = filters.viewer(), filters.snapshot(), filters.current("agency", "crew")
FEW = data.limit(who, snapshot, "few_visits") if snapshot else 0
SURE = data.limit(who, snapshot, "sure_certainty") if snapshot else 0
CREW, CALLED = data.CREW, data.compared_by()
NO_RANKING = (
    "In the order of the alphabet, without score or rank: small numbers scatter, houses and territories "
    "differ, and what was not verified is in no share. Expected is what a model of region, tank, boiler's "
    "age and elevation gives for the same houses, whoever worked there."
)
HOW_TO_READ = (
    "Each mark is one of them: the further right, the more units. Within the darker band 95 of 100 would lie "
    "by chance alone, within the lighter one 998 of 1,000; only what lies outside asks for a reason."
)
NOT_SEPARABLE = (
    "Under eight crews in an agency, or where nobody else works in a crew's regions, counts do not separate "
    "the crew from its houses and its inspectors: look at the units before you speak to the crew."
)
MOST_LACKING = 8
NOT_NAMED = "nobody named"
WHOSE_SAID = (
    "Not seen at audit: no telling reading there. Seen but not ordered: work was ordered, but none that "
    "fixes it. Ordered but not right: such work was ordered or reported, and the final still finds it. "
    "Passed at the final: ok there, deficient when re-inspected. Changed since: ok before, no such work in "
    "between. Nobody: the record does not decide. What an audit finds belongs to the house."
)
HOW_GAUGES = (
    "Cold pressures not read on the boiler's own gauge, charges at zero pressure and hot temperatures, "
    "against the settings of the house and what others read at the same system with no work between. What "
    "is told is larger than chance and large enough to matter; look at the gauge, not at the person."
)
NONE_OFF = "No gauge or thermometer reads off by more than chance, as far as its readings can be compared."
HOW_HABITS = (
    "Of an inspector's readings, how many show this, and how many would if they read as the agency's other "
    "inspectors do. Only what lies beyond chance is listed."
)
HOLDING = (
    tables.count("visits", "Verified units", help="Home, system and job that could be told, by the final."),
    tables.count("observed", "Deficient", help="Whoever is to be charged with it."),
    tables.count("observed_sure", "Of these sure", help=f"With a certainty of {SURE:g} or more."),
    tables.Column("expected", "Expected", audit_words.expected, "In the same houses.", kind=tables.NUMBER),
    tables.Column(
        "rate",
        "Share, and its 95 % interval",
        lambda row: f"{wording.percent(row.rate)} ({wording.interval(row.own_low95, row.own_high95)})",
        "Exact limits (Clopper and Pearson), for chance alone.",
        kind=tables.NUMBER,
        of_row=True,
    ),
    tables.count("not_verified", "Not verified", help="Units whose final could not tell; in no share."),
    tables.Column(
        "rate_best",
        "At best and worst",
        lambda row: wording.interval(row.rate_best, row.rate_worst),
        "Had all that was not verified been ok, or deficient.",
        kind=tables.NUMBER,
        of_row=True,
    ),
    tables.Column("standing", "Standing", audit_words.stands, of_row=True, width="22%"),
)


def to_cell(kind):
    """Address of one check of one name."""

    def address(row):
        if kind == CREW:
            return filters.link("crews", agency=row.agency, crew=row.name, of_check=row.check_id)
        return filters.link("crews", agency=row.agency, kind=kind, named=row.name, of_check=row.check_id)

    return address


def to_name(kind):
    if kind == CREW:
        return lambda row: filters.link("crews", agency=row.agency, crew=row.name)
    return lambda row: filters.link("crews", agency=row.agency, kind=kind, named=row.name)


def beyond(kind, found):
    tables.show(
        found[found["beyond"].notna()],
        (
            tables.Column("name", kind.capitalize(), link=to_name(kind), kind=tables.SHORT),
            *(() if kind == "agency" else (tables.agency(),)),
            tables.Column("check_id", "Check", CALLED.__getitem__, link=to_cell(kind)),
            tables.Column("beyond", "What finals found", audit_words.beyond_chance, of_row=True, width="38%"),
            tables.Column("standing", "Standing", kind=tables.SHORT),
        ),
        "Beyond chance",
        empty="Nothing lies beyond what chance gives, as far as was verified.",
    )
    tables.said(NOT_SEPARABLE)


def grids(kind, found):
    """A grid for each agency; agencies among each other in one."""
    parts = [("", found)] if kind == "agency" else list(found.groupby("agency", sort=False))
    for number, (agency, part) in enumerate(parts):
        tables.grid(
            part,
            CALLED,
            FEW,
            to_name(kind),
            to_cell(kind),
            agency or "Agencies",
            empty="No unit has had a final inspection, as the filters stand.",
            key=number == 0,
        )


def one_check(kind, agency, name, check):
    """The funnel of one check with one name on it, and the units counted."""
    found = data.funnel(who, snapshot, agency, kind, check)
    if not found.visits:
        tables.said("No unit could be verified for this check.")
        return
    tables.section(f"{CALLED[check]}: {name}" if name else CALLED[check], HOW_TO_READ)
    here = agency or "all agencies"
    tables.said(
        f"{here}: {found.deficient:,} of {wording.plural(found.visits, 'verified unit')} deficient, "
        f"{wording.percent(found.rate)}."
    )
    for row in found.points[found.points["name"] == name].itertuples(index=False):
        tables.said(wording.sentence(audit_words.grid_cell(row)))
    chart, words = charts.funnel(found, name, FEW, f"{CALLED[check]}, {here}")
    pictures.place(chart, words)
    whose = (name if kind == "agency" and name else agency, name if kind == CREW else "")
    months.over_time(who, snapshot, *whose, check, FEW)
    tables.show(
        found.points,
        (
            tables.Column("name", kind.capitalize(), link=to_cell(kind), kind=tables.SHORT),
            *(() if agency else (tables.agency(),)),
            *HOLDING,
        ),
        f"{CALLED[check]}, {here}, in numbers",
        empty="",
    )
    if kind == CREW and name:
        units(agency, name, check)


def units(agency, crew, check):
    outcomes = ("deficient", "not verified", "ok")
    asked = st.query_params.get("outcome", "")
    outcome = asked if asked in outcomes else ""
    found = data.counted_units(who, snapshot, agency, crew, check, outcome)
    tables.show(
        found.head(data.UNITS_SHOWN),
        (
            tables.home(filters.home_link, under="job_number"),
            tables.Column("outcome", "Outcome", mark=wording.OUTCOME_CLASS.get),
            tables.day("final_on", "Final"),
            tables.Column("inspection_id", "Inspection", kind=tables.SHORT),
            tables.Column("again_id", "Re-inspection paired", kind=tables.SHORT),
        ),
        audit_words.units_counted(len(found), data.UNITS_SHOWN, outcome),
        empty="No unit.",
    )


def one_crew(agency, crew):
    """A crew's own page, to hand over, and every check with the units that each number counts."""
    page = data.of_crew(who, snapshot, agency, crew)
    tables.section(
        f"{crew}, {agency}",
        f"{wording.plural(page.units, 'unit')} with a final, {wording.day(page.since)} to "
        f"{wording.day(page.until)}. Its own page prints on one sheet, with nothing of other crews.",
    )
    downloads.as_it_is(
        lambda: data.crew_page_as_pdf(page),
        f"{data.safe_name(f'{agency} {crew}')}.pdf",
        "One page to hand over",
        "this crew's own page",
    )
    tables.lines_of("Three things to change", page.to_change or ("Nothing was found deficient.",))
    tables.lines_of("Compared with chance", page.with_chance)
    found = data.compared(who, snapshot, chosen, CREW, "", crew)
    found = found[(found["agency"] == agency) & (found["visits"] > 0)]

    def counted(column, outcome):
        return tables.count(
            column.name,
            column.label,
            help=column.help,
            link=lambda row: (
                filters.link("crews", agency=agency, crew=crew, of_check=row.check_id, outcome=outcome)
                if getattr(row, column.name)
                else None
            ),
        )

    linked = {"observed": "deficient", "not_verified": "not verified"}
    tables.show(
        found,
        (
            tables.Column("check_id", "Check", CALLED.__getitem__, link=to_cell(CREW)),
            *(counted(one, linked[one.name]) if one.name in linked else one for one in HOLDING),
        ),
        f"{crew}, {agency}: every check that could be verified",
        empty="No check could be verified after this crew's work.",
    )


def next_time():
    found = data.lacking_readings(who, snapshot, chosen)
    tables.section("What to record next time", data.next_reading(found))
    tables.show(
        found.head(MOST_LACKING),
        (
            tables.Column("field", "Reading", lambda field: wording.sentence(data.called(field))),
            tables.count("units", "Units with a danger not ruled out for want of it"),
            tables.count("checks", "Results not verified for want of it"),
        ),
        "Readings that lack at finals",
        empty="No final lacks a reading that a check needs.",
    )


def agreement():
    found = data.agreement(who, snapshot, chosen)
    tables.section(
        "Finals against re-inspections",
        "Units whose final was followed by a re-inspection, no repair in between; for-cause visits aside.",
    )
    tables.show(
        found[found["pairs"] > 0],
        (
            tables.Column("name", "Check"),
            tables.count("pairs", "Pairs"),
            tables.count("agree", "Agree"),
            tables.count("missed", "Missed", help="Ok at the final, deficient at the re-inspection."),
            tables.count("overcalled", "Over-called", help="Deficient at the final, ok when re-inspected."),
            tables.count("not_verified", "Not verified", help="Pairs of which one or both could not tell."),
            tables.Column(
                "kappa",
                "Kappa, 95 % interval",
                audit_words.kappa,
                "Cohen's: agreement beyond chance; none where both saw one outcome only.",
                kind=tables.NUMBER,
                of_row=True,
            ),
        ),
        "Agreement, check by check",
        empty="No final has a re-inspection paired with it.",
    )


def whose_it_is():
    """Deficiencies after the work by whom the record charges them to, and the units behind one count."""
    found = data.charged(who, snapshot, chosen)
    tables.section("Whose is it?", WHOSE_SAID)
    tables.crossed(
        found,
        "check_id",
        "whose",
        lambda row: (
            wording.whole(row.count),
            filters.link("crews", of_check=row.check_id, whose=row.whose),
        ),
        "Deficiencies found after the work, each charged once",
        empty="No deficiency was found after any work.",
        labels=data.titles(),
        heading="Check",
        order=data.WHOSE,
    )
    passed = data.passed_open(who, snapshot, chosen)
    tables.section(
        "Reported with it open: the finals that passed them",
        "Homes reported to the funder with a deficiency that had been found, by who took the last final "
        "before the report and passed it, or said nothing.",
    )
    tables.show(
        passed,
        (
            tables.Column("inspector", "Inspector"),
            tables.agency(),
            tables.count(
                "homes",
                "Homes",
                link=lambda row: filters.link(
                    "crews",
                    agency=row.agency,
                    passed=NOT_NAMED if wording.missing(row.inspector) else row.inspector,
                ),
            ),
            tables.count("deficiencies", "Deficiencies"),
            tables.count("shown", "Shown by the final's own readings"),
        ),
        "By inspector, in the order of the alphabet",
        empty="No unit was reported with something open.",
    )


def passed_by(agency, inspector):
    found = data.passed_homes(who, snapshot, chosen, agency, "" if inspector == NOT_NAMED else inspector)
    tables.section("Reported with it open", f"Homes whose last final before the report {inspector} passed.")
    tables.show(
        found,
        (
            tables.home(filters.home_link),
            tables.day("final_on", "Final"),
            tables.Column("inspection_id", "Inspection", kind=tables.SHORT),
            tables.count("deficiencies", "Deficiencies"),
            tables.count("shown", "Shown by the final's own readings"),
        ),
        f"{wording.plural(len(found), 'home')} passed by {inspector}, {agency}",
        empty="No home.",
    )


def charged_units(check, whose):
    found = data.charged_units(who, snapshot, chosen, check, whose)
    tables.section(f"{data.titles()[check]}: {whose}", WHOSE_SAID)
    tables.show(
        found.head(data.UNITS_SHOWN),
        (
            tables.home(filters.home_link, under="job_number"),
            tables.agency(),
            tables.Column("crew", "Crew", kind=tables.SHORT),
            tables.Column("inspector", "Final taken by", kind=tables.SHORT),
            tables.day("final_on", "Final"),
            tables.Column("inspection_id", "Inspection", kind=tables.SHORT),
            tables.Column("again_id", "Re-inspection paired", kind=tables.SHORT),
        ),
        audit_words.units_counted(len(found), data.UNITS_SHOWN, f"charged to: {whose}"),
        empty="No unit.",
    )


def to_shift(row):
    return filters.link("crews", agency=row.agency, kind="inspector", off=row.inspector, of=row.reading)


def without_shift(agency, inspector, reading):
    """What an inspector's visits would find without a shift that is told."""
    found, visits = data.without_shift(who, snapshot, agency, inspector, reading)
    tables.section(
        f"{audit_words.read(reading)} of {inspector}, {agency}: without the shift",
        f"{wording.plural(visits, 'visit')} worked out again from their readings, with the shift and without "
        "it; make-up water, which is compared between visits, aside. Nothing in the snapshot changes.",
    )
    tables.show(
        found,
        (
            tables.Column("check_id", "Check", CALLED.__getitem__),
            tables.Column("before", "As read"),
            tables.Column("after", "Without the shift"),
            tables.count("visits", "Visits"),
        ),
        f"{wording.plural(int(found['visits'].sum()), 'outcome')} would change",
        empty="No outcome would change.",
    )


def gauges():
    """Whose gauges and thermometers are off, in sentences, and every inspector's in a table."""
    found = data.shifts(who, snapshot, chosen)
    told = found[found["beyond_chance"]]
    tables.section("Gauges and thermometers", HOW_GAUGES)
    if told.empty:
        tables.said(NONE_OFF)
    else:
        tables.lines_of("Read off beyond chance", map(audit_words.gauge_off, told.itertuples(index=False)))
        tables.show(
            told,
            (
                tables.Column("inspector", "Inspector", kind=tables.SHORT),
                tables.agency(),
                tables.Column("reading", "Of", audit_words.read),
                tables.Column(
                    "shift", "Without the shift", lambda _: "what visits would find", link=to_shift
                ),
            ),
            "What a shift changes",
            empty="",
        )
    unknown = int(found["adjusted_p"].isna().sum())
    if unknown:
        tables.said(
            f"{unknown:,} of {wording.plural(len(found), 'gauge or thermometer', 'gauges and thermometers')} "
            "cannot be told: too few readings to compare, or too few others read such houses."
        )
    tables.folded_table(
        found.head(data.UNITS_SHOWN),
        (
            tables.Column("inspector", "Inspector", kind=tables.SHORT),
            tables.agency(),
            tables.Column("reading", "Of", audit_words.read),
            tables.count("readings", "Readings compared"),
            tables.Column(
                "shift",
                "Shift, and its 95 % interval",
                audit_words.shift,
                "+ reads high.",
                kind=tables.NUMBER,
                of_row=True,
            ),
            tables.Column("beyond_chance", "Told", lambda told: "off" if told else ""),
        ),
        "Every gauge and thermometer, in numbers",
    )


def to_habit(row):
    return filters.link("crews", agency=row.agency, kind="inspector", by=row.inspector, habit=row.habit)


def habit_visits(agency, inspector, habit):
    found = data.habit_visits(who, snapshot, agency, inspector, habit)
    tables.section(
        f"{inspector}, {agency}: {audit_words.of_habit(habit)}",
        "Visits at which a usual reading lacks." if habit == "recorded" else "The visits that show it.",
    )
    tables.show(
        found.head(data.UNITS_SHOWN),
        (
            tables.home(filters.home_link),
            tables.day("inspected_on", "Visit"),
            tables.Column("inspection_id", "Inspection", kind=tables.SHORT),
        ),
        audit_words.visits_counted(len(found), data.UNITS_SHOWN),
        empty="No visit.",
    )


def habits():
    found = data.habits(who, snapshot, chosen)
    tables.section("Habits of reading", HOW_HABITS)
    tables.show(
        found,
        (
            tables.Column("inspector", "Inspector", kind=tables.SHORT),
            tables.agency(),
            tables.Column("habit", "What", audit_words.of_habit, width="34%"),
            tables.count("observed", "So many", link=to_habit),
            tables.count("readings", "Of"),
            tables.Column("expected", "Expected", audit_words.expected, kind=tables.NUMBER),
        ),
        "Habits beyond chance",
        empty="No inspector's readings show more of this than others' do, as far as chance lets one tell.",
    )


@frame.kept
def all_of_them(who, snapshot, chosen, kind):
    found = data.compared(who, snapshot, chosen, kind)
    beyond(kind, found)
    if kind == "inspector":
        gauges()
        habits()
    grids(kind, found)
    if kind == CREW:
        next_time()
        whose_it_is()
        agreement()


if not frame.nothing_loaded():
    asked = st.query_params
    left, right = st.columns(2)
    kind = filters.one_of("Compare", "kind", list(data.KINDS), audit_words.KINDS.get, where=left)
    check = filters.one_of(
        "Check", "of_check", list(CALLED), CALLED.get, nothing="Every check, in a grid", where=right
    )
    tables.said(NO_RANKING)
    crew = chosen.crew[0] if kind == CREW and len(chosen.crew) == 1 else ""
    name = crew or (asked.get("named", "") if kind != CREW else "")
    among = data.agencies_of(who, snapshot, crew, chosen.agency) if crew else list(chosen.agency)
    whose = asked.get("whose", "")
    if "passed" in asked and len(chosen.agency) == 1:
        passed_by(chosen.agency[0], asked["passed"])
    elif "off" in asked and asked.get("of", "") in audit_words.READ and len(chosen.agency) == 1:
        without_shift(chosen.agency[0], asked["off"], asked["of"])
    elif "by" in asked and asked.get("habit", "") in data.HABITS and len(chosen.agency) == 1:
        habit_visits(chosen.agency[0], asked["by"], asked["habit"])
    elif check in data.titles() and whose in data.WHOSE:
        charged_units(check, whose)
    elif check:
        one_check(kind, among[0] if len(among) == 1 else "", name, check)
    elif crew:
        for agency in among:
            one_crew(agency, crew)
        next_time()
    else:
        all_of_them(kind)
