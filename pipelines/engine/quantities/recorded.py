"""Words and dates that checks need as quantities."""

import numpy as np

from pipelines.engine.arrays import Numbers, known, more
from pipelines.engine.quantities.kinds import Quantity
from pipelines.engine.reasons import gap, reason_of


def relief_present_or_setting(relief_present, relief_setting_psig):
    """A recorded setting shows that there is a valve."""
    reason = np.maximum(reason_of(relief_present.gap), reason_of(relief_setting_psig.gap))
    seen = relief_present.known | relief_setting_psig.known
    return known(np.ones(len(seen))).withhold(~seen, gap(reason, "relief_present"))


def plate_psig(boiler_max_pressure_psig, relief_setting_psig, boiler_output_btuh, policy):
    """The boiler's maximum pressure; a setting beside an unread plate may speak for itself."""
    large = boiler_output_btuh.value > policy.house_boiler_btuh
    heater = more(relief_setting_psig.value, policy.heater_valve_above_psig) & ~large
    return boiler_max_pressure_psig.withhold(
        heater & ~boiler_max_pressure_psig.known,
        "looks like a water heater's valve",
        "relief_setting_psig",
        first=True,
    )


def antifreeze_inside(antifreeze, antifreeze_percent):
    """A share says that there is some, of whatever kind, unless the kind is none."""
    glycol = antifreeze.among("propylene_glycol", "ethylene_glycol")
    return glycol | (~antifreeze.known & (antifreeze_percent.value > 0))


def poison_inside(antifreeze, antifreeze_inside):
    """Antifreeze of no recorded kind is taken as ethylene glycol."""
    return antifreeze.among("ethylene_glycol") | (antifreeze_inside & ~antifreeze.known)


def days_since_backflow_test(inspected_on, backflow_tested_on):
    lacking = ~(inspected_on.known & backflow_tested_on.known)
    days = np.where(lacking, np.nan, (inspected_on.value - backflow_tested_on.value).astype(float))
    return Numbers(days, np.where(lacking, backflow_tested_on.absent, np.uint16(0)))


def backflow_test_days(inspected_on, policy):
    """Days of the months allowed, counted back from the visit; a shorter month counts from its last day."""
    visited, dated = inspected_on.value, inspected_on.known
    month = visited.astype("datetime64[M]")
    months = np.where(dated, month.astype(np.int64), 0)
    day = np.where(dated, (visited - month).astype(np.int64), 0)
    earlier = (months - np.asarray(policy.backflow_test_months).astype(np.int64)).astype("datetime64[M]")
    first = earlier.astype("datetime64[D]")
    length = ((earlier + 1).astype("datetime64[D]") - first).astype(np.int64)
    oldest = first + np.minimum(day, length - 1)
    return known(np.where(dated, (visited - oldest).astype(float), np.nan))


def backflow_tested_late(days_since_backflow_test):
    return days_since_backflow_test.value < 0


QUANTITIES = (
    Quantity(
        relief_present_or_setting,
        "known where the relief valve is recorded, or shown by its setting",
        "",
        0,
    ),
    Quantity(plate_psig, "maximum pressure on the boiler's plate", "psi", 1),
    Quantity(antifreeze_inside, "antifreeze in the loop, of whatever kind"),
    Quantity(poison_inside, "antifreeze in the loop that is, or may be, ethylene glycol"),
    Quantity(days_since_backflow_test, "days since the backflow test", "days", 0),
    Quantity(backflow_test_days, "days a backflow test lasts", "days", 0),
    Quantity(backflow_tested_late, "backflow tested after the visit"),
)
