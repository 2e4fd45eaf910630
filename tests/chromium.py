"""Pages in Debian's Chromium, headless."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

from need import need

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--no-first-run", "--hide-scrollbars",
    "--force-device-scale-factor=1", "--enable-logging=stderr", "--virtual-time-budget=2000",
)  # fmt: skip


def browse(page: Path, *arguments: str, width: int = 1200, height: int = 1000, scheme: str = "light") -> str:
    """Open the page of a file; what it prints to stdout. Anything on the page's console fails the test."""
    profile = page.parent.parent / "profile"
    return browse_address(page.as_uri(), profile, *arguments, width=width, height=height, scheme=scheme)


def browse_address(
    address: str, profile: Path, *arguments: str, width: int = 1200, height: int = 1000, scheme: str = "light"
) -> str:
    """The same of any address; the browser keeps its own files in `profile`."""
    need(CHROMIUM, "chromium (Debian package)")
    dark = ("--blink-settings=preferredColorScheme=0",) if scheme == "dark" else ()
    done = subprocess.run(
        [
            str(CHROMIUM),
            *FLAGS,
            *dark,
            f"--user-data-dir={profile}",
            f"--window-size={width},{height}",
            *arguments,
            address,
        ],
        check=True,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert "CONSOLE" not in done.stderr, done.stderr
    return done.stdout
