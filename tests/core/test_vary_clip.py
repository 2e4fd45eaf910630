"""Variants of a finished clip: what they show, and that they are made of the clip alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from additive import added
from clip_takes import RATE, REST, STRIDE, clip, frames, make, take
from takemill.base.errors import InputError
from takemill.body.skeleton import Skeleton
from takemill.clip.measure import measure_seam
from takemill.clip.mirror import mirror_motion
from takemill.maths import quat
from takemill.pipeline.finish_clip import FinishedClip
from takemill.pipeline.resample_clip import resample_clip
from takemill.pipeline.stages import make_set
from takemill.pipeline.vary_clip import vary_clip
from takemill.recipe.recipe import VariantSpec, parse_recipe

WALK = clip(
    "walk", "stroll", 4, 8, STRIDE + 'root_motion = "{}"\nevents = [{{name = "left.wave", at = 5.1}}]'
)
BLOW = clip("blow", "blow", 0.5, 3.5, 'kind = "strike"\nroot_motion = "keep"')


def expect_same(one: FinishedClip, other: FinishedClip, limit_m: float) -> None:
    np.testing.assert_allclose(one.motion.model()[1], other.motion.model()[1], atol=limit_m)
    np.testing.assert_allclose(one.root_motion.position, other.root_motion.position, atol=limit_m)
    np.testing.assert_allclose(one.root_motion.heading, other.root_motion.heading, atol=limit_m)
    assert [event.name for event in one.events] == [event.name for event in other.events]
    away = [abs(a.frame - b.frame) for a, b in zip(one.events, other.events, strict=True)]
    assert max(away) <= 1
    assert (one.name, one.variant, one.parts, one.loop) == (
        other.name, other.variant, other.parts, other.loop,
    )  # fmt: skip


@pytest.mark.parametrize("rooted", [False, True])
@pytest.mark.parametrize("root_motion", ["root", "in_place", "keep"])
def test_a_mirrored_clip_is_what_the_take_gives(root_motion, rooted):
    text = WALK.format(root_motion) + '[[variant]]\nof = "walk"\nmirror = true\n'
    clips = make(text, "stroll", rooted=rooted)
    expect_same(vary_clip(clips["walk"], VariantSpec("walk", mirror=True)), clips["walk_mirrored"], 1e-6)


@pytest.mark.parametrize("root_motion", ["root", "in_place", "keep"])
@pytest.mark.parametrize("facing", [np.pi / 2, -np.pi, 0.7])
def test_a_body_that_faces_aside_at_rest_is_mirrored_ahead(root_motion, facing):
    """Rest pose and take are turned together, as in a rig that was built so."""
    was, turn = take("stroll", True), quat.from_yaw(facing)
    old, tracks = was.motion.skeleton, was.motion
    rests = old.rest_rotation.copy()
    rests[0] = quat.mul(turn, rests[0])
    skeleton = Skeleton(
        old.names, old.parents, old.rest_translation, rests, old.tip_joints, old.tip_offsets
    )  # the root stands at the origin
    rotations = tracks.rotations.copy()
    rotations[:, 0] = quat.mul(turn, rotations[:, 0])
    motion = replace(
        tracks,
        skeleton=skeleton,
        rotations=rotations,
        root_translation=quat.rotate(turn, tracks.root_translation),
    )
    aside = replace(was, motion=motion, raw=motion)
    recipe = parse_recipe(WALK.format(root_motion) + '[[variant]]\nof = "walk"\nmirror = true\n')
    clips = {one.name: one for one in make_set(aside, recipe)}
    expect_same(vary_clip(clips["walk"], VariantSpec("walk", mirror=True)), clips["walk_mirrored"], 1e-6)


def test_a_retimed_clip_is_near_what_the_take_gives():
    text = WALK.format("root") + BLOW
    text += "".join(f'[[variant]]\nof = "{name}"\nspeed = 1.3\n' for name in ("walk", "blow"))
    clips = make(text, "stroll", "blow")
    for name in ("walk", "blow"):
        one = vary_clip(clips[name], VariantSpec(name, speed=1.3))
        # Its own track was smoothed at its own speed there: what the root does not do, the hips do.
        assert len(one.motion) == len(clips[f"{name}_x1.3"].motion)
        np.testing.assert_allclose(
            one.root_motion.position[-1], clips[f"{name}_x1.3"].root_motion.position[-1], atol=0.02
        )
        assert one.contacts.heel.shape == (len(one.motion), 2)
        assert one.events[-1].frame < len(one.motion)


@pytest.mark.parametrize("against", ["pose", "clip"])
def test_a_difference_is_what_the_take_gives(against):
    text = clip("walk", "stroll", 4, 8, STRIDE) + clip(
        "rest", "rest", 1, 8, STRIDE.replace("locomotion", "idle")
    )
    text += f'[[variant]]\nof = "walk"\nadditive_to = "rest"\nagainst = "{against}"\n'
    clips = make(text, "stroll", "rest")
    spec = VariantSpec("walk", additive_to="rest", against=against)
    expect_same(vary_clip(clips["walk"], spec, reference=clips["rest"]), clips["walk_additive"], 1e-9)


def test_mirrored_twice_and_at_the_same_rate_is_the_clip():
    one = make(WALK.format("root"), "stroll")["walk"]
    twice = vary_clip(vary_clip(one, VariantSpec("walk", mirror=True)), VariantSpec("walk", mirror=True))
    np.testing.assert_allclose(twice.motion.model()[1], one.motion.model()[1], atol=1e-12)
    assert twice.events == one.events
    assert resample_clip(one, one.motion.rate) is one


def test_a_variant_that_cannot_be_is_refused_in_words():
    one = make(clip("blow", "blow", 0.5, 3.5), "blow")["blow"]
    with pytest.raises(InputError, match=r"181 frames would become fewer than two; lower its speed"):
        vary_clip(one, VariantSpec("blow", speed=500))
    with pytest.raises(InputError, match="speed"):
        vary_clip(one, VariantSpec("blow", speed=0))
    difference = vary_clip(one, VariantSpec("blow", additive_to="blow"), reference=one)
    for arguments in ((difference, VariantSpec("x", mirror=True)), (one, VariantSpec("x"), None, difference)):
        with pytest.raises(InputError, match="'blow_additive': it holds differences, no poses"):
            vary_clip(*arguments)


def test_a_mirrored_clip_is_the_clip_mirrored():
    loop = make(clip("walk", "stroll", 4, 8, STRIDE), "stroll")["walk"]
    wave = f'events = [{{name = "right.wave", at = "{loop.source_range[0] + 9}f"}}]'
    text = clip("walk", "stroll", 4, 8, STRIDE + wave)
    clips = make(f'{text}[[variant]]\nof = "walk"\nname = "klaw"\nmirror = true', "stroll")
    walk, klaw = clips["walk"], clips["klaw"]
    world = mirror_motion(walk.motion, walk.body).model()[1]
    assert np.abs(klaw.motion.model()[1] - world).max() < 1e-6
    assert klaw.root_motion.turn_deg == pytest.approx(-walk.root_motion.turn_deg, abs=1e-4)
    assert frames(klaw, "leftFoot.down") == frames(walk, "rightFoot.down")
    assert frames(klaw, "left.wave") == frames(walk, "right.wave") == [9]
    assert (klaw.kind, klaw.loop, klaw.candidate, klaw.source_range) == (
        walk.kind, walk.loop, walk.candidate, walk.source_range
    )  # fmt: skip
    assert klaw.variant is not None
    assert walk.variant is None


def test_a_retimed_clip_goes_the_same_way_faster():
    text = clip("walk", "stroll", 4, 8, STRIDE) + '[[variant]]\nof = "walk"\nspeed = 1.5\n'
    clips = make(text + clip("all", "stroll", 1, 9) + '[[variant]]\nof = "all"\nspeed = 0.5', "stroll")
    walk, fast = clips["walk"], clips["walk_x1.5"]
    assert len(fast.motion) - 1 == round((len(walk.motion) - 1) / 1.5)
    assert fast.root_motion.distance_m == pytest.approx(walk.root_motion.distance_m, abs=1e-6)
    assert fast.root_motion.speed_m_s == pytest.approx(1.5 * walk.root_motion.speed_m_s, rel=0.02)
    assert measure_seam(fast.motion, fast.body).pose_m < 1e-6
    slow, plain = clips["all_x0.5"], clips["all"]
    assert np.abs(slow.motion.model()[1][::2] - plain.motion.model()[1]).max() < 1e-9
    downs = [frames(one, "leftFoot.down") for one in (slow, plain)]
    assert np.abs(np.array(downs[0]) - 2 * np.array(downs[1])).max() <= 1


@pytest.mark.parametrize("against", ["pose", "clip"])
def test_an_additive_clip_added_back_is_the_clip(against):
    text = (
        f"{REST}{clip('walk', 'stroll', 4, 8, STRIDE)}"
        f'[[variant]]\nof = "walk"\nadditive_to = "rest"\nagainst = "{against}"'
    )
    clips = make(text, "stroll", "rest")
    walk, extra, rest = clips["walk"], clips["walk_additive"], clips["rest"]
    assert extra.additive
    assert extra.loop
    assert (extra.root_motion_mode, extra.root_motion.path_m) == ("in_place", 0.0)
    assert extra.contacts.planted.sum() == 0
    assert extra.strides is None
    spread = np.linspace(0, len(rest.motion) - 1 if against == "clip" else 0, len(walk.motion))
    whole = added(rest.motion.sampled(spread, RATE), extra.motion)
    still = make(clip("walk", "stroll", 4, 8, STRIDE + 'root_motion = "in_place"'), "stroll")["walk"]
    joints = slice(1, None)  # the root joint is not there where none travels
    assert np.abs(whole.model()[1][:, joints] - still.motion.model()[1]).max() < 1e-6
