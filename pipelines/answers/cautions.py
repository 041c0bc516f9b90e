"""What is said beside every list, page and sheet, so that nobody is hurt by what they read here."""

CAUTIONS = (
    "Results rest on recorded readings. They are not a safety inspection.",
    "Hot boilers scald at once: water at 140 °F burns in seconds.",
    "Before anyone touches a tank, a vent or a relief valve: power and fuel off and isolated, system cooled, "
    "pressure taken off. Zero on a boiler gauge is no proof of no pressure: open a drain.",
    "Never feed cold water to a hot boiler that has run low: shut it down and let it cool.",
    "Never plug, cap or valve off a relief valve; do not lift an old one's lever unless ready to replace it.",
    "A failed tank is heavy: support it.",
    "A boiler shut down in winter leaves a cold house: pipes freeze and frail people suffer within hours. "
    "Leave heat, or do not leave.",
    "Treat unidentified antifreeze as ethylene glycol: poisonous. Where antifreeze meets no accepted "
    "backflow device, or one wall alone, the water may be poisoned: do not drink it.",
    "A thermostat may carry line voltage: power off before its cover comes off.",
    "Old pipe insulation may hold asbestos.",
    "Carbon monoxide, draft and gas leaks are outside these checks.",
    "Local code and the authority having jurisdiction rule over every default here, and the work is for "
    "licensed people where the law says so.",
)
