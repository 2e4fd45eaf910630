"""Idle, start, loop, stop, idle without a blend, in an engine that nobody here wrote, by the list alone.

Source: three.js, GLTFLoader and AnimationMixer, by way of the helper in engines/three. The gaits are open
ones, made to start, to stop and to turn (tests/gait_takes.py).
"""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

import node_parties
import small_takes
from gait_takes import start_and_stop
from takemill.sets.clip_joins import MAX_JOIN_CM
from takemill.shell import cli

pytestmark = pytest.mark.once

HELPER = Path(__file__).parents[2] / "engines" / "three" / "takemill.mjs"
STEP_S = 1 / 120
CASES = {
    "walk": (("walk", 5, 0, 0.0), "rate = 30"),
    "run": (("run", 7, 0, 0.0), ""),
    "turn": (("walk", 9, 1, -90.0), "rate = 24"),
    "smooth": (("walk", 5, 2, 0.0), "rate = 30\n[root_motion]\nsmooth_hz = 0.8\nheight = true"),
}


@pytest.fixture(scope="module", params=CASES)
def played(request, tmp_path_factory):
    """The list of a set, the clips that it lets follow each other from rest to rest, and their joints."""
    motion, (asked, text) = tmp_path_factory.mktemp("chain"), CASES[request.param]
    take = small_takes.write(motion, "gait.bvh", start_and_stop(*asked)[0])
    above, _, tables = text.partition("\n")
    recipe = f'{above}\nneutral = "idle_01"\nblend_frames = 6\n{tables}\n[cuts]\ngaits = "parts"\n'
    (motion / "r.toml").write_text(recipe)
    out = motion / "set"
    assert cli.main(["pack", str(take), "--recipe", str(motion / "r.toml"), "--out", str(out)]) == 0
    assert cli.main(["verify", str(out), str(take), "--recipe", str(motion / "r.toml")]) == 0
    said = json.loads((out / "clips.json").read_bytes())
    chain = chain_of(said)
    return said, chain, node_parties.three_chain(out / "gait.glb", HELPER, STEP_S, chain)


def chain_of(said) -> list[str]:
    """From a loop that is at rest, by joins, through each clip that it leads to, back to rest."""
    after: dict[str, list[str]] = {}
    for one in said["joins"]:
        after.setdefault(one["from"], []).append(one["to"])
    loops = {clip["name"]: clip["root_motion"]["path_m"] > 0.2 for clip in said["clips"] if clip["loop"]}
    rest = next(one["from"] for one in said["joins"] if loops.get(one["from"]) is False)
    (start,) = after[rest]
    (gait,) = after[start]
    chain = [rest, start, gait, gait]
    turns = [name for name in after[gait] if gait in after[name]]
    for turn in turns:
        chain += [turn, gait]
    (stop,) = (name for name in after[gait] if name not in turns)
    return [*chain, stop, *after[stop]]


def joints(answer) -> list[np.ndarray]:
    """Of each clip that was played, where its joints were, (T, J, 3), but for the root and its tips."""
    body = [k for k, name in enumerate(answer["nodes"]) if "root_motion" not in name]
    return [np.array(one)[:, body] for one in answer["clips"]]


def test_no_pose_jumps_where_clips_meet(played):
    """In the world, with the root motion of all clips before: at most 0.5 cm on average over the joints."""
    said, chain, answer = played
    assert len(chain) >= 6
    clips = joints(answer)
    for before, after in pairwise(clips):
        gap_cm = 100 * np.linalg.norm(before[-1] - after[0], axis=-1)
        assert gap_cm.mean() < 0.1, (chain, gap_cm)
        assert gap_cm.max() < MAX_JOIN_CM
    assert all(one["gap_cm"] < 0.05 for one in said["joins"])
    assert np.linalg.norm(clips[-1][-1, 0] - clips[0][0, 0]) > 1.5, "it went somewhere"


def test_speeds_go_on_where_gaits_meet(played):
    """Joints take no sharper turn there than elsewhere in the gait: second differences at 120 a second."""
    said, chain, answer = played
    clips, loops = joints(answer), {one["from"] for one in said["joins"] if one["phase"] is not None}
    usual = max(
        float(np.linalg.norm(np.diff(one, 2, axis=0), axis=-1).mean(axis=1).max())
        for name, one in zip(chain, clips, strict=True)
        if name in loops
    )
    for k in range(2, len(clips) - 2):
        around = np.concatenate([clips[k][-3:], clips[k + 1][1:3]])
        assert np.linalg.norm(np.diff(around, 2, axis=0), axis=-1).mean(axis=1).max() < 1.3 * usual


def test_foot_and_phase_are_those_of_the_loop(played):
    said, _, _ = played
    clips = {clip["name"]: clip for clip in said["clips"]}
    for one in said["joins"]:
        if one["phase"] is None:
            assert one["foot"] is None
            continue
        loop = next(clips[one[end]] for end in ("from", "to") if clips[one[end]]["loop"])
        assert {"name": f"{one['foot']}.down", "frame": 0, "time_s": 0.0, "phase": 0.0} in loop["events"]
        assert one["phase"] == pytest.approx(loop["gait"][0][1] % 1, abs=1e-3)
        assert (one["phase"] < 0.02) == (one["foot"] == "leftFoot")
        other = clips[one["from"] if clips[one["to"]]["loop"] else one["to"]]
        last = other["frames"] - 1
        shared = [event for event in other["events"] if event["name"] == f"{one['foot']}.down"]
        # The step belongs to the clip that begins with it.
        if other["name"] == one["to"]:
            assert shared[0]["frame"] == 0
        else:
            assert all(event["frame"] < last for event in shared)
