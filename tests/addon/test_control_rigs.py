"""Takes on control rigs: what the audience sees moves, by the rig's own controls; what cannot is refused."""

from __future__ import annotations

import bpy
import numpy as np
import pytest

import control_rigs
import synthetic
from blender_scene import choose, empty_scene, import_bvh, keys_of, write_curves
from glb_reader import read_glb
from takemill_addon.bridge.clips.clip_record import ClipRecord
from takemill_addon.bridge.motion.write_action import own_controls
from takemill_addon.bridge.rigs.control_graph import Switch, read_graph
from takemill_addon.bridge.rigs.control_rigs import control_rig
from takemill_addon.bridge.scene import actions
from takemill_addon.bridge.takes import stage

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill
FRAMES = range(1, 150, 6)


def _name(bone) -> str:
    return bone.name


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A file with the metarig, the rig generated from it, each with a skin on the bones that they share."""
    empty_scene(30)
    with control_rigs.generator():
        metarig, rig = control_rigs.generated()
        metarig.name, rig.name = "metarig", "rig"
        shared = [name[4:] for name in map(_name, rig.data.bones) if name.startswith("DEF-")]
        shared = [name for name in shared if name in metarig.data.bones]
        control_rigs.skin(metarig, shared).name = "plain"
        control_rigs.skin(rig, ["DEF-" + name for name in shared]).name = "posed"
        path = str(tmp_path_factory.mktemp("rigs") / "rigs.blend")
        bpy.ops.wm.save_as_mainfile(filepath=path)
    return path


@pytest.fixture
def crew(made, tmp_path):
    """A suit that walks, the metarig and the generated rig."""
    bpy.ops.wm.open_mainfile(filepath=made)
    suit = import_bvh(synthetic.walk(rate=30, steps=6).motion, tmp_path, "suit")
    takemill.map_body()
    return suit, bpy.data.objects["metarig"], bpy.data.objects["rig"]


def fit(suit, target) -> bpy.types.Action:
    stage.activate(bpy.context, suit)
    choose(target)
    assert takemill.fit_take() == {"FINISHED"}
    return target.animation_data.action


def add_cut(action) -> None:
    cut = action.takemill.cuts.add()
    cut.name, cut.start, cut.end, cut.kind, cut.loop, cut.root_motion = (
        "walk", 45, 130, "locomotion", True, "root",
    )  # fmt: skip


def test_a_generated_rig_moves_as_its_metarig_does(crew):
    """Skinned vertices and deforming bones within 5 mm of the metarig's own fit, through clips too."""
    suit, metarig, rig = crew
    fit(suit, metarig)
    fitted = fit(suit, rig)
    plain, posed = (control_rigs.vertices(bpy.data.objects[name], FRAMES) for name in ("plain", "posed"))
    assert np.ptp(posed, axis=0).max() > 1.0
    # A triangle's own head corner; the others show the roll, which this rig spreads along upper limbs.
    assert np.abs((posed - plain)[:, ::3]).max() < 5e-3
    held = control_rig(rig)
    keyed = {actions.bone_channel(path)[0] for path, _ in keys_of(fitted) if actions.bone_channel(path)}
    assert keyed <= {one.bone for one in held.controls}
    assert not any(rig.data.bones[name].use_deform for name in keyed)
    body = {one.bone for one in held.controls if not held.is_free(one)}
    assert keyed == body  # the suit has neither fingers nor a jaw
    add_cut(fitted)
    add_cut(metarig.animation_data.action)
    metarig.animation_data.action.takemill.cuts[-1].root_motion = "keep"
    played = []
    for one, mesh in ((metarig, "plain"), (rig, "posed")):
        stage.activate(bpy.context, one)
        takemill.make_clips()
        clip = one.takemill.clips[0].action
        actions.assign(one, clip, clip.slots[0])
        played.append(
            control_rigs.vertices(bpy.data.objects[mesh], range(0, int(clip.frame_range[1]) + 1, 4))
        )
    off = (played[1] - played[0])[:, ::3]
    assert np.abs(off - off[:1, :1]).max() < 5e-3
    bag = actions.channelbag(rig.takemill.clips[0].action, rig.takemill.clips[0].action.slots[0])
    root = bag.fcurves.find('pose.bones["root"].location', index=1)
    assert abs(root.keyframe_points[-1].co.y) > 0.8  # the path of one cycle lies on the root


def test_its_switches_are_keyed_and_what_was_posed_by_hand_does_not_show(crew):
    suit, _, rig = crew
    fit(suit, rig)
    clean = control_rigs.vertices(bpy.data.objects["posed"], FRAMES[::4])
    rig.animation_data.action = None  # its drivers stay
    for switch in control_rig(rig).switches:
        rig.pose.bones[switch.bone][switch.key] = 0.3
    bag = actions.new_action(rig, "before")
    actions.assign(rig, bag[0], bag[1])
    write_curves(
        bag[2], 'pose.bones["chest"].location', np.array([1, 90]), np.array([[0.1, 0, 0], [0, 0.2, 0]])
    )
    rig.pose.bones["upper_arm_tweak.L"].location = (0.1, 0.1, 0.0)
    fitted = fit(suit, rig)
    np.testing.assert_allclose(
        control_rigs.vertices(bpy.data.objects["posed"], FRAMES[::4]), clean, atol=1e-5
    )
    channels = {path for path, _ in keys_of(fitted)}
    assert Switch("upper_arm_parent.L", "IK_FK").path in channels


def test_a_jaw_that_plays_its_own_goes_on(crew):
    suit, _, rig = crew
    action, slot, bag = actions.new_action(rig, "talk")
    frames = np.arange(1, 150, 7)
    values = np.random.default_rng(5).normal(size=(len(frames), 3)) * 0.02
    for bone in ("jaw_master", "ear.L"):
        write_curves(bag, f'pose.bones["{bone}"].location', frames, values)
    actions.assign(rig, action, slot)
    fitted = fit(suit, rig)
    curves = actions.channelbag(fitted, fitted.slots[0]).fcurves
    paths = [f'pose.bones["{name}"].location' for name in ("jaw_master", "ear.L")]
    for path in paths:
        kept = curves.find(path, index=0)
        assert [point.co.y for point in kept.keyframe_points] == pytest.approx(values[:, 0])
    assert own_controls(rig, fitted) == {"jaw_master", "ear.L"}  # those that clips of stretches say they lack
    add_cut(fitted)
    stage.activate(bpy.context, rig)
    takemill.make_clips()
    clip = rig.takemill.clips[0].action
    shift = 1 + ClipRecord.of_action(clip).source_range[0]
    made = actions.channelbag(clip, clip.slots[0]).fcurves
    for path in paths:
        old, new = (one.find(path, index=1) for one in (curves, made))
        frames = np.arange(10, 24)  # the ends of a loop are changed
        was, now = [old.evaluate(k + shift) for k in frames], [new.evaluate(k) for k in frames]
        np.testing.assert_allclose(now, was, atol=1e-4)


@pytest.fixture
def puppet(tmp_path):
    empty_scene(30)
    suit = import_bvh(synthetic.walk(rate=30, steps=6).motion, tmp_path, "suit")
    takemill.map_body()
    return suit


@pytest.mark.parametrize("free_at", [0.0, 1.0])
def test_a_rig_of_other_names_is_posed_by_what_moves_it(puppet, free_at):
    """Controls are found by what they do: the helpers are keyed, and the property that lets the legs go."""
    rig = control_rigs.own_rig(free_at=free_at)
    fitted = fit(puppet, rig)
    held = control_rig(rig)
    assert held.switches == {Switch("ground", control_rigs.SHARE): free_at}
    keyed = {actions.bone_channel(path)[0] for path, _ in keys_of(fitted) if actions.bone_channel(path)}
    assert keyed == {one.bone for one in held.controls}
    assert {name[:2] for name in keyed} == {"h.", "gr"}
    walk = []
    for frame in FRAMES:
        bpy.context.scene.frame_set(frame)
        walk.append([rig.pose.bones[f"b.ankle_{side}"].matrix.translation[:] for side in "lr"])
    assert np.ptp(np.array(walk), axis=0)[:, 1].min() > 1.5
    assert held.parts["leftFoot"] == "b.ankle_l"


@pytest.mark.parametrize("deform_only", [False, True])
def test_what_is_packed_plays_as_the_rig_does(puppet, tmp_path, deform_only):
    """The GLB's joints lie where Blender shows the deforming bones, the path on the root bone included."""
    rig = control_rigs.own_rig()
    control_rigs.skin(rig, [name for name in map(_name, rig.data.bones) if name.startswith("b.")])
    add_cut(fit(puppet, rig))
    stage.activate(bpy.context, rig)
    takemill.make_clips()
    clip = rig.takemill.clips[0].action
    chosen = bpy.context.scene.takemill
    chosen.set_folder, chosen.set_name, chosen.deform_only = str(tmp_path / "set"), "puppet", deform_only
    stage.activate(bpy.context, rig)
    assert takemill.pack_set() == {"FINISHED"}
    glb = read_glb((tmp_path / "set" / "puppet.glb").read_bytes())
    bones = ("b.pelvis", "b.skull", "b.wrist_l", "b.ankle_r", "b.ball_l")
    frames = np.arange(0, int(clip.frame_range[1]) + 1, 5)
    actions.assign(rig, clip, clip.slots[0])
    shown = []
    for frame in frames:
        bpy.context.scene.frame_set(int(frame))
        shown.append([tuple(rig.pose.bones[bone].matrix.translation) for bone in bones])
    assert np.ptp(np.array(shown), axis=0)[:, 1].max() > 0.5
    packed = glb.positions("walk", frames / 30, bones)
    np.testing.assert_allclose(packed, shown, atol=2e-3)  # the tolerance of the packed keys is 0.5 mm


def everything(rig):
    return (
        {one.name: keys_of(one) for one in bpy.data.actions},
        rig.animation_data and rig.animation_data.action,
        [(bone.name, *map(tuple, bone.matrix_basis)) for bone in rig.pose.bones],
        [dict(bone.items()) for bone in rig.pose.bones],
        len(rig.takemill.parts),
        sorted(bpy.data.scenes.keys()),
    )


def refused(puppet, rig, message: str) -> None:
    stage.activate(bpy.context, puppet)
    choose(rig)
    before = everything(rig)
    with pytest.raises(RuntimeError, match=message):
        takemill.fit_take()
    assert everything(rig) == before


def test_legs_that_nothing_lets_go_are_refused_by_the_constraint(puppet):
    """The one that is in the way is named, not the one that copies its result."""
    rig = control_rigs.own_rig(switch=False)
    refused(puppet, rig, r"no control moves 'b\..*by itself: it is held by the constraint 'IK' of 'h\.knee_")


def test_constraints_in_a_circle_are_refused(puppet):
    rig = control_rigs.own_rig()
    back = rig.pose.bones["h.ribs"].constraints.new("COPY_ROTATION")
    back.target, back.subtarget = rig, "b.ribs"
    bpy.context.view_layer.update()
    refused(puppet, rig, r"its constraints form a circle \(.*; mute one of them")


def test_a_rig_that_does_not_follow_its_keys_is_refused_and_nothing_changes(puppet):
    """A limit beyond what is tried on the rig, and far below what the arms do."""
    rig = control_rigs.own_rig()
    limit = rig.pose.bones["h.arm_l"].constraints.new("LIMIT_ROTATION")
    limit.owner_space = "LOCAL"
    for axis in "xyz":
        setattr(limit, f"use_limit_{axis}", True)
        setattr(limit, f"min_{axis}", -0.9)
        setattr(limit, f"max_{axis}", 0.9)
    bpy.context.view_layer.update()
    refused(
        puppet, rig, r"does not follow its control, held by the constraint 'Limit Rotation' of 'h\.arm_l'"
    )


def test_the_graph_has_what_can_move_what():
    empty_scene()
    rig = control_rigs.own_rig()
    graph = read_graph(rig)
    place = {name: k for k, name in enumerate(graph.names)}

    def reaches(one, other):
        return graph.reach[place[one], place[other]]

    assert reaches("goal_l", "h.hip_l")  # two bones up the chain
    assert reaches("goal_l", "b.ball_l")
    assert not reaches("goal_l", "h.pelvis")
    assert not reaches("goal_l", "b.hip_r")
    assert not graph.free[place["b.skull"]]
    assert graph.free[place["h.skull"]]
    assert list(graph.switches) == [Switch("ground", control_rigs.SHARE)]
    assert graph.cycle == ()
