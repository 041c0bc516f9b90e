"""The server of the dashboard: its settings, whom it answers, and what every answer forbids a browser.

`coldfill serve` runs it as a process of its own. The settings stand in `.streamlit/config.toml` beside it.
"""

import argparse
import gc
import inspect
import signal
import sys
import threading
import time
import tomllib
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from socket import IPPROTO_TCP, TCP_NODELAY, socket
from typing import Any
from urllib.parse import urlsplit

import streamlit as st
import uvicorn
from altair.utils import schemapi
from starlette.datastructures import Headers, MutableHeaders
from starlette.middleware import Middleware
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocketClose
from streamlit import runtime

from dashboard import charts, data, filters, frame, markup  # noqa: F401 (imported for pages)
from pipelines.receiving import kept_uploads

HERE = Path(__file__).parent
SETTINGS = HERE / ".streamlit" / "config.toml"
OWN_HOSTS = ("127.0.0.1", "localhost", "::1")
# Pages fetch nothing from elsewhere, whatever a file's texts ask for, and stand in no other site's frame.
ANSWER_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'self' 'unsafe-inline' 'unsafe-eval' data: blob:; "
        "base-uri 'self'; form-action 'self'; frame-ancestors 'self'; object-src 'none'"
    ),
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "SAMEORIGIN",
}


def settings(address: str, port: int, hosts: Iterable[str]) -> dict[str, Any]:
    """Every setting of the server by its dotted name: those of the file, and what this start asks for."""
    written = dict(_dotted(tomllib.loads(SETTINGS.read_text(encoding="utf-8"))))
    asked = {"server.address": address, "server.port": port, "server.allowedHosts": list(hosts)}
    return written | asked


def _dotted(table: dict[str, Any], before: str = "") -> Iterator[tuple[str, Any]]:
    for name, value in table.items():
        if isinstance(value, dict):
            yield from _dotted(value, f"{before}{name}.")
        else:
            yield before + name, value


class OnlyFor:
    """Answers what names one of `hosts` as its host and comes from no other site; the rest gets 403.

    A page of another site, under whatever name it was found, can so neither read nor ask anything here.
    """

    def __init__(self, app: ASGIApp, hosts: Iterable[str]):
        self.app = app
        self.hosts = set(hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(ANSWER_HEADERS)
            await send(message)

        if scope["type"] not in ("http", "websocket") or self._welcome(Headers(scope=scope)):
            await self.app(scope, receive, sending)
        elif scope["type"] == "websocket":
            await WebSocketClose()(scope, receive, send)
        else:
            said = "This address is not answered here: coldfill serve --host NAME adds a name.\n"
            await PlainTextResponse(said, status_code=403)(scope, receive, sending)

    def _welcome(self, headers: Headers) -> bool:
        named = headers.getlist("host")
        return (
            len(named) == 1
            and _host_name(named[0]) in self.hosts
            and all(urlsplit(origin).netloc == named[0] for origin in headers.getlist("origin"))
        )


def _host_name(host: str) -> str:
    """The name in a Host header, without port and brackets; '' where it is none."""
    try:
        return urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return ""


class Server(uvicorn.Server):
    """Sends each answer at once.

    Of a socket that is bound before it is served, asyncio does not see that it is one of TCP, and leaves it
    to wait with every short answer until the one before is acknowledged: 40 ms. Connections take this over
    from the socket that they come by.
    """

    async def startup(self, sockets: list[socket] | None = None) -> None:
        for bound in sockets or ():
            bound.setsockopt(IPPROTO_TCP, TCP_NODELAY, 1)
        await super().startup(sockets)


def get_ready() -> None:
    """Ask what the first page asks, while the first browser fetches what every page needs.

    What cannot be asked is left to the page, which says why.
    """
    while not runtime.exists():
        time.sleep(0.01)
    for name in markup.ENVIRONMENT.list_templates():
        markup.ENVIRONMENT.get_template(name)  # compiled once
    with suppress(*frame.REFUSALS):
        data.ask_ahead(filters.viewer())
    inspect.stack()  # the toolkit asks so at its first drawing: the files of all modules are looked up once


def main() -> None:
    """Serve until stopped, under the address, port and further host names that the arguments name."""
    asked = argparse.ArgumentParser(description="The dashboard of Coldfill; coldfill serve starts it.")
    asked.add_argument("--listen", default="127.0.0.1", metavar="ADDRESS")
    asked.add_argument("--port", type=int, default=8501)
    asked.add_argument("--host", action="append", default=[], metavar="NAME")
    chosen = asked.parse_args()
    hosts = (*OWN_HOSTS, chosen.listen.lower(), *(name.strip("[]").lower() for name in chosen.host))
    # Whether a chart is one is checked by the tests, which draw each of them, not at every drawing.
    schemapi.DEBUG_MODE = False
    app = st.App(HERE / "app.py", middleware=[Middleware(OnlyFor, hosts=hosts)])
    uvicorn.Server = Server  # type: ignore[misc]
    # The server asks its process to end a second time when it has: what is open is closed then.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    data.open_current()
    gc.freeze()  # what stays for good is not looked through for what can go
    threading.Thread(target=get_ready, daemon=True).start()
    with kept_uploads.serving(data.fleet()):
        app.run(config=settings(chosen.listen, chosen.port, hosts))


if __name__ == "__main__":
    main()
