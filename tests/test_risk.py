"""Risk levels against the published matrix, its predecessor's
ranking, and the two steps that evidence moves them by.
"""

import numpy as np
import pytest

from pipelines.engine import risk
from pipelines.engine.checks import BY_ID, HOME_CHECKS
from pipelines.engine.policy import policy as policies
from pipelines.engine.policy.policy import LEVELS, PROBABILITIES
from tests.inspections import agency_of, shipped_policy, snapshot_of_cases

# MIL-STD-882E, Table III (seen in one full copy; two others
# differ in some cells and disagree with the ranking below).
MATRIX_882E = {
    "A": ("high", "high", "serious", "medium"),
    "B": ("high", "high", "serious", "medium"),
    "C": ("high", "serious", "medium", "low"),
    "D": ("serious", "medium", "medium", "low"),
    "E": ("medium", "medium", "medium", "low"),
}
# MIL-STD-882D, Table A-III: example ranks (seen in a reproduction,
# Serious Incident Prevention p. 80); its bands are from memory.
RANKS_882D = {
    "A": (1, 3, 7, 13),
    "B": (2, 5, 9, 16),
    "C": (4, 6, 11, 18),
    "D": (8, 10, 14, 19),
    "E": (12, 15, 17, 20),
}
BANDS_882D = (
    ("high", range(1, 6)),
    ("serious", range(6, 10)),
    ("medium", range(10, 18)),
    ("low", range(18, 21)),
)


@pytest.mark.parametrize("probability", PROBABILITIES)
def test_the_matrix_is_the_published_one(probability):
    for severity in (1, 2, 3, 4):
        level = shipped_policy().level(severity, probability)
        assert level == MATRIX_882E[probability][severity - 1]
        assert [level] == [
            name for name, ranks in BANDS_882D if RANKS_882D[probability][severity - 1] in ranks
        ]


def level(check, certainty=1.0, active=False, policy=None):
    return LEVELS[
        risk.levels(BY_ID[check], policy or shipped_policy(), np.array([certainty]), np.array([active]))[0]
    ]


def test_evidence_moves_the_probability_by_one_step():
    """tank-undersized ships as severity 3, probability C:
    medium. One step up is B, serious; one down D, medium.
    """
    assert (BY_ID["tank-undersized"].severity, BY_ID["tank-undersized"].probability) == (3, "C")
    assert level("tank-undersized") == "medium"
    assert level("tank-undersized", active=True) == "serious"
    assert level("tank-undersized", certainty=0.79) == "medium"
    assert level("tank-undersized", certainty=0.79, active=True) == "medium"  # one up, one down
    assert level("tank-undersized", certainty=0.8, active=True) == "serious"  # at 0.8 it is sure enough
    assert level("tank-sounds-full", certainty=0.5) == "low"


def test_both_ends_of_the_scale_stay(tmp_path):
    (tmp_path / "policy.toml").write_text(
        '[risk.leak-seen]\nprobability = "A"\n[risk.vent-cap-tight]\nprobability = "E"\nseverity = 1\n',
        encoding="utf-8",
    )
    policy = policies.load(tmp_path / "policy.toml")
    assert level("leak-seen", active=True, policy=policy) == MATRIX_882E["A"][2]
    assert level("vent-cap-tight", certainty=0.1, policy=policy) == MATRIX_882E["E"][0]


@pytest.mark.parametrize("check", [check.id for check in HOME_CHECKS if check.act_today])
def test_what_must_be_acted_on_today_stays_so(check, tmp_path):
    (tmp_path / "policy.toml").write_text(
        f'[risk.{check}]\nprobability = "E"\nseverity = 4\n', encoding="utf-8"
    )
    for policy in (shipped_policy(), policies.load(tmp_path / "policy.toml")):
        assert level(check, certainty=0.1, policy=policy) == "act today"


def test_many_at_once():
    certainty, active = np.array([1.0, 0.5, 1.0, 0.5]), np.array([False, False, True, True])

    def of(check, graver):
        return [
            LEVELS[code]
            for code in risk.levels(BY_ID[check], shipped_policy(), certainty, active, np.array(graver))
        ]

    # severity 3, probability C; a step graver is severity 2
    assert of("leak-seen", [False] * 4) == ["medium", "medium", "serious", "medium"]
    assert of("leak-seen", [True] * 4) == ["serious", "medium", "high", "serious"]
    # severity 2, probability C, and safety-critical: never below serious
    assert of("relief-discharge-hidden", [False] * 4) == ["serious", "serious", "high", "serious"]
    assert of("backflow-missing", [True, True, False, False]) == ["high", "serious", "high", "serious"]


def test_a_short_relief_valve_is_no_matter_of_months():
    for check in HOME_CHECKS:
        if check.safety_critical:
            for certainty in (1.0, 0.1):
                assert level(check.id, certainty) in ("act today", "high", "serious"), check.id


GLYCOL = dict(fill_connection="automatic", antifreeze="ethylene_glycol", antifreeze_percent=30.0)
PLAIN = dict(fill_connection="automatic", antifreeze="none", water_treatment="no")
NO_DEVICE, CHECK_VALVE = dict(backflow_device="none"), dict(backflow_device="dual_check_vented")
COIL = dict(domestic_coil="tankless", coil_wall="single")
NO_CUTOFF = dict(low_water_cutoff="no")


FOUND = (
    ("backflow-missing", PLAIN | NO_DEVICE, "serious"),
    ("backflow-missing", GLYCOL | NO_DEVICE, "high"),
    ("backflow-missing", GLYCOL | NO_DEVICE | dict(antifreeze=None), "high"),
    ("backflow-missing", GLYCOL | NO_DEVICE | dict(antifreeze="propylene_glycol"), "serious"),
    ("backflow-missing", PLAIN | NO_DEVICE | dict(antifreeze=None), "serious"),
    ("backflow-insufficient", GLYCOL | CHECK_VALVE, "high"),
    ("backflow-insufficient", GLYCOL | CHECK_VALVE | dict(antifreeze=None), "high"),
    ("backflow-insufficient", PLAIN | CHECK_VALVE | dict(water_treatment="yes"), "serious"),
    ("antifreeze-with-single-wall-coil", GLYCOL | COIL, "high"),
    ("antifreeze-with-single-wall-coil", PLAIN | COIL | dict(water_treatment="yes"), "serious"),
    ("low-water-cutoff-missing", NO_CUTOFF | dict(cold_pressure_psig=12.0), "serious"),
    ("low-water-cutoff-missing", NO_CUTOFF | dict(cold_pressure_psig=2.0), "high"),
    ("low-water-cutoff-missing", NO_CUTOFF | dict(cold_pressure_psig=2.1), "serious"),
    ("low-water-cutoff-missing", NO_CUTOFF, "serious"),
    (
        "relief-capacity-short",
        dict(relief_capacity_btuh=30_000.0, boiler_output_btuh=90_000.0),
        "serious",
    ),
)


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    visit = dict(home_id="H", inspection_id="1", inspected_on="2025-03-04", heating_system="hot_water")
    later = visit | dict(inspection_id="2", inspected_on="2025-04-04")  # says nothing of it
    cases = [[visit | readings, later] for _, readings, _ in FOUND]
    return snapshot_of_cases(tmp_path_factory.mktemp("found"), cases)


@pytest.mark.parametrize("case", range(len(FOUND)))
def test_what_the_visit_found_decides_how_grave_it_is(found, case):
    check, _, expected = FOUND[case]
    asked = "SELECT risk FROM home_checks WHERE agency = ? AND check_id = ?"
    assert found.rows(asked, [agency_of(case), check]) == [(expected,)]


UNREAD = dict(heating_system="hot_water", fill_connection="manual")


COILS = (
    (UNREAD, False),
    (UNREAD | dict(domestic_coil="tankless"), False),
    (UNREAD | dict(antifreeze="ethylene_glycol"), True),
    (UNREAD | dict(antifreeze="propylene_glycol"), True),
    (UNREAD | dict(antifreeze_percent=30.0), True),
    (UNREAD | dict(water_treatment="yes", domestic_coil="tankless"), True),
)


@pytest.fixture(scope="module")
def coils(tmp_path_factory):
    visit = dict(home_id="H", inspection_id="1", inspected_on="2025-03-04")
    later = visit | UNREAD | dict(inspection_id="2", inspected_on="2025-04-04")
    return snapshot_of_cases(tmp_path_factory.mktemp("coils"), [[visit | one, later] for one, _ in COILS])


@pytest.mark.parametrize(("case", "counts"), [(case, counts) for case, (_, counts) in enumerate(COILS)])
def test_an_unread_coil_is_a_gap_in_safety_only_beside_additives(coils, case, counts):
    of_case = [agency_of(case)]
    state = "SELECT state FROM home_checks WHERE agency = ? AND check_id = 'antifreeze-with-single-wall-coil'"
    assert coils.rows(state, of_case) == [("not verified",)]
    asked = "SELECT headline, safety_not_verified FROM homes WHERE agency = ?"
    ((headline, lacking),) = coils.rows(asked, of_case)
    assert ("wall of the hot-water coil" in headline) is counts
    assert f"{lacking} not verified" in headline


def test_every_check_of_a_home_has_a_level_and_no_evidence_does():
    for check in HOME_CHECKS:
        severity, probability = risk.rating(check, shipped_policy())
        assert severity in (1, 2, 3, 4) and probability in PROBABILITIES, check.id
        assert level(check.id) == ("act today" if check.act_today else MATRIX_882E[probability][severity - 1])


def test_a_policy_may_only_name_checks_that_exist(tmp_path):
    risk.refuse_unknown(shipped_policy())
    for text, key in (
        ("[risk.tank-to-small]\nseverity = 2\n", "risk.tank-to-small"),
        ('[measures.paint]\ntitle = "Paint it"\nfixes = ["leaks-seen"]\n', "measures.paint"),
    ):
        (tmp_path / "policy.toml").write_text(text, encoding="utf-8")
        with pytest.raises(policies.PolicyError, match=f"policy.toml, line 1?[0-9]: {key}.*nearest"):
            risk.refuse_unknown(policies.load(tmp_path / "policy.toml"))
