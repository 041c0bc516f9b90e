"""The draw of a random sample, stratified, from a seed: anyone who has the frame can make it again by hand.

Within a stratum units stand in the order of their number: the SHA-256 of the seed, agency, home, system and
job, a line each, no line end after the last. The first ones are drawn, the next ones are the alternates.
Python's and NumPy's generators are not asked: no other version of them changes a sample.
"""

import hashlib
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from pipelines.audit.chance import smallest_sample

ALTERNATES = 1  # for each unit drawn of a stratum
FEWEST_ALTERNATES = 2  # of a stratum, as far as there are units


@dataclass(frozen=True)
class Drawn:
    """Units drawn, by position in the frame: strata in their order, in each those drawn, then alternates.

    `order` counts from 1 among those drawn of a stratum, and anew among its alternates. `size` and `drawn`
    are of each stratum; its weight, the units of the frame that one drawn stands for, is size over drawn.
    """

    unit: np.ndarray
    stratum: np.ndarray
    order: np.ndarray
    alternate: np.ndarray
    size: np.ndarray
    drawn: np.ndarray


def number_of(seed: int, key: Sequence[str]) -> str:
    """Where a unit (agency, home, system, job) stands in the order of a seed, as hexadecimal digits."""
    return hashlib.sha256("\n".join((str(seed), *key)).encode()).hexdigest()


def hash_of_frame(rows: Iterable[Sequence[str]]) -> str:
    """SHA-256 of a frame in its order: a line per unit, its texts joined by tabs, a line end after each."""
    return hashlib.sha256("".join("\t".join(row) + "\n" for row in rows).encode()).hexdigest()


def allocated(sizes: np.ndarray, size: int) -> np.ndarray:
    """How many of `size` to draw from strata of these sizes, shape (strata,): proportional, in whole units.

    Whole parts first, then one each by the largest remainder, the earlier stratum where two are equal; a
    stratum that comes out empty then takes one from that which has most beyond its part. Wants at least as
    many as there are strata and no more than there are units.
    """
    sizes = np.asarray(sizes, np.int64)
    total = int(sizes.sum())
    if not len(sizes) <= size <= total:
        raise ValueError(f"{size} of {total} units cannot be drawn from each of {len(sizes)} strata")
    drawn, rest = np.divmod(sizes * size, total)
    left = size - int(drawn.sum())
    drawn[np.argsort(-rest, kind="stable")[:left]] += 1
    for empty in np.flatnonzero(drawn == 0):
        beyond = np.where(drawn > 1, drawn * total - sizes * size, np.iinfo(np.int64).min)
        drawn[np.argmax(beyond)] -= 1
        drawn[empty] = 1
    return drawn


def strata_of(keys: Sequence[tuple[str, str]], size: int) -> tuple[list[tuple[str, ...]], np.ndarray]:
    """(names of the strata in order, stratum of each unit) for units of these (agency, crew).

    A stratum is a crew of an agency; an agency, where there are more crews than units to draw; all, named (),
    where there are more agencies. So every unit can be drawn, whichever crew worked on it.
    """
    names = _strata(set(keys), size)
    position = {name: number for number, name in enumerate(names)}
    parts = len(names[0])
    return names, np.array([position[key[:parts]] for key in keys], np.int64)


def _strata(crews: Iterable[tuple[str, ...]], size: int) -> list[tuple[str, ...]]:
    for parts in (2, 1, 0):
        names = sorted({key[:parts] for key in crews})
        if len(names) <= size:
            break
    return names


def discovery_size(keys: Sequence[tuple[str, str]], bad: int) -> int:
    """Fewest units to draw so that, were `bad` of the frame bad, one at least is drawn: 95 % sure.

    Wherever they stand: where crews are drawn from at somewhat different shares it is a few more than the
    hypergeometric size of the frame as a whole.
    """
    crews = Counter(keys)
    for size in range(int(smallest_sample(len(keys), bad)), len(keys)):
        names = _strata(crews, size)
        of_stratum = dict.fromkeys(names, 0)
        for key, count in crews.items():
            of_stratum[key[: len(names[0])]] += count
        sizes = np.array([*of_stratum.values()], np.int64)
        if len(names) == 1 or most_bad_of_strata(sizes, allocated(sizes, size)) < bad:
            return size
    return len(keys)


def draw(numbers: Sequence[str], stratum: np.ndarray, drawn: np.ndarray) -> Drawn:
    """So many `drawn` of each stratum by the order of `numbers`; `stratum` is that of each unit, from 0."""
    by_number = np.lexsort((np.asarray(numbers), stratum))
    sizes = np.bincount(stratum, minlength=len(drawn))
    rank = np.arange(len(by_number)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    of = drawn[stratum[by_number]]
    more = np.maximum(of * ALTERNATES, FEWEST_ALTERNATES)
    taken = rank < of + more
    unit, rank, of = by_number[taken], rank[taken], of[taken]
    alternate = rank >= of
    return Drawn(unit, stratum[unit], np.where(alternate, rank - of, rank) + 1, alternate, sizes, drawn)


def most_bad_of_strata(sizes, visited, level=0.95):
    """Most bad units in all strata together, wherever they stand, of which a sample with none leaves likely.

    With more, none bad among `visited` of each stratum would have a probability of 1 - level or less. Exact:
    each bad one more lowers that probability the less, the more of a stratum are sound; so the worst case is
    reached by placing one after the other where it lowers it least.
    """
    sizes, visited = np.asarray(sizes, np.int64), np.asarray(visited, np.int64)
    left = [size - np.arange(size - seen, dtype=float) for size, seen in zip(sizes, visited, strict=True)]
    steps = [np.log1p(-seen / rest) for seen, rest in zip(visited, left, strict=True)]
    every = np.sort(np.concatenate([np.zeros(0), *steps]))[::-1]
    return int(np.searchsorted(-np.cumsum(every), -np.log(1.0 - level) * (1.0 - 1e-12), side="left"))
