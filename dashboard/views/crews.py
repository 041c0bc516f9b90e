"""Crews: what final inspections found after their work, counts beside shares, by the alphabet."""

import streamlit as st

from dashboard import charts, data, filters, frame, tables, wording

who, snapshot, chosen = filters.viewer(), filters.snapshot(), filters.current("agency", "crew")
INTERVALS = (
    "The mark is the share found deficient, the bar its exact 95 % interval: where bars overlap widely, "
    "the difference may be chance. Open marks: under {few:.0f} verified units."
)
NO_RANKING = (
    "Crews stand in the order of the alphabet and are not ranked: small numbers scatter, houses and "
    "territories differ, and what was not verified is in no share. "
    "A low share with much not verified is not good work, it is little knowledge. Counts are of units, by "
    "their final inspection."
)
FEW = data.limit(who, snapshot, "few_visits")
SURE = data.limit(who, snapshot, "sure_certainty")
COUNTS = (
    tables.count(
        "visits",
        "Verified units",
        help="Home, system and job whose final inspection, or the re-inspection paired with it, could tell.",
    ),
    tables.count("observed", "Deficient", help="Units found deficient, whoever is to be charged with it."),
    tables.count(
        "observed_sure",
        "Of these sure",
        help=f"Units found deficient with a certainty of {SURE:g} or more.",
    ),
    tables.Column("rate", "Share", wording.percent, "Deficient among verified.", kind=tables.NUMBER),
    tables.Column(
        "own_low95",
        "95 % interval",
        lambda row: wording.interval(row.own_low95, row.own_high95),
        "Exact limits (Clopper and Pearson) of the share, for chance alone.",
        kind=tables.NUMBER,
        of_row=True,
    ),
    tables.count(
        "not_verified",
        "Not verified",
        help="Units whose final inspection could not tell. They are in no share.",
    ),
)


def one_check():
    check = filters.one_of("Check", "of_check", data.home_checks(), data.names().get)
    found = data.crew_counts(who, snapshot, chosen, check)
    tables.show(
        found,
        (
            tables.Column(
                "crew", "Crew", link=lambda row: filters.link("crews", agency=row.agency, crew=row.crew)
            ),
            tables.agency(),
            *COUNTS,
        ),
        f"{data.names()[check]}: what final inspections found, by crew",
        empty="No unit with a crew has had a final inspection, as the filters stand.",
    )
    if found["visits"].sum():
        chart, words = charts.crew_intervals(
            found,
            FEW,
            f"Share deficient by crew, {data.titles()[check].lower()}",
        )
        tables.section("The same, drawn", INTERVALS.format(few=FEW))
        st.altair_chart(chart, width="stretch", theme=None, alt=words)


def one_crew(agency, crew):
    tables.show(
        data.crew_verified(who, snapshot, agency, crew),
        (
            tables.Column("name", "Check"),
            *COUNTS,
        ),
        f"{crew}, {agency}: every check that could be verified",
        empty="No check could be verified after this crew's work.",
    )
    never = data.crew_never_verified(who, snapshot, agency, crew)
    if len(never):
        tables.folded(
            f"{wording.plural(len(never), 'check')} never verified after the work of {crew}, {agency}",
            [f"{row.name}: {wording.plural(row.not_verified, 'unit')}" for row in never.itertuples()],
        )


if not frame.nothing_loaded():
    tables.said(NO_RANKING)
    one_check()
    if len(chosen.crew) == 1:
        for agency in data.agencies_of(who, snapshot, chosen.crew[0], chosen.agency):
            one_crew(agency, chosen.crew[0])
