"""True pressures of an invented loop: water, air, head and the gas cushion, solved by bisection.

Stands alone on purpose: nothing here is shared with the program whose results it is meant to test.
Pressures named psia are absolute, psig gauge; temperatures °F; volumes US gallons.
"""

import math

KG_M3_TO_LB_FT3 = 0.06242796
SEA_LEVEL_PSIA = 101_325 / 6_894.757
PIPE_ALPHA_PER_F = {"steel": 6.5e-6, "copper": 9.5e-6, "pex": 0.0}
GAS_ZERO_F = -459.67
LOOP_COMPRESSIBILITY_PER_PSI = (
    3.2e-6  # water near 120 °F, bulk modulus about 310,000 psi (common practice, from memory)
)

# lb/ft³ at 40, 60, 80, 100, 120, 140, 160, 180, 200, 210 °F, percent by volume. ASHRAE's inhibited glycol
# data as the open property library CoolProp gives them (fluids APG and AEG, version 8.0.0).
GLYCOL_F = (40, 60, 80, 100, 120, 140, 160, 180, 200, 210)
GLYCOL_LB_FT3 = {
    ("propylene_glycol", 30): (
        64.592,
        64.318,
        64.005,
        63.653,
        63.261,
        62.830,
        62.360,
        61.850,
        61.301,
        61.012,
    ),
    ("propylene_glycol", 40): (
        65.133,
        64.825,
        64.477,
        64.090,
        63.663,
        63.196,
        62.690,
        62.144,
        61.558,
        61.251,
    ),
    ("propylene_glycol", 50): (
        65.593,
        65.252,
        64.871,
        64.451,
        63.991,
        63.492,
        62.953,
        62.375,
        61.757,
        61.433,
    ),
    ("ethylene_glycol", 30): (65.580, 65.354, 65.090, 64.789, 64.450, 64.074, 63.660, 63.209, 62.720, 62.461),
    ("ethylene_glycol", 40): (66.510, 66.263, 65.979, 65.657, 65.297, 64.900, 64.466, 63.994, 63.485, 63.216),
    ("ethylene_glycol", 50): (67.393, 67.125, 66.819, 66.476, 66.095, 65.676, 65.221, 64.728, 64.197, 63.918),
}


def water_density_lb_ft3(temperature_f):
    """Density of water at one atmosphere, 32 to 300 °F.

    Source: Kell, J. Chem. Eng. Data 20 (1975) 97-105, equation for 0 to 150 °C, coefficients from memory;
    agrees with printed specific volumes within their last digit.
    """
    t = (temperature_f - 32) / 1.8
    over = (
        999.83952
        + 16.945176 * t
        - 7.9870401e-3 * t**2
        - 46.170461e-6 * t**3
        + 105.56302e-9 * t**4
        - 280.54253e-12 * t**5
    )
    return over / (1 + 16.879850e-3 * t) * KG_M3_TO_LB_FT3


def density_lb_ft3(temperature_f, fluid="none", percent=0):
    """Density of the loop's fluid; glycol between the tabled
    temperatures by straight lines, outside by the last slope.
    """
    if fluid == "none":
        return water_density_lb_ft3(temperature_f)
    table = GLYCOL_LB_FT3[fluid, percent]
    at = min(max(sum(temperature_f >= f for f in GLYCOL_F) - 1, 0), len(GLYCOL_F) - 2)
    share = (temperature_f - GLYCOL_F[at]) / (GLYCOL_F[at + 1] - GLYCOL_F[at])
    return table[at] + share * (table[at + 1] - table[at])


def atmosphere_psia(elevation_ft):
    """Pressure of the standard atmosphere of 1976, geometric feet, from its own constants (troposphere)."""
    meters = elevation_ft * 0.3048
    geopotential_m = 6_356_766 * meters / (6_356_766 + meters)
    kelvin = 288.15 - 0.0065 * geopotential_m
    return SEA_LEVEL_PSIA * (kelvin / 288.15) ** (9.80665 * 0.0289644 / (8.31432 * 0.0065))


def static_psi(height_ft, fluid="none", percent=0, temperature_f=60):
    """Weight of the water column above the gauge; none when the highest point lies below it."""
    return density_lb_ft3(temperature_f, fluid, percent) * max(0.0, height_ft) / 144


def net_expansion(cold_f, hot_f, pipe, fluid="none", percent=0):
    """Share of the cold volume that has to find room when the loop
    warms: the fluid's growth less the pipes'.
    """
    grown = density_lb_ft3(cold_f, fluid, percent) / density_lb_ft3(hot_f, fluid, percent) - 1
    return grown - 3 * PIPE_ALPHA_PER_F[pipe] * (hot_f - cold_f)


def hot_pressure_psia(
    gas_psia_gal, pocket_gal, cold_psia, expansion_gal, loop_gal, gas_cold_f=60.0, gas_hot_f=60.0
):
    """Loop pressure after the expansion has been pressed
    into the cushion; infinite where the gas cannot take it.

    `gas_psia_gal` is pressure times volume of the gas at 60 °F, `pocket_gal` the room it has with the water
    side empty. The little that water itself yields under pressure is counted, so the balance has no closed
    form.
    """
    warm_cold = (gas_cold_f - GAS_ZERO_F) / (60 - GAS_ZERO_F)
    warm_hot = (gas_hot_f - GAS_ZERO_F) / (60 - GAS_ZERO_F)
    gas_cold_gal = min(pocket_gal, gas_psia_gal * warm_cold / cold_psia)

    def room_less_need(psia):
        taken = gas_cold_gal - min(pocket_gal, gas_psia_gal * warm_hot / psia)
        return taken + LOOP_COMPRESSIBILITY_PER_PSI * loop_gal * (psia - cold_psia) - expansion_gal

    low, high = cold_psia, 400.0
    if room_less_need(high) < 0:
        return math.inf
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if room_less_need(middle) < 0 else (low, middle)
    return high


def required_tank_gal(expansion_gal, fill_psia, allowed_psia, atmosphere=None):
    """Smallest tank for an expansion between two pressures, charged
    to fill; with `atmosphere` a steel tank without diaphragm.

    Source: ASHRAE Handbook, HVAC Systems and Equipment, hydronic
    heating (from memory). None where no tank is large enough.
    """
    if allowed_psia <= fill_psia:
        return None
    charge = fill_psia if atmosphere is None else atmosphere
    return expansion_gal / (charge / fill_psia - charge / allowed_psia)
