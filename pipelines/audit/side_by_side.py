"""What was judged of every visit beside what was recorded, in the order of systems; matched once for all."""

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

NOBODY = -1


@dataclass(frozen=True)
class SideBySide:
    """All visits of a snapshot in the order of systems, those of a system in the order of visits.

    `place` is the position of each among `readings`, in the order in which these stand; `keys` are agency,
    home_id and system_id, `system` a number of the system, from 0.
    """

    connection: Any
    place: np.ndarray
    keys: pa.Table
    system: np.ndarray

    def asked_by(self, connection):
        """The same, asked through another cursor."""
        return replace(self, connection=connection)

    def judged(self, columns):
        """An Arrow table of `columns` (SQL) of `judged`."""
        return _asked(self.connection, columns, "judged")

    def recorded(self, columns, chosen=slice(None)):
        """The same of `readings`, of all visits or of those `chosen` (positions or a mask)."""
        found = _asked(self.connection, columns, "readings")
        return found.take(pa.array(self.place[chosen])).combine_chunks()

    @cached_property
    def readers(self):
        """Who read, the crew where no inspector is recorded: ((agency, inspector) in order; the position of
        each visit's among them, NOBODY where there is none).
        """
        inspector, crew = (
            f"CASE WHEN {one} IS NOT NULL THEN hash(agency, {one}) ELSE 0 END AS name"
            for one in ("inspector", "crew")
        )
        name, by_crew = (
            table.column("name").to_numpy() for table in (self.recorded([inspector]), self.judged([crew]))
        )
        name = np.where(name == 0, by_crew, name)
        named = self.connection.sql("""
            SELECT agency, inspector, hash(agency, inspector) AS name
            FROM (
                SELECT agency, inspector FROM readings WHERE inspector IS NOT NULL
                UNION
                SELECT agency, crew FROM judged WHERE crew IS NOT NULL)
            ORDER BY agency, inspector
        """).fetchall()
        hashes = np.array([one for _, _, one in named], np.uint64)
        sorter = np.argsort(hashes)
        who = np.append(sorter, -1)[np.searchsorted(hashes, name, sorter=sorter)]
        who[name == 0] = NOBODY
        return tuple((agency, inspector) for agency, inspector, _ in named), who


def side_by_side(connection):
    """The SideBySide of the snapshot being made."""
    pairs = connection.sql("""
        SELECT j.rowid AS row, r.place
        FROM judged AS j
        JOIN (SELECT agency, inspection_id, row_number() OVER () - 1 AS place FROM readings) AS r
            ON r.agency = j.agency AND r.inspection_id = j.inspection_id
    """).fetchnumpy()
    place = pairs["place"][np.argsort(pairs["row"], kind="stable")]
    keys = _asked(connection, ["agency", "home_id", "system_id"], "judged")
    return SideBySide(connection, place, keys, _systems(keys))


def _systems(keys):
    """A number of each run of equal keys: those of a system stand together."""
    new = np.zeros(keys.num_rows, bool)
    for one in keys.columns:
        column = one.combine_chunks()
        new[1:] |= pc.not_equal(column.slice(1), column.slice(0, max(len(column) - 1, 0))).to_numpy(False)
    return np.cumsum(new)


def _asked(connection, columns, table):
    return connection.sql(f"SELECT {', '.join(columns)} FROM {table}").to_arrow_table().combine_chunks()
