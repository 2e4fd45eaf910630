"""In any state of a rig, its Action or the scene: as in a plain scene, or a message with a way out."""

from __future__ import annotations

from collections.abc import Callable

import bpy
import numpy as np
import pytest

import synthetic
from blender_scene import choose, empty_scene, import_bvh, keys_of, skinned_cloth
from takemill_addon import operators
from takemill_addon.bridge.motion.read_action import read_take
from takemill_addon.bridge.scene import actions
from takemill_addon.bridge.takes import stage

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill
FROM, TO = 20, 70  # scene frames of the cut: whole steps


def suit(folder, fps: int = 30, fps_base: float = 1.0) -> bpy.types.Object:
    empty_scene(fps, fps_base)
    walk = synthetic.walk(rate=fps / fps_base, steps=3, idle_s=0.5)
    return import_bvh(walk.motion, folder, "suit", root=True)


def raw_of(rig) -> bpy.types.Action:
    return actions.first_here(rig.animation_data.action)


def worked(rig, between: Callable[[bpy.types.Object], object] = lambda _: None) -> np.ndarray:
    """Map, check, repair and cut, with something done between the steps; what the clip plays (F, J, 4)."""
    takemill.map_body()
    between(rig)
    takemill.check_take()
    between(rig)
    takemill.repair_take()
    between(rig)
    shift = round(rig.animation_data.action.frame_range[0]) - 1
    cut = rig.animation_data.action.takemill.cuts.add()
    rate = bpy.context.scene.render.fps / bpy.context.scene.render.fps_base
    cut.name, cut.start, cut.end, cut.root_motion = (
        "step",
        *(round(frame * rate / 30) + shift for frame in (FROM, TO)),
        "root",
    )
    between(rig)
    takemill.make_clips()
    (entry,) = rig.takemill.clips
    return read_take(bpy.context, rig, entry.action).motion.rotations


@pytest.fixture(scope="module")
def plain(tmp_path_factory) -> np.ndarray:
    return worked(suit(tmp_path_factory.mktemp("plain")))


def off_deg(found: np.ndarray, plain: np.ndarray) -> float:
    dots = np.abs(np.einsum("fjc,fjc->fj", found, plain)).clip(max=1)
    return float(np.degrees(2 * np.arccos(dots)).max())


def pose_mode(_) -> None:
    bpy.ops.object.mode_set(mode="POSE")


def edit_mode(_) -> None:
    bpy.ops.object.mode_set(mode="EDIT")


def weight_paint(rig) -> None:
    """The mesh is active, and painted; the armature behind it is worked on."""
    skinned_cloth(rig)
    (cloth,) = rig.children
    stage.activate(bpy.context, cloth)
    bpy.ops.object.mode_set(mode="WEIGHT_PAINT")


def no_slot(rig) -> None:
    """An Action that is assigned and moves nothing, since it has no slot."""
    rig.animation_data.action_slot = None


def two_slots(rig) -> None:
    """A second slot, of another object with a bone of the same name, which moves it elsewhere."""
    action = rig.animation_data.action
    other = action.slots.new("OBJECT", "other")
    bag = action.layers[0].strips[0].channelbag(other, ensure=True)
    curve = bag.fcurves.new(f'pose.bones["{rig.pose.bones[1].name}"].location', index=0)
    curve.keyframe_points.add(2)
    curve.keyframe_points.foreach_set("co", [1, 5, 900, 7])


def driver(rig) -> None:
    bone = rig.pose.bones[3]
    rig.driver_add(f'pose.bones["{bone.name}"].scale', 0).driver.expression = "1.0"


def constraint(rig) -> None:
    held = rig.pose.bones[2].constraints.new("LIMIT_SCALE")
    held.use_max_x, held.max_x = True, 5


def nla(rig) -> None:
    """A strip of the take itself below the active Action, which replaces it."""
    data = rig.animation_data
    strip = data.nla_tracks.new().strips.new("below", 1, data.action)
    strip.action_slot = data.action_slot


def muted_curve(rig) -> None:
    bag = actions.channelbag(rig.animation_data.action, rig.animation_data.action_slot)
    curve = bag.fcurves.new(f'pose.bones["{rig.pose.bones[3].name}"].scale', index=1)
    curve.keyframe_points.add(1)
    curve.keyframe_points.foreach_set("co", [1, 3])
    curve.mute = True


def locked(rig) -> None:
    for bone in rig.pose.bones:
        bone.lock_location = bone.lock_rotation = (True,) * 3


def hidden_bones(rig) -> None:
    collection = rig.data.collections.new("hidden")
    for bone in rig.data.bones:
        collection.assign(bone)
    collection.is_visible = False
    rig.data.bones[4].hide = True


def hidden_with_constraint(rig) -> None:
    constraint(rig)
    rig.hide_set(True)


def other_scene(_) -> None:
    """Another scene, which plays at another speed and holds the rig too."""
    rig = bpy.context.object
    scene = bpy.data.scenes.new("other")
    scene.render.fps = 12
    scene.collection.objects.link(rig)


def other_armatures(rig) -> None:
    twin = rig.copy()
    bpy.context.scene.collection.objects.link(twin)
    twin.select_set(True)
    twin.location.x = 3


STATES = [
    pose_mode,
    edit_mode,
    weight_paint,
    no_slot,
    two_slots,
    driver,
    constraint,
    nla,
    muted_curve,
    locked,
    hidden_bones,
    hidden_with_constraint,
    other_scene,
    other_armatures,
]


@pytest.mark.parametrize("state", STATES, ids=lambda one: one.__name__)
def test_the_result_is_that_of_a_plain_scene(state, tmp_path, plain):
    rig = suit(tmp_path)
    state(rig)
    assert off_deg(worked(rig), plain) < 0.01


def moved(rig, by: float) -> None:
    bag = actions.channelbag(rig.animation_data.action, rig.animation_data.action_slot)
    for curve in bag.fcurves:
        for point in curve.keyframe_points:
            point.co.x += by
        curve.update()
    action = rig.animation_data.action
    if action.use_frame_range:
        action.frame_start, action.frame_end = action.frame_start + by, action.frame_end + by


def test_a_take_at_negative_frames_is_the_same(tmp_path, plain):
    rig = suit(tmp_path)
    moved(rig, -300)
    assert off_deg(worked(rig), plain) < 0.01


def test_keys_between_frames_are_read_where_they_play(tmp_path, plain):
    """Half a frame late at 30 frames a second: the clip is the plain one, a pose half a frame earlier."""
    rig = suit(tmp_path)
    moved(rig, 0.5)
    found = worked(rig)
    early = synthetic_blend(plain)
    assert off_deg(found[:-1], early[: len(found) - 1]) < 4.0


def synthetic_blend(plain: np.ndarray) -> np.ndarray:
    mixed = plain[1:] + plain[:-1] * np.sign(np.einsum("fjc,fjc->fj", plain[1:], plain[:-1]))[..., None]
    return mixed / np.linalg.norm(mixed, axis=-1, keepdims=True)


@pytest.mark.parametrize(("fps", "base"), [(24, 1.0), (30, 1.001), (60, 1.0), (120, 1.0)])
def test_clips_last_as_long_at_any_rate(fps, base, tmp_path, plain):
    rig = suit(tmp_path, fps, base)
    found = worked(rig)
    rate = fps / base
    assert (len(found) - 1) / rate == pytest.approx((len(plain) - 1) / 30, abs=1.5 / min(rate, 30))


def test_a_scaled_object_is_read_in_metres(tmp_path, plain):
    """Keys and rest in half metres below a scale of one half: the body that is seen is the same."""
    empty_scene(30)
    walk = synthetic.walk(rate=30, steps=3, idle_s=0.5, scale=2.0)
    rig = import_bvh(walk.motion, tmp_path, "suit", root=True)
    rig.scale = (0.5,) * 3
    bpy.context.view_layer.update()
    assert off_deg(worked(rig), plain) < 1.0


def renamed_action(rig) -> None:
    action = rig.animation_data.action
    action.name = f"x{action.name}"


def renamed_object(rig) -> None:
    rig.name = f"x{rig.name}"


@pytest.mark.parametrize("between", [renamed_action, renamed_object], ids=lambda one: one.__name__)
def test_names_may_change_between_any_two_steps(between, tmp_path, plain):
    assert off_deg(worked(suit(tmp_path), between), plain) < 0.01


def test_a_bone_that_is_renamed_between_steps_is_named(tmp_path):
    rig = suit(tmp_path)
    takemill.map_body()
    bone = next(part.bone for part in rig.takemill.parts if part.name == "head")
    rig.data.bones[bone].name = "skull"
    with pytest.raises(RuntimeError, match=f"names bone '{bone}', which is gone; map it again"):
        takemill.check_take()
    takemill.map_body()
    assert takemill.check_take() == {"FINISHED"}


@pytest.fixture
def with_clip(tmp_path) -> bpy.types.Object:
    rig = suit(tmp_path)
    worked(rig)
    bpy.context.scene.takemill.set_folder = str(tmp_path / "set")
    return rig


def test_pack_stops_at_a_bone_that_was_renamed(with_clip, tmp_path):
    with_clip.data.bones[5].name = "renamed"
    with_clip.takemill.parts.clear()
    takemill.map_body()
    with pytest.raises(RuntimeError, match=r"clip 'step': its action 'step' has keys of bones .* lacks: \w+"):
        takemill.pack_set()
    assert not (tmp_path / "set").exists()


@pytest.mark.parametrize("also", [False, True], ids=["action", "action and clip"])
def test_a_clip_goes_by_the_new_name_of_its_action(also, with_clip, tmp_path):
    (entry,) = with_clip.takemill.clips
    entry.action.name = "stride"
    if also:
        entry.name = "pace"
    assert takemill.pack_set() == {"FINISHED"}
    assert ('"pace"' if also else '"stride"') in (tmp_path / "set/clips.json").read_text()
    assert '"step"' not in (tmp_path / "set/clips.json").read_text()


ALL = ("map_body", "check_take", "repair_take", "suggest_cuts", "make_clips", "thin_keys", "pack_set")
SLOW = frozenset({"contact_sheet", "import_take"})  # which other files try
ANYWHERE = {"save_recipe", "remove_character"}
"""What needs no armature to work."""


def walk(folder, without: frozenset[str] = SLOW) -> dict[str, str]:
    """Each operator of ours, called: "" where it has done its work, else what it says."""
    said = {}
    for kind in operators.CLASSES:
        name = kind.bl_idname.removeprefix("takemill.")
        call = getattr(takemill, name)
        takes_file = "filepath" in call.get_rna_type().properties
        if name not in without:
            try:
                done = call(**({"filepath": str(folder / f"{name}.toml")} if takes_file else {}))
                said[name] = "" if done == {"FINISHED"} else "stopped"
            except RuntimeError as problem:
                said[name] = str(problem).strip()
    return said


def without_way_out(said: dict[str, str]) -> dict[str, str]:
    """Those whose words are an error of Python's, or only that the operator cannot be called."""
    return {
        name: text
        for name, text in said.items()
        if "Traceback" in text or text.endswith("failed, context is incorrect") or 0 < len(text) < 20
    }


def test_without_an_armature_each_operator_says_the_way_out(tmp_path):
    empty_scene()
    bpy.context.scene.takemill.set_folder = str(tmp_path / "set")
    said = walk(tmp_path)
    assert len(said) > 60
    assert without_way_out(said) == {}
    assert {name for name, text in said.items() if not text} <= ANYWHERE
    asked = [name for name, text in said.items() if "Select an armature" in text]
    assert set(ALL) <= set(asked)
    assert len(asked) > 45


def test_without_an_action_each_operator_says_the_way_out(tmp_path):
    rig = suit(tmp_path)
    rig.animation_data_clear()
    said = walk(tmp_path)
    assert without_way_out(said) == {}
    for name in ALL:
        if name not in ("map_body", "pack_set"):
            assert "assign a take to it" in said[name], name
    assert not bpy.data.actions or rig.animation_data is None


@pytest.mark.parametrize("state", [edit_mode, weight_paint], ids=lambda one: one.__name__)
def test_in_any_mode_each_operator_works_or_says_why_not(state, tmp_path):
    """One after the other on what the ones before have left; the take's own keys stay."""
    rig = suit(tmp_path)
    raw = raw_of(rig)
    before = keys_of(raw)
    bpy.context.scene.takemill.set_folder = str(tmp_path / "set")
    state(rig)
    said = walk(tmp_path, SLOW | {"find_chains"} if rig.children else SLOW)  # the shape of a mesh takes long
    assert without_way_out(said) == {"pick_in_time": "stopped"}  # no cut was said to it
    done = {name for name, text in said.items() if not text}
    assert {"map_body", "check_take", "repair_take", "suggest_cuts", "make_clips", "thin_keys"} <= done
    assert keys_of(raw) == before


def test_a_fit_in_any_state_is_that_of_a_plain_scene(tmp_path):
    """Of the performer in that state, onto a smaller character."""

    def fitted(state: Callable[[bpy.types.Object], object]) -> np.ndarray:
        rig = suit(tmp_path)
        mate = import_bvh(
            synthetic.idle(rate=30, scale=0.6, duration_s=1).motion, tmp_path, "mate", root=True
        )
        choose(mate)
        stage.activate(bpy.context, rig)
        takemill.map_body()
        state(rig)
        takemill.fit_take()
        return read_take(bpy.context, mate, mate.animation_data.action).motion.rotations

    alone = fitted(lambda _: None)
    for state in (edit_mode, no_slot, nla, two_slots, constraint, hidden_bones):
        assert off_deg(fitted(state), alone) < 0.01, state.__name__


def library(folder, mapped: bool) -> str:
    """A file with the suit, mapped or not, and its take."""
    suit(folder)
    if mapped:
        worked(bpy.context.object)
    path = str(folder / "library.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    return path


def linked(path: str) -> bpy.types.Object:
    empty_scene(30)
    with bpy.data.libraries.load(path, link=True) as (_, wanted):
        wanted.objects = ["suit"]
    (rig,) = wanted.objects
    bpy.context.scene.collection.objects.link(rig)
    stage.activate(bpy.context, rig)
    return rig


def overridden(path: str) -> bpy.types.Object:
    rig = linked(path).override_create(remap_local_usages=True)
    rig.override_library.is_system_override = False
    stage.activate(bpy.context, rig)
    return rig


@pytest.fixture(scope="module")
def mapped_library(request, tmp_path_factory) -> str:
    request.getfixturevalue("addon")
    return library(tmp_path_factory.mktemp("library"), mapped=True)


@pytest.mark.parametrize("name", [*ALL[:-1], "add_root_bone", "mirror_body_map", "remove_clip", "play_clip"])
def test_a_linked_rig_is_refused_before_anything_is_written(name, mapped_library):
    """Pack alone changes nothing of it, and goes on."""
    rig = linked(mapped_library)
    before = set(bpy.data.actions.keys())
    with pytest.raises(RuntimeError, match=r"Library Override > Make|Make Local"):
        getattr(takemill, name)()
    assert set(bpy.data.actions.keys()) == before
    assert rig.animation_data.action.library is not None


@pytest.mark.parametrize("mapped", [False, True], ids=["plain library", "mapped library"])
def test_an_override_with_an_action_of_its_own_is_worked_on_and_kept(mapped, mapped_library, tmp_path, plain):
    rig = overridden(mapped_library if mapped else library(tmp_path, mapped=False))
    with pytest.raises(RuntimeError, match="Make Local"):
        takemill.thin_keys()
    local = raw_of(rig).copy()
    local.takemill.source = None
    actions.assign(rig, local, local.slots[0])
    for entry in rig.takemill.clips:  # of the library: they can be unticked, not removed
        with pytest.raises(RuntimeError, match="linked from another file; untick it here"):
            takemill.remove_clip()
        entry.use = False
    takemill.map_body()
    takemill.repair_take()
    cut = rig.animation_data.action.takemill.cuts.add()
    cut.name, cut.start, cut.end, cut.root_motion = "mine", FROM, TO, "root"
    takemill.make_clips()
    parts = {part.name: part.bone for part in rig.takemill.parts}
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "shot.blend"))
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "shot.blend"))
    rig = next(one for one in bpy.data.objects if one.type == "ARMATURE" and one.library is None)
    assert {part.name: part.bone for part in rig.takemill.parts} == parts
    (mine,) = [entry for entry in rig.takemill.clips if entry.use]
    assert mine.name == "mine"
    assert off_deg(read_take(bpy.context, rig, mine.action).motion.rotations, plain) < 0.5
