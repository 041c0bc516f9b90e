"""The reading sheet for the basement, and an empty CSV with its headings."""

import textwrap
from collections.abc import Iterable

from pipelines.answers.cautions import CAUTIONS
from pipelines.answers.phrases import unit_said
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
    "Readings of one visit to one hot-water system. Leave empty what was not read. Circle one word. "
    "Pressures are gauge."
)
# Where a field stands that no heading names; and the one that nobody takes.
LOOKED_AT, NOT_TAKEN = 1, "updated_at"
SHEET_WIDTH = 118


def reading_sheet() -> str:
    """One page to take readings on, as plain text: every reading in the order of taking, with the cautions.

    An empty blank is "not recorded". The names are the headings of `empty_csv`, so that a sheet is typed in
    as it is.
    """
    lines = [HOW_TO_FILL_IN]
    sections = [(title, names.split()) for title, names in SHEET]
    named = {name for _, names in sections for name in names} | {NOT_TAKEN}
    sections[LOOKED_AT][1].extend(field.name for field in FIELDS if field.name not in named)
    for title, names in sections:
        lines += ["", title, *_flowed(_blank(BY_NAME[name]) for name in names)]
    return "\n".join([*lines, "", *textwrap.wrap(" ".join(CAUTIONS), SHEET_WIDTH), ""])


def empty_csv() -> str:
    """Our headings and nothing below them, as a CSV to fill in."""
    return ",".join(field.name for field in FIELDS) + "\n"


def _blank(field: Field) -> str:
    """Where one reading is written: its name and what may stand there."""
    if field.words:
        return f"{field.name}: {' '.join(field.words)}"
    unit = unit_said(field.unit) if field.kind == NUMBER else ""
    return f"{field.name} ______{unit}"


def _flowed(blanks: Iterable[str]) -> list[str]:
    """Blanks, none of them broken, set into lines of at most SHEET_WIDTH letters."""
    lines = [""]
    for blank in blanks:
        if lines[-1] and len(lines[-1]) + 3 + len(blank) > SHEET_WIDTH:
            lines.append("")
        lines[-1] += ("   " if lines[-1] else "") + blank
    return lines
