"""Takes of one performer on one skeleton."""

from __future__ import annotations

import json

import numpy as np
import pytest

import forms
import open_data
import synthetic
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.one_skeleton import with_one_skeleton
from takemill.body.skeleton import Reference
from takemill.files.bvh import parse_bvh
from takemill.files.bvh_layout import BvhLayout
from takemill.recipe.recipe import Recipe
from takemill.sets.take_files import as_one_set
from takemill.shell import cli


def lost(name: str, repeats: int = 1) -> forms.Plain:
    """An open motion whose rest pose says nothing."""
    motion, _ = open_data.humanoid3d(name)
    parts = find_body_map(motion.skeleton).joints
    plain = forms.plain(open_data.repeated(motion, repeats) if repeats > 1 else motion)
    return forms.resting(plain, forms.POSES["random turns"](plain, parts))


def read(plain: forms.Plain, **writing: str):
    return parse_bvh(forms.bvh_text(plain, **writing))[0]


def test_a_run_takes_the_reference_of_the_walk():
    run, walk = read(lost("run", 3)), read(lost("walk", 3))
    assert run.skeleton.reference.score == 0.0
    shared = with_one_skeleton({"run": run, "walk": walk})
    assert shared["run"].skeleton is shared["walk"].skeleton
    reference = shared["run"].skeleton.reference
    assert reference.origin.endswith("of walk")
    assert reference.score > 0
    np.testing.assert_allclose(reference.rotation, walk.skeleton.reference.rotation, atol=1e-12)
    for name, before in (("run", run), ("walk", walk)):
        np.testing.assert_allclose(shared[name].rotations, before.rotations, atol=1e-12)
        np.testing.assert_allclose(shared[name].model()[1], before.model()[1], atol=1e-12)


def test_of_takes_that_are_as_upright_the_first_ones_reference_is_taken():
    walk, _ = open_data.humanoid3d("walk")
    held = Reference(walk.skeleton.rest_rotation, walk.skeleton.rest_translation)
    rests, stands = (
        walk.with_skeleton(walk.skeleton.with_reference(reference)) for reference in (None, held)
    )
    assert with_one_skeleton({"a": rests, "b": stands})["b"].skeleton.reference is None
    assert with_one_skeleton({"a": stands, "b": rests})["b"].skeleton.reference is held


@pytest.mark.parametrize("rooted", [False, True])
def test_frame_0_as_offset_is_no_other_skeleton(rooted):
    """Some exporters write the place of the hips in frame 0 as their OFFSET."""
    walk, punch = (forms.plain(open_data.humanoid3d(name)[0]) for name in ("walk", "punch"))
    if rooted:
        walk, punch = forms.under_root(walk), forms.under_root(punch)
    takes = {"walk": read(walk, offsets="first"), "punch": read(punch, offsets="first")}
    assert takes["walk"].skeleton.difference(takes["punch"].skeleton)
    shared = with_one_skeleton(takes)
    assert shared["walk"].skeleton is shared["punch"].skeleton
    for name, before in takes.items():
        np.testing.assert_allclose(shared[name].model()[1], before.model()[1], atol=1e-9)


def test_another_skeleton_stays_another():
    walk, other = synthetic.walk(steps=2).motion, open_data.humanoid3d("walk")[0]
    assert with_one_skeleton({"a": walk, "b": other})["b"].skeleton is other.skeleton


def test_takes_with_other_offsets_are_packed_together(tmp_path, capsys):
    for number, name in enumerate(("walk", "punch")):
        motion, _ = open_data.humanoid3d(name)
        plain = forms.turned_world(
            forms.plain(open_data.repeated(motion, 3) if name == "walk" else motion),
            forms._turn("z", 40.0 * number),
            np.array([number, 2.0, 0]),
        )
        (tmp_path / f"{name}.bvh").write_text(forms.bvh_text(plain, offsets="first"), encoding="utf-8")
    files = [str(tmp_path / f"{name}.bvh") for name in ("walk", "punch")]
    assert cli.main(["pack", *files, "--out", str(tmp_path / "set")]) == 0
    capsys.readouterr()
    said = json.loads((tmp_path / "set" / "clips.json").read_text(encoding="utf-8"))
    assert {take["name"] for take in said["takes"]} == {"walk", "punch"}


def test_takes_of_another_body_keep_their_own_map():
    """Takes of one skeleton share the first one's; each take is told as what it was read."""
    layout = BvhLayout(())
    walk, idle = synthetic.walk(rate=30.0).motion, synthetic.idle(rate=30.0).motion
    other = open_data.humanoid3d("walk")[0]
    own = find_body_map(idle.skeleton).joints
    read = {
        "walk": (walk, find_body_map(walk.skeleton), layout),
        "idle": (idle, BodyMap({part: joint for part, joint in own.items() if part != "neck"}), layout),
        "other": (other, find_body_map(other.skeleton), layout),
    }
    told: list[str] = []
    shared = as_one_set(read, Recipe(), lambda name, _: told.append(name))
    assert told == list(read)
    assert shared["walk"][1] == shared["idle"][1]
    assert shared["idle"][1].joints == read["walk"][1].joints
    assert shared["idle"][0].skeleton is shared["walk"][0].skeleton
    assert shared["other"][1].joints == read["other"][1].joints
    assert shared["other"][0].skeleton.names == other.skeleton.names
