"""To what a deficiency is put right at its home: pressures, sizes and kinds, as the engine works them out.

Each rests on the readings of the visit that decides, and on the policy of the snapshot. Where a target cannot
be told, the reading that is lacking stands in its place; what rests on an estimate says so.
"""

import ast
from collections.abc import Callable
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pyarrow as pa

from pipelines.answers.outcomes import reasons
from pipelines.answers.phrases import amount, band, called, shown_quantity
from pipelines.engine.arrays import Numbers, from_arrow
from pipelines.engine.checks import BY_ID
from pipelines.engine.codes import FIELD_NAMES
from pipelines.engine.policy import policy as policies
from pipelines.engine.policy.measures import LISTS, Measure
from pipelines.engine.policy.planning import Planning
from pipelines.engine.policy.policy import Limit, Policy, Region
from pipelines.engine.quantities.charge import COLD, DUE
from pipelines.engine.quantities.resolver import Recomputed
from pipelines.engine.reasons import field_of, reason_of
from pipelines.engine.results import words_that_pass
from pipelines.fields import BY_NAME
from pipelines.fleet.snapshots import Snapshot
from pipelines.snapshot.batches import BATCH_FIELDS

READ = ("boiler_max_pressure_psig", "boiler_output_btuh", "controlled_current_a", "tank_type")
STORED = (
    "required_tank_gal",
    "static_estimated",
    "loop_volume_estimated",
    "atmosphere_estimated",
)
# What is judged by the kinds that a region accepts, and the field whose words they are.
KINDS = {
    "backflow-missing": ("backflow-insufficient", "backflow_device"),
    "backflow-insufficient": ("backflow-insufficient", "backflow_device"),
    "low-water-cutoff-missing": ("low-water-cutoff-missing", "low_water_cutoff"),
}


def of_visits(snapshot: Snapshot, visits: pa.Table) -> pa.Table:
    """What is to be set or fitted at some visits (agency, inspection_id), one row each.

    Numbers are NULL where they cannot be told; `fill_lacking`, `charge_lacking` and `tank_lacking` then say
    for want of what. `fill_first`: the fill is wrong too and comes before the charge; `fill_unproven`:
    whether the fill that the loop has is right is not known; `by_height`: the charge rests on the height
    of the loop, `untimed`: on a cold pressure without its temperature, `height_taken`: and on a tank at the
    gauge's height. `accepted_<field>` names the kinds.
    """
    found = snapshot.arrow(
        f"""
        SELECT {", ".join(f"r.{name}" for name in dict.fromkeys((*BATCH_FIELDS, *READ)))},
               {", ".join(f"c.{name}" for name in STORED)},
               r.agency, r.region, r.inspection_id, r.unusable
        FROM visits AS v
        JOIN readings AS r ON r.agency = v.agency AND r.inspection_id = v.inspection_id
        JOIN recomputed AS c ON c.agency = r.agency AND c.inspection_id = r.inspection_id
        ORDER BY r.agency, r.inspection_id""",
        visits=visits,
    )
    rows = list(zip(*(found[name].to_pylist() for name in ("agency", "region", "inspected_on")), strict=True))
    readings = from_arrow(found.select([*BATCH_FIELDS, "unusable"]))
    worked_out = Recomputed(readings, policy_of(snapshot).for_rows(rows))
    fill, charge, tank = (
        worked_out[name] for name in ("fill_to_set_psig", "charge_to_set_psig", "required_tank_gal")
    )
    texts = reasons(snapshot)
    wrong, told_from = worked_out["fill_is_wrong"], worked_out["fill_told_from"]
    columns = {name: found[name] for name in ("agency", "inspection_id", *READ, *STORED)} | {
        "fill_to_set_psig": _numbers(fill),
        "charge_to_set_psig": _numbers(charge),
        "fill_lacking": _lacking(fill, texts),
        "charge_lacking": _lacking(charge, texts),
        "tank_lacking": _lacking(tank, texts),
        "fill_first": pa.array(wrong),
        "fill_unproven": pa.array(~fill.known),
        "by_height": pa.array(wrong | (told_from == DUE)),
        "untimed": pa.array(~wrong & (told_from == COLD) & ~worked_out["usable_cold_f"].known),
        "height_taken": pa.array(~worked_out["tank_above_gauge_ft"].known),
        "by_area": pa.array(worked_out["heated_area_ft2"].known),
        "as_water": pa.array(worked_out["fluid_unknown"]),
    }
    accepted = {field: _accepted(worked_out, check, field) for check, field in KINDS.values()}
    return pa.table(columns | {f"accepted_{field}": words for field, words in accepted.items()})


def policy_of(snapshot: Snapshot) -> Policy:
    """The policy that a snapshot rests on, as far as it keeps it: limits, accepted words, regions' own, risk,
    and what plans go by.
    """
    shipped = policies.load()
    limits = snapshot.rows("SELECT name, value, unit, mark, why FROM limits")
    words = snapshot.rows("SELECT name, words FROM accepted_words")
    regions: dict[tuple, Region] = {}
    for name, agency, day, key, text in snapshot.rows(
        "SELECT region, agency, effective_from, name, value FROM region_overrides ORDER BY rowid"
    ):
        region = Region(name, agency, effective_from=day)
        region = regions.setdefault((name, agency, day), region)
        if key.startswith("measures."):
            measure, _, figure = key.removeprefix("measures.").rpartition(".")
            region.measures.setdefault(measure, {})[figure] = float(text)
        else:
            (region.limits if key in shipped.limits else region.accepted)[key] = ast.literal_eval(text)
    return replace(
        shipped,
        limits={name: Limit(name, *more) for name, *more in limits},
        accepted={name: {"words": text.split("; ")} for name, text in words},
        regions=tuple(regions.values()),
        risk={
            check: {"severity": severity, "probability": probability}
            for check, severity, probability in snapshot.rows(
                "SELECT check_id, severity, probability FROM checks WHERE severity IS NOT NULL"
            )
        },
        risk_matrix=dict(
            snapshot.rows(
                "SELECT probability, list(risk ORDER BY severity) FROM risk_matrix GROUP BY probability"
            )
        ),
        measures=_measures(snapshot),
        planning=_planning(snapshot),
    )


def _measures(snapshot: Snapshot) -> tuple[Measure, ...]:
    names = [field.name for field in fields(Measure) if field.name != "id"]
    rows = snapshot.rows(f"SELECT measure_id AS id, {', '.join(names)} FROM measures ORDER BY rowid")
    return tuple(_measure(dict(zip(["id", *names], row, strict=True))) for row in rows)


def _measure(row: dict[str, Any]) -> Measure:
    lists = {name: tuple(row[name].split("; ")) if row[name] else () for name in LISTS}
    return Measure(**row | lists)


def _planning(snapshot: Snapshot) -> Planning:
    rows = snapshot.rows("SELECT probability, weight FROM risk_weights ORDER BY probability, severity")
    weights: dict[str | None, tuple[float, ...]] = {}
    for probability, weight in rows:
        weights[probability] = (*weights.get(probability, ()), weight)
    (act_today,) = weights.pop(None)
    rules = snapshot.rows("SELECT rule, name FROM plan_rules ORDER BY rowid")
    first, stays = (
        tuple(name for rule, name in rules if rule == one) for one in ("before the rest", "stays")
    )
    return Planning({key: row for key, row in weights.items() if key}, act_today, first, stays)


def _numbers(numbers: Numbers) -> pa.Array:
    return pa.array(numbers.value, mask=~numbers.known)


def _lacking(numbers: Numbers, texts: tuple[str, ...]) -> pa.Array:
    """What each number is not known for want of; NULL where it is known."""
    gaps, which = np.unique(numbers.gap, return_inverse=True)
    fields = [FIELD_NAMES[field] if field >= 0 else "" for field in field_of(gaps)]
    said = [
        (f"{called(field)} {texts[reason]}" if field else texts[reason]) or None
        for field, reason in zip(fields, reason_of(gaps), strict=True)
    ]
    return pa.array(said, pa.string()).take(pa.array(which))


def _accepted(worked_out: Recomputed, check_id: str, field: str) -> pa.Array:
    """The words of a field that a check would let pass at each visit, joined; NULL where it would none."""
    words = [word.replace("_", " ") for word in BY_NAME[field].words]
    passes, which = np.unique(
        words_that_pass(BY_ID[check_id], field, worked_out), axis=0, return_inverse=True
    )
    said = [", ".join(word for word, here in zip(words, row, strict=True) if here) or None for row in passes]
    return pa.array(said, pa.string()).take(pa.array(which.ravel()))


# ---- in words: each takes a deficiency of the list beside its row of `of_visits`

Row = dict[str, Any]


def in_words(row: Row) -> tuple[str, ...]:
    """What is to be set or fitted for one deficiency, in the order of doing it; none where it has no number.

    `row` holds check_id, low and high of the list, and what `of_visits` says of the visit that decides.
    """
    named = WHAT.get(row["check_id"], (_afterwards,))
    return tuple(text for one in named for text in one(row))


def of_measure(measure_id: str, row: Row) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """(what is to be fitted, what is to be set) by a measure, `row` as of a deficiency that it fixes.

    Of a measure that does not ship, what the deficiency asks for is to be set.
    """
    fitted, to_set = FITTED.get(measure_id, ()), SET.get(measure_id, ())
    if not fitted and not to_set:
        return (), in_words(row)
    parts, settings = ([text for one in some for text in one(row)] for some in (fitted, to_set))
    return tuple(parts), tuple(settings)


def _fill(row: Row) -> list[str]:
    if row["fill_to_set_psig"] is None:
        return [f"Fill pressure to set: not known, {row['fill_lacking']}"]
    height = ["height from stories"] if row["static_estimated"] else []
    return [f"Set the fill to {amount('fill_to_set_psig', row['fill_to_set_psig'])}, cold{_by(height)}"]


def _charge(row: Row) -> list[str]:
    if row["tank_type"] == "plain_steel":
        return ["No charge to set: drain the tank until it holds air alone"]
    if row["tank_type"] not in ("diaphragm", "none"):
        return []
    charge = row["charge_to_set_psig"]
    if charge is None:
        return [f"Charge to set: not known, {row['charge_lacking']}"]
    if charge < 0:
        return ["Charge to set: not known, this fill does not reach the tank"]
    first = _fill(row) if row["fill_first"] and row["check_id"] not in SET_THE_FILL else []
    taken = ["height from stories"] if row["by_height"] and row["static_estimated"] else []
    taken += ["cold pressure read without its temperature"] if row["untimed"] else []
    taken += ["tank taken at the gauge's height"] if row["height_taken"] else []
    enough = f". Whether this fill is right is not known: {row['fill_lacking']}"
    return [
        *first,
        f"Set the charge to {amount('charge_to_set_psig', charge)}, water side at zero, tank cold{_by(taken)}"
        + (enough if row["fill_unproven"] else ""),
    ]


def _tank(row: Row) -> list[str]:
    kind = {"plain_steel": "compression tank"}.get(row["tank_type"], "diaphragm tank")
    if row["required_tank_gal"] is None:
        return [f"Size of the {kind}: not known, {row['tank_lacking']}"]
    gallons = np.ceil(round(row["required_tank_gal"] * 10.0, 6)) / 10.0
    source = "heated area" if row["by_area"] else "boiler's output"
    taken = [f"loop's water from the {source}"] if row["loop_volume_estimated"] else []
    taken += ["height from stories"] if row["static_estimated"] else []
    taken += ["elevation from the place"] if row["atmosphere_estimated"] else []
    taken += ["antifreeze not recorded: reckoned as water"] if row["as_water"] else []
    taken += ["tank taken at the gauge's height"] if row["height_taken"] else []
    return [f"{kind.capitalize()} of {amount('required_tank_gal', gallons, 1)} or more{_by(taken)}"]


def _tank_else(row: Row) -> list[str]:
    return [f"Where that does not last: {text[0].lower()}{text[1:]}" for text in _tank(row)]


def _relief_setting(row: Row) -> list[str]:
    plate = row["boiler_max_pressure_psig"]
    if plate is None:
        return ["Relief setting: not known, boiler max pressure not recorded: read the plate"]
    return [f"Relief valve set at {amount('boiler_max_pressure_psig', plate)} or less, the boiler's plate"]


def _relief_capacity(row: Row) -> list[str]:
    output = row["boiler_output_btuh"]
    if output is None:
        return ["Relief capacity: not known, boiler output not recorded: read the plate"]
    return [f"Relief capacity {amount('boiler_output_btuh', output)} or more, the boiler's output"]


def _kind(row: Row) -> list[str]:
    if row["check_id"] not in KINDS:
        return []
    accepted = row[f"accepted_{KINDS[row['check_id']][1]}"]
    return [f"Accepted here: {accepted}" if accepted else "Accepted here: ask whoever enforces the code"]


def _current(row: Row) -> list[str]:
    current = row["controlled_current_a"]
    return [f"Set it to {amount('controlled_current_a', current)}"] if current is not None else []


def _plate(row: Row) -> list[str]:
    plate = row["boiler_max_pressure_psig"]
    highest = [] if plate is None else [amount("boiler_max_pressure_psig", plate)]
    return [f"Never above {text}, the boiler's plate, cold or hot" for text in highest]


def _test(row: Row) -> list[str]:
    return [f"Tested within the {row['high']:.0f} days before a visit"] if row["high"] is not None else []


def _afterwards(row: Row) -> list[str]:
    """The limits that the reading afterwards is held against."""
    quantity = shown_quantity(BY_ID[row["check_id"]])
    limits = band(quantity, None, row["low"], row["high"]) if quantity else ""
    return [f"Afterwards: {limits.removeprefix('should be ')}"] if limits else []


def _by(estimated: list[str]) -> str:
    return f" (estimated: {'; '.join(estimated)})" if estimated else ""


SET_THE_FILL = ("cold-pressure-low", "cold-pressure-high", "fill-pressure-off-setting")
NEW_RELIEF_VALVE = (_relief_setting, _relief_capacity)
WHAT: dict[str, tuple[Callable[[Row], list[str]], ...]] = {
    **dict.fromkeys(SET_THE_FILL, (_fill,)),
    "tank-missing": (_tank, _charge),
    "tank-undersized": (_tank, _charge),
    "tank-diaphragm-failed": (_tank, _charge),
    "tank-cushion-lost": (_charge, _tank_else),
    "tank-sounds-full": (_charge,),
    "precharge-low": (_charge,),
    "precharge-high": (_charge,),
    **dict.fromkeys(
        (
            "relief-missing",
            "relief-did-not-open",
            "relief-set-above-boiler",
            "relief-discharging",
            "relief-stained",
        ),
        NEW_RELIEF_VALVE,
    ),
    "relief-capacity-short": NEW_RELIEF_VALVE[::-1],
    **dict.fromkeys(KINDS, (_kind,)),
    "pressure-above-plate": (_plate,),
    "backflow-test-overdue": (_test,),
    "anticipator-mismatch": (_current,),
}
# The same for the measures that ship: what is fitted, then what is set.
FITTED: dict[str, tuple[Callable[[Row], list[str]], ...]] = {
    "replace-tank": (_tank,),
    "replace-relief-valve": NEW_RELIEF_VALVE,
    "fit-backflow-preventer": (_kind,),
    "fit-low-water-cutoff": (_kind,),
}
SET: dict[str, tuple[Callable[[Row], list[str]], ...]] = {
    "replace-tank": (_charge,),
    "set-charge": (_charge,),
    "set-fill-pressure": (_fill,),
    "set-anticipator": (_current,),
}
