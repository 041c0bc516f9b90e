"""Checks of vents, gauge, low-water cutoff, leaks, make-up water and thermostat."""

import numpy as np

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


def low_water_cutoff_missing(low_water_cutoff, *, policy):
    return Fact(low_water_cutoff, among=policy.accepts("low_water_cutoff", low_water_cutoff))


def low_water_cutoff_failed(low_water_cutoff_test):
    untested = Doubt(low_water_cutoff_test.among("not_tested"), "not tested", field="low_water_cutoff_test")
    return Fact(low_water_cutoff_test, among=("stopped_burner", "not_tested"), less=(untested,))


def has_a_cutoff(low_water_cutoff):
    return Applies(~low_water_cutoff.among("no"))


def gauge_missing_or_stuck(boiler_gauge):
    return Fact(boiler_gauge, among=("works",))


def leak_seen(leaks_seen):
    return Fact(leaks_seen, among=("none",))


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
            remedy="Fit one of an accepted kind.",
            source="published: IMC 1007, IRC M2002.5 (from memory)",
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
            source="published: IMC 1007",
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
