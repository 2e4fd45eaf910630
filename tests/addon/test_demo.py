"""The demo: the sample scene through the operators, as `takemill demo` runs it."""

from __future__ import annotations

import json
import subprocess
import sys

import bpy
import numpy as np
import pytest

from glb_reader import read_glb
from node_parties import three_positions, three_weights, validator_issues
from skinned_soles import sole_heights
from takemill.base.errors import TakemillError
from takemill.shell import samples
from takemill_addon.demo import CHARACTERS, run_demo

pytestmark = pytest.mark.usefixtures("addon")
SWINGS = {
    "Courier": ("tail", [f"tail.{k}" for k in range(5)], "hips"),
    "Ferrywoman": ("strap.0", ["strap.0", "strap.1", "strap.2"], "chest"),
}
"""By character: what swings, its bones, and the bone that carries it."""


def test_the_sample_scene_becomes_a_set_for_each_character(tmp_path, capfd):
    told = []
    rows = run_demo(samples.path("marsh_ferry.blend"), tmp_path / "set", lambda _, part: told.append(part))
    assert told == sorted(told)
    assert told[-1] == 1
    assert capfd.readouterr().out == ""
    assert sorted(one.name for one in (tmp_path / "set").iterdir()) == sorted(CHARACTERS)
    for name in CHARACTERS:
        kinds = [row["kind"] for row in rows if row["character"] == name]
        assert {"idle", "locomotion", "strike", "turn"} <= set(kinds)
        assert kinds.count("strike") + kinds.count("other") >= 2
        folder = tmp_path / "set" / name
        facts = json.loads((folder / "clips.json").read_text(encoding="utf-8"))
        data = (folder / "marsh_ferry.glb").read_bytes()
        assert [issue for issue in validator_issues(data) if issue["severity"] < 2] == []
        glb = read_glb(data)
        clips = [row["clip"] for row in rows if row["character"] == name]
        assert [animation["name"] for animation in glb.json["animations"]] == clips
        assert glb.json["meshes"]
        for clip in facts["clips"]:
            assert clip["loop"] == (clip["kind"] in ("idle", "locomotion"))
            assert glb.duration_s(clip["name"]) == pytest.approx(clip["duration_s"], abs=1e-4)
            arms = clip["arms_in_body_mm"] or {"after": 0.0}
            assert arms["after"] < 5, "deeper than an eye forgives (common practice, no source)"
            assert clip["fit_quality"] in ("good", "fair")
            if clip["kind"] == "locomotion":
                assert abs(clip["root_motion"]["offset_m"][0]) < 0.03, (
                    "the recipe's smoothing keeps the root straight"
                )
        expect_what_the_recipe_says(facts)
        expect_soles_on_the_floor(glb, facts)
        if name == "Lamplighter":
            expect_a_face(data, facts)
        else:
            assert {len(clip["faces"]) for clip in facts["clips"]} == {0}
            expect_a_swing(data, facts, *SWINGS[name])
        (take,) = facts["takes"]
        spikes = next(row for row in take["findings"] if row["kind"] == "spike")
        assert spikes["repaired"] > 30 > spikes["left"]
        assert take["health"]["spike_frames"] < 30


def expect_a_face(data: bytes, facts: dict) -> None:
    """The lamplighter's mouth moves in every clip, as three.js plays it, and a loop's ends as it begins."""
    assert {clip["springs"] for clip in facts["clips"]} == {None}
    times = {clip["name"]: np.arange(clip["frames"]) / clip["rate"] for clip in facts["clips"]}
    played = three_weights(data, times)
    (mesh,) = {name for clip in facts["clips"] for name in clip["faces"]}
    for clip in facts["clips"]:
        parts = np.array([list(one.values()) for one in played[clip["name"]]])  # one for each material
        weights = parts[:, 0]
        assert (parts == parts[:, :1]).all()
        assert set(clip["faces"][mesh]) == {"blink.L", "blink.R", "brows_up", "smile", "mouth_open"}
        low, high = clip["faces"][mesh]["mouth_open"]
        assert high - low > 0.2, clip["name"]
        assert weights.min() >= 0
        assert weights.max() <= 1
        assert np.ptp(weights, axis=0).max() > 0.2
        if clip["loop"]:
            np.testing.assert_allclose(weights[-1], weights[0], atol=1e-6)


def expect_soles_on_the_floor(glb, facts: dict) -> None:
    """As the audience sees them, heels that hang on foot and shin by half: each planted frame within 3 mm."""
    heights = []
    for clip in facts["clips"]:
        times = np.arange(clip["frames"]) / clip["rate"]
        for foot, spans in clip["contacts"].items():
            sole = sole_heights(glb, clip["name"], times, facts["skeleton"]["body"][foot])
            heights += [sole[start:stop] for start, stop in spans]
    assert np.abs(np.concatenate(heights)).max() < 0.003


def expect_a_swing(data: bytes, facts: dict, chain: str, bones: list[str], carrier: str) -> None:
    """A chain moves on what carries it in every clip, as three.js plays it: a centimetre, in the idle a half.

    A loop's chain ends where it began, and crosses the seam no faster than 95 of 100 frames do.
    """
    names = [node.get("name") for node in read_glb(data).json["nodes"]]
    times = {clip["name"]: np.arange(clip["frames"]) / clip["rate"] for clip in facts["clips"]}
    places = three_positions(data, times)
    for clip in facts["clips"]:
        assert clip["springs"]["chains"] == {chain: bones}
        body = places[clip["name"]]
        # Three joints of the trunk make a frame that the chain is seen from.
        parts = [
            names.index(facts["skeleton"]["body"][part]) for part in ("hips", "leftUpperLeg", "rightUpperLeg")
        ]
        base, left, right = (body[:, part] for part in parts)
        across, down = left - right, (left + right) / 2 - base
        frame = np.stack([across, down, np.cross(across, down)], axis=-1)
        frame /= np.linalg.norm(frame, axis=1, keepdims=True)
        if carrier != "hips":
            base = body[:, names.index(carrier)]
        tip = np.einsum("fij,fi->fj", frame, body[:, names.index(bones[-1])] - base)
        reach = np.linalg.norm(np.ptp(tip, axis=0))
        assert reach > (0.005 if clip["kind"] == "idle" else 0.01), clip["name"]
        if clip["loop"]:
            assert np.linalg.norm(tip[-1] - tip[0]) < 1e-3
            around = np.concatenate([tip[:-1], tip[:2]])
            jolt = np.linalg.norm(np.diff(around, 2, axis=0), axis=-1)
            assert jolt[-1] <= np.percentile(jolt, 95), clip["name"]


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
    assert done.stdout.strip().splitlines()[-1] == f"The sets are in {tmp_path / 'set'}"
    assert "Not freed memory" not in done.stdout + done.stderr
