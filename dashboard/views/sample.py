"""The re-inspection sample: what the program asks for, a draw, and what samples drawn let one conclude."""

from datetime import UTC, datetime

import streamlit as st

from dashboard import audit_words, data, downloads, filters, frame, tables, wording

who, snapshot, chosen = filters.viewer(), filters.snapshot(), filters.current("agency")
RULES = {
    data.SHARE: "What the program is short of",
    data.DISCOVER: "Enough to discover a share that is bad",
    data.NUMBER: "A number",
}
MOST_SHOWN, MOST_SEED = 20, 10**9
COUNTED = {
    "units": "Units completed",
    "finals": "Units with a final",
    "own_finals": "Units whose final was by who also audited the unit or worked on it",
    "done": "Units re-inspected as a sample",
    "for_cause": "Units visited for cause",
    "in_frame": "Units left to draw from",
}
HOW_DRAWN = (
    "Random within each crew of an agency, in proportion to its units, one at least of each: every unit with "
    "a final and no sample re-inspection since can be drawn. The seed, the frame's hash and all alternates "
    "are kept, so that anyone can make the draw again; a draw is never changed or thrown away."
)
WHAT_IT_SAYS = (
    "At most: with 95 % confidence, no more of the frame had one when it was looked at. It holds for units "
    "drawn at random and visited, of this frame alone; it says nothing of one crew, of what was not looked "
    "at, or of what came after the visit. Visits for cause are in no count. Where nothing was found it holds "
    "wherever the bad ones stand; else it is reckoned as one random draw of the whole frame."
)
CHECKS = (
    tables.Column("check_id", "Check", data.names().__getitem__),
    tables.count("told", "Units told"),
    tables.count("deficient", "Deficient"),
    tables.Column(
        "at_most",
        "At most of the frame",
        audit_words.at_most,
        "With 95 % confidence.",
        kind=tables.NUMBER,
    ),
)


def behind(name, label, help=""):
    """A number of units that leads to them."""

    def address(row):
        if not getattr(row, name):
            return None
        return filters.link("sample", agency=row.agency, year=row.program_year, counted=name)

    return tables.count(name, label, help=help, link=address)


def units(agency, year, counted, named):
    found = data.program_units(who, snapshot, agency, year, counted)
    tables.section(f"{COUNTED[counted]}: {agency}, {named}")
    tables.show(
        found.head(data.UNITS_SHOWN),
        (
            tables.home(filters.home_link, under="job_number"),
            tables.Column("system_id", "System", kind=tables.SHORT),
            tables.Column("crew", "Crew", kind=tables.SHORT),
            tables.day("completed_on", "Completed"),
            tables.day("final_on", "Final"),
            tables.Column("final_id", "Inspection", kind=tables.SHORT),
            tables.day("again_on", "Re-inspected"),
            tables.Column("again_id", "Re-inspection", kind=tables.SHORT),
        ),
        audit_words.units_counted(len(found), data.UNITS_SHOWN, ""),
        empty="No unit.",
    )


def required():
    found = data.reinspections_required(who, snapshot, chosen)
    named = data.program_years(who, snapshot)
    share, own = (
        data.limit(who, snapshot, name) for name in ("reinspected_share", "reinspected_share_own_final")
    )
    tables.said(
        f"Of completed units at least {100 * share:g} % are re-inspected by agency and program year; "
        f"{100 * own:g} % where who took the final also audited the unit or worked on it, or where "
        "nobody can tell. A unit is a home, system and job."
    )
    tables.show(
        found.assign(year=found["program_year"].map(named)),
        (
            tables.agency(),
            tables.Column("year", "Program year", kind=tables.SHORT),
            behind("units", "Completed", "With a day of completion or a final."),
            behind("finals", "With a final"),
            behind("own_finals", "Final not independent", "By who also audited the unit or worked on it."),
            tables.count("required", "Required"),
            behind("done", "Done", "Units re-inspected as a sample, visits for cause aside."),
            tables.count("short", "Short"),
            behind("for_cause", "Visited for cause", "In no rate and not counted as done."),
            behind("in_frame", "Left to draw from", "With a final, no sample re-inspection since."),
        ),
        "Re-inspections required, done and short",
        empty="No unit is completed or has a final inspection.",
    )
    return named


def asked(years):
    """What the form asks for."""
    left, middle, right, last = st.columns(4)
    year = filters.one_of("Program year", "year", list(map(str, years)), _named(years), where=left)
    rule = filters.one_of("How many", "rule", list(RULES), RULES.get, where=middle)
    amount = 0.0
    if rule == data.DISCOVER:
        amount = right.number_input(
            "Share bad, in percent", min_value=0.5, max_value=100.0, value=10.0, key="percent"
        )
    elif rule == data.NUMBER:
        amount = right.number_input("Units", min_value=1, value=10, key="units")
    st.session_state.setdefault("seed", data.fresh_seed())
    seed = last.number_input(
        "Seed", min_value=0, max_value=MOST_SEED, key="seed", help="Decides who is drawn; kept with the draw."
    )
    return data.Asked(chosen.agency, int(year), rule, float(amount), int(seed))


def _named(years):
    return lambda year: years[int(year)]


def draw(years):
    tables.section("Draw a sample", HOW_DRAWN)
    question = asked(years)
    with frame.errors_shown():
        try:
            drawn = data.sample_previewed(who, snapshot, question, datetime.now(UTC).date())
        except data.NothingShort as met:
            tables.said(wording.sentence(str(met)))
            return
        units = wording.plural(drawn["size"], "unit")
        tables.said(f"{units} would be drawn. {wording.sentence(drawn['why'])}.")
        tables.show(
            tables.rows(drawn["strata"]),
            (
                tables.Column("stratum", "Group"),
                tables.count("units", "Units"),
                tables.count("drawn", "Drawn"),
                tables.Column("weight", "Each stands for", lambda weight: f"{weight:g}", kind=tables.NUMBER),
            ),
            "By agency and crew",
            empty="",
        )
        if st.button(f"Draw and record {units}", type="primary"):
            st.session_state["sample"] = data.keep_sample(drawn)
            st.session_state["recorded"] = True
            del st.session_state["seed"]
            st.rerun()
    if st.session_state.pop("recorded", False):
        tables.said("The sample is recorded; it stands below, to be handed out.")


def progress():
    there = data.samples(who)
    if not there:
        return
    tables.section("Samples drawn", WHAT_IT_SAYS)
    found = [data.sample_progress(who, snapshot, one) for one in there[:MOST_SHOWN]]
    tables.show(
        tables.rows(
            [
                {
                    "name": one.sample.name,
                    "agencies": ", ".join(one.sample.drawn["agencies"]),
                    "year": one.sample.drawn["year"],
                    "size": one.size,
                    "visited": one.visited,
                    "told": one.told,
                    "dangers": one.dangers,
                }
                for one in found
            ]
        ),
        (
            tables.Column(
                "name", "Sample", link=lambda row: filters.link("sample", sample=row.name), kind=tables.SHORT
            ),
            tables.Column("agencies", "Agency"),
            tables.Column("year", "Program year", kind=tables.SHORT),
            tables.count("size", "Drawn"),
            tables.count("visited", "Visited"),
            tables.count("told", "Every danger told", help="Or one found."),
            tables.count("dangers", "With an open danger"),
        ),
        wording.plural(len(there), "sample"),
        empty="",
    )
    names = {one.name: one for one in there}
    name = filters.one_of("Sample", "sample", list(names), lambda name: name)
    one_sample(data.sample_progress(who, snapshot, names[name]))


def one_sample(found):
    sample = found.sample
    tables.lines_of(f"Sample {sample.name}", (wording.sentence(f"{sample.drawn['why']}."), *found.conclusion))
    downloads.as_they_are(
        lambda ending: data.sample_handed_out(who, snapshot, sample, ending),
        f"sample-{sample.name}",
        data.ENDINGS,
        "this sample, with the readings to take as PDF and XLSX",
    )
    bad = found.checks["deficient"] > 0
    tables.show(
        found.checks[bad],
        CHECKS,
        "What the re-inspections found, check by check",
        empty="Nothing deficient was found." if len(found.checks) else "No check was told yet.",
    )
    sound = found.checks[~bad]
    tables.folded_table(
        sound, CHECKS, f"{wording.plural(len(sound), 'check')} of which nothing deficient was found"
    )
    tables.show(
        tables.rows(sample.to_visit),
        (
            tables.home(filters.home_link, under="job_number"),
            tables.agency(),
            tables.Column("crew", "Crew", kind=tables.SHORT),
            tables.Column("final_on", "Final", kind=tables.SHORT),
            tables.Column("stratum", "Group"),
            tables.Column("weight", "Stands for", lambda weight: f"{weight:g}", kind=tables.NUMBER),
        ),
        f"{wording.plural(len(sample.to_visit), 'unit')} to visit",
        empty="",
    )
    replacing(sample)


def replacing(sample):
    """What was replaced, and a form to put the next alternate in the place of a home."""
    if sample.replacements:
        tables.folded(
            f"{wording.plural(len(sample.replacements), 'unit')} replaced",
            [_replaced(one) for one in sample.replacements],
        )
    homes = {f"{one['home_id']}, {one['agency']}": (one["agency"], one["home_id"]) for one in sample.to_visit}
    with st.expander("A home could not be re-inspected"), st.form("replace", clear_on_submit=True):
        home = st.selectbox("Home", list(homes), index=None, placeholder="Choose the home")
        why = st.text_input("Why it could not be re-inspected")
        by = st.text_input("By")
        if st.form_submit_button("Put the next alternate in its place") and home:
            with frame.errors_shown():
                data.replace_home(sample.name, *homes[home], why, by)
                st.rerun()


def _replaced(one):
    said = f"Home {one['replaced']['home_id']} by home {one['alternate']['home_id']}"
    return f"{said}: {one['why']}" if who.personal else said


if not frame.nothing_loaded():
    years = required()
    counted, year = st.query_params.get("counted", ""), st.query_params.get("year", "")
    if counted in COUNTED and len(chosen.agency) == 1 and year in map(str, years):
        units(chosen.agency[0], int(year), counted, years[int(year)])
    if years:
        draw(years)
    progress()
