"""Makes the density table that ships with the project, from IAPWS and CoolProp.

Run `python tests/density_table.py` from the project's folder to write pipelines/engine/hydronics/density.csv
again. CoolProp takes seconds to import and needs compiled code, so the project ships the table and not the
library.
"""

import numpy as np
from iapws import IAPWS97

from pipelines.engine.hydronics.fluids import DENSITY_TABLE

KG_M3_PER_LB_FT3 = 0.45359237 / 0.3048**3
TEMPERATURES_F = np.arange(32, 251, 2)
PERCENTS = np.arange(10, 61, 2)
GLYCOLS = {"propylene_glycol": "APG", "ethylene_glycol": "AEG"}
GLYCOL_HIGHEST_F = 212

HEADER = """\
# Density of water and glycol mixes, lb/ft3. A heading is a fluid and its glycol percent by volume.
# Water: IAPWS-IF97, saturated liquid, by the Python package iapws.
# Glycol: ASHRAE Handbook, Fundamentals, data by volume percent as fitted in CoolProp (INCOMP::APG,
# INCOMP::AEG).
# These hold from 10 to 60 % and up to 212 F; nan is outside them. Below 10 % the reader goes straight to
# water.
# Made by: python tests/density_table.py
"""


def kelvin(temperature_f):
    """Temperature in K, rounded so that 212 °F is not a hair above the 373.15 K where the glycol data end."""
    return round((temperature_f - 32.0) / 1.8 + 273.15, 9)


def water_lb_ft3(temperature_f):
    """Saturated liquid water by IAPWS-IF97, one temperature."""
    return float(IAPWS97(T=kelvin(temperature_f), x=0).rho) / KG_M3_PER_LB_FT3


def glycol_lb_ft3(fluid, temperature_f, percent):
    """Glycol mix by CoolProp, one temperature, percent by
    volume; NaN above its data. Its density has no pressure.
    """
    from CoolProp.CoolProp import PropsSI

    if temperature_f > GLYCOL_HIGHEST_F:
        return float("nan")
    return (
        PropsSI("D", "T", kelvin(temperature_f), "P", 3e5, f"INCOMP::{fluid}[{percent / 100}]")
        / KG_M3_PER_LB_FT3
    )


def density_table():
    """The whole text of density.csv."""
    headings = ["temperature_f", "water_0"] + [
        f"{name}_{percent}" for name in GLYCOLS for percent in PERCENTS
    ]
    lines = [",".join(headings)]
    for temperature_f in TEMPERATURES_F:
        values = [water_lb_ft3(temperature_f)]
        values += [
            glycol_lb_ft3(fluid, temperature_f, percent) for fluid in GLYCOLS.values() for percent in PERCENTS
        ]
        lines.append(",".join([str(temperature_f)] + [f"{value:.5f}" for value in values]))
    return HEADER + "\n".join(lines) + "\n"


if __name__ == "__main__":
    DENSITY_TABLE.write_text(density_table(), encoding="utf-8")
