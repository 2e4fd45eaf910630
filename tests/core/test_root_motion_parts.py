"""Each part of the travel goes where it is told, on bodies with and without a root joint."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

import synthetic
from takemill.base.errors import InputError
from takemill.body import body_map
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.clip.root_motion import Travel, TravelSettings, at_origin, find_travel, with_root_joint
from takemill.clip.root_motion_parts import WORDS, TravelParts, in_world, on_the_spot, part_travel, put_back
from takemill.maths import quat

EVERY = [TravelParts(*words) for words in product(WORDS, repeat=3)]


def walked(rooted: bool) -> tuple[Motion, BodyMap, Travel]:
    motion = synthetic.walk(rate=30.0, steps=6, turn_deg=130.0).motion
    body = find_body_map(motion.skeleton)
    if rooted:
        motion, body = with_root_joint(motion, body)
    settings = TravelSettings(height=True)
    motion, travel = at_origin(motion, find_travel(motion, body, settings))
    return motion, body, travel


@pytest.mark.parametrize("parts", EVERY, ids=str)
@pytest.mark.parametrize("rooted", [False, True])
def test_parts_go_where_they_are_told(parts: TravelParts, rooted: bool) -> None:
    motion, body, travel = walked(rooted)
    parted = part_travel(motion, body, travel, parts)
    names = list(parted.skeleton.names)
    hips, spine = (names.index(motion.skeleton.names[body.require(part)]) for part in ("hips", "spine"))
    turns, places = parted.model()
    # The hips keep in the world what is kept or on the root, part by part.
    planar, turn, height = (float(word != "remove") for word in (parts.planar, parts.turn, parts.height))
    assert np.abs(places[:, hips, :2] - planar * travel.position[:, :2]).max() < 1e-9
    first = motion.model()[1][0, body.require("hips"), 2]
    assert np.abs(places[:, hips, 2] - first - height * travel.position[:, 2]).max() < 1e-9
    away = quat.angle_between(
        turns[:, spine],
        quat.mul(quat.from_yaw((turn - 1) * travel.heading), motion.model()[0][:, body.require("spine")]),
    )
    assert away.max() < 1e-9
    if parts.mode == "root":
        root = names.index("root")
        on = [float(word == "root") for word in (parts.planar, parts.planar, parts.height)]
        assert np.abs(places[:, root] - travel.position * on).max() < 1e-9
        heading = travel.heading * (parts.turn == "root")
        assert quat.angle_between(turns[:, root], quat.from_yaw(heading)).max() < 1e-9
    elif rooted and parts.mode == "in_place":
        assert np.abs(places[:, names.index("root")]).max() == 0
    assert np.abs(in_world(places[:, [hips, spine]], travel, parts) - world(motion, body)).max() < 1e-9
    back = put_back(parted, travel, parts).model()[1]
    assert np.abs(back[:, [hips, spine]] - world(motion, body)).max() < 1e-9


def world(motion: Motion, body: BodyMap) -> np.ndarray:
    return motion.model()[1][:, [body.require("hips"), body.require("spine")]]


@pytest.mark.parametrize("parts", EVERY, ids=str)
def test_on_the_spot_nothing_of_it_is_left(parts: TravelParts) -> None:
    motion, body, travel = walked(True)
    still = on_the_spot(part_travel(motion, body, travel, parts), body, travel, parts)
    hips = still.model()[1][:, body.require("hips")]
    assert np.abs(hips - hips[:1] * [0.0, 0.0, 1.0]).max() < 1e-9
    assert np.abs(body_map.heading(still, body)).max() < 1e-9


def test_words_and_modes() -> None:
    assert TravelParts.of("root") == TravelParts()
    assert TravelParts.of("in_place") == TravelParts("remove", "remove", "keep")
    assert [TravelParts.of(mode).mode for mode in ("keep", "root", "in_place")] == [
        "keep", "root", "in_place"
    ]  # fmt: skip
    assert TravelParts("remove", "root").mode == "root"
    assert TravelParts("keep", "keep", "remove").mode == "in_place"
    with pytest.raises(InputError, match="travel turn: expected one of keep, root, remove, got 'away'"):
        TravelParts(turn="away")
    with pytest.raises(InputError, match="travel mode 'away'"):
        TravelParts.of("away")
