"""Charts of the pages: what they draw is what a query counts, every mark leads on, and words say the same."""

from datetime import date, datetime
from urllib.parse import parse_qs, urlsplit

import pandas as pd
import pytest

from dashboard import charts, data
from dashboard.charts import files as file_charts
from pipelines.answers import files, one_home, regions, why_risk
from pipelines.answers.access import EVERYTHING, Filters
from pipelines.engine import limits_read, results
from pipelines.engine.arrays import from_arrow
from pipelines.engine.checks import BY_ID, CHECKS
from pipelines.engine.policy import policy as policies
from pipelines.engine.quantities.resolver import Recomputed
from pipelines.fleet.folder import Fleet
from pipelines.fleet.snapshots import attach
from pipelines.receiving import door
from pipelines.snapshot import stages
from tests.inspections import shipped_policy
from tests.small_exports import row, write
from tests.test_dashboard import fine, html, links, table, text

STAGE = "open after the final"


def drawn(chart, column):
    """Rows of every data set of a chart that have a column."""
    return [
        one for rows in chart.to_dict()["datasets"].values() for one in rows if one.get(column) is not None
    ]


def asked(address):
    return parse_qs(urlsplit(address).query)


# ---- Hold


def test_bars_of_hold_are_the_units_and_lead_to_them(sample_fleet, sample_snapshot):
    by_agency = data.held(EVERYTHING, str(sample_fleet.current()), Filters())
    chart, words = charts.held(
        by_agency, lambda agency, only: f"homes?{only}={agency}", lambda agency: "hold"
    )
    marks = {(one["name"], one["part"]): one for one in drawn(chart, "start")}
    for agency, clear, opened, unverified in sample_snapshot.rows("""
            SELECT agency, count(*) FILTER (may_be_reported),
                   count(*) FILTER (hold_before_reporting AND open_deficiencies > 0),
                   count(*) FILTER (hold_before_reporting AND open_deficiencies = 0)
            FROM homes GROUP BY agency"""):
        for part, count in zip(
            ("may be reported", "held: something is open", "held: not all was verified"),
            (clear, opened, unverified),
            strict=True,
        ):
            assert marks.get((agency, part), {"count": 0})["count"] == count
            if count:
                assert f"{count:,} unit" in marks[agency, part]["said"]
    waiting = sample_snapshot.rows(
        "SELECT count(*) FROM homes WHERE may_be_reported OR hold_before_reporting"
    )[0][0]
    assert f"{waiting:,} units" in words and all(one["address"] for one in marks.values())


def test_of_many_agencies_the_rest_is_said():
    many = pd.DataFrame(
        [{"agency": f"A{n:02}", "opened": 40 - n, "unverified": 0, "clear": 1} for n in range(40)]
    )
    chart, words = charts.held(many, lambda *asked: "homes", lambda agency: "hold")
    names = {one["name"] for one in drawn(chart, "label")}
    assert len(names) == 25 and "A00" in names and "A39" not in names
    assert "15 more agencies with 135 together" in words  # 15 + … + 1 open, and one clear each


# ---- Risk


@pytest.mark.parametrize("stage", data.STAGES)
def test_bars_of_risk_are_homes(sample_fleet, sample_snapshot, stage):
    found = data.ranked(EVERYTHING, str(sample_fleet.current()), Filters(), stage)
    assert {(one.check_id, one.risk): one.homes for one in found.itertuples()} == {
        (check, risk): homes
        for check, risk, homes in sample_snapshot.rows(
            """
            SELECT check_id, risk, count(DISTINCT (agency, home_id))
            FROM home_checks WHERE stage = ? GROUP BY ALL""",
            [stage],
        )
    }
    chart, words = charts.ranked(found, stage, lambda check, risk=None: f"homes?check={check}&risk={risk}")
    marks = drawn(chart, "start")
    assert all(BY_ID[asked(one["address"])["check"][0]].title == one["name"] for one in marks)
    today = found[found["risk"] == "act today"]
    assert all(title in words for title in today["title"]) and len(today) >= 1


def test_a_bar_of_risk_opens_as_many_homes(show, sample_fleet):
    found = data.ranked(EVERYTHING, str(sample_fleet.current()), Filters(), STAGE)
    for one in found.iloc[[0, len(found) // 2]].itertuples():
        page = fine(
            show(sample_fleet, "homes", check=one.check_id, stage=STAGE, risk=one.risk, exactly="true")
        )
        assert f"{one.homes} home" in html(page).replace("1 to 40 of ", "")


def test_the_page_of_risk_keeps_matrix_and_tables_one_click_below(show, sample_fleet):
    page = fine(show(sample_fleet, "risk"))
    for caption in ("Open deficiencies by risk and stage", f"Open deficiencies, {STAGE}, by check"):
        assert len(table(page, caption)) > 3
    assert f"<summary>Open deficiencies, {STAGE}, by severity and probability" in html(page)


def test_why_a_risk_is_what_the_engine_gave(sample_snapshot):
    """Base, effects and certainty give the level again; only the checks that say so may be graver."""
    keys = sample_snapshot.rows(
        "SELECT agency, home_id FROM homes WHERE open_deficiencies > 0 ORDER BY hash(home_id) LIMIT 24"
    )
    may_be_graver = {
        "backflow-missing", "backflow-insufficient", "antifreeze-with-single-wall-coil",
        "low-water-cutoff-missing",
    }  # fmt: skip
    moved, seen = set(), 0
    for agency, home_id in keys:
        home = one_home.home(EVERYTHING, sample_snapshot, agency, home_id)
        found = why_risk.why_risk(EVERYTHING, sample_snapshot, home)
        assert len(found) == home.open_deficiencies
        for why in found:
            seen += 1
            graver = [words for words in why.moved if "graver" in words]
            assert not graver or why.check_id in may_be_graver, why
            if not why.moved and not BY_ID[why.check_id].act_today:
                assert why.base.split(": ")[1].split(",")[0] == why.risk
            moved |= {words.split(" (")[0].split(" 0.")[0] for words in why.moved}
    assert seen > 30 and {"its effect was seen at that visit", "certainty"} <= moved


# ---- Regions


def test_regions_are_held_against_the_others(sample_fleet):
    found = data.apart(EVERYTHING, str(sample_fleet.current()), Filters(), STAGE)
    for _, part in found.groupby("check_id"):
        assert (part["everywhere"] == part["deficient"].sum()).all()
        if part["verified"].sum():
            assert part["of_all"].iloc[0] == pytest.approx(part["deficient"].sum() / part["verified"].sum())
    told = found[found["verified"] > 0]
    share = told["deficient"] / told["verified"]
    assert ((told["low95"] <= share + 1e-6) & (share <= told["high95"] + 1e-6)).all()
    alone = data.apart(EVERYTHING, str(sample_fleet.current()), Filters(region=("Fennick Valley",)), STAGE)
    assert alone["beyond"].isna().all()  # nothing to be held against


def test_a_region_apart_is_filled_named_and_said():
    """60 of 200 beside 10 of 200 in each of three others; all else is alike."""
    rows = [
        {"region": region, "check_id": check, "verified": 200, "deficient": bad, "not_verified": 0}
        for check in ("leak-seen", "vent-cap-tight")
        for region, bad in (
            ("North", 60 if check == "leak-seen" else 9), ("South", 10), ("East", 10), ("", 10)
        )
    ]  # fmt: skip
    asked_of = pd.DataFrame(rows)
    real, regions.shares = regions.shares, lambda *given: asked_of
    limits = {"false_discoveries": 0.05}
    kept, regions.limit = regions.limit, lambda viewer, snapshot, name: limits[name]
    try:
        found = regions.apart(EVERYTHING, None, Filters(), STAGE)
    finally:
        regions.shares, regions.limit = real, kept
    beyond = found[found["beyond"].notna()]
    assert {(one.region, one.check_id, one.beyond) for one in beyond.itertuples()} >= {
        ("North", "leak-seen", "more")
    } and set(beyond["check_id"]) == {"leak-seen"}
    titles = {check.id: check.title for check in CHECKS}
    chart, words = charts.by_region(found, titles, STAGE, lambda check, region: f"homes?{check}&{region}")
    marks = drawn(chart, "apart")
    assert all(one["address"] for one in marks)
    assert any(
        one["name"] == "North" and one["apart"] == "apart from the others beyond chance" for one in marks
    )
    assert "Leak seen on the loop, North: 30 %, 60 of 200 verified" in words
    assert {one["name"] for one in marks} == {"North", "South", "East", "region not recorded"}


def test_the_page_of_regions_keeps_every_share_one_click_below(show, sample_fleet):
    page = fine(show(sample_fleet, "regions"))
    rows = table(page, "Share of verified systems")
    assert len(rows) > 30 and len(links(page, "homes")) > 20


# ---- Files


def test_a_square_for_each_file_hollow_where_nothing_is_used():
    def file(number, agency, day, kept):
        return {
            "export_id": number, "file_name": f"{number}.csv", "agency": agency, "status": "loaded",
            "received_at": datetime.fromisoformat(day), "rows_read": 9, "rows_kept": kept,
        }  # fmt: skip

    found = pd.DataFrame(
        [
            file(1, "Alder", "2026-01-05", 9),
            file(2, "Alder", "2026-01-07", 0),
            file(3, "Birch", "2026-02-02", 9),
        ]
        + [file(number, "Cedar", "2026-02-04", 9) for number in range(4, 11)]
    )
    chart, words = charts.received(found, date(2026, 3, 1), lambda row: f"homes?file={row.export_id}")
    marks = {one["address"]: one for one in drawn(chart, "state")}
    assert marks["homes?file=2"]["state"] != marks["homes?file=1"]["state"]
    assert marks["homes?file=1"]["day"] == marks["homes?file=2"]["day"]  # Monday and Wednesday of one week
    assert marks["homes?file=1"]["at"] != marks["homes?file=2"]["at"]
    assert "of 1 nothing is in force" in words and "Longest without one: Alder, 53 days" in words
    assert len(marks) == 7 and "3 more files of crowded weeks" in words


def test_the_dots_of_a_file_are_what_it_can_answer(sample_fleet):
    found = data.answers(EVERYTHING, str(sample_fleet.current()), Filters())
    chart, words = charts.answered(found, data.names(), lambda file: f"homes?file={file}")
    states = [one["state"] for one in drawn(chart, "state")]
    for state, parts in (
        (file_charts.ANSWERED, [one.answered for one in found]),
        (file_charts.LACKING, [one.lacking for one in found]),
        (file_charts.OTHER, [one.other for one in found]),
    ):
        assert states.count(state) == sum(map(len, parts)) > 0
    assert all(f"{one.file_name}, {len(one.answered)} of {one.checks}" in words for one in found)


def test_a_bad_cell_of_exports_that_grow_is_new_once(tmp_path, show):
    """Three exports, each with the rows of the one before; another bad cell, alike, is a new one."""
    fleet = Fleet(tmp_path / "fleet")
    first = [row(1, cold="soft"), row(2)]
    second = [*first, row(3)]
    for month, rows in enumerate((first, second, [*second, row(4, cold="soft")])):
        door.load(fleet, [write(tmp_path / f"{month}.csv", rows)])
    stages.build(fleet)
    found = files.not_loaded(EVERYTHING, attach(fleet.current()), Filters()).set_index("file_name")
    assert found["times"].to_dict() == {"0.csv": 1, "1.csv": 1, "2.csv": 2}
    assert found["again"].to_dict() == {"0.csv": 0, "1.csv": 1, "2.csv": 1}
    page = fine(show(fleet, "files"))
    assert [one[0] for one in table(page, "Rows, cells and columns not used")[1:]] == ["2.csv", "0.csv"]
    assert "1 line more of what earlier files held already" in text(page)


def test_checks_never_verified_stand_with_the_files(show, sample_fleet):
    page = fine(show(sample_fleet, "files"))
    assert len(table(page, "Homes where a reading was missed")) > 10
    assert "its files lack the columns for" in text(page)


# ---- Checks


def test_checks_are_found_by_words_limits_and_ids(show, sample_fleet):
    for wanted, there, not_there in (
        ("anticipator", "Heat anticipator off", "Leak seen on the loop"),
        ("CUSHION LOST RATIO", "Tank has lost its air cushion", "Leak seen on the loop"),
        ("leak-seen", "Leak seen on the loop", "Tank has lost its air cushion"),
        ("no such thing", "No check answers to it", "Leak seen on the loop"),
    ):
        body = text(fine(show(sample_fleet, "checks", find=wanted)))
        assert there in body and not_there not in body, wanted


CHANGED = (
    "cold_margin_psi", "supply_high_psig", "near_relief_share", "charge_tolerance_psi", "cushion_lost_ratio",
    "limit_overshoot_f", "anticipator_share", "backflow_test_months", "typical_fill_psig", "cold_above_f",
)  # fmt: skip


def test_a_limit_changes_the_checks_it_stands_beside_and_no_other(sample_snapshot, tmp_path):
    """Each limit raised by half: outcomes that change belong to checks that are said to read it."""
    readings = from_arrow(
        sample_snapshot.arrow("SELECT * FROM readings ORDER BY hash(agency, inspection_id) LIMIT 700")
    )

    def outcomes(policy):
        found = results.results(Recomputed(readings, policy.for_rows()))
        return {check: result.outcome for check, result in found.items()}

    before, read = outcomes(shipped_policy()), limits_read.limits_read()
    own = tmp_path / "policy.toml"
    for name in CHANGED:
        own.write_text(f"[limits]\n{name} = {shipped_policy().limits[name].value * 1.5}\n", encoding="utf-8")
        after = outcomes(policies.load(own))
        moved = {check for check in before if (before[check] != after[check]).any()}
        reading = {check for check, one in read.items() if name in one.own + one.through}
        follows = {"passed-but-readings-disagree"}  # reads the other results of the visit
        assert moved and moved - follows <= reading, (name, moved - reading)


def test_every_limit_named_beside_a_check_is_one():
    policy = shipped_policy()
    for check, one in limits_read.limits_read().items():
        assert set(one.own + one.through) <= set(policy.limits) | set(policy.accepted), check
        assert not set(one.own) & set(one.through)
    assert limits_read.limits_read()["supply-pressure-high"].own == ("supply_high_psig",)
