"""Which side a pair of legs stands on, where each leg by itself bends as legs bend.

With the sensors of both whole legs exchanged every joint stays within its range: only how the two legs lie
to each other, and how a step carries the body, shows it. If arms hung down while the suit was calibrated,
exchanged ones swing with the leg of their own side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Mask
from ..body.body_map import BodyMap
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..body.skeleton import Skeleton
from ..maths import filters, quat, series
from .limb_frames import FRONT, LEFT, UP, Frames, turn_in

# Limits without a note of their own were chosen by eye.
_LOOKED_RATE_HZ = 30.0  # frames a second that are looked at; a step is slow
# Leg lengths from shin to shin, or knee to knee: thinner than a bone and its flesh.
_MIN_CLEARANCE_LEGS = 0.05
_MIN_PASSED_SHARE = 0.01  # of the frames in which shins pass through each other; clean open motions have none
_MAX_REMAINING_SHARE = 0.1  # of those frames may be left with the legs exchanged
# Leg lengths by which ankles pass each other sideways, and the share of the frames in which they do.
_MIN_CROSSING_LEGS, _MIN_CROSSED_SHARE = 0.02, 0.4
_MIN_INWARD_DEG = 8.0  # toes that point to the other foot
_ALONG_FLOOR = np.array([1.0, 1.0, 0.0])  # takes the height out of a vector
_MIN_STEP_SPEED_LEGS_S = 0.6  # of the hips over the lower foot: a body that stands steps nowhere
_MIN_STEPS_S = 0.5  # seconds of steps in all, from which correlations are taken
_MAX_PELVIS_TURN_RAD_S = 2.0  # one that whirls is thrown outward; an estimate, no source
_MIN_LIFT_LEGS, _MIN_UPRIGHT_LEGS = 0.03, 0.7  # leg lengths: one foot over the other, hips over the lower one
_SMOOTHING_S = 0.12  # half the window of a moving mean, before accelerations are taken
_MIN_CORRELATION = 0.25  # what is less may be an accident of a few steps; an estimate, no source
_MIN_SWING_CORRELATION = 0.5  # of the swing of arms and legs
_MIN_SWING_DEG = 8.0  # standard deviation of a swing that counts
_MIN_FOOT_SHARE = 0.1  # of the steps' time over one foot: less is no walk


@dataclass(frozen=True)
class LegSizes:
    """Metres at rest.

    Attributes:
        hips: (3,) from the right to the left hip joint, in the pelvis's axes.
        thigh, shin: of the two sides' mean leg.
    """

    hips: Array
    thigh: float
    shin: float


@dataclass(frozen=True)
class Sides:
    """How the two legs lie to each other and carry the body.

    Attributes:
        passed: share of frames in which a shin goes through the other.
        crossed: share of frames in which the left foot is right of the right one.
        toes_deg: how far the toes point outward, the middle of both feet and all frames.
        falls: correlation, while the hips pass over the lower foot in steps, between how far they are beside
            it and how they are accelerated away from it: a body falls away from the foot that it stands on,
            as an inverted pendulum does; 0 where there are no steps.
        swing: correlation, in the same steps, of the legs' swing with that of the arms of the same side; 0
            where neither swings enough.
    """

    passed: float
    crossed: float
    toes_deg: float
    falls: float
    swing: float

    def explain_legs(self, exchanged: Sides) -> str:
        """Why these legs look exchanged, in words, and those "exchanged" right; "" where they do not."""
        if self.passed >= _MIN_PASSED_SHARE and exchanged.passed <= _MAX_REMAINING_SHARE * self.passed:
            return (
                f"they pass through one another in {100 * self.passed:.0f} % of the frames, and in "
                f"{100 * exchanged.passed:.0f} % with left for right"
            )
        if self.crossed >= _MIN_CROSSED_SHARE and self.toes_deg <= -_MIN_INWARD_DEG < exchanged.toes_deg:
            return f"the feet are crossed in {100 * self.crossed:.0f} % of the frames, with toes turned in"
        if self.falls <= -_MIN_CORRELATION and self.swing >= _MIN_SWING_CORRELATION and exchanged.falls > 0:
            return "in steps the body leans the wrong way over its feet, and arms swing with their own leg"
        return ""

    def explain_arms(self) -> str:
        """Why arms look exchanged over legs that are right, in words; "" where they do not."""
        if self.falls >= _MIN_CORRELATION and self.swing >= _MIN_SWING_CORRELATION:
            return "in steps they swing with the leg of their own side, while the legs are right"
        return ""


def leg_sizes(skeleton: Skeleton, body: BodyMap) -> LegSizes:
    """The legs of a body that has both."""
    at = skeleton.reference_model[1]

    def span(first: str, second: str) -> Array:
        return at[body.require(second)] - at[body.require(first)]

    thigh, shin = (
        float(np.mean([np.linalg.norm(span(side + above, side + below)) for side in SIDES]))
        for above, below in (("UpperLeg", "LowerLeg"), ("LowerLeg", "Foot"))
    )
    apart = float(np.linalg.norm(span("rightUpperLeg", "leftUpperLeg")))
    return LegSizes(apart * LEFT, thigh, shin)


def thin_frames(motion: Motion) -> Motion:
    """A take at some 30 frames a second: every second or fourth frame, or whatever its rate asks for."""
    step = max(round(motion.rate / _LOOKED_RATE_HZ), 1)
    tracks = {joint: track[::step] for joint, track in motion.translations.items()}
    return Motion(
        motion.skeleton, motion.rate / step, motion.rotations[::step], motion.root_translation[::step], tracks
    )


def sides(frames: Frames, sizes: LegSizes, rate: float) -> Sides:
    """How the legs of `limb_frames` (F, 4) lie and step; the arms, where they are mapped, swing along."""
    hip, knee, ankle = _leg_points(frames, sizes)
    size = sizes.thigh + sizes.shin
    # Thighs touch further up without a fault; and the larger of two frames counts, so that no spike does.
    near = np.minimum(_gap(knee, ankle), _gap(0.4 * hip + 0.6 * knee, knee))
    left = quat.rotate(frames["hips"], LEFT)
    apart = ((ankle[:, 0] - ankle[:, 1]) * left).sum(axis=-1)
    falls, swing = _step_correlations(frames, (hip, ankle), size, rate)
    return Sides(
        passed=float((np.maximum(near[1:], near[:-1]) < _MIN_CLEARANCE_LEGS * size).mean())
        if len(near) > 1
        else 0.0,
        crossed=float((apart < -_MIN_CROSSING_LEGS * size).mean()),
        toes_deg=float(np.median([_outward_deg(frames, side) for side in SIDES])),
        falls=falls,
        swing=swing,
    )


def _leg_points(frames: Frames, sizes: LegSizes) -> tuple[Array, Array, Array]:
    """Hip joints, knees and ankles (F, 2, 3), left and right, about the middle of the hips, metres."""
    half = quat.rotate(frames["hips"], sizes.hips / 2)
    hip = np.stack([half, -half], axis=1)
    thigh, shin = (
        np.stack([quat.rotate(frames[side + part], -length * UP) for side in SIDES], axis=1)
        for part, length in (("UpperLeg", sizes.thigh), ("LowerLeg", sizes.shin))
    )
    return hip, hip + thigh, hip + thigh + shin


def _gap(first: Array, second: Array) -> Array:
    """Least distance (F,) of the left and the right bone from `first` to `second` (F, 2, 3).

    The closest points of two segments: Ericson, Real-Time Collision Detection, 2005, section 5.1.9.
    """
    along = second - first
    apart = first[:, 0] - first[:, 1]
    both = (along[:, 0] * along[:, 1]).sum(axis=-1)
    square = np.maximum((along**2).sum(axis=-1), 1e-12)
    ahead = (along * apart[:, None]).sum(axis=-1)
    skew = np.maximum(square[:, 0] * square[:, 1] - both**2, 1e-12)
    on_left = np.clip((both * ahead[:, 1] - ahead[:, 0] * square[:, 1]) / skew, 0.0, 1.0)
    on_right = np.clip((both * on_left + ahead[:, 1]) / square[:, 1], 0.0, 1.0)
    on_left = np.clip((both * on_right - ahead[:, 0]) / square[:, 0], 0.0, 1.0)
    return quat.length(apart + on_left[:, None] * along[:, 0] - on_right[:, None] * along[:, 1])


def _outward_deg(frames: Frames, side: str) -> Array:
    """Degrees (F,) that a foot points outward, seen from the pelvis."""
    toes = quat.rotate(turn_in(frames, "hips", f"{side}Foot"), FRONT)
    return np.degrees(np.arctan2(toes[:, 0], -toes[:, 1]))


def _step_correlations(
    frames: Frames, hip_and_ankle: tuple[Array, Array], size: float, rate: float
) -> tuple[float, float]:
    """The correlations `falls` and `swing` of Sides."""
    hip, ankle = hip_and_ankle
    wide = max(round(_SMOOTHING_S * rate), 1)
    if len(hip) < 8 * wide:
        return 0.0, 0.0
    left = quat.rotate(frames["hips"], LEFT) * _ALONG_FLOOR
    left /= np.maximum(quat.length(left)[:, None], 1e-9)
    calm = quat.length(series.derivative(left, rate)) < _MAX_PELVIS_TURN_RAD_S
    beside, accelerated, steps = [], [], []
    for k in range(2):
        over = filters.moving_mean(filters.moving_mean(hip.mean(axis=1) - ankle[:, k], wide), wide)
        speed = series.derivative(over, rate)
        step = ankle[:, k, 2] < ankle[:, 1 - k, 2] - _MIN_LIFT_LEGS * size
        step &= (
            calm
            & (over[:, 2] > _MIN_UPRIGHT_LEGS * size)
            & (quat.length(speed * _ALONG_FLOOR) > _MIN_STEP_SPEED_LEGS_S * size)
        )
        step[: 2 * wide] = step[len(step) - 2 * wide :] = False  # where the smoothing reaches past the ends
        beside.append((over * left).sum(axis=-1)[step])
        accelerated.append((series.derivative(speed, rate) * left).sum(axis=-1)[step])
        steps.append(step)
    either = steps[0] | steps[1]
    seconds = either.sum() / rate
    if seconds < _MIN_STEPS_S or min(step.sum() for step in steps) < _MIN_FOOT_SHARE * either.sum():
        return 0.0, 0.0
    return _correlation(np.concatenate(beside), np.concatenate(accelerated)), _swing_correlation(
        frames, either
    )


def _swing_correlation(frames: Frames, steps: Mask) -> float:
    if any(f"{side}Hand" not in frames for side in SIDES):
        return 0.0
    legs, arms = (
        np.subtract(*(_ahead_deg(frames, side + part, axis)[steps] for side in SIDES))
        for part, axis in (("UpperLeg", -UP), ("UpperArm", LEFT))
    )
    if min(legs.std(), arms.std()) < _MIN_SWING_DEG:
        return 0.0
    return _correlation(legs - legs.mean(), arms - arms.mean())


def _correlation(first: Array, second: Array) -> float:
    """Of two series (N,) about 0."""
    size = float(np.sqrt((first**2).sum() * (second**2).sum()))
    return float((first * second).sum()) / size if size > 0 else 0.0


def _ahead_deg(frames: Frames, part: str, axis: Array) -> Array:
    """Degrees (F,) that a bone along `axis` of its frame swings ahead of the pelvis."""
    bone = quat.rotate(turn_in(frames, "hips", part), axis)
    return np.degrees(np.arctan2(-bone[:, 1], np.maximum(-bone[:, 2], 0.2)))
