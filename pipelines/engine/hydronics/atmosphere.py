"""Pressure of the air where the house stands."""

import numpy as np

LOWEST_FT, HIGHEST_FT = -16_500.0, 36_000.0  # validity of the closed form


@np.errstate(all="ignore")
def atmosphere_psia(elevation_ft):
    """Pressure of the standard atmosphere at an elevation.

    Parameters
    ----------
    elevation_ft : float or array of any shape
        Feet above sea level.

    Returns
    -------
    float or array
        psia; NaN outside -16,500 to 36,000 ft. Rounded to 1e-6 psi: the last bit of a power differs between
        processors, and between one value and a whole column, and must not reach a result.

    Source
    ------
    US Standard Atmosphere 1976 in the closed form of the ASHRAE Handbook, Fundamentals, ch. 1
    (psychrometrics). 5,000 ft: 12.228, printed 12.230 there and 12.228 in the 1976 tables.
    """
    elevation_ft = np.asarray(elevation_ft, dtype=float)
    inside = (elevation_ft >= LOWEST_FT) & (elevation_ft <= HIGHEST_FT)
    pressure_psia = 14.696 * (1.0 - 6.8754e-6 * elevation_ft) ** 5.2559
    return np.where(inside, np.round(pressure_psia, 6), np.nan)[()]
