"""Plan: which work removes the most risk for this money, what holds it back, why a home is in or out."""

import streamlit as st

from dashboard import charts, data, downloads, filters, frame, tables, wording

who, snapshot, chosen, day = filters.viewer(), filters.snapshot(), filters.current(), filters.as_of()
SHOWN = {"in": "Homes in the plan", "out": "Homes left out"}
START, MOST = 100_000, 10**9
HOW = (
    "Act today always; then the levels that the policy puts first, then what removes most risk for what it "
    "takes. One trip to a home counts once. A root put right takes its symptoms along; a symptom alone does "
    "not hold. What was accepted, deferred, referred, refused or ordered is not planned again."
)


def number(label, key, where, start, step):
    """A number kept in the address."""
    if key not in st.session_state:
        written = st.query_params.get(key, "")
        plain = written.isascii() and written.isdigit()
        st.session_state[key] = min(int(written), MOST) if plain else start
    found = where.number_input(
        label, min_value=0, max_value=MOST, key=key, step=step, persist_state="session"
    )
    if found != start:
        st.query_params[key] = str(found)
    elif key in st.query_params:
        del st.query_params[key]
    return float(found)


def asked():
    """What the fields ask for."""
    left, middle, right = st.columns(3)
    budget = number("Budget, dollars", "budget", left, START, 10_000)
    weighing = filters.one_of(
        "Risk weighed by", "weigh", list(data.WEIGHINGS), data.WEIGHINGS.__getitem__, where=middle
    )
    hours: tuple[tuple[str, float], ...] = ()
    if len(chosen.agency) == 1:
        given = number("Crew hours of this agency, 0 for no limit", "hours", right, 0, 10)
        hours = ((chosen.agency[0], given),) if given else ()
    else:
        with right:
            tables.said("Choose one agency to limit its crew hours.")
    return data.PlanAsked(budget, hours, weighing, chosen)


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
        st.altair_chart(chart, width="stretch", theme=None, alt=words)
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
