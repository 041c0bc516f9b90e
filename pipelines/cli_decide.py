"""The command that records a decision."""

from dataclasses import replace

import click

from pipelines.calling import AS_JSON, by_option, command, day_option, fleet_of, print_json, snapshot_of
from pipelines.terminal import plain


@command(
    click.argument("agency"),
    click.argument("home_id"),
    click.argument("check_id"),
    click.argument("what"),
    by_option("Who decides."),
    click.option("--system", "system_id", default="", help="Of a home with several: which system."),
    click.option("--why", default="", help="The reason; accepted, deferred, refused and disputed need one."),
    day_option("--until", "Day to which it is accepted or deferred."),
    click.option("--to", default="", help="To whom it is referred or assigned."),
    click.option("--measure", default="", help="The measure ordered or done, by its id."),
    day_option("--done-on", "Day on which it was done."),
    click.option("--undoes", default="", metavar="N", help="The decision that is taken back, by its number."),
    AS_JSON,
)
def decide(folder, agency, home_id, check_id, what, by, until, done_on, as_json, **said):
    """Record a decision on an open deficiency: seen, ordered, done, accepted, deferred, referred, refused,
    "no access", assigned, disputed, upheld, overturned, "reading struck" or undone.

    In force at once, without a rebuild. CHECK_ID - means everything open there. What must be acted on today
    can be neither accepted nor deferred.

    Example: coldfill decide "Tillamere Community Partners" 16 - seen --by "Q. Manager" --fleet demo-fleet
    """
    from pipelines.fleet.decided import Decision
    from pipelines.receiving import taking

    said |= {name: day.isoformat() for name, day in (("until", until), ("done_on", done_on)) if day}
    about = Decision(
        who=by,
        agency=agency,
        home_id=home_id,
        check_id="" if check_id == "-" else check_id,
        what=what.replace("-", " ").strip().lower(),
    )
    decision = replace(about, **said)
    taken = taking.take(fleet_of(folder), snapshot_of(folder), [decision])
    if as_json:
        lines = [{name: value for name, value in vars(one).items() if name != "line_before"} for one in taken]
        print_json({"decisions": lines})
    else:
        for one in taken:
            system = f", system {one.system_id}" if one.system_id else ""
            click.echo(plain(f"decision {one.id}: {one.what}, home {one.home_id}{system} of {one.agency}"))
