"""Where crews, inspectors, regions and agencies stand: what was found against what chance would give.

Compared are names within an agency (agencies within the fleet), each with what the model of the case mix
expects of its houses. The error of a share is the binomial one, less what the name's own part in the
expectation takes away, and more where names differ among each other beyond chance (over-dispersion, from
eight on): limits and probabilities are stretched by the same factor.

False discoveries are held down within an agency, apart for checks, groups of checks and any: who acts on a
standing is the agency, and what another one sends in must not change it; the three are three questions, and a
single answer to the broadest should not pay for the many of the narrowest.
"""

from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from pipelines.audit import chance
from pipelines.audit.case_mix import Groups, Houses, calibration, expected, fit
from pipelines.audit.side_by_side import numbered
from pipelines.audit.units import (
    BAD,
    CHECK,
    EVERY,
    FINE,
    SHOWN,
    SURELY_BAD,
    TERMS,
    TERMS_OF_GROUPS,
    TOLD,
    Names,
)
from pipelines.engine.arrays import at_least, to_six_digits

STANDINGS = ("as expected", "worse", "better", "too few", "not enough readings", "not separable")
AS_EXPECTED, WORSE, BETTER, TOO_FEW, TOO_LITTLE, NOT_SEPARABLE = range(len(STANDINGS))
# Why a name is not separable from its houses; or that it would be worse, or better, whatever the readings
# that lack had shown.
WHY = ("few to compare", "own territory", "worse in the best case", "better in the worst case")
FEW_TO_COMPARE, OWN_TERRITORY, WORSE_AT_BEST, BETTER_AT_WORST = range(len(WHY))
NO_WHY = len(WHY)
LEAST_LEFT = 0.05  # of the variance, in the place of a name that is all but alone in its houses
NUMBERS = (
    "visits",
    "observed",
    "observed_sure",
    "expected",
    "rate",
    "shrunken_rate",
    "shrunken_low",
    "shrunken_high",
    "low95",
    "high95",
    "low998",
    "high998",
    "adjusted_p",
    "not_verified",
    "standing",
    "why",
    "own_low95",
    "own_high95",
    "rate_best",
    "rate_worst",
    "spread",
)


@dataclass(frozen=True)
class Compared:
    """Names that are compared with each other: (agency, name) of each, and its groups of houses.

    `family` is a code of those compared with each other. `groups` stand once for checks and once, as often
    again as there are shares of checks told, for groups of checks. `others` is the share of the work in the
    name's territory that others did, 1 where it has none.
    """

    names: tuple[tuple[str, str], ...]
    family: np.ndarray
    groups: Groups
    groups_told: Groups
    group_of_unit: np.ndarray
    others: np.ndarray


@dataclass(frozen=True)
class Level:
    """What one model knows of houses, without and with the share of checks told, and who is held to it."""

    houses: Houses
    houses_told: Houses
    compared: tuple[Compared, ...]


def levels(units):
    """The three models: of regions within agencies, for crews and inspectors; of agencies, for regions; of
    none of them, for agencies.
    """
    agency = units.agency_of_place[units.place_of_kind]
    regions = Names(units.place_of_kind[units.kind], units.places)
    agencies = Names(agency[units.kind], tuple((name, name) for name in units.agencies))
    within_regions = (units.houses(), units.houses(told=True))
    within_agencies = (units.houses_of_agencies(), units.houses_of_agencies(told=True))
    everywhere = (units.houses_of_all(), units.houses_of_all(told=True))
    crews, inspectors = (
        _compared(units, names, _agencies(units, names), within_regions, units.place_of_kind)
        for names in (units.crews, units.inspectors)
    )
    return (
        Level(*within_regions, (crews, inspectors)),
        Level(*within_agencies, (_compared(units, regions, _agencies(units, regions), within_agencies),)),
        Level(
            *everywhere, (_compared(units, agencies, np.zeros(len(units.agencies), np.int64), everywhere),)
        ),
    )


def _agencies(units, names):
    return np.array([units.agencies.index(agency) for agency, _ in names.pairs], np.int64)


def _compared(units, names, family, houses, territory=None):
    """The Compared of Names; `territory` is that of each kind of house, where others may work, too."""
    kinds = len(units.place_of_kind)
    distinct, at = numbered(names.code * kinds + units.kind)
    name, kind = np.divmod(distinct, max(kinds, 1))
    groups = Groups(name, kind, houses[0])
    told = Groups(
        np.repeat(name, TOLD), np.repeat(kind * TOLD, TOLD) + np.tile(np.arange(TOLD), len(kind)), houses[1]
    )
    others = np.ones(len(names.pairs))
    if territory is not None:
        others = _others(groups, np.bincount(at, minlength=len(distinct)), territory)
    return Compared(names.pairs, family, groups, told, at, others)


def _others(groups, units, place):
    """Share of the units in a name's territory, by its own units there, that others worked at."""
    names, places = len(groups.starts), int(place.max(initial=-1)) + 1
    pair, at = np.unique(groups.name * places + place[groups.kind], return_inverse=True)
    name, place = np.divmod(pair, max(places, 1))
    own = np.bincount(at, units, len(pair))
    there = np.bincount(place, own, places)[place]
    shared = np.bincount(name, own * (there - own) / there, names)
    return to_six_digits(shared / np.bincount(name, own, names))


@dataclass(frozen=True)
class Counts:
    """One row per name and check, arrays of one length: who, of what, and whole numbers of units.

    `bad_lacking` are those of `lacking` at which a deficiency was found all the same.
    """

    name: np.ndarray
    check: np.ndarray
    extent: np.ndarray
    visits: np.ndarray
    observed: np.ndarray
    sure: np.ndarray
    lacking: np.ndarray
    bad_lacking: np.ndarray
    expected: np.ndarray
    left: np.ndarray


NO_COUNTS = (*(np.empty(0, np.int64) for _ in range(8)), np.empty(0), np.empty(0))  # the columns of Counts


def counted(units, every, all_levels):
    """From what the units show (`every` Shown): check ids, Counts of each Compared in order, and the rows of
    case_mix.
    """
    alone = [(one.check_id, TERMS if one.told is None else TERMS_OF_GROUPS) for one in every]
    mixes = [(*one, 0, 0, *[np.nan] * 3) for one in alone]
    found: list[list] = [[NO_COUNTS] for level in all_levels for _ in level.compared]
    for several in (False, True):  # checks, then what is told of several together
        of = [
            place for place, one in enumerate(every) if (one.told is not None) == several and one.shows.any()
        ]
        if not of:  # they applied to no unit
            continue
        fits, counts = _fitted([every[place] for place in of], units, all_levels, TOLD if several else 1)
        for place, fit_of_it in zip(of, fits, strict=True):
            mixes[place] = (*alone[place], *fit_of_it)
        for rows, of_who in zip(found, counts, strict=True):
            rows += [_counts(place, every[place].extent, *one) for place, one in zip(of, of_who, strict=True)]
    joined = [Counts(*(np.concatenate(values) for values in zip(*rows, strict=True))) for rows in found]
    return [one.check_id for one in every], joined, mixes


def _fitted(some, units, all_levels, times):
    """Of some Shown with as many shares of checks told: (units, deficient and how well the model fits) of
    each; by Compared, for each of them, how many units of each group show what, the groups and the Model.
    """
    kinds = len(units.place_of_kind) * times
    of_kinds = np.stack(_tables(some, units.kind, times, kinds))
    bad = of_kinds[:, :, BAD] + of_kinds[:, :, SURELY_BAD]
    of = of_kinds[:, :, FINE] + bad
    fits, counts = [], []
    for level in all_levels:
        models = fit(bad, of, level.houses if times == 1 else level.houses_told)
        if level is all_levels[0]:
            for bad_of_it, of_it, model in zip(bad, of, models, strict=True):
                fits.append(
                    (int(of_it.sum()), int(bad_of_it.sum()), *calibration(bad_of_it, of_it, model.rate))
                )
        for who in level.compared:
            groups = who.groups if times == 1 else who.groups_told
            if len(groups.kind) == kinds:  # each kind of house is of one name
                tables = of_kinds[:, groups.kind]
            else:
                tables = _tables(some, who.group_of_unit, times, len(groups.name))
            counts.append([(table, groups, model) for table, model in zip(tables, models, strict=True)])
    return fits, counts


def _tables(some, code, times, count):
    """How many units of each code, with the share of checks told, show what: a table (count, SHOWN) each.

    Only those that show something else than most do are looked at one by one.
    """
    width, codes = times * SHOWN, count // times
    units = np.bincount(code, minlength=codes)
    tables = []
    for one in some:
        at, shows, usual = one.unlike_most
        table = np.bincount(code[at] * width + shows, minlength=codes * width).reshape(codes, width)
        table[:, usual] = units - table.sum(1)
        tables.append(table.reshape(count, SHOWN))
    return tables


def _counts(position, extent, table, groups, model):
    """The columns of Counts of one check, for the names to which it applied."""
    expects, left = expected(model, table[:, FINE] + table[:, BAD] + table[:, SURELY_BAD], groups)
    whole = groups.of_names(table)
    keep = np.flatnonzero(whole[:, FINE:].any(1))
    fine, bad, sure, lacking, bad_lacking = whole[keep, FINE:].T
    return (
        keep,
        np.full(len(keep), position),
        np.full(len(keep), extent),
        fine + bad + sure,
        bad + sure,
        sure,
        lacking + bad_lacking,
        bad_lacking,
        expects[keep],
        left[keep],
    )


@dataclass(frozen=True)
class Ground:
    """What Counts are judged by, arrays of their length.

    `alone`: nobody to be compared with in its houses; `too_little`: enough units, too few of them told;
    `stands`: neither, and enough visits. `middle` is the expected share, NaN where alone, `error` its
    binomial error, `between` the variance between names beyond chance, `widened` how much limits stretch.
    `within` is a code of those compared on one check.
    """

    of: np.ndarray
    bad: np.ndarray
    lacking: np.ndarray
    alone: np.ndarray
    too_little: np.ndarray
    stands: np.ndarray
    within: np.ndarray
    middle: np.ndarray
    error: np.ndarray
    between: np.ndarray
    widened: np.ndarray


def _ground(who, counts, policy):
    of, bad, lacking = (one.astype(float) for one in (counts.visits, counts.observed, counts.lacking))
    enough = at_least(of / (of + lacking), policy.enough_readings)
    alone = ~(at_least(who.others, policy.others_share)[counts.name] & (counts.left >= LEAST_LEFT))
    stands = (of >= policy.few_visits) & enough & ~alone
    with np.errstate(invalid="ignore", divide="ignore"):
        middle = np.where(alone, np.nan, np.clip(counts.expected / of, 0.0, 1.0))
        error = np.sqrt(middle * (1.0 - middle) / of)
        apart = bad / of - middle
    within = who.family[counts.name] * (int(counts.check.max(initial=0)) + 1) + counts.check
    between = _between(apart, error * np.sqrt(counts.left), within, stands, policy.few_crews)
    return Ground(
        of,
        bad,
        lacking,
        alone,
        (of + lacking >= policy.few_visits) & ~enough,
        stands,
        within,
        middle,
        error,
        between,
        chance.widening(error, between, counts.left),
    )


def standings(who, counts, policy):
    """The columns NUMBERS of Counts as Arrow arrays by name, in the order of the Counts."""
    ground = _ground(who, counts, policy)
    of, bad, lacking, middle = ground.of, ground.bad, ground.lacking, ground.middle
    best, worst = (bad + counts.bad_lacking) / (of + lacking), (bad + lacking) / (of + lacking)
    adjusted, side = _called(who, counts, ground)
    standing, why = _words(
        who, counts, ground, np.where(adjusted <= policy.false_discoveries, side, 0), policy
    )
    with np.errstate(invalid="ignore"):
        rate = bad / of
    limits = [chance.funnel_limits(middle, of, level, ground.widened) for level in (0.95, 0.998)]
    shrunken = chance.shrunken(bad, of, middle, _weight(counts, ground))
    own = chance.exact_interval(bad, of)
    numbers = {
        "visits": counts.visits,
        "observed": counts.observed,
        "observed_sure": counts.sure,
        "expected": np.where(ground.alone, np.nan, counts.expected),
        "rate": rate,
        **dict(zip(("shrunken_rate", "shrunken_low", "shrunken_high"), shrunken, strict=True)),
        **dict(zip(("low95", "high95", "low998", "high998"), (*limits[0], *limits[1]), strict=True)),
        "adjusted_p": adjusted,
        "not_verified": counts.lacking,
        "own_low95": own[0],
        "own_high95": own[1],
        "rate_best": best,
        "rate_worst": worst,
        "spread": to_six_digits(np.sqrt(ground.between)),
    }
    columns = {name: pa.array(values, from_pandas=True) for name, values in numbers.items()}
    columns["standing"] = pa.array(STANDINGS).take(pa.array(standing))
    columns["why"] = pa.array(WHY).take(pa.array(why, mask=why == NO_WHY))
    return {name: columns[name] for name in NUMBERS}


def _called(who, counts, ground):
    """(adjusted p, NaN where nothing is told; -1, 0 or 1 for below, at or above the expectation)."""
    told = np.where(ground.too_little, ground.of + ground.lacking, ground.of)
    with np.errstate(invalid="ignore", divide="ignore"):
        error = ground.error * np.sqrt(ground.of / told)
        deviates = _deviates(ground) / chance.widening(error, ground.between, counts.left)
    # Of several checks at once the expectation leaves out units of which too little was told: no such case.
    cases = ground.too_little & ~ground.alone & (ground.of > 0) & (counts.extent == CHECK)
    p = np.where(ground.stands | cases, chance.two_sided(deviates), np.nan)
    family = who.family[counts.name] * (EVERY + 1) + counts.extent
    return chance.adjusted(p, family), np.sign(np.nan_to_num(deviates)).astype(np.int64)


def _words(who, counts, ground, called, policy):
    """Positions in STANDINGS and in WHY (NO_WHY: none), from who is `called` better (-1) or worse (1)."""
    few_to_compare = _compared_with(who, counts, policy.few_visits) < policy.few_crews
    standing = np.array([BETTER, AS_EXPECTED, WORSE])[called + 1]
    standing[few_to_compare[who.family[counts.name]] | ground.alone] = NOT_SEPARABLE
    standing[ground.of < policy.few_visits] = TOO_FEW
    standing[ground.too_little] = TOO_LITTLE
    why = np.where(standing == NOT_SEPARABLE, np.where(ground.alone, OWN_TERRITORY, FEW_TO_COMPARE), NO_WHY)
    why[ground.too_little & (called > 0)] = WORSE_AT_BEST
    why[ground.too_little & (called < 0)] = BETTER_AT_WORST
    return standing, why


def _deviates(ground):
    """Deviates that no missing reading makes.

    Above the expectation by what was told, below it only as far as what lacks beyond the share that lacks of
    those compared, taken as deficient, leaves it below. Where too little was told: of the case nearest to the
    expectation, with all that lacks ok, or all of it deficient.
    """
    _, group = np.unique(ground.within, return_inverse=True)
    applies = ground.of + ground.lacking
    share = np.bincount(group, ground.lacking)[group] / np.bincount(group, applies)[group]
    beyond = np.floor(np.maximum(ground.lacking - share * applies, 0.0))
    more = np.where(ground.too_little, ground.lacking, beyond)
    above = chance.deviation(ground.bad, np.where(ground.too_little, applies, ground.of), ground.middle)
    below = chance.deviation(ground.bad + more, ground.of + more, ground.middle)
    return np.where(above > 0, above, np.minimum(below, 0.0))


def _between(apart, error, within, stands, enough):
    """Variance between names beyond chance, for each row; NaN where too few stand on its check."""
    _, group, size = np.unique(within, return_inverse=True, return_counts=True)
    used = stands & (error > 0)
    deviates = np.divide(apart, error, out=np.zeros(len(apart)), where=used)
    _, between = chance.over_dispersion(deviates[used], error[used], group[used], len(size))
    standing = np.bincount(group[stands], minlength=len(size))
    return np.where(standing >= enough, between, np.nan)[group]


def _weight(counts, ground):
    """How many visits the expectation weighs beside a name's own.

    From how much names differ on the check across the fleet; never more than all visits it rests on, so that
    where no difference shows the interval is still that of a share that was counted.
    """
    checks = int(counts.check.max(initial=-1)) + 1
    used = ground.stands & (ground.error > 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        deviates = (ground.bad / ground.of - ground.middle) / ground.error
    _, between = chance.over_dispersion(
        deviates[used], ground.error[used], counts.check[used], checks, winsorised=0.0, lost=3
    )
    _, group = np.unique(ground.within, return_inverse=True)
    visits = np.bincount(group, ground.of)[group]
    weight = chance.strength(np.clip(ground.middle, 1e-6, 1.0 - 1e-6), between[counts.check])
    return np.where(np.isnan(weight), visits, np.minimum(weight, visits))


def _compared_with(who, counts, few):
    """How many of each family were told enough of, on any check or group, to be compared with."""
    most = np.zeros(len(who.names))
    np.maximum.at(most, counts.name, counts.visits)
    return np.bincount(who.family, most >= few, int(who.family.max(initial=-1)) + 1)
