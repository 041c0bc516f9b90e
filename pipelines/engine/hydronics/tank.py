"""The expansion tank: how much water its gas takes between two pressures, and the same turned around.

One gas balance carries every function here. The gas fills the whole shell at its charge, starts from the
larger of charge and cold pressure, and follows Boyle's law: a shell of V gallons takes V·P0·(1/max(P0, Pa) -
1/Ph) gallons between cold Pa and hot Ph. A compression tank is the same with the local atmosphere as its
charge. All pressures named `psia` are absolute, and those that the tank feels where it hangs: less the column
from the gauge up to it than the gauge shows. A pressure or a volume that is not positive gives NaN.
"""

import numpy as np

from pipelines.engine.hydronics import atmosphere

FACTORY_CHARGE_PSIG = 12.0  # common practice, no source
SEA_LEVEL_PSIA = float(atmosphere.atmosphere_psia(0.0))

# Conditions of the mechanical codes' table for forced hot water: 195 °F average, fill 12 psig, at most 30
# psig, at sea level. Mich. Admin. Code R 408.4272, table 272B; the closed formula as in 13 NCAC 13 .0412(d).
CODE_TEMPERATURE_F, CODE_ATMOSPHERE_PSIA, CODE_FILL_PSIA, CODE_ALLOWED_PSIA = 195.0, 14.7, 26.7, 44.7


def required_diaphragm_gal(expansion_gal, fill_psia, allowed_psia, charge_psia=None):
    """Smallest diaphragm tank that takes the expansion between fill and allowed pressure.

    Parameters
    ----------
    expansion_gal : float or array
        Gallons. All parameters broadcast.
    fill_psia, allowed_psia : float or array
    charge_psia : float or array, optional
        None: a charge equal to the fill.

    Returns
    -------
    float or array
        Gallons; NaN where the allowed pressure does not exceed both fill and charge (no tank is large enough)
        and where the expansion is negative.

    Source
    ------
    ASHRAE Handbook, HVAC Systems and Equipment, hydronic heating, diaphragm tank equation (from memory); for
    a charge below the fill Griffith, Thermal Expansion Tanks Part 2, eq. 3; above it, the same balance.
    3,000 gal in steel, 40 to 220 °F, 24.7 and 39.7 psia: 343.9, printed 344 (from memory).
    """
    charge_psia = fill_psia if charge_psia is None else charge_psia
    return _required_gal(expansion_gal, charge_psia, fill_psia, allowed_psia)


def required_compression_gal(expansion_gal, fill_psia, allowed_psia, atmosphere_psia):
    """Smallest steel compression tank, its air lying on the water, that takes the expansion.

    Parameters
    ----------
    expansion_gal : float or array
        Gallons. All parameters broadcast.
    fill_psia, allowed_psia : float or array
    atmosphere_psia : float or array
        The tank is filled from empty at this pressure.

    Returns
    -------
    float or array
        Gallons; NaN as of `required_diaphragm_gal`.

    Source
    ------
    ASHRAE Handbook, HVAC Systems and Equipment, hydronic heating, closed tank equation (from memory).
    3,000 gal in steel, 40 to 220 °F, 24.7 and 39.7 psia: 577.8, printed 578 (from memory).
    """
    return _required_gal(expansion_gal, atmosphere_psia, fill_psia, allowed_psia)


@np.errstate(all="ignore")
def expansion_taken_gal(tank_gal, charge_psia, cold_psia, hot_psia):
    """Water that the tank takes between cold and hot pressure: V·P0·(1/max(P0, Pa) - 1/Ph).

    Parameters
    ----------
    tank_gal : float or array
        Volume of the shell. All parameters broadcast.
    charge_psia, cold_psia, hot_psia : float or array
        P0, Pa, Ph.

    Returns
    -------
    float or array
        Gallons. Negative where hot lies below the pressure the gas starts from, so that a margin made from it
        stays finite and goes on falling.

    Source
    ------
    Boyle's law, as the head of this file tells.
    """
    return (_positive(tank_gal) * _share_taken(charge_psia, cold_psia, hot_psia))[()]


@np.errstate(all="ignore")
def pressure_after_expansion_psia(expansion_gal, tank_gal, charge_psia, cold_psia):
    """Hot pressure after the tank has taken an expansion: `expansion_taken_gal` turned around.

    Parameters
    ----------
    expansion_gal, tank_gal : float or array
        Gallons. All parameters broadcast.
    charge_psia, cold_psia : float or array

    Returns
    -------
    float or array
        psia; infinite where the gas cannot take the expansion, NaN where a negative one (cooling) would need
        more gas than the shell holds. The boiler's relief valve is not considered.

    Source
    ------
    Griffith, Thermal Expansion Tanks Part 2, eq. 3, solved for the hot pressure.
    """
    charge_psia, tank_gal = _positive(charge_psia), _positive(tank_gal)
    expansion_gal = np.asarray(expansion_gal, dtype=float)
    start_psia = np.maximum(charge_psia, _positive(cold_psia))
    gas_start_gal = tank_gal * (charge_psia / start_psia)
    gas_hot_gal = gas_start_gal - expansion_gal
    hot_psia = start_psia * (gas_start_gal / gas_hot_gal)
    hot_psia = np.where(gas_hot_gal <= 0.0, np.inf, hot_psia)
    return np.where(gas_hot_gal > tank_gal, np.nan, hot_psia)[()]


@np.errstate(all="ignore")
def cushion_ratio(expansion_gal, tank_gal, charge_psia, cold_psia, hot_psia, warming=1.06):
    """Gas that a cold and a hot reading imply, over the gas the tank holds at its charge.

    [Ve / (1/max(P0, Pa) - warming/Ph)] / (V·P0): about 1 when sound.

    Parameters
    ----------
    expansion_gal, tank_gal : float or array
        Ve and V, gallons. All parameters broadcast.
    charge_psia, cold_psia, hot_psia : float or array
        P0, Pa, Ph.
    warming : float or array
        Hot over cold absolute temperature of the gas.

    Returns
    -------
    float or array
        Ratio; infinite where the bracket is not positive: the pressure rose no more than warm gas alone
        explains. NaN where the expansion is negative.

    Source
    ------
    Ideal gas law; the default warming is a choice, not a measurement.
    """
    charge_psia = _positive(charge_psia)
    expansion_gal = _not_negative(expansion_gal)
    start_psia = np.maximum(charge_psia, _positive(cold_psia))
    bracket = 1.0 / start_psia - _positive(warming) / _positive(hot_psia)
    held = _positive(tank_gal) * charge_psia
    ratio = expansion_gal / bracket / held
    unbounded = (bracket <= 0.0) & ~np.isnan(expansion_gal) & ~np.isnan(held)
    return np.where(unbounded, np.inf, ratio)[()]


@np.errstate(all="ignore")
def charge_at_60f_psig(precharge_psig, atmosphere_psia, tank_f):
    """Air charge corrected from the tank's temperature to 60 °F.

    Parameters
    ----------
    precharge_psig, atmosphere_psia : float or array
        All parameters broadcast.
    tank_f : float or array
        Temperature of the tank when the charge was read, °F.

    Returns
    -------
    float or array
        psig at the same place; NaN where the charge is no positive absolute pressure. The shell is taken as
        rigid and empty of water.

    Source
    ------
    Gay-Lussac's law on absolute pressure and temperature, 520 / (460 + °F).
    """
    atmosphere_psia = _positive(atmosphere_psia)
    absolute_psia = _positive(np.asarray(precharge_psig, dtype=float) + atmosphere_psia)
    return (absolute_psia * 520.0 / _positive(460.0 + np.asarray(tank_f, dtype=float)) - atmosphere_psia)[()]


@np.errstate(all="ignore")
def sea_level_charge_psig(atmosphere_psia):
    """What a charge of 12 psig set at sea level shows on a gauge under another atmosphere.

    Parameters
    ----------
    atmosphere_psia : float or array of any shape

    Returns
    -------
    float or array
        psig; the sealed air keeps its absolute pressure. 5,000 ft: 14.5.

    Source
    ------
    12 psig from the factory: common practice, no source.
    """
    return (FACTORY_CHARGE_PSIG + SEA_LEVEL_PSIA - _positive(atmosphere_psia))[()]


@np.errstate(all="ignore")
def code_table_gal(system_gal, compression):
    """Smallest tank by the mechanical codes' closed formula at the codes' own conditions.

    Parameters
    ----------
    system_gal : float or array
        Water in the loop, gallons. Broadcasts with the other.
    compression : bool or array
        True for a steel compression tank, False for a diaphragm tank, NaN where not known.

    Returns
    -------
    float or array
        Gallons; NaN where the kind of tank is not known. The conditions allow the full 30 psi of the usual
        relief valve, and the formula follows water in steel only near 190 to 220 °F, so it says what a code
        asks and not what a loop needs. Printed tables are rounded, some rows down.

    Source
    ------
    13 NCAC 13 .0412(d). 100 gal, compression: 15.04, printed 15 (Mich. R 408.4272, table 272B).
    """
    expansion_gal = (0.00041 * CODE_TEMPERATURE_F - 0.0466) * _positive(system_gal)
    compression = np.asarray(compression, dtype=float)
    charge_psia = np.where(
        compression == 1.0, CODE_ATMOSPHERE_PSIA, np.where(compression == 0.0, CODE_FILL_PSIA, np.nan)
    )
    return _required_gal(expansion_gal, charge_psia, CODE_FILL_PSIA, CODE_ALLOWED_PSIA)


@np.errstate(all="ignore")
def _required_gal(expansion_gal, charge_psia, fill_psia, allowed_psia):
    """Shell that takes the expansion; NaN where the shell takes none, however large."""
    return (_not_negative(expansion_gal) / _positive(_share_taken(charge_psia, fill_psia, allowed_psia)))[()]


def _share_taken(charge_psia, cold_psia, hot_psia):
    """Share of the shell that water fills between cold and hot pressure."""
    charge_psia = _positive(charge_psia)
    return charge_psia / np.maximum(charge_psia, _positive(cold_psia)) - charge_psia / _positive(hot_psia)


def _positive(values):
    """The values as float64, NaN where not above zero."""
    values = np.asarray(values, dtype=float)
    return np.where(values > 0.0, values, np.nan)


def _not_negative(values):
    """The values as float64, NaN where below zero."""
    values = np.asarray(values, dtype=float)
    return np.where(values >= 0.0, values, np.nan)
