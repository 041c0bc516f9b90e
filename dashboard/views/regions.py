"""Regions: which deficiency stands open where, homes by place and elevation, and tank charges against it."""

from dashboard import charts, data, filters, frame, grids, pictures, tables, wording

DOTS = (
    "Each mark is a region: the share of its verified systems in which the deficiency is open at this stage, "
    "and the interval in which the true share lies 95 times in 100. Filled: apart from the other regions "
    "beyond chance; why (houses, water, crews) it does not say. A mark leads to its homes."
)
HEAT = (
    "Each cell: the share of verified systems in which the deficiency is open at this stage ({stage}), "
    "then how many of how many, then how many were not verified and are in no share. "
    "Darker means a larger share. A dash: not one system could be verified, so nothing is known. Numbers "
    "lead to the homes."
)
WHERE = (
    "Homes with something open, each once, by the gravest deficiency open there, at whatever stage. A home "
    "stands at the highest elevation that a visit of it has, recorded or of its place. Marks and numbers "
    "lead to the homes."
)
ALTITUDE = (
    "Each circle counts inspections whose charge can be trusted, by the home's elevation; its area is "
    "their number. The level line is the common fill pressure, where a charge should lie unless the house "
    "is tall. "
    "The dashed line is where the same tanks would lie had they been charged at sea level and carried up: "
    "a gauge reads more where the air is thinner. Circles along it were probably never set on site. "
    "A circle leads to the homes of its inspections."
)


@frame.kept
def shares(who, snapshot, chosen, stage):
    found = data.apart(who, snapshot, chosen, stage)
    tables.said(DOTS)
    if found["deficient"].any():
        drawn = charts.by_region(
            found,
            data.titles(),
            stage,
            lambda check, region: filters.link(
                "homes", check=check, region=region or data.NOT_RECORDED, stage=stage
            ),
        )
        pictures.show(f"Share with it open by region, {stage}", drawn)
    grids.folded_heat(
        found,
        data.titles(),
        data.limit(who, snapshot, "few_visits"),
        lambda check, region: filters.link(
            "homes", check=check, region=region or data.NOT_RECORDED, stage=stage
        ),
        f"Share of verified systems with the deficiency open, {stage}, by check and region",
        HEAT.format(stage=stage),
        empty="No check was verified anywhere, as the filters stand.",
    )


def to_place(row, risk=None):
    """Address of the homes that a row of places counts, all of them or those of a gravest risk."""
    asked = {"only": data.gravest(risk) if risk else "something-open"}
    if hasattr(row, "agency"):
        asked |= {"agency": row.agency, "region": row.region or data.NOT_RECORDED}
    return filters.link("homes", elevation=row.elevation or data.NOT_RECORDED, **asked)


@frame.kept
def places(who, snapshot, chosen):
    tables.section("Where homes have something open", WHERE)
    found = data.open_by_place(who, snapshot, chosen)
    if found.empty:
        tables.said("Nothing is open, as far as inspections could verify.")
        return
    if found["latitude"].notna().any():
        pictures.show("Homes with something open where they lie", charts.placed(found, to_place))
    drawn = charts.by_elevation(found, data.BANDS, to_place)
    pictures.show("Homes by elevation and gravest deficiency", drawn)
    tables.folded_table(
        found,
        (
            tables.agency(),
            tables.Column("region", "Region", lambda region: region or data.NOT_RECORDED),
            tables.Column("elevation", "Elevation", lambda band: band or "not known", kind=tables.SHORT),
            tables.count("homes", "Homes", link=to_place),
            *(
                tables.count(
                    f"risk{place}",
                    risk.capitalize(),
                    link=lambda row, place=place, risk=risk: (
                        to_place(row, risk) if getattr(row, f"risk{place}") else None
                    ),
                )
                for place, risk in enumerate(data.LEVELS)
            ),
        ),
        "Homes with something open by region, elevation and gravest risk",
    )


@frame.kept
def altitude(who, snapshot, chosen):
    tables.section("Tank charge against elevation", ALTITUDE)
    bins, curve, left_out = data.charges(who, snapshot, chosen)
    if bins.empty:
        tables.said("No trusted charge of a home with a recorded elevation, as the filters stand.")
    else:
        chart, words = charts.charge_against_elevation(
            bins,
            curve,
            data.limit(who, snapshot, "typical_fill_psig"),
            data.limit(who, snapshot, "charge_tolerance_psi"),
            lambda charge: filters.link("homes", charge=charge),
        )
        pictures.place(chart, words)
        tables.said(words)
    if left_out:
        tables.said(
            f"{wording.plural(left_out, 'trusted charge')} of homes without a recorded elevation "
            f"{'is' if left_out == 1 else 'are'} not drawn."
        )


if not frame.nothing_loaded():
    shares(filters.stage_shown())
    places()
    altitude()
