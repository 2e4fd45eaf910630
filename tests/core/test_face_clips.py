"""Faces go with the clips of their take: same moments, closed, blended, mirrored, packed and read back."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

import small_takes
from face_bodies import SHAPES, base_with_face, talk, talking
from idle_takes import known_idle
from takemill.base.errors import GlbError, InputError
from takemill.clip.face import Face, other_side
from takemill.files.glb_read import GlbScene
from takemill.keys.weight_keys import weight_error, weight_track
from takemill.pipeline import stages
from takemill.pipeline.face_clips import describe_faceless, face_clips
from takemill.pipeline.prepare_take import body_of, prepare_take
from takemill.recipe.recipe import Recipe, parse_recipe
from takemill.sets import verify_face
from takemill.sets.clip_set import write_clip_set
from takemill.sets.verify import verify_set

RECIPE = """
rate = 30
neutral = "stand"
blend_frames = 6
[[clip]]
name = "walk"
from = 3.5
to = 8
loop = true
[[clip]]
name = "set off"
from = 1.5
to = 4
[[clip]]
name = "stand"
from = 0
to = 1.9
loop = true
root_motion = "in_place"
[[variant]]
of = "walk"
name = "walk mirrored"
mirror = true
[[variant]]
of = "set off"
name = "set off fast"
speed = 2.0
[[variant]]
of = "walk"
name = "walk added"
additive_to = "stand"
"""


class Made:
    """A take's clips with a face, made once."""

    def __init__(self) -> None:
        motion = small_takes.stand_and_walk()
        self.recipe = parse_recipe(RECIPE)
        self.take = prepare_take("day", motion, body_of(motion.skeleton, Recipe()), self.recipe)
        self.plain = stages.make_set(self.take, self.recipe)
        self.rate = motion.rate
        self.clips = self.with_face(talking())
        self.base = base_with_face(self.plain[0].motion.skeleton)

    def with_face(self, face: Face, recipe: str = ""):
        clips = self.plain
        if recipe:
            clips = stages.make_set(self.take, parse_recipe(recipe))
        return {one.name: one for one in face_clips(clips, {"day": [face]}, {"day": self.rate}, "stand")}

    def write(self, folder, clips=None, **changes):
        parts = {"base_glb": self.base, "name": "ferry", "takes": [self.take], "recipe": self.recipe}
        clips = list((clips or self.clips).values())
        return write_clip_set(folder, clips=clips, **(parts | changes))


@pytest.fixture(scope="module")
def made() -> Made:
    return Made()


def seconds_of(made, clip) -> np.ndarray:
    first, stop = clip.source_range
    return np.linspace(first, stop - 1, len(clip.motion)) / made.rate


def test_a_face_plays_the_moments_of_its_clip(made):
    """Between its blended ends a one-shot plays the face at its own seconds of the take, at any rates."""
    clip = made.clips["set off"]
    inner = slice(clip.blend_frames, -clip.blend_frames)
    right = talking().at(seconds_of(made, clip))
    np.testing.assert_allclose(clip.faces[0].values[inner], right[inner], atol=1e-12)
    np.testing.assert_allclose(
        right, talk(seconds_of(made, clip)), atol=0.13
    )  # straight lines at 48 a second


def test_a_shifted_face_of_another_rate_lines_up(made):
    """A face that begins 37.5 of its frames later, at 24 a second, plays the same moments.

    Between its frames it runs straight, so a moment is compared where its frames lie.
    """
    shifted = talking(rate=24.0, start_s=37.5 / 24.0)
    assert np.abs(shifted.at(np.array([37.5 / 24 + 2.0])) - talk(np.array([37.5 / 24 + 2.0]))).max() < 1e-12
    clip = made.with_face(shifted)["set off"]
    inner = slice(clip.blend_frames, -clip.blend_frames)
    best = min(
        (
            np.abs(talk(seconds_of(made, clip) + off)[inner, 0] - clip.faces[0].values[inner, 0]).mean(),
            off,
        )
        for off in np.arange(-0.1, 0.1, 0.001)
    )
    assert abs(best[1]) < 0.5 / 24


def test_loops_close_within_limits(made):
    """Ends are the same weights, none leaves its limits, and the speed does not jump at the seam."""
    for name in ("walk", "stand"):
        values = made.clips[name].faces[0].values
        np.testing.assert_array_equal(values[0], values[-1])
        assert values.min() >= 0
        assert values.max() <= 1
    raw = talking().at(seconds_of(made, made.clips["walk"]))
    assert np.abs(raw[-1] - raw[0]).max() > 0.05  # there was something to close


def test_one_shots_begin_and_end_with_the_neutral_face(made):
    rest = made.clips["stand"].faces[0].values[0]
    values = made.clips["set off"].faces[0].values
    np.testing.assert_allclose(values[[0, -1]], [rest, rest], atol=1e-12)


def test_variants_take_their_face_along(made):
    """A mirrored clip exchanges the eyelids, a fast one plays faster, a difference has no face."""
    mirrored, walk = made.clips["walk mirrored"].faces[0].values, made.clips["walk"].faces[0].values
    np.testing.assert_array_equal(mirrored, walk[:, [0, 2, 1]])
    fast = made.clips["set off fast"]
    inner = slice(fast.blend_frames, -fast.blend_frames)
    right = talking().at(seconds_of(made, fast))
    np.testing.assert_allclose(fast.faces[0].values[inner], right[inner], atol=0.1)
    assert made.clips["walk added"].faces == ()
    (line,) = describe_faceless(made.plain, {"day": [talking()]})
    assert "'walk added' (it holds differences)" in line


@pytest.mark.parametrize(
    ("name", "other"),
    [
        ("blinkLeft", "blinkRight"), ("mouth_L", "mouth_R"), ("brow.R", "brow.L"), ("leftLid", "rightLid"),
        ("eyeLookInRight", "eyeLookInLeft"), ("smile", "smile"), ("upright", "upright"), ("Lip", "Lip"),
    ],
)  # fmt: skip
def test_names_of_sides(name, other):
    assert other_side(name) == other


@pytest.mark.parametrize(("error", "off"), [(0.0005, 0.0005), (1e-9, 1e-9)])
def test_keys_keep_the_weights(made, error, off):
    """With a tolerance fewer keys within it, as numpy.interp plays them; else all that bend."""
    face = made.clips["walk"].faces[0]
    track = weight_track(face, error)
    assert weight_error(face, track) <= off
    assert len(weight_track(face, 0.02).frames) < len(track.frames) <= len(face)
    still = replace(face, values=np.full_like(face.values, 0.25))
    assert len(weight_track(still, error).frames) == 1


@pytest.mark.parametrize(("error", "most"), [(0.0005, 1e-3), (1e-9, 1e-6)])
def test_a_set_with_a_face_verifies(made, tmp_path, error, most):
    """Weights in the file are the clip's at its times, the schema holds, and a player's reader agrees."""
    recipe = replace(made.recipe, reduce=replace(made.recipe.reduce, max_error_weight=error))
    facts = made.write(tmp_path / "set", recipe=recipe)
    assert [[one.problems for one in verify_set(tmp_path / "set")[1]], verify_set(tmp_path / "set")[0]] == [
        [()] * 6,
        (),
    ]
    scene = GlbScene((tmp_path / "set" / "ferry.glb").read_bytes(), "ferry.glb")
    for clip in made.clips.values():
        curves = scene.weights[clip.name]
        assert len(curves) == len(clip.faces)
        for curve, face in zip(curves, clip.faces, strict=True):
            assert curve.names == SHAPES
            times = np.arange(len(face)) / face.rate
            played = np.stack([np.interp(times, curve.times, one) for one in curve.values.T], axis=1)
            assert np.abs(played[:, :3] - face.values).max() <= most
            assert np.abs(played[:, 3]).max() == 0
    assert facts[0]["faces"]["head_mesh"]["jawOpen"][1] > 0.9
    report = (tmp_path / "set" / "report.html").read_text()
    assert "<h4>Face</h4>" in report
    assert "jawOpen" in report


@pytest.mark.parametrize("harm", ["weights", "range", "mesh"])
def test_verify_tells_a_face_that_is_not_the_lists(made, tmp_path, harm):
    """A weight, a listed range or a mesh that is another is told."""
    made.write(tmp_path / "set")
    said = json.loads((tmp_path / "set" / "clips.json").read_bytes())
    scene = GlbScene((tmp_path / "set" / "ferry.glb").read_bytes(), "ferry.glb")
    clip = next(one for one in said["clips"] if one["name"] == "walk")
    assert list(verify_face.face_problems(clip, scene)) == []
    if harm == "weights":
        (curve,) = scene.weights["walk"]
        values = curve.values.copy()
        values[-1] += 0.01
        scene.weights["walk"] = [curve._replace(values=values)]
    elif harm == "range":
        clip["faces"]["head_mesh"]["jawOpen"][1] = 0.5
    else:
        clip["faces"]["other"] = clip["faces"].pop("head_mesh")
    assert list(verify_face.face_problems(clip, scene)) != []


def test_what_cannot_hold_a_face_is_said(made, tmp_path):
    """Files without a mesh, a mesh without the shape, or with it twice; nothing is written."""
    for changes, words in (
        ({"recipe": replace(made.recipe, files="separate")}, "files = "),
        ({"base_glb": base_with_face(made.plain[0].motion.skeleton, ("smile",))}, "no shape 'jawOpen'"),
        (
            {"base_glb": base_with_face(made.plain[0].motion.skeleton, (*SHAPES, "jawOpen"))},
            "2 shapes 'jawOpen'",
        ),
    ):
        with pytest.raises((InputError, GlbError), match=words):
            made.write(tmp_path / "set", **changes)
        assert not (tmp_path / "set").exists()
    face = talking()
    with pytest.raises(InputError, match="two shapes are called"):
        replace(face, names=("jawOpen", "jawOpen", "smile"))
    with pytest.raises(InputError, match="not a finite number"):
        replace(face, values=face.values * np.nan)


MEETING = """
rate = 30
[[clip]]
name = "walk"
from = 3.5
to = 8
loop = true
[[clip]]
name = "set off"
from = 1.5
to = 5
leads_to = "walk"
[[clip]]
name = "plain"
from = 1.5
to = 4
[[variant]]
of = "plain"
name = "fast"
speed = 1.7
"""


def test_ends_that_meet_a_loop_have_its_face(made):
    """A clip that leads to a loop ends with the loop's first weights, and as fast as it goes on."""
    clips = made.with_face(talking(), MEETING)
    clip, loop = clips["set off"], clips["walk"].faces[0].values
    assert clip.joins == {"leads_to": "walk"}
    values = clip.faces[0].values
    np.testing.assert_allclose(values[-1], loop[0], atol=1e-12)
    before = talking().at(seconds_of(made, clip))
    assert np.abs(before[-1] - loop[0]).max() > 0.01  # there was something to meet
    np.testing.assert_allclose(values[: len(values) // 2], before[: len(values) // 2], atol=1e-9)


def test_a_fast_clip_without_blends_plays_its_face_as_fast(made):
    """Frame k of a clip 1.7 times as fast is at 1.7 k frames of the take's time."""
    clip = made.with_face(talking(), MEETING)["fast"]
    moments = clip.source_range[0] / made.rate + 1.7 * np.arange(len(clip.motion)) / 30
    np.testing.assert_allclose(clip.faces[0].values, talking().at(moments), atol=1e-12)


IDLE = """
[[clip]]
name = "calm"
from = 0
to = 14
kind = "idle"
loop = true
length_s = 20.0
root_motion = "in_place"
"""


def test_an_idle_of_parts_has_the_face_of_its_parts_joined_as_it_is():
    """Half a second from its joins it plays the moments of its parts; there it goes from one to the other."""
    motion, recipe = known_idle(3, 14.0, rate=30.0).motion, parse_recipe(IDLE)
    take = prepare_take("day", motion, body_of(motion.skeleton, Recipe()), recipe)
    face = replace(talking(rate=30.0, length_s=14.0), values=slow_talk(np.arange(421) / 30))
    (clip,) = face_clips(stages.make_set(take, recipe), {"day": [face]}, {"day": 30.0})
    parts, (played,) = clip.stretches, (one.values for one in clip.faces)
    assert len(parts) > 1
    assert len(played) == len(clip.motion)
    np.testing.assert_array_equal(played[0], played[-1])
    assert played.min() >= 0
    assert played.max() <= 1
    frames = np.concatenate([np.arange(first, last) for first, last in parts])
    joins = np.cumsum([0, *(last - first for first, last in parts)])
    place = np.linspace(0, len(frames), len(played))
    far = np.abs(place[:, None] - joins).min(axis=1) > 15  # half a second
    assert far.sum() > len(far) / 2
    right = slow_talk(np.interp(place, np.arange(len(frames)), frames) / 30)
    assert np.abs(played - right)[far].max() < 1e-3
    assert np.abs(right[1:] - right[:-1]).max() > 0.1  # there was something to join
    assert np.abs(played[1:] - played[:-1]).max() < 0.08
    assert describe_faceless([clip], {"day": [face]}) == []


STRETCHES = """
rate = 30
[[clip]]
name = "calm"
stretches = [[0.5, 5.0], [7.0, 11.5], [2.0, 6.0]]
loop = {loop}
root_motion = "keep"
"""


@pytest.mark.parametrize("loop", [False, True])
def test_a_clip_of_stretches_has_the_face_of_each_joined_where_they_are(loop):
    motion, recipe = (
        known_idle(3, 14.0, rate=30.0).motion,
        parse_recipe(STRETCHES.format(loop=str(loop).lower())),
    )
    take = prepare_take("day", motion, body_of(motion.skeleton, Recipe()), recipe)
    face = replace(talking(rate=30.0, length_s=14.0), values=slow_talk(np.arange(421) / 30))
    (clip,) = face_clips(stages.make_set(take, recipe), {"day": [face]}, {"day": 30.0})
    (played,) = (one.values for one in clip.faces)
    assert len(played) == len(clip.motion)
    assert len(clip.stretch_joins) == 2
    begins = np.cumsum([0, *(join.leave - join.enter for join in clip.stretch_joins)])
    joins = begins[:-1] + [join.leave for join in clip.stretch_joins]
    first, last = (clip.candidate.start, clip.candidate.end) if loop else (0, len(played) - 1)
    place = np.linspace(first, last, len(played))
    which = np.searchsorted(joins + 7.5, place)  # the middle of the half second
    source = np.array([one[0] for one in clip.stretches])[which] + place - begins[which]
    far = (np.abs(place[:, None] - joins - 7.5) > 8).all(axis=1)
    if loop:
        far &= np.minimum(place - first, last - place) > 55  # what does not repeat is closed over 1.8 s
        np.testing.assert_array_equal(played[0], played[-1])
    assert far.sum() > len(far) / 5
    assert np.abs(played - slow_talk(source / 30))[far].max() < 1e-3
    assert np.abs(np.diff(slow_talk(source / 30), axis=0)).max() > 0.1  # there was something to join
    assert np.abs(np.diff(played, axis=0)).max() < 0.1
    assert describe_faceless([clip], {"day": [face]}) == []


def slow_talk(seconds) -> np.ndarray:
    """Weights (N, 3) that never jump."""
    t = np.asarray(seconds)[:, None]
    return 0.5 - 0.4 * np.cos(2 * np.pi * np.array([0.31, 0.23, 0.17]) * t)
