"""Clocks laid over a snapshot: what is open, when it must be acted on and corrected, what is late."""

from datetime import date

import pytest

from pipelines.answers.decisions import overlay
from pipelines.engine.policy import policy as policies


def test_what_is_open_is_what_the_long_view_says(sample_snapshot):
    """The overlay reads narrow columns; the view is what others read."""
    names = ("agency", "home_id", "system_id", "check_id", "inspection_id", "state", "stage", "since", "risk")
    view = sample_snapshot.rows(
        f"""
        SELECT {", ".join(names)}
        FROM home_checks
        WHERE state IN ('open', 'recurred', 'repair did not hold')"""
    )
    ours = [
        tuple(row[name] for name in names)
        for row in overlay(sample_snapshot, (), date(2026, 1, 1)).to_pylist()
    ]
    assert sorted(ours) == sorted(view) and len(ours) > 1000


def test_clocks_are_the_policys_days_from_the_first_visit(sample_snapshot):
    clocks = policies.load().clocks
    seen = set()
    for row in overlay(sample_snapshot, (), date(2026, 1, 1)).to_pylist():
        days = clocks[row["risk"]]
        seen.add(row["risk"])
        assert (days is None) == (row["due"] is None) == (row["act_by"] is None)
        if days:
            assert ((row["act_by"] - row["since"]).days, (row["due"] - row["since"]).days) == days
    assert seen == set(clocks)


def test_a_deficiency_is_late_from_the_day_after_it_was_due(sample_snapshot):
    one = next(row for row in overlay(sample_snapshot, (), date.min).to_pylist() if row["due"])
    of_it = (
        "d.agency = ? AND d.home_id = ? AND d.system_id = ? AND d.check_id = ?",
        [one[name] for name in ("agency", "home_id", "system_id", "check_id")],
    )

    def late(day):
        return overlay(sample_snapshot, (), day, *of_it).column("days_late").to_pylist()

    assert one["days_late"] <= 0 and late(one["due"]) == [0]
    assert late(date.fromordinal(one["due"].toordinal() + 1)) == [1]


def test_without_a_clock_nothing_is_ever_late(sample_snapshot):
    far = overlay(sample_snapshot, (), date(2999, 1, 1)).to_pylist()
    assert {row["days_late"] > 0 for row in far if row["risk"] == "low"} == {False} and {
        row["days_late"] > 0 for row in far if row["risk"] != "low"
    } == {True}


def test_a_condition_narrows_over_homes_and_checks(sample_snapshot):
    rows = overlay(
        sample_snapshot,
        (),
        date(2026, 1, 1),
        "h.region = ? AND d.check_id = ?",
        ["Tarn Plateau", "relief-stained"],
    ).to_pylist()
    counted = sample_snapshot.rows(
        """
        SELECT sum(systems)
        FROM tally
        WHERE region = 'Tarn Plateau' AND check_id = 'relief-stained' AND risk IS NOT NULL"""
    )[0][0]
    assert len(rows) == counted > 0 and {row["check_id"] for row in rows} == {"relief-stained"}


def test_decisions_are_refused_rather_than_left_out(sample_snapshot):
    with pytest.raises(ValueError, match="decisions"):
        overlay(sample_snapshot, ({"what": "done"},), date(2026, 1, 1))
