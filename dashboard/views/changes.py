"""Changes: what differs between two loads in what was open, and why each."""

import streamlit as st

from dashboard import between, charts, deciding, differing, filters, frame, pictures, tables, wording

who, snapshot = filters.viewer(), filters.snapshot()
chosen = filters.current("agency", "region", "crew")
MEANS = {
    "newly flagged": "Open, and not known to have been open before.",
    "recurred": "Open, and it had been put right, or stood right, in between.",
    "worsened": "Open at both, and now of a graver risk; or a repair did not hold.",
    "eased": "Open at both, and now of a lesser risk.",
    "corrected": "It was open, and the last visit that tells says ok.",
    "gone": "It was open, and nothing that is left says so: a corrected row, other limits, another system.",
}
LABELS = {what: wording.sentence(what) for what in between.WHAT}
OVER_LOADS = (
    "These are changes over loads: of when it was known. A visit of long ago that came in between counts "
    "here. What was seen in which month stands on the first page."
)
WHY = (
    "New visit: the visit that decides had not been loaded before. Corrected export: a newer file says "
    "something else of it. Policy, version: nothing was received, and the limits or the program differ."
)


def draw():
    offered = between.kept()
    usual = between.usual()
    if usual is None:
        tables.said("One load is kept so far. After the next one, what changed between them stands here.")
        return
    left, right = st.columns(2)
    before = one_of("From", "from", offered, usual[0], left)
    after = one_of("To", "to", offered, usual[1], right)
    tables.said(OVER_LOADS)
    if int(before) >= int(after):
        frame.notice("Choose an earlier load for From than for To.")
        return
    with frame.errors_shown():
        told = between.told(who, snapshot, chosen, before, after)
        compared(told, before, after, f"from {offered[before]} to {offered[after]}")


def one_of(label, key, offered, usual, where):
    """A moment, kept in the address by its number; without one it is the usual."""
    first = {usual: offered[usual], **offered}
    return filters.one_of(label, key, list(first), offered.get, where=where)


def compared(told, before, after, said):
    def link(**asked):
        return filters.link("changes", **{"from": before, "to": after}, **asked)

    if not told.differences.num_rows:
        tables.said("Nothing that is open, or was, differs between the two.")
        return
    homes(told)
    pictures.show(
        f"What came, what went {said}",
        charts.changed(
            told.by_gravest, told.homes, lambda what, risk="": link(show=what, gravest=risk or None)
        ),
    )
    for counted, of, heading in (
        (told.by_gravest, "gravest", "Homes by the gravest of their changes"),
        (told.by_why, "why", "Homes by why"),
        (told.by_check, "check", "Homes by deficiency"),
    ):
        differing.numbers(counted, of, heading, LABELS, MEANS, link)
    tables.said(WHY)


def homes(told):
    """The homes behind a number that was followed."""
    asked = differing.asked_part(between.EACH)
    if asked is not None:
        show, part = asked
        tables.section(f"{LABELS[show]}{differing.of_part(part)}", MEANS[show])
        count = between.homes_count(told, part)
        page = differing.page_of(count)
        differing.homes(between.homes_page(told, part, page), count, page)


def name_it():
    """A form that names the present moment."""
    with st.expander("Name the present moment"):
        tables.said("What is open now is kept for good under this name, and found again above.")
        left, right = st.columns(2)
        name = left.text_input("Name", placeholder="as reported in June", key="moment named").strip()
        with right:
            by = deciding.who_decides()
        if st.button("Keep it", disabled=not (name and by)):
            with frame.errors_shown():
                tables.said(f"Kept as {between.give_name(name, by)}.")


if not frame.nothing_loaded():
    draw()
    name_it()
