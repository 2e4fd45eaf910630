"""What is no take of a body on two legs: said with a way out, in the shell and in Blender alike."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import bpy
import numpy as np
import pytest

import forms
import open_data
import synthetic
from blender_scene import empty_scene
from takemill.body.body_map import find_body_map
from takemill.maths import quat
from takemill.shell import cli

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill


def crawl() -> str:
    """Hands that walk: the nearest to a quadruped that open data have (the DeepMimic motions)."""
    return forms.bvh_text(forms.plain(open_data.humanoid3d("crawl")[0]))


def quadruped() -> str:
    """Four legs under a level trunk, forelegs as long as they must be; names tell what they are."""
    idle = forms.plain(synthetic.idle(rate=60, duration_s=2).motion)
    called = {"upper_arm": "fore_thigh", "lower_arm": "fore_shin", "hand": "fore_paw"}
    names = tuple(next((n.replace(a, b) for a, b in called.items() if a in n), n) for n in idle.names)
    rotations, offsets = idle.rotations.copy(), idle.offsets.copy()
    translations = idle.translations.copy()
    forward = quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), np.pi / 2)
    spine = idle.names.index("spine")
    rotations[:, spine] = quat.mul(forward, rotations[:, spine])
    for side in ("left", "right"):
        arm, *below = (idle.names.index(f"{side}_{part}") for part in ("upper_arm", "lower_arm", "hand"))
        rotations[:, arm] = quat.mul(quat.inv(forward), rotations[:, arm])  # it goes on hanging
        length = np.linalg.norm(offsets[below], axis=1).sum()
        shoulder = replace(idle, rotations=rotations).world()[1][0, arm, 2]
        offsets[below] *= (shoulder - 0.08) / length
        translations[:, below] *= (shoulder - 0.08) / length
    return forms.bvh_text(
        replace(idle, names=names, rotations=rotations, offsets=offsets, translations=translations)
    )


def never_stands() -> str:
    """A run alone, in a file whose rest pose is crumpled."""
    run = forms.plain(open_data.repeated(open_data.humanoid3d("run")[0], 3))
    parts = find_body_map(open_data.humanoid3d("run")[0].skeleton).joints
    return forms.bvh_text(forms.resting(run, forms.POSES["random turns"](run, parts)))


def two_bodies() -> str:
    idle = forms.plain(synthetic.idle(rate=60, duration_s=2).motion)
    return forms.bvh_text(forms.beside(idle, np.array([1.5, 0.0, 0.0])))


# How the take is made, what is said, and the verb and operator that stop.
BAD = {
    crawl: "the hands are as low as the feet",
    quadruped: "the hands are as low as the feet",
    never_stands: "the take holds no upright moment",
    two_bodies: "two bodies",
}


@pytest.mark.parametrize("make", BAD)
def test_it_is_said_and_stops_the_pack_in_shell_and_blender(make, tmp_path: Path, capsys):
    path = tmp_path / "bad.bvh"
    path.write_text(make(), encoding="utf-8")
    assert cli.main(["pack", str(path), "--out", str(tmp_path / "set")]) == 2
    shell = capsys.readouterr().err
    assert BAD[make] in shell
    empty_scene(24)
    takemill.import_take(filepath=str(path))
    assert BAD[make] in capsys.readouterr().out or make is two_bodies
    if make is two_bodies:
        with pytest.raises(RuntimeError, match=BAD[make]):
            takemill.map_body()
        return
    assert takemill.map_body() == {"FINISHED"}
    takemill.check_take()
    known = bpy.context.view_layer.objects.active.animation_data.action.takemill
    said = [one.message for one in known.findings if one.kind == "intake"]
    assert any(BAD[make] in one for one in said)
    takemill.add_clip()
    bpy.context.scene.takemill.set_folder = str(tmp_path / "set")
    with pytest.raises(RuntimeError, match=f"{BAD[make]}.*tick Accept in the panel Body"):
        takemill.pack_set()
    assert not (tmp_path / "set").exists()


def test_a_take_that_never_stands_is_helped_by_another_one(tmp_path: Path):
    """The walk of the same performer, as a second Action on the same armature."""
    path = tmp_path / "run.bvh"
    path.write_text(never_stands(), encoding="utf-8")
    walk = forms.plain(open_data.humanoid3d("walk")[0])
    parts = find_body_map(open_data.humanoid3d("walk")[0].skeleton).joints
    (tmp_path / "walk.bvh").write_text(
        forms.bvh_text(forms.resting(walk, forms.POSES["random turns"](walk, parts))), encoding="utf-8"
    )
    empty_scene(24)
    takemill.import_take(directory=str(tmp_path), files=[{"name": "run.bvh"}, {"name": "walk.bvh"}])
    bpy.context.scene.takemill.intake_reference = "walk.bvh"
    takemill.map_body()
    takemill.check_take()
    suit = bpy.context.view_layer.objects.active
    assert suit.animation_data.action.name == "run"
    assert not [one for one in suit.animation_data.action.takemill.findings if one.kind == "intake"]
