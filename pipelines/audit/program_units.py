"""Units of the program: completed, by whom the final was taken, and whether the sample re-inspected them."""

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.audit.side_by_side import word

ROLES = {
    by: ", ".join(word("inspector_role", role) for role in roles)
    for by, roles in (("by_work", ("crew", "contractor")), ("by_others", ("qci", "monitor")))
}
NEVER = np.iinfo(np.int64).min  # in the place of a day that is not recorded


def program_units(both, found, policy):
    """The rows of `program_units`, an Arrow table: a home, system and job that is completed or has a final.

    Columns: agency, home_id, system_id, job_number ('' where none is recorded), crew, completed_on, final_on
    and final_id (of the last final), own_final (who took it also audited the unit or worked on it, or nobody
    can tell), again_on and again_id (of the first re-inspection since the first final that is no for-cause
    visit), for_cause (visits), program_year (the year in which it begins). A visit without a job number
    belongs to the one job of its system, where there is one only. The unit is of the program year in which it
    was completed; where no day of that is recorded, in which its last final was.

    `both` is a SideBySide, `found` the Units of the same visits.
    """
    visits = found.visits
    recorded = both.recorded(
        [
            "completed_on",
            "inspector IS NOT NULL AS told",
            *(f"inspector_role IN ({roles}) AS {by}" for by, roles in ROLES.items()),
        ]
    )
    initial, final, qa = (
        pc.fill_null(pc.equal(visits.column("inspection_kind"), kind), False).to_numpy()
        for kind in ("initial", "final", "qa")
    )
    completed, day = _days(recorded.column("completed_on")), _days(visits.column("inspected_on"))
    caused = visits.column("caused").to_numpy()
    at = np.flatnonzero(initial | final | qa | (completed != NEVER))
    unit, telling = _units(both, at)
    count = len(telling)

    def rows(mask):
        """(unit, position) of the visits that a mask names."""
        here = mask[at]
        return unit[here], at[here]

    done = np.full(count, NEVER)
    np.maximum.at(done, unit, completed[at])
    first, last, worked, again = (np.full(count, -1) for _ in range(4))
    of, place = rows(final)
    last[of] = place  # the last one written stands
    first[of[::-1]] = place[::-1]
    of, place = rows(pc.is_valid(visits.column("crew")).to_numpy())
    worked[of] = place
    of, place = rows(qa & ~caused)
    later = np.where(first[of] >= 0, place > first[of], day[place] >= done[of])
    again[of[later][::-1]] = place[later][::-1]
    for_cause = np.bincount(rows(qa & caused)[0], minlength=count)
    kept = np.flatnonzero((done != NEVER) | (first >= 0))
    audited = rows(initial & recorded.column("told").to_numpy())
    last, worked, again, done = last[kept], worked[kept], again[kept], done[kept]
    keys = visits.select(["agency", "home_id", "system_id", "job_number"]).take(pa.array(telling[kept]))
    crew = pc.coalesce(_taken(visits.column("crew"), last), _taken(visits.column("crew"), worked))
    final_on = np.where(last >= 0, day[last], NEVER)
    columns = {
        "crew": crew,
        "completed_on": _dates(done),
        "final_on": _dates(final_on),
        "final_id": _taken(visits.column("inspection_id"), last),
        "own_final": pa.array(_own(both, recorded, crew, last, kept, audited)),
        "again_on": _dates(np.where(again >= 0, day[again], NEVER)),
        "again_id": _taken(visits.column("inspection_id"), again),
        "for_cause": pa.array(for_cause[kept]),
        "program_year": pa.array(_years(np.where(done == NEVER, final_on, done), policy)),
    }
    for name, values in columns.items():
        keys = keys.append_column(name, values)
    return keys


def _units(both, at):
    """(unit of each visit, a number; position of a visit that names each unit's job, if any does) of the
    visits `at`.
    """
    names, job = both.jobs
    job, system = job[at], both.system[at]
    named = pc.not_equal(names, "").to_numpy(False)[at]
    least, most = (
        np.full(int(system.max(initial=-1)) + 1, len(names)),
        np.full(int(system.max(initial=-1)) + 1, -1),
    )
    np.minimum.at(least, system[named], job[named])
    np.maximum.at(most, system[named], job[named])
    unit = np.where(named | (least != most)[system], job, least[system])
    telling = np.zeros(int(unit.max(initial=-1)) + 1, np.int64)
    telling[unit] = at
    telling[unit[named]] = at[named]
    return unit, telling


def _own(both, recorded, crew, last, kept, audited):
    """Whether who took the last final of each unit also audited or worked on it, or nobody can tell."""
    readers, who = both.readers
    crews = crew.dictionary_encode()
    names = [name for _, name in readers]
    alike = np.append(_alike(both.connection, names + crews.dictionary.to_pylist()), -1)
    code = np.where(recorded.column("told").to_numpy(), alike[who], -1)
    worked = alike[crews.indices.fill_null(-1 - len(names)).to_numpy().astype(np.int64) + len(names)]
    pairs = np.sort(audited[0] * len(alike) + code[audited[1]])
    own = kept * len(alike) + code[last]
    met = np.searchsorted(pairs, own)
    audits = (
        (pairs[np.minimum(met, max(len(pairs) - 1, 0))] == own) if len(pairs) else np.zeros(len(own), bool)
    )
    nobody = code[last] < 0
    works = ~nobody & (code[last] == worked)
    by_work, by_others = (
        pc.fill_null(_taken(recorded.column(by), last), False).to_numpy(False) for by in ROLES
    )
    return (last >= 0) & (by_work | works | (audits & ~nobody) | (nobody & ~by_others))


def _alike(connection, names):
    """A number of each name, one for those that differ in case, or in spaces around them, only."""
    connection.register("names_told", pa.table({"name": pa.array(names, pa.string())}))
    folded = connection.sql("SELECT lower(trim(name)) AS name FROM names_told").to_arrow_table()
    connection.unregister("names_told")
    return folded.column("name").combine_chunks().dictionary_encode().indices.to_numpy()


def _taken(column, at):
    """The values of a column at positions, NULL for -1."""
    return column.combine_chunks().take(pa.array(at, mask=at < 0))


def _days(column):
    """Days since 1970, NEVER for none."""
    return column.to_numpy().astype("datetime64[D]").astype(np.int64)  # NaT is the least of all numbers


def _dates(days):
    return pa.array(days.astype("datetime64[D]"))


def _years(days, policy):
    """The program year of each day: that in which it begins."""
    month, first = int(policy.program_year_begins_month), int(policy.program_year_begins_day)
    day = days.astype("datetime64[D]")
    months = day.astype("datetime64[M]")
    of_month = (day - months.astype("datetime64[D]")).astype(np.int64) + 1
    number = months.astype(np.int64)
    in_year = (number % 12 + 1) * 100 + of_month
    return (1970 + number // 12 - (in_year < 100 * month + first)).astype(np.int32)
