"""Bodies that stay in one place, with the truth about what carries them: both feet, a seat, knees or hands.

All on the humanoid of tests/synthetic.py, at the rate asked for, its feet (and hands) held by inverse
kinematics of the tests' own.
"""

from __future__ import annotations

import numpy as np

import ground_takes
import synthetic
from takemill.base.checks import Array
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.body.posed import joint_in_model
from takemill.feet.leg_ik import place_ankles
from takemill.feet.soles import foot_points
from takemill.maths import filters, quat

_X, _Y, _Z = np.eye(3)


def body_of(motion: Motion) -> BodyMap:
    """The parts of the synthetic humanoid."""
    return BodyMap.from_names(motion.skeleton, synthetic.parts())


def ease(t: Array) -> Array:
    """0 to 1 with level ends and level bends."""
    t = np.clip(t, 0, 1)
    return t**3 * (10 - 15 * t + 6 * t * t)


def there_and_back(seconds: Array, duration_s: float) -> Array:
    """0, then 1 from 0.4 to 0.6 of the time, then 0."""
    share = seconds / duration_s
    return ease((share - 0.15) / 0.25) - ease((share - 0.6) / 0.25)


def on_both_feet(kind: str, rate: float = 60.0, duration_s: float = 5.0, straight: float = 0.9976) -> Motion:
    """A "bow", a "squat" or "tai-chi" shifts of weight over feet that stand throughout.

    Legs are stretched to the share `straight` of their length at both ends, and no further in between.
    """
    motion = synthetic.idle(rate=rate, duration_s=duration_s).motion
    body, t = body_of(motion), np.arange(len(motion)) / rate
    feet = {foot: joint_in_model(motion, body.require(foot)) for foot in body.feet}
    up, (rotations, path) = (
        there_and_back(t, t[-1]),
        (motion.rotations.copy(), motion.root_translation.copy()),
    )
    reach = straight * 0.81  # the thigh and shin of tests/synthetic.py
    path[:, 2] = 0.08 + 0.04 + np.sqrt(reach**2 - 0.01**2)  # ankle, hip joint, feet 1 cm nearer than hips
    lean, spine = {"bow": (40, 40), "squat": (30, 10), "tai-chi": (0, 0)}[kind]
    rotations[:, 0] = quat.mul(rotations[:, 0], quat.from_axis_angle(_X, up * np.radians(lean)))
    joint = motion.skeleton.index("spine")
    rotations[:, joint] = quat.mul(rotations[:, joint], quat.from_axis_angle(_X, up * np.radians(spine)))
    path[:, 1] += {"bow": 0.12, "squat": 0.1, "tai-chi": 0.0}[kind] * up
    path[:, 2] -= {"bow": 0.0, "squat": 0.35, "tai-chi": 0.12}[kind] * up
    if kind == "tai-chi":
        path[:, 0] += 0.07 * np.sin(2 * np.pi * t / 2.5) * up
        rotations[:, 0] = quat.mul(rotations[:, 0], quat.from_yaw(0.3 * np.sin(2 * np.pi * t / 2.5 + 1) * up))
    posed = motion.with_rotations(rotations).with_translation(0, path)
    sink = np.zeros(len(motion))
    for foot, (_, ankle) in feet.items():
        hip = joint_in_model(posed, body.require(foot.replace("Foot", "UpperLeg")))[1]
        aside = np.linalg.norm((hip - ankle)[:, :2], axis=-1)
        sink = np.maximum(sink, (hip - ankle)[:, 2] - np.sqrt(reach**2 - aside**2))
    low = posed.with_translation(0, path - sink[:, None] * _Z)
    low = place_ankles(low, body, {foot: ankle for foot, (_, ankle) in feet.items()})
    return ground_takes.turn_feet(low, body, {foot: turned for foot, (turned, _) in feet.items()})


def on_one_knee(rate: float = 60.0, duration_s: float = 5.0) -> Motion:
    """From a lunge down onto the left knee and up again; the left foot stands on its ball throughout."""
    motion = synthetic.idle(rate=rate, duration_s=duration_s).motion
    body, t = body_of(motion), np.arange(len(motion)) / rate
    down = there_and_back(t, t[-1])[:, None]
    turned, ankle = joint_in_model(motion, body.require("leftFoot"))
    ball = foot_points(motion, body)[:, body.feet.index("leftFoot"), 1]
    rise = quat.from_axis_angle(_X, np.radians(35 + 30 * down[:, 0]))
    ahead = np.array([0.0, -0.3, 0.0])
    goals = {
        "leftFoot": ball - ahead + quat.rotate(rise, ankle - ball),
        "rightFoot": joint_in_model(motion, body.require("rightFoot"))[1] + ahead,
    }
    hip, knee = (joint_in_model(motion, body.require(f"left{part}Leg"))[1] for part in ("Upper", "Lower"))
    thigh, shin = (np.linalg.norm(one, axis=-1) for one in (knee - hip, ankle - knee))
    foot = goals["leftFoot"]
    low = foot[:, 1] - np.sqrt(shin**2 - (foot[:, 2] - _KNEE_M) ** 2)
    kneeling = np.stack([hip[:, 0], low + 0.1 * thigh, _KNEE_M + 0.99 * thigh], axis=-1) - hip
    path = motion.root_translation + (1 - down) * [0.0, 0.0, -0.12] + down * kneeling
    out = ground_takes.reached(motion.with_translation(0, path), body, goals)
    turns = {
        "leftFoot": quat.mul(rise, turned),
        "rightFoot": joint_in_model(motion, body.require("rightFoot"))[0],
    }
    return ground_takes.turn_feet(out, body, turns)


def slid(motion: Motion, speed_m_s: float = 0.1) -> Motion:
    """The take slid evenly over the floor, as by a suit."""
    t = np.arange(len(motion))[:, None] / motion.rate
    return motion.with_translation(0, motion.root_translation + speed_m_s * t * [0.6, 0.8, 0.0])


_KNEE_M = 0.06  # how high a knee's joint lies over the floor that it kneels on
_REST_TURNS = {"sit": 0.0, "kneel": 0.0, "hands": np.pi, "insteps": 0.0, "fours": np.radians(80.0)}
# Of thigh, shin and foot, degrees about +X, each in the space of its parent.
_LEG_TURNS = {
    "sit": (-85, 75, 0),
    "kneel": (-5, 125, 75),
    "hands": (0, 10, 0),
    "insteps": (0, 92, 60),
    "fours": (-80, 92, 60),
}
_ANCHORS = {
    "sit": (("hips",), [0.0, 0.35, 0.85]),
    "kneel": (("left_lower_leg", "right_lower_leg"), [0.0, -0.05, 0.06]),
    "hands": (("left_hand", "right_hand"), [0.0, -0.45, 0.05]),
    "insteps": (("left_lower_leg", "right_lower_leg"), [0.0, -0.05, 0.06]),
    "fours": (("left_lower_leg", "right_lower_leg"), [0.0, -0.05, 0.06]),
}


def at_rest(kind: str, rate: float = 60.0, rest_s: float = 4.0) -> tuple[Motion, Array]:
    """Standing, then a rest, then standing again; and how much (F,) of each pose is the rest's.

    "sit" on a high seat with feet that swing in the air, "kneel" with feet that swing behind, or on the
    "hands" upside down, legs swinging. With shins and the backs of the feet flat on the floor it kneels on
    its "insteps", or on hands and knees ("fours"), and only the trunk sways. What carries the body stays in
    its place; in between it goes over in a second.
    """
    stand_s, over_s = 1.5, 1.0
    frames = round((2 * (stand_s + over_s) + rest_s) * rate) + 1
    t = np.arange(frames) / rate
    part = ease((t - stand_s) / over_s) - ease((t - stand_s - over_s - rest_s) / over_s)
    standing = synthetic.idle(rate=rate, duration_s=float(t[-1])).motion.slice(0, frames)
    skeleton, rotations = standing.skeleton, np.tile(quat.IDENTITY, (frames, len(standing.skeleton), 1))
    swing = np.radians(20) * np.sin(2 * np.pi * t / 1.7)
    sway = 0.15 * np.sin(2 * np.pi * t / 2.3) * (kind != "fours")
    rotations[:, 0] = quat.from_axis_angle(_X, _REST_TURNS[kind] + sway)
    thigh, shin, foot = _LEG_TURNS[kind]
    is_flat = kind in ("insteps", "fours")
    swing *= not is_flat
    for sign, side in ((1, "left"), (-1, "right")):
        hip = np.radians(thigh) + (sign * swing if kind == "hands" else 0.0) - is_flat * sway
        # A positive turn about +X swings what hangs down backwards (+Y).
        rotations[:, skeleton.index(f"{side}_upper_leg")] = quat.from_axis_angle(_X, hip + 0 * t)
        rotations[:, skeleton.index(f"{side}_lower_leg")] = quat.from_axis_angle(
            _X, np.radians(shin) + sign * swing
        )
        rotations[:, skeleton.index(f"{side}_foot")] = quat.from_axis_angle(_X, np.radians(foot) + 0 * t)
        arm = quat.from_axis_angle(_Y, sign * (-1.5 if kind == "hands" else 1.25) + 0 * t)
        if kind == "fours":  # from the side forward, out of the chest
            arm = quat.from_axis_angle(_Z, -sign * np.radians(90.0) + 0 * t)
        rotations[:, skeleton.index(f"{side}_upper_arm")] = arm
    resting = standing.with_rotations(rotations)
    names, place = _ANCHORS[kind]
    anchor = np.mean([joint_in_model(resting, skeleton.index(name))[1] for name in names], axis=0)
    path = resting.root_translation + np.array(place) - anchor
    mixed = quat.slerp(standing.rotations, rotations, part[:, None])
    path = standing.root_translation + part[:, None] * (path - standing.root_translation)
    taken = standing.with_rotations(mixed).with_translation(0, path)
    low = np.minimum(
        taken.model()[1][..., 2].min(axis=1), foot_points(taken, body_of(taken))[..., 2].min(axis=(1, 2))
    )
    over = (part > 1e-6) & (part < 1 - 1e-6)  # no foot goes through the floor on its way
    lift = filters.moving_max(np.where(over, np.maximum(-low, 0.0), 0.0), round(0.1 * rate))
    lift = np.where(over, filters.moving_mean(lift, round(0.1 * rate)), 0.0)
    return taken.with_translation(0, path + lift[:, None] * _Z), part
