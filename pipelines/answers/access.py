"""Who asks and for what: a viewer's agencies and personal fields, filters, and the SQL that holds both."""

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import date

from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.codes import quoted
from pipelines.engine.history import STAGES
from pipelines.engine.hydronics.atmosphere import atmosphere_psia
from pipelines.engine.policy.policy import LEVELS
from pipelines.fields import BY_NAME
from pipelines.fleet.snapshots import Snapshot
from pipelines.intake.cells import folded
from pipelines.snapshot.tables import IN_FORCE

NOT_RECORDED = "not recorded"
MOST_NAMED = 40  # of what there is, where nothing is near to what was asked for
BAND_FT = 1_000
_PLAUSIBLE = BY_NAME["elevation_ft"].plausible
assert _PLAUSIBLE
# Bands of elevation by the feet they begin at, up to the highest that can be recorded.
_STARTS = {-BAND_FT: "below sea level"} | {
    feet: f"{feet:,} to {feet + BAND_FT - 1:,} ft" for feet in range(0, int(_PLAUSIBLE[1]), BAND_FT)
}
BANDS = tuple(_STARTS.values())
A_CHARGE = re.compile(r"(-?\d+(?:\.\d+)?) psi within (\d+(?:\.\d+)?) at (-?\d+) ft within (\d+)", re.ASCII)


class ListError(ValueError):
    """A list that cannot be made as asked; the message says what would be accepted."""


class NotFound(LookupError):
    """No such inspection or home among those the viewer may see."""


@dataclass(frozen=True)
class Viewer:
    """Who looks: agencies they may see (None is every one), and whether they may see personal fields."""

    agencies: tuple[str, ...] | None = None
    personal: bool = True


EVERYTHING = Viewer()


@dataclass(frozen=True)
class Filters:
    """What to show: any of each, all together; what is empty shows all.

    `agency`, `region`, `crew` compare without case, blanks collapsed. `check`, `risk`, `stage` and `since`
    (found on that day or later) speak of open deficiencies; `risk` means so grave or worse, `risk_exactly`
    that level. An empty text among regions or crews means those not recorded. `reported` (yes, no) asks
    whether the home was ever reported to the funder. `file` is the export id of a file that has a row in
    force of the home, `found_in` of the file that brought the visit that first found a deficiency. `search`
    is part of a home id, a job number or, for viewers who may see it, an address. `elevation` names BANDS,
    empty for homes whose elevation is not known; `charge` is what `charge_called` says of a home's trusted
    tank charge. ListError where a check, risk, stage, band or charge is none there is.
    """

    agency: tuple[str, ...] = ()
    region: tuple[str, ...] = ()
    crew: tuple[str, ...] = ()
    check: tuple[str, ...] = ()
    risk: str = ""
    risk_exactly: str = ""
    stage: tuple[str, ...] = ()
    since: date | None = None
    reported: str = ""
    file: str = ""
    found_in: str = ""
    search: str = ""
    elevation: tuple[str, ...] = ()
    charge: tuple[str, ...] = ()

    def __post_init__(self):
        for name, given, accepted in (
            ("check", self.check, tuple(check.id for check in HOME_CHECKS)),
            ("risk", tuple(filter(None, (self.risk, self.risk_exactly))), LEVELS),
            ("reported", (self.reported,) if self.reported else (), ("yes", "no")),
            ("stage", self.stage, STAGES),
            ("elevation", tuple(filter(None, self.elevation)), BANDS),
        ):
            for text in given:
                if text not in accepted:
                    raise ListError(f"no {name} called {text!r}; {_nearest(text, accepted)}")
        for text in filter(None, (self.file, self.found_in)):
            if not (text.isascii() and text.isdigit()):
                raise ListError(f"no file called {text!r}; a file is asked for by its export_id, such as 3")
        for text in self.charge:
            if not A_CHARGE.fullmatch(text):
                raise ListError(f"no charge called {text!r}; such as {charge_called(12.5, 6500, 0.5, 250)!r}")

    @property
    def stated(self) -> dict[str, list[str] | str]:
        """The filters that are set, by name, for a list to state."""
        return {
            name: [one or NOT_RECORDED for one in value] if isinstance(value, tuple) else str(value)
            for name, value in asdict(self).items()
            if value
        }

    @property
    def of_deficiencies(self) -> bool:
        asked = (self.check, self.risk, self.risk_exactly, self.stage, self.since, self.found_in)
        return any(map(bool, asked))


# ---- which homes, which deficiencies

# Trusted tank charges with the elevation recorded at their visit, and where one set at sea level would lie.
CHARGES = """
    SELECT c.agency, c.home_id, r.elevation_ft, c.trusted_charge_psig AS charge_psig,
           c.sea_level_charge_psig AS curve_psig
    FROM recomputed AS c
    JOIN readings AS r ON r.agency = c.agency AND r.inspection_id = c.inspection_id
    WHERE c.trusted_charge_psig IS NOT NULL"""


def _band(psia: str) -> str:
    """SQL of the band in which the air has a pressure; heights count to the whole foot."""
    starts = " ".join(
        f"WHEN {psia} > {atmosphere_psia(feet + BAND_FT - 0.5)} THEN {quoted(band)}"
        for feet, band in _STARTS.items()
    )
    return f"CASE {starts} END"


# The band of each home: of its visits' elevations, recorded or their place's, the highest.
ELEVATIONS = f"""
    SELECT agency, home_id, {_band("min(atmosphere_psia)")} AS elevation
    FROM recomputed
    GROUP BY agency, home_id"""


def where(viewer: Viewer, filters: Filters, homes: str = "h", checks: str | None = "d") -> tuple[str, list]:
    """SQL condition and its parameters: rows the viewer may see and the filters let through.

    `homes` is the alias of a table with agency, home_id, region, crew and (if searched) job_number; `checks`
    that of one with check_id, risk, stage and (if asked for) since, whose rows are open deficiencies. Without
    `checks` (None) a home fits that has such a deficiency.
    """
    condition = _Condition()
    if viewer.agencies is not None:
        condition.add_folded(f"{homes}.agency", "agency", viewer.agencies)
    for name in ("agency", "region", "crew"):
        if getattr(filters, name):
            condition.add_folded(f"{homes}.{name}", name, getattr(filters, name))
    if filters.reported:
        condition.add(
            f"""({homes}.agency, {homes}.home_id) {"IN" if filters.reported == "yes" else "NOT IN"} (
                SELECT (agency, home_id) FROM homes WHERE reported_on IS NOT NULL)"""
        )
    if filters.file:
        condition.add(
            f"""({homes}.agency, {homes}.home_id) IN (
                SELECT (agency, home_id) FROM received_rows WHERE export_id = ? AND standing = {IN_FORCE})""",
            [int(filters.file)],
        )
    if filters.elevation:
        known = ", ".join(quoted(band) for band in filters.elevation if band) or "NULL"
        unknown = " OR elevation IS NULL" if "" in filters.elevation else ""
        condition.add(
            f"""({homes}.agency, {homes}.home_id) IN (
                SELECT (agency, home_id) FROM ({ELEVATIONS}) WHERE elevation IN ({known}){unknown})"""
        )
    if filters.charge:
        condition.add(*_of_charges(filters.charge, homes))
    if filters.search.strip():
        condition.add(*_search(viewer, filters.search.strip(), homes))
    if filters.of_deficiencies:
        of_checks = _of_deficiencies(filters, checks or "f")
        if checks is None:
            condition.add(
                f"""({homes}.agency, {homes}.home_id) IN (
                    SELECT (f.agency, f.home_id) FROM opened AS f WHERE {of_checks.sql})""",
                of_checks.params,
            )
        else:
            condition.add(of_checks.sql, of_checks.params)
    return condition.sql, condition.params


def charge_called(charge_psig: float, elevation_ft: float, step_psi: float, step_ft: float) -> str:
    """What the filter `charge` calls charges that round to a step of pressure, at elevations that do."""
    return f"{charge_psig:g} psi within {step_psi / 2:g} at {elevation_ft:.0f} ft within {step_ft / 2:.0f}"


def _of_charges(texts: Sequence[str], homes: str) -> tuple[str, list[float]]:
    """Condition and parameters: homes with a visit whose trusted charge and elevation are so called."""
    so_called = "round(charge_psig / ?) * ? = ? AND round(elevation_ft / ?) * ? = ?"
    params: list[float] = []
    for text in texts:
        charge_psig, psi, elevation_ft, feet = map(float, A_CHARGE.findall(text)[0])
        params += [2 * psi, 2 * psi, charge_psig, 2 * feet, 2 * feet, elevation_ft]
    return (
        f"""({homes}.agency, {homes}.home_id) IN (
        SELECT (agency, home_id) FROM ({CHARGES}) WHERE {" OR ".join([so_called] * len(texts))})""",
        params,
    )


def _search(viewer: Viewer, text: str, homes: str) -> tuple[str, list[str]]:
    """Condition and parameters: homes whose id, job number or (if allowed) address holds a text."""

    def holds(name):
        return f"contains(lower({name}), lower(?))"

    found = [holds(f"{homes}.home_id"), holds(f"{homes}.job_number")]
    if viewer.personal:
        found.append(
            f"""({homes}.agency, {homes}.home_id) IN (
                SELECT (agency, home_id) FROM readings WHERE {holds("address")})"""
        )
    return " OR ".join(f"coalesce({one}, false)" for one in found), [text] * len(found)


def _of_deficiencies(filters: Filters, checks: str) -> "_Condition":
    condition = _Condition()
    if filters.check:
        condition.add_among(f"{checks}.check_id", filters.check)
    if filters.risk:
        condition.add_among(f"{checks}.risk", LEVELS[: LEVELS.index(filters.risk) + 1])
    if filters.risk_exactly:
        condition.add_among(f"{checks}.risk", (filters.risk_exactly,))
    if filters.stage:
        condition.add_among(f"{checks}.stage", filters.stage)
    if filters.since:
        condition.add(f"{checks}.since >= ?", [filters.since])
    if filters.found_in:
        condition.add(f"{checks}.found_in = ?", [int(filters.found_in)])
    return condition


class _Condition:
    """Conditions joined by AND, with their parameters."""

    def __init__(self) -> None:
        self.joined: list[str] = []
        self.params: list = []

    @property
    def sql(self) -> str:
        return " AND ".join(self.joined) or "true"

    def add(self, sql: str, params: Iterable = ()) -> None:
        self.joined.append(f"({sql})")
        self.params += params

    def add_among(self, name: str, texts: Sequence[str]) -> None:
        self.add(f"{name} IN ({', '.join('?' * len(texts))})", texts)

    def add_folded(self, name: str, field_name: str, texts: Sequence[str]) -> None:
        """Texts of a field that compares without case; the snapshot keeps one spelling of each.

        An empty text asks for where nothing is recorded.
        """
        asked = [folded(text) for text in texts if text]
        marks = ", ".join("?" * len(asked)) or "NULL"
        spelled = f"""{name} IN (
                SELECT spelling FROM spellings WHERE field = '{field_name}' AND folded IN ({marks}))"""
        self.add(spelled if len(asked) == len(texts) else f"{spelled} OR {name} IS NULL", asked)


# ---- what there is, where nothing is found


def demand_known(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> None:
    """ListError where a filter names an agency, region or crew that none of the viewer's homes has.

    An empty list because of a slip of the pen would look like good news.
    """
    for name in ("agency", "region", "crew"):
        wanted = {folded(text): text for text in getattr(filters, name) if text or name == "agency"}
        if wanted:
            there = names_there(viewer, snapshot, name)
            for missing in wanted.keys() - set(map(folded, there)):
                raise ListError(f"no {name} called {wanted[missing]!r}; {_nearest(wanted[missing], there)}")


def names_there(viewer: Viewer, snapshot: Snapshot, name: str) -> list[str]:
    """Agencies, regions or crews (`name`) of the viewer's homes, in the order of their letters."""
    seen, params = where(viewer, Filters(), homes="tally")
    found = snapshot.rows(
        f"SELECT DISTINCT {name} FROM tally WHERE {name} IS NOT NULL AND {seen} ORDER BY 1", params
    )
    return [text for (text,) in found]


def _nearest(text: str, accepted: Sequence[str]) -> str:
    near = difflib.get_close_matches(text, accepted, n=3, cutoff=0.5)
    if near:
        return f"nearest: {', '.join(near)}"
    if not accepted:
        return "there is none at all"
    more = " ..." if len(accepted) > MOST_NAMED else ""
    return f"there are: {', '.join(accepted[:MOST_NAMED])}{more}"


def nearest_id(viewer: Viewer, snapshot: Snapshot, agency: str, wanted: str, name: str, kind: str) -> str:
    """What to say where an agency has no such id in column `name`: what agencies or near ids there are."""
    agencies = names_there(viewer, snapshot, "agency")
    if folded(agency) not in map(folded, agencies):
        return f"no agency called {agency!r}; there are: {', '.join(agencies) or 'none'}"
    condition, params = where(viewer, Filters(agency=(agency,)), homes="r")
    near = snapshot.rows(
        f"""
        SELECT DISTINCT {name}
        FROM readings AS r
        WHERE {condition}
        ORDER BY jaro_winkler_similarity({name}, ?) DESC, 1
        LIMIT 3""",
        [*params, wanted],
    )
    return f"no {kind} {wanted!r} of {agency}; nearest: {', '.join(text for (text,) in near)}"
