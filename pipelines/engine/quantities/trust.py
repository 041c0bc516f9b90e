"""Pressures and temperatures as far as they can be trusted, and the errors of those that are."""

import numpy as np

from pipelines.engine.arrays import at_least, derive, more
from pipelines.engine.margins import at, both
from pipelines.engine.quantities.kinds import Quantity

UNREAD_GAUGE = ("boiler gauge stuck or missing", "boiler_gauge")
HEAT_ON = ("heat could not be shut off", "cold_reading_state")


def test_gauge(pressure_read_with):
    return pressure_read_with.among("test_gauge")


def gauge_doubtful(boiler_gauge, test_gauge):
    return boiler_gauge.among("stuck", "missing") & ~test_gauge


def heat_on(cold_reading_state):
    return cold_reading_state.among("heat_not_shut_off")


def highest_plausible_psig(relief_setting_psig, boiler_max_pressure_psig, policy):
    """A fill valve that failed open shows house pressure: that is no slip of the pen."""
    marked = np.fmax(relief_setting_psig.value, boiler_max_pressure_psig.value)
    return np.fmax(marked * policy.implausible_above_share, policy.implausible_above_psig)


def read_cold_psig(cold_pressure_psig, hot_pressure_psig, highest_plausible_psig, gauge_doubtful, policy):
    """With the heat on, too: no cold pressure then, but a pressure."""
    cold = _plausible(cold_pressure_psig, highest_plausible_psig, "cold_pressure_psig").withhold(
        more(cold_pressure_psig.value - hot_pressure_psig.value, policy.cold_above_hot_psi),
        "implausible: more than {cold_above_hot_psi} above the hot pressure of the visit",
        "cold_pressure_psig",
    )
    return cold.withhold(gauge_doubtful, *UNREAD_GAUGE, first=True)


def usable_cold_psig(read_cold_psig, heat_on):
    return read_cold_psig.withhold(heat_on, *HEAT_ON, first=True)


def _plausible(pressure, highest_psig, field):
    beyond = more(0.0, pressure.value) | more(pressure.value, highest_psig)
    return pressure.withhold(beyond, "implausible pressure", field)


def usable_cold_f(cold_temperature_f, heat_on):
    return cold_temperature_f.withhold(heat_on, *HEAT_ON, first=True)


def cool_cold_psig(usable_cold_psig, cold_temperature_f, policy):
    """A missing temperature leaves it standing."""
    warm = cold_temperature_f.value > policy.cold_above_f
    return usable_cold_psig.withhold(warm, "cold reading taken above {cold_above_f}", "cold_temperature_f")


def usable_hot_psig(hot_pressure_psig, highest_plausible_psig, gauge_doubtful):
    hot = _plausible(hot_pressure_psig, highest_plausible_psig, "hot_pressure_psig")
    return hot.withhold(gauge_doubtful, *UNREAD_GAUGE, first=True)


def pressure_rise_psi(usable_hot_psig, usable_cold_psig):
    return derive(usable_hot_psig.value - usable_cold_psig.value, usable_hot_psig, usable_cold_psig)


def allowed_psig(relief_setting_psig, policy):
    return derive(relief_setting_psig.value * policy.near_relief_share, relief_setting_psig)


def highest_psig(usable_hot_psig, read_cold_psig):
    """The higher of the two pressures of the visit, or the one there is."""
    higher = np.fmax(usable_hot_psig.value, read_cold_psig.value)
    return usable_hot_psig.otherwise(read_cold_psig).instead(usable_hot_psig.known, higher)


def hot_gap(usable_hot_psig):
    return usable_hot_psig.gap


def set_tolerance_psi(relief_setting_psig, policy):
    """How far from its setting a valve may open."""
    setting = relief_setting_psig.value
    return np.where(
        more(setting, policy.set_tolerance_up_to_psig),
        setting * policy.set_tolerance_share,
        policy.set_tolerance_psi,
    )


def opens_from_psig(relief_setting_psig, set_tolerance_psi):
    return derive(relief_setting_psig.value - set_tolerance_psi, relief_setting_psig)


def relief_has_opened(relief_signs):
    return relief_signs.among("stained", "dripping", "discharging")


def cut_off(usable_hot_psig, opens_from_psig, relief_signs):
    """A valve that is dry has cut nothing off; one of which nothing is recorded may have."""
    return at_least(usable_hot_psig.value, opens_from_psig.value) & ~relief_signs.among("dry")


def cut_off_not_excluded(relief_setting_psig, relief_present, relief_signs):
    """A valve without a recorded setting may be there: a reading it cut off then looks like any other."""
    return ~relief_setting_psig.known & ~relief_present.among("no") & ~relief_signs.among("dry")


def partly_hot(hot_reading_state):
    return ~hot_reading_state.among("all_zones_hot")


# ---- errors of readings


def gauge_sigma_psi(test_gauge, policy):
    return np.where(test_gauge, policy.test_gauge_psi, both(policy.gauge_bias_psi, policy.gauge_noise_psi))


def gauge_error_at(test_gauge, policy):
    """One gauge's bias is the same cold and hot, its noise, an error of the node, is not."""

    def error_psi(noise, node, rows):
        tested = test_gauge[rows]
        return node.bias * np.where(tested, 0.0, at(policy.gauge_bias_psi, rows)) + noise * np.where(
            tested, at(policy.test_gauge_psi, rows), at(policy.gauge_noise_psi, rows)
        )

    return error_psi


def untimed_at(usable_cold_f, policy):
    def lower_psi(node, rows):
        return node.cold_drift * np.where(
            usable_cold_f.known[rows], 0.0, at(policy.cold_untimed_low_psi, rows)
        )

    return lower_psi


QUANTITIES = (
    Quantity(test_gauge, "pressures read with a test gauge"),
    Quantity(gauge_doubtful, "pressures read on a gauge that does not work"),
    Quantity(heat_on, "cold readings taken with the heat on"),
    Quantity(highest_plausible_psig, "highest pressure that is no slip of the pen", "psi", 1),
    Quantity(read_cold_psig, "pressure of the cold reading, whether or not the heat was off", "psi", 1),
    Quantity(usable_cold_psig, "cold pressure, where it can be used", "psi", 1),
    Quantity(usable_cold_f, "cold temperature, where it can be used", "°F", 1),
    Quantity(cool_cold_psig, "cold pressure, not of a warm loop", "psi", 1),
    Quantity(usable_hot_psig, "hot pressure, where it can be used", "psi", 1),
    Quantity(pressure_rise_psi, "pressure rise from cold to hot", "psi", 1),
    Quantity(allowed_psig, "highest pressure that leaves the relief valve shut", "psi", 1),
    Quantity(highest_psig, "highest pressure read", "psi", 1),
    Quantity(hot_gap, "why there is no hot pressure to be used, 0 where there is one"),
    Quantity(set_tolerance_psi, "how far from its setting the relief valve may open", "psi", 1),
    Quantity(opens_from_psig, "lowest pressure at which the relief valve may open", "psi", 1),
    Quantity(relief_has_opened, "the relief valve shows that it has opened"),
    Quantity(cut_off, "the relief valve may have cut the hot pressure off"),
    Quantity(cut_off_not_excluded, "a relief valve of unknown setting may have cut the hot pressure off"),
    Quantity(partly_hot, "hot readings taken with not all zones known to be hot"),
    Quantity(gauge_sigma_psi, "standard deviation of one pressure reading", "psi", 1),
    Quantity(gauge_error_at, "error of a pressure reading"),
    Quantity(untimed_at, "how much lower a cold pressure without a temperature may truly lie"),
)
