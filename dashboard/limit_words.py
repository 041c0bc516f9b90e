"""How values of a policy, and what they would change, are said. Everything returns plain text."""

from datetime import datetime
from typing import Any

from dashboard import wording
from dashboard.trying import ACCEPTED, MEASURES, RISK, Edit, Setting

EVERY_REGION = "every region"


def title(setting: Setting) -> str:
    """A setting in a list of choices: what it is, and what it is now."""
    return f"{wording.sentence(setting.title)}: {value(setting, setting.value)}"


def value(setting: Setting, held: Any) -> str:
    """A value of a setting with its unit, or its words."""
    if setting.table == ACCEPTED:
        return ", ".join(map(wording.word, held)) or "none"
    if held is None:
        return "not said"
    return str(held) if setting.table == RISK else wording.limit(held, setting.unit)


def about(setting: Setting, held: Any) -> list[tuple[str, str]]:
    """What stands there now, and why: (name, text)."""
    return [("Now", value(setting, held)), ("Mark", setting.mark), ("Why", setting.why)]


def own(setting: Setting) -> list[str]:
    """What regions, and days from which something holds, have of their own, a line each."""
    lines = []
    for one in setting.own:
        place = one.region or EVERY_REGION
        agency = f" of {one.agency}" if one.agency else ""
        for_visits = "" if setting.table == MEASURES else "for visits "
        day = f", {for_visits}from {one.effective_from} on" if one.effective_from else ""
        lines.append(f"{place}{agency}{day}: {value(setting, one.value)}")
    return lines


def field_label(setting: Setting) -> str:
    """The label of the field that takes a number."""
    unit = wording.UNITS.get(setting.unit, setting.unit)
    return f"To, in {unit}" if unit else "To"


def step(setting: Setting, held: Any) -> float:
    """By how much a button changes a number."""
    if setting.unit in ("dollars", "USD"):
        return 10.0
    if held is None or setting.whole or setting.unit in ("degF", "day", "month"):
        return 1.0
    return 0.05 if setting.most <= 1 else 0.5 if held < 100 else 10.0


def name(one: Edit) -> str:
    """The setting that an edit is of."""
    return ".".join(filter(None, (one.table, one.key, one.part)))


def changed(settings: dict[str, Setting], one: Edit, held: Any, position: int) -> dict[str, Any]:
    """A change as a row: title, place, before, after."""
    setting = settings[name(one)]
    place = f"{one.region}{f' of {one.agency}' if one.agency else ''}" if one.region else EVERY_REGION
    return {
        "title": wording.sentence(setting.title),
        "place": place,
        "before": value(setting, held),
        "after": value(setting, one.value),
        "out": "take out",
        "position": position,
    }


def moment(at: str) -> str:
    """A moment of a log: Mar 4, 2025, 12:30 UTC."""
    then = datetime.fromisoformat(at)
    return f"{wording.day(then)}, {then:%H:%M} UTC"


def taken_back(number: str) -> str:
    """What a change of the policy is."""
    return f"takes change {number} back" if number else "adopted"


def took(seconds: float, costs_alone: bool) -> str:
    """How a result came about."""
    if costs_alone:
        return (
            "No flag rests on what work costs and takes: the plan alone was worked out again, in "
            f"{seconds:,.0f} seconds."
        )
    return (
        f"Every inspection of this snapshot was worked out again, in {seconds:,.0f} seconds. Homes are "
        "counted; a home with two systems counts once."
    )
