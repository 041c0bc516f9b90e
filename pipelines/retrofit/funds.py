"""The money there is: funds of a fleet, what each may pay, until when and for which homes (`funds.toml`)."""

from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from pipelines.engine.policy.measures import FUND_KINDS
from pipelines.engine.policy.rows import folded
from pipelines.engine.policy.source import Source, read
from pipelines.fleet.logs import attempting
from pipelines.retrofit.packages import Payer

INFINITY = float("inf")
MOST_USD = 1e12
FILE = "funds.toml"
KEYS = (
    *("id", "title", "amount", "last_day", "pays", "cap_per_home", "average_per_home"),
    *("agencies", "fuels", "enters_reported"),
)


@dataclass(frozen=True)
class Fund:
    """Money that may pay for work.

    `amount` is what is left of it in dollars, `last_day` the last on which it pays (None: no end), `pays` the
    kinds of work. At one home it pays `cap_per_home` at most, and `average_per_home` on the average of those
    it enters (infinite where nobody said). It enters homes of `agencies` and with `fuels` (empty: any), and
    ones already reported to the funder only where `enters_reported`.
    """

    id: str
    title: str
    amount: float
    last_day: date | None = None
    pays: tuple[str, ...] = FUND_KINDS
    cap_per_home: float = INFINITY
    average_per_home: float = INFINITY
    agencies: tuple[str, ...] = ()
    fuels: tuple[str, ...] = ()
    enters_reported: bool = False

    @property
    def payer(self) -> Payer:
        return Payer(frozenset(self.pays), self.cap_per_home)

    def open_on(self, day: date) -> bool:
        return self.last_day is None or day <= self.last_day

    def enters(self, agency: str, fuel: str | None, reported: bool) -> bool:
        """Whether it may pay at a home of this agency and fuel (None: not recorded, so of no named one)."""
        at_agency = not self.agencies or folded(agency) in map(folded, self.agencies)
        with_fuel = not self.fuels or (fuel is not None and folded(fuel) in map(folded, self.fuels))
        return at_agency and with_fuel and (self.enters_reported or not reported)


def of_folder(folder: Path) -> tuple[Fund, ...]:
    """The funds of a fleet, none where it names none; PolicyError says what is wrong, and in which line."""
    path = folder / FILE
    with attempting("read", path):
        data = path.read_bytes() if path.exists() else b""
    return parse(data, str(path))


def parse(data: bytes, name: str) -> tuple[Fund, ...]:
    """The funds in the bytes of a file that errors call `name`; PolicyError."""
    source = read(data, name)
    for extra in sorted(set(source.tables) - {"fund"}):
        raise source.wrong((extra,), f"unknown {extra!r}; a fund begins with a line [[fund]]")
    entries = source.tables.get("fund", [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise source.wrong(("fund",), "fund needs double brackets: [[fund]], once for each")
    found: dict[str, Fund] = {}
    for position, entry in enumerate(entries):
        fund = _fund(source, ("fund", position), entry)
        if folded(fund.id) in found:
            raise source.wrong(("fund", position), f"fund {fund.id!r} is there already: make one of the two")
        found[folded(fund.id)] = fund
    return tuple(found.values())


def _fund(source: Source, keys: tuple, entry: dict[str, Any]) -> Fund:
    name = entry.get("id")
    if not isinstance(name, str) or not name.strip():
        raise source.wrong(keys, "each [[fund]] needs an id, a text in quotes")
    where = f"fund {name}"
    for extra in sorted(set(entry) - set(KEYS)):
        raise source.wrong((*keys, extra), f"{where}: unknown key {extra!r}; accepted are {', '.join(KEYS)}")
    if "amount" not in entry:
        raise source.wrong(keys, f"{where} needs an amount, the dollars that are left of it")
    values: dict[str, Any] = {"id": name, "title": entry.get("title", name)}
    if not isinstance(values["title"], str):
        raise source.wrong((*keys, "title"), f"{where}.title needs a text in quotes")
    for key in ("amount", "cap_per_home", "average_per_home"):
        if key in entry:
            values[key] = _dollars(source, (*keys, key), f"{where}.{key}", entry[key])
    for key, accepted in (("pays", FUND_KINDS), ("agencies", None), ("fuels", None)):
        if key in entry:
            values[key] = _texts(source, (*keys, key), f"{where}.{key}", entry[key], accepted)
    day = entry.get("last_day")
    if day is not None and (not isinstance(day, date) or isinstance(day, datetime)):
        raise source.wrong((*keys, "last_day"), f"{where}.last_day is a day without quotes as 2026-06-30")
    reported = entry.get("enters_reported", False)
    if not isinstance(reported, bool):
        raise source.wrong((*keys, "enters_reported"), f"{where}.enters_reported is true or false")
    return Fund(**values, last_day=day, enters_reported=reported)


def _dollars(source: Source, keys: tuple, where: str, value: Any) -> float:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not 0 <= value <= MOST_USD:
        raise source.wrong(keys, f"{where} needs dollars, 0 or more, not {value!r}")
    return float(value)


def _texts(source: Source, keys: tuple, where: str, value: Any, accepted: tuple | None) -> tuple[str, ...]:
    texts = isinstance(value, list) and all(isinstance(one, str) and one.strip() for one in value)
    if not texts or not value or (accepted and not set(value) <= set(accepted)):
        what = f"of {', '.join(accepted)}" if accepted else "of texts in quotes"
        raise source.wrong(keys, f"{where} needs a list {what}, at least one")
    return tuple(value)
