"""The first page: what needs a decision, most urgent first."""

import streamlit as st

from dashboard import charts, data, downloads, filters, frame, pictures, tables, wording

NEW = (
    "New counts what files brought within {days:.0f} days before the newest, from an agency's second file "
    "on: a first file is new throughout. The day of loading before stands apart, so that a few rows mended "
    "today do not hide what came the last time."
)


def gravest(risk, stage=""):
    return filters.link("homes", only=data.gravest(risk, stage))


def picture(found, newest):
    waits = found.waits.set_index("question")
    reported, held, clear = (waits.loc[name] for name in ("reported-open", "hold", "may-be-reported"))
    tables.links(
        [
            (
                f"{reported['label']}: {wording.in_homes(reported['deficiencies0'], reported['homes0'])}",
                filters.link("homes", only="reported-open"),
            ),
            (f"{held['label']}: {held['homes']:,.0f}", filters.link("hold")),
            (f"{clear['label']}: {clear['homes']:,.0f}", filters.link("homes", only="may-be-reported")),
        ]
    )
    left, right = st.columns(2, gap="medium")
    with left:
        if found.by_gravest.empty:
            tables.said("Nothing is open, as far as inspections could verify.")
        else:
            pictures.show("What waits", charts.by_gravest(found.by_gravest, data.LEVELS, gravest))
    with right:
        if len(found.monthly):  # whether things get better
            pictures.show(
                "Found and corrected, by month of the visit", charts.by_month(found.monthly, newest)
            )


def at_stage(place, stage):
    return tables.Column(
        f"deficiencies{place}",
        stage.capitalize(),
        lambda row: wording.in_homes(getattr(row, f"deficiencies{place}"), getattr(row, f"homes{place}")),
        wording.STAGES[stage].capitalize() + ".",
        kind=tables.NUMBER,
        of_row=True,
        link=lambda row: (
            filters.link("homes", only=row.question, stage=stage)
            if getattr(row, f"deficiencies{place}") > 0
            else None
        ),
    )


def everything(row):
    return filters.link("hold") if row.question == "hold" else filters.link("homes", only=row.question)


def summary(found):
    tables.show(
        found.waits,
        (
            tables.Column("label", "Question", link=everything),
            *(at_stage(place, stage) for place, stage in enumerate(data.STAGES)),
            tables.Column(
                "homes",
                "Homes",
                wording.homes,
                "Where the question is of whole homes.",
                kind=tables.NUMBER,
                link=everything,
            ),
            tables.Column(
                "oldest",
                "Oldest found",
                lambda value: "" if wording.missing(value) else wording.day(value),
                kind=tables.SHORT,
            ),
        ),
        "What waits, in numbers: open deficiencies at each stage",
        empty="Nothing.",
    )
    tables.said(NEW.format(days=found.new_within_days))


def urgent(found, day):
    tables.section(
        "Act today and high risk, oldest first",
        "Graver first, then by the day it was first found.",
    )
    tables.show(
        found,
        (
            tables.home(filters.home_link),
            tables.agency(),
            tables.risk(),
            tables.Column("deficiency", "Deficiency"),
            tables.Column("stage", "Stage", kind=tables.SHORT),
            tables.day("since", "Found"),
            tables.day("due", "Due"),
            tables.Column("due", "Late", lambda due: wording.days_late(due, day), kind=tables.NUMBER),
        ),
        f"The gravest and oldest {len(found)}; the links above lead to all",
        empty="None is open, as far as inspections could verify.",
    )


def agencies(found, recent, day):
    tables.section(
        "By agency: the last file",
        "An agency that sends nothing must not look clean: no recent file means that its newest file or "
        f"its newest inspection is more than {recent:.0f} days old.",
    )
    if found["last_inspected_on"].notna().any():
        drawn = charts.agencies(found, day, recent, lambda name: filters.link("homes", agency=name))
        with st.container(key="screen"):  # the table says the same on paper
            pictures.show("Last inspection of each agency", drawn)
    tables.show(
        found,
        (
            tables.Column(
                "agency",
                "Agency",
                link=lambda row: filters.link("homes", agency=row.agency) if row.homes else None,
            ),
            tables.count("homes", "Homes"),
            tables.count(
                "files",
                "Files",
                link=lambda row: filters.link("files", **({"agency": row.agency} if row.homes else {})),
            ),
            *tables.recency(day, recent),
        ),
        "Newest file and inspection of each agency",
        empty="No agency has sent a file.",
    )


@frame.kept
def what_waits(who, snapshot, chosen, day):
    found = data.of_first_page(who, snapshot, chosen, day)
    picture(found, data.about(who, snapshot)["newest_visit"])
    summary(found)


@frame.kept
def one_by_one(who, snapshot, chosen, day):
    found = data.of_first_page(who, snapshot, chosen, day)
    urgent(found.urgent, day)
    agencies(found.agencies, found.recent_file_days, day)


if not frame.nothing_loaded():
    who, snapshot, chosen, day = filters.viewer(), filters.snapshot(), filters.current(), filters.as_of()
    what_waits(day)
    downloads.as_it_is(
        lambda: data.board_as_pdf(data.board_of(who, snapshot, chosen, day)),
        f"{downloads.name('board', snapshot, day)}.pdf",
        "One page to hand over",
        "the page for a board, with a picture",
    )
    one_by_one(day)
