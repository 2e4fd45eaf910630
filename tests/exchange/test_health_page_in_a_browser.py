"""The health page in Debian's Chromium, headless: real pixels, and no scrolling sideways."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import corrupt
import small_takes
from chromium import browse
from pixels import COLOURS, count, picture
from takemill.shell import cli

pytestmark = pytest.mark.once

FLAGS = {  # page.css: bad and other
    "light": ((0xA3, 0x27, 0x1F), (0x7A, 0x3F, 0x7D)),
    "dark": ((0xFF, 0x8F, 0x82), (0xD3, 0x9A, 0xD6)),
}


@pytest.fixture(scope="module")
def page(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("health") / "page"
    folder.mkdir()
    take = small_takes.write(folder, "walk.bvh", corrupt.corrupt(small_takes.stand_and_walk(), 1).motion)
    assert cli.main(["check", str(take), "--html", str(folder / "page.html")]) == 0
    return folder / "page.html"


@pytest.mark.parametrize("width", [1200, 390])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_raw_and_repaired_are_seen_in_the_colours_of_the_theme(page, tmp_path, width, scheme):
    browse(page, f"--screenshot={tmp_path / 'shot.png'}", width=width, height=3600, scheme=scheme)
    pixels = picture(tmp_path / "shot.png")
    assert pixels.shape[:2] == (3600, width)
    colours = COLOURS[scheme]
    assert tuple(pixels[2, 2]) == colours["page"]
    assert count(pixels, colours["raw"]) > 300, "raw"
    assert count(pixels, colours["repaired"]) > 600, "repaired"
    assert count(pixels, colours["reed"]) > 1500, "planted"
    # A flagged stretch is red or purple over the plot's ground, 28 parts in a hundred.
    for flag in FLAGS[scheme]:
        shade = tuple(round(0.28 * a + 0.72 * b) for a, b in zip(flag, colours["page"], strict=True))
        assert count(pixels, shade) > 20, "shaded"


@pytest.mark.parametrize("width", [1200, 390])
def test_the_page_never_scrolls_sideways(page, tmp_path, width):
    probe = tmp_path / "page" / "probe.html"
    probe.parent.mkdir()
    script = "document.title = document.documentElement.scrollWidth + ' ' + innerWidth;"
    text = page.read_text(encoding="utf-8").replace("style-src", "script-src 'unsafe-inline'; style-src")
    probe.write_text(text.replace("</body>", f"<script>{script}</script></body>"), encoding="utf-8")
    dom = browse(probe, "--dump-dom", width=width, height=3000)
    wide, window = map(int, re.search(r"<title>(\d+) (\d+)</title>", dom).groups())
    assert wide <= window
