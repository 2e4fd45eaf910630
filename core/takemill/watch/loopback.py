"""A page served to browsers on this machine and to nobody else."""

from __future__ import annotations

import contextlib
import os
import secrets
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit

from ..base.errors import InputError
from .watch_page import render_news, render_watch, script, style
from .watcher import Shown

ADDRESS = "127.0.0.1"

_HEADERS = {
    "Cache-Control": "no-store",
    # The page may show what it holds, ask its own server alone, and stand in nobody's frame.
    "Content-Security-Policy": "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; "
    "frame-ancestors 'none'; base-uri 'none'; form-action 'none'",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}


class Board:
    """What is shown now, set by the one who watches and read by those who serve."""

    def __init__(self, shown: Shown) -> None:
        self._run, self._count = secrets.token_hex(4), 0  # a page may outlive the watch that it came from
        self._now = (f"{self._run}-0", shown)

    def show(self, shown: Shown) -> None:
        """Put up something new."""
        self._count += 1
        self._now = (f"{self._run}-{self._count}", shown)

    @property
    def now(self) -> tuple[str, Shown]:
        """The version of what is shown, and that."""
        return self._now


@contextlib.contextmanager
def served(board: Board, port: int) -> Iterator[str]:
    """While a board is served on the loopback address; gives the address of its page.

    Args:
        board: what is shown.
        port: 0 for any that is free.

    Raises:
        InputError: the port is not free.
    """
    try:
        server = _Server((ADDRESS, port), _handler(board))
    except (OSError, OverflowError) as problem:
        raise InputError(
            f"--port {port}: it cannot be opened ({problem}); name another, or 0 for any that is free"
        ) from problem
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True)
    thread.start()
    try:
        yield f"http://{ADDRESS}:{server.server_address[1]}/"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    # On Windows two watches would share a port; elsewhere this frees that of a watch that just ended.
    allow_reuse_address = os.name == "posix"

    def handle_error(self, request: object, client_address: object) -> None:
        """A browser that hangs up is no error."""


def _handler(board: Board) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        timeout = 10  # seconds that a silent client is waited for (common practice)

        def do_GET(self) -> None:
            """Answer a question of a browser."""
            self._answer(True)

        def do_HEAD(self) -> None:
            """The same without the body."""
            self._answer(False)

        def _answer(self, with_body: bool) -> None:
            status, kind, text, version = self._found()
            body = text.encode()
            self.send_response(status)
            for name, value in _HEADERS.items():
                self.send_header(name, value)
            if status != 204:
                self.send_header("Content-Type", f"{kind}; charset=utf-8")
                self.send_header("Content-Length", str(len(body)))
            self.send_header("X-Version", version)
            self.end_headers()
            if with_body and status != 204:
                self.wfile.write(body)

        def _found(self) -> tuple[int, str, str, str]:
            version, shown = board.now
            port = self.server.server_address[1]  # type: ignore[index]
            # A page elsewhere whose name leads here (DNS rebinding) asks for that name.
            if self.headers.get("Host", "") not in (f"{ADDRESS}:{port}", f"localhost:{port}"):
                return 421, "text/plain", "this page is asked for by its own address alone", version
            asked = urlsplit(self.path)
            if asked.path == "/news":
                if parse_qs(asked.query).get("since") == [version]:
                    return 204, "", "", version
                return 200, "text/html", render_news(shown), version
            pages: dict[str, tuple[str, Callable[[], str]]] = {
                "/": ("text/html", lambda: render_watch(shown, version)),
                "/watch.css": ("text/css", style),
                "/watch.js": ("text/javascript", script),
            }
            if asked.path not in pages:
                return 404, "text/plain", "there is no such page", version
            kind, make = pages[asked.path]
            return 200, kind, make(), version

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002, the name is the library's
            """Say nothing of requests."""

    return Handler
