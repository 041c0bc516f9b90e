"""Re-inspection samples drawn, in samples/: a file for each draw and each replacement, never changed.

A file is named by its day and seed and by the first digits of its own hash, so that `verify` proves it. A
replacement names the sample that it belongs to and the same snapshot, so that both go with a purge.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines.fleet.logs import FleetError, attempting, locked, now_utc, write_all
from pipelines.fleet.private import private_folder, settle, temporary

if TYPE_CHECKING:
    from pipelines.fleet.folder import Fleet

DIGITS = 12
NAMED = re.compile(r"(\d{4}-\d\d-\d\d-\d+-[0-9a-f]{12})(?:-replaced-(\d+)-[0-9a-f]{12})?\.json", re.ASCII)
WAIT_S = 60.0
UNIT = ("agency", "home_id", "system_id", "job_number")

Home = dict[str, Any]


@dataclass(frozen=True)
class Sample:
    """A sample as drawn, by its name, and its replacements in order; both are documents as they were kept."""

    name: str
    drawn: dict[str, Any]
    replacements: tuple[dict[str, Any], ...] = ()

    @property
    def to_visit(self) -> list[Home]:
        """The units to visit as they stand now, each alternate in the place of the one it replaces."""
        instead = {unit_of(one["replaced"]): one["alternate"] for one in self.replacements}
        found = []
        for home in (one for one in self.drawn["homes"] if not one["alternate"]):
            while unit_of(home) in instead:
                home = instead[unit_of(home)]
            found.append(home)
        return found

    @property
    def alternates(self) -> list[Home]:
        """The alternates that nobody has taken up, in their order, those of homes that are replaced aside."""
        used = {unit_of(one["alternate"]) for one in self.replacements}
        gone = {unit_of(one["replaced"])[:2] for one in self.replacements}
        return [
            one
            for one in self.drawn["homes"]
            if one["alternate"] and unit_of(one) not in used and unit_of(one)[:2] not in gone
        ]


def unit_of(home: Mapping[str, Any]) -> tuple[str, ...]:
    """Agency, home, system and job."""
    return tuple(home[name] for name in UNIT)


def keep_sample(fleet: Fleet, document: Mapping[str, Any]) -> Path:
    """Keep a sample as drawn and return its file; the same one drawn again that day is kept once."""
    with _locked(fleet):
        return _keep(fleet, f"{document['drawn_on']}-{document['seed']}", document)


def replace_home(
    fleet: Fleet, name: str, agency: str, home_id: str, why: str, by_whom: str = ""
) -> list[dict[str, Any]]:
    """Keep what replaces each unit of a home in a sample: the next alternate of its stratum, for a reason.

    Returns the documents kept. FleetError where no reason is given, the home is none to visit, or its stratum
    has no alternate left; nothing is kept then.
    """
    if not why.strip():
        raise FleetError("A replacement needs a reason: say why that home could not be re-inspected.")
    with _locked(fleet):
        sample = sample_called(fleet, name)
        units = [one for one in sample.to_visit if unit_of(one)[:2] == (agency, home_id)]
        if not units:
            raise FleetError(f"Sample {name} holds no home {home_id!r} of {agency} to visit.")
        left = [one for one in sample.alternates if unit_of(one)[:2] != (agency, home_id)]
        documents = []
        for number, unit in enumerate(units, start=len(sample.replacements) + 1):
            found = next((one for one in left if one["stratum"] == unit["stratum"]), None)
            if found is None:
                raise FleetError(
                    f"Sample {name} has no alternate left for home {home_id} ({unit['stratum']}): "
                    "draw another sample."
                )
            left.remove(found)
            documents.append(
                {
                    "sample": name,
                    "snapshot": sample.drawn["snapshot"],
                    "number": number,
                    "at": now_utc(),
                    "by_whom": by_whom,
                    "why": why.strip(),
                    "replaced": unit,
                    "alternate": found,
                }
            )
        for document in documents:
            _keep(fleet, f"{name}-replaced-{document['number']}", document)
    return documents


def samples(fleet: Fleet) -> list[Sample]:
    """All samples, the newest day first. FleetError names a file that is not as it was kept."""
    drawn: dict[str, dict] = {}
    replaced: dict[str, list[dict]] = {}
    for path in _files(fleet):
        document = _read(path)
        if "sample" in document:
            replaced.setdefault(document["sample"], []).append(document)
        else:
            drawn[path.stem] = document
    if lost := sorted(replaced.keys() - drawn.keys()):
        raise FleetError(_lost(fleet, lost[0]))
    return [
        Sample(name, drawn[name], tuple(sorted(replaced.get(name, ()), key=lambda one: one["number"])))
        for name in sorted(drawn, key=lambda name: (name[:10], name), reverse=True)
    ]


def sample_called(fleet: Fleet, name: str) -> Sample:
    """The sample of a name; FleetError where there is none."""
    there = samples(fleet)
    found = next((one for one in there if one.name == name), None)
    if found is None:
        names = ", ".join(one.name for one in there) or "none"
        raise FleetError(f"{fleet.samples} holds no sample {name!r}; there are: {names}.")
    return found


def faults_of_samples(fleet: Fleet) -> Iterator[str]:
    """What is wrong with the files in samples/, a sentence each."""
    files = _files(fleet)
    needed: set[str] = set()
    for path in files:
        try:
            document = _read(path)
        except FleetError as error:
            yield str(error)
        else:
            needed.update([document["sample"]] if "sample" in document else [])
    yield from (_lost(fleet, name) for name in sorted(needed - {path.stem for path in files}))


def _locked(fleet: Fleet):
    with attempting("write in", fleet.path):
        private_folder(fleet.samples)
    return locked(fleet.path / ".samples.lock", WAIT_S)


def _keep(fleet: Fleet, begins: str, document: Mapping[str, Any]) -> Path:
    """Write a document under the name that begins so, whole or not at all; `_locked` must be held."""
    data = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1).encode() + b"\n"
    target = fleet.samples / f"{begins}-{_digits(data)}.json"
    with attempting("keep a sample in", fleet.samples):
        if not target.exists():
            with temporary(fleet.samples) as (handle, path):
                write_all(handle, data)
                settle(path, target)
    return target


def _files(fleet: Fleet) -> Sequence[Path]:
    return sorted(fleet.samples.glob("[!.]*")) if fleet.samples.is_dir() else ()


def _read(path: Path) -> dict[str, Any]:
    with attempting("read", path):
        data = path.read_bytes()
    if not NAMED.fullmatch(path.name) or not path.stem.endswith(_digits(data)):
        raise FleetError(
            f"{path} is no sample as it was kept: put it back from a backup, or move it out of the folder."
        )
    return json.loads(data)


def _lost(fleet: Fleet, name: str) -> str:
    return f"{fleet.samples} holds no sample {name}, of which homes are replaced: put it back from a backup."


def _digits(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()[:DIGITS]
