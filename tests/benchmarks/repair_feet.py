"""Rows of repair_table about feet and drift: its questions `feet`, `balance` and `drift`."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from unittest import mock

import numpy as np

import corrupt
import open_data
import synthetic
from clean_takes import clean_take, smooth
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.feet import heading_drift
from takemill.feet import pin as pinning
from takemill.feet.contacts import Contacts, find_contacts
from takemill.feet.pin import PinSettings
from takemill.feet.soles import foot_points
from takemill.health.check import check
from takemill.maths import quat, series
from takemill.repair.repair import RepairSettings, repair

_NAMES = ("walk", "run", "punch", "kick", "spinkick", "jump", "spin", "dance_a", "cartwheel")
_SEEDS = (1, 2, 3)
_SLIPS = (0.03, PinSettings().longest_slip, 0.06)
_SENSORS = RepairSettings(heading=False, path=False, floor=False, pin=False)


def _takes(*, known: bool) -> Iterator[tuple[str, Motion, BodyMap]]:
    takes = [(name, clean_take(name)) for name in _NAMES]
    if known:
        takes += [
            ("synthetic walk", synthetic.walk().motion),
            ("synthetic turn", synthetic.turn_in_place().motion),
        ]
    for name, take in takes:
        yield name, take, find_body_map(take.skeleton)


def _pinned(motion: Motion, body: BodyMap, settings: RepairSettings) -> tuple[Motion, Contacts]:
    """A repaired take, and the contacts in which it pinned feet."""
    kept = []

    def pin(*args: object) -> tuple[Motion, Contacts]:
        kept.append(pin_feet(*args))  # type: ignore[arg-type]
        return kept[-1]

    pin_feet = pinning.pin_feet
    with mock.patch.object(pinning, "pin_feet", pin):
        repaired = repair(motion, body, settings)[0]
    return repaired, kept[-1][1]


def _truth_pinned(take: Motion, body: BodyMap, kept: Contacts) -> Motion:
    """The undamaged take on its floor, with its feet pinned in all frames in which a repaired one's were."""
    level = repair(take, body, RepairSettings(heading=False, jitter=False, pin=False))[0]
    with mock.patch.object(pinning, "_CONTACT_EDGE_S", 0.0):
        return pinning.pin_feet(level, body, replace(kept, floor_m=0.0), PinSettings(longest_slip=9.0))[0]


def _slide(motion: Motion, body: BodyMap, planted: np.ndarray) -> float:
    """How fast (cm/s) the stiller end of feet slides while planted (F, K), but for 0.05 s at the ends."""
    speed = series.derivative(foot_points(motion, body)[..., :2], motion.rate)
    inner = series.eroded(planted, round(0.05 * motion.rate))
    return 100 * float(np.linalg.norm(speed, axis=-1).min(axis=-1)[inner].mean())


def _knees(motion: Motion, body: BodyMap) -> float:
    """The knees' largest angular acceleration, degrees a second squared."""
    largest = 0.0
    for part in ("leftLowerLeg", "rightLowerLeg"):
        turning = series.angular_velocity(motion.rotations[:, body.require(part)], motion.rate)
        size = np.linalg.norm(series.derivative(turning, motion.rate), axis=-1)[3:-3]
        largest = max(largest, float(np.degrees(size.max())))
    return largest


def feet() -> None:
    """Contacts against those of the clean take, and what pinning leaves."""
    print("\nFeet: F1 per frame on the damaged and the repaired take; skating, floor and knees after pinning")
    print("skating over frames: that were pinned; that `check` calls planted; that the truth calls planted")
    print(
        "knees: largest angular acceleration against the truth's; limit: the truth pinned in the same frames"
    )
    print(
        "motion          F1 raw  repaired   pinned   check   truth  (clean's own)   floor mm   "
        "knees vs clean  (unpinned)  limit"
    )
    for name, take, body in _takes(known=True):
        truth = find_contacts(take, body).planted
        rows = []
        for seed in _SEEDS:
            damaged = corrupt.corrupt(take, seed).motion
            repaired, kept = _pinned(damaged, body, RepairSettings())
            free = repair(damaged, body, RepairSettings(pin=False))[0]
            scores = []
            for motion in (damaged, repaired):
                found = find_contacts(motion, body).planted
                scores.append(2 * (found & truth).sum() / (found.sum() + truth.sum()))
            measures, knees = check(repaired, body).measures, _knees(take, body)
            rows.append(
                [
                    *scores,
                    _slide(repaired, body, kept.planted),
                    measures["skating_cm_s"],
                    _slide(repaired, body, truth),
                    _slide(take, body, truth),
                    measures["floor_error_mm"],
                    _knees(repaired, body) / knees,
                    _knees(free, body) / knees,
                    _knees(_truth_pinned(take, body, kept), body) / knees,
                ]
            )
        a, b, pinned, checked, true, own, floor, knee, loose, limit = np.mean(rows, axis=0)
        print(f"{name:14}  {a:6.3f}  {b:6.3f}   {pinned:6.2f}  {checked:6.2f}  {true:6.2f}    {own:6.2f}"
              f"        {floor:6.2f}       {knee:6.2f}         {loose:6.2f}   {limit:6.2f}")  # fmt: skip


def balance() -> None:
    """Still feet against true rotations: what the truth's own sliding makes of both."""
    print("\nBalance: errors of local rotations against the truth, degrees RMS; heading drift left out")
    print("truth: how its planted feet slide (cm/s) and miss the floor (mm)")
    print(
        "in units of the near limit of the question `rotations` (aim 1.15): sensors; all, the whole repair;"
    )
    print(
        "limit: sensors, and what pinning turns the TRUTH by in the frames in which the repaired take was pinned"
    )
    print("slip: PinSettings.longest_slip; share: of the truth's planted frames, pinned; skating by `check`")
    from repair_table import near_limit  # which imports this file

    columns = "  share  skating  limit    all   "
    titles = "".join(f"{f'slip {slip:5.3f}':{len(columns)}}" for slip in _SLIPS)
    print("             truth                  " + titles)
    print("motion       slide  floor   sensors " + columns * len(_SLIPS))
    for name, take, body in _takes(known=False):
        truth = find_contacts(take, body)
        lowest = foot_points(take, body)[..., 2].min(axis=-1)[series.eroded(truth.planted, 6)]
        own = 1000 * float(np.abs(lowest - truth.floor_m).mean())
        rows = []
        for seed in _SEEDS:
            damaged = corrupt.corrupt(take, seed, replace(corrupt.Damage(), heading_deg_per_min=0))
            near = near_limit(damaged, take)
            sensors = _off(repair(damaged.motion, body, _SENSORS)[0], take)
            row = [sensors / near]
            for slip in _SLIPS:
                settings = RepairSettings(pin=PinSettings(longest_slip=slip))
                repaired, kept = _pinned(damaged.motion, body, settings)
                share = kept.planted.sum() / truth.planted.sum()
                turned = _off(_truth_pinned(take, body, kept), take)
                skating = check(repaired, body).measures["skating_cm_s"]
                row += [share, skating, np.hypot(turned, sensors) / near, _off(repaired, take) / near]
            rows.append(row)
        a, *more = np.mean(rows, axis=0)
        print(f"{name:10} {_slide(take, body, truth.planted):7.1f} {own:6.1f}    {a:6.2f} "
              + "".join("  {:5.2f}   {:6.2f}  {:5.2f}  {:5.2f}   ".format(*more[k : k + 4])
                        for k in range(0, len(more), 4)))  # fmt: skip


def _off(motion: Motion, clean: Motion) -> float:
    turns = quat.angle_between(motion.rotations, clean.rotations)
    return float(np.degrees(np.sqrt(np.mean(turns**2))))


def drift() -> None:
    """Heading and path."""
    print("\nDrift: what is left of 12 degrees a minute, and of 10 % of the path")
    print("the open walk's own feet slide: 'clean' is where its undamaged take ends after repair")
    print("take                      minutes  heading left deg/min   path m   end off m (raw, clean)")
    straight = open_data.repeated(_straight(open_data.humanoid3d("walk")[0]), 48)
    takes = {
        "synthetic walk 20 m": synthetic.walk(steps=40).motion,
        "synthetic walk 50 m": synthetic.walk(steps=100).motion,
        "synthetic arc, 2 turns": synthetic.walk(steps=100, turn_deg=720).motion,
        "synthetic arc, 1.8 turns": synthetic.walk(steps=100, turn_deg=650).motion,
        "synthetic idle": synthetic.idle(duration_s=60).motion,
        "walk, straight 20 m": smooth(straight).slice(0, 2600),
        "walk, straight": smooth(straight),
    }
    for name, take in takes.items():
        body = find_body_map(take.skeleton)
        rows = []
        for seed in _SEEDS:
            damaged = corrupt.corrupt(take, seed).motion
            repaired = repair(damaged, body)[0]
            minutes = take.duration_s / 60
            left = _heading_off(repaired, take) / minutes
            rows.append([abs(left), _end_off(repaired, take), _end_off(damaged, take)])
        length = np.linalg.norm(np.diff(take.root_translation[:, :2], axis=0), axis=1).sum()
        left, end, raw = np.mean(rows, axis=0)
        own = _end_off(repair(take, body)[0], take)
        print(
            f"{name:24} {minutes:6.2f}      {left:8.2f}          {length:6.1f}   {end:6.2f} ({raw:.2f}, {own:.2f})"
        )


def _straight(motion: Motion) -> Motion:
    """A cycle without the little turn that it ends with, so that it can be repeated along a line."""
    root = motion.rotations[:, 0]
    turn = quat.yaw(quat.mul(root[-1], quat.inv(root[0])))
    heading = np.linspace(0, float(turn), len(motion))
    turned, path = heading_drift.remove_drift(root, motion.root_translation, heading)
    rotations = motion.rotations.copy()
    rotations[:, 0] = turned
    return replace(motion, rotations=rotations, root_translation=path)


def _heading_off(motion: Motion, clean: Motion) -> float:
    """How far the heading turned too far, degrees: a line through the whole take."""
    off = np.unwrap(quat.yaw(quat.mul(motion.rotations[:, 0], quat.inv(clean.rotations[:, 0]))))
    time_s = np.arange(len(off)) / clean.rate
    return float(np.degrees(np.polyfit(time_s, off, 1)[0]) * clean.duration_s)


def _end_off(motion: Motion, clean: Motion) -> float:
    moved = [m.root_translation[-1] - m.root_translation[0] for m in (motion, clean)]
    return float(np.linalg.norm((moved[0] - moved[1])[:2]))
