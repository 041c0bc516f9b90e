"""The command that plans work for a budget."""

from pathlib import Path

import click

from pipelines.calling import (
    AS_JSON,
    AS_OF,
    WHOSE,
    command,
    file_out,
    filters_of,
    print_json,
    print_lines,
    snapshot_of,
    stdout_kept,
)
from pipelines.terminal import plain


def _hours(context, option, given):
    if not given:
        return ()
    from pipelines.answers.access import ListError
    from pipelines.answers.plans import hours_in

    try:
        return tuple(map(hours_in, given))
    except ListError as error:
        raise click.BadParameter(str(error)) from error


@command(
    click.option("--budget", type=float, required=True, metavar="DOLLARS", help="Money for the whole plan."),
    click.option(
        "--hours",
        multiple=True,
        metavar="AGENCY=N",
        callback=_hours,
        help="Crew hours of an agency; no limit for one that is not named; repeat for more.",
    ),
    click.option(
        "--weigh",
        type=click.Choice(["policy", "severity", "alike"]),
        default="policy",
        show_default=True,
        help="How risk is weighed: as the policy says, by severity alone, or every deficiency alike.",
    ),
    *WHOSE,
    AS_OF,
    file_out("Write the plan, and what is not in it and why, as .csv, .xlsx, .parquet or .json."),
    click.option(
        "--packets",
        "packets_out",
        type=click.Path(dir_okay=False),
        default=None,
        metavar="FILE",
        help="Write its work packets, by crew and day: .pdf or .xlsx to hand out, .csv of the jobs alone.",
    ),
    AS_JSON,
)
def plan(folder, budget, hours, weigh, as_of, out, packets_out, as_json, **chosen):
    """The work that removes the most risk for this money: act today always, then by what it is worth.

    Costs and hours of measures, weights of risk and what comes first stand in the policy, funds in the
    fleet's funds.toml. What was accepted, deferred, referred, refused or ordered
    is not planned again.

    Example: coldfill plan --budget 100000 --out plan.xlsx --fleet demo-fleet
    """
    from pipelines.answers import formats, packet_files, plan_told, plans
    from pipelines.answers.access import EVERYTHING
    from pipelines.fleet.logs import attempting

    ending = Path(packets_out).suffix.lower() if packets_out else ""
    if packets_out and ending not in packet_files.ENDINGS:
        raise click.UsageError(f"{packets_out}: packets end in {', '.join(packet_files.ENDINGS)}.")
    snapshot = snapshot_of(folder)
    asked = plans.Asked(budget, hours, weigh, filters_of(**chosen))
    with stdout_kept():
        found = plans.planned(EVERYTHING, snapshot, asked, as_of)
    if out:
        formats.write(plan_told.sheet(snapshot, found), Path(out))
    if packets_out:
        data = packet_files.made(packet_files.of_plan(EVERYTHING, snapshot, found), ending)
        with attempting("write", Path(packets_out)):
            Path(packets_out).write_bytes(data)
    if as_json:
        print_json(plan_told.document(found))
    else:
        print_lines(plan_told.lines(found))
        if out:
            click.echo(plain(f"list          {out}"))
        if packets_out:
            click.echo(plain(f"packets       {packets_out}"))
