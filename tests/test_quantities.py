"""The list of quantities: every record complete, each after what it needs, and a new one is one place."""

import gc
import os
import re
import shutil
import subprocess
import sys
import weakref
from pathlib import Path

import numpy as np
import pytest

from pipelines.engine import quantities
from pipelines.engine.arrays import BESIDE, Numbers
from pipelines.engine.causes import causes
from pipelines.engine.checks import CHECKS
from pipelines.engine.margins import Margin
from pipelines.engine.quantities import COLUMNS, FLAGS, QUANTITIES
from pipelines.engine.quantities.resolver import Recomputed
from pipelines.engine.results import results
from pipelines.fields import BY_NAME, DATE, NUMBER, WORD
from tests.inspections import SOUND, STEEL, batch, sample_inspections, shipped_policy

ROOT = Path(__file__).resolve().parent.parent
READ = {name for name, field in BY_NAME.items() if field.kind in (NUMBER, WORD, DATE)} | set(BESIDE)
PARAMETERS = [pytest.param(quantity, id=quantity.name) for quantity in QUANTITIES]


def test_each_name_has_one_meaning():
    names = [quantity.name for quantity in QUANTITIES]
    assert len(set(names)) == len(names)
    assert not set(names) & (set(BY_NAME) | set(BESIDE) | {"policy", "results"})


def test_every_quantity_stands_after_all_it_needs():
    before = READ | {"policy"}
    for quantity in QUANTITIES:
        assert set(quantity.needs) <= before, quantity.name
        before.add(quantity.name)


def test_every_name_a_check_asks_for_is_there():
    there = READ | set(quantities.BY_NAME) | {"policy", "results"}
    for check in CHECKS:
        assert {*check.needs, *check.uses, *check.asks} <= there, check.id


def test_every_quantity_is_asked_for():
    """By a check, another quantity or the snapshot, where causes and results begin, or by a work list."""
    asked = {name for quantity in QUANTITIES for name in quantity.needs}
    asked |= {name for check in CHECKS for name in (*check.needs, *check.uses, *check.asks)}
    asked |= {*COLUMNS, *FLAGS, "state", "with_right", "relief_present_or_setting"}
    asked |= {"charge_to_set_psig"}
    assert [quantity.name for quantity in QUANTITIES if quantity.name not in asked] == []


@pytest.fixture(scope="module")
def recomputed():
    return batch([SOUND, SOUND | STEEL, dict(heating_system="hot_water"), dict(heating_system="warm_air")])


@pytest.mark.parametrize("quantity", PARAMETERS)
def test_every_record_says_what_it_is(quantity, recomputed):
    """A title; unit and decimals where it is a number, only there; columns are numbers, flags are masks."""
    found = recomputed[quantity.name]
    assert quantity.title == quantity.title.strip() and not quantity.title.endswith(".")
    is_array = isinstance(found, np.ndarray | float)
    is_number = isinstance(found, Numbers) or (is_array and np.asarray(found).dtype == float)
    assert (quantity.unit is not None) == (quantity.decimals is not None) == is_number
    if quantity.column:
        assert isinstance(found, Numbers) and len(found.value) == 4
    if quantity.flag:
        assert found.dtype == bool and found.shape == (4,)
    if isinstance(found, Margin):
        assert np.broadcast_to(found.bends, (4,)).shape == (4,)
    assert not (quantity.column and quantity.flag)


@pytest.mark.parametrize("quantity", PARAMETERS)
def test_what_a_record_names_is_there(quantity):
    visit = dict.fromkeys([*FLAGS, *COLUMNS, *BY_NAME])
    for holds, phrase in quantity.reads:
        assert not holds(visit) and phrase.count("{}") <= 1
    assert {name for name, _ in quantity.only_where} <= set(quantity.needs)
    for assumption in quantity.assumes:
        assert set(re.findall(r"{(\w*)}", assumption.text)) <= set(shipped_policy().limits)


def test_a_name_that_is_nothing_is_refused(recomputed):
    for name in ("static_pressure", "notes"):
        with pytest.raises(KeyError, match=name):
            recomputed[name]


def test_a_quantity_is_worked_out_once(recomputed):
    assert all(recomputed[name] is recomputed[name] for name in ("static_psi", "tank_type", "precharge_psig"))


def test_what_was_recomputed_is_let_go_at_once():
    """No ring of references keeps a batch until the next collection."""
    _, readings = sample_inspections()

    def left_behind():
        recomputed = Recomputed(readings.rows(slice(0, 200)), shipped_policy().for_rows())
        causes(recomputed, results(recomputed))
        return [weakref.ref(recomputed[name]) for name in ("static_psi", "room_at_limit", "with_right")]

    gc.collect()
    gc.disable()
    try:
        assert [found() for found in left_behind()] == [None] * 3
    finally:
        gc.enable()


# ---- adding one

ADDED = """

def rise_share(pressure_rise_psi, allowed_psig, stories):
    share = pressure_rise_psi.value / allowed_psig.value * np.nan_to_num(stories.value, nan=1.0)
    return derive(share, pressure_rise_psi, allowed_psig)


def rise_is_small(rise_share):
    return rise_share.value < 0.5


QUANTITIES += (
    Quantity(
        rise_share,
        "rise as a share of what is allowed",
        "",
        3,
        column=True,
        assumes=(without("stories", "stories not recorded: {typical_fill_psig} taken"),),
        reads=((lambda visit: bool(visit["rise_is_small"]), "small: {}"),),
    ),
    Quantity(rise_is_small, "less than half of what is allowed", flag=True),
)
"""
SEEN = """
import pathlib, sys
import pipelines
from pipelines.answers import explain, one_inspection
from pipelines.answers.access import EVERYTHING
from pipelines.fields import BY_NAME
from tests.inspections import SOUND, snapshot_of

visit = dict(agency="North Aid", home_id="H1", inspected_on="2026-03-10")
visits = [visit | {"inspection_id": "1"}, visit | {"inspection_id": "2", "home_id": "H2", "stories": None}]
kept = {name: value for name, value in SOUND.items() if name in BY_NAME}
snapshot = snapshot_of(pathlib.Path(sys.argv[1]), [kept | visit for visit in visits])
print(pipelines.__file__)
print(snapshot.rows("SELECT round(rise_share, 6), rise_is_small FROM recomputed ORDER BY inspection_id"))
for number in ("1", "2"):
    text = explain.as_text(one_inspection.inspection(EVERYTHING, snapshot, "North Aid", number))
    print(*(line for line in text.splitlines() if "rise as a share" in line))
"""


@pytest.mark.slow
def test_a_new_quantity_is_one_place(tmp_path):
    """Records added to one file are worked out, stored, and explained with what they rest on: 5 psi of 27."""
    ours = tmp_path / "copy" / "pipelines"
    shutil.copytree(ROOT / "pipelines", ours, ignore=shutil.ignore_patterns("__pycache__"))
    bands = ours / "engine" / "quantities" / "bands.py"
    text = bands.read_text(encoding="utf-8").replace("import Quantity\n", "import Quantity, without\n")
    bands.write_text(text + ADDED, encoding="utf-8")
    (tmp_path / "work").mkdir()
    done = subprocess.run(
        [sys.executable, "-c", SEEN, str(tmp_path / "work")],
        env=os.environ | {"PYTHONPATH": os.pathsep.join((str(tmp_path / "copy"), str(ROOT)))},
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )
    assert done.returncode == 0, done.stderr
    where, stored, recorded, taken = done.stdout.splitlines()
    assert where.startswith(str(ours))
    assert stored == "[(0.37037, True), (0.185185, True)]"
    assert " ".join(recorded.split()) == "rise as a share of what is allowed small: 0.370"
    assert " ".join(taken.split()) == (
        "rise as a share of what is allowed small: 0.185 (stories not recorded: 12 psi taken)"
    )
