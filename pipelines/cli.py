"""The command `coldfill`: parse, call, print. Nothing is computed here.

Imports stand inside the commands, so that help and light commands answer at once.
"""

import json
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipelines.calling import (
    AS_JSON,
    AS_OF,
    FILTERS,
    OUT,
    PORT,
    WHOSE,
    by_option,
    command,
    file_out,
    filters_of,
    fleet_of,
    give,
    main,
    print_json,
    print_lines,
    snapshot_of,
)
from pipelines.cli_audit import crews, sample
from pipelines.cli_compare import changes, keep, whatif
from pipelines.cli_decide import decide
from pipelines.cli_handover import board, monitoring, notice, packets
from pipelines.cli_plan import plan
from pipelines.serving import OWN_ADDRESS, exposure
from pipelines.terminal import plain, showing_progress

if TYPE_CHECKING:
    from pipelines.fleet.snapshots import Snapshot

__all__ = [
    "board",
    "changes",
    "crews",
    "decide",
    "keep",
    "main",
    "monitoring",
    "notice",
    "packets",
    "plan",
    "sample",
    "whatif",
]


def _load(folder: str | Path, paths: Iterable[str | Path], **options: Any):
    """(what became of each file, snapshot or None) of a load."""
    from pipelines.receiving import door, report
    from pipelines.snapshot import stages
    from pipelines.snapshot.version import attach

    fleet = fleet_of(folder)
    with showing_progress() as progress:
        arrivals = door.load(fleet, paths, **options, say=progress.say)
        used = any(arrival.status != "kept out" for arrival in arrivals)
        path = stages.build(fleet, progress) if used else None
    snapshot = attach(path) if path else None
    return report.reports(fleet, snapshot, arrivals), snapshot


def _print_load(rows: list[dict[str, Any]], snapshot: "Snapshot | None") -> None:
    from pipelines.answers import printed

    for row in rows:
        if row["status"] == "kept out":
            click.echo(plain(f"kept out  {row['reason']}"), err=True)
        else:
            print_lines(printed.of_load(row))
    if snapshot is not None:
        click.echo(f"snapshot  {snapshot.name}")


@command(
    click.argument("paths", nargs=-1, required=True, type=click.Path(exists=True, readable=False)),
    click.option(
        "--mapping",
        default=None,
        metavar="NAME",
        help="Read every file with this mapping instead of recognizing it.",
    ),
    click.option("--agency", default=None, metavar="NAME", help="Agency of files that do not name one."),
    by_option("Who loads; goes into the log."),
    click.option(
        "--keep-columns",
        multiple=True,
        metavar="HEADING",
        help="Keep this column though it looks personal and nothing uses it; repeat for more.",
    ),
    click.option(
        "--strict",
        is_flag=True,
        help="Anything that would not be loaded (a file, row, cell or column) is an error, "
        "and nothing is loaded then.",
    ),
    click.option("--preview", is_flag=True, help="Show how the files would be read; load nothing."),
    AS_JSON,
)
def load(folder, paths, mapping, agency, by, keep_columns, strict, preview, as_json):
    """Load CSV exports into the fleet and publish a new snapshot.

    A folder stands for the *.csv, *.tsv and *.txt directly in it. A file that cannot be used is named and
    kept out. Columns that look personal and that no field and no `carry` of the mapping uses are dropped
    before anything is stored.

    Example: coldfill load inbox --fleet ./fleet
    """
    from pipelines.answers import printed

    _demand_mapping(folder, mapping)
    if preview:
        _preview(folder, paths, mapping, as_json)
        return
    rows, snapshot = _load(
        folder, paths, mapping=mapping, agency=agency, by_whom=by, keep_columns=keep_columns, strict=strict
    )
    document = printed.as_json(rows, snapshot)
    print_json(document) if as_json else _print_load(rows, snapshot)
    sys.exit(0 if snapshot else 1)


def _demand_mapping(folder, name):
    from pipelines.snapshot.exports import mappings_of

    there = [mapping.name for mapping in mappings_of(fleet_of(folder))]
    if name not in (None, *there):
        wrong = f"there is no mapping {name!r}; there are {', '.join(there)}."
        raise click.BadParameter(wrong, param_hint="--mapping")


def _preview(folder, paths, mapping, as_json):
    from pipelines.answers import printed
    from pipelines.receiving import door, preview

    fleet = fleet_of(folder)
    found = [preview.preview(fleet, path, mapping) for path in door.files_in(paths)]
    lines = (line for one in found for line in printed.of_preview(one))
    print_json({"files": found}) if as_json else print_lines(lines)


@command(
    click.option("--state", type=int, metavar="N", help="Remake an old snapshot by its number."),
    click.option(
        "--without",
        multiple=True,
        metavar="HASH",
        help="Go on without this export, whose stored file is lost; stays in the log; repeat for more.",
    ),
    by_option(),
    AS_JSON,
)
def rebuild(folder, state, without, by, as_json):
    """Build the snapshot anew from the exports and the log, and put it in the place of one that is wrong.

    Example: coldfill rebuild --fleet ./fleet
    """
    from pipelines.answers import printed
    from pipelines.receiving import purge
    from pipelines.snapshot import stages

    fleet = fleet_of(folder)
    for sha256 in without:
        purge.give_up(fleet, sha256, by)
    with showing_progress() as progress:
        rebuilt = stages.rebuild_state(fleet, state, progress) if state else stages.rebuild(fleet, progress)
    print_json(stages.as_json(rebuilt)) if as_json else print_lines(
        printed.of_rebuild(stages.as_json(rebuilt))
    )


@command(click.option("--no-serve", is_flag=True, help="Stop before opening the dashboard."), PORT)
def demo(folder, no_serve, port):
    """Load the invented sample exports into ./demo-fleet, write a flagged-home list, and open the dashboard.

    They come as in three months of a scenario, and due dates count to its last day.

    Example: coldfill demo --no-serve
    """
    from pipelines.answers import cautions, formats, lists
    from pipelines.answers.access import EVERYTHING, Filters
    from pipelines.fleet.logs import today
    from pipelines.receiving import demo as scenario

    target = Path("demo-fleet")
    scenario.fresh_folder(target)
    rows, snapshot = scenario.load(target, lambda files: _load(target, files, by_whom="demo"))
    _print_load(rows, snapshot)
    sheet = lists.flagged(EVERYTHING, snapshot, Filters(), today(target))
    written = fleet_of(target).lists / "flagged-homes.xlsx"
    written.parent.mkdir(exist_ok=True)
    formats.write(sheet, written)
    count, homes = sheet.rows.num_rows, sheet.count_homes()
    click.echo(f"flagged  {count:,} open deficiencies in {homes:,} homes: {written}")
    click.echo(cautions.CAUTIONS[0])
    if not no_serve:
        _serve(target, port)


@command(
    PORT,
    click.option(
        "--listen",
        default=OWN_ADDRESS,
        show_default=True,
        metavar="ADDRESS",
        help="Address to listen on; any but this machine's own needs --no-sign-in as well.",
    ),
    click.option(
        "--host",
        "hosts",
        multiple=True,
        metavar="NAME",
        help="Answer under this name too, besides localhost, 127.0.0.1 and [::1]; repeat for more.",
    ),
    click.option(
        "--no-sign-in",
        is_flag=True,
        help="Everybody who reaches the address may read and change the whole fleet: that is meant.",
    ),
)
def serve(folder, port, listen, hosts, no_sign_in):
    """Open the dashboard for this fleet, at an address of this machine only unless --listen names another.

    Example: coldfill serve --fleet ./fleet
    """
    try:
        exposed = exposure(listen)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--listen") from error
    if exposed and not no_sign_in:
        raise click.UsageError(f"{exposed} Add --no-sign-in if that is meant.")
    if exposed:
        click.echo(exposed, err=True)
    _serve(folder, port, listen, hosts)


def _serve(folder, port, listen=OWN_ADDRESS, hosts=()):
    from pipelines import serving

    click.echo(f"dashboard  {serving.url(listen, port)}   (CTRL-C stops it)")
    sys.stdout.flush()
    serving.serve(folder, port, listen, hosts)


@command(
    click.argument("sha256", metavar="HASH"),
    click.option("--why", required=True, help="Why the export is removed; stays in the log."),
    by_option(),
    AS_JSON,
)
def purge(folder, sha256, why, by, as_json):
    """Remove a stored export, and every snapshot and list that holds its rows, and publish without it.

    Its line in the log stays. Where no new snapshot can be made, its data is gone all the same.

    Example: coldfill purge 66ab55824b66 --why "sent by mistake" --fleet ./demo-fleet
    """
    from pipelines.answers import printed
    from pipelines.receiving import purge

    with showing_progress() as progress:
        done = purge.purge(fleet_of(folder), sha256, why, by, progress)
    print_json(vars(done)) if as_json else print_lines(printed.of_purge(done))
    print_lines(done.remaining, err=True)
    sys.exit(1 if done.remaining else 0)


@command(OUT, AS_OF, *FILTERS, AS_JSON)
def flagged(folder, out, as_of, as_json, **chosen):
    """The flagged-home list: one row per open deficiency, what to fix first, and when it is due.

    Example: coldfill flagged --risk serious --out flagged.xlsx --fleet ./fleet
    """
    from pipelines.answers import lists
    from pipelines.answers.access import EVERYTHING

    sheet = lists.flagged(EVERYTHING, snapshot_of(folder), filters_of(**chosen), as_of)
    give(sheet, out, as_json)


@command(
    OUT, AS_OF, *WHOSE, AS_JSON, click.option("--clear", is_flag=True, help="Those that may be reported.")
)
def hold(folder, out, as_of, as_json, clear, **chosen):
    """Units to hold before reporting, and why; with --clear, those that may be reported.

    Example: coldfill hold --out hold.csv --fleet ./fleet
    """
    from pipelines.answers import lists
    from pipelines.answers.access import EVERYTHING

    sheet = lists.hold(EVERYTHING, snapshot_of(folder), filters_of(**chosen), as_of, clear=clear)
    give(sheet, out, as_json)


@command(click.argument("agency"), click.argument("inspection_id"), AS_JSON)
def explain(folder, agency, inspection_id, as_json):
    """How every number of one inspection came to be, from the line of the file on.

    Example: coldfill explain "Hollin Peaks Home Repair" 2 --fleet ./demo-fleet
    """
    from pipelines.answers import explain, one_inspection
    from pipelines.answers.access import EVERYTHING

    found = one_inspection.inspection(EVERYTHING, snapshot_of(folder), agency, inspection_id)
    print_json(explain.as_json(found)) if as_json else click.echo(plain(explain.as_text(found)))


@command(
    click.argument("file", type=click.Path(exists=True, dir_okay=False)),
    click.option("--name", default=None, help="Name of the mapping; the file's own if not given."),
    click.option("--agency", default=None, help="Agency the mapping names."),
    file_out("Where the draft goes; standard output if not given."),
    name="map",
)
def map_(folder, file, name, agency, out):
    """Draft a mapping for an unknown export, to edit and put into the fleet's mappings folder.

    Example: coldfill map export.csv --out fleet/mappings/export.toml
    """
    from pipelines.receiving import preview

    text = preview.draft_mapping(fleet_of(folder), Path(file), name, agency)
    if out:
        Path(out).parent.mkdir(parents=True, exist_ok=True)
        Path(out).write_text(text, encoding="utf-8")
        click.echo(f"draft  {out}")
    else:
        click.echo(plain(text), nl=False)


@command(AS_JSON)
def status(folder, as_json):
    """What stands: the current snapshot, and what is newer than it: exports, policy, mappings, tables.

    Example: coldfill status --fleet ./fleet
    """
    from pipelines.answers import printed
    from pipelines.snapshot import inputs

    found = inputs.status(fleet_of(folder))
    print_json(found) if as_json else print_lines(printed.of_status(found))


@command(AS_JSON)
def checks(folder, as_json):
    """Every check: what it is about, how grave, and on whose authority.

    Example: coldfill checks
    """
    from pipelines.answers import catalogue

    print_json({"checks": catalogue.checks()}) if as_json else print_lines(catalogue.lines_of_checks())


@command(
    click.option("--sheet", is_flag=True, help="A one-page reading sheet and the headings of an empty CSV."),
    file_out("Write the sheet as a .pdf to print, or as .txt."),
    AS_JSON,
)
def fields(folder, sheet, out, as_json):
    """Every field an export may carry: unit, words, plausible range.

    Example: coldfill fields --sheet --out sheet.pdf
    """
    from pipelines.answers import catalogue, sheet_files

    if sheet or out:
        click.echo(sheet_files.given(out), nl=False)
    else:
        print_json({"fields": catalogue.fields()}) if as_json else print_lines(catalogue.lines_of_fields())


@command(
    click.option(
        "--adopt",
        type=click.Path(exists=True, dir_okay=False, path_type=Path),
        default=None,
        metavar="FILE",
        help="Put this file in the place of the fleet's policy.toml; the next build follows it.",
    ),
    click.option(
        "--take-back", type=int, default=None, metavar="N", help="Restore what stood before change N."
    ),
    click.option("--log", is_flag=True, help="Every change adopted and taken back, by its number."),
    click.option("--why", default="", help="The reason for a change; stays in the log."),
    by_option("Who changes it."),
    AS_JSON,
)
def policy(folder, adopt, take_back, log, why, by, as_json):
    """The policy in force: every limit with its mark and reason. Or adopt another, or take that back.

    Example: coldfill policy --fleet ./fleet
    """
    from pipelines.answers import catalogue
    from pipelines.fleet import adopted
    from pipelines.snapshot import inputs

    fleet = fleet_of(folder)
    if adopt or take_back is not None:
        _change_policy(fleet, adopt, take_back, why, by, as_json)
        return
    if log:
        lines = adopted.read(fleet)
        document = {"changes": [catalogue.adopted_line(one) for one in lines]}
        print_json(document) if as_json else print_lines(map(catalogue.adopted_said, lines))
        return
    found = inputs.policy_of(fleet)
    document = {"sha256": found.sha256, **json.loads(found.text)}
    print_json(document) if as_json else print_lines(catalogue.lines_of_policy(found))


def _change_policy(fleet, file, take_back, why, by, as_json):
    from pipelines.answers import catalogue
    from pipelines.answers.access import EVERYTHING
    from pipelines.receiving import adopting

    if file and take_back is not None:
        raise click.UsageError("Either --adopt or --take-back, not both at once.")
    if file:
        base = adopting.base_of(fleet)
        line = adopting.adopt(EVERYTHING, fleet, file.read_bytes(), base=base, who=by, why=why)
    else:
        line = adopting.take_back(EVERYTHING, fleet, take_back, who=by, why=why)
    if as_json:
        print_json(catalogue.adopted_line(line))
    else:
        print_lines([catalogue.adopted_said(line), "It takes effect at the next build: coldfill rebuild"])


@command(AS_JSON)
def verify(folder, as_json):
    """Prove the fleet: stored exports against their hashes, the snapshot against one rebuilt from them.

    Example: coldfill verify --fleet ./fleet
    """
    from pipelines.answers import printed
    from pipelines.fleet import proof
    from pipelines.snapshot import stages

    fleet = fleet_of(folder)
    with showing_progress() as progress:
        faults = stages.verify(fleet, progress)
    unlogged = proof.exports_without_line(fleet)
    if as_json:
        print_json({"faults": faults, "exports_without_line": unlogged})
    else:
        print_lines(printed.of_unlogged(unlogged))
        print_lines(faults, err=True)
        proven = "The snapshot equals one rebuilt from the stored exports."
        click.echo(f"{len(faults)} {'fault' if len(faults) == 1 else 'faults'} found." if faults else proven)
    sys.exit(1 if faults else 0)


if __name__ == "__main__":
    main()
