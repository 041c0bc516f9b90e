"""Work packets of a list or a plan, as files: PDF and workbook to hand out, and the jobs alone as CSV."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date

from pipelines.answers import lists
from pipelines.answers.access import Viewer
from pipelines.answers.formats import as_csv
from pipelines.answers.jobs import AGAINST, jobs_of
from pipelines.answers.listed import Sheet
from pipelines.answers.packets import Packets, packets, refuse_too_many
from pipelines.answers.packets_pdf import as_pdf
from pipelines.answers.packets_xlsx import as_workbook
from pipelines.answers.plans import Planned
from pipelines.fleet.snapshots import Snapshot

ENDINGS = (".pdf", ".xlsx", ".csv")
STAYS_OUT = {
    "decided_against": f"on the list, but {', '.join(AGAINST[:-1])} or {AGAINST[-1]}",
    "without_a_measure": "on the list, but no measure with cost and hours puts it right",
}


def of_list(viewer: Viewer, snapshot: Snapshot, listed: Sheet, as_of: date) -> Packets:
    """The packets of all that is to be put right on a list; ListError where that is too much."""
    work = jobs_of(viewer, snapshot, listed, as_of)
    counts = dict(zip(STAYS_OUT, (work.against, work.without), strict=True))
    about = {**listed.about, **{name: count for name, count in counts.items() if count}}
    return packets(viewer, snapshot, work.jobs, replace(listed, about=about))


def of_plan(viewer: Viewer, snapshot: Snapshot, found: Planned) -> Packets:
    """The packets of a plan: every job in it and no other; ListError where that is too much."""
    jobs = [job for job, *_ in found.jobs()]
    refuse_too_many(len({(job.agency, job.home_id) for job in jobs}))
    listed = lists.flagged(viewer, snapshot, found.asked.filters, found.as_of)
    plan = f"{found.asked.budget:,.0f} dollars, risk weighed by {found.asked.weighing}"
    return packets(viewer, snapshot, jobs, replace(listed, about={**listed.about, "plan": plan}))


def stays_out(found: Packets) -> Iterator[str]:
    """What of the list is in no packet, in words."""
    for name, said in STAYS_OUT.items():
        if count := found.listed.about.get(name):
            yield f"{count:,} {said}"


def made(found: Packets, ending: str) -> bytes:
    """The packets in the format of one of ENDINGS."""
    if ending == ".csv":
        return as_csv(found.listed)
    return as_pdf(found) if ending == ".pdf" else as_workbook(found)
