"""How planted feet slide: for tests and tables, which judge what pinning leaves."""

from __future__ import annotations

import numpy as np

from takemill.base.checks import Array
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.clip.measure import planted_steps
from takemill.clip.root_motion import RootMotionSettings, find_root_motion
from takemill.feet.contacts import Contacts
from takemill.feet.soles import foot_points
from takemill.maths import quat


def sliding_cm_s(motion: Motion, body: BodyMap, contacts: Contacts, loop: bool = False) -> Array:
    """How fast planted feet move over the floor, cm/s: one value (N,) per frame step of a planted foot.

    Of heel and toe the lower one counts that is planted in both frames: a foot may roll over the other. In a
    loop the step over the seam counts too: the cycle's way and turn carry the first frames on to the last.
    """
    points = foot_points(motion, body)
    planted = np.stack([contacts.heel, contacts.toe], axis=-1)
    if loop and len(motion) > 2:
        way = find_root_motion(motion, body, RootMotionSettings())
        turn = quat.from_yaw(way.heading[-1] - way.heading[0])
        again = way.position[-1] + quat.rotate(turn, points[1:2] - way.position[0])
        points = np.concatenate([points, again])
        planted = np.concatenate([planted, planted[1:2]])
    steps, stands = planted_steps(points, planted)
    return np.asarray(100 * motion.rate * np.linalg.norm(steps[stands], axis=-1))


def stillest_m_s(points: Array, rate: float, touch_m: float) -> Array:
    """How fast the stillest point of what touches of a sole goes over the floor (F - 1, K), metres a second.

    `points` are heels and balls (F, K, 2, 3); what lies up to `touch_m` over the lower end touches. A foot
    that rolls or turns has one such point that stays.
    """
    share = np.linspace(0, 1, 401)[:, None]
    line = (1 - share) * points[:, :, :1] + share * points[:, :, 1:]
    return stillest_vertex_m_s(line, rate, touch_m)


def stillest_vertex_m_s(places: Array, rate: float, touch_m: float) -> Array:
    """The same of vertices (F, ..., V, 3): (F - 1, ...)."""
    height = np.maximum(places[1:, ..., 2], places[:-1, ..., 2])
    over = height - height.min(axis=-1, keepdims=True)
    speed = rate * np.linalg.norm(np.diff(places[..., :2], axis=0), axis=-1)
    return np.where(over <= touch_m, speed, np.inf).min(axis=-1)
