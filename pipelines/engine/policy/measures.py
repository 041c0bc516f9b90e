"""Work that puts deficiencies right: what it fixes, what it costs and takes, and which money may pay it."""

from dataclasses import dataclass, replace
from typing import Any

from pipelines.fields import BY_NAME

# What money of a program is for; a fund says which of them it pays, a measure as which of them it counts.
FUND_KINDS = ("energy", "health and safety", "incidental repair")
INVENTED = "invented"
MOST_USD, MOST_HOURS = 1_000_000.0, 1_000.0
FIGURES = {"cost": ("dollars", MOST_USD), "hours": ("crew hours", MOST_HOURS)}
LISTS = ("fixes", "paid_by", "tanks", "only_where_open")
KEYS = ("title", "fixes", "cost", "hours", "licensed", "paid_by", "tanks", "only_where_open", "mark")


@dataclass(frozen=True)
class Measure:
    """Work that puts deficiencies right: the checks it fixes, by id, and its figures.

    `cost` in dollars and `hours` of a crew are at the home, the trip not counted; None where nobody has said
    them: then no plan can hold the measure. `licensed`: the law may ask for a licensed trade. `paid_by` are
    the kinds of fund that may pay it. `tanks` are the kinds of tank it fits, empty for any;
    `only_where_open` checks of which one must be open, empty for none. `mark` says whence the figures are.
    """

    id: str
    title: str
    fixes: tuple[str, ...]
    cost: float | None = None
    hours: float | None = None
    licensed: bool = False
    paid_by: tuple[str, ...] = FUND_KINDS
    tanks: tuple[str, ...] = ()
    only_where_open: tuple[str, ...] = ()
    mark: str = "policy"

    def fits(self, tank_type, is_open):
        """Whether it can be done at a system with this tank (None: not recorded) and these checks open."""
        fits_tank = not self.tanks or tank_type is None or tank_type in self.tanks
        return fits_tank and (not self.only_where_open or any(one in is_open for one in self.only_where_open))


def measures(own, shipped, marks):
    """Every measure, shipped ones with what the fleet's own source `own` says of them; PolicyError."""
    table = own.tables.get("measures", {})
    if not isinstance(table, dict):
        raise own.wrong(("measures",), "measures needs to be a table: a line [measures.ID], and values below")
    for key, entry in table.items():
        _refuse(own, ("measures", key), f"measures.{key}", entry, shipped.get(key, {}), marks)
    merged = {key: {**entry, **_own(table.get(key))} for key, entry in shipped.items()}
    merged |= {key: _own(entry) for key, entry in table.items() if key not in shipped}
    return tuple(_measure(key, entry) for key, entry in merged.items())


def _own(entry):
    """What a fleet says of a measure; figures of its own are no invented ones."""
    return {} if entry is None else {"mark": "policy", **entry} if entry.keys() & FIGURES else entry


def _measure(key, entry):
    values: dict[str, Any] = {name: tuple(value) if name in LISTS else value for name, value in entry.items()}
    figures = {name: float(values[name]) for name in FIGURES if name in values}
    return Measure(key, **values | figures)


def _refuse(own, keys, where, entry, shipped, marks):
    """PolicyError where an entry of a fleet's own is none that can be used."""
    both = {**shipped, **entry} if isinstance(entry, dict) else {}
    if not _texts(both.get("fixes")) or not isinstance(both.get("title"), str):
        raise own.wrong(keys, f"{where} needs a title and fixes, a list of check ids")
    for extra in sorted(set(entry) - set(KEYS)):
        raise own.wrong((*keys, extra), f"{where}: unknown key {extra!r}; accepted are {', '.join(KEYS)}")
    for name in FIGURES.keys() & entry.keys():
        figure(own, (*keys, name), f"{where}.{name}", entry[name])
    if not isinstance(entry.get("licensed", False), bool):
        raise own.wrong((*keys, "licensed"), f"{where}.licensed is true or false, not {entry['licensed']!r}")
    words = {"paid_by": FUND_KINDS, "tanks": BY_NAME["tank_type"].words}
    for name, accepted in words.items():
        given = entry.get(name, [])
        if not _texts(given) or not set(given) <= set(accepted):
            raise own.wrong((*keys, name), f"{where}.{name} needs a list of {', '.join(accepted)}")
    if not _texts(entry.get("only_where_open", [])):
        raise own.wrong((*keys, "only_where_open"), f"{where}.only_where_open needs a list of check ids")
    if entry.get("mark", "policy") not in (*marks, INVENTED):
        raise own.wrong((*keys, "mark"), f"{where}: mark is one of {', '.join((*marks, INVENTED))}")


def _texts(value):
    return isinstance(value, list) and all(isinstance(one, str) for one in value)


def figure(own, keys, where, value):
    """A cost or a number of hours that a fleet gives, as a float; PolicyError."""
    unit, most = FIGURES[keys[-1]]
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not 0 <= value <= most:
        raise own.wrong(keys, f"{where} needs {unit} from 0 to {most:,.0f}, not {value!r}")
    return float(value)


def of_region(own, keys, where, table, known):
    """Costs and hours that a region or a day has of its own, by measure: {id: {cost, hours}}; PolicyError."""
    found = {}
    for key, entry in table.items():
        here, said = (*keys, key), f"{where}: measures.{key}"
        if key not in known:
            raise own.wrong(here, f"{said}: no such measure; there are {', '.join(known)}")
        if not isinstance(entry, dict) or not set(entry) <= set(FIGURES):
            raise own.wrong(here, f"{said} needs cost, hours or both, as {{ cost = 700 }}")
        found[key] = {name: figure(own, (*here, name), f"{said}.{name}", entry[name]) for name in entry}
    return found


def at(measure, overrides):
    """A measure with the figures that overrides ({id: {cost, hours}}, the later rules) give it."""
    for one in overrides:
        if measure.id in one:
            measure = replace(measure, **one[measure.id])
    return measure
