"""Risk: severity and probability of what stands open, each cell leading to its homes."""

from dashboard import data, filters, frame, tables, wording

who, snapshot, chosen = filters.viewer(), filters.snapshot(), filters.current()
MATRIX = (
    "Severity and probability are those of the check, set by the policy after MIL-STD-882E. A deficiency's "
    "own risk may be one step higher where its effect was seen, one step lower where it is uncertain: the "
    "second table counts by that. "
    "Checks marked act today are acted on the day they are known, whatever their cell."
)
LEVELS = (
    "Counted by each deficiency's own risk. Stages are not added up: they ask for different work, by "
    "different people, with different money."
)


def draw():
    stage = filters.stage_shown()
    found = data.matrix(who, snapshot, chosen, stage)
    tables.said(MATRIX)
    tables.matrix(
        found,
        data.matrix_levels(who, snapshot),
        lambda checks: filters.link("homes", check=checks, stage=stage),
        f"Open deficiencies, {stage}, by severity and probability of their check",
    )
    tables.section("By risk", LEVELS)
    tables.show(
        data.levels(who, snapshot, chosen),
        (
            tables.risk(),
            *(
                tables.count(
                    f"stage{place}",
                    name.capitalize(),
                    help=wording.STAGES[name].capitalize() + ".",
                    link=filters.risk_link(f"stage{place}", name),
                )
                for place, name in enumerate(data.STAGES)
            ),
        ),
        "Open deficiencies by risk and stage",
        empty="Nothing is open, as far as inspections could verify.",
        wide=False,
    )
    tables.section("What is open", "")
    tables.show(
        data.open_by_check(who, snapshot, chosen, stage),
        (
            tables.Column(
                "title", "Deficiency", link=lambda row: filters.link("homes", check=row.check_id, stage=stage)
            ),
            tables.count("severity", "Severity"),
            tables.Column("probability", "Probability"),
            tables.Column("act_today", "Act today", wording.yes),
            tables.count("deficiencies", "Open"),
        ),
        f"Open deficiencies, {stage}, by check",
        empty="None at this stage.",
        wide=False,
    )


if not frame.nothing_loaded():
    draw()
