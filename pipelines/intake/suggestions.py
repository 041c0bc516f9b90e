"""A first draft of a mapping, from an export's headings and some of its rows, for a person to check.

Nothing here is used to read a file: every suggestion says what speaks for it, and what does not agree is left
for the person to decide.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import pyarrow as pa

from pipelines.fields import DATE, FIELDS, NUMBER, TIME, WORD, YES_NO, Field
from pipelines.intake import cells, units
from pipelines.intake.cells import BLANKS, Refused
from pipelines.intake.mapping import Column, Mapping
from pipelines.intake.recognition import unit_in_heading
from pipelines.intake.units import UnitError

# What the trade calls a field, beside its own name without the unit.
NAMES: dict[str, tuple[str, ...]] = {
    "agency": ("local agency", "subgrantee"),
    "inspection_id": ("inspection number", "visit", "visit number", "visit id", "record number"),
    "home_id": ("home", "house", "home number", "house id", "dwelling id", "unit id", "building id"),
    "system_id": ("boiler number", "system number", "boiler id"),
    "inspected_on": (
        "inspection date",
        "date of inspection",
        "visit date",
        "visited on",
        "date of visit",
        "date",
    ),
    "region": ("territory", "district", "service area"),
    "inspection_kind": ("inspection type", "kind of visit", "visit type", "stage"),
    "qa_reason": ("reason for re inspection",),
    "inspector": ("inspected by", "inspector name"),
    "inspector_role": ("role of inspector", "inspected as"),
    "crew": ("work crew", "installed by", "crew name"),
    "stated_result": ("result", "pass fail", "inspection result", "outcome"),
    "stated_deficiencies": ("deficiencies", "findings"),
    "updated_at": ("last changed", "modified", "last update", "changed at"),
    "notes": ("comments", "remarks", "note"),
    "job_number": ("job", "job id", "work order number"),
    "funding": ("fund", "funding source"),
    "work_ordered": ("ordered work", "work order", "measures ordered"),
    "repairs_reported": ("repairs", "work done", "reported work", "measures done"),
    "completed_on": ("work finished", "completion date", "date completed"),
    "reported_on": ("unit reported", "report date", "date reported"),
    "address": ("street address", "site address"),
    "postal_code": ("zip", "zip code", "post code", "postcode"),
    "elevation_ft": ("altitude", "site elevation"),
    "stories": ("floors", "heated floors", "number of stories", "storeys"),
    "heated_area_ft2": (
        "heated area",
        "heated floor area",
        "conditioned area",
        "conditioned floor area",
        "square footage",
        "floor area",
        "living area",
    ),
    "boiler_level": ("boiler location", "boiler floor"),
    "top_height_ft": (
        "height of highest radiator",
        "highest point",
        "system height",
        "height above boiler",
        "static height",
    ),
    "water_source": ("water supply", "source of water"),
    "high_energy_use": ("high energy user",),
    "high_energy_burden": ("energy burden",),
    "heating_system": ("heating", "heat", "system type", "heating type", "heat type"),
    "boiler_output_btuh": ("gross output", "boiler gross output", "heating capacity"),
    "boiler_max_pressure_psig": ("maximum working pressure", "boiler maximum pressure", "working pressure"),
    "boiler_min_pressure_psig": ("boiler minimum pressure", "minimum pressure"),
    "boiler_year": ("year of boiler", "year built boiler", "boiler installed year"),
    "boiler_kind": ("boiler type", "type of boiler", "boiler construction"),
    "fuel": ("fuel type", "boiler fuel"),
    "emitter": ("emitter type", "radiation type", "heat emitter"),
    "system_volume_gal": ("water content", "system volume", "water volume", "system water content"),
    "buffer_tank_gal": ("buffer tank volume", "buffer volume", "buffer tank size"),
    "pipe_material": ("pipe", "piping", "pipe type", "piping material"),
    "antifreeze": ("glycol", "glycol type", "antifreeze type"),
    "antifreeze_percent": ("glycol percent", "glycol concentration"),
    "water_treatment": ("chemical treatment", "treated water"),
    "domestic_coil": ("domestic hot water coil", "hot water coil"),
    "coil_wall": ("coil walls", "wall of coil", "heat exchanger wall"),
    "supply_pressure_psig": (
        "mains pressure",
        "house pressure",
        "city pressure",
        "street pressure",
        "house supply pressure",
    ),
    "fill_setting_psig": ("fill pressure", "fill valve setting", "reducing valve setting"),
    "fill_connection": ("fill", "fill valve type", "make up connection", "fill type"),
    "cold_pressure_psig": (
        "static pressure",
        "cold fill pressure",
        "system pressure cold",
        "cold system pressure",
    ),
    "cold_temperature_f": ("cold water temperature", "system temperature cold"),
    "cold_reading_state": ("heat off", "heat shut off"),
    "hot_pressure_psig": (
        "operating pressure",
        "system pressure hot",
        "hot system pressure",
        "running pressure",
    ),
    "hot_temperature_f": (
        "operating temperature",
        "system temperature hot",
        "hot water temperature",
        "boiler temperature",
    ),
    "hot_reading_state": ("zones hot", "zones calling"),
    "high_limit_f": ("aquastat high", "limit setting", "aquastat setting", "operating limit"),
    "pressure_read_with": ("gauge used", "read with"),
    "boiler_gauge": ("gauge condition", "gauge state", "pressure gauge"),
    "leaks_seen": ("leaks", "leak"),
    "makeup_meter_gal": ("make up meter", "water meter", "feed meter", "makeup water"),
    "tank_type": ("tank", "expansion tank type", "expansion tank", "tank kind"),
    "tank_volume_gal": ("tank size", "expansion tank size", "expansion tank volume"),
    "tank_above_gauge_ft": ("tank height", "height of tank above gauge"),
    "tank_temperature_f": ("expansion tank temperature",),
    "precharge_psig": (
        "tank charge",
        "air charge",
        "tank air pressure",
        "expansion tank precharge",
        "tank precharge",
        "pre charge",
    ),
    "precharge_system_side": ("system side", "water side"),
    "tank_air_valve": ("air valve", "air valve test"),
    "tank_tap": ("tap test", "tank sound"),
    "tank_valve": ("tank isolation valve", "tank shutoff"),
    "relief_present": ("relief valve", "relief valve present", "relief fitted"),
    "relief_setting_psig": ("relief valve setting", "relief valve pressure", "relief pressure"),
    "relief_capacity_btuh": ("relief valve capacity",),
    "relief_mounting": ("relief valve mounting", "relief valve location"),
    "relief_discharge_end": ("discharge end", "relief discharge to", "discharge ends"),
    "relief_discharge_pipe": ("discharge pipe", "relief piping"),
    "relief_signs": ("relief valve condition", "signs of discharge", "relief valve signs"),
    "backflow_device": ("backflow preventer", "backflow", "backflow type"),
    "backflow_tested_on": ("backflow test date", "backflow tested"),
    "vent_cap": ("air vent cap", "air vent", "vent"),
    "thermostat": ("thermostat type",),
    "anticipator_a": ("anticipator", "heat anticipator", "anticipator setting"),
    "controlled_current_a": ("current", "zone valve current", "control current"),
    "low_water_cutoff": ("low water cutoff type", "low water cut off"),
    "low_water_cutoff_test": ("low water cutoff tested", "cutoff test"),
}

# Short forms in headings → the words above.
_SHORT_FORMS = {
    "no": "number", "num": "number", "nr": "number", "insp": "inspection", "temp": "temperature",
    "temps": "temperature", "press": "pressure", "pres": "pressure", "p": "pressure", "t": "temperature",
    "vol": "volume", "exp": "expansion", "max": "maximum", "min": "minimum", "cap": "capacity",
    "op": "operating", "mawp": "maximum working pressure", "lwco": "low water cutoff", "elev": "elevation",
    "sys": "system", "bldg": "building", "blr": "boiler", "mfg": "made", "dhw": "domestic hot water",
    "ht": "height", "mat": "material", "gage": "gauge", "tstat": "thermostat", "yr": "year",
    "def": "deficiency", "deficiencies": "deficiency", "storeys": "story", "stories": "story",
    "precharged": "precharge",
}  # fmt: skip

# What crews write for a word of ours, by word_key.
_WORDS: dict[str, dict[str, str]] = {
    "inspection_kind": {
        "audit": "initial", "pre": "initial", "pre_work": "initial", "post": "final", "post_work": "final",
        "re_inspection": "qa", "monitoring": "qa",
    },
    "stated_result": {"passed": "pass", "ok": "pass", "failed": "fail"},
    "heating_system": {
        "hydronic": "hot_water", "hot_water_closed": "hot_water", "boiler_hot_water": "hot_water",
        "hw_boiler": "hot_water", "furnace": "warm_air", "forced_air": "warm_air", "steam_boiler": "steam",
    },
    "boiler_level": {"cellar": "basement", "first_floor": "lowest_floor", "attic": "top_or_attic"},
    "emitter": {
        "baseboard": "fin_tube", "finned_tube": "fin_tube", "cast_iron": "cast_iron_radiator",
        "radiator": "cast_iron_radiator", "radiant": "radiant_floor",
    },
    "tank_type": {
        "bladder": "diaphragm", "compression": "plain_steel", "steel": "plain_steel", "no_tank": "none",
    },
    "antifreeze": {
        "no": "none", "pg": "propylene_glycol", "propylene": "propylene_glycol", "eg": "ethylene_glycol",
        "ethylene": "ethylene_glycol",
    },
    "water_source": {"city": "public", "municipal": "public", "private_well": "well"},
    "backflow_device": {
        "rpz": "reduced_pressure", "rp": "reduced_pressure", "dual_check_with_vent": "dual_check_vented",
        "vented_dual_check": "dual_check_vented",
    },
    "boiler_kind": {
        "sectional": "cast_iron", "cast_iron_sectional": "cast_iron", "firetube": "fire_tube",
        "watertube": "water_tube", "copper_fin": "water_tube", "copper_tube": "water_tube",
        "coil_type": "coil", "forced_flow_coil": "coil",
    },
    "coil_wall": {"single_wall": "single", "double_wall": "double", "1": "single", "2": "double"},
    "leaks_seen": {"no": "none", "drip": "dripping", "weep": "weeping"},
    "boiler_gauge": {"ok": "works", "working": "works"},
    "low_water_cutoff": {
        "probe": "probe_or_float", "float": "probe_or_float", "flow": "flow_switch",
        "pressure": "pressure_switch", "none": "no",
    },
}  # fmt: skip

_EMPTY_WORDS = frozenset(("of", "the", "at", "on", "in", "is", "valve"))
_SAID_BY_UNIT = {
    "pressure": "pressure",
    "temperature": "temperature",
    "volume": "volume",
    "area": "area",
    "heat rate": "capacity",
    "share": "percent",
}

_LOOKED_AT = 5000  # rows of the sample
_LIKE_ENOUGH = 0.6  # least likeness of a name
_MOST = 0.5  # least share of distinct texts that agree


@dataclass(frozen=True)
class Suggestion:
    """What one heading may be. `field` None: nothing speaks clearly; `why` says what was seen either way."""

    heading: str
    field: str | None
    why: tuple[str, ...]
    unit: str | None = None
    words: tuple[tuple[str, str], ...] = ()

    @property
    def reason(self) -> str:
        """`why` as one text."""
        return "; ".join(self.why)


@dataclass(frozen=True)
class Draft:
    """Suggestions in the order of the headings, and the marks that the cells speak for (None: unclear)."""

    suggestions: tuple[Suggestion, ...]
    decimal: str | None
    dates: str | None

    def mapping(self, name: str, agency: str | None = None) -> Mapping:
        """The suggestions as a mapping, unchecked: required fields may be lacking still."""
        columns = tuple(
            Column(one.heading, one.field, one.unit, one.words) for one in self.suggestions if one.field
        )
        return Mapping(name, columns, agency=agency, decimal=self.decimal or ".", dates=self.dates or "ymd")


def draft(headings: Sequence[str], sample_table: pa.Table) -> Draft:
    """Suggest a field for each heading, by its name and by what its cells say.

    `sample_table` has string columns, one for each heading in the same order; the first 5,000 rows count.
    Each field is suggested once at most; of two headings that suit it equally neither is.
    """
    texts = [_distinct(sample_table, at) for at in range(len(headings))]
    decimal, dates = _decimal(texts), _dates(texts)
    rated = {}
    for at, heading in enumerate(headings):
        for field in FIELDS:
            likeness = _name_likeness(heading, field)
            named = likeness >= _LIKE_ENOUGH
            if not named and not _words_tell(texts[at], field):
                continue
            agreeing, why, words, unit = _cells_agree(
                heading, texts[at], field, decimal or ".", dates or "ymd"
            )
            if agreeing >= _MOST:
                why = (f"name like {_plain_name(field)}" if named else "by its words alone", *why)
                rated[at, field.name] = (
                    round((likeness if named else 0) + agreeing / 4, 6),
                    why,
                    unit,
                    words,
                )
    chosen = _each_once({pair: entry[0] for pair, entry in rated.items()})
    suggestions = []
    for at, heading in enumerate(headings):
        name = chosen.get(at)
        near = sorted(field for position, field in rated if position == at)
        if name:
            _, why, unit, words = rated[at, name]
            suggestions.append(Suggestion(heading, name, why, unit, words))
        else:
            suggestions.append(
                Suggestion(
                    heading,
                    None,
                    (
                        f"could be {', '.join(near)}"
                        if near
                        else "no field has a name like it and cells that agree",
                    ),
                )
            )
    return Draft(tuple(suggestions), decimal, dates)


def suiting(
    heading: str, texts: list[str], field: Field, decimal: str = "."
) -> tuple[str | None, tuple[tuple[str, str], ...]]:
    """The unit and the words that suit a field which somebody chose for a heading.

    `texts` are distinct, trimmed and filled.
    """
    _, _, words, unit = _cells_agree(heading, texts, field, decimal, "ymd")
    return unit, words


def _each_once(ratings: dict[tuple[int, str], float]) -> dict[int, str]:
    """Column → field: best pairs first, each column and field once, none where two are equally good."""
    chosen: dict[int, str] = {}
    taken: set[str] = set()
    for rating in sorted(set(ratings.values()), reverse=True):
        level = [
            pair
            for pair, own in ratings.items()
            if own == rating and pair[0] not in chosen and pair[1] not in taken
        ]
        for at, name in level:
            if (
                sum(position == at for position, _ in level) == 1
                and sum(field == name for _, field in level) == 1
            ):
                chosen[at] = name
        taken |= {name for _, name in level}
    return chosen


def _distinct(table: pa.Table, position: int) -> list[str]:
    if position >= table.num_columns:
        return []
    texts = table.column(position).slice(0, _LOOKED_AT).unique().drop_null().to_pylist()
    return [
        text
        for text in (text.strip(BLANKS) for text in texts)
        if text and text.lower() not in cells.NOT_RECORDED_WORDS
    ]


# By name ---------------------------------------------------------------------------------------------------


def _name_words(text: str) -> frozenset[str]:
    """The words of a name that tell something: short forms written out, plurals without their s."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    words = re.findall(r"[^\W\d_]+|[0-9]+", spaced.casefold())
    whole = " ".join(_SHORT_FORMS.get(word, word) for word in words)
    return (
        frozenset(word[:-1] if len(word) > 3 and word.endswith("s") else word for word in whole.split())
        - _EMPTY_WORDS
    )


def _plain_name(field: Field) -> str:
    """The field's name without its unit, as words."""
    name = field.name
    for ending in ("_psig", "_btuh", "_ft2", "_ft", "_gal", "_f", "_a"):
        name = name.removesuffix(ending) if field.unit else name
    return name.replace("_", " ")


def _name_likeness(heading: str, field: Field) -> float:
    """1 for the same words, less for fewer, 0 for none; a unit stands for the quantity it measures."""
    if cells.folded(heading) == field.name:
        return 1.5
    unit = _unit(heading, field)
    ours = {_name_words(heading)}
    if unit:
        bare = _name_words(cells.collapsed(heading).replace(unit, ""))
        ours = {bare, bare | {_SAID_BY_UNIT.get(units.find(unit).quantity, "")}} if bare else set()
    phrases = map(_name_words, (_plain_name(field), *NAMES.get(field.name, ())))
    return max(
        (len(own & words) / len(own | words) for words in phrases for own in ours if words and own),
        default=0.0,
    )


def _unit(heading: str, field: Field) -> str | None:
    """The unit a heading names, or its last letter if that measures what the field does ("Tank L")."""
    found = unit_in_heading(heading)
    last = cells.collapsed(heading).split(" ")[-1]
    for text in (found, last if len(last) == 1 and last != heading else None):
        try:
            if (
                text
                and units.find(text)
                and (text == found or field.unit and units.find(text, units.find(field.unit).quantity))
            ):
                return text
        except UnitError:
            continue
    return None


# By what the cells say -------------------------------------------------------------------------------------


def _cells_agree(heading: str, texts: list[str], field: Field, mark: str, order: str):
    """Share of the distinct texts that agree with the field, why, words for a mapping, and a unit for it."""
    if field.kind == NUMBER:
        return _numbers_agree(heading, texts, field, mark)
    if not texts:
        return 1.0, ("no cells to go by",), (), None
    if field.kind == WORD:
        return _words_agree(texts, field)
    if field.kind in (DATE, TIME):
        read = [cells.moment(text, order) for text in texts]
        good = sum(not isinstance(one, Refused) or one.reason == cells.ORDER_UNCLEAR for one in read)
        return good / len(texts), (f"{good} of {len(texts)} texts are dates",), (), None
    return 1.0, ("any text",), (), None


def _numbers_agree(heading: str, texts: list[str], field: Field, mark: str):
    unit = _unit(heading, field) or unit_in_heading(heading)
    why = []
    try:
        same = unit is None or field.unit is None or units.affine(unit, field.unit) == (1.0, 0.0)
    except UnitError as error:
        return 0.0, (f"heading names {unit}: {error.reason}",), (), None
    if unit and field.unit is None:
        return 0.0, (f"heading names {unit}",), (), None
    if unit:
        why.append(f"unit {unit} in the heading")
    if not texts:
        return 1.0, (*why, "no cells to go by"), (), None if same else unit
    factor, offset = units.affine(unit or field.unit, field.unit) if field.unit else (1.0, 0.0)
    assert field.plausible is not None, field.name
    low, high = field.plausible
    numbers = [
        found[0] for found in (cells.number(text, mark) for text in texts) if not isinstance(found, Refused)
    ]
    good = sum(low <= value * factor + offset <= high for value in numbers)
    why.append(
        f"{good} of {len(texts)} texts are {low:,} to {high:,}{f' {field.unit}' if field.unit else ''}"
    )
    return good / len(texts), tuple(why), (), None if same else unit


def _words_tell(texts: list[str], field: Field) -> bool:
    """Whether the texts are two or more words of the field and hardly anything else, whatever the heading."""
    if field.kind != WORD or len(texts) > 2 * len(field.words) + 4:
        return False
    found = {word for text in texts if not isinstance(word := cells.word(text, field, {}), Refused)}
    return len(found - set(YES_NO)) >= 2 and len(found) * 5 >= len(texts) * 4


def _words_agree(texts: list[str], field: Field):
    own = _WORDS.get(field.name, {})
    plain = [text for text in texts if not isinstance(cells.word(text, field, {}), Refused)]
    words = tuple(
        (text, own[cells.word_key(text)])
        for text in texts
        if text not in plain and cells.word_key(text) in own
    )
    strange = [text for text in texts if text not in plain and cells.word_key(text) not in own]
    share = 1 - len(strange) / len(texts)
    why = [f"{len(texts) - len(strange)} of {len(texts)} texts are its words"]
    if strange:
        why.append(f"no word yet for {', '.join(sorted(strange)[:5])}")
    return share, tuple(why), words, None


def _decimal(texts: list[list[str]]) -> str | None:
    """The decimal mark that cells speak for: those that only one mark explains."""
    numbers = [text for column in texts for text in column if re.fullmatch(r"-?[0-9]+[.,][0-9]+", text)]
    points = sum("." in text and len(text.split(".")[1]) != 3 for text in numbers)
    commas = sum("," in text and len(text.split(",")[1]) != 3 for text in numbers)
    return (
        None
        if points == commas or min(points, commas) * 10 > max(points, commas)
        else "."
        if points > commas
        else ","
    )


def _dates(texts: list[list[str]]) -> str | None:
    """The order of dates that cells speak for: those in which only one of two numbers can be the day."""
    pairs = [
        (int(found[1]), int(found[2]))
        for column in texts
        for text in column
        if (found := re.match(r"([0-9]{1,2})[-/.]([0-9]{1,2})[-/.][0-9]{4}", text))
    ]
    first, second = sum(a > 12 for a, _ in pairs), sum(b > 12 for _, b in pairs)
    if not pairs:
        return "ymd"
    return None if bool(first) == bool(second) else "dmy" if first else "mdy"
