"""How sure a quantity is: margins, below zero where a limit is overstepped, and errors to try them with."""

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from pipelines.engine.arrays import to_six_digits


@dataclass(frozen=True)
class Node:
    """Sets of errors, shape (nodes, 1): standard normal, or over 0 to 1 where only one side is possible."""

    charge: np.ndarray  # of the tank gauge and the tank's thermometer
    bias: np.ndarray  # of one gauge, the same cold and hot
    cold: np.ndarray  # noise of the cold pressure
    hot: np.ndarray  # noise of the hot pressure
    height: np.ndarray  # of a height guessed from stories
    atmosphere: np.ndarray  # of an elevation that is the place's
    cold_f: np.ndarray  # of a cold temperature taken where none is recorded
    charge_drift: np.ndarray  # of a charge without the tank's temperature
    cold_drift: np.ndarray  # of a cold pressure without its temperature
    fluid: np.ndarray  # of an antifreeze not recorded
    volume: np.ndarray  # of a loop's volume that is estimated


def _nodes(count=53, steps=(24, 42, 46, 1, 13, 10, 49, 15, 36, 47, 28)):
    """Equally likely nodes: a rank-1 lattice of a prime count. Each error takes each of its levels once.

    The steps are powers of 10 modulo 53, dealt to the errors so that those which meet in one margin are least
    correlated (below 0.23 for every pair).
    """
    names = tuple(Node.__dataclass_fields__)
    level = (np.arange(count)[:, None] * np.array(steps) % count + 0.5) / count
    spread = np.vectorize(NormalDist().inv_cdf)(level)
    spread = to_six_digits(spread / spread.std(axis=0))
    errors = np.where([name not in ONE_SIDED for name in names], spread, level)
    return Node(*(column[:, None] for column in errors.T))


ONE_SIDED = ("charge_drift", "cold_drift", "fluid", "volume")
NODES = _nodes()
ONE_NODE = Node(*(errors[:1] for errors in vars(NODES).values()))


class Margin:
    """A quantity that is below zero exactly where a limit is overstepped, with its uncertainty.

    Parameters
    ----------
    margin : callable
        (node, rows) → (mean, standard deviation) for the chosen rows with the errors of some nodes, of shape
        (nodes, rows), or (rows,) where no error of a node enters. What is left over is taken as normal.
    bends : array of whole numbers or bools, shape (n,), or one for all
        0 where no error goes through the nodes, so that every node gives the same; else errors bend the
        margin (the kink of the gas balance, estimates, one-sided drifts). Equal numbers say the same errors:
        inspections with the same ones are worked out together.
    """

    def __init__(self, margin, bends=1):
        self.margin, self.bends = margin, bends

    def chance_below_zero(self, rows):
        """Probability that the true margin is below zero, for the chosen rows (positions), one each.

        Every node is tried where the margin bends: a few, however spread, do not show where it leaps.
        """
        bends = np.broadcast_to(at(self.bends, rows), rows.shape)
        straight, bent, chance = np.flatnonzero(bends == 0), np.flatnonzero(bends), np.empty(len(rows))
        chance[straight] = _normal_share(self._steps(ONE_NODE, rows[straight])).ravel()
        bent = bent[np.argsort(bends[bent], kind="stable")]
        for start in range(0, len(bent), ROWS_AT_ONCE):
            here = bent[start : start + ROWS_AT_ONCE]
            steps = self._steps(NODES, rows[here])
            chance[here] = _added(_normal_share(steps)) / len(steps)
        return chance

    def _steps(self, node, rows):
        """Standard deviations by which the margin lies below zero, shape (nodes, rows) or (rows,)."""
        with np.errstate(divide="ignore", invalid="ignore"):
            mean, sigma = self.margin(node, rows)
            steps = mean / -sigma
            np.copyto(steps, 0.0, where=np.isnan(steps) | (np.abs(mean) < 1e-9))
        return steps


class OneOf:
    """Several margins, each for the rows that only it speaks of.

    Parameters
    ----------
    otherwise : Margin
        For all other rows.
    *others : (mask, Margin or float)
        Masks exclude one another; a float, or one per inspection, is the chance itself.
    """

    def __init__(self, otherwise, *others):
        self.otherwise, self.others = otherwise, others

    def chance_below_zero(self, rows):
        """As of a Margin."""
        chance, left = np.empty(len(rows)), np.ones(len(rows), bool)
        for mask, other in self.others:
            here = np.flatnonzero(mask[rows])
            if len(here):
                told = isinstance(other, Margin)
                chance[here] = other.chance_below_zero(rows[here]) if told else at(other, rows[here])
            left[here] = False
        chance[left] = self.otherwise.chance_below_zero(rows[left])
        return chance


def _normal_share(steps):
    """Share of a normal distribution below so many standard deviations (overwritten), within 1e-6.

    Straight lines in a table, several times as fast as a function of each number.
    """
    along = np.clip(steps, -REACH, REACH, out=steps)
    along += REACH
    along *= LINES_A_STEP
    line = along.astype(np.intp)
    along -= line
    along *= RISES.take(line)
    along += SHARES.take(line)
    return along


REACH, LINES_A_STEP = 8, 256
SHARES = to_six_digits(
    [NormalDist().cdf(line / LINES_A_STEP) for line in range(-REACH * LINES_A_STEP, REACH * LINES_A_STEP + 2)]
)
RISES = np.diff(SHARES)


def _added(chances):
    """Sum over nodes in their order; NumPy takes another for one row than for many, and so other bits."""
    total = chances[0].copy()
    for chance in chances[1:]:
        total += chance
    return total


ROWS_AT_ONCE = 1024  # so few that all their nodes stay in the processor's cache


def normal_margin(mean, sigma):
    """A margin whose error is normal: arrays of shape (n,)."""
    return Margin(lambda node, rows: (at(mean, rows), at(sigma, rows)), bends=False)


def both(one, other):
    """Standard deviation of the sum of two independent errors.

    NumPy's hypot, which takes twenty times as long, also serves numbers whose squares no double holds.
    """
    return np.sqrt(one * one + other * other)


def at(value, rows):
    """`value` for the chosen rows; a scalar serves every row."""
    return value if np.ndim(value) == 0 else value[rows]
