"""Papers to hand over: one letter page each, with the numbers of the pages, in words for who reads them."""

import csv
import io
import itertools
import re
import tomllib
from dataclasses import replace
from datetime import date

import pypdf
import pytest
from click.testing import CliRunner

from pipelines import cli
from pipelines.answers import (
    board,
    crews,
    files,
    homes,
    monitoring,
    notice,
    one_home,
    reinspections,
    risks,
    waiting,
)
from pipelines.answers.access import EVERYTHING, Filters, ListError, NotFound, Viewer
from pipelines.answers.contacts import Contact, contact
from pipelines.answers.notice import Finding
from pipelines.engine.checks import BY_ID, HOME_CHECKS
from pipelines.engine.checks.kinds import GROUPS
from pipelines.fields import BY_NAME
from pipelines.fleet.decided import Decision
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.receiving.taking import take
from tests.inspections import SOUND, snapshot_of

AS_OF = date(2026, 6, 30)
IN_ORDER = {name: value for name, value in SOUND.items() if name in BY_NAME} | {"stated_result": None}
NO_RELIEF = {name: None for name in BY_NAME if name.startswith("relief_")} | {"relief_present": "no"}
LETTER = (612, 792)
# Words of risk and of alarm, and words that reassure, none of which a client is told.
RISK = {
    "en": r"risk|high|serious|medium|low|act today|danger\w*|hazard\w*|unsafe|severe|critical|urgent\w*|"
    r"fatal|death|explo\w+|emergency|violat\w+|deficien\w+|fail\w*|immediate\w*",
    "es": r"riesgos?|alt[oa]s?|grave|seri[oa]s?|medi[oa]s?|baj[oa]s?|peligro\w*|urgen\w+|crític\w+|mortal|"
    r"explo\w+|emergencia|insegur\w+|violaci\w+|deficien\w+|fall\w+|inmediat\w+",
}
REASSURING = {
    "en": r"safe\w*|fine|all right|alright|no problem\w*|do not worry|in order|good|sound|okay|ok",
    "es": r"segur[oa]s?|no se preocupe|sin problemas?|en orden|bien|buen[oa]s?|tranquil\w+",
}


def said_on(pdf):
    """(text of the only page, its size); fails where there are more."""
    (page,) = pypdf.PdfReader(io.BytesIO(pdf)).pages
    return " ".join(page.extract_text().split()), tuple(map(float, page.mediabox[2:]))


def visit(home_id, **different):
    return IN_ORDER | dict(agency="North Aid", inspection_id=f"V{home_id}", home_id=home_id) | different


@pytest.fixture(scope="module")
def planted(tmp_path_factory):
    rows = [
        visit("sound", address="1 Invented Lane", postal_code="98765"),
        visit("poison", backflow_device="none", antifreeze="ethylene_glycol", antifreeze_percent=30.0),
        visit("untold", backflow_device="none", antifreeze=None),
        visit("water", backflow_device="none", antifreeze="none"),
        visit("stopped", **NO_RELIEF),
        visit("gap", relief_signs=None, backflow_device=None),
        visit("warm air", heating_system="warm_air"),
    ]
    return snapshot_of(tmp_path_factory.mktemp("handed"), rows)


def noticed(snapshot, home_id, language="en", viewer=EVERYTHING, agency="North Aid", as_of=AS_OF):
    home = one_home.home(viewer, snapshot, agency, home_id, as_of)
    return notice.notice(viewer, snapshot, home, language, as_of)


def told(snapshot, home_id, language="en", **more):
    return said_on(notice.as_pdf(noticed(snapshot, home_id, language, **more)))[0]


# ---- the texts a translator edits


def flat(table, name=""):
    """Every text of a language by its keys."""
    for key, value in table.items():
        if isinstance(value, dict):
            yield from flat(value, f"{name}{key}.")
        elif isinstance(value, list):
            yield from ((f"{name}{key}.{number}", text) for number, text in enumerate(value))
        else:
            yield f"{name}{key}", value


def test_every_language_has_the_same_sentences_with_the_same_blanks():
    english, *others = (dict(flat(notice.texts(language))) for language in notice.LANGUAGES)
    for other in others:
        assert other.keys() == english.keys()
        for key, text in english.items():
            assert set(re.findall(r"{\w+}", text)) == set(re.findall(r"{\w+}", other[key])), key


@pytest.mark.parametrize("language", notice.LANGUAGES)
def test_every_check_has_one_plain_sentence(language):
    texts = notice.texts(language)
    assert set(texts["checks"]) == {check.id for check in HOME_CHECKS}
    assert set(texts["groups"]) == set(GROUPS) - {"evidence"}
    assert len(set(texts["checks"].values())) == len(texts["checks"])
    for text in texts["checks"].values():
        assert all(len(sentence.split()) <= 20 for sentence in re.split(r"(?<=[.?!]) ", text)), text


@pytest.mark.parametrize("language", notice.LANGUAGES)
def test_a_notice_speaks_of_no_risk_and_reassures_nobody(language):
    for key, text in flat(notice.texts(language)):
        for words in (RISK[language], REASSURING[language]):
            assert not re.search(rf"\b({words})\b", text, re.IGNORECASE), (key, text)


@pytest.mark.parametrize("language", notice.LANGUAGES)
def test_sentences_are_short_and_their_words_too(language):
    """Sentences of 20 words or fewer and words of two syllables on average: about a fifth grade's reading."""
    texts = [text for key, text in flat(notice.texts(language)) if not key.startswith("words.data")]
    sentences = [one for text in texts for one in re.split(r"(?<=[.?!:]) ", text)]
    assert max(len(one.split()) for one in sentences) <= 22
    letters = [len(word.strip(".,:;?!")) for text in texts for word in text.split()]
    assert sum(letters) / len(letters) < 5.2


def test_the_files_of_sentences_are_plain_toml():
    for language in notice.LANGUAGES:
        with open(notice.NOTICES / f"{language}.toml", "rb") as file:
            assert tomllib.load(file) == notice.texts(language)
    assert {path.stem for path in notice.NOTICES.glob("*.toml")} == set(notice.LANGUAGES)


# ---- what a client is told


def test_a_notice_of_the_samples_tells_what_is_open_and_no_word_of_risk(sample_snapshot):
    found = sample_snapshot.rows(
        """
        SELECT agency, home_id FROM homes
        WHERE open_deficiencies > 0
        ORDER BY open_deficiencies DESC, agency, home_id
        LIMIT 3"""
    )
    for (agency, home_id), language in itertools.product(found, notice.LANGUAGES):
        home = one_home.home(EVERYTHING, sample_snapshot, agency, home_id, AS_OF)
        said = notice.notice(EVERYTHING, sample_snapshot, home, language, AS_OF)
        opened = {(check.system_id, check.check_id) for check in home.checks if check.stage}
        assert {(one.system_id, one.check_id) for one in said.findings} == opened
        text, size = said_on(notice.as_pdf(said))
        assert size == LETTER
        for one in said.findings:
            assert notice.texts(language)["checks"][one.check_id] in text
        assert not re.search(rf"\b({RISK[language]})\b", text.replace(agency, ""), re.IGNORECASE)
        assert sample_snapshot.name.removesuffix(".duckdb") in text and "2026-06-30" in text
        policy = sample_snapshot.rows("SELECT inputs->>'policy' FROM runs")[0][0]
        assert policy[:12] in text


def test_letters_of_spanish_are_as_they_are_written(planted):
    text = told(planted, "stopped", "es")
    assert "válvula" in text and "niños" in text and "Quién" in text and "U+" not in text
    asked = replace(noticed(planted, "stopped", "es"), call=Contact("¿Dudas? Señora Peña, Área de Güímar"))
    assert "¿Dudas? Señora Peña, Área de Güímar" in said_on(notice.as_pdf(asked))[0]


def test_a_notice_of_nothing_open_says_what_is_not_known_and_does_not_reassure(planted):
    words = notice.texts("en")["words"]
    assert words["none_found"] in told(planted, "sound")
    gap = noticed(planted, "gap")
    assert (
        sum(gap.unknown.values())
        == one_home.home(EVERYTHING, planted, "North Aid", "gap", AS_OF).safety_not_verified
    )
    text = told(planted, "gap")
    assert words["none_found"] not in text and words["none_found_so_far"] in text
    assert f"There are {sum(gap.unknown.values())} things that we could not check" in text
    assert notice.texts("en")["groups"]["potable"] in text
    assert words["we_check"] in text
    aside = told(planted, "warm air")
    assert words["not_checked"] in aside and words["none_found"] not in aside


def test_the_heater_stays_off_where_it_must_not_run():
    off = {
        check.id for check in HOME_CHECKS if re.match(r"(Shut the boiler down|Stop the boiler)", check.remedy)
    }
    assert off <= notice.STAYS_OFF


def test_what_a_household_is_to_do_until_the_work_is_done(planted):
    words = notice.texts("en")["words"]
    assert words["keep_off"] in told(planted, "stopped")
    assert words["keep_off"] not in told(planted, "water")
    assert words["no_tap_water"] in told(planted, "poison")
    assert words["no_tap_water_unknown"] in told(planted, "untold")
    assert "tap water" not in told(planted, "water")


def test_an_address_stands_only_where_the_viewer_may_see_it(planted):
    assert "1 Invented Lane" in told(planted, "sound")
    assert "Invented Lane" not in told(planted, "sound", viewer=Viewer(personal=False))
    with pytest.raises(NotFound):
        told(planted, "sound", viewer=Viewer(agencies=("Elsewhere",)))


def test_days_stand_beside_what_is_to_be_fixed_until_they_are_past(planted):
    first = noticed(planted, "stopped", as_of=date(2020, 1, 1))
    assert {one.who for one in first.findings} == {""} and all(one.due for one in first.findings)
    assert all(one.due is None for one in noticed(planted, "stopped", as_of=date(2099, 1, 1)).findings)


def test_a_home_with_two_addresses_has_no_notice(planted):
    home = one_home.home(EVERYTHING, planted, "North Aid", "sound", AS_OF)
    twice = replace(home, headline="one id, two addresses; none found")
    with pytest.raises(ListError, match="two addresses"):
        notice.notice(EVERYTHING, planted, twice, "en", AS_OF)


def longest(said, language):
    """The notice of a home with two systems at which every check is open, and the longest names."""
    checks = itertools.product(("Upper floors and addition", "Lower floor"), HOME_CHECKS)
    return replace(
        said,
        language=language,
        agency="Community Action Partners of the Greater Valley and Surrounding Hills " * 3,
        home_id="H" * 200,
        job_number="J" * 200,
        address="12345 Northwest Extraordinarily Long Invented Boulevard, Apartment 123, Building W " * 3,
        systems=2,
        assessed=True,
        findings=tuple(
            Finding(check.id, system, date(2026, 7, 1 + number % 5), f"Crew {number % 2} of the valley")
            for number, (system, check) in enumerate(checks)
        ),
        unknown=dict.fromkeys(notice.texts(language)["groups"], 4),
        in_doubt=True,
        antifreeze="not known",
        call=Contact("Office " * 30, "555-0100 " * 20, "Monday to Friday " * 10),
    )


@pytest.mark.parametrize("language", notice.LANGUAGES)
def test_a_notice_is_one_page_however_much_there_is_and_counts_what_has_no_room(planted, language):
    full = longest(noticed(planted, "stopped"), language)
    text, size = said_on(notice.as_pdf(full))
    words = notice.texts(language)["words"]
    assert size == LETTER
    shown = len(re.findall(r"\b\d+\. [A-Z].*?\((?:heater|caldera) ", text))
    assert words["more"].format(count=len(full.findings) - shown) in text and shown >= 1
    assert words["keep_off"][:40] in text and words["no_tap_water_unknown"][:40] in text
    assert words["sign_client"] in text and words["cut"] in text and "..." in text


@pytest.mark.parametrize("language", notice.LANGUAGES)
def test_fourteen_findings_in_two_systems_all_have_room(planted, language):
    """Twice as many as any home of the samples has open."""
    some = replace(
        noticed(planted, "stopped"),
        language=language,
        systems=2,
        findings=tuple(
            Finding(check.id, f"B{number % 2}", date(2026, 7, 1 + number % 3), "")
            for number, check in enumerate(HOME_CHECKS[10:24])
        ),
    )
    text, _ = said_on(notice.as_pdf(some))
    assert "14. " in text and notice.texts(language)["words"]["more"].split("{count}")[1] not in text


def test_a_notice_is_the_same_every_time(planted):
    assert notice.as_pdf(noticed(planted, "stopped")) == notice.as_pdf(noticed(planted, "stopped"))


# ---- whom to call


def contacts(tmp_path, *rows, headings=("agency", "name", "phone", "hours", "language")):
    fleet = Fleet(tmp_path).create()
    with open(fleet.contacts, "w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([headings, *rows])
    return fleet


def test_whom_to_call_is_the_agencys_own_and_of_the_language(tmp_path):
    fleet = contacts(
        tmp_path,
        ("", "Main office", "555-0100", "", ""),
        ("north aid", "North office", "555-0111", "8 to 5", ""),
        ("North Aid", "Oficina del norte", "555-0122", "8 a 5", "es"),
        ("", "Oficina", "555-0133", "", "es"),
    )
    asked = {
        (agency, language): contact(fleet, agency, language, notice.LANGUAGES).phone
        for agency in ("North Aid", "South Aid")
        for language in notice.LANGUAGES
    }
    assert list(asked.values()) == ["555-0111", "555-0122", "555-0100", "555-0133"]


def test_without_contacts_there_is_a_line_to_fill_in(planted):
    said = noticed(planted, "stopped")
    assert said.call == Contact() and "Phone:" in told(planted, "stopped")


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (("", "Office", "", "", ""), "line 2: phone is empty"),
        (("", "Office", "555-0100", "", "fr"), "line 2: language is en, es, or nothing"),
    ],
)
def test_a_line_of_contacts_that_cannot_be_used_is_named(tmp_path, row, said):
    with pytest.raises(FleetError, match=said):
        contact(contacts(tmp_path, row), "North Aid", "en", notice.LANGUAGES)


def test_two_lines_that_disagree_are_named(tmp_path):
    fleet = contacts(tmp_path, ("", "A", "555-0100", "", ""), ("", "A", "555-0101", "", ""))
    with pytest.raises(FleetError, match="line 3: line 2 says something else"):
        contact(fleet, "North Aid", "en", notice.LANGUAGES)


# ---- the monitoring packet


AGENCY = "Tillamere Community Partners"


@pytest.fixture(scope="module")
def monitored(sample_snapshot):
    return monitoring.monitoring(EVERYTHING, sample_snapshot, AGENCY.lower(), AS_OF)


def test_the_packets_numbers_are_those_of_the_pages(sample_snapshot, monitored):
    own = Filters(agency=(AGENCY,))
    text, size = said_on(monitoring.as_pdf(monitored))
    assert size == LETTER and monitored.agency == AGENCY
    for row in reinspections.required(EVERYTHING, sample_snapshot, own).itertuples():
        numbers = " ".join(
            f"{getattr(row, name):,}"
            for name in ("units", "finals", "own_finals", "required", "done", "short", "for_cause")
        )
        assert f"Year from {row.program_year} {numbers}" in text
    levels = risks.levels(EVERYTHING, sample_snapshot, own)
    for row in levels.itertuples():
        assert f"{row.risk.capitalize()} {row.stage0:,} {row.stage1:,} {row.stage2:,} {row.stage3:,}" in text
    count = len(waiting.overlaid(EVERYTHING, sample_snapshot, own, AS_OF))
    assert f"{count:,} deficiencies open" in text
    page = waiting.first_page(EVERYTHING, sample_snapshot, own, AS_OF).set_index("question")
    reported = page.loc["reported-open"]
    assert f"{int(reported['deficiencies0']):,} deficiencies in {int(reported['homes0']):,} homes" in text
    held = homes.held(EVERYTHING, sample_snapshot, own).iloc[0]
    assert f"{held['units']:,} units to hold: {held['opened']:,} with something open" in text
    assert f"May be reported: {held['clear']:,}" in text
    unverified = homes.homes_count(EVERYTHING, sample_snapshot, own, "safety-not-verified", AS_OF)
    assert f"In {unverified:,} homes a safety-critical check was never verified" in text
    agreed = crews.agreement(EVERYTHING, sample_snapshot, own)
    assert f"Of {agreed['pairs'].sum():,} results told both times {agreed['agree'].sum():,} agree" in text
    came = files.agencies(EVERYTHING, sample_snapshot, own, AS_OF).iloc[0]
    assert f"{came['homes']:,} homes, {came['assessed']:,} of them assessed" in text
    (corrected,) = sample_snapshot.rows(
        "SELECT count(*) FROM home_checks WHERE agency = ? AND state = 'corrected'", [AGENCY]
    )[0]
    assert f"corrected: {corrected:,}." in text


def test_decisions_in_force_are_counted_and_name_who_does_it(tmp_path):
    rows = [visit(home, backflow_device="none") for home in ("a", "b", "c", "d")]
    snapshot = snapshot_of(tmp_path, rows)
    for home, more in (
        ("a", {"what": "seen"}),
        ("b", {"what": "no access"}),
        ("c", {"what": "assigned", "to": "Crew Seven"}),
    ):
        about = dict(who="Q. A.", agency="North Aid", home_id=home, check_id="backflow-missing")
        take(Fleet(snapshot.path.parent.parent), snapshot, [Decision(**about, **more)])
    today = date.today()
    said = monitoring.monitoring(EVERYTHING, snapshot, "North Aid", today)
    assert said.decided == {"seen": 1, "no access": 1, "assigned": 1}
    assert said.waits.opened("no-action") == said.opened - 3
    text, _ = said_on(monitoring.as_pdf(said))
    assert f"3 have an action in force (seen 1, no access 1, assigned 1) and {said.opened - 3} " in text
    assert "Who: Crew Seven" in told(snapshot, "c", as_of=today)
    assert [one.who for one in noticed(snapshot, "a", as_of=today).findings] == [""]


def test_a_packet_names_nothing_of_a_client(sample_snapshot, monitored):
    text, _ = said_on(monitoring.as_pdf(monitored))
    for column in ("address", "inspector"):
        for (value,) in sample_snapshot.rows(
            f"SELECT DISTINCT {column} FROM readings WHERE agency = ? AND {column} IS NOT NULL", [AGENCY]
        ):
            assert len(value) < 4 or value not in text, value


def test_a_packet_is_one_page_with_every_check_and_many_years(monitored):
    years = monitored.years.iloc[[0] * 40].assign(program_year=range(1980, 2020))
    every = monitored.unverified.iloc[[0] * len(HOME_CHECKS)].assign(
        check_id=[check.id for check in HOME_CHECKS], homes=1234
    )
    full = replace(
        monitored,
        agency="Community Action Partners of the Greater Valley and Surrounding Hills " * 3,
        years=years,
        unverified=every,
        agreement=monitored.agreement.assign(missed=7),
        decided=dict.fromkeys(
            ("seen", "ordered", "done", "accepted", "deferred", "referred", "refused"), 999
        ),
    )
    text, size = said_on(monitoring.as_pdf(full))
    assert size == LETTER
    more = sum(map(int, re.findall(r"and (\d+) checks? more", text)))
    shown = sum(BY_ID[check].name in text for check in BY_ID)
    assert more and shown
    assert re.search(r"\d+ earlier years not shown", text)


def test_an_agency_that_sends_nothing_is_said_to(monitored):
    text, _ = said_on(monitoring.as_pdf(replace(monitored, as_of=date(2030, 1, 1))))
    assert "No recent file" in text


def test_a_packet_of_no_agency_is_refused(sample_snapshot):
    with pytest.raises(ListError, match="no agency called 'Nobody'"):
        monitoring.monitoring(EVERYTHING, sample_snapshot, "Nobody", AS_OF)
    with pytest.raises(ListError):
        monitoring.monitoring(Viewer(agencies=("Elsewhere",)), sample_snapshot, AGENCY, AS_OF)


# ---- the board page


@pytest.mark.parametrize("chosen", [Filters(), Filters(agency=(AGENCY,))])
def test_the_boards_numbers_are_those_of_the_pages(sample_snapshot, chosen):
    said = board.board(EVERYTHING, sample_snapshot, chosen, AS_OF)
    text, size = said_on(board.as_pdf(said))
    assert size == LETTER

    def count(question):
        return homes.homes_count(EVERYTHING, sample_snapshot, chosen, question, AS_OF)

    assert said.homes(board.CLEAR) == count("none-found")
    assert said.homes(board.ASIDE) == count("not-assessed")
    assert said.homes(board.OPEN) == homes.work_count(EVERYTHING, sample_snapshot, chosen, "", AS_OF)
    assert sum(said.homes(one) for one in board.KNOWN) == count("")
    opened = waiting.overlaid(EVERYTHING, sample_snapshot, chosen, AS_OF)
    act_today = sum(risk == "act today" for risk in opened["risk"].to_pylist())
    assert f"known: {act_today:,} deficiencies" in text
    assert f"{count('hold'):,} finished units to hold back" in text
    assert f"{count('may-be-reported'):,} may be reported" in text
    assert f"for {len(opened):,} none is" in text
    for agency in said.agencies.itertuples():
        assert agency.agency in text
        for known in board.KNOWN:
            assert f"{getattr(agency, known):,}" in text


def test_every_count_of_a_bar_is_written_even_where_it_has_no_room(sample_snapshot):
    said = board.board(EVERYTHING, sample_snapshot, Filters(), AS_OF)
    crowded = said.agencies.head(1).assign(agency="Narrow", open=100_000, unknown=3, clear=2, aside=1)
    text, _ = said_on(board.as_pdf(replace(said, agencies=crowded)))
    assert "3 not all verified; 2 all verified; 1 not assessed" in text and "100,000" in text


def test_a_board_page_of_many_agencies_is_one_page_and_adds_the_rest_up(sample_snapshot):
    said = board.board(EVERYTHING, sample_snapshot, Filters(), AS_OF)
    many = said.agencies.iloc[[0] * 300].assign(
        agency=[f"Agency {number} of the hills" for number in range(300)]
    )
    full = replace(said, agencies=many, silent=tuple(many["agency"]), filters={"region": ["R" * 300]})
    text, size = said_on(board.as_pdf(full))
    shown = len(re.findall(r"Agency \d+ of the hills", text)) - 4
    assert size == LETTER and f"{300 - shown} more agencies" in text and "and 296 more" in text
    for known in board.KNOWN:
        assert f"{full.homes(known):,}" in text


def test_a_viewer_of_one_agency_sees_no_other_on_the_board(sample_snapshot):
    said = board.board(Viewer(agencies=(AGENCY,)), sample_snapshot, Filters(), AS_OF)
    assert list(said.agencies["agency"]) == [AGENCY]
    assert "Hollin" not in said_on(board.as_pdf(said))[0]


def test_an_empty_fleet_has_a_board_page(empty_fleet):
    from pipelines.snapshot.version import attach

    snapshot = attach(empty_fleet.current())
    text, _ = said_on(board.as_pdf(board.board(EVERYTHING, snapshot, Filters(), AS_OF)))
    assert "0 homes of 0 agencies" in text


# ---- as commands and on pages


def test_the_commands_write_their_page(sample_fleet, tmp_path):
    def run(*args):
        return CliRunner().invoke(cli.main, [*args, "--fleet", str(sample_fleet.path)])

    for name, args in (
        ("notice", (AGENCY, "16", "--language", "es", "--as-of", "2026-06-30")),
        ("monitoring", (AGENCY,)),
        ("board", ("--agency", AGENCY)),
    ):
        out = tmp_path / f"{name}.pdf"
        done = run(name, *args, "--out", str(out))
        assert done.exit_code == 0 and done.stdout == f"page  {out}\n", done.output
        said_on(out.read_bytes())
        assert run(name, *args, "--out", str(tmp_path / "page.txt")).exit_code == 2
    assert run("notice", AGENCY, "no such home", "--out", str(tmp_path / "x.pdf")).exit_code == 1


def labels(page):
    return [button.label for button in page.get("download_button")]


def test_pages_offer_what_is_handed_over(sample_fleet, show):
    assert "One page to hand over" in labels(show(sample_fleet))
    home = show(sample_fleet, "home", of=AGENCY, home="16")
    assert not home.exception and {"English", "Español"} <= set(labels(home))
    assert "One page to hand over" in labels(show(sample_fleet, "hold", agency=AGENCY))
