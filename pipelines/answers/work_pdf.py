"""The work of a list on paper: half a letter page, which reads on a phone and prints two to a sheet."""

from collections.abc import Iterator
from dataclasses import replace

from pipelines.answers.access import ListError
from pipelines.answers.listed import Sheet, facts
from pipelines.answers.paper import BOLD, SLANTED, SPELT, Block, Line, Paper, has_no_type_for, set_in
from pipelines.answers.work import Home, Task

MOST_HOMES = 2_000  # beyond, nobody finds a home in it
WIDTH, HEIGHT, MARGIN = 5.5 * 72, 8.5 * 72, 30.0
TEXT = Line(size=10)
INDENT = 18.0
BOX = 9.0


def as_pdf(sheet: Sheet) -> bytes:
    """The work home by home, the cautions first. ListError where there is none, or too many homes."""
    if sheet.work is None:
        raise ListError("only a list of what is open is written as .pdf")
    count = sheet.count_homes()
    if count > MOST_HOMES:
        raise ListError(
            f"a .pdf takes up to {MOST_HOMES:,} homes, these are {count:,}: choose .xlsx, or narrow the list "
            "with --agency, --region, --crew, --check, --risk, --stage or --since"
        )
    homes = sheet.work(sheet.rows)
    about = sheet.about
    paper = Paper(
        WIDTH, HEIGHT, MARGIN, f"{about['snapshot'].removesuffix('.duckdb')}, as of {about['as_of']}"
    )
    blocks = [_block(home, paper.measure) for home in homes]
    spelt = any(has_no_type_for(text) for home in homes for text in _recorded(home))
    paper.put(_cover(sheet, len(homes), spelt, paper.measure))
    for block in blocks:
        paper.put(block)
    return paper.drawn(f"Work, {about['snapshot']}, as of {about['as_of']}", sheet.time)


def _recorded(home: Home) -> Iterator[str]:
    yield from (home.agency, home.home_id, *(system.system_id for system in home.systems))
    yield from filter(None, (home.job_number, home.address, home.region, home.crew))


def _cover(sheet: Sheet, homes: int, spelt: bool, measure: float) -> Block:
    """What the work rests on and the cautions, before the first home."""
    said = [f"{name}: {text}" for name, text in facts(sheet) if name != "list"]
    tasks = sheet.rows.num_rows
    counted = f"{tasks:,} open {'deficiency' if tasks == 1 else 'deficiencies'} in {homes:,} homes"
    lines = (
        Line("Work: what to put right, home by home", BOLD, 13),
        *set_in(f"{counted}, the gravest first.", TEXT, measure),
        *(line for text in said for line in set_in(text, Line(size=8), measure)),
        *(set_in(SPELT, Line(size=8), measure) if spelt else ()),
        *(
            line
            for text in sheet.about["cautions"]
            for line in set_in(text, Line(font=SLANTED, size=10, space=3), measure)
        ),
        Line(),
    )
    return Block((), (), tuple((line,) for line in lines))


def _block(home: Home, measure: float) -> Block:
    known = (
        f"worst {home.risk}",
        f"job {home.job_number}" if home.job_number else "no job",
        home.address,
        f"crew {home.crew}" if home.crew else "crew not recorded",
        f"region {home.region}" if home.region else "",
        f"last visit {home.last_inspected_on}",
        *home.remarks,
    )
    title = f"Home {home.home_id}, {home.agency}"
    called = Line(font=BOLD, size=11, shade=0.88, space=8)
    head = (
        *set_in(title, replace(called, mark=title), measure),
        *set_in("; ".join(filter(None, known)), Line(size=9), measure),
        *(
            line
            for text in home.cautions
            for line in set_in(text, Line(font=SLANTED, size=9, space=2), measure)
        ),
    )
    return Block(head, set_in(f"{title} (continued)", called, measure), tuple(_parts(home, measure)))


def _parts(home: Home, measure: float) -> Iterator[tuple[Line, ...]]:
    for system in home.systems:
        several = len(home.systems) > 1
        name = f"System {system.system_id or '(no id)'}"
        head = set_in(name, Line(font=BOLD, size=10, space=4), measure) if several else ()
        for task in system.tasks:
            yield (*head, *_task(task, measure))
            head = ()


def _task(task: Task, measure: float) -> Iterator[Line]:
    indented = Line(size=10, left=INDENT)
    title = Line(font=BOLD, size=10.5, left=INDENT, box=BOX, space=9, rule=True)
    yield from set_in(task.title, title, measure)
    yield from set_in(task.standing, Line(size=8.5, left=INDENT), measure)
    yield from set_in(f"Found: {task.seen}", indented, measure)
    if task.follows_from:
        yield from set_in(f"Follows from: {task.follows_from}", indented, measure)
    yield from set_in(f"Do: {task.remedy}", indented, measure)
    for text in task.set_to:
        yield from set_in(text, Line(font=BOLD, size=10, left=INDENT), measure)
    third = (measure - INDENT) / 3
    blanks = tuple(
        (INDENT + third * number, INDENT + third * (number + 1) - 6, said)
        for number, said in enumerate(("Date", "By", "Reading after"))
    )
    yield Line(size=10, space=9, blanks=blanks)
