"""Seeded synthetic motion whose contacts, period and path are known, on a small humanoid of our own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from takemill.base.checks import Array, Mask
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.maths import quat

# name, parent, offset from the parent (metres; Z up, facing -Y), VRM 1.0 part
_JOINTS = (
    ("hips", "", (0, 0, 0.93), "hips"),
    ("spine", "hips", (0, 0, 0.12), "spine"),
    ("chest", "spine", (0, 0, 0.16), "chest"),
    ("neck", "chest", (0, 0, 0.24), "neck"),
    ("head", "neck", (0, 0, 0.10), "head"),
    *(
        (f"{side}_{name}", parent.format(side), (sign * x, y, z), f"{side}{part}")
        for side, sign in (("left", 1), ("right", -1))
        for name, parent, (x, y, z), part in (
            ("shoulder", "chest", (0.04, 0, 0.18), "Shoulder"),
            ("upper_arm", "{}_shoulder", (0.14, 0, 0), "UpperArm"),
            ("lower_arm", "{}_upper_arm", (0.28, 0, 0), "LowerArm"),
            ("hand", "{}_lower_arm", (0.25, 0, 0), "Hand"),
            ("upper_leg", "hips", (0.10, 0, -0.04), "UpperLeg"),
            ("lower_leg", "{}_upper_leg", (0, 0, -0.41), "LowerLeg"),
            ("foot", "{}_lower_leg", (0, 0, -0.40), "Foot"),
            ("toes", "{}_foot", (0, -0.13, -0.06), "Toes"),
        )
    ),
)
_TIPS = (("head", (0, 0, 0.20)), ("left_hand", (0.17, 0, 0)), ("right_hand", (-0.17, 0, 0)),
         ("left_foot", (0, 0.05, -0.08)), ("left_toes", (0, -0.07, -0.02)),
         ("right_foot", (0, 0.05, -0.08)), ("right_toes", (0, -0.07, -0.02)))  # fmt: skip

HEEL = np.array([0.0, 0.05, -0.08])  # on the sole, from the ankle
BALL = np.array([0.0, -0.13, -0.08])
_THIGH, _SHIN, _ANKLE = 0.41, 0.40, 0.08


def skeleton(scale: float = 1.0) -> Skeleton:
    """A humanoid of 21 joints, 1.75 m tall at `scale` 1, at rest in a T pose facing -Y."""
    names = tuple(joint[0] for joint in _JOINTS)
    return Skeleton(
        names,
        tuple(names.index(parent) if parent else -1 for _, parent, _, _ in _JOINTS),
        scale * np.array([offset for _, _, offset, _ in _JOINTS], float),
        np.tile(quat.IDENTITY, (len(names), 1)),
        tuple(names.index(name) for name, _ in _TIPS),
        scale * np.array([offset for _, offset in _TIPS], float),
    )


def parts() -> dict[str, str]:
    """VRM part -> joint name of `skeleton`."""
    return {part: name for name, _, _, part in _JOINTS}


@dataclass(frozen=True)
class Known:
    """A motion and the truth about it.

    Attributes:
        heel, toe: (F, 2) left and right: on the floor, by construction.
        path: (F, 2) the hips over the floor, metres, before sway.
        heading: (F,) radians.
        period: frames of one cycle (two steps) once under way; 0 when there is none.
        steady: [start, stop) frames in which the motion repeats with `period`.
    """

    motion: Motion
    heel: Mask
    toe: Mask
    path: Array
    heading: Array
    period: int
    steady: tuple[int, int]


def _ease(t: Array) -> Array:
    t = np.clip(t, 0, 1)
    return t**3 * (10 - 15 * t + 6 * t * t)


def _feet(
    t: Array, step_s: float, stance: float, path_at: object, count: int, width: float
) -> tuple[Array, ...]:
    """Ankle pose and contacts of both feet from a footstep plan. Loops over footsteps, not frames."""
    ankle, pitch, turn = (np.zeros((len(t), 2, *s)) for s in ((3,), (), ()))
    heel, toe = np.ones((len(t), 2), bool), np.ones((len(t), 2), bool)
    for foot, side in ((0, 1), (1, -1)):
        # Footprints: the first is under the body; then every second step is this foot's; the last two close
        # up.
        mine = [k for k in range(1, count + 3) if k % 2 == foot and count]
        downs = [-1e9] + [step_s * k for k in mine]
        ups = [*(max(d - 2 * step_s + 2 * stance * step_s, 0.05) for d in downs[1:]), 1e9]
        middles = [0.0] + [step_s * (k + stance) if k <= count else step_s * (count + 2) for k in mine]
        prints = []
        for k, middle in enumerate(middles):
            xy, yaw = path_at(np.array([0.0 if k == 0 else middle]))
            left = quat.rotate(quat.from_yaw(yaw[0]), np.array([side * width, 0.0, 0.0]))
            prints.append((np.array([*xy[0], 0.0]) + left, yaw[0]))
        for k, (place, yaw) in enumerate(prints):
            on = (t >= downs[k]) & (t < ups[k])
            lands = 0.0 if k == 0 else 0.09
            rises = 0.0 if k == len(prints) - 1 else 0.16
            strike = 0.30 * (1 - _ease((t[on] - downs[k]) / lands)) if lands else np.zeros(on.sum())
            rise = -0.75 * _ease((t[on] - ups[k] + rises) / rises) if rises else np.zeros(on.sum())
            pitch[on, foot], turn[on, foot] = strike + rise, yaw
            heel[on, foot], toe[on, foot] = rise > -1e-3, strike < 1e-3
            pivot = np.where((rise < 0)[:, None], BALL, HEEL)
            q = _foot_turn(yaw, pitch[on, foot])
            level = quat.rotate(quat.from_yaw(yaw), pivot)
            ankle[on, foot] = place + np.array([0, 0, _ANKLE]) + level - quat.rotate(q, pivot)
            if k + 1 < len(prints):
                _swing(
                    t, ups[k], downs[k + 1], prints[k], prints[k + 1], foot, (ankle, pitch, turn, heel, toe)
                )
    return ankle, pitch, turn, heel, toe


def _swing(t: Array, up: float, down: float, start: tuple, end: tuple, foot: int, out: tuple) -> None:
    ankle, pitch, turn, heel, toe = out
    air = (t >= up) & (t < down)
    if not air.any():
        return
    part = (t[air] - up) / (down - up)
    ease = _ease(part)
    pitch[air, foot] = -0.75 * (1 - ease) + 0.30 * ease
    turn[air, foot] = start[1] + (end[1] - start[1]) * ease
    leave = (
        start[0] + quat.rotate(quat.from_yaw(start[1]), BALL) - quat.rotate(_foot_turn(start[1], -0.75), BALL)
    )
    land = end[0] + quat.rotate(quat.from_yaw(end[1]), HEEL) - quat.rotate(_foot_turn(end[1], 0.30), HEEL)
    ankle[air, foot] = leave + (land - leave) * ease[:, None] + np.array([0, 0, _ANKLE])
    ankle[air, foot, 2] += 0.07 * np.sin(np.pi * part) ** 2
    heel[air, foot] = toe[air, foot] = False


def _foot_turn(yaw: Array | float, pitch: Array | float) -> Array:
    # Positive pitch lifts the toes: about -X, since the foot points to -Y.
    return quat.mul(quat.from_yaw(yaw), quat.from_axis_angle(np.array([-1.0, 0, 0]), pitch))


def _solve_leg(hip: Array, ankle: Array, forward: Array) -> tuple[Array, Array]:
    """Model rotations (F, 4) of thigh and shin (rest: straight down) that reach the ankle, knee forward."""
    reach = ankle - hip
    length = np.clip(np.linalg.norm(reach, axis=-1), 0.1, (_THIGH + _SHIN) * 0.9999)
    down = reach / np.linalg.norm(reach, axis=-1, keepdims=True)
    axis = np.cross(down, forward)
    axis /= np.linalg.norm(axis, axis=-1, keepdims=True)
    bend_hip = np.arccos(np.clip((_THIGH**2 + length**2 - _SHIN**2) / (2 * _THIGH * length), -1, 1))
    bend_knee = np.pi - np.arccos(np.clip((_THIGH**2 + _SHIN**2 - length**2) / (2 * _THIGH * _SHIN), -1, 1))
    # The frame whose -Z is along the reach and whose -X is the knee's axis (the forward side at -Y).
    frame = quat.from_matrix(np.stack([-axis, np.cross(-down, -axis), -down], axis=-1))
    thigh = quat.mul(quat.from_axis_angle(axis, bend_hip), frame)
    return thigh, quat.mul(quat.from_axis_angle(axis, bend_hip - bend_knee), frame)


def walk(
    *,
    rate: float = 120.0,
    steps: int = 12,
    step_s: float = 0.55,
    step_m: float = 0.5,
    turn_deg: float = 0.0,
    aside_deg: float = 0.0,
    idle_s: float = 1.0,
    scale: float = 1.0,
) -> Known:
    """Stand, walk `steps` steps along a line or an arc, stand. The heading turns by `turn_deg` in all.

    The way leads aside from the heading by `aside_deg`: 90 is a sidestep to the left.
    """
    stop_s = step_s * (steps + 2) if steps else step_s
    t = np.arange(round((stop_s + 2 * idle_s) * rate) + 1) / rate - idle_s
    total, curve = step_m * steps, np.radians(turn_deg)
    fine = np.linspace(0, stop_s, 4001)

    def part_at(s: Array) -> Array:  # quick but smooth start and stop, constant speed between
        ramp = 1.5 * step_s
        speed = _ease(s / ramp) * (1 - _ease((s - stop_s + ramp) / ramp))
        return speed if steps else 0 * s

    travelled = np.concatenate([[0], np.cumsum((part_at(fine)[1:] + part_at(fine)[:-1]) / 2)])
    travelled /= max(travelled[-1], 1.0)
    yaw_fine, travelled = curve * travelled, total * travelled
    step = np.diff(travelled, prepend=0.0)[:, None]
    way = yaw_fine + np.radians(aside_deg)
    xy_fine = np.cumsum(step * np.stack([np.sin(way), -np.cos(way)], axis=-1), axis=0)

    def path_at(s: Array) -> tuple[Array, Array]:
        xy = np.stack([np.interp(s, fine, xy_fine[:, k]) for k in (0, 1)], axis=-1)
        return xy, np.interp(s, fine, yaw_fine)

    ankle, pitch, turn, heel, toe = _feet(t, step_s, 0.62, path_at, steps, 0.09)
    xy, heading = path_at(t)
    moving = part_at(t)
    phase = np.pi * t / step_s
    sway = moving * 0.02 * np.sin(phase)
    hips = np.stack([xy[:, 0], xy[:, 1], 0.85 + 0.012 * moving * np.cos(2 * phase)], axis=-1)
    hips += quat.rotate(quat.from_yaw(heading), np.stack([sway, 0 * sway, 0 * sway], axis=-1))
    motion = _pose(t, rate, hips, heading, moving, phase, (ankle, pitch, turn), scale)
    period = round(2 * step_s * rate)
    first = round((idle_s + 2 * step_s) * rate)
    steady = (first, round((idle_s + stop_s - 3 * step_s) * rate))
    return Known(motion, heel, toe, xy * scale, heading, period if steady[1] > first else 0, steady)


def _pose(
    t: Array, rate: float, hips: Array, heading: Array, moving: Array, phase: Array, feet: tuple, scale: float
) -> Motion:
    skel = skeleton()
    ankle, pitch, turn = feet
    q = np.tile(quat.IDENTITY, (len(t), len(skel), 1))
    ax = np.eye(3)
    swing = moving * np.sin(phase)
    hip_q = quat.mul(quat.from_yaw(heading + 0.06 * swing), quat.from_axis_angle(ax[1], 0.03 * swing))
    q[:, 0] = hip_q
    breath = 0.012 * (1 - moving) * np.sin(2 * np.pi * 0.25 * t)
    q[:, skel.index("spine")] = quat.mul(
        quat.from_yaw(-0.06 * swing), quat.from_axis_angle(ax[0], 0.04 + breath)
    )
    q[:, skel.index("chest")] = quat.mul(
        quat.from_yaw(-0.05 * swing), quat.from_axis_angle(ax[0], -0.02 - breath)
    )
    q[:, skel.index("head")] = quat.from_yaw(0.04 * (1 - moving) * np.sin(2 * np.pi * 0.11 * t))
    for side, sign in (("left", 1), ("right", -1)):
        drop = quat.from_axis_angle(ax[1], sign * (1.25 + 0.02 * (1 - moving) * np.sin(2 * np.pi * 0.25 * t)))
        q[:, skel.index(f"{side}_upper_arm")] = quat.mul(
            quat.from_axis_angle(ax[0], -sign * 0.45 * swing), drop
        )
        q[:, skel.index(f"{side}_lower_arm")] = quat.from_axis_angle(
            ax[2], -sign * (0.35 + 0.12 * moving * swing)
        )
    forward = quat.rotate(quat.from_yaw(heading), np.array([0.0, -1.0, 0.0]))
    for foot, side in enumerate(("left", "right")):
        upper = skel.index(f"{side}_upper_leg")
        hip = hips + quat.rotate(hip_q, skel.rest_translation[upper])
        thigh, shin = _solve_leg(hip, ankle[:, foot], forward)
        q[:, upper] = quat.mul(quat.inv(hip_q), thigh)
        q[:, upper + 1] = quat.mul(quat.inv(thigh), shin)
        q[:, upper + 2] = quat.mul(quat.inv(shin), _foot_turn(turn[:, foot], pitch[:, foot]))
        q[:, upper + 3] = quat.from_axis_angle(ax[0], pitch[:, foot].clip(max=0.0))
    return Motion(skeleton(scale), rate, q, hips * scale)


def idle(*, rate: float = 120.0, duration_s: float = 6.0, scale: float = 1.0) -> Known:
    """Standing, breathing every 4 seconds; both feet down throughout."""
    return walk(rate=rate, steps=0, step_s=0.5, idle_s=(duration_s - 0.5) / 2, scale=scale)


def turn_in_place(
    *, rate: float = 120.0, turn_deg: float = 180.0, steps: int = 6, scale: float = 1.0
) -> Known:
    """Turning on the spot in small steps."""
    return walk(rate=rate, steps=steps, step_m=0.004, turn_deg=turn_deg, step_s=0.5, scale=scale)
