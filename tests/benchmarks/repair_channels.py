"""Rows of repair_table about bad channels, calibration and the health check: its question `channels`."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np

import bad_channels
import corrupt
import open_data
import synthetic
from clean_takes import clean_take
from reference_poses import arms, misalign, random_misalignments, take_with_pose
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.files.bvh import read_bvh
from takemill.health.check import check
from takemill.health.joint_limits import body_findings
from takemill.health.swaps import swapped_pairs
from takemill.maths import quat
from takemill.repair.repair import RepairSettings, repair
from takemill.sensors.misalignment import find_reference_pose, reference_poses

_WORDS = {"UpperArm": "upper arms", "LowerArm": "forearms", "Hand": "hands",
          "UpperLeg": "thighs", "LowerLeg": "shins", "Foot": "feet"}  # fmt: skip
_MEASURES = ("jitter_deg", "skating_cm_s", "floor_error_mm", "heading_drift_deg_min", "path_drift_cm_min")


def channels() -> None:
    """Exchanged sensors, feet turned over, joint ranges, calibration, and health before and after."""
    takes = _open_takes()
    _exchanged(takes)
    _undamaged(takes)
    _calibration()
    _health()


def _open_takes() -> dict[str, tuple[Motion, BodyMap]]:
    motions = {name: open_data.humanoid3d(name)[0] for name in open_data.HUMANOID3D}
    motions |= {f"bvh {k}": read_bvh(path)[0] for k, path in enumerate(open_data.bvh_files()[:2])}
    return {name: (motion, find_body_map(motion.skeleton)) for name, motion in motions.items()}


def _exchanged(takes: dict[str, tuple[Motion, BodyMap]]) -> None:
    print(
        f"\nExchanged sensors and turned feet, seeded in {len(takes)} open motions: found, by right name, missed in"
    )
    print("channels    calibrated     found  right name  wrong  missed in")
    parts = [(part, held) for part in bad_channels.ARMS for held in ("T", "hanging")]
    for part, held in parts + [(part, "standing") for part in bad_channels.LEGS]:
        counts, missed = Counter[str](), []
        for name, (motion, body) in takes.items():
            found = swapped_pairs(
                bad_channels.exchanged(motion, body, part, "T" if held == "standing" else held), body
            )
            right = [one for one in found if _WORDS[part] in one.message]
            counts["found"] += bool(found)
            counts["right"] += bool(right)
            counts["wrong"] += len(found) - len(right)
            missed += [name] if not right else []
        print(f"{_WORDS[part]:11} {held:12} {counts['found']:7} {counts['right']:11} {counts['wrong']:6}  {', '.join(missed)}")  # fmt: skip
    for axis, word in (("along", "foot over"), ("up", "foot back")):
        found = missed = 0
        for motion, body in takes.values():
            for part in body.feet:
                turned = body_findings(bad_channels.turned_over(motion, body, part, axis), body)
                name = motion.skeleton.names[body.require(part)]
                hit = {one.joint for one in turned if one.kind == "flipped"} == {name}
                found, missed = found + hit, missed + (not hit)
        print(f"{word:24} {found:7} of {found + missed} feet")


def _undamaged(takes: dict[str, tuple[Motion, BodyMap]]) -> None:
    kinds, ranges = Counter[str](), []
    for name, (motion, body) in takes.items():
        for one in body_findings(motion, body):
            kinds[one.kind] += 1
            if one.kind == "joint_limit":
                ranges.append(f"{name}: {one.message.split(', normal')[0]}")
    print(f"Undamaged: swapped {kinds['swapped']}, flipped {kinds['flipped']}, bone {kinds['bone']}, "
          f"range {kinds['range']}, each of them:")  # fmt: skip
    print("\n".join(f"  {line}" for line in ranges))


def _calibration() -> None:
    print("\nSeats of 4 degrees about each axis, read from a reference pose of 1.5 s (degrees, 3 seeds)")
    print("pose          rig rests in  take     sits   error  largest   walk off before  after")
    damage = replace(corrupt.Damage(), heading_deg_per_min=0, path_drift=0, floor_m=0)
    settings = RepairSettings(heading=False, path=False, floor=False, pin=False, calibration=True)
    poses = {"T": arms(), "T thumbs down": arms(0, {"hand": 35}), "A at 45": arms(-45)}
    for pose, turns in poses.items():
        for rest, lift in (("T", 0.0), ("A", -45.0), ("hanging", -85.0)):
            for word, harm in (("clean", corrupt.NONE), ("damaged", damage)):
                rows = [_recovered(turns, lift, seed, harm, settings) for seed in (1, 2, 3)]
                misaligned, error, largest, before, after = np.mean(rows, axis=0)
                print(f"{pose:13} {rest:12}  {word:8} {misaligned:4.1f}   {error:5.2f}    {largest:5.2f}           {before:6.2f}"
                      f"   {after:5.2f}")  # fmt: skip
    takes = {name: clean_take(name) for name in ("walk", "punch", "dance_a", "jump")}
    takes |= {"synthetic idle": synthetic.idle(duration_s=20).motion}
    takes |= {"marsh ferry": read_bvh("sample_blends/marsh_take.bvh")[0]}
    found = {name: len(reference_poses(one, find_body_map(one.skeleton))) for name, one in takes.items()}
    print(f"Poses found where there is none: {sum(found.values())} in {', '.join(found)}")


def _recovered(
    turns: dict[str, np.ndarray],
    rest_lift_deg: float,
    seed: int,
    damage: corrupt.Damage,
    settings: RepairSettings,
) -> tuple[float, float, float, float, float]:
    truth, body = take_with_pose(turns, rest_lift_deg=rest_lift_deg)
    misalignments = random_misalignments(len(truth.skeleton), seed)
    raw = corrupt.corrupt(misalign(truth, misalignments), seed, damage).motion
    pose = find_reference_pose(raw, body)
    assert pose is not None
    off = np.degrees(quat.angle_between(pose.misalignments, misalignments))
    repaired = repair(raw, body, settings)[0]
    walk = [
        np.degrees(quat.angle_between(one.rotations, truth.rotations)[200:]).mean() for one in (raw, repaired)
    ]
    return (
        float(np.degrees(quat.angle(misalignments)).mean()),
        float(off.mean()),
        float(off.max()),
        *map(float, walk),
    )


def _health() -> None:
    print("\nHealth before > after repair (mean of 3 seeds)")
    print("motion             " + "".join(f"{name:>26}" for name in _MEASURES))
    takes = {name: clean_take(name) for name in ("walk", "run", "punch", "kick", "dance_a")}
    takes["synthetic walk 50 m"] = synthetic.walk(steps=100).motion
    for name, clean in takes.items():
        body = find_body_map(clean.skeleton)
        rows = []
        for seed in (1, 2, 3):
            raw = corrupt.corrupt(clean, seed).motion
            both = [check(one, body).measures for one in (raw, repair(raw, body)[0])]
            rows.append([[one[measure] for measure in _MEASURES] for one in both])
        before, after = np.mean(rows, axis=0)
        print(
            f"{name:19}" + "".join(f"{f'{a:.2f} > {b:.2f}':>26}" for a, b in zip(before, after, strict=True))
        )
