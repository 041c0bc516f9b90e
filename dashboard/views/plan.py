"""Plan: which work removes the most risk for this money, what holds it back, why a home is in or out."""

import streamlit as st

from dashboard import charts, data, downloads, filters, frame, pictures, tables, wording
from dashboard.markup import as_label

who, snapshot, chosen, day = filters.viewer(), filters.snapshot(), filters.current(), filters.as_of()
SHOWN = {"in": "Homes in the plan", "out": "Homes left out"}
START, MOST = 100_000, 10**9
MOST_WRITTEN = 1_500  # characters of hours in an address
HOURS = (
    "An empty field is no limit. Money that is one agency's alone is a fund of its own: a [[fund]] in the "
    "fleet's funds.toml with agencies and an amount."
)
HOW = (
    "Act today always; then the levels that the policy puts first, then what removes most risk for what it "
    "takes. One trip to a home counts once. A root put right takes its symptoms along; a symptom alone does "
    "not hold. What was accepted, deferred, referred, refused or ordered is not planned again."
)


def budget(where):
    """Dollars, kept in the address."""
    if "budget" not in st.session_state:
        written = st.query_params.get("budget", "")
        plain = written.isascii() and written.isdigit()
        st.session_state["budget"] = min(int(written), MOST) if plain else START
    found = where.number_input(
        "Budget, dollars", min_value=0, max_value=MOST, key="budget", step=10_000, persist_state="session"
    )
    filters.write("budget", None if found == START else str(found))
    return float(found)


def hours_by_agency():
    """Crew hours of agencies with a limit, a field each, kept in the address as far as it is short."""
    agencies = data.choices(who, snapshot)["agency"]
    written = dict(map(data.plan_hours, st.query_params.get_all("hours")))
    for name in written.keys() - set(agencies):
        frame.notice(f"There is no agency called {name!r}: its hours limit nothing.")
    shown = chosen.agency or agencies
    with st.expander("Crew hours by agency", expanded=bool(written)):
        tables.said(HOURS)
        spots = st.columns(4)
        found = [(name, hours_of(name, written.get(name), spots[at % 4])) for at, name in enumerate(shown)]
    limits = tuple((name, hours) for name, hours in found if hours is not None)
    texts = [f"{name}={hours:.15g}" for name, hours in limits]
    short = sum(map(len, texts)) <= MOST_WRITTEN
    filters.write("hours", texts if short else None, *(f"hours {name}" for name in shown))
    if not short:
        tables.said("These are more hours than an address holds: they are kept as long as this page is open.")
    return limits


def hours_of(agency, written, where):
    """The field of an agency's hours; None where it is empty."""
    key = f"hours {agency}"
    if key not in st.session_state:
        st.session_state[key] = None if written is None else min(written, float(MOST))
    return where.number_input(
        as_label(agency),
        min_value=0.0,
        max_value=float(MOST),
        value=None,
        key=key,
        step=10.0,
        format="%g",
        placeholder="no limit",
        persist_state="session",
    )


def asked():
    """What the fields ask for."""
    left, right = st.columns(2)
    dollars = budget(left)
    weighing = filters.one_of(
        "Risk weighed by", "weigh", list(data.WEIGHINGS), data.WEIGHINGS.__getitem__, where=right
    )
    return data.PlanAsked(dollars, hours_by_agency(), weighing, chosen)


def homes(found):
    show = filters.one_of("Show", "show", list(SHOWN), SHOWN.__getitem__)
    inside = show == "in"
    _, count = data.plan_homes(found, inside, 1)
    page = filters.page_of(count, data.ROWS_A_PAGE)
    rows, _ = data.plan_homes(found, inside, page)
    money = (
        tables.Column("work", "Work"),
        tables.Column("cost", "Dollars", lambda usd: f"{usd:,.0f}", kind=tables.NUMBER),
        tables.Column("hours", "Crew hours", lambda hours: f"{hours:,.1f}", kind=tables.NUMBER),
        tables.Column("worth", "Risk removed", lambda worth: f"{worth:,.0f}", kind=tables.NUMBER),
    )
    tables.show(
        rows,
        (
            tables.home(filters.home_link, under="job_number"),
            tables.agency(under="region"),
            tables.risk(),
            tables.count("open", "Open"),
            *(money if inside else ()),
            tables.Column("why", "Why it is in" if inside else "Why it is out"),
        ),
        wording.range_of(page, data.ROWS_A_PAGE, count, "home"),
        empty="No home.",
    )
    filters.pages(count, data.ROWS_A_PAGE)


def draw():
    tables.said(HOW)
    with frame.errors_shown():
        question = asked()
        with st.spinner("Working out the plan"):
            shown = data.plan_page(who, snapshot, question, day)
        found = shown.found
        tables.facts(data.plan_facts(found))
        if not len(found.plan.column):
            return
        chart, words = charts.risk_against_money(
            shown.curve, question.budget, found.plan.cost, found.plan.solution.worth
        )
        tables.section("Risk removed against money", words)
        pictures.place(chart, words)
        tables.said(
            "The line of this plan is solved at six budgets. The other two take homes whole while the money "
            "and the hours last, and know no funds; the dot is this plan, within all limits."
        )
        tables.said(
            f"The next 10,000 dollars would remove {shown.more_worth:,.0f} more, "
            f"in {wording.plural(max(shown.more_homes, 0), 'more home')}."
        )
        downloads.offer(
            lambda: data.plan_list(snapshot, found),
            downloads.name("plan", snapshot, day),
            "the plan, and what is left out and why",
        )
        packets(found)
        homes(found)


def packets(found):
    """The plan as work packets, as far as there is a way to hand out so many."""

    def made(ending):
        return data.packets_made(data.packets_of_plan(who, snapshot, found), ending)

    inside = data.plan_homes(found, True, 1)[1]
    if 0 < inside <= data.MOST_IN_PACKETS:
        name = downloads.name("packets", snapshot, day)
        downloads.as_they_are(made, name, data.PACKET_ENDINGS, "its work packets, by crew and day")
    elif inside:
        tables.said(f"Work packets are made for up to {data.MOST_IN_PACKETS:,} homes: choose fewer.")


if not frame.nothing_loaded():
    draw()
