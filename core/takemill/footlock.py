"""Planted feet made to stand: still over the floor, flat where they are flat, rolling from heel to toe.

Each stretch of contact gets one place for the heel and one for the ball, a foot's length apart and at the
height of the floor. The foot stands on the lower of the two and turns about it, so that it rolls from heel
to ball; where it is flat it keeps one heading. Its pitch is the performer's. The correction fades in
before a contact and out after it with its own speed, so that the foot neither jumps nor jerks. The hips go
with the feet, the legs make up the difference by two-bone inverse kinematics, and the hips sink by the
little that a leg would otherwise be too short.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from . import filters, quat, series
from .body_map import BodyMap, leg_length, rest_facing
from .checks import Array, Index, Mask, expect_positive
from .contacts import Contacts, chain_in_model, sole_offsets
from .grounding import confidence, weighted_course
from .leg_ik import reach
from .motion import Motion
from .series import filled, runs

_SOFT = 8  # a blend is so many times half the time in which a foot changes from heel to ball
_BENT = 0.1  # a leg drawn in by this share of its length bends its knee easily
_SPEED_HZ = 5.0  # speeds of heel and ball are taken below this
_SLOW = 0.15  # leg lengths a second; faster, a foot lands, leaves or slides
_PAUSE_S = 0.08  # a rest goes on across shorter gaps
_REST_S = 0.08  # shorter rests are none
_LEVEL = np.radians(10.0)  # a foot pitched further stands on one end and may turn on it


@dataclass(frozen=True)
class FootlockSettings:
    """How feet are pinned.

    Attributes:
        blend_s: a correction takes this long to come and to go.
        longest_slip: leg lengths; a contact whose foot strays further from its place is cut in two where it
            is fastest, so that the foot takes a small step instead of being held back.
        straight: share of its length that a leg is stretched to, unless it was longer before.
    """

    blend_s: float = 0.15
    longest_slip: float = 0.06
    straight: float = 0.995


def pin_feet(
    motion: Motion, body: BodyMap, contacts: Contacts, settings: FootlockSettings = FootlockSettings()
) -> tuple[Motion, Contacts]:
    """The motion with its planted feet still, at `contacts.floor_m`; and the contacts that were pinned.

    Raises:
        InputError: a setting is not above 0.
        BodyMapError: a joint of a mapped foot's leg is not mapped.
    """
    for name in ("blend_s", "longest_slip", "straight"):
        expect_positive(getattr(settings, name), f"footlock {name}")
    if not contacts.planted.any() or len(motion) < 3:
        return motion, contacts
    blend = max(round(settings.blend_s * motion.rate), 2)
    leg = leg_length(motion.skeleton, body)
    slip = settings.longest_slip * leg
    soles = sole_offsets(motion.skeleton, body)
    heel, toe = contacts.heel.copy(), contacts.toe.copy()
    stands: dict[str, _Stand] = {}
    for k, part in enumerate(contacts.feet):
        if not contacts.planted[:, k].any():
            continue
        _, turned, at = chain_in_model(motion, body.require(part))
        foot = _Foot(turned[:, -1], at[:, -1], soles[body.feet.index(part)])
        bearing, flat = _bearing(foot, np.stack([heel[:, k], toe[:, k]], axis=-1), motion.rate, leg)
        stand = _stand(foot, bearing, flat, contacts.floor_m, blend, slip)
        heel[:, k] &= stand.planted.any(axis=1)
        toe[:, k] &= stand.planted.any(axis=1)
        stands[part] = stand
    pinned = _legs_to(motion, body, stands, settings.straight, blend)
    return pinned, Contacts(contacts.rate, contacts.feet, heel, toe, contacts.floor_m)


@dataclass(frozen=True)
class _Foot:
    """One foot as it was: model rotation (F, 4), ankle (F, 3), heel and ball (2, 3) in the foot's space."""

    turned: Array
    ankle: Array
    sole: Array

    def points(self, turn: Array) -> Array:
        """Heel and ball (F, 2, 3) after a model-space turn (F, 4) about the ankle."""
        return self.ankle[:, None] + quat.rotate(quat.mul(turn, self.turned)[:, None], self.sole)


def _bearing(foot: _Foot, planted: Mask, rate: float, leg: float) -> tuple[Mask, Mask]:
    """Which of the planted heel and ball (F, 2) bears the foot, the lower one; and where (F,) it lies flat.

    Frames in which that end moves, as a foot lands, leaves or slides, bear nothing; the correction fades.
    """
    points = foot.points(np.tile(quat.IDENTITY, (len(planted), 1)))
    along = points[:, 1] - points[:, 0]
    ends = planted & (np.stack([along[:, 2] >= 0, along[:, 2] < 0], axis=-1) | ~planted[:, ::-1])
    if 0.45 * rate > _SPEED_HZ:
        points = filters.butterworth(points, rate, _SPEED_HZ, order=2)
    slow = np.linalg.norm(series.derivative(points, rate), axis=-1) < _SLOW * leg
    level = np.abs(along[:, 2]) < np.sin(_LEVEL) * np.linalg.norm(along, axis=-1)
    rests = _without_short((ends & slow).any(axis=1), round(_PAUSE_S * rate), gaps=True)
    rests = _without_short(rests, round(_REST_S * rate), gaps=False)
    return ends & rests[:, None], planted.all(axis=1) & level & rests


def _without_short(mask: Mask, frames: int, *, gaps: bool) -> Mask:
    """A mask (F,) whose runs shorter than `frames` are gone, or whose gaps are; what touches an end stays."""
    starts, stops = runs(~mask if gaps else mask)
    short = (stops - starts < frames) & (starts > 0) & (stops < len(mask))
    return mask ^ filled(len(mask), starts[short], stops[short])


@dataclass(frozen=True)
class _Stand:
    """How a foot must change to stand.

    Attributes:
        planted: (F, 2) the end, heel or ball, that is pinned.
        ankle: (F, 3) as it was.
        shift: (F, 3) of the ankle; holds where `planted`.
        turn: (F, 4) of the foot about its ankle in model space; everywhere.
    """

    planted: Mask
    ankle: Array
    shift: Array
    turn: Array


def _stand(foot: _Foot, bearing: Mask, flat: Mask, floor_m: float, blend: int, slip: float) -> _Stand:
    """What pins the bearing ends (F, 2) of a foot to the floor, and its heading where it is flat (F,)."""
    frames = len(flat)
    points = foot.points(np.tile(quat.IDENTITY, (frames, 1)))
    starts, stops = _short_slips(points, bearing, blend, slip)
    kept = filled(frames, starts, stops)
    bearing, flat = bearing & kept[:, None], flat & kept
    places = np.zeros((frames, 2, 3))
    for start, stop in zip(starts, stops, strict=True):
        here = slice(start, stop)
        places[here] = _places(points[here], bearing[here], flat[here], floor_m)
    was, wanted = (p[:, 1] - p[:, 0] for p in (points, places))
    away = np.arctan2(wanted[:, 1], wanted[:, 0]) - np.arctan2(was[:, 1], was[:, 0])
    away = np.where(flat, away - 2 * np.pi * np.round(away / (2 * np.pi)), 0.0)
    turn = quat.from_yaw(_faded(away[:, None], flat, blend)[:, 0])
    # From one end to the other the foot goes over softly, since the two may disagree a little.
    soft = bearing.astype(float)
    for _ in range(2):
        soft = filters.moving_mean(soft, max(blend // _SOFT, 1))
    share = soft / np.maximum(soft.sum(axis=1, keepdims=True), 1e-9)
    shift = ((places - foot.points(turn)) * share[..., None]).sum(axis=1) * kept[:, None]
    return _Stand(bearing, foot.ankle, shift, turn)


def _short_slips(points: Array, planted: Mask, blend: int, slip: float) -> tuple[Index, Index]:
    """Runs of contact in which heel and ball (F, 2, 3) stay within `slip` of their mean place."""
    down = planted.any(axis=1)
    flow = filters.moving_mean(points[..., :2], max(blend // 3, 1))
    speed = np.zeros(len(points))
    speed[1:] = (np.linalg.norm(np.diff(flow, axis=0), axis=-1) * planted[1:]).max(axis=1)
    todo = list(zip(*(edge.tolist() for edge in runs(down)), strict=True))
    done = []
    while todo:
        start, stop = todo.pop()
        strayed = 0.0
        for part in (0, 1):
            there = points[start:stop, part, :2][planted[start:stop, part]]
            if len(there):
                strayed = max(strayed, float(np.linalg.norm(there - there.mean(axis=0), axis=-1).max()))
        if strayed <= slip:
            done.append((start, stop))
        elif stop - start > 4 * blend:
            cut = start + blend + int(np.argmax(speed[start + blend : stop - blend]))
            todo += [(start, cut - blend // 2), (cut + blend // 2, stop)]
    pairs = np.array(sorted(done), dtype=np.intp).reshape(-1, 2)
    return pairs[:, 0], pairs[:, 1]


def _places(points: Array, bearing: Mask, flat: Mask, floor_m: float) -> Array:
    """Where heel and ball (2, 3) of one contact stand; points (N, 2, 3), bearing (N, 2) and flat (N,)."""
    ahead = (points[:, 1] - points[:, 0])[flat if flat.any() else bearing.any(axis=1), :2].mean(axis=0)
    ahead = ahead / max(float(np.linalg.norm(ahead)), 1e-9)
    # One place for the heel, told by either end: the ball stands a foot's length ahead of it.
    steps = np.outer([0.0, float(np.linalg.norm(points[0, 1] - points[0, 0]))], ahead)
    level = np.median((points[..., :2] - steps)[bearing], axis=0) + steps
    return np.concatenate([level, np.full((2, 1), floor_m)], axis=1)


def _faded(values: Array, known: Mask, blend: int) -> Array:
    """Values (F, C) where `known` (F,); elsewhere they come and go with their slope in `blend` frames.

    A gap shorter than two blends is crossed by one cubic from known to known (C1 at both ends).
    """
    out = np.where(known[:, None], values, 0.0)
    starts, stops = runs(~known)
    for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        left = _end(values, known, start - 1, -1) if start > 0 else None
        right = _end(values, known, stop, 1) if stop < len(known) else None
        if left and right and stop - start < 2 * blend:
            out[start:stop] = _cubic(*left, *right, stop - start + 1)[1:-1]
            continue
        size = min(blend, stop - start)  # at an end of the take the fade may be cut off
        nothing = (np.zeros(values.shape[1]), np.zeros(values.shape[1]))
        if left:
            out[start : start + size] = _cubic(*left, *nothing, blend + 1)[1 : size + 1]
        if right:
            out[stop - size : stop] = _cubic(*nothing, *right, blend + 1)[-1 - size : -1]
    return out


def _end(values: Array, known: Mask, frame: int, inward: int) -> tuple[Array, Array]:
    """The value and the slope per frame, each (C,), at the edge of a known stretch."""
    reach_to = frame
    while reach_to != frame + 3 * inward and 0 <= reach_to + inward < len(known) and known[reach_to + inward]:
        reach_to += inward
    slope = (
        (values[reach_to] - values[frame]) / (reach_to - frame) if reach_to != frame else 0 * values[frame]
    )
    return values[frame], slope


def _cubic(a: Array, slope_a: Array, b: Array, slope_b: Array, frames: int) -> Array:
    """The cubic (frames + 1, C) from a to b with these slopes per frame."""
    u = np.linspace(0, 1, frames + 1)[:, None]
    rise = u * u * (3 - 2 * u)
    return a + (b - a) * rise + frames * (slope_a * u * (1 - u) ** 2 - slope_b * u * u * (1 - u))


@dataclass(frozen=True)
class _Leg:
    """A leg before it is bent: where it is, and what it hangs in.

    Attributes:
        joints: hip, knee and foot.
        at: (F, 3, 3) their places in model space, metres.
        above: (F, 3, 4) model rotations of their parents.
        axis: (F, 3) the knee's unit hinge when the leg is straight.
    """

    joints: tuple[int, ...]
    at: Array
    above: Array
    axis: Array


def _leg(motion: Motion, body: BodyMap, foot: str) -> _Leg:
    joints = tuple(body.require(foot.replace("Foot", name)) for name in ("UpperLeg", "LowerLeg", "Foot"))
    chain, turned, at = chain_in_model(motion, joints[-1])
    place = [chain.index(joint) for joint in joints]
    still = np.broadcast_to(quat.IDENTITY, (len(motion), 1, 4))
    rest = motion.skeleton.rest_model[0][joints[0]]
    side = quat.rotate(quat.from_yaw(rest_facing(motion.skeleton, body)), np.array([1.0, 0.0, 0.0]))
    axis = quat.rotate(quat.mul(turned[:, place[0]], quat.inv(rest)), side)
    return _Leg(joints, at[:, place], np.concatenate([still, turned], axis=1)[:, place], axis)


def _legs_to(motion: Motion, body: BodyMap, stands: dict[str, _Stand], straight: float, blend: int) -> Motion:
    """The motion with its feet standing: the hips go with the feet, the legs make up the difference."""
    down = np.stack([stand.planted.any(axis=1) for stand in stands.values()], axis=1)
    shifts = np.stack([stand.shift for stand in stands.values()], axis=1)
    legs = [_leg(motion, body, part) for part in stands]
    hips = weighted_course(shifts, confidence(down, motion.rate), motion.rate)
    rest = [_faded(shifts[:, k] - hips, down[:, k], blend) for k in range(len(legs))]
    hips = hips + _along_legs(legs, rest, filters.moving_mean(down.astype(float), max(blend // 4, 1)))
    goals = [
        leg.at[:, 2] + hips + _faded(shifts[:, k] - hips, down[:, k], blend) for k, leg in enumerate(legs)
    ]
    missing = [
        _missing(leg.at + hips[:, None], goal, straight) for leg, goal in zip(legs, goals, strict=True)
    ]
    hips = hips - _smooth_cover(np.max(missing, axis=0), blend)[:, None] * np.array([0.0, 0.0, 1.0])
    rotations = motion.rotations.copy()
    for leg, goal, stand in zip(legs, goals, stands.values(), strict=True):
        hip, knee, ankle = np.moveaxis(leg.at + hips[:, None], 1, 0)
        swing, bend = reach(hip, knee, ankle, goal, leg.axis)
        # A leg that need not move keeps even a knee that is bent the wrong way.
        moved = (np.linalg.norm(goal - ankle, axis=-1) > 1e-9)[:, None]
        swing, bend = (np.where(moved, turn, quat.IDENTITY) for turn in (swing, bend))
        back = quat.mul(quat.inv(quat.mul(swing, bend)), stand.turn)
        for n, turn in enumerate((swing, bend, back)):
            # A turn in model space, applied to a joint, is this turn seen from the joint's parent.
            seen = quat.mul(quat.mul(quat.inv(leg.above[:, n]), turn), leg.above[:, n])
            rotations[:, leg.joints[n]] = quat.mul(seen, rotations[:, leg.joints[n]])
    return replace(motion, rotations=rotations, root_translation=motion.root_translation + hips)


def _along_legs(legs: list[_Leg], rest: list[Array], down: Array) -> Array:
    """A further step of the hips (F, 3) that spares nearly straight knees.

    What a standing leg must be lengthened by costs a straight knee many degrees and the hips millimetres: so
    per frame the hips take the step that fits best along the legs; each counts as it is down (F, K) and
    straight.
    """
    normal = np.broadcast_to(0.05 * np.eye(3), (len(down), 3, 3)).copy()
    wanted = np.zeros((len(down), 3))
    for k, leg in enumerate(legs):
        hip, knee, ankle = np.moveaxis(leg.at, 1, 0)
        line = ankle - hip
        length = np.linalg.norm(line, axis=-1, keepdims=True)
        line = line / length
        whole = np.linalg.norm(knee - hip, axis=-1) + np.linalg.norm(ankle - knee, axis=-1)
        weight = (down[:, k] * np.exp(-(((1 - length[:, 0] / whole) / _BENT) ** 2)))[:, None]
        normal += weight[..., None] * line[:, :, None] * line[:, None, :]
        wanted += weight * line * np.einsum("fi,fi->f", line, rest[k])[:, None]
    return np.linalg.solve(normal, wanted[..., None])[..., 0]


def _missing(here: Array, goal: Array, straight: float) -> Array:
    """How far (F,) the hips must sink for hip, knee, ankle (F, 3, 3) to reach the ankle's goal (F, 3)."""
    hip, knee, ankle = np.moveaxis(here, 1, 0)
    length = np.linalg.norm(knee - hip, axis=-1) + np.linalg.norm(ankle - knee, axis=-1)
    longest = np.maximum(straight * length, np.linalg.norm(ankle - hip, axis=-1))
    aside = np.linalg.norm((goal - hip)[:, :2], axis=-1)
    return np.maximum(hip[:, 2] - goal[:, 2] - np.sqrt(np.maximum(longest**2 - aside**2, 0.0)), 0.0)


def _smooth_cover(values: Array, frames: int) -> Array:
    """A smooth curve (F,) nowhere below values (F,): their highest within `frames`, averaged over as many."""
    padded = np.pad(values, frames, mode="edge")
    highest = np.lib.stride_tricks.sliding_window_view(padded, 2 * frames + 1).max(axis=-1)
    half = max(frames // 2, 1)
    return filters.moving_mean(filters.moving_mean(highest, half), half)
