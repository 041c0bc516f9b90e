"""The lists that results rest on, for people and programs: checks, fields, limits."""

from collections.abc import Iterator
from typing import Any

from pipelines.engine.checks import CHECKS
from pipelines.engine.policy.policy import Policy
from pipelines.fields import FIELDS
from pipelines.fleet.adopted import Adopted


def checks() -> list[dict[str, Any]]:
    """Every check: what it is about, how grave, and on whose authority."""
    names = (
        "title",
        "name",
        "sound",
        "group",
        "safety_critical",
        "act_today",
        "severity",
        "probability",
        "remedy",
        "source",
    )
    return [{"check_id": check.id} | {name: getattr(check, name) for name in names} for check in CHECKS]


def lines_of_checks() -> Iterator[str]:
    for row in checks():
        marks = ", act today" if row["act_today"] else ", safety-critical" if row["safety_critical"] else ""
        yield f"{row['check_id']:32} {row['title']} ({row['group']}{marks})"


def fields() -> list[dict[str, Any]]:
    """Every field an export may carry: unit, words, plausible range."""
    names = ("name", "group", "kind", "unit", "words", "plausible", "required", "personal", "meaning")
    return [{name: getattr(field, name) for name in names} for field in FIELDS]


def lines_of_fields() -> Iterator[str]:
    for field in FIELDS:
        accepted = ", ".join(field.words) or field.kind
        if field.plausible:
            low, high = field.plausible
            accepted = f"{low:,} to {high:,} {field.unit or ''}".strip()
        required = " (required)" if field.required else ""
        yield f"{field.name:26} {field.meaning}{required}: {accepted}"


def lines_of_policy(policy: Policy) -> Iterator[str]:
    """Every limit and accepted word with its mark and reason."""
    yield f"policy {policy.sha256[:12]}"
    for limit in policy.limits.values():
        yield f"{limit.name:30} {limit.value:g} {limit.unit:9} {limit.mark:15} {limit.why}"
    for name, entry in policy.accepted.items():
        yield f"{name:30} {', '.join(entry['words'])}  {entry['mark']}: {entry['why']}"


def adopted_line(line: Adopted) -> dict[str, Any]:
    """A change of the policy as a document has it."""
    return {name: value for name, value in vars(line).items() if name != "line_before"}


def adopted_said(line: Adopted) -> str:
    """A change of the policy in a line: who, when, why, and from what to what."""
    what = f"takes back {line.takes_back}" if line.takes_back else "adopted"
    texts = f"{line.before[:12] or 'none'} → {line.after[:12] or 'none'}"
    return f"policy {line.number}  {line.at}  {what} by {line.who}: {line.why}  ({texts})"
