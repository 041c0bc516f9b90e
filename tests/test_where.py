"""Where homes have something open: bands of elevation, marks on a plane, charges; each leads to as many."""

import csv
import io
from collections import Counter
from datetime import date

import pytest

from dashboard import charts, data
from pipelines.answers import homes, regions
from pipelines.answers.access import BANDS, EVERYTHING, Filters, ListError, Viewer
from pipelines.fleet.folder import Fleet
from tests.conftest import SAMPLES
from tests.small_exports import fed, row, write
from tests.test_dashboard import fine, html, text
from tests.test_pictures import asked, drawn

DAY = date(2026, 3, 1)
PLACES = b"""agency,postal_code,region,elevation_ft,spread_ft,latitude,longitude
,00101,,400,50,44.0,-71.0
,00102,,2400,50,44.5,-71.5
Birch County,00101,,400,50,46.0,-73.0
,00103,,5200,50,,
"""


def snapshot_of(folder, rows):
    return fed(Fleet(folder / "fleet").create(), write(folder / "export.csv", rows))[1]


def visit(number, code, agency="Alder County", region="Lower Vale", cold="3", **more):
    """A home whose cold pressure is too low for its height, unless `cold` is another."""
    return row(
        number,
        agency=agency,
        region=region,
        postal_code=code,
        cold=cold,
        cold_temperature_f="65",
        top_height_ft="20",
        system_volume_gal="30",
        **more,
    )


@pytest.fixture(scope="module")
def lying(tmp_path_factory):
    """Nine homes of two agencies with regions of one name, in postal codes with and without coordinates."""
    folder = tmp_path_factory.mktemp("lying")
    Fleet(folder / "fleet").create().places.write_bytes(PLACES)
    rows = [
        visit(1, "00101"),
        visit(2, "00101"),
        visit(3, "00102"),
        visit(4, "00101", agency="Birch County"),
        visit(5, "00103"),
        visit(6, "00199"),
        visit(7, "00101", cold="14"),
        visit(8, "", region="", elevation_ft="-40"),
        visit(9, "00102", elevation_ft="1000"),
    ]
    return snapshot_of(folder, rows)


def count(snapshot, asked):
    """How many homes an address of Homes asks for, whatever is said beside them."""
    known = {"agency", "region", "elevation", "charge"}
    assert asked.keys() <= known | {"only"}
    names = {
        name: tuple("" if one == "not recorded" else one for one in asked.get(name, ())) for name in known
    }
    return homes.homes_count(EVERYTHING, snapshot, Filters(**names), asked.get("only", [""])[0], DAY)


def by_hand(snapshot):
    """Band and gravest risk of each home with something open, from what was recorded and places.csv."""
    places = (SAMPLES / "fleet" / "places.csv").read_text(encoding="utf-8")
    of_code = {one["postal_code"]: float(one["elevation_ft"]) for one in csv.DictReader(io.StringIO(places))}
    highest = {}
    for agency, home, elevation, code in snapshot.rows(
        "SELECT agency, home_id, elevation_ft, postal_code FROM readings"
    ):
        elevation = of_code.get(code) if elevation is None else elevation
        if elevation is not None:
            highest[agency, home] = max(elevation, highest.get((agency, home), -999))
    gravest = snapshot.rows("SELECT agency, home_id, risk FROM homes WHERE risk IS NOT NULL")
    return Counter(
        (int(highest[agency, home] // 1000) if (agency, home) in highest else None, risk)
        for agency, home, risk in gravest
    )


# ---- by elevation


def test_bars_by_elevation_are_homes_with_something_open_and_lead_to_as_many(sample_snapshot):
    found = regions.open_by_place(EVERYTHING, sample_snapshot, Filters())
    chart, words = charts.by_elevation(found, BANDS, to_homes)
    marks = {(one["name"], one["part"]): one for one in drawn(chart, "start")}
    counted = {(BANDS.index(band) - 1, risk): one["count"] for (band, risk), one in marks.items()}
    assert counted == by_hand(sample_snapshot) and len(counted) > 20
    ends = drawn(chart, "label")
    assert [one["name"] for one in ends] == sorted({band for band, _ in marks}, key=BANDS.index, reverse=True)
    assert sum(one["count"] for one in ends) == sum(counted.values())
    for one in (*marks.values(), *ends):
        assert count(sample_snapshot, asked(one["address"])) == one["count"]
        assert f"{one['count']:,}" in one["said"]
    assert f"{sum(counted.values()):,} homes with something open" in words


def to_homes(row, risk=None):
    asks = data.gravest(risk) if risk else "something-open"
    return f"homes?elevation={(row.elevation or 'not recorded').replace(' ', '+')}&only={asks}"


def test_a_band_is_a_filter_of_homes_that_is_shown_and_said_where_it_is_none(show, sample_fleet):
    page = fine(show(sample_fleet, "homes", elevation="7,000 to 7,999 ft", only="something-open"))
    assert "16 homes" in html(page)
    (chosen,) = [one for one in page.multiselect if one.label == "Elevation"]
    assert chosen.value == ["7,000 to 7,999 ft"]
    page = fine(chosen.set_value([]).run())
    assert "of 680 homes" in html(page)
    page = fine(show(sample_fleet, "homes", elevation="the moon"))
    assert "There is no elevation called 'the moon'" in text(page)
    with pytest.raises(ListError, match="no elevation called 'high'"):
        Filters(elevation=("high",))


def test_a_band_begins_and_ends_at_the_foot(tmp_path):
    bands = {-300: 0, -1: 0, 0: 1, 999: 1, 1000: 2, 6999: 7, 7000: 8, 14500: 15}
    rows = [visit(feet, "", region=f"at {feet}", elevation_ft=str(feet)) for feet in bands]
    found = regions.open_by_place(EVERYTHING, snapshot_of(tmp_path, rows), Filters())
    told = dict(zip(found["region"], found["elevation"], strict=True))
    assert told == {f"at {feet}": BANDS[band] for feet, band in bands.items()}


# ---- where they lie


def test_marks_are_parts_of_a_region_of_one_agency_where_their_postal_codes_lie(lying):
    found = regions.open_by_place(EVERYTHING, lying, Filters())
    rows = {(one.agency, one.region, one.elevation): one for one in found.itertuples()}
    low, high = "0 to 999 ft", "2,000 to 2,999 ft"
    assert (lower := rows["Alder County", "Lower Vale", low]).homes == 2
    assert (lower.latitude, lower.longitude) == (44.0, -71.0)
    assert rows["Alder County", "Lower Vale", high].latitude == 44.5
    assert rows["Birch County", "Lower Vale", low].latitude == 46.0  # its own line goes before that of all
    assert rows["Alder County", "Lower Vale", "1,000 to 1,999 ft"].latitude == 44.5
    nowhere = found[found["latitude"].isna()]
    assert set(nowhere["elevation"]) == {"5,000 to 5,999 ft", "below sea level", ""}
    assert found["homes"].sum() == 8  # nothing is open in one of the nine


def test_every_mark_leads_to_as_many_and_no_address_holds_a_postal_code(lying):
    found = regions.open_by_place(EVERYTHING, lying, Filters())

    def address(row):
        return f"{to_homes(row)}&agency={row.agency}&region={row.region or 'not recorded'}".replace(" ", "+")

    chart, words = charts.placed(found, address)
    marks = drawn(chart, "homes")
    assert {one["homes"] for one in marks if "part" in one} == {1, 2}
    for one in marks:
        assert count(lying, asked(one["address"])) == one["homes"] and "001" not in one["address"]
        assert f"{one['homes']} home" in one["said"]
    assert "5 homes with something open at 4 marks" in words
    assert "3 homes of postal codes without coordinates" in words


def test_who_may_not_know_addresses_sees_no_coordinates_and_only_their_agencies(lying):
    found = regions.open_by_place(Viewer(("Alder County",), personal=False), lying, Filters())
    assert found["latitude"].isna().all() and set(found["agency"]) == {"Alder County"}
    assert found["homes"].sum() == 7


def test_the_page_draws_both_and_its_table_leads_to_the_same(show, lying, sample_fleet):
    page = fine(show(Fleet(lying.path.parent.parent), "regions"))
    assert "Homes with something open where they lie" in text(page) and "north is up" in text(page)
    assert "Homes by elevation and gravest deficiency" in text(page)
    table = html(page).partition("Homes with something open by region, elevation and gravest risk")[2]
    assert "region=Lower+Vale" in table and "elevation=0+to+999+ft" in table
    page = fine(show(sample_fleet, "regions"))
    assert "where they lie" not in text(page) and "Homes by elevation" in text(page)


def test_one_mark_alone_is_drawn_and_many_are_cut_with_the_rest_said(lying):
    found = regions.open_by_place(EVERYTHING, lying, Filters())
    alone = found[found["agency"] == "Birch County"]
    chart, _ = charts.placed(alone, lambda row: "homes")
    corners = chart.to_dict()["datasets"]
    spans = [
        max(one["latitude"] for one in rows) - min(one["latitude"] for one in rows)
        for rows in corners.values()
        if len(rows) == 4
    ]
    assert spans and min(spans) > 0
    many = alone.loc[alone.index.repeat(450)].reset_index(drop=True)
    chart, words = charts.placed(many, lambda row: "homes")
    assert len([one for one in drawn(chart, "homes") if "part" in one]) == 400
    assert "50 more such parts with fewer: see the table" in words
    assert len(drawn(chart, "label")) <= 1  # names on one another are not drawn


# ---- charges


def test_a_circle_of_charges_leads_to_the_homes_of_its_inspections(show, sample_fleet, sample_snapshot):
    bins, curve, _ = regions.charges(EVERYTHING, sample_snapshot, Filters())
    chart, _ = charts.charge_against_elevation(
        bins, curve, 12.0, 2.0, lambda charge: f"homes?charge={charge.replace(' ', '+')}"
    )
    marks = drawn(chart, "inspections")
    assert len(marks) == len(bins) > 50
    some = sorted(marks, key=lambda one: -one["homes"])
    for one in some[:6] + some[-3:]:
        (plain,) = sample_snapshot.rows(
            """
            SELECT count(DISTINCT (r.agency, r.home_id))
            FROM recomputed AS c JOIN readings AS r USING (agency, inspection_id)
            WHERE abs(trusted_charge_psig - ?) <= 0.25 + 1e-9 AND abs(elevation_ft - ?) <= 125
                AND round(trusted_charge_psig * 2) / 2 = ? AND round(elevation_ft / 250) * 250 = ?""",
            [one["charge_psig"], one["elevation_ft"]] * 2,
        )[0]
        assert count(sample_snapshot, asked(one["address"])) == one["homes"] == plain
        assert f"{one['homes']:,} home" in one["said"]
    most = some[0]
    page = fine(show(sample_fleet, "homes", charge=most["charge"]))
    assert f"{most['homes']} homes" in html(page).replace("1 to 40 of ", "")
    (chosen,) = [one for one in page.multiselect if one.label == "Tank charge"]
    assert "of 1,510 homes" in html(fine(chosen.set_value([]).run())).replace("1510", "1,510")


def test_a_charge_that_is_none_is_said_and_refused(show, sample_fleet):
    page = fine(show(sample_fleet, "homes", charge="a lot"))
    assert "There is no tank charge called 'a lot'" in text(page)
    assert not [one for one in page.multiselect if one.label == "Tank charge"]
    with pytest.raises(ListError, match="no charge called 'a lot'"):
        Filters(charge=("a lot",))


def test_certainty_says_that_its_marks_lead_nowhere(show, sample_fleet, sample_snapshot):
    results = sample_snapshot.rows("SELECT sum(results)::BIGINT FROM calibration")[0][0]
    said = text(fine(show(sample_fleet, "checks")))
    assert f"They rest on {results:,} outcomes" in said and "no mark leads to homes" in said
