"""Every page through Streamlit's own test harness: on the samples, on an empty fleet, and without a fleet."""

import csv
import io
import json
import os
import re
import shutil
import tomllib
from datetime import date
from html import unescape
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import openpyxl
import pandas as pd
import pyarrow.parquet
import pytest
import streamlit as st
from streamlit import config

from dashboard import charts, data, downloads, navigation, schematic, wording
from dashboard.markup import as_label
from dashboard.navigation import VIEWS
from pipelines.answers import formats, lists
from pipelines.answers.access import EVERYTHING, Filters, NotFound, Viewer
from pipelines.answers.cautions import CAUTIONS
from pipelines.answers.waiting import DEFICIENCIES, ON_FIRST_PAGE
from pipelines.engine.checks import HOME_CHECKS
from pipelines.fields import BY_NAME
from pipelines.fleet.folder import Fleet
from pipelines.receiving import door
from pipelines.snapshot import stages

ROOT = Path(__file__).parent.parent
SETTINGS = tomllib.loads((ROOT / "dashboard" / ".streamlit" / "config.toml").read_text(encoding="utf-8"))
FULL = os.environ.get("COLDFILL_FULL") == "1"
DAY = date(2026, 3, 1)
AGENCY = "Tillamere Community Partners"
ROWS = re.compile(r"<tr>(.*?)</tr>", re.S)
CELLS = re.compile(r"<(?:td|th)[^>]*>(.*?)</(?:td|th)>", re.S)


@pytest.fixture
def samples(sample_fleet):
    return sample_fleet


@pytest.fixture
def nothing(empty_fleet):
    return empty_fleet


@pytest.fixture
def opened(sample_snapshot):
    return sample_snapshot


def html(page):
    """All that a page wrote as HTML, less the stylesheet."""
    return "\n".join(
        element.proto.body for element in page.get("html") if not element.proto.body.startswith("<style")
    )


def text(page):
    return unescape(re.sub(r"<[^>]+>", " ", html(page)))


def table(page, caption):
    """Rows of cells, as text, of the table whose caption begins so; the heading first."""
    found = re.search(rf"<table[^>]*><caption>{re.escape(caption)}.*?</table>", html(page), re.S)
    assert found, f"no table {caption!r} among {re.findall('<caption>(.*?)</caption>', html(page))}"
    return [
        [unescape(re.sub(r"<[^>]+>", " ", cell)).strip() for cell in CELLS.findall(row)]
        for row in ROWS.findall(found[0])
    ]


def links(page, beginning):
    """(words, what the address asks) of the links to a page."""
    pairs = re.findall(r'<a href="([^"]*)">(.*?)</a>', html(page), re.S)
    return [
        (re.sub(r"<[^>]+>", "", words), parse_qs(urlsplit(unescape(place)).query))
        for place, words in pairs
        if urlsplit(unescape(place)).path == beginning
    ]


def in_address(page, key):
    """What the page's address asks under a key, as a list."""
    value = page.query_params.get(key, [])
    return [value] if isinstance(value, str) else list(value)


def fine(page):
    assert not page.exception, page.exception[0].stack_trace
    assert not page.error
    return page


# ---- every page

HOME = {"of": AGENCY, "home": "98"}


@pytest.mark.parametrize("view", VIEWS, ids=lambda view: view.name)
def test_a_page_says_what_it_is_and_shows_the_cautions(show, samples, view):
    page = fine(show(samples, view.name, **(HOME if view.name == "home" else {})))
    assert f"<h1>{view.title}</h1>" in html(page)
    assert all(caution in text(page) for caution in CAUTIONS)


@pytest.mark.parametrize("view", VIEWS, ids=lambda view: view.name)
def test_a_page_of_an_empty_fleet_says_what_to_do(show, nothing, view):
    page = fine(show(nothing, view.name))
    assert "coldfill load" in text(page) or view.name in ("checks", "returned")
    assert CAUTIONS[0] in text(page)
    assert "none found" not in text(page).lower()


@pytest.mark.parametrize("view", VIEWS, ids=lambda view: view.name)
def test_a_page_without_a_fleet_says_what_to_do(show, tmp_path, view):
    page = fine(show(Fleet(tmp_path / "nowhere"), view.name))
    assert "coldfill load" in text(page)


def test_every_page_is_in_the_list_of_views():
    assert {path.stem for path in (ROOT / "dashboard" / "views").glob("*.py")} - {"__init__"} == {
        view.name for view in VIEWS
    }


def test_the_router_is_short():
    assert len((ROOT / "dashboard" / "app.py").read_text().splitlines()) < 30


def test_the_server_stays_on_this_machine_and_tells_nobody_anything():
    assert SETTINGS["server"]["address"] == "127.0.0.1" and SETTINGS["server"]["fileWatcherType"] == "none"
    assert SETTINGS["browser"]["gatherUsageStats"] is False
    assert SETTINGS["client"] | {"showErrorDetails": "none", "toolbarMode": "minimal"} == SETTINGS["client"]


@pytest.mark.parametrize("name", ["fleet", "regions"])
def test_what_is_drawn_again_as_it_was_leads_where_filters_and_day_now_lead(show, samples, name):
    first = fine(show(samples, name))
    for asked in ({"agency": AGENCY}, {"as_of": "2026-01-02"}, {"agency": AGENCY, "as_of": "2026-01-02"}):
        wanted = {key: [value] for key, value in asked.items()}
        lead = [there for _, there in links(fine(show(samples, name, **asked)), "homes")]
        assert lead and all(wanted.items() <= there.items() for there in lead)
    again = fine(show(samples, name))
    assert html(again) == html(first)
    charts_again, charts_first = (page.get("vega_lite_chart") for page in (again, first))
    assert [one.proto for one in charts_again] == [one.proto for one in charts_first] and charts_first


def test_a_part_is_worked_out_again_only_where_filters_or_decisions_differ(show, samples, monkeypatch):
    asked, real = [], data.apart
    monkeypatch.setattr(data, "apart", lambda *of: asked.append(of) or real(*of))
    st.cache_data.clear()
    for filters, times in (({}, 1), ({}, 1), ({"agency": AGENCY}, 2), ({}, 2)):
        fine(show(samples, "regions", **filters))
        assert len(asked) == times
    monkeypatch.setattr(data, "stamp", lambda: (1, 1))  # as after one more line of the log
    fine(show(samples, "regions"))
    assert len(asked) == 3


def test_no_page_waits_for_a_look_through_all_objects_after_another():
    """A setting that the toolkit knows by another name, or leaves out already, would do nothing."""
    assert config.get_options_for_section("runner")["postScriptGC"] is True
    assert SETTINGS["runner"]["postScriptGC"] is False


def test_a_damaged_snapshot_is_told_and_not_hidden(show, samples, tmp_path):
    fleet = Fleet(tmp_path / "damaged")
    shutil.copytree(samples.path, fleet.path)
    path = fleet.current()
    path.chmod(0o644)
    path.write_bytes(b"this is no snapshot")
    page = fine(show(fleet))
    assert "damaged" in text(page) and "coldfill rebuild" in text(page)


@pytest.mark.parametrize("view", VIEWS, ids=lambda view: view.name)
def test_the_head_of_a_page_says_what_is_newer_than_the_snapshot(show, changed_fleet, view):
    said = text(show(changed_fleet, view.name))
    assert "Newer than the snapshot" in said and "places.csv, policy.toml; run coldfill rebuild" in said


@pytest.fixture(scope="module")
def changed_fleet(sample_fleet, tmp_path_factory):
    """The samples, with a policy and places that came after the snapshot."""
    fleet = Fleet(tmp_path_factory.mktemp("changed") / "fleet")
    shutil.copytree(sample_fleet.path, fleet.path)
    fleet.policy.write_text("[limits.cold_margin_psi]\nvalue = 9\n")
    fleet.places.write_text(fleet.places.read_text() + "\n")
    return fleet


def test_nothing_is_said_to_be_newer_where_nothing_is(show, samples):
    assert "Newer than the snapshot" not in text(show(samples))


# ---- the first page


def test_the_first_page_counts_what_the_list_holds(show, samples, opened):
    counted = {row[0]: row[1:] for row in table(show(samples, as_of=DAY.isoformat()), "What waits")[1:]}
    frame = lists.flagged(EVERYTHING, opened, Filters(), DAY).frame
    late = (pd.Timestamp(DAY) - frame["due"]).dt.days
    for label, part in (
        ("Reported with it open", frame[frame["stage"] == data.STAGES[0]]),
        ("Act today", frame[frame["risk"] == "act today"]),
        ("High risk", frame[frame["risk"] == "high"]),
        ("Past due over 90 days", frame[late > 90]),
        ("Past due 31 to 90 days", frame[(late > 30) & (late <= 90)]),
        ("Past due up to 30 days", frame[(late > 0) & (late <= 30)]),
        ("Not yet due", frame[~(late > 0)]),
        ("Repairs claimed and not borne out", frame[frame["state"] == "repair did not hold"]),
    ):
        for stage, cell in zip(data.STAGES, counted[label], strict=False):
            here = part[part["stage"] == stage]
            homes = len(here[["agency", "home_id"]].drop_duplicates())
            assert cell == (f"{len(here):,} in {wording.plural(homes, 'home')}" if len(here) else "none"), (
                label,
                stage,
            )
    assert (
        counted["Units to hold before reporting"][4]
        == f"{len(lists.hold(EVERYTHING, opened, Filters(), DAY).frame)} homes"
    )


def test_what_the_first_page_shows_is_asked_before_somebody_opens_it(show, samples, monkeypatch):
    monkeypatch.setenv("COLDFILL_FLEET", str(samples.path))
    st.cache_data.clear()
    data.ask_ahead(EVERYTHING)

    def refused(snapshot):
        raise AssertionError("asked again")

    monkeypatch.setattr(data, "attach", refused)
    page = show(samples)
    assert not page.exception and page.main
    assert show(samples, "risk").exception  # which nobody asked ahead


def test_the_order_of_the_first_page(show, samples):
    assert [row[0] for row in table(show(samples), "What waits")[1:]] == [
        data.QUESTION[name].label for name in ON_FIRST_PAGE
    ]
    body = html(show(samples))
    places = [
        body.index(heading)
        for heading in (
            "<caption>What waits",
            "Act today and high risk, oldest first",
            "<h2>By agency",
        )
    ]
    assert places == sorted(places)


@pytest.mark.slow
def test_every_count_of_the_first_page_leads_to_as_many_homes(show, samples):
    page = show(samples, as_of=DAY.isoformat())
    counts = [pair for pair in links(page, "homes") if pair[0][:1].isdigit() and " in " in pair[0]]
    assert len(counts) >= 7
    for words, asked in counts:
        homes = fine(show(samples, "homes", **asked))
        assert (
            re.search(r"<caption>(?:.* of )?([\d,]+) homes? with", html(homes))[1]
            == words.split(" in ")[1].split()[0]
        ), (words, asked)


def test_urgent_deficiencies_stand_oldest_first_within_their_risk(samples):
    found = data.urgent(EVERYTHING, str(samples.current()), Filters(), 500)
    assert set(found["risk"]) == {"act today", "high"}
    for _, part in found.groupby("risk"):
        assert part["since"].is_monotonic_increasing
    assert list(found["risk"]) == sorted(found["risk"])


def test_a_silent_agency_does_not_look_clean(show, samples, opened):
    newest = opened.rows("SELECT max(inspected_on) FROM readings")[0][0]
    later = date.fromordinal(newest.toordinal() + 46)
    rows = table(show(samples, as_of=later.isoformat()), "Newest file and inspection")
    assert all(row[-1].startswith("no recent file: ") and "newest inspection" in row[-1] for row in rows[1:])


def test_recent_counts_days_to_the_day_asked_for():
    received, inspected = pd.Timestamp("2026-03-01 09:00"), pd.Timestamp("2026-02-01")
    assert wording.recent(received, inspected, date(2026, 3, 18), 45) == "recent"  # 45 days: at the limit
    assert (
        wording.recent(received, inspected, date(2026, 3, 19), 45)
        == "no recent file: newest inspection 46 days ago"
    )
    assert (
        wording.recent(received, inspected, date(2026, 4, 16), 45)
        == "no recent file: received 46 days ago, newest inspection 74 days ago"
    )


def test_columns_an_export_never_had_are_said_once(samples):
    found = data.not_verified(EVERYTHING, str(samples.current()), Filters())
    hollin = found[found["agency"] == "Hollin Peaks Home Repair"].set_index("check_id")["lacking"]
    assert hollin["relief-isolated"] == "relief_mounting"
    assert hollin["hot-pressure-near-relief"] == ""  # its file has the columns; a reading was missed
    assert set(found[found["agency"] == AGENCY]["lacking"]) <= {"", "coil_wall"}  # all other headings


def test_what_is_new_came_with_a_later_file(tmp_path):
    """Two files of one agency: what only the second one found is new, what stands since the first is not."""
    fleet = Fleet(tmp_path / "fleet").create()
    heading = (
        "agency,inspection_id,home_id,inspected_on,heating_system,inspection_kind,relief_present,leaks_seen\n"
    )
    (tmp_path / "one.csv").write_text(heading + "A,1,H1,2026-01-05,hot_water,initial,no,none\n")
    door.load(fleet, [tmp_path / "one.csv"])
    first = str(stages.build(fleet))
    (tmp_path / "two.csv").write_text(
        heading
        + "A,2,H1,2026-02-05,hot_water,final,no,dripping\nA,3,H2,2026-02-06,hot_water,initial,no,none\n"
    )
    door.load(fleet, [tmp_path / "two.csv"])
    second = str(stages.build(fleet))

    def count(snapshot):
        return data.first_page(EVERYTHING, snapshot, Filters(), DAY).set_index("question").loc["new"]

    assert [count(first)[f"deficiencies{place}"] for place in range(4)] == [0, 0, 0, 0]
    assert [count(second)[f"deficiencies{place}"] for place in range(4)] == [
        0,
        0,
        1,
        1,
    ]  # the leak after the final; the second home's missing relief valve
    new = data.flagged(EVERYTHING, second, Filters(), "new", DAY)
    assert sorted(zip(new.frame["home_id"], new.frame["check_id"], strict=True)) == [
        ("H1", "leak-seen"),
        ("H2", "relief-missing"),
    ]
    assert new.about["filters"]["only"] == "New in the files received lately"
    (tmp_path / "three.csv").write_text(heading + "A,3,H2,2026-02-06,hot_water,initial,no,weeping\n")
    door.load(fleet, [tmp_path / "three.csv"])  # a row mended: what the second file brought stays new
    mended = data.flagged(EVERYTHING, str(stages.build(fleet)), Filters(), "new", DAY).frame
    assert {*zip(new.frame["home_id"], new.frame["check_id"], strict=True)} < {
        *zip(mended["home_id"], mended["check_id"], strict=True)
    }


@pytest.mark.slow
def test_what_the_day_of_loading_before_brought_stays_apart(tmp_path, monkeypatch):
    """Nine rows mended today do not hide what came the last time, however long ago that was."""
    fleet = Fleet(tmp_path / "fleet").create()
    heading = "agency,inspection_id,home_id,inspected_on,heating_system,leaks_seen\n"
    counts = []
    for number, (day, rows) in enumerate(
        (
            ("2026-01-05", "A,1,H1,2026-01-05,hot_water,dripping\n"),
            ("2026-03-02", "A,2,H2,2026-02-20,hot_water,dripping\nA,3,H3,2026-02-21,hot_water,weeping\n"),
            ("2026-03-30", "A,4,H4,2026-03-20,hot_water,dripping\n"),
            ("2026-03-30", "A,4,H4,2026-03-20,hot_water,weeping\n"),
        )
    ):
        monkeypatch.setattr("pipelines.fleet.folder.now_utc", lambda day=day: f"{day}T09:00:00Z")
        (tmp_path / f"{number}.csv").write_text(heading + rows)
        door.load(fleet, [tmp_path / f"{number}.csv"])
        found = data.first_page(EVERYTHING, str(stages.build(fleet)), Filters(), DAY).set_index("question")
        counts.append([found.loc[name, "deficiencies3"] for name in ("new", "new-day-before")])
    assert counts == [[0, 0], [2, 0], [1, 2], [1, 2]]


# ---- homes: search, filters, pages, choice, list


def test_a_search_by_home_and_by_job_finds_the_home(show, samples, opened):
    job = opened.rows("SELECT job_number FROM homes WHERE agency = ? AND home_id = '98'", [AGENCY])[0][0]
    page = fine(show(samples, "homes", search=job))
    assert [row[0].split()[0] for row in table(page, "1 home")[1:]] == ["98"]
    assert in_address(page, "search") == [job]


@pytest.fixture(scope="module")
def addressed(tmp_path_factory):
    """A fleet of two homes with invented addresses."""
    folder = tmp_path_factory.mktemp("addressed")
    fleet = Fleet(folder / "fleet").create()
    (folder / "one.csv").write_text(
        "agency,inspection_id,home_id,inspected_on,heating_system,address,leaks_seen,notes\n"
        "A,1,H1,2026-01-05,hot_water,7 Quillwort Row,none,<img src=x onerror=alert(1)>\n"
        "A,2,H2,2026-01-05,hot_water,9 Tansy Bend,none,\n"
    )
    door.load(fleet, [folder / "one.csv"])
    stages.build(fleet)
    return fleet


def test_an_address_finds_its_home_and_stays_out_of_the_address_bar(show, addressed):
    page = show(addressed, "risk")
    page.text_input(key="search").set_value("quillwort").run()
    assert "<h1>Homes</h1>" in html(fine(page))
    assert [row[0] for row in table(page, "1 home")[1:]] == ["H1"]
    assert "search" not in page.query_params
    page.text_input(key="search").set_value("H2").run()
    assert in_address(page, "search") == ["H2"]


def test_a_viewer_without_personal_fields_finds_nothing_by_address(addressed):
    snapshot, asked = str(addressed.current()), Filters(search="quillwort")
    assert data.homes_count(EVERYTHING, snapshot, asked, "", DAY) == 1
    assert data.homes_count(Viewer(personal=False), snapshot, asked, "", DAY) == 0


def test_a_viewer_sees_only_their_agencies(samples):
    snapshot, own = str(samples.current()), Viewer(agencies=(AGENCY,))
    assert set(data.homes_page(own, snapshot, Filters(), "", DAY, "risk", 1)["agency"]) == {AGENCY}
    assert data.choices(own, snapshot)["agency"] == [AGENCY]
    assert set(data.agencies(own, snapshot, Filters(), DAY)["agency"]) == {AGENCY}
    assert set(data.exports(own, snapshot, Filters())["file_name"]) == {"tillamere-community-partners.csv"}
    assert data.about(own, snapshot)["homes"] < data.about(EVERYTHING, snapshot)["homes"]
    with pytest.raises(NotFound):
        data.home(own, snapshot, "Foyers du Val Brenn", "F0001", DAY)


def test_what_people_wrote_is_never_markup(show, addressed):
    page = fine(show(addressed, "home", of="A", home="H1"))
    assert "<img src=x" not in html(page)
    assert "&lt;img src=x onerror=alert(1)&gt;" in html(page)


@pytest.mark.parametrize(
    "text, label",
    [
        ("export-2025_03.csv, 1,510 rows (final)", "export-2025_03.csv, 1,510 rows (final)"),
        ("![x](http://there/a.png)", "!\\[x](http:\N{WORD JOINER}//there/a.png)"),
        ("<b>*_a_* :red[$x$]", "\\<b>\\*\\_a\\_\\* :\N{WORD JOINER}red\\[\\$x\\$]"),
        ("Insp # at 12: a -> b", "Insp # at 12: a -\N{WORD JOINER}> b"),
    ],
)
def test_a_label_shows_text_of_a_file_as_it_is(text, label):
    """Labels and helps of widgets are Markdown: a file's text there must fetch and format nothing."""
    assert as_label(text) == label


def test_no_page_asks_a_snapshot_itself():
    """Queries stand with the answers; of the dashboard only what stands in front of them opens one."""
    for path in (ROOT / "dashboard").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"\bSELECT\b", text), path
        assert path.name in ("data.py", "trying.py", "uploads.py") or "attach(" not in text, path


def test_filters_in_the_address_narrow_the_page_and_the_list_alike(show, samples, opened):
    asked = {
        "agency": AGENCY,
        "risk": "high",
        "stage": "open after the final",
        "check": ["relief-discharging", "hot-pressure-near-relief"],
    }
    page = fine(show(samples, "homes", **asked))
    filters = Filters(
        agency=(AGENCY,),
        risk="high",
        stage=("open after the final",),
        check=("relief-discharging", "hot-pressure-near-relief"),
    )
    listed = lists.flagged(EVERYTHING, opened, filters, DAY)
    homes = listed.homes.to_pandas().drop_duplicates()
    assert 0 < len(homes) == listed.count_homes() < data.about(EVERYTHING, str(samples.current()))["homes"]
    assert re.search(rf"<caption>(1 to 40 of )?{len(homes)} homes with ", html(page))
    assert {
        row[1].split("  ")[0] for row in table(page, "1 to" if len(homes) > 40 else f"{len(homes)} homes")[1:]
    } == {AGENCY}
    assert page.multiselect(key="check").value == asked["check"]
    assert in_address(page, "check") == asked["check"]


def test_a_filter_that_nothing_answers_to_is_said(show, samples):
    page = fine(show(samples, "homes", agency="Tillamere Comunity Partners"))
    assert "no agency called 'Tillamere Comunity Partners'" in text(page)


def test_a_filter_set_on_the_page_goes_into_its_address_and_its_links(show, samples):
    page = show(samples, "homes")
    page.multiselect(key="agency").set_value([AGENCY]).run()
    page.multiselect(key="check").set_value(["leak-seen"]).run()
    assert in_address(page, "check") == [
        "leak-seen"
    ]  # as an id; what the browser writes itself is tested there
    assert {row[1].split("  ")[0] for row in table(fine(page), "")[1:]} == {AGENCY}
    hold = show(samples, "hold", check="leak-seen", as_of="2026-03-01")
    assert all(
        asked["check"] == ["leak-seen"] and asked["as_of"] == ["2026-03-01"]
        for _, asked in links(hold, "hold")
    )
    assert len(links(hold, "hold")) > 1


@pytest.mark.slow
def test_pages_of_homes_hold_every_home_once(samples):
    snapshot, some = str(samples.current()), Filters() if FULL else Filters(agency=(AGENCY,))
    count = data.homes_count(EVERYTHING, snapshot, some, "", DAY)
    pages = range(1, -(-count // data.ROWS_A_PAGE) + 1)
    assert len(pages) > 2
    for sort in data.SORTS:
        seen = pd.concat(
            [
                data.homes_page(EVERYTHING, snapshot, some, "", DAY, sort, page)[["agency", "home_id"]]
                for page in pages
            ]
        )
        assert len(seen) == count and not seen.duplicated().any(), sort


def test_a_page_beyond_the_last_is_the_last(show, samples):
    page = fine(show(samples, "homes", page="9999"))
    count = data.homes_count(EVERYTHING, str(samples.current()), Filters(), "", DAY)
    assert f" to {count:,} of {count:,} homes</caption>" in html(page)


@pytest.mark.parametrize("only", (*data.OFFERED, data.gravest("high", "waiting for work")))
def test_each_question_narrows_homes_and_list_to_the_same(samples, only):
    snapshot = str(samples.current())
    sheet = data.flagged(EVERYTHING, snapshot, Filters(), only, DAY)
    count = data.homes_count(EVERYTHING, snapshot, Filters(), only, DAY)
    listed = len(sheet.frame[["agency", "home_id"]].drop_duplicates())
    assert sheet.about["filters"] == {"only": data.QUESTION[only].label}
    if data.QUESTION[only].about == DEFICIENCIES:
        assert listed == count
    else:
        assert listed <= count


def test_the_downloaded_list_reads_back_as_the_list(samples, opened):
    snapshot, filters = str(samples.current()), Filters(risk="high")
    sheet = data.flagged(EVERYTHING, snapshot, filters, "", DAY)
    made = {label: write(sheet) for label, write, *_ in downloads.FORMATS}
    rows = list(csv.DictReader(io.StringIO(made["CSV"].decode())))
    book = openpyxl.load_workbook(io.BytesIO(made["XLSX"]), read_only=True)
    parquet = pyarrow.parquet.read_table(io.BytesIO(made["Parquet"]))
    ids = [(row["agency"], row["home_id"], row["check_id"]) for row in rows]
    frame = lists.flagged(EVERYTHING, opened, filters, DAY).frame
    assert (
        ids == list(zip(frame["agency"], frame["home_id"], frame["check_id"], strict=True)) and len(ids) > 100
    )
    assert parquet.column("home_id").to_pylist() == [home for _, home, _ in ids]
    assert json.loads(parquet.schema.metadata[b"coldfill"])["filters"] == {"risk": "high"}
    assert sum(1 for _ in book.worksheets[0].iter_rows()) == len(ids) + 1


def test_the_work_on_paper_is_offered_for_as_many_homes_as_it_takes(show, samples, monkeypatch):
    def button(page):
        (found,) = [
            one.proto for one in fine(page).get("download_button") if one.proto.label == "Work as PDF"
        ]
        return found

    assert not button(show(samples, "homes", risk="act today")).disabled
    monkeypatch.setattr(downloads, "MOST_HOMES", 5)
    locked = button(show(samples, "homes", risk="act today"))
    assert locked.disabled and "up to 5 homes, these are" in locked.help
    assert not any(one.proto.label == "Work as PDF" for one in show(samples, "hold").get("download_button"))


def test_each_reason_to_hold_is_a_line_of_the_page(show, samples):
    said = text(fine(show(samples, "hold")))
    assert "\nopen: " in said and "\nnot verified: " in said
    found = data.held_page(EVERYTHING, str(samples.current()), Filters(), DAY, 1)
    assert len(found) == data.ROWS_A_PAGE and found["why"].str.startswith(("open", "not verified")).all()


def test_chosen_homes_alone_are_taken_along(show, samples):
    page = show(samples, "homes", agency=AGENCY, risk="high")
    names = re.findall(r'data-row="([^"]+)"', html(page))
    assert len(names) == data.ROWS_A_PAGE
    page.session_state["chosen"] = tuple(names[:2])  # as the boxes tell it: tests/test_browser.py
    assert "what is open in 2 chosen homes" in text(fine(page.run()))
    chosen = tuple(tuple(reversed(name.split("\u2003"))) for name in names[:2])
    sheet = data.flagged(
        EVERYTHING, str(samples.current()), Filters(agency=(AGENCY,), risk="high"), "", DAY, chosen
    )
    assert (
        set(zip(sheet.frame["agency"], sheet.frame["home_id"], strict=True)) == set(chosen)
        and len(chosen) == 2
    )
    assert len(sheet.about["filters"]["homes"]) == 2
    next(button for button in page.button if button.label == "Choose none").click()
    assert "what is open in these" in text(fine(page.run()))


@pytest.mark.parametrize("box, said", [({}, "high or worse"), ({"exactly": "true"}, "high, this level only")])
def test_what_a_page_is_narrowed_to_is_said_for_paper(show, samples, box, said):
    page = show(samples, "homes", agency=AGENCY, check="leak-seen", risk="high", as_of="2026-03-01", **box)
    (words,) = re.findall(r'<p class="on-paper">(.*?)</p>', html(fine(page)), re.S)
    assert " ".join(re.sub(r"<.*?>|&ensp;", " ", unescape(words)).split()) == (
        f"Agency: {AGENCY} . Check: Leaks on the loop . Risk: {said} . Due dates counted to Mar 1, 2026."
    )


# ---- one home


def test_a_home_leads_to_the_line_of_the_file(show, samples, opened):
    page = fine(show(samples, "home", **HOME))
    found = opened.rows(
        """
        SELECT source_line, inspection_id
        FROM readings
        WHERE agency = ? AND home_id = '98'
        ORDER BY inspected_on DESC""",
        [AGENCY],
    )
    assert f"from tillamere-community-partners.csv, line {found[0][0]}" in text(page)
    with open(ROOT / "sample_exports" / "tillamere-community-partners.csv", encoding="utf-8") as file:
        line = file.readlines()[found[0][0] - 1]
    assert found[0][1] in line.split(",")
    states = opened.rows(
        "SELECT count(*) FROM home_checks WHERE agency = ? AND home_id = '98' AND stage IS NOT NULL", [AGENCY]
    )
    assert len(table(page, "Open deficiencies of home 98")) == states[0][0] + 1


def test_a_home_that_is_not_there_names_the_nearest(show, samples):
    assert "nearest" in text(fine(show(samples, "home", of=AGENCY, home="98765")))
    assert "no agency called 'Nobody'" in text(fine(show(samples, "home", of="Nobody", home="98")))


def test_a_home_that_was_not_verified_is_not_called_clean(show, samples, opened):
    home, headline = opened.rows(
        """
        SELECT home_id, headline
        FROM homes
        WHERE agency = 'Hollin Peaks Home Repair' AND open_deficiencies = 0 AND safety_not_verified > 3
        ORDER BY home_id
        LIMIT 1"""
    )[0]
    page = fine(show(samples, "home", of="Hollin Peaks Home Repair", home=home))
    assert headline in text(page)
    assert "What was not verified stands below" in text(
        page
    ) and "safety-critical checks never verified" in text(page)


def test_a_home_that_was_not_assessed_has_no_count_of_what_was_not_verified(show, samples):
    rows = table(show(samples, "homes", only="not-assessed", agency="Hollin Peaks Home Repair"), "1 to 40")
    assert {(row[3], row[5]) for row in rows[1:]} == {("not assessed", "–")}


def test_the_drawing_has_a_place_for_every_check_and_says_the_readings_in_words():
    assert {check.spot for check in HOME_CHECKS} <= {part.id for part in schematic.PARTS} | {""}
    fields = [field for part in schematic.PARTS for field in part.fields]
    assert (
        set(fields) <= set(BY_NAME)
        and len(set(fields)) == len(fields)
        and set(fields) <= set(schematic.SHORT)
    )
    readings = {"precharge_psig": "11.5 psi", "tank_type": "diaphragm", "relief_signs": "<b>dripping"}
    drawn = schematic.drawing(readings, ["precharge-low", "tank-undersized"])
    assert "11.5 psi" in drawn and "2 open" in drawn and "<b>" not in drawn
    words = dict(schematic.in_words(readings, ["precharge-low", "tank-undersized"]))
    assert (
        words["Expansion tank"] == "diaphragm; charge as read 11.5 psi; 2 open"
        and words["House supply"] == "nothing recorded"
    )


# ---- regions, crews, risk, files, checks


def test_shares_of_regions_leave_out_what_was_not_verified(samples, opened):
    found = data.shares(EVERYTHING, str(samples.current()), Filters(), "open after the final").set_index(
        ["region", "check_id"]
    )
    for (region, check), row in found.iterrows():
        verified, deficient, unverified = opened.rows(
            """
            SELECT count(*) FILTER (state IN ('ok', 'corrected', 'open', 'recurred', 'repair did not hold')),
                   count(*) FILTER (c.stage = 'open after the final'),
                   count(*) FILTER (state = 'not verified')
            FROM home_checks AS c
            JOIN homes AS h USING (agency, home_id)
            WHERE check_id = ? AND coalesce(region, '') = ?""",
            [check, region],
        )[0]
        assert (row["verified"], row["deficient"], row["not_verified"]) == (
            verified,
            deficient,
            unverified,
        ), (region, check)


def test_a_region_where_nothing_was_verified_shows_no_share(show, samples):
    rows = {
        row[0]: row
        for row in table(
            show(samples, "regions", agency="Hollin Peaks Home Repair"), "Share of verified systems"
        )
    }
    cell = rows["A valve stands between boiler and relief valve"][-1]
    assert cell.startswith("–") and "not verified" in cell and "%" not in cell


def test_charges_are_few_marks_and_every_inspection_counts_once(samples, opened):
    bins, curve, left_out = data.charges(EVERYTHING, str(samples.current()), Filters())
    with_elevation, without = opened.rows("""
            SELECT count(*) FILTER (elevation_ft IS NOT NULL), count(*) FILTER (elevation_ft IS NULL)
            FROM recomputed
            JOIN readings USING (agency, inspection_id)
            WHERE trusted_charge_psig IS NOT NULL""")[0]
    assert bins["inspections"].sum() == with_elevation and left_out == without and len(bins) < 2000
    assert curve["elevation_ft"].is_monotonic_increasing and curve["charge_psig"].is_monotonic_increasing
    chart, words = charts.charge_against_elevation(bins, curve, 12.0, 2.0, str)
    assert f"{with_elevation:,} inspections" in words and "sea level" in words
    assert chart.to_dict()["layer"][0]["encoding"]["x"]["title"].endswith("ft")


def test_a_charge_set_at_sea_level_reads_higher_up_as_the_standard_atmosphere_says(samples):
    """14.5 psi at 5,000 ft: 12 + 14.70 - 12.23 (US Standard Atmosphere 1976)."""
    _, curve, _ = data.charges(EVERYTHING, str(samples.current()), Filters())
    near = curve[(curve["elevation_ft"] - 5000).abs() < 260].iloc[0]
    assert near["charge_psig"] == pytest.approx(14.5, abs=0.15)


def test_crews_stand_in_the_order_of_the_alphabet_with_counts_and_intervals(show, samples, opened):
    rows = table(show(samples, "crews", of_check="relief-discharging"), "Relief valve: dripping")
    assert rows[0][2:5] == ["Verified units", "Deficient", "Of these sure"]
    names = [(row[1].lower(), row[0].lower()) for row in rows[1:]]
    assert names == sorted(names)
    for row in rows[1:]:
        *counts, expected, unverified = opened.rows(
            """
            SELECT visits, observed, observed_sure, expected, not_verified
            FROM crew_checks
            WHERE agency = ? AND crew = ? AND check_id = 'relief-discharging'""",
            [row[1], row[0]],
        )[0]
        assert row[2:6] == [
            *(f"{count:,}" for count in counts),
            "–" if expected is None else f"{expected:.1f}",
        ]
        assert row[7] == f"{unverified:,}"
        assert re.fullmatch(r"[\d.]+ % \([\d.]+ to [\d.]+ %\)", row[6])
    assert "without score or rank" in text(show(samples, "crews"))


def test_a_crew_that_overcharges_is_found_from_the_first_screen(show, samples):
    """Planted in the samples: half its tanks; and one that leaves vent caps tight. No check is chosen."""
    found = table(show(samples, "crews"), "Beyond chance")
    more = {(row[0], row[2]) for row in found[1:] if "more than chance" in row[3]}
    assert {
        ("Thistledown Loop Works", "Tank charge against its upper limit"),
        ("Crew 3", "Cap of the automatic vent"),
    } <= more


def test_inspectors_stand_with_their_gauges_and_habits(show, samples):
    page = show(samples, "crews", kind="inspector")
    assert "K. V." in text(page).split("Read off beyond chance")[1][:80]
    assert "cannot be told: too few readings" in text(page)
    copied = ["S. W.", AGENCY, "visits with five readings that stand at another home, too", "26", "114"]
    assert copied in [row[:5] for row in table(page, "Habits beyond chance")]


def test_the_grid_marks_what_lies_beyond_chance_and_hatches_what_is_little_known(show, samples, opened):
    body = html(show(samples, "crews", agency=AGENCY))
    grid = re.search(rf"<table class=\"table heat grid\"><caption>{AGENCY}.*?</table>", body, re.S)[0]
    marks = re.findall(r'<td class="number ([a-z ]+)" title="([^:]+): ([\d,]+) of ([\d,]+) verified', grid)
    limit = opened.rows("SELECT value FROM limits WHERE name = 'few_visits'")[0][0]
    assert len(marks) > 100
    for marked, _, _, visits in marks:
        assert "few" in marked.split() or int(visits) >= limit
    beyond = {(who, int(bad)) for marked, who, bad, _ in marks if "beyond" in marked.split()}
    assert beyond == set(
        opened.rows(
            """
            SELECT crew, observed FROM crew_checks
            WHERE agency = ? AND adjusted_p <= 0.05""",
            [AGENCY],
        )
    )


@pytest.mark.parametrize("check", ["precharge-high", "vent-cap-tight", "relief", "any"])
def test_the_units_a_number_of_a_crew_counts_are_as_many(samples, opened, check):
    """Of every crew: the deficient, the verified, and those that could not be told."""
    crews = opened.rows(
        "SELECT agency, crew, visits, observed, not_verified FROM crew_checks WHERE check_id = ?", [check]
    )
    assert len(crews) > 10
    for agency, crew, visits, observed, unverified in crews:
        found = data.counted_units(EVERYTHING, str(samples.current()), agency, crew, check)
        counts = found["outcome"].value_counts()
        assert counts.get("deficient", 0) == observed
        assert counts.get("deficient", 0) + counts.get("ok", 0) == visits
        assert counts.get("not verified", 0) == unverified


def test_two_agencies_with_a_crew_of_one_name_never_meet(show, samples):
    page = show(samples, "crews", crew="Crew 1")
    assert table(page, "Crew 1, Hollin Peaks Home Repair: every check") != table(
        page, f"Crew 1, {AGENCY}: every check"
    )


def test_inspectors_are_numbered_where_names_must_not_be_seen(samples):
    seen = data.compared(EVERYTHING, str(samples.current()), Filters(), "inspector")
    numbered = data.compared(Viewer(personal=False), str(samples.current()), Filters(), "inspector")
    assert set(numbered["name"].str.replace(r"\d+", "", regex=True)) == {"inspector "}
    assert len(numbered) == len(seen) and not set(numbered["name"]) & set(seen["name"])


def test_no_page_adds_stages_together(show, samples, opened):
    """Each count of the matrix is of one stage, and the three stages of the levels are apart."""
    stages = dict(
        opened.rows("SELECT stage, count(*) FROM home_checks WHERE stage IS NOT NULL GROUP BY stage")
    )
    for stage, count in stages.items():
        found = data.matrix(EVERYTHING, str(samples.current()), Filters(), stage)
        assert found["deficiencies"].sum() == count
        shown = [
            int(words.split()[0].replace(",", ""))
            for words, asked in links(show(samples, "risk", at=stage), "homes")
            if words.endswith("open")
        ]
        assert sum(shown) == count
    levels = data.levels(EVERYTHING, str(samples.current()), Filters())
    assert {stage: levels[f"stage{place}"].sum() for place, stage in enumerate(data.STAGES)} == stages


def test_a_cell_of_the_matrix_leads_to_its_homes(show, samples):
    words, asked = max(
        ((words, asked) for words, asked in links(show(samples, "risk"), "homes") if words.endswith("open")),
        key=lambda pair: len(pair[1]["check"]),
    )
    page = fine(show(samples, "homes", **asked))
    found = data.homes_count(
        EVERYTHING,
        str(samples.current()),
        Filters(check=tuple(asked["check"]), stage=tuple(asked["stage"])),
        "",
        DAY,
    )
    assert f"{found} homes with " in html(page) and 0 < found <= int(words.split()[0])


def test_files_account_for_every_row(show, samples):
    rows = table(show(samples, "files"), "4 files")[1:]
    for row in rows:
        read, kept, lost, repeated, superseded = (int(cell.replace(",", "")) for cell in row[5:10])
        assert read == kept + lost + repeated + superseded
    assert {row[0] for row in rows} == {path.name for path in (ROOT / "sample_exports").glob("*.csv")}


def test_what_was_not_loaded_is_grouped_and_can_be_taken_along(samples, opened):
    snapshot = str(samples.current())
    grouped = data.not_loaded(EVERYTHING, snapshot, Filters())
    assert grouped["times"].sum() == opened.rows("SELECT count(*) FROM not_loaded")[0][0] > 0
    for export_id, part in grouped.groupby("export_id"):
        sheet = data.not_loaded_list(EVERYTHING, snapshot, export_id, DAY)
        assert len(list(csv.DictReader(io.StringIO(formats.as_csv(sheet).decode())))) == part["times"].sum()


def test_a_check_that_a_file_has_no_column_for_is_folded_away_with_the_column_named(samples):
    (found,) = data.answers(EVERYTHING, str(samples.current()), Filters(agency=("Hollin Peaks Home Repair",)))
    assert found.file_name == "hollin-peaks-home-repair.csv"
    lacking = found.lacking.set_index("check_id")
    assert lacking.loc["relief-isolated", "lacking"] == "relief_mounting"
    assert lacking.loc["relief-isolated", "telling"] == 0
    answered = found.answered.set_index("check_id")
    assert answered.loc["cold-pressure-low", "telling"] > 0
    assert answered.loc["cold-pressure-low", "lacking"] == ""
    assert found.checks == len(answered) + len(lacking) + len(found.other)
    assert len(found.opening) == 3 and all(count >= 2 for count in found.opening.values())


def test_the_page_of_checks_shows_every_check_and_limit(show, samples, opened):
    body = text(show(samples, "checks"))
    assert all(title in body for (title,) in opened.rows("SELECT title FROM checks"))
    assert all(why in body for (why,) in opened.rows("SELECT why FROM limits"))


# ---- addresses and words


def test_addresses_repeat_sequences_and_leave_out_what_is_empty():
    assert navigation.address("homes", check=["a", "b"], risk="", stage=None) == "homes?check=a&check=b"
    assert navigation.address("fleet") == "."
    with pytest.raises(KeyError):
        navigation.address("nowhere")


def test_no_page_asks_for_a_filter_that_lists_do_not_know():
    assert set(navigation.FILTERS) <= set(Filters.__dataclass_fields__)
    assert all(set(view.filters) <= set(navigation.FILTERS) for view in VIEWS)


def test_only_a_verified_home_looks_reassuring():
    assert set(wording.STATE_CLASS) & {"not verified", "open"} == {"not verified", "open"}
    assert "ok" not in wording.OUTCOME_CLASS and "ok" not in wording.STATE_CLASS
    style = (ROOT / "dashboard" / "style.css").read_text()
    for color in re.findall(r"#([0-9a-fA-F]{6})\b", style):
        red, green, blue = (int(color[place : place + 2], 16) for place in (0, 2, 4))
        assert not (green > red + 25 and green > blue + 25), f"#{color} is a green"


def test_numbers_in_words():
    assert (
        wording.number(1234567.0) == "1,234,567"
        and wording.number(None) == "–"
        and wording.number(float("nan")) == "–"
    )
    assert wording.number(-0.04, 1, "psi") == "0.0 psi" and wording.number(-3.26, 1, "psi") == "−3.3 psi"
    assert (
        wording.percent(float("nan")) == "–"
        and wording.percent(0.0) == "0 %"
        and wording.percent(0.034) == "3.4 %"
        and wording.percent(0.34) == "34 %"
    )
    assert wording.days_late(date(2026, 3, 1), date(2026, 3, 1)) == "due today"
    assert (
        wording.days_late(date(2026, 2, 28), date(2026, 3, 1)) == "1 day late"
        and wording.days_late(date(2026, 3, 11), date(2026, 3, 1)) == "in 10 days"
    )
    assert wording.days_late(None, date(2026, 3, 1)) == "no due date"


def test_a_long_headline_is_cut_in_lists_and_says_so():
    whole = "none found, 5 not verified (a, b, c, d, e)"
    assert wording.in_a_list(whole, None) == "none found, 5 not verified (a, b, c and 2 more)"
    assert wording.in_a_list("high: Leak seen and 1 more", "high") == "Leak seen and 1 more"
    assert (
        wording.in_a_list("none found, all safety-critical checks verified", None)
        == "none found, all safety-critical checks verified"
    )


def test_a_home_of_another_system_says_so_and_draws_no_loop(show, samples, opened):
    ((agency, home),) = opened.rows("""
        SELECT agency, home_id
        FROM readings
        GROUP BY ALL
        HAVING bool_and(heating_system = 'warm_air')
        ORDER BY 1, 2
        LIMIT 1""")
    page = fine(show(samples, "home", of=agency, home=home))
    assert "these checks say nothing of it, good or bad" in text(page)
    assert "The loop in words" not in text(page) and "Results of this visit" not in text(page)
    page = fine(show(samples, "home", **HOME))
    assert "The loop in words" in text(page) and "these checks say nothing" not in text(page)
