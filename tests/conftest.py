"""What several rooms' tests share: a fleet of the sample exports,
built once, and the rule for browser tests.
"""

import functools
import os
import shutil
import sys
from pathlib import Path

import hypothesis
import pytest
from filelock import FileLock
from streamlit.components.v2 import manifest_scanner
from streamlit.runtime.scriptrunner.script_cache import ScriptCache
from streamlit.testing.v1 import AppTest, app_test

from pipelines.fleet import snapshots
from pipelines.fleet.folder import Fleet
from pipelines.receiving import door
from pipelines.snapshot import stages

APP = Path(__file__).parent.parent / "dashboard" / "app.py"
SAMPLES = Path(__file__).parent.parent / "sample_exports"
HOW_TO_GET_CHROMIUM = (
    "the browser tests need Chromium from the system's packages (Debian: apt-get install chromium)"
)


# What one process compiled, others find: tests start hundreds of them.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# A server looks through the installed packages, and compiles its pages, once. Streamlit's test of a page does
# both anew each time, which is a third to a half of what it costs: here all pages of a process share them.
manifest_scanner.scan_component_manifests = functools.cache(manifest_scanner.scan_component_manifests)
app_test.ScriptCache = functools.cache(ScriptCache)

# A machine that is busy with other things makes no test fail: none has a time limit of its own.
hypothesis.settings.register_profile("coldfill", deadline=None)
hypothesis.settings.load_profile("coldfill")


def pytest_xdist_auto_num_workers(config):
    """One more than processors: many tests wait for a browser or a command."""
    return (os.cpu_count() or 1) + 1


def pytest_collection_modifyitems(config, items):
    # While one process builds the samples, others run files that need none.
    needing = {item.path for item in items if "sample_fleet" in getattr(item, "fixturenames", ())}
    items.sort(key=lambda item: item.path in needing)
    slow = bool(os.environ.get("COLDFILL_SLOW") or os.environ.get("COLDFILL_FULL"))
    chromium = shutil.which("chromium")
    for item in items:
        if item.get_closest_marker("slow") and not slow:
            item.add_marker(pytest.mark.skip(reason="slow: COLDFILL_SLOW=1 runs it, as .ci/run does"))
        if (
            item.get_closest_marker("browser")
            and not chromium
            and not os.environ.get("COLDFILL_REQUIRE_BROWSER")
        ):
            item.add_marker(pytest.mark.skip(reason=HOW_TO_GET_CHROMIUM))


def with_sample_settings(fleet):
    """The fleet, with the places and mappings that belong to the sample exports."""
    shutil.copytree(SAMPLES / "fleet", fleet.create().path, dirs_exist_ok=True)
    return fleet


@pytest.fixture(scope="session")
def sample_fleet(tmp_path_factory):
    """The four sample exports, loaded and built; not to be changed by a test.

    Of the processes that run tests side by side one builds it, and each has its copy.
    """
    own = tmp_path_factory.getbasetemp()
    folder = own.parent if "PYTEST_XDIST_WORKER" in os.environ else own
    with FileLock(folder / "samples.lock"):
        if not (folder / "samples-are-built").exists():
            fleet = with_sample_settings(Fleet(folder / "samples" / "fleet"))
            door.load(fleet, [SAMPLES])
            stages.build(fleet)
            (folder / "samples-are-built").touch()
    return Fleet(shutil.copytree(folder / "samples" / "fleet", tmp_path_factory.mktemp("samples") / "fleet"))


@pytest.fixture(scope="session")
def sample_snapshot(sample_fleet):
    return snapshots.attach(sample_fleet.current())


@pytest.fixture(scope="session")
def empty_fleet(tmp_path_factory):
    """A fleet that has received nothing, built."""
    fleet = Fleet(tmp_path_factory.mktemp("empty") / "fleet").create()
    stages.build(fleet)
    return fleet


@pytest.fixture(scope="module")
def chromium():
    """Chromium of the system, headless."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"),
            args=["--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu"],
        )
        yield browser
        browser.close()


@pytest.fixture
def show(monkeypatch):
    """A function: fleet folder, page and what its address asks → the page as it stands."""

    def shown(fleet, name="fleet", **asked):
        monkeypatch.setenv("COLDFILL_FLEET", str(fleet.path))
        page = AppTest.from_file(str(APP), default_timeout=60)
        for key, value in asked.items():
            page.query_params[key] = value
        if name != "fleet":
            page.switch_page(f"views/{name}.py")
        return page.run()

    return shown
