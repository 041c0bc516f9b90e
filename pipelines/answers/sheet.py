"""The reading sheet for the basement, and an empty CSV with its headings."""

import textwrap
from collections.abc import Iterable
from functools import cache

from pipelines.answers.cautions import CAUTIONS
from pipelines.answers.phrases import called, unit_said
from pipelines.engine.checks.kinds import Check
from pipelines.engine.quantities import BY_NAME as QUANTITIES
from pipelines.fields import BY_NAME, FIELDS, NUMBER, Field

# Headings and the fields below them, in the order of taking: what stands still first, cold before hot.
SHEET = (
    (
        "Before you go in",
        """
        agency inspection_id home_id system_id inspected_on region inspection_kind qa_reason inspector
        inspector_role crew job_number funding address postal_code work_ordered elderly disabled children
        high_energy_use high_energy_burden
        """,
    ),
    (
        "1. Look, heat off, touch nothing",
        """
        heating_system elevation_ft stories heated_area_ft2 boiler_level top_height_ft water_source
        boiler_output_btuh boiler_max_pressure_psig boiler_min_pressure_psig boiler_year boiler_kind fuel
        emitter system_volume_gal buffer_tank buffer_tank_gal pipe_material antifreeze antifreeze_percent
        water_treatment domestic_coil coil_wall fill_connection fill_setting_psig backflow_device
        backflow_tested_on vent_cap leaks_seen makeup_meter_gal tank_type tank_volume_gal tank_above_gauge_ft
        tank_valve relief_present relief_setting_psig relief_capacity_btuh relief_mounting
        relief_discharge_end relief_discharge_pipe relief_signs thermostat anticipator_a controlled_current_a
        low_water_cutoff high_limit_f
        """,
    ),
    (
        "2. Cold, as found",
        """
        boiler_gauge pressure_read_with cold_reading_state cold_pressure_psig cold_temperature_f
        supply_pressure_psig tank_tap
        """,
    ),
    (
        "3. Hot, every zone calling, until the control shuts the burner off",
        "hot_reading_state hot_pressure_psig hot_temperature_f low_water_cutoff_test",
    ),
    (
        "4. Last, so that all else is as found: cooled, power and fuel off, pressure off. "
        "No time to cool: leave empty",
        "precharge_system_side precharge_psig tank_temperature_f tank_air_valve",
    ),
    (
        "5. Before you leave",
        "stated_result stated_deficiencies repairs_reported completed_on reported_on notes",
    ),
)
HOW_TO_FILL_IN = (
    "Readings of one visit to one hot-water system. Leave empty what was not read. Tick one box. "
    "Pressures are gauge."
)
HOW_TO_TYPE_IN = (
    "In the CSV a name or word has underscores for blanks, a name its unit last: cold_pressure_psig."
)
# Where a field stands that no heading names; and the one that nobody takes.
LOOKED_AT, NOT_TAKEN = 1, "updated_at"
COMPARED = {"makeup_gal_per_month": "makeup_meter_gal"}  # what is read of what two visits give
SHEET_WIDTH = 118
SPELT_LARGE = {"qa": "QA", "qci": "QCI", "pex": "PEX"}
TOGETHER = "\N{NO-BREAK SPACE}"


def reading_sheet() -> str:
    """One page to take readings on, as plain text: every reading in the order of taking, with the cautions.

    An empty blank is "not recorded". The names are the headings of `empty_csv` in words.
    """
    lines = [HOW_TO_FILL_IN, *textwrap.wrap(HOW_TO_TYPE_IN, SHEET_WIDTH)]
    for title, fields in sections():
        lines += ["", title, *_flowed(map(_blank, fields))]
    return "\n".join([*lines, "", *textwrap.wrap(" ".join(CAUTIONS), SHEET_WIDTH), ""])


def sections() -> list[tuple[str, list[Field]]]:
    """(heading, fields below it) in the order of taking; a field that no heading names is looked at."""
    found = [(title, [BY_NAME[name] for name in names.split()]) for title, names in SHEET]
    named = {field.name for _, fields in found for field in fields} | {NOT_TAKEN}
    found[LOOKED_AT][1].extend(field for field in FIELDS if field.name not in named)
    return found


def asked_of(check: Check) -> tuple[str, ...]:
    """Fields and quantities that a check asks for itself."""
    names = (COMPARED.get(name, name) for name in (*check.needs, *check.uses, *check.asks))
    return tuple(name for name in names if name in QUANTITIES or name in BY_NAME)


@cache
def rests_on(check: Check) -> frozenset[str]:
    """Names of fields and quantities that a check rests on, in the end."""
    found, names = set[str](), [*asked_of(check)]
    while names:
        name = names.pop()
        if name not in found:
            found.add(name)
            names += QUANTITIES[name].needs if name in QUANTITIES else ()
    return frozenset(found)


def to_read_after(checks: Iterable[Check]) -> tuple[tuple[str, tuple[Field, ...]], ...]:
    """(heading, fields) to read after work, in the order of taking, so that these checks tell of it.

    What a check asks for itself, and of what that rests on the pressures and temperatures; what belongs to
    the house stays as it was recorded.
    """
    of_checks = tuple(checks)
    asked = {name for check in of_checks for name in asked_of(check)}
    below = frozenset[str]().union(*map(rests_on, of_checks))
    parts = (
        (title, tuple(one for one in fields if one.name in (below if number > LOOKED_AT else asked)))
        for number, (title, fields) in enumerate(sections())
    )
    return tuple((title, fields) for title, fields in parts if fields)


def title_of(field: Field) -> str:
    """A field as it stands on the sheet."""
    words = word_said(called(field.name))
    return words[:1].upper() + words[1:]


def word_said(word: str) -> str:
    """A word that a box stands for, or the name of a field."""
    return " ".join(SPELT_LARGE.get(part, part) for part in word.replace("_", " ").split())


def empty_csv() -> str:
    """Our headings and nothing below them, as a CSV to fill in."""
    return ",".join(field.name for field in FIELDS) + "\n"


def _blank(field: Field) -> str:
    """Where one reading is written: its name and what may stand there; a box keeps its word."""
    if field.words:
        boxes = " ".join(f"[ ] {word_said(word)} ".replace(" ", TOGETHER) for word in field.words)
        return f"{title_of(field)}: {boxes.strip(TOGETHER)}"
    return f"{title_of(field)} ______ {unit_of(field)}".strip()


def unit_of(field: Field) -> str:
    """What is written after a blank."""
    return unit_said(field.unit) if field.kind == NUMBER else ""


def _flowed(blanks: Iterable[str]) -> list[str]:
    """Blanks set into lines of at most SHEET_WIDTH letters; only one that is wider by itself is broken."""
    lines = [""]
    for blank in blanks:
        first, *rest = textwrap.wrap(blank, SHEET_WIDTH, subsequent_indent="   ")
        if lines[-1] and len(lines[-1]) + 3 + len(first) > SHEET_WIDTH:
            lines.append("")
        lines[-1] += ("   " if lines[-1] else "") + first
        lines += rest
    return [line.replace(TOGETHER, " ").rstrip() for line in lines]
