"""Density of what is in the loop: water or a glycol mix, from the table shipped beside this file."""

from functools import lru_cache
from pathlib import Path

import numpy as np

WATER, PROPYLENE_GLYCOL, ETHYLENE_GLYCOL = 0, 1, 2
# By code; how the names of columns begin in the table.
FLUIDS = ("water", "propylene_glycol", "ethylene_glycol")

DENSITY_TABLE = Path(__file__).with_name("density.csv")


@np.errstate(all="ignore")
def density_lb_ft3(temperature_f, antifreeze=WATER, percent=0.0):
    """Density of water or a glycol mix.

    Parameters
    ----------
    temperature_f : float or array
        °F. Broadcasts with the others.
    antifreeze : int or array
        WATER, PROPYLENE_GLYCOL or ETHYLENE_GLYCOL.
    percent : float or array
        Glycol by volume; not looked at where the code is WATER.

    Returns
    -------
    float or array
        lb/ft³; NaN for any other code and outside the data: water 32 to 250 °F, glycol 32 to 212 °F and 0 to
        60 %. Interpolated linearly between steps of 2 °F and 2 %, within 1e-5 of the sources. Loop pressure
        is left out: it moves the density by 1e-4 at most, cold and hot alike.

    Source
    ------
    Water: IAPWS-IF97, saturated liquid. Glycol: the ASHRAE percent-by-volume data that CoolProp carries,
    which begin at 10 %, and below that the straight line from water. 60 °F water: 62.364; printed specific
    volume 0.01603 ft³/lb, which is 62.4.
    """
    temperatures, _, densities = _table()
    temperature, code = np.asarray(temperature_f, dtype=float), np.asarray(antifreeze, dtype=float)
    density = np.where(
        code == WATER,
        np.interp(temperature, temperatures, densities[WATER, :, 0], left=np.nan, right=np.nan),
        np.nan,
    )
    glycol = (code == PROPYLENE_GLYCOL) | (code == ETHYLENE_GLYCOL)
    if glycol.any():
        density, temperature, percent, glycol, code = np.broadcast_arrays(
            density, temperature, np.asarray(percent, dtype=float), glycol, code
        )
        density = density.copy()
        density[glycol] = _glycol_lb_ft3(temperature[glycol], code[glycol].astype(np.intp), percent[glycol])
    else:
        density = np.broadcast_to(density, np.broadcast_shapes(density.shape, np.shape(percent)))
    return density[()]


def _glycol_lb_ft3(temperature, fluid, percent):
    """Arrays of one length: °F, codes of glycols, percent."""
    temperatures, percents, densities = _table()
    row, along = _interval(temperatures, temperature)
    column, across = _interval(percents, percent)
    flat, width = densities.ravel(), len(percents)
    # Of the corner that is coldest and has the least glycol.
    corner = (fluid * len(temperatures) + row) * width + column
    lower = flat.take(corner) * (1.0 - along) + flat.take(corner + width) * along
    upper = flat.take(corner + 1) * (1.0 - along) + flat.take(corner + width + 1) * along
    return lower * (1.0 - across) + upper * across


def _interval(axis, values):
    """Index of the interval of `axis` that holds each value, and how far along it lies; NaN outside the axis.

    A value on a grid point belongs to the interval below it, so that the last line of data never meets the
    empty one above.
    """
    position = np.interp(
        np.asarray(values, dtype=float), axis, np.arange(len(axis)), left=np.nan, right=np.nan
    )
    index = np.fmax(np.ceil(position) - 1.0, 0.0).astype(np.intp)
    return index, position - index


@lru_cache(maxsize=1)
def _table():
    """Temperatures, percents, and densities by fluid, temperature and percent; read once, read-only."""
    lines = [
        line for line in DENSITY_TABLE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")
    ]
    headings = lines[0].split(",")
    values = np.loadtxt(lines[1:], delimiter=",")
    temperatures = values[:, 0]
    percents = np.array(
        [0.0] + [float(h.rsplit("_", 1)[1]) for h in headings if h.startswith(FLUIDS[PROPYLENE_GLYCOL])]
    )
    densities = np.empty((len(FLUIDS), len(temperatures), len(percents)))
    water = values[:, headings.index("water_0"), np.newaxis]
    densities[WATER] = water
    for fluid in (PROPYLENE_GLYCOL, ETHYLENE_GLYCOL):
        columns = [headings.index(f"{FLUIDS[fluid]}_{percent:.0f}") for percent in percents[1:]]
        densities[fluid, :, 1:] = values[:, columns]
        densities[fluid, :, :1] = water
    for array in (temperatures, percents, densities):
        array.flags.writeable = False
    return temperatures, percents, densities
