"""The policy: what ships, what a fleet or a region puts
in its place, and errors that name the file and the key.
"""

from datetime import date

import numpy as np
import pytest

from pipelines.engine import risk
from pipelines.engine.arrays import Words
from pipelines.engine.checks import BY_ID
from pipelines.engine.policy import policy as policies
from pipelines.engine.policy.policy import LEVELS, MARKS, PROBABILITIES, SETS_OF, PolicyError
from pipelines.fields import BY_NAME
from tests.inspections import SOUND, judge, shipped_policy, snapshot_of


@pytest.fixture
def own(tmp_path):
    """The policy with a fleet's own text over what ships."""

    def load(text):
        path = tmp_path / "policy.toml"
        path.write_text(text, encoding="utf-8")
        return policies.load(path)

    return load


# ---- what ships


def test_every_value_that_ships_says_on_whose_authority():
    policy = shipped_policy()
    for limit in policy.limits.values():
        assert limit.mark in MARKS and limit.why and np.isfinite(limit.value) and limit.value >= 0, limit
    for name, entry in policy.accepted.items():
        assert entry["mark"] in MARKS and entry["why"], name
        assert set(entry["words"]) <= set(BY_NAME[SETS_OF[name]].words), name
    assert set(policy.accepted) == set(SETS_OF)
    assert set(policy.emitter_gal_per_1000_btuh) == set(BY_NAME["emitter"].words)
    assert tuple(policy.risk_matrix) == tuple(PROBABILITIES)


def test_limits_as_the_trade_has_them():
    """The defaults of the trade and of this tool, with their marks."""
    limits = shipped_policy().limits
    for name, value, mark in (
        ("cold_margin_psi", 4, "policy"),
        ("typical_fill_psig", 12, "common practice"),
        ("cold_high_margin_psi", 5, "policy"),
        ("fill_off_setting_psi", 3, "policy"),
        ("setting_trusted_within_psi", 3, "policy"),
        ("supply_high_psig", 80, "published"),
        ("near_relief_share", 0.9, "policy"),
        ("height_error_ft", 4, "policy"),
        ("charge_tolerance_psi", 2, "policy"),
        ("cushion_lost_ratio", 0.5, "policy"),
        ("gas_warming", 1.06, "policy"),
        ("cushion_least_rise_f", 40, "policy"),
        ("cushion_least_rise_psi", 4, "policy"),
        ("set_tolerance_psi", 3, "published"),
        ("set_tolerance_up_to_psig", 60, "published"),
        ("set_tolerance_share", 0.05, "published"),
        ("implausible_above_psig", 100, "policy"),
        ("implausible_above_share", 1.5, "policy"),
        ("cold_above_hot_psi", 5, "policy"),
        ("tank_height_missing_ft", 8, "policy"),
        ("half_gas_apart_psi", 2, "policy"),
        ("charge_shows_cushion_psi", 3, "policy"),
        ("charge_shows_cushion_certainty", 0.8, "policy"),
        ("heat_load_btuh_ft2", 30, "policy"),
        ("volume_by_area_low", 0.4, "policy"),
        ("volume_by_area_high", 1.6, "policy"),
        ("high_limit_missing_f", 180, "policy"),
        ("radiant_limit_f", 120, "policy"),
        ("volume_estimate_low", 0.2, "policy"),
        ("volume_estimate_high", 1.3, "policy"),
        ("antifreeze_unknown_share", 0.5, "policy"),
        ("altitude_shift_psi", 2, "policy"),
        ("backflow_test_months", 12, "published"),
        ("makeup_gal_per_month", 1, "policy"),
        ("anticipator_share", 0.2, "common practice"),
        ("gauge_bias_psi", 1, "policy"),
        ("gauge_noise_psi", 0.5, "policy"),
        ("test_gauge_psi", 0.5, "policy"),
        ("temperature_f", 3, "policy"),
        ("loop_temperature_f", 6, "policy"),
        ("volume_share", 0.1, "policy"),
        ("glycol_share", 0.1, "policy"),
        ("sure_certainty", 0.8, "policy"),
        ("repeated_within_days", 7, "policy"),
        ("few_visits", 10, "policy"),
        ("few_crews", 8, "policy"),
        ("enough_readings", 0.7, "policy"),
        ("others_share", 0.2, "policy"),
        ("false_discoveries", 0.05, "policy"),
        ("paired_within_days", 120, "policy"),
        ("reinspected_share", 0.05, "policy"),
        ("reinspected_share_own_final", 0.1, "policy"),
        ("program_year_begins_month", 7, "policy"),
        ("program_year_begins_day", 1, "policy"),
    ):
        assert (limits[name].value, limits[name].mark) == (value, mark), name
    assert shipped_policy().clocks == {
        "act today": (0, 1),
        "high": (1, 14),
        "serious": (7, 30),
        "medium": (30, 90),
        "low": None,
    }


def test_every_measure_mends_checks_that_exist_and_the_named_ones_are_there():
    measures = {measure.id: measure for measure in shipped_policy().measures}
    assert {
        "set-charge",
        "set-fill-pressure",
        "fit-supply-regulator",
        "replace-tank",
        "drain-tank",
        "open-tank-valve",
        "replace-relief-valve",
        "remount-relief-valve",
        "repipe-relief-discharge",
        "fit-backflow-preventer",
        "test-backflow-preventer",
        "loosen-vent-cap",
        "replace-vent-by-plug",
        "fit-low-water-cutoff",
        "replace-gauge",
        "repair-leak",
        "replace-heating-system",
        "set-anticipator",
    } <= set(measures)
    for measure in measures.values():
        assert measure.title and measure.fixes and set(measure.fixes) <= set(BY_ID), measure.id
    assert "tank-missing" in measures["replace-tank"].fixes
    mended = {check for measure in measures.values() for check in measure.fixes}
    assert {check for check, one in BY_ID.items() if not one.evidence} - mended == set()


# ---- a fleet's own values


def test_a_fleet_overrides_single_values(own):
    policy = own("""
        [limits]
        cold_margin_psi = 5
        charge_tolerance_psi = { value = 3.0, unit = "psi", mark = "common practice", why = "old gauges" }
        [accepted]
        low_water_cutoff = ["probe_or_float", "flow_or_pressure_switch"]
        [accepted.backflow_tested_on_supply]
        words = ["public", "well"]
        why = "county rule"
        [clocks]
        low = [90, 365]
        [risk_matrix]
        E = ["high", "medium", "medium", "low"]
        [risk.leak-seen]
        severity = 2
        [emitter_gal_per_1000_btuh]
        fin_tube = 0.6
        [measures.set-charge]
        title = "Charge it"
        fixes = ["precharge-low"]
    """)
    shipped = shipped_policy()
    assert policy.cold_margin_psi == 5 and policy.limits["charge_tolerance_psi"].why == "old gauges"
    assert policy.words("low_water_cutoff") == ("probe_or_float", "flow_or_pressure_switch")
    assert (
        policy.words("backflow_tested_on_supply") == ("public", "well")
        and policy.accepted["backflow_tested_on_supply"]["why"] == "county rule"
    )
    assert policy.clocks["low"] == (90, 365) and policy.clocks["high"] == shipped.clocks["high"]
    assert policy.level(1, "E") == "high" and policy.level(1, "D") == shipped.level(1, "D")
    assert (
        policy.emitter_gal_per_1000_btuh["fin_tube"] == 0.6
        and policy.emitter_gal_per_1000_btuh["convector"] == 0.465
    )
    assert {measure.id: measure.fixes for measure in policy.measures}["set-charge"] == ("precharge-low",)
    assert set(policy.limits) == set(shipped.limits) and policy.near_relief_share == shipped.near_relief_share
    assert (
        judge(SOUND | dict(cold_pressure_psig=11.5), "cold-pressure-low", policy).outcome == "deficient"
    )  # 6.93 + 5
    assert judge(SOUND | dict(precharge_psig=9.5), "precharge-low", policy).outcome == "ok"


def test_the_hash_follows_what_decides_and_nothing_else(own):
    shipped = shipped_policy().sha256
    assert (
        own("# nothing of our own\n").sha256
        == shipped
        == policies.load("no/such/policy.toml").sha256
        == policies.load(None).sha256
    )
    assert own("[limits]\ncold_margin_psi = 4.0\n").sha256 == shipped
    texts = (
        "[limits]\ncold_margin_psi = 4.5\n",
        "[accepted]\nlow_water_cutoff = []\n",
        "[clocks]\nlow = [1, 2]\n",
        "[risk.leak-seen]\nseverity = 1\n",
        '[risk_matrix]\nE = ["low", "low", "low", "low"]\n',
        "[emitter_gal_per_1000_btuh]\nfin_tube = 1\n",
        '[[region]]\nname = "X"\nlimits = { cold_margin_psi = 5 }\n',
        '[measures.x]\ntitle = "x"\nfixes = []\n',
    )
    hashes = [own(text).sha256 for text in texts]
    assert len({shipped, *hashes}) == len(texts) + 1


# ---- regions

REGIONS = """
    [limits]
    cold_margin_psi = 3.0
    [[region]]
    name = "Harbor"
    limits = { cold_margin_psi = 5.0, supply_high_psig = 75 }
    [[region]]
    name = "Harbor"
    agency = "North"
    limits = { cold_margin_psi = 6.0 }
    accepted = { backflow_without_additives = ["air_gap"] }
"""


def test_regions_and_agencies(own):
    """The last that fits rules; a region of one agency leaves
    another's of the same name alone; spelling does not matter.
    """
    rows = own(REGIONS).for_rows(
        [
            ("South", "Harbor"),
            ("North", " harbor "),
            ("north", "HARBOR"),
            ("North", "Hills"),
            ("North", None),
            ("", "Harbor"),
        ]
    )
    assert rows.cold_margin_psi.tolist() == [5, 6, 6, 3, 3, 5]
    assert rows.supply_high_psig.tolist() == [75, 75, 75, 80, 80, 75]
    assert rows.near_relief_share == 0.9  # overridden nowhere: one number for all
    devices = Words.of(
        "backflow_device",
        ["dual_check_vented", "dual_check_vented", "air_gap", "dual_check_vented", None, "air_gap"],
    )
    assert rows.accepts("backflow_without_additives", devices).tolist() == [
        True,
        False,
        True,
        True,
        False,
        True,
    ]
    some = rows.rows(slice(1, 4))
    assert some.cold_margin_psi.tolist() == [6, 6, 3]
    assert some.accepts(
        "backflow_without_additives",
        Words.of("backflow_device", ["air_gap", "reduced_pressure", "reduced_pressure"]),
    ).tolist() == [True, False, True]


def test_many_regions(own):
    """More than NumPy's choose takes at once."""
    names = [f"R{number}" for number in range(40)]
    policy = own(
        "".join(
            (
                f'[[region]]\nname = "{name}"\naccepted = {{ low_water_cutoff = '
                f"[{chr(34) + 'no' + chr(34) if number % 2 else ''}] }}\n"
            )
            for number, name in enumerate(names)
        )
    )
    rows = policy.for_rows([("", name) for name in names])
    assert rows.accepts("low_water_cutoff", Words.of("low_water_cutoff", ["no"] * 40)).tolist() == [
        bool(number % 2) for number in range(40)
    ]


def test_a_change_holds_from_its_day_on_and_a_region_keeps_its_own(own):
    """Already on the day itself; without a day what holds last; a region keeps what is its own."""
    policy = own("""
        [limits]
        cold_margin_psi = 3.0
        [[region]]
        name = "Harbor"
        limits.cold_margin_psi = 6.0
        [[change]]
        effective_from = 2026-07-01
        limits.cold_margin_psi = 5.0
        accepted.low_water_cutoff = ["no"]
        [[change]]
        effective_from = 2026-01-01
        limits.cold_margin_psi = 4.0
        [[change]]
        effective_from = 2026-07-01
        region = "harbor"
        agency = "North"
        limits.cold_margin_psi = 7.0
    """)
    assert policy.days_of_change == [date(2026, 1, 1), date(2026, 7, 1)]
    rows = [
        ("South", "Hills", date(2025, 12, 31)),
        ("South", "Hills", date(2026, 1, 1)),
        ("South", "Hills", date(2026, 6, 30)),
        ("South", "Hills", date(2026, 7, 1)),
        ("South", "Hills"),
        ("South", "Harbor", date(2026, 8, 1)),
        ("North", "Harbor", date(2026, 6, 30)),
        ("North", "Harbor", date(2026, 7, 1)),
    ]
    of_rows = policy.for_rows(rows)
    assert of_rows.cold_margin_psi.tolist() == [3, 4, 4, 5, 5, 6, 6, 7]
    words = Words.of("low_water_cutoff", ["no"] * len(rows))
    assert of_rows.accepts("low_water_cutoff", words).tolist() == [False] * 3 + [True] * 3 + [False, True]
    assert "cold_margin_psi" not in policy.quoted  # no sentence names one number for all


def test_results_use_the_limits_in_force_on_the_day_of_the_visit(tmp_path):
    rows = [
        SOUND | {"agency": "A", "inspection_id": str(number), "home_id": f"H{number}", "inspected_on": day,
                 "supply_pressure_psig": 78.0}
        for number, day in enumerate(("2026-06-30", "2026-07-01"))
    ]  # fmt: skip
    change = "[[change]]\neffective_from = 2026-07-01\nlimits.supply_high_psig = 75.0\n"
    snapshot = snapshot_of(tmp_path, rows, policy=change)
    assert snapshot.rows(
        "SELECT outcome, high FROM results WHERE check_id = 'supply-pressure-high' ORDER BY 2"
    ) == [
        ("deficient", 75.0),
        ("ok", 80.0),
    ]
    assert snapshot.rows("SELECT region, agency, name, value, effective_from FROM region_overrides") == [
        ("", "", "supply_high_psig", "75.0", date(2026, 7, 1))
    ]


def test_no_regions_no_arrays():
    assert isinstance(shipped_policy().for_rows([("A", "Harbor")]).cold_margin_psi, float)


# ---- errors name the file, the key, and what would be accepted

WRONG = (
    ("limit = 3", "unknown table 'limit'; accepted are accepted, change, clocks"),
    ("limits = 3", "limits needs to be a table"),
    ("[limits]\ncold_margin = 3", "limits.cold_margin: no such limit; nearest: cold_margin_psi"),
    ('[limits]\ncold_margin_psi = "3"', "limits.cold_margin_psi needs a number of 0 or more in psi, not '3'"),
    (
        "[limits]\ncold_margin_psi = true",
        "limits.cold_margin_psi needs a number of 0 or more in psi, not True",
    ),
    ("[limits]\ncold_margin_psi = nan", "limits.cold_margin_psi needs a number"),
    ("[limits]\ncold_margin_psi = -1", "limits.cold_margin_psi needs a number of 0 or more"),
    (
        "[limits]\ncold_margin_psi = { worth = 3 }",
        "limits.cold_margin_psi: unknown key 'worth'; accepted are value, unit, mark, why",
    ),
    ('[limits]\ncold_margin_psi = { value = 3, unit = "bar" }', "limits.cold_margin_psi is in psi, not bar"),
    (
        '[limits]\ncold_margin_psi = { value = 3, mark = "felt" }',
        "limits.cold_margin_psi: mark is one of published, common practice, policy",
    ),
    (
        "[limits]\nnear_relief_share = 90",
        "limits.near_relief_share is a share, as 0.9 is for 90 %, and 90 is not",
    ),
    (
        "[accepted]\nbackflow = []",
        "accepted.backflow: no such set of accepted words; there are backflow_without_additives",
    ),
    (
        '[accepted]\nlow_water_cutoff = ["probe"]',
        "accepted.low_water_cutoff needs a list of probe_or_float, flow_switch, pressure_switch",
    ),
    ('[accepted]\nlow_water_cutoff = "no"', "accepted.low_water_cutoff needs a list of"),
    ("[clocks]\nhigh = [1]", "clocks.high needs two whole numbers of days"),
    ("[clocks]\nhigh = [1, -2]", "clocks.high needs two whole numbers of days"),
    ("[clocks]\nhigh = [30, 10]", "clocks.high: 30 days to act are more than 10 to correct"),
    ("[clocks]\nhigh = [true, 10]", "clocks.high needs two whole numbers of days"),
    ("[clocks]\nhigh = [1, 9999999999]", "clocks.high needs two whole numbers of days"),
    ("[limits]\nsnapshots_kept = 0", "limits.snapshots_kept needs a number of 1 or more"),
    ("[limits]\nsnapshots_kept = 2.5", "limits.snapshots_kept needs a whole number, not 2.5"),
    ("[limits]\nrepeated_within_days = 0.5", "limits.repeated_within_days needs a whole number"),
    ("[limits]\ncold_margin_psi = inf", "limits.cold_margin_psi needs a number of 0 or more"),
    ("[limits]\ncold_margin_psi = 1e300", "limits.cold_margin_psi is 1000 psi at most"),
    (f"[limits]\ncold_margin_psi = {'9' * 400}", "limits.cold_margin_psi is 1000 psi at most"),
    ("[limits]\nsure_certainty = 1.01", "limits.sure_certainty is a share"),
    ("[limits]\ncushion_lost_ratio = 1.5", "limits.cushion_lost_ratio is a share"),
    ("[limits]\nplate_rise_share = 0.9", "limits.plate_rise_share needs a number of 1 or more"),
    (
        "[limits]\nvolume_estimate_low = 1.4",
        "limits: volume_estimate_low (1.4) is above volume_estimate_high (1.3)",
    ),
    (
        "[[region]]\nname = 'Harbor'\nlimits = { volume_estimate_high = 0.1 }",
        "region Harbor: volume_estimate_low (0.2) is above volume_estimate_high (0.1)",
    ),
    (
        "[[region]]\nname = 'Harbor'\n[[region]]\nname = ' harbor '\n",
        "region  harbor  is there already, in line 1",
    ),
    ("[[region]]\nname = 'Harbor'\nagency = 3", "region Harbor: agency needs a text, not 3"),
    ("[[region]]\nname = 'Harbor'\nlimits = 3", "region Harbor: limits needs to be a table"),
    ("[accepted.low_water_cutoff]\nword = []", "accepted.low_water_cutoff: unknown key 'word'"),
    ("[measures.paint]\ntitle = 'Paint'\nfixes = []\nfix = []", "measures.paint: unknown key 'fix'"),
    ("[risk.leak-seen]\nseverity = true", "risk.leak-seen: severity is 1 to 4"),
    ("[clocks]\nurgent = [1, 2]", "clocks: unknown key 'urgent'; accepted are act today, high"),
    ('[risk_matrix]\nA = ["high"]', "risk_matrix.A needs four of high, serious, medium, low"),
    ('[risk_matrix]\nF = ["low", "low", "low", "low"]', "risk_matrix: unknown key 'F'"),
    ("[risk]\nleak-seen = 2", "risk.leak-seen needs to be a table"),
    ("[risk.leak-seen]\nseverity = 5", "risk.leak-seen: severity is 1 to 4, probability A to E"),
    ('[risk.leak-seen]\nprobability = "F"', "risk.leak-seen: severity is 1 to 4, probability A to E"),
    (
        "[risk.leak-seen]\nsevereness = 1",
        "risk.leak-seen: unknown key 'severeness'; accepted are severity, probability",
    ),
    ("[emitter_gal_per_1000_btuh]\nfin_tubes = 1", "emitter_gal_per_1000_btuh: unknown key 'fin_tubes'"),
    (
        "[emitter_gal_per_1000_btuh]\nfin_tube = 0",
        "emitter_gal_per_1000_btuh.fin_tube needs gallons above 0, not 0",
    ),
    ("[measures.paint]\nfixes = []", "measures.paint needs a title and fixes"),
    ("[region]\nname = 'Harbor'", "region needs double brackets"),
    ("[[region]]\nagency = 'North'", "each [[region]] needs a name"),
    (
        "[[change]]\nlimits.cold_margin_psi = 3",
        "needs effective_from, a day without quotes as 2026-07-01, not None",
    ),
    ("[[change]]\neffective_from = '2026-07-01'", "a day without quotes as 2026-07-01, not '2026-07-01'"),
    ("[[change]]\neffective_from = 2026-07-01T08:00:00", "a day without quotes"),
    (
        "[[change]]\neffective_from = 2026-07-01\nname = 'Harbor'",
        "unknown key 'name'; accepted are region, agency",
    ),
    (
        "[[change]]\neffective_from = 2026-07-01\n[[change]]\neffective_from = 2026-07-01",
        "is there already, in line 1",
    ),
    ("[[change]]\neffective_from = 2026-07-01\nlimits.sure_certainty = 0.7", "one for the whole fleet"),
    ("change = 3", "change needs double brackets: [[change]], once for each day of change"),
    (
        "[[region]]\nname = 'Harbor'\nlimit = {}",
        "region Harbor: unknown key 'limit'; accepted are name, agency, limits, accepted",
    ),
    (
        "[[region]]\nname = 'Harbor'\nlimits = { cold_margin = 3 }",
        "region Harbor: limits.cold_margin: no such limit",
    ),
    (
        "[[region]]\nname = 'Harbor'\nlimits = { sure_certainty = 0.7 }",
        "region Harbor: limits.sure_certainty is one for the whole fleet",
    ),
    (
        "[[region]]\nname = 'Harbor'\naccepted = { low_water_cutoff = ['x'] }",
        "region Harbor: accepted.low_water_cutoff needs a list of",
    ),
    ("[limits\n", "not readable as TOML"),
)


@pytest.mark.parametrize("text, message", WRONG)
def test_errors(own, tmp_path, text, message):
    with pytest.raises(PolicyError) as caught:
        own(text)
    assert str(caught.value).startswith(str(tmp_path / "policy.toml")) and message in str(caught.value), str(
        caught.value
    )


@pytest.mark.parametrize(
    "text, line",
    [
        ("\n[clocks]\nlow = []\nhigh = [30, 10]\n", 4),
        ("[limits]\n\ncold_margin_psi = -1\n", 3),
        ("[limits.cold_margin_psi]\nwhy = 'x'\nvalue = -1\n", 1),
        ("limits.cold_margin_psi = -1\n", 1),
        ("[limits]\r\ncold_margin_psi = { value = -1 }\r\n", 2),
        ('[limits]\n"cold_margin_psi" = -1\n', 2),
        ("[[region]]\nname = 'A'\n[[region]]\nname = 'B'\nlimits = { cold_margin_psi = -1 }\n", 5),
        ("[[region]]\nname = 'A'\n[[region]]\nname = 'B'\n[region.limits]\ncold_margin_psi = -1\n", 6),
        ("[[region]]\nname = 'A'\n# more\n[[region]]\nname = 'a'\n", 4),
        ("[risk.leak-seen]\nprobability = 'A'\n\n[risk.roof]\nseverity = 1\n", 4),
        ("[measures.paint]\ntitle = 'x'\nfixes = [\n  'no-such-check',\n]\n", 3),
        ("[limits]\ncold_margin_psi = { value = 3, why = 'x', unit = 'bar' }\n", 2),
        ('[accepted.low_water_cutoff]\nwhy = """\n[limits]\n"""\nwords = ["x"]\n', 1),
        ("[limits]\ncold_margin_psi = \n", 2),
        ("[limits]\nvolume_estimate_high = 0.1\n", 2),
        ("# nothing\nlimit = 3\n", 2),
    ],
)
def test_errors_name_the_line(own, text, line):
    with pytest.raises(PolicyError, match=rf"policy\.toml, line {line}: "):
        risk.refuse_unknown(own(text))


def test_every_limit_that_ships_lies_within_what_it_may_be():
    for limit in shipped_policy().limits.values():
        assert limit.least <= limit.value <= limit.most < np.inf, limit


def test_not_utf8(tmp_path):
    (tmp_path / "policy.toml").write_bytes("# Höhe\n".encode("latin-1"))
    with pytest.raises(PolicyError, match="policy.toml, line 1: not readable as TOML"):
        policies.load(tmp_path / "policy.toml")


def test_levels_are_the_standards_and_ours():
    assert LEVELS == ("act today", "high", "serious", "medium", "low")
