"""Checks of what keeps boiler water out of drinking water."""

import numpy as np

from pipelines.engine.checks.kinds import Applies, Band, Check, Doubt, Fact, Note, grouped


def backflow_missing(backflow_device, *, poison_inside):
    """Poison with nothing between it and the drinking water is the graver."""
    return Fact(
        backflow_device,
        among=tuple(word for word in backflow_device.words if word != "none"),
        notes=(_undrinkable(poison_inside),),
        graver=poison_inside,
    )


def _undrinkable(poison_inside):
    return Note(poison_inside, "the water may be poisoned: do not drink it", "deficient")


def has_a_connection(fill_connection, *, fill_setting_psig, backflow_device):
    """A fill setting or a device is evidence of a connection where its kind is not recorded."""
    seen = ~np.isnan(fill_setting_psig) | (backflow_device.known & ~backflow_device.among("none"))
    yes = fill_connection.among("automatic", "manual", "valved_off") | (~fill_connection.known & seen)
    return Applies(yes, ~fill_connection.known & ~yes, "fill_connection")


def backflow_insufficient(
    backflow_device,
    *,
    antifreeze,
    antifreeze_percent,
    water_treatment,
    antifreeze_inside,
    poison_inside,
    policy,
):
    without = policy.accepts("backflow_without_additives", backflow_device)
    with_additives = policy.accepts("backflow_with_additives", backflow_device)
    additive = antifreeze_inside | water_treatment.among("yes")
    clean = antifreeze.among("none") & water_treatment.among("no") & ~(antifreeze_percent > 0)
    acceptable = np.where(additive, with_additives, np.where(clean, without, without & with_additives))
    depends = ~additive & ~clean & (without | with_additives)
    unknown = Doubt(depends, "additive not recorded", "deficient", "antifreeze")
    return Fact(
        backflow_device,
        among=acceptable,
        less=(unknown,),
        notes=(_undrinkable(poison_inside),),
        graver=poison_inside,
    )


def has_a_device(fill_connection, *, fill_setting_psig, backflow_device):
    connection = has_a_connection(
        fill_connection, fill_setting_psig=fill_setting_psig, backflow_device=backflow_device
    )
    return Applies(
        connection.yes & ~backflow_device.among("none"),
        connection.unknown & ~backflow_device.among("none"),
        "fill_connection",
    )


def antifreeze_on_automatic_fill(fill_connection, *, antifreeze, antifreeze_percent):
    return Fact(
        fill_connection,
        among=tuple(word for word in fill_connection.words if word != "automatic"),
        less=(_contradicts(antifreeze, antifreeze_percent),),
    )


def may_hold_antifreeze(antifreeze, antifreeze_percent):
    """A share beside "none" contradicts it."""
    some = antifreeze_percent > 0
    none = antifreeze.among("none") & ~some
    return Applies(antifreeze.known & ~none | some, ~antifreeze.known & ~some, "antifreeze")


def _contradicts(antifreeze, antifreeze_percent):
    return Doubt(
        antifreeze.among("none") & (antifreeze_percent > 0),
        "readings contradict each other",
        field="antifreeze",
    )


def antifreeze_with_single_wall_coil(
    coil_wall,
    *,
    domestic_coil,
    antifreeze,
    antifreeze_percent,
    water_treatment,
    antifreeze_inside,
    poison_inside,
    policy,
):
    """Only where something is said to be in the loop is what was not read of it a gap in safety."""
    treated = water_treatment.among("yes")
    harmless = policy.accepts("antifreeze_with_single_wall", antifreeze) & ~treated
    single_propylene = coil_wall.among("single") & antifreeze.among("propylene_glycol")
    return Fact(
        coil_wall,
        among=coil_wall.among("double") | harmless,
        less=(
            Doubt(~domestic_coil.known, "not recorded", field="domestic_coil"),
            Doubt(~water_treatment.known & ~antifreeze_inside, "not recorded", field="water_treatment"),
            _contradicts(antifreeze, antifreeze_percent),
        ),
        notes=(
            Note(single_propylene, "some codes ask for a double wall", "ok"),
            _undrinkable(poison_inside),
        ),
        graver=poison_inside,
        uncounted=~(antifreeze_inside | treated),
    )


def has_a_coil_beside_additives(domestic_coil, antifreeze, antifreeze_percent, water_treatment):
    inside, coil = may_hold_antifreeze(antifreeze, antifreeze_percent), ~domestic_coil.among("none")
    some = inside.yes | water_treatment.among("yes")
    may_be = ~inside.unknown & ~water_treatment.known
    return Applies(coil & (some | may_be), coil & inside.unknown & ~some, "antifreeze")


def backflow_test_overdue(
    backflow_device, days_since_backflow_test, backflow_test_days, *, backflow_tested_late
):
    return Band(
        days_since_backflow_test,
        high=backflow_test_days,
        less=(Doubt(backflow_tested_late, "tested after the visit", field="backflow_tested_on"),),
    )


def is_tested_yearly(backflow_device, water_source, *, policy):
    listed, supply = (
        policy.accepts("backflow_tested", backflow_device),
        policy.accepts("backflow_tested_on_supply", water_source),
    )
    everywhere = (
        set(policy.policy.words("backflow_tested_on_supply")) >= set(water_source.words)
        and not policy.policy.regions
    )
    supply |= everywhere
    listed |= ~backflow_device.known  # then it is the device that is lacking
    return Applies(listed & supply, listed & ~water_source.known & ~supply, "water_source")


POTABLE = grouped(
    "potable",
    (
        Check(
            "backflow-missing",
            backflow_missing,
            applies=has_a_connection,
            severity=2,
            probability="C",
            safety_critical=True,
            title="Nothing keeps boiler water out of the drinking water",
            name="Presence of a backflow preventer",
            sound="A backflow preventer is fitted",
            spot="backflow",
            remedy=(
                "Fit an accepted backflow preventer upstream of the fill valve. With antifreeze in the loop: "
                "do not drink the house water until it is tested."
            ),
            source="published: IPC/IRC boiler connections (from memory), IRC 2009 Table P2902.3",
        ),
        Check(
            "backflow-insufficient",
            backflow_insufficient,
            applies=has_a_device,
            severity=2,
            probability="C",
            safety_critical=True,
            title="Backflow device not accepted for this connection",
            name="Kind of backflow preventer",
            sound="Backflow device accepted for this connection",
            spot="backflow",
            remedy=(
                "Replace it by a device the local code accepts for what is in the loop. With antifreeze in "
                "the loop: do not drink the house water until it is tested."
            ),
            source="published: ASSE 1012, 1013, 1081 in IPC/IRC (in part from memory); local code rules",
        ),
        Check(
            "antifreeze-on-automatic-fill",
            antifreeze_on_automatic_fill,
            applies=may_hold_antifreeze,
            severity=4,
            probability="B",
            title="Antifreeze in a loop that tops itself up with water: every leak dilutes it",
            name="Fill connection of a loop with antifreeze",
            sound="Loop with antifreeze does not top itself up with water",
            spot="fill",
            remedy="Feed the loop its own mixture from a feeder tank; test what is left of the protection.",
            source="common practice, no source",
        ),
        Check(
            "antifreeze-with-single-wall-coil",
            antifreeze_with_single_wall_coil,
            applies=has_a_coil_beside_additives,
            severity=2,
            probability="C",
            safety_critical=True,
            title="One wall alone between what is in the loop and the hot water that people drink",
            name="Wall of the hot-water coil beside what is in the loop",
            sound="Wall of the hot-water coil accepted for what is in the loop",
            spot="boiler",
            remedy=(
                "Do not drink from the hot tap until the coil is replaced by one of double wall, or the loop "
                "is flushed and filled with water alone."
            ),
            source="published: plumbing codes on heat exchangers (second-hand); local code rules",
        ),
        Check(
            "backflow-test-overdue",
            backflow_test_overdue,
            applies=is_tested_yearly,
            severity=4,
            probability="C",
            title="Backflow assembly not tested in time",
            name="Test of the backflow assembly",
            sound="Backflow assembly tested in time",
            spot="backflow",
            remedy="Have it tested by a certified tester.",
            source="published: IPC 312.10, UPC 603.4.2",
        ),
    ),
)
