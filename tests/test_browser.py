"""Every page in a real Chromium: nothing breaks, nothing leaves the machine, all can reach and read it."""

import csv
import io
import os
import re
import shutil
import socket
import subprocess
import sys
import time
import unicodedata
import urllib.request
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest

from dashboard.navigation import VIEWS, address
from pipelines.answers import lists
from pipelines.answers.access import EVERYTHING, Filters
from pipelines.answers.cautions import CAUTIONS
from pipelines.fleet.folder import Fleet
from pipelines.fleet.snapshots import attach

pytestmark = [pytest.mark.browser, pytest.mark.filterwarnings("ignore::ResourceWarning")]
ROOT = Path(__file__).parent.parent
AGENCY = "Tillamere Community Partners"
SIZES = ((1280, 720), (1920, 1080), (900, 900), (390, 844))
LETTER_PX = 741  # what a letter page holds between its margins
SETTLED = '[data-testid="stApp"][data-test-script-state="notRunning"]'
ADDRESSES = {
    view.name: address(view.name, **({"of": AGENCY, "home": "98"} if view.name == "home" else {}))
    for view in VIEWS
}


@contextmanager
def served(fleet):
    """The dashboard of a fleet on a free port of this machine: its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "dashboard.server", "--port", str(port)]
    server = subprocess.Popen(
        command,
        cwd=ROOT,
        env=os.environ | {"COLDFILL_FLEET": str(fleet.path)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        for _ in range(200):
            try:
                urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=1).close()
                break
            except OSError:
                assert server.poll() is None, "the server did not start"
                time.sleep(0.1)
        yield f"http://127.0.0.1:{port}/"
    finally:
        server.terminate()
        server.wait(10)


@pytest.fixture(scope="module")
def samples(sample_fleet):
    with served(sample_fleet) as place:
        yield place


@pytest.fixture(scope="module")
def nothing(empty_fleet):
    with served(empty_fleet) as place:
        yield place


@pytest.fixture
def page(chromium):
    """A page that notes every address it asks for, and fails the test if one is not of this machine."""
    context = chromium.new_context(viewport={"width": 1280, "height": 720}, accept_downloads=True)
    shown = context.new_page()
    asked, broken = set(), []
    shown.on("request", lambda request: asked.add(urlsplit(request.url).hostname))
    shown.on("websocket", lambda socket: asked.add(urlsplit(socket.url).hostname))
    shown.on("pageerror", lambda error: broken.append(str(error)))
    yield shown
    context.close()
    assert asked <= {"127.0.0.1", None}, asked  # None: data inside the page
    assert not broken


def settle(page, title=None):
    """Wait until the page has been drawn whole."""
    page.wait_for_selector("h1" if title is None else f"h1:text-is({title!r})", timeout=30_000)
    page.wait_for_selector(SETTLED, timeout=30_000)
    page.wait_for_timeout(300)
    page.wait_for_selector(SETTLED, timeout=30_000)
    assert page.locator('[data-testid="stException"], [data-testid="stAlert"]').count() == 0


# What stands outside the window and cannot be scrolled to, and what is set one word a line.
CUT = """
(width) => [...document.querySelectorAll("[data-testid=stMain] *")].filter((one) => {
    const { left, right, height } = one.getBoundingClientRect();
    const scrolled = one.parentElement.closest(".scroll");
    if (height < 2 || one.closest("thead, g:not(.role-mark)")) return false;
    if (scrolled?.scrollWidth > scrolled?.clientWidth && getComputedStyle(scrolled).overflowX != "visible")
        return false;
    if (left < -1 || right > width + 1) return true;
    if (!one.matches(".stHtml :is(td, th, dd, p, li):not(.lines)")) return false;
    const words = one.innerText.trim().split(/\\s+/).length;
    const range = document.createRange();
    range.selectNodeContents(one);
    const lines = new Set([...range.getClientRects()].map((box) => Math.round(box.bottom / 8))).size;
    return words > 4 && lines >= words - 1;
}).map((one) => one.outerHTML.slice(0, 200))
"""


def fits(page, width=1280):
    """Nothing is wider than the window, nothing cut, nothing set one word a line."""
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(CUT, width) == []


def accessible(page, width=1280):
    """The page fits, and axe finds nothing.

    But for one mark of Streamlit's own uploader, whose button and input are as they should be.
    """
    from axe_playwright_python.sync_playwright import Axe

    fits(page, width)
    found = Axe().run(page)

    def own(one):
        return one["id"] == "presentation-role-conflict" and all(
            "stFileUploaderDropzone" in node["html"] for node in one["nodes"]
        )

    assert all(map(own, found.response["violations"])), found.generate_report()


def asked(page):
    return parse_qs(urlsplit(page.url).query)


@pytest.mark.parametrize(
    "view",
    [pytest.param(view, marks=() if view.name == "fleet" else pytest.mark.slow) for view in VIEWS],
    ids=lambda view: view.name,
)
def test_a_page_is_whole_fits_and_is_accessible(page, samples, view):
    page.goto(samples + ADDRESSES[view.name])
    settle(page, view.title)
    assert page.get_by_text(CAUTIONS[0]).first.is_visible()
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_timeout(400)
        (fits if width > 1280 else accessible)(page, width)
    page.emulate_media(media="print")
    page.set_viewport_size({"width": LETTER_PX, "height": 900})
    page.wait_for_timeout(400)
    fits(page, LETTER_PX)
    assert page.locator("button:visible, input:visible, nav:visible, [role=combobox]:visible").count() == 0
    assert all(page.get_by_text(one).last.is_visible() for one in CAUTIONS)


@pytest.mark.slow
def test_the_first_page_prints_on_one_sheet_and_a_home_on_two(page, samples, sample_snapshot):
    """The home with most open among those with most visits; what was asked stands on the sheet."""
    from pypdf import PdfReader

    (worst,) = sample_snapshot.rows(
        "SELECT agency, home_id FROM homes ORDER BY visits DESC, open_deficiencies DESC, home_id LIMIT 1"
    )
    home = address("home", of=worst[0], home=worst[1])
    for place, title, said, most in (
        ("", "Fleet", "Newest file and inspection of each agency", 1),
        (address("fleet", agency=AGENCY), "Fleet", f"Agency: {AGENCY}.", 1),
        (home, "One home", "Recomputed quantities", 2),
    ):
        page.goto(samples + place)
        settle(page, title)
        sheets = PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True))).pages
        assert len(sheets) <= most
        assert [round(float(side)) for side in sheets[0].mediabox[2:]] == [612, 792]
        text = unicodedata.normalize("NFKC", "".join(sheet.extract_text() for sheet in sheets))
        for words in (*CAUTIONS, said):
            assert "".join(words.split()) in "".join(text.split())


@pytest.mark.slow
@pytest.mark.parametrize("view", VIEWS, ids=lambda view: view.name)
def test_a_page_of_an_empty_fleet_is_whole(page, nothing, view):
    page.goto(nothing + ADDRESSES[view.name])
    settle(page, view.title)
    assert view.name in ("checks", "returned") or page.get_by_text("coldfill load PATH").is_visible()


@pytest.mark.slow
def test_a_search_leads_to_a_home_and_its_drawing(page, samples):
    page.goto(samples)
    settle(page, "Fleet")
    page.get_by_role("textbox", name="Search").fill("J0098")
    page.keyboard.press("Enter")
    settle(page, "Homes")
    assert asked(page)["search"] == ["J0098"]
    page.get_by_role("link", name="98", exact=True).click()
    settle(page, "One home")
    drawing = page.locator('img[alt^="The loop in words"]')
    assert "Expansion tank: " in drawing.get_attribute("alt")
    assert drawing.evaluate("image => image.complete && image.naturalWidth > 0")
    assert page.get_by_text("from tillamere-community-partners.csv, line").is_visible()


@pytest.mark.slow
def test_what_only_an_address_answers_to_is_not_written_into_the_address_bar(page, samples):
    page.goto(samples + "homes")
    settle(page, "Homes")
    page.get_by_role("textbox", name="Search").fill("Somebody's Lane")
    page.keyboard.press("Enter")
    page.get_by_text("No home fits").wait_for()
    settle(page, "Homes")
    assert asked(page) == {}


def choose(page, label, text):
    page.get_by_role("combobox", name=label).click()
    page.keyboard.type(text)
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    page.wait_for_timeout(500)
    settle(page)


@pytest.mark.slow
def test_filters_go_into_the_address_and_come_back_from_it(page, samples):
    page.goto(samples + "homes")
    settle(page, "Homes")
    choose(page, "Agency", AGENCY)
    choose(page, "Check", "Leaks on the loop")
    choose(page, "Risk", "serious")
    wanted = {"agency": [AGENCY], "check": ["leak-seen"], "risk": ["serious"]}
    assert asked(page) == wanted
    caption = page.locator("caption, .empty").first.inner_text()
    page.goto(page.url)
    settle(page, "Homes")
    assert asked(page) == wanted and page.locator("caption, .empty").first.inner_text() == caption
    page.get_by_role("link", name="Regions", exact=True).click()
    settle(page, "Regions")
    page.wait_for_url("**/regions?agency=*", timeout=10_000)  # written after the page is drawn
    assert asked(page) == {"agency": [AGENCY]}


def test_a_list_is_downloaded_and_reads_back(page, samples, sample_snapshot, tmp_path):
    page.goto(samples + address("homes", agency=AGENCY, risk="high", stage="open after the final"))
    settle(page, "Homes")
    with page.expect_download() as waiting:
        page.get_by_role("button", name="CSV", exact=True).first.click()
    waiting.value.save_as(tmp_path / "list.csv")
    assert (
        waiting.value.suggested_filename
        == f"flagged-{sample_snapshot.name.removesuffix('.duckdb')}-as-of-{date.today().isoformat()}.csv"
    )
    rows = list(csv.DictReader(io.StringIO((tmp_path / "list.csv").read_text(encoding="utf-8"))))
    wanted = lists.flagged(
        EVERYTHING,
        sample_snapshot,
        Filters(agency=(AGENCY,), risk="high", stage=("open after the final",)),
        date.today(),
    ).frame
    assert [(row["home_id"], row["check_id"]) for row in rows] == list(
        zip(wanted["home_id"], wanted["check_id"], strict=True)
    ) and len(rows) > 20


@pytest.mark.slow
def test_a_home_opens_from_the_keyboard(page, samples):
    page.goto(samples + address("homes", agency=AGENCY))
    settle(page, "Homes")
    wanted = page.locator("table tbody th a").first.inner_text()
    for _ in range(80):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.matches('table tbody th a')"):
            break
    page.keyboard.press("Enter")
    settle(page, "One home")
    assert asked(page) == {"of": [AGENCY], "home": [wanted]}


@pytest.mark.slow
def test_a_link_changes_page_and_address_without_a_reload_and_back_brings_both_again(page, samples):
    page.goto(samples + address("homes", agency=AGENCY, check="relief-stained", stage="open after the final"))
    settle(page, "Homes")
    page.evaluate("window.loadedOnce = true")
    before, caption = asked(page), page.locator("caption").first.inner_text()
    home = page.locator("table tbody th a").first
    wanted = home.inner_text()
    home.click()
    settle(page, "One home")
    assert asked(page) == {"of": [AGENCY], "home": [wanted]}
    page.go_back()
    settle(page, "Homes")
    assert asked(page) == before and page.locator("caption").first.inner_text() == caption
    page.get_by_role("link", name="Fleet", exact=True).click()
    settle(page, "Fleet")
    link = page.locator("table a").first
    opened = parse_qs(urlsplit(link.get_attribute("href")).query)
    link.click()
    settle(page, "Homes")
    assert asked(page) == opened  # what was chosen on Homes before does not narrow it
    assert page.evaluate("window.loadedOnce") is True


@pytest.mark.slow
def test_a_mark_of_a_chart_leads_on_without_a_reload_and_opens_a_tab_as_links_do(page, samples):
    page.goto(samples + "risk")
    settle(page, "Risk")
    page.evaluate("window.loadedOnce = true")
    mark = page.locator('[data-testid="stVegaLiteChart"] svg text[aria-label*="homes"]').first
    words = mark.get_attribute("aria-label")
    for button, keys in (("middle", []), ("left", ["ControlOrMeta"])):
        with page.context.expect_page() as opened:
            mark.click(button=button, modifiers=keys)
        settle(opened.value, "Homes")
        there = opened.value.url
        opened.value.close()
        assert urlsplit(page.url).path == "/risk"
    mark.click()
    settle(page, "Homes")
    assert page.url == there and asked(page)["check"] and page.evaluate("window.loadedOnce") is True
    assert f"{words.split()[-2]} homes" in page.locator("caption").first.inner_text()
    page.go_back()
    settle(page, "Risk")
    assert asked(page) == {} and page.evaluate("window.loadedOnce") is True


@pytest.mark.slow
def test_a_link_opens_in_a_new_tab_as_any_other(page, samples):
    page.goto(samples + "homes")
    settle(page, "Homes")
    with page.context.expect_page() as opened:
        page.locator("table tbody th a").first.click(modifiers=["ControlOrMeta"])
    settle(opened.value, "One home")
    assert urlsplit(page.url).path == "/homes"


@pytest.mark.slow
def test_pages_are_turned_in_the_address(page, samples):
    page.goto(samples + "homes?page=2")
    settle(page, "Homes")
    first = page.locator("table tbody th").first.inner_text()
    page.get_by_role("button", name="Page 3", exact=True).click()
    page.wait_for_timeout(500)
    settle(page, "Homes")
    assert asked(page)["page"] == ["3"] and page.locator("table tbody th").first.inner_text() != first


@pytest.mark.slow
def test_another_day_counts_due_dates_anew_and_keeps_the_home(page, samples):
    page.goto(samples + ADDRESSES["home"] + "&as_of=2026-01-02")
    settle(page, "One home")
    before = page.locator("table").first.inner_text()
    page.get_by_role("spinbutton", name="month, Count due dates to").click()
    page.keyboard.press("ArrowUp")
    page.locator("h1").click()
    page.wait_for_timeout(500)
    settle(page, "One home")
    assert asked(page) == {"of": [AGENCY], "home": ["98"], "as_of": ["2026-02-02"]}
    assert page.locator("table").first.inner_text() != before


@pytest.mark.slow
def test_a_chart_is_drawn_and_described(page, samples):
    page.goto(samples + "regions")
    settle(page, "Regions")
    chart = page.locator('[data-testid="stVegaLiteChart"]').last
    chart.scroll_into_view_if_needed()
    page.locator(
        '[data-testid="stVegaLiteChart"] canvas, [data-testid="stVegaLiteChart"] svg'
    ).first.wait_for()
    assert (
        page.locator(
            '[aria-label^="Tank charge against elevation"], [alt^="Tank charge against elevation"]'
        ).count()
        >= 1
    )


@pytest.mark.slow
@pytest.mark.parametrize("view", ["risk", "hold", "regions", "files"])
def test_a_mark_of_a_chart_leads_to_its_homes(page, samples, view):
    page.goto(samples + view)
    settle(page)
    charts = page.locator('[data-testid="stVegaLiteChart"]')
    drawn = page.locator('[data-testid="stVegaLiteChart"] > svg')
    drawn.first.wait_for()
    page.wait_for_timeout(500)
    assert charts.count() == drawn.count() >= 1  # none of them is empty
    marks = page.locator('[data-testid="stVegaLiteChart"]').first.locator(
        '.mark-rect [role="graphics-symbol"], .mark-symbol [role="graphics-symbol"]'
    )
    words = marks.first.get_attribute("aria-label")
    marks.first.click(position={"x": 4, "y": 6})  # beside the number in it, which leads there too
    settle(page, "Homes")
    said = re.search(
        r"([\d,]+) (?:units?|homes?)\b|, ([\d,]+) of [\d,]+ verified|([\d,]+) of [\d,]+ rows", words
    )
    assert said, words
    if view in ("risk", "hold"):
        assert re.search(rf"\b{said[1]} homes?\b", page.locator("caption").first.inner_text()), words


UNKNOWN = "Besuch Nr;Haus;Datum;Kaltdruck (bar);Exp tank;Telephone\n" + "".join(
    f"{number};H-{number};{number + 12}/03/2025;{cold};{tank};555-010-{number:04d}\n"
    for number, cold, tank in ((1, "0,9", "Bladder"), (2, "1,25", "Kessel"), (3, "zwei", "Kessel"))
)


@pytest.mark.slow
def test_an_unknown_export_is_mapped_and_loaded_in_the_browser(page, tmp_path):
    fleet = Fleet(tmp_path / "fleet")
    (tmp_path / "spring.csv").write_text(UNKNOWN, encoding="cp1252")
    with served(fleet) as place:
        page.goto(place)
        page.get_by_role("link", name="Add a file").last.click()
        settle(page, "Add a file")
        page.set_input_files("input[type=file]", tmp_path / "spring.csv")
        page.get_by_text("No mapping fits its headings").wait_for()
        settle(page)
        assert page.get_by_role("button", name="Save the mapping and load the file").is_disabled()
        accessible(page)
        for heading, field in (
            ("Besuch Nr", "inspection id"),
            ("Haus", "home id"),
            ("Datum", "inspected on"),
            ("Kaltdruck (bar)", "cold pressure"),
        ):
            choose(page, f"Field of {heading}", field)
        assert page.get_by_role("combobox", name="Unit of Kaltdruck (bar)").input_value() == "bar"
        assert page.get_by_text("Not a number (1): “zwei”").is_visible()
        choose(page, "“Kessel”, 2 cells", "plain steel")
        choose(page, "Agency", "Rhine Valley Homes")
        accessible(page)
        page.get_by_role("button", name="Save the mapping and load the file").press("Enter")
        page.get_by_role("button", name="Add another file").wait_for(timeout=60_000)
        settle(page)
        assert (
            page.get_by_text("spring.csv: loaded").is_visible()
            and page.get_by_text("Telephone: the heading speaks of a telephone number").is_visible()
        )
        accessible(page)
        page.get_by_role("link", name="Files received").click()
        settle(page, "Files received")
        assert page.locator("table").first.get_by_text("spring.csv").is_visible()
        with page.expect_download() as waiting:
            page.get_by_role("button", name="CSV to mend").click()
        waiting.value.save_as(tmp_path / "mend.csv")
        assert [
            row["Kaltdruck (bar)"]
            for row in csv.DictReader(
                io.StringIO((tmp_path / "mend.csv").read_text(encoding="utf-8-sig")), delimiter=";"
            )
        ] == ["zwei"]
    readings = attach(fleet.current()).rows(
        "SELECT agency, home_id, cold_pressure_psig, tank_type FROM readings ORDER BY home_id"
    )
    assert readings == [
        ("Rhine Valley Homes", "H-1", 13.1, "diaphragm"),
        ("Rhine Valley Homes", "H-2", 18.1, "plain_steel"),
        ("Rhine Valley Homes", "H-3", None, "plain_steel"),
    ]
    assert not list(fleet.path.glob(".uploads/*"))


@pytest.mark.slow
def test_files_are_added_and_a_mapping_changed_with_a_mouse(page, sample_fleet, tmp_path):
    """Several files, one with headings nobody knows; then the number that leads to what came of one."""
    fleet = Fleet(tmp_path / "fleet")
    shutil.copytree(sample_fleet.path, fleet.path)
    there = (ROOT / "sample_exports" / "tillamere-community-partners.csv").read_text().splitlines()
    other = [re.sub(r"^([^,]*),([^,]*),([^,]*)", r"\1,other-\2,other-\3", line) for line in there[1:200]]
    (tmp_path / "other.csv").write_text("\n".join([there[0], *other]))
    (tmp_path / "same.csv").write_text("\n".join(there[:30]))
    (tmp_path / "unknown.csv").write_text("Rec #,Bldg,When,PSI cold\n1,A,3/14/25,12\n2,B,3/15/25,x\n")
    with served(fleet) as place:
        page.goto(place + "add")
        settle(page, "Add a file")
        names = ("other.csv", "same.csv", "unknown.csv")
        page.set_input_files("input[type=file]", [tmp_path / name for name in names])
        page.get_by_text("3 files, if they are loaded now").wait_for()
        settle(page)
        accessible(page)
        page.get_by_role("button", name="Load the 2 files recognized").click()
        page.get_by_text("What each came to").wait_for()
        settle(page)
        assert page.get_by_text("Still lacking").is_visible()  # the third is open below
        accessible(page)
        (first, *_) = page.locator("tr", has_text="other.csv").get_by_role("link").all()
        count = first.inner_text()
        first.click()
        settle(page, "Homes")
        assert asked(page)["first"] == ["true"] and asked(page)["risk"] == ["act today"]
        assert page.get_by_text(f"with {count} open deficienc").is_visible()
        page.goto(place + address("add", mapping="hollin-peaks"))
        settle(page, "Add a file")
        assert page.get_by_text("Nothing is changed yet.").is_visible()
        accessible(page)


@pytest.mark.slow
def test_homes_are_chosen_by_boxes_over_pages_and_their_list_is_downloaded(page, samples, tmp_path):
    """By mouse and by keyboard, without a reload; a click more on a link, and none is chosen any more."""
    page.goto(samples + address("homes", agency=AGENCY, stage="open after the final"))
    settle(page, "Homes")
    page.evaluate("window.loadedOnce = true")
    boxes = page.get_by_role("checkbox", name=re.compile("^choose home "))
    boxes.nth(0).check()
    boxes.nth(2).focus()
    page.keyboard.press("Space")
    page.get_by_text("what is open in 2 chosen homes").wait_for()
    assert page.evaluate("document.activeElement.checked")  # drawn anew, the box keeps the keyboard
    page.get_by_role("button", name="Page 2", exact=True).click()
    page.get_by_text("41 to").wait_for()
    settle(page, "Homes")
    boxes.nth(1).check()
    page.get_by_text("what is open in 3 chosen homes").wait_for()
    chosen = [page.locator("tbody tr").nth(1).locator("th a").inner_text()]
    page.get_by_role("button", name="Page 1", exact=True).click()
    page.get_by_text("1 to 40 of").wait_for()
    settle(page, "Homes")
    assert [box.is_checked() for box in boxes.all()[:4]] == [True, False, True, False]
    chosen += [page.locator("tbody tr").nth(row).locator("th a").inner_text() for row in (0, 2)]
    with page.expect_download() as waiting:
        page.get_by_role("button", name="CSV", exact=True).click()
    waiting.value.save_as(tmp_path / "list.csv")
    rows = csv.DictReader(io.StringIO((tmp_path / "list.csv").read_text(encoding="utf-8")))
    assert {row["home_id"] for row in rows} == set(chosen) and len(set(chosen)) == 3
    page.get_by_role("button", name="Choose none").click()
    page.get_by_text("what is open in these").wait_for()
    assert not any(box.is_checked() for box in boxes.all())
    assert page.evaluate("window.loadedOnce") is True
