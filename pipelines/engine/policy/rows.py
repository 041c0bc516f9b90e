"""The policy as rows see it: limits and accepted words of their region, in force on the day of the visit."""

from datetime import date

import numpy as np


class RowPolicy:
    """Limits as floats or, where a region or a day overrides one, as an array with a value per row."""

    def __init__(self, policy, rows=()):
        self.policy = policy
        self._kinds: list[tuple[str, str, date]] = []  # agency, region and day of distinct rows
        self._codes: np.ndarray | None = None
        if policy.regions and len(rows):
            kinds, codes = rows if isinstance(rows, tuple) else _distinct(rows)
            self._kinds = [
                (folded(agency), folded(region), *(day or (date.max,))) for agency, region, *day in kinds
            ]
            self._codes = np.asarray(codes)

    def _override(self, kind, name, default):
        """Value per distinct kind of row, or None where nothing that fits one overrides it."""
        found = [
            next(
                (
                    getattr(region, kind)[name]
                    for region in reversed(self.policy.regions)
                    if name in getattr(region, kind)
                    and folded(region.name) in ("", of_region)
                    and folded(region.agency) in ("", agency)
                    and (region.effective_from or date.min) <= day
                ),
                None,
            )
            for agency, of_region, day in self._kinds
        ]
        return (
            None
            if all(value is None for value in found)
            else [default if value is None else value for value in found]
        )

    def __getattr__(self, name):
        value = getattr(self.policy, name)
        if self._codes is None or name not in self.policy.limits:
            return value
        by_kind = self._override("limits", name, value)
        return value if by_kind is None else np.asarray(by_kind, dtype=float)[self._codes]

    def accepts(self, name, words):
        """True where the word of a row is in the accepted set `name` of its region, False where none is."""
        default = words.among(*self.policy.words(name))
        if self._codes is None or (by_kind := self._override("accepted", name, None)) is None:
            return default
        choices = [default if chosen is None else words.among(*chosen) for chosen in by_kind]
        return (
            np.choose(self._codes, choices)
            if len(choices) <= 32
            else np.array(choices)[self._codes, np.arange(len(default))]
        )

    def rows(self, chosen):
        """The same for some of the rows, by positions or a mask."""
        if self._codes is None:
            return self
        out = RowPolicy(self.policy)
        out._kinds, out._codes = self._kinds, self._codes[chosen]
        return out


def folded(text):
    """A name as names compare: blanks collapsed, without case."""
    return " ".join((text or "").split()).casefold()


def _distinct(rows):
    """(distinct rows, position of each row among them)."""
    positions: dict[tuple, int] = {}
    codes = [positions.setdefault(row, len(positions)) for row in rows]
    return list(positions), np.array(codes)
