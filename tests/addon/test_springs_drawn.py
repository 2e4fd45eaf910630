"""Chains and colliders in the 3D view, where the engine has them; and the preview that follows the fields."""

from __future__ import annotations

import bpy
import numpy as np
import pytest

from drawn import shown
from spring_foxes import TAIL, add_tail
from takemill_addon.bridge.characters import live_swing
from takemill_addon.bridge.characters.springs import chains_of
from takemill_addon.bridge.characters.targets import Target
from takemill_addon.bridge.takes import recipe, stage
from takemill_addon.overlays.springs import ends_of
from takemill_addon.properties.preferences import overlay_settings

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill


@pytest.fixture
def fox(tmp_path):
    """A walker with a tail of three bones and a ball on its hips, twice as large as its bones say."""
    walker = add_tail(tmp_path)
    walker.scale = (2, 2, 2)
    takemill.find_chains()
    walker.data.bones.active = walker.data.bones[walker.takemill.parts["hips"].bone]
    takemill.add_collider()
    ball = walker.takemill.colliders[0]
    ball.radius, ball.offset = 0.08, (0.0, 0.1, 0.05)
    bpy.context.view_layer.update()
    return walker


def test_what_is_drawn_is_where_the_engine_has_it(fox):
    """Ends of bones, their balls and the collider, in metres of the world: as the engine simulates them."""
    target = Target.of(bpy.context.scene, fox)
    springs = chains_of(fox, target.skeleton, target.body, recipe.recipe_of(bpy.context.scene))
    chain, collider = shown("springs").strokes
    world = np.array(fox.matrix_world)
    points = chain.points @ world[:3, :3].T + world[:3, 3]
    per_bone = 2 + 3 * 2 * 24
    assert len(points) == per_bone * len(TAIL)
    for k, (joint, (bone, end)) in enumerate(
        zip(springs.chains[0].joints, ends_of(fox, fox.takemill.chains[0]), strict=True)
    ):
        mine = points[k * per_bone : (k + 1) * per_bone]
        length = np.linalg.norm(mine[1] - mine[0])
        assert length == pytest.approx(joint.length_m, rel=1e-4)
        np.testing.assert_allclose(np.linalg.norm(mine[2:] - mine[1], axis=1), joint.radius, rtol=1e-3)
        assert 2 * (end - bone.head).length == pytest.approx(length, rel=1e-4)
    rings = collider.points @ world[:3, :3].T + world[:3, 3]
    (ball,) = springs.colliders
    hips = np.array(fox.matrix_world @ fox.pose.bones[fox.takemill.parts["hips"].bone].matrix)
    middle = hips[:3, 3] + hips[:3, :3] @ ball.offset / 2  # the matrix enlarges by two
    np.testing.assert_allclose(np.linalg.norm(rings - middle, axis=1), ball.radius, rtol=1e-3)


def test_the_drawing_follows_frame_and_fields(fox):
    first = shown("springs")
    assert shown("springs") is first
    bpy.context.scene.frame_set(250)  # it walks
    moved = shown("springs")
    assert np.abs(moved.strokes[0].points - first.strokes[0].points).max() > 0.05
    fox.takemill.colliders[0].radius = 0.2
    grown = shown("springs")
    spread = [np.ptp(one.strokes[1].points, axis=0).max() for one in (moved, grown)]
    assert spread[1] / spread[0] == pytest.approx(2.5, rel=1e-3)
    fox.takemill.colliders[0].capsule = True
    assert len(shown("springs").strokes[1].points) > 2 * len(grown.strokes[1].points)
    fox.takemill.colliders[0].plane = True
    square = shown("springs").strokes[1].points.reshape(-1, 2, 3)
    assert len(square) == 5
    assert abs(np.dot(square[4, 1] - square[4, 0], square[0, 1] - square[0, 0])) < 1e-6
    fox.takemill.chains[0].use = False
    assert shown("springs").strokes[0].colours[3] < grown.strokes[0].colours[3]
    assert grown.strokes[0].colours[:3] == pytest.approx(overlay_settings(bpy.context).colour_chain)
    fox.takemill.chains[0].last = "gone"
    fox.takemill.chains[0].first = "gone"
    fox.takemill.colliders[0].bone = "gone"
    assert shown("springs").strokes == []


def test_the_preview_follows_the_fields_and_goes_on_at_its_frame(fox):
    """A changed field asks for a new preview, in which the tail swings otherwise; the timeline stays."""
    raw = fox.animation_data.action
    takemill.preview_swing()
    first = fox.animation_data.action
    assert first.takemill.swings
    bpy.context.scene.frame_set(40)
    before = np.array(fox.pose.bones[TAIL[-1]].matrix_basis)
    chain = fox.takemill.chains[0]
    chain.preset = "strap"
    assert bpy.app.timers.is_registered(live_swing.refresh)
    assert live_swing.refresh() is None
    assert fox.animation_data.action.takemill.swings
    assert bpy.context.scene.frame_current == 40
    assert np.abs(np.array(fox.pose.bones[TAIL[-1]].matrix_basis) - before).max() > 0.02
    chain.preset, chain.stiffness = "own", 1e6
    live_swing.refresh()
    assert "holds its bone of" in live_swing.problem()
    assert fox.animation_data.action.takemill.swings  # what played before goes on
    chain.stiffness = 1.0
    live_swing.refresh()
    assert live_swing.problem() == ""
    takemill.stop_loop()
    assert fox.animation_data.action == raw
    live_swing.stop()
    chain.drag = 0.9
    assert not bpy.app.timers.is_registered(live_swing.refresh)
    assert live_swing.refresh() is None
    assert fox.animation_data.action == raw


def test_a_preview_of_a_loop_is_left_alone(fox):
    takemill.preview_swing()
    live_swing.stop()
    fox.animation_data.action.takemill.swings = False
    fox.takemill.chains[0].drag = 0.9
    assert not bpy.app.timers.is_registered(live_swing.refresh)
    assert stage.find_active_action(fox).takemill.looping
