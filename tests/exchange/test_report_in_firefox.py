"""The report in Debian's Firefox: drawn in both themes, walked through with real keys; no script fails."""

from __future__ import annotations

from pathlib import Path

import pytest

import small_takes
from firefox import KEYS, Firefox
from pixels import COLOURS, count, picture
from takemill.shell import cli

pytestmark = pytest.mark.once

RECIPE = "".join(
    f'[[clip]]\nname = "{name}"\nfrom = {start}\nto = {stop}\nloop = {loop}\n'
    for name, start, stop, loop in (("walk", 3.5, 8, "true"), ("set off", 1.5, 4, "false"))
)
NARROW = 500  # the narrowest that Firefox's window gets; below the page's own limit of 46 rem


@pytest.fixture(scope="module")
def page(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    take = small_takes.write(folder)
    (folder / "r.toml").write_text(RECIPE)
    out = folder / "set"
    assert cli.main(["pack", str(take), "--recipe", str(folder / "r.toml"), "--out", str(out)]) == 0
    return out / "report.html"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_is_drawn_and_used_in_firefox(page, tmp_path, scheme):
    firefox = Firefox(tmp_path, dark=scheme == "dark")
    try:
        colours = COLOURS[scheme]
        for width in (1200, NARROW):
            firefox.open(page, width, 900)
            said = firefox.run("return [innerWidth, document.documentElement.scrollWidth]")
            assert said[0] == width
            assert said[1] <= width
            firefox.picture(tmp_path / "shot.png", full=True)
            pixels = picture(tmp_path / "shot.png")
            assert tuple(pixels[2, 2]) == colours["page"]
            for name in ("left", "right", "other", "reed"):
                assert count(pixels, colours[name]) > 100, name
        _walk_through(firefox)
    finally:
        firefox.close()
    log = (tmp_path / f"firefox_{scheme == 'dark'}.log").read_text()
    assert "JavaScript error: file" not in log, log
    assert "Content-Security-Policy" not in log, log


def _walk_through(firefox: Firefox) -> None:
    """By keys alone: play, pause, scrub, turn, and look at a pair."""
    clip = "document.querySelector('[data-clip=\"1\"]')"
    clock = f"return {clip}.querySelector('output').textContent"
    ink = f"return {clip}.querySelector('canvas').toDataURL()"
    firefox.run(f"{clip}.querySelector('input').focus()")
    firefox.press([KEYS["Right"]] * 3)
    assert firefox.run(clock) == "0.10 s"
    firefox.run(f"{clip}.querySelector('canvas').focus()")
    before = firefox.run(ink)
    firefox.press([KEYS["Left"], KEYS["Up"]])
    assert firefox.run(ink) != before
    firefox.press([" "])
    assert firefox.run(f"return {clip}.querySelector('button').textContent") == "Pause"
    firefox.press([" "])
    reached = firefox.run("return document.activeElement.tagName")
    assert reached == "CANVAS"
    firefox.press([KEYS["Tab"]])
    assert firefox.run("return document.activeElement.textContent") == "Play"
    firefox.run("document.querySelector('.heat td').focus()")
    firefox.press([KEYS["Right"]])
    assert firefox.run("return document.getElementById('pair').textContent").startswith("walk to set off: ")
