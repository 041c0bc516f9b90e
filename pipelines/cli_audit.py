"""Commands of the audit: the re-inspection sample."""

from datetime import UTC, datetime
from pathlib import Path

import click

from pipelines.calling import (
    AS_JSON,
    by_option,
    command,
    file_out,
    fleet_of,
    only,
    print_json,
    print_lines,
    snapshot_of,
)
from pipelines.fleet.logs import FleetError, attempting
from pipelines.terminal import plain


@command(
    only("agency"),
    click.option("--year", type=int, metavar="YEAR", help="Program year that begins in it; the newest one."),
    click.option("--share", is_flag=True, help="As many as each agency is short of; so without the others."),
    click.option("--size", type=int, metavar="N", help="So many units."),
    click.option(
        "--discover",
        type=float,
        metavar="PERCENT",
        help="So many that, were this share bad, one bad unit is drawn: 95 % sure.",
    ),
    click.option(
        "--seed", type=int, metavar="N", help="Whole number that decides who is drawn; a fresh one."
    ),
    click.option("--sample", "name", metavar="NAME", help="One drawn before, to hand out or to change."),
    click.option("--replace", metavar="HOME", help="Put the next alternate in the place of this home."),
    click.option("--why", default="", help="Why that home could not be re-inspected; stays with the sample."),
    by_option("Who draws or replaces; stays with a replacement."),
    file_out("Write the sample as .xlsx or .pdf with the readings to take, or as .csv or .json."),
    AS_JSON,
)
def sample(folder, agency, year, share, size, discover, seed, name, replace, why, by, out, as_json):
    """Draw a random sample of units to re-inspect, and keep it in the fleet's samples folder.

    The same snapshot, seed and options draw the same units, so that anyone can make the draw again.

    Example: coldfill sample --discover 10 --seed 7 --out sample.pdf --fleet ./demo-fleet
    """
    from pipelines.answers import printed, sample_sheet
    from pipelines.answers.access import EVERYTHING
    from pipelines.fleet import samples

    rules = [share, size is not None, discover is not None]
    before = bool(name or replace)
    if sum(rules) > 1 or (before and (any(rules) or seed is not None or year is not None)):
        raise click.UsageError(
            "choose one of --share, --size and --discover; none, no --seed and no --year goes with --sample "
            "or --replace, which are of a sample drawn before."
        )
    if bool(replace) != bool(why.strip()):
        raise click.UsageError("--replace HOME and --why TEXT go together: a replacement needs a reason.")
    if out and Path(out).suffix.lower() not in sample_sheet.ENDINGS:
        raise click.UsageError(f"{out}: a sample ends in {', '.join(sample_sheet.ENDINGS)}.")
    fleet, snapshot = fleet_of(folder), snapshot_of(folder)
    if before:
        name, whose = _named(samples.samples(fleet), name, agency, replace)
        if replace:
            samples.replace_home(fleet, name, whose, replace, why, by)
    else:
        document = _drawn(snapshot, agency, year, size, discover, seed)
        name = samples.keep_sample(fleet, document).stem
    found = samples.sample_called(fleet, name)
    if out:
        sample_sheet.write(EVERYTHING, snapshot, found, Path(out))
    if as_json:
        print_json(sample_sheet.document(EVERYTHING, found))
    else:
        print_lines(printed.of_sample(found, out))


def _drawn(snapshot, agency, year, size, discover, seed):
    """A sample as a document, of the newest program year and a fresh seed where none is given."""
    from pipelines.answers import reinspections
    from pipelines.answers.access import EVERYTHING, ListError

    years = reinspections.years(EVERYTHING, snapshot)
    if not years:
        raise ListError("no unit is completed or has a final: there is none to draw")
    rule, amount = reinspections.SHARE, 0.0
    if size is not None:
        rule, amount = reinspections.NUMBER, size
    elif discover is not None:
        rule, amount = reinspections.DISCOVER, discover
    asked = reinspections.Asked(
        tuple(agency),
        next(iter(years)) if year is None else year,
        rule,
        amount,
        reinspections.fresh_seed() if seed is None else seed,
    )
    return reinspections.sample(EVERYTHING, snapshot, asked, datetime.now(UTC).date())


def _named(there, name, agencies, home_id):
    """(name of the sample, agency of the home) of what is to be changed; the newest that holds the home.

    FleetError where there is none, or homes of several agencies have this id.
    """
    found = [one for one in there if name in (None, one.name)]
    if home_id is None or not found:
        if not found:
            names = ", ".join(one.name for one in there) or "none"
            raise FleetError(f"There is no sample {name or 'yet'}; there are: {names}.")
        return found[0].name, ""
    for one in found:
        whose = {
            unit["agency"]
            for unit in one.to_visit
            if unit["home_id"] == home_id and (not agencies or unit["agency"] in agencies)
        }
        if len(whose) > 1:
            raise FleetError(f"Several agencies have a home {home_id} in {one.name}: name one with --agency.")
        if whose:
            return one.name, whose.pop()
    raise FleetError(f"No sample holds a home {home_id!r} to visit.")


@command(
    only("agency"),
    only("crew"),
    click.option(
        "--compare",
        type=click.Choice(["crew", "inspector", "region", "agency"]),
        default="crew",
        show_default=True,
        help="Whose finals are compared.",
    ),
    file_out("A crew's own page, one letter sheet, as .pdf; needs one --agency and one --crew."),
    AS_JSON,
)
def crews(folder, agency, crew, compare, out, as_json):
    """What finals found after the work against what the same houses give by chance; no score, no rank.

    Example: coldfill crews --agency "Tillamere Community Partners" --fleet demo-fleet
    """
    from pipelines.answers import crew_page, printed
    from pipelines.answers.access import EVERYTHING, Filters
    from pipelines.answers.crews import compared

    snapshot = snapshot_of(folder)
    if out:
        if len(agency) != 1 or len(crew) != 1 or Path(out).suffix.lower() != ".pdf":
            raise click.UsageError("--out FILE.pdf is one crew's page: name one --agency and one --crew")
        page = crew_page.crew_page(EVERYTHING, snapshot, agency[0], crew[0])
        with attempting("write", Path(out)):
            Path(out).write_bytes(crew_page.as_pdf(page))
        click.echo(plain(f"page  {out}"))
        return
    found = compared(EVERYTHING, snapshot, Filters(agency=agency, crew=crew), compare)
    if as_json:
        print_json({"snapshot": snapshot.name, compare: printed.records(found)})
    else:
        print_lines(printed.of_crews(found, compare))
