"""What is said of a file before it is loaded: what its rows would come to, and what of it would be lost.

Everything returns plain text, as `wording` does.
"""

from collections.abc import Callable, Iterable

from dashboard import data, wording
from dashboard.uploads import Effect, Waiting
from pipelines.intake.cells import NOT_RECORDED, Refused, day
from pipelines.intake.rows import SAID_TWICE, SHIFTED
from pipelines.receiving.verdict import Lost, Verdict

CENTURIES = (2000, 1980, 1970, 1950)
NO_CENTURY = "The century of years with two digits: choose it below."
JUDGED_IN = 2000  # the century in which other cells are judged until one is chosen
COUNTS = {
    "New inspections": "new",
    "Changed": "changed",
    "Repeated": "repeated",
    "Outdated already": "older",
    "Will not load": "not_loaded",
}
MOST_REASONS, MOST_TEXTS = 4, 4
USUAL_CAUSE = "The usual causes: another agency's mapping, or dates written in another order."


def reckoned_on(verdict: Verdict, *, before_a_change: bool) -> str:
    """What a verdict rests on, in a sentence."""
    rows = f"all {verdict.rows:,} rows" if verdict.whole else f"the first {verdict.rows:,} rows"
    so_far = ", as that is read before the change" if before_a_change else ""
    return f"Reckoned on {rows}, held against what is loaded already{so_far}."


def counted(verdict: Verdict) -> list[tuple[str, str]]:
    """How many rows would be what: (name, number)."""
    return [(name, count_of(name)(verdict)) for name in COUNTS]


def count_of(name: str) -> Callable[[Verdict | None], str]:
    """One of COUNTS as it is shown of a verdict."""
    return lambda verdict: "" if verdict is None else f"{getattr(verdict, COUNTS[name]):,}"


def rows_lost(verdict: Verdict) -> str:
    """The rows that will not load, by reason, the most first, in one line; nothing where all will."""
    if not verdict.lost:
        return ""
    named = [
        f"{_why(one)} {one.times:,} ({'first in ' if one.times > 1 else ''}line {one.line:,})"
        for one in verdict.lost[:MOST_REASONS]
    ]
    more = sum(one.times for one in verdict.lost[MOST_REASONS:])
    named += [f"other reasons {more:,}"] if more else []
    return f"{wording.plural(verdict.not_loaded, 'row')} will not load: {', '.join(named)}."


def _why(lost: Lost) -> str:
    if lost.reason == NOT_RECORDED:
        return f"{data.called(lost.field)} missing"
    if lost.reason == SAID_TWICE:
        return "two things said of one inspection"
    return (
        lost.reason
        if not lost.field or lost.reason == SHIFTED
        else f"{data.called(lost.field)} {lost.reason}"
    )


def doubt(verdict: Verdict) -> str:
    """Why a file should not be loaded as it is; nothing where it may."""
    if verdict.hopeless:
        return f"No row of it can be used, so there is nothing to load. {USUAL_CAUSE}"
    if verdict.doubtful:
        of = f"{verdict.usable:,} of {wording.plural(verdict.rows, 'row')}"
        return f"Only {of} can be used. {USUAL_CAUSE}"
    return ""


def unread(verdict: Verdict) -> list[str]:
    """Texts that mean no word yet with the cells they cost, the most first, as lines."""
    named, rest = verdict.unread[:MOST_TEXTS], verdict.unread[MOST_TEXTS:]
    lines = [
        f"“{wording.cut(one.text, 40)}” in {wording.cut(one.heading, 40)}: "
        f"{wording.plural(one.times, 'cell')} not used"
        for one in named
    ]
    cells = wording.plural(sum(one.times for one in rest), "cell")
    return lines + ([f"{wording.plural(len(rest), 'other text')}: {cells} not used"] if rest else [])


EFFECTS = (
    ("rows_more", "Rows more"),
    ("rows_less", "Rows less"),
    ("cells_more", "Cells more"),
    ("cells_less", "Cells less"),
    ("cells_other", "Cells read otherwise"),
)
MOST_FIELDS = 5


def these_of(shown: int, files: int) -> str:
    """The newest files of so many, in words."""
    return wording.plural(files, "file") if shown == files else f"newest {shown:,} of {files:,} files"


def touched(effect: Effect) -> str:
    """Which fields a change of the mapping touches in a file, and what it cannot reach."""
    named = [
        f"{data.called(field)} ({wording.plural(cells, 'cell')})"
        for field, cells in effect.fields[:MOST_FIELDS]
    ]
    more = len(effect.fields) - MOST_FIELDS
    named += [f"{wording.plural(more, 'field')} more"] if more > 0 else []
    dropped = wording.some(effect.wanting)
    said = [", ".join(named) if named else "" if effect.wanting else "nothing changes"]
    said += [f"{dropped}: dropped when it was loaded; add the file again to have it"] if dropped else []
    return wording.sentence("; ".join(filter(None, said)))


def century(begins: int, example: str, order: str | None) -> str:
    """A choice of the century of two-digit years, and what an example becomes under it."""
    known = "mdy" if order is None and example.replace(" ", "-").replace("-", "").isalnum() else order
    found = day(example, known, begins) if known else None
    becomes = "" if found is None or isinstance(found, Refused) else f"; {example} is {wording.day(found)}"
    turn = -(-begins // 100) * 100
    later = f"00–{begins + 99 - turn} are {turn}–{begins + 99}"
    earlier = f"{begins % 100}–99 are {begins}–{turn - 1}, " if begins < turn else ""
    return f"{earlier}{later}{becomes}"


def standing(one: Waiting) -> str:
    """How one of several files stands: what keeps it from being loaded, else what of it would be lost."""
    if one.verdict is None:
        return wording.sentence(one.why.removeprefix(f"{one.file_name}: "))
    said = (doubt(one.verdict) or rows_lost(one.verdict), *unread(one.verdict)[:1])
    drops = (f"Drops {wording.some(one.dropped)}",) if one.dropped else ()
    return " ".join(part if part.endswith(".") else f"{part}." for part in (*said, *drops) if part) or (
        "Every row would load."
    )


def dropped(headings: Iterable[str]) -> str:
    """Columns that would be dropped at the door, in a sentence; nothing where none would."""
    names = list(headings)
    return (
        f"Dropped before anything is stored, unless you keep it below: {wording.some(names)}."
        if names
        else ""
    )
