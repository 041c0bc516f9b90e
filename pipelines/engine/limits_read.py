"""Which limits of a policy each check reads: found by running it, so that no list falls behind the code."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from pipelines.engine import results
from pipelines.engine.arrays import Readings
from pipelines.engine.margins import Margin, OneOf
from pipelines.engine.policy import policy as policies
from pipelines.engine.quantities import BY_NAME as QUANTITY
from pipelines.engine.quantities import QUANTITIES
from pipelines.engine.quantities.resolver import Recomputed


@dataclass(frozen=True)
class LimitsRead:
    """Names of limits and sets of accepted words that one check reads.

    `own`: what it is held against, read by the check itself or by a quantity that it asks for. `through`:
    what else those rest on, and how sure the outcome is.
    """

    own: tuple[str, ...]
    through: tuple[str, ...]


class _Listening:
    """A policy of rows that notes which of its limits and accepted words are read."""

    def __init__(self, policy: Any) -> None:
        self._policy, self.heard = policy, dict[str, None]()

    def __getattr__(self, name: str) -> Any:
        value = getattr(self._policy, name)
        if name in self._policy.policy.limits:
            self.heard[name] = None
        return value

    def accepts(self, name: str, words: Any) -> Any:
        self.heard[name] = None
        return self._policy.accepts(name, words)

    def taken(self) -> tuple[str, ...]:
        """What was read since the last time."""
        heard, self.heard = tuple(self.heard), {}
        return heard


@lru_cache
def limits_read() -> dict[str, LimitsRead]:
    """By check id. The checks run over one inspection of which nothing is recorded."""
    policy = _Listening(policies.load().for_rows())
    recomputed = Recomputed(Readings(1, {}, {}), policy)
    of_quantity, margins = {}, set()
    for quantity in QUANTITIES:
        if isinstance(recomputed[quantity.name], Margin | OneOf):
            margins.add(quantity.name)
        of_quantity[quantity.name] = policy.taken()
    found = {}
    for check, _ in results.one_by_one(recomputed):
        read = dict.fromkeys(policy.taken())
        asked = [name for name in (*check.needs, *check.uses, *check.asks) if name in of_quantity]
        own = read | dict.fromkeys(
            limit for name in asked if name not in margins for limit in of_quantity[name]
        )
        behind = dict.fromkeys(limit for name in _behind(asked) for limit in of_quantity[name])
        found[check.id] = LimitsRead(tuple(own), tuple(limit for limit in behind if limit not in own))
    return found


def _behind(names: list[str]) -> dict[str, None]:
    """Quantities that some rest on, themselves too."""
    found: dict[str, None] = {}
    for name in names:
        if name in QUANTITY:
            found |= {name: None} | _behind(list(QUANTITY[name].needs))
    return found
