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
from takemill import cli

HELPER = Path(__file__).parents[2] / "engines" / "three" / "takemill.mjs"
CYCLES, STEP_S = 10, 0.0137  # a step that aligns with no frame

RECIPE = """
[[clip]]
name = "walk"
from = 3.5
to = 8
loop = true
travel = "root"

[[clip]]
name = "set off"
from = 1.5
to = 4
travel = "root"

[[clip]]
name = "kept"
from = 3.5
to = 8
loop = true
travel = "keep"
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("travel")
    take = small_takes.write(place)
    (place / "r.toml").write_text(RECIPE)
    out = place / "set"
    assert cli.main(["pack", str(take), "--recipe", str(place / "r.toml"), "--out", str(out)]) == 0
    return out


@pytest.fixture(scope="module")
def answer(folder):
    return node_parties.three_travel(next(folder.glob("*.glb")), HELPER, CYCLES, STEP_S)


def said(folder):
    return {clip["name"]: clip for clip in json.loads((folder / "clips.json").read_bytes())["clips"]}


def test_ten_cycles_end_where_the_list_says(folder, answer):
    """Within 1 mm and 1 mrad: the travel of a cycle, made again from where the last one ended."""
    for name, clip in said(folder).items():
        place, heading = np.zeros(3), 0.0
        for _ in range(CYCLES if clip["loop"] else 1):
            if clip["travel"]["joint"] is not None:
                left, up, ahead = clip["travel"]["offset_m"]
                c, s = np.cos(heading), np.sin(heading)
                place += [c * left + s * ahead, up, c * ahead - s * left]
                heading += np.radians(clip["travel"]["turn_deg"])
        np.testing.assert_allclose(answer[name]["place"], place, atol=0.001)
        assert answer[name]["turn"] == pytest.approx(heading, abs=0.001)
    assert answer["walk"]["place"][2] > 5, "the walk goes somewhere"
    assert answer["kept"]["place"] == [0, 0, 0]


def test_loops_are_known_as_such(folder, answer):
    assert {name: one["loops"] for name, one in answer.items()} == {
        name: clip["loop"] for name, clip in said(folder).items()
    }
