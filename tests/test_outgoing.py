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


def is_allowed():
    """Whether this machine lets a person have a network of their own."""
    if not shutil.which("unshare") or not shutil.which("ip"):
        return False
    return subprocess.run([*ALONE, "true"], capture_output=True).returncode == 0


@pytest.mark.skipif(not is_allowed(), reason="needs unshare, ip, and leave to make a network namespace")
def test_a_session_sends_no_packet_to_anywhere_else(sample_fleet):
    command = [*ALONE, sys.executable, "-m", "tests.test_outgoing", str(sample_fleet.path)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["pages"] >= 30 and found["errors"] == []
    assert found["session"] == []
    assert found["control"] == [OUTSIDE]


def destinations(listening, sent):
    """Note where each packet of this network goes, but for this machine's own address."""
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
        if not to.startswith("127.") and to != "::1":
            sent.append(to)


def session(fleet):
    """Click through every page and ask as other sites would: where packets went, and one sent as proof."""
    from websockets.exceptions import InvalidStatus
    from websockets.sync.client import connect

    from dashboard.navigation import DEFAULT, VIEWS
    from tests.visitors import Person, served

    for words in ("link set lo up", "route add default dev lo", "-6 route add default dev lo"):
        subprocess.run(["ip", *words.split()], check=True)
    sent = []
    listening = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(0x0003))
    threading.Thread(target=destinations, args=(listening, sent), daemon=True).start()
    with served(fleet, dict(os.environ)) as (port, _):
        person = Person(port, 1)
        for view in VIEWS:
            person.open("" if view is DEFAULT else view.name, "")
        for _ in range(30):
            person.click()
        for origin in ("http://evil.example", "http://192.0.2.7"):
            with suppress(InvalidStatus, TimeoutError):
                connect(f"ws://127.0.0.1:{port}/_stcore/stream", origin=origin)
    time.sleep(0.5)
    of_session = sorted(set(sent))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
        way.sendto(b"proof that a packet is seen", (OUTSIDE, 53))
    time.sleep(0.5)
    return {
        "pages": len(person.seconds),
        "errors": person.errors,
        "session": of_session,
        "control": sorted(set(sent) - set(of_session)),
    }


if __name__ == "__main__":
    print(json.dumps(session(Path(sys.argv[1]))))
