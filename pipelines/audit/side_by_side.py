"""What was judged of every visit beside what was recorded, in the order of systems; matched once for all."""

from copy import copy
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.fields import BY_NAME

NOBODY = -1
ALL_ROWS = 1 << 31
KEY = "agency, inspection_id"


@dataclass(frozen=True)
class SideBySide:
    """All visits of a snapshot in the order of systems, those of a system in the order of visits.

    `readings` is a relation (SQL), words as positions (see `word`); `place` the position of each visit in it,
    `keys` are agency, home_id and system_id, `system` a number of the system, from 0.
    """

    connection: Any
    readings: str
    place: np.ndarray
    keys: pa.Table
    system: np.ndarray

    def asked_by(self, connection):
        """The same, asked through another cursor; what was found once is not asked again."""
        other = copy(self)
        object.__setattr__(other, "connection", connection)
        return other

    def judged(self, columns, where="true"):
        """An Arrow table of `columns` (SQL) of `judged`, in the order of visits, of those `where` (SQL)."""
        return _asked(self.connection, columns, f"judged WHERE {where}")

    def recorded(self, columns, chosen=slice(None)):
        """The same of `readings`, of all visits or of those `chosen` (positions or a mask)."""
        found = _asked(self.connection, columns, self.readings)
        return found.take(pa.array(self.place[chosen])).combine_chunks()

    def numbers(self, columns):
        """Arrays by name of `columns` (SQL) of `readings`, numbers, days or booleans, NaN for NULL."""
        found = _asked(self.connection, columns, self.readings)
        return {name: found.column(name).to_numpy()[self.place] for name in found.column_names}

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

    @cached_property
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


def word(field, name):
    """SQL for a word of a field as readings hold it: its position in the field's list."""
    return str(BY_NAME[field].words.index(name))


def side_by_side(connection, readings):
    """The SideBySide of the snapshot being made; `readings` is SQL of those in force, words as positions."""
    count = connection.sql("SELECT count(*) FROM judged").fetchall()[0][0]
    pairs = _matched(connection, readings, f"hash({KEY})")
    if pairs.num_rows != count:  # two keys of one hash
        pairs = _matched(connection, readings, KEY)
    place = np.empty(count, np.int64)
    place[pairs["row"].to_numpy()] = pairs["place"].to_numpy()
    keys = _asked(connection, ["agency", "home_id", "system_id"], "judged")
    return SideBySide(connection, readings, place, keys, _systems(keys))


def _matched(connection, readings, by):
    """Rows of `judged` and places among readings of one key, both from 0; numbers match faster than texts."""
    return connection.sql(f"""
        SELECT j.row, r.place
        FROM (SELECT ({by}) AS key, row_number() OVER () - 1 AS row FROM judged) AS j
        JOIN (SELECT ({by}) AS key, row_number() OVER () - 1 AS place FROM {readings}) AS r USING (key)
    """).to_arrow_table()


def _systems(keys):
    """A number of each run of equal keys, from 0: those of a system stand together."""
    return np.cumsum(np.logical_or.reduce([_changes(one.combine_chunks()) for one in keys.columns]))


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
