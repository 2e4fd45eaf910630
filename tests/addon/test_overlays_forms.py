"""Overlays lie at the same places of the world, however an Action and its armature are written."""

from __future__ import annotations

import bpy
import numpy as np
import pytest

import forms
import small_takes
from blender_scene import empty_scene
from drawn import in_world, shown
from takemill.body.body_map import find_body_map
from takemill.files.bvh import read_bvh
from takemill_addon import overlays
from takemill_addon.bridge.motion.write_action import write_motion
from takemill_addon.bridge.rigs.rig import read_rig
from takemill_addon.bridge.scene import actions
from takemill_addon.bridge.takes import armatures, stage

pytestmark = pytest.mark.usefixtures("addon")
SECONDS = (1.0, 4.0, 7.5)  # it stands, walks and walks; a frame at each rate
# Rest pose, scale of the object, rotation mode, roll of bones, frames a second, first frame.
FORMS = {
    "plain": ("as it is", 1.0, "QUATERNION", 0.0, 60, 0),
    "grown, rolled Euler": ("as it is", 100.0, "XYZ", 1.0, 60, -37),
    "rests lying": ("lying on the back", 0.5, "QUATERNION", 0.0, 60, 1),
    "rests crumpled": ("crumpled", 1.0, "AXIS_ANGLE", 0.4, 60, 1),
    "30 frames a second": ("as it is", 2.0, "QUATERNION", 0.0, 30, 0),
}


def written(tmp_path, pose: str, size: float, mode: str, roll: float, fps: int, start: int) -> int:
    """The take in one form on an armature of its own, with all that overlays show of it; its first frame."""
    scene, walk = empty_scene(fps), small_takes.stand_and_walk()
    plain = forms.plain(walk)
    plain = forms.resting(plain, forms.POSES[pose](plain, find_body_map(walk.skeleton).joints))
    plain = forms.grown(plain, 1 / size)
    (tmp_path / "walk.bvh").write_text(forms.bvh_text(plain, unit="m", up="Z"))
    motion = read_bvh(tmp_path / "walk.bvh", unit_m=1.0, up="Z")[0]
    rig = armatures.build_armature(bpy.context, motion.skeleton, "Performer")
    bpy.ops.object.mode_set(mode="EDIT")
    for number, bone in enumerate(rig.data.edit_bones):
        bone.roll += roll * (number + 1)
    bpy.ops.object.mode_set(mode="OBJECT")
    for bone in rig.pose.bones:
        bone.rotation_mode = mode
    own = armatures.on_bones(read_rig(rig), motion)
    raw = write_motion(bpy.context, rig, own, start, "walk", spacing=fps / own.rate)
    rig.scale = (size,) * 3
    bpy.context.view_layer.update()
    assert bpy.ops.takemill.map_body() == {"FINISHED"}
    repaired = raw.copy()
    repaired.takemill.source, repaired.takemill.repaired = raw, True
    actions.assign(rig, repaired, repaired.slots[0])
    _fill(repaired, rig, start, fps)
    scene.frame_set(start)
    return start


def _fill(action, rig, start: int, fps: int) -> None:
    """A finding, a contact of hands and a cut, of the whole walk."""
    known = action.takemill
    finding = known.findings.add()
    finding.kind, finding.joint = "spike", rig.takemill.parts["leftLowerArm"].bone
    touch = known.contacts.add()
    touch.name, touch.part, touch.on, touch.kind = "hands", "leftHand", "rightHand", "hands"
    for one in (finding, touch):
        one.start, one.stop = start, start + 8 * fps
    cut = known.cuts.add()
    cut.name, cut.start, cut.end, cut.loop = "walk", start + 4 * fps, start + 6 * fps, True
    stage.activate(bpy.context, rig)


def seen(start: int, fps: int) -> dict[tuple[str, float], tuple[np.ndarray, list[str]]]:
    """Overlay and second -> all its points (N, 3) in the world, and what its labels say.

    The whole path is apart, as ("path", second): which of its points are drawn is a matter of a hair.
    """
    out = {}
    for second in SECONDS:
        bpy.context.scene.frame_set(start + round(second * fps))
        for one in overlays.OVERLAYS:
            drawing = shown(one.name)
            points = [in_world(drawing, k) for k in range(len(drawing.strokes))]
            if one.name == "root_path":
                out["path", second] = points.pop(0), []
            out[one.name, second] = (
                np.concatenate([np.zeros((0, 3)), *points]),
                [label.text for label in drawing.labels],
            )
    return out


def off_lines(points: np.ndarray, ends: np.ndarray) -> float:
    """How far the farthest of points (N, 3) is from lines (M, 3), two ends of each."""
    starts, stops = ends[::2], ends[1::2]
    way = stops - starts
    away = points[:, None] - starts
    share = (away * way).sum(axis=-1) / np.maximum((way * way).sum(axis=-1), 1e-12)
    off = np.linalg.norm(away - np.clip(share, 0, 1)[..., None] * way, axis=-1)
    return float(off.min(axis=1).max())


@pytest.fixture(scope="module")
def plain(addon, tmp_path_factory):  # noqa: ARG001 (registered first)
    form = FORMS["plain"]
    return seen(written(tmp_path_factory.mktemp("plain"), *form), form[4])


@pytest.mark.parametrize("form", [name for name in FORMS if name != "plain"])
def test_overlays_lie_where_they_do_in_the_plain_form(form, plain, tmp_path):
    rate = FORMS[form][4]
    found = seen(written(tmp_path, *FORMS[form]), rate)
    for place, (points, texts) in plain.items():
        same, said = found[place]
        assert place[0] == "springs" or len(points) > 0, place
        if place[0] == "path":
            assert max(off_lines(same, points), off_lines(points, same)) < 2 * 0.003 + 5e-5
        elif rate == FORMS["plain"][4] or len(points) == len(same):
            np.testing.assert_allclose(same, points, atol=5e-5, err_msg=str(place))
        else:  # the same way, of fewer frames
            away = np.linalg.norm(same[:, None] - points, axis=-1)
            assert away.min(axis=1).max() < 0.02, place
            assert away.min(axis=0).max() < 0.08, place  # half a foot's way from frame to frame
        assert said == texts or (place[0] == "seam" and rate != FORMS["plain"][4])
