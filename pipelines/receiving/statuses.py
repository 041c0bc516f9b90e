"""What the status of a row says, on a list that comes back.

It is one of the words of a decision, with what some need beside it: ordered MEASURE, assigned to NAME,
accepted until DAY.
"""

import re
from collections.abc import Mapping, Sequence

from pipelines.fleet.decided import WHAT
from pipelines.intake.cells import collapsed, word_key
from pipelines.receiving.sent_back import day_of

A_DAY = "a day as 2026-03-01"
# What may stand beside a word, and how it is written.
BESIDE = {
    **{"ordered": "measure", "done": "measure", "referred": "to", "assigned": "to"},
    **{"accepted": "until", "deferred": "until"},
}
WRITTEN = {"measure": "MEASURE", "to": "to NAME", "until": "until 2026-12-31"}
STATUSES = ", ".join(
    what if what == "done" else f"{what} {WRITTEN.get(BESIDE.get(what, ''), '')}".strip()
    for what in WHAT
    if what != "undone"
)
SHOWN = 80  # letters of a text that is not used
REST = re.compile(
    r"(?:[\s:]*(?P<measure>(?!to\b|until\b)[a-z0-9]+(?:-[a-z0-9]+)*))?"
    r"(?:\s+to\s+(?P<to>.+?))?(?:\s+until\s+(?P<until>.+))?",
    re.IGNORECASE | re.DOTALL,
)


class Wrong(ValueError):
    """What is wrong with a row of a list: heading and text that are not used, why, what would be accepted."""

    def __init__(self, heading: str, text: str, reason: str, expected: str = ""):
        super().__init__(reason)
        text = text if len(text) <= SHOWN else f"{text[:SHOWN]}..."
        self.heading, self.text, self.reason, self.expected = heading, text, reason, expected


def status_of(text: str, check_id: str, fixes: Mapping[str, Sequence[str]], order: str) -> dict[str, str]:
    """What a status says: `what`, and beside it `measure`, `to` or `until`; Wrong where it is none.

    `fixes` are the checks that each measure fixes: where one alone fixes the check, it need not be named.
    `order` is how days are written.
    """
    said = collapsed(text)
    what = next((one for one in WHAT if _begins_with(said, one)), "")
    rest = REST.fullmatch(said[len(what) :]) if what else None
    if rest is None:
        raise Wrong("status", text, "not one of the words", STATUSES)
    if what == "undone":
        raise Wrong(
            "status", text, "a list takes nothing back", "that on the home's page, or coldfill decide"
        )
    found = {name: collapsed(part or "") for name, part in rest.groupdict().items()}
    beside = BESIDE.get(what, "")
    if any(part for name, part in found.items() if name != beside):
        raise Wrong("status", text, f"more than {what} says", STATUSES)
    if beside == "until":
        found["until"] = day_of(found["until"], order)
    if beside == "measure":
        found["measure"] = _measure(text, what, found["measure"].lower(), check_id, fixes)
    elif beside and not found[beside]:
        raise Wrong("status", text, f"{what} needs more, plainly", f"{what} {WRITTEN[beside]}")
    return {"what": what, **found}


def _begins_with(said: str, what: str) -> bool:
    return f"{word_key(said.partition(':')[0])}_".startswith(f"{word_key(what)}_")


def _measure(text: str, what: str, measure: str, check_id: str, fixes: Mapping[str, Sequence[str]]) -> str:
    """The measure that a status names, or the one that fixes the check where it must name one."""
    if measure and measure not in fixes:
        raise Wrong("status", text, f"no measure called {measure!r}", ", ".join(fixes))
    if measure or what == "done":
        return measure
    fitting = [one for one, checks in fixes.items() if check_id in checks]
    if len(fitting) != 1:
        some = " or ".join(f"ordered {one}" for one in fitting) or "another word: no measure fixes it"
        raise Wrong("status", text, "ordered needs the measure", some)
    return fitting[0]
