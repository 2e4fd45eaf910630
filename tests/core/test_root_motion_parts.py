"""Each part of the root motion goes where it is told, on bodies with and without a root joint."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

import synthetic
from takemill.base.errors import InputError
from takemill.body import body_map
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.clip.root_motion import (
    RootMotion,
    RootMotionSettings,
    add_root_joint,
    find_root_motion,
    move_to_origin,
)
from takemill.clip.root_motion_parts import (
    WORDS,
    RootMotionParts,
    remove_remaining,
    restore_points,
    restore_root_motion,
    split_root_motion,
)
from takemill.maths import quat

EVERY = [RootMotionParts(*words) for words in product(WORDS, repeat=3)]


def walked(rooted: bool) -> tuple[Motion, BodyMap, RootMotion]:
    motion = synthetic.walk(rate=30.0, steps=6, turn_deg=130.0).motion
    body = find_body_map(motion.skeleton)
    if rooted:
        motion, body = add_root_joint(motion, body)
    settings = RootMotionSettings(height=True)
    motion, root_motion = move_to_origin(motion, find_root_motion(motion, body, settings))
    return motion, body, root_motion


@pytest.mark.parametrize("parts", EVERY, ids=str)
@pytest.mark.parametrize("rooted", [False, True])
def test_parts_go_where_they_are_told(parts: RootMotionParts, rooted: bool) -> None:
    motion, body, root_motion = walked(rooted)
    parted = split_root_motion(motion, body, root_motion, parts)
    names = list(parted.skeleton.names)
    hips, spine = (names.index(motion.skeleton.names[body.require(part)]) for part in ("hips", "spine"))
    turns, places = parted.model()
    # The hips keep in the world what is kept or on the root, part by part.
    planar, turn, height = (float(word != "remove") for word in (parts.planar, parts.turn, parts.height))
    assert np.abs(places[:, hips, :2] - planar * root_motion.position[:, :2]).max() < 1e-9
    first = motion.model()[1][0, body.require("hips"), 2]
    assert np.abs(places[:, hips, 2] - first - height * root_motion.position[:, 2]).max() < 1e-9
    away = quat.angle_between(
        turns[:, spine],
        quat.mul(
            quat.from_yaw((turn - 1) * root_motion.heading), motion.model()[0][:, body.require("spine")]
        ),
    )
    assert away.max() < 1e-9
    if parts.mode == "root":
        root = names.index("root")
        on = [float(word == "root") for word in (parts.planar, parts.planar, parts.height)]
        assert np.abs(places[:, root] - root_motion.position * on).max() < 1e-9
        heading = root_motion.heading * (parts.turn == "root")
        assert quat.angle_between(turns[:, root], quat.from_yaw(heading)).max() < 1e-9
    elif rooted and parts.mode == "in_place":
        assert np.abs(places[:, names.index("root")]).max() == 0
    assert (
        np.abs(restore_points(places[:, [hips, spine]], root_motion, parts) - world(motion, body)).max()
        < 1e-9
    )
    back = restore_root_motion(parted, root_motion, parts).model()[1]
    assert np.abs(back[:, [hips, spine]] - world(motion, body)).max() < 1e-9


def world(motion: Motion, body: BodyMap) -> np.ndarray:
    return motion.model()[1][:, [body.require("hips"), body.require("spine")]]


@pytest.mark.parametrize("parts", EVERY, ids=str)
def test_on_the_spot_nothing_of_it_is_left(parts: RootMotionParts) -> None:
    motion, body, root_motion = walked(True)
    still = remove_remaining(split_root_motion(motion, body, root_motion, parts), body, root_motion, parts)
    hips = still.model()[1][:, body.require("hips")]
    assert np.abs(hips - hips[:1] * [0.0, 0.0, 1.0]).max() < 1e-9
    assert np.abs(body_map.heading(still, body)).max() < 1e-9


def test_words_and_modes() -> None:
    assert RootMotionParts.of("root") == RootMotionParts()
    assert RootMotionParts.of("in_place") == RootMotionParts("remove", "remove", "keep")
    assert [RootMotionParts.of(mode).mode for mode in ("keep", "root", "in_place")] == [
        "keep", "root", "in_place"
    ]  # fmt: skip
    assert RootMotionParts("remove", "root").mode == "root"
    assert RootMotionParts("keep", "keep", "remove").mode == "in_place"
    with pytest.raises(InputError, match="root motion turn: expected one of keep, root, remove, got 'away'"):
        RootMotionParts(turn="away")
    with pytest.raises(InputError, match="root motion mode 'away'"):
        RootMotionParts.of("away")
