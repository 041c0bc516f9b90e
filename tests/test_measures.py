"""Measures with cost, hours and who may pay: what ships, what a fleet says, and what a snapshot keeps."""

from datetime import date

import pytest

from pipelines.answers.targets import policy_of
from pipelines.engine import risk
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.policy import policy as policies
from pipelines.engine.policy.measures import FUND_KINDS, at
from pipelines.engine.policy.policy import LEVELS, PROBABILITIES, PolicyError

SHIPPED = policies.load()


def own(text):
    return policies.parse(text.encode(), "policy.toml")


def by_id(policy):
    return {measure.id: measure for measure in policy.measures}


def test_every_shipped_measure_has_figures_that_are_marked_as_invented():
    for measure in SHIPPED.measures:
        assert measure.cost is not None and measure.hours is not None, measure.id
        assert measure.mark == "invented" and measure.paid_by and set(measure.paid_by) <= set(FUND_KINDS)


def test_a_fleet_changes_a_cost_and_keeps_the_rest():
    changed = by_id(own("[measures.replace-tank]\ncost = 700\n"))["replace-tank"]
    shipped = by_id(SHIPPED)["replace-tank"]
    assert (changed.cost, changed.mark) == (700.0, "policy")
    assert (changed.fixes, changed.hours, changed.paid_by) == (shipped.fixes, shipped.hours, shipped.paid_by)
    assert by_id(own("[measures.replace-tank]\nlicensed = false\n"))["replace-tank"].mark == "invented"
    assert own("[measures.replace-tank]\ncost = 700\n").sha256 != SHIPPED.sha256


def test_a_measure_of_a_fleet_whose_cost_nobody_said_has_none():
    paint = by_id(own('[measures.paint]\ntitle = "Paint"\nfixes = ["leak-seen"]\n'))["paint"]
    assert paint.cost is None and paint.hours is None and paint.paid_by == FUND_KINDS


def test_a_region_and_a_day_have_costs_of_their_own():
    policy = own("""
        [[region]]
        name = "Harbor"
        agency = "A"
        measures = { replace-tank = { cost = 900 } }
        [[change]]
        effective_from = 2026-07-01
        measures = { replace-tank = { cost = 650, hours = 3 } }
    """)
    everywhere, harbor = policy.regions
    assert (everywhere.effective_from, everywhere.measures) == (
        date(2026, 7, 1),
        {"replace-tank": {"cost": 650.0, "hours": 3.0}},
    )
    tank = by_id(policy)["replace-tank"]
    found = at(tank, [everywhere.measures, harbor.measures])
    assert (found.cost, found.hours) == (900.0, 3.0)
    assert policy.sha256 != SHIPPED.sha256


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[measures.replace-tank]\ncost = -1\n", "line 2: measures.replace-tank.cost needs dollars from 0"),
        ("[measures.replace-tank]\ncost = true\n", "measures.replace-tank.cost needs dollars from 0"),
        ("[measures.replace-tank]\nhours = 1e9\n", "measures.replace-tank.hours needs crew hours from 0"),
        ("[measures.replace-tank]\ncost = nan\n", "measures.replace-tank.cost needs dollars"),
        ("[measures.replace-tank]\nlicensed = 1\n", "measures.replace-tank.licensed is true or false"),
        ('[measures.replace-tank]\npaid_by = ["gifts"]\n', "paid_by needs a list of energy, health"),
        ('[measures.replace-tank]\ntanks = ["tin"]\n', "tanks needs a list of diaphragm, plain_steel"),
        ('[measures.replace-tank]\nonly_where_open = "x"\n', "only_where_open needs a list of check ids"),
        ('[measures.replace-tank]\nmark = "hearsay"\n', "mark is one of published"),
        ("measures = 1\n", "measures needs to be a table"),
        ('[[region]]\nname = "X"\nmeasures = { paint = { cost = 1 } }\n', "measures.paint: no such measure"),
        ('[[region]]\nname = "X"\nmeasures = { replace-tank = 1 }\n', "needs cost, hours or both"),
        ('[[region]]\nname = "X"\nmeasures = { replace-tank = { cost = "1" } }\n', "cost needs dollars"),
        ("[risk_weights]\nA = [1, 2, 3]\n", "line 2: risk_weights.A needs four numbers"),
        ('[risk_weights]\n"act today" = -1\n', "risk_weights.act today needs a number from 0"),
        ("[risk_weights]\nF = [1, 2, 3, 4]\n", "risk_weights: unknown key 'F'"),
        ('[plan]\nbefore_the_rest = ["act today"]\n', "needs a list, maybe empty, of high, serious"),
        ('[plan]\nstays = "leak-seen"\n', "plan.stays needs a list of check ids"),
        ("[plan]\nmost = 1\n", "plan: unknown key 'most'"),
    ],
)
def test_what_cannot_be_used_is_refused_by_its_line(text, said):
    with pytest.raises(PolicyError) as refused:
        own(text)
    assert said in str(refused.value) and "policy.toml, line" in str(refused.value)


@pytest.mark.parametrize(
    "text",
    [
        '[measures.replace-tank]\nonly_where_open = ["no-such"]\n',
        '[plan]\nstays = ["no-such"]\n',
    ],
)
def test_checks_that_are_not_there_are_refused(text):
    with pytest.raises(PolicyError, match="no check 'no-such'"):
        risk.refuse_unknown(own(text))


def test_shipped_weights_follow_the_matrix():
    """No weight of a level is above one of a graver level: the weights contradict no published rank."""
    weights = {level: [] for level in LEVELS}
    weights["act today"] = [SHIPPED.planning.act_today]
    for probability in PROBABILITIES:
        for severity in (1, 2, 3, 4):
            level = SHIPPED.level(severity, probability)
            weights[level].append(SHIPPED.planning.weight(severity, probability))
    for graver, milder in zip(LEVELS, LEVELS[1:], strict=False):
        assert min(weights[graver]) > max(weights[milder]), graver


def test_every_check_can_be_put_right_wherever_it_is_found():
    """By a measure that asks for nothing else open, but for the one whose own condition it is."""
    for check in HOME_CHECKS:
        for tank in ("diaphragm", "plain_steel", None):
            assert any(
                check.id in measure.fixes and measure.fits(tank, {check.id}) and measure.cost is not None
                for measure in SHIPPED.measures
            ), check.id


def test_a_snapshot_keeps_what_plans_go_by(sample_snapshot):
    kept = policy_of(sample_snapshot)
    assert kept.measures == SHIPPED.measures and kept.planning == SHIPPED.planning
