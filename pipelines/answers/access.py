"""Who asks and for what: a viewer's agencies and personal fields, filters, and the SQL that holds both."""

import difflib
from dataclasses import asdict, dataclass
from datetime import date

from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.history import STAGES
from pipelines.engine.policy.policy import LEVELS
from pipelines.intake.cells import folded


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
