"""Checks of vents, gauge, low-water cutoff, leaks, make-up water and thermostat."""

import numpy as np

from pipelines.engine.arrays import Words, at_least
from pipelines.engine.checks.kinds import Applies, Band, Check, Doubt, Fact, Note, grouped


def vent_cap_tight(vent_cap):
    return Fact(vent_cap, among=("loose",))


def has_an_automatic_vent(tank_type, *, vent_cap):
    no = tank_type.among("plain_steel") | vent_cap.among("no_vent")
    return Applies(tank_type.known & ~no, ~tank_type.known & ~no, "tank_type")


def vent_with_compression_tank(vent_cap):
    return Fact(
        vent_cap,
        among=("tight", "no_vent"),
        notes=(Note(vent_cap.among("tight"), "replace by a plug or manual vent", "ok"),),
    )


def has_compression_tank(tank_type):
    return Applies(tank_type.among("plain_steel"), ~tank_type.known, "tank_type")


def low_water_cutoff_missing(low_water_cutoff, *, boiler_kind, read_cold_psig, policy):
    """The old word may mean either switch; a policy that still says it accepts both."""
    forced_flow = boiler_kind.among("water_tube", "coil")

    def accepted(words, at_forced_flow):
        anywhere = policy.accepts("low_water_cutoff", words)
        return anywhere | (at_forced_flow & policy.accepts("low_water_cutoff_forced_flow", words))

    def among_meanings(at_forced_flow):
        """(accepted as written or in every meaning, accepted in one)"""
        old = accepted(_as(low_water_cutoff, SWITCHES, OLD_SWITCH), at_forced_flow)
        each = [accepted(_as(low_water_cutoff, (OLD_SWITCH,), one), at_forced_flow) for one in SWITCHES]
        return old | (each[0] & each[1]), old | each[0] | each[1]

    sure, maybe = among_meanings(forced_flow)
    _, with_forced_flow = among_meanings(~boiler_kind.known | forced_flow)
    flat = low_water_cutoff.among("no") & at_least(policy.flat_psig, read_cold_psig)
    return Fact(
        low_water_cutoff,
        among=sure,
        less=(
            Doubt(
                with_forced_flow & ~maybe,
                "kind of boiler not recorded: this switch is accepted at forced-flow boilers only",
                "deficient",
                "boiler_kind",
            ),
            Doubt(
                maybe & ~sure, "not recorded which of the two switches it is", "deficient", "low_water_cutoff"
            ),
        ),
        notes=(
            Note(
                flat, "the loop is flat: never feed cold water to a hot boiler that has run low", "deficient"
            ),
        ),
        graver=flat,
    )


OLD_SWITCH, SWITCHES = "flow_or_pressure_switch", ("flow_switch", "pressure_switch")


def _as(words, some, other):
    """The same words with another in place of some."""
    return Words(np.where(words.among(*some), words.words.index(other), words.codes), words.words)


def low_water_cutoff_failed(low_water_cutoff_test):
    untested = Doubt(low_water_cutoff_test.among("not_tested"), "not tested", field="low_water_cutoff_test")
    return Fact(low_water_cutoff_test, among=("stopped_burner", "not_tested"), less=(untested,))


def has_a_cutoff(low_water_cutoff):
    return Applies(~low_water_cutoff.among("no"))


def gauge_missing_or_stuck(boiler_gauge):
    return Fact(boiler_gauge, among=("works",))


def leak_seen(leaks_seen):
    return Fact(leaks_seen, among=("none",))


def hot_above_high_limit(hot_temperature_f, high_limit_f, *, hot_below_limit, policy):
    return Band(hot_temperature_f, high=high_limit_f + policy.limit_overshoot_f, above=hot_below_limit)


def makeup_excessive(makeup_gal_per_month, *, policy):
    return Band(makeup_gal_per_month, high=policy.makeup_gal_per_month)


def anticipator_mismatch(anticipator_a, controlled_current_a, *, policy):
    tolerance = np.maximum(policy.anticipator_share * controlled_current_a, policy.anticipator_least_a)
    return Band(anticipator_a, low=controlled_current_a - tolerance, high=controlled_current_a + tolerance)


def is_mechanical(thermostat):
    return Applies(thermostat.among("mechanical"), ~thermostat.known, "thermostat")


CONTROLS = grouped(
    "controls",
    (
        Check(
            "vent-cap-tight",
            vent_cap_tight,
            applies=has_an_automatic_vent,
            severity=4,
            probability="B",
            title="Cap of the automatic vent screwed tight",
            name="Cap of the automatic vent",
            sound="Cap of the automatic vent is loose",
            spot="vent",
            remedy="Loosen the cap a turn; replace a vent that then weeps.",
            source="common practice, no source",
        ),
        Check(
            "vent-with-compression-tank",
            vent_with_compression_tank,
            applies=has_compression_tank,
            severity=3,
            probability="B",
            title="Open automatic vent on a loop with a compression tank",
            name="Automatic vent beside a compression tank",
            sound="No open automatic vent on a loop with a compression tank",
            spot="vent",
            remedy="Replace the vent by a plug or manual vent, then drain the tank to renew its air.",
            source="published: NORA Advanced Hydronics p. 35",
        ),
        Check(
            "low-water-cutoff-missing",
            low_water_cutoff_missing,
            severity=2,
            probability="C",
            safety_critical=True,
            title="No low-water cutoff of an accepted kind",
            name="Kind of low-water cutoff",
            sound="Low-water cutoff of an accepted kind",
            spot="cutoff",
            remedy=(
                "Fit one of an accepted kind. Never feed cold water to a hot boiler that has run low: shut "
                "it down and let it cool."
            ),
            source=(
                "published: IMC 1007.1 and IRC M2002.5, with the exception of IMC 1007.1 for coil and "
                "water-tube boilers that need forced flow (from memory)"
            ),
        ),
        Check(
            "low-water-cutoff-failed",
            low_water_cutoff_failed,
            applies=has_a_cutoff,
            severity=1,
            probability="C",
            safety_critical=True,
            act_today=True,
            title="Low-water cutoff did not stop the burner",
            name="Test of the low-water cutoff",
            sound="Low-water cutoff stopped the burner",
            spot="cutoff",
            remedy=(
                "Shut the boiler down until it is repaired or replaced. Never feed cold water to a hot "
                "boiler that has run low."
            ),
            source="published: IMC 1007 (from memory)",
        ),
        Check(
            "gauge-missing-or-stuck",
            gauge_missing_or_stuck,
            severity=4,
            probability="B",
            title="Boiler gauge missing or stuck",
            name="Boiler gauge",
            sound="Boiler gauge works",
            spot="gauge",
            remedy="Replace the gauge; pressures read from it prove nothing.",
            source="published: IRC M2002.2",
        ),
        Check(
            "leak-seen",
            leak_seen,
            severity=3,
            probability="C",
            title="Leak seen on the loop",
            name="Leaks on the loop",
            sound="No leak seen on the loop",
            spot="emitters",
            remedy="Repair it; new water brings rust and scale.",
            source="common practice, no source",
        ),
        Check(
            "hot-above-high-limit",
            hot_above_high_limit,
            severity=3,
            probability="C",
            title="Loop hotter than its high limit allows: limit control or thermometer in doubt",
            name="Hot temperature against the high limit",
            sound="Loop no hotter than its high limit allows",
            spot="boiler",
            remedy=(
                "Read it with another thermometer; repair a control that does not stop the burner in time."
            ),
            source="common practice, no source; overshoot allowed: policy",
        ),
        Check(
            "makeup-excessive",
            makeup_excessive,
            severity=3,
            probability="C",
            title="Loop takes more make-up water than a closed loop should",
            name="Make-up water",
            sound="Loop takes no more make-up water than a closed loop should",
            spot="fill",
            remedy="Find the leak or the relief valve that opens.",
            source="common practice, no source; limit: policy",
        ),
        Check(
            "anticipator-mismatch",
            anticipator_mismatch,
            applies=is_mechanical,
            severity=4,
            probability="C",
            title="Heat anticipator off the current of what it switches",
            name="Setting of the heat anticipator",
            sound="Heat anticipator set near the current of what it switches",
            spot="zones",
            remedy="Set the anticipator to the measured current.",
            source="published: NORA Oilheat Technicians Manual p. 253; tolerance: common practice",
        ),
    ),
)
