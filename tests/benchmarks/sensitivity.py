"""What the constants of the repair are worth: each made a third smaller, and half as large again.

`python tests/benchmarks/sensitivity.py [WORD ...]`: with words, only constants whose names hold one of them.
Printed are ratios to the same error with the constant as it is, so that more than 1 is worse: the geometric
mean over the takes, and the largest in brackets. The takes are open motions (clean_takes.py) and synthetic
ones, damaged by corrupt.py, seed 1 for the sensors alone and 2 for the whole repair.

    sensors   rotations against the truth, RMS, after the repair of the sensors alone, heavily damaged
    all       rotations against the truth, RMS, after the whole repair
    path      of the hips against the truth's, RMS, each about its mean
    skating   of planted feet, by `check`
    knees     their angular acceleration, RMS
    heading   how far it has turned too far from the first frame to the last
    contacts  the share of frames in which feet are planted in one take alone, of the repaired and the true
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import cache
from pathlib import Path
from unittest import mock

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import corrupt
import synthetic
from clean_takes import clean_take
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.feet.contacts import find_contacts
from takemill.health.check import check
from takemill.maths import quat, series
from takemill.repair.repair import RepairSettings, repair

ERRORS = ("sensors", "all", "path", "skating", "knees", "heading", "contacts")
# Added to an error before ratios are taken, so that a take without it counts for little: radians, metres,
# cm/s, radians/s2, radians, share.
LEAST = np.array([1e-4, 1e-4, 1e-3, 0.05, 1.0, 0.002, 0.02])
FACTORS = (2 / 3, 3 / 2)
HEAVY = replace(corrupt.Damage(), spikes_per_min=40, frozen_per_min=20)
SENSORS = RepairSettings(heading=False, path=False, floor=False, pin=False)
CONSTANTS = {
    "sensors.denoise": "_WINDOW_S _OVERSUBTRACTION",
    "sensors.frozen": "MAX_REPEAT_DIFFERENCE MIN_MOVING_NOISE_RAD",
    "sensors.gaps": "_MAX_SIDE_FRAMES",
    "sensors.hinges": "_MAX_RMS_OFF_PER_NOISE _MAX_OFF_PER_NOISE _MIN_SWING_PER_OFF",
    "sensors.spikes": "_MEDIAN_FRAMES _MIN_BEND_SHARE",
    "repair.sensor_steps": "_CALM_SLOPE_FRAMES",
    "feet.bearing": "_MIN_HIP_HEIGHT_LEGS _MIN_BEARING_SHARE",
    "feet.bearing_end": "_HALF_ROLL_S _MIN_CLEAR_PITCH_SINE",
    "feet.contacts": "_MIN_SPREAD_S _MAX_PASSES",
    "feet.heading_drift": "_KNOT_SPACING_S _RATE_CHANGE_DEG_MIN2 _MAX_STRAIGHT_TURN_DEG_S _MAX_DRIFT_DEG_MIN "
    "_CONTACT_EDGE_S _STEP_TURN_RAD _MIN_STAND_S _MIN_AWAY_S _MAX_RETURN_TURN_RAD _FACING_DEVIATION_RAD",
    "feet.leg_ik": "_SIDE_AXIS_WEIGHT _MIN_BEND_SINE2",
    "feet.path_drift": "_CONTACT_EDGE_S _SMOOTHING_S",
    "feet.pin": "_CONTACT_EDGE_S _MAX_STILL_YAW_RAD _MAX_STILL_TURN_RAD_S _MIN_STAND_S _MAX_FLAT_PITCH_RAD",
    "feet.pin_course": "_MAX_ROUNDS _EDGE_COST_FACTOR _SINGLE_SUPPORT_WEIGHT _TREMBLE_S _MAX_TREMBLE_M "
    "_FADE_ACCELERATION_M_S2 _MIN_FADE_S",
    "feet.pin_hips": "_KNOT_SPACING_S _HIPS_CUTOFF_HZ _SLOPE_MEMORY_S",
    "feet.pin_legs": "_HIPS_COST_LEGS",
}


def short_takes() -> list[Motion]:
    """Some seconds each: steps, a strike, a dance, a turn."""
    return [
        *(clean_take(name) for name in ("walk", "run", "kick", "dance_a")),
        synthetic.turn_in_place().motion,
    ]


def long_takes() -> list[Motion]:
    """A minute each, for drift: straight on, in circles, standing; and one short turn."""
    return [
        synthetic.walk(steps=100).motion,
        synthetic.walk(steps=100, turn_deg=650).motion,
        synthetic.idle(duration_s=60).motion,
        synthetic.turn_in_place().motion,
    ]


@cache
def takes(long: bool) -> list[tuple[Motion, BodyMap, Motion, Motion]]:
    """Each take as it was, its body map, and its two damaged copies."""
    return [
        (take, find_body_map(take.skeleton), corrupt.corrupt(take, 1, HEAVY).motion, corrupt.corrupt(take, 2).motion)
        for take in (long_takes() if long else short_takes())
    ]  # fmt: skip


def knees(motion: Motion, body: BodyMap) -> float:
    total = 0.0
    for part in ("leftLowerLeg", "rightLowerLeg"):
        turning = series.angular_velocity(motion.rotations[:, body.require(part)], motion.rate)
        total += float(np.mean(np.sum(series.derivative(turning, motion.rate)[3:-3] ** 2, axis=-1)))
    return float(np.sqrt(total))


def errors(long: bool) -> np.ndarray:
    """The ERRORS (takes, 7)."""
    rows = []
    for take, body, heavy, light in takes(long):
        sensors, whole = repair(heavy, body, SENSORS)[0], repair(light, body)[0]
        off = [quat.angle_between(one.rotations, take.rotations) for one in (sensors, whole)]
        path = whole.root_translation - take.root_translation
        yaw = np.unwrap(quat.yaw(quat.mul(whole.rotations[:, 0], quat.inv(take.rotations[:, 0]))))
        planted, found = (find_contacts(one, body).planted for one in (take, whole))
        rows.append([
            *(np.sqrt(np.mean(one**2)) for one in off),
            np.sqrt(((path - path.mean(axis=0)) ** 2).sum(axis=-1).mean()),
            check(whole, body).measures["skating_cm_s"],
            knees(whole, body),
            abs(yaw[-1] - yaw[0]),
            (planted ^ found).sum() / (planted.sum() + found.sum()),
        ])  # fmt: skip
    return np.array(rows) + LEAST


@contextmanager
def changed(module: object, name: str, value: float) -> Iterator[None]:
    """A constant with another value, and nothing remembered that was computed with the old one."""
    caches = [one for one in vars(module).values() if hasattr(one, "cache_clear")]
    for one in caches:
        one.cache_clear()
    with mock.patch.object(module, name, value):
        yield
    for one in caches:
        one.cache_clear()


def main() -> None:
    print(f"{'':58}" + "".join(f"{name:>14}" for name in ERRORS))
    for module_name, names in CONSTANTS.items():
        module = importlib.import_module(f"takemill.{module_name}")
        long = module_name in ("feet.heading_drift", "feet.contacts")
        for name in names.split():
            if len(sys.argv) > 1 and not any(word in name for word in sys.argv[1:]):
                continue
            value = getattr(module, name)
            for factor in FACTORS:
                other = max(round(value * factor), 1) if isinstance(value, int) else value * factor
                before = errors(long)
                with changed(module, name, other):
                    ratio = errors(long) / before
                mean, most = np.exp(np.log(ratio).mean(axis=0)), ratio.max(axis=0)
                cells = "".join(f"{a:7.3f} ({b:4.2f})" for a, b in zip(mean, most, strict=True))
                print(f"{module_name + ' ' + name:44} {value:6.4g} {other:6.4g}{cells}", flush=True)


if __name__ == "__main__":
    main()
