"""A job: the measures to carry out at one system of a home."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Job:
    """Work at one system; `system_id` is empty for a home's only one.

    `measures` are ids in the order of the policy. `cost` in dollars and `hours` of a crew are those of the
    measures and, at the first system of a home, of the trip, which all measures at a home share.
    """

    agency: str
    home_id: str
    system_id: str
    measures: tuple[str, ...]
    cost: float
    hours: float
