"""The report in Debian's Chromium, headless: real pixels, real keys, nothing on the console."""

from __future__ import annotations

import json
import re
import shutil
import struct
import subprocess
import zlib
from html import unescape
from pathlib import Path

import numpy as np
import pytest

import small_takes
from need import need
from takemill import cli

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--no-first-run", "--hide-scrollbars",
    "--force-device-scale-factor=1", "--enable-logging=stderr", "--virtual-time-budget=2000",
)  # fmt: skip
RECIPE = "".join(
    f'[[clip]]\nname = "{name}"\nfrom = {start}\nto = {stop}\nloop = {loop}\n'
    for name, start, stop, loop in (("walk", 3.5, 8, "true"), ("set off", 1.5, 4, "false"))
)
COLOURS = {  # report.css
    "light": {"page": (0xF6, 0xF4, 0xEE), "left": (0xA8, 0x50, 0x0C), "right": (0x0B, 0x6B, 0x78)},
    "dark": {"page": (0x17, 0x1B, 0x18), "left": (0xF2, 0xA6, 0x5A), "right": (0x63, 0xC9, 0xD6)},
}


@pytest.fixture(scope="module")
def page(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    take = small_takes.write(folder)
    (folder / "r.toml").write_text(RECIPE)
    assert (
        cli.main(["pack", str(take), "--recipe", str(folder / "r.toml"), "--out", str(folder / "set")]) == 0
    )
    return folder / "set" / "report.html"


def browse(page: Path, *arguments: str, width: int = 1200, height: int = 1000, scheme: str = "light") -> str:
    """Open the page; what it prints to stdout. Anything on the page's console fails the test."""
    need(CHROMIUM, "chromium (Debian package)")
    dark = ("--blink-settings=preferredColorScheme=0",) if scheme == "dark" else ()
    done = subprocess.run(
        [
            str(CHROMIUM),
            *FLAGS,
            *dark,
            f"--user-data-dir={page.parent.parent / 'profile'}",
            f"--window-size={width},{height}",
            *arguments,
            page.as_uri(),
        ],
        check=True,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert "CONSOLE" not in done.stderr, done.stderr
    return done.stdout


def picture(path: Path) -> np.ndarray:
    """(H, W, 3) of a PNG of 8-bit RGB or RGBA. Source: PNG specification (W3C, 2003), sections 9 and 11.2."""
    data, place, packed = path.read_bytes(), 8, b""
    while place < len(data):
        size, kind = struct.unpack(">I4s", data[place : place + 8])
        body = data[place + 8 : place + 8 + size]
        if kind == b"IHDR":
            width, height, depth, colour = struct.unpack(">IIBB", body[:10])
            assert (depth, colour) in ((8, 2), (8, 6))
        elif kind == b"IDAT":
            packed += body
        place += 12 + size
    channels = 3 if colour == 2 else 4
    lines = np.frombuffer(zlib.decompress(packed), np.uint8).reshape(height, -1)
    rows = [bytes(width * channels)]
    for line in lines:
        rows.append(unfiltered(int(line[0]), line[1:].tobytes(), rows[-1], channels))
    return np.frombuffer(b"".join(rows[1:]), np.uint8).reshape(height, width, channels)[..., :3]


def unfiltered(kind: int, line: bytes, above: bytes, channels: int) -> bytes:
    if kind == 0:
        return line
    if kind == 2:
        return (np.frombuffer(line, np.uint8) + np.frombuffer(above, np.uint8)).tobytes()
    out = bytearray(channels) + bytearray(line)
    above = bytes(channels) + above
    for k in range(channels, len(out)):
        left, up, corner = out[k - channels], above[k], above[k - channels]
        if kind == 1:
            guess = left
        elif kind == 3:
            guess = (left + up) // 2
        else:
            near = [(abs(up - corner), 0), (abs(left - corner), 1), (abs(left + up - 2 * corner), 2)]
            guess = (left, up, corner)[min(near)[1]]
        out[k] = (out[k] + guess) & 255
    return bytes(out[channels:])


def count(pixels: np.ndarray, colour: tuple[int, int, int]) -> int:
    return int((np.abs(pixels.astype(int) - colour).max(axis=-1) <= 2).sum())


@pytest.mark.parametrize("width", [1200, 390])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_both_legs_are_seen_in_the_colours_of_the_theme(page, tmp_path, width, scheme):
    browse(page, f"--screenshot={tmp_path / 'shot.png'}", width=width, scheme=scheme)
    pixels = picture(tmp_path / "shot.png")
    assert pixels.shape[1] == width
    colours = COLOURS[scheme]
    assert tuple(pixels[2, 2]) == colours["page"]
    assert count(pixels, colours["left"]) > 150
    assert count(pixels, colours["right"]) > 150


# No frames are drawn while a page is only dumped, so timers stand in for them.
FRAMES = "<script>requestAnimationFrame = (f) => setTimeout(() => f(performance.now()), 16);</script>"
PROBE = """<script>
addEventListener("load", () => setTimeout(() => {
  const figure = document.querySelector('[data-clip="1"]');
  const parts = ["canvas", "button", "input", "output"].map((name) => figure.querySelector(name));
  const [canvas, button, slider, clock] = parts;
  const ink = () => canvas.toDataURL();
  const said = {scroll: document.documentElement.scrollWidth, width: innerWidth};
  said.clock = clock.textContent;
  const first = ink();
  canvas.dispatchEvent(new KeyboardEvent("keydown", {key: "ArrowRight", bubbles: true}));
  said.turned = ink() !== first;
  slider.value = "30";
  slider.dispatchEvent(new Event("input"));
  said.scrubbed = clock.textContent;
  canvas.dispatchEvent(new KeyboardEvent("keydown", {key: " ", bubbles: true}));
  said.label = button.textContent;
  setTimeout(() => {
    said.playing = parseFloat(clock.textContent);
    button.click();
    said.paused = button.textContent;
    document.title = JSON.stringify(said);
  }, 1000);
}, 100));
</script>"""


@pytest.mark.parametrize("width", [1200, 390])
def test_it_can_be_played_scrubbed_and_turned_and_never_scrolls_sideways(page, tmp_path, width):
    probe = tmp_path / "profile_parent" / "probe.html"
    probe.parent.mkdir()
    text = page.read_text(encoding="utf-8")
    text = text.replace("</head>", FRAMES + "</head>").replace("</body>", PROBE + "</body>")
    probe.write_text(text, encoding="utf-8")
    dom = browse(probe, "--dump-dom", width=width, height=3000)
    said = json.loads(unescape(re.search(r"<title>(.*?)</title>", dom, re.DOTALL).group(1)))
    assert said["scroll"] <= said["width"]
    assert said["clock"] == "0.00 s"
    assert said["turned"]
    assert said["scrubbed"] == "1.00 s"
    assert (said["label"], said["paused"]) == ("Pause", "Play")
    assert 1.0 < said["playing"] < 2.5
