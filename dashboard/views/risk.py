"""Risk: what stands open, the commonest first, by risk and stage, and how risk is set."""

from functools import partial

from dashboard import charts, data, filters, frame, grids, pictures, tables, wording

MATRIX = (
    "Severity and probability are those of the check, set by the policy after MIL-STD-882E. A deficiency's "
    "own risk may be one step higher where its effect was seen, one step lower where it is uncertain: bars "
    "and the table by risk count by that. "
    "Checks marked act today are acted on the day they are known, whatever their cell."
)
LEVELS = (
    "Counted by each deficiency's own risk. Stages are not added up: they ask for different work, by "
    "different people, with different money."
)


def to_homes(stage, check, risk=None):
    """Address of the homes with a check open at a stage, at a risk or at any."""
    return filters.link("homes", check=check, stage=stage, risk=risk, exactly="true" if risk else None)


def in_numbers(found, stage):
    tables.folded_table(
        found,
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
    )


@frame.kept
def draw(who, snapshot, chosen, stage):
    found = data.ranked(who, snapshot, chosen, stage)
    if found.empty:
        tables.show(found, (), "", empty="None at this stage.")
    else:
        pictures.show(
            f"Homes by deficiency, {stage}",
            charts.ranked(found, stage, partial(to_homes, stage)),
        )
    in_numbers(data.open_by_check(who, snapshot, chosen, stage), stage)
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
    tables.section("How risk is set", MATRIX)
    grids.folded_matrix(
        data.matrix(who, snapshot, chosen, stage),
        data.matrix_levels(who, snapshot),
        lambda checks: filters.link("homes", check=checks, stage=stage),
        f"Open deficiencies, {stage}, by severity and probability of their check",
    )


if not frame.nothing_loaded():
    draw(filters.stage_shown())
