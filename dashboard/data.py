"""The one door from a page to what a snapshot answers, and the cache of the answers.

Every question takes the viewer first and the path of a snapshot second; its answer is kept by both and by
what else is asked. Questions, their SQL and what they leave out for a viewer stand in `pipelines.answers`.
Answers are small: what is large stays in the snapshot and comes a page at a time.
"""

import os
from collections.abc import Callable, Collection
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from functools import wraps
from typing import Any, Concatenate, ParamSpec, TypeVar

import pandas as pd
import streamlit as st

from pipelines.answers import (
    board,
    contents,
    crew_page,
    crews,
    decisions,
    events,
    files,
    homes,
    instruments,
    lists,
    monitoring,
    notice,
    one_home,
    one_inspection,
    over_time,
    packet_files,
    plan_told,
    plans,
    regions,
    reinspections,
    risks,
    sample_sheet,
    sampled,
    waiting,
    why_risk,
)
from pipelines.answers import (
    plan_page as plan_pages,
)
from pipelines.answers import pressures as pressures_of_visit
from pipelines.answers.access import A_CHARGE, BANDS, EVERYTHING, NOT_RECORDED, Filters, Viewer
from pipelines.answers.board import as_pdf as board_as_pdf
from pipelines.answers.contents import home_checks, names, titles
from pipelines.answers.crew_page import as_pdf as crew_page_as_pdf
from pipelines.answers.crew_page import next_reading
from pipelines.answers.crews import CREW, KINDS, UNITS_SHOWN, WHOSE
from pipelines.answers.crews import called as compared_by
from pipelines.answers.decisions import in_words as decision_said
from pipelines.answers.decisions import taken_back
from pipelines.answers.files import PAIRS_A_PAGE
from pipelines.answers.homes import ROWS_A_PAGE, SORTS
from pipelines.answers.instruments import HABITS
from pipelines.answers.monitoring import as_pdf as monitoring_as_pdf
from pipelines.answers.notice import as_pdf as notice_as_pdf
from pipelines.answers.notice import languages
from pipelines.answers.packet_files import ENDINGS as PACKET_ENDINGS
from pipelines.answers.packet_files import made as packets_made
from pipelines.answers.packets import MOST_HOMES as MOST_IN_PACKETS
from pipelines.answers.phrases import called
from pipelines.answers.plan_page import plan_homes
from pipelines.answers.plan_told import facts as plan_facts
from pipelines.answers.plans import Asked as PlanAsked
from pipelines.answers.plans import hours_in as plan_hours
from pipelines.answers.reinspections import DISCOVER, NUMBER, SHARE, Asked, NothingShort, fresh_seed
from pipelines.answers.sample_sheet import ENDINGS
from pipelines.answers.waiting import OFFERED, QUESTION, gravest
from pipelines.engine.checks import BY_ID
from pipelines.engine.history import STAGES
from pipelines.engine.policy.policy import LEVELS
from pipelines.fleet import decided, logs
from pipelines.fleet import samples as kept_samples
from pipelines.fleet.decided import WHAT, Decision, Refused
from pipelines.fleet.folder import Fleet, safe_name
from pipelines.fleet.logs import FleetError
from pipelines.fleet.samples import Sample
from pipelines.fleet.snapshots import Snapshot
from pipelines.receiving import taking
from pipelines.retrofit.weights import WEIGHINGS
from pipelines.snapshot import inputs
from pipelines.snapshot.version import attach

# What views and tests ask for by this module's name beside the questions.
__all__ = [
    "A_CHARGE",
    "BANDS",
    "BY_ID",
    "CREW",
    "DISCOVER",
    "ENDINGS",
    "EVERYTHING",
    "HABITS",
    "KINDS",
    "LEVELS",
    "NOT_RECORDED",
    "MOST_IN_PACKETS",
    "NUMBER",
    "NothingShort",
    "OFFERED",
    "PACKET_ENDINGS",
    "PAIRS_A_PAGE",
    "PlanAsked",
    "QUESTION",
    "ROWS_A_PAGE",
    "SHARE",
    "SORTS",
    "STAGES",
    "UNITS_SHOWN",
    "WEIGHINGS",
    "WHAT",
    "WHOSE",
    "Asked",
    "Decision",
    "Filters",
    "Refused",
    "board_as_pdf",
    "called",
    "compared_by",
    "crew_page_as_pdf",
    "fresh_seed",
    "gravest",
    "decision_said",
    "home_checks",
    "languages",
    "monitoring_as_pdf",
    "names",
    "next_reading",
    "notice_as_pdf",
    "packets_made",
    "plan_homes",
    "plan_facts",
    "plan_hours",
    "safe_name",
    "taken_back",
    "titles",
]

MOST_URGENT = 12  # deficiencies that the first page names

P = ParamSpec("P")
T = TypeVar("T")


def asked(
    question: Callable[Concatenate[Viewer, Snapshot, P], T],
) -> Callable[Concatenate[Viewer, str, P], T]:
    """The question, asked of the snapshot at a path."""

    @wraps(question)
    def ask(viewer: Viewer, snapshot: str, *args: P.args, **more: P.kwargs) -> T:
        return question(viewer, attach(snapshot), *args, **more)

    return ask


def kept(question: Callable[Concatenate[Viewer, Snapshot, P], T]) -> Callable[Concatenate[Viewer, str, P], T]:
    """The same, its answers kept as long as nothing more is decided."""

    @st.cache_data(max_entries=256, show_spinner=False)
    @wraps(question)
    def answer(viewer: Viewer, snapshot: str, stamp: tuple[int, int], *args: Any, **more: Any) -> T:
        return question(viewer, attach(snapshot), *args, **more)

    @wraps(question)
    def ask(viewer: Viewer, snapshot: str, *args: P.args, **more: P.kwargs) -> T:
        return answer(viewer, snapshot, stamp(), *args, **more)

    return ask


def stamp() -> tuple[int, int]:
    """What of the log of decisions changes with every line."""
    return decided.stamp(fleet())


def today() -> date:
    """The day that clocks count to where none is chosen."""
    return logs.today(fleet().path)


def fleet() -> Fleet:
    return Fleet(os.environ.get("COLDFILL_FLEET") or "fleet")


def current() -> str | None:
    """Path of the current snapshot, None where nothing has been built."""
    path = fleet().current()
    return str(path) if path else None


def open_current() -> None:
    """Open the current snapshot, if it can be; pages say why where it cannot."""
    with suppress(FleetError):
        if (path := current()) is not None:
            attach(path)


def newer(viewer: Viewer) -> str:
    """What of the fleet is newer than the current snapshot and what to do, in words; '' where nothing is."""
    found = inputs.ahead(fleet())
    return (found if viewer.agencies is None else found.without_names()).sentence()


about = kept(contents.about)
choices = kept(contents.choices)
files_called = kept(files.called)
limit = kept(contents.limit)
described = kept(contents.described)
unmatched = kept(contents.unmatched)

first_page = kept(waiting.first_page)
urgent = kept(waiting.urgent)
by_gravest = kept(waiting.by_gravest)
monthly = kept(waiting.by_month)
not_verified = kept(waiting.not_verified)
lacking = kept(waiting.lacking)

agencies = kept(files.agencies)


@dataclass(frozen=True)
class FirstPage:
    """What the first page shows: tables, and the days of the policy that it counts."""

    waits: pd.DataFrame
    by_gravest: pd.DataFrame
    monthly: pd.DataFrame
    urgent: pd.DataFrame
    agencies: pd.DataFrame
    new_within_days: float
    recent_file_days: float


def of_first_page(viewer: Viewer, snapshot: str, filters: Filters, day: date) -> FirstPage:
    """The FirstPage as filters stand, its clocks counted to a day."""
    return FirstPage(
        first_page(viewer, snapshot, filters, day),
        by_gravest(viewer, snapshot, filters),
        monthly(viewer, snapshot, filters),
        urgent(viewer, snapshot, filters, MOST_URGENT),
        agencies(viewer, snapshot, filters, day),
        limit(viewer, snapshot, "new_within_days"),
        limit(viewer, snapshot, "recent_file_days"),
    )


def ask_ahead(viewer: Viewer) -> None:
    """Ask what the first page asks, so that it finds the answers; nothing where no snapshot is."""
    if (path := current()) is not None:
        about(viewer, path), choices(viewer, path), files_called(viewer, path)
        of_first_page(viewer, path, Filters(), today())


known_by_number = kept(homes.known_by_number)
homes_count = kept(homes.homes_count)
homes_page = kept(homes.homes_page)
work_count = kept(homes.work_count)
open_count = kept(homes.open_count)
held = kept(homes.held)
held_page = kept(homes.held_page)

home = kept(one_home.home)
why_of_home = asked(why_risk.why_risk)
decided_of_home = kept(decisions.of_home)
inspection = kept(one_inspection.inspection)
pressures = kept(pressures_of_visit.pressures)

shares = kept(regions.shares)
apart = kept(regions.apart)
charges = kept(regions.charges)
open_by_place = kept(regions.open_by_place)

compared = kept(crews.compared)
funnel = kept(crews.funnel)
counted_units = kept(crews.counted_units)
agreement = kept(crews.agreement)
charged = kept(crews.charged)
charged_units = kept(crews.charged_units)
lacking_readings = kept(crews.lacking_readings)
of_crew = kept(crew_page.crew_page)
passed_open = kept(crews.passed_open)
passed_homes = kept(crews.passed_homes)
agencies_of = kept(crews.agencies_of)
by_month = kept(over_time.over_time)
shifts = kept(instruments.shifts)
habits = kept(instruments.habits)
habit_visits = kept(instruments.habit_visits)
without_shift = kept(instruments.without_shift)

reinspections_required = kept(reinspections.required)
program_units = kept(reinspections.units)
program_years = kept(reinspections.years)
sample_previewed = kept(reinspections.sample)
sample_progress = asked(sampled.progress)
sample_handed_out = asked(sample_sheet.handed_out)

matrix = kept(risks.matrix)
matrix_levels = kept(risks.matrix_levels)
open_by_check = kept(risks.open_by_check)
ranked = kept(risks.ranked)
levels = kept(risks.levels)

exports = kept(files.exports)
not_loaded = kept(files.not_loaded)
to_mend = kept(files.to_mend)
answers = kept(files.answers)
suspicions_count = kept(files.suspicions_count)
suspicions = kept(files.suspicions)


def happened(viewer: Viewer, snapshot: str, agency: str, crew: str) -> events.Events:
    """What events.csv now says of an agency and a crew, as answers.events.events."""
    return events.events(viewer, attach(snapshot), fleet(), agency, crew)


# ---- lists, made when they are asked for and not kept

flagged = asked(homes.flagged)
hold = asked(lists.hold)
not_loaded_list = asked(lists.not_loaded)
notice_of = asked(notice.notice)
monitoring_of = asked(monitoring.monitoring)
board_of = asked(board.board)
packets_of = asked(packet_files.of_list)
packets_of_plan = asked(packet_files.of_plan)


def mended(viewer: Viewer, snapshot: str, export_id: int) -> tuple[str, bytes]:
    """(file name, CSV) of a file's rows to mend, as answers.files.mended."""
    return files.mended(viewer, attach(snapshot), fleet(), export_id)


# ---- samples, which are no part of a snapshot


def samples(viewer: Viewer) -> list[Sample]:
    """Samples drawn of agencies that the viewer may see, the newest first."""
    return sampled.seen_by(viewer, kept_samples.samples(fleet()))


def keep_sample(drawn: dict) -> str:
    """Keep a sample as drawn in the fleet; returns its name."""
    return kept_samples.keep_sample(fleet(), drawn).stem


def replace_home(sample: str, agency: str, home_id: str, why: str, by_whom: str) -> None:
    kept_samples.replace_home(fleet(), sample, agency, home_id, why, by_whom)


# ---- the plan of work, which rests on funds and decisions as well


@st.cache_resource(max_entries=3, show_spinner=False)
def _waiting(viewer: Viewer, snapshot: str, stamps: object, question: PlanAsked, day: date):
    return plans.waiting(viewer, attach(snapshot), question, day)


@st.cache_resource(max_entries=8, show_spinner=False)
def _planned(viewer: Viewer, snapshot: str, stamps: object, question: PlanAsked, day: date):
    waits = _waiting(viewer, snapshot, stamps, question.homes_alone, day)
    return plan_pages.plan_page(viewer, attach(snapshot), question, day, waits)


def plan_page(viewer: Viewer, snapshot: str, question: PlanAsked, day: date) -> plan_pages.PlanPage:
    """A plan and its curve, kept as long as decisions and funds stay as they are."""
    funds = fleet().path / "funds.toml"
    stamps = decided.stamp(fleet()), funds.stat().st_mtime_ns if funds.exists() else 0
    return _planned(viewer, snapshot, stamps, question, day)


def plan_list(snapshot: str, found):
    return plan_told.sheet(attach(snapshot), found)


# ---- decisions


def decide(snapshot: str, *taken: Decision) -> None:
    """Take decisions, as receiving.taking.take; they are in force at once on every page."""
    taking.take(fleet(), attach(snapshot), taken)


def measures(check_ids: Collection[str]) -> dict[str, str]:
    """Titles of the fleet's measures, by id: those that fix one of these checks first."""
    first = sorted(
        inputs.policy_of(fleet()).measures,
        key=lambda measure: set(check_ids).isdisjoint(measure.fixes),
    )
    return {measure.id: measure.title for measure in first}
