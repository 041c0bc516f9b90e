"""What was judged of every visit beside what was recorded, in the order of systems; matched once for all.

Those who ask through cursors of their own, at the same time, share what was found.
"""

from dataclasses import dataclass, field, replace
from threading import Lock
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.fields import BY_NAME

NOBODY = -1
ALL_ROWS = 1 << 31
KEY = "agency, inspection_id"
SYSTEM = ("agency", "home_id", "system_id")


class _Kept:
    """What was found once, by name, for all who ask at the same time: whoever comes first finds it."""

    def __init__(self, *names):
        self.found, self.locks = {}, {name: Lock() for name in names}


def _once(find):
    """A property of a SideBySide that is found once for all cursors."""
    name = find.__name__

    def found(self):
        with self.kept.locks[name]:
            if name not in self.kept.found:
                self.kept.found[name] = find(self)
            return self.kept.found[name]

    return property(found, doc=find.__doc__)


@dataclass(frozen=True)
class SideBySide:
    """All visits of a snapshot in the order of systems, those of a system in the order of visits.

    `readings` is a relation (SQL) of those in force, words as positions (see `word`).
    """

    connection: Any
    readings: str
    kept: _Kept = field(default_factory=lambda: _Kept("keys", "system", "place", "readers", "jobs"))

    def asked_by(self, connection):
        """The same, asked through another cursor; what was found once is not asked again."""
        return replace(self, connection=connection)

    @_once
    def keys(self):
        """agency, home_id and system_id of each visit, an Arrow table."""
        return _asked(self.connection, SYSTEM, "judged")

    @_once
    def system(self):
        """A number of each visit's system, from 0: those of a system stand together."""
        return np.cumsum(np.logical_or.reduce([_changes(one.combine_chunks()) for one in self.keys.columns]))

    @_once
    def place(self):
        """Where each visit stands among `readings`."""
        return _places(self.connection, self.readings)

    def judged(self, columns, where="true"):
        """An Arrow table of `columns` (SQL) of `judged` as `j`, by visit, of those `where` (SQL)."""
        return _asked(self.connection, columns, f"judged AS j WHERE {where}")

    def recorded(self, columns, chosen=slice(None)):
        """The same of `readings` as `r`, of all visits or of those `chosen` (positions or a mask)."""
        found = _asked(self.connection, columns, f"{self.readings} AS r")
        return found.take(pa.array(self.place[chosen])).combine_chunks()

    def numbers(self, columns):
        """Arrays by name of `columns` (SQL) of `readings` as `r`, numbers, days or booleans, NaN for NULL, in
        the order of readings (see `place`).
        """
        found = _asked(self.connection, columns, f"{self.readings} AS r")
        return {name: found.column(name).to_numpy() for name in found.column_names}

    @_once
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
        named = self.connection.sql(f"""
            SELECT agency, inspector, hash(agency, inspector) AS name
            FROM (
                SELECT agency, inspector FROM {self.readings} WHERE inspector IS NOT NULL
                UNION
                SELECT agency, crew FROM judged WHERE crew IS NOT NULL)
            ORDER BY agency, inspector
        """).fetchall()
        place = {one: position for position, (*_, one) in enumerate(named)} | {0: NOBODY}
        encoded = pa.array(name).dictionary_encode()
        who = np.array([place[one] for one in encoded.dictionary.to_pylist()], np.int64)
        return tuple((agency, inspector) for agency, inspector, _ in named), who[encoded.indices.to_numpy()]

    @_once
    def jobs(self):
        """(numbers of the jobs as recorded, '' for none, as an Arrow array; a number of each visit's system
        and job, from 0, rising with the system).
        """
        names = self.judged(["coalesce(job_number, '') AS job"]).column("job").combine_chunks()
        new = _changes(names)
        new |= np.diff(self.system, prepend=-1) > 0
        job = np.cumsum(new) - 1
        # Where one system has several, one of them may stand in several places.
        several = np.flatnonzero(np.bincount(self.system[new])[self.system] > 1)
        encoded = names.take(pa.array(several)).dictionary_encode()
        of_system = self.system[several] * len(encoded.dictionary) + encoded.indices.to_numpy()
        _, first, same = np.unique(of_system, return_index=True, return_inverse=True)
        job[several] = job[several[first[same]]]
        return names, job


def word(of, name):
    """SQL for a word of a field as readings hold it: its position in the field's list."""
    return str(BY_NAME[of].words.index(name))


def _places(connection, readings):
    """Where each row of `judged` stands among readings: numbers match faster than texts."""
    judged, recorded = (
        _asked(connection, [f"hash({KEY}) AS number"], table).column("number").to_numpy()
        for table in ("judged", readings)
    )
    row, place = np.argsort(judged), np.argsort(recorded)
    in_order = judged[row]
    if (in_order[1:] == in_order[:-1]).any():  # two keys of one hash
        pairs = connection.sql(f"""
            SELECT row, place
            FROM (SELECT {KEY}, row_number() OVER () - 1 AS row FROM judged)
            JOIN (SELECT {KEY}, row_number() OVER () - 1 AS place FROM {readings}) USING ({KEY})
        """).to_arrow_table()
        row, place = (pairs.column(name).to_numpy() for name in ("row", "place"))
    found = np.empty(len(row), np.int64)
    found[row] = place
    return found


def _changes(texts):
    """Whether each of some texts differs from the one before, not asked of the first."""
    found = np.zeros(len(texts), bool)
    found[1:] = pc.not_equal(texts.slice(1), texts.slice(0, max(len(texts) - 1, 0))).to_numpy(False)
    return found


def numbered(codes):
    """(distinct codes in order, the position of each among them) of whole numbers from 0, shape (n,).

    What stands in order, or lies close together, is not sorted.
    """
    if (codes[1:] >= codes[:-1]).all():
        new = np.diff(codes, prepend=-1) > 0
        return codes[new], np.cumsum(new) - 1
    most = int(codes.max(initial=0))
    if most > 8 * len(codes):
        return np.unique(codes, return_inverse=True)
    there = np.zeros(most + 1, bool)
    there[codes] = True
    return np.flatnonzero(there), (np.cumsum(there) - 1)[codes]


def _asked(connection, columns, table):
    """As one batch: what comes in several is copied when it is joined."""
    found = connection.sql(f"SELECT {', '.join(columns)} FROM {table}").to_arrow_table(ALL_ROWS)
    return found.combine_chunks() if any(one.num_chunks != 1 for one in found.columns) else found
