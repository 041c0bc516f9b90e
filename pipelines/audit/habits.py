"""Habits of reading: how often an inspector's readings show something, against those of others.

Odd readings (the evidence checks), digits that are preferred, and how many of the usual readings are taken.
What is expected are the shares of the agency's other inspectors, before and after work apart. Probabilities
are exact binomial, and allow for how far others' shares are known, for how much inspectors differ anyway
where there are enough of them, and for readings of one visit that lack together.
"""

from typing import Any

import numpy as np
import pyarrow as pa

from pipelines.audit import chance
from pipelines.audit.side_by_side import NOBODY, word
from pipelines.engine.arrays import to_six_digits
from pipelines.engine.codes import coded
from pipelines.engine.results import DEFICIENT

ODD = (
    "precharge-under-pressure",
    "precharge-echoes-system",
    "readings-repeated",
    "pressure-did-not-rise",
    "cold-reading-hot",
)
WHOLE = "{0} = round({0})"
# How digits may be preferred: as SQL of a reading, what of (also SQL), and which readings are asked.
DIGITS = {
    "whole": (WHOLE, "{0} IS NOT NULL", ("cold_pressure_psig", "hot_pressure_psig", "precharge_psig")),
    "twelve": ("{0} = 12", WHOLE, ("cold_pressure_psig", "precharge_psig")),
    "fives": (
        "round({0} / 5) * 5 = {0}",
        WHOLE,
        (
            "cold_pressure_psig",
            "hot_pressure_psig",
            "precharge_psig",
            "cold_temperature_f",
            "hot_temperature_f",
        ),
    ),
}
RECORDED = "recorded"
TAKEN = (  # what anybody can read at any closed loop
    "cold_pressure_psig",
    "cold_temperature_f",
    "hot_pressure_psig",
    "hot_temperature_f",
    "high_limit_f",
    "pressure_read_with",
    "fill_setting_psig",
    "leaks_seen",
    "relief_present",
    "vent_cap",
    "backflow_device",
    "tank_type",
)
RECORDED_OF_TAKEN = " + ".join(f"(r.{field} IS NOT NULL)::BIGINT" for field in TAKEN)


def _shown(hot_water):
    """What shows each habit and what of, as SQL of readings `r` and results `j`; of what is recorded,
    visits that lack some. `hot_water` is what the heating system of a closed loop is called there.
    """
    found = {}
    for check in ODD:
        outcome = f"(j.{coded(check)} & 3)"
        found[check] = (f"{outcome} = {DEFICIENT}", f"{outcome} <= {DEFICIENT}")
    for how, (shows, counts, fields) in DIGITS.items():
        for field in fields:
            found[f"{how}__{field}"] = (shows.format(f"r.{field}"), counts.format(f"r.{field}"))
    found[RECORDED] = (f"{RECORDED_OF_TAKEN} < {len(TAKEN)}", f"r.heating_system = {hot_water}")
    return found


SHOWN = _shown("'hot_water'")
SHOWN_BY_POSITIONS = _shown(word("heating_system", "hot_water"))  # where words are positions
HABITS = tuple(SHOWN)
OF_RESULTS, OF_READINGS = ODD, HABITS[len(ODD) :]
BITS_EACH = 2  # of what a visit tells of a habit
TOLD_BITS = BITS_EACH * len(OF_READINGS) + len(TAKEN).bit_length()
ROUNDS = 12
FARTHEST = 30.0  # deviates; beyond it a probability is no number any more


def habits(both, policy):
    """The rows of `habits`, an Arrow table: one per agency, inspector and habit of which there is a reading.

    `readings` of which `observed` show it; `expected` by others' shares. That and `adjusted_p` are NULL where
    there is nobody to compare with, `adjusted_p` also where there are too few readings. `beyond_chance` where
    more show it than chance gives (fewer of what is recorded); whoever is told of a habit, the clearest
    first, is no measure of it for the others.
    """
    names, counts = _counts(both)
    agency = np.array([sorted({one for one, _ in names}).index(one) for one, _ in names], np.int64)
    told = np.zeros((len(names), len(HABITS)), bool)
    for _ in range(ROUNDS):
        expected, adjusted, p = _held_against_others(counts, agency, told, policy)
        of, shown = counts[1].sum(1), counts[0].sum(1)
        with np.errstate(invalid="ignore"):
            worse = np.where(
                np.arange(len(HABITS)) == HABITS.index(RECORDED), shown < expected, shown > expected
            )
            beyond = (adjusted <= policy.false_discoveries) & worse
        new = _clearest(np.where(beyond & ~told, p, np.nan), agency)
        if not new.any():
            break
        told |= new
    who, habit = np.nonzero(of)
    return pa.table(
        {
            "agency": pa.array([names[one][0] for one in who], pa.string()),
            "inspector": pa.array([names[one][1] for one in who], pa.string()),
            "habit": pa.array(HABITS, pa.string()).take(pa.array(habit)),
            "readings": pa.array(of[who, habit]),
            "observed": pa.array(shown[who, habit]),
            "expected": pa.array(expected[who, habit], from_pandas=True),
            "adjusted_p": pa.array(adjusted[who, habit], from_pandas=True),
            "beyond_chance": pa.array(beyond[who, habit]),
        }
    )


def _held_against_others(counts, agency, told, policy):
    """(expected, adjusted p, p) of each name and habit; whoever is `told` of a habit is no measure of it."""
    shown, of, squares = counts  # (names, sides, habits)
    measure = ~told[:, np.newaxis, :]
    others_shown, others = (
        _of_agencies(one * measure, agency)[agency] - one * measure for one in (shown, of)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(others > 0, (others_shown + 0.5) / (others + 1.0), np.nan)
        expected = np.where(of > 0, share * of, 0.0).sum(1)
        known_by = np.where(of > 0, of**2 / np.maximum(others, 1), 0.0).sum(1) / of.sum(1)
    alike = _together(agency, shown.sum(1), of.sum(1), squares.sum(1))
    shown, of = shown.sum(1), of.sum(1)
    deviates, error = _deviates(shown, of, expected, known_by, alike)
    tested = (of >= policy.few_visits) & np.isfinite(expected)
    widened = _widened(deviates, error, tested, agency, policy)
    p = np.where(tested, chance.two_sided(deviates / widened), np.nan)
    adjusted = chance.adjusted(p.ravel(), np.repeat(agency, len(HABITS))).reshape(p.shape)
    return to_six_digits(expected), adjusted, p


def _clearest(p, agency):
    """Of each agency and habit the name with the smallest p, the first of equals; NaN is none."""
    new = np.zeros(p.shape, bool)
    for one in np.unique(agency):
        rows = np.flatnonzero(agency == one)
        least = np.where(np.isnan(p[rows]), np.inf, p[rows])
        habit = np.flatnonzero(np.isfinite(least).any(0))
        new[rows[least[:, habit].argmin(0)], habit] = True
    return new


def _counts(both):
    """(agency, inspector) of each name in order; (shown, of, squares) of shape (names, 2, habits).

    The sides are before and after work; `squares` of how many of TAKEN a visit records, else 0.
    """
    names, who = both.readers
    judged = both.judged(
        ["coalesce(inspection_kind IN ('final', 'qa'), false) AS after", f"{_told(OF_RESULTS)} AS told"]
    )
    recorded = both.numbers([f"{_told(OF_READINGS)} AS told"])["told"][both.place]
    known = np.flatnonzero(who != NOBODY)
    side = (2 * who + judged.column("after").to_numpy(zero_copy_only=False))[known]
    found = np.zeros((3, len(names) * 2, len(HABITS)), np.int64)
    for habits, told in ((OF_RESULTS, judged.column("told").to_numpy()), (OF_READINGS, recorded)):
        # Most visits tell what many others do: each kind of them is counted once.
        alike, times = np.unique(side << TOLD_BITS | told[known], return_counts=True)
        of_side, told = alike >> TOLD_BITS, alike & (1 << TOLD_BITS) - 1
        for position, habit in enumerate(habits):
            asked = np.flatnonzero(told >> BITS_EACH * position & 1)
            shows = told[asked] >> BITS_EACH * position + 1
            parts: tuple[Any, ...] = (shows & 1, 1, 0) if habit != RECORDED else (shows, len(TAKEN), shows**2)
            for part, values in enumerate(parts):
                np.add.at(found[part, :, HABITS.index(habit)], of_side[asked], values * times[asked])
    read = np.flatnonzero(np.bincount(who[known], minlength=len(names)))
    found = found.reshape(3, len(names), 2, len(HABITS))[:, read]
    return [names[one] for one in read], tuple(found)


def _told(habits):
    """SQL of what a visit tells of some habits, as bits of a number: of each in its place whether it counts,
    and whether it shows it; of what is recorded, which stands last, how many.
    """
    pieces = []
    for position, habit in enumerate(habits):
        shows, counts = SHOWN_BY_POSITIONS[habit]
        one = 1 << BITS_EACH * position
        shown = f"CASE WHEN {shows} THEN {3 * one} ELSE {one} END"
        if habit == RECORDED:
            shown = f"{one} + {2 * one} * ({RECORDED_OF_TAKEN})"
        pieces.append(f"CASE WHEN {counts} THEN {shown} ELSE 0 END")
    return f"({' + '.join(pieces)})::BIGINT"


def _of_agencies(values, agency):
    """Sums over the names of each agency."""
    found = np.zeros((int(agency.max(initial=-1)) + 1, *values.shape[1:]), np.int64)
    np.add.at(found, agency, values)
    return found


def _together(agency, shown, of, squares):
    """How many readings of a visit lack or stand together: over 1 where the variance of a visit's count is
    that much above a binomial one, in the whole agency; 1 for what is read once.
    """
    shown, of, squares = (_of_agencies(one, agency)[:, -1].astype(float) for one in (shown, of, squares))
    visits = of / len(TAKEN)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = shown / of
        variance = squares / visits - (shown / visits) ** 2
        more = np.maximum(variance / (len(TAKEN) * share * (1.0 - share)), 1.0)
    alike = np.ones((len(of), len(HABITS)))
    alike[:, -1] = to_six_digits(np.where(np.isfinite(more), more, 1.0))
    return alike[agency]


def _deviates(shown, of, expected, known_by, alike):
    """(deviates from the expectation, allowing for how far it is known; the error of the share)."""
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = to_six_digits(expected / of)
        error = np.sqrt(rate * (1.0 - rate) * alike / of)
        deviates = np.clip(chance.deviation(shown / alike, of / alike, rate), -FARTHEST, FARTHEST)
    return to_six_digits(deviates / np.sqrt(1.0 + known_by)), error * np.sqrt(1.0 + known_by)


def _widened(deviates, error, tested, agency, policy):
    """How much wider than chance alone, for how much the inspectors of an agency differ in each habit."""
    habit = np.broadcast_to(np.arange(len(HABITS)), deviates.shape)
    group = agency[:, np.newaxis] * len(HABITS) + habit
    groups = (int(agency.max(initial=-1)) + 1) * len(HABITS)
    used = tested & (error > 0)
    _, between = chance.over_dispersion(deviates[used], to_six_digits(error[used]), group[used], groups)
    enough = np.bincount(group[used], minlength=groups) >= policy.few_crews
    between = np.where(enough, np.nan_to_num(between), 0.0)[group]
    return chance.widening(np.nan_to_num(error), between)
