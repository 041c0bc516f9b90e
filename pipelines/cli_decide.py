"""The command that records a decision, or those of a list that came back."""

import sys
from dataclasses import replace
from pathlib import Path

import click

from pipelines.calling import (
    AS_JSON,
    by_option,
    command,
    day_option,
    fleet_of,
    print_json,
    print_lines,
    snapshot_of,
)
from pipelines.terminal import plain

ABOUT = ("agency", "home_id", "check_id", "what")


@command(
    *(click.argument(name, required=False) for name in ABOUT),
    by_option("Who decides."),
    click.option("--system", "system_id", default="", help="Of a home with several: which system."),
    click.option("--why", default="", help="The reason; accepted, deferred, refused and disputed need one."),
    day_option("--until", "Day to which it is accepted or deferred."),
    click.option("--to", default="", help="To whom it is referred or assigned."),
    click.option("--measure", default="", help="The measure ordered or done, by its id."),
    day_option("--done-on", "Day on which it was done."),
    click.option("--undoes", default="", metavar="N", help="The decision that is taken back, by its number."),
    click.option(
        "--list",
        "listed",
        type=click.Path(exists=True, dir_okay=False),
        metavar="FILE",
        help="A flagged list or its work that came back filled in, .xlsx or .csv, in place of the arguments.",
    ),
    click.option("--preview", is_flag=True, help="With --list: show what would be recorded; write nothing."),
    AS_JSON,
)
def decide(folder, by, until, done_on, as_json, listed, preview, **said):
    """Record a decision on an open deficiency: seen, ordered, done, accepted, deferred, referred, refused,
    "no access", assigned, disputed, upheld, overturned, "reading struck" or undone.

    In force at once, without a rebuild. CHECK_ID - means everything open there. What must be acted on today
    can be neither accepted nor deferred.

    With --list, those that stand in a list that came back: its columns status, done_on, done_by,
    reading_after and why. Rows refused are named, the others count; a list sent twice changes nothing.

    Example: coldfill decide "Tillamere Community Partners" 16 - seen --by "Q. Manager" --fleet demo-fleet
    """
    about = [said.pop(name) for name in ABOUT]
    said |= {name: day.isoformat() for name, day in (("until", until), ("done_on", done_on)) if day}
    if listed:
        if any(about) or any(said.values()):
            raise click.UsageError("--list takes what is decided from the file: leave the rest out.")
        _of_list(folder, Path(listed), by, preview, as_json)
        return
    if preview or not all(text is not None for text in about):
        raise click.UsageError("AGENCY HOME_ID CHECK_ID WHAT are needed, or --list FILE.")
    from pipelines.fleet.decided import Decision
    from pipelines.receiving import taking

    agency, home_id, check_id, what = about
    one = Decision(
        who=by,
        agency=agency,
        home_id=home_id,
        check_id="" if check_id == "-" else check_id,
        what=what.replace("-", " ").strip().lower(),
    )
    taken = taking.take(fleet_of(folder), snapshot_of(folder), [replace(one, **said)])
    if as_json:
        lines = [{name: value for name, value in vars(one).items() if name != "line_before"} for one in taken]
        print_json({"decisions": lines})
    else:
        for one in taken:
            system = f", system {one.system_id}" if one.system_id else ""
            click.echo(plain(f"decision {one.id}: {one.what}, home {one.home_id}{system} of {one.agency}"))


def _of_list(folder, path, by, preview, as_json):
    """Record, or preview, what a list that came back decides; status 1 where no row of it is usable."""
    from pipelines.answers import printed
    from pipelines.answers.access import EVERYTHING
    from pipelines.receiving import returned

    fleet, snapshot = fleet_of(folder), snapshot_of(folder)
    if preview:
        found, recorded = returned.look(EVERYTHING, fleet, snapshot, path), None
    else:
        found, recorded = returned.record(EVERYTHING, fleet, snapshot, path, by)
    if as_json:
        print_json(printed.returned_as_json(found, recorded))
    else:
        print_lines(printed.of_returned(found, recorded))
        print_lines(printed.refusals(found), err=True)
    sys.exit(0 if found.usable else 1)
