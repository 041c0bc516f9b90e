"""Six squares a home: what each group of checks comes to, against the states of the home's own page."""

from datetime import date

import pytest

from dashboard import wording
from pipelines.answers import homes, one_home
from pipelines.answers.access import EVERYTHING, Filters
from pipelines.answers.outcomes import results
from pipelines.engine.checks import BY_ID, CHECKS
from tests import families

DAY = date(2026, 8, 31)


def told(home, snapshot, group):
    """What one group comes to at a home, looked at one check after the other."""
    if group == "evidence":
        last = {visit.system_id: visit.inspection_id for visit in home.visits}
        found = results(snapshot, "agency = ? AND home_id = ?", [home.agency, home.home_id])
        outcomes = {
            one.outcome for visit in last.values() for one in found[visit] if BY_ID[one.check_id].evidence
        }
        gap, some = False, "not verified" in outcomes
        bad, good = "deficient" in outcomes, "ok" in outcomes
    else:
        checks = [check for check in home.checks if BY_ID[check.check_id].group == group]
        bad = any(check.stage for check in checks)
        gap = any(check.gap_in_safety for check in checks)
        good = any(check.state in ("ok", "corrected") for check in checks)
        some = any(check.state == "not verified" for check in checks)
    return (
        "deficient"
        if bad
        else "not verified"
        if gap
        else "ok"
        if good
        else "not verified"
        if some
        else "nothing to check"
    )


@pytest.mark.parametrize("sort", families.first(1, ["risk", "-safety_not_verified", "home_id"]))
def test_squares_say_what_the_homes_own_pages_say(sample_snapshot, sort):
    page = homes.homes_page(EVERYTHING, sample_snapshot, Filters(), "", DAY, sort, 1)
    seen = set()
    for row in page.head(12).itertuples():
        home = one_home.home(EVERYTHING, sample_snapshot, row.agency, row.home_id, DAY)
        for group in homes.GROUPS:
            assert getattr(row, group) == told(home, sample_snapshot, group), (row.home_id, group)
            seen.add(getattr(row, group))
        assert len(list(wording.squares(row))) == 6
    assert "deficient" in seen or sort == "home_id"


def test_every_group_has_its_square_and_its_words():
    assert tuple(wording.GROUPS) == homes.GROUPS == tuple(dict.fromkeys(check.group for check in CHECKS))


def test_days_late_are_those_of_the_latest_deficiency(sample_snapshot):
    page = homes.homes_page(EVERYTHING, sample_snapshot, Filters(), "", DAY, "-days_late", 1)
    late = []
    for row in page.head(15).itertuples():
        home = one_home.home(EVERYTHING, sample_snapshot, row.agency, row.home_id, DAY)
        late.append(max((DAY - check.due).days for check in home.checks if check.due))
    assert late == sorted(late, reverse=True) and late[0] > 300
