"""The loop of one home as a drawing (SVG), in the order water meets it, with the readings at their spots.

No Streamlit and no queries: readings in words in, text out. `readings` maps a field to what was recorded, as
shown (`12.0 psi`, `dual check vented`); a field that is not there was not recorded. The same in words stands
in `in_words`, for those who do not see the drawing.
"""

from collections import Counter
from dataclasses import dataclass
from html import escape

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
        ("boiler_output_btuh", "boiler_max_pressure_psig", "high_limit_f", "boiler_year"),
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
    "boiler_output_btuh": "",
    "boiler_max_pressure_psig": "at most",
    "high_limit_f": "high limit",
    "boiler_year": "of",
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
INK, SOFT, GRAVE, LINE = "#1c2329", "#4f5860", "#7a1f12", "#8b8577"


def drawing(readings, opened=()):
    """The loop as SVG; `opened` are ids of the checks that stand open, whose parts are framed and say how
    many.
    """
    counts = _counts(opened)
    words = " ".join(f"{name}: {said}." for name, said in in_words(readings, opened))
    texts = "".join(_text(part, readings, counts.get(part.id, 0)) for part in PARTS if part.id != "height")
    return (
        f'<svg viewBox="0 0 1140 460" role="img" aria-label="The heating loop with the readings of one inspection. {escape(words)}" '
        f'xmlns="http://www.w3.org/2000/svg" font-family="Source Sans, Helvetica, Arial, sans-serif" font-size="13.5">{"".join(_shapes(readings))}{_height(readings)}{"".join(map(_frame, counts))}{texts}</svg>'
    )


def _counts(opened):
    """How many open checks speak of each part; those that speak of none are left to the tables."""
    spots = {part.id for part in PARTS}
    return Counter(spot for check in opened if (spot := BY_ID[check].spot) in spots)


def in_words(readings, opened=()):
    """(part, what was read there) in the order water meets them; a part nothing was read of says so."""
    out, counts = [], _counts(opened)
    for part in PARTS:
        found = [said for fields in _lines_of(part) if (said := _line(fields, readings))]
        count = counts.get(part.id, 0)
        out.append((part.name, "; ".join(found + ([f"{count} open"] if count else [])) or "nothing recorded"))
    return out


def _lines_of(part):
    return LINES.get(part.id, tuple((field,) for field in part.fields))


def _line(fields, readings):
    """Readings that share a line, each after the words that introduce it; empty where none was recorded."""
    return " ".join(f"{SHORT[field]} {readings[field]}".strip() for field in fields if readings.get(field))


def _text(part, readings, opened):
    lines = [said for fields in _lines_of(part) if (said := _line(fields, readings))] or ["not recorded"]
    rows = [f'<text x="{part.x}" y="{part.y}" font-weight="600" fill="{INK}">{escape(part.name)}</text>']
    if opened:
        start = part.x + 7.4 * len(part.name) + 8
        rows.append(
            f'<rect x="{start:.0f}" y="{part.y - 11}" width="44" height="14" fill="{GRAVE}"/><text '
            f'x="{start + 22:.0f}" y="{part.y}" text-anchor="middle" font-size="11" fill="#fff">{opened} open</text>'
        )
    style = f'fill="{SOFT}" font-style="italic"' if lines == ["not recorded"] else f'fill="{INK}"'
    rows += [
        f'<text x="{part.x}" y="{part.y + 15 * (place + 1)}" {style}>{escape(_cut(line))}</text>'
        for place, line in enumerate(lines)
    ]
    return "".join(rows)


def _cut(line, most=30):
    return line if len(line) <= most else line[: most - 1] + "…"


MAIN = 222  # height of the pipe the fill line feeds


def _shapes(readings):
    """Pipes and parts; a part that is recorded as not there is drawn in dashes."""
    pipe = f'fill="none" stroke="{SOFT}" stroke-width="4"'
    thin = f'fill="none" stroke="{SOFT}" stroke-width="2"'
    solid = f'fill="#fff" stroke="{INK}" stroke-width="2"'
    ghost = f'fill="#fff" stroke="{INK}" stroke-width="2" stroke-dasharray="4 4"'

    def absent(field, word):
        return ghost if readings.get(field) == word else solid

    yield f'<path d="M14 {MAIN} H330" {thin}/>'  # fill line
    yield f'<path d="M290 {MAIN} H640 M640 200 V100 H1010 V440 H290 V{MAIN}" {pipe}/>'  # loop
    yield f'<path d="M24 {MAIN - 6} l10 6 l-10 6 z" fill="{SOFT}"/>'
    yield (
        f'<rect x="104" y="{MAIN - 13}" width="46" height="26" {absent("backflow_device", "none")}/><path '
        f'd="M112 {MAIN - 7} l9 7 l-9 7 z M131 {MAIN - 7} l9 7 l-9 7 z" fill="{INK}"/>'
    )
    yield (
        f'<path d="M200 {MAIN - 12} v24 l32 -24 v24 z" {absent("fill_connection", "none")}/><path d="M216 '
        f'{MAIN} v-14 M206 {MAIN - 14} a10 9 0 0 1 20 0 z" {solid}/>'
    )
    # Air separator
    yield f'<circle cx="340" cy="{MAIN}" r="17" {solid}/><path d="M332 {MAIN + 7} q8 -18 16 -2" {thin}/>'
    yield (
        f'<path d="M340 {MAIN - 17} V140" {thin}/><rect x="331" y="118" width="18" height="24" '
        f'{absent("vent_cap", "no vent")}/><path d="M335 118 v-6 h10 v6" {solid}/>'
    )
    yield _tank(readings, solid, ghost, thin)
    yield (
        f'<circle cx="440" cy="{MAIN}" r="15" {solid}/><path d="M434 {MAIN - 9} l15 9 l-15 9 z" '
        f'fill="{INK}"/><text x="440" y="{MAIN + 30}" text-anchor="middle" fill="{SOFT}" font-size="12">circulator</text>'
    )
    yield (
        f'<rect x="556" y="170" width="130" height="158" {solid}/><path d="M600 312 q-8 -16 6 -30 q2 12 9 '
        f'6 q4 -8 1 -18 q18 16 10 34 q-2 8 -8 8 z" {thin}/>'
    )
    yield (
        f'<circle cx="596" cy="210" r="17" {absent("boiler_gauge", "missing")}/><path d="M596 210 l8 -9" '
        f'stroke="{INK}" stroke-width="2"/><path d="M581 202 L540 176" stroke="{LINE}" stroke-width="1"/>'
    )
    yield (
        f'<rect x="686" y="252" width="24" height="30" {absent("low_water_cutoff", "no")}/><path d="M690 '
        f'268 q4 -6 8 0 t8 0" {thin}/><path d="M704 282 L726 332" stroke="{LINE}" stroke-width="1"/>'
    )
    yield _relief(readings, solid, ghost, thin)
    yield f'<path d="M700 88 v24 l28 -24 v24 z" {solid}/>'  # zone valve
    yield (
        f'<rect x="880" y="118" width="104" height="34" {solid}/>'
        + "".join(f'<path d="M{x} 118 v34" {thin}/>' for x in range(894, 980, 14))
        + f'<path d="M900 118 V100 M966 118 V100" {thin}/>'
    )


def _tank(readings, solid, ghost, thin):
    kind = readings.get("tank_type")
    style = ghost if kind in ("none", None) else solid
    valve = (
        f'<path d="M332 262 h16 l-16 14 h16 z" {solid}/>'
        if readings.get("tank_valve") in ("open", "closed")
        else ""
    )
    body = f'<rect x="308" y="300" width="64" height="96" rx="30" {style}/>'
    inside = (
        '<path d="M309 348 q31 16 62 0" stroke="%s" stroke-width="2" fill="none"/>' % INK
        if kind == "diaphragm"
        else ""
    )
    return f'<path d="M340 239 V300" {thin}/>{valve}{body}{inside}'


def _relief(readings, solid, ghost, thin):
    style = ghost if readings.get("relief_present") == "no" else solid
    ends = (
        ""
        if readings.get("relief_discharge_end") == "none"
        else f'<path d="M682 140 H756 V300" {thin}/><path d="M750 300 l6 10 l6 -10 z" fill="{SOFT}"/>'
    )
    between = (
        f'<path d="M664 152 h16 l-16 12 h16 z" fill="{INK}"/>'
        if readings.get("relief_mounting") == "valve between"
        else ""
    )
    return (
        f'<path d="M672 170 V154" {thin}/>{between}{ends}<path d="M660 128 h24 l-24 24 h24 z" '
        f'{style}/><path d="M672 128 v-14 m-6 0 h12" {thin}/>'
    )


def _height(readings):
    """The dimension line at the right, from the gauge to the highest point."""
    height, floors, elevation = (readings.get(name) for name in ("top_height_ft", "stories", "elevation_ft"))
    lines = (
        ["highest point", height, "above the gauge"]
        if height
        else ["height", "not recorded", *([f"heated floors: {floors}"] if floors else [])]
    )
    texts = "".join(
        f'<text x="1044" y="{124 + 15 * place}" fill="{SOFT}" font-size="12">{escape(line)}</text>'
        for place, line in enumerate([*lines, "elevation", elevation or "not recorded"])
    )
    return (
        f'<path d="M1034 100 V210 M1028 100 h12 M1028 210 h12" stroke="{LINE}" stroke-width="1" '
        f'fill="none"/>{texts}'
    )


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


def _frame(part):
    x, y, width, height = FRAMES[part]
    return (
        f'<rect x="{x}" y="{y}" width="{width}" height="{height}" rx="6" fill="none" stroke="{GRAVE}" '
        'stroke-width="3"/>'
    )
