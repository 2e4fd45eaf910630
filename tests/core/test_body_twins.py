"""Wrists and ankles that are written twice, and parts that are given by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import synthetic
from takemill.body.body_map import find_body_map
from takemill.body.body_twins import settle_twins
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.maths import quat
from takemill.pipeline.prepare_take import body_of
from takemill.recipe.recipe import Recipe
from truth_bodies import REAL, attached


def with_twin(bends: str, nameless: bool = False) -> Motion:
    """A walk whose left hand hangs on a joint in the same place; one of both bends."""
    walk = synthetic.walk(steps=3).motion
    old = walk.skeleton
    hand = old.index("left_hand")
    place = [j if j <= hand else j + 1 for j in range(len(old))]
    parents = [place[p] if p >= 0 else -1 for p in old.parents]
    parents = [hand if p == hand else p for p in parents]
    parents.insert(hand + 1, hand)
    names = [*old.names[: hand + 1], "left_hand_twin", *old.names[hand + 1 :]]
    skeleton = Skeleton(
        tuple(f"j{k}" for k in range(len(names))) if nameless else tuple(names),
        tuple(parents),
        np.insert(old.rest_translation, hand + 1, 0.0, axis=0),
        np.insert(old.rest_rotation, hand + 1, quat.IDENTITY, axis=0),
        tuple(hand + 1 if j == hand else place[j] for j in old.tip_joints),
        old.tip_offsets,
    )
    frames = len(walk)
    swing = quat.from_axis_angle(np.array([0.0, 1, 0]), 0.5 * np.sin(np.arange(frames) / 9))
    still = np.broadcast_to(quat.IDENTITY, (frames, 4))
    rotations = np.insert(walk.rotations, hand + 1, swing if bends == "lower" else still, axis=1)
    rotations[:, hand] = swing if bends == "upper" else rotations[0, hand]
    return Motion(skeleton, walk.rate, rotations, walk.root_translation)


@pytest.mark.parametrize(("bends", "place"), [("upper", 0), ("lower", 1)])
@pytest.mark.parametrize("nameless", [False, True])
def test_the_twin_that_bends_is_the_wrist(bends, place, nameless):
    motion = with_twin(bends, nameless)
    hand = with_twin(bends).skeleton.index("left_hand")
    body = find_body_map(motion.skeleton)
    assert settle_twins(motion, body).joints["leftHand"] == hand + place
    kept = settle_twins(motion, body, kept=("leftHand",))
    assert kept.joints["leftHand"] == body.joints["leftHand"]


def test_a_wrist_counts_before_a_hand_a_little_below():
    """Elbow, wrist, hand (the palm's middle): the wrist bends. Ankle and foot likewise."""
    skeleton = REAL["bank"][0]()
    for side, x in (("Left", 1.0), ("Right", -1.0)):
        skeleton = attached(skeleton, f"{side}Hand", f"{side}Wrist", (0.0, 0.0, -0.08), (0.0, 0, -0.08))
        skeleton = attached(skeleton, f"{side}Foot", f"{side}Ankle", (0.0, -0.06, -0.05), (0.0, -0.1, 0))
        assert x
    names = find_body_map(skeleton).names(skeleton)
    for side in ("Left", "Right"):
        assert names[f"{side.lower()}Hand"] == f"{side}Wrist"
        assert names[f"{side.lower()}Foot"] == f"{side}Ankle"


@pytest.mark.parametrize("style", ["named", "nameless"])
def test_one_corrected_part_keeps_the_rest(style):
    skeleton = REAL["free"][0]()
    if style == "nameless":
        skeleton = replace(skeleton, names=tuple(f"j{k}" for k in range(len(skeleton))))
    found = find_body_map(skeleton)
    wanted = dict(found.joints)
    toes = wanted["leftToes"]
    body = body_of(skeleton, Recipe(body={"leftFoot": skeleton.names[wanted["leftFoot"]]}))
    assert dict(body.joints) == wanted
    body = body_of(skeleton, Recipe(body={"leftToes": ""}))
    assert dict(body.joints) == {part: j for part, j in wanted.items() if part != "leftToes"}
    body = body_of(skeleton, Recipe(body={"leftFoot": skeleton.names[toes]}))
    assert body.joints["leftFoot"] == toes
    assert body.joints["leftUpperLeg"] == wanted["leftUpperLeg"]
    assert len(set(body.joints.values())) == len(body.joints)
    others = {part: j for part, j in wanted.items() if not part.startswith("left")}
    assert {part: body.joints.get(part) for part in others} == others
