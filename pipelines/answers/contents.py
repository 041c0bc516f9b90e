"""What a snapshot holds as far as a viewer sees it, what can be chosen in it, what its results rest on."""

from datetime import datetime

import pandas as pd

from pipelines.answers.access import NOT_RECORDED, Filters, Viewer, where
from pipelines.answers.phrases import called
from pipelines.engine.checks import CHECKS, HOME_CHECKS
from pipelines.engine.limits_read import limits_read
from pipelines.engine.policy.policy import limit_said
from pipelines.fleet.snapshots import Snapshot

SEARCHED = ("checks", "limits", "accepted_words", "region_overrides", "measures")
DESCRIBED = ("calibration", "checks", "limits", "accepted_words", "region_overrides", "measures", "clocks")


def about(viewer: Viewer, snapshot: Snapshot) -> dict:
    """How much the snapshot holds, as far as the viewer sees it, and when it was made."""
    condition, params = where(viewer, Filters(), checks=None)
    homes, assessed, newest = snapshot.rows(
        f"""
        SELECT count(*), count(*) FILTER (assessed), max(last_inspected_on)
        FROM homes AS h
        WHERE {condition}""",
        params,
    )[0]
    inspections = snapshot.rows(f"SELECT count(*) FROM readings AS h WHERE {condition}", params)[0][0]
    files = snapshot.rows("SELECT count(*) FROM exports")[0][0]
    made_at = snapshot.rows("SELECT made_at FROM runs")[0][0]
    return {
        "homes": homes,
        "assessed": assessed,
        "newest_visit": newest,
        "inspections": inspections,
        "files": files,
        "made_on": datetime.fromisoformat(made_at[:19]),
        "number": snapshot.number,
        "name": snapshot.name,
    }


def choices(viewer: Viewer, snapshot: Snapshot) -> dict[str, list[str]]:
    """What filters offer: agencies, regions and crews there are, in the order of the alphabet.

    NOT_RECORDED stands last where homes have none.
    """
    condition, params = where(viewer, Filters(), homes="tally")
    found = {}
    for name in ("agency", "region", "crew"):
        rows = snapshot.rows(
            f"""
            SELECT DISTINCT {name}
            FROM tally
            WHERE {name} IS NOT NULL AND {condition}
            ORDER BY lower({name}), 1""",
            params,
        )
        found[name] = [text for (text,) in rows]
        if name != "agency" and snapshot.rows(
            f"SELECT 1 FROM tally WHERE {name} IS NULL AND {condition} LIMIT 1", params
        ):
            found[name].append(NOT_RECORDED)
    return found


def limit(viewer: Viewer, snapshot: Snapshot, name: str) -> float:
    """A limit of the policy, by name."""
    return snapshot.rows("SELECT value FROM limits WHERE name = ?", [name])[0][0]


def described(viewer: Viewer, snapshot: Snapshot, wanted: str = "") -> dict[str, pd.DataFrame]:
    """The small tables that say what results rest on: DESCRIBED, by name.

    Checks have beside them, in words, the limits they are held against (`held_against`) and those that their
    numbers and certainty rest on (`rests_on`). Of SEARCHED only the rows that hold the text `wanted`, without
    case.
    """
    found = {name: snapshot.query(f"SELECT * FROM {name}") for name in DESCRIBED}
    said = _said(found["limits"], found["accepted_words"])
    read = limits_read()
    for column, which in (("held_against", "own"), ("rests_on", "through")):
        found["checks"][column] = [
            tuple(said[name] for name in getattr(read[check], which) if name in said) if check in read else ()
            for check in found["checks"]["check_id"]
        ]
    if text := wanted.strip().casefold():
        for name in SEARCHED:
            found[name] = found[name][_holding(found[name], text)]
    return found


def _said(limits: pd.DataFrame, accepted: pd.DataFrame) -> dict[str, str]:
    """Limits and sets of accepted words in words, by name."""
    said = {
        name: f"{called(name)} {limit_said(value, unit)}"
        for name, value, unit in zip(limits["name"], limits["value"], limits["unit"], strict=True)
    }
    return said | {
        name: f"{called(name)}: {words.replace('_', ' ')}"
        for name, words in zip(accepted["name"], accepted["words"], strict=True)
    }


def _holding(rows: pd.DataFrame, text: str) -> list[bool]:
    """Which rows hold a text in a cell, as it is kept or as it is shown."""
    cells = ["\n".join(map(str, row)).casefold() for row in rows.itertuples(index=False)]
    return [text in cell or text in cell.replace("_", " ") for cell in cells]


def unmatched(viewer: Viewer, snapshot: Snapshot) -> list[str]:
    """Sentences about overrides that match no inspection; for a viewer of some agencies, those of theirs."""
    condition, params = where(viewer, Filters(), checks=None)
    found = snapshot.rows(f"SELECT remark FROM unmatched AS h WHERE {condition} ORDER BY remark", params)
    return [remark for (remark,) in found]


def titles() -> dict[str, str]:
    """What each check finds wrong, by id."""
    return {check.id: check.title for check in CHECKS}


def names() -> dict[str, str]:
    """What each check looks at, by id."""
    return {check.id: check.name for check in CHECKS}


def home_checks() -> list[str]:
    """Ids of the checks that a home may have open, in their order."""
    return [check.id for check in HOME_CHECKS]
