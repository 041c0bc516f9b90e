"""Whose a deficiency after the work is, and whether certainty was borne out: made visits, told by hand."""

import io
import json

import numpy as np
import pypdf
import pytest
from click.testing import CliRunner

from pipelines import cli
from pipelines.answers import crew_page, crews
from pipelines.answers.access import EVERYTHING, Filters, NotFound
from pipelines.audit import calibration
from pipelines.audit.charged import WHOSE
from pipelines.engine.codes import CERTAINTY_STEPS, RESULT_BITS, joined
from pipelines.engine.results import DEFICIENT, OK
from tests.inspections import SOUND, agency_of, snapshot_of, snapshot_of_cases

VENT = "vent-cap-tight"
LOOSEN = "loosen-vent-cap"


def visit(number, home, day, kind, vent="loose", **changes):
    return SOUND | {
        "agency": "Alder County",
        "inspection_id": number,
        "home_id": home,
        "inspected_on": day,
        "inspection_kind": kind,
        "crew": "Crew 1",
        "inspector": "A. B.",
        "vent_cap": vent,
        **changes,
    }


def job(audit="loose", ordered=None, reported=None, final="loose", again=None, later=None, apart=30):
    """Visits of one home: audit, final, and what came after; None leaves one out."""
    visits = [
        visit(1, "H", "2026-01-05", "initial", audit, work_ordered=ordered) if audit != "none" else None,
        visit(2, "H", "2026-02-05", "final", final, repairs_reported=reported),
        visit(3, "H", f"2026-0{2 + apart // 28}-20", "qa", again) if again else None,
        visit(4, "H", "2026-09-05", "service", later) if later else None,
    ]
    return [one for one in visits if one]


JOBS = (
    (job(audit=None, final="tight"), "not seen at audit"),
    (job(audit="tight", ordered="set-charge", final="tight"), "seen but not ordered"),
    (job(audit="tight", ordered=f"set-charge;{LOOSEN}", final="tight"), "ordered but not right"),
    (job(audit="tight", ordered="Loosen the cap of the automatic air vent", final="tight"),
     "ordered but not right"),
    (job(audit="tight", reported=LOOSEN, final="tight"), "ordered but not right"),
    (job(audit="tight", final="tight"), "nobody"),
    (job(audit="none", final="tight"), "nobody"),
    (job(audit="loose", final="tight"), "changed since"),
    (job(audit="loose", ordered=LOOSEN, final="tight"), "ordered but not right"),
    (job(audit="tight", ordered=LOOSEN, final="loose", again="tight"), "passed at the final"),
    (job(final="loose", later="tight"), "changed since"),
    (job(audit="tight", final="loose"), None),
    (job(audit="tight", ordered="repaint the boiler room", final="tight"), "seen but not ordered"),
)  # fmt: skip


@pytest.fixture(scope="module")
def jobs(tmp_path_factory):
    return snapshot_of_cases(tmp_path_factory.mktemp("jobs"), [visits for visits, _ in JOBS])


@pytest.mark.parametrize(("case", "whose"), [(case, whose) for case, (_, whose) in enumerate(JOBS)])
def test_a_deficiency_after_the_work_is_charged_to_exactly_one(jobs, case, whose):
    asked = "SELECT inspection_id, whose FROM charged WHERE agency = ? AND check_id = ?"
    found = jobs.rows(asked, [agency_of(case), VENT])
    assert found == ([("2", whose)] if whose else [])


def test_what_only_an_audit_finds_is_charged_to_nobody(tmp_path):
    snapshot = snapshot_of(tmp_path, [visit(1, "H", "2026-01-05", "initial", "tight")])
    assert not snapshot.rows("SELECT * FROM charged")


def test_every_deficiency_counted_of_a_crew_is_charged_once(sample_snapshot):
    """Those of finals and of re-inspections that found what the final passed; later ones come on top."""
    counted = dict(sample_snapshot.rows("SELECT check_id, sum(observed) FROM crew_checks GROUP BY 1"))
    charged = dict(sample_snapshot.rows("SELECT check_id, count(*) FROM charged GROUP BY 1"))
    twice = sample_snapshot.rows(
        "SELECT agency, inspection_id, check_id FROM charged GROUP BY ALL HAVING count(*) > 1"
    )
    assert not twice and sum(charged.values()) > 500
    for check, count in charged.items():
        spoken_instead = sample_snapshot.rows(
            """
            SELECT count(*)
            FROM crew_units AS u
            JOIN results AS f ON f.agency = u.agency AND f.inspection_id = u.inspection_id
            JOIN results AS q ON q.agency = u.agency AND q.inspection_id = u.again_id
            WHERE f.check_id = ? AND q.check_id = ? AND f.outcome NOT IN ('ok', 'deficient')
                AND q.outcome = 'deficient'""",
            [check, check],
        )[0][0]
        assert count >= counted[check] - spoken_instead, check


def test_the_page_counts_and_lists_what_the_view_of_the_snapshot_says(sample_snapshot):
    path, everybody = sample_snapshot, Filters()
    counted = crews.charged(EVERYTHING, path, everybody)
    asked = "SELECT check_id, whose, count(*)::BIGINT FROM charged GROUP BY ALL"
    found = {(row.check_id, row.whose): row.count for row in counted.itertuples(index=False)}
    assert {tuple(key): count for *key, count in path.rows(asked)} == found and len(found) > 50
    for (check, whose), count in list(found.items())[::9]:
        listed = crews.charged_units(EVERYTHING, path, everybody, check, whose)
        ids = path.rows(
            "SELECT agency, inspection_id FROM charged WHERE check_id = ? AND whose = ?", [check, whose]
        )
        assert (
            set(zip(listed["agency"], listed["inspection_id"], strict=True)) == set(ids) and len(ids) == count
        )
    assert crews.charged_units(EVERYTHING, path, everybody, "no-such-check", WHOSE[0]).empty


# ---- certainty


def coded_results(outcome, certainty):
    steps = np.round(np.asarray(certainty) * CERTAINTY_STEPS).astype(np.int64)
    pieces = {name: np.zeros(len(steps), np.int64) for name in RESULT_BITS}
    return joined(RESULT_BITS, pieces | {"outcome": np.asarray(outcome), "detail": CERTAINTY_STEPS - steps})


@pytest.mark.parametrize("stated", [0.55, 0.65, 0.75, 0.85, 0.93])
def test_honest_certainty_is_borne_out_as_expected(stated):
    """20,000 houses read twice with a gauge whose error makes either reading right with this probability."""
    luck = np.random.default_rng(26)
    truth = luck.random(20_000) < 0.3
    right = luck.random((2, len(truth))) < stated
    outcomes = [np.where(truth == one, DEFICIENT, OK) for one in right]
    codes = [coded_results(one, np.full(len(truth), stated)) for one in outcomes]
    count, borne_out, expected, _ = calibration._counts(*codes)
    at = int(stated * 10)
    assert count[at] == len(truth) and count.sum() == len(truth)
    assert borne_out[at] / count[at] == pytest.approx(
        expected[at] / CERTAINTY_STEPS**2 / count[at], abs=4 * 0.5 / len(truth) ** 0.5
    )


def test_the_last_tenth_includes_one_and_the_brier_score_is_the_mean_square():
    first = coded_results([OK, OK, DEFICIENT, OK], [1.0, 0.9, 0.9, 0.3])
    second = coded_results([OK, DEFICIENT, DEFICIENT, OK], [1.0, 0.8, 1.0, 0.6])
    count, borne_out, expected, squared = calibration._counts(first, second)
    assert count.tolist() == [0, 0, 0, 1, 0, 0, 0, 0, 0, 3] and borne_out[9] == 2 and borne_out[3] == 1
    assert expected[9] / CERTAINTY_STEPS**2 == pytest.approx(1 + (0.72 + 0.02) + 0.9)
    assert squared[9] / CERTAINTY_STEPS**2 == pytest.approx(0 + 0.81 + 0.01)
    assert squared[3] / CERTAINTY_STEPS**2 == pytest.approx(0.49)


@pytest.mark.slow
def test_only_visits_after_the_work_without_repair_between_are_compared(tmp_path):
    pressures = {"cold_pressure_psig": 12.0, "hot_pressure_psig": 21.0}

    def results(*visits):
        snapshot = snapshot_of(tmp_path / str(len(list(tmp_path.iterdir()))), list(visits))
        return snapshot.rows("SELECT sum(results)::BIGINT, sum(borne_out)::BIGINT FROM calibration")[0]

    final = visit(1, "H", "2026-02-05", "final", **pressures)
    again = visit(2, "H", "2026-03-05", "qa", cold_pressure_psig=12.5, hot_pressure_psig=21.5, inspector="C.")
    compared, borne_out = results(final, again)
    assert compared == borne_out > 3
    assert results(final) == (0, 0)
    assert results(final, again | {"inspected_on": "2026-12-05"}) == (0, 0)
    assert results(final, again | {"repairs_reported": "set-charge"}) == (0, 0)
    assert results(final, again | {"qa_reason": "for_cause"}) == (0, 0)
    assert results(final | {"inspection_kind": "initial"}, again) == (0, 0)


# ---- what to record next time


def test_the_readings_that_lack_are_counted_by_crew(tmp_path):
    """Against the results themselves: a relief valve's setting left out twice by one crew."""
    setting = {"relief_setting_psig": None}
    snapshot = snapshot_of(
        tmp_path,
        [
            visit(1, "H1", "2026-02-05", "final", **setting),
            visit(2, "H2", "2026-02-05", "final", **setting),
            visit(3, "H3", "2026-02-05", "final", crew="Crew 2"),
            visit(4, "H4", "2026-02-05", "initial", **setting),
        ],
    )
    found = snapshot.rows(
        "SELECT crew, checks, units FROM lacking_readings WHERE field = 'relief_setting_psig' ORDER BY 1"
    )
    blocked = snapshot.rows("""
        SELECT count(*), count(DISTINCT inspection_id) FILTER (c.safety_critical)
        FROM results AS r
        JOIN checks AS c USING (check_id)
        WHERE outcome = 'not verified' AND reason = 'not recorded' AND reason_field = 'relief_setting_psig'
            AND c.group <> 'evidence' AND inspection_id IN ('1', '2')""")
    assert found == [("Crew 1", *blocked[0])] and blocked[0][0] > 2 and blocked[0][1] == 2


# ---- a crew's own page


@pytest.fixture(scope="module")
def pages(sample_snapshot):
    crews = sample_snapshot.rows("SELECT DISTINCT agency, crew FROM crew_checks ORDER BY 1, 2")
    assert len(crews) > 15
    return [crew_page.crew_page(EVERYTHING, sample_snapshot, *crew) for crew in crews]


def test_a_crews_own_page_is_one_letter_sheet_with_nothing_of_others(pages):
    names = {page.crew for page in pages}
    for page in pages:
        data = crew_page.as_pdf(page)
        read = pypdf.PdfReader(io.BytesIO(data))
        assert len(read.pages) == 1, page.crew
        assert [round(float(side)) for side in read.pages[0].mediabox[2:]] == [612, 792]
        text = " ".join(read.pages[0].extract_text().split())
        assert page.crew in text and "Three things to change" in text
        assert not [name for name in names - {page.crew} if name in text and name not in page.crew]
        assert data == crew_page.as_pdf(page)


def test_a_crews_own_page_says_what_the_tables_hold(pages, sample_snapshot):
    (page,) = (one for one in pages if one.crew == "Thistledown Loop Works")
    assert any("Tank charged above fill pressure (19 units" in text for text in page.to_change)
    assert len(page.to_change) == 3
    assert any("Tank charge against its upper limit: 19 of 45 units" in text for text in page.not_held)
    held = {text.split(": none of")[0] for text in page.held}
    deficient = sample_snapshot.rows(
        """
        SELECT name FROM crew_checks JOIN checks USING (check_id)
        WHERE crew = 'Thistledown Loop Works' AND observed > 0"""
    )
    assert held and not held & {name for (name,) in deficient}


def test_what_cannot_be_told_from_chance_is_not_within_it(tmp_path):
    """A crew that nobody else works beside has no expectation to be held to."""
    visits = [
        visit(
            number, f"H{number}", "2026-02-05", "final", "tight" if number % 2 else "loose", region="Harbor"
        )
        for number in range(1, 25)
    ]
    page = crew_page.crew_page(EVERYTHING, snapshot_of(tmp_path, visits), "Alder County", "Crew 1")
    (said,) = (text for text in page.with_chance if text.startswith("Controls"))
    assert "12 of 24 units deficient" in said and "cannot be told from chance" in said
    assert not any("within chance" in text for text in page.with_chance)


def test_a_crew_without_finals_has_no_page(sample_snapshot):
    with pytest.raises(NotFound, match="no final inspection"):
        crew_page.crew_page(EVERYTHING, sample_snapshot, "Nowhere", "Crew 99")


# ---- from the command line


def test_the_command_says_what_the_table_holds(sample_fleet, sample_snapshot, tmp_path):
    def called(*words):
        return CliRunner().invoke(cli.main, ["crews", *words, "--fleet", str(sample_fleet.path)])

    document = json.loads(called("--json", "--compare", "agency").stdout)
    rows = sample_snapshot.rows("SELECT name, check_id, observed FROM standings WHERE kind = 'agency'")
    assert sorted((one["name"], one["check_id"], one["observed"]) for one in document["agency"]) == sorted(
        rows
    )
    said = called("--agency", "Tillamere Community Partners").stdout
    assert "Thistledown Loop Works, Tillamere Community Partners: precharge-high, 19 of 45" in said
    page = tmp_path / "page.pdf"
    crew = ("--agency", "Tillamere Community Partners", "--crew", "Crew 3")
    assert called(*crew, "--out", str(page)).exit_code == 0 and page.read_bytes().startswith(b"%PDF")
    assert called("--crew", "Crew 3", "--out", str(page)).exit_code == 2
