"""The loop: weight of its water column, and what its water gains on the pipe when heated."""

import numpy as np

from pipelines.engine.hydronics import fluids

SQUARE_INCHES_PER_SQUARE_FOOT = 144.0

# Linear expansion per °F of the main pipe. Steel and copper: ASHRAE Handbook, HVAC Systems and Equipment,
# hydronic heating and cooling (from memory; the SI figures 11.7e-6 and 17.1e-6 per K were seen in a copy of
# its symbol list). PEX moves lengthwise between its fixings rather than making room for water, so no pipe
# term is credited.
ALPHA = {"steel": 6.5e-6, "copper": 9.5e-6, "pex": 0.0}


@np.errstate(all="ignore")
def static_pressure_psi(height_ft, density_lb_ft3):
    """Pressure that a column of fluid adds at the gauge.

    Parameters
    ----------
    height_ft : float or array
        Top of the column above the gauge. Broadcasts with the density.
    density_lb_ft3 : float or array

    Returns
    -------
    float or array
        psi; 0 where the top is below the gauge, NaN where the density is not positive. Standard gravity, so
        that a pound of mass weighs a pound of force.

    Source
    ------
    27.6 ft of water at 60 °F: 11.95, printed 12 psi (NORA Oilheat Technicians Manual, p. 283).
    """
    density = np.asarray(density_lb_ft3, dtype=float)
    density = np.where(density > 0.0, density, np.nan)
    return (np.maximum(np.asarray(height_ft, dtype=float), 0.0) * density / SQUARE_INCHES_PER_SQUARE_FOOT)[()]


@np.errstate(all="ignore")
def net_expansion(cold_f, hot_f, alpha_per_f, antifreeze=fluids.WATER, percent=0.0):
    """Share of the cold loop's volume that the fluid gains on its pipes between two temperatures.

    (v hot / v cold - 1) - 3 alpha (hot - cold)

    Parameters
    ----------
    cold_f, hot_f : float or array
        °F. All parameters broadcast.
    alpha_per_f : float or array
        Linear expansion of the pipes, see ALPHA.
    antifreeze, percent : as in `fluids.density_lb_ft3`

    Returns
    -------
    float or array
        Share; NaN outside the data of `fluids.density_lb_ft3`. Negative where the fluid shrinks: cooling, or
        plain water warming through its densest point near 39 °F.

    Source
    ------
    ASHRAE Handbook, HVAC Systems and Equipment, hydronic heating, expansion tank equations (from memory).
    3,000 gal in steel from 40 to 220 °F: 130.2 gal; 129.9 with the handbook's rounded specific volumes.
    """
    cold_f, hot_f = np.asarray(cold_f, dtype=float), np.asarray(hot_f, dtype=float)
    cold_density = fluids.density_lb_ft3(cold_f, antifreeze, percent)
    hot_density = fluids.density_lb_ft3(hot_f, antifreeze, percent)
    return net_expansion_of(cold_density, hot_density, alpha_per_f, hot_f - cold_f)


@np.errstate(all="ignore")
def net_expansion_of(cold_lb_ft3, hot_lb_ft3, alpha_per_f, rise_f):
    """`net_expansion` where the densities are in hand.

    Parameters
    ----------
    cold_lb_ft3, hot_lb_ft3 : float or array
        Densities. All parameters broadcast.
    alpha_per_f : float or array
        Linear expansion of the pipes, see ALPHA.
    rise_f : float or array
        Hot less cold temperature, °F.

    Returns
    -------
    float or array
        Share, as of `net_expansion`.
    """
    ratio = np.asarray(cold_lb_ft3, dtype=float) / np.asarray(hot_lb_ft3, dtype=float)
    return (ratio - 1.0 - 3.0 * np.asarray(alpha_per_f, dtype=float) * rise_f)[()]
