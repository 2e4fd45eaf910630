"""Bodies that lack parts, takes that begin as they may, and files that hold no body or two."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

import forms
import open_data
import synthetic
from form_results import seen
from takemill.base.errors import BodyMapError, TakemillError
from takemill.body.body_map import find_body_map
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.files.bvh import parse_bvh, read_bvh
from takemill.maths import quat
from takemill.pipeline.prepare_take import body_of
from takemill.recipe.recipe import Recipe
from truth_bodies import trunk_of


@cache
def performer() -> tuple[forms.Plain, dict[str, int]]:
    """The first file of bvhtoolbox, whose body has fingers, toes and collar bones; every third frame."""
    motion = read_bvh(open_data.bvh_files()[0])[0]
    motion = motion.sampled(np.arange(0, len(motion), 3, dtype=float), motion.rate / 3)
    return forms.plain(motion), dict(find_body_map(motion.skeleton).joints)


LACKS = {
    "head": ("head",),
    "head and neck": ("neck",),
    "hands": ("leftHand", "rightHand"),
    "toes": ("leftToes", "rightToes"),
    "fingers": tuple(
        f"{side}{finger}"
        for side in ("left", "right")
        for finger in ("ThumbMetacarpal", "IndexProximal", "MiddleProximal", "RingProximal", "LittleProximal")
    ),
    "arms": ("leftShoulder", "rightShoulder"),
}
MAIN = ("hips", "spine", *(s + p for s in ("left", "right") for p in ("UpperLeg", "LowerLeg", "Foot")))
ARMS = tuple(s + p for s in ("left", "right") for p in ("UpperArm", "LowerArm"))


@pytest.mark.parametrize("first", [True, False])
def test_of_two_pairs_that_hang_like_arms_the_longer_one_is_the_arms(first):
    """Ribbons of three joints, shorter than an arm, at a nameless chest, before or after the arms."""
    body, parts = synthetic.skeleton(), synthetic.parts()
    chest = body.index("chest")
    ribbons = [
        (f"{side}{k}", (sign * 0.12, 0.0, 0.02) if k else (sign * 0.06, 0.06, 0.1), k)
        for side, sign in (("l", 1), ("r", -1))
        for k in range(3)
    ]
    at = chest + 1 if first else len(body)
    moved = [j if j < at else j + len(ribbons) for j in range(len(body))]
    added = [at + n - 1 if k else moved[chest] for n, (_, _, k) in enumerate(ribbons)]
    names = [*body.names[:at], *(name for name, _, _ in ribbons), *body.names[at:]]
    above = [moved[parent] if parent >= 0 else -1 for parent in body.parents]
    parents = [*above[:at], *added, *above[at:]]
    ways = np.concatenate(
        [body.rest_translation[:at], [way for _, way, _ in ribbons], body.rest_translation[at:]]
    )
    tips = tuple(moved[joint] for joint in body.tip_joints)
    silent = Skeleton(
        tuple(f"j{k}" for k in range(len(names))),
        tuple(parents),
        ways,
        np.tile(quat.IDENTITY, (len(names), 1)),
        tips,
        body.tip_offsets,
    )
    found = find_body_map(silent)
    for part in ("leftUpperArm", "leftLowerArm", "rightUpperArm", "rightHand", "leftFoot"):
        assert names[found.require(part)] == parts[part]


@pytest.mark.parametrize("lacks", list(LACKS))
@pytest.mark.parametrize("style", ["its own", "nameless"])
@pytest.mark.parametrize("pose", ["as it is", "random turns"])
def test_a_body_that_lacks_parts_is_found_whole_otherwise(lacks, style, pose):
    plain, parts = performer()
    form = forms.resting(plain, forms.POSES[pose](plain, parts))
    form = forms.without(form, {parts[part] for part in LACKS[lacks] if part in parts})
    form = form if style == "its own" else forms.renamed(form, style)
    got = seen(form)
    found = got.parts()
    wanted = MAIN if lacks == "arms" else (*MAIN, *ARMS)
    assert {part: found.get(part) for part in wanted} == {part: parts[part] for part in wanted}
    # A lone joint above the arms takes the part of the head, which VRM 1.0 requires.
    assert not [part for part in found if part in LACKS[lacks] and (lacks, part) != ("head", "head")]
    assert got.intake.problems == ()
    assert got.intake.up == "Y"
    assert got.intake.unit_m == 0.01


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 6])
@pytest.mark.parametrize("pose", ["as it is", "along +X"])
def test_any_number_of_spine_joints(count, pose):
    """A made-up body walks on the spot in a file whose names say nothing."""
    skeleton = trunk_of(count, 2)
    frames = 90
    swing = 0.5 * np.sin(np.arange(frames) / 7)
    rotations = np.tile(quat.IDENTITY, (frames, len(skeleton), 1))
    for side, sign in (("a", 1.0), ("b", -1.0)):
        for limb, factor in (("leg0", 1.0), ("arm0", -0.5)):
            joint = skeleton.index(side + limb)
            rotations[:, joint] = quat.from_axis_angle(np.array([1.0, 0, 0]), sign * factor * swing)
    root = np.tile(skeleton.rest_translation[0], (frames, 1))
    plain = forms.plain(Motion(skeleton, 30.0, rotations, root))
    parts = dict(find_body_map(skeleton).joints)
    form = forms.renamed(forms.resting(plain, forms.POSES[pose](plain, parts)), "nameless")
    assert seen(form).parts() == parts


BEGINNINGS = {
    "crouched": ("jump", 20),  # the lowest moment before it leaves the floor
    "lying": ("getup_facedown", 0),
    "mid-run": ("run", 9),
}


@pytest.mark.parametrize("begins", list(BEGINNINGS))
@pytest.mark.parametrize("pose", ["random turns", "lying on the side"])
def test_a_take_may_begin_in_any_way(begins, pose):
    """The rest pose says nothing, and the first half second is no upright moment; a walk follows."""
    name, start = BEGINNINGS[begins]
    before, _ = open_data.humanoid3d(name)
    walk = open_data.repeated(open_data.humanoid3d("walk")[0], 3)
    before = before.resampled(walk.rate).slice(start, min(start + 15, len(before.resampled(walk.rate))))
    motion = Motion(
        walk.skeleton,
        walk.rate,
        np.concatenate([before.rotations, walk.rotations]),
        np.concatenate([before.root_translation, walk.root_translation]),
    )
    plain, parts = forms.plain(motion), dict(find_body_map(walk.skeleton).joints)
    got = seen(forms.renamed(forms.resting(plain, forms.POSES[pose](plain, parts)), "nameless"))
    assert got.parts() == parts
    assert got.intake.up == "Y"
    assert got.intake.problems == ()


# Files that hold no body, or two ------------------------------------------------------------------


def test_two_bodies_in_one_file_are_told():
    plain, _ = performer()
    with pytest.raises(TakemillError, match="two bodies"):
        body_of(parse_bvh(forms.bvh_text(forms.beside(plain, np.array([2.0, 0, 0]))))[0].skeleton, Recipe())


def test_a_chain_is_no_body():
    names = "".join(
        f"{'JOINT' if k else 'ROOT'} j{k}\n{{\nOFFSET 0 10 0\nCHANNELS 1 Xrotation\n" for k in range(9)
    )
    text = f"HIERARCHY\n{names}End Site\n{{\nOFFSET 0 1 0\n}}\n{'}' * 1}\n" + "}\n" * 8
    text += "MOTION\nFrames: 1\nFrame Time: 0.1\n" + "0 " * 9 + "\n"
    with pytest.raises(BodyMapError, match=r"no hips with two legs.*name the parts"):
        body_of(parse_bvh(text)[0].skeleton, Recipe())
