"""Homes: search, filter, put in order, choose, and take the list along."""

from functools import partial

import streamlit as st

from dashboard import clicks, data, deciding, downloads, filters, frame, tables, wording

who, snapshot, chosen, day = filters.viewer(), filters.snapshot(), filters.current(), filters.as_of()
CHECK_IS_UNVERIFIED = " With this choice the filter Check means the check that was not verified."


def offered():
    """The questions to choose from; one that a picture asked is among them while it is asked."""
    asked = st.session_state.get("only") or st.query_params.get("only")
    return [*data.OFFERED, *([asked] if asked in data.QUESTION and asked not in data.OFFERED else [])]


def name_of_list(what):
    return downloads.name(what, snapshot, day)


def flagged(picked, only):
    """Makes the list of what is open in the homes chosen, in all of them where none is."""
    return partial(data.flagged, who, snapshot, chosen, only, day, picked)


def taken_along(picked, only, what):
    """Downloads of the list; and no home chosen any more, by one click."""
    row = downloads.offer(flagged(picked, only), name_of_list("flagged"), what)
    if picked:
        row.button("Choose none", on_click=clicks.choose_none)


def packets(picked, only, homes):
    """The same work by crew and day, where it is not too much for paper."""
    if not 0 < homes <= data.MOST_IN_PACKETS:
        return

    def made(ending):
        listed = flagged(picked, only)()
        return data.packets_made(data.packets_of(who, snapshot, listed, day), ending)

    downloads.as_they_are(made, name_of_list("packets"), data.PACKET_ENDINGS, "work packets, by crew and day")


def draw():
    asked, order, take = st.columns([5, 5, 3], vertical_alignment="bottom")
    only = (
        filters.one_of(
            "Only homes with",
            "only",
            offered(),
            lambda name: data.QUESTION[name].label,
            "All homes",
            asked,
        )
        or ""
    )
    sort = filters.one_of("In order of", "sort", list(data.SORTS), wording.ORDERS.get, where=order)
    count = data.homes_count(who, snapshot, chosen, only, day)
    page = filters.page_of(count, data.ROWS_A_PAGE)
    found = data.homes_page(who, snapshot, chosen, only, day, sort, page)
    picked = filters.homes_chosen()
    homes = len(picked) or data.work_count(who, snapshot, chosen, only, day)
    if count:
        in_homes = wording.plural(len(picked), "chosen home") if picked else wording.these(count, "home")
        taken_along(picked, only, f"what is open in {in_homes}")
    with take.popover("Work on paper, decide", width="stretch", disabled=not count):
        downloads.offer_work(flagged(picked, only), name_of_list("flagged"), homes)
        packets(picked, only, homes)
        tables.links([("Take in a list that came back filled in", filters.link("returned"))])
        deciding.on_chosen(snapshot, picked, chosen.check)
    if only:
        question = data.QUESTION[only]
        more = CHECK_IS_UNVERIFIED if only == "safety-not-verified" else ""
        tables.said(f"{question.label}: {question.meaning}{more}")
    tables.show(
        found,
        (
            *tables.homes(filters.home_link, tables.headline(), filters.name_of_row),
            deciding.column(deciding.of_home, lambda asked: filters.link("homes", only=only, decide=asked)),
        ),
        wording.range_of(page, data.ROWS_A_PAGE, count, "home")
        + wording.with_open(data.open_count(who, snapshot, chosen, only, day)),
        order=tables.Order(sort, lambda asked: filters.link("homes", only=only, sort=asked)),
        empty="No home fits. Take away a filter, or check the spelling of the search.",
    )
    filters.pages(count, data.ROWS_A_PAGE)
    deciding.from_homes(who, snapshot, day)


if not frame.nothing_loaded():
    draw()
