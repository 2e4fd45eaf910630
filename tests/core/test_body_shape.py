"""The surface of a character as capsules, beside meshes of known surface and people's measures."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest

import open_data
from fit_bodies import BROAD, TOON, Build, body
from skinned_bodies import Girth, skinned
from takemill.base.errors import InputError
from takemill.maths.capsule_distance import capsule_distances
from takemill.shape import body_shape_people
from takemill.shape.body_shape import body_shape
from takemill.shape.skin import Skin

BUILDS = [
    Build(),
    Build(arms_down_deg=50, roll_seed=3, facing_deg=70, trunk=("spine", "chest", "upperChest")),
    replace(BROAD, toes_out_deg=0.0),
]


def inside_mm(points, a, b, radius):
    """How deep points (N, 3) lie in the nearest of capsules, mm; negative outside."""
    away, _, _ = capsule_distances(points[:, None], points[:, None], np.zeros(1), a[None], b[None], radius)
    return -1000 * away.min(axis=1)


@pytest.mark.parametrize("build", BUILDS)
def test_capsules_lie_within_12_mm_of_the_mesh(build):
    """Points of the mesh: none far inside the capsules of its own part, and none far outside."""
    skeleton, parts, skin = skinned(build)
    shape = body_shape(skeleton, parts, skin)
    a, b = shape.placed(*skeleton.rest_model)
    joints = np.array([skeleton.names[j] for j in skin.joints[:, 0]])
    trunk = np.isin(joints, ["hips", "spine", "chest", "upperChest"])
    for names, mine in [
        (("hips", "spine", "chest", "upperChest"), trunk),
        *(
            ((name,), joints == name)
            for name in ("leftUpperArm", "leftLowerArm", "rightUpperLeg", "leftHand")
        ),
    ]:
        chosen = shape.of(*names)
        places = skin.points[mine]
        poles = np.abs(places[:, None] - places.mean(axis=0)).max(axis=(1, 2))
        sides = places[poles < np.sort(poles)[int(0.8 * len(poles))]]  # the caps of a tube are flat
        deep = inside_mm(sides, a[chosen], b[chosen], shape.radius[chosen])
        assert deep.min() > -12.0, names
        assert deep.max() < 12.0, names


def test_vertices_alone_show_the_shape_nearly_as_well():
    skeleton, parts, skin = skinned(faces=False)
    bare, full = (body_shape(skeleton, parts, one) for one in (skin, skinned()[2]))
    girths = [np.median(shape.radius[shape.of("spine", "chest")]) for shape in (bare, full)]
    np.testing.assert_allclose(girths[0], girths[1], atol=0.01)


def test_a_part_without_mesh_has_people_s_measures():
    skeleton, parts, skin = skinned()
    hand = parts.require("leftHand")
    kept = skin.joints[:, 0] != hand
    shape = body_shape(skeleton, parts, Skin(skin.points[kept], skin.joints[kept], skin.weights[kept]))
    known = dict(zip(shape.parts, shape.from_mesh, strict=True))
    assert [known[part] for part in ("leftHand", "rightHand", "leftLowerArm")] == [False, True, True]


def test_what_hangs_on_a_tail_or_a_prop_is_no_part_of_the_trunk():
    build = Build(tail=2)
    skeleton, parts, skin = skinned(build)
    joints = skin.joints.copy()
    behind = skin.points + np.array([0.0, 0.4, 0.0])
    joints[:, 0] = parts.require("tail.0")
    both = Skin(
        np.concatenate([skin.points, behind]),
        np.concatenate([skin.joints, joints]),
        np.concatenate([skin.weights, skin.weights]),
    )
    plain, with_tail = (
        body_shape(skeleton, parts, one) for one in (Skin(skin.points, skin.joints, skin.weights), both)
    )
    np.testing.assert_allclose(with_tail.radius, plain.radius, atol=1e-12)


@pytest.mark.parametrize("build", [Build(), TOON, BROAD])
def test_a_skeleton_without_mesh_has_a_body_of_its_own_proportions(build):
    skeleton, parts = body(build)
    shape = body_shape(skeleton, parts)
    assert not any(shape.from_mesh)
    again = body_shape(*body(replace(build, roll_seed=11)))
    for end, other in zip(
        shape.placed(*skeleton.rest_model), again.placed(*body(replace(build, roll_seed=11))[0].rest_model),
        strict=True,
    ):  # fmt: skip
        np.testing.assert_allclose(end, other, atol=1e-9)


def test_shares_of_people_are_those_of_the_survey():
    """ANSUR II (Gordon et al. 2014), means of 6,068 people."""
    mean = {name: float(values.mean()) for name, values in open_data.body_measures().items()}
    round_ = 2 * np.pi
    lengths = {
        "UpperArm": mean["acromionradialelength"],
        "LowerArm": mean["radialestylionlength"],
        "UpperLeg": mean["trochanterionheight"] - mean["tibialheight"],
        "LowerLeg": mean["tibialheight"] - mean["lateralmalleolusheight"],
    }
    girths = {
        "UpperArm": ("bicepscircumferenceflexed", "bicepscircumferenceflexed"),
        "LowerArm": ("forearmcircumferenceflexed", "wristcircumference"),
        "UpperLeg": ("thighcircumference", "lowerthighcircumference"),
        "LowerLeg": ("calfcircumference", "anklecircumference"),
    }
    for part, both in girths.items():
        measured = [mean[name] / round_ / lengths[part] for name in both]
        np.testing.assert_allclose(body_shape_people.LIMB_RADII[part], measured, atol=0.001)
    back = mean["cervicaleheight"] - mean["trochanterionheight"]
    depths = [mean[name] / 2 / back for name in ("buttockdepth", "waistdepth", "chestdepth")]
    np.testing.assert_allclose(body_shape_people.TRUNK_DEPTHS, depths, atol=0.001)
    np.testing.assert_allclose(
        [body_shape_people.HEAD, body_shape_people.NECK],
        [mean[name] / round_ / back for name in ("headcircumference", "neckcircumference")],
        atol=0.001,
    )
    breadth, girth = mean["handbreadth"], mean["handcircumference"]
    thick = (girth - 2 * breadth) / (np.pi - 2)  # of a flat oval
    hand = [mean["handlength"], breadth / 2, thick / 2] / np.array(lengths["LowerArm"])
    np.testing.assert_allclose(body_shape_people.HAND, hand, atol=0.001)
    leg = lengths["UpperLeg"] + lengths["LowerLeg"]
    foot = [mean["footlength"] / leg, mean["footbreadthhorizontal"] / 2 / leg]
    np.testing.assert_allclose(body_shape_people.FOOT, foot, atol=0.001)
    chest = mean["chestbreadth"] / 2 / mean["biacromialbreadth"]
    np.testing.assert_allclose(body_shape_people.CHEST_BREADTH, chest, atol=0.001)


def test_distances_between_capsules_are_those_of_a_dense_search():
    rng = np.random.default_rng(3)
    a, b, c, d = rng.normal(size=(4, 200, 3))
    b[:5], d[5:10] = a[:5], c[5:10]  # points
    d[10:20] = c[10:20] + (b - a)[10:20]  # parallel
    steps = np.linspace(0, 1, 201)[:, None, None]
    one, other = a + steps * (b - a), c + steps * (d - c)
    dense = np.linalg.norm(one[:, None] - other[None], axis=-1).min(axis=(0, 1))
    radius = rng.uniform(0, 0.3, (2, 200))
    away, here, there = capsule_distances(a, b, radius[0], c, d, radius[1])
    np.testing.assert_allclose(away + radius.sum(axis=0), dense, atol=0.02)
    assert (away + radius.sum(axis=0) <= dense + 1e-9).all()
    np.testing.assert_allclose(np.linalg.norm(here - there, axis=-1), away + radius.sum(axis=0), atol=1e-12)


def test_a_skin_of_another_skeleton_is_refused():
    skeleton, parts, skin = skinned()
    wrong = Skin(skin.points, skin.joints + 100, skin.weights)
    with pytest.raises(InputError, match=r"the skin hangs on joint 1\d\d of"):
        body_shape(skeleton, parts, wrong)
    with pytest.raises(InputError, match="an index is out of range"):
        Skin(skin.points, skin.joints, skin.weights, np.array([[0, 1, 10**6]]))


def test_flat_hands_keep_flat():
    girth = Girth(hand_wide=0.05, hand_thick=0.012)
    skeleton, parts, skin = skinned(Build(), girth)
    shape = body_shape(skeleton, parts, skin)
    np.testing.assert_allclose(shape.radius[shape.of("leftHand")], 0.012, atol=0.003)
    assert len(shape.of("leftHand")) >= 3


def test_no_capsule_stands_out_over_the_crown_or_over_the_brim_of_a_hat():
    """The head's capsules end where its mesh does, 1 cm away at most; a brim is as thick as two slices."""
    skeleton, parts, skin = skinned(Build())
    head = skin.joints[:, 0] == parts.require("head")
    top, size = skin.points[head, 2].max(), np.ptp(skin.points[head, 2])
    turns = 2 * np.pi * np.arange(24) / 24
    ring = np.stack([np.cos(turns), np.sin(turns), 0 * turns], axis=-1)
    middle = skin.points[head].mean(axis=0) * [1, 1, 0] + [0, 0, top - 0.5 * size]
    brim = np.concatenate(
        [middle + reach * ring + [0, 0, high] for reach in (0.1, 0.17, 0.25) for high in (0, 0.01)]
    )
    joints = np.zeros((len(brim), 4), int)
    joints[:, 0] = parts.require("head")
    hat = Skin(
        np.concatenate([skin.points, brim]),
        np.concatenate([skin.joints, joints]),
        np.concatenate([skin.weights, np.tile([1.0, 0, 0, 0], (len(brim), 1))]),
        skin.triangles,
    )
    for one, reach in ((skin, 0.09), (hat, 0.25)):
        shape = body_shape(skeleton, parts, one)
        mine = shape.of("head")
        a, b = (end[mine] for end in shape.placed(*skeleton.rest_model))
        crown = max(float((end[:, 2] + shape.radius[mine]).max()) for end in (a, b))
        assert abs(crown - top) < 0.01
        # Beside the brim, and 10 cm over and under it, nothing is.
        for high in (-0.1, 0.1):
            beside = middle + np.array([reach + 0.03, 0, high])
            assert inside_mm(beside[None], a, b, shape.radius[mine])[0] < 0
        edge = middle + np.array([reach - 0.01, 0, 0.005])
        assert inside_mm(edge[None], a, b, shape.radius[mine])[0] > -12


def test_a_triangle_too_large_for_points_keeps_its_corners_and_takes_no_memory():
    """Found on cloth with triangles from every bone to one far point: their points took all memory."""
    points = np.array([[0, 0, 0], [0.1, 0, 0], [0, 0.1, 0], [10.0, 0, 0], [10, 10, 0], [0, 0, 10]])
    skin = Skin(points, np.zeros((6, 4), int), np.full((6, 4), 0.25), np.array([[0, 1, 2], [3, 4, 5]]))
    tracemalloc.start()
    filled, *_ = skin.filled(0.01)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    near = filled[np.linalg.norm(filled, axis=1) < 1]
    assert len(near) > 100, "the small triangle is not filled"
    np.testing.assert_array_equal(filled[np.linalg.norm(filled, axis=1) > 1], points[3:])
    assert peak < 10e6
