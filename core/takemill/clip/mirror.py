"""Left and right exchanged: a motion reflected in the body's middle plane, through the body map.

What is reflected is each joint's turn away from rest in model space, so that bone rolls and rest poses that
differ from side to side do not matter. Twice is the identity.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap, rest_facing
from ..body.motion import Motion
from ..body.skeleton import Skeleton
from ..feet.contacts import Contacts
from ..maths import quat
from .events import Event

# Of the body's height, how far a joint may rest from its partner's mirror image (chosen by eye).
_MAX_PARTNER_OFF_HEIGHTS = 0.02


def mirror_motion(motion: Motion, body: BodyMap) -> Motion:
    """The motion with left and right exchanged; the path over the floor and the turns are reflected too.

    Joints that are not mapped are paired by their places at rest; one without a partner keeps its local
    transform.
    """
    skeleton = motion.skeleton
    normal = _normal(skeleton, body)
    partner = partners(skeleton, body)
    rest_q, _ = skeleton.reference_model
    model_q, _ = motion.model()
    paired = [joint for joint, other in enumerate(partner) if other >= 0]
    others = [partner[joint] for joint in paired]
    turned = np.empty_like(model_q)
    away = quat.mul(model_q[:, others], quat.inv(rest_q[others]))
    turned[:, paired] = quat.mul(_reflect_turn(away, normal), rest_q[paired])
    rotations = np.empty_like(motion.rotations)
    tracks = {}
    for joint, other in enumerate(partner):
        parent = skeleton.parents[joint]
        if other < 0:
            rotations[:, joint] = motion.rotations[:, joint]
            turned[:, joint] = quat.mul(turned[:, parent], rotations[:, joint])
            if joint in motion.translations:
                tracks[joint] = motion.translations[joint]
            continue
        if parent < 0:
            rotations[:, joint] = turned[:, joint]
        else:
            rotations[:, joint] = quat.mul(quat.inv(turned[:, parent]), turned[:, joint])
        if other == 0 or other in motion.translations:
            shift = motion.translation_of(other) - skeleton.reference_translation[other]
            above = skeleton.parents[other]
            if above >= 0:
                shift = quat.rotate(model_q[:, above], shift)
            shift = _reflect(shift, normal)
            if parent >= 0:
                shift = quat.rotate(quat.inv(turned[:, parent]), shift)
            tracks[joint] = skeleton.reference_translation[joint] + shift
    root = tracks.pop(0, np.broadcast_to(skeleton.reference_translation[0], (len(motion), 3)))
    return Motion(skeleton, motion.rate, rotations, root, tracks)


def partners(skeleton: Skeleton, body: BodyMap) -> tuple[int, ...]:
    """(J,) each joint's counterpart on the other side: itself in the middle, -1 when there is none."""
    out = [-1] * len(skeleton)
    for part, joint in body.joints.items():
        other = body.get(other_side(part))
        if other is not None:
            out[joint] = other
    normal = _normal(skeleton, body)
    places = skeleton.reference_model[1]
    reflected = _reflect(places, normal)
    max_off_m = _MAX_PARTNER_OFF_HEIGHTS * skeleton.height
    mapped = set(body.joints.values())
    for joint in range(len(skeleton)):
        parent = skeleton.parents[joint]
        if joint in mapped or (parent >= 0 and out[parent] < 0):
            continue
        wanted = -1 if parent < 0 else out[parent]
        candidates = [
            other
            for other in range(len(skeleton))
            if other not in mapped and skeleton.parents[other] == wanted
        ]
        if candidates:
            away = np.linalg.norm(places[candidates] - reflected[joint], axis=-1)
            best = candidates[int(np.argmin(away))]
            if away.min() < max_off_m:
                out[joint] = best
    # Only pairs that choose each other exchange; otherwise twice would not be the identity.
    return tuple(other if other >= 0 and out[other] == joint else -1 for joint, other in enumerate(out))


def other_side(name: str) -> str:
    """A part's or an event's name with left and right exchanged: "leftFoot.down" -> "rightFoot.down"."""
    for side, other in (("left", "right"), ("right", "left")):
        if name.startswith(side):
            return other + name[len(side) :]
    return name


def mirror_events(events: tuple[Event, ...]) -> tuple[Event, ...]:
    """The events of the mirrored motion."""
    swapped = (replace(event, name=other_side(event.name)) for event in events)
    return tuple(sorted(swapped, key=lambda event: (event.frame, event.name)))


def mirror_contacts(contacts: Contacts) -> Contacts:
    """The contacts of the mirrored motion, the feet in the same order as before."""
    feet = contacts.feet
    columns = [feet.index(other_side(foot)) if other_side(foot) in feet else k for k, foot in enumerate(feet)]
    rise = None if contacts.rise_m is None else contacts.rise_m[:, columns]
    return replace(contacts, heel=contacts.heel[:, columns], toe=contacts.toe[:, columns], rise_m=rise)


def middle_facing(skeleton: Skeleton, body: BodyMap) -> float:
    """The heading in which the body's middle plane lies at rest, radians; along an axis when it nearly is."""
    facing = rest_facing(skeleton, body)
    quarter = np.pi / 2 * np.round(facing / (np.pi / 2))
    return float(quarter if abs(facing - quarter) < np.radians(5) else facing)


def _normal(skeleton: Skeleton, body: BodyMap) -> Array:
    """The unit direction (3,) square to the middle plane at rest, exact where that lies along an axis."""
    facing = middle_facing(skeleton, body)
    normal = quat.rotate(quat.from_yaw(facing), np.array([1.0, 0.0, 0.0]))
    return np.round(normal) if facing % (np.pi / 2) == 0 else normal


def _reflect(v: Array, normal: Array) -> Array:
    return v - 2 * (v @ normal)[..., None] * normal


def _reflect_turn(q: Array, normal: Array) -> Array:
    """The rotations (..., 4) as seen in the mirror: an axis is reflected and turns the other way round."""
    return np.concatenate([q[..., :1], -_reflect(q[..., 1:], normal)], axis=-1)
