"""The three.js snippets of docs/engines.md, run in node word for word."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest

import node_parties
import small_takes
from takemill.shell import cli

pytestmark = pytest.mark.once

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "engines.md").read_text(encoding="utf-8")
WHOLE, APART = re.findall(r"```js\n(.*?)```", PAGE, re.DOTALL)
CYCLES = 10

RECIPE = """name = "marsh_ferry"
[[clip]]
name = "walk"
from = 3.5
to = 8
loop = true
root_motion = "root"
"""

# What a browser does by its URLs, node does by files.
LOADING = """
import { readFile } from 'node:fs/promises';
globalThis.self = globalThis;
GLTFLoader.prototype.loadAsync = async function (path) {
  const bytes = await readFile(`${process.argv[2]}/${path}`);
  return this.parseAsync(bytes.buffer.slice(bytes.byteOffset, bytes.byteOffset + bytes.byteLength), '');
};
let seconds;
"""
PRINTED = "console.log(JSON.stringify(gltf.scene.position.toArray()));"


def page(files: str) -> str:
    """A page's module: what is shown, with the lines of each frame in a loop of ten cycles."""
    once, each = WHOLE.split("// each frame:\n")
    if files == "separate":
        lines = once.splitlines()
        mixer = next(k for k, line in enumerate(lines) if "new AnimationMixer" in line)
        once = "\n".join(lines[: mixer + 1]) + "\n" + APART  # the mesh and its mixer, then the clip's file
    last_import = once.rindex("import ")
    end = once.index("\n", last_import)
    frames = (
        f"for (let left = {CYCLES} * action.getClip().duration; left > 1e-9; left -= seconds) {{\n"
        f"seconds = Math.min(left, 0.0137);\n{each}}}\n"
    )
    return once[:end] + LOADING + once[end:] + frames + PRINTED


@pytest.mark.parametrize("files", ["one", "separate"])
def test_the_snippets_of_the_page_walk_ten_cycles_to_where_the_list_says(files, tmp_path):
    take = small_takes.write(tmp_path)
    (tmp_path / "r.toml").write_text(f'files = "{files}"\n' + RECIPE)
    out = tmp_path / "set"
    assert cli.main(["pack", str(take), "--recipe", str(tmp_path / "r.toml"), "--out", str(out)]) == 0
    place = node_parties.three_page(page(files), ROOT / "engines" / "three" / "takemill.mjs", out)
    (clip,) = json.loads((out / "clips.json").read_bytes())["clips"]
    assert clip["root_motion"]["offset_m"][2] > 0.5
    turn, end, heading = np.radians(clip["root_motion"]["turn_deg"]), np.zeros(3), 0.0
    for _ in range(CYCLES):
        left, up, ahead = clip["root_motion"]["offset_m"]
        c, s = np.cos(heading), np.sin(heading)
        end += [c * left + s * ahead, up, c * ahead - s * left]
        heading += turn
    np.testing.assert_allclose(place, end, atol=0.001)
