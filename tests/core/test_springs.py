"""Chains that cannot swing are refused by name, presets mean what they say, and chains are found."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fit_bodies import Build, body
from takemill.base.errors import InputError
from takemill.body.body_map import find_body_map
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.feet.flights import GRAVITY_M_S2
from takemill.maths import quat
from takemill.pipeline.character_springs import springs_of
from takemill.recipe.recipe import parse_recipe
from takemill.springs.springs import (
    STEP_S,
    SpringChain,
    SpringCollider,
    SpringJoint,
    Springs,
    chain_along,
    expect_springs,
)
from takemill.springs.springs_found import find_chains
from takemill.springs.springs_presets import PRESETS, with_preset
from takemill.springs.swing import swing

SKELETON, PARTS = body(Build(tail=4, roll_seed=3))
TAIL = PARTS.chain("tail")
CHAIN = chain_along("tail", SKELETON, TAIL)
BALL = SpringCollider("ball", PARTS.require("hips"), np.zeros(3), 0.1)


def with_joint(place: int, **changes: object) -> SpringChain:
    joints = list(CHAIN.joints)
    joints[place] = replace(joints[place], **changes)
    return replace(CHAIN, joints=tuple(joints))


def part_of(chain: SpringChain, name: str, first: int, stop: int) -> SpringChain:
    return replace(chain, name=name, joints=chain.joints[first:stop])


HIPS = SpringJoint(PARTS.require("hips"), np.array([0.0, 0.1, 0.0]))
ARM = SpringJoint(PARTS.require("leftUpperArm"), np.array([0.0, 0.1, 0.0]))


@pytest.mark.parametrize(
    ("springs", "message"),
    [
        (
            Springs((with_joint(1, stiffness=1e6),)),
            "joint 'tail.1': stiffness 1e+06 holds its bone of 10.8 cm still",
        ),
        (Springs((with_joint(1, gravity=1e6),)), "joint 'tail.1': gravity 1e+06 holds its bone"),
        (Springs((with_joint(1, stiffness=-1.0),)), "stiffness -1; expected a number from 0 on"),
        (Springs((with_joint(1, stiffness=np.nan),)), "stiffness nan; expected a number from 0 on"),
        (Springs((with_joint(2, drag=1.5),)), "'tail.2': drag 1.5; expected 0 to 1"),
        (Springs((with_joint(2, radius=-0.1),)), "radius -0.1; expected 0 or more"),
        (Springs((with_joint(0, gravity_dir=np.zeros(3)),)), "gravity_dir has no direction"),
        (
            Springs((with_joint(3, end=np.zeros(3)),)),
            "'tail.3': its bone is 0 mm long; end the chain above it",
        ),
        (Springs((part_of(CHAIN, "none", 0, 0),)), "chain 'none': it has no joint"),
        (
            Springs((CHAIN, part_of(CHAIN, "tip", 2, 4))),
            "chain 'tip': joint 'tail.2' is in chain 'tail' too; a joint swings once",
        ),
        (
            Springs((replace(CHAIN, joints=(CHAIN.joints[0], CHAIN.joints[0])),)),
            "joint 'tail.0' is twice in it",
        ),
        (
            Springs((replace(CHAIN, joints=(CHAIN.joints[2], CHAIN.joints[1])),)),
            "joint 'tail.1' does not hang below 'tail.2'; a branch is a chain of its own",
        ),
        (Springs((replace(CHAIN, joints=(HIPS,)),)), "joint 'hips' carries the body; begin below it"),
        (Springs((replace(CHAIN, joints=(ARM,)),)), "is mapped to leftUpperArm, which the take moves"),
        (Springs((replace(CHAIN, center=TAIL[2]),)), "its center 'tail.2' does not carry it"),
        (Springs((replace(CHAIN, colliders=("wall",)),)), "there is no collider 'wall'; there are: none"),
        (Springs((), (replace(BALL, radius=0.0),)), "collider 'ball': its radius is 0, so it pushes nothing"),
        (Springs((), (replace(BALL, joint=99),)), "collider 'ball': it names joint 99 of"),
        (
            Springs((replace(CHAIN, colliders=("ball",)),), (replace(BALL, joint=TAIL[1]),)),
            "collider 'ball' is carried by the chain itself",
        ),
        (
            Springs(
                (part_of(CHAIN, "base", 0, 2), replace(part_of(CHAIN, "tip", 2, 4), colliders=("ball",))),
                (replace(BALL, joint=TAIL[1]),),
            ),
            "chain 'tip': collider 'ball' is carried by another chain",
        ),
    ],
)
def test_what_cannot_swing_is_refused(springs, message):
    with pytest.raises(InputError) as problem:
        expect_springs(springs, SKELETON, PARTS)
    assert message in str(problem.value)


def test_the_stiffest_springs_that_are_taken_hold_still_and_no_more():
    """At the limit a bone follows within a hundredth of a radian; nothing explodes."""
    most = 100 * CHAIN.joints[0].length_m / STEP_S
    stiff = Springs((with_joint(0, stiffness=0.999 * most, drag=0.0),))
    turns = np.tile(SKELETON.rest_rotation, (60, 1, 1))
    swings = quat.from_axis_angle(np.array([0.0, 0.0, 1.0]), np.sin(np.arange(60) / 3))
    turns[:, 0] = quat.mul(swings, turns[:, 0])
    motion = Motion(SKELETON, 30.0, turns, np.tile(SKELETON.rest_translation[0], (60, 1)))
    (swung,) = swing([motion], [False], stiff)
    away = quat.angle_between(swung.rotations[:, 0], SKELETON.rest_rotation[TAIL[0]])
    assert away.max() < 0.01


@pytest.mark.parametrize("name", ["tail", "ears", "hair"])
def test_a_bone_swings_as_often_and_dies_away_as_its_preset_says(name):
    """By the two poles of a small swing that is left alone, found as a linear recursion (numpy's lstsq)."""
    chain = with_preset(part_of(CHAIN, "one", 0, 1), name)
    alone = replace(chain, joints=(replace(chain.joints[0], gravity=0.0),))
    path = np.tile(SKELETON.rest_translation[0], (120, 1))
    path[30:, 2] += 0.001  # a kick to the hips, and then nothing
    motion = Motion(SKELETON, 60.0, np.tile(SKELETON.rest_rotation, (120, 1, 1)), path)
    (swung,) = swing([motion], [False], Springs((alone,)))
    swings = quat.log(quat.mul(quat.inv(SKELETON.rest_rotation[TAIL[0]]), swung.rotations[:, 0]))[31:]
    along = swings @ np.linalg.svd(swings)[2][0]
    found = np.linalg.lstsq(np.stack([along[1:-1], along[:-2]], axis=1), along[2:], rcond=None)[0]
    pole = 60 * np.log(np.roots([1, *-found]).astype(complex)[0])
    assert abs(pole) / (2 * np.pi) == pytest.approx(PRESETS[name].swing_hz, rel=0.01)
    assert -pole.real / abs(pole) == pytest.approx(PRESETS[name].damping, abs=0.01)


def test_a_strap_falls_as_all_bodies_do():
    """Its gravity is the earth's: 0.1635 metres a second in each step of a sixtieth."""
    one = with_preset(CHAIN, "strap").joints[0]
    assert one.gravity == pytest.approx(GRAVITY_M_S2 / 60)


def test_an_unknown_preset_is_refused():
    with pytest.raises(InputError, match="no preset 'wing'; there are: tail, ears, hair, strap"):
        with_preset(CHAIN, "wing")


def dressed() -> Skeleton:
    """The body with two ears of two joints, a braid that branches, and a strap of one joint, without ends."""
    more = {
        "ear_L1": "head", "ear_L2": "ear_L1", "ear_R1": "head", "ear_R2": "ear_R1",
        "braid": "head", "braid_a": "braid", "braid_a2": "braid_a", "braid_b": "braid", "braid_b2": "braid_b",
        "strap": "chest",
    }  # fmt: skip
    names = (*SKELETON.names, *more)
    parents = [names.index(parent) for parent in more.values()]
    steps = np.tile([0.0, 0.05, 0.05], (len(more), 1))
    return Skeleton(
        names,
        (*SKELETON.parents, *parents),
        np.concatenate([SKELETON.rest_translation, steps]),
        np.concatenate([SKELETON.rest_rotation, np.tile(quat.IDENTITY, (len(more), 1))]),
        SKELETON.tip_joints,
        SKELETON.tip_offsets,
    )


def test_chains_are_found_by_the_body_map_and_by_names():
    skeleton = dressed()
    found = {chain.name: chain for chain in find_chains(skeleton, find_body_map(skeleton))}
    names = {name: [skeleton.names[one.joint] for one in chain.joints] for name, chain in found.items()}
    assert names == {
        "tail": ["tail.0", "tail.1", "tail.2", "tail.3"],
        "ear_L1": ["ear_L1"],
        "ear_R1": ["ear_R1"],
        "braid_a": ["braid_a"],
        "braid_b": ["braid_b"],
    }
    one = found["ear_L1"].joints[0]
    assert one.stiffness == with_preset(found["ear_L1"], "ears").joints[0].stiffness
    expect_springs(Springs(tuple(found.values())), skeleton, find_body_map(skeleton))


RECIPE = """
[springs]
find = true
[springs.chains.tail]
stiffness = 0.5
colliders = ["ball"]
center = "hips"
[springs.chains.ear_R1]
swings = false
[springs.chains.braid]
from = "braid"
to = "braid_a2"
preset = "hair"
gravity_dir = [0.0, 1.0, 0.0]
[springs.chains.braid_a]
swings = false
[springs.colliders.ball]
joint = "hips"
radius = 0.1
"""


def test_a_recipe_adds_changes_and_takes_out():
    skeleton = dressed()
    spec = parse_recipe(RECIPE).springs
    springs = springs_of(spec, skeleton, find_body_map(skeleton))
    found = {chain.name: chain for chain in springs.chains}
    assert sorted(found) == ["braid", "braid_b", "ear_L1", "tail"]
    assert {one.stiffness for one in found["tail"].joints} == {0.5}
    assert found["tail"].joints[0].drag == with_preset(CHAIN, "tail").joints[0].drag
    assert found["tail"].center == PARTS.require("hips")
    assert found["tail"].colliders == ("ball",)
    assert [skeleton.names[one.joint] for one in found["braid"].joints] == ["braid", "braid_a"]
    np.testing.assert_array_equal(found["braid"].joints[0].gravity_dir, [0, 1, 0])
    assert springs.colliders[0].radius == 0.1


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[springs.chains.tail]\nfrom = "tale.0"', "chain 'tail': there is no joint 'tale.0'; it has: hips"),
        ('[springs.chains.wing]\npreset = "tail"', "chain 'wing': none of this name was found; say where"),
        (
            '[springs.chains.b]\nfrom = "braid"',
            "it branches below 'braid' into 'braid_a' and 'braid_b'; say where",
        ),
        (
            '[springs.chains.b]\nfrom = "braid_a"\nto = "braid_b"',
            "'braid_b' does not hang below 'braid_a'; a branch",
        ),
        ('[springs.chains.s]\nfrom = "strap"', "chain 's': a single joint without an end cannot swing"),
        ('[springs.chains.tail]\ncenter = "knee"', "chain 'tail': there is no joint 'knee'"),
        (
            '[springs]\nfind = true\n[springs.colliders.b]\njoint = "hips"',
            "its radius is 0, so it pushes nothing",
        ),
    ],
)
def test_a_recipe_that_names_what_is_not_there_is_refused(text, message):
    skeleton = dressed()
    with pytest.raises(InputError) as problem:
        springs_of(parse_recipe(text).springs, skeleton, find_body_map(skeleton))
    assert message in str(problem.value)


@pytest.mark.parametrize(
    ("collider", "words"),
    [
        (replace(BALL, radius=0.0), "its radius is 0, so it pushes nothing"),
        (replace(BALL, radius=np.inf), "its radius is inf"),
        (replace(BALL, normal=np.zeros(3)), "its normal has no direction"),
        (replace(BALL, normal=np.ones(3), inside=True), "a plane has neither a tail nor an inside"),
    ],
)
def test_colliders_without_a_size_or_a_side_are_refused(collider, words):
    with pytest.raises(InputError, match=words):
        expect_springs(Springs((), (collider,)), SKELETON, PARTS)
