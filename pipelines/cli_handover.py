"""Commands that make papers to hand over: notice, monitoring packet, board page, work packets."""

from pathlib import Path

import click

from pipelines.calling import AS_OF, FILTERS, WHOSE, command, filters_of, snapshot_of
from pipelines.terminal import plain

LANGUAGE = click.option(
    "--language", type=click.Choice(["en", "es"]), default="en", show_default=True, help="English or Spanish."
)


def page_out(name: str):
    return click.option(
        "--out",
        type=click.Path(dir_okay=False),
        default=name,
        show_default=True,
        metavar="FILE",
        help="Where the page goes, a .pdf.",
    )


def write(out: str, page: bytes, what: str = "page") -> None:
    from pipelines.fleet.logs import attempting

    with attempting("write", Path(out)):
        Path(out).write_bytes(page)
    click.echo(plain(f"{what}  {out}"))


def demand_pdf(out: str) -> None:
    if Path(out).suffix.lower() != ".pdf":
        raise click.UsageError(f"{out}: this page is a PDF; end its name in .pdf.")


@command(click.argument("agency"), click.argument("home_id"), LANGUAGE, page_out("notice.pdf"), AS_OF)
def notice(folder, agency, home_id, language, out, as_of):
    """What a client is told of one home, on one letter page: what was found, what not to touch, whom to call.

    Whom to call comes from contacts.csv of the fleet (agency, name, phone, hours, language); what it does not
    say is left to be filled in by hand.

    Example: coldfill notice "Tillamere Community Partners" 16 --language es --fleet demo-fleet
    """
    from pipelines.answers import notice as notices
    from pipelines.answers.access import EVERYTHING
    from pipelines.answers.one_home import home

    demand_pdf(out)
    snapshot = snapshot_of(folder)
    found = home(EVERYTHING, snapshot, agency, home_id, as_of)
    write(out, notices.as_pdf(notices.notice(EVERYTHING, snapshot, found, language, as_of)))


@command(click.argument("agency"), page_out("monitoring.pdf"), AS_OF)
def monitoring(folder, agency, out, as_of):
    """One agency on one letter page for who monitors it: counts only, nothing of a client.

    Example: coldfill monitoring "Tillamere Community Partners" --out monitoring.pdf --fleet demo-fleet
    """
    from pipelines.answers import monitoring as packets
    from pipelines.answers.access import EVERYTHING

    demand_pdf(out)
    write(out, packets.as_pdf(packets.monitoring(EVERYTHING, snapshot_of(folder), agency, as_of)))


@command(*WHOSE, page_out("board.pdf"), AS_OF)
def board(folder, out, as_of, **chosen):
    """The fleet on one letter page for a board, in plain sentences and a picture.

    Example: coldfill board --out board.pdf --fleet demo-fleet
    """
    from pipelines.answers import board as boards
    from pipelines.answers.access import EVERYTHING

    demand_pdf(out)
    write(out, boards.as_pdf(boards.board(EVERYTHING, snapshot_of(folder), filters_of(**chosen), as_of)))


@command(
    click.option(
        "--out",
        type=click.Path(dir_okay=False),
        default="packets.pdf",
        show_default=True,
        metavar="FILE",
        help="Where the packets go: .pdf or .xlsx to hand out, or .csv of the jobs alone.",
    ),
    AS_OF,
    *FILTERS,
)
def packets(folder, out, as_of, **chosen):
    """Work packets: what is open, put right the cheapest way, by crew and day in an order of travel.

    What is accepted, deferred, referred, refused or said to be done stays out, and is counted.

    Example: coldfill packets --agency "Tillamere Community Partners" --risk high --fleet demo-fleet
    """
    from pipelines.answers import lists, packet_files
    from pipelines.answers.access import EVERYTHING, NotFound

    if Path(out).suffix.lower() not in packet_files.ENDINGS:
        raise click.UsageError(f"{out}: packets end in {', '.join(packet_files.ENDINGS)}.")
    snapshot = snapshot_of(folder)
    listed = lists.flagged(EVERYTHING, snapshot, filters_of(**chosen), as_of)
    found = packet_files.of_list(EVERYTHING, snapshot, listed, as_of)
    if not found.packets:
        raise NotFound("; ".join(["no work to put into packets", *packet_files.stays_out(found)]))
    write(out, packet_files.made(found, Path(out).suffix.lower()), "packets")
    for line in [*found.crews, *packet_files.stays_out(found)]:
        click.echo(plain(f"  {line}"))
