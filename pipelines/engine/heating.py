"""Which heating system stands at a system id, visit after visit, and whether a change of it is explained.

Another heating system than before may be a furnace in the boiler's place, or a slip of the pen. It is
explained by another boiler year, by a reported measure that replaces the heating system, or by two visits on
different days that agree, with no visit between that saw what was there before.
"""

from dataclasses import dataclass

import numpy as np

HOT_WATER, NOT_RECORDED = 0, -1  # of the codes of a heating system; others are of another one each
REPLACES_IT = "replace-heating-system"  # the measure


@dataclass(frozen=True)
class Recorded:
    """What visits in order record of the heating system, arrays of shape (n,).

    `heating` codes as above, `year` of the boiler (NaN not recorded), `day` as whole days, `replaced` whether
    a measure that replaces the heating system is reported, `as_found` whether readings are of before that.
    """

    heating: np.ndarray
    year: np.ndarray
    day: np.ndarray
    replaced: np.ndarray
    as_found: np.ndarray


@dataclass(frozen=True)
class Changes:
    """What became of the heating system, per visit (n,) and per run of visits that belong together (s,).

    `odd`: another heating system than recorded before, not explained. `silent`: a visit to another system
    than hot water that ends nothing, since it is not explained. `anew`: the first visit that saw hot water
    after another system ended (the run's first visit where none did). `doubt`: whether the last change is
    not explained; `gone`: whether there is no hot-water system any more.
    """

    odd: np.ndarray
    silent: np.ndarray
    anew: np.ndarray
    doubt: np.ndarray
    gone: np.ndarray


def changes(starts, recorded):
    """Changes over visits in order; `starts` are the positions at which one run of visits begins."""
    count, starts = len(recorded.heating), np.asarray(starts, np.int64)
    odd, silent = np.zeros(count, bool), np.zeros(count, bool)
    doubt, gone = np.zeros(len(starts), bool), np.zeros(len(starts), bool)
    found = Changes(odd, silent, starts.copy(), doubt, gone)
    others = np.flatnonzero(recorded.heating > HOT_WATER)
    if len(others):
        strand = np.searchsorted(starts, np.arange(count), side="right") - 1
        concerned = np.zeros(len(starts), bool)
        concerned[strand[others]] = True
        rows = np.flatnonzero(concerned[strand] & (recorded.heating != NOT_RECORDED))
        _fill(found, rows, strand[rows], starts, recorded)
    return found


def _fill(found, rows, strand, starts, recorded):
    """Fill Changes from the visits `rows` that record a heating system, and the strand of each.

    They fall into spells: of hot water and of anything else, one after the other.
    """
    heating, at = recorded.heating[rows], np.arange(len(rows))
    hot, first_here = heating == HOT_WATER, _differs(strand)
    spell = np.cumsum(first_here | _differs(hot)) - 1
    begins = np.flatnonzero(_differs(spell))
    of, hot_spell, later = (
        strand[begins],
        hot[begins],
        ~first_here[begins],
    )  # later: something was there before
    before = np.where(later, rows[begins - 1], -1)  # the last visit that saw it
    shown = _replaced(rows, before[spell], recorded)
    shown |= _rebuilt(rows, rows[begins][spell], starts[strand], recorded)
    shown &= later[spell]
    agreed, agreed_by_now = _agreed(spell, heating, recorded.day[rows])
    told = np.where(shown | (later[spell] & agreed_by_now), at, len(rows))
    told = np.minimum.reduceat(told, begins)  # the visit of each spell that explains it
    explained = told < len(rows)
    found.silent[rows] = ~hot & later[spell] & (at < told[spell])
    # Hot water seen again after a spell that nothing explained is what was there all along.
    slip_before = np.append(False, (later & ~explained)[:-1])
    back, renewed = hot_spell & later & slip_before, np.flatnonzero(hot_spell & later & ~slip_before)
    found.odd[rows] = _differs(heating) & ~first_here & ~shown & ~agreed & ~back[spell]
    np.maximum.at(found.anew, of[renewed], rows[begins[renewed]])
    last = np.flatnonzero(np.append(of[1:] != of[:-1], True))
    found.doubt[of[last]] = (later & ~explained & ~back)[last]
    found.gone[of[last]] = (later & explained & ~hot_spell)[last]


def _differs(values):
    """Mask of those that differ from the one before; so does the first."""
    return np.append(True, values[1:] != values[:-1])


def _replaced(rows, before, recorded):
    """Whether a replacement is reported since the visit that saw what was there before."""
    reported = np.cumsum(recorded.replaced)
    at_once = recorded.replaced[before] & recorded.as_found[before]  # readings there are of before the work
    return (reported[rows] - reported[before] > 0) | at_once


def _rebuilt(rows, first, start, recorded):
    """Whether another boiler year is recorded than before the visit `first`; one long past is a slip of it.

    `start` is the first visit of the strand.
    """
    dated = ~np.isnan(recorded.year)
    latest = np.maximum.accumulate(np.where(dated, np.arange(len(dated)), -1))
    old = latest[np.maximum(first - 1, 0)]
    known = (old >= start) & (old < first)
    seen_in = recorded.day[old].astype("datetime64[D]").astype("datetime64[Y]").astype(int) + 1970
    year = recorded.year[rows]
    return known & dated[rows] & (year != recorded.year[old]) & (year >= seen_in - 1)


def _agreed(spell, heating, day):
    """Whether two visits of a spell, on different days, record the same; and whether by this visit."""
    _, first, which = np.unique(spell * 256 + heating, return_index=True, return_inverse=True)
    in_time = day > day[first][which]
    ever = np.zeros(len(first), bool)
    ever[which[in_time]] = True
    return ever[which], in_time
