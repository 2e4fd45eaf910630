"""Debian's Firefox without a window, driven over its own Marionette socket: real keys, real pictures.

Source: Mozilla's documentation of Marionette (messages "LENGTH:[0, id, command, parameters]") and W3C
WebDriver, whose commands and key codes (section 17.4.2) it carries.
"""

from __future__ import annotations

import base64
import json
import shutil
import socket
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from need import need

FIREFOX = shutil.which("firefox-esr") or shutil.which("firefox")
KEYS = {"Left": "\ue012", "Up": "\ue013", "Right": "\ue014", "Down": "\ue015", "Tab": "\ue004"}

_PREFERENCES = {
    "app.update.enabled": False,
    "browser.shell.checkDefaultBrowser": False,
    "datareporting.policy.dataSubmissionEnabled": False,
    "devtools.console.stdout.content": True,
    "network.captive-portal-service.enabled": False,
    "network.connectivity-service.enabled": False,
    "security.sandbox.content.level": 0,  # the tests may run as root
    "toolkit.telemetry.reportingpolicy.firstRun": False,
}


class Firefox:
    """A Firefox with one page; `dark` is the colour scheme that it tells the page."""

    def __init__(self, folder: Path, dark: bool = False) -> None:
        need(FIREFOX, "firefox-esr (Debian package)")
        profile = folder / f"firefox_{dark}"
        profile.mkdir(parents=True)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        chosen = _PREFERENCES | {
            "marionette.port": port,
            "layout.css.prefers-color-scheme.content-override": 0 if dark else 1,
        }
        lines = [f"user_pref({json.dumps(name)}, {json.dumps(value)});" for name, value in chosen.items()]
        (profile / "user.js").write_text("\n".join(lines))
        self._log = open(folder / f"firefox_{dark}.log", "w")  # noqa: SIM115
        self._process = subprocess.Popen(
            [str(FIREFOX), "--headless", "--marionette", "--no-remote", "--profile", str(profile)],
            stdout=self._log,
            stderr=subprocess.STDOUT,
        )
        self._socket = self._connected(port)
        self._count = 0
        self._receive()
        self.do("WebDriver:NewSession", {"strictFileInteractability": True})

    def _connected(self, port: int) -> socket.socket:
        for _ in range(600):
            try:
                return socket.create_connection(("127.0.0.1", port), timeout=60)
            except OSError:
                assert self._process.poll() is None, "Firefox ended"
                time.sleep(0.1)
        raise AssertionError("Firefox does not answer")

    def do(self, command: str, parameters: dict[str, Any] | None = None) -> Any:
        """A command's answer."""
        self._count += 1
        message = json.dumps([0, self._count, command, parameters or {}]).encode()
        self._socket.sendall(b"%d:%s" % (len(message), message))
        _, _, problem, answer = self._receive()
        assert problem is None, problem
        return answer.get("value", answer) if isinstance(answer, dict) else answer

    def _receive(self) -> Any:
        size = b""
        while not size.endswith(b":"):
            size += self._socket.recv(1)
        data, length = b"", int(size[:-1])
        while len(data) < length:
            data += self._socket.recv(length - len(data))
        return json.loads(data)

    def open(self, page: Path, width: int, height: int) -> None:
        """Show a page in a view of this size."""
        for _ in range(2):  # the window is larger than the view
            inner = self.run("return [innerWidth, innerHeight, outerWidth, outerHeight]")
            frame = (inner[2] - inner[0], inner[3] - inner[1])
            self.do("WebDriver:SetWindowRect", {"width": width + frame[0], "height": height + frame[1]})
        self.do("WebDriver:Navigate", {"url": page.as_uri()})

    def run(self, script: str, *arguments: object) -> Any:
        """What a script in the page gives back."""
        return self.do("WebDriver:ExecuteScript", {"script": script, "args": list(arguments)})

    def press(self, keys: Sequence[str]) -> None:
        """Press keys one after the other, on what has the focus."""
        steps = [{"type": kind, "value": key} for key in keys for kind in ("keyDown", "keyUp")]
        self.do(
            "WebDriver:PerformActions", {"actions": [{"type": "key", "id": "keyboard", "actions": steps}]}
        )

    def picture(self, path: Path, full: bool = False) -> None:
        """The view, or the whole page, as a PNG file."""
        path.write_bytes(base64.b64decode(self.do("WebDriver:TakeScreenshot", {"full": full})))

    def close(self) -> None:
        """End it."""
        self._socket.close()
        self._process.terminate()
        self._process.wait(timeout=60)
        self._log.close()
