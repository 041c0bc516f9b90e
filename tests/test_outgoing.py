"""A session in a network of its own, clicked through: every packet counted, none to anywhere else."""

import json
import os
import shutil
import socket
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ALONE = ("unshare", "--map-root-user", "--net")
OUTSIDE = "192.0.2.1"  # an address of documentation: nobody's
A_NAME = "example.invalid"
CONTROL = [OUTSIDE, f"name {A_NAME}"]


def is_allowed():
    """Whether this machine lets a person have a network of their own."""
    if not shutil.which("unshare") or not shutil.which("ip"):
        return False
    return subprocess.run([*ALONE, "true"], capture_output=True).returncode == 0


@pytest.mark.slow
@pytest.mark.skipif(not is_allowed(), reason="needs unshare, ip, and leave to make a network namespace")
def test_a_session_sends_no_packet_to_anywhere_else(sample_fleet):
    command = [*ALONE, sys.executable, "-m", "tests.test_outgoing", str(sample_fleet.path)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["pages"] >= 20 and found["errors"] == []
    assert found["session"] == []
    assert found["control"] == CONTROL


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.skipif(not is_allowed(), reason="needs unshare, ip, and leave to make a network namespace")
def test_a_browser_and_a_load_send_no_packet_to_anywhere_else(tmp_path):
    """Loading from a terminal and in a browser, and every page; what Chromium does by itself is left out."""
    command = [*ALONE, sys.executable, "-m", "tests.test_outgoing", str(tmp_path / "fleet"), "browser"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["pages"] >= 13 and found["errors"] == []
    assert found["load"] == []
    assert set(found["session"]) <= set(found["browser alone"])
    assert found["control"] == CONTROL


def destinations(listening, sent):
    """Note where each packet of this network goes, but for this machine's own address and none of names."""
    while True:
        packet, (_, protocol, kind, *_) = listening.recvfrom(65536)
        if kind != socket.PACKET_OUTGOING:
            continue
        if protocol == 0x0800:
            to = socket.inet_ntop(socket.AF_INET, packet[30:34])
        elif protocol == 0x86DD:
            to = socket.inet_ntop(socket.AF_INET6, packet[38:54])
        else:
            to = f"protocol {protocol:#x}"
        if protocol == 0x0800 and packet[23] == 17 and packet[36:38] == (53).to_bytes(2, "big"):
            sent.append(f"name {asked_for(packet[54:])}")
        elif not to.startswith("127.") and to != "::1":
            sent.append(to)


def asked_for(question):
    """The name that a question to a server of names asks for."""
    labels = []
    while question and question[0]:
        labels.append(question[1 : 1 + question[0]].decode("ascii", "replace"))
        question = question[1 + question[0] :]
    return ".".join(labels)


def counted():
    """A network of nothing but a way out that ends here; the list in which destinations are noted."""
    for words in ("link set lo up", "route add default dev lo", "-6 route add default dev lo"):
        subprocess.run(["ip", *words.split()], check=True)
    sent = []
    listening = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(0x0003))
    threading.Thread(target=destinations, args=(listening, sent), daemon=True).start()
    return sent


def taken(sent):
    """The destinations noted since the last time."""
    time.sleep(0.5)
    found = sorted(set(sent))
    sent.clear()
    return found


def prove():
    """Send one packet out, and one that asks for a name on this machine itself."""
    question = bytes(12) + b"".join(bytes([len(part)]) + part.encode() for part in A_NAME.split("."))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
        way.sendto(b"proof that a packet is seen", (OUTSIDE, 9))
        way.sendto(question + bytes(5), ("127.0.0.1", 53))


def session(fleet):
    """Click through every page and ask as other sites would: where packets went, and one sent as proof."""
    from websockets.exceptions import InvalidStatus
    from websockets.sync.client import connect

    from dashboard.navigation import DEFAULT, VIEWS
    from tests.visitors import Person, served

    sent = counted()
    with served(fleet, dict(os.environ)) as (port, _):
        person = Person(port, 1)
        for view in VIEWS:
            person.open("" if view is DEFAULT else view.name, "")
        for _ in range(12):
            person.click()
        for origin in ("http://evil.example", "http://192.0.2.7"):
            with suppress(InvalidStatus, TimeoutError):
                connect(f"ws://127.0.0.1:{port}/_stcore/stream", origin=origin)
    found = {"pages": len(person.seconds), "errors": person.errors, "session": taken(sent)}
    prove()
    return found | {"control": taken(sent)}


# What a browser does by itself is left undone, as far as it can be told to. These it asks for all the same,
# and no page of ours has a reason to.
OWN_NAMES = ("clients2.google.com", "update.googleapis.com", "content-autofill.googleapis.com")
QUIET = [
    "--no-sandbox",
    "--disable-dev-shm-usage",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-sync",
    "--disable-background-networking",
    "--disable-component-update",
    "--component-updater=url-source=http://127.0.0.1:9/",
    "--disable-domain-reliability",
    "--no-pings",
    "--disable-features=AutofillServerCommunication,OptimizationHints,MediaRouter",
    "--host-resolver-rules=" + ",".join(f"MAP {name} ~NOTFOUND" for name in OWN_NAMES),
]


def browsed(fleet):
    """Load from a terminal, then load and click through every page in a browser: where packets went."""
    from playwright.sync_api import sync_playwright

    from dashboard.navigation import VIEWS, address
    from tests.test_browser import settle
    from tests.visitors import served

    sent, errors, pages = counted(), [], 0
    (export,) = ROOT.glob("sample_exports/hollin*.csv")
    shutil.copytree(ROOT / "sample_exports" / "fleet", fleet)
    for words in (["load", export], ["status"], ["flagged", "--out", fleet / "flagged.xlsx"]):
        command = [sys.executable, "-m", "pipelines.cli", *map(str, words), "--fleet", str(fleet)]
        subprocess.run(command, cwd=ROOT, check=True, capture_output=True)
    found = {"load": taken(sent)}
    with served(fleet, dict(os.environ)) as (port, _), sync_playwright() as playwright:
        site = f"http://127.0.0.1:{port}/"
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=QUIET)
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.wait_for_timeout(6000)
        found["browser alone"] = taken(sent)
        waiting = [address(view.name) for view in VIEWS]
        while pages < 13:
            page.goto(site + waiting.pop(0).removeprefix("./"))
            settle(page)
            pages += 1
            if not waiting or pages < 2:
                links = page.eval_on_selector_all("main a, [data-testid=stHtml] a", LINKS)
                waiting += [link for link in links if link not in waiting]
        page.goto(site + "add")
        settle(page)
        name = "ouvray-plateau-energy-aid.csv"
        page.set_input_files("input[type=file]", ROOT / "sample_exports" / name)
        page.get_by_role("button", name="Load the file").click()
        page.get_by_role("button", name="Add another file").wait_for(timeout=60_000)
        browser.close()
    found |= {"session": taken(sent), "pages": pages, "errors": errors}
    prove()
    return found | {"control": taken(sent)}


LINKS = "all => [...new Set(all.map(one => one.getAttribute('href')))].slice(0, 14)"


if __name__ == "__main__":
    ways = {"browser": browsed, "visitor": session}
    print(json.dumps(ways[(*sys.argv[2:], "visitor")[0]](Path(sys.argv[1]))))
