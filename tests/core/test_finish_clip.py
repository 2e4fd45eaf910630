"""What a recipe can ask of a clip, seen in the finished clip."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import day_take
from clip_takes import REST, STRIDE, clip, frames, make, take
from sliding import sliding_cm_s
from takemill.base.errors import RecipeError
from takemill.body import body_map
from takemill.clip.measure import measure_seam, set_gaps
from takemill.clip.root_motion import RootMotionSettings, find_root_motion, with_root_motion
from takemill.feet.soles import foot_points
from takemill.maths import quat
from takemill.pipeline.finish_clip import FinishedClip, is_pinned
from takemill.pipeline.prepare_take import PreparedTake
from takemill.recipe.recipe import Recipe
from takemill.recipe.recipe_clip import ClipSpec, Moment


@pytest.fixture(scope="module")
def day() -> PreparedTake:
    return day_take.day()


def test_root_track_times_pose_is_the_pose_in_the_world(day):
    """Root, in place and keep are one motion, parted differently."""
    text = "".join(
        day_take.clip(mode, more=f'loop = true\nroot_motion = "{mode}"')
        for mode in ("keep", "root", "in_place")
    )
    kept, rooted, still = day_take.make(day, text)
    places = [one.motion.model()[1] for one in (kept, rooted, with_motion(still))]
    hips = [one.body.require("hips") for one in (kept, rooted, still)]
    assert np.abs(places[0][:, hips[0] :] - places[1][:, hips[1] :]).max() < 1e-6
    assert np.abs(places[0][:, hips[0] :] - places[2][:, hips[2] :]).max() < 1e-6
    root = rooted.body.require("root")
    assert np.abs(places[1][:, root] - rooted.root_motion.position).max() < 1e-9
    assert kept.motion.skeleton.names == rooted.motion.skeleton.names == still.motion.skeleton.names


def with_motion(one: FinishedClip) -> FinishedClip:
    return replace(one, motion=with_root_motion(one.motion, one.root_motion))


def test_a_smoothed_root_goes_straight_and_the_world_stays(day):
    text = day_take.clip("a", more="loop = true") + day_take.clip("b", more="loop = true\nsmooth_hz = 0.5")
    plain, smooth = day_take.make(day, text + "[close]\npin = false")
    sway = [np.ptp(one.root_motion.position[:, 0]) for one in (plain, smooth)]
    assert sway[1] < 0.3 * sway[0]
    for one in (plain, smooth):  # below the root, which carries the turn of a cycle
        assert quat.angle_between(one.motion.rotations[0, 1:], one.motion.rotations[-1, 1:]).max() < 1e-6
    inside = [one.motion.rotations[:, one.body.require("spine") :] for one in (plain, smooth)]
    assert quat.angle_between(*inside).max() < 1e-6


def test_no_root_joint_is_made_where_none_travels(day):
    (one,) = day_take.make(day, day_take.clip(more='root_motion = "in_place"'))
    assert one.motion.skeleton is day.motion.skeleton
    assert one.body is day.body


def heading(one: FinishedClip) -> np.ndarray:
    return body_map.heading(one.world_motion, one.body)


def test_planted_feet_of_a_loop_stand_over_its_seam():
    """Against the same loop with pinning switched off."""
    text = clip("walk", "stroll", 4, 8, STRIDE)
    pinned = make(text, "stroll")["walk"]
    plain = make(text + "[close]\npin = false", "stroll")["walk"]
    slides = [sliding_cm_s(one.motion, one.body, pinned.contacts, loop=True).max() for one in (pinned, plain)]
    assert slides[0] < 0.3  # cm/s
    assert slides[0] < 0.2 * slides[1]
    assert measure_seam(pinned.motion, pinned.body).pose_m < 1e-6
    assert pinned.root_motion.turn_deg == pytest.approx(plain.root_motion.turn_deg, abs=1e-3)
    assert pinned.root_motion.distance_m == pytest.approx(plain.root_motion.distance_m, abs=1e-4)
    jumps = make(clip("walk", "stroll", 4, 8, STRIDE.replace("locomotion", "other")), "stroll")["walk"]
    assert np.abs(jumps.motion.model()[1] - plain.motion.model()[1]).max() < 1e-9


@pytest.mark.parametrize("rooted", [False, True])
def test_each_part_of_the_travel_goes_its_own_way(rooted):
    """All of them are the same motion in the world; on rigs with a root joint and without."""
    ways = {
        "a": 'root_motion = "keep"',
        "b": 'root_motion = "root"\nturn = "remove"',
        "c": 'root_motion = "root"\nplanar = "keep"\nheight = "root"',
        "d": 'root_motion = "in_place"\nheight = "remove"',
        "e": 'planar = "remove"',
    }
    text = "".join(clip(name, "stroll", 3, 7, more) for name, more in ways.items())
    clips = make(text, "stroll", rooted=rooted)
    modes = [one.root_motion_mode for one in clips.values()]
    assert modes == ["keep", "root", "root", "in_place", "root"]
    first = clips["a"]
    joints = slice(first.body.require("hips"), None)
    world = first.motion.model()[1][:, joints]
    for one in clips.values():
        assert np.abs(one.world_motion.model()[1][:, joints] - world).max() < 1e-6
        turned = one.parts.turn != "remove"
        assert np.ptp(body_map.heading(one.motion, one.body)) == pytest.approx(
            np.ptp(heading(first)) * turned, abs=1e-6
        )
        hips = one.motion.model()[1][:, one.body.require("hips")]
        assert (np.ptp(hips[:, 2]) > 0.005) == (one.parts.height != "remove")
        assert (np.ptp(hips[:, :2]) > 0.5) == (one.parts.planar != "remove")
    names = {one.motion.skeleton.names for one in clips.values()}
    assert len(names) == 1
    if rooted:
        assert names == {take("stroll", True).motion.skeleton.names}


def test_the_recipe_says_which_parts_follow():
    text = clip("walk", "stroll", 3, 7) + "[root_motion]\nturn = false\nheight = true"
    parts = make(text, "stroll")["walk"].parts
    assert (parts.planar, parts.turn, parts.height) == ("root", "keep", "root")


def test_clips_start_at_the_origin_facing_forward():
    for mode in ("keep", "root", "in_place"):
        one = make(clip("walk", "stroll", 4, 7, f'root_motion = "{mode}"'), "stroll")["walk"]
        hips = one.motion.model()[1][0, one.body.require("hips")]
        assert np.abs(hips[:2]).max() < 1e-9
        assert abs(body_map.heading(one.motion, one.body)[0]) < 1e-9


@pytest.mark.parametrize("seam", [None, 212, 220, 232, 260])
def test_a_path_is_straightened_and_walked_evenly(seam):
    """At the seam that the search finds, and at others of the stride: its phase decides nothing."""
    ends = (4, 8, "") if seam is None else (f'"{seam}f"', f'"{seam + 66}f"', "search = false\n")
    text = "".join(
        clip(name, "stroll", *ends[:2], f"{STRIDE}{ends[2]}smooth_hz = 0.5\n{more}")
        for name, more in (("bent", ""), ("straight", "straight = true\nconstant_speed = true"))
    )
    clips = make(text, "stroll")
    assert abs(clips["bent"].root_motion.turn_deg) > 3
    track = clips["straight"].root_motion
    assert abs(track.turn_deg) < 1e-6
    assert np.abs(track.position[:, 0]).max() < 0.005
    assert abs(track.position[-1, 0]) < 0.001, "it leads straight on"
    speeds = np.linalg.norm(np.diff(track.position[:, :2], axis=0), axis=-1)
    assert np.ptp(speeds) < 1e-3 * speeds.mean()
    assert track.path_m == pytest.approx(clips["bent"].root_motion.path_m, rel=0.01)
    one = clips["straight"]
    assert measure_seam(one.motion, one.body).pose_m < 1e-6
    assert sliding_cm_s(one.motion, one.body, one.contacts, loop=True).max() < 0.3


@pytest.mark.parametrize("smooth_hz", [0.0, 0.5])
def test_a_turn_ends_on_an_exact_angle(smooth_hz):
    text = clip("turn", "turn", 0.8, 5, f"turn_deg = 180\nsmooth_hz = {smooth_hz}")
    clips = make(text + '[[variant]]\nof = "turn"\nmirror = true', "turn")
    for name, sign in (("turn", 1), ("turn_mirrored", -1)):
        one = clips[name]
        assert one.root_motion.turn_deg == pytest.approx(180 * sign, abs=1e-6)
        ends = np.degrees(heading(one)[[0, -1]])
        assert ends[1] - ends[0] == pytest.approx(180 * sign, abs=1e-2)
        root = quat.yaw(one.motion.model()[0][-1, one.body.require("root")])
        assert abs(np.degrees(root)) == pytest.approx(180, abs=1e-2)
        assert sliding_cm_s(one.motion, one.body, one.contacts).max() < 1.0
    with pytest.raises(RecipeError, match=r"clip 'turn': turn_deg = 90 is far from the 172 degrees"):
        make(text.replace("180", "90"), "turn")


def test_the_turn_of_a_cycle_can_be_exact_too():
    one = make(clip("walk", "stroll", 4, 8, STRIDE + "smooth_hz = 0.5\nturn_deg = 20"), "stroll")["walk"]
    assert one.root_motion.turn_deg == pytest.approx(-20, abs=1e-6)  # to the right, as the take turns
    ends = np.degrees(heading(one)[[0, -1]])
    assert ends[1] - ends[0] == pytest.approx(-20, abs=1e-2)
    assert measure_seam(one.motion, one.body).pose_m < 1e-6
    assert sliding_cm_s(one.motion, one.body, one.contacts, loop=True).max() < 0.3


def test_marks_of_ones_own_are_times_of_the_take():
    events = 'events = [{name = "lantern", at = 5.0}, {name = "right.wave", at = "330f"}]'
    one = make(clip("walk", "stroll", 4, 8, f"{events}\nrate = 30"), "stroll")["walk"]
    assert frames(one, "lantern") == [30]
    assert frames(one, "right.wave") == [45]
    assert frames(one, "leftFoot.down")
    assert list(one.events) == sorted(one.events, key=lambda event: (event.frame, event.name))
    with pytest.raises(
        RecipeError, match=r"clip 'walk': its event 'lantern' at 3 s lies outside it; it holds"
    ):
        make(clip("walk", "stroll", 4, 8, events.replace("5.0", "3.0")), "stroll")
    loop = make(clip("walk", "stroll", 4, 8, STRIDE), "stroll")["walk"]
    at = loop.source_range[0] + 7
    more = f'{STRIDE}events = [{{name = "lantern", at = "{at}f"}}]'
    assert frames(make(clip("walk", "stroll", 4, 8, more), "stroll")["walk"], "lantern") == [7]
    fast = make(clip("walk", "stroll", 4, 8, more) + '[[variant]]\nof = "walk"\nspeed = 2', "stroll")
    assert frames(fast["walk_x2"], "lantern") in ([3], [4])


def test_strikes_are_marked_where_they_peak():
    text = clip("blow", "blow", 0.5, 3.5, 'kind = "strike"') + '[[variant]]\nof = "blow"\nmirror = true\n'
    clips = make(text, "blow")
    hand, hips = (clips["blow"].body.require(part) for part in ("rightHand", "hips"))
    places = take("blow").motion.model()[1]
    away = (places[:, hand - 1] - places[:, hips - 1])[30:211]
    peak = int(np.argmax(np.linalg.norm(np.gradient(away, axis=0), axis=-1)))
    strikes = frames(clips["blow"], "rightHand.strike")
    assert min(abs(frame - peak) for frame in strikes) <= 1
    assert frames(clips["blow"], "rightHand.stop")
    assert frames(clips["blow_mirrored"], "leftHand.strike") == strikes
    assert not frames(clips["blow_mirrored"], "rightHand.strike")
    slow = make(text + "[events]\nstrike_speed = 60", "blow")["blow"]
    assert not frames(slow, "rightHand.strike")
    steps = make(clip("blow", "blow", 0.5, 3.5, 'kind = "locomotion"'), "blow")["blow"]
    assert {event.name.split(".")[1] for event in steps.events} <= {"down", "up"}


def test_strides_are_whole_where_the_left_foot_comes_down():
    clips = make(
        clip("walk", "stroll", 4, 8, STRIDE) + clip("all", "stroll", 1, 9, 'kind = "locomotion"'), "stroll"
    )
    for one in clips.values():
        strides = one.strides
        assert strides is not None
        downs = frames(one, "leftFoot.down")
        assert np.abs(strides[downs] - np.round(strides[downs])).max() < 1e-9
        assert (np.diff(strides) > 0).all()
    assert np.ptp(clips["walk"].strides) == pytest.approx(1, abs=1e-9)
    assert len(frames(clips["all"], "leftFoot.down")) > 4
    assert make(REST, "rest")["rest"].strides is None


def blended(rooted: bool, more: str = "") -> dict[str, FinishedClip]:
    text = (
        'neutral = "rest"\nblend_frames = 6\n'
        + clip("turn", "turn", 0.6, 5.4, "turn_deg = 180")
        + clip("blow", "blow", 0.5, 3.5, 'smooth_hz = 0.5\nkind = "strike"')
        + clip("raw", "blow", 0.5, 1.97, "blend_frames = 0")
        + REST
        + '[[variant]]\nof = "blow"\nmirror = true\n'
        + more
    )
    return make(text, "rest", "turn", "blow", rooted=rooted)


@pytest.mark.parametrize("rooted", [False, True])
def test_one_shots_start_and_end_in_the_neutral_pose(rooted):
    """The gap is nothing, also against the root joint, which is what an engine lays clips by."""
    clips = blended(rooted)
    names = ["rest", "turn", "blow", "blow_mirrored"]
    body = clips["rest"].body
    gaps = set_gaps({name: clips[name].world_motion for name in names}, body)
    assert gaps.cm.max() < 1e-6
    assert gaps.deg.max() < 1e-5
    raw = set_gaps({name: clips[name].world_motion for name in ("rest", "raw")}, body)
    assert raw.cm[1, 0] > 0.5
    assert raw.cm_s[1, 0] > 10 * gaps.cm_s[1:, 0].max()
    assert gaps.cm_s.max() < 5
    for name in names:
        track = clips[name].root_motion
        assert np.abs(track.position[0]).max() < 1e-9
        assert abs(track.heading[0]) < 1e-9
    assert abs(clips["turn"].root_motion.turn_deg) == pytest.approx(180, abs=1e-6)
    neutral = seen_from_root(clips["rest"])[0]
    for name in names[1:]:
        assert clips[name].blend_frames == 6
        places = seen_from_root(clips[name])
        for end in (0, -1):
            assert np.abs(places[end] - neutral).max() < 1e-6, (name, end)
    assert clips["raw"].blend_frames == clips["rest"].blend_frames == 0


def test_the_root_goes_along_when_the_neutral_pose_leans():
    """The feet stay where the clip had them, so the hips, and the root with them, are moved."""
    text = (
        'neutral = "lean"\nblend_frames = 10\n'
        + clip("blow", "blow", 0.5, 3.5, 'smooth_hz = 0.5\nkind = "strike"')
        + clip("lean", "stroll", 2.9, 3.4)
    )
    clips = make(text, "stroll", "blow")
    neutral, places = (seen_from_root(clips[name]) for name in ("lean", "blow"))
    for end in (0, -1):
        assert np.abs(places[end] - neutral[0]).max() < 1e-6
    assert np.abs(clips["blow"].root_motion.position[0]).max() < 1e-9
    feet = foot_points(clips["blow"].motion, clips["blow"].body).mean(axis=(1, 2))[:, :2]
    assert np.linalg.norm(feet[-1] - feet[0]) < 0.001


def seen_from_root(one: FinishedClip) -> np.ndarray:
    root = one.body.require("root")
    turns, places = one.motion.model()
    return quat.rotate(quat.inv(turns[:, root])[:, None], places - places[:, root, None])


def test_only_the_ends_are_blended():
    clips = blended(False)
    plain = make(clip("blow", "blow", 0.5, 3.5, 'smooth_hz = 0.5\nkind = "strike"'), "blow")["blow"]
    inner = slice(7, -7)
    one = clips["blow"].motion.model()[1]
    assert np.abs(one[inner] - plain.motion.model()[1][inner]).max() < 1e-9
    with pytest.raises(
        RecipeError, match=r"clip 'short': 25 frames are too few for blends of 20 at both ends"
    ):
        blended(False, clip("short", "blow", 1.0, 1.4, "blend_frames = 20"))


def test_the_finished_motion_is_owned_by_nobody_else():
    """Making clips twice gives the same, and leaves the take as it was."""
    before = take("stroll").motion.rotations.copy()
    texts = (
        clip("walk", "stroll", 4, 8, STRIDE + "straight = true"),
        '[[variant]]\nof = "walk"\nmirror = true',
    )
    first, second = (make("".join(texts), "stroll") for _ in range(2))
    assert (take("stroll").motion.rotations == before).all()
    for name, one in first.items():
        assert (one.motion.rotations == second[name].motion.rotations).all()


def test_travel_is_found_whole_whatever_goes_where():
    one = make(clip("walk", "stroll", 3, 7, 'planar = "keep"\nturn = "remove"'), "stroll")["walk"]
    kept = replace(one, motion=one.world_motion)
    way = find_root_motion(kept.motion, kept.body, RootMotionSettings())
    assert np.abs(way.position - one.root_motion.position).max() < 1e-9
    assert np.abs(way.heading - one.root_motion.heading).max() < 1e-9


@pytest.mark.parametrize(
    ("changes", "pinned"),
    [
        ({}, False),
        ({"straight": True}, True),
        ({"constant_speed": True}, True),
        ({"turn_deg": 0.0}, True),
        ({"loop": True, "kind": "locomotion"}, True),
        ({"loop": True, "kind": "idle"}, True),
        ({"loop": True, "kind": "other"}, False),
        ({"kind": "locomotion"}, False),
    ],
)
def test_feet_are_pinned_on_new_paths_and_in_loops_of_steps_and_idles(changes, pinned):
    spec = ClipSpec("a", Moment(1), Moment(2), **changes)
    assert is_pinned(spec, Recipe()) is pinned
    free = Recipe(close=replace(Recipe().close, pin=False))
    assert is_pinned(spec, free) is (pinned and not spec.loop)
