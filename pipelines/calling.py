"""What commands share: the group, its options, and how what was asked is opened and printed.

Imports stand inside the functions, so that help and light commands answer at once.
"""

import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipelines.terminal import Command, plain

if TYPE_CHECKING:
    from pipelines.answers.access import Filters
    from pipelines.answers.listed import Sheet
    from pipelines.fleet.folder import Fleet
    from pipelines.fleet.snapshots import Snapshot


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="coldfill", prog_name="coldfill")
def main():
    """Checks inspection readings of hot-water heating systems across a fleet of homes.

    Results rest on recorded readings and are not a safety inspection; local code and the authority having
    jurisdiction rule over every default here.

    Example: coldfill demo --no-serve
    """


def command(*options: Callable, name: str | None = None) -> Callable:
    """A subcommand with --fleet, and the given options."""

    def wrap(function):
        for option in reversed(options):
            function = option(function)
        function = click.option(
            "--fleet",
            "folder",
            envvar="COLDFILL_FLEET",
            default="fleet",
            show_default=True,
            is_eager=True,
            metavar="DIR",
            help="The fleet folder; also from COLDFILL_FLEET.",
        )(function)
        return main.command(name=name, cls=Command)(function)

    return wrap


def day_option(flag: str, help: str) -> Callable:
    def as_date(context, option, value):
        return value.date() if value else None

    return click.option(flag, type=click.DateTime(["%Y-%m-%d"]), metavar="DATE", help=help, callback=as_date)


def only(name: str) -> Callable:
    return click.option(f"--{name}", multiple=True, help=f"Only this {name}; repeat for any of several.")


def file_out(help: str) -> Callable:
    return click.option("--out", type=click.Path(dir_okay=False), default=None, metavar="FILE", help=help)


RISKS = ("act today", "high", "serious", "medium", "low")
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")


def as_of_option() -> Callable:
    def as_date(context, option, value):
        from pipelines.fleet.logs import today

        return value.date() if value else today(Path(context.params["folder"]))

    said = "Day that clocks count to; today if not given."
    return click.option(
        "--as-of", type=click.DateTime(["%Y-%m-%d"]), metavar="DATE", help=said, callback=as_date
    )


AS_OF = as_of_option()
OUT = file_out("Write a .csv, .xlsx, .parquet or .json file; flagged also its work as .pdf.")
PORT = click.option("--port", default=8501, show_default=True, help="Port of the dashboard.")
WHOSE = (only("agency"), only("region"), only("crew"))
FILTERS = (
    *WHOSE,
    only("check"),
    only("stage"),
    click.option("--risk", type=click.Choice(RISKS), default=None, help="This risk or worse."),
    click.option("--risk-exactly", type=click.Choice(RISKS), default=None, help="This risk and no other."),
    click.option("--reported", type=click.Choice(["yes", "no"]), default=None, help="To the funder."),
    day_option("--since", "Open since this day or later."),
)


def by_option(help: str | None = None) -> Callable:
    return click.option("--by", default=lambda: os.environ.get("USER", ""), metavar="NAME", help=help)


def fleet_of(folder: str | Path) -> "Fleet":
    from pipelines.fleet.folder import Fleet

    return Fleet(folder)


def snapshot_of(folder: str | Path) -> "Snapshot":
    from pipelines.snapshot import inputs
    from pipelines.snapshot.version import attach

    snapshot = attach(fleet_of(folder).snapshot())
    if newer := inputs.ahead(fleet_of(folder)):
        click.echo(plain(newer.sentence()), err=True)
    return snapshot


@contextmanager
def stdout_kept() -> Iterator[None]:
    """What a library prints by itself goes to standard error, so that a document on standard output is one.

    The solver of plans, for one, has a line of its own that cannot be turned off.
    """
    sys.stdout.flush()
    try:
        before = os.dup(1)
        os.dup2(2, 1)
    except OSError:  # closed: nothing can come between
        yield
        return
    try:
        yield
    finally:
        os.dup2(before, 1)
        os.close(before)


def print_json(document: Any) -> None:
    click.echo(plain(json.dumps(document, allow_nan=False, ensure_ascii=False, indent=1, default=str)))


def print_lines(lines: Iterable[str], err: bool = False) -> None:
    for line in lines:
        click.echo(plain(line), err=err)


def filters_of(**chosen: Any) -> "Filters":
    from pipelines.answers.access import Filters

    return Filters(**{name: value for name, value in chosen.items() if value is not None})


def give(sheet: "Sheet", out: str | None, as_json: bool) -> None:
    from pipelines.answers import formats

    if as_json:
        print_json(formats.as_json(sheet))
    elif out:
        formats.write(sheet, Path(out))
        click.echo(f"{sheet.rows.num_rows:,} rows  {out}")
    else:
        click.echo(plain(formats.about_text(sheet)), err=True)
        click.echo(formats.as_csv(sheet).decode(), nl=False)
