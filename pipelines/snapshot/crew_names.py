"""The fleet's table of crews: which crew a recorded name stands for, from one day to another.

What was recorded stays in `readings`; whatever counts, lists or filters by crew uses the crew it stands for.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import pyarrow as pa

from pipelines.fleet.logs import FleetError
from pipelines.fleet.own_tables import day, lines
from pipelines.intake.cells import collapsed, folded

HEADINGS = ("agency", "alias", "crew", "from", "to")
NAMES = pa.schema(
    [
        ("agency", pa.string()),
        ("recorded", pa.string()),
        ("counts_as", pa.string()),
        ("from_day", pa.date32()),
        ("to_day", pa.date32()),
    ]
)


@dataclass(frozen=True)
class Alias:
    """One line: an agency's work recorded under `name` is the crew's, from one day to another, both included.

    `crew` is spelled as in the first line that names it.
    """

    line: int
    agency: str
    name: str
    crew: str
    from_day: date
    to_day: date

    @property
    def key(self) -> tuple[str, str]:
        return folded(self.agency), folded(self.name)

    @property
    def crew_key(self) -> tuple[str, str]:
        return folded(self.agency), folded(self.crew)


def read(data: bytes, path: object) -> tuple[Alias, ...]:
    """The aliases of a table as bytes, in its order; FleetError names the line that cannot be used."""
    found: list[Alias] = []
    spellings: dict[str, str] = {}
    crews: dict[tuple[str, str], Alias] = {}
    said: dict[tuple[str, str], list[Alias]] = {}
    for number, row in lines(data, path, HEADINGS):
        line = f"{path}, line {number}"
        one = _alias(line, number, row, spellings)
        for before in said.get(one.key, ()):
            if one.from_day <= before.to_day and before.from_day <= one.to_day:
                raise FleetError(
                    f"{line}: alias {one.name!r} stands in line {before.line} already for some of these "
                    "days: keep one of them, or let one end the day before the other begins."
                )
        if one.key in crews:
            raise _chain(line, one.name, "an alias here and the crew", crews[one.key])
        if one.crew_key in said:
            raise _chain(line, one.crew, "the crew here and an alias", said[one.crew_key][0])
        crews.setdefault(one.crew_key, one)
        said.setdefault(one.key, []).append(one)
        found.append(one)
    return tuple(found)


def _chain(line: str, name: str, what: str, before: Alias) -> FleetError:
    return FleetError(
        f"{line}: {name!r} is {what} in line {before.line}: let each alias name the crew that counts in "
        "the end."
    )


def _alias(line: str, number: int, row: dict[str, str], spellings: dict[str, str]) -> Alias:
    """The alias of one line; FleetError begins with `line`."""
    agency, name, crew, *days = (collapsed(row[heading]) for heading in HEADINGS)
    for heading, text in (("agency", agency), ("alias", name), ("crew", crew)):
        if not text:
            raise FleetError(
                f"{line}: {heading} is empty; it needs an agency, the name as recorded, and the crew that "
                "it counts as."
            )
    if folded(name) == folded(crew):
        raise FleetError(
            f"{line}: alias {name!r} is the crew itself, since case does not count: leave the line out."
        )
    from_day = day(line, "from", days[0]) if days[0] else date.min
    to_day = day(line, "to", days[1]) if days[1] else date.max
    if from_day > to_day:
        raise FleetError(f"{line}: from, {from_day}, is later than to, {to_day}: exchange them.")
    spelled = spellings.setdefault(folded(crew), crew)
    return Alias(number, agency, name, spelled, from_day, to_day)


def renamed_table(connection, aliases):
    """Make `renamed`: rows of received_rows whose recorded crew counts as another."""
    names = pa.Table.from_pylist(_names(connection, aliases), NAMES)
    connection.register("names", names)
    connection.execute("""
        CREATE OR REPLACE TABLE renamed AS
        SELECT r.rowid AS row, names.counts_as
        FROM received_rows AS r
        JOIN names
          ON names.agency = r.agency AND names.recorded = r.crew
         AND r.inspected_on BETWEEN names.from_day AND names.to_day
    """)
    connection.unregister("names")


def _names(connection, aliases):
    """Rows of NAMES: each crew as recorded that an alias is the name of."""
    if not aliases:
        return []
    meant: dict[tuple[str, str], list[Alias]] = {}
    for one in aliases:
        meant.setdefault(one.key, []).append(one)
    recorded = connection.execute(
        "SELECT DISTINCT agency, crew FROM received_rows WHERE crew IS NOT NULL"
    ).fetchall()
    return [
        dict(zip(NAMES.names, (agency, crew, one.crew, one.from_day, one.to_day), strict=True))
        for agency, crew in recorded
        for one in meant.get((folded(agency), folded(crew)), ())
    ]
