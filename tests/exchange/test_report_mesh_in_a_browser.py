"""The report draws the character's own mesh where the file plays it, in Debian's Chromium and Firefox."""

from __future__ import annotations

import json
import re
from html import unescape
from pathlib import Path

import numpy as np
import pytest

import fit_bodies
import rigs
import small_takes
from chromium import browse
from firefox import KEYS, Firefox
from glb_reader import read_glb
from takemill.shell import cli

pytestmark = pytest.mark.once

RECIPE = "".join(
    f'[[clip]]\nname = "{name}"\nfrom = {start}\nto = {stop}\nloop = {loop}\nroot_motion = "{root_motion}"\n'
    for name, start, stop, loop, root_motion in (
        ("walk", 3.5, 8, "true", "root"),
        ("set off", 1.5, 4, "false", "keep"),
    )
)
VIEW, TILT = 0.6, 0.25  # as the page begins
BUILDS = {"toon": fit_bodies.TOON, "broad": fit_bodies.BROAD}


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """Sets of two characters."""
    place = tmp_path_factory.mktemp("mesh")
    take = small_takes.write(place)
    (place / "r.toml").write_text(RECIPE)
    more = []
    for name, build in BUILDS.items():
        (place / f"{name}.glb").write_bytes(rigs.character(fit_bodies.body(build)[0]))
        more += ["--to", str(place / f"{name}.glb")]
    out = place / "sets"
    assert cli.main(["pack", str(take), "--recipe", str(place / "r.toml"), *more, "--out", str(out)]) == 0
    return out


PROBE = """<script>
addEventListener("load", () => setTimeout(() => {
  const pen = CanvasRenderingContext2D.prototype, draw = pen.drawImage, said = {boxes: []};
  let boxes = [];
  pen.drawImage = function (image, ...place) { boxes.push(place); return draw.call(this, image, ...place); };
  const at = (figure, k) => {
    const slider = figure.querySelector("[type=range]");
    boxes = [];
    slider.value = String(k);
    slider.dispatchEvent(new Event("input"));
    return boxes;
  };
  for (const number of [0, 1]) {
    const figure = document.querySelector(`[data-clip="${number}"]`);
    figure.querySelector('[data-does="ghosts"]').click();
    said.boxes.push([0, 12, 30].map((k) => at(figure, k)[0]));
    said.last = Number(figure.querySelector("[type=range]").max);
  }
  const canvas = document.querySelector('[data-clip="0"] canvas');
  said.size = [canvas.getBoundingClientRect().width, canvas.getBoundingClientRect().height];
  const mesh = document.querySelector('[data-clip="0"] [data-does="mesh"]');
  const meshed = canvas.toDataURL();
  mesh.click();
  said.sticks = [at(document.querySelector('[data-clip="0"]'), 3).length, canvas.toDataURL() !== meshed];
  const sheet = document.querySelector('[data-sheet="0"]');
  said.beside = at(sheet, 5).length;
  said.clock = sheet.querySelector("output").textContent;
  const stills = sheet.querySelector("details");
  stills.open = true;
  boxes = [];
  setTimeout(() => {
    said.stills = boxes.length;
    said.scroll = [document.documentElement.scrollWidth, innerWidth];
    document.title = JSON.stringify(said);
  }, 300);
}, 100));
</script>"""


def probe(folder: Path, tmp_path: Path, width: int, scheme: str = "light") -> dict:
    page = tmp_path / "page" / "probe.html"
    page.parent.mkdir()
    text = (folder / "toon" / "report.html").read_text(encoding="utf-8").replace("</body>", PROBE + "</body>")
    page.write_text(text, encoding="utf-8")
    dom = browse(page, "--dump-dom", width=width, height=3000, scheme=scheme)
    return json.loads(unescape(re.search(r"<title>(.*?)</title>", dom, re.DOTALL).group(1)))


@pytest.mark.parametrize(("width", "scheme"), [(1200, "light"), (390, "dark")])
def test_the_mesh_lies_where_the_file_plays_it(folder, tmp_path, width, scheme) -> None:
    """The box around what is drawn, beside vertices skinned by the tests' own reader (glTF 2.0, 3.7.3)."""
    said = probe(folder, tmp_path, width, scheme)
    glb = read_glb(next((folder / "toon").glob("*.glb")).read_bytes())
    clips = json.loads((folder / "toon" / "clips.json").read_text())["clips"]
    data = json.loads(
        re.search(
            r'id="figures">(.*?)</script>', (folder / "toon" / "report.html").read_text(), re.DOTALL
        ).group(1)
    )
    for number, clip in enumerate(clips):
        frames = np.round(np.linspace(0, clip["frames"] - 1, data["clips"][str(number)]["frames"]))
        track = np.array(data["clips"][str(number)]["track"]) / 1000
        for box, shown in zip(said["boxes"][number], (0, 12, 30), strict=True):
            points = skinned(glb, clip["name"], frames[shown] / clip["rate"])
            away = points - np.append(track[shown][:2], 0.0)
            across = np.cos(VIEW) * away[:, 0] + np.sin(VIEW) * away[:, 1]
            behind = -np.sin(VIEW) * away[:, 0] + np.cos(VIEW) * away[:, 1]
            up = away[:, 2] * np.cos(TILT) + behind * np.sin(TILT)
            scale = 0.8 * said["size"][1] / data["height"]
            left = said["size"][0] / 2 + scale * across.min()
            wide = scale * np.ptp(across)
            floor = (0.5 + 0.38 * np.cos(TILT)) * said["size"][1]
            assert box[0] == pytest.approx(left, abs=1.1)
            assert box[2] == pytest.approx(wide, abs=1.6)
            assert box[1] == pytest.approx(floor - scale * up.max(), abs=1.1)
            assert box[3] == pytest.approx(scale * np.ptp(up), abs=1.6)
    assert said["sticks"] == [0, True], "without its mesh it is a stick figure"
    assert said["beside"] == 2, "two meshes, and the performer's sticks"
    assert said["stills"] == 2 * 6
    assert said["clock"] == "0.17 s"
    assert said["scroll"][0] <= said["scroll"][1]


def skinned(glb, clip: str, seconds: float) -> np.ndarray:
    """The vertices (V, 3) of all meshes at a moment, Z-up, metres."""
    worlds, out = glb.worlds(clip, np.array([seconds]))[0], []
    for node in glb.json["nodes"]:
        if "mesh" not in node or "skin" not in node:
            continue
        skin = glb.json["skins"][node["skin"]]
        bones = np.array(skin["joints"])
        binds = glb.accessor(skin["inverseBindMatrices"]).reshape(-1, 4, 4).swapaxes(1, 2)
        for primitive in glb.json["meshes"][node["mesh"]]["primitives"]:
            given = primitive["attributes"]
            slots, weights = glb.accessor(given["JOINTS_0"]).astype(int), glb.accessor(given["WEIGHTS_0"])
            places = np.c_[glb.accessor(given["POSITION"]), np.ones(len(slots))]
            each = np.einsum("nkij,nkjl,nl->nki", worlds[bones[slots]], binds[slots], places)[..., :3]
            out.append(np.einsum("nk,nki->ni", weights / weights.sum(axis=1, keepdims=True), each))
    x, y, z = np.concatenate(out).T
    return np.stack([x, -z, y], axis=-1)


def test_it_is_used_by_keys_in_firefox(folder, tmp_path) -> None:
    firefox = Firefox(tmp_path, dark=True)
    try:
        firefox.open(folder / "broad" / "report.html", 1200, 900)
        sheet = "document.querySelector('[data-sheet=\"0\"]')"
        ink = f"return {sheet}.querySelector('canvas').toDataURL()"
        firefox.run(f"{sheet}.querySelector('input').focus()")
        before = firefox.run(ink)
        firefox.press([KEYS["Right"]] * 4)
        assert firefox.run(f"return {sheet}.querySelector('output').textContent") == "0.13 s"
        moved = firefox.run(ink)
        assert moved != before
        firefox.run(f"{sheet}.querySelector('canvas').focus()")
        firefox.press([KEYS["Left"]])
        assert firefox.run(ink) != moved
        firefox.press([" "])
        assert firefox.run(f"return {sheet}.querySelector('button').textContent") == "Pause"
        drawn = "return document.querySelector('[data-clip=\"0\"] canvas').toDataURL()"
        firefox.run("document.querySelector('[data-clip=\"0\"] button').textContent === 'Play' || "
                    "document.querySelector('[data-clip=\"0\"] button').click()")  # fmt: skip
        meshed = firefox.run(drawn)
        firefox.run("document.querySelector('[data-clip=\"0\"] [data-does=mesh]').click()")
        assert firefox.run(drawn) != meshed
    finally:
        firefox.close()
    log = (tmp_path / "firefox_True.log").read_text()
    assert "JavaScript error: file" not in log, log
    assert "Content-Security-Policy" not in log, log
