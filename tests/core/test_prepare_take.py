"""A take repaired and judged, each once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import small_takes
import synthetic
from day_take import day
from takemill.base.errors import BodyMapError, InputError
from takemill.body.body_map import BodyMap
from takemill.body.skeleton import Skeleton
from takemill.health.check import check
from takemill.maths import quat
from takemill.pipeline.prepare_take import PreparedTake, body_of, digest_of, expect_one_skeleton, prepare_take
from takemill.recipe.recipe import Recipe


@pytest.fixture(scope="module")
def take() -> PreparedTake:
    return day()


def test_a_prepared_take_keeps_the_raw_one(take):
    motion = small_takes.stand_and_walk()
    assert take.raw is motion
    assert take.motion.skeleton is motion.skeleton
    assert (len(take.motion), take.motion.rate) == (len(motion), motion.rate)
    assert take.health.measures["jitter_deg"] < check(motion, take.body).measures["jitter_deg"]
    assert len(take.contacts.heel) == len(motion)
    assert len(take.digest) == 64
    assert prepare_take("x", motion, take.body, Recipe(), digest="abc").digest == "abc"


def test_progress_goes_forward(take):
    seen: list[tuple[str, float]] = []
    prepare_take("x", take.raw, take.body, Recipe(), lambda text, part: seen.append((text, part)))
    assert [text for text, _ in seen] == ["x: repairing", "x: checking"]
    assert 0 <= seen[0][1] < seen[1][1] < 1


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
        expect_one_skeleton({"a": motion, "b": replace(motion, skeleton=other)})
    expect_one_skeleton({"a": motion, "b": motion})


def test_the_digest_is_that_of_the_motion():
    motion = small_takes.stand_and_walk()
    turned = motion.with_rotations(quat.mul(quat.from_yaw(1e-9), motion.rotations))
    assert digest_of(motion) == digest_of(small_takes.stand_and_walk.__wrapped__())
    assert digest_of(motion) != digest_of(turned)
    assert digest_of(motion) != digest_of(replace(motion, rate=61.0))
