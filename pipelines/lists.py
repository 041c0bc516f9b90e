"""Lists that leave the tool: what is open, what holds a unit back, what was not loaded; as CSV, XLSX, Parquet, JSON.

A list shows what the viewer may see, states what it rests on, and comes out byte for byte the same for the same
snapshot, filters and as-of date. A CSV holds the list and nothing else, its headings in the first line, so that any
program can read it and send it back; what it rests on stands in a text beside it (`write`, `as_zip`).
"""

import difflib
import io
import json
import textwrap
import zipfile
from dataclasses import asdict, dataclass, field
from datetime import date, datetime
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet

from pipelines.checks import HOME_CHECKS
from pipelines.decisions import overlay
from pipelines.fields import BY_NAME, FIELDS, NUMBER, PERSONAL
from pipelines.history import NOT_VERIFIED, OPEN_STATES, STAGES
from pipelines.intake.cells import folded
from pipelines.logs import told
from pipelines.policy.policy import LEVELS
from pipelines.readings import REASONS
from pipelines.snapshot import CERTAINTY_STEPS, NUMBERS, column, part, picked, quoted
from pipelines.spreadsheets import harmless

FLAGGED = (
    "agency",
    "home_id",
    "system_id",
    "job_number",
    "region",
    "crew",
    "last_inspected_on",
    "risk",
    "check_id",
    "deficiency",
    "observed",
    "low",
    "high",
    "certainty",
    "fix_first",
    "state",
    "stage",
    "since",
    "due",
    "decided",
)
WAY_BACK = (
    "status",
    "done_on",
    "done_by",
    "reading_after",
    "why",
)  # for the list's way back, empty when it leaves
ROWS_IN_XLSX = 1_048_575
LETTERS_IN_CELL = 32_767

CAUTIONS = (
    "Results rest on recorded readings. They are not a safety inspection.",
    "Hot boilers scald at once: water at 140 °F burns in seconds.",
    "Before anyone touches a tank, a vent or a relief valve: power and fuel off and isolated, system cooled, pressure taken off. Zero on a boiler gauge is no proof of no pressure: open a drain.",
    "Never feed cold water to a hot boiler that has run low: shut it down and let it cool.",
    "Never plug, cap or valve off a relief valve; do not lift an old one's lever unless ready to replace it.",
    "A failed tank is heavy: support it.",
    "Treat unidentified antifreeze as ethylene glycol: poisonous.",
    "Old pipe insulation may hold asbestos.",
    "Carbon monoxide, draft and gas leaks are outside these checks.",
    "Local code and the authority having jurisdiction rule over every default here, and the work is for licensed people where the law says so.",
)


class ListError(ValueError):
    """A list that cannot be made as asked; the message says what would be accepted."""


@dataclass(frozen=True)
class Viewer:
    """Who looks: agencies they may see (None is every one), and whether they may see personal fields."""

    agencies: tuple[str, ...] | None = None
    personal: bool = True


EVERYTHING = Viewer()


@dataclass(frozen=True)
class Filters:
    """What to show: any of each, all together; what is empty shows all.

    `agency`, `region`, `crew` compare without case, blanks collapsed. `check`, `risk`, `stage` and `since` (found on
    that day or later) speak of open deficiencies; `risk` means so grave or worse. `search` is part of a home id, a job
    number or, for viewers who may see it, an address. ListError where a check, risk or stage is none there is.
    """

    agency: tuple[str, ...] = ()
    region: tuple[str, ...] = ()
    crew: tuple[str, ...] = ()
    check: tuple[str, ...] = ()
    risk: str = ""
    stage: tuple[str, ...] = ()
    since: date | None = None
    search: str = ""

    def __post_init__(self):
        home_checks = tuple(check.id for check in HOME_CHECKS)
        for name, given, accepted in (
            ("check", self.check, home_checks),
            ("risk", (self.risk,) if self.risk else (), LEVELS),
            ("stage", self.stage, STAGES),
        ):
            for text in given:
                if text not in accepted:
                    raise ListError(f"no {name} called {text!r}; {_nearest(text, accepted)}")

    @property
    def stated(self):
        """The filters that are set, by name, for a list to state."""
        return {
            name: list(value) if isinstance(value, tuple) else str(value)
            for name, value in asdict(self).items()
            if value
        }

    @property
    def of_deficiencies(self):
        return bool(self.check or self.risk or self.stage or self.since)


@dataclass(frozen=True)
class Sheet:
    """One list: its rows, and what it rests on (`list`, `snapshot`, `received_until`, `as_of`, `filters`, `policy`, `cautions`).

    Dates are midnight timestamps, texts may be missing; `observed` is text, a number written out where it is one.
    `homes` (flagged only) gives each home its worst risk; without it the worst listed stands for it.
    """

    name: str
    frame: pd.DataFrame
    about: dict
    homes: pd.DataFrame | None = field(default=None, repr=False)

    @property
    def file_name(self):
        """Name without ending that says which snapshot and day it is of."""
        return f"{self.name}-{self.about['snapshot'].removesuffix('.duckdb')}-as-of-{self.about['as_of']}"


# ---- which homes, which deficiencies


def where(viewer, filters, homes="h", checks="d"):
    """SQL condition and its parameters: rows the viewer may see and the filters let through.

    `homes` is the alias of a table with agency, home_id, region, crew and (if searched) job_number; `checks` that of
    one with check_id, risk, stage and (if asked for) since, whose rows are open deficiencies. Without `checks` (None)
    a home fits that has such a deficiency.
    """
    of_homes, of_checks = _Condition(), _Condition()
    if viewer.agencies is not None:
        of_homes.add_folded(f"{homes}.agency", "agency", viewer.agencies)
    for name in ("agency", "region", "crew"):
        if getattr(filters, name):
            of_homes.add_folded(f"{homes}.{name}", name, getattr(filters, name))
    if filters.search.strip():
        has = "contains(lower({}), lower(?))"
        places = [has.format(f"{homes}.home_id"), has.format(f"{homes}.job_number")]
        if viewer.personal:
            places.append(
                f"({homes}.agency, {homes}.home_id) IN (SELECT (agency, home_id) FROM readings WHERE {has.format('address')})"
            )
        of_homes.add(
            " OR ".join(f"coalesce({place}, false)" for place in places),
            [filters.search.strip()] * len(places),
        )
    if filters.of_deficiencies:
        inner = checks or "f"
        if filters.check:
            of_checks.add_among(f"{inner}.check_id", filters.check)
        if filters.risk:
            of_checks.add_among(f"{inner}.risk", LEVELS[: LEVELS.index(filters.risk) + 1])
        if filters.stage:
            of_checks.add_among(f"{inner}.stage", filters.stage)
        if filters.since:
            of_checks.add(f"{inner}.since >= ?", [filters.since])
        if checks is None:
            of_homes.add(
                f"({homes}.agency, {homes}.home_id) IN (SELECT (f.agency, f.home_id) FROM opened AS f WHERE {of_checks.sql})",
                of_checks.params,
            )
        else:
            of_homes.add(of_checks.sql, of_checks.params)
    return of_homes.sql, of_homes.params


class _Condition:
    """Parts of a condition joined by AND, with their parameters."""

    def __init__(self):
        self.parts, self.params = [], []

    @property
    def sql(self):
        return " AND ".join(self.parts) or "true"

    def add(self, sql, params=()):
        self.parts.append(f"({sql})")
        self.params += params

    def add_among(self, name, texts):
        self.add(f"{name} IN ({', '.join('?' * len(texts))})" if texts else "false", list(texts))

    def add_folded(self, name, field_name, texts):
        """Texts of a field that compares without case; the snapshot keeps one spelling of each."""
        marks = ", ".join("?" * len(texts)) or "NULL"
        self.add(
            f"{name} IN (SELECT spelling FROM spellings WHERE field = '{field_name}' AND folded IN ({marks}))",
            [folded(text) for text in texts],
        )


def demand_known(viewer, snapshot, filters):
    """ListError where a filter names an agency, region or crew that none of the viewer's homes has.

    An empty list because of a slip of the pen would look like good news.
    """
    wanted = {
        name: {folded(text): text for text in getattr(filters, name)} for name in ("agency", "region", "crew")
    }
    if not any(wanted.values()):
        return
    seen, params = where(viewer, Filters(), homes="tally")
    for name, texts in wanted.items():
        there = [
            text
            for (text,) in snapshot.rows(
                f"SELECT DISTINCT {name} FROM tally WHERE {name} IS NOT NULL AND {seen} ORDER BY 1", params
            )
        ]
        for missing in texts.keys() - set(map(folded, there)):
            raise ListError(f"no {name} called {texts[missing]!r}; {_nearest(texts[missing], there)}")


def _nearest(text, accepted):
    near = difflib.get_close_matches(text, accepted, n=3, cutoff=0.5)
    if near:
        return f"nearest: {', '.join(near)}"
    return (
        f"there are: {', '.join(accepted[:40])}{' ...' if len(accepted) > 40 else ''}"
        if accepted
        else "there is none at all"
    )


# ---- the lists


def flagged(viewer, snapshot, filters, as_of, decisions=()):
    """Every open deficiency, one row each: act today first, then by risk, oldest first, then by agency and home."""
    demand_known(viewer, snapshot, filters)
    found = overlay(snapshot, decisions, as_of, *where(viewer, filters))
    carry = _carried_headings(viewer, snapshot)
    own = "".join(
        f", json_extract_string(r.carried, {quoted(_pointer(heading))}) AS {_name(name)}"
        for heading, name in carry
    )
    rows = snapshot.arrow(
        f"""
        WITH roots AS (
            SELECT f.agency, f.inspection_id, f.check_id, string_agg({_title("l.root_check_id", "'cause not told'")}, '; ' ORDER BY {_place("l.root_check_id")}) AS fix_first
            FROM found AS f JOIN causes AS l ON l.agency = f.agency AND l.inspection_id = f.inspection_id AND l.symptom_check_id = f.check_id
            LEFT JOIN opened AS s ON s.agency = f.agency AND s.home_id = f.home_id AND s.system_id = f.system_id AND s.check_id = l.root_check_id
            WHERE l.root_check_id IS NULL OR (l.root_check_id <> l.symptom_check_id AND s.check_id IS NOT NULL)
            GROUP BY ALL)
        SELECT f.agency, f.home_id, f.system_id, h.job_number, h.region, h.crew, h.last_inspected_on, f.risk, f.check_id, {_title("f.check_id", "f.check_id")} AS deficiency,
               {", ".join(_shown(snapshot))}, roots.fix_first, f.state, f.stage, f.since, f.due, f.decided{own}, h.risk AS "home risk"
        FROM found AS f JOIN homes AS h ON h.agency = f.agency AND h.home_id = f.home_id
        LEFT JOIN judged AS o ON o.agency = f.agency AND o.inspection_id = f.inspection_id
        LEFT JOIN roots ON roots.agency = f.agency AND roots.inspection_id = f.inspection_id AND roots.check_id = f.check_id
        {"LEFT JOIN readings AS r ON r.agency = f.agency AND r.inspection_id = f.inspection_id" if carry else ""}
        ORDER BY list_position({list(LEVELS)}, f.risk), f.since, f.agency, f.home_id, f.system_id, {_place("f.check_id")}
    """,
        found=found,
    )
    frame = rows.drop_columns(["home risk"]).to_pandas(date_as_object=False)
    homes = pd.DataFrame(
        {"agency": frame["agency"], "home_id": frame["home_id"], "risk": rows.column("home risk").to_pandas()}
    ).drop_duplicates(ignore_index=True)
    for name in WAY_BACK:
        frame[name] = pd.Series([None] * len(frame), dtype="str")
    return Sheet("flagged", frame, about("flagged", snapshot, as_of, filters), homes)


def hold(viewer, snapshot, filters, as_of):
    """Units to hold before reporting: final inspection done, not reported, and something open or a danger not verified.

    One row per home; `job_number` and `final_on` are of the job or jobs (joined by ;) whose final is not reported.
    `why` names the open deficiencies and the safety-critical checks that were not verified.
    """
    demand_known(viewer, snapshot, filters)
    condition, params = where(viewer, filters, checks=None)
    names = lambda codes, checks: (
        "concat_ws('; ', "
        + ", ".join(
            f"CASE WHEN {part(check.id, 'state', 's')} IN ({', '.join(map(str, codes))}) THEN {quoted(check.title)} END"
            for check in checks
        )
        + ")"
    )
    rows = snapshot.arrow(
        f"""
        WITH held AS (SELECT h.* FROM homes AS h WHERE h.hold_before_reporting AND {condition}),
        visits AS (SELECT r.agency, r.home_id, coalesce(r.job_number, '') AS job, max(r.inspected_on) FILTER (r.inspection_kind = 'final') AS final_on,
                          count(r.reported_on) AS reported
                   FROM readings AS r SEMI JOIN held ON held.agency = r.agency AND held.home_id = r.home_id GROUP BY ALL),
        units AS (SELECT agency, home_id, string_agg(nullif(job, ''), '; ' ORDER BY job) AS job_number, max(final_on) AS final_on
                  FROM visits WHERE reported = 0 AND final_on IS NOT NULL GROUP BY ALL),
        looked_at AS (SELECT c.agency, c.home_id, c.system_id FROM recomputed AS c SEMI JOIN held ON held.agency = c.agency AND held.home_id = c.home_id
                      GROUP BY ALL HAVING bool_or(c.assessed)),
        named AS (SELECT s.agency, s.home_id, s.system_id, {names(OPEN_STATES, HOME_CHECKS)} AS opened,
                         CASE WHEN l.agency IS NOT NULL THEN {names([NOT_VERIFIED], [check for check in HOME_CHECKS if check.safety_critical])} END AS lacking
                  FROM state_columns AS s SEMI JOIN held ON held.agency = s.agency AND held.home_id = s.home_id
                  LEFT JOIN looked_at AS l ON l.agency = s.agency AND l.home_id = s.home_id AND l.system_id = s.system_id),
        joined AS (SELECT agency, home_id, string_agg(nullif(opened, ''), '; ' ORDER BY system_id) AS opened, string_agg(nullif(lacking, ''), '; ' ORDER BY system_id) AS lacking
                   FROM named GROUP BY ALL)
        SELECT h.agency, h.home_id, units.job_number, h.region, h.crew, units.final_on, h.last_inspected_on, h.risk, h.open_deficiencies, h.safety_not_verified,
               concat_ws('. ', 'open: ' || opened, 'not verified: ' || lacking) AS why, h.headline
        FROM held AS h LEFT JOIN units ON units.agency = h.agency AND units.home_id = h.home_id
        LEFT JOIN joined ON joined.agency = h.agency AND joined.home_id = h.home_id
        ORDER BY list_position({list(LEVELS)}, h.risk) NULLS LAST, units.final_on, h.agency, h.home_id
    """,
        params,
    )
    return Sheet("hold", rows.to_pandas(date_as_object=False), about("hold", snapshot, as_of, filters))


def not_loaded(viewer, snapshot, export_id, as_of=None):
    """Everything of one export that was not used as read, in the order of the file.

    Personal texts and whole rows stay out for viewers who may not see them; of a file with rows of several agencies a
    viewer of some sees cells of their rows and the columns, since a row not loaded may be anybody's. ListError where
    there is no such export, or nothing of it that the viewer may see.
    """
    found = snapshot.rows("SELECT file_name, agency FROM exports WHERE export_id = ?", [export_id])
    sees, params = "true", []
    if found and viewer.agencies is not None and folded(found[0][1]) not in map(folded, viewer.agencies):
        condition, params = where(Viewer(viewer.agencies), Filters(), homes="r")
        lines = f"SELECT r.source_line FROM received_rows AS r WHERE r.export_id = {int(export_id)} AND {condition}"
        sees = f"(extent = 'column' OR (extent = 'cell' AND source_line IN ({lines})))"
        found = found if snapshot.rows(f"{lines} LIMIT 1", params) else []
    if not found:
        raise ListError(f"no export {export_id} among those received")
    shown = (
        "raw_text"
        if viewer.personal
        else f"CASE WHEN extent = 'row' OR field IN ({', '.join(map(quoted, PERSONAL))}) THEN NULL ELSE raw_text END AS raw_text"
    )
    rows = snapshot.arrow(
        f"""SELECT source_line, extent, heading, field, {shown}, reason, expected FROM not_loaded WHERE export_id = ? AND {sees}
                              ORDER BY source_line, list_position(['column', 'row', 'cell'], extent), heading, field, reason, raw_text""",
        [export_id, *params],
    )
    day = as_of or _received_until(snapshot).date()
    return Sheet(
        f"not-loaded-{export_id}",
        rows.to_pandas(date_as_object=False),
        about("not loaded", snapshot, day, Filters()) | {"file": found[0][0]},
    )


def about(name, snapshot, as_of, filters):
    """What a list rests on; a pure function of snapshot, day and filters."""
    inputs = snapshot.rows("SELECT inputs FROM runs")[0][0]
    return {
        "list": name,
        "snapshot": snapshot.name,
        "received_until": _received_until(snapshot).isoformat() + "Z",
        "as_of": as_of.isoformat(),
        "filters": filters.stated,
        "policy": json.loads(inputs)["policy"],
        "cautions": list(CAUTIONS),
    }


def _received_until(snapshot):
    """When the newest export of the snapshot was received, in UTC: the time a file of it carries, the same however often it is remade."""
    text = snapshot.rows("SELECT max(received_at) FROM exports")[0][0]
    return datetime.fromisoformat(text.removesuffix("Z")) if text else datetime(1980, 1, 1)


def _shown(snapshot):
    """SQL columns observed, low, high, certainty of the check `f.check_id` from the narrow results `o`.

    Numbers are rounded to the millionth, as limits are compared; where there is none, the reason says what was seen ("no
    cushion left").
    """
    words = dict(
        snapshot.rows("SELECT check_id, list(word ORDER BY position) FROM shown_words GROUP BY check_id")
    )
    numbers = dict(snapshot.rows("SELECT what, list(check_id) FROM shown_numbers GROUP BY what"))
    number = lambda what: f"round({_of_check('f.check_id', 'o', what, numbers[what])}, 6) + 0.0"
    told = " ".join(
        f"WHEN {quoted(check)} THEN {picked(texts, part(check, 'word', 'o'))}"
        for check, texts in words.items()
    )
    measured = f"coalesce(({number('observed')})::VARCHAR, {picked(REASONS, _of_check('f.check_id', 'o', 'reason'))})"
    observed = f"CASE f.check_id {told} ELSE {measured} END"
    return (
        f"{observed} AS observed",
        f"{number('low')} AS low",
        f"{number('high')} AS high",
        f"{_of_check('f.check_id', 'o', 'certainty')} / {CERTAINTY_STEPS}.0::DOUBLE AS certainty",
    )


def _of_check(name, alias, what, checks=tuple(check.id for check in HOME_CHECKS)):
    """SQL for one narrow column of the check that `name` names."""
    of = lambda check: f"{alias}.{column(check, what)}" if what in NUMBERS else part(check, what, alias)
    return f"CASE {name} {' '.join(f'WHEN {quoted(check)} THEN {of(check)}' for check in checks)} END"


def _place(name):
    """SQL for where the check that `name` names stands among the checks."""
    return f"list_position({[check.id for check in HOME_CHECKS]}, {name})"


def _title(name, otherwise):
    """SQL for the title of the check that `name` names."""
    return f"CASE {name} {' '.join(f'WHEN {quoted(check.id)} THEN {quoted(check.title)}' for check in HOME_CHECKS)} ELSE {otherwise} END"


def _carried_headings(viewer, snapshot):
    """(heading, column name) of what mappings carry, for the agencies the viewer sees, in the order of exports and mapping."""
    sees, params = where(Viewer(viewer.agencies), Filters(), homes="r")
    found = snapshot.rows(
        f"""SELECT json_keys(arg_min(carried, source_line)) FROM received_rows AS r
                              WHERE carried IS NOT NULL AND {sees} GROUP BY export_id ORDER BY export_id""",
        params,
    )
    taken, out = {folded(name) for name in (*FLAGGED, *WAY_BACK, "home risk")}, []
    for heading in dict.fromkeys(heading for (headings,) in found for heading in headings):
        name = heading
        while folded(name) in taken:
            name += " (own)"
        taken.add(folded(name))
        out.append((heading, name))
    return out


def _pointer(heading):
    """JSON pointer to a key."""
    return "/" + heading.replace("~", "~0").replace("/", "~1")


def _name(text):
    return '"' + text.replace('"', '""') + '"'


# ---- as files


def table(sheet):
    """The rows as an Arrow table: texts, whole numbers, floats, dates; NULL where nothing stands."""
    out = pa.Table.from_pandas(sheet.frame, preserve_index=False)
    for place, kind in enumerate(out.schema):
        if pa.types.is_timestamp(kind.type):
            out = out.set_column(place, kind.name, out.column(place).cast(pa.date32()))
        elif pa.types.is_large_string(kind.type) or pa.types.is_null(kind.type):
            out = out.set_column(place, kind.name, out.column(place).cast(pa.string()))
    return out.replace_schema_metadata(None)


def as_csv(sheet):
    """UTF-8 without a mark, headings in the first line, nothing but the list; texts made harmless for spreadsheets."""
    rows = table(sheet)
    rows = pa.table(
        [harmless(column) if pa.types.is_string(column.type) else column for column in rows.columns],
        names=_headings(rows),
    )
    out = io.BytesIO()
    pyarrow.csv.write_csv(rows, out)
    return out.getvalue()


def about_text(sheet):
    """What a list rests on, for the text beside a CSV."""
    said = [
        f"{name.replace('_', ' ')}: {_said(value)}"
        for name, value in sheet.about.items()
        if name != "cautions"
    ]
    return "\n".join([*said, f"rows: {len(sheet.frame)}", "", *sheet.about["cautions"], ""])


def as_zip(sheet):
    """The CSV and what it rests on in one file, for a browser that saves one."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in (
            (f"{sheet.file_name}.csv", as_csv(sheet)),
            (f"{sheet.file_name}.csv.about.txt", about_text(sheet).encode()),
        ):
            archive.writestr(
                zipfile.ZipInfo(name, _time_of(sheet).timetuple()[:6]), data, zipfile.ZIP_DEFLATED
            )
    return out.getvalue()


def as_parquet(sheet):
    """The list with what it rests on as key-value metadata under `coldfill`, JSON."""
    out = io.BytesIO()
    pyarrow.parquet.write_table(
        table(sheet).replace_schema_metadata({"coldfill": json.dumps(sheet.about, ensure_ascii=False)}), out
    )
    return out.getvalue()


def as_xlsx(sheet):
    """A workbook with the list and a sheet About; numbers and dates are real ones. ListError beyond what a sheet holds."""
    import xlsxwriter

    rows = table(sheet)
    if rows.num_rows > ROWS_IN_XLSX:
        raise ListError(
            f"{rows.num_rows:,} rows are more than a spreadsheet holds ({ROWS_IN_XLSX:,}): choose .csv or .parquet, or filter"
        )
    out = io.BytesIO()
    book = xlsxwriter.Workbook(
        out,
        {
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "strings_to_numbers": False,
            "constant_memory": True,
            "default_date_format": "yyyy-mm-dd",
        },
    )
    book.set_properties({"title": sheet.about["list"], "created": _time_of(sheet)})
    bold, number, day = (
        book.add_format({"bold": True}),
        book.add_format({"num_format": "0.0##"}),
        book.add_format({"num_format": "yyyy-mm-dd"}),
    )
    page = book.add_worksheet(sheet.name[:31])
    page.freeze_panes(1, 0)
    widths = {"deficiency": 40, "fix_first": 40, "why": 40, "headline": 40, "reason": 30, "raw_text": 30}
    for place, heading in enumerate(_headings(rows)):
        page.set_column(place, place, widths.get(heading, 14))
        page.write_string(0, place, heading, bold)
    columns, writers = [], []
    for name, cells in zip(rows.column_names, rows.columns, strict=True):
        numbers = cells if not pa.types.is_string(cells.type) else None
        if name == "observed":
            cells = _words_and_numbers(cells)
        else:
            cells = (
                pc.utf8_slice_codeunits(harmless(cells), 0, LETTERS_IN_CELL) if numbers is None else cells
            ).to_pylist()
        columns.append(cells)
        writers.append(
            day
            if numbers is not None and pa.types.is_date(numbers.type)
            else number
            if name in ("low", "high", "observed")
            else None
        )
    for line, values in enumerate(zip(*columns, strict=True), start=1):
        for place, value in enumerate(values):
            if isinstance(value, str):
                page.write_string(line, place, value)
            elif isinstance(value, date):
                page.write_datetime(line, place, datetime(value.year, value.month, value.day), day)
            elif value is not None:
                page.write_number(line, place, value, writers[place])
    said = book.add_worksheet("About")
    said.set_column(0, 0, 16)
    said.set_column(1, 1, 100)
    facts = [
        (name.replace("_", " "), _said(value)) for name, value in sheet.about.items() if name != "cautions"
    ] + [("rows", str(rows.num_rows))]
    for line, (name, text) in enumerate(facts + [("caution", text) for text in sheet.about["cautions"]]):
        said.write_string(line, 0, name, bold)
        said.write_string(line, 1, text)
    book.close()
    return out.getvalue()


def as_json(sheet):
    """The list as one JSON document: what it rests on, and `homes` with their deficiencies, or `rows`."""
    rows = table(sheet)
    names = rows.column_names
    columns = [
        _words_and_numbers(cells)
        if name == "observed"
        else [day.isoformat() if day else None for day in cells.to_pylist()]
        if pa.types.is_date(cells.type)
        else cells.to_pylist()
        for name, cells in zip(names, rows.columns, strict=True)
    ]
    records = [dict(zip(names, values, strict=True)) for values in zip(*columns, strict=True)]
    document = {name: value for name, value in sheet.about.items() if name != "list"}
    if sheet.name != "flagged":
        return document | {"rows": records}
    risks = (
        {}
        if sheet.homes is None
        else dict(
            zip(
                zip(sheet.homes["agency"], sheet.homes["home_id"], strict=True),
                sheet.homes["risk"],
                strict=True,
            )
        )
    )
    homes = {}
    for record in records:
        key = record["agency"], record["home_id"]
        homes.setdefault(
            key,
            {"agency": key[0], "home_id": key[1], "risk": risks.get(key, record["risk"]), "deficiencies": []},
        )["deficiencies"].append(record)
    return document | {"homes": list(homes.values())}


def write(sheet, path):
    """Write a list in the format its ending says; returns the paths written. ListError for another ending."""
    path = Path(path)
    formats = {
        ".csv": as_csv,
        ".xlsx": as_xlsx,
        ".parquet": as_parquet,
        ".json": lambda sheet: (
            json.dumps(as_json(sheet), ensure_ascii=False, allow_nan=False, indent=1).encode() + b"\n"
        ),
    }
    if path.suffix.lower() not in formats:
        raise ListError(f"{path.name}: a list ends in {', '.join(formats)}")
    files = {path: formats[path.suffix.lower()](sheet)}
    if path.suffix.lower() == ".csv":
        files[path.with_name(path.name + ".about.txt")] = about_text(sheet).encode()
    for target, data in files.items():
        with told("write", target):
            target.write_bytes(data)
    return list(files)


def _headings(rows):
    return harmless(pa.array(rows.column_names, pa.string())).to_pylist()


def _words_and_numbers(cells):
    """Texts that are numbers as numbers, the others as they are."""
    numbers = pd.to_numeric(cells.to_pandas(), errors="coerce").tolist()
    return [
        text if number != number else number for text, number in zip(cells.to_pylist(), numbers, strict=True)
    ]


def _said(value):
    if isinstance(value, dict):
        return "; ".join(f"{name} {_said(part)}" for name, part in value.items()) or "none"
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)


def _time_of(sheet):
    return datetime.fromisoformat(sheet.about["received_until"].removesuffix("Z"))


# ---- paper for the next visit

SHEET = (  # in the order of taking: what stands still first, cold before hot
    (
        "Before you go in",
        (
            "agency",
            "inspection_id",
            "home_id",
            "system_id",
            "inspected_on",
            "region",
            "inspection_kind",
            "qa_reason",
            "inspector",
            "inspector_role",
            "crew",
            "job_number",
            "funding",
            "address",
            "postal_code",
            "work_ordered",
            "elderly",
            "disabled",
            "children",
            "high_energy_use",
            "high_energy_burden",
        ),
    ),
    (
        "1. Look, heat off, touch nothing",
        (
            "heating_system",
            "elevation_ft",
            "stories",
            "boiler_level",
            "top_height_ft",
            "water_source",
            "boiler_output_btuh",
            "boiler_max_pressure_psig",
            "boiler_min_pressure_psig",
            "boiler_year",
            "fuel",
            "emitter",
            "system_volume_gal",
            "buffer_tank",
            "buffer_tank_gal",
            "pipe_material",
            "antifreeze",
            "antifreeze_percent",
            "water_treatment",
            "domestic_coil",
            "fill_connection",
            "fill_setting_psig",
            "backflow_device",
            "backflow_tested_on",
            "vent_cap",
            "leaks_seen",
            "makeup_meter_gal",
            "tank_type",
            "tank_volume_gal",
            "tank_above_gauge_ft",
            "tank_valve",
            "relief_present",
            "relief_setting_psig",
            "relief_capacity_btuh",
            "relief_mounting",
            "relief_discharge_end",
            "relief_discharge_pipe",
            "relief_signs",
            "thermostat",
            "anticipator_a",
            "controlled_current_a",
            "low_water_cutoff",
            "high_limit_f",
        ),
    ),
    (
        "2. Cold, as found",
        (
            "boiler_gauge",
            "pressure_read_with",
            "cold_reading_state",
            "cold_pressure_psig",
            "cold_temperature_f",
            "supply_pressure_psig",
            "tank_tap",
        ),
    ),
    (
        "3. Hot, every zone calling, until the control shuts the burner off",
        ("hot_reading_state", "hot_pressure_psig", "hot_temperature_f", "low_water_cutoff_test"),
    ),
    (
        "4. Last, so that all else is as found: cooled, power and fuel off, pressure off. No time to cool: leave empty",
        ("precharge_system_side", "precharge_psig", "tank_temperature_f", "tank_air_valve"),
    ),
    (
        "5. Before you leave",
        ("stated_result", "stated_deficiencies", "repairs_reported", "completed_on", "reported_on", "notes"),
    ),
)
SHEET_WIDTH = 118


def reading_sheet():
    """One page to take readings on, as plain text: every reading in the order of taking, cold first, with the cautions.

    An empty place is "not recorded". The names are the headings of `empty_csv`, so that a sheet is typed in as it is.
    """
    lines = [
        "Readings of one visit to one hot-water system. Leave empty what was not read. Circle one word. Pressures are gauge."
    ]
    for title, names in SHEET:
        lines += ["", title, *_flowed([_blank(BY_NAME[name]) for name in names])]
    return "\n".join([*lines, "", *textwrap.wrap(" ".join(CAUTIONS), SHEET_WIDTH), ""])


def empty_csv():
    """Our headings and nothing below them, as a CSV to fill in."""
    return ",".join(field.name for field in FIELDS) + "\n"


def _blank(field):
    """A place to write one reading: its name and what may stand there."""
    if field.words:
        return f"{field.name}: {' '.join(field.words)}"
    unit = (field.unit or "").replace("degF", "°F") if field.kind == NUMBER else ""
    return f"{field.name} ______{unit}"


def _flowed(parts):
    """Parts, none of them broken, set into lines of at most SHEET_WIDTH letters."""
    lines = [""]
    for part in parts:
        if lines[-1] and len(lines[-1]) + 3 + len(part) > SHEET_WIDTH:
            lines.append("")
        lines[-1] += ("   " if lines[-1] else "") + part
    return lines
