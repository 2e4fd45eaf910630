"""The order of the stages, seen from its end: clips that hold what was asked for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import small_takes
import synthetic
from reference_poses import HELD, arms, take_with_pose
from takemill.base.errors import BodyMapError, InputError, RecipeError
from takemill.body.body_map import BodyMap
from takemill.body.skeleton import Skeleton
from takemill.clip.cuts import Cut
from takemill.clip.root_motion import with_root_motion
from takemill.maths import quat
from takemill.pipeline import finish_clip, stages
from takemill.pipeline.stages import FinishedClip, PreparedTake, body_of, make_clips, prepare, specs_of
from takemill.recipe.recipe import ClipSpec, Moment, Recipe, parse_recipe
from takemill.sensors.misalignment import between_poses


@pytest.fixture(scope="module")
def take() -> PreparedTake:
    motion = small_takes.stand_and_walk()
    return prepare("day", motion, body_of(motion.skeleton, Recipe()), Recipe())


def make(take: PreparedTake, text: str) -> tuple[FinishedClip, ...]:
    return make_clips(take, parse_recipe(text))


def clip(name="a", start="3.5", stop="8", more="") -> str:
    return f'[[clip]]\nname = "{name}"\nfrom = {start}\nto = {stop}\n{more}\n'


def test_a_prepared_take_keeps_the_raw_one(take):
    motion = small_takes.stand_and_walk()
    assert take.raw is motion
    assert take.motion.skeleton is motion.skeleton
    assert (len(take.motion), take.motion.rate) == (len(motion), motion.rate)
    assert take.after.measures["jitter_deg"] < take.before.measures["jitter_deg"]
    assert len(take.contacts.heel) == len(motion)
    assert len(take.digest) == 64
    assert prepare("x", motion, take.body, Recipe(), digest="abc").digest == "abc"


def test_a_trim_refuses_clips_that_reach_into_the_pose():
    motion, body = take_with_pose(arms())
    trim = "[repair]\ntrim = true\n"
    posed = prepare("day", motion, body, parse_recipe(trim))
    first, last = between_poses(posed.motion, body)
    assert abs(first - HELD) <= 3
    assert last == len(motion)
    more = 'root_motion = "keep"'
    (whole,) = make(posed, trim + clip(start=f'"{first}f"', stop=f'"{last - 1}f"', more=more))
    assert whole.source_range == (first, last)  # frames keep their numbers
    with pytest.raises(
        RecipeError, match=f"clip 'a'.*reference pose.*'day'.*\"{first}f\" to \"{last - 1}f\""
    ):
        make(posed, trim + clip(start=f'"{first - 1}f"', stop=f'"{last - 1}f"', more=more))
    (whole,) = make(posed, clip(start='"0f"', stop=f'"{last - 1}f"', more=more))
    assert whole.source_range == (0, last)
    with pytest.raises(RecipeError, match=r"\[repair\].*trim.*true or false"):
        parse_recipe('[repair]\ntrim = "T"')


def test_progress_goes_forward(take):
    seen: list[float] = []
    prepare("x", take.raw, take.body, Recipe(), lambda _, part: seen.append(part))
    assert seen == sorted(seen)
    assert 0 <= seen[0] < seen[-1] < 1


def test_a_one_shot_holds_its_frames(take):
    (one,) = make(take, clip(start='"30f"', stop='"90f"', more='root_motion = "keep"'))
    assert one.source_range == (30, 91)
    assert (len(one.motion), one.motion.rate, one.loop, one.candidate) == (61, 60.0, False, None)
    # As a whole it is moved to the origin; what it does is the take's.
    inside = one.motion.rotations[:, 1:], take.motion.rotations[30:91, 1:]
    assert quat.angle_between(*inside).max() < 1e-6
    assert np.abs(one.root_motion.position[0, :2]).max() < 1e-9
    assert abs(one.root_motion.heading[0]) < 1e-9


def test_a_loop_is_closed_at_any_rate(take):
    for rate in (60, 30, 24, 50, 120):
        (one,) = make(take, clip(more=f'loop = true\nrate = {rate}\nroot_motion = "in_place"'))
        assert one.motion.rate == rate
        assert one.candidate is not None
        assert one.source_range == (one.candidate.start, one.candidate.end + 1)
        assert quat.angle_between(one.motion.rotations[0], one.motion.rotations[-1]).max() < 1e-6
        assert np.abs(one.motion.root_translation[0] - one.motion.root_translation[-1]).max() < 1e-6
        taken = (one.candidate.end - one.candidate.start) / 60
        assert one.motion.duration_s == pytest.approx(taken, abs=0.5 / rate + 1e-9)
        assert len(one.contacts.heel) == len(one.motion)
        assert (one.contacts.planted[0] == one.contacts.planted[-1]).all()
        assert one.contacts.rate == rate


def test_root_track_times_pose_is_the_pose_in_the_world(take):
    """Root, in place and keep are one motion, parted differently."""
    text = "".join(
        clip(mode, more=f'loop = true\nroot_motion = "{mode}"') for mode in ("keep", "root", "in_place")
    )
    kept, rooted, still = make(take, text)
    places = [one.motion.model()[1] for one in (kept, rooted, with_motion(still))]
    hips = [one.body.require("hips") for one in (kept, rooted, still)]
    assert np.abs(places[0][:, hips[0] :] - places[1][:, hips[1] :]).max() < 1e-6
    assert np.abs(places[0][:, hips[0] :] - places[2][:, hips[2] :]).max() < 1e-6
    root = rooted.body.require("root")
    assert np.abs(places[1][:, root] - rooted.root_motion.position).max() < 1e-9
    assert kept.motion.skeleton.names == rooted.motion.skeleton.names == still.motion.skeleton.names


def with_motion(one: FinishedClip) -> FinishedClip:
    return replace(one, motion=with_root_motion(one.motion, one.root_motion))


def test_a_smoothed_root_goes_straight_and_the_world_stays(take):
    text = clip("a", more="loop = true") + clip("b", more="loop = true\nsmooth_hz = 0.5")
    plain, smooth = make(take, text + "[close]\npin = false")
    sway = [np.ptp(one.root_motion.position[:, 0]) for one in (plain, smooth)]
    assert sway[1] < 0.3 * sway[0]
    for one in (plain, smooth):  # below the root, which carries the turn of a cycle
        assert quat.angle_between(one.motion.rotations[0, 1:], one.motion.rotations[-1, 1:]).max() < 1e-6
    inside = [one.motion.rotations[:, one.body.require("spine") :] for one in (plain, smooth)]
    assert quat.angle_between(*inside).max() < 1e-6


def test_no_root_joint_is_made_where_none_travels(take):
    (one,) = make(take, clip(more='root_motion = "in_place"'))
    assert one.motion.skeleton is take.motion.skeleton
    assert one.body is take.body


def test_a_range_can_be_the_loop_itself(take):
    (one,) = make(take, clip(start='"240f"', stop='"306f"', more="loop = true\nsearch = false"))
    assert one.source_range == (240, 307)
    assert one.candidate is not None
    assert (one.candidate.start, one.candidate.end) == (240, 306)
    assert one.candidate.gap_cm < 2
    (bad,) = make(take, clip(start='"240f"', stop='"290f"', more="loop = true\nsearch = false"))
    assert bad.source_range == (240, 291)
    assert bad.candidate is not None
    assert bad.candidate.gap_cm > 5 * one.candidate.gap_cm


def test_kinds_are_told_from_the_suggested_cuts(take):
    named = make(take, clip("walk") + clip("stand", "0", "1.5") + clip("odd", "3.5", "5", 'kind = "jump"'))
    assert [one.kind for one in named] == ["locomotion", "idle", "jump"]


def test_the_kind_of_joined_stretches_is_that_of_most_of_their_frames(take):
    """Not that of what lies between them."""
    text = '[[clip]]\nname = "a"\nstretches = [[0, 1.9], [10.1, 11.6]]\n'
    (spec,) = specs_of([take], parse_recipe(text))
    assert spec.kind == "idle"
    (spec,) = specs_of([take], parse_recipe(text.replace("[10.1, 11.6]", "[4, 8]")))
    assert spec.kind == "locomotion"


def test_without_clips_the_suggested_cuts_are_taken(take):
    cuts = stages.cuts_of(take, Recipe())
    specs = specs_of([take], Recipe())
    assert [spec.name for spec in specs] == [cut.name for cut in cuts]
    other = replace(take, name="night")
    names = [spec.name for spec in specs_of([take, other], Recipe())]
    assert names == [f"{name}_{cut.name}" for name in ("day", "night") for cut in cuts]
    with pytest.raises(InputError, match="no stretch of the take can be suggested"):
        specs_of(
            [replace(take, motion=take.motion.slice(0, 10), contacts=take.contacts.sliced(0, 10))], Recipe()
        )


def test_a_suggested_loop_that_is_none_becomes_a_one_shot(take, monkeypatch):
    monkeypatch.setattr(finish_clip, "find_loops", lambda *_: ())
    clips = make_clips(take, Recipe())
    assert [one.name for one in clips] == [cut.name for cut in stages.cuts_of(take, Recipe())]
    assert not any(one.loop or one.candidate for one in clips)
    with pytest.raises(RecipeError, match="no loop in its range; widen it, or set search = false"):
        make(take, clip(more="loop = true"))


def test_clips_know_their_takes(take):
    other = replace(take, name="night")
    spec = ClipSpec("a", Moment(1), Moment(2))
    with pytest.raises(RecipeError, match=r"does not say which take.*one of: day, night"):
        specs_of([take, other], Recipe(clips=(spec,)))
    with pytest.raises(RecipeError, match=r"there is no take 'noon'"):
        specs_of([take], Recipe(clips=(replace(spec, take="noon"),)))
    (one,) = make_clips([take, other], Recipe(clips=(replace(spec, take="night"),)))
    assert one.source == "night"


def test_a_range_without_a_loop_says_so(take):
    with pytest.raises(RecipeError, match=r"clip 'a': .*shortest loop"):
        make(take, clip(start="1", stop="1.2", more="loop = true"))


def test_the_body_map_can_be_corrected():
    skeleton = synthetic.skeleton()
    found = body_of(skeleton, Recipe())
    assert found.names(skeleton) == synthetic.parts()
    fixed = body_of(skeleton, Recipe(body={"head": "neck", "neck": ""}))
    assert fixed.get("head") == skeleton.index("neck")
    assert fixed.get("neck") is None
    with pytest.raises(BodyMapError, match="no joint of this skeleton"):
        body_of(skeleton, Recipe(body={"head": "nose"}))


def test_a_body_that_cannot_be_told_can_be_named():
    names = ("a", "b", "c")
    stick = Skeleton(names, (-1, 0, 1), np.eye(3), np.tile(quat.IDENTITY, (3, 1)))
    with pytest.raises(BodyMapError):
        body_of(stick, Recipe())
    assert body_of(stick, Recipe(body={"hips": "a"})) == BodyMap({"hips": 0})


@pytest.mark.parametrize("change", ["name", "parent", "rest"])
def test_takes_of_other_skeletons_are_told_apart(change):
    motion = small_takes.stand_and_walk()
    skeleton = motion.skeleton
    if change == "name":
        other = replace(skeleton, names=(*skeleton.names[:-1], "claw"))
    elif change == "parent":
        other = replace(skeleton, parents=(*skeleton.parents[:-1], 0))
    else:
        other = small_takes.longer_arms().skeleton
    with pytest.raises(InputError, match=r"take 'b' is of another skeleton than 'a': .*pack them separately"):
        stages.expect_one_skeleton({"a": motion, "b": replace(motion, skeleton=other)})
    stages.expect_one_skeleton({"a": motion, "b": motion})


def test_the_digest_is_that_of_the_motion():
    motion = small_takes.stand_and_walk()
    turned = motion.with_rotations(quat.mul(quat.from_yaw(1e-9), motion.rotations))
    assert stages.digest_of(motion) == stages.digest_of(small_takes.stand_and_walk.__wrapped__())
    assert stages.digest_of(motion) != stages.digest_of(turned)
    assert stages.digest_of(motion) != stages.digest_of(replace(motion, rate=61.0))


def test_clips_may_overlap(take):
    first, second = make(take, clip("a", "1", "5") + clip("b", "3", "6"))
    assert first.source_range == (60, 301)
    assert second.source_range == (180, 361)
    joints = slice(2, None)  # below the hips, which stand elsewhere in each clip
    shared = first.motion.rotations[120:, joints], second.motion.rotations[:121, joints]
    assert quat.angle_between(*shared).max() < 1e-9


def test_a_pattern_names_what_has_no_name(take):
    unnamed = "[[clip]]\nfrom = {}\nto = {}\n"
    text = unnamed.format(3.5, 8) + clip("courier_idle_01", "0", "1.5") + unnamed.format(0, 1.6)
    recipe = parse_recipe('naming = "{character}_{kind}_{n:02}"\ncharacter = "courier"\n' + text)
    names = [spec.name for spec in specs_of([take], recipe)]
    assert names == ["courier_locomotion_01", "courier_idle_01", "courier_idle_02"]
    assert [one.name for one in make_clips(take, recipe)] == names
    cuts = stages.cuts_of(take, Recipe())
    suggested = specs_of([take], Recipe(naming="{set}_{n}"))
    assert [spec.name for spec in suggested] == [f"day_{n}" for n in range(1, len(cuts) + 1)]


def test_clips_that_are_spoken_of_must_be_there(take):
    for text, message in (
        ('neutral = "rest"\n' + clip(), "neutral: there is no clip 'rest'; there are: a"),
        (clip() + '[[variant]]\nof = "b"\nmirror = true', "variant 'b_mirrored': there is no clip 'b'"),
        (clip() + '[[variant]]\nof = "a"\nadditive_to = "b"', "variant 'a_additive': there is no clip 'b'"),
    ):
        with pytest.raises(RecipeError, match=message):
            stages.expect_clips(parse_recipe(text), {"day": take.motion})
        with pytest.raises(RecipeError, match=message):
            make(take, text)


def test_the_recipe_order_stays_and_variants_follow(take):
    text = 'neutral = "b"\n' + clip("a", "1", "2") + clip("b", "0", "1") + clip("c", "2", "3")
    names = [one.name for one in make(take, text + '[[variant]]\nof = "a"\nmirror = true')]
    assert names == ["a", "b", "c", "a_mirrored"]


@pytest.mark.parametrize(
    ("frames", "kind"), [(20, "locomotion"), (30, "locomotion"), (36, "other"), (60, "other")]
)
def test_a_clip_is_of_a_cut_s_kind_when_half_of_it_is(frames: int, kind: str) -> None:
    """Of the clip's frames 15 are the cut's: three quarters, half, fewer."""
    cut = Cut("walk", "locomotion", 100, 115, loop=True)
    spec = ClipSpec("clip", Moment(100, in_frames=True), Moment(99 + frames, in_frames=True))
    assert stages._kind_of(spec, 30.0, [cut, Cut("rest", "idle", 0, 50, loop=True)]) == kind
