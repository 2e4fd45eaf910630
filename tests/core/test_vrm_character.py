"""A character whose bones have the names of VRM 1.0, all of them, as `pack --to` packs it."""

from __future__ import annotations

import json
from pathlib import Path

import hand_takes
import rigs
from rig_variants import vrm_body
from takemill.body.body_map import find_body_map
from takemill.files.bvh import BvhLayout, write_bvh
from takemill.shell import cli

RECIPE = '[[clip]]\nname = "clap"\nfrom = 0.5\nto = 6.5\nloop = false\n'


def test_every_bone_of_vrm_is_the_part_of_its_name() -> None:
    skeleton, truth = vrm_body()
    assert find_body_map(skeleton).joints == truth.joints


def test_a_vrm_character_is_packed_with_its_hands_meeting_and_its_soles_on_the_floor(tmp_path: Path) -> None:
    take, (skeleton, _) = hand_takes.clap(30.0), vrm_body()
    write_bvh(tmp_path / "clap.bvh", take.motion, BvhLayout.default(take.motion.skeleton))
    (tmp_path / "r.toml").write_text(RECIPE)
    (tmp_path / "vrm.glb").write_bytes(rigs.character(skeleton))
    files = [str(tmp_path / name) for name in ("clap.bvh", "r.toml", "vrm.glb", "set")]
    given = [files[0], "--recipe", files[1], "--to", files[2]]
    assert cli.main(["pack", *given, "--out", files[3]]) == 0
    said = json.loads((tmp_path / "set" / "clips.json").read_text())
    (clip,) = said["clips"]
    assert said["character"] == {"mesh": True, "unmapped": [], "constrained": []}
    assert [goal["reached"] for goal in clip["goals"]] == [True] * 5
    assert max(goal["off_mm"] for goal in clip["goals"]) < 10.0
    for foot in clip["soles"].values():
        assert max(foot["under_mm"], foot["over_mm"]) < 3.0
        assert foot["slide_cm_s"] < 0.3
    assert cli.main(["verify", files[3], *given]) == 0
