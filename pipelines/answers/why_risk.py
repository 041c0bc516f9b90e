"""Why an open deficiency has its risk: where its check starts, what moved it, what would change it."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from pipelines.answers.access import Viewer
from pipelines.answers.contents import limit
from pipelines.answers.one_home import CheckOfSystem, Home
from pipelines.answers.outcomes import results
from pipelines.engine.causes import SEEN
from pipelines.engine.checks import BY_ID
from pipelines.engine.policy.policy import LEVELS, PROBABILITIES
from pipelines.fleet.snapshots import Snapshot


@dataclass(frozen=True)
class WhyRisk:
    """One open deficiency: its risk, the check's own, and sentences on what moved it and what would."""

    system_id: str
    check_id: str
    title: str
    risk: str
    base: str
    moved: tuple[str, ...]
    would_change: tuple[str, ...]


@dataclass(frozen=True)
class _Rating:
    """Severity and probability of a check, and the policy's matrix of them."""

    severity: int
    probability: str
    safety_critical: bool
    matrix: dict[tuple[int, str], str]

    def level(self, likelier: bool = False, unsure: bool = False, graver: bool = False) -> str:
        step = PROBABILITIES.index(self.probability) - likelier + unsure
        step = min(max(step, 0), len(PROBABILITIES) - 1)
        found = self.matrix[max(self.severity - graver, 1), PROBABILITIES[step]]
        floor = LEVELS.index("serious") if self.safety_critical else len(LEVELS)
        return LEVELS[min(LEVELS.index(found), floor)]


def why_risk(viewer: Viewer, snapshot: Snapshot, home: Home) -> tuple[WhyRisk, ...]:
    """Of every open deficiency of a home, in the order of its checks."""
    opened = [check for check in home.checks if check.risk]
    if not opened:
        return ()
    key = [home.agency, home.home_id]
    ratings = _ratings(snapshot)
    certain: dict[tuple[str | None, str], float | None] = {
        (visit, result.check_id): result.certainty
        for visit, found in results(snapshot, "agency = ? AND home_id = ?", key).items()
        for result in found
    }
    effects = _effects(snapshot, home.agency, {check.inspection_id for check in opened})
    sure = limit(viewer, snapshot, "sure_certainty")
    return tuple(
        _why(
            check,
            ratings[check.check_id],
            certain.get((check.inspection_id, check.check_id)),
            effects.get((check.inspection_id, check.check_id), ()),
            sure,
        )
        for check in opened
    )


def _ratings(snapshot: Snapshot) -> dict[str, _Rating]:
    levels = snapshot.rows("SELECT severity, probability, risk FROM risk_matrix")
    matrix = {(severity, probability): risk for severity, probability, risk in levels}
    return {
        check: _Rating(severity, probability, safety_critical, matrix)
        for check, severity, probability, safety_critical in snapshot.rows(
            "SELECT check_id, severity, probability, safety_critical FROM checks WHERE severity IS NOT NULL"
        )
    }


def _effects(snapshot: Snapshot, agency: str, visits: Iterable[str | None]) -> dict[tuple, tuple[str, ...]]:
    """Titles of what a check was seen to bring about, by visit and check."""
    found: dict[tuple, tuple[str, ...]] = {}
    for visit, root, symptom in snapshot.rows(
        """
        SELECT inspection_id, root_check_id, symptom_check_id
        FROM causes
        WHERE agency = ? AND list_contains(?, inspection_id)
        ORDER BY ALL""",
        [agency, [visit for visit in visits if visit]],
    ):
        if symptom in SEEN and root != symptom:
            found[visit, root] = (*found.get((visit, root), ()), BY_ID[symptom].title)
    return found


def _why(
    check: CheckOfSystem, rating: _Rating, certainty: float | None, effects: tuple[str, ...], sure: float
) -> WhyRisk:
    told: dict[str, Any] = {"system_id": check.system_id, "check_id": check.check_id, "title": check.title}
    if BY_ID[check.check_id].act_today:
        return WhyRisk(
            **told,
            risk=check.risk or "",
            base="acted on the day it is known, whatever else",
            moved=(),
            would_change=("only a visit that finds it right",),
        )
    moves = {"likelier": bool(effects), "unsure": certainty is not None and certainty < sure}
    # What a check itself calls graver is kept nowhere but in the level it gave.
    moves["graver"] = rating.level(**moves) != check.risk
    base = rating.level()
    said = {
        "likelier": f"its effect was seen at that visit ({'; '.join(effects)}): one step likelier",
        "unsure": f"certainty {certainty or 0:.2f} is below {sure:g}: one step less likely",
        "graver": "what else was found makes it one step graver",
    }
    otherwise = {
        "likelier": "without that effect it would be {level}",
        "unsure": "borne out by a surer reading it would be {level}",
        "graver": "without what makes it graver it would be {level}",
    }
    changes = [
        otherwise[name].format(level=level)
        for name, holds in moves.items()
        if holds and (level := rating.level(**(moves | {name: False}))) != check.risk
    ]
    held = rating.matrix[rating.severity, rating.probability] != base
    own = f"{base}, as no safety-critical check is less" if held else base
    return WhyRisk(
        **told,
        risk=check.risk or "",
        base=f"severity {rating.severity}, probability {rating.probability}: {own}",
        moved=tuple(said[name] for name, holds in moves.items() if holds),
        would_change=(*changes, "a visit that finds it right closes it"),
    )
