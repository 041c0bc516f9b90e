"""A policy that is adopted, or taken back: checked, written, logged. It takes effect at the next build."""

from __future__ import annotations

from typing import Any

from pipelines.engine.policy import edits
from pipelines.engine.policy.edits import Edit
from pipelines.fleet import adopted
from pipelines.fleet.adopted import Adopted
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.snapshot import inputs


def proposed(fleet: Fleet, changes: tuple[Edit, ...]) -> bytes:
    """The fleet's policy.toml with values set, comments kept; PolicyError names the line that is refused."""
    before = inputs.policy_bytes(fleet) or b""
    text = edits.edited(before, str(fleet.policy), changes)
    inputs.policy_in(text, fleet.policy)
    return text


def adopt(
    viewer: Any, fleet: Fleet, text: bytes, *, base: str, who: str, why: str, snapshot: str = ""
) -> Adopted:
    """Adopt a text as the fleet's policy, as adopted.adopt; PolicyError where it cannot be used."""
    _demand_all(viewer)
    inputs.policy_in(text, fleet.policy)
    return adopted.adopt(fleet, text, base=base, who=who, why=why, snapshot=snapshot)


def take_back(viewer: Any, fleet: Fleet, number: int, *, who: str, why: str) -> Adopted:
    """Restore the policy before a line of adopted.csv, as adopted.take_back."""
    _demand_all(viewer)
    return adopted.take_back(fleet, number, who=who, why=why)


def _demand_all(viewer: Any) -> None:
    if viewer.agencies is not None:
        raise FleetError("The policy is the whole fleet's: only who may see every agency may change it.")


def base_of(fleet: Fleet) -> str:
    """The hash by which what stands in policy.toml now is told from what comes later."""
    return adopted.hash_of(inputs.policy_bytes(fleet))
