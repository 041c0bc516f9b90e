"""What the rows of a file would come to if it were loaded now: new, changed, repeated, or not loaded.

It is found out as a load finds it out, on the rows looked at, in a file that belongs to no fleet.
"""

from dataclasses import dataclass

from pipelines.fields import PERSONAL
from pipelines.fleet.publishing import scratch
from pipelines.intake.cells import UNKNOWN_ID, UNKNOWN_WORD
from pipelines.snapshot import precedence, tables
from pipelines.snapshot.exports import IN_THE_FILE, SPELLINGS, as_kept, names_agency, spellings_of, take_in
from pipelines.snapshot.tables import IN_FORCE, REPEATED, SUPERSEDED

COUNTED = """
    WITH own AS (
        SELECT agency, inspection_id, standing FROM received_rows WHERE export_id = $export),
    before AS (
        SELECT DISTINCT agency, inspection_id
        FROM received_rows
        WHERE export_id <> $export AND standing = $superseded),
    in_force AS (
        SELECT agency, inspection_id FROM own WHERE standing = $in_force)
    SELECT (SELECT count(*) FROM in_force ANTI JOIN before USING (agency, inspection_id)),
           (SELECT count(*) FROM in_force SEMI JOIN before USING (agency, inspection_id)),
           (SELECT count(*) FROM own WHERE standing = $repeated),
           (SELECT count(*) FROM own WHERE standing = $superseded)
"""
LOST = """
    SELECT CASE WHEN reason = $two_things THEN '' ELSE field END AS field, reason,
           count(*) AS times, min(source_line) AS line
    FROM not_loaded
    WHERE export_id = $export AND extent = 'row'
    GROUP BY ALL
    ORDER BY times DESC, line, field
"""

UNREAD = """
    SELECT heading, arg_min(raw_text, source_line) AS text, count(*) AS times
    FROM not_loaded
    WHERE export_id = $export AND extent = 'cell' AND list_contains($reasons, reason)
        AND NOT list_contains($hidden, field)
    GROUP BY heading, lower(raw_text)
    ORDER BY times DESC, min(source_line), heading
"""
BESIDE = """
    SELECT *
    FROM received_rows
    SEMI JOIN keys USING (agency, inspection_id)
    WHERE export_id <> ?
"""


@dataclass(frozen=True)
class Lost:
    """Rows that will not load for one reason: the field it speaks of ("" none), and the line of the first."""

    field: str
    reason: str
    times: int
    line: int


@dataclass(frozen=True)
class Unread:
    """A text in a column of words or ids that means none of them, and in how many cells it stands."""

    heading: str
    text: str
    times: int


@dataclass(frozen=True)
class Verdict:
    """How many of the rows looked at would be what; `whole` where these are all rows of the file.

    `changed` take the place of what an earlier file says of the same inspection, `repeated` say it again,
    `older` are outdated by what is there. These three and the new ones can be used.
    """

    whole: bool
    new: int
    changed: int
    repeated: int
    older: int
    lost: tuple[Lost, ...]
    unread: tuple[Unread, ...]

    @property
    def usable(self):
        return self.new + self.changed + self.repeated + self.older

    @property
    def not_loaded(self):
        return sum(one.times for one in self.lost)

    @property
    def rows(self):
        return self.usable + self.not_loaded

    @property
    def hopeless(self):
        """Whether nothing of the file can be used, beyond doubt."""
        return self.whole and not self.usable

    @property
    def doubtful(self):
        """Whether so little can be used that something is wrong with the file or how it is read."""
        return 2 * self.usable < self.rows


def verdict(upload, mapping, agency, snapshot, export_id):
    """The Verdict on an Upload read with a mapping, against what a snapshot holds (None: nothing yet).

    `agency` is that of the file, IN_THE_FILE where a column names it. `export_id` is the number the file
    would have; rows that stand under it already are what it would take the place of. Raises ExportError.
    """
    opening = upload.opened_with(mapping)
    hidden = [] if upload.shows_personal else list(PERSONAL)
    constant = agency if agency not in ("", IN_THE_FILE) else None
    demand_agency = constant is None and names_agency(opening.export.headings, mapping)
    typed = upload.typed(mapping, constant)
    spellings = spellings_of(snapshot.rows(SPELLINGS)) if snapshot is not None else {}
    rows, not_loaded = as_kept(typed, spellings, demand_agency=demand_agency)
    with scratch() as unpublished:
        connection = unpublished.connect()
        tables.create(connection)
        take_in(connection, export_id, rows, not_loaded)
        if snapshot is not None:
            keys = rows.select(["agency", "inspection_id"])
            _set_beside(connection, snapshot.arrow(BESIDE, [export_id], keys=keys))
        precedence.settle(connection, exports=[export_id])
        standing = {"in_force": IN_FORCE, "repeated": REPEATED, "superseded": SUPERSEDED}
        new, changed, repeated, older = connection.execute(
            COUNTED, {"export": export_id} | standing
        ).fetchall()[0]
        lost = connection.execute(
            LOST, {"export": export_id, "two_things": precedence.SAYS_TWO_THINGS}
        ).fetchall()
        unread = connection.execute(
            UNREAD, {"export": export_id, "reasons": [UNKNOWN_WORD, UNKNOWN_ID], "hidden": hidden}
        ).fetchall()
    broken = [Lost("", one.reason, 1, one.line) for one in opening.damage]
    texts = tuple(Unread(*row) for row in unread)
    return Verdict(
        opening.whole,
        new,
        changed,
        repeated,
        older,
        _added_up((*(Lost(*row) for row in lost), *broken)),
        texts,
    )


def _set_beside(connection, there):
    """Rows of other files that speak of the same inspections; SQL names the variable `there`."""
    connection.execute("INSERT INTO received_rows BY NAME SELECT * FROM there")


def _added_up(lost):
    """Those of one field and reason as one, the most first."""
    found: dict[tuple[str, str], Lost] = {}
    for one in lost:
        before = found.get((one.field, one.reason))
        found[one.field, one.reason] = (
            Lost(one.field, one.reason, before.times + one.times, min(before.line, one.line))
            if before
            else one
        )
    return tuple(sorted(found.values(), key=lambda one: (-one.times, one.line)))
