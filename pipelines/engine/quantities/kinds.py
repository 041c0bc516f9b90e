"""What a quantity is: one record, and what its function may ask for and return.

A function names, as parameters, what it needs, and each comes as what it is: a number, of a field or a
quantity, as `Numbers` (value and gap); a word as `Words`; a date as `Dates`; `policy` as the limits of these
rows; anything else as the function of its record returned it. It returns one of these, of shape (n,):

* `Numbers`, made with `derive`, so that the gap of the first need that has one travels along;
* a mask, or an array without gaps;
* a `Margin`;
* by a name in `_at`, a function whose last parameters are (node, rows): what the quantity is for some rows
  with the errors of some nodes (see `margins`);
* by a name in `_from`, a function of values that are not the rows' own: with errors, or one fault put right.

Each asks only for what stands before it in QUANTITIES, so that the files read from top to bottom.
"""

import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

# Readings of one inspection by field, None where not recorded, and its columns and flags by name.
Visit = Mapping[str, Any]


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
    """One recomputed quantity, or one step to others, called as its function is.

    Parameters
    ----------
    function : callable
        See the head of this file.
    title : str
        What it is, as it reads within a sentence.
    unit, decimals : str and int, or None
        How a number is shown ("" for a ratio); None for what is no number.
    column, flag : bool
        Kept in the snapshot: numbers as a column, NULL where not known, and masks as a bit of its `flags`.
    unassessed : bool
        Kept also of a system that is not assessed.
    reads : tuple of (callable, str)
        How the number reads at some visits, the first that holds at one; "{}" stands for the number.
    assumes : tuple of Assumption
        What this function itself takes where a reading is not there. What rests on it follows from the needs.
    only_where : tuple of (str, callable)
        Needs that enter the number only at some visits, and whether they do at one.
    """

    function: Callable[..., Any]
    title: str
    unit: str | None = None
    decimals: int | None = None
    column: bool = False
    flag: bool = False
    unassessed: bool = False
    reads: tuple[tuple[Callable[[Visit], bool], str], ...] = ()
    assumes: tuple[Assumption, ...] = ()
    only_where: tuple[tuple[str, Callable[[Visit], bool]], ...] = ()

    @property
    def name(self) -> str:
        return self.function.__name__

    @cached_property
    def needs(self) -> tuple[str, ...]:
        """Names of what the function is given, in its order."""
        return tuple(inspect.signature(self.function).parameters)

    def rests_on(self, name: str, visit: Visit) -> bool:
        """Whether a need enters this quantity at a visit."""
        return name in self.needs and all(holds(visit) for need, holds in self.only_where if need == name)
