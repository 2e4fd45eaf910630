"""Channels that no body can have made: joints beyond the human range, swapped sides, turned feet, odd bones.

Found and said, never changed: which sensor sat where only the session knows. The ranges are no medical
assessment.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from . import quat
from .body_map import BodyMap, rest_facing
from .checks import Array
from .contacts import chain_in_model, sole_offsets
from .health_findings import Finding
from .motion import Motion
from .series import runs

# Normal ranges of motion in degrees (American Academy of Orthopaedic Surgeons, Joint Motion: Method of
# Measuring and Recording, 1965, as tabled in Norkin and White, Measurement of Joint Motion; values from
# memory).
RANGES_DEG: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "knee flexion": (-10.0, 135.0),
        "elbow flexion": (0.0, 150.0),
        "hip flexion": (-30.0, 120.0),
        "ankle dorsiflexion": (-50.0, 20.0),
    }
)
_TOLERANCE_DEG = (
    15.0  # a suit is no goniometer, and a trained performer exceeds a norm (common practice, no source)
)
_LEAST_S = 0.05  # shorter excursions are left to the spikes
_TURNED_OVER_S = 0.5
_BONE_SHARE = 0.02  # a bone that changes its length by more is reported


def body_findings(motion: Motion, body: BodyMap) -> list[Finding]:
    """Findings of kinds "range", "swapped", "flipped" and "bone"."""
    out = _bones(motion)
    for name, (part, degrees) in joint_angles(motion, body).items():
        out += _beyond(motion, body, part, name.split(" ", 1)[1], degrees)
    return out + _swapped(motion, body) + _flipped(motion, body)


def joint_angles(motion: Motion, body: BodyMap) -> dict[str, tuple[str, Array]]:
    """The angles that RANGES_DEG limits: "left knee flexion" -> the part and its degrees (F,).

    Knee and elbow: between the two bones, 0 straight; a knee that bends forward is negative. Hip: of the
    thigh before the pelvis, in its middle plane. Ankle: between shin and sole, 0 as at rest. Parts that are
    not mapped are left out.
    """
    out = {}
    for side in ("left", "right"):
        if leg := _limb(motion, body, side, ("UpperLeg", "LowerLeg", "Foot")):
            thigh, shin, front = leg
            out[f"{side} knee flexion"] = (f"{side}LowerLeg", _bend(thigh, shin, front))
            out[f"{side} hip flexion"] = (f"{side}UpperLeg", _hip_flexion(motion, body, thigh))
            foot = f"{side}Foot"
            out[f"{side} ankle dorsiflexion"] = (foot, _dorsiflexion(motion, body, foot, shin))
        if arm := _limb(motion, body, side, ("UpperArm", "LowerArm", "Hand")):
            upper, lower, _ = arm
            out[f"{side} elbow flexion"] = (f"{side}LowerArm", np.abs(_bend(upper, lower, None)))
    return out


def _limb(
    motion: Motion, body: BodyMap, side: str, names: tuple[str, str, str]
) -> tuple[Array, Array, Array] | None:
    """Unit directions (F, 3): the upper and the lower bone, the upper one's front. None when not mapped."""
    joints = [body.get(side + name) for name in names]
    if None in joints:
        return None
    chain, turned, at = chain_in_model(motion, body.require(side + names[2]))
    upper, lower, end = (chain.index(body.require(side + name)) for name in names)
    rest = motion.skeleton.rest_model[0][body.require(side + names[0])]
    front = _turned(motion, body, turned[:, upper], rest)
    return _unit(at[:, lower] - at[:, upper]), _unit(at[:, end] - at[:, lower]), front


def _turned(motion: Motion, body: BodyMap, rotation: Array, rest: Array) -> Array:
    """Where what faced forward at rest faces now (F, 3)."""
    ahead = quat.rotate(quat.from_yaw(rest_facing(motion.skeleton, body)), np.array([0.0, -1.0, 0.0]))
    return quat.rotate(quat.mul(rotation, quat.inv(rest)), ahead)


def _unit(v: Array) -> Array:
    return v / np.maximum(quat.length(v)[..., None], 1e-12)


def _dot(a: Array, b: Array) -> Array:
    return np.einsum("...i,...i->...", a, b)


def _bend(upper: Array, lower: Array, front: Array | None) -> Array:
    """Degrees (F,) between two bones; negative where the lower one bends to the `front`."""
    angle = np.degrees(np.arctan2(quat.length(np.cross(upper, lower)), _dot(upper, lower)))
    return angle if front is None else np.where(_dot(lower, front) > _dot(upper, front) + 0.05, -angle, angle)


def _hip_flexion(motion: Motion, body: BodyMap, thigh: Array) -> Array:
    hips = body.require("hips")
    _, turned, _ = chain_in_model(motion, hips)
    rest = motion.skeleton.rest_model[0][hips]
    front = _turned(motion, body, turned[:, -1], rest)
    down = quat.rotate(quat.mul(turned[:, -1], quat.inv(rest)), np.array([0.0, 0.0, -1.0]))
    return np.degrees(np.arctan2(_dot(thigh, front), np.maximum(_dot(thigh, down), -0.2)))


def _dorsiflexion(motion: Motion, body: BodyMap, foot: str, shin: Array) -> Array:
    sole = sole_offsets(motion.skeleton, body)[body.feet.index(foot)]
    joint = body.require(foot)
    _, turned, _ = chain_in_model(motion, joint)
    rest, at = motion.skeleton.rest_model
    along = sole[1] - sole[0]
    now = _bend(shin, _unit(quat.rotate(turned[:, -1], along)), None)
    knee = body.require(foot.replace("Foot", "LowerLeg"))
    then = _bend(_unit(at[joint] - at[knee]), _unit(quat.rotate(rest[joint], along)), None)
    return now - then


def _beyond(motion: Motion, body: BodyMap, part: str, name: str, degrees: Array) -> list[Finding]:
    """Findings where degrees (F,) leave the range called `name` by more than the tolerance."""
    low, high = RANGES_DEG[name]
    over = np.maximum(degrees - high, low - degrees)
    joint = motion.skeleton.names[body.require(part)]
    out = []
    for start, stop in zip(*(edges.tolist() for edges in runs(over > _TOLERANCE_DEG)), strict=True):
        if stop - start >= _LEAST_S * motion.rate:
            worst = float(degrees[start:stop][np.argmax(over[start:stop])])
            text = f"{joint}: {name} of {worst:.0f} degrees, normal is {low:.0f} to {high:.0f}"
            out.append(
                Finding("range", joint, start, stop, float(over[start:stop].max()), "deg", False, text)
            )
    return out


def _swapped(motion: Motion, body: BodyMap) -> list[Finding]:
    """Shins that fit the other side's thigh much better than their own: their sensors were exchanged."""
    limbs = [_limb(motion, body, side, ("UpperLeg", "LowerLeg", "Foot")) for side in ("left", "right")]
    if None in limbs:
        return []
    (thigh_l, shin_l, front_l), (thigh_r, shin_r, front_r) = limbs  # type: ignore[misc]

    def wrong(a: Array, b: Array) -> float:  # how far knees bend forward, degrees, mean over frames
        bends = np.stack([_bend(thigh_l, a, front_l), _bend(thigh_r, b, front_r)])
        return float(np.maximum(-bends - 5.0, 0.0).mean())

    own, crossed = wrong(shin_l, shin_r), wrong(shin_r, shin_l)
    if own < 1.0 or crossed > 0.3 * own:
        return []
    joint = motion.skeleton.names[body.require("leftLowerLeg")]
    text = f"knees bend forward by {own:.0f} degrees on average; with left and right exchanged they would not"
    return [Finding("swapped", joint, 0, len(motion), own, "deg", False, text)]


def _flipped(motion: Motion, body: BodyMap) -> list[Finding]:
    """Feet whose sole looks up for half a second and more, on a body that stands."""
    out = []
    hips = chain_in_model(motion, body.require("hips"))[2][:, -1, 2]
    for foot in body.feet:
        joint = body.require(foot)
        _, turned, at = chain_in_model(motion, joint)
        rest = motion.skeleton.rest_model[0][joint]
        top = quat.rotate(quat.mul(turned[:, -1], quat.inv(rest)), np.array([0.0, 0.0, 1.0]))[:, 2]
        under = hips - at[:, -1, 2] > 0.5 * (np.percentile(hips - at[:, -1, 2], 90))
        for start, stop in zip(*(edges.tolist() for edges in runs((top < -0.5) & under)), strict=True):
            if stop - start >= _TURNED_OVER_S * motion.rate:
                name = motion.skeleton.names[joint]
                text = f"{name} is turned over for {(stop - start) / motion.rate:.1f} s: its sensor may be"
                out.append(Finding("flipped", name, start, stop, 180.0, "deg", False, text))
    return out


def _bones(motion: Motion) -> list[Finding]:
    """Bones whose length changes."""
    out = []
    for joint, track in motion.translations.items():
        size = quat.length(track)
        middle = float(np.median(size))
        if motion.skeleton.parents[joint] < 0 or middle < 1e-6:
            continue
        change = np.abs(size / middle - 1)
        if quat.length(np.ptp(track, axis=0)) > 0.5 * motion.skeleton.height:
            continue  # it travels: a root of its own
        for start, stop in zip(*(edges.tolist() for edges in runs(change > _BONE_SHARE)), strict=True):
            worst = 100 * float(change[start:stop].max())
            name = motion.skeleton.names[joint]
            text = f"the bone up to {name} changes its length by {worst:.0f} %"
            out.append(Finding("bone", name, start, stop, worst, "%", False, text))
    return out
