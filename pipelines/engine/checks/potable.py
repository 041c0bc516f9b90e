"""Checks of what keeps boiler water out of drinking water."""

import numpy as np

from pipelines.engine.checks.kinds import Applies, Band, Check, Doubt, Fact, grouped


def backflow_missing(backflow_device):
    return Fact(backflow_device, among=tuple(word for word in backflow_device.words if word != "none"))


def has_a_connection(fill_connection, *, fill_setting_psig, backflow_device):
    """A fill setting or a device is evidence of a connection where its kind is not recorded."""
    seen = ~np.isnan(fill_setting_psig) | (backflow_device.known & ~backflow_device.among("none"))
    yes = fill_connection.among("automatic", "manual", "valved_off") | (~fill_connection.known & seen)
    return Applies(yes, ~fill_connection.known & ~yes, "fill_connection")


def backflow_insufficient(backflow_device, *, antifreeze, antifreeze_percent, water_treatment, policy):
    without = policy.accepts("backflow_without_additives", backflow_device)
    with_additives = policy.accepts("backflow_with_additives", backflow_device)
    some = antifreeze_percent > 0
    additive = (
        antifreeze.among("propylene_glycol", "ethylene_glycol")
        | water_treatment.among("yes")
        | (some & ~antifreeze.among("none"))
    )
    clean = antifreeze.among("none") & water_treatment.among("no") & ~some
    acceptable = np.where(additive, with_additives, np.where(clean, without, without & with_additives))
    depends = ~additive & ~clean & (without | with_additives)
    unknown = Doubt(depends, "additive not recorded", "deficient", "antifreeze")
    return Fact(backflow_device, among=acceptable, less=(unknown,))


def has_a_device(fill_connection, *, fill_setting_psig, backflow_device):
    connection = has_a_connection(
        fill_connection, fill_setting_psig=fill_setting_psig, backflow_device=backflow_device
    )
    return Applies(
        connection.yes & ~backflow_device.among("none"),
        connection.unknown & ~backflow_device.among("none"),
        "fill_connection",
    )


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
            remedy="Fit an accepted backflow preventer upstream of the fill valve.",
            source="published: IPC/IRC boiler connections (from memory), IRC 2009 Table P2902.3",
        ),
        Check(
            "backflow-insufficient",
            backflow_insufficient,
            applies=has_a_device,
            severity=2,
            probability="D",
            safety_critical=True,
            title="Backflow device not accepted for this connection",
            name="Kind of backflow preventer",
            sound="Backflow device accepted for this connection",
            spot="backflow",
            remedy="Replace it by a device the local code accepts for what is in the loop.",
            source="published: ASSE 1012, 1013, 1081 in IPC/IRC (in part from memory); local code rules",
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
