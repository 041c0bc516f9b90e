"""What is said beside every list, page and sheet, so that nobody is hurt by what they read here."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipelines.engine.checks.kinds import Check

SCALD = "Hot boilers scald at once: water at 140 °F burns in seconds."
PRESSURE_OFF = (
    "Before anyone touches a tank, a vent or a relief valve: power and fuel off and isolated, system cooled, "
    "pressure taken off. Zero on a boiler gauge is no proof of no pressure: open a drain."
)
NO_COLD_WATER = "Never feed cold water to a hot boiler that has run low: shut it down and let it cool."
NEVER_PLUG = (
    "Never plug, cap or valve off a relief valve; do not lift an old one's lever unless ready to replace it."
)
HEAVY = "A failed tank is heavy: support it."
COLD_HOUSE = (
    "A boiler shut down in winter leaves a cold house: pipes freeze and frail people suffer within hours. "
    "Leave heat, or do not leave."
)
POISON = (
    "Treat unidentified antifreeze as ethylene glycol: poisonous. Where antifreeze meets no accepted "
    "backflow device, or one wall alone, the water may be poisoned: do not drink it."
)
LINE_VOLTAGE = "A thermostat may carry line voltage: power off before its cover comes off."
CAUTIONS = (
    "Results rest on recorded readings. They are not a safety inspection.",
    SCALD,
    PRESSURE_OFF,
    NO_COLD_WATER,
    NEVER_PLUG,
    HEAVY,
    COLD_HOUSE,
    POISON,
    LINE_VOLTAGE,
    "Old pipe insulation may hold asbestos.",
    "Carbon monoxide, draft and gas leaks are outside these checks.",
    "Local code and the authority having jurisdiction rule over every default here, and the work is for "
    "licensed people where the law says so.",
)
# What belongs to the work of one check, by its group and, beside that, by its id.
OF_GROUPS = {
    "pressure": (SCALD, PRESSURE_OFF),
    "tank": (PRESSURE_OFF, HEAVY),
    "relief": (SCALD, PRESSURE_OFF, NEVER_PLUG),
    "potable": (POISON,),
}
OF_CHECKS = {
    "tank-missing": (COLD_HOUSE,),
    "vent-cap-tight": (SCALD, PRESSURE_OFF),
    "vent-with-compression-tank": (PRESSURE_OFF,),
    "low-water-cutoff-missing": (NO_COLD_WATER,),
    "low-water-cutoff-failed": (NO_COLD_WATER,),
    "gauge-missing-or-stuck": (PRESSURE_OFF,),
    "leak-seen": (SCALD, PRESSURE_OFF),
    "hot-above-high-limit": (SCALD,),
    "anticipator-mismatch": (LINE_VOLTAGE,),
}


def belonging(checks: Iterable[Check]) -> tuple[str, ...]:
    """The cautions that belong to the work of some checks, in the order of CAUTIONS.

    What must be acted on today may leave the boiler shut down, and the house cold.
    """
    said: set[str] = set()
    for check in checks:
        said.update(OF_GROUPS.get(check.group, ()), OF_CHECKS.get(check.id, ()))
        said.update((COLD_HOUSE,) if check.act_today else ())
    return tuple(caution for caution in CAUTIONS if caution in said)
