"""A check by month: counts against a loop, limits against print and another library; what happened beside."""

import itertools
import math
import shutil
from collections import Counter
from datetime import date

import numpy as np
import pandas as pd
import pytest
import scipy.stats
from streamlit.testing.v1 import AppTest

from dashboard import audit_words, charts
from dashboard.charts import months
from pipelines.answers import crews, events
from pipelines.answers.access import EVERYTHING, Viewer
from pipelines.answers.over_time import over_time
from pipelines.audit.chance import change_point, count_limits
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from tests import families
from tests.conftest import APP
from tests.inspections import snapshot_of
from tests.test_crews import VENT, visit
from tests.test_dashboard import table, text

ALDER = "Alder County"


# ---- limits


def test_limits_are_those_of_another_library():
    rate, of = np.meshgrid([0.0013, 0.011, 0.053, 0.103, 0.2313, 0.51, 0.8, 0.991], np.arange(1, 300))
    for level in (0.95, 0.998):
        tail = (1 - level) / 2
        fewest, most = count_limits(rate, of, level)
        assert np.array_equal(fewest, scipy.stats.binom.ppf(tail, of, rate))
        assert np.array_equal(most, scipy.stats.binom.ppf(1 - tail, of, rate))
        assert scipy.stats.binom.cdf(fewest - 1, of, rate).max() <= tail
        assert scipy.stats.binom.sf(most, of, rate).max() <= tail
    assert np.isnan(count_limits([0.1, np.nan], [0, 5], 0.95)).all()
    assert [one.tolist() for one in count_limits([0.0, 1.0], [5, 5], 0.998)] == [[0, 5], [0, 5]]


def test_the_cans_of_a_textbook():
    """Montgomery, Introduction to Statistical Quality Control, cans of orange juice, 30 samples of 50.

    From memory. His limits 0.0524 to 0.4102 are three standard errors; he finds samples 15 and 23 beyond.
    """
    cans = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12]
    cans += [7, 13, 9, 6]
    rate = sum(cans) / 1500
    assert round(rate, 4) == 0.2313
    fewest, most = count_limits(rate, [50] * 30, 0.998)
    assert [number for number, bad in enumerate(cans, 1) if bad > most[0] or bad < fewest[0]] == [15, 23]
    assert fewest[0] == 3 and most[0] == 21  # next to 0.0524 and 0.4102 of 50


# ---- a change that stays


def test_a_change_is_as_likely_as_every_way_to_deal_the_bad_ones_says():
    """Of 9 units in months of 2, 3 and 4 any 4 may be bad, each choice as likely; over all of them."""
    of, bad = np.array([2, 3, 4]), (0, 0, 4)

    def told(counts, split):
        total = 0.0
        for part, size in ((counts[:split], of[:split].sum()), (counts[split:], of[split:].sum())):
            share = sum(part) / size
            total += sum(part) * math.log(share) if share else 0.0
            total += (size - sum(part)) * math.log(1 - share) if share < 1 else 0.0
        return total

    months = np.repeat([0, 1, 2], of)
    best = {split: told(bad, split) for split in (1, 2)}
    as_much = 0
    for choice in itertools.combinations(range(9), 4):
        counts = tuple(np.bincount(months[list(choice)], minlength=3).tolist())
        as_much += max(told(counts, 1), told(counts, 2)) >= max(best.values()) - 1e-9
    position, chance = change_point(bad, of, 1)
    assert position == max(best, key=best.get) == 2
    assert chance == pytest.approx(as_much / math.comb(9, 4), abs=0.004)
    assert change_point(bad, of, 6) == (-1, pytest.approx(np.nan, nan_ok=True))
    assert change_point((0, 0, 0), of, 1)[0] == change_point(of, of, 1)[0] == change_point((), (), 1)[0] == -1


@pytest.mark.slow
def test_chance_alone_changes_no_more_often_than_stated():
    random, of = np.random.default_rng(20_260_301), np.full(12, 12)
    called = sum(change_point(random.binomial(of, 0.12), of, 10)[1] <= 0.05 for _ in range(100))
    assert called <= scipy.stats.binom.ppf(0.999, 100, 0.05)
    lasting = np.where(np.arange(12) < 6, 0.02, 0.4)
    found = [change_point(random.binomial(of, lasting), of, 10) for _ in range(50)]
    assert sum(chance <= 0.01 for _, chance in found) >= 49
    assert abs(np.median([position for position, _ in found]) - 6) <= 1


def test_a_lasting_change_is_said_and_drawn(tmp_path):
    """Every month is within its limits; what came to stay in May is not chance."""
    before = {f"2025-{month:02}": (0, 8, 0) for month in range(1, 5)}
    since = {f"2025-{month:02}": (3, 5, 0) for month in range(5, 9)}
    found = over_time(EVERYTHING, months_of(tmp_path, before | since), ALDER, "Crew 1", VENT)
    assert found.changed == pd.Timestamp(2025, 5, 1) and set(found.months["side"]) == {"within"}
    assert audit_words.over_time(found, 10).endswith(
        "so few show only a great change. The share changed with May 2025: 0 of 32 before, 12 of 32 since, "
        "more than chance alone changes in 99 of 100 such series."
    )
    drawn = charts.over_time(found, (), 10, "Vent", ALDER)[0].to_dict()
    shares = [
        [row["rate"] for row in drawn["datasets"][one["data"]["name"]]]
        for one in drawn["layer"]
        if one["mark"]["type"] == "rule"
    ]
    assert shares == [[12 / 64], [0.0, 12 / 32]]


# ---- counts


@pytest.mark.parametrize("check", families.first(2, ["any", VENT, "tank", "precharge-low"]))
def test_counts_are_those_of_a_loop_over_the_units(sample_snapshot, check):
    pairs = sample_snapshot.rows("SELECT DISTINCT agency, crew FROM crew_checks ORDER BY 1, 2")
    every = {}
    for agency, crew in pairs:
        counted = Counter()
        for one in crews.counted_units(EVERYTHING, sample_snapshot, agency, crew, check).itertuples():
            counted[f"{one.final_on:%Y-%m}", one.outcome] += 1
        every[agency, crew] = counted
    chosen = [*pairs, *dict.fromkeys((agency, "") for agency, _ in pairs), ("", "")]
    for agency, crew in chosen:
        expected = sum(
            (
                counted
                for (a, c), counted in every.items()
                if agency in ("", a) and (crew in ("", c) or not agency)
            ),
            Counter(),
        )
        found = over_time(EVERYTHING, sample_snapshot, agency, crew, check)
        seen = Counter()
        for row in found.months.itertuples():
            month = f"{row.month:%Y-%m}"
            ok = row.verified - row.deficient
            seen += Counter(
                {
                    (month, "deficient"): row.deficient,
                    (month, "ok"): ok,
                    (month, "not verified"): row.not_verified,
                }
            )
        assert seen == expected, (agency, crew)
        assert found.deficient == sum(count for (_, one), count in expected.items() if one == "deficient")
    whole = over_time(EVERYTHING, sample_snapshot, "", "", check)
    assert whole.verified > 300
    for row in whole.months.itertuples():
        assert row.most998 == scipy.stats.binom.ppf(0.999, row.verified, whole.rate)
        assert row.fewest95 == scipy.stats.binom.ppf(0.025, row.verified, whole.rate)
        assert (row.side == "above") == (row.deficient > row.most998)


def months_of(tmp_path, months):
    """A snapshot of one crew's finals: month → (deficient, ok, not verified)."""
    rows = []
    for month, counts in months.items():
        for cap, count in zip(("tight", "loose", None), counts, strict=True):
            for _ in range(count):
                number = len(rows) + 1
                rows.append(visit(number, f"H-{number}", f"{month}-15", "final", vent_cap=cap))
    return snapshot_of(tmp_path, rows)


@pytest.fixture(scope="module")
def snapshot(tmp_path_factory):
    """A year with one bad month, one without a final, and one in which nothing could be verified."""
    usual = {f"2025-{month:02}": (1, 11, 0) for month in (1, 2, 3, 4, 6, 7, 8, 9, 10)}
    folder = tmp_path_factory.mktemp("months")
    return months_of(folder, usual | {"2025-11": (0, 0, 4), "2025-12": (9, 3, 1), "2026-01": (0, 5, 0)})


def test_a_month_beyond_chance_a_gap_and_few_units(snapshot):
    found = over_time(EVERYTHING, snapshot, ALDER, "Crew 1", VENT)
    by_month = found.months.set_index(found.months["month"].dt.strftime("%Y-%m"))
    assert len(by_month) == 13 and (found.deficient, found.verified) == (18, 125)
    assert by_month.loc["2025-05", ["verified", "not_verified", "side"]].tolist() == [0, 0, ""]
    assert by_month.loc["2025-11", ["verified", "not_verified", "side"]].tolist() == [0, 4, ""]
    assert np.isnan(by_month.loc["2025-11", "share"]) and np.isnan(by_month.loc["2025-11", "most998"])
    assert by_month["side"].value_counts().to_dict() == {"within": 10, "": 2, "above": 1}
    assert by_month.loc["2025-12", "side"] == "above"
    assert found.changed is None  # one month alone is no lasting change
    most = int(scipy.stats.binom.ppf(0.999, 12, 18 / 125))
    assert audit_words.over_time(found, 10) == (
        "In the long run 14 %, 18 of 125 verified units. 10 of 11 months within what chance gives 998 times "
        f"in 1,000; above it: December 2025 (9 of 12, by chance at most {most}); 1 month with fewer than 10 "
        "verified units, drawn open; 1 month in which units had a final and none could be verified."
    )


def marks(chart, name):
    """Rows of the layer drawn with a kind of mark."""
    drawn = chart.to_dict()
    (layer,) = [one for one in drawn["layer"] if one["mark"]["type"] == name]
    return drawn["datasets"][layer["data"]["name"]]


def test_the_picture_leaves_gaps_and_opens_marks_of_few_units(snapshot):
    found = over_time(EVERYTHING, snapshot, ALDER, "Crew 1", VENT)
    training = events.Event(2, ALDER, "", date(2025, 4, 1), "training", "How a cap is loosened")
    chart, words = charts.over_time(found, (training,), 10, "Vent", ALDER)
    points = marks(chart, "point")
    assert [one["mark"] for one in points] == ["within"] * 9 + ["beyond chance", "few units"]
    runs = Counter(one["run"] for one in points)
    assert list(runs.values()) == [4, 5, 2]
    assert [one["whole"] for one in marks(chart, "text")] == ["training: How a cap is loosened"]
    assert words.startswith("Vent, by month. In the long run 14 %") and words.endswith(
        "Apr 1, 2025, training: How a cap is loosened."
    )


def test_words_of_near_events_stand_in_rows_of_their_own():
    year = (pd.Timestamp(2025, 2, 1), pd.Timestamp(2026, 2, 1))
    near = [
        events.Event(n, ALDER, "", date(2025, 3, n), "staff", "A new inspector begins") for n in range(1, 4)
    ]
    last = events.Event(9, ALDER, "", date(2026, 1, 30), "other", "A truck was stolen")
    rows = months._rows_of_events([*near, last], *year, ALDER)
    assert rows["row"].tolist() == [0, 1, 2, 0] and rows["leftward"].tolist() == [False] * 3 + [True]


def test_where_nothing_could_be_verified_nothing_is_drawn(tmp_path):
    snapshot = months_of(tmp_path, {"2025-03": (0, 0, 2)})
    found = over_time(EVERYTHING, snapshot, ALDER, "Crew 1", VENT)
    assert (found.deficient, found.verified) == (0, 0)
    assert audit_words.over_time(found, 10) == "No unit could be verified in any month."
    nobody = over_time(EVERYTHING, snapshot, ALDER, "Crew 9", VENT)
    assert nobody.months.empty and nobody.verified == 0


def test_a_viewer_counts_their_own_agencies_only(sample_snapshot):
    one = sample_snapshot.rows("SELECT min(agency) FROM crew_units")[0][0]
    viewer = Viewer(agencies=(one.upper(),))
    own = over_time(viewer, sample_snapshot, "", "", "any")
    assert own.verified == over_time(EVERYTHING, sample_snapshot, one, "", "any").verified > 0
    other = sample_snapshot.rows("SELECT max(agency) FROM crew_units")[0][0]
    assert over_time(viewer, sample_snapshot, other, "", "any").months.empty


# ---- events


@pytest.fixture
def fleet(tmp_path):
    return Fleet(tmp_path / "own").create()


def happened(fleet, *lines, headings="agency,day,kind,what,crew"):
    fleet.events.write_text("\n".join([headings, *lines, ""]))


def asked(fleet, snapshot, agency=ALDER, crew="", viewer=EVERYTHING):
    found = events.events(viewer, snapshot, fleet, agency, crew)
    return [one.what for one in found.events], list(found.remarks)


def test_events_stand_with_their_agency_and_their_crew(fleet, snapshot):
    assert asked(fleet, snapshot) == ([], [])
    happened(
        fleet,
        "alder  county,2025-05-02,Training,second,",
        ",2025-05-01,policy,first,",
        "Alder County,2025-06-01,staff,third,crew 1",
        "Elder County,2025-06-01,staff,fourth,",
        "Alder County,2025-06-01,staff,fifth,Crew 11",
    )
    remarks = [
        "events.csv, line 5: agency 'Elder County' matches no inspection.",
        "events.csv, line 6: no final followed work of a crew 'Crew 11' of Alder County.",
    ]
    assert asked(fleet, snapshot) == (["first", "second"], remarks)
    assert asked(fleet, snapshot, crew="Crew 1") == (["first", "second", "third"], remarks)
    assert asked(fleet, snapshot, "") == (["first", "second"], remarks)
    assert asked(fleet, snapshot, "", viewer=Viewer(agencies=("Cedar",))) == (["first"], [])
    happened(fleet, "Alder County,2025-05-02,other,no crew", headings="agency,day,kind,what")
    assert asked(fleet, snapshot, crew="Crew 1") == (["no crew"], [])


@pytest.mark.parametrize(
    "lines, line, said",
    [
        (("Alder County,5/2/2025,training,x,",), 2, "day needs a day .* such as 2026-03-01, not '5/2/2025'"),
        (("Alder County,,training,x,",), 2, "day needs a day"),
        (
            ("Alder County,2025-05-02,policy,x,", "Alder County,2025-05-02,course,x,"),
            3,
            "one of training, staff",
        ),
        (("Alder County,2025-05-02,training, ,",), 2, "what is empty"),
        ((",2025-05-02,training,x,Crew 1",), 2, "crew 'Crew 1' needs its agency"),
        (("Alder County,2025-05-02,training,x,,",), 2, "more cells than there are headings"),
    ],
)
def test_a_line_that_cannot_be_used_is_refused(fleet, snapshot, lines, line, said):
    happened(fleet, *lines)
    with pytest.raises(FleetError, match=rf"events\.csv, line {line}: .*{said}"):
        asked(fleet, snapshot)
    with pytest.raises(FleetError, match=r"^events\.csv has a line that cannot be used: none is shown\.$"):
        asked(fleet, snapshot, viewer=Viewer(agencies=("Cedar",)))


def test_events_stand_on_the_page_as_the_fleet_has_them_now(sample_fleet, monkeypatch, tmp_path):
    """A line that cannot be used is said, and the picture stays."""
    fleet = Fleet(shutil.copytree(sample_fleet.path, tmp_path / "copy"))
    monkeypatch.setenv("COLDFILL_FLEET", str(fleet.path))
    agency = "Tillamere Community Partners"
    happened(fleet, f"{agency},2025-09-15,training,Setting the charge", headings="agency,day,kind,what")
    page = AppTest.from_file(str(APP), default_timeout=60)
    page.switch_page("views/crews.py")
    page.query_params.update({"agency": agency, "of_check": VENT})
    page.run()
    assert "Newer than the snapshot" not in text(page)
    assert f"over time: {agency}" in text(page) and "In the long run " in text(page)
    assert table(page, "What happened in these months: 1 event")[1][:3] == [
        "Sep 15, 2025",
        "training",
        "Setting the charge",
    ]
    rows = table(page, f"By month: Cap of the automatic vent, {agency}")
    assert rows[0][:3] == ["Month", "Verified units", "Deficient"] and rows[1][0] == "April 2025"
    assert len(page.get("vega_lite_chart")) == 2
    happened(fleet, "X,yesterday,training,x", headings="agency,day,kind,what")
    page.run()
    assert "line 2: day needs a day" in text(page) and "In the long run " in text(page)
    assert len(page.get("vega_lite_chart")) == 2
