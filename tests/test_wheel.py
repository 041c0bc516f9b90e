"""An ordinary install: the wheel in an environment of its own, nothing of the checkout on its path."""

import http.client
import json
import os
import shutil
import socket
import subprocess
import sys
import sysconfig
import time
import tomllib
import urllib.error
import urllib.request
from contextlib import closing, contextmanager
from pathlib import Path

import psutil
import pytest
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from streamlit.proto.NewSession_pb2 import Config
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

pytestmark = pytest.mark.slow
ROOT = Path(__file__).parents[1]
SHIPPED = ("pipelines", "dashboard", "sample_exports")
OPENED_WIDE = """
[server]
address = "0.0.0.0"
allowedHosts = ["*"]
enableCORS = false
enableAgentApi = true
enableXsrfProtection = false
baseUrlPath = "elsewhere"
maxUploadSize = 9000
fileWatcherType = "poll"
[browser]
gatherUsageStats = true
[client]
showErrorDetails = "full"
toolbarMode = "developer"
[theme]
base = "dark"
"""
FROM_OUTSIDE = {
    "STREAMLIT_SERVER_ADDRESS": "0.0.0.0",
    "STREAMLIT_SERVER_ALLOWED_HOSTS": "*",
    "STREAMLIT_SERVER_ENABLE_CORS": "false",
    "STREAMLIT_SERVER_MAX_UPLOAD_SIZE": "9000",
    "STREAMLIT_BROWSER_GATHER_USAGE_STATS": "true",
    "STREAMLIT_CLIENT_SHOW_ERROR_DETAILS": "full",
    "STREAMLIT_CLIENT_TOOLBAR_MODE": "developer",
}


@pytest.fixture(scope="module")
def programs(tmp_path_factory):
    """The folder of programs of an environment that holds the wheel, and the libraries of this one."""
    folder = tmp_path_factory.mktemp("install")
    for name in SHIPPED:
        shutil.copytree(ROOT / name, folder / "tree" / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md"):
        shutil.copyfile(ROOT / name, folder / "tree" / name)
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "-q"]
    building = ["wheel", "--no-deps", "--no-build-isolation", "-w", folder, folder / "tree"]
    subprocess.run([*pip, *building], check=True)
    (wheel,) = folder.glob("coldfill-*.whl")
    environment = folder / "environment"
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", environment], check=True)
    (libraries,) = environment.glob("lib/python*/site-packages")
    here = dict.fromkeys((sysconfig.get_path("purelib"), sysconfig.get_path("platlib")))
    (libraries / "libraries.pth").write_text("\n".join(here))
    python = environment / "bin" / "python"
    subprocess.run([*pip, "--python", python, "install", "--no-deps", "--no-index", wheel], check=True)
    return environment / "bin"


@pytest.fixture(scope="module")
def away(tmp_path_factory):
    """(folder to work in, environment variables) of a person whose own settings open everything."""
    home = tmp_path_factory.mktemp("home")
    for folder in (home, home / "work"):
        (folder / ".streamlit").mkdir(parents=True)
        (folder / ".streamlit" / "config.toml").write_text(OPENED_WIDE)
    kept = {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "COLDFILL_FLEET")}
    return home / "work", kept | FROM_OUTSIDE | {"HOME": str(home)}


@pytest.fixture(scope="module")
def fleet(programs, away):
    folder, environment = away
    done = subprocess.run(
        [programs / "coldfill", "demo", "--no-serve"],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("\nloaded  ") + done.stdout.startswith("loaded  ") == 4
    return folder / "demo-fleet"


@contextmanager
def serving(programs, away, fleet, *options):
    """(port, process) of `coldfill serve`, once it answers."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    folder, environment = away
    command = [programs / "coldfill", "serve", "--fleet", fleet, "--port", str(port), *options]
    server = subprocess.Popen(
        command, cwd=folder, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        until = time.monotonic() + 60
        while answer(port, "/_stcore/health")[0] != 200:
            assert server.poll() is None and time.monotonic() < until, "the server did not start"
            time.sleep(0.1)
        yield port, server
    finally:
        server.terminate()
        server.wait(20)


@pytest.fixture(scope="module")
def served(programs, away, fleet):
    with serving(programs, away, fleet, "--host", "Heating.example") as found:
        yield found


def answer(port, path="/", **headers):
    """(status, headers) of an answer; status 0 where nobody answers."""
    try:
        request = urllib.request.Request(f"http://127.0.0.1:{port}{path}", headers=headers)
        with urllib.request.urlopen(request, timeout=10) as answered:
            return answered.status, answered.headers
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.headers
    except OSError:
        return 0, {}


def listening(server):
    found = psutil.Process(server.pid).net_connections(kind="inet")
    return {(one.laddr.ip, one.laddr.port) for one in found if one.status == psutil.CONN_LISTEN}


def test_the_install_is_what_runs(programs, away):
    folder, environment = away
    code = "import pipelines, dashboard; print(*pipelines.__path__, *dashboard.__path__)"
    done = subprocess.run(
        [programs / "python", "-c", code], cwd=folder, env=environment, capture_output=True, text=True
    )
    assert done.stderr == "" and all(path.startswith(str(programs.parent)) for path in done.stdout.split())
    version = subprocess.run([programs / "coldfill", "--version"], capture_output=True, text=True).stdout
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert version == f"coldfill, version {project['version']}\n"


def test_a_server_that_is_told_to_end_leaves_nothing_behind(programs, away, fleet, tmp_path):
    folder, environment = away
    with serving(programs, (folder, environment | {"TMPDIR": str(tmp_path)}), fleet) as (_, server):
        assert list(tmp_path.glob("coldfill-*"))
    assert server.returncode == 0 and not list(tmp_path.glob("coldfill-*"))


def test_it_listens_on_this_machine_only(served):
    port, server = served
    assert listening(server) == {("127.0.0.1", port)}


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "LOCALHOST:1", "[::1]", "heating.example:80"])
def test_own_and_named_hosts_are_answered(served, host):
    port, _ = served
    for path in ("/", "/_stcore/health"):
        assert answer(port, path, Host=host)[0] == 200


@pytest.mark.parametrize("host", ["evil.example", "localhost.evil.example", "127.0.0.2", "[::", ""])
def test_other_hosts_are_not(served, host):
    port, _ = served
    for path in ("/", "/_stcore/health", "/_stcore/host-config", "/media/x.csv", "/_stcore/metrics"):
        assert answer(port, path, Host=host)[0] in (400, 403)


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://localhost:1", "http://127.0.0.1"])
def test_pages_of_other_sites_are_not_answered(served, origin):
    port, _ = served
    assert answer(port, Origin=origin)[0] == 403
    with pytest.raises(InvalidStatus) as refused:
        connect(f"ws://127.0.0.1:{port}/_stcore/stream", origin=origin)
    assert refused.value.response.status_code == 403


def test_an_answer_leaves_as_soon_as_it_is_written(served):
    """Held back until what went before it is acknowledged, each took 40 ms and more on Linux."""
    port, _ = served
    spent = []
    with closing(http.client.HTTPConnection("127.0.0.1", port)) as way:
        for _ in range(21):
            began = time.perf_counter()
            way.request("GET", "/_stcore/health")
            assert way.getresponse().read() == b"ok"
            spent.append(time.perf_counter() - began)
    assert sorted(spent)[10] < 0.03


def test_a_name_that_leads_here_reads_nothing(served):
    """What a page could ask once its own name resolves to this machine: host and origin agree."""
    port, _ = served
    assert answer(port, Host=f"evil.example:{port}", Origin=f"http://evil.example:{port}")[0] == 403
    with socket.create_connection(("127.0.0.1", port)) as way, pytest.raises(InvalidStatus) as refused:
        connect(f"ws://evil.example:{port}/_stcore/stream", sock=way, origin=f"http://evil.example:{port}")
    assert refused.value.response.status_code == 403


def test_no_other_site_may_frame_a_page_and_pages_fetch_nothing_elsewhere(served):
    port, _ = served
    _, headers = answer(port)
    rules = dict(rule.split(" ", 1) for rule in headers["Content-Security-Policy"].split("; "))
    assert rules["frame-ancestors"] == "'self'" and headers["X-Frame-Options"] == "SAMEORIGIN"
    assert not [word for word in rules["default-src"].split() if "://" in word or word in ("*", "https:")]


def test_a_session_runs_under_the_settings(served):
    port, _ = served
    origin = f"http://127.0.0.1:{port}"
    with connect(f"ws://127.0.0.1:{port}/_stcore/stream", max_size=None, origin=origin) as session:
        asked, messages = BackMsg(), []
        asked.rerun_script.page_name = "add"
        session.send(asked.SerializeToString())
        while not messages or messages[-1].WhichOneof("type") != "script_finished":
            messages.append(ForwardMsg.FromString(session.recv(timeout=60)))
    assert messages[-1].script_finished == ForwardMsg.FINISHED_SUCCESSFULLY
    (begun,) = [one.new_session for one in messages if one.WhichOneof("type") == "new_session"]
    assert begun.config.gather_usage_stats is False
    assert begun.config.toolbar_mode == Config.MINIMAL
    assert begun.custom_theme.primary_color == "#1d4e6b"
    elements = [one.delta.new_element for one in messages if one.WhichOneof("type") == "delta"]
    limits = [one.file_uploader.max_upload_size_mb for one in elements if one.HasField("file_uploader")]
    assert limits == [200]


def test_every_setting_holds_whatever_a_person_has_set(programs, away):
    folder, environment = away
    code = (
        "import json; from streamlit import config; from streamlit.web import bootstrap;"
        "from dashboard import server; asked = server.settings('127.0.0.1', 8501, server.OWN_HOSTS);"
        "bootstrap.load_config_options(asked);"
        "print(json.dumps({name: config.get_option(name) for name in asked}))"
    )
    done = subprocess.run(
        [programs / "python", "-c", code], cwd=folder, env=environment, capture_output=True, text=True
    )
    found = json.loads(done.stdout)
    written = tomllib.loads((ROOT / "dashboard" / ".streamlit" / "config.toml").read_text(encoding="utf-8"))
    for section in ("server", "browser", "client", "logger"):
        for name, value in written[section].items():
            assert found[f"{section}.{name}"] == value
    assert found["theme.base"] == "light" and found["theme.sidebar.backgroundColor"] == "#f3f1ec"
    assert found["server.allowedHosts"] == ["127.0.0.1", "localhost", "::1"]


@pytest.mark.parametrize("address", ["0.0.0.0", "::", "192.168.1.4"])
def test_other_addresses_need_to_be_meant(programs, away, fleet, address):
    folder, environment = away
    command = [programs / "coldfill", "serve", "--fleet", fleet, "--listen", address]
    done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True)
    assert done.returncode == 2
    assert "there is no sign-in" in done.stderr and "--no-sign-in" in done.stderr


def test_an_address_that_is_meant_is_listened_on(programs, away, fleet):
    with serving(programs, away, fleet, "--listen", "0.0.0.0", "--no-sign-in") as (port, server):
        assert listening(server) == {("0.0.0.0", port)}
        assert answer(port, Host="evil.example")[0] == 403


def test_what_is_no_address_is_refused(programs, away, fleet):
    folder, environment = away
    command = [programs / "coldfill", "serve", "--fleet", fleet, "--listen", "unix:///tmp/x"]
    done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True)
    assert done.returncode == 2 and "is no address" in done.stderr
