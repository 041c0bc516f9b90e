"""What a quantity is: one record, and what its function may ask for and return.

A function names, as parameters, what it needs. Each comes as what it is: a number, of a field or a quantity,
as `Numbers` (value and gap), a word as `Words`, a date as `Dates`, anything else as the function of its
record returned it, and `policy` as the limits of these rows. It returns `Numbers` (made with `derive`, so
that the gap of the first need that has one travels along), a mask, a plain array, a `Margin`, or a function
of errors and rows, all of shape (n,).
"""

import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

Visit = Mapping[
    str, Any
]  # readings of one inspection by field (None: not recorded), and its columns and flags by name


@dataclass(frozen=True)
class Assumption:
    """What is taken where a reading is not there: in words, and whether that was so at a visit.

    A limit of the policy stands in braces by its name: "{cold_missing_f} taken".
    """

    text: str
    holds: Callable[[Visit], bool]


def without(field: str, text: str) -> Assumption:
    """What is taken where one field is not recorded."""
    return Assumption(text, lambda visit: visit[field] is None)


@dataclass(frozen=True)
class Quantity:
    """One recomputed quantity, or one step to others.

    `title` reads within a sentence. `unit` ("" for a ratio) and `decimals` are those a number is shown with,
    None for what is no number. `column`: stored and told, NULL where not known; `flag`: stored as a bit;
    `unassessed`: stored also of a system that is not assessed. `reads` is a flag and how the number reads
    where that is set: "{}" stands for the number. `only_where` says of a need in which visits it enters at
    all: (name, holds).
    """

    name: str
    function: Callable[..., Any]
    title: str
    unit: str | None = None
    decimals: int | None = None
    column: bool = False
    flag: bool = False
    unassessed: bool = False
    reads: tuple[str, str] | None = None
    assumes: tuple[Assumption, ...] = ()
    only_where: tuple[tuple[str, Callable[[Visit], bool]], ...] = ()

    @cached_property
    def needs(self) -> tuple[str, ...]:
        """Names of what the function is given, in its order."""
        return tuple(inspect.signature(self.function).parameters)

    def rests_on(self, name: str, visit: Visit) -> bool:
        """Whether a need enters this quantity at a visit."""
        return name in self.needs and dict(self.only_where).get(name, lambda visit: True)(visit)
