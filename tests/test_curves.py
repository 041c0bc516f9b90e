"""The curves of one visit's picture: the same gas balance that judges it, and what is printed of tanks."""

from datetime import date

import numpy as np
import pytest

from dashboard.charts import home as charts_of_home
from pipelines.answers import one_home
from pipelines.answers.access import EVERYTHING, Viewer
from pipelines.answers.pressures import pressures
from pipelines.engine.curves import curves
from tests.inspections import SOUND, batch, shipped_policy


def drawn(**changed):
    """Curves of one inspection, its stored quantities recomputed as a build does."""
    visit = batch([SOUND | changed])
    stored = {
        name: visit[name].value[0] if visit[name].known[0] else None
        for name in ("atmosphere_psia", "trusted_charge_psig", "should_have_psig")
    }
    return curves(visit.readings, shipped_policy().for_rows(), stored)


def at(run, degrees_f):
    return np.interp(degrees_f, *np.array(run).T)


def test_the_tank_of_the_handbooks_example_reaches_its_printed_pressure():
    """ASHRAE Handbook, HVAC Systems and Equipment, hydronic heating: 3,000 gal in steel from 40 to 220 °F,
    10 psig cold, 25 psig hot at sea level, ask a diaphragm tank of 344 gal (from memory).
    """
    found = drawn(
        system_volume_gal=3000.0,
        pipe_material="steel",
        tank_volume_gal=344.0,
        cold_temperature_f=40.0,
        cold_pressure_psig=10.0,
        precharge_psig=10.0,
        high_limit_f=220.0,
        fill_setting_psig=10.0,
        top_height_ft=0.0,
        boiler_min_pressure_psig=None,
    )
    assert at(found.sound, 220.0) == pytest.approx(25.0, abs=0.1)
    assert found.sound[0] == (40.0, 10.0) and not found.charge_taken


@pytest.mark.slow
def test_curves_of_the_samples_pass_through_what_their_visits_are_judged_by(sample_snapshot):
    visits = sample_snapshot.rows("""
        SELECT c.agency, c.inspection_id, c.predicted_hot_psig, r.hot_temperature_f
        FROM recomputed AS c
        JOIN readings AS r USING (agency, inspection_id)
        WHERE c.trusted_charge_psig IS NOT NULL AND c.predicted_hot_psig IS NOT NULL
            AND NOT c.predicted_hot_unbounded
        ORDER BY hash(c.agency, c.inspection_id)
        LIMIT 40""")
    off = [
        abs(at(pressures(EVERYTHING, sample_snapshot, agency, visit).curves.sound, hot_f) - predicted)
        for agency, visit, predicted, hot_f in visits
    ]
    assert len(off) == 40 and max(off) < 0.05


def test_half_the_gas_is_the_same_as_a_tank_of_half_the_size():
    """Boyle's law: the amount of gas is charge times volume, so half of either is the same."""
    assert np.allclose(drawn().half, drawn(tank_volume_gal=3.0).sound, atol=0.01)


def test_a_curve_ends_where_no_cushion_is_left():
    found = drawn(tank_volume_gal=1.2, high_limit_f=220.0)
    whole, half = (np.array(run) for run in (found.sound, found.half))
    assert half[-1, 0] < whole[-1, 0] and np.isfinite(half).all() and (np.diff(half[:, 1]) > 0).all()


@pytest.mark.parametrize(
    "changed",
    [
        {"cold_pressure_psig": None},
        {"tank_type": None},
        {"tank_type": "none"},
        {"tank_valve": "closed"},
        {"elevation_ft": None},
        {"tank_volume_gal": None},
        {"system_volume_gal": None, "boiler_output_btuh": None, "heated_area_ft2": None},
        {"cold_reading_state": "heat_not_shut_off"},
    ],
    ids=lambda changed: ",".join(changed),
)
def test_what_cannot_be_told_is_not_drawn(changed):
    found = drawn(**changed)
    assert found.sound == found.half == ()


def test_what_is_taken_instead_of_a_reading_is_said():
    assert drawn(precharge_psig=None).charge_taken and drawn(precharge_psig=None).sound
    assert drawn(cold_temperature_f=None).cold.taken
    assert drawn(cold_temperature_f=None).cold.temperature_sigma_f == 20.0
    assert drawn(pressure_read_with="boiler_gauge").hot.pressure_sigma_psi == pytest.approx(1.25**0.5)


def test_another_agencys_visit_is_not_drawn(sample_snapshot):
    agency, visit = sample_snapshot.rows(
        "SELECT agency, inspection_id FROM recomputed WHERE assessed LIMIT 1"
    )[0]
    stranger = Viewer(agencies=("Somebody Else",), personal=True)
    assert pressures(stranger, sample_snapshot, agency, visit) is None


def test_the_pictures_of_a_home_say_in_words_what_they_draw(sample_snapshot):
    agency, home_id = "Foyers du Val Brenn", "F0019"
    home = one_home.home(EVERYTHING, sample_snapshot, agency, home_id, date(2026, 6, 30))
    chart, words = charts_of_home.visits(home)
    marks = chart.data
    told = sum(
        outcome in charts_of_home.OUTCOMES
        for check in home.checks
        if any(outcome == "deficient" for _, outcome, _ in check.visits)
        for _, outcome, _ in check.visits
    )
    assert len(marks) == told > 10
    assert all(check in words for check in marks["check"].unique())
    found = pressures(EVERYTHING, sample_snapshot, agency, home.visits[-1].inspection_id)
    _, words = charts_of_home.pressures(found, "that day")
    assert "Cold: 13.0 psi at 60 °F (temperature not recorded, taken)." in words
    assert "Relief valve opens" in words
