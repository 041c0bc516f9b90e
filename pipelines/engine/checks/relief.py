"""Checks of the relief valve, of what it must keep the pressure below, and of where it drains."""

import numpy as np

from pipelines.engine.arrays import at_least
from pipelines.engine.checks.kinds import AnyOf, Applies, Band, Check, Doubt, Fact, grouped


def relief_missing(*, relief_present, relief_setting_psig):
    recorded = ~np.isnan(relief_setting_psig)
    contradict = Doubt(
        relief_present.among("no") & recorded, "readings contradict each other", field="relief_present"
    )
    return Fact(
        relief_present,
        among=relief_present.among("yes") | recorded,
        less=(contradict,),
        needs=("relief_present_or_setting",),
    )


def has_relief(relief_present, *, relief_setting_psig):
    return Applies(~relief_present.among("no") | ~np.isnan(relief_setting_psig))


def relief_isolated(relief_mounting):
    return Fact(relief_mounting, among=("on_boiler", "on_pipe_no_valve"))


def pressure_above_plate(
    highest_psig,
    plate_limit_psig,
    *,
    hot_gap,
    highest_below_plate,
    relief_present,
    relief_signs,
    policy,
):
    """Where the signs are not recorded the valve may be relieving, which lets the pressure rise a little."""
    relieving = at_least(plate_limit_psig * policy.plate_rise_share, highest_psig)
    untold = ~relief_signs.known & ~relief_present.among("no") & relieving
    doubt = Doubt(untold, "not recorded", "deficient", "relief_signs")
    return _never_above(highest_psig, plate_limit_psig, highest_below_plate, hot_gap, policy, (doubt,))


def relief_did_not_open(highest_psig, opens_by_psig, relief_signs, *, hot_gap, highest_below_opening, policy):
    return _never_above(highest_psig, opens_by_psig, highest_below_opening, hot_gap, policy)


def _never_above(highest_psig, limit_psig, below_limit, hot_gap, policy, less=()):
    """One pressure above the limit is enough; without the hot one none proves that a limit was kept."""
    return Band(
        highest_psig,
        high=limit_psig,
        above=below_limit,
        less=(*less, Doubt((hot_gap != 0) & np.isfinite(limit_psig), hot_gap, "ok")),
        least_certainty=policy.boiler_stop_certainty,
    )


def relief_set_above_boiler(relief_setting_psig, plate_psig):
    return Band(relief_setting_psig, high=plate_psig)


def relief_capacity_short(relief_capacity_btuh, boiler_output_btuh):
    return Band(relief_capacity_btuh, low=boiler_output_btuh)


def relief_discharge_hidden(relief_discharge_end):
    return Fact(relief_discharge_end, among=("visible_drain", "visible_pan", "outdoors", "none"))


def relief_discharge_unpiped(*, relief_discharge_end, relief_discharge_pipe):
    return AnyOf(
        (
            Fact(
                relief_discharge_end,
                among=("visible_drain", "visible_pan", "outdoors", "crawlspace", "concealed"),
                needs=("relief_discharge_end",),
            ),
            Fact(
                relief_discharge_pipe,
                among=("full_size", "reduced", "trapped", "valved", "capped"),
                needs=("relief_discharge_pipe",),
            ),
        )
    )


def relief_discharge_blocked(relief_discharge_pipe):
    return Fact(relief_discharge_pipe, among=("full_size", "reduced", "trapped", "ends_high"))


def relief_discharge_restricted(relief_discharge_pipe):
    return Fact(relief_discharge_pipe, among=("full_size", "valved", "capped", "ends_high"))


def has_discharge_pipe(relief_present, *, relief_setting_psig, relief_discharge_end):
    present = has_relief(relief_present, relief_setting_psig=relief_setting_psig)
    return Applies(present.yes & ~relief_discharge_end.among("none"))


def relief_discharging(relief_signs):
    return Fact(relief_signs, among=("dry", "stained"))


def relief_stained(relief_signs):
    wet = Doubt(relief_signs.among("dripping", "discharging"), "it has opened since", field="relief_signs")
    return Fact(relief_signs, among=("dry", "dripping", "discharging"), less=(wet,))


RELIEF = grouped(
    "relief",
    (
        Check(
            "relief-missing",
            relief_missing,
            severity=1,
            probability="C",
            safety_critical=True,
            act_today=True,
            title="No relief valve on the boiler",
            name="Presence of a relief valve",
            sound="There is a relief valve",
            spot="relief",
            remedy="Shut the boiler down until a relief valve of the right setting and capacity is fitted.",
            source="published: ASME IV HG-400 (from memory), IMC 1006",
        ),
        Check(
            "relief-isolated",
            relief_isolated,
            applies=has_relief,
            severity=1,
            probability="C",
            safety_critical=True,
            act_today=True,
            title="A valve stands between boiler and relief valve",
            name="Way from boiler to relief valve",
            sound="No valve stands between boiler and relief valve",
            spot="relief",
            remedy=(
                "Shut the boiler down until the relief valve is mounted on the boiler with no valve between."
            ),
            source="published: IMC 1006.5, Maine 02-658 ch. 9 §16",
        ),
        Check(
            "pressure-above-plate",
            pressure_above_plate,
            severity=1,
            probability="C",
            safety_critical=True,
            act_today=True,
            title="Pressure above the boiler's maximum",
            name="Pressure against the boiler's maximum",
            sound="Pressure within the boiler's maximum",
            spot="boiler",
            remedy=(
                "Shut the boiler down and let it cool. Find what drove the pressure up (fill valve, tank, "
                "charge) and put it right; replace a relief valve that let it pass."
            ),
            source="published: ASME IV HG-101 and, for the rise of a relieving valve, HG-400.2 (from memory)",
        ),
        Check(
            "relief-did-not-open",
            relief_did_not_open,
            applies=has_relief,
            severity=1,
            probability="C",
            safety_critical=True,
            act_today=True,
            title="Pressure above the relief setting and the valve is dry: stuck valve or false gauge",
            name="Relief valve against the pressure it was under",
            sound="Pressure stayed below what opens the relief valve, or it opened",
            spot="relief",
            remedy=(
                "Stop the boiler until it is known which. Do not lift an old valve's lever unless ready to "
                "replace it."
            ),
            source="physics; published: set tolerance of relief valves, ASME IV HG-401 (from memory)",
        ),
        Check(
            "relief-set-above-boiler",
            relief_set_above_boiler,
            applies=has_relief,
            severity=1,
            probability="C",
            safety_critical=True,
            act_today=True,
            title="Relief valve set above the boiler's maximum pressure",
            name="Relief setting against the boiler's maximum pressure",
            sound="Relief valve set within the boiler's maximum pressure",
            spot="relief",
            remedy="Replace the relief valve by one set at or below the boiler's maximum pressure.",
            source="published: IMC 1006.4",
        ),
        Check(
            "relief-capacity-short",
            relief_capacity_short,
            applies=has_relief,
            severity=2,
            probability="C",
            safety_critical=True,
            title="Relief valve's capacity below the boiler's output",
            name="Relief valve's capacity against the boiler's output",
            sound="Relief valve's capacity covers the boiler's output",
            spot="relief",
            remedy="Replace the relief valve by one of at least the boiler's gross output.",
            source="published: IMC 1006.4, IRC M2002.4 (in part from memory)",
        ),
        Check(
            "relief-discharge-hidden",
            relief_discharge_hidden,
            applies=has_relief,
            severity=2,
            probability="C",
            safety_critical=True,
            title="Relief discharge ends out of sight",
            name="Where the relief discharge ends",
            sound="Relief discharge does not end out of sight",
            spot="relief",
            remedy="Pipe the discharge to where its end can be seen.",
            source="published: IMC 1006.6; IRC M2002.4 for boilers (from memory)",
        ),
        Check(
            "relief-discharge-unpiped",
            relief_discharge_unpiped,
            applies=has_relief,
            severity=2,
            probability="C",
            safety_critical=True,
            title="Relief discharge not piped down: scald hazard",
            name="Piping of the relief discharge",
            sound="Relief discharge piped down",
            spot="relief",
            remedy="Pipe the discharge full size to near the floor.",
            source="published: Maine 02-658 ch. 9 §16, UPC 608.5; IRC M2002.4 for boilers (from memory)",
        ),
        Check(
            "relief-discharge-blocked",
            relief_discharge_blocked,
            applies=has_discharge_pipe,
            severity=1,
            probability="C",
            safety_critical=True,
            act_today=True,
            title="Relief discharge capped or valved",
            name="Relief discharge: cap or valve",
            sound="Relief discharge neither capped nor valved",
            spot="relief",
            remedy=(
                "Shut the boiler down until the discharge is free. Never plug, cap or valve off a relief "
                "valve."
            ),
            source="published: IMC 1006.5, UPC 608.5",
        ),
        Check(
            "relief-discharge-restricted",
            relief_discharge_restricted,
            applies=has_discharge_pipe,
            severity=2,
            probability="C",
            safety_critical=True,
            title="Relief discharge reduced or trapped",
            name="Relief discharge: size and trap",
            sound="Relief discharge neither reduced nor trapped",
            spot="relief",
            remedy="Repipe the discharge full size, falling all the way.",
            source=(
                "published: IMC 1006.6 (full size), UPC 608.5 (not trapped); IRC M2002.4 for boilers (from "
                "memory)"
            ),
        ),
        Check(
            "relief-discharging",
            relief_discharging,
            applies=has_relief,
            severity=2,
            probability="B",
            safety_critical=True,
            title="Relief valve dripping or discharging",
            name="Relief valve: dripping",
            sound="Relief valve neither drips nor discharges",
            spot="relief",
            remedy="Find the cause first; then replace a valve that has wept, is scaled or does not reseat.",
            source="common practice, no source",
        ),
        Check(
            "relief-stained",
            relief_stained,
            applies=has_relief,
            severity=3,
            probability="C",
            title="Relief valve stained: it has discharged",
            name="Relief valve: stains",
            sound="Relief valve shows no stain",
            spot="relief",
            remedy="Find the cause first; then replace a valve that has wept or is scaled.",
            source="common practice, no source",
        ),
    ),
)
