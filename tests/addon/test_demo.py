"""The demo: the sample scene through the operators, as `takemill demo` runs it."""

from __future__ import annotations

import json
import subprocess
import sys

import bpy
import numpy as np
import pytest

from glb_reader import read_glb
from node_parties import validator_issues
from skinned_soles import sole_heights
from takemill.base.errors import TakemillError
from takemill.shell import samples
from takemill_addon import demo
from takemill_addon.demo import run_demo

pytestmark = pytest.mark.usefixtures("addon")


def test_the_sample_scene_becomes_a_set(tmp_path, capfd):
    told = []
    rows = run_demo(samples.path("marsh_ferry.blend"), tmp_path / "set", lambda _, part: told.append(part))
    assert told == sorted(told)
    assert told[-1] == 1
    assert capfd.readouterr().out == ""
    kinds = [row["kind"] for row in rows]
    assert {"idle", "locomotion", "strike", "turn"} <= set(kinds)
    assert kinds.count("strike") + kinds.count("other") >= 2
    facts = json.loads((tmp_path / "set" / "clips.json").read_text())
    data = (tmp_path / "set" / "marsh_ferry.glb").read_bytes()
    assert [issue for issue in validator_issues(data) if issue["severity"] < 2] == []
    glb = read_glb(data)
    assert [animation["name"] for animation in glb.json["animations"]] == [row["clip"] for row in rows]
    assert glb.json["meshes"]
    for clip in facts["clips"]:
        assert clip["loop"] == (clip["kind"] in ("idle", "locomotion"))
        assert glb.duration_s(clip["name"]) == pytest.approx(clip["duration_s"], abs=1e-4)
        if clip["kind"] == "locomotion":
            assert abs(clip["root_motion"]["offset_m"][0]) < 0.03, (
                "the recipe's smoothing keeps the root straight"
            )
    expect_what_the_recipe_says(facts)
    expect_soles_on_the_floor(glb, facts)
    (take,) = facts["takes"]
    spikes = next(row for row in take["findings"] if row["kind"] == "spike")
    assert spikes["repaired"] > 30 > spikes["left"]
    assert take["health"]["spike_frames"] < 30


def expect_soles_on_the_floor(glb, facts: dict) -> None:
    """As the audience sees them, heels that hang on foot and shin by half: each planted frame within 3 mm."""
    heights = []
    for clip in facts["clips"]:
        times = np.arange(clip["frames"]) / clip["rate"]
        for foot, spans in clip["contacts"].items():
            sole = sole_heights(glb, clip["name"], times, facts["skeleton"]["body"][foot])
            heights += [sole[start:stop] for start, stop in spans]
    assert np.abs(np.concatenate(heights)).max() < 0.003


@pytest.mark.long  # the whole demo twice more: half a minute
@pytest.mark.parametrize("name", ["Lamplighter", "Courier"])
def test_the_other_samples_stand_on_the_floor_as_well(name, tmp_path, monkeypatch):
    """A child's build, and one with a tail: all clips of the demo."""
    monkeypatch.setattr(demo, "_CHARACTER", name)
    demo.run_demo(samples.path("marsh_ferry.blend"), tmp_path / "set", lambda *_: None)
    facts = json.loads((tmp_path / "set" / "clips.json").read_text(encoding="utf-8"))
    assert len(facts["clips"]) > 8
    expect_soles_on_the_floor(read_glb((tmp_path / "set" / "marsh_ferry.glb").read_bytes()), facts)


def expect_what_the_recipe_says(facts: dict) -> None:
    """What no field of the panel holds comes from the recipe's text."""
    said = {clip["name"]: clip for clip in facts["clips"]}
    assert said["turn_about"]["root_motion"]["turn_deg"] == pytest.approx(180, abs=0.01)
    assert said["turn_right"]["root_motion"]["turn_deg"] == pytest.approx(-90, abs=0.01)
    assert said["turn_left"]["root_motion"]["turn_deg"] == pytest.approx(90, abs=0.01)
    assert said["walk_brisk"]["variant"]["speed"] == 1.15
    events = [
        {event["name"]: event["frame"] for event in said[name]["events"]}
        for name in ("strike_straight", "strike_straight_mirrored")
    ]
    assert events[0]["rightHand.strike"] == events[1]["leftHand.strike"]
    gaps = facts["gaps"]
    idle = gaps["clips"].index("idle")
    for name, clip in said.items():
        if not clip["loop"]:
            assert clip["blend_frames"] == 6
            assert gaps["cm"][idle][gaps["clips"].index(name)] < 0.05
            assert gaps["cm"][gaps["clips"].index(name)][idle] < 0.05


def test_a_scene_without_the_suit_is_an_error(tmp_path):
    bpy.ops.wm.read_factory_settings(use_empty=True)
    blend = tmp_path / "empty.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(blend))
    with pytest.raises(TakemillError, match="no armature 'Suit'"):
        run_demo(blend, tmp_path / "set", lambda *_: None)
    assert not (tmp_path / "set").exists()


def test_the_demo_ends_with_where_the_set_is(tmp_path):
    """The last line is what a newcomer reads: no word of Blender's about memory stands behind it."""
    command = [sys.executable, "-m", "takemill", "demo", "--out", str(tmp_path / "set")]
    done = subprocess.run(command, check=False, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip().splitlines()[-1] == f"The set is in {tmp_path / 'set'}"
    assert "Not freed memory" not in done.stdout + done.stderr
