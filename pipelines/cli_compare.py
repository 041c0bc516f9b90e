"""Commands that compare what is open: under another policy, and between two moments."""

from pathlib import Path

import click

from pipelines.calling import (
    AS_JSON,
    WHOSE,
    by_option,
    command,
    file_out,
    filters_of,
    fleet_of,
    print_json,
    print_lines,
    stdout_kept,
)
from pipelines.terminal import showing_progress


@command(
    click.option(
        "--policy",
        "file",
        type=click.Path(exists=True, dir_okay=False, path_type=Path),
        default=None,
        metavar="FILE",
        help="Try this file in the place of the fleet's policy.toml.",
    ),
    click.option(
        "--set",
        "changes",
        multiple=True,
        metavar="NAME=VALUE",
        help="Try the fleet's policy with this value, as limits.cold_margin_psi=5; repeat for more.",
    ),
    click.option(
        "--budget",
        type=click.FloatRange(min=0),
        default=100_000.0,
        show_default=True,
        metavar="DOLLARS",
        help="Of the plans that are compared.",
    ),
    file_out("Write the policy that was tried, to be adopted with coldfill policy --adopt."),
    *WHOSE,
    AS_JSON,
)
def whatif(folder, file, changes, budget, out, as_json, **chosen):
    """Which homes would gain and lose which flags under another policy, before it is adopted.

    Nothing is published or changed. Takes about as long as a rebuild.

    Example: coldfill whatif --set limits.cold_margin_psi=5 --fleet ./demo-fleet
    """
    from pipelines.answers import whatif as asked
    from pipelines.answers.access import EVERYTHING, demand_known
    from pipelines.engine.policy.edits import edit
    from pipelines.receiving import adopting
    from pipelines.snapshot.version import attach

    if (file is None) == (not changes):
        raise click.UsageError("Name either a file with --policy or values with --set.")
    fleet, filters = fleet_of(folder), filters_of(**chosen)
    demand_known(EVERYTHING, attach(fleet.snapshot()), filters)
    text = file.read_bytes() if file else adopting.proposed(fleet, tuple(map(edit, changes)))
    with stdout_kept(), showing_progress() as progress:
        tried = asked.tried(fleet, text, str(file or fleet.policy), progress, budget)
    if out:
        Path(out).write_bytes(text)
    found = asked.told(EVERYTHING, attach(tried.snapshot), filters, tried)
    print_json(asked.as_json(found, filters)) if as_json else print_lines(asked.lines(found))
    if out:
        click.echo(f"policy  {out}", err=as_json)


@command(
    click.option("--from", "before", required=True, metavar="MOMENT", help="The earlier moment."),
    click.option("--to", "after", default=None, metavar="MOMENT", help="The later one; else the newest."),
    click.option(
        "--remade",
        is_flag=True,
        help="Work days out again from the log's lines received by then, with today's policy.",
    ),
    *WHOSE,
    AS_JSON,
)
def changes(folder, before, after, remade, as_json, **chosen):
    """What changed between two moments: newly flagged, corrected, recurred, worsened, gone, and why.

    A moment is the number of a snapshot, a name (coldfill keep), or a day: the last load by its end, in UTC.
    These are changes over loads, of when it was known; not over visits, of when it was seen.

    Example: coldfill changes --from 1 --to 2 --fleet ./demo-fleet
    """
    from pipelines.answers import changes as asked
    from pipelines.answers.access import EVERYTHING, demand_known
    from pipelines.snapshot.version import attach

    fleet, filters = fleet_of(folder), filters_of(**chosen)
    newest = fleet.snapshot()
    demand_known(EVERYTHING, attach(newest), filters)
    with showing_progress() as progress:
        to = after or str(int(newest.name[:8]))
        found = asked.changed(fleet, before, to, remade=remade, progress=progress)
    if as_json:
        print_json(asked.as_json(EVERYTHING, filters, found))
    else:
        print_lines(asked.lines(EVERYTHING, filters, found))


@command(click.argument("name"), by_option("Who names it."), AS_JSON)
def keep(folder, name, by, as_json):
    """Name the present moment, so that what is open now can be compared with later; it is kept for good.

    Example: coldfill keep "as reported in June" --fleet ./demo-fleet
    """
    from pipelines.fleet import moments

    moment = moments.give_name(fleet_of(folder), name, by)
    if as_json:
        print_json({"snapshot": moment.state.snapshot, "day": moment.day, "names": list(moment.names)})
    else:
        print_lines([f"kept  {moment.names[-1]}: {moment.state.snapshot} of {moment.day}"])
