"""Foot marks on hand-made contacts and on a walk whose contacts are known."""

from __future__ import annotations

import numpy as np

import synthetic
from takemill.body_map import find_body_map
from takemill.checks import Mask
from takemill.contacts import Contacts, find_contacts
from takemill.marks import Mark, foot_marks

FEET = ("leftFoot", "rightFoot")


def contacts(left: str, right: str) -> Contacts:
    """Contacts from strings of x (planted) and . (not); the heel only."""
    planted: Mask = np.array([[c == "x" for c in left], [c == "x" for c in right]]).T
    return Contacts(30.0, FEET, planted, np.zeros_like(planted), 0.0)


def test_down_is_the_first_planted_frame_and_up_the_first_after() -> None:
    marks = foot_marks(contacts("..xx..", "xx..xx"), loop=False)
    assert marks == (
        Mark("leftFoot.down", 2),
        Mark("rightFoot.up", 2),
        Mark("leftFoot.up", 4),
        Mark("rightFoot.down", 4),
    )


def test_a_loop_counts_the_seam_once() -> None:
    """In a loop the last frame is the first: a foot planted across it neither rises nor lands there."""
    marks = foot_marks(contacts("xx..xx", "..xx.."), loop=True)
    assert marks == (
        Mark("leftFoot.up", 2),
        Mark("rightFoot.down", 2),
        Mark("leftFoot.down", 4),
        Mark("rightFoot.up", 4),
    )
    # Lands exactly at the seam: one mark at frame 0, none at the last frame.
    assert foot_marks(contacts("xx...x", "......"), loop=True) == (
        Mark("leftFoot.down", 0),
        Mark("leftFoot.up", 2),
    )


def test_a_foot_that_stays_has_no_marks() -> None:
    for loop in (False, True):
        assert foot_marks(contacts("xxxx", "...."), loop) == ()
    assert foot_marks(contacts("x", "."), loop=True) == ()


def test_marks_of_a_walk_lie_near_the_truth() -> None:
    """Truth: the synthetic walk's own footstep plan; that counts the roll-off apart."""
    known = synthetic.walk(rate=60.0, steps=10)
    body = find_body_map(known.motion.skeleton)
    marks = foot_marks(find_contacts(known.motion, body), loop=False)
    truth = foot_marks(Contacts(60.0, FEET, known.heel, known.toe, 0.0), loop=False)
    assert len(truth) >= 20
    assert [mark.name for mark in marks] == [mark.name for mark in truth]
    assert max(abs(m.frame - t.frame) for m, t in zip(marks, truth, strict=True)) <= 4
