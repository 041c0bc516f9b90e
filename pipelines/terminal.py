"""The terminal around a command: progress while it runs, one line for what is refused, CTRL-C."""

import os
import re
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Timer
from typing import Any

import click

from pipelines.snapshot.progress import Progress

# By name, so that light commands load none of the modules where these stand.
REFUSALS = ("FleetError", "PolicyError", "MappingError", "ExportError", "NotFound", "Refused")
STOPPED = "Stopped. What was committed before is kept; run the command again to go on."
MAY_NOT = "permission denied: ask for access to it, or name another folder with --fleet"
TOO_LITTLE_MEMORY = (
    "There was too little memory: close other programs and run the command again. "
    "What was committed before is kept."
)
# As the system and libraries put it where they raise no MemoryError. The last: an allocation failed inside a
# library's own code, which then gave up without saying so.
NO_MEMORY = (
    "out of memory",
    "cannot allocate memory",
    "failed to map segment",
    "can't start new thread",
    "error return without exception set",
)
LITTLE_MEMORY = 64 << 20  # bytes
# Compiled libraries that end the process where they are interrupted while they are imported: let go on first.
NOT_TO_INTERRUPT, A_MOMENT = ("duckdb", "_duckdb"), 0.05


# What moves the cursor, colors, or turns the direction of writing. Line breaks and tabs are a print's own.
ORDERS = re.compile("[\0-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")


def plain(text: str) -> str:
    """A text as a terminal may have it: what gives it orders, in a name say, is spelt out as in JSON."""
    return ORDERS.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


class Command(click.Command):
    """A command that turns what the fleet, a mapping or a policy refuses into one line and exit status 1."""

    def invoke(self, ctx: click.Context) -> Any:
        with _interruptions() as pressed:
            try:
                _take_up_purge(ctx)
                return super().invoke(ctx)
            except (click.ClickException, click.exceptions.Exit, click.Abort):
                raise
            except (KeyboardInterrupt, Exception) as error:
                # Libraries may have made an error of their own of an interruption.
                if pressed or isinstance(error, KeyboardInterrupt):
                    click.echo(STOPPED, err=True)
                    sys.exit(1)
                if _lacked_memory(error):
                    click.echo(TOO_LITTLE_MEMORY, err=True)
                    sys.exit(1)
                if isinstance(error, PermissionError):
                    click.echo(plain(f"Cannot use {error.filename}: {MAY_NOT}."), err=True)
                    sys.exit(1)
                name = type(error).__name__
                if name == "ListError":
                    raise click.UsageError(plain(str(error))) from error
                if name not in REFUSALS:
                    if _at_the_end_of_memory():
                        click.echo(TOO_LITTLE_MEMORY, err=True)
                        sys.exit(1)
                    raise
                click.echo(plain(str(error)), err=True)
                sys.exit(1)


def _take_up_purge(ctx: click.Context) -> None:
    """Go on with a purge that was cut short in the command's fleet, and say so."""
    from pipelines.fleet.folder import Fleet

    fleet = Fleet(ctx.params["folder"])
    if ctx.info_name == "purge" or not fleet.purging.exists():
        return
    from pipelines.receiving import purge

    gone = purge.take_up(fleet)
    if gone and (gone.removed or gone.remaining):
        click.echo("A purge that was cut short goes on; coldfill rebuild publishes without it.", err=True)
        for line in (*(f"removed  {one}" for one in gone.removed), *gone.remaining):
            click.echo(plain(line), err=True)


def _lacked_memory(error: BaseException | None) -> bool:
    """Whether an error, or one that led to it, is for want of memory."""
    while error is not None:
        said = str(error).casefold()
        if isinstance(error, MemoryError) or any(words in said for words in NO_MEMORY):
            return True
        error = error.__cause__ or error.__context__
    return False


def _at_the_end_of_memory() -> bool:
    """Whether no more can be had: what fails then in a way that nobody foresaw, fails for want of it."""
    try:
        return not bytearray(LITTLE_MEMORY)
    except MemoryError:
        return True


def _being_imported(name: str) -> bool:
    spec = getattr(sys.modules.get(name), "__spec__", None)
    return bool(getattr(spec, "_initializing", False))


@contextmanager
def _interruptions() -> Iterator[list[int]]:
    """A list that has something in it once CTRL-C was pressed."""
    pressed: list[int] = []

    def press(number, frame):
        pressed.append(number)
        if any(_being_imported(name) for name in NOT_TO_INTERRUPT):
            Timer(A_MOMENT, os.kill, (os.getpid(), number)).start()
            return
        raise KeyboardInterrupt

    try:
        before = signal.signal(signal.SIGINT, press)
    except ValueError:  # not the main thread, which alone is interrupted
        yield pressed
        return
    try:
        yield pressed
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def showing_progress() -> Iterator[Progress]:
    """Progress and then its notes, on standard error."""
    with _while_it_runs() as progress:
        yield progress
    for note in progress.notes:
        click.echo(plain(note), err=True)


@contextmanager
def _while_it_runs() -> Iterator[Progress]:
    """Progress where a person is looking; elsewhere only that another load is awaited."""
    if not sys.stderr.isatty():
        yield Progress(say=lambda text: click.echo(plain(text), err=True) if "; waiting" in text else None)
        return
    from rich import progress as bars
    from rich.console import Console

    bar = bars.Progress(
        bars.SpinnerColumn(),
        bars.TextColumn("{task.description}", markup=False),
        bars.BarColumn(20),
        bars.TextColumn("{task.fields[rows]}"),
        bars.TimeRemainingColumn(),
        bars.TextColumn("left"),
        console=Console(stderr=True),
        transient=True,
    )
    task = bar.add_task("starting", total=None, rows="")

    def say(text: str) -> None:
        bar.reset(task, description=plain(text), total=None, rows="")

    def step(done: int, of: int) -> None:
        bar.update(task, completed=done, total=of)

    def file(name: str, rows: int, done: float, of: int) -> None:
        said = plain(f"reading {name}")
        bar.update(task, description=said, rows=f"{rows:,} rows", completed=done, total=of)

    with bar:
        yield Progress(say=say, step=step, file=file)
