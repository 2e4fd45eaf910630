"""Mirroring: exact twice, and what is left becomes right."""

from __future__ import annotations

import numpy as np
import pytest

import open_data
import synthetic
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.clip.events import Event, foot_events
from takemill.clip.mirror import mirror_contacts, mirror_events, mirror_motion, other_side, partners
from takemill.feet.contacts import find_contacts
from takemill.maths import quat


def take(name: str) -> tuple[Motion, BodyMap]:
    motion = (
        synthetic.walk(rate=60.0, steps=4, turn_deg=70.0).motion
        if name == "synthetic"
        else open_data.humanoid3d(name)[0]
    )
    return motion, find_body_map(motion.skeleton)


def rolled(motion: Motion, seed: int) -> Motion:
    """The same motion on a skeleton with other rest rotations (rolls), differing from side to side."""
    rng = np.random.default_rng(seed)
    old = motion.skeleton
    turn = quat.normalize(rng.normal(size=(len(old), 4)))
    parents = np.array(old.parents)
    above = np.where(parents[:, None] >= 0, turn[parents], quat.IDENTITY)
    new = Skeleton(
        old.names,
        old.parents,
        quat.rotate(quat.inv(above), old.rest_translation),
        quat.mul(quat.mul(quat.inv(above), old.rest_rotation), turn),
    )
    return Motion(
        new, motion.rate, quat.mul(quat.mul(quat.inv(above), motion.rotations), turn), motion.root_translation
    )


@pytest.mark.parametrize("name", ["synthetic", "walk", "spinkick", "getup_facedown"])
def test_twice_is_the_identity(name: str) -> None:
    motion, body = take(name)
    again = mirror_motion(mirror_motion(motion, body), body)
    dots = np.abs(np.sum(again.rotations * motion.rotations, axis=-1))
    assert np.abs(dots - 1).max() < 1e-12
    assert np.abs(again.model()[1] - motion.model()[1]).max() < 1e-12
    assert np.abs(again.root_translation - motion.root_translation).max() < 1e-12


def test_joints_go_where_their_partners_were_in_the_mirror() -> None:
    """The synthetic body faces -Y: the mirror is x -> -x."""
    motion, body = take("synthetic")
    there = mirror_motion(motion, body).model()[1]
    here = motion.model()[1]
    for part in body.joints:
        a, b = body.require(part), body.require(other_side(part))
        assert np.abs(there[:, a] - here[:, b] * [-1, 1, 1]).max() < 1e-9, part


def test_the_pybullet_body_faces_x() -> None:
    motion, body = take("walk")
    there, here = mirror_motion(motion, body).model()[1], motion.model()[1]
    a, b = body.require("leftFoot"), body.require("rightFoot")
    assert np.abs(there[:, a] - here[:, b] * [1, -1, 1]).max() < 1e-6


def test_rolls_do_not_matter() -> None:
    motion, body = take("walk")
    odd = rolled(motion, 3)
    assert np.abs(odd.model()[1] - motion.model()[1]).max() < 1e-12
    assert np.abs(mirror_motion(odd, body).model()[1] - mirror_motion(motion, body).model()[1]).max() < 1e-12


def test_translation_tracks_are_mirrored_and_twice_is_the_identity() -> None:
    motion, body = take("synthetic")
    rng = np.random.default_rng(0)
    names = motion.skeleton.names
    for name in ("left_hand", "spine", "right_upper_leg"):
        joint = names.index(name)
        track = motion.skeleton.rest_translation[joint] + rng.normal(0, 0.05, (len(motion), 3))
        motion = motion.with_translation(joint, track)
    once = mirror_motion(motion, body)
    assert set(once.translations) == {names.index(n) for n in ("right_hand", "spine", "left_upper_leg")}
    here, there = motion.model()[1], once.model()[1]
    left, right = names.index("left_hand"), names.index("right_hand")
    assert np.abs(there[:, right] - here[:, left] * [-1, 1, 1]).max() < 1e-9
    again = mirror_motion(once, body)
    assert np.abs(again.model()[1] - here).max() < 1e-12


@pytest.mark.parametrize("scale", [0.01, 1.0, 100.0])
@pytest.mark.parametrize(("off_heights", "paired"), [(0.015, True), (0.025, False)])
def test_a_pair_may_be_off_by_two_hundredths_of_the_height(
    scale: float, off_heights: float, paired: bool
) -> None:
    """Whatever unit the body is in."""
    old = synthetic.skeleton(scale)
    off = off_heights * old.height
    ways = [[0.15 * scale, 0, 0], [-0.15 * scale, off, 0]]
    skeleton = Skeleton(
        (*old.names, "pouch_a", "pouch_b"),
        (*old.parents, 0, 0),
        np.concatenate([old.rest_translation, ways]),
        np.tile(quat.IDENTITY, (len(old) + 2, 1)),
        old.tip_joints,
        old.tip_offsets,
    )
    assert skeleton.height == old.height
    body = BodyMap({part: old.index(name) for part, name in synthetic.parts().items()})
    found = partners(skeleton, body)[-2:]
    assert found == ((len(old) + 1, len(old)) if paired else (-1, -1))


def test_unmapped_joints_are_paired_by_place_or_left_alone() -> None:
    old = synthetic.skeleton()
    extra = (
        ("pouch_a", "hips", (0.15, 0, 0)),
        ("pouch_b", "hips", (-0.15, 0, 0)),
        ("lamp", "hips", (0.3, 0, 0.2)),
    )
    skeleton = Skeleton(
        (*old.names, *(name for name, _, _ in extra)),
        (*old.parents, *(old.index(parent) for _, parent, _ in extra)),
        np.concatenate([old.rest_translation, [offset for _, _, offset in extra]]),
        np.tile(quat.IDENTITY, (len(old) + 3, 1)),
    )
    body = BodyMap({part: old.index(name) for part, name in synthetic.parts().items()})
    a, b, lamp = (skeleton.index(name) for name, _, _ in extra)
    found = partners(skeleton, body)
    assert (found[a], found[b], found[lamp]) == (b, a, -1)
    rng = np.random.default_rng(1)
    q = quat.exp(rng.normal(0, 0.3, (5, len(skeleton), 3)))
    motion = Motion(skeleton, 30.0, q, rng.normal(size=(5, 3)))
    once = mirror_motion(motion, body)
    assert quat.angle_between(once.rotations[:, lamp], motion.rotations[:, lamp]).max() < 1e-9
    assert np.abs(mirror_motion(once, body).model()[1] - motion.model()[1]).max() < 1e-12


def test_marks_and_contacts_change_sides() -> None:
    motion, body = take("synthetic")
    contacts = find_contacts(motion, body)
    events = foot_events(contacts, loop=False)
    swapped = mirror_events(events)
    assert [(other_side(m.name), m.frame) for m in events] == [
        (m.name, m.frame) for m in sorted(swapped, key=lambda m: (m.frame, other_side(m.name)))
    ]
    assert foot_events(mirror_contacts(contacts), loop=False) == swapped
    # The mirrored walk itself has the exchanged contacts.
    assert foot_events(find_contacts(mirror_motion(motion, body), body), loop=False) == swapped
    assert mirror_events((Event("apex", 3),)) == (Event("apex", 3),)
    assert mirror_contacts(mirror_contacts(contacts)).heel.tolist() == contacts.heel.tolist()
