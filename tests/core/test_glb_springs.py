"""Chains and colliders of a VRM 1.0 file's extension, as the file has them.

Source: VRMC_springBone 1.0 and its JSON schema (VRM Consortium): field names, spaces and defaults.
"""

from __future__ import annotations

import numpy as np
import pytest

from fit_bodies import Build, body
from rigs import character
from takemill.base.errors import GlbError
from takemill.files.glb_rig import read_rig
from takemill.files.glb_springs import read_springs
from takemill.maths import quat
from vrm_springs import spring_of, with_springs

SKELETON, _ = body(Build(tail=4, roll_seed=3))


def read(glb):
    rig = read_rig(glb, "fox")
    return rig, read_springs(glb, rig, "fox.glb")


def test_a_file_s_chains_are_read_in_the_core_s_axes():
    rig, springs = read(with_springs(character(SKELETON)))
    (chain,) = springs.chains
    assert [rig.skeleton.names[one.joint] for one in chain.joints] == ["tail.0", "tail.1", "tail.2"]
    assert rig.skeleton.names[chain.center] == "hips"
    one = chain.joints[0]
    assert (one.stiffness, one.drag, one.gravity, one.radius) == (0.8, 0.3, 0.1, 0.02)
    np.testing.assert_allclose(one.gravity_dir, [0, -1, 0])  # +Z of a file is the front, -Y of the core
    below = rig.skeleton.names.index("tail.1")
    np.testing.assert_allclose(one.end, rig.skeleton.rest_translation[below], atol=1e-6)
    ball, capsule = springs.colliders
    np.testing.assert_allclose(ball.offset, [0.1, 0.2, 0.3])
    assert (ball.radius, ball.tail) == (0.15, None)
    np.testing.assert_allclose(capsule.tail, [0, 0, 0.4])
    assert chain.colliders == (ball.name, capsule.name)


def test_a_character_that_stands_twice_as_large_has_longer_bones():
    _, plain = read(with_springs(character(SKELETON)))
    _, twice = read(with_springs(character(SKELETON, scale=(2.0, 2.0, 2.0))))
    np.testing.assert_allclose(twice.chains[0].joints[0].end, 2 * plain.chains[0].joints[0].end, atol=1e-6)
    np.testing.assert_allclose(twice.colliders[0].offset, 2 * plain.colliders[0].offset, atol=1e-6)


def test_gravity_turns_with_a_character_that_stands_turned():
    """It is as it was where the character and its gravity are turned alike, 40 degrees about the vertical."""
    half, angle = np.radians(20), np.radians(40)
    glb = with_springs(
        character(SKELETON, rotation=(0.0, np.sin(half), 0.0, np.cos(half))),
        springs=lambda json: [
            {
                **spring_of(json),
                "joints": [
                    {**one, "gravityDir": [np.sin(angle), 0.0, np.cos(angle)]}
                    for one in spring_of(json)["joints"]
                ],
            }
        ],
    )
    _, springs = read(glb)
    np.testing.assert_allclose(springs.chains[0].joints[0].gravity_dir, [0, -1, 0], atol=1e-6)


def test_nodes_between_two_listed_joints_are_passed_over():
    glb = with_springs(
        character(SKELETON),
        springs=lambda json: [{**spring_of(json), "joints": spring_of(json)["joints"][::2]}],
    )
    rig, springs = read(glb)
    (one,) = springs.chains[0].joints
    model_q, model_p = rig.skeleton.rest_model
    first, third = (rig.skeleton.names.index(name) for name in ("tail.0", "tail.2"))
    np.testing.assert_allclose(
        one.end, quat.rotate(quat.inv(model_q[first]), model_p[third] - model_p[first]), atol=1e-6
    )


def test_a_file_without_the_extension_has_none():
    assert read(character(SKELETON))[1].chains == ()


def test_what_joints_do_not_say_has_the_schema_s_defaults():
    def bare(json):
        return [{"joints": [{"node": one["node"]} for one in spring_of(json)["joints"]]}]

    (chain,) = read(with_springs(character(SKELETON), springs=bare))[1].chains
    one = chain.joints[0]
    assert (one.stiffness, one.drag, one.gravity, one.radius) == (1.0, 0.5, 0.0, 0.0)
    np.testing.assert_array_equal(one.gravity_dir, [0, 0, -1])
    assert (chain.name, chain.center, chain.colliders) == ("spring 0", None, ())


def two_chains(json):
    return [spring_of(json), {**spring_of(json), "joints": spring_of(json)["joints"][2:]}]


def other_way(json):
    return [{**spring_of(json), "joints": spring_of(json)["joints"][::-1]}]


def mesh(json):
    skinned = next(k for k, node in enumerate(json["nodes"]) if "skin" in node)
    return [{"name": "hat", "joints": [{"node": skinned}, {"node": skinned}]}]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"specVersion": "0.0"}, "fox.glb: VRMC_springBone of version '0.0': only 1.0 can be read"),
        ({"springs": other_way}, "spring 'tail' goes on at a node that does not hang below 'tail.3'"),
        ({"springs": mesh}, "spring 'hat' moves node"),
        ({"springs": [{"joints": [{"node": 999}, {"node": 0}]}]}, "spring 'spring 0' names no node"),
        ({"colliders": [{"node": 2, "shape": {}}]}, "collider 0 is neither a sphere, a capsule nor a plane"),
        ({"colliderGroups": [{"colliders": [7]}]}, "'colliders' is not a list of indices below 2"),
        ({"springs": "tail"}, "'springs' is not a list of objects"),
    ],
)
def test_what_is_malformed_is_said(change, message):
    with pytest.raises(GlbError) as problem:
        read(with_springs(character(SKELETON), **change))
    assert message in str(problem.value)


def test_two_springs_of_one_name_are_told_apart():
    _, springs = read(with_springs(character(SKELETON), springs=two_chains))
    assert [chain.name for chain in springs.chains] == ["tail", "tail 1"]
