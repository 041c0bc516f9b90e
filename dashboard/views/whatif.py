"""What if: set limits or costs, see which homes would gain and lose which flags, adopt them or not."""

from functools import partial

import streamlit as st

from dashboard import data, deciding, differing, filters, frame, limit_words, tables, trying, wording

who, snapshot = filters.viewer(), filters.snapshot()
chosen = filters.current("agency", "region", "crew")
ANY = "Every region"
KINDS = {
    trying.LIMITS: "A limit",
    trying.ACCEPTED: "Kinds that are accepted",
    trying.RISK: "How grave and how likely a check is",
    trying.MEASURES: "What work costs and takes",
}
COUNTED = {
    trying.GAINED: "Gained",
    trying.LOST: "Lost",
    trying.GRAVER: "Graver",
    trying.LIGHTER: "Lighter",
}
MEANS = {
    trying.GAINED: "Open under the limits tried, and not now.",
    trying.LOST: "Open now, and not under the limits tried.",
    trying.GRAVER: "Open under both, of a graver risk under the limits tried; or a repair did not hold.",
    trying.LIGHTER: "Open under both, of a lesser risk under the limits tried.",
}
HELD = {trying.HELD: "Newly held before reporting", trying.RELEASED: "No longer held"}


def changes():
    """The changes in the address; what says none is named and left out."""
    found = {}
    for text in st.query_params.get_all("set"):
        with frame.errors_shown():
            one = trying.edit(text)
            found[one.about] = one
    return tuple(found.values())


def go(*several):
    """Another choice of changes, in the address."""
    st.query_params.from_dict({"set": [one.text for one in several]} if several else {})
    st.rerun()


def link(several, **asked):
    return filters.link("whatif", set=[one.text for one in several], **asked)


# ---- choosing


def choose(found, several):
    """A value to be set: which, for whom, to what."""
    kind, thing = st.columns([1, 2])
    table = filters.one_of("What", "kind", list(KINDS), KINDS.get, where=kind)
    offered = [name for name, setting in found.items() if setting.table == table]
    name = thing.selectbox(
        "Which", offered, format_func=lambda name: limit_words.title(found[name]), key=f"which {table}"
    )
    setting = found[name]
    spots = st.columns(3, vertical_alignment="bottom")
    region, agency = where(setting, spots[0], spots[2])
    value = setting.of(region, agency)
    with spots[1] if setting.by_region else spots[0]:
        wanted = field(setting, value, f"{name} {region} {agency}")
    tables.facts(limit_words.about(setting, value))
    if setting.own:
        tables.folded(
            f"Set otherwise {wording.plural(len(setting.own), 'time')} for a region or from a day on",
            limit_words.own(setting),
        )
    if st.button("Set it", disabled=wanted is None or wanted == value):
        one = trying.Edit(setting.table, setting.key, wanted, setting.part, region, agency)
        go(*(before for before in several if before.about != one.about), one)


def where(setting, left, right):
    """The region and agency it is set for; empty for all."""
    if not setting.by_region:
        return "", ""
    offered = data.choices(who, snapshot)
    regions = [name for name in offered["region"] if name != data.NOT_RECORDED]
    region = left.selectbox("For", [ANY, *regions], key="for")
    if region == ANY:
        return "", ""
    agencies = ["", *offered["agency"]]
    return region, right.selectbox(
        "Of", agencies, format_func=lambda name: name or "every agency with such a region", key="of agency"
    )


def field(setting, value, key):
    """What to set it to."""
    if setting.table == trying.ACCEPTED:
        return tuple(
            st.multiselect("To", setting.words, list(value), format_func=wording.word, key=f"to {key}")
        )
    if setting.words:
        texts = list(setting.words)
        picked = st.selectbox("To", texts, index=texts.index(str(value)), key=f"to {key}")
        return type(value)(picked)
    number = st.number_input(
        limit_words.field_label(setting),
        min_value=float(setting.least),
        max_value=float(setting.most),
        value=None if value is None else float(value),
        step=limit_words.step(setting, value),
        format="%g",
        key=f"to {key}",
    )
    return None if number is None else float(number)


def listed(found, several):
    """The changes so far, each to be taken out."""
    rows = [
        limit_words.changed(found, one, trying.now(found, one), index) for index, one in enumerate(several)
    ]
    tables.show(
        tables.rows(rows),
        (
            tables.Column("title", "What"),
            tables.Column("place", "For"),
            tables.Column("before", "Now", kind=tables.NUMBER),
            tables.Column("after", "Tried", kind=tables.NUMBER),
            tables.Column(
                "out",
                "",
                link=lambda row: link([one for at, one in enumerate(several) if at != row.position]),
                kind=tables.SHORT,
            ),
        ),
        wording.plural(len(several), "change"),
        empty="Nothing is set otherwise yet. Choose a value below.",
    )


# ---- trying


def try_it(text):
    """The trial of a text, once it is over; until then the button that begins it, or how far it is."""
    work = trying.trial_of(snapshot, text)
    if work is not None and work.wait(0) and work.error is None:
        return work
    if work is None or work.error is not None:
        if work is not None and work.error is not None:
            frame.notice(frame.words_of(work.error))
        if not st.button("See what it would change", type="primary"):
            tables.said(
                "Every inspection is worked out again; where costs and hours of work alone are tried, only "
                "the plan is. Nothing is published or changed."
            )
            return None
        work = trying.begin(snapshot, text)
    frame.at_work(work, "Trying")
    st.rerun()


def result(work, several):
    told = trying.told(who, snapshot, chosen, work)
    tables.section("What would change", limit_words.took(work.tried.seconds, work.tried.costs_alone))
    if told.tried.notes:
        tables.lines_of("Set for what no inspection names, and so without effect", told.tried.notes)
    facts = [
        (COUNTED[name], wording.plural(count, "home"), link(several, show=name) if count else None)
        for name, count in told.homes.items()
    ]
    for name, label in HELD.items():
        count = trying.held_count(told, name)
        facts.append((label, wording.plural(count, "home"), link(several, show=name) if count else None))
    tables.numbers(facts)
    tables.said(trying.plans_said(told.tried))
    if not told.differences.num_rows:
        tables.said("No flag would change.")
    homes(told)
    if told.differences.num_rows:
        for counted, of, heading in (
            (told.by_check, "check", "Homes by deficiency"),
            (told.by_risk, "risk", "Homes by the risk of what would change"),
        ):
            differing.numbers(counted, of, heading, COUNTED, MEANS, partial(link, several))


def homes(told):
    """The homes behind a number that was followed."""
    asked = differing.asked_part(trying.SAID)
    if asked is not None:
        show, part = asked
        tables.section(f"{COUNTED[show]}{differing.of_part(part)}", MEANS[show])
        count = trying.homes_count(told, part)
        page = differing.page_of(count)
        differing.homes(trying.homes_page(told, part, page), count, page)
    elif (show := st.query_params.get("show", "")) in HELD:
        tables.section(HELD[show])
        count = trying.held_count(told, show)
        page = differing.page_of(count)
        differing.homes(trying.held_page(told, show, page), count, page, with_flags=False)


# ---- adopting


def adopt(work):
    tables.section(
        "Adopt it",
        "The policy file is changed, its comments kept, and the change is logged with your name and reason. "
        "It takes effect at the next build, and can be taken back.",
    )
    left, right = st.columns([1, 2])
    with left:
        by = deciding.who_decides()
    why = right.text_input("Why", key="why adopted").strip()
    if st.button("Adopt these values", disabled=not (by and why)):
        with frame.errors_shown():
            trying.adopt(who, work, by, why)
            go()


def adopted_so_far():
    lines = trying.log()
    if not lines:
        return
    tables.section("Changes adopted", "The newest first.")
    tables.show(
        tables.rows(lines),
        (
            tables.count("number", "Change"),
            tables.Column("at", "When", limit_words.moment, kind=tables.SHORT),
            tables.Column("who", "Who"),
            tables.Column("takes_back", "What", limit_words.taken_back, kind=tables.SHORT),
            tables.Column("why", "Why", width="45%"),
        ),
        wording.plural(len(lines), "change"),
        empty="",
    )
    last = trying.may_be_taken_back(lines)
    if last and trying.may_adopt(who):
        with st.expander(f"Take change {last.number} back"):
            named = st.text_input("Your name", st.session_state.get("decides", ""), key="takes back")
            by, why = named.strip(), st.text_input("Why", key="why back").strip()
            if st.button("Restore the policy before it", disabled=not (by and why)):
                with frame.errors_shown():
                    trying.take_back(who, last.number, by, why)
                    st.rerun()


def build():
    """Build the snapshot under the policy adopted, if that is wanted."""
    work = st.session_state.get("building")
    if work is None and st.button("Build the snapshot under the policy as it now stands", type="primary"):
        work = st.session_state["building"] = trying.publish(who)
    if work is not None:
        frame.at_work(work, "Building")
        del st.session_state["building"]
        if work.error is None:
            st.rerun()
        frame.notice(frame.words_of(work.error))


def draw():
    found = trying.settings()
    wanted = changes()
    several = tuple(one for one in wanted if limit_words.name(one) in found)
    for one in wanted:
        if one not in several:
            frame.notice(f"The policy has nothing called {limit_words.name(one)!r}.")
    if trying.waits_for_build() and trying.may_adopt(who):
        build()
    tables.section("Tried", "What stands in the fleet's policy now, and what is tried in its place.")
    listed(found, several)
    with st.expander("Set a value", expanded=not several):
        choose(found, several)
    work = None
    with frame.errors_shown():
        if several:
            work = try_it(trying.proposed(several))
    if work is not None:
        result(work, several)
        if trying.may_adopt(who):
            adopt(work)
    adopted_so_far()


if not frame.nothing_loaded():
    draw()
