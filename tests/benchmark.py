"""How long it takes and how much memory it needs, told in ratios: python -m tests.benchmark --help

Every part runs in a process of its own, so that its memory is its own; nothing is imported here that a part
would inherit. Files lie in a temporary folder unless --work names one.
"""

import argparse
import contextlib
import json
import os
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ROW_BY_ROW_INSPECTIONS, ROW_BY_ROW_SAMPLE = 100_000, 2_000
# How far the loop's certainty and the snapshot's may lie apart. Both are rounded to four decimals (1e-4
# together), and the pipeline's share of the normal distribution is good to 5e-7. Measured at most: 1e-4.
CERTAINTY_WITHIN = 1.5e-4
COMMANDS = (("--help",), ("status",), ("checks",))
AUDITS = 5  # how often the tables of the audit are made
PARTS = {}


def part(function):
    """A part of the run, called in its own process with folder and arguments; returns what it found."""
    PARTS[function.__name__] = function
    return function


# ---- load, recompute, publish


@part
def make_csv(work, asked):
    from tests import simulated

    path = work / "simulated.csv"
    return {"bytes": simulated.write(path, asked.inspections, asked.seed)}


@part
def bare_read_to_file(work, asked):
    return _bare_read(work, work / "bare.duckdb")


@part
def bare_read_in_memory(work, asked):
    return _bare_read(work, ":memory:")


def _bare_read(work, database):
    """DuckDB's own read_csv of the file into a table, its guesses and all."""
    import duckdb

    with duckdb.connect(database) as connection:
        connection.execute(f"CREATE TABLE readings AS SELECT * FROM read_csv('{work / 'simulated.csv'}')")
        connection.execute("CHECKPOINT")
        rows = connection.execute("SELECT count(*) FROM readings").fetchall()[0][0]
    if database != ":memory:":
        Path(database).unlink()
    return {"rows": rows}


@part
def load(work, asked):
    """The whole way: the door, then build with its stages."""
    return _load(work / "fleet", work / "simulated.csv")


def _load(folder, path):
    from pipelines.fleet import snapshots
    from pipelines.fleet.folder import Fleet
    from pipelines.receiving import door
    from pipelines.snapshot import stages
    from pipelines.snapshot.progress import Progress

    fleet, told = Fleet(folder).create(), Progress()
    began = time.perf_counter()
    arrivals = door.load(fleet, [path])
    at_the_door = time.perf_counter() - began
    snapshot = stages.build(fleet, told)
    assert arrivals[0].status == "loaded", arrivals[0].why
    spent_in = {
        "the door": at_the_door,
        **{name: spent for name, spent in told.seconds.items() if name != "done"},
    }
    counts = snapshots.attach(snapshot).rows(
        "SELECT sum(rows_kept)::BIGINT, (SELECT count(*) FROM homes) FROM exports"
    )[0]
    return {
        "stages": spent_in,
        "snapshot_bytes": snapshot.stat().st_size,
        "inspections": counts[0],
        "homes": counts[1],
    }


@part
def audit(work, asked):
    """The tables of the audit made anew in a copy of the snapshot, alone: seconds of each time."""
    import shutil

    import duckdb

    from pipelines.audit import crews
    from pipelines.engine.policy import policy
    from pipelines.fleet.folder import Fleet
    from pipelines.fleet.publishing import BUILD_MEMORY
    from pipelines.snapshot import stages

    copy, spent = work / "audited.duckdb", []
    shutil.copyfile(Fleet(work / "fleet").current(), copy)
    with duckdb.connect(copy) as connection:
        connection.execute(f"SET memory_limit = '{BUILD_MEMORY}'")
        for _ in range(AUDITS):
            began = time.perf_counter()
            with stages.at_once(connection) as make:
                crews.crew_tables(connection, stages.READINGS, policy.load(), make)
            spent.append(time.perf_counter() - began)
    copy.unlink()
    return {"seconds": spent}


@part
def add_one_export(work, asked):
    """An export of 500 rows added: what is worked out anew, and whether a whole rebuild comes out equal."""
    from pyarrow import csv

    from pipelines.fleet import snapshots
    from pipelines.fleet.folder import Fleet
    from pipelines.receiving import door
    from pipelines.snapshot import stages, workers
    from pipelines.snapshot.progress import Progress
    from tests import simulated

    fleet, path, touched = Fleet(work / "fleet"), work / "one-export.csv", []
    csv.write_csv(simulated.one_export(asked.seed), path)
    judge = workers.judge

    def noted(table, policy):
        touched.append(
            (
                table.num_rows,
                len(set(zip(table["agency"].to_pylist(), table["home_id"].to_pylist(), strict=True))),
            )
        )
        return judge(table, policy)

    workers.judge, told = noted, Progress()
    began, cpu = time.perf_counter(), time.process_time()
    door.load(fleet, [path])
    snapshot = stages.build(fleet, told)
    seconds, cpu = time.perf_counter() - began, time.process_time() - cpu
    export = (
        snapshots.attach(snapshot)
        .query(
            """
            SELECT rows_read, rows_kept, rows_repeated, rows_not_loaded FROM exports
            ORDER BY export_id DESC LIMIT 1
            """
        )
        .iloc[0]
        .to_dict()
    )
    workers.judge, began = judge, time.perf_counter()
    faults = stages.verify(fleet)
    return {
        "added_seconds": seconds,
        "added_cpu": cpu,
        "stages": told.seconds,
        "inspections": sum(one[0] for one in touched),
        "homes": sum(one[1] for one in touched),
        "export": {name: int(count) for name, count in export.items()},
        "faults": faults,
        "verify_seconds": time.perf_counter() - began,
    }


# ---- one row at a time


@part
def row_by_row(work, asked):
    """The pipeline on so many inspections, and the plain loop over some: results and times compared."""
    from pipelines.fleet.folder import Fleet
    from tests import simulated

    count = min(ROW_BY_ROW_INSPECTIONS, asked.inspections)
    path = work / "fewer.csv"
    simulated.write(path, count, asked.seed)
    cpu, began = time.process_time(), time.perf_counter()
    told = _load(work / "fewer", path)
    whole, whole_cpu = time.perf_counter() - began, time.process_time() - cpu
    compared = Compared(Fleet(work / "fewer"), every=max(1, count // ROW_BY_ROW_SAMPLE))
    return {
        "inspections": count,
        "whole": whole,
        "whole_cpu": whole_cpu,
        "checking": told["stages"]["recomputing and checking"],
        **compared.timed(),
    }


class Compared:
    """A fleet's inspections judged by both, or every so-manieth of them.

    `outcomes` counts (check, outcome) of the pipeline. `disagreements` fills `apart`, the largest difference
    of certainty by check, and `too_close`, outcomes that differ only because a certainty lies at the policy's
    figure.
    """

    def __init__(self, fleet, every=1):
        from collections import Counter, defaultdict

        from pipelines.engine.policy import policy as policies
        from pipelines.fleet import snapshots
        from tests import row_by_row

        self.row_by_row, self.policy = row_by_row, policies.load(fleet.policy)
        snapshot = snapshots.attach(fleet.current())
        needed = (
            "agency",
            "inspection_id",
            "home_id",
            "system_id",
            "inspected_on",
            "inspection_kind",
            "updated_at",
            "makeup_meter_gal",
            "inspector",
            "crew",
            "address",
            "postal_code",
            "heating_system",
            "tank_type",
            "fill_setting_psig",
            "boiler_year",
            "repairs_reported",
            *row_by_row.FIVE,
        )
        numbered = """
            SELECT agency, inspection_id, row_number() OVER (ORDER BY agency, inspection_id) AS number
            FROM readings
        """
        some = f"SELECT (agency, inspection_id) FROM ({numbered}) WHERE number % {every} = 0"
        chosen = f"(agency, inspection_id) IN ({some})"
        self.fleet = row_by_row.Fleet(_recorded(snapshot.arrow(f"SELECT {', '.join(needed)} FROM readings")))
        self.visits = list(_recorded(snapshot.arrow(f"SELECT * FROM readings WHERE {chosen}")))
        self.recomputed = {
            (row["agency"], row["inspection_id"]): row
            for row in snapshot.arrow(f"SELECT * FROM recomputed WHERE {chosen}").to_pylist()
        }
        self.results, self.outcomes = defaultdict(dict), Counter()
        for agency, inspection_id, check, outcome, certainty in snapshot.rows(
            f"SELECT agency, inspection_id, check_id, outcome, certainty FROM results WHERE {chosen}"
        ):
            self.results[agency, inspection_id][check] = outcome, certainty
            self.outcomes[check, outcome] += 1
        places = row_by_row.Places(fleet.places)
        rules, own_rules = {}, []
        for visit in self.visits:
            day = visit["inspected_on"] if self.policy.days_of_change else date.max
            kind = visit["agency"], visit.get("region"), day
            if kind not in rules:
                rules[kind] = row_by_row.Rules(self.policy, *kind)
            own_rules.append(rules[kind])
        self.asked = [
            (visit, rules_of_it, self.fleet, places.of(visit))
            for visit, rules_of_it in zip(self.visits, own_rules, strict=True)
        ]
        self.apart, self.too_close = {}, []

    def disagreements(self):
        """(inspection, quantity or check, what the loop says, what the snapshot says), certainty too."""
        self.apart, self.too_close, found = {}, [], []
        for asked in self.asked:
            key = asked[0]["agency"], asked[0]["inspection_id"]
            judged, recomputed, results = (
                self.row_by_row.judge(*asked),
                self.recomputed[key],
                self.results[key],
            )
            found += [
                (key, name, mine, recomputed[name])
                for name, mine in judged["quantities"].items()
                if not _same(mine, recomputed[name])
            ]
            for check in judged["outcomes"].keys() | results.keys():
                mine, theirs = judged["outcomes"].get(check), results.get(check, (None, None))
                told = judged["certainty"].get(check) if mine in self.row_by_row.TOLD else None
                if mine != theirs[0] and self._hangs_on_a_figure(check, {mine, theirs[0]}, judged, asked[1]):
                    self.too_close.append((key, check, mine, theirs[0]))
                elif mine != theirs[0] or not self._as_certain(check, told, theirs[1]):
                    found.append((key, check, (mine, told), theirs))
        return found

    def _as_certain(self, check, mine, theirs):
        """Whether both are as certain of the same outcome, within CERTAINTY_WITHIN."""
        if mine is None or theirs is None:
            return mine is theirs
        apart = abs(mine - theirs)
        self.apart[check] = max(apart, self.apart.get(check, 0.0))
        return apart <= CERTAINTY_WITHIN

    def _hangs_on_a_figure(self, check, said, judged, rules):
        """Whether both `said` are right, since the certainty that decides lies at the policy's figure."""
        loop, certain = self.row_by_row, judged["certainty"]
        if check in loop.LEAST_CERTAINTY and loop.NOT_VERIFIED in said and said & set(loop.TOLD):
            figure, deciding = getattr(rules, loop.LEAST_CERTAINTY[check]), [check]
        elif check == loop.LAST and said == set(loop.TOLD):
            figure, deciding = (
                rules.sure_certainty,
                [one for one in loop.SAFETY_CRITICAL if judged["outcomes"][one] != loop.OK],
            )
        else:
            return False
        return any(abs(certain[one] - figure) <= CERTAINTY_WITHIN for one in deciding if one in certain)

    def seconds_an_inspection(self, with_certainty=True):
        """Processor time of the loop, readings already in hand."""
        began = time.process_time()
        for asked in self.asked:
            self.row_by_row.judge(*asked, with_certainty=with_certainty)
        return (time.process_time() - began) / len(self.asked)

    def timed(self):
        """How many were compared, in how many places they differ, and what the loop takes for one."""
        found = self.disagreements()
        return {
            "sample": len(self.visits),
            "disagreements": len(found),
            "first": [str(one) for one in found[:3]],
            "too_close": len(self.too_close),
            "apart": self.apart,
            **{
                f"by_row {how}": min(self.seconds_an_inspection(certain) for _ in range(3))
                for how, certain in (("with certainty", True), ("without certainty", False))
            },
        }


def _recorded(table):
    """The rows of a table as dictionaries of what is recorded."""
    for row in table.to_pylist():
        yield {name: value for name, value in row.items() if value is not None}


def _same(mine, theirs):
    import math

    if mine is None or theirs is None or isinstance(mine, bool):
        return mine is theirs or mine == theirs
    return math.isclose(mine, theirs, rel_tol=1e-6, abs_tol=1e-6)


@part
def in_columns(work, asked):
    """Processor time of the pipeline's formulas over inspections in memory, with certainty and without."""
    from pipelines.fleet.folder import Fleet
    from pipelines.snapshot.batches import WORKERS

    return formulas_in_columns(Fleet(work / "fewer"), ROW_BY_ROW_INSPECTIONS) | {"side by side": WORKERS}


def formulas_in_columns(fleet, inspections=20_000):
    """Seconds an inspection takes in columns on one core, with certainty and without."""
    from pipelines.engine.arrays import from_arrow
    from pipelines.engine.margins import Margin
    from pipelines.engine.policy import policy as policies
    from pipelines.engine.quantities import COLUMNS
    from pipelines.engine.quantities.resolver import Recomputed
    from pipelines.engine.results import results
    from pipelines.fleet import snapshots
    from pipelines.snapshot.workers import ROWS_IN_CACHE

    snapshot, policy = snapshots.attach(fleet.current()), policies.load(fleet.policy)
    readings = from_arrow(
        snapshot.arrow(
            f"SELECT * FROM readings ORDER BY agency, home_id, inspection_id LIMIT {inspections}"
        ).combine_chunks()
    )
    parts = [
        slice(start, min(start + ROWS_IN_CACHE, len(readings)))
        for start in range(0, len(readings), ROWS_IN_CACHE)
    ]

    def once():
        began = time.process_time()
        for rows in parts:
            recomputed = Recomputed(readings.rows(rows), policy.for_rows())
            results(recomputed)
            for name in COLUMNS:
                recomputed[name]
        return (time.process_time() - began) / len(readings)

    told, chance = {"with certainty": min(once() for _ in range(3))}, Margin.chance_below_zero
    try:
        Margin.chance_below_zero = lambda margin, rows: 0.0 * rows
        return told | {"without certainty": min(once() for _ in range(3))}
    finally:
        Margin.chance_below_zero = chance


# ---- pages


@part
def questions(work, asked):
    """Every question that a page may ask of the current snapshot: seconds at first and when asked again."""
    import inspect
    import logging
    from datetime import date

    from pipelines.audit.habits import HABITS
    from pipelines.fleet import snapshots
    from pipelines.fleet.folder import Fleet

    os.environ["COLDFILL_FLEET"] = str(work / "fleet")
    logging.disable(logging.WARNING)  # Streamlit says of every cache that no server is running
    from dashboard import data

    fleet = Fleet(work / "fleet")
    snapshot = snapshots.attach(fleet.current())
    agency, home_id, inspection_id, crew, inspector = snapshot.rows(
        """
        SELECT agency, home_id, inspection_id, crew, inspector FROM readings WHERE crew IS NOT NULL
        ORDER BY agency, inspection_id LIMIT 1
        """
    )[0]
    some = {
        "viewer": data.EVERYTHING,
        "snapshot": str(fleet.current()),
        "filters": data.Filters(),
        "as_of": date(2026, 3, 1),
        "most": 12,
        "stage": data.STAGES[2],
        "sort": "risk",
        "page": 1,
        "only": "",
        "chosen": (),
        "agency": agency,
        "home_id": home_id,
        "inspection_id": inspection_id,
        "search": home_id,
        "among": (),
        "export_id": 1,
        "name": "recent_file_days",
        "decisions": (),
        "clear": False,
        "inspector": inspector,
        "year": 2025,
        "counted_as": "finals",
        "whose": "passed at the final",
        "kind": "crew",
        "habit": next(iter(HABITS)),
        "language": "en",
        "home": data.home(data.EVERYTHING, str(fleet.current()), agency, home_id),
        "question": data.PlanAsked(100_000.0),
        "day": date(2026, 3, 1),
    }
    more = {
        "homes_page": [{"only": question} for question in ("", *data.QUESTION)],
        "homes_count": [{"only": question} for question in ("", *data.QUESTION)],
        "agencies_of": [{"crew": crew}],
    }
    told, left_out = [], []
    for name, function in vars(data).items():
        wanted = (
            [
                parameter.name
                for parameter in inspect.signature(function).parameters.values()
                if parameter.default is parameter.empty or parameter.name in some
            ]
            if inspect.isfunction(inspect.unwrap(function)) and not name.startswith("_")
            else []
        )
        if wanted[:2] != ["viewer", "snapshot"]:
            continue
        for own in more.get(name, [{}]):
            values = some | {"check": "precharge-low", "crew": crew} | own
            if set(wanted) - set(values):
                left_out.append(name)
                continue
            call = {parameter: values[parameter] for parameter in wanted}
            times = []
            for _ in range(2):
                began = time.perf_counter()
                function(**call)
                times.append(time.perf_counter() - began)
            said = " ".join(str(value) for value in own.values() if value)
            told.append(
                {
                    "question": f"{name} {said}".strip(),
                    "first": times[0],
                    "again": times[1],
                }
            )
    return {"questions": told, "left out": left_out}


@part
def decide(work, asked):
    """As many decisions as asked, of every kind, on deficiencies drawn by chance."""
    import random
    from datetime import timedelta

    from pipelines.fleet import decided, snapshots
    from pipelines.fleet.folder import Fleet

    fleet, luck = Fleet(work / "fleet"), random.Random(asked.seed)
    open_now = snapshots.attach(fleet.current()).rows(
        "SELECT agency, home_id, system_id, check_id FROM opened ORDER BY ALL"
    )
    today, until = date.today().isoformat(), (date.today() + timedelta(days=90)).isoformat()
    filled = {"measure": "replace-tank", "done_on": today, "until": until}

    def one(agency, home_id, system_id, check_id):
        what = luck.choice(decided.WHAT[:9])  # those that say what becomes of a deficiency
        needs = {
            name: filled.get(name, f"{name} {luck.randrange(40)}") for name in decided.NEEDS.get(what, ())
        }
        where = {"agency": agency, "home_id": home_id, "system_id": system_id or "", "check_id": check_id}
        return decided.Decision(who="Q. R.", what=what, **where, **needs)

    began = time.perf_counter()
    taken = decided.append(
        fleet, [one(*row) for row in luck.sample(open_now, min(asked.decisions, len(open_now)))]
    )
    return {"decisions": len(taken), "seconds": time.perf_counter() - began}


@part
def clicks(work, asked):
    """In Chromium: the first page of a fresh server, then clicks from page to page, until each is drawn."""
    import shutil

    from playwright.sync_api import sync_playwright

    from tests.visitors import served

    # Asked at every frame: a wait for an element looks twice a second only.
    drawn = """title => document.querySelector('[data-test-script-state="notRunning"]')
        && [...document.querySelectorAll("h1")].some(one => one.textContent.trim() === title)
        && !document.querySelector('[data-testid="stSkeleton"]')
        && [...document.querySelectorAll('[data-testid="stVegaLiteChart"]')]
            .every(one => one.querySelector("svg [aria-label]"))"""
    with served(work / "fleet", os.environ) as (port, _), sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": 1280, "height": 720})

        def timed(act, title):
            began = time.perf_counter()
            act()
            page.wait_for_function(drawn, arg=title, polling="raf", timeout=120_000)
            spent = time.perf_counter() - began
            page.wait_for_timeout(700)
            return spent

        def clicked(target, title):
            """Where it lies is looked for before: that is the tool's time, not the page's."""
            target.scroll_into_view_if_needed()
            box = target.bounding_box()
            at = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
            return timed(lambda: page.mouse.click(*at), title)

        def link(name):
            return page.get_by_role("link", name=name, exact=True).first

        told = {
            "first page of a fresh server": [timed(lambda: page.goto(f"http://127.0.0.1:{port}/"), "Fleet")]
        }
        mark = page.locator('svg text[aria-label*="homes"]').first
        for _ in range(7):
            for words, target, title in (
                ("Fleet to Homes", link("Homes"), "Homes"),
                ("a home in the table", page.locator("table tbody th a").first, "One home"),
                ("back to Homes", None, "Homes"),
                ("Homes to Risk", link("Risk"), "Risk"),
                ("a mark of the chart", mark, "Homes"),
                ("Homes to Regions", link("Regions"), "Regions"),
                ("Regions to Fleet", link("Fleet"), "Fleet"),
            ):
                spent = clicked(target, title) if target else timed(page.go_back, title)
                told.setdefault(words, []).append(spent)
        browser.close()
    return {"clicks": {words: sorted(spent) for words, spent in told.items()}}


@part
def people(work, asked):
    """Simulated people click through the served dashboard; what its server needs for each of them."""
    from tests.visitors import Person, served, stroll

    with served(work / "fleet", os.environ) as (port, server):

        def memory():
            return int(Path(f"/proc/{server}/status").read_text().split("VmRSS:")[1].split()[0]) * 1024

        first = Person(port, 0)
        first.open("", "")
        for _ in range(40):
            first.click()
        alone = memory()
        present = stroll(port, asked.people, asked.minutes)
        together = memory()
    seconds = sorted(spent for person in present for _, spent in person.seconds)
    return {
        "clicks": len(seconds),
        "half": seconds[len(seconds) // 2],
        "most": seconds[int(0.95 * len(seconds))],
        "slowest": seconds[-1],
        "alone_bytes": alone,
        "each_bytes": (together - alone) / len(present),
        "errors": first.errors + [error for person in present for error in person.errors],
    }


@part
def commands(work, asked):
    """Best and middle of seven runs of light commands."""
    told = {}
    for command in COMMANDS:
        times = []
        for _ in range(7):
            began = time.perf_counter()
            subprocess.run(
                [sys.executable, "-m", "pipelines.cli", *command],
                cwd=ROOT,
                env={**os.environ, "COLDFILL_FLEET": str(work / "fleet")},
                check=True,
                stdout=subprocess.DEVNULL,
            )
            times.append(time.perf_counter() - began)
        told[" ".join(("coldfill", *command))] = {"best": min(times), "middle": sorted(times)[3]}
    return told


# ---- telling


def run(name, work, asked):
    """A part in a fresh process: what it found, wall and processor seconds, and peak memory in bytes."""
    command = [
        sys.executable,
        "-m",
        "tests.benchmark",
        str(asked.inspections),
        "--part",
        name,
        "--work",
        str(work),
        "--seed",
        str(asked.seed),
        "--people",
        str(asked.people),
        "--minutes",
        str(asked.minutes),
        "--decisions",
        str(asked.decisions),
    ]
    done = subprocess.run(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"the part {name} failed")
    return json.loads(done.stdout.splitlines()[-1])


def tell_part(name, work, asked):
    """Run a part in this process and print what it found as JSON, with memory and time."""
    import threading

    import psutil

    me, peak, spent, over = psutil.Process(), [0], {}, threading.Event()

    def watch():
        while not over.wait(0.1):
            memory = 0
            for process in (me, *me.children(recursive=True)):
                with contextlib.suppress(psutil.Error):
                    memory += process.memory_info().rss
                    spent[process.pid] = sum(process.cpu_times()[:2])
            peak[0] = max(peak[0], memory)

    watching = threading.Thread(target=watch)
    watching.start()
    began = time.perf_counter()
    try:
        told = PARTS[name](work, asked)
    finally:
        over.set()
        watching.join()
    print(
        json.dumps({"wall": time.perf_counter() - began, "cpu": sum(spent.values()), "peak": peak[0], **told})
    )


def row(what, figure, ratio=""):
    print(f"  {what:<58} {figure:>16}   {ratio}".rstrip(), flush=True)


def seconds(value):
    return f"{value:,.2f} s" if value < 100 else f"{value:,.0f} s"


def size(value):
    return f"{value / 1e9:,.2f} GB" if value >= 1e9 else f"{value / 1e6:,.1f} MB"


def _several(spent):
    return f"middle of {len(spent)}; first {seconds(spent[0])}, slowest {seconds(max(spent))}"


def tell_load(work, asked):
    made = run("make_csv", work, asked)
    print(f"{asked.inspections:,} simulated inspections, {size(made['bytes'])} of CSV")

    def read():
        return {
            place: run(f"bare_read_{place.replace(' ', '_')}", work, asked)
            for place in ("to file", "in memory")
        }

    before = read()
    whole = run("load", work, asked)
    after = (
        read()
    )  # a machine is not as quick at all times: before and after, so that the ratio is not by luck
    bare = {
        place: {what: (before[place][what] + after[place][what]) / 2.0 for what in ("wall", "peak")}
        for place in before
    }
    assert whole["inspections"] == asked.inspections, "rows were lost"
    for place, told in bare.items():
        row(
            f"bare read_csv into a table, {place}",
            seconds(told["wall"]),
            f"{seconds(before[place]['wall'])} before and {seconds(after[place]['wall'])} after; "
            f"peak {size(told['peak'])}",
        )
    total = sum(whole["stages"].values())
    row(
        "load, recompute, publish",
        seconds(total),
        f"peak {size(whole['peak'])}, processor {seconds(whole['cpu'])}, "
        f"snapshot {size(whole['snapshot_bytes'])}",
    )
    for stage, spent in whole["stages"].items():
        row(f"    {stage}", seconds(spent), f"{spent / total:.0%}")
    spent = run("audit", work, asked)["seconds"]
    row("    the tables of the audit made anew, alone", seconds(sorted(spent)[AUDITS // 2]), _several(spent))
    for place, told in bare.items():
        row(f"times the bare read {place}", f"{total / told['wall']:.1f}", "at most 5 asked")
    row("inspections a second", f"{asked.inspections / total:,.0f}")


def tell_row_by_row(work, asked):
    told, columns = run("row_by_row", work, asked), run("in_columns", work, asked)
    cores = columns["side by side"]
    with ThreadPoolExecutor(cores) as pool:  # as many at once as the pipeline starts
        beside = (
            max(
                one["with certainty"]
                for one in pool.map(lambda _: run("in_columns", work, asked), range(cores))
            )
            / cores
        )
    print(
        f"{told['inspections']:,} inspections against a loop in plain Python over {told['sample']:,} "
        "of them, scaled; processor time on one core"
    )
    row(
        "disagreements in quantities, outcomes and certainty",
        f"{told['disagreements']}",
        "; ".join(told["first"]) or "none allowed",
    )
    row(
        "outcomes apart as a certainty lies at the figure",
        f"{told['too_close']}",
        f"within {CERTAINTY_WITHIN}",
    )
    check, apart = max(told["apart"].items(), key=lambda one: one[1])
    row("largest difference of certainty", f"{apart:.4f}", check if apart else "")
    for how in ("without certainty", "with certainty"):
        loop, spent = told[f"by_row {how}"], columns[how]
        row(
            f"the loop, {how}",
            seconds(loop * told["inspections"]),
            f"{loop * 1e6:.1f} µs an inspection, readings in hand",
        )
        row(
            f"the same in columns, {how}",
            seconds(spent * told["inspections"]),
            f"{spent * 1e6:.1f} µs; the loop takes {loop / spent:.1f} times as long",
        )
    row(
        f"the same in {cores} processes side by side, as in a large load",
        seconds(beside * told["inspections"]),
        f"{beside * 1e6:.1f} µs; the loop takes {loop / beside:.1f} times as long",
    )
    loop *= told["inspections"]
    row(
        "recompute, check, follow over time, write (wall clock)",
        seconds(told["checking"]),
        f"the loop with certainty takes {loop / told['checking']:.1f} times as long",
    )
    row(
        "from the file to the snapshot (wall clock)",
        seconds(told["whole"]),
        f"the loop with certainty alone takes {loop / told['whole']:.1f} times as long",
    )


def tell_added(work, asked):
    told = run("add_one_export", work, asked)
    export = told["export"]
    print(
        f"One export of {export['rows_read']} rows ({export['rows_kept']} in force, "
        f"{export['rows_repeated']} repeated) added to {asked.inspections:,} inspections"
    )
    row("load, recompute, publish", seconds(told["added_seconds"]), f"processor {seconds(told['added_cpu'])}")
    row(
        "worked out anew",
        f"{told['homes']:,} homes",
        f"{told['inspections']:,} inspections, {told['inspections'] / asked.inspections:.3%} of all",
    )
    row(
        "equal to a whole rebuild",
        "no" if told["faults"] else "yes",
        "; ".join(told["faults"]) or f"compared in {seconds(told['verify_seconds'])}, the rebuild included",
    )


def tell_pages(work, asked):
    told = run("questions", work, asked)
    print(f"Questions of pages at {asked.inspections:,} inspections; peak {size(told['peak'])}")
    for one in sorted(told["questions"], key=lambda one: -one["first"]):
        row(
            f"    {one['question']}",
            seconds(one["first"]),
            f"again {one['again'] * 1e3:.1f} ms",
        )
    row(
        "    not asked: they need an object of another page",
        f"{len(told['left out'])}",
        ", ".join(told["left out"]),
    )
    told = run("clicks", work, asked)
    print("Clicks in Chromium, until the page is drawn")
    for words, spent in told["clicks"].items():
        row(f"    {words}", seconds(spent[len(spent) // 2]), f"slowest of {len(spent)}: {seconds(spent[-1])}")
    told = run("people", work, asked)
    print(f"{asked.people} simulated people click for {asked.minutes:g} minutes")
    row(
        "pages opened",
        f"{told['clicks']:,}",
        f"half within {seconds(told['half'])}, 95 % within {seconds(told['most'])}, "
        f"slowest {seconds(told['slowest'])}",
    )
    row(
        "memory of the server with one person",
        size(told["alone_bytes"]),
        f"each more {size(told['each_bytes'])}",
    )
    row("errors seen", f"{len(told['errors'])}", "; ".join(dict.fromkeys(told["errors"]))[:300])


def tell_commands(work, asked):
    told = run("commands", work, asked)
    print("Light commands")
    for command in (" ".join(("coldfill", *command)) for command in COMMANDS):
        row(
            f"    {command}",
            seconds(told[command]["best"]),
            f"middle of 7: {seconds(told[command]['middle'])}",
        )


def main():
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmark",
        description=__doc__.splitlines()[0].split(":")[0] + ".",
        epilog="Example: python -m tests.benchmark 200000 --increment --pages",
    )
    parser.add_argument(
        "inspections",
        nargs="?",
        type=int,
        default=1_000_000,
        metavar="N",
        help="simulated inspections (1,000,000 unless said)",
    )
    parser.add_argument(
        "--increment",
        action="store_true",
        help="add one export of 500 rows, and hold the snapshot against a whole rebuild",
    )
    parser.add_argument(
        "--pages",
        action="store_true",
        help="ask every question of the pages, and let people click through them",
    )
    parser.add_argument(
        "--decisions", type=int, default=0, help="take so many decisions before the pages are asked (none)"
    )
    parser.add_argument("--people", type=int, default=20, help="how many people click (20)")
    parser.add_argument("--minutes", type=float, default=0.5, help="for how long (0.5; the full run is 5)")
    parser.add_argument("--seed", type=int, default=1, help="of the simulated fleet (1)")
    parser.add_argument("--work", type=Path, help="an empty folder to keep the files in; without it they go")
    parser.add_argument("--part", choices=PARTS, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.part:
        return tell_part(asked.part, asked.work, asked)
    with tempfile.TemporaryDirectory(prefix="coldfill-benchmark-") as folder:
        work = (asked.work or Path(folder)).resolve()
        work.mkdir(parents=True, exist_ok=True)
        if any(work.iterdir()):
            parser.error(f"{work} is not empty")
        tell_load(work, asked)
        tell_row_by_row(work, asked)
        if asked.increment:
            tell_added(work, asked)
        if asked.decisions:
            told = run("decide", work, asked)
            row("decisions appended", f"{told['decisions']:,}", seconds(told["seconds"]))
        if asked.pages:
            tell_pages(work, asked)
        tell_commands(work, asked)
    return None


if __name__ == "__main__":
    main()
