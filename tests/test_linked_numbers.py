"""Every number that leads somewhere leads to as many: on the samples, and on a fleet of random homes."""

import os
import random
import re
from collections import defaultdict
from datetime import date
from html import unescape
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest

from dashboard.navigation import VIEWS
from pipelines.fleet.folder import Fleet
from pipelines.receiving import door
from pipelines.snapshot import stages
from tests import simulated
from tests.test_browser import served, settle
from tests.test_dashboard import fine, html

FULL = os.environ.get("COLDFILL_FULL") == "1"
SOME = 25  # numbers of a page that are followed; in full all of them
DAY = date(2026, 3, 1)
AGENCY = "Tillamere Community Partners"
COUNTED = re.compile(r"\s*([\d,]+)(?: in ([\d,]+))?(?: (?:homes?|of [\d,]+|\s*open))?\s*")
SHOWN = re.compile(
    r"<caption>(?:[\d,]+ to [\d,]+ of )?([\d,]+) (?:homes?|units?|files?)"
    r"(?: with ([\d,]+) open deficienc\w+)?"
)
TABLES = re.compile(r"<table[^>]*>.*?</table>", re.S)
LINKS = re.compile(r'<a href="([^"]*)">(.*?)</a>', re.S)


@pytest.fixture(scope="module")
def random_homes(tmp_path_factory):
    """A fleet of about 300 random homes of six agencies, in two files."""
    folder = tmp_path_factory.mktemp("random")
    fleet = Fleet(folder / "fleet").create()
    simulated.write(folder / "random.csv", 600, seed=26)
    whole = (folder / "random.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    for number in range(2):
        (folder / f"{number}.csv").write_text("".join([whole[0], *whole[1 + number :: 2]]), encoding="utf-8")
        door.load(fleet, [folder / f"{number}.csv"])
    stages.build(fleet)
    return fleet


def numbers_that_lead_on(body):
    """(what an address asks, its page, the number, the number of homes beside it) of linked numbers."""
    for place, words in sorted(set(LINKS.findall(body))):
        parts = urlsplit(unescape(place))
        counted = COUNTED.fullmatch(re.sub(r"<[^>]+>", " ", words))
        if counted and parts.path in ("homes", "hold", "files", "crews", "sample"):
            yield parse_qs(parts.query), parts.path, counted[1], counted[2]


def differs(number, homes, body):
    """What the page behind a number shows instead of it; None where it shows as many."""
    found = SHOWN.search(body)
    if number == "0":
        return found and found.groups() or (None if 'class="empty"' in body else "nothing said")
    if not found:
        return "nothing"
    return None if (found[2] or found[1]) == number and homes in (None, found[1]) else found.groups()


PAGES = [
    *((view.name, {}) for view in VIEWS if view.listed and view.name != "add"),
    ("fleet", {"agency": AGENCY}),
    ("fleet", {"crew": "not recorded"}),
    ("hold", {"stage": "open after the final"}),
    ("risk", {"agency": AGENCY, "at": "waiting for work"}),
    ("crews", {"agency": AGENCY, "crew": "Thistledown Loop Works"}),
]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("homes", "view", "narrowed"),
    [
        *(("sample_fleet", *page) for page in PAGES),
        *(("random_homes", view, asked) for view, asked in PAGES if "agency" not in asked),
    ],
)
def test_every_number_leads_to_as_many(show, request, homes, view, narrowed):
    fleet = request.getfixturevalue(homes)
    page = show(fleet, view, as_of=DAY.isoformat(), **narrowed)
    wrong, leading = [], [*numbers_that_lead_on(html(page))]
    count = len(leading)
    for asked, path, number, beside in (
        leading if FULL or count <= SOME else random.Random(26).sample(leading, SOME)
    ):
        if instead := differs(number, beside, html(fine(show(fleet, path, **asked)))):
            wrong.append((path, asked, number, beside, instead))
    assert not wrong and count >= (
        {"fleet": 30, "files": 30, "regions": 20, "risk": 20}.get(view, 0) if not narrowed else 5
    ), wrong


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.parametrize(
    "homes",
    [
        "sample_fleet",
        pytest.param("random_homes", marks=pytest.mark.skipif(not FULL, reason="COLDFILL_FULL=1 runs it")),
    ],
)
def test_numbers_lead_to_as_many_in_a_browser(chromium, request, homes):
    """In Chromium: of every column of five pages one linked number, and all of all pages in full."""
    luck = random.Random(26)
    context = chromium.new_context(viewport={"width": 1280, "height": 720})
    shown = context.new_page()
    wrong, count = [], 0
    with served(request.getfixturevalue(homes)) as place:

        def body(path, asked):
            shown.goto(f"{place}{path}?{urlencode(asked, doseq=True)}")
            settle(shown)
            return "".join(part.inner_html() for part in shown.locator('[data-testid="stHtml"]').all())

        views = [one for one in VIEWS if one.listed and one.name != "add"]
        for view in views if FULL else luck.sample(views, 5):
            columns = defaultdict(list)
            for table in TABLES.findall(body("" if view.name == "fleet" else view.name, {"as_of": DAY})):
                for row in re.findall(r"<tr>(.*?)</tr>", table, re.S):
                    for position, cell in enumerate(re.findall(r"<t[dh].*?</t[dh]>", row, re.S)):
                        columns[table[:200], position] += numbers_that_lead_on(cell)
            for numbers in columns.values():
                for asked, path, number, beside in (
                    numbers if FULL else luck.sample(numbers, len(numbers) > 0)
                ):
                    count += 1
                    if instead := differs(number, beside, body(path, asked)):
                        wrong.append((view.name, path, asked, number, beside, instead))
    context.close()
    assert not wrong and count >= (25 if FULL else 8), (count, wrong)
