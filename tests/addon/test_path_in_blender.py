"""A take without a path in Blender: seen, left as it is, and found from the feet where it is asked for."""

from __future__ import annotations

import bpy
import numpy as np
import pytest

import synthetic
from blender_scene import empty_scene, import_bvh
from takemill.base.checks import Array
from takemill_addon.bridge.takes import intake
from without_path import path_error, without_path

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill
RATE = 60
TRUE = synthetic.walk(rate=RATE, steps=8, turn_deg=90.0).motion


@pytest.fixture
def lost(tmp_path):
    """A walk of rotations only, its root at the origin."""
    empty_scene(RATE)
    motion = without_path(TRUE, "rotations only")
    armature = import_bvh(motion.with_translation(0, np.zeros_like(motion.root_translation)), tmp_path)
    takemill.map_body()
    return armature


def hips_of(armature) -> Array:
    """Where the hips are in the scene (F, 3), of the active action, in each fifth frame."""
    scene, places = bpy.context.scene, []
    for frame in range(1, len(TRUE) + 1, 5):
        scene.frame_set(frame)
        places.append((armature.matrix_world @ armature.pose.bones["hips"].matrix).translation[:])
    return np.array(places)


def test_it_is_said_listed_and_left_unasked(lost):
    reading, current = intake.last_reading(bpy.context, lost)
    assert current
    assert "feet walk about 3.8 m while the hips stay in place" in reading.line
    takemill.check_take()
    known = lost.animation_data.action.takemill.findings
    (found,) = (one for one in known if one.kind == "no_path")
    assert "in Blender, Path From" in found.message
    before = hips_of(lost)
    takemill.repair_take()
    assert np.abs(hips_of(lost) - before)[:, :2].max() < 1e-4
    (found,) = (one for one in lost.animation_data.action.takemill.findings if one.kind == "no_path")
    assert not found.repaired


@pytest.mark.parametrize("asked", ["feet", "auto"])
def test_it_is_found_where_it_is_asked_for(lost, asked):
    bpy.context.scene.takemill.repair_path_from = asked
    assert takemill.repair_take() == {"FINISHED"}
    found, true = hips_of(lost), TRUE.root_translation[::5]
    error = path_error(found, true, RATE / 5)
    assert abs(error.length) < 0.03
    assert error.second_deg < 5.0
    assert np.abs(found[:, 2] - true[:, 2]).max() < 0.01
    (kept,) = (one for one in lost.animation_data.action.takemill.findings if one.kind == "no_path")
    assert kept.repaired


def test_a_reading_follows_the_field(lost):
    """Feet below height 0 are nothing to warn of where the height is found from them."""
    assert "below height 0" in " ".join(intake.last_reading(bpy.context, lost)[0].problems)
    bpy.context.scene.takemill.repair_path_from = "feet"
    assert not intake.last_reading(bpy.context, lost)[1], "it is old"
    takemill.map_body()
    reading, current = intake.last_reading(bpy.context, lost)
    assert current
    assert reading.problems == ()
