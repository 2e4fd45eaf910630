"""Channels that no body can have made: joints beyond the human range, swapped sides, turned feet, odd bones.

Found and said, never changed: which sensor sat where only the session knows. The ranges are no medical
assessment.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType

import numpy as np

from . import quat
from .body_map import BodyMap
from .checks import Array, Mask
from .health_findings import Finding
from .health_joints import ARM, FRONT, LEFT, LEG, UP, Frames, arcsin_deg, limb_frames, turn_in
from .health_swaps import swapped_pairs
from .motion import Motion
from .series import filled, runs

# Normal ranges of motion in degrees (American Academy of Orthopaedic Surgeons, Joint Motion: Method of
# Measuring and Recording, 1965, as tabled in Norkin and White, Measurement of Joint Motion; values from
# memory). Knees: ten degrees of recurvatum are common (from memory, too).
RANGES_DEG: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "knee flexion": (-10.0, 135.0),
        "hip flexion": (-30.0, 120.0),
        "hip abduction": (-30.0, 45.0),
        "ankle dorsiflexion": (-50.0, 20.0),
        "elbow flexion": (0.0, 150.0),
        "shoulder extension": (-180.0, 60.0),
        "shoulder abduction": (0.0, 180.0),
        "wrist flexion": (-70.0, 80.0),
        "wrist ulnar deviation": (-20.0, 30.0),
    }
)
_TOLERANCE_DEG = (
    15.0  # a suit is no goniometer, and a trained performer exceeds a norm (common practice, no source)
)
_LEAST_S = 0.05  # shorter excursions are left to the spikes
_TURNED_OVER_S = 0.5
_BONE_SHARE = 0.02  # a bone that changes its length by more is reported
_BREAK_S = 0.1  # a fault that pauses for less goes on


def body_findings(motion: Motion, body: BodyMap) -> list[Finding]:
    """Findings of kinds "range", "swapped", "flipped" and "bone"."""
    out = _bones(motion, body)
    frames = limb_frames(motion, body)
    for name, (part, degrees) in joint_angles(frames).items():
        out += _beyond(motion, body, part, name.split(" ", 1)[1], degrees)
    return out + swapped_pairs(motion, body) + _flipped(motion, body, frames)


def joint_angles(frames: Frames) -> dict[str, tuple[str, Array]]:
    """The angles that RANGES_DEG limits: "left knee flexion" -> the part and its degrees (F,).

    Knee and elbow: between the two bones, 0 straight; a knee that bends forward is negative. Hip: of the
    thigh before the pelvis in its middle plane, and out of that plane. Ankle: between shin and sole, 0 at a
    right angle. Shoulder: of the arm behind the plane of the trunk, and away from hanging; negative where it
    passes through the trunk to the other side. Wrist: to the palm, and to the little finger. Limbs that are
    not mapped whole are left out.
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
    ahead = np.degrees(np.arctan2(-thigh[:, 1], np.maximum(-thigh[:, 2], -0.2)))
    yield {"hip flexion": ahead, "hip abduction": arcsin_deg(thigh[:, 0])}
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
    }
    yield {"elbow flexion": 90 - arcsin_deg(quat.rotate(turn_in(frames, upper, lower), LEFT)[:, 0])}
    # Seen from the hand, so that it does not matter whether a rig turns the palm in the forearm or the wrist.
    back = quat.rotate(quat.inv(turn_in(frames, lower, hand)), LEFT)
    yield {
        "wrist flexion": np.degrees(np.arctan2(back[:, 2], back[:, 0])),
        "wrist ulnar deviation": arcsin_deg(-back[:, 1]),
    }


def _beyond(motion: Motion, body: BodyMap, part: str, name: str, degrees: Array) -> list[Finding]:
    """Findings where degrees (F,) leave the range called `name` by more than the tolerance."""
    low, high = RANGES_DEG[name]
    over = np.maximum(degrees - high, low - degrees)
    joint = motion.skeleton.names[body.require(part)]
    out = []
    for start, stop in _stretches(over > _TOLERANCE_DEG, motion.rate, _LEAST_S):
        worst = float(degrees[start:stop][np.argmax(over[start:stop])])
        text = f"{joint}: {name} of {worst:.0f} degrees, normal is {low:.0f} to {high:.0f}"
        out.append(Finding("range", joint, start, stop, float(over[start:stop].max()), "deg", False, text))
    return out


def _stretches(mask: Mask, rate: float, least_s: float) -> Iterator[tuple[int, int]]:
    """Runs of a mask (F,) that last so long, short pauses bridged."""
    starts, stops = runs(~mask)
    short = (stops - starts < _BREAK_S * rate) & (starts > 0) & (stops < len(mask))
    for start, stop in zip(*runs(mask | filled(len(mask), starts[short], stops[short])), strict=True):
        if stop - start >= least_s * rate:
            yield int(start), int(stop)


def _flipped(motion: Motion, body: BodyMap, frames: Frames) -> list[Finding]:
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
            for start, stop in _stretches(mask, motion.rate, _TURNED_OVER_S):
                name = motion.skeleton.names[body.require(foot)]
                text = f"{name} {what} for {(stop - start) / motion.rate:.1f} s: its sensor may be"
                out.append(Finding("flipped", name, start, stop, 180.0, "deg", False, text))
    return out


def _bones(motion: Motion, body: BodyMap) -> list[Finding]:
    """Bones whose length changes; those down to the hips are the body's way, not bones."""
    out = []
    hips = body.get("hips")
    way = set(motion.skeleton.path_to(hips)) if hips is not None else set()
    for joint in motion.translations.keys() - way:
        track = motion.translations[joint]
        size = quat.length(track)
        middle = float(np.median(size))
        if motion.skeleton.parents[joint] < 0 or middle < 1e-6:
            continue
        change = np.abs(size / middle - 1)
        if quat.length(np.ptp(track, axis=0)) > 0.5 * motion.skeleton.height:
            continue  # it travels: a thing of its own
        for start, stop in _stretches(change > _BONE_SHARE, motion.rate, 0.0):
            worst = 100 * float(change[start:stop].max())
            name = motion.skeleton.names[joint]
            text = f"the bone up to {name} changes its length by {worst:.0f} %"
            out.append(Finding("bone", name, start, stop, worst, "%", False, text))
    return out
