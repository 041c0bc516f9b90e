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
    count = len(recorded.heating)
    odd, silent, anew = np.zeros(count, bool), np.zeros(count, bool), np.array(starts, np.int64)
    doubt, gone = np.zeros(len(starts), bool), np.zeros(len(starts), bool)
    others = np.flatnonzero(recorded.heating > HOT_WATER)
    if len(others):
        strand = np.searchsorted(starts, np.arange(count), side="right") - 1
        concerned = np.zeros(len(starts), bool)
        concerned[strand[others]] = True
        rows = np.flatnonzero(concerned[strand] & (recorded.heating != NOT_RECORDED))
        _follow(rows, strand, np.asarray(starts), recorded, odd, silent, anew, doubt, gone)
    return Changes(odd, silent, anew, doubt, gone)


def _follow(rows, strand, starts, recorded, odd, silent, anew, doubt, gone):
    """Fill the arrays of Changes from the rows that record a heating system.

    Such rows fall into spells: of hot water and of anything else, one after the other.
    """
    hot, of = recorded.heating[rows] == HOT_WATER, strand[rows]
    first_here = np.append(True, of[1:] != of[:-1])
    spell = np.cumsum(first_here | np.append(True, hot[1:] != hot[:-1])) - 1
    begins = np.flatnonzero(np.append(True, spell[1:] != spell[:-1]))
    hot_spell, later = hot[begins], ~first_here[begins]  # later: not the first of its strand
    before = np.where(later, rows[begins - 1], -1)  # the last visit that saw what was there before
    shown = later[spell] & (
        _replaced(rows, before[spell], recorded) | _rebuilt(rows, begins, spell, starts, of, recorded)
    )
    agreed, agreed_in_time = _agreed(spell, recorded.heating[rows], recorded.day[rows])
    told = np.where(shown | (later[spell] & agreed_in_time), np.arange(len(rows)), len(rows))
    told = np.minimum.reduceat(told, begins)  # the visit of each spell that explains it
    explained = told < len(rows)
    silent[rows] = ~hot & later[spell] & (np.arange(len(rows)) < told[spell])
    # Hot water seen again after a spell that nothing explained is what was there all along.
    unexplained_before = np.append(False, (later & ~explained)[:-1])
    ended_before = later & ~unexplained_before
    back = hot_spell & unexplained_before & later
    other = np.append(False, recorded.heating[rows][1:] != recorded.heating[rows][:-1]) & ~first_here
    odd[rows] = other & ~shown & ~agreed & ~back[spell]
    renewed = np.flatnonzero(hot_spell & ended_before)
    np.maximum.at(anew, of[begins[renewed]], rows[begins[renewed]])
    last = np.flatnonzero(np.append(of[begins][1:] != of[begins][:-1], True))
    doubt[of[begins[last]]] = (later & ~explained & ~back)[last]
    gone[of[begins[last]]] = (~hot_spell & later & explained)[last]


def _replaced(rows, before, recorded):
    """Whether a replacement is reported since the visit that saw what was there before."""
    reported = np.cumsum(recorded.replaced)
    at_once = recorded.replaced[before] & recorded.as_found[before]  # readings there are of before the work
    return (reported[rows] - reported[before] > 0) | at_once


def _rebuilt(rows, begins, spell, starts, of, recorded):
    """Whether another boiler year is recorded than before; one long past is a slip of the year."""
    dated = ~np.isnan(recorded.year)
    latest = np.maximum.accumulate(np.where(dated, np.arange(len(dated)), -1))
    old = latest[np.maximum(rows[begins] - 1, 0)][spell]
    known = (old >= starts[of]) & (old < rows)
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
