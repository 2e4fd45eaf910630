"""A set's loops in an engine that nobody here wrote: ten cycles of root motion end where clips.json says.

Source: three.js, GLTFLoader and AnimationMixer, by way of the helper in engines/three.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import node_parties
import small_takes
from takemill.files.glb_read import GlbScene
from takemill.shell import cli

pytestmark = pytest.mark.once

HELPER = Path(__file__).parents[2] / "engines" / "three" / "takemill.mjs"
CYCLES, STEP_S = 10, 0.0137  # a step that aligns with no frame

RECIPE = """
[[clip]]
name = "walk"
from = 3.5
to = 8
loop = true
root_motion = "root"

[[clip]]
name = "set off"
from = 1.5
to = 4
root_motion = "root"

[[clip]]
name = "kept"
from = 3.5
to = 8
loop = true
root_motion = "keep"
"""


@pytest.fixture(scope="module", params=["one", "separate"])
def folder(request, tmp_path_factory):
    place = tmp_path_factory.mktemp("root_motion")
    take = small_takes.write(place)
    (place / "r.toml").write_text(f'files = "{request.param}"\n' + RECIPE)
    out = place / "set"
    assert cli.main(["pack", str(take), "--recipe", str(place / "r.toml"), "--out", str(out)]) == 0
    return out


def clip_files(folder):
    """The files that hold clips and no mesh."""
    return sorted(folder.glob("clips/*.glb"))


@pytest.fixture(scope="module")
def answer(folder):
    whole = next(folder.glob("*.glb"))
    return node_parties.three_root_motion(whole, HELPER, CYCLES, STEP_S, clip_files(folder))


def said(folder):
    return {clip["name"]: clip for clip in json.loads((folder / "clips.json").read_bytes())["clips"]}


def test_ten_cycles_end_where_the_list_says(folder, answer):
    """Within 1 mm and 1 mrad: the root motion of a cycle, made again from where the last one ended."""
    for name, clip in said(folder).items():
        place, heading = np.zeros(3), 0.0
        for _ in range(CYCLES if clip["loop"] else 1):
            if clip["root_motion"]["joint"] is not None:
                left, up, ahead = clip["root_motion"]["offset_m"]
                c, s = np.cos(heading), np.sin(heading)
                place += [c * left + s * ahead, up, c * ahead - s * left]
                heading += np.radians(clip["root_motion"]["turn_deg"])
        np.testing.assert_allclose(answer[name]["place"], place, atol=0.001)
        assert answer[name]["turn"] == pytest.approx(heading, abs=0.001)
    assert answer["walk"]["place"][2] > 5, "the walk goes somewhere"
    assert answer["kept"]["place"] == [0, 0, 0]


def test_loops_are_known_as_such(folder, answer):
    assert {name: one["loops"] for name, one in answer.items()} == {
        name: clip["loop"] for name, clip in said(folder).items()
    }


def test_poses_are_those_of_the_files(folder):
    """Each clip on the character of the set's file with the mesh, wherever the clip is."""
    whole = next(folder.glob("*.glb"))
    mesh = GlbScene(whole.read_bytes(), whole.name)
    times = {name: [0.0, 0.31, clip["duration_s"] / 2] for name, clip in said(folder).items()}
    found = node_parties.three_positions(whole.read_bytes(), times, clip_files(folder))
    for name, clip in said(folder).items():
        scene = GlbScene((folder / clip["file"]).read_bytes(), clip["file"])
        worlds = scene.worlds(name, np.array(times[name]))[..., :3, 3]
        for node in mesh.joints:
            there = scene.names.index(mesh.names[node])
            np.testing.assert_allclose(found[name][:, node], worlds[:, there], atol=1e-4)
