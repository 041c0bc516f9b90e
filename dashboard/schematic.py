"""The loop of one home as a drawing (SVG), in the order water meets it, with the readings at their spots.

No Streamlit and no queries: readings in words in, text out. `readings` maps a field to what was recorded, as
shown (`12.0 psi`, `dual check vented`); a field that is not there was not recorded. The same in words stands
in `in_words`, for those who do not see the drawing.
"""

from collections import Counter
from dataclasses import dataclass

from dashboard.markup import render
from pipelines.engine.checks import BY_ID


@dataclass(frozen=True)
class Part:
    """One part of the loop: the fields written beside it, and where its text stands.

    A check names the part it speaks of as its spot.
    """

    id: str
    name: str
    fields: tuple[str, ...]
    x: int
    y: int


PARTS = (
    Part("supply", "House supply", ("supply_pressure_psig", "water_source"), 14, 168),
    Part("backflow", "Backflow preventer", ("backflow_device", "backflow_tested_on"), 96, 268),
    Part("fill", "Fill valve", ("fill_connection", "fill_setting_psig", "makeup_meter_gal"), 190, 140),
    Part("vent", "Air vent", ("vent_cap",), 356, 92),
    Part(
        "tank",
        "Expansion tank",
        (
            "tank_type",
            "tank_volume_gal",
            "precharge_psig",
            "precharge_system_side",
            "tank_valve",
            "tank_air_valve",
            "tank_tap",
        ),
        390,
        314,
    ),
    Part(
        "boiler",
        "Boiler",
        (
            "boiler_kind",
            "boiler_output_btuh",
            "boiler_max_pressure_psig",
            "high_limit_f",
            "boiler_year",
            "domestic_coil",
            "coil_wall",
        ),
        556,
        344,
    ),
    Part(
        "gauge",
        "Gauge",
        (
            "cold_pressure_psig",
            "cold_temperature_f",
            "hot_pressure_psig",
            "hot_temperature_f",
            "boiler_gauge",
        ),
        462,
        128,
    ),
    Part("cutoff", "Low-water cutoff", ("low_water_cutoff", "low_water_cutoff_test"), 722, 344),
    Part(
        "relief",
        "Relief valve",
        (
            "relief_setting_psig",
            "relief_capacity_btuh",
            "relief_mounting",
            "relief_discharge_end",
            "relief_discharge_pipe",
            "relief_signs",
        ),
        772,
        182,
    ),
    Part("zones", "Zones", ("thermostat", "anticipator_a", "controlled_current_a"), 692, 40),
    Part(
        "emitters",
        "Emitters and pipes",
        ("emitter", "system_volume_gal", "antifreeze", "antifreeze_percent", "leaks_seen"),
        872,
        18,
    ),
    Part("height", "Height", ("top_height_ft", "stories", "elevation_ft"), 0, 0),
)
SHORT = {
    "supply_pressure_psig": "",
    "water_source": "",
    "backflow_device": "",
    "backflow_tested_on": "tested",
    "fill_connection": "",
    "fill_setting_psig": "set to",
    "makeup_meter_gal": "meter",
    "vent_cap": "cap",
    "tank_type": "",
    "tank_volume_gal": "",
    "precharge_psig": "charge as read",
    "precharge_system_side": "water side",
    "tank_valve": "valve",
    "tank_air_valve": "at the air valve",
    "tank_tap": "tapped",
    "boiler_kind": "",
    "boiler_output_btuh": "",
    "boiler_max_pressure_psig": "at most",
    "high_limit_f": "high limit",
    "boiler_year": "of",
    "domestic_coil": "hot-water coil:",
    "coil_wall": "its wall:",
    "cold_pressure_psig": "cold",
    "cold_temperature_f": "at",
    "hot_pressure_psig": "hot",
    "hot_temperature_f": "at",
    "boiler_gauge": "gauge",
    "low_water_cutoff": "",
    "low_water_cutoff_test": "tested:",
    "relief_setting_psig": "opens at",
    "relief_capacity_btuh": "",
    "relief_mounting": "",
    "relief_discharge_end": "ends:",
    "relief_discharge_pipe": "pipe:",
    "relief_signs": "shows:",
    "thermostat": "thermostat",
    "anticipator_a": "anticipator",
    "controlled_current_a": "switches",
    "emitter": "",
    "system_volume_gal": "",
    "antifreeze": "antifreeze",
    "antifreeze_percent": "antifreeze share",
    "leaks_seen": "leaks:",
    "top_height_ft": "highest point above the gauge:",
    "stories": "heated floors:",
    "elevation_ft": "elevation:",
}
# Which readings share a line of the drawing.
LINES = {
    "boiler": (
        ("boiler_kind", "boiler_year"),
        ("boiler_output_btuh",),
        ("boiler_max_pressure_psig",),
        ("high_limit_f",),
        ("domestic_coil",),
        ("coil_wall",),
    ),
    "gauge": (
        ("cold_pressure_psig", "cold_temperature_f"),
        ("hot_pressure_psig", "hot_temperature_f"),
        ("boiler_gauge",),
    ),
    "tank": (
        ("tank_type", "tank_volume_gal"),
        ("precharge_psig",),
        ("precharge_system_side",),
        ("tank_valve",),
        ("tank_air_valve",),
        ("tank_tap",),
    ),
    "relief": (
        ("relief_setting_psig",),
        ("relief_capacity_btuh",),
        ("relief_mounting",),
        ("relief_discharge_end",),
        ("relief_discharge_pipe",),
        ("relief_signs",),
    ),
}
# Where an open check frames its part: x, y, width, height.
FRAMES = {
    "supply": (14, 208, 60, 28),
    "backflow": (98, 203, 58, 38),
    "fill": (192, 194, 48, 48),
    "vent": (324, 106, 32, 44),
    "tank": (300, 292, 80, 112),
    "gauge": (573, 187, 46, 46),
    "cutoff": (680, 246, 36, 42),
    "relief": (650, 106, 44, 52),
    "zones": (692, 80, 44, 40),
    "emitters": (872, 110, 120, 50),
    "boiler": (550, 164, 142, 170),
}


def drawing(readings, opened=()):
    """The loop as SVG; `opened` are ids of the checks that stand open.

    Their parts are framed and say how many.
    """
    counts = _counts(opened)
    return render(
        "loop",
        "drawing",
        said=" ".join(f"{name}: {said}." for name, said in in_words(readings, opened)),
        parts=[
            (part, [_cut(line) for line in _lines(part, readings)], counts[part.id])
            for part in PARTS
            if part.id != "height"
        ],
        frames=[FRAMES[spot] for spot in counts if spot in FRAMES],
        height=_height(readings),
        drawn=_drawn(readings),
    )


def _counts(opened):
    """How many open checks speak of each part; those that speak of none are left to the tables."""
    spots = {part.id for part in PARTS}
    return Counter(spot for check in opened if (spot := BY_ID[check].spot) in spots)


def in_words(readings, opened=()):
    """(part, what was read there) in the order water meets them; a part nothing was read of says so."""
    out, counts = [], _counts(opened)
    for part in PARTS:
        found, count = _lines(part, readings), counts[part.id]
        out.append((part.name, "; ".join(found + ([f"{count} open"] if count else [])) or "nothing recorded"))
    return out


def _lines(part, readings):
    """What was read of a part, line by line, each reading after the words that introduce it."""
    together = LINES.get(part.id, tuple((field,) for field in part.fields))
    lines = (
        " ".join(f"{SHORT[field]} {readings[field]}".strip() for field in fields if readings.get(field))
        for fields in together
    )
    return [line for line in lines if line]


def _cut(line, most=30):
    return line if len(line) <= most else line[: most - 1] + "…"


def _drawn(readings):
    """How parts are drawn: in dashes where recorded as not there, and which small things stand on them."""

    def there(field, *without):
        return "absent" if readings.get(field) in without else "there"

    return {
        "backflow": there("backflow_device", "none"),
        "fill": there("fill_connection", "none"),
        "vent": there("vent_cap", "no vent"),
        "tank": there("tank_type", "none", None),
        "tank_valve": readings.get("tank_valve") in ("open", "closed"),
        "diaphragm": readings.get("tank_type") == "diaphragm",
        "gauge": there("boiler_gauge", "missing"),
        "cutoff": there("low_water_cutoff", "no"),
        "relief": there("relief_present", "no"),
        "valve_between": readings.get("relief_mounting") == "valve between",
        "discharge": readings.get("relief_discharge_end") != "none",
    }


def _height(readings):
    """Lines at the dimension from the gauge to the highest point."""
    height, floors, elevation = (readings.get(name) for name in ("top_height_ft", "stories", "elevation_ft"))
    if height:
        lines = ["highest point", height, "above the gauge"]
    else:
        lines = ["height", "not recorded", *([f"heated floors: {floors}"] if floors else [])]
    return [*lines, "elevation", elevation or "not recorded"]
