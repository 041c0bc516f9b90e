"""Simulated people who click through a running dashboard: a connection each, as a browser's."""

import random
import re
import subprocess
import sys
import threading
import time
import urllib.request
from contextlib import contextmanager
from html import unescape
from pathlib import Path
from socket import socket
from urllib.parse import urlsplit

from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from websockets.sync.client import connect

from dashboard.navigation import DEFAULT, VIEWS

ROOT = Path(__file__).resolve().parent.parent
LINK = re.compile(r'<a href="([^"]*)"')
TOLD = re.compile(r'<[^>]*role="alert"[^>]*>(.*?)</', re.S)
ANSWER_WITHIN_S = 120


@contextmanager
def served(fleet, environment):
    """The dashboard of a fleet on a free port of this machine: (port, process id of the server)."""
    with socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "dashboard.server", "--port", str(port)]
    server = subprocess.Popen(
        command,
        cwd=ROOT,
        env={**environment, "COLDFILL_FLEET": str(fleet)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        for _ in range(300):
            try:
                urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=1).close()
                break
            except OSError:
                if server.poll() is not None:
                    raise RuntimeError("the dashboard did not start") from None
                time.sleep(0.1)
        yield port, server.pid
    finally:
        server.terminate()
        server.wait(20)


class Person:
    """One browser's connection.

    `seconds` are the times pages took, `errors` what a person would have seen go wrong.
    """

    def __init__(self, port, number):
        self.random = random.Random(number)
        self.seconds, self.errors, self.links = [], [], []
        self.connection = connect(
            f"ws://127.0.0.1:{port}/_stcore/stream", max_size=None, open_timeout=30, close_timeout=5
        )

    def click(self):
        """Follow a link of the page that is open, or choose another page from the navigation."""
        if self.links and self.random.random() < 0.75:
            self.open(*self.random.choice(self.links))
        else:
            view = self.random.choice(VIEWS)
            self.open("" if view is DEFAULT else view.name, "")

    def open(self, page, query):
        asked = BackMsg()
        asked.rerun_script.query_string, asked.rerun_script.page_name = query, page
        began = time.perf_counter()
        self.connection.send(asked.SerializeToString())
        html = []
        while True:
            answer = ForwardMsg()
            answer.ParseFromString(self.connection.recv(timeout=ANSWER_WITHIN_S))
            kind = answer.WhichOneof("type")
            if kind == "page_not_found":
                self.errors.append(f"{page}: no such page")
            elif kind == "script_finished":
                if answer.script_finished != ForwardMsg.FINISHED_SUCCESSFULLY:
                    self.errors.append(f"{page}?{query}: the page did not finish")
                break
            elif kind == "delta" and answer.delta.WhichOneof("type") == "new_element":
                element = answer.delta.new_element
                if element.WhichOneof("type") == "exception":
                    self.errors.append(
                        f"{page}?{query}: {element.exception.type} {element.exception.message}"
                    )
                elif element.WhichOneof("type") == "html":
                    html.append(element.html.body)
        self.seconds.append((page, time.perf_counter() - began))
        text = "".join(html)
        self.errors += [f"{page}?{query}: {unescape(words)}" for words in TOLD.findall(text)]
        self.links = [
            (parts.path.strip("./"), parts.query)
            for link in LINK.findall(text)
            if not (parts := urlsplit(unescape(link))).scheme
        ]


def stroll(port, people, minutes, pause_s=1.0):
    """So many people click for some minutes, each pausing about as long as it takes to look; returns them."""
    until = time.monotonic() + 60.0 * minutes
    present = [Person(port, number) for number in range(people)]

    def walk(person):
        try:
            person.open("", "")
            while time.monotonic() < until:
                time.sleep(person.random.expovariate(1.0 / pause_s))
                person.click()
        except Exception as error:  # whatever happens to one of them is what is to be told
            person.errors.append(f"{type(error).__name__}: {error}")

    walks = [threading.Thread(target=walk, args=(person,)) for person in present]
    for one in walks:
        one.start()
    for one in walks:
        one.join()
    return present
