"""Reads and checks a policy: the limits, accepted words, clocks and risk matrix that an agency decides.

What ships stands in default.toml and measures.toml beside this file; a fleet's policy.toml overrides values by
name, for all rows or for one region. Every value keeps its mark (published, common practice, policy) and reason.
"""

import hashlib
import json
import tomllib
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import numpy as np

from pipelines.fields import BY_NAME

HERE = Path(__file__).parent
MARKS = ("published", "common practice", "policy")
LEVELS = ("act today", "high", "serious", "medium", "low")
PROBABILITIES = "ABCDE"
SETS_OF = {
    "backflow_without_additives": "backflow_device", "backflow_with_additives": "backflow_device",
    "backflow_tested": "backflow_device", "backflow_tested_on_supply": "water_source", "low_water_cutoff": "low_water_cutoff",
}
TABLES = {"limits", "emitter_gal_per_1000_btuh", "accepted", "clocks", "risk_matrix", "risk", "region", "measures"}


class PolicyError(Exception):
    """A policy that cannot be used; the message names the file, the key and what would be accepted."""


@dataclass(frozen=True)
class Limit:
    name: str
    value: float
    unit: str
    mark: str
    why: str


@dataclass(frozen=True)
class Measure:
    id: str
    title: str
    fixes: tuple[str, ...]


@dataclass(frozen=True)
class Region:
    """Overrides for the rows of one region; `agency` empty means of any agency."""

    name: str
    agency: str = ""
    limits: dict = field(default_factory=dict)
    accepted: dict = field(default_factory=dict)


@dataclass(frozen=True)
class Policy:
    limits: dict[str, Limit]
    accepted: dict[str, dict]
    emitter_gal_per_1000_btuh: dict[str, float]
    clocks: dict[str, tuple[int, int] | None]
    risk_matrix: dict[str, tuple[str, ...]]
    risk: dict[str, dict]
    regions: tuple[Region, ...]
    measures: tuple[Measure, ...]
    text: str  # all that decides, as one canonical text: its hash is the policy's

    @cached_property
    def sha256(self):
        return hashlib.sha256(self.text.encode()).hexdigest()

    def __getattr__(self, name):
        """A limit by name, as a float: `policy.cold_margin_psi`."""
        limits = self.__dict__.get("limits", {})
        if name in limits:
            return limits[name].value
        raise AttributeError(f"no limit called {name}")

    def words(self, name):
        return tuple(self.accepted[name]["words"])

    def for_rows(self, agency_and_region=()):
        """The policy as rows see it; `agency_and_region` is a sequence of (agency, region) texts, one per row, or
        (pairs, codes): distinct pairs and a code per row, so that a region's overrides become arrays."""
        return RowPolicy(self, agency_and_region)

    def level(self, severity, probability):
        """Risk level of a severity 1 to 4 and a probability A to E."""
        return self.risk_matrix[probability][severity - 1]


class RowPolicy:
    """Limits as floats or, where a region overrides one, as an array with a value per row."""

    def __init__(self, policy, agency_and_region=()):
        self.policy = policy
        self._codes = self._pairs = None
        if policy.regions and len(agency_and_region):
            pairs, codes = agency_and_region if isinstance(agency_and_region, tuple) else _distinct(agency_and_region)
            self._pairs, self._codes = [tuple(_fold(part) for part in pair) for pair in pairs], np.asarray(codes)

    def _override(self, kind, name, default):
        """Value per distinct pair, or None where no region that occurs here overrides it."""
        found = [next((getattr(region, kind)[name] for region in reversed(self.policy.regions)
                       if name in getattr(region, kind) and _fold(region.name) == place
                       and _fold(region.agency) in ("", agency)), None) for agency, place in self._pairs]
        return None if all(value is None for value in found) else [default if value is None else value for value in found]

    def __getattr__(self, name):
        value = getattr(self.policy, name)
        if self._codes is None or name not in self.policy.limits:
            return value
        by_pair = self._override("limits", name, value)
        return value if by_pair is None else np.asarray(by_pair, dtype=float)[self._codes]

    def accepts(self, name, words):
        """True where the recorded word of each row is in the accepted set `name` of its region; False where none is recorded."""
        default = words.among(*self.policy.words(name))
        by_pair = None if self._codes is None else self._override("accepted", name, None)
        if by_pair is None:
            return default
        choices = [default if chosen is None else words.among(*chosen) for chosen in by_pair]
        return np.choose(self._codes, choices) if len(choices) <= 32 else np.array(choices)[self._codes, np.arange(len(default))]

    def rows(self, chosen):
        if self._codes is None:
            return self
        out = RowPolicy(self.policy)
        out._pairs, out._codes = self._pairs, self._codes[chosen]
        return out


def load(path=None):
    """The policy in force: what ships, overridden by the TOML file at `path` if there is one.

    Raises PolicyError, which names the file, the key and what would be accepted.
    """
    shipped = _read(HERE / "default.toml")
    own = _read(Path(path)) if path and Path(path).exists() else {}
    name = str(path)
    unknown = set(own) - TABLES
    if unknown:
        raise PolicyError(f"{name}: unknown table {sorted(unknown)[0]!r}; accepted are {', '.join(sorted(TABLES))}")
    limits = {key: Limit(key, float(entry["value"]), entry["unit"], entry["mark"], entry["why"]) for key, entry in shipped["limits"].items()}
    for key, entry in own.get("limits", {}).items():
        limits[key] = _own_limit(name, key, entry, limits)
    accepted = {**shipped["accepted"]}
    for key, entry in own.get("accepted", {}).items():
        entry = entry if isinstance(entry, dict) else {"words": entry}
        accepted[key] = {"words": _own_words(name, key, entry.get("words")), "mark": "policy", "why": entry.get("why", "set by the agency")}
    emitter = {key: float(value) for key, value in (shipped["emitter_gal_per_1000_btuh"] | own.get("emitter_gal_per_1000_btuh", {})).items() if key not in ("mark", "why")}
    clocks = _clocks(name, shipped["clocks"] | own.get("clocks", {}))
    matrix = {row: tuple((shipped["risk_matrix"] | own.get("risk_matrix", {}))[row]) for row in PROBABILITIES}
    for row, levels in matrix.items():
        if len(levels) != 4 or any(level not in LEVELS[1:] for level in levels):
            raise PolicyError(f"{name}: risk_matrix.{row} needs four of {', '.join(LEVELS[1:])}")
    risk = {**shipped.get("risk", {}), **own.get("risk", {})}
    for check, entry in risk.items():
        if entry.get("severity", 1) not in (1, 2, 3, 4) or entry.get("probability", "A") not in tuple(PROBABILITIES):
            raise PolicyError(f"{name}: risk.{check}: severity is 1 to 4, probability A to E")
    regions = tuple(_own_region(name, entry, limits) for entry in own.get("region", ()))
    measures = _read(HERE / "measures.toml") | own.get("measures", {})
    measures = tuple(Measure(key, entry["title"], tuple(entry["fixes"])) for key, entry in measures.items())
    text = json.dumps({
        "limits": {key: limit.value for key, limit in limits.items()}, "accepted": {key: entry["words"] for key, entry in accepted.items()},
        "emitter": emitter, "clocks": clocks, "matrix": matrix, "risk": risk,
        "regions": [[r.name, r.agency, r.limits, r.accepted] for r in regions], "measures": [[m.id, m.title, m.fixes] for m in measures],
    }, sort_keys=True)
    return Policy(limits, accepted, emitter, clocks, matrix, risk, regions, measures, text)


def _read(path):
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise PolicyError(f"{path}: not readable as TOML ({error})") from error


def _own_limit(name, key, entry, limits):
    if key not in limits:
        raise PolicyError(f"{name}: unknown limit {key!r}; nearest: {_nearest(key, limits)}")
    entry = entry if isinstance(entry, dict) else {"value": entry}
    value = entry.get("value")
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not np.isfinite(value):
        raise PolicyError(f"{name}: limits.{key} needs a number in {limits[key].unit or 'its own measure'}, not {value!r}")
    if entry.get("unit", limits[key].unit) != limits[key].unit:
        raise PolicyError(f"{name}: limits.{key} is in {limits[key].unit}, not {entry['unit']}")
    mark = entry.get("mark", "policy")
    if mark not in MARKS:
        raise PolicyError(f"{name}: limits.{key}: mark is one of {', '.join(MARKS)}")
    return Limit(key, float(value), limits[key].unit, mark, entry.get("why", "set by the agency"))


def _own_words(name, key, words):
    if key not in SETS_OF:
        raise PolicyError(f"{name}: unknown set {key!r} of accepted words; accepted are {', '.join(SETS_OF)}")
    allowed = BY_NAME[SETS_OF[key]].words
    if not isinstance(words, list) or any(word not in allowed for word in words):
        raise PolicyError(f"{name}: accepted.{key} needs a list of {', '.join(allowed)}")
    return words


def _own_region(name, entry, limits):
    if not entry.get("name"):
        raise PolicyError(f"{name}: each [[region]] needs a name")
    extra = set(entry) - {"name", "agency", "limits", "accepted"}
    if extra:
        raise PolicyError(f"{name}: region {entry['name']}: unknown key {sorted(extra)[0]!r}; accepted are name, agency, limits, accepted")
    own_limits = {key: _own_limit(name, key, value, limits).value for key, value in entry.get("limits", {}).items()}
    own_words = {key: tuple(_own_words(name, key, value)) for key, value in entry.get("accepted", {}).items()}
    return Region(entry["name"], entry.get("agency", ""), own_limits, own_words)


def _clocks(name, table):
    out = {}
    for level in LEVELS:
        days = table.get(level)
        if not isinstance(days, list) or len(days) not in (0, 2) or any(not isinstance(day, int) or day < 0 for day in days):
            raise PolicyError(f"{name}: clocks.{level} needs two whole numbers of days (to act, to correct) or an empty list")
        out[level] = tuple(days) or None
    return out


def _fold(text):
    return " ".join((text or "").split()).casefold()


def _distinct(pairs):
    places = {}
    codes = [places.setdefault(pair, len(places)) for pair in pairs]
    return list(places), np.array(codes)


def _nearest(key, names):
    import difflib
    return ", ".join(difflib.get_close_matches(key, names, n=3, cutoff=0.3)) or ", ".join(names)
