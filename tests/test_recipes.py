"""The recipes of DEVELOPERS.md followed to the letter in a copy of the code:
each touches the files it names, and works.

Quantities have a test of their own in test_quantities.
"""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
LOAD = """
import json, pathlib, sys
from tests import inspections
from pipelines.answers.access import EVERYTHING
from pipelines.fields import BY_NAME

visit = {name: value for name, value in inspections.SOUND.items() if name in BY_NAME}
visit |= dict(agency="North Aid", home_id="H1", inspection_id="1") | json.loads(sys.argv[2])
snapshot = inspections.snapshot_of(pathlib.Path(sys.argv[1]), [visit])
"""


@pytest.fixture
def copy(tmp_path):
    """A copy of the code in which a recipe is followed."""
    for folder in ("pipelines", "dashboard", "tests"):
        shutil.copytree(
            ROOT / folder, tmp_path / "copy" / folder, ignore=shutil.ignore_patterns("__pycache__")
        )
    (tmp_path / "work").mkdir()
    return Copy(tmp_path)


class Copy:
    """Edits files by `insert`, notes which, and runs code in the copy."""

    def __init__(self, folder):
        self.folder, self.touched = folder, set()

    def insert(self, name, text, *, before=None, after=None):
        """Put lines before or after the line that holds a text, or at the end of a file, new or not."""
        path = self.folder / "copy" / name
        self.touched.add(name)
        if before is None and after is None:
            path.write_text(
                (path.read_text(encoding="utf-8") if path.exists() else "") + text, encoding="utf-8"
            )
            return
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        (at,) = [number for number, line in enumerate(lines) if (before or after) in line]
        lines.insert(at if before else at + 1, text)
        path.write_text("".join(lines), encoding="utf-8")

    def run(self, code, **more):
        """Lines printed by code after one inspection with some more readings was loaded in the copy."""
        done = subprocess.run(
            [sys.executable, "-W", "ignore", "-c", LOAD + code, str(self.folder / "work"), json.dumps(more)],
            env=os.environ | {"PYTHONPATH": str(self.folder / "copy")},
            capture_output=True,
            text=True,
            check=False,
            cwd=self.folder,
        )
        assert done.returncode == 0, done.stderr
        return done.stdout.splitlines()


FIELD = """    _word("boiler_room_vent", "system", ("open", "blocked"), "Air opening of the boiler room"),
"""


def test_a_field_is_one_line(copy):
    """It is read, stored, explained, on the reading sheet and in the list of fields."""
    copy.insert("pipelines/fields.py", FIELD, before='_text("fuel"')
    said = copy.run(
        """
from pipelines.answers import catalogue, explain, one_inspection, sheet
print(snapshot.rows("SELECT boiler_room_vent, relief_mounting FROM readings"))
text = explain.as_text(one_inspection.inspection(EVERYTHING, snapshot, "North Aid", "1"))
print(*(" ".join(line.split()) for line in text.splitlines() if "room vent" in line))
print("Boiler room vent: [ ] open  [ ] blocked" in sheet.reading_sheet())
print(any(field["name"] == "boiler_room_vent" for field in catalogue.fields()))
""",
        boiler_room_vent="blocked",
    )
    of_cell = "boiler room vent blocked boiler_room_vent: 'blocked'"
    assert said == ["[('blocked', 'on_boiler')]", of_cell, "True", "True"]
    assert copy.touched == {"pipelines/fields.py"}


CHECK = """

def cold_water_cool(cold_temperature_f, *, policy):
    return Band(cold_temperature_f, high=policy.recipe_cold_f)


CONTROLS += grouped(
    "controls",
    (
        Check(
            "cold-water-warm",
            cold_water_cool,
            title="Cold water warmer than the recipe's limit",
            name="Temperature of the cold water",
            sound="Cold water cool",
            remedy="Let it cool.",
            source="common practice, no source",
            severity=4,
            probability="D",
        ),
    ),
)
"""


@pytest.mark.slow
def test_a_check_is_its_record_and_its_limit(copy):
    """It runs, counts and is explained, and every page opens, though it has no spot, measure or link."""
    copy.insert("pipelines/engine/checks/controls.py", CHECK)
    copy.insert(
        "pipelines/engine/policy/default.toml",
        '[limits.recipe_cold_f]\nvalue = 55.0\nunit = "degF"\nmark = "policy"\nwhy = "of a recipe"\n\n',
        before="[limits.supply_high_psig]",
    )
    said = copy.run(
        """
import os
from streamlit.testing.v1 import AppTest
import dashboard
from dashboard.navigation import VIEWS
from pipelines.answers import explain, one_inspection

print(snapshot.rows("SELECT outcome, observed, high FROM results WHERE check_id = 'cold-water-warm'"))
print(snapshot.rows("SELECT state, risk FROM home_checks WHERE check_id = 'cold-water-warm'"))
text = explain.as_text(one_inspection.inspection(EVERYTHING, snapshot, "North Aid", "1"))
print(*(" ".join(line.split()) for line in text.splitlines() if "cold-water-warm" in line))
os.environ["COLDFILL_FLEET"] = str(pathlib.Path(sys.argv[1]) / "fleet")
page = AppTest.from_file(str(pathlib.Path(dashboard.__file__).parent / "app.py"), default_timeout=60)
for view in VIEWS[1:]:
    page.query_params["agency"], page.query_params["home"] = "North Aid", "H1"
    page = page.switch_page(f"views/{view.name}.py").run()
    assert not page.exception, (view.name, page.exception)
""",
    )
    assert said == [
        "[('deficient', 60.0, 55.0)]",
        "[('open', 'low')]",
        "cold-water-warm Cold water warmer than the recipe's limit: 60.0 °F; should be at most 55.0; "
        "certainty above 0.99",
    ]
    assert copy.touched == {"pipelines/engine/checks/controls.py", "pipelines/engine/policy/default.toml"}


PAGE = '''"""Visits: how many there are."""

from dashboard import data, filters, frame, tables

who, snapshot = filters.viewer(), filters.snapshot()

if not frame.nothing_loaded():
    tables.said(f"{data.visits(who, snapshot)} visits")
'''
QUESTION = '''

def visits(viewer: Viewer, snapshot: Snapshot) -> int:
    """Inspections in force that the viewer may see."""
    condition, params = where(viewer, Filters(), checks=None)
    return snapshot.rows(f"SELECT count(*) FROM readings AS h WHERE {condition}", params)[0][0]
'''


@pytest.mark.slow
def test_a_page_is_a_record_a_view_and_a_question(copy):
    copy.insert(
        "dashboard/navigation.py",
        '    View("visits", "Visits", "Visits", "How many visits there are."),\n',
        before='View("checks"',
    )
    copy.insert("dashboard/views/visits.py", PAGE)
    copy.insert("pipelines/answers/contents.py", QUESTION)
    copy.insert("dashboard/data.py", "visits = kept(contents.visits)\n", after="described = kept(")
    said = copy.run(
        """
import os
from streamlit.testing.v1 import AppTest
import dashboard

os.environ["COLDFILL_FLEET"] = str(pathlib.Path(sys.argv[1]) / "fleet")
page = AppTest.from_file(str(pathlib.Path(dashboard.__file__).parent / "app.py"), default_timeout=60)
page = page.switch_page("views/visits.py").run()
print(any("1 visits" in one.proto.body for one in page.get("html")), len(page.exception))
""",
    )
    assert said == ["True 0"]
    assert len(copy.touched) == 4  # its record, its view, its question and the line that keeps its answers
