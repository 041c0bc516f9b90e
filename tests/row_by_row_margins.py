"""How certain an outcome of row_by_row is, one inspection and one set of errors at a time, in plain Python.

A margin falls below zero where a limit is overstepped. It is a function of one set of errors that gives mean
and standard deviation; its chance is the mean, over all sets, of the normal distribution function. No vectors
and no short cuts: every margin is worked out at every set. `i` is a row_by_row.Inspection throughout.
"""

from math import erfc, hypot, inf, sqrt
from statistics import NormalDist, pstdev
from typing import NamedTuple


class Errors(NamedTuple):
    """One set of errors: standard normal, or between 0 and 1 where only one side is possible."""

    charge: float
    bias: float
    cold: float
    hot: float
    height: float
    atmosphere: float
    cold_f: float
    charge_drift: float  # one-sided, as are all that follow
    cold_drift: float
    fluid: float
    volume: float


COUNT, STEPS, ONE_SIDED_FROM = 53, (24, 42, 46, 1, 13, 10, 49, 15, 36, 47, 28), 7


def sets_of_errors():
    """A rank-1 lattice of 53 sets: each error takes each of its levels once, in steps of its own."""
    levels = [(place + 0.5) / COUNT for place in range(COUNT)]
    normal = [NormalDist().inv_cdf(level) for level in levels]
    deviation = pstdev(normal)
    normal = [level / deviation for level in normal]
    return [
        Errors(
            *(
                (normal if error < ONE_SIDED_FROM else levels)[number * step % COUNT]
                for error, step in enumerate(STEPS)
            )
        )
        for number in range(COUNT)
    ]


SETS = sets_of_errors()


def below_zero(mean, sigma):
    """Probability that a normal value is below zero; a mean of zero is the limit itself."""
    if abs(mean) < 1e-9:
        return 0.5
    if sigma == 0.0:
        return 1.0 if mean < 0.0 else 0.0
    return 0.5 * erfc(mean / sigma / sqrt(2.0))


def chance(margin):
    return sum(below_zero(*margin(errors)) for errors in SETS) / COUNT


# ---- what a set of errors does to the readings


def required_cold_at(i, errors):
    """Required cold pressure: an estimated height is off, and
    an antifreeze of unknown share makes the column heavier.
    """
    height_ft = i.height_ft + errors.height * i.rules.height_error_ft if i.static_estimated else i.height_ft
    heavier = errors.fluid * i.rules.antifreeze_density_share if i.percent is None else 0.0
    return i.required_cold_for(max(i.tank_top_ft, height_ft) * i.psi_per_ft * (1.0 + heavier))


def should_have_at(i, errors):
    return i.should_have_for(required_cold_at(i, errors))


def cool_cold_at(i, errors):
    """Cold pressure, which may lie lower where no cold temperature says that the loop was cold."""
    return i.cold - errors.cold_drift * i.rules.cold_untimed_low_psi if i.cold_f is None else i.cold


def drifted_charge_at(i, errors):
    """Trusted charge, which may lie lower or higher where the tank's temperature was not recorded."""
    if i.get("tank_temperature_f") is not None:
        return i.charge
    low, high = i.rules.charge_untempered_low_psi, i.rules.charge_untempered_high_psi
    return i.charge + errors.charge_drift * (low + high) - low


def charge_sigma_psi(i):
    """Tank gauge and tank thermometer."""
    warm = i.get("tank_temperature_f")
    thermal = (
        0.0
        if warm is None
        else (i.get("precharge_psig") + i.atmosphere) * i.rules.temperature_f / (460.0 + warm)
    )
    return hypot(i.rules.test_gauge_psi, thermal)


def gauge_sigma_psi(i):
    return i.rules.test_gauge_psi if tested(i) else hypot(i.rules.gauge_bias_psi, i.rules.gauge_noise_psi)


def tested(i):
    return i.get("pressure_read_with") == "test_gauge"


def gauge_error_at(i, errors, own):
    """Error of one pressure; both pressures of a boiler gauge share its bias."""
    return (
        own * i.rules.test_gauge_psi
        if tested(i)
        else errors.bias * i.rules.gauge_bias_psi + own * i.rules.gauge_noise_psi
    )


def gas_at(i):
    """Function of errors: absolute pressures of charge and cold loop at the tank, and what makes that of a
    pressure at the gauge.
    """
    compression = i.get("tank_type") == "plain_steel"
    sigma = None if i.charge is None else charge_sigma_psi(i)

    def gas(errors):
        air = i.atmosphere + errors.atmosphere * i.atmosphere_sigma
        over = air - i.lift
        if compression:
            charge = air
        elif i.charge is not None:
            charge = drifted_charge_at(i, errors) + errors.charge * sigma + air
        else:
            charge = should_have_at(i, errors) + over
        return charge, i.cold + gauge_error_at(i, errors, errors.cold) + over, over

    return gas


def taken_gal(tank_gal, charge_psia, cold_psia, hot_psia):
    """Water that the gas takes between two pressures;
    negative where hot lies below the pressure it starts from.
    """
    return tank_gal * (charge_psia / max(charge_psia, cold_psia) - charge_psia / hot_psia)


def grown_gal(i, share_at, share_sigma):
    """Function of errors: expansion of the loop and its standard deviation."""
    rules = i.rules
    relative = hypot(
        0.0 if i.loop_estimated else rules.volume_share, 0.0 if i.fluid == "water" else rules.glycol_share
    )
    least, most = i.volume_range()

    def grown(errors):
        volume_gal = i.loop_gal * (least + (most - least) * errors.volume)
        if i.fluid_unknown:
            volume_gal *= 1.0 + errors.fluid * rules.antifreeze_unknown_share
        mean = volume_gal * share_at(errors)
        return mean, hypot(mean * relative, volume_gal * share_sigma)

    return grown


def grown_since_cold_gal(i, hot_f, hot_error_f):
    """Expansion from the cold reading; where there is none its
    temperature is one of the errors, never below freezing.
    """
    rules = i.rules
    cold_f = rules.cold_missing_f if i.cold_f is None else i.cold_f
    share, colder, cooler = (
        i.expansion_share(cold_f, hot_f),
        i.expansion_share(cold_f + 1.0, hot_f),
        i.expansion_share(cold_f, hot_f - 1.0),
    )
    cold_error_f = 0.0 if i.cold_f is None else rules.temperature_f
    sigma = (
        0.0
        if colder is None or cooler is None
        else hypot((colder - share) * cold_error_f, (share - cooler) * hot_error_f)
    )

    def share_at(errors):
        return (
            share
            if i.cold_f is not None
            else i.expansion_share(
                max(32.0, rules.cold_missing_f + errors.cold_f * rules.cold_missing_error_f), hot_f
            )
        )

    return grown_gal(i, share_at, sigma)


# ---- margins of the checks


def cold_above_required(i):
    sigma = gauge_sigma_psi(i)
    return lambda errors: (cool_cold_at(i, errors) - required_cold_at(i, errors), sigma)


def cold_below_high(i):
    sigma = gauge_sigma_psi(i)
    return lambda errors: (
        should_have_at(i, errors) + i.rules.cold_high_margin_psi - cool_cold_at(i, errors),
        sigma,
    )


def cold_near_setting(i, sign):
    sigma, setting = gauge_sigma_psi(i), i.get("fill_setting_psig")
    return lambda errors: (i.rules.fill_off_setting_psi + sign * (cool_cold_at(i, errors) - setting), sigma)


def charge_near_fill(i, sign):
    """Against the fill pressure that this loop has, as the tank feels it."""
    sigma = charge_sigma_psi(i)
    if i.fill_from == "cold":
        sigma = hypot(sigma, gauge_sigma_psi(i))
    heavier = i.rules.antifreeze_density_share if i.percent is None else 0.0

    def margin(errors):
        fill = i.fill
        if i.fill_from == "cold":
            fill = cool_cold_at(i, errors)
        elif i.fill_from == "due":
            fill = should_have_at(i, errors)
        fill -= i.lift * (1.0 + errors.fluid * heavier)
        return i.rules.charge_tolerance_psi + sign * (drifted_charge_at(i, errors) - fill), sigma

    return margin


def tank_room(i):
    """What this tank takes at the pressure it should have, less the expansion."""
    tank_gal, allowed, compression = (
        i.get("tank_volume_gal"),
        i.rules.near_relief_share * i.relief_setting,
        i.get("tank_type") == "plain_steel",
    )
    share = i.expansion_share(i.rules.sizing_cold_f, i.limit_f)
    grown_at = grown_gal(i, lambda errors: share, 0.0)

    def margin(errors):
        air = i.atmosphere + errors.atmosphere * i.atmosphere_sigma
        fill, over = should_have_at(i, errors) + air - i.lift, air - i.lift
        taken = taken_gal(tank_gal, air if compression else fill, fill, allowed + over)
        grown, sigma = grown_at(errors)
        return taken - grown, hypot(taken * i.rules.volume_share, sigma)

    return margin


def room_at_limit(i):
    """What the gas takes up to the allowed pressure (all of it, where none is known), less the expansion."""
    tank_gal, allowed = (
        i.get("tank_volume_gal"),
        inf if i.relief_setting is None else i.rules.near_relief_share * i.relief_setting,
    )
    gas, grown_at = gas_at(i), grown_since_cold_gal(i, i.limit_f, 0.0)

    def margin(errors):
        charge, cold, over = gas(errors)
        taken = taken_gal(tank_gal, charge, cold, allowed + over)
        grown, sigma = grown_at(errors)
        return taken - max(0.0, grown), hypot(taken * i.rules.volume_share, sigma)

    return margin


def cushion_kept(i):
    """The expansion, less the larger of what would make the cushion a lost one: what half the gas takes at
    the readings, and, where the relief valve cut the hot pressure off, what a sound tank takes below its
    limit.
    """
    rules, tank_gal = i.rules, i.get("tank_volume_gal")
    cut_from, allowed = (
        (inf, inf)
        if i.relief_setting is None or not i.has_opened
        else (i.opens_from, rules.near_relief_share * i.relief_setting)
    )
    gas, grown_at = (
        gas_at(i),
        grown_since_cold_gal(i, i.hot_f, hypot(rules.temperature_f, rules.loop_temperature_f)),
    )

    def margin(errors):
        charge, cold, over = gas(errors)
        hot = i.hot + gauge_error_at(i, errors, errors.hot)
        taken = 0.0
        if i.ratio is not None:
            taken = max(
                taken,
                rules.cushion_lost_ratio
                * tank_gal
                * charge
                * (1.0 / max(charge, cold) - rules.gas_warming / (hot + over)),
            )
        if hot >= cut_from:
            taken = max(taken, taken_gal(tank_gal, charge, cold, allowed + over))
        grown, sigma = grown_at(errors)
        return grown - taken, hypot(taken * rules.volume_share, sigma)

    return margin


def beyond_half_gas(i):
    """The expansion, less what half the gas would take up to where it could be told from this tank's."""
    rules, tank_gal = i.rules, i.get("tank_volume_gal")
    gas, grown_at = (
        gas_at(i),
        grown_since_cold_gal(i, i.hot_f, hypot(rules.temperature_f, rules.loop_temperature_f)),
    )

    def margin(errors):
        charge, cold, over = gas(errors)
        hot = i.hot + rules.half_gas_apart_psi + gauge_error_at(i, errors, errors.hot) + over
        taken = taken_gal(tank_gal, charge / 2.0, cold, hot)
        grown, sigma = grown_at(errors)
        return grown - taken, hypot(taken * rules.volume_share, sigma)

    return margin


def cushion_lost(i):
    if i.by_charge:
        return 1.0 - i.rules.charge_shows_cushion_certainty
    return chance(beyond_half_gas(i) if i.half_gas_excluded else cushion_kept(i))


def relief_stayed_shut(i):
    """Chance of a pressure above where the valve must have opened; one that shows more than dry did open."""
    if i.get("relief_signs") != "dry":
        return 0.0
    return below_zero(i.relief_setting + i.set_tolerance() - i.highest, gauge_sigma_psi(i))


def above_plate(i):
    share = i.rules.plate_rise_share if i.get("relief_signs") in ("dripping", "discharging") else 1.0
    return below_zero(share * i.get("boiler_max_pressure_psig") - i.highest, gauge_sigma_psi(i))


def no_rise(i):
    """The bias of one gauge falls out of a rise; each reading's noise does not."""
    each = i.rules.test_gauge_psi if tested(i) else i.rules.gauge_noise_psi
    return below_zero(i.hot - i.cold - i.rules.rise_seen_psi, each * sqrt(2.0)) if i.rise_due else 0.0


# Probability that a check is deficient; a check that is
# not here is told from words or numbers taken as exact.
CHANCE = {
    "cold-pressure-low": lambda i: chance(cold_above_required(i)),
    "cold-pressure-high": lambda i: chance(cold_below_high(i)),
    "fill-pressure-off-setting": lambda i: chance(cold_near_setting(i, 1.0)) + chance(cold_near_setting(i,
        -1.0)),
    "supply-pressure-high": lambda i: below_zero(i.rules.supply_high_psig - i.get("supply_pressure_psig"),
        i.rules.test_gauge_psi),
    "hot-pressure-near-relief": lambda i: below_zero(i.rules.near_relief_share * i.relief_setting - i.hot,
        gauge_sigma_psi(i)),
    "predicted-pressure-near-relief": lambda i: 1.0 if i.no_gas else chance(room_at_limit(i)),
    "tank-undersized": lambda i: chance(tank_room(i)),
    "tank-cushion-lost": cushion_lost,
    "precharge-low": lambda i: chance(charge_near_fill(i, 1.0)),
    "precharge-high": lambda i: chance(charge_near_fill(i, -1.0)),
    "relief-did-not-open": relief_stayed_shut,
    "pressure-above-plate": above_plate,
    "hot-above-high-limit": lambda i: below_zero(i.get("high_limit_f") + i.rules.limit_overshoot_f
        - i.get("hot_temperature_f"), i.rules.temperature_f),
    "pressure-did-not-rise": no_rise,
    "cold-reading-hot": lambda i: below_zero(i.rules.cold_above_f - i.get("cold_temperature_f"),
        i.rules.temperature_f),
}  # fmt: skip


def certainty(check, i, deficient):
    """Probability that a told outcome is true, to four decimals as the snapshot has it."""
    if check == "tank-diaphragm-failed":
        return 1.0 if deficient else i.rules.air_at_valve_certainty
    if check == "tank-sounds-full":
        return i.rules.tank_tap_certainty
    if check not in CHANCE:
        return 1.0
    wrong = min(1.0, CHANCE[check](i))
    return round(wrong if deficient else 1.0 - wrong, 4)
