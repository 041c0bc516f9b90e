"""Reads and checks a policy: the limits, accepted words, clocks and risk matrix that an agency decides.

What ships stands in default.toml and measures.toml beside this file; a fleet's policy.toml overrides values
by name, for all rows or for one region. Every value keeps its mark (published, common practice, policy) and
reason.
"""

import hashlib
import json
import tomllib
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import cached_property
from pathlib import Path

import numpy as np

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
}
SHARES = ("_share", "_ratio", "_certainty")  # ends of names whose value is a share
TABLES = {
    "limits",
    "emitter_gal_per_1000_btuh",
    "accepted",
    "clocks",
    "risk_matrix",
    "risk",
    "region",
    "measures",
}


class PolicyError(Exception):
    """A policy that cannot be used; the message names the file, the key and what would be accepted."""


@dataclass(frozen=True)
class Limit:
    """One number an agency decides, with its mark and reason."""

    name: str
    value: float
    unit: str
    mark: str
    why: str
    by_region: bool = True  # whether a region may have its own


def limit_said(value, unit):
    """A limit in words: 60 °F."""
    return f"{value:g} {unit}".replace("degF", "°F").strip()


class Quoted(dict):
    """Limits in words by name, for sentences that name them."""

    def __missing__(self, name):
        return "the policy's temperature" if name.endswith("_f") else "the policy's value"


@dataclass(frozen=True)
class Measure:
    """Work that puts deficiencies right: the checks it fixes, by id."""

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
    """All that an agency decides; a limit is read by its name, as a float: `policy.cold_margin_psi`."""

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

    def for_rows(self, agency_and_region=()):
        """The policy as rows see it, a region's own limits as arrays.

        `agency_and_region` is a sequence of (agency, region) texts, one per row, or (pairs, codes): distinct
        pairs and a code per row.
        """
        return RowPolicy(self, agency_and_region)

    def level(self, severity, probability):
        """Risk level of a severity 1 to 4 and a probability A to E."""
        return self.risk_matrix[probability][severity - 1]


class RowPolicy:
    """Limits as floats or, where a region overrides one, as an array with a value per row."""

    def __init__(self, policy, agency_and_region=()):
        self.policy = policy
        self._pairs: list[tuple[str, ...]] = []
        self._codes: np.ndarray | None = None
        if policy.regions and len(agency_and_region):
            pairs, codes = (
                agency_and_region if isinstance(agency_and_region, tuple) else _distinct(agency_and_region)
            )
            self._pairs = [tuple(_fold(text) for text in pair) for pair in pairs]
            self._codes = np.asarray(codes)

    def _override(self, kind, name, default):
        """Value per distinct pair, or None where no region that occurs here overrides it."""
        found = [
            next(
                (
                    getattr(region, kind)[name]
                    for region in reversed(self.policy.regions)
                    if name in getattr(region, kind)
                    and _fold(region.name) == of_region
                    and _fold(region.agency) in ("", agency)
                ),
                None,
            )
            for agency, of_region in self._pairs
        ]
        return (
            None
            if all(value is None for value in found)
            else [default if value is None else value for value in found]
        )

    def __getattr__(self, name):
        value = getattr(self.policy, name)
        if self._codes is None or name not in self.policy.limits:
            return value
        by_pair = self._override("limits", name, value)
        return value if by_pair is None else np.asarray(by_pair, dtype=float)[self._codes]

    def accepts(self, name, words):
        """True where the word of a row is in the accepted set `name` of its region, False where none is."""
        default = words.among(*self.policy.words(name))
        if self._codes is None or (by_pair := self._override("accepted", name, None)) is None:
            return default
        choices = [default if chosen is None else words.among(*chosen) for chosen in by_pair]
        return (
            np.choose(self._codes, choices)
            if len(choices) <= 32
            else np.array(choices)[self._codes, np.arange(len(default))]
        )

    def rows(self, chosen):
        """The same for some of the rows, by positions or a mask."""
        if self._codes is None:
            return self
        out = RowPolicy(self.policy)
        out._pairs, out._codes = self._pairs, self._codes[chosen]
        return out


def load(path=None):
    """The policy in force: what ships, overridden by the TOML file at `path` if there is one.

    Raises PolicyError, which names the file, the key and what would be accepted.
    """
    return parse(Path(path).read_bytes() if path and Path(path).exists() else b"", str(path))


def parse(data, name):
    """The policy in force: what ships, overridden by the bytes of a TOML file that errors call `name`."""
    shipped = _read(HERE / "default.toml")
    own = _toml(data, name)
    unknown = set(own) - TABLES
    if unknown:
        raise PolicyError(
            f"{name}: unknown table {sorted(unknown)[0]!r}; accepted are {', '.join(sorted(TABLES))}"
        )
    limits = {
        key: Limit(
            key,
            float(entry["value"]),
            entry["unit"],
            entry["mark"],
            entry["why"],
            entry.get("by_region", True),
        )
        for key, entry in shipped["limits"].items()
    }
    for key, entry in _table(name, own, "limits").items():
        limits[key] = _own_limit(name, f"limits.{key}", key, entry, limits)
    accepted = {**shipped["accepted"]}
    for key, entry in _table(name, own, "accepted").items():
        entry = entry if isinstance(entry, dict) else {"words": entry}
        accepted[key] = {
            "words": _own_words(name, f"accepted.{key}", key, entry.get("words")),
            "mark": "policy",
            "why": entry.get("why", "set by the agency"),
        }
    emitter = _emitter(
        name, shipped["emitter_gal_per_1000_btuh"], _table(name, own, "emitter_gal_per_1000_btuh")
    )
    clocks = _clocks(name, shipped["clocks"] | _table(name, own, "clocks"))
    matrix = _matrix(name, shipped["risk_matrix"] | _table(name, own, "risk_matrix"))
    risk = _risk(name, shipped.get("risk", {}) | _table(name, own, "risk"))
    regions = own.get("region", [])
    if not isinstance(regions, list) or not all(isinstance(entry, dict) for entry in regions):
        raise PolicyError(f"{name}: region needs double brackets: [[region]], once for each region")
    regions = tuple(_own_region(name, entry, limits) for entry in regions)
    measures = _measures(name, _read(HERE / "measures.toml") | _table(name, own, "measures"))
    text = json.dumps(
        {
            "limits": {key: limit.value for key, limit in limits.items()},
            "accepted": {key: entry["words"] for key, entry in accepted.items()},
            "emitter": emitter,
            "clocks": clocks,
            "matrix": matrix,
            "risk": risk,
            "regions": [[r.name, r.agency, r.limits, r.accepted] for r in regions],
            "measures": [[m.id, m.title, m.fixes] for m in measures],
        },
        sort_keys=True,
    )
    return Policy(limits, accepted, emitter, clocks, matrix, risk, regions, measures, text)


def _read(path):
    return _toml(path.read_bytes(), path)


def _toml(data, name):
    try:
        return tomllib.loads(data.decode())
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise PolicyError(f"{name}: not readable as TOML ({error})") from error


def _table(name, own, key):
    """A table of an agency's own policy, empty where there is none."""
    found = own.get(key, {})
    if not isinstance(found, dict):
        raise PolicyError(f"{name}: {key} needs to be a table: a line [{key}], and its values below")
    return found


def _only(name, where, entry, accepted):
    extra = sorted(set(entry) - set(accepted))
    if extra:
        raise PolicyError(f"{name}: {where}: unknown key {extra[0]!r}; accepted are {', '.join(accepted)}")


def _is_number(value):
    return not isinstance(value, bool) and isinstance(value, (int, float)) and np.isfinite(value)


def _own_limit(name, where, key, entry, limits):
    if key not in limits:
        raise PolicyError(f"{name}: {where}: no such limit; nearest: {_nearest(key, limits)}")
    entry = entry if isinstance(entry, dict) else {"value": entry}
    _only(name, where, entry, ("value", "unit", "mark", "why"))
    value, shipped = entry.get("value"), limits[key]
    if not _is_number(value) or value < 0:
        raise PolicyError(
            f"{name}: {where} needs a number of 0 or more in {shipped.unit or 'its own measure'}, not "
            f"{value!r}"
        )
    if key.endswith(SHARES) and value > 2:
        raise PolicyError(f"{name}: {where} is a share, as 0.9 is for 90 %, and {value!r} is not")
    if entry.get("unit", shipped.unit) != shipped.unit:
        raise PolicyError(f"{name}: {where} is in {shipped.unit}, not {entry['unit']}")
    mark = entry.get("mark", "policy")
    if mark not in MARKS:
        raise PolicyError(f"{name}: {where}: mark is one of {', '.join(MARKS)}")
    return Limit(
        key, float(value), shipped.unit, mark, entry.get("why", "set by the agency"), shipped.by_region
    )


def _own_words(name, where, key, words):
    if key not in SETS_OF:
        raise PolicyError(f"{name}: {where}: no such set of accepted words; there are {', '.join(SETS_OF)}")
    allowed = BY_NAME[SETS_OF[key]].words
    if not isinstance(words, list) or any(word not in allowed for word in words):
        raise PolicyError(f"{name}: {where} needs a list of {', '.join(allowed)}")
    return words


def _own_region(name, entry, limits):
    if not isinstance(entry.get("name"), str) or not entry["name"].strip():
        raise PolicyError(f"{name}: each [[region]] needs a name")
    where = f"region {entry['name']}"
    _only(name, where, entry, ("name", "agency", "limits", "accepted"))
    own_limits = {
        key: _own_limit(name, f"{where}: limits.{key}", key, value, limits).value
        for key, value in _table(name, entry, "limits").items()
    }
    for key in own_limits:
        if not limits[key].by_region:
            raise PolicyError(
                f"{name}: {where}: limits.{key} is one for the whole fleet; set it under [limits]"
            )
    own_words = {
        key: tuple(_own_words(name, f"{where}: accepted.{key}", key, value))
        for key, value in _table(name, entry, "accepted").items()
    }
    return Region(entry["name"], entry.get("agency", ""), own_limits, own_words)


def _emitter(name, shipped, own):
    gallons = {key: value for key, value in shipped.items() if key not in ("mark", "why")}
    _only(name, "emitter_gal_per_1000_btuh", own, (*gallons, "mark", "why"))
    for key in gallons:
        value = own.get(key, gallons[key])
        if not _is_number(value) or value <= 0:
            raise PolicyError(f"{name}: emitter_gal_per_1000_btuh.{key} needs gallons above 0, not {value!r}")
        gallons[key] = float(value)
    return gallons


def _matrix(name, table):
    _only(name, "risk_matrix", table, (*PROBABILITIES, "mark", "why"))
    matrix = {row: table[row] for row in PROBABILITIES}
    for row, levels in matrix.items():
        if (
            not isinstance(levels, list)
            or len(levels) != 4
            or any(level not in LEVELS[1:] for level in levels)
        ):
            raise PolicyError(f"{name}: risk_matrix.{row} needs four of {', '.join(LEVELS[1:])}")
    return {row: tuple(levels) for row, levels in matrix.items()}


def _risk(name, table):
    for check, entry in table.items():
        if not isinstance(entry, dict):
            raise PolicyError(
                f"{name}: risk.{check} needs to be a table: a line [risk.{check}], and severity or "
                "probability below"
            )
        _only(name, f"risk.{check}", entry, ("severity", "probability"))
        if entry.get("severity", 1) not in (1, 2, 3, 4) or entry.get("probability", "A") not in tuple(
            PROBABILITIES
        ):
            raise PolicyError(f"{name}: risk.{check}: severity is 1 to 4, probability A to E")
    return table


def _measures(name, table):
    for key, entry in table.items():
        fixes = entry.get("fixes") if isinstance(entry, dict) else None
        if (
            not isinstance(fixes, list)
            or not all(isinstance(check, str) for check in fixes)
            or not isinstance(entry.get("title"), str)
        ):
            raise PolicyError(f"{name}: measures.{key} needs a title and fixes, a list of check ids")
    return tuple(Measure(key, entry["title"], tuple(entry["fixes"])) for key, entry in table.items())


def _clocks(name, table):
    _only(name, "clocks", table, (*LEVELS, "mark", "why"))
    out = {}
    for level in LEVELS:
        days = table.get(level)
        if (
            not isinstance(days, list)
            or len(days) not in (0, 2)
            or any(not isinstance(day, int) or day < 0 for day in days)
        ):
            raise PolicyError(
                f"{name}: clocks.{level} needs two whole numbers of days (to act, to correct) or an "
                "empty list"
            )
        out[level] = tuple(days) or None
    return out


def _fold(text):
    return " ".join((text or "").split()).casefold()


def _distinct(pairs):
    """(distinct pairs, position of each pair among them)."""
    positions: dict[tuple, int] = {}
    codes = [positions.setdefault(pair, len(positions)) for pair in pairs]
    return list(positions), np.array(codes)


def _nearest(key, names):
    return ", ".join(get_close_matches(key, names, n=3, cutoff=0.3)) or ", ".join(names)
