"""Policies adopted, a line each in adopted.csv; one is taken back by another line, never by deletion.

The texts before and after are kept in inputs/, so that taking back restores what stood before, to the byte.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from pipelines.fleet.folder import SHA256, Fleet
from pipelines.fleet.logs import FleetError, Log, attempting, now_utc, sync, write_all
from pipelines.fleet.private import temporary


@dataclass(frozen=True, kw_only=True)
class Adopted:
    """One line of adopted.csv; `number` counts lines from 1.

    `before` and `after` are hashes of policy.toml, '' where there is none; `snapshot` is the one that it was
    tried on, '' where it was not; `takes_back` the number of the line that this one takes back, '' for none.
    """

    number: int
    at: str
    who: str
    why: str
    before: str
    after: str
    snapshot: str = ""
    takes_back: str = ""
    line_before: str = ""


def log_of(fleet: Fleet) -> Log:
    """The log of a fleet's adopted policies."""
    return Log(
        fleet.path / "adopted.csv", tuple(field.name for field in fields(Adopted)), _wrong, pinned=True
    )


def _wrong(number: int, row: Mapping[str, str]) -> str | None:
    """What makes a row no line of adopted.csv."""
    if row["number"] != str(number):
        return f"its number is '{row['number']}', not {number}"
    for name in ("before", "after"):
        if row[name] and not SHA256.fullmatch(row[name]):
            return f"{name} '{row[name]}' is not 64 hexadecimal digits"
    if row["takes_back"] and not 0 < int(row["takes_back"] if row["takes_back"].isdecimal() else 0) < number:
        return f"it takes back '{row['takes_back']}', which is no earlier line"
    return None


def read(fleet: Fleet) -> tuple[Adopted, ...]:
    """Every line in order; FleetError names one that is not as it was written."""
    rows: list[dict[str, Any]] = [*log_of(fleet).read()]
    return tuple(Adopted(**row | {"number": int(row["number"])}) for row in rows)


def hash_of(policy: bytes | None) -> str:
    """How a text of policy.toml is named here; '' for none."""
    return "" if policy is None else hashlib.sha256(policy).hexdigest()


def adopt(fleet: Fleet, text: bytes, *, base: str, who: str, why: str, snapshot: str = "") -> Adopted:
    """Put a text in the place of policy.toml, and log it first; the line as written.

    FleetError, and nothing is changed, where policy.toml is not the one of hash `base` any more, where `text`
    is that one, or where nobody or no reason is named.
    """
    _demand_named(who, why)
    with log_of(fleet).locked():
        now = _policy_now(fleet)
        if hash_of(now) != base:
            raise FleetError(
                f"{fleet.policy} was changed since this was tried: try it again on what it is now."
            )
        if now == text:
            raise FleetError(f"{fleet.policy} is that already: nothing is to be adopted.")
        return _put(fleet, now, text, who=who, why=why, snapshot=snapshot)


def take_back(fleet: Fleet, number: int, *, who: str, why: str) -> Adopted:
    """Restore policy.toml as it was before a line, and log that; the line as written.

    FleetError, and nothing is changed, where there is no such line, or policy.toml was changed after it.
    """
    _demand_named(who, why)
    with log_of(fleet).locked():
        lines = read(fleet)
        if not 0 < number <= len(lines):
            raise FleetError(
                f"{log_of(fleet).path} has no line {number}: it has {len(lines):,}; name one of these."
            )
        line, now = lines[number - 1], _policy_now(fleet)
        if hash_of(now) != line.after:
            raise FleetError(
                f"{fleet.policy} was changed after line {number}: take back what came later first, or change "
                "it by hand."
            )
        text = fleet.input_bytes(line.before) if line.before else None
        return _put(fleet, now, text, who=who, why=why, takes_back=str(number))


def _demand_named(who: str, why: str) -> None:
    for text, name in ((who, "who decides it"), (why, "a reason")):
        if not text.strip():
            raise FleetError(f"A change of policy needs {name}: it stays in the log.")


def _policy_now(fleet: Fleet) -> bytes | None:
    with attempting("read", fleet.policy):
        return fleet.policy.read_bytes() if fleet.policy.exists() else None


def _put(fleet: Fleet, now: bytes | None, text: bytes | None, **said: str) -> Adopted:
    """Keep both texts, log the change, make it; the lock of the log is held."""
    for kept in (now, text):
        if kept is not None:
            fleet.keep_input(kept)
    line = {
        "number": str(len(read(fleet)) + 1),
        "at": now_utc(),
        "before": hash_of(now),
        "after": hash_of(text),
        **said,
    }
    (written,) = log_of(fleet).write([line])
    with attempting("write", fleet.policy):
        if text is None:
            fleet.policy.unlink(missing_ok=True)
        else:
            with temporary(fleet.path) as (handle, path):
                write_all(handle, text)
                os.fsync(handle)
                os.replace(path, fleet.policy)
        sync(fleet.path)
    return Adopted(**{**written, "number": int(written["number"])})  # type: ignore[arg-type]
