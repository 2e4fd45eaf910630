"""The report in Debian's Chromium, headless: real pixels, real keys, nothing on the console."""

from __future__ import annotations

import json
import re
from html import unescape
from pathlib import Path

import pytest

import small_takes
from chromium import browse
from pixels import COLOURS, count, picture
from takemill.shell import cli

pytestmark = pytest.mark.once

RECIPE = "".join(
    f'[[clip]]\nname = "{name}"\nfrom = {start}\nto = {stop}\nloop = {loop}\n'
    for name, start, stop, loop in (("walk", 3.5, 8, "true"), ("set off", 1.5, 4, "false"))
)


@pytest.fixture(scope="module")
def page(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    take = small_takes.write(folder)
    (folder / "r.toml").write_text(RECIPE)
    assert (
        cli.main(["pack", str(take), "--recipe", str(folder / "r.toml"), "--out", str(folder / "set")]) == 0
    )
    return folder / "set" / "report.html"


@pytest.mark.parametrize("width", [1200, 390])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_legs_and_seams_are_seen_in_the_colours_of_the_theme(page, tmp_path, width, scheme):
    height = 2600
    browse(page, f"--screenshot={tmp_path / 'shot.png'}", width=width, height=height, scheme=scheme)
    pixels = picture(tmp_path / "shot.png")
    assert pixels.shape[1] == width
    colours = COLOURS[scheme]
    assert tuple(pixels[2, 2]) == colours["page"]
    assert pixels.shape[0] == height
    assert count(pixels, colours["left"]) > 150
    assert count(pixels, colours["right"]) > 150
    for side in ("other", "reed"):  # before and after the seam
        assert count(pixels, colours[side]) > 100, side


# No frames are drawn while a page is only dumped, so timers stand in for them.
FRAMES = "<script>requestAnimationFrame = (f) => setTimeout(() => f(performance.now()), 16);</script>"
PROBE = """<script>
addEventListener("load", () => setTimeout(() => {
  const figure = document.querySelector('[data-clip="1"]');
  const parts = ["canvas", "button", "input", "output"].map((name) => figure.querySelector(name));
  const [canvas, button, slider, clock] = parts;
  const ink = () => canvas.toDataURL();
  const said = {scroll: document.documentElement.scrollWidth, width: innerWidth};
  const [all, plays] = [document.getElementById("play-all"), document.querySelectorAll(".controls button")];
  const labels = () => [...plays, all].map((one) => one.textContent).join();
  said.all = [labels()];
  for (const one of [all, all, plays[1], all, plays[1], all, all]) { one.click(); said.all.push(labels()); }
  slider.value = "0";
  slider.dispatchEvent(new Event("input"));
  said.clock = clock.textContent;
  const first = ink();
  const press = (key, on = canvas) => on.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true}));
  press("ArrowRight");
  said.turned = ink() !== first;
  const level = ink();
  press("ArrowUp");
  said.tilted = ink() !== level;
  const [again, ghosts] = figure.querySelectorAll("[type=checkbox]");
  slider.value = "30";
  slider.dispatchEvent(new Event("input"));
  said.scrubbed = clock.textContent;
  said.cursor = Number(figure.closest("article").style.getPropertyValue("--at"));
  press(".");
  said.stepped = clock.textContent;
  press(",");
  const haunted = ink();
  ghosts.click();
  said.laid = ink() !== haunted;
  const cells = document.querySelectorAll(".heat td");
  cells[0].focus();
  press("ArrowRight", cells[0]);
  press("ArrowDown", cells[1]);
  said.pair = document.getElementById("pair").textContent;
  said.there = document.activeElement === cells[3];
  press(" ");
  said.label = button.textContent;
  setTimeout(() => {
    said.playing = parseFloat(clock.textContent);
    button.click();
    said.paused = button.textContent;
    again.click();
    slider.value = slider.max;
    slider.dispatchEvent(new Event("input"));
    button.click();
    button.click();
    slider.value = slider.max - 6;
    slider.dispatchEvent(new Event("input"));
    button.click();
    setTimeout(() => {
      said.ended = [clock.textContent, button.textContent];
      document.title = JSON.stringify(said);
    }, 600);
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
    played, still = "Pause,Pause,Pause all", "Play,Play,Play all"
    second, first = "Play,Pause,Play all", "Pause,Play,Play all"
    assert said["all"] == [first, played, still, second, played, first, played, still]
    assert said["turned"]
    assert said["scrubbed"] == "1.00 s"
    assert (said["label"], said["paused"]) == ("Pause", "Play")
    assert 1.0 < said["playing"] < 2.5
    assert said["tilted"]
    assert said["cursor"] == pytest.approx(1.0 / 2.5)
    assert said["stepped"] == "1.03 s"
    assert said["laid"], "onion skins can be put away"
    assert said["ended"] == ["2.50 s", "Play"], "without loop it ends"
    assert said["there"]
    assert re.match(r"set off to set off: \d+\.\d cm, .*largest at \w+, \w+", said["pair"])
