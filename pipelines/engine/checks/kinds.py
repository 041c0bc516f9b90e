"""What a check is: one record, and the few things its function may return.

A check's function names, as parameters, the fields and recomputed quantities it needs; what stands behind `*`
it may use but does not need. It returns a Band, a Fact, an Odd, or AnyOf several; never an outcome, and it
never speaks of missing values. Pressures and other numbers come as float arrays, word fields as `Words`, all
of shape (n,). `applies` is a separate function of the same manner that returns Applies.
"""

import inspect
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from pipelines.engine.arrays import Words
from pipelines.engine.margins import Margin

GROUPS = ("pressure", "tank", "relief", "potable", "controls", "evidence")


@dataclass(frozen=True)
class Doubt:
    """Where `mask` holds, `outcome` (ok, deficient or either) is not verified instead, for `reason`.

    `reason` is a text of REASONS, beside which `field` may stand, or a gap per inspection.
    """

    mask: np.ndarray
    reason: str | np.ndarray
    outcome: str = "either"
    field: str | None = None


@dataclass(frozen=True)
class Note:
    """Said beside `outcome` (ok, deficient or either) where `mask` holds; the first that fits stands."""

    mask: np.ndarray
    reason: str
    outcome: str = "either"


@dataclass(frozen=True, kw_only=True)
class Said:
    """What may be said of a whole check, beside how it is judged.

    Parameters
    ----------
    notes : tuple of Note
    least_certainty : float or array, optional
        Below it either outcome is not verified.
    graver : mask, optional
        Where a deficiency is one step of severity graver than the check's own.
    uncounted : mask, optional
        Where *not verified* leaves no gap in a home's safety.
    """

    notes: tuple[Note, ...] = ()
    least_certainty: float | np.ndarray | None = None
    graver: np.ndarray | None = None
    uncounted: np.ndarray | None = None


@dataclass(frozen=True)
class Band(Said):
    """A number that should lie between two, limits included; None leaves a side open.

    `below` and `above` fall below zero where the low or the high limit is overstepped; without them the
    number is taken as exact. `needs` names the quantities of this part inside AnyOf.
    """

    observed: np.ndarray
    low: np.ndarray | float | None = None
    high: np.ndarray | float | None = None
    below: Margin | None = None
    above: Margin | None = None
    needs: tuple[str, ...] = ()
    less: tuple[Doubt, ...] = ()


@dataclass(frozen=True)
class Fact(Said):
    """A word that should be among some: words, or a mask that is True where this row's word is acceptable.

    `certainty_ok`, `certainty_deficient`: below 1 where the word is weak evidence.
    """

    observed: Words
    among: tuple[str, ...] | np.ndarray
    certainty_ok: float | np.ndarray = 1.0
    certainty_deficient: float | np.ndarray = 1.0
    needs: tuple[str, ...] = ()
    less: tuple[Doubt, ...] = ()


@dataclass(frozen=True)
class Odd(Said):
    """A condition that should not hold.

    `chance` gives its probability at some rows (positions); without it the condition is exact.
    """

    odd: np.ndarray
    observed: np.ndarray | None = None
    chance: Callable[[np.ndarray], np.ndarray] | None = None
    needs: tuple[str, ...] = ()
    less: tuple[Doubt, ...] = ()


Part = Band | Fact | Odd


@dataclass(frozen=True)
class AnyOf(Said):
    """Deficient where any part is; ok only where every part is known and ok."""

    parts: tuple[Part, ...]


@dataclass(frozen=True)
class Applies:
    """Where a check applies, and where that cannot be told for want of `field`; elsewhere it does not."""

    yes: np.ndarray
    unknown: np.ndarray | np.bool_ = np.False_
    field: str | None = None


@dataclass(frozen=True)
class Check:
    """One check: what it is called, how it is judged, how grave it is, and what to do.

    `title` says the finding (what is wrong), `name` what was looked at, `sound` what is right where the
    outcome is ok. `spot` is the part of the drawing of a loop that it speaks of, if any. `severity` 1 to 4
    and `probability` A to E after MIL-STD-882E, both policy; None for checks about readings, which speak of
    the visit and never count in a home's state, causes, risk or plan; of these, `any_system` is said also
    where another heating system stands.
    """

    id: str
    function: Callable
    title: str
    name: str
    sound: str
    remedy: str
    source: str
    applies: Callable | None = None
    severity: int | None = None
    probability: str | None = None
    safety_critical: bool = False
    act_today: bool = False
    spot: str = ""
    any_system: bool = False
    group: str = field(default="", kw_only=True)

    @cached_property
    def needs(self):
        """Names the function cannot do without."""
        return tuple(
            p.name
            for p in inspect.signature(self.function).parameters.values()
            if p.kind is p.POSITIONAL_OR_KEYWORD
        )

    @cached_property
    def uses(self):
        """Names the function may use."""
        return tuple(
            p.name for p in inspect.signature(self.function).parameters.values() if p.kind is p.KEYWORD_ONLY
        )

    @cached_property
    def asks(self):
        """Names that `applies` asks for."""
        return tuple(inspect.signature(self.applies).parameters) if self.applies else ()

    @property
    def evidence(self):
        return self.group == "evidence"

    @property
    def about_tank(self):
        """Whether another kind of tank starts this check's history anew."""
        return self.id.startswith(("tank-", "precharge-", "predicted-"))


def grouped(group: str, checks: Iterable[Check]) -> tuple[Check, ...]:
    """The same checks, marked as of one group."""
    return tuple(replace(check, group=group) for check in checks)
