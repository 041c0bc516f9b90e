"""Checks: what is checked, the limits in force, on whose authority, and what puts it right."""

import streamlit as st

from dashboard import audit_words, charts, data, filters, pictures, tables, wording

wanted = st.text_input(
    "Find a check, a limit or a measure",
    key="find",
    bind="query-params",
    placeholder="Part of its words or of its id",
)
found = data.described(filters.viewer(), filters.snapshot(), wanted)

if unmatched := data.unmatched(filters.viewer(), filters.snapshot()):
    tables.lines_of("Set for what no inspection names, and so without effect", unmatched)

tables.section(
    "What is checked",
    "Severity 1 (gravest) to 4 and probability A (often) to E after MIL-STD-882E; both are the policy's. "
    "Checks about readings speak of a visit, not of the home, and carry none.",
)
if found["checks"].empty:
    tables.show(found["checks"], (), "", empty="No check answers to it.")
for group, part in found["checks"].groupby("group", sort=False):
    tables.show(
        part,
        (
            tables.Column(
                "name",
                "Looked at, and deficient when",
                under="title",
                width="18%",
                link=lambda row: (
                    filters.link("homes", check=row.check_id) if row.group != "evidence" else None
                ),
            ),
            tables.Column(
                "safety_critical",
                "Safety",
                lambda row: wording.safety(row.safety_critical, row.act_today),
                of_row=True,
                width="8%",
            ),
            tables.count("severity", "Severity", width="5%"),
            tables.Column("probability", "Probability", kind=tables.NUMBER, width="6%"),
            tables.Column(
                "held_against", "Limits in force", wording.one_a_line, kind=tables.LINES, width="18%"
            ),
            tables.Column("remedy", "Remedy", width="21%"),
            tables.Column("source", "Authority", width="15%"),
            tables.Column("check_id", "Id", width="13%"),
        ),
        wording.GROUPS[str(group)],
        empty="",
    )
tables.folded_table(
    found["checks"][found["checks"]["rests_on"].map(len) > 0],
    (
        tables.Column("name", "Check"),
        tables.Column("rests_on", "Its numbers and its certainty rest on", wording.one_after_the_other),
    ),
    "What else of the policy a check's numbers and its certainty rest on",
)

tables.section(
    "Is certainty right?",
    "Outcomes that rest on numbers, held against the next visit after the work, no repair in between. The "
    "second reading errs, too: expected is how often two honest readings of such certainty agree.",
)
told = found["calibration"][found["calibration"]["results"] > 0]
if len(told):
    chart, words = charts.reliability(told)
    pictures.place(chart, words)
    tables.said(words)
tables.show(
    told,
    (
        tables.Column("certainty_from", "Certainty", audit_words.tenth, of_row=True, kind=tables.SHORT),
        tables.count("results", "Results"),
        tables.count("borne_out", "Borne out"),
        tables.Column(
            "low95", "Share, 95 % interval", audit_words.share_borne_out, of_row=True, kind=tables.NUMBER
        ),
        tables.Column("expected", "Expected", audit_words.share_expected, of_row=True, kind=tables.NUMBER),
        tables.Column(
            "squared",
            "Brier score",
            lambda value: f"{value:.3f}",
            "Mean square of certainty less what came: 0 is perfect, 0.25 a coin's.",
            kind=tables.NUMBER,
        ),
    ),
    "Certainty, by tenths",
    empty="No two visits after the work can be compared.",
    wide=False,
)

tables.section(
    "Limits in force",
    "Published: a source stands beside it. Common practice: a fact of the trade. Policy: the agency's own "
    "choice.",
)
tables.show(
    found["limits"],
    (
        tables.Column("name", "Limit", data.called),
        tables.Column(
            "value", "Value", lambda row: wording.limit(row.value, row.unit), kind=tables.NUMBER, of_row=True
        ),
        tables.Column("mark", "Mark", kind=tables.SHORT),
        tables.Column("why", "Why, and source"),
    ),
    "Limits of the policy",
    empty="No limit answers to it.",
)
tables.show(
    found["accepted_words"],
    (
        tables.Column("name", "Accepted", wording.word),
        tables.Column("words", "Words", wording.word),
        tables.Column("mark", "Mark", kind=tables.SHORT),
        tables.Column("why", "Why, and source"),
    ),
    "Accepted kinds",
    empty="No set of words answers to it.",
)
tables.show(
    found["region_overrides"],
    (
        tables.Column("region", "Region", lambda value: value or "any"),
        tables.Column("agency", "Agency", lambda value: value or "any"),
        tables.Column(
            "effective_from", "From", lambda value: "always" if wording.missing(value) else wording.day(value)
        ),
        tables.Column("name", "What", wording.word),
        tables.Column("value", "Value", wording.word),
    ),
    "Local code by region, and what changed from a day on",
    empty="No region or day overrides a limit or an accepted kind.",
)

tables.section("Time to act and to correct", "Days counted from the visit that found it.")
tables.show(
    found["clocks"],
    (
        tables.risk(),
        tables.Column("days_to_act", "Days to act", wording.clock, kind=tables.NUMBER),
        tables.Column("days_to_correct", "Days to correct", wording.clock, kind=tables.NUMBER),
    ),
    "Clocks",
    empty="No clock.",
    wide=False,
)

tables.section("Measures", "Work that puts a deficiency right.")
tables.show(
    found["measures"],
    (
        tables.Column("title", "Measure"),
        tables.Column("fixes", "Puts right", lambda value: wording.checks_said(value, data.titles())),
        tables.Column("measure_id", "Id", kind=tables.SHORT),
    ),
    "Measures",
    empty="No measure answers to it.",
)
