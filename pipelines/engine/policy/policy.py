"""Reads and checks a policy: the limits, accepted words, clocks and risk matrix that an agency decides.

What ships stands in default.toml and measures.toml beside this file; a fleet's policy.toml overrides values
by name, for all rows or for one region. Every value keeps its mark (published, common practice, policy) and
reason.
"""

import hashlib
import json
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from difflib import get_close_matches
from functools import cache, cached_property
from pathlib import Path

from pipelines.engine.policy.measures import Measure, measures, of_region
from pipelines.engine.policy.planning import Planning, planning
from pipelines.engine.policy.rows import RowPolicy, folded
from pipelines.engine.policy.source import PolicyError as PolicyError
from pipelines.engine.policy.source import Source, read
from pipelines.fields import BY_NAME

HERE = Path(__file__).parent
MARKS = ("published", "common practice", "policy")
LEVELS = ("act today", "high", "serious", "medium", "low")
PROBABILITIES = "ABCDE"
SETS_OF = {
    "backflow_without_additives": "backflow_device",
    "backflow_with_additives": "backflow_device",
    "backflow_tested": "backflow_device",
    "backflow_tested_on_supply": "water_source",
    "low_water_cutoff": "low_water_cutoff",
    "low_water_cutoff_forced_flow": "low_water_cutoff",
    "antifreeze_with_single_wall": "antifreeze",
}
# The most a limit may be, by its unit; what has none is a share.
MOST = {
    "": 1.0,
    "psi": 1_000.0,
    "degF": 1_000.0,
    "ft": 1_000.0,
    "A": 100.0,
    "gal/month": 100_000.0,
    "Btu/h": 10_000_000.0,
    "Btu/h/ft2": 1_000.0,
    "month": 1_200,
    "day": 36_500,
    "USD": 100_000.0,
    "h": 1_000.0,
}
MOST_GAL = 1_000  # per 1,000 Btu/h
# Two limits of which the first is not above the other.
RANGES = (("volume_estimate_low", "volume_estimate_high"), ("volume_by_area_low", "volume_by_area_high"))
INFINITY = float("inf")
TABLES = {
    "limits",
    "emitter_gal_per_1000_btuh",
    "accepted",
    "clocks",
    "risk_matrix",
    "risk",
    "risk_weights",
    "plan",
    "region",
    "change",
    "measures",
}


@dataclass(frozen=True)
class Limit:
    """One number an agency decides, with its mark and reason."""

    name: str
    value: float
    unit: str
    mark: str
    why: str
    by_region: bool = True  # whether a region may have its own
    least: float = 0.0
    most: float = INFINITY
    whole: bool = False


def limit_said(value, unit):
    """A limit in words: 60 °F."""
    return f"{value:g} {unit}".replace("degF", "°F").strip()


class Quoted(dict):
    """Limits in words by name, for sentences that name them."""

    def __missing__(self, name):
        return "the policy's temperature" if name.endswith("_f") else "the policy's value"


@dataclass(frozen=True)
class Region:
    """Overrides for the rows of one region, or of all (`name` empty), maybe from a day on.

    `agency` empty means of any agency; `effective_from` None means always. `measures` has costs and hours by
    the id of the measure.
    """

    name: str
    agency: str = ""
    limits: dict = field(default_factory=dict)
    accepted: dict = field(default_factory=dict)
    line: int = 0  # of the policy's file, where it begins
    effective_from: date | None = None
    measures: dict = field(default_factory=dict)

    @property
    def said(self):
        """What it overrides, by name: limits, sets of words, and figures as `measures.replace-tank.cost`."""
        figures = {
            f"measures.{measure}.{name}": value
            for measure, figures in self.measures.items()
            for name, value in figures.items()
        }
        return {**self.limits, **self.accepted, **figures}


@dataclass(frozen=True)
class Policy:
    """All that an agency decides; a limit is read by its name, as a float: `policy.cold_margin_psi`."""

    limits: dict[str, Limit]
    accepted: dict[str, dict]
    emitter_gal_per_1000_btuh: dict[str, float]
    clocks: dict[str, tuple[int, int] | None]
    risk_matrix: dict[str, tuple[str, ...]]
    risk: dict[str, dict]
    regions: tuple[Region, ...]
    measures: tuple[Measure, ...]
    planning: Planning
    text: str  # all that decides, as one canonical text: its hash is the policy's
    source: Source = field(default=Source(""), repr=False, compare=False)  # the agency's own

    @cached_property
    def sha256(self):
        return hashlib.sha256(self.text.encode()).hexdigest()

    def __getattr__(self, name):
        limits = self.__dict__.get("limits", {})
        if name in limits:
            return limits[name].value
        raise AttributeError(f"no limit called {name}")

    @cached_property
    def quoted(self):
        """Limits as a sentence quotes them, by name; one that differs from region to region is not quoted."""
        of_regions = {name for region in self.regions for name in region.limits}
        return Quoted(
            (name, limit_said(limit.value, limit.unit))
            for name, limit in self.limits.items()
            if name not in of_regions
        )

    def words(self, name):
        """The accepted words of a set."""
        return tuple(self.accepted[name]["words"])

    @cached_property
    def days_of_change(self):
        """The days from which something holds that did not before, in order."""
        return sorted({region.effective_from for region in self.regions} - {None})

    def for_rows(self, rows=()):
        """The policy as rows see it, a region's own limits, and those of a day, as arrays.

        `rows` is a sequence of (agency, region) or (agency, region, day of the visit), one per row, or
        (tuples, codes): distinct ones and a code per row. Without a day, what holds last holds.
        """
        return RowPolicy(self, rows)

    def level(self, severity, probability):
        """Risk level of a severity 1 to 4 and a probability A to E."""
        return self.risk_matrix[probability][severity - 1]


def load(path=None):
    """The policy in force: what ships, overridden by the TOML file at `path` if there is one.

    Raises PolicyError, which names the file, the line, the key and what would be accepted.
    """
    return parse(Path(path).read_bytes() if path and Path(path).exists() else b"", str(path))


def parse(data, name):
    """The policy in force: what ships, overridden by the bytes of a TOML file that errors call `name`."""
    shipped, shipped_measures = _shipped("default.toml"), _shipped("measures.toml")
    own = read(data, name)
    for table in sorted(set(own.tables) - TABLES):
        raise own.wrong((table,), f"unknown table {table!r}; accepted are {', '.join(sorted(TABLES))}")
    limits = {key: _shipped_limit(key, entry) for key, entry in shipped["limits"].items()}
    for key, entry in _table(own, "limits").items():
        limits[key] = _own_limit(own, ("limits", key), f"limits.{key}", entry, limits)
    _refuse_contradiction(own, ("limits",), "limits", limits, limits)
    accepted = {**shipped["accepted"]}
    for key, entry in _table(own, "accepted").items():
        entry = entry if isinstance(entry, dict) else {"words": entry}
        keys, where = ("accepted", key), f"accepted.{key}"
        _only(own, keys, where, entry, ("words", "mark", "why"))
        accepted[key] = {
            "words": _own_words(own, keys, where, entry.get("words")),
            "mark": "policy",
            "why": entry.get("why", "set by the agency"),
        }
    emitter = _emitter(own, shipped["emitter_gal_per_1000_btuh"])
    clocks = _clocks(own, shipped["clocks"] | _table(own, "clocks"))
    matrix = _matrix(own, shipped["risk_matrix"] | _table(own, "risk_matrix"))
    risk = _risk(own, shipped.get("risk", {}) | _table(own, "risk"))
    work = measures(own, shipped_measures, MARKS)
    regions = _regions(own, limits, {measure.id for measure in work})
    plan = planning(own, shipped, LEVELS, PROBABILITIES)
    text = json.dumps(
        {
            "limits": {key: limit.value for key, limit in limits.items()},
            "accepted": {key: entry["words"] for key, entry in accepted.items()},
            "emitter": emitter,
            "clocks": clocks,
            "matrix": matrix,
            "risk": risk,
            "regions": [_told(region) for region in regions],
            "measures": [[*vars(measure).values()] for measure in work],
            "risk_weights": [plan.weights, plan.act_today],
            "plan": [plan.before_the_rest, plan.stays],
        },
        sort_keys=True,
    )
    return Policy(limits, accepted, emitter, clocks, matrix, risk, regions, work, plan, text, own)


@cache
def _shipped(file):
    """The tables of a file that ships, read once; nobody changes them."""
    return read((HERE / file).read_bytes(), file).tables


def _told(region):
    """A region for the canonical text of the policy."""
    said = [region.name, region.agency, region.limits, region.accepted]
    said += [region.measures] * bool(region.measures)
    return said if region.effective_from is None else [*said, region.effective_from.isoformat()]


def _table(own, key):
    """A table of an agency's own policy, empty where there is none."""
    found = own.tables.get(key, {})
    if not isinstance(found, dict):
        raise own.wrong((key,), f"{key} needs to be a table: a line [{key}], and its values below")
    return found


def _only(own, keys, where, entry, accepted):
    for extra in sorted(set(entry) - set(accepted)):
        raise own.wrong((*keys, extra), f"{where}: unknown key {extra!r}; accepted are {', '.join(accepted)}")


def _is_number(value):
    return isinstance(value, int | float) and not isinstance(value, bool) and -INFINITY < value < INFINITY


def _is_whole(value):
    return isinstance(value, int) and not isinstance(value, bool)


def _shipped_limit(key, entry):
    """A limit as it ships; `least` and `most` where it has a range that is not its unit's."""
    unit = entry["unit"]
    return Limit(
        key,
        float(entry["value"]),
        unit,
        entry["mark"],
        entry["why"],
        entry.get("by_region", True),
        entry.get("least", 0.0),
        entry.get("most", MOST[unit]),
        entry.get("whole", unit in ("day", "month")),
    )


def _own_limit(own, keys, where, entry, limits):
    key = keys[-1]
    if key not in limits:
        raise own.wrong(keys, f"{where}: no such limit; nearest: {_nearest(key, limits)}")
    entry = entry if isinstance(entry, dict) else {"value": entry}
    _only(own, keys, where, entry, ("value", "unit", "mark", "why"))
    value, shipped = entry.get("value"), limits[key]
    if not _is_number(value) or value < shipped.least:
        unit = shipped.unit or "its own measure"
        raise own.wrong(keys, f"{where} needs a number of {shipped.least:g} or more in {unit}, not {value!r}")
    if value > shipped.most and shipped.most == 1:
        raise own.wrong(keys, f"{where} is a share, as 0.9 is for 90 %, and {value!r} is not")
    if value > shipped.most:
        raise own.wrong(keys, f"{where} is {shipped.most:g} {shipped.unit} at most, and {value!r} is not")
    if shipped.whole and value != int(value):
        raise own.wrong(keys, f"{where} needs a whole number, not {value!r}")
    if entry.get("unit", shipped.unit) != shipped.unit:
        raise own.wrong(keys, f"{where} is in {shipped.unit}, not {entry['unit']}")
    mark = entry.get("mark", "policy")
    if mark not in MARKS:
        raise own.wrong(keys, f"{where}: mark is one of {', '.join(MARKS)}")
    why = entry.get("why", "set by the agency")
    if not isinstance(why, str):
        raise own.wrong(keys, f"{where}: why needs a text in quotes, not {why!r}")
    return replace(shipped, value=float(value), mark=mark, why=why)


def _refuse_contradiction(own, keys, where, changed, limits):
    """PolicyError where a range that the agency changed ends before it begins."""
    for names in RANGES:
        low, high = ((changed.get(name) or limits[name]).value for name in names)
        if low > high:
            there = next(((*keys, name) for name in names if own.line((*keys, name)) != own.line(keys)), keys)
            raise own.wrong(there, f"{where}: {names[0]} ({low:g}) is above {names[1]} ({high:g})")


def _own_words(own, keys, where, words):
    key = keys[-1]
    if key not in SETS_OF:
        raise own.wrong(keys, f"{where}: no such set of accepted words; there are {', '.join(SETS_OF)}")
    allowed = BY_NAME[SETS_OF[key]].words
    if not isinstance(words, list) or any(word not in allowed for word in words):
        raise own.wrong(keys, f"{where} needs a list of {', '.join(allowed)}")
    return words


def _regions(own, limits, measures):
    """Regions' own limits, and changes from a day on; of those that fit a row, the last rules.

    What is said of a region comes after what is said of all, and a later day after an earlier one.
    """
    found: dict[tuple, Region] = {}
    for kind in ("region", "change"):
        entries = own.tables.get(kind, [])
        if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
            once = "each region" if kind == "region" else "each day of change"
            raise own.wrong((kind,), f"{kind} needs double brackets: [[{kind}]], once for {once}")
        for position, entry in enumerate(entries):
            region = _own_region(own, kind, (kind, position), entry, limits, measures)
            key = folded(region.agency), folded(region.name), region.effective_from
            if key in found:
                of = f" of agency {region.agency}" if region.agency else ""
                day = f" from {region.effective_from}" if region.effective_from else ""
                raise own.wrong(
                    (kind, position),
                    f"{kind} {region.name}{of}{day} is there already, in line {found[key].line}: "
                    "make one of the two",
                )
            found[key] = region
    return tuple(sorted(found.values(), key=lambda one: (bool(one.name), one.effective_from or date.min)))


def _own_region(own, kind, keys, entry, limits, measures):
    named = "name" if kind == "region" else "region"
    tables = ("limits", "accepted", "measures")
    accepted = (named, "agency", *tables, *(("effective_from",) if kind == "change" else ()))
    day = entry.get("effective_from")
    if kind == "change" and (not isinstance(day, date) or isinstance(day, datetime)):
        raise own.wrong(
            keys, f"each [[change]] needs effective_from, a day without quotes as 2026-07-01, not {day!r}"
        )
    if kind == "region" and (not isinstance(entry.get("name"), str) or not entry["name"].strip()):
        raise own.wrong(keys, "each [[region]] needs a name")
    where = f"region {entry['name']}" if kind == "region" else f"change from {day}"
    _only(own, keys, where, entry, accepted)
    for text in ("agency", named):
        if not isinstance(entry.get(text, ""), str):
            raise own.wrong((*keys, text), f"{where}: {text} needs a text, not {entry[text]!r}")
    for table in tables:
        if not isinstance(entry.get(table, {}), dict):
            raise own.wrong((*keys, table), f"{where}: {table} needs to be a table, as {table} = {{ }}")
    changed = {
        key: _own_limit(own, (*keys, "limits", key), f"{where}: limits.{key}", value, limits)
        for key, value in entry.get("limits", {}).items()
    }
    for key, limit in changed.items():
        if not limit.by_region:
            raise own.wrong(
                (*keys, "limits", key),
                f"{where}: limits.{key} is one for the whole fleet; set it under [limits]",
            )
    _refuse_contradiction(own, (*keys, "limits"), where, changed, limits)
    words = {
        key: tuple(_own_words(own, (*keys, "accepted", key), f"{where}: accepted.{key}", value))
        for key, value in entry.get("accepted", {}).items()
    }
    values = {key: limit.value for key, limit in changed.items()}
    figures = of_region(own, (*keys, "measures"), where, entry.get("measures", {}), measures)
    return Region(entry.get(named, ""), entry.get("agency", ""), values, words, own.line(keys), day, figures)


def _emitter(own, shipped):
    name = "emitter_gal_per_1000_btuh"
    gallons = {key: value for key, value in shipped.items() if key not in ("mark", "why")}
    table = _table(own, name)
    _only(own, (name,), name, table, (*gallons, "mark", "why"))
    for key in gallons:
        value = table.get(key, gallons[key])
        if not _is_number(value) or not 0 < value <= MOST_GAL:
            raise own.wrong(
                (name, key), f"{name}.{key} needs gallons above 0, not {value!r}; {MOST_GAL:,} at most"
            )
        gallons[key] = float(value)
    return gallons


def _matrix(own, table):
    _only(own, ("risk_matrix",), "risk_matrix", table, (*PROBABILITIES, "mark", "why"))
    matrix = {row: table[row] for row in PROBABILITIES}
    for row, levels in matrix.items():
        wrong = not isinstance(levels, list) or len(levels) != 4
        if wrong or any(level not in LEVELS[1:] for level in levels):
            raise own.wrong(("risk_matrix", row), f"risk_matrix.{row} needs four of {', '.join(LEVELS[1:])}")
    return {row: tuple(levels) for row, levels in matrix.items()}


def _risk(own, table):
    for check, entry in table.items():
        keys, where = ("risk", check), f"risk.{check}"
        if not isinstance(entry, dict):
            raise own.wrong(
                keys, f"{where} needs to be a table: a line [{where}], and severity or probability below"
            )
        _only(own, keys, where, entry, ("severity", "probability"))
        severity, probability = entry.get("severity", 1), entry.get("probability", "A")
        if not _is_whole(severity) or not 1 <= severity <= 4 or probability not in tuple(PROBABILITIES):
            raise own.wrong(keys, f"{where}: severity is 1 to 4, probability A to E")
    return table


def _clocks(own, table):
    _only(own, ("clocks",), "clocks", table, (*LEVELS, "mark", "why"))
    out = {}
    for level in LEVELS:
        days, keys = table.get(level), ("clocks", level)
        whole = isinstance(days, list) and all(_is_whole(day) and 0 <= day <= MOST["day"] for day in days)
        if not whole or len(days) not in (0, 2):
            raise own.wrong(
                keys, f"clocks.{level} needs two whole numbers of days (to act, to correct) or an empty list"
            )
        if days and days[0] > days[1]:
            raise own.wrong(keys, f"clocks.{level}: {days[0]} days to act are more than {days[1]} to correct")
        out[level] = tuple(days) or None
    return out


def _nearest(key, names):
    return ", ".join(get_close_matches(key, names, n=3, cutoff=0.3)) or ", ".join(names)
