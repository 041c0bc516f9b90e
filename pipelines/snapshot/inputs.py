"""What a snapshot is made from besides the exports: policy, tables and mappings, read once, as bytes."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

from pipelines.engine import risk
from pipelines.engine.policy import policy as policies
from pipelines.engine.policy.policy import Policy, PolicyError
from pipelines.fleet.folder import Fleet, LogLine
from pipelines.fleet.logs import FleetError, attempting, is_locked
from pipelines.intake import mapping as mappings
from pipelines.intake.mapping import CANONICAL
from pipelines.snapshot import crew_names, version
from pipelines.snapshot.crew_names import Alias

# Name of an input: file in the fleet's folder.
FILES = {"policy.toml": "policy.toml", "places": "places.csv", "crews": "crews.csv"}


@dataclass(frozen=True)
class Inputs:
    """The texts of one build and what was read from them; `texts` has them by the name of the input."""

    texts: Mapping[str, bytes]
    policy: Policy
    mappings: tuple[mappings.Mapping, ...]
    crews: tuple[Alias, ...]

    @cached_property
    def hashes(self) -> dict[str, str]:
        """SHA-256 of each text, by name."""
        return {name: hashlib.sha256(text).hexdigest() for name, text in self.texts.items()}

    @property
    def places(self) -> bytes:
        """The table of places; empty where there is none."""
        return self.texts.get("places", b"")

    def keep(self, fleet: Fleet) -> None:
        """Keep the texts, so that the snapshot can be remade."""
        for text in self.texts.values():
            fleet.keep_input(text)


def read(fleet: Fleet) -> Inputs:
    """The fleet's inputs as they stand now. Raises PolicyError, MappingError or FleetError."""
    found = {name: _bytes(fleet.path / file) for name, file in FILES.items()}
    own = {path.stem: _bytes(path) for path in _mapping_files(fleet)}
    return _parsed(fleet, _present(found), _present(own))


def kept(fleet: Fleet, hashes: Mapping[str, str]) -> Inputs:
    """The inputs of an old snapshot, from the texts that were kept; FleetError where one is gone."""
    found = {name: fleet.input_bytes(hashes[name]) for name in FILES if name in hashes}
    own = {
        name.removeprefix("mapping:"): fleet.input_bytes(sha256)
        for name, sha256 in sorted(hashes.items())
        if name.startswith("mapping:") and name != f"mapping:{CANONICAL}"
    }
    return _parsed(fleet, found, own)


def with_policy(read: Inputs, text: bytes, name: object) -> Inputs:
    """The same inputs with the text of another policy.toml, which errors call `name`; PolicyError."""
    policy = policy_in(text, name)
    texts = {**read.texts, "policy": policy.text.encode(), "policy.toml": text}
    return replace(read, texts=texts, policy=policy)


def mapping_kept(fleet: Fleet, hashes: Mapping[str, str], name: str) -> mappings.Mapping:
    """The mapping of a name as a snapshot of these hashes read it; FleetError where its text is gone.

    One that the fleet no longer had by then was read as it stood when it was last loaded with.
    """
    if name == CANONICAL:
        return mappings.canonical()
    loaded_with = (line.mapping_sha256 for line in reversed(fleet.log()) if line.mapping == name)
    return mappings.parse_bytes(name, fleet.input_bytes(hashes.get(f"mapping:{name}") or next(loaded_with)))


def policy_of(fleet: Fleet) -> Policy:
    """The fleet's policy, held against the checks there are; raises PolicyError."""
    return policy_in(policy_bytes(fleet), fleet.policy)


def policy_bytes(fleet: Fleet) -> bytes | None:
    """The text of the fleet's own policy as it stands, None where it has none."""
    return _bytes(fleet.policy)


def policy_in(data: bytes | None, name: object) -> Policy:
    """The policy that a text comes to over what ships, held against the checks.

    PolicyError, which calls it `name`, where it cannot be used.
    """
    policy = policies.parse(data or b"", str(name))
    risk.refuse_unknown(policy)
    return policy


def digest_of(log: Iterable[LogLine], hashes: Mapping[str, str]) -> str:
    """12 hexadecimal digits of what a snapshot is made from."""
    said = [(line.number, line.sha256, line.mapping, line.agency, line.status) for line in log]
    text = json.dumps([said, sorted(hashes.items()), version.read_as()])
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def _parsed(fleet: Fleet, files: Mapping[str, bytes], own: Mapping[str, bytes]) -> Inputs:
    policy = policy_in(files.get("policy.toml"), fleet.policy)
    read = (mappings.canonical(), *(mappings.parse_bytes(name, data) for name, data in own.items()))
    texts = {"policy": policy.text.encode(), **files}
    texts |= {f"mapping:{one.name}": one.text.encode() for one in read}
    return Inputs(texts, policy, read, crew_names.read(files.get("crews", b""), fleet.crews))


def _bytes(path: Path) -> bytes | None:
    """What a file holds, None where there is none."""
    with attempting("read", path):
        try:
            return path.read_bytes()
        except FileNotFoundError:
            return None


def _present(found: Mapping[str, bytes | None]) -> dict[str, bytes]:
    return {name: data for name, data in found.items() if data is not None}


def _mapping_files(fleet: Fleet) -> list[Path]:
    return sorted(fleet.mappings.glob("*.toml"), key=lambda path: path.stem)


# What the current snapshot does not know of


@dataclass(frozen=True)
class Ahead:
    """What of a fleet is newer than its current snapshot: lines of the log, and inputs by file name.

    `fault` says why nobody can tell, where that is so.
    """

    log_lines: int = 0
    inputs: tuple[str, ...] = ()
    loading: bool = False
    fault: str = ""

    def __bool__(self) -> bool:
        return bool(self.log_lines or self.inputs or self.fault)

    def without_names(self) -> Ahead:
        """The same for somebody who may not know what mappings, and so agencies, there are."""
        kinds = ("a mapping" if name.startswith("mappings/") else name for name in self.inputs)
        return replace(self, inputs=tuple(dict.fromkeys(kinds)))

    def sentence(self) -> str:
        """What is ahead and what to do; '' where nothing is."""
        if self.fault or not self:
            return self.fault
        lines = f"{self.log_lines} line{'s' if self.log_lines > 1 else ''} of received.csv"
        what = ", ".join([lines] * bool(self.log_lines) + list(self.inputs))
        remedy = "a load is running, wait for its end" if self.loading else "run coldfill rebuild"
        return f"Newer than the snapshot, and not in what it shows: {what}; {remedy}."


def status(fleet: Fleet) -> dict[str, Any]:
    """What stands, as `Fleet.status` says it, what is newer than the current snapshot, and its remarks."""
    found, newer = fleet.status(), ahead(fleet)
    return found | {
        "inputs_ahead": list(newer.inputs),
        "newer": newer.sentence(),
        "remarks": _remarks(fleet.current()),
    }


def _remarks(current: Path | None) -> list[str]:
    """What a snapshot says of overrides that match nothing; none where it cannot be read."""
    from pipelines.snapshot.unmatched import unmatched

    if current is not None:
        with suppress(FleetError):
            return unmatched(version.attach(current))
    return []


def ahead(fleet: Fleet) -> Ahead:
    """What the current snapshot does not know of; nothing where there is none, or states.csv does not say."""
    files = [fleet.received_log.path, fleet.states_log.path]
    files += [*(fleet.path / file for file in FILES.values()), *_mapping_files(fleet)]
    current = fleet.current()
    if current is None:
        return Ahead()
    try:
        lines, inputs = _ahead(fleet.path.resolve(), current.name, tuple(map(_stamp, files)))
    except FleetError as error:
        return Ahead(fault=str(error))
    return Ahead(lines, inputs, bool(lines and is_locked(fleet.build_lock)))


def _stamp(path: Path) -> tuple[str, int, int, int]:
    """What changes whenever a file does."""
    try:
        stat = path.stat()
    except OSError:
        return str(path), 0, 0, 0
    return str(path), stat.st_ino, stat.st_size, stat.st_mtime_ns


@lru_cache(maxsize=16)
def _ahead(folder: Path, snapshot: str, stamps: object) -> tuple[int, tuple[str, ...]]:
    fleet = Fleet(folder)
    state = next((state for state in fleet.states() if state.snapshot == snapshot), None)
    if state is None:
        return 0, ()
    now = _hashes_now(fleet)
    changed = {name for name, _ in state.inputs.items() ^ now.items()}
    if "policy.toml" in changed or "policy" not in now:
        changed.discard("policy")
    return len(fleet.log()) - state.log_length, tuple(sorted(map(_called, changed)))


def _hashes_now(fleet: Fleet) -> dict[str, str]:
    """Hash of each input as it stands, whether a build can use it or not."""
    found = {name: _bytes(fleet.path / file) for name, file in FILES.items()}
    found[f"mapping:{CANONICAL}"] = mappings.canonical().text.encode()
    for path in _mapping_files(fleet):
        data = _bytes(path)
        with suppress(UnicodeDecodeError):
            data = mappings.text_of(data).encode() if data is not None else None
        found[f"mapping:{path.stem}"] = data
    with suppress(PolicyError, FleetError):
        found["policy"] = policy_of(fleet).text.encode()
    return {name: hashlib.sha256(data).hexdigest() for name, data in _present(found).items()}


def _called(name: str) -> str:
    """The file of an input, as a person knows it."""
    kind, _, mapping = name.partition(":")
    if mapping:
        return f"mappings/{mapping}.toml"
    return FILES.get(kind, "the policy that ships")
