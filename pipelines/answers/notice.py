"""The client notice: what was found in a home in plain words, what not to touch, who does what by when.

Its sentences stand in `notices/`, a file per language, for a translator to edit; none of them speaks of risk,
and none reassures.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

from pipelines.answers import decisions, one_home
from pipelines.answers.access import Filters, ListError, Viewer
from pipelines.answers.contacts import Contact, contact
from pipelines.answers.lists import about
from pipelines.answers.one_page import HEADING, MEASURE, SMALL, TEXT, TITLE, Basis, drawn, listed, short
from pipelines.answers.paper import BOLD, Line, set_in
from pipelines.engine.checks import BY_ID, HOME_CHECKS
from pipelines.engine.policy.policy import LEVELS
from pipelines.fleet.folder import Fleet
from pipelines.fleet.snapshots import Snapshot
from pipelines.snapshot.headlines import IN_DOUBT, IN_ORDER, TWO_ADDRESSES

NOTICES = Path(__file__).parent / "notices"
LANGUAGES = ("en", "es")
# What keeps the heater off until it is put right.
STAYS_OFF = frozenset(check.id for check in HOME_CHECKS if check.act_today) | {"tank-missing"}
INTO_THE_TAP = ("backflow-missing", "backflow-insufficient")
INTO_THE_HOT_TAP = "antifreeze-with-single-wall-coil"
POSITION = {check.id: position for position, check in enumerate(HOME_CHECKS)}


@dataclass(frozen=True)
class Finding:
    """One thing to fix in one system; `due` is None where no day is set or it is past, `who` may be empty."""

    check_id: str
    system_id: str
    due: date | None
    who: str


@dataclass(frozen=True)
class Notice:
    """What one home is told. `unknown` counts dangers that were not verified, by group of checks.

    `antifreeze`: yes, no or not known, of the visits that found something about drinking water. `in_doubt`:
    which heating system stands there is not known. `clear`: nothing is open, and no danger is left open to
    doubt. Address is None for viewers who may not see it.
    """

    language: str
    basis: Basis
    as_of: date
    agency: str
    home_id: str
    job_number: str | None
    address: str | None
    last_visit: date
    systems: int
    assessed: bool
    clear: bool
    in_doubt: bool
    findings: tuple[Finding, ...]
    unknown: dict[str, int]
    antifreeze: str
    call: Contact


@cache
def texts(language: str) -> dict[str, Any]:
    """The sentences of a language: `words`, `groups`, `checks`. ListError where there is none such."""
    if language not in LANGUAGES:
        raise ListError(f"no notice in {language!r}; there are: {', '.join(LANGUAGES)}")
    return tomllib.loads((NOTICES / f"{language}.toml").read_text(encoding="utf-8"))


def languages() -> dict[str, str]:
    """The languages there are, each by what it calls itself."""
    return {language: texts(language)["words"]["name"] for language in LANGUAGES}


def notice(viewer: Viewer, snapshot: Snapshot, home: one_home.Home, language: str, as_of: date) -> Notice:
    """The notice of a home, which the viewer sees as of a day; ListError where it is not certain whose."""
    texts(language)
    if TWO_ADDRESSES in home.headline.split("; "):
        raise ListError(
            f"home {home.home_id} of {home.agency} was visited at two addresses: no notice until it is "
            "settled which one its findings are of"
        )
    opened = sorted(
        (check for check in home.checks if check.stage),
        key=lambda one: (LEVELS.index(one.risk), one.since, one.system_id, POSITION[one.check_id]),
    )
    to = _assigned(viewer, snapshot, home)
    unknown: dict[str, int] = {}
    for check in home.checks:
        if check.gap_in_safety and home.assessed:
            group = BY_ID[check.check_id].group
            unknown[group] = unknown.get(group, 0) + 1
    in_doubt = IN_DOUBT in home.headline.split("; ")
    return Notice(
        language,
        Basis.of(about("notice", snapshot, as_of, Filters())),
        as_of,
        home.agency,
        home.home_id,
        home.job_number,
        home.address,
        home.last_inspected_on,
        len(home.systems),
        home.assessed,
        home.headline == IN_ORDER,
        in_doubt,
        tuple(
            Finding(
                one.check_id,
                one.system_id,
                one.due if one.due and one.due >= as_of else None,
                to.get(one.decided, "") if one.acted else "",
            )
            for one in opened
        ),
        unknown,
        _antifreeze(snapshot, home, opened),
        contact(Fleet(snapshot.path.parent.parent), home.agency, language, LANGUAGES),
    )


def _assigned(viewer: Viewer, snapshot: Snapshot, home: one_home.Home) -> dict[str | None, str]:
    """To whom work is given, by the words of the decision."""
    taken = decisions.of_home(viewer, snapshot, home.agency, home.home_id)
    return {decisions.in_words(one): one.to for one in taken if one.what in ("assigned", "referred")}


def _antifreeze(snapshot: Snapshot, home: one_home.Home, opened: list) -> str:
    """Whether there is antifreeze, as far as the visits tell that found something about drinking water."""
    visits = [one.inspection_id for one in opened if one.check_id in INTO_THE_TAP]
    if not visits:
        return "no"
    found = snapshot.rows(
        f"""
        SELECT antifreeze FROM readings
        WHERE agency = ? AND inspection_id IN ({", ".join("?" * len(visits))})""",
        [home.agency, *visits],
    )
    said = {kind for (kind,) in found}
    return "yes" if said - {None, "none"} else "not known" if None in said else "no"


# ---- on paper


def as_pdf(said: Notice) -> bytes:
    """The notice on one letter page; what has no room is counted on it."""
    words = texts(said.language)["words"]
    foot = words["data"].format(
        snapshot=said.basis.snapshot, as_of=said.basis.as_of, policy=said.basis.policy
    )
    return drawn(
        f"{words['title']}: {short(said.home_id)}, {short(said.agency)}",
        said.basis,
        foot,
        len(said.findings),
        lambda shown: _lines(said, shown),
        words["code"],
    )


def in_day(language: str, day: date) -> str:
    """A day in the words of a language."""
    words = texts(language)["words"]
    return words["day"].format(month=words["months"][day.month - 1], day=day.day, year=day.year)


def _lines(said: Notice, shown: int) -> Iterator[Line]:
    words = texts(said.language)["words"]
    recorded = [said.agency, said.home_id, said.job_number, said.address, *vars(said.call).values()]
    yield from set_in(words["title"], TITLE, MEASURE)
    where = (
        words["home"].format(home=short(said.home_id)),
        short(said.address or "", 120),
        words["job"].format(job=short(said.job_number)) if said.job_number else "",
    )
    yield from set_in(", ".join(filter(None, where)), replace(TEXT, font=BOLD), MEASURE)
    made = words["made"].format(
        agency=short(said.agency),
        day=in_day(said.language, said.as_of),
        visit=in_day(said.language, said.last_visit),
    )
    yield from set_in(made, TEXT, MEASURE)
    yield from _found(said, shown)
    yield from set_in(words["not_touch"], HEADING, MEASURE)
    yield from listed(words["touch"])
    yield from set_in(words["call"], HEADING, MEASURE)
    yield from _call(said.call, words)
    yield from set_in(words["help"], TEXT, MEASURE)
    yield from set_in(words["who"], HEADING, MEASURE)
    yield from _who(said, shown)
    yield from set_in(words["sign"], HEADING, MEASURE)
    yield from _signatures(words)
    cut = any(short(text) != text for text in recorded if text)
    yield from set_in(
        f"{words['rests']} {words['cut'] if cut else ''}".strip(), replace(SMALL, space=5), MEASURE
    )


def _found(said: Notice, shown: int) -> Iterator[Line]:
    language = texts(said.language)
    words = language["words"]
    yield from set_in(words["found"], HEADING, MEASURE)
    for number, one in enumerate(said.findings[:shown], start=1):
        sentence = language["checks"][one.check_id]
        if said.systems > 1:
            sentence = words["in_system"].format(sentence=sentence, system=short(one.system_id, 30) or "-")
        yield from set_in(f"{number}. {sentence}", TEXT, MEASURE)
    left = len(said.findings) - shown
    sentences = [words["one_more"] if left == 1 else words["more"].format(count=left)] if left else []
    if not said.findings:
        sentences.append(_nothing_found(said, words))
    sentences += _unknown(said, language)
    for text in sentences:
        yield from set_in(text, TEXT, MEASURE)
    for text in _instructions(said, words):
        yield from set_in(text, replace(TEXT, font=BOLD, space=5), MEASURE)


def _nothing_found(said: Notice, words: dict[str, Any]) -> str:
    if not said.assessed:
        return words["not_checked"]
    return words["none_found" if said.clear else "none_found_so_far"]


def _unknown(said: Notice, language: dict[str, Any]) -> Iterator[str]:
    words = language["words"]
    count = sum(said.unknown.values()) + said.in_doubt
    if not count:
        return
    parts = [language["groups"][group] for group in said.unknown]
    parts += [words["kind_of_heating"]] if said.in_doubt else []
    joined = f" {words['and']} ".join(filter(None, (", ".join(parts[:-1]), parts[-1])))
    yield words["one_unknown" if count == 1 else "unknown"].format(count=count, parts=joined)


def _instructions(said: Notice, words: dict[str, Any]) -> Iterator[str]:
    """What the household is to do until the work is done."""
    found = {one.check_id for one in said.findings}
    if found & STAYS_OFF:
        yield words["keep_off"]
    if found.intersection(INTO_THE_TAP) and said.antifreeze != "no":
        yield words["no_tap_water" if said.antifreeze == "yes" else "no_tap_water_unknown"]
    elif INTO_THE_HOT_TAP in found:
        yield words["no_hot_water"]


def _call(call: Contact, words: dict[str, Any]) -> Iterator[Line]:
    """Office, phone and hours as far as known, and lines to write the others on."""
    named = ((words["office"], call.name), (words["phone"], call.phone), (words["hours"], call.hours))
    known = [f"{label}: {short(text)}" for label, text in named if text]
    if known:
        yield from set_in("; ".join(known), replace(TEXT, font=BOLD), MEASURE)
    empty = [label for label, text in named if not text]
    third = MEASURE / 3
    if empty:
        blanks = tuple(
            (third * number, third * (number + 1) - 8, f"{label}:") for number, label in enumerate(empty)
        )
        yield replace(TEXT, blanks=blanks, space=9)


def _who(said: Notice, shown: int) -> Iterator[Line]:
    """Who does what by when, the findings with the same day and person together."""
    words = texts(said.language)["words"]
    groups: dict[tuple[date | None, str], list[str]] = {}
    for number, one in enumerate(said.findings[:shown], start=1):
        groups.setdefault((one.due, one.who), []).append(str(number))
    rows = [
        (words["we_fix"].format(numbers=", ".join(numbers)), due, who)
        for (due, who), numbers in groups.items()
    ]
    if said.findings and not rows:
        rows.append((words["we_fix_all"], None, ""))
    if said.unknown or said.in_doubt or not said.assessed:
        rows.append((words["we_check"], None, ""))
    for text, due, who in rows:
        by = words["by_day"].format(day=in_day(said.language, due)) if due else words["by"]
        blanks = ((270.0, 395.0, by), (402.0, MEASURE, f"{words['done_by']}: {short(who, 24)}"))
        for number, line in enumerate(set_in(text, replace(TEXT, space=4), 262.0)):
            yield line if number else replace(line, blanks=blanks)
    yield from set_in(words["you"], replace(TEXT, space=4), MEASURE)


def _signatures(words: dict[str, Any]) -> Iterator[Line]:
    yield from set_in(words["signed"], TEXT, MEASURE)
    for label in (words["sign_client"], words["sign_agency"]):
        blanks = ((0.0, 400.0, label), (410.0, MEASURE, words["sign_day"]))
        yield replace(TEXT, blanks=blanks, space=12)
