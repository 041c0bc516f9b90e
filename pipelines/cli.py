"""The command `coldfill`: parse, call, print. Nothing is computed here.

Imports stand inside the commands, so that help and light commands answer at once.
"""

import json
import os
import signal
import sys
from contextlib import contextmanager
from datetime import date
from pathlib import Path

import click

PROJECT = Path(__file__).parent.parent
DEMO_MARK = ".made-by-coldfill-demo"


class Command(click.Command):
    """A command that turns what the fleet, a mapping or a policy refuses into one line and exit status 1."""

    def invoke(self, ctx):
        with _interruptions() as stopped:
            try:
                return super().invoke(ctx)
            except (click.ClickException, click.exceptions.Exit, click.Abort):
                raise
            except (KeyboardInterrupt, Exception) as error:
                if stopped or isinstance(error, KeyboardInterrupt):  # or what a library made of it
                    click.echo(
                        "Stopped. What was committed before is kept; run the command again to go on.",
                        err=True,
                    )
                    sys.exit(1)
                name = type(error).__name__
                if name == "ListError":
                    raise click.UsageError(str(error)) from error
                if name not in ("FleetError", "PolicyError", "MappingError", "ExportError", "NotFound"):
                    raise
                click.echo(str(error), err=True)
                sys.exit(1)


@contextmanager
def _interruptions():
    """A list that has something in it once CTRL-C was pressed."""
    pressed = []

    def press(number, frame):
        pressed.append(number)
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


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="coldfill", prog_name="coldfill")
def main():
    """Checks inspection readings of hot-water heating systems across a fleet of homes.

    Results rest on recorded readings and are not a safety inspection; local code and the authority having
    jurisdiction rule over every default here.

    Example: coldfill demo --no-serve
    """


def command(*options, name=None):
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
            metavar="DIR",
            help="The fleet folder; also from COLDFILL_FLEET.",
        )(function)
        return main.command(name=name, cls=Command)(function)

    return wrap


AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
AS_OF = click.option(
    "--as-of",
    type=click.DateTime(["%Y-%m-%d"]),
    default=None,
    metavar="DATE",
    help="Day that clocks count to; today if not given.",
)
FILTERS = tuple(
    click.option(f"--{name}", multiple=True, help=f"Only this {name}; repeat for any of several.")
    for name in ("agency", "region", "crew", "check", "stage")
) + (
    click.option(
        "--risk",
        type=click.Choice(["act today", "high", "serious", "medium", "low"]),
        default=None,
        help="This risk or worse.",
    ),
    click.option(
        "--since",
        type=click.DateTime(["%Y-%m-%d"]),
        default=None,
        metavar="DATE",
        help="Open since this day or later.",
    ),
)


def _fleet(folder):
    from pipelines.fleet.folder import Fleet

    return Fleet(folder)


def _snapshot(folder):
    from pipelines.build.version import attach

    fleet = _fleet(folder)
    return fleet, attach(fleet.snapshot())


def _print_json(document):
    click.echo(json.dumps(document, allow_nan=False, ensure_ascii=False, indent=1, default=str))


def _progress():
    """Progress on standard error where a person is looking, nothing otherwise."""
    from pipelines.build.progress import Progress

    if not sys.stderr.isatty():
        return Progress(
            say=lambda text: click.echo(text, err=True) if "; waiting" in text else None
        ), lambda: None
    from rich import progress as bars
    from rich.console import Console
    from rich.progress import BarColumn, SpinnerColumn, TextColumn, TimeRemainingColumn

    said, rows = TextColumn("{task.description}", markup=False), TextColumn("{task.fields[rows]}")
    bar = bars.Progress(
        SpinnerColumn(),
        said,
        BarColumn(20),
        rows,
        TimeRemainingColumn(),
        TextColumn("left"),
        console=Console(stderr=True),
        transient=True,
    )
    task = bar.add_task("starting", total=None, rows="")
    bar.start()

    def file(name, rows, done, of):
        bar.update(task, description=f"reading {name}", rows=f"{rows:,} rows", completed=done, total=of)

    return Progress(
        say=lambda text: bar.reset(task, description=text, total=None, rows=""),
        step=lambda done, of: bar.update(task, completed=done, total=of),
        file=file,
    ), bar.stop


def _load(folder, paths, **options):
    """(fleet, arrivals, snapshot path or None) of a load."""
    from pipelines.build import stages
    from pipelines.receiving import door

    fleet = _fleet(folder)
    progress, stop = _progress()
    try:
        arrivals = door.load(fleet, paths, **options, say=progress.say)
        used = any(arrival.status != "kept out" for arrival in arrivals)
        path = stages.build(fleet, progress) if used else None
    finally:
        stop()
    return fleet, arrivals, path


@command(
    click.argument("paths", nargs=-1, required=True, type=click.Path(exists=True)),
    click.option(
        "--mapping",
        default=None,
        metavar="NAME",
        help="Read every file with this mapping instead of recognizing it.",
    ),
    click.option("--agency", default=None, metavar="NAME", help="Agency of files that do not name one."),
    click.option(
        "--by",
        default=lambda: os.environ.get("USER", ""),
        metavar="NAME",
        help="Who loads; goes into the log.",
    ),
    click.option(
        "--keep-columns",
        multiple=True,
        metavar="HEADING",
        help="Keep this column though it looks personal and nothing uses it; repeat for more.",
    ),
    click.option(
        "--strict",
        is_flag=True,
        help="Anything that would not be loaded (a file, row, cell or column) is an error, and nothing is loaded then.",
    ),
    click.option("--preview", is_flag=True, help="Show how the files would be read; load nothing."),
    AS_JSON,
)
def load(folder, paths, mapping, agency, by, keep_columns, strict, preview, as_json):
    """Load CSV exports into the fleet and publish a new snapshot.

    A folder stands for the *.csv, *.tsv and *.txt directly in it. A file that cannot be used is named and kept out.
    Columns that look personal and that no field and no `carry` of the mapping uses are dropped before anything is stored.

    Example: coldfill load inbox --fleet ./fleet
    """
    from pipelines.build.version import attach
    from pipelines.receiving import report

    if preview:
        _demand_mapping(folder, mapping)
        return _preview(folder, paths, mapping, as_json)
    _demand_mapping(folder, mapping)
    fleet, arrivals, path = _load(
        folder, paths, mapping=mapping, agency=agency, by_whom=by, keep_columns=keep_columns, strict=strict
    )
    snapshot = attach(path) if path else None
    rows = report.reports(fleet, snapshot, arrivals)
    if as_json:
        _print_json(
            {
                "snapshot": path.name if path else None,
                "exports": [row for row in rows if row["status"] != "kept out"],
                "kept_out": [
                    {"file_name": row["file_name"], "why": row["reason"]}
                    for row in rows
                    if row["status"] == "kept out"
                ],
            }
        )
    else:
        _print_load(rows, snapshot)
    if path is None:
        sys.exit(1)
    return None


def _demand_mapping(folder, name):
    from pipelines.build.exports import mappings_of

    there = [mapping.name for mapping in mappings_of(_fleet(folder))]
    if name is not None and name not in there:
        raise click.BadParameter(
            f"there is no mapping {name!r}; there are {', '.join(there)}.", param_hint="--mapping"
        )


def _print_load(rows, snapshot):
    for row in rows:
        if row["status"] == "kept out":
            click.echo(f"kept out  {row['reason']}", err=True)
            continue
        click.echo(f"{row['status']}  {row['file_name']}  ({row['agency']}, mapping {row['mapping']})")
        click.echo(
            f"  rows: {row['rows_read']:,} read, {row['rows_kept']:,} in force, {row['rows_not_loaded']:,} not loaded, "
            f"{row['rows_repeated']:,} repeated, {row['rows_superseded']:,} superseded; {row['cells_not_loaded']:,} cells not used"
        )
        for dropped in row["dropped"]:
            click.echo(
                f"  dropped, not stored: {dropped['heading']!r} ({dropped['why']}); a field or carry in the mapping keeps it, or --keep-columns"
            )
        for remark in filter(None, (row["reason"], *row["remarks"])):
            click.echo(f"  note: {remark}")
        for line in row["not_loaded"]:
            click.echo(f"  not loaded: {line}")
        click.echo(f"  {row['answers']}")
    if snapshot is not None:
        click.echo(f"snapshot  {snapshot.name}")


def _preview(folder, paths, mapping, as_json):
    from pipelines.receiving import door, trial

    fleet = _fleet(folder)
    found = [trial.preview(fleet, path, mapping) for path in door.files_in(paths)]
    if as_json:
        return _print_json({"files": found})
    for one in found:
        click.echo(f"{one['file_name']}: {one['says']}")
        for key in ("encoding", "delimiter", "heading_line", "mapping"):
            if one.get(key):
                click.echo(
                    f"  {key.replace('_', ' ')}: {one[key]!r}"
                    if key == "delimiter"
                    else f"  {key.replace('_', ' ')}: {one[key]}"
                )
        for note in one.get("notes", ()):
            click.echo(f"  note: {note}")
        for line in one.get("columns", ()):
            click.echo(f"  {line}")
    return None


@command(
    click.option(
        "--state", type=int, default=None, metavar="N", help="Remake an old snapshot by its number."
    ),
    AS_JSON,
)
def rebuild(folder, state, as_json):
    """Build the snapshot anew from the exports and the log.

    Example: coldfill rebuild --fleet ./fleet
    """
    from pipelines.build import stages

    progress, stop = _progress()
    try:
        fleet = _fleet(folder)
        path = stages.rebuild_state(fleet, state, progress) if state else stages.build(fleet, progress)
    finally:
        stop()
    _print_json({"snapshot": path.name}) if as_json else click.echo(f"snapshot  {path.name}")


@command(
    click.option("--no-serve", is_flag=True, help="Stop before opening the dashboard."),
    click.option("--port", default=8501, show_default=True, help="Port of the dashboard."),
)
def demo(folder, no_serve, port):
    """Load the invented sample exports into ./demo-fleet, write a flagged-home list, and open the dashboard.

    Example: coldfill demo --no-serve
    """
    import shutil

    from pipelines.answers import formats, lists
    from pipelines.answers.access import EVERYTHING, Filters
    from pipelines.answers.lists import CAUTIONS
    from pipelines.build.version import attach
    from pipelines.fleet.logs import FleetError
    from pipelines.receiving import report

    samples, target = PROJECT / "sample_exports", Path("demo-fleet")
    if not samples.is_dir():
        raise FleetError(f"{samples} is not there: run the demo from a checkout of the project.")
    if target.exists():
        if not (target / DEMO_MARK).exists():
            raise FleetError(
                f"{target} was not made by coldfill demo and is left alone: move it away, or run from another folder."
            )
        for path in target.rglob("*"):
            if path.is_file():
                path.chmod(0o644)
        shutil.rmtree(target)
    target.mkdir()
    (target / DEMO_MARK).write_text("coldfill demo may empty this folder\n", encoding="utf-8")
    shutil.copytree(samples / "fleet", target, dirs_exist_ok=True)
    fleet, arrivals, path = _load(target, [samples], by_whom="demo")
    snapshot = attach(path)
    _print_load(report.reports(fleet, snapshot, arrivals), snapshot)
    sheet = lists.flagged(EVERYTHING, snapshot, Filters(), date.today())
    fleet.lists.mkdir(exist_ok=True)
    written = fleet.lists / "flagged-homes.xlsx"
    formats.write(sheet, written)
    click.echo(
        f"flagged  {len(sheet.frame):,} open deficiencies in {sheet.frame[['agency', 'home_id']].drop_duplicates().shape[0]:,} homes: {written}"
    )
    for caution in CAUTIONS[:1]:
        click.echo(caution)
    if not no_serve:
        _serve(target, port)


@command(click.option("--port", default=8501, show_default=True, help="Port of the dashboard."))
def serve(folder, port):
    """Open the dashboard for this fleet at a local address.

    Example: coldfill serve --fleet ./fleet
    """
    _serve(folder, port)


def _serve(folder, port):
    click.echo(f"dashboard  http://127.0.0.1:{port}   (CTRL-C stops it)")
    sys.stdout.flush()
    os.environ["COLDFILL_FLEET"] = str(Path(folder).resolve())
    os.chdir(PROJECT)
    call = [
        "-m",
        "streamlit",
        "run",
        str(PROJECT / "dashboard" / "app.py"),
        "--server.port",
        str(port),
        "--server.headless",
        "true",
    ]
    os.execv(sys.executable, [sys.executable, *call])


@command(
    click.argument("sha256", metavar="HASH"),
    click.option("--why", required=True, help="Why the export is removed; stays in the log."),
    click.option("--by", default=lambda: os.environ.get("USER", ""), metavar="NAME"),
)
def purge(folder, sha256, why, by):
    """Remove a stored export for good; its line in the log stays, and the next snapshot is without it.

    Example: coldfill purge 4331928aa2c6 --why "sent by mistake" --fleet ./fleet
    """
    from pipelines.build import stages
    from pipelines.receiving import purge

    fleet = _fleet(folder)
    line = purge.purge(fleet, sha256, why, by)
    path = stages.build(fleet)
    gone = purge.forget(fleet, line)
    click.echo(f"purged  {line.file_name} ({line.sha256[:12]})")
    for name in gone:
        click.echo(f"removed  {name}, which was made with it")
    click.echo(f"snapshot  {path.name}")


def _filters(agency, region, crew, check, stage, risk, since):
    from pipelines.answers.access import Filters

    return Filters(
        agency=agency,
        region=region,
        crew=crew,
        check=check,
        stage=stage,
        risk=risk or "",
        since=since.date() if since else None,
    )


def _day(as_of):
    return as_of.date() if as_of else date.today()


OUT = click.option(
    "--out",
    type=click.Path(dir_okay=False),
    default=None,
    metavar="FILE",
    help="Write a .csv, .xlsx or .parquet file.",
)


def _give(sheet, out, as_json):
    from pipelines.answers import formats

    if as_json:
        return _print_json(formats.as_json(sheet))
    if out:
        formats.write(sheet, Path(out))
        return click.echo(f"{len(sheet.frame):,} rows  {out}")
    click.echo(formats.about_text(sheet), err=True)
    click.echo(formats.as_csv(sheet).decode(), nl=False)
    return None


@command(OUT, AS_OF, *FILTERS, AS_JSON)
def flagged(folder, out, as_of, agency, region, crew, check, stage, risk, since, as_json):
    """The flagged-home list: one row per open deficiency, what to fix first, and when it is due.

    Example: coldfill flagged --risk serious --out flagged.xlsx --fleet ./fleet
    """
    from pipelines.answers import lists
    from pipelines.answers.access import EVERYTHING

    _, snapshot = _snapshot(folder)
    _give(
        lists.flagged(
            EVERYTHING, snapshot, _filters(agency, region, crew, check, stage, risk, since), _day(as_of)
        ),
        out,
        as_json,
    )


@command(OUT, AS_OF, *FILTERS[:3], AS_JSON)
def hold(folder, out, as_of, agency, region, crew, as_json):
    """Units to hold before reporting, and why.

    Example: coldfill hold --out hold.csv --fleet ./fleet
    """
    from pipelines.answers import lists
    from pipelines.answers.access import EVERYTHING

    _, snapshot = _snapshot(folder)
    _give(
        lists.hold(EVERYTHING, snapshot, _filters(agency, region, crew, (), (), None, None), _day(as_of)),
        out,
        as_json,
    )


@command(click.argument("agency"), click.argument("inspection_id"), AS_JSON)
def explain(folder, agency, inspection_id, as_json):
    """How every number of one inspection came to be, from the line of the file on.

    Example: coldfill explain "Hollin Peaks Home Repair" 2 --fleet ./demo-fleet
    """
    from pipelines.answers import explain
    from pipelines.answers.access import EVERYTHING

    _, snapshot = _snapshot(folder)
    found = explain.inspection(EVERYTHING, snapshot, agency, inspection_id)
    _print_json(explain.as_json(found)) if as_json else click.echo(explain.as_text(found))


@command(
    click.argument("file", type=click.Path(exists=True, dir_okay=False)),
    click.option("--name", default=None, help="Name of the mapping; the file's own if not given."),
    click.option("--agency", default=None, help="Agency the mapping names."),
    click.option(
        "--out",
        type=click.Path(dir_okay=False),
        default=None,
        metavar="FILE",
        help="Where the draft goes; standard output if not given.",
    ),
    name="map",
)
def map_(folder, file, name, agency, out):
    """Draft a mapping for an unknown export, to edit and put into the fleet's mappings folder.

    Example: coldfill map export.csv --out fleet/mappings/export.toml
    """
    from pipelines.receiving import trial

    text = trial.draft_mapping(_fleet(folder), Path(file), name, agency)
    if out:
        Path(out).parent.mkdir(parents=True, exist_ok=True)
        Path(out).write_text(text, encoding="utf-8")
        return click.echo(f"draft  {out}")
    return click.echo(text, nl=False)


@command(AS_JSON)
def status(folder, as_json):
    """What stands: the current snapshot, and whether the log is ahead of it.

    Example: coldfill status --fleet ./fleet
    """
    found = _fleet(folder).status()
    if as_json:
        return _print_json(found)
    ahead = found["ahead"]
    click.echo(f"fleet     {found['fleet']}")
    click.echo(
        f"snapshot  {found['snapshot'] or 'none yet'}"
        + (f", published {found['published']}" if found["published"] else "")
    )
    click.echo(
        f"log       {found['log_length']} lines"
        + (
            f", {ahead} ahead of the snapshot: run coldfill rebuild"
            if ahead
            else ", all in the snapshot"
            if found["snapshot"] and ahead == 0
            else ""
        )
    )
    if found["newest_received"]:
        click.echo(f"newest    {found['newest_received']['file_name']}, {found['newest_received']['when']}")
    return click.echo("loading   another load is running" if found["loading"] else "loading   no")


@command(AS_JSON)
def checks(folder, as_json):
    """Every check: what it is about, how grave, and on whose authority.

    Example: coldfill checks
    """
    from pipelines.engine.checks import CHECKS

    rows = [
        {
            "check_id": c.id,
            "title": c.title,
            "group": c.group,
            "safety_critical": c.safety_critical,
            "act_today": c.act_today,
            "severity": c.severity,
            "probability": c.probability,
            "remedy": c.remedy,
            "source": c.source,
        }
        for c in CHECKS
    ]
    if as_json:
        return _print_json({"checks": rows})
    for row in rows:
        marks = ", act today" if row["act_today"] else ", safety-critical" if row["safety_critical"] else ""
        click.echo(f"{row['check_id']:32} {row['title']} ({row['group']}{marks})")
    return None


@command(
    click.option(
        "--sheet", is_flag=True, help="Print a one-page reading sheet and the headings of an empty CSV."
    ),
    AS_JSON,
)
def fields(folder, sheet, as_json):
    """Every field an export may carry: unit, words, plausible range.

    Example: coldfill fields --sheet
    """
    if sheet:
        from pipelines.answers.sheet import empty_csv, reading_sheet

        click.echo(reading_sheet())
        return click.echo(empty_csv(), nl=False)
    from pipelines.fields import FIELDS

    if as_json:
        return _print_json(
            {
                "fields": [
                    {
                        "name": f.name,
                        "group": f.group,
                        "kind": f.kind,
                        "unit": f.unit,
                        "words": list(f.words),
                        "plausible": f.plausible,
                        "required": f.required,
                        "personal": f.personal,
                        "meaning": f.meaning,
                    }
                    for f in FIELDS
                ]
            }
        )
    for f in FIELDS:
        span = (
            f"{f.plausible[0]:,} to {f.plausible[1]:,} {f.unit or ''}".strip()
            if f.plausible
            else ", ".join(f.words) or f.kind
        )
        click.echo(f"{f.name:26} {f.meaning}{' (required)' if f.required else ''}: {span}")
    return None


@command(AS_JSON)
def policy(folder, as_json):
    """The policy in force: every limit with its mark and reason.

    Example: coldfill policy --fleet ./fleet
    """
    from pipelines.build import inputs

    found = inputs.policy_of(_fleet(folder))
    if as_json:
        return _print_json({"sha256": found.sha256, **json.loads(found.text)})
    click.echo(f"policy {found.sha256[:12]}")
    for limit in found.limits.values():
        click.echo(f"{limit.name:30} {limit.value:g} {limit.unit:9} {limit.mark:15} {limit.why}")
    for name, entry in found.accepted.items():
        click.echo(f"{name:30} {', '.join(entry['words'])}  {entry['mark']}: {entry['why']}")
    return None


@command(AS_JSON)
def verify(folder, as_json):
    """Prove the fleet: stored exports against their hashes, and the current snapshot against one rebuilt from them.

    Example: coldfill verify --fleet ./fleet
    """
    from pipelines.build import stages

    progress, stop = _progress()
    try:
        faults = stages.verify(_fleet(folder), progress)
    finally:
        stop()
    if as_json:
        _print_json({"faults": faults})
    else:
        for fault in faults:
            click.echo(fault, err=True)
        click.echo(
            "The snapshot equals one rebuilt from the stored exports."
            if not faults
            else f"{len(faults)} faults found."
        )
    sys.exit(1 if faults else 0)


if __name__ == "__main__":
    main()
