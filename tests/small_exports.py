"""Small exports written for a test: canonical headings, invented homes, and what a fleet makes of them."""

from click.testing import CliRunner

from pipelines import cli
from pipelines.fleet import snapshots
from pipelines.receiving import door
from pipelines.snapshot import stages

HEADINGS = (
    "agency",
    "inspection_id",
    "home_id",
    "inspected_on",
    "inspection_kind",
    "heating_system",
    "cold_pressure_psig",
    "notes",
)


def row(
    number,
    agency="Alder County",
    home=None,
    day="2025-03-04",
    kind="initial",
    heating="hot_water",
    cold="12",
    notes="",
    **more,
):
    """Cells of one inspection, by heading."""
    return (
        dict(
            zip(
                HEADINGS,
                (agency, str(number), home or f"H-{number}", day, kind, heating, cold, notes),
                strict=True,
            )
        )
        | more
    )


def cell(text, delimiter=","):
    return (
        '"' + text.replace('"', '""') + '"'
        if any(mark in text for mark in (delimiter, '"', "\n", "\r"))
        else text
    )


def text_of(rows, headings=None, delimiter=",", end="\n"):
    """The text of an export; a row that is a text already stands as it is."""
    headings = headings or list(
        dict.fromkeys([*HEADINGS, *(name for one in rows if isinstance(one, dict) for name in one)])
    )
    lines = [delimiter.join(headings)] + [
        one
        if isinstance(one, str)
        else delimiter.join(cell(one.get(name, ""), delimiter) for name in headings)
        for one in rows
    ]
    return end.join(lines) + end


def write(path, rows, *, encoding="utf-8", **form):
    path.write_bytes(text_of(rows, **form).encode(encoding))
    return path


def fed(fleet, *paths, **options):
    """(arrivals, snapshot) of a load and the build after it."""
    arrivals = door.load(fleet, paths, **options)
    return arrivals, snapshots.attach(stages.build(fleet))


def run(fleet, *words):
    """The command on a fleet, in this process."""
    done = CliRunner().invoke(cli.main, [*map(str, words), "--fleet", str(fleet.path)])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


def counts(snapshot, export_id=None):
    """read, kept, not loaded, repeated, superseded of each export, or of one."""
    found = snapshot.rows(
        "SELECT export_id, rows_read, rows_kept, rows_not_loaded, rows_repeated, rows_superseded FROM "
        "exports ORDER BY export_id"
    )
    table = {one[0]: one[1:] for one in found}
    return table if export_id is None else table[export_id]


def stored(fleet):
    """Bytes of everything under exports/, by file name."""
    return {path.name: path.read_bytes() for path in fleet.exports.iterdir()}
