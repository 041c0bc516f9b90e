"""The pictures of the first page: each part opens the homes it counts, and months add up to what is open."""

from datetime import date

import pytest

from dashboard import charts
from pipelines.answers import files, homes, waiting
from pipelines.answers.access import EVERYTHING, Filters
from pipelines.engine.policy.policy import LEVELS

DAY = date(2026, 8, 31)
ONE_AGENCY = Filters(agency=("Tillamere Community Partners",))


@pytest.mark.parametrize("chosen", [Filters(), ONE_AGENCY], ids=["all", "one agency"])
def test_each_part_of_a_bar_opens_as_many_homes_as_it_counts(sample_snapshot, chosen):
    found = waiting.by_gravest(EVERYTHING, sample_snapshot, chosen)
    assert len(found) > 10
    for row in found.itertuples():
        only = waiting.gravest(row.risk, row.stage)
        assert homes.homes_count(EVERYTHING, sample_snapshot, chosen, only, DAY) == row.homes
    whole = found.groupby("risk")["homes"].sum()
    for risk, count in whole.items():
        only = waiting.gravest(str(risk))
        assert homes.homes_count(EVERYTHING, sample_snapshot, chosen, only, DAY) == count
    open_homes = homes.homes_count(EVERYTHING, sample_snapshot, chosen, "", DAY) - homes.homes_count(
        EVERYTHING, sample_snapshot, chosen, "none-found", DAY
    )
    assert whole.sum() <= open_homes


def test_months_end_with_what_is_open_and_each_follows_from_the_one_before(sample_snapshot):
    for chosen, condition in ((Filters(), "true"), (ONE_AGENCY, f"agency = '{ONE_AGENCY.agency[0]}'")):
        found = waiting.by_month(EVERYTHING, sample_snapshot, chosen)
        still_open = sample_snapshot.rows(f"SELECT count(*) FROM opened WHERE {condition}")[0][0]
        assert found["open_at_end"].iloc[-1] == still_open > 0
        steps = found["found"] - found["corrected"] - found["no_longer_applies"]
        assert (steps.cumsum() == found["open_at_end"]).all()
        newest = sample_snapshot.rows("SELECT max(last_inspected_on) FROM homes")[0][0]
        assert found["month"].iloc[-1].date() == newest.replace(day=1)
        assert (
            len(found)
            == (found["month"].iloc[-1].to_period("M") - found["month"].iloc[0].to_period("M")).n + 1
        )


def test_what_is_open_was_found_when_its_episode_began(sample_snapshot):
    """One episode stands open for each row of `opened`, since the same day; none ends before it began."""
    apart = sample_snapshot.rows("""
        SELECT count(*)
        FROM (SELECT * FROM episodes WHERE closed_on IS NULL) AS e
        FULL JOIN opened AS o USING (agency, home_id, system_id, check_id)
        WHERE e.found_on IS DISTINCT FROM o.since""")
    assert apart == [(0,)]
    assert sample_snapshot.rows("SELECT count(*) FROM episodes WHERE closed_on < found_on") == [(0,)]
    corrected, checks = sample_snapshot.rows("""
        SELECT (SELECT count(DISTINCT (agency, home_id, system_id, check_id)) FROM episodes WHERE corrected),
               (SELECT count(*) FROM home_checks WHERE state = 'corrected')""")[0]
    assert corrected >= checks > 500


def test_the_pictures_say_what_they_draw(sample_snapshot):
    found = waiting.by_gravest(EVERYTHING, sample_snapshot, Filters())
    chart, words = charts.by_gravest(found, LEVELS, lambda *asked: "-".join(asked))
    first = found.iloc[0]
    assert f"{first['homes']} {first['stage']}" in words and chart.to_dict()
    months = waiting.by_month(EVERYTHING, sample_snapshot, Filters())
    chart, words = charts.by_month(months, date(2026, 8, 31))
    step = months["open_at_end"].iloc[-1] - months["open_at_end"].iloc[-2]
    assert f"{abs(step)} {'more' if step > 0 else 'fewer'} than a month before" in words and chart.to_dict()
    agencies = files.agencies(EVERYTHING, sample_snapshot, Filters(), date(2027, 8, 31))
    chart, words = charts.agencies(agencies, date(2027, 8, 31), 45, lambda agency: agency)
    assert all(agency in words for agency in agencies["agency"]) and chart.to_dict()
