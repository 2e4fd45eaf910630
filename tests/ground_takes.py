"""Takes on floors that are not one level floor, made from takes on one, with the truth about them.

A walk on a level floor is laid onto stairs, a box or a slope: each stance is lifted to its own height (and
leans with it), the foot goes over smoothly in between, the hips follow, and legs are bent to reach.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from takemill.base.checks import Array, Mask
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.body.posed import joint_in_model
from takemill.feet.contacts import Contacts, find_contacts
from takemill.feet.leg_ik import place_ankles
from takemill.maths import filters, quat
from takemill.maths.easing import minimum_jerk
from takemill.maths.series import runs

_HIPS_S = 0.25  # hips follow the feet's heights smoothly within about that


@dataclass(frozen=True)
class Ground:
    """A take and the floor that it was laid on.

    Attributes:
        motion: the take.
        body: of its skeleton.
        planted: (F, K) when feet stand.
        level: (F, K) metres, the height of the floor under each foot's stance.
        lean_rad: of the floor, up where it leads.
    """

    motion: Motion
    body: BodyMap
    planted: Mask
    level: Array
    lean_rad: float = 0.0


def stairs(motion: Motion, body: BodyMap, rise_m: float = 0.16, first: int = 2, count: int = 6) -> Ground:
    """Every stance from the one numbered `first` on is a tread higher (lower where `rise_m` is negative)."""

    def height(number: int, _place: Array, _start: Array, _way: Array) -> float:
        return rise_m * min(max(number - first + 1, 0), count)

    return laid(motion, body, height)


def box(motion: Motion, body: BodyMap, height_m: float = 0.3, first: int = 3, count: int = 2) -> Ground:
    """The stances `first` to `first + count - 1` stand on a box."""

    def height(number: int, _place: Array, _start: Array, _way: Array) -> float:
        return height_m if first <= number < first + count else 0.0

    return laid(motion, body, height)


def slope(motion: Motion, body: BodyMap, lean_deg: float = 7.0) -> Ground:
    """A floor that leans up the way that the walk leads."""

    def height(_number: int, place: Array, start: Array, way: Array) -> float:
        return float(np.tan(np.radians(lean_deg)) * ((place - start) @ way))

    return laid(motion, body, height, np.radians(lean_deg))


def laid(
    motion: Motion, body: BodyMap, height: Callable[[int, Array, Array, Array], float], lean_rad: float = 0.0
) -> Ground:
    """A take on a level floor at 0, laid on one of other heights.

    Args:
        motion: it.
        body: of its skeleton.
        height: of the floor at a stance: its number in time, its place (2,), that of the first, and the
            unit way (2,) that the take leads.
        lean_rad: the floor leans by so much, up that way.
    """
    contacts, rate, frames = find_contacts(motion, body), motion.rate, len(motion)
    ankles = [joint_in_model(motion, body.require(foot)) for foot in contacts.feet]
    stances = sorted(
        (start, stop, k) for k, foot in enumerate(contacts.feet) for start, stop in contacts.ranges(foot)
    )
    places = [np.median(ankles[k][1][start:stop, :2], axis=0) for start, stop, k in stances]
    way = motion.root_translation[-1, :2] - motion.root_translation[0, :2]
    way /= np.linalg.norm(way)
    lean = quat.from_axis_angle(np.array([way[1], -way[0], 0.0]), lean_rad)
    heights = np.array([height(n, place, places[0], way) for n, place in enumerate(places)])
    goals, turns, level = {}, {}, np.zeros((frames, len(contacts.feet)))
    lifted = np.zeros((frames, len(contacts.feet)))
    for k, foot in enumerate(contacts.feet):
        mine = [n for n, one in enumerate(stances) if one[2] == k]
        track = np.array([[*places[n], heights[n]] for n in mine])
        course = np.empty((frames, 3))
        edges = [0, *(edge for n in mine for edge in stances[n][:2]), frames]
        for n, value in enumerate(track):
            course[edges[2 * n] : edges[2 * n + 2]] = value  # the last stance goes on to the end
            if n:
                start, stop = edges[2 * n], edges[2 * n + 1]
                part = minimum_jerk(np.linspace(0, 1, stop - start))[:, None]
                course[start:stop] = track[n - 1] * (1 - part) + value * part
        course[edges[-2] :] = track[-1]
        turned, ankle = ankles[k]
        under = np.concatenate([course[:, :2], np.zeros((frames, 1))], axis=1)
        goals[foot] = course + quat.rotate(lean, ankle - under)
        turns[foot] = quat.mul(lean, turned)
        level[:, k] = course[:, 2]
        lifted[:, k] = goals[foot][:, 2] - ankle[:, 2]
    half = max(round(_HIPS_S * rate / 2), 1)
    lift = lifted.mean(axis=1)
    for _ in range(3):
        lift = filters.moving_mean(lift, half)
    risen = motion.with_translation(0, motion.root_translation + lift[:, None] * [0.0, 0.0, 1.0])
    out = turn_feet(reached(risen, body, goals), body, turns)
    return Ground(out, body, contacts.planted, level, lean_rad)


def reached(motion: Motion, body: BodyMap, goals: dict[str, Array]) -> Motion:
    """A take with its ankles at their goals (F, 3); the hips sink smoothly where a leg would be too short."""
    short = np.zeros(len(motion))
    for foot, goal in goals.items():
        hip, knee, ankle = (
            joint_in_model(motion, body.require(foot.replace("Foot", part)))[1]
            for part in ("UpperLeg", "LowerLeg", "Foot")
        )
        length = 0.998 * (np.linalg.norm(knee - hip, axis=-1) + np.linalg.norm(ankle - knee, axis=-1))
        aside = np.minimum(np.linalg.norm((goal - hip)[:, :2], axis=-1), 0.9 * length)
        short = np.maximum(short, hip[:, 2] - goal[:, 2] - np.sqrt(length**2 - aside**2))
    half = max(round(_HIPS_S * motion.rate / 2), 1)
    sink = filters.moving_max(short, 2 * half)
    for _ in range(2):
        sink = filters.moving_mean(sink, half)
    lower = motion.with_translation(0, motion.root_translation - sink[:, None] * [0.0, 0.0, 1.0])
    return place_ankles(lower, body, goals)


def turn_feet(motion: Motion, body: BodyMap, turns: dict[str, Array]) -> Motion:
    """A take with its feet turned (F, 4) in model space."""
    rotations = motion.rotations.copy()
    for foot, turned in turns.items():
        joint = body.require(foot)
        above = joint_in_model(motion, motion.skeleton.parents[joint])[0]
        rotations[:, joint] = quat.mul(quat.inv(above), turned)
    return motion.with_rotations(rotations)


def level_errors(ground: Ground, found: Contacts) -> Array:
    """How far (N,) the floors that were found under planted feet, metres, are from the true ones, 0 apart.

    Of stances of a tenth of a second or more.
    """
    rise = np.zeros((*found.heel.shape, 2)) if found.rise_m is None else found.rise_m
    errors = []
    for k in range(ground.planted.shape[1]):
        for start, stop in zip(*runs(ground.planted[:, k]), strict=True):
            middle = (int(start) + int(stop)) // 2
            if found.planted[middle, k] and stop - start >= 0.1 * found.rate:
                errors.append(float(rise[middle, k].mean() - ground.level[middle, k]))
    return np.array(errors) - np.median(errors)
