"""Homes: search, filter, put in order, choose, and take the list along."""

import streamlit as st

from dashboard import data, downloads, filters, frame, tables, wording

who, snapshot, chosen, day = filters.viewer(), filters.snapshot(), filters.current(), filters.as_of()


def draw():
    asked, order = st.columns([3, 2], vertical_alignment="bottom")
    with asked:
        only = st.selectbox("Only homes with", list(data.QUESTION), index=None, placeholder="All homes", key="only", bind="query-params", format_func=lambda name: data.QUESTION[name].label)
    with order:
        sort = st.selectbox("In order of", list(data.SORTS), key="sort", bind="query-params", format_func=wording.ORDERS.get)
    if only:
        tables.said(f"{data.QUESTION[only].meaning}{wording.CHECK_IS_UNVERIFIED if only == 'safety-not-verified' else ''}")
    count = data.homes_count(who, snapshot, chosen, only or "", day)
    page = filters.page_of(count, data.ROWS_A_PAGE)
    found = data.homes(who, snapshot, chosen, only or "", day, sort, page)
    tables.show(found, (
        tables.home(filters.home_link),
        tables.Column("agency", "Agency"), tables.risk(), tables.Column("headline", "Standing"),
        tables.count("open_deficiencies", "Open", help="Deficiencies open in the home, whatever their stage."),
        tables.count("safety_not_verified", "Not verified", help="Safety-critical checks that were never verified."),
        tables.Column("region", "Region"), tables.Column("crew", "Crew", help="Last known to have worked on the home's heating."),
        tables.Column("job_number", "Job", kind=tables.SHORT), tables.day("last_inspected_on", "Last visit"),
    ), wording.range_of(page, data.ROWS_A_PAGE, count, "home"), empty="No home fits. Take away a filter, or check the spelling of the search.")
    filters.pages(count, data.ROWS_A_PAGE)
    if count:
        picked = filters.choose(found)
        what = f"what is open in {wording.plural(len(picked), 'chosen home')}" if picked else f"what is open in {'this home' if count == 1 else f'these {count:,} homes'}"
        downloads.offer(lambda: data.flagged(who, snapshot, chosen, only or "", day, picked), downloads.name("flagged", snapshot, day), what)


if not frame.nothing_loaded():
    draw()
