"""Every text of a file is shown as text: markup, math, controls and 3,000 letters, page by page."""

import csv
import json
import os
import re
import subprocess
import sys
from contextlib import suppress
from datetime import timedelta
from types import SimpleNamespace

import pytest

from dashboard.navigation import VIEWS, address
from pipelines.answers.access import EVERYTHING
from pipelines.answers.one_home import home
from pipelines.answers.one_inspection import inspection as inspection_of
from pipelines.fields import FIELDS, TEXT, WORD, WORDS
from pipelines.fleet.folder import Fleet
from pipelines.fleet.snapshots import attach
from pipelines.receiving import door
from pipelines.snapshot import stages
from tests.inspections import SOUND
from tests.small_exports import cell, fed, row, write
from tests.test_browser import ROOT, SETTLED, served

pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")
WIDTH = 1280
# Whatever asks for an address with this word in it was made from a text of a file.
BAIT = "pixel"
MARKUP = (
    "<img src=http://192.0.2.1/pixel-{0}.png onerror=alert(1)><script>window.ran=1</script><b>bold-{0}</b> "
    "![x](http://192.0.2.1/pixel-{0}.png) [a](javascript:pixel) [b](http://192.0.2.1/pixel) "
    "http://192.0.2.1/pixel www.pixel.example a@pixel.example $x^2$ $$y$$ :material/home: :red[red-{0}] "
    ":blue-badge[b] :smile: **strong-{0}** _em-{0}_ `code-{0}` ~~gone~~ a -> b -- c & &lt; \\* {{0}} 5% {0}"
)
CONTROLS = "\x1b[31mred\x1b]0;title\x07 \u202eesrever\u200b\u2066iso\x7f\x85 {0}"
# Controls that are no control bytes: rows with these are loaded.
TURNED = "\u202eesrever\u200b\u2066iso\u200f\u2028\x85 {0}"
LONG = "W" * 3000
# No slash, which no file name holds: what is made of it would be fetched from the server itself.
FILE_NAME = "<img src=pixel.png> ![x](pixel.png) $x$ :red[r] :smile: **b** \x1b[31m\u202evsc.csv"
UNKNOWN_FILE_NAME = "![y](pixel.png) <script>window.ran=1<script> :material{home} unknown.csv"

# Elements of a page that Markdown or HTML would have made of the texts above, each in a few words.
MADE = """() => {
  const found = [];
  const say = (what, one) => found.push(`${what}: ${(one.outerHTML || one).slice(0, 200)}`);
  const all = (selector) => document.querySelectorAll(selector);
  for (const one of all('img, iframe, object, embed, video, audio, source, svg image'))
    if (/pixel|192\\.0\\.2/.test(one.src || one.href || one.data || '')) say('fetches', one);
  for (const one of all('a'))
    if (/^javascript:|^mailto:|^https?:\\/\\/([^/]*pixel|192\\.0\\.2)/.test(one.getAttribute('href')))
      say('link', one);
  for (const one of all('script')) if (/window\\.ran/.test(one.textContent)) say('script', one);
  for (const one of all('b, strong, em, i, code, del, h1, h2, h3, h4'))
    if (/^(bold|strong|em|code)-|^gone$|^b$/.test(one.textContent.trim())) say('emphasis', one);
  for (const one of all('.katex, .stMarkdownColoredText, .stMarkdownBadge, .stMarkdownColoredBackground'))
    say('markdown', one);
  for (const one of all('[data-testid="stIconMaterial"], [role="img"][aria-label="home icon"]'))
    if (/^home$/.test(one.textContent.trim())) say('icon', one);
  if (window.ran) say('ran', 'a script');
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const text = walk.currentNode.textContent;
    if (/\\u{1F604}|\\u{1F603}|a → b/u.test(text)) say('replaced', text);
  }
  return found;
}"""
# Where a page scrolls sideways, and columns that long texts push out of a table's sight.
WIDE = """(width) => {
  const found = [];
  const main = document.querySelector('[data-testid="stMain"]');
  for (const [name, one] of [['page', document.documentElement], ['main', main],
                             ['sidebar', document.querySelector('[data-testid="stSidebarContent"]')]])
    if (one && one.scrollWidth > Math.min(one.clientWidth, width) + 1)
      found.push(`${name} scrolls sideways: ${one.scrollWidth}`);
  for (const box of document.querySelectorAll('.scroll')) {
    if (!box.offsetWidth) continue;
    if (box.getBoundingClientRect().right > width + 1) found.push('a table leaves the page');
    if (box.scrollWidth <= box.clientWidth) continue;
    for (const cell of box.querySelectorAll('th, td'))
      if (cell.offsetWidth > 440)
        found.push(`${cell.offsetWidth} of ${box.clientWidth} px: ${cell.textContent.slice(0, 40)}`);
  }
  for (const one of document.querySelectorAll('[data-testid="stHtml"] p, li, dd, summary, h2, h3'))
    if (one.offsetWidth && one.getBoundingClientRect().right > width + 1)
      found.push(`leaves the page: ${one.textContent.slice(0, 60)}`);
  return found;
}"""


def hostile(of):
    return MARKUP.replace("{0}", of)


def headings_of(fields):
    return {field.name: hostile(f"heading-{field.name}") for field in fields}


def said(value):
    return f"{value:g}" if isinstance(value, float) else "" if value is None else str(value)


def inspection(number, texts, **more):
    """A sound loop under final inspection, of which every field of text says `texts(name of the field)`."""
    own = {field.name: texts(field.name) for field in FIELDS if field.kind == TEXT}
    return {**SOUND, **own, "inspection_id": f"{number} {texts('inspection_id')}", **more}


def rows():
    """Inspections with a few deficiencies, whose texts are hostile one way or another."""
    open_now = dict(cold_pressure_psig=3.0, leaks_seen="dripping", relief_discharge_end="none")
    day = SOUND["inspected_on"]
    words = {field.name: hostile(field.name) for field in FIELDS if field.kind in (WORD, WORDS)}
    found = [
        inspection(1, hostile, **open_now, system_id=""),
        inspection(2, hostile, inspection_kind="initial", inspected_on=day - timedelta(99), system_id=""),
        inspection(3, lambda name: LONG, **open_now, system_id=""),
        inspection(4, lambda name: CONTROLS.replace("{0}", name), **open_now, system_id=""),
        inspection(8, lambda name: TURNED.replace("{0}", name), **open_now, system_id=""),
        inspection(5, hostile, **words, system_id="", home_id="5 " + hostile("words")),
        inspection(6, hostile, inspected_on=hostile("no day")),
        inspection(
            7, hostile, home_id=hostile("home_id").replace("bold", "BOLD"), cold_pressure_psig=hostile("cold")
        ),
    ]
    return [{field.name: said(one.get(field.name)) for field in FIELDS} for one in found]


def export(headings, records, more=()):
    """CSV text: one column a field under its heading, then (heading, cell) that no field uses."""
    lines = [[*headings.values(), *(heading for heading, _ in more)]]
    lines += [[*(one[name] for name in headings), *(text for _, text in more)] for one in records]
    return "\n".join(",".join(cell(text) for text in line) for line in lines) + "\n"


def mapping(headings, carried):
    """A mapping that knows the hostile headings."""
    columns = [f"[columns.{json.dumps(heading)}]\nfield = '{name}'\n" for name, heading in headings.items()]
    return f"carry = [{json.dumps(carried)}]\n" + "".join(columns)


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    """A fleet whose every text is hostile: names of files, headings, words, ids, agencies, crews, regions."""
    folder = tmp_path_factory.mktemp("hostile")
    fleet = Fleet(folder / "fleet").create()
    headings, carried = headings_of(FIELDS), hostile("carried")
    (fleet.path / "mappings").mkdir(exist_ok=True)
    (fleet.path / "mappings" / "hostile.toml").write_text(mapping(headings, carried), encoding="utf-8")
    more = [
        (carried, hostile("cell")),
        (hostile("unused"), hostile("unused cell")),
        ("Telephone " + hostile("telephone"), "555-010-0001"),
    ]
    (folder / FILE_NAME).write_text(export(headings, rows(), more), encoding="utf-8")
    arrivals = door.load(fleet, [folder / FILE_NAME])
    assert [one.status for one in arrivals] == ["loaded"], arrivals
    stages.build(fleet)
    return SimpleNamespace(path=fleet.path, fleet=fleet, file=folder / FILE_NAME, folder=folder)


@pytest.fixture(scope="module")
def site(fleet):
    with served(fleet) as place:
        yield place


@pytest.fixture
def page(chromium, site):
    """A page that asks its own server only, and fails the test at anything a file's text asked for."""
    context = chromium.new_context(viewport={"width": WIDTH, "height": 900}, accept_downloads=True)
    asked, broken = [], []
    context.route(lambda url: not url.startswith((site, "data:", "blob:")), lambda route: route.abort())
    context.on("request", lambda request: asked.append(request.url))
    context.add_init_script(
        "addEventListener('securitypolicyviolation', one => console.error('refused ' + one.blockedURI))"
    )
    shown = context.new_page()
    shown.on("websocket", lambda socket: asked.append(socket.url))
    shown.on("pageerror", lambda error: broken.append(str(error)))
    shown.on("dialog", lambda dialog: (broken.append(dialog.message), dialog.dismiss()))
    shown.on("console", lambda said: broken.append(said.text) if said.text.startswith("refused") else None)
    yield shown
    context.close()
    own = (site, site.replace("http", "ws", 1), "data:", "blob:")
    assert [url for url in asked if not url.startswith(own) or BAIT in url.split("?")[0]] == []
    assert not broken


def settle(page):
    page.wait_for_selector("h1", timeout=30_000)
    for _ in range(2):
        page.wait_for_selector(SETTLED, timeout=30_000)
        page.wait_for_timeout(250)


def opened(page):
    """Open what is folded, and every list of choices and help there is."""
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    for one in page.locator('[data-testid="stExpander"] summary, [data-testid="stPopover"] button').all():
        if one.is_visible() and one.is_enabled():
            one.click()
            page.wait_for_timeout(150)
            faultless(page)
            page.keyboard.press("Escape")
    helped = '[data-testid="stTooltipHoverTarget"], [data-testid="stTooltipIcon"]'
    for one in page.locator(helped).all():
        # Above a chart stand Streamlit's own buttons, which come only with the pointer.
        if one.is_visible() and not one.evaluate("one => one.closest('[data-testid=stElementToolbar]')"):
            one.hover()
            page.wait_for_timeout(120)
            assert page.evaluate(MADE) == []
    for one in page.locator('[role="combobox"]').all()[:12]:
        if one.is_visible() and one.is_enabled():
            one.click()
            page.wait_for_timeout(120)
            assert page.evaluate(MADE) == []
            page.keyboard.press("Escape")
    page.mouse.move(5, 5)


def faultless(page):
    assert page.locator('[data-testid="stException"]').count() == 0
    assert page.evaluate(MADE) == []
    assert page.evaluate(WIDE, WIDTH) == []


def inspect(page):
    settle(page)
    faultless(page)
    opened(page)
    faultless(page)


def homes_of(fleet):
    return attach(fleet.fleet.current()).rows("SELECT agency, home_id FROM homes ORDER BY agency, home_id")


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.parametrize("view", [view for view in VIEWS if view.listed], ids=lambda view: view.name)
def test_a_page_shows_the_texts_of_a_file_as_texts(page, site, view):
    page.goto(site + address(view.name))
    inspect(page)
    assert page.get_by_text("<b>bold-").count() > 0 or view.name in (
        "add",
        "checks",
        "risk",
        "whatif",
        "returned",
        "changes",
    )


@pytest.mark.slow
@pytest.mark.browser
def test_a_home_shows_the_texts_of_a_file_as_texts(page, site, fleet):
    for agency, home_id in homes_of(fleet):
        page.goto(site + address("home", of=agency, home=home_id))
        inspect(page)
        assert page.locator(".notice[role=alert]").count() == 0
        assert page.locator("h2.over").inner_text()


def test_a_home_and_an_inspection_open_by_their_ids_blanks_and_all(tmp_path):
    """Ids are kept as written; with fewer blanks they are found where nothing else is so called."""
    ids = ("A 1", "A  1", "B\u2003\u20281", "C\xa01", "D 1")
    path = write(tmp_path / "blanks.csv", [row(f"V {one}", home=one) for one in ids])
    _, snapshot = fed(Fleet(tmp_path / "fleet").create(), path)
    for one in ids:
        assert home(EVERYTHING, snapshot, "Alder County", one).home_id == one
        assert inspection_of(EVERYTHING, snapshot, "Alder County", f"V {one}").inspection_id == f"V {one}"
    assert home(EVERYTHING, snapshot, "Alder County", " D  1").home_id == "D 1"
    assert inspection_of(EVERYTHING, snapshot, "Alder County", "V  D 1 ").inspection_id == "V D 1"


@pytest.mark.slow
@pytest.mark.browser
def test_what_an_address_says_is_shown_as_text(page, site, fleet):
    agency, _ = homes_of(fleet)[0]
    crew, region = attach(fleet.fleet.current()).rows(
        "SELECT crew, region FROM readings WHERE inspection_id LIKE '1 %'"
    )[0]
    for where in (
        address("homes", search=hostile("search"), region=hostile("nowhere"), agency=hostile("nobody")),
        address("homes", agency=agency, region=region, crew=crew),
        address("crews", agency=agency, crew=crew),
        address("home", of=hostile("nobody"), home=hostile("none")),
    ):
        page.goto(site + where)
        inspect(page)


@pytest.mark.slow
@pytest.mark.browser
def test_links_lead_on_with_hostile_names_and_all(page, site):
    """From the first page, two links deep: every address is one of the pages, and each page is whole."""
    seen, waiting = set(), [address("fleet")]
    while waiting and len(seen) < 14:
        here = waiting.pop(0)
        page.goto(site + here.removeprefix("./"))
        settle(page)
        faultless(page)
        assert page.locator(".notice[role=alert]").count() == 0, here[:300]
        seen.add(here)
        found = page.eval_on_selector_all(
            "[data-testid=stHtml] a", "all => all.map(one => one.getAttribute('href'))"
        )
        names = {view.name for view in VIEWS} | {"."}
        assert {re.split(r"[?]", href)[0].removeprefix("./") for href in found} <= names | {""}
        kinds = {
            href.split("?")[0] + "".join(sorted(re.findall(r"[?&](\w+)=", href))): href for href in found
        }
        known = {
            href.split("?")[0] + "".join(sorted(re.findall(r"[?&](\w+)=", href)))
            for href in (*seen, *waiting)
        }
        waiting += [href for kind, href in kinds.items() if kind not in known]


@pytest.mark.slow
@pytest.mark.browser
def test_an_unknown_hostile_file_is_shown_and_mapped_as_text(page, site):
    headings = headings_of(FIELDS[:14])
    text = export(
        headings,
        rows()[:5],
        [("Telephone " + hostile("phone"), "555-010-0001"), ("Tank type?", hostile("w"))],
    )
    page.goto(site + "add")
    settle(page)
    page.set_input_files(
        "input[type=file]", {"name": UNKNOWN_FILE_NAME, "mimeType": "text/csv", "buffer": text.encode()}
    )
    page.get_by_text("What each column is").wait_for()
    inspect(page)


@pytest.mark.slow
@pytest.mark.browser
def test_a_hostile_file_is_recognized_and_loaded_as_text(page, site, fleet):
    headings = headings_of(FIELDS)
    text = export(headings, rows()[:2] + rows()[4:5], [(hostile("carried"), "again")])
    page.goto(site + "add")
    settle(page)
    page.set_input_files(
        "input[type=file]", {"name": "again " + FILE_NAME, "mimeType": "text/csv", "buffer": text.encode()}
    )
    page.get_by_text("The headings are those of mapping").wait_for()
    inspect(page)
    page.get_by_role("button", name="Load the file").click()
    for _ in range(20):
        assert page.evaluate(MADE) == []
        page.wait_for_timeout(100)
    page.get_by_role("button", name="Add another file").wait_for(timeout=60_000)
    inspect(page)


CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")


def printed(*words, fleet):
    """All that a command writes to a terminal, which shows no progress."""
    ours, theirs = os.openpty()
    command = [sys.executable, "-m", "pipelines.cli", *map(str, words), "--fleet", str(fleet)]
    asked = os.environ | {"PYTHONIOENCODING": "utf-8", "TERM": "dumb", "NO_COLOR": "1"}
    with subprocess.Popen(command, cwd=ROOT, stdout=theirs, stderr=theirs, env=asked):
        os.close(theirs)
        found = b""
        # The other end is closed, which is an error here, when the command has ended.
        with suppress(OSError):
            while block := os.read(ours, 65536):
                found += block
    os.close(ours)
    return found.decode().replace("\r\n", "\n")


@pytest.mark.slow
@pytest.mark.parametrize("ending", ["", "--json"], ids=["lines", "json"])
def test_commands_print_names_without_control_characters(fleet, tmp_path, ending):
    more = [ending] if ending else []
    bad = fleet.folder / ("![x](pixel.png)\x1b]0;title\x07\u202e.csv")
    bad.write_bytes(b"PK\x03\x04" + bytes(99))
    for words in (
        ["load", fleet.file, bad, "--preview", *more],
        ["load", fleet.file, bad, *more],
        ["status", *more],
        ["rebuild", *more],
        ["verify", *more],
        ["explain", hostile("agency"), hostile("none"), *more],
    ):
        found = printed(*words, fleet=fleet.path)
        assert found and CONTROL.findall(found) == [], (words[0], found[:3000])
        assert "Traceback" not in found


def test_a_draft_of_a_mapping_and_an_explanation_are_printed_without_control_characters(fleet):
    odd = fleet.folder / "odd \x1b[31m.csv"
    odd.write_text(export({"home_id": "home\x1b[31m \u202e"}, rows()[:3]), encoding="utf-8")
    assert CONTROL.findall(printed("map", odd, fleet=fleet.path)) == []
    controls = attach(fleet.fleet.current()).rows(
        "SELECT agency, inspection_id FROM readings WHERE inspection_id LIKE '8 %'"
    )
    assert len(controls) == 1
    found = printed("explain", *controls[0], fleet=fleet.path)
    assert found and CONTROL.findall(found) == []


def test_a_list_says_the_texts_as_they_were(fleet, tmp_path):
    assert "rows" in printed("flagged", "--out", tmp_path / "list.csv", fleet=fleet.path)
    with open(tmp_path / "list.csv", encoding="utf-8-sig", newline="") as file:
        found = list(csv.DictReader(file))
    assert {hostile("home_id"), LONG} <= {one["home_id"] for one in found}
