"""What is assessed at all."""

import numpy as np

from pipelines.engine.heating import HOT_WATER, NOT_RECORDED
from pipelines.engine.quantities.kinds import Quantity

ASSESSED, OTHER_SYSTEM, NO_EVIDENCE, LOOKS_LIKE_STEAM, LOOKS_OPEN = range(5)


def heating(heating_system, tank_type, fill_setting_psig):
    """Codes of heating.py: hot water where it is recorded, or a tank or a fill valve is evidence of it."""
    evidence = tank_type.among("diaphragm", "plain_steel") | fill_setting_psig.known
    recorded = np.where(heating_system.among("hot_water"), HOT_WATER, heating_system.codes + 1)
    return np.where(heating_system.known, recorded, np.where(evidence, HOT_WATER, NOT_RECORDED))


def recorded_heating(readings):
    """The same of readings whose quantities are not worked out yet."""
    return heating(
        readings.word("heating_system"), readings.word("tank_type"), readings.number("fill_setting_psig")
    )


def state(heating, tank_type, relief_setting_psig, policy):
    return np.select(
        [
            heating == NOT_RECORDED,
            heating != HOT_WATER,
            relief_setting_psig.value <= policy.steam_setting_psig,
            tank_type.among("open"),
        ],
        [NO_EVIDENCE, OTHER_SYSTEM, LOOKS_LIKE_STEAM, LOOKS_OPEN],
        ASSESSED,
    ).astype(np.int8)


def assessed(state):
    return ~np.isin(state, (OTHER_SYSTEM, NO_EVIDENCE))


QUANTITIES = (
    Quantity(heating, "the heating system that was seen, as a code"),
    Quantity(state, "whether the system is one that is assessed, as a code"),
    Quantity(assessed, "a hot-water system, or one that looks odd", flag=True, unassessed=True),
)
