"""Channels that no body can have made: joints beyond the human range, swapped sides, turned feet, odd bones.

They are reported and never changed: only who was there knows which sensor sat where. The ranges are no
medical assessment.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType

import numpy as np

from ..base.checks import Array, Mask
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..feet.contacts import Contacts
from ..maths import filters, quat
from ..maths.series import filled, runs
from .finding import Finding
from .limb_frames import ARM, FRONT, LEFT, LEG, UP, Frames, arcsin_deg, limb_frames, turn_in
from .swaps import swapped_pairs

# Normal ranges of motion in degrees (American Academy of Orthopaedic Surgeons, Joint Motion: Method of
# Measuring and Recording, 1965, as tabled in Norkin and White, Measurement of Joint Motion; values from
# memory, those of legs, elbows and wrists within 15 degrees of the model of Rajagopal et al. 2016:
# test_proportions.py). Knees: ten degrees of recurvatum are common (from memory, too).
RANGES_DEG: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "knee flexion": (-10.0, 135.0),
        "hip flexion": (-30.0, 120.0),
        "hip abduction": (-30.0, 45.0),
        "hip internal rotation": (-45.0, 45.0),
        "ankle dorsiflexion": (-50.0, 20.0),
        "elbow flexion": (0.0, 150.0),
        "shoulder extension": (-180.0, 60.0),
        "shoulder abduction": (0.0, 180.0),
        "shoulder internal rotation": (-90.0, 70.0),
        "wrist flexion": (-70.0, 80.0),
        "wrist ulnar deviation": (-20.0, 30.0),
    }
)
_OPPOSITE = {
    "knee flexion": "knee hyperextension",
    "hip flexion": "hip extension",
    "hip abduction": "hip adduction",
    "hip internal rotation": "hip external rotation",
    "ankle dorsiflexion": "ankle plantar flexion",
    "elbow flexion": "elbow hyperextension",
    "shoulder extension": "shoulder flexion",
    "shoulder abduction": "shoulder adduction through the trunk",
    "shoulder internal rotation": "shoulder external rotation",
    "wrist flexion": "wrist extension",
    "wrist ulnar deviation": "wrist radial deviation",
}
# An ankle bends further under the body's weight than by its own muscles, which the table is of: 45 degrees in
# a lunge (Bennell et al. 1998, the weight-bearing lunge; value from memory).
_MAX_LOADED_ANKLE_DEG = 45.0
# A suit is no goniometer, and a trained performer exceeds a norm; turns of a bone about itself are measured
# worst (common practice, no source).
_TOLERANCE_DEG, _ROTATION_TOLERANCE_DEG = 15.0, 20.0
# The limits below were chosen by eye: where an angle is well defined, and which times and lengths count.
_MIN_POINTING_BEND_DEG = 45.0  # a knee or elbow that is bent less does not show how the bone above is rotated
# A bone below that points further back is bent the wrong way: its own joint's fault.
_MAX_POINTING_DEG = 135.0
# Of a thigh's angle to the pelvis's middle plane: beyond, it is neither ahead nor behind.
_MAX_ASIDE_SINE = 0.8
# Swings from hanging, or of an arm from sideways, up to which a bone's rotation about itself is measured.
_MAX_MEASURED_SWING_DEG = {"hip": 100.0, "shoulder": 95.0}
_LOADED_EDGE_S = 0.1  # before and after a contact, in which a foot already, or still, carries weight
_MIN_EXCURSION_S = 0.05  # shorter excursions are left to the spikes
_MIN_TURNED_OVER_S = 0.5  # a foot that is turned over for less is left to the spikes
_MAX_BONE_CHANGE_SHARE = 0.02  # a bone that changes its length by more is reported
_MAX_PAUSE_S = 0.1  # a fault that pauses for less goes on


def body_findings(motion: Motion, body: BodyMap, contacts: Contacts | None = None) -> list[Finding]:
    """Findings of joint limits, exchanged sides, turned feet and bone lengths.

    `contacts` say which ankles carry weight.
    """
    out = _bone_findings(motion, body)
    frames = limb_frames(motion, body)
    for name, (part, degrees) in joint_angles(frames).items():
        kind = name.split(" ", 1)[1]
        low, high = (np.full(len(motion), limit) for limit in RANGES_DEG[kind])
        if contacts and kind == "ankle dorsiflexion" and part in contacts.feet:
            planted = contacts.planted[:, contacts.feet.index(part)].astype(float)
            high[filters.moving_max(planted, round(_LOADED_EDGE_S * motion.rate)) > 0] = _MAX_LOADED_ANKLE_DEG
        out += _limit_findings(motion, body, part, kind, degrees, (low, high))
    return out + swapped_pairs(motion, body) + _flipped_findings(motion, body, frames)


def joint_angles(frames: Frames) -> dict[str, tuple[str, Array]]:
    """The angles that RANGES_DEG limits: "left knee flexion" -> the part and its degrees (F,).

    Knee and elbow: between the two bones, 0 straight; a knee that bends forward, or an elbow back, is
    negative. Hip: of the thigh before the pelvis in its middle plane, and out of that plane. Ankle: between
    shin and sole, 0 at a right angle. Shoulder: of the arm behind the plane of the trunk, and away from
    hanging; negative where it passes through the trunk to the other side. Wrist: to the palm, and to the
    little finger. Rotations of hip and shoulder are measured as in the table: a bent knee or elbow lets the
    bone below it point like a hand of a clock; 0 where the thigh came by the shortest swing from hanging, or
    the arm from sideways with the forearm ahead, and where the joint below is too straight, or the swing too
    far, for a measure. Limbs that are not mapped whole are left out.
    """
    out: dict[str, tuple[str, Array]] = {}
    for side in ("left", "right"):
        if f"{side}Foot" in frames:
            for part, angles in zip(LEG, _leg_angles(frames, side), strict=True):
                out |= {f"{side} {name}": (side + part, degrees) for name, degrees in angles.items()}
        if f"{side}Hand" in frames:
            for part, angles in zip(ARM, _arm_angles(frames, side), strict=True):
                out |= {f"{side} {name}": (side + part, degrees) for name, degrees in angles.items()}
    return out


def _leg_angles(frames: Frames, side: str) -> Iterator[dict[str, Array]]:
    """By name, the degrees (F,) at hip, knee and ankle."""
    upper, lower, foot = (side + part for part in LEG)
    thigh = quat.rotate(turn_in(frames, "hips", upper), -UP)
    ahead = np.degrees(np.arctan2(-thigh[:, 1], -thigh[:, 2]))
    ahead = np.where(np.abs(thigh[:, 0]) < _MAX_ASIDE_SINE, ahead, 0.0)
    spun = _rotation_deg(frames, ("hips", upper, lower), -UP, -FRONT, _MAX_MEASURED_SWING_DEG["hip"])
    yield {
        "hip flexion": ahead,
        "hip abduction": arcsin_deg(thigh[:, 0]),
        "hip internal rotation": spun,
    }
    shin = quat.rotate(turn_in(frames, upper, lower), -UP)
    bend = 90 - arcsin_deg(-shin[:, 2])
    yield {"knee flexion": np.where(shin[:, 1] < -0.05, -bend, bend)}
    yield {"ankle dorsiflexion": arcsin_deg(quat.rotate(turn_in(frames, lower, foot), FRONT)[:, 2])}


def _arm_angles(frames: Frames, side: str) -> Iterator[dict[str, Array]]:
    """By name, the degrees (F,) at shoulder, elbow and wrist."""
    upper, lower, hand = (side + part for part in ARM)
    arm = quat.rotate(turn_in(frames, "trunk", upper), LEFT)
    lifted = 90 + arcsin_deg(arm[:, 2])
    through = (
        (arm[:, 0] < 0) & (arm[:, 1] > -0.25) & (arm[:, 2] < 0)
    )  # not before the trunk, nor over the head
    yield {
        "shoulder extension": arcsin_deg(arm[:, 1]),
        "shoulder abduction": np.where(through, arcsin_deg(arm[:, 0]), lifted),
        "shoulder internal rotation": _rotation_deg(
            frames, ("trunk", upper, lower), LEFT, FRONT, _MAX_MEASURED_SWING_DEG["shoulder"]
        ),
    }
    forearm = quat.rotate(turn_in(frames, upper, lower), LEFT)
    bend = 90 - arcsin_deg(forearm[:, 0])
    yield {"elbow flexion": np.where(forearm[:, 1] > np.maximum(np.abs(forearm[:, 2]), 0.05), -bend, bend)}
    # Seen from the hand, so that it does not matter whether a rig turns the palm in the forearm or the wrist.
    back = quat.rotate(quat.inv(turn_in(frames, lower, hand)), LEFT)
    yield {
        "wrist flexion": np.degrees(np.arctan2(back[:, 2], back[:, 0])),
        "wrist ulnar deviation": arcsin_deg(-back[:, 1]),
    }


def _rotation_deg(
    frames: Frames, parts: tuple[str, str, str], along: Array, ahead: Array, max_swing_deg: float
) -> Array:
    """Degrees (F,) that a bone is rotated about itself, as the bone below it points; internal is positive.

    Args:
        frames: of the limbs.
        parts: what the bone hangs from, the bone, and the one below it.
        along: (3,) where the bone lies without a swing, in its frame.
        ahead: (3,) where the bone below points then, bent but not rotated.
        max_swing_deg: swings beyond this give no measure.
    """
    above, bone, below = parts
    turn = turn_in(frames, above, bone)
    aim = quat.rotate(turn, along)
    unswung = quat.inv(quat.between(np.broadcast_to(along, aim.shape), aim))
    points = quat.rotate(quat.mul(unswung, quat.mul(turn, turn_in(frames, bone, below))), along)
    measurable = (points @ along < np.cos(np.radians(_MIN_POINTING_BEND_DEG))) & (
        aim @ along > np.cos(np.radians(max_swing_deg))
    )
    degrees = np.degrees(np.arctan2(points @ np.cross(along, ahead), points @ ahead))
    return np.where(measurable & (np.abs(degrees) < _MAX_POINTING_DEG), degrees, 0.0)


def _limit_findings(
    motion: Motion, body: BodyMap, part: str, name: str, degrees: Array, limits: tuple[Array, Array]
) -> list[Finding]:
    """Findings where degrees (F,) leave the limits (F,) of the range `name` by more than the tolerance."""
    low, high = limits
    over = np.maximum(degrees - high, low - degrees)
    joint = motion.skeleton.names[body.require(part)]
    tolerance = _ROTATION_TOLERANCE_DEG if name.endswith("rotation") else _TOLERANCE_DEG
    out = []
    for start, stop in _long_runs(over > tolerance, motion.rate, _MIN_EXCURSION_S):
        worst = start + int(np.argmax(over[start:stop]))
        bent, under = float(degrees[worst]), degrees[worst] < low[worst]
        word, limit = (_OPPOSITE[name], abs(low[worst])) if under else (name, high[worst])
        text = f"{joint}: {word} of {abs(bent):.0f} degrees, usual is up to {limit:.0f}"
        out.append(Finding("joint_limit", joint, start, stop, float(over[worst]), "deg", False, text))
    return out


def _long_runs(mask: Mask, rate: float, min_s: float) -> Iterator[tuple[int, int]]:
    """Runs of a mask (F,) that last so long, short pauses bridged."""
    starts, stops = runs(~mask)
    short = (stops - starts < _MAX_PAUSE_S * rate) & (starts > 0) & (stops < len(mask))
    for start, stop in zip(*runs(mask | filled(len(mask), starts[short], stops[short])), strict=True):
        if stop - start >= min_s * rate:
            yield int(start), int(stop)


def _flipped_findings(motion: Motion, body: BodyMap, frames: Frames) -> list[Finding]:
    """Feet whose sole looks up the shin, or whose toes point back, for half a second."""
    out = []
    for foot in body.feet:
        shin = foot.replace("Foot", "LowerLeg")
        if foot not in frames:
            continue
        turn = turn_in(frames, shin, foot)
        top, toes = quat.rotate(turn, UP), quat.rotate(turn, FRONT)
        for mask, what in (
            (top[:, 2] < -0.5, "is turned over"),
            ((toes[:, 1] > 0.5) & (top[:, 2] > 0.5), "points backwards"),
        ):
            for start, stop in _long_runs(mask, motion.rate, _MIN_TURNED_OVER_S):
                name = motion.skeleton.names[body.require(foot)]
                text = f"{name} {what} for {(stop - start) / motion.rate:.1f} s: its sensor may be"
                out.append(Finding("flipped", name, start, stop, 180.0, "deg", False, text))
    return out


def _bone_findings(motion: Motion, body: BodyMap) -> list[Finding]:
    """Bones whose length changes; translations of joints down to the hips are the body's path."""
    out = []
    hips = body.get("hips")
    path = set(motion.skeleton.path_to(hips)) if hips is not None else set()
    for joint in motion.translations.keys() - path:
        track = motion.translations[joint]
        size = quat.length(track)
        middle = float(np.median(size))
        if motion.skeleton.parents[joint] < 0 or middle < 1e-6:
            continue
        change = np.abs(size / middle - 1)
        if quat.length(np.ptp(track, axis=0)) > 0.5 * motion.skeleton.height:
            continue  # it moves freely: a thing of its own
        for start, stop in _long_runs(change > _MAX_BONE_CHANGE_SHARE, motion.rate, 0.0):
            worst = 100 * float(change[start:stop].max())
            name = motion.skeleton.names[joint]
            text = f"the bone up to {name} changes its length by {worst:.0f} %"
            out.append(Finding("bone_length", name, start, stop, worst, "%", False, text))
    return out
