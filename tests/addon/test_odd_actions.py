"""Actions that leave little to judge: checked and repaired, or refused with a reason, never thrown about."""

from __future__ import annotations

import bpy
import numpy as np
import pytest

import corrupt
import synthetic
from blender_scene import empty_scene, import_bvh, keys_of
from takemill.body.motion import Motion
from takemill.maths import quat
from takemill_addon.bridge.motion.read_action import read_take
from takemill_addon.bridge.takes import findings

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill


def odd(name: str) -> Motion:
    walk = corrupt.corrupt(synthetic.walk(rate=60, steps=4).motion, 2).motion
    t = np.arange(len(walk)) / walk.rate
    if name == "one frame":
        return walk.slice(0, 1)
    if name == "shorter than the filter":
        return walk.slice(0, 9)
    if name == "all frames equal":
        return walk.sampled(np.full(90, 7.0), 60.0)
    if name == "a joint frozen throughout":
        rotations = walk.rotations.copy()
        hand = walk.skeleton.index("left_hand")
        rotations[:, hand] = rotations[0, hand]
        return walk.with_rotations(rotations)
    if name == "a swim":
        way = np.stack([1.2 * t, 0.5 * np.sin(9 * t), 8 + 0.3 * np.sin(7 * t)], axis=-1)
        return walk.with_translation(0, walk.root_translation + way)
    if name == "lying":
        rotations = walk.rotations.copy()
        rotations[:, 0] = quat.mul(quat.from_axis_angle(np.array([-1.0, 0, 0]), np.pi / 2), rotations[:, 0])
        low = walk.root_translation * [1, 1, 0] + [0, 0, 0.12]
        return walk.with_rotations(rotations).with_translation(0, low)
    return walk


SAID = {
    "one frame": ("too_short", "1 frame is too little"),
    "shorter than the filter": ("too_short", "9 frames are too little"),
    "all frames equal": ("dead_sensor", "never moves"),
    "a joint frozen throughout": ("dead_sensor", "left_hand never moves"),
    "a swim": ("no_feet", "no foot is ever planted"),
    "lying": ("lying", "level"),
    "no feet in the body map": ("no_feet", "no foot is mapped"),
}


@pytest.mark.parametrize("name", SAID)
def test_an_odd_action_is_said_what_it_is_and_not_thrown_about(name, tmp_path):
    empty_scene(60)
    suit = import_bvh(odd(name), tmp_path)
    takemill.map_body()
    if name.startswith("no feet"):
        for part in suit.takemill.parts:
            if part.name.endswith(("Foot", "Toes")):
                part.bone = ""
    raw = suit.animation_data.action
    before = keys_of(raw)
    takemill.check_take()
    kind, words = SAID[name]
    assert [one for one in raw.takemill.findings if one.kind == kind and words in one.message]
    assert findings.measure_rows(raw)
    bpy.context.scene.takemill.repair_calibration = True
    takemill.preview_repair()
    takemill.keep_repair()
    repaired = suit.animation_data.action
    assert keys_of(raw) == before
    was, now = (read_take(bpy.context, suit, action).motion for action in (raw, repaired))
    assert len(now) == len(was)
    assert np.isfinite(now.rotations).all()
    away = now.root_translation - was.root_translation
    assert np.abs(away - away[0]).max() < 0.5
    assert np.abs(away[0, :2]).max() < 0.5
    with pytest.raises(RuntimeError, match="neither begins nor ends"):
        takemill.trim_pose()
