"""What the audit counts: units with a final, the re-inspection paired with it, and what each found.

A unit is a home, system and job. It counts once per check, by its last final inspection with a crew, or by
the paired re-inspection where the final was not telling. A re-inspection is paired with the final before it
where it is the first after it that is no for-cause visit, within the days of the policy, and neither a repair
reported in between (its own sheet included: work on it came before its readings) nor another address breaks
the pair.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.audit.case_mix import OF_LEVELS, OF_REGIONS, Houses
from pipelines.audit.side_by_side import numbered, word
from pipelines.engine.arrays import at_least
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.checks.kinds import GROUPS
from pipelines.engine.codes import CERTAINTY_STEPS, coded, outcome_of_results, outcomes_of_results
from pipelines.engine.hydronics.atmosphere import atmosphere_psia
from pipelines.engine.results import DEFICIENT, NOT_APPLICABLE, NOT_VERIFIED, OK
from pipelines.fields import BY_NAME

ANY = "any"
HOME_GROUPS = tuple(group for group in GROUPS if any(check.group == group for check in HOME_CHECKS))
FINALS = ("final", "qa")  # kinds of inspections after the work
AT_FINALS = f"inspection_kind IN {FINALS}"  # SQL
CHECK, GROUP, EVERY = range(3)  # how much of a unit one row of counts speaks of
# What a unit shows for a check. The last: a deficiency at a unit of which too little was told to count it.
NOTHING, FINE, BAD, SURELY_BAD, LACKING, LACKING_BAD = range(6)
SHOWN = 6
SHOWN_BY_OUTCOME = np.empty(4, np.int8)  # before how sure it is
SHOWN_BY_OUTCOME[[OK, DEFICIENT, NOT_VERIFIED, NOT_APPLICABLE]] = FINE, BAD, LACKING, NOTHING

# The terms of the case mix: values of each, the last where it is not recorded.
TANKS = BY_NAME["tank_type"].words
OLD_YEARS = (10, 25)  # a boiler that is young, middle-aged, old
HIGH_FT = (2_000.0, 5_000.0)
WIDTHS = (len(TANKS) + 1, len(OLD_YEARS) + 2, len(HIGH_FT) + 2)
TOLD_SHARES = (0.8, 0.9)  # of a group's checks that were told: more is found where more is looked at
TOLD = len(TOLD_SHARES) + 1
TERMS = "region, type of tank, age of the boiler, elevation"
TERMS_OF_GROUPS = f"{TERMS}, share of checks told"


@dataclass(frozen=True)
class Names:
    """Who is compared: the name of each unit as a code, and (agency, name) of each code."""

    code: np.ndarray
    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Units:
    """Units of a snapshot: arrays of shape (units,), codes in the order of names.

    `visits` are all visits, in the order of systems, `system` the number of each one's; `final` and `again`
    are positions of `visits`, `again` -1 where no re-inspection is paired; `kind` is the kind of house, of
    which `place_of_kind` and `terms` tell more, kinds in the order of places.
    """

    visits: pa.Table
    final: np.ndarray
    again: np.ndarray
    agencies: tuple[str, ...]
    crews: Names
    inspectors: Names
    places: tuple[tuple[str, str], ...]
    kind: np.ndarray
    place_of_kind: np.ndarray
    terms: np.ndarray
    system: np.ndarray

    @cached_property
    def paired(self):
        """Positions of the units with a re-inspection."""
        return np.flatnonzero(self.again >= 0)

    @cached_property
    def codes_of_finals(self):
        """Coded results at the finals by check of a home; not to be changed."""
        return {check.id: codes_at(self.visits, check.id, self.final) for check in HOME_CHECKS}

    @cached_property
    def outcomes_of_finals(self):
        """Outcomes at the finals by check of a home; not to be changed."""
        return {check_id: outcome_of_results(codes) for check_id, codes in self.codes_of_finals.items()}

    @cached_property
    def codes_of_again(self):
        """Coded results at the re-inspections of those `paired`, by check of a home."""
        again = self.again[self.paired]
        return {check.id: codes_at(self.visits, check.id, again) for check in HOME_CHECKS}

    @cached_property
    def outcomes_of_again(self):
        """Outcomes at the re-inspections of those `paired`, by check of a home."""
        return {check_id: outcome_of_results(codes) for check_id, codes in self.codes_of_again.items()}

    @property
    def agency_of_place(self):
        return np.array([self.agencies.index(agency) for agency, _ in self.places], np.int64)

    def houses(self, told=False):
        """Kinds of houses for a model of regions within agencies; `told` with a term more, as often again."""
        return self._houses(self.place_of_kind, self.agency_of_place, OF_REGIONS, told)

    def houses_of_agencies(self, told=False):
        """The same without regions: what is expected of one."""
        agency = self.agency_of_place[self.place_of_kind]
        return self._houses(agency, np.zeros(len(self.agencies), np.int64), OF_LEVELS, told)

    def houses_of_all(self, told=False):
        """The same without agencies: what is expected of one."""
        return self._houses(np.zeros_like(self.place_of_kind), np.zeros(1, np.int64), OF_LEVELS, told)

    def _houses(self, place, above, ridge, told):
        terms, width = self.terms, sum(WIDTHS)
        if told:
            place, terms = np.repeat(place, TOLD), np.repeat(terms, TOLD, axis=0)
            of_told = width + np.tile(np.arange(TOLD), len(self.place_of_kind))
            terms, width = np.column_stack([terms, of_told]), width + TOLD
        return Houses(place, terms, width, above, ridge)


def units(both, policy):
    """The Units of the snapshot being made, from what was judged and recorded, a SideBySide."""
    codes = [coded(check.id) for check in HOME_CHECKS]
    judged = both.judged(
        [
            "inspection_id",
            "inspection_kind",
            "crew",
            "atmosphere_psia",
            coded("home-id-reused"),
            *codes,
        ]
    )
    recorded = both.recorded(
        [
            "inspected_on",
            "repairs_reported IS NOT NULL AS repaired",
            "work_ordered IS NOT NULL AS ordered",
            f"qa_reason IS NOT DISTINCT FROM {word('qa_reason', 'for_cause')} AS caused",
        ]
    )
    names, job = both.jobs
    visits = _beside(both.keys, judged, recorded).append_column("job_number", names)
    final, again = _finals(visits, job, int(policy.paired_within_days))
    houses = both.recorded(["coalesce(region, '') AS region", "tank_type", "boiler_year"], final)
    at = visits.select(["agency", "crew", "inspected_on", "atmosphere_psia"]).take(
        pa.array(final, pa.int64())
    )
    readers, who = both.readers
    present, code = numbered(who[final])
    inspectors = Names(code, tuple(readers[one] for one in present))
    return _units(visits, _beside(at, houses), inspectors, final, again, both.system)


def _beside(*tables):
    """Tables of as many rows as one."""
    return pa.table({name: table.column(name) for table in tables for name in table.column_names})


def after_work(visits):
    """Positions of final inspections and re-inspections, and of visits at which a repair is reported."""
    told = pc.is_in(visits.column("inspection_kind"), pa.array(FINALS)).to_numpy()
    return np.flatnonzero(told | visits.column("repaired").to_numpy())


def _finals(visits, job, within_days):
    """Positions of each unit's last final, where it has a crew, and its paired re-inspection (-1: none)."""
    order = after_work(visits)
    if not len(order):
        return order, order
    columns = visits.select(["inspection_kind", "inspected_on", "repaired", "caused"]).take(pa.array(order))
    unit = job[order]
    is_final, is_qa = (
        pc.fill_null(pc.equal(columns.column("inspection_kind"), kind), False).to_numpy()
        for kind in ("final", "qa")
    )
    final = np.full(int(unit.max()) + 1, -1)
    final[unit[is_final]] = np.flatnonzero(is_final)  # the last one written stands
    again = np.full(len(final), -1)
    later = np.flatnonzero(is_qa & ~columns.column("caused").to_numpy() & (final[unit] >= 0))
    later = later[later > final[unit[later]]][::-1]
    again[unit[later]] = later  # the first one stands, written last
    day = columns.column("inspected_on").to_numpy().astype("datetime64[D]").astype(np.int64)
    moved = outcome_of_results(visits.column(coded("home-id-reused")).to_numpy()[order])
    breaks = np.cumsum(columns.column("repaired").to_numpy() | (moved == DEFICIENT))
    pair = np.flatnonzero(again >= 0)
    late = day[again[pair]] - day[final[pair]] > within_days
    broken = breaks[again[pair]] > breaks[final[pair]]
    again[pair[late | broken]] = -1
    known = final >= 0
    known[known] = pc.is_valid(visits.column("crew")).to_numpy()[order[final[known]]]
    final, again = final[known], again[known]
    return order[final], np.where(again >= 0, order[again], -1)


def _units(visits, at, inspectors, final, again, system):
    """The Units of `visits`; `at` is what is recorded at the finals, which `inspectors` took."""
    agencies = tuple(sorted(pc.unique(at.column("agency")).to_pylist()))
    places = _names(at, "region")
    terms = np.column_stack([_tank(at), _age(at), _height(at)])
    places_first = places.code
    for term, width in zip(terms.T, WIDTHS, strict=True):
        places_first = places_first * width + term
    kinds, kind = numbered(places_first)
    of_kind = np.zeros((len(kinds), len(WIDTHS)), np.int64)
    left = kinds
    for position in reversed(range(len(WIDTHS))):
        left, of_kind[:, position] = np.divmod(left, WIDTHS[position])
    starts = np.cumsum(WIDTHS) - WIDTHS
    return Units(
        visits,
        final,
        again,
        agencies,
        _names(at, "crew"),
        inspectors,
        places.pairs,
        kind,
        left,
        of_kind + starts,
        system,
    )


def _names(at, column):
    """Names of a column within agencies, in the order of their letters."""
    agency, name = (at.column(one).combine_chunks().dictionary_encode() for one in ("agency", column))
    agencies, names = (one.dictionary.to_pylist() for one in (agency, name))
    distinct, code = numbered(
        agency.indices.to_numpy().astype(np.int64) * len(names) + name.indices.to_numpy()
    )
    pairs = [(agencies[one // len(names)], names[one % len(names)]) for one in distinct.tolist()]
    order = sorted(range(len(pairs)), key=pairs.__getitem__)
    rank = np.empty(len(pairs), np.int64)
    rank[order] = np.arange(len(pairs))
    return Names(rank[code], tuple(pairs[position] for position in order))


def _tank(at):
    return pc.fill_null(at.column("tank_type"), len(TANKS)).to_numpy().astype(np.int64)


def _age(at):
    years = at.column("inspected_on").to_numpy().astype("datetime64[Y]").astype(np.int64) + 1970
    return _banded(years - at.column("boiler_year").to_numpy(zero_copy_only=False).astype(float), OLD_YEARS)


def _height(at):
    pressure = at.column("atmosphere_psia").to_numpy(zero_copy_only=False).astype(float)
    return _banded(-pressure, [-atmosphere_psia(height) for height in HIGH_FT])


def _banded(values, ends):
    """Position of the band of each value, the last one more for NaN."""
    return np.where(np.isnan(values), len(ends) + 1, np.searchsorted(ends, values, side="right"))


# ---- what each unit shows


@dataclass(frozen=True)
class Shown:
    """What the units show for a check, a group of checks or any.

    `shows` are NOTHING to LACKING_BAD, shape (units,); `told` the position of the share of checks told, for
    more than one check.
    """

    check_id: str
    extent: int
    shows: np.ndarray
    told: np.ndarray | None = None

    @cached_property
    def unlike_most(self):
        """(positions of the units that show, and were told, something else than most; told · SHOWN + shows of
        each; the same of most).
        """
        every = self.shows if self.told is None else (self.told * SHOWN + self.shows).astype(np.int8)
        usual = int(np.bincount(every).argmax()) if len(every) else 0
        at = np.flatnonzero(every != usual)
        return at, every[at], usual


def codes_at(visits, check_id, rows):
    """The coded results of a check at some rows of the visits."""
    return visits.column(coded(check_id)).to_numpy()[rows]


def shown(found, policy):
    """The Shown of every check of a home, then of each group of checks, then of any."""
    count, least = len(found.final), round(policy.sure_certainty * CERTAINTY_STEPS)
    sums, every = {name: _Sum(count) for name in HOME_GROUPS}, []
    for check in HOME_CHECKS:
        codes, outcome = found.codes_of_finals[check.id], found.outcomes_of_finals[check.id]
        again = found.outcomes_of_again[check.id]
        # A re-inspection speaks where the final was not telling.
        instead = np.flatnonzero((outcome[found.paired] > DEFICIENT) & (again <= DEFICIENT))
        if len(instead):
            codes, outcome = codes.copy(), outcome.copy()
            codes[found.paired[instead]] = found.codes_of_again[check.id][instead]
            outcome[found.paired[instead]] = again[instead]
        shows = SHOWN_BY_OUTCOME[outcome]
        bad = np.flatnonzero(outcome == DEFICIENT)
        shows[bad[outcomes_of_results(codes[bad])[1] >= least]] = SURELY_BAD
        sums[check.group].add(shows)
        every.append(Shown(check.id, CHECK, shows))
    sums[ANY] = _Sum(count)
    for name in HOME_GROUPS:
        sums[ANY].join(sums[name])
    return every + [sums[name].shown(name, policy.enough_readings) for name in (*HOME_GROUPS, ANY)]


class _Sum:
    """Several checks of each unit together, fewer than 128."""

    def __init__(self, count):
        self.told, self.lacking, self.worst = (np.zeros(count, np.int8) for _ in range(3))

    def add(self, shows):
        lacks = shows == LACKING
        told = np.where(lacks, NOTHING, shows)
        self.told += told > NOTHING
        self.lacking += lacks
        np.maximum(self.worst, told, out=self.worst)

    def join(self, other):
        self.told += other.told
        self.lacking += other.lacking
        np.maximum(self.worst, other.worst, out=self.worst)

    def shown(self, name, enough):
        """Counted where enough of what applies was told, whatever was found; else lacking."""
        applies = self.told + self.lacking
        share = self.told / np.maximum(applies, 1)
        short = (applies > 0) & ~at_least(share, enough)
        worst = np.where(short, np.where(self.worst >= BAD, LACKING_BAD, LACKING), self.worst)
        told = np.searchsorted(TOLD_SHARES, np.round(share, 6), side="right")
        return Shown(name, EVERY if name == ANY else GROUP, worst.astype(np.int8), told)
