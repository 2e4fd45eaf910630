"""The report plays idle, start, loop, stop, idle as one: in Debian's Chromium, headless, frame by frame."""

from __future__ import annotations

import json
import re
from html import unescape

import numpy as np
import pytest

import small_takes
from chromium import browse
from gait_takes import start_and_stop
from takemill.shell import cli

pytestmark = pytest.mark.once

RECIPE = 'rate = 30\nneutral = "idle_01"\nblend_frames = 6\n[cuts]\ngaits = "parts"\n'
# Each frame of the chain is drawn; the ends of its lines are noted: the grid of the floor, then the bones.
PROBE = """<script>
addEventListener("load", () => setTimeout(() => {
  const figure = document.querySelector("[data-chain]"), slider = figure.querySelector("[type=range]");
  const pen = CanvasRenderingContext2D.prototype, line = pen.lineTo, said = {clocks: [], frames: []};
  let ends = [];
  pen.lineTo = function (x, y) { ends.push([x, y]); return line.call(this, x, y); };
  figure.querySelector('[data-does="ghosts"]').click();
  for (let k = 0; k <= Number(slider.max); k++) {
    ends = [];
    slider.value = String(k);
    slider.dispatchEvent(new Event("input"));
    said.clocks.push(figure.querySelector("output").textContent);
    said.frames.push(ends);
  }
  document.title = JSON.stringify(said);
}, 100));
</script>"""
GRID = 18  # lines of the floor, drawn first


def test_the_chain_plays_through_without_a_jump(tmp_path):
    take = small_takes.write(tmp_path, "gait.bvh", start_and_stop("walk")[0])
    (tmp_path / "r.toml").write_text(RECIPE)
    out = tmp_path / "set"
    assert cli.main(["pack", str(take), "--recipe", str(tmp_path / "r.toml"), "--out", str(out)]) == 0
    probe = tmp_path / "page" / "probe.html"
    probe.parent.mkdir()
    text = (out / "report.html").read_text(encoding="utf-8").replace("</body>", PROBE + "</body>")
    probe.write_text(text, encoding="utf-8")
    dom = browse(probe, "--dump-dom", width=1200, height=3000)
    said = json.loads(unescape(re.search(r"<title>(.*?)</title>", dom, re.DOTALL).group(1)))

    clips = {clip["name"]: clip for clip in json.loads((out / "clips.json").read_bytes())["clips"]}
    parts = [f"walk_forward_{part}_01" for part in ("start", "loop", "loop", "stop")]
    chain = ["idle_01", *parts, "idle_01"]
    names = [line.split(" ")[0] for line in said["clocks"]]
    order = [name for k, name in enumerate(names) if not k or name != names[k - 1]]
    assert order == ["idle_01", parts[0], parts[1], parts[3], "idle_01"]
    seconds = sum(clips[name]["duration_s"] for name in chain)
    assert float(said["clocks"][-1].split(" ")[1]) == pytest.approx(seconds, abs=1 / 30 + 0.006)

    drawn = np.array([frame[GRID:] for frame in said["frames"]])
    steps = np.linalg.norm(np.diff(drawn, axis=0), axis=-1).max(axis=1)
    meets = [k - 1 for k in range(1, len(names)) if names[k] != names[k - 1]]
    meets.append(
        round(30 * sum(clips[name]["duration_s"] for name in chain[:3])) - 1
    )  # of the loop with itself
    others = np.delete(steps, [near for k in meets for near in (k, k + 1) if near < len(steps)])
    assert len(meets) == 5
    assert steps[meets].max() < 1.1 * others.max()
    floor = np.array([frame[:GRID] for frame in said["frames"]])
    assert np.abs(np.diff(floor, axis=0)).max(axis=(1, 2)).max() > 0.5, "the floor goes by"
