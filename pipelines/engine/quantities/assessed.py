"""What is assessed at all."""

import numpy as np

from pipelines.engine.quantities.kinds import Quantity

ASSESSED, OTHER_SYSTEM, NO_EVIDENCE, LOOKS_LIKE_STEAM, LOOKS_OPEN = range(5)


def state(heating_system, tank_type, fill_setting_psig, relief_setting_psig, policy):
    evidence = tank_type.among("diaphragm", "plain_steel") | fill_setting_psig.known
    hot_water = heating_system.among("hot_water") | (~heating_system.known & evidence)
    return np.select(
        [
            ~heating_system.known & ~evidence,
            ~hot_water,
            relief_setting_psig.value <= policy.steam_setting_psig,
            tank_type.among("open"),
        ],
        [NO_EVIDENCE, OTHER_SYSTEM, LOOKS_LIKE_STEAM, LOOKS_OPEN],
        ASSESSED,
    ).astype(np.int8)


def assessed(state):
    return ~np.isin(state, (OTHER_SYSTEM, NO_EVIDENCE))


QUANTITIES = (
    Quantity(state, "whether the system is one that is assessed, as a code"),
    Quantity(assessed, "a hot-water system, or one that looks odd", flag=True, unassessed=True),
)
