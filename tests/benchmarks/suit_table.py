"""What repair makes of sensors that fail for long: `python tests/benchmarks/suit_table.py [QUESTION or FILE.bvh ...]`.

Questions: faults drift dropout found named hinges clean. Open motions between two T poses (tests/suit_takes.py), 60 frames
a second, with the faults of tests/suit_faults.py in the world orientations of the segments; a BVH file given
by its path is a take, too. Errors are RMS degrees of all joints that move, between the poses.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import suit_takes
from suit_faults import ALONE, NONE, Faulty, moving_joints, sensed, with_faults, with_world
from suit_takes import NAMES, SuitTake, file_take, suit_take
from takemill.body.motion import Motion
from takemill.health.check import check
from takemill.maths import quat
from takemill.recipe.recipe import Recipe
from takemill.repair.repair import RepairSettings, repair
from takemill.sensors.bridge import bridge
from takemill.watch.sensor_words import sensor_word
from takemill.watch.take_verdict import judge_take_alone

SEEDS = (1, 2, 3)
FREE = RepairSettings(profile="suit", heading=False, path=False, floor=False, pin=False)
POSED = replace(FREE, calibration=True)
OLD = replace(FREE, dropouts=False, late_sensors=False, slips=False, sensor_heading=False)


def error_deg(motion: Motion, truth: Motion) -> float:
    """RMS over joints that move and frames of the local rotations, degrees."""
    joints = moving_joints(truth)
    off = quat.angle_between(motion.rotations[:, joints], truth.rotations[:, joints])
    return float(np.degrees(np.sqrt(np.mean(off**2))))


def world_error_deg(motion: Motion, truth: Motion, take: SuitTake) -> float:
    """The same of the segments' orientations in the world."""
    joints = sensed(take.body)
    off = quat.angle_between(motion.model()[0][:, joints], truth.model()[0][:, joints])
    return float(np.degrees(np.sqrt(np.mean(off**2))))


def repaired(take: SuitTake, raw: Motion, first: bool, last: bool, settings: RepairSettings) -> Motion:
    """The raw take with poses at some ends alone, repaired; the frames between the poses."""
    part = replace(take, motion=raw).posed_at(first, last)
    return repair(part.motion, part.body, settings)[0].slice(part.start, part.stop)


def oracle(take: SuitTake, fault: Faulty) -> Motion:
    """A repair that knows which sensor failed, when, and what hinges say; not by how much.

    The lag is shifted back; the slip turned back by what the end pose tells of its segment; the dropout
    bridged by a cubic of its joint through frames without noise; the drift is a straight line between the
    poses, and hinged segments share what is left of their two; noise stays.
    """
    truth, raw = take.motion.model()[0], fault.motion.model()[0].copy()
    joints = sensed(take.body)
    if fault.lag:
        joint, frames = fault.lag
        raw[:, joint] = raw[np.minimum(np.arange(len(raw)) + frames, len(raw) - 1), joint]
    if fault.slip:
        joint, frame, _ = fault.slip
        ends = [quat.normalize(np.median(quat.continuous(q[-40:, joint]), axis=0)) for q in (raw, truth)]
        drift = fault.heading[-20, joint]
        turn = quat.mul(quat.inv(quat.mul(quat.from_yaw(drift), ends[1])), ends[0])
        raw[frame:, joint] = quat.mul(raw[frame:, joint], quat.inv(turn))
    part = (np.arange(len(raw)) / (len(raw) - 1))[:, None]
    bow = fault.heading - part * fault.heading[-1]
    for side in ("left", "right"):
        for upper, lower in (("UpperArm", "LowerArm"), ("UpperLeg", "LowerLeg")):
            pair = [take.body.require(side + upper), take.body.require(side + lower)]
            bow[:, pair] = bow[:, pair].mean(axis=1, keepdims=True)
    raw[:, joints] = quat.mul(quat.from_yaw(-(fault.heading - bow)[:, joints]), raw[:, joints])
    out = with_world(take.motion, raw, joints)
    if fault.dropout:
        joint, start, stop = fault.dropout
        bad = np.zeros(len(raw), bool)
        bad[start:stop] = True
        local = out.rotations.copy()
        local[:, joint] = bridge(take.motion.rotations[:, joint], bad, len(bad))[0]
        below = [k for k, parent in enumerate(take.motion.skeleton.parents) if parent == joint]
        for k in below:
            local[start:stop, k] = take.motion.rotations[start:stop, k]
        out = out.with_rotations(quat.continuous(local))
    return out.slice(take.start, take.stop)


def bridged(take: SuitTake, fault: Faulty) -> Motion | None:
    """The raw take whose dropout is bridged by a cubic of its joint through what came; None without one."""
    if not fault.dropout:
        return None
    joint, start, stop = fault.dropout
    bad = np.zeros(len(take.motion), bool)
    bad[start:stop] = True
    world = fault.motion.model()[0].copy()
    parent = take.motion.skeleton.parents[joint]
    local = bridge(fault.motion.rotations[:, joint], bad, len(bad))[0]
    world[:, joint] = quat.mul(world[:, parent], local) if parent >= 0 else local
    return with_world(take.motion, world, sensed(take.body)).slice(take.start, take.stop)


def table(takes: dict[str, SuitTake], names: list[str]) -> dict[str, np.ndarray]:
    """Rows of errors for each kind of fault: means over takes and seeds."""
    print(
        "\nErrors, degrees RMS of local joint rotations, means of the seeds; world: of segments, repaired with both poses"
    )
    print(
        "oracle: knows which sensor and when; a slip's size from the end pose, a dropout by a cubic, drift by"
    )
    print("two poses and exact hinges; cubic: the raw take, its dropout bridged by a cubic of its joint")
    print(
        "fault        take        raw    old   none   both  start    end  oracle  world  cubic  both/raw none/raw"
    )
    sums = {}
    for kind in names:
        faults, whole = ALONE[kind], []
        for name, take in takes.items():
            rows = []
            for seed in SEEDS:
                fault = with_faults(take.motion, take.body, seed, faults, take.inner)
                truth = take.motion.slice(take.start, take.stop)
                both = repaired(take, fault.motion, True, True, POSED)
                takes_of = [
                    fault.motion.slice(take.start, take.stop),
                    repaired(take, fault.motion, False, False, OLD),
                    repaired(take, fault.motion, False, False, FREE),
                    both,
                    repaired(take, fault.motion, True, False, POSED),
                    repaired(take, fault.motion, False, True, POSED),
                    oracle(take, fault),
                ]
                cubic = bridged(take, fault)
                rows.append(
                    [
                        *(error_deg(one, truth) for one in takes_of),
                        world_error_deg(both, truth, take),
                        error_deg(cubic, truth) if cubic else np.nan,
                    ]
                )
            whole.append(np.mean(rows, axis=0))
            _print_row(kind, name, whole[-1])
        sums[kind] = np.mean(whole, axis=0)
        _print_row(kind, "mean", sums[kind])
    return sums


def _print_row(kind: str, name: str, row: np.ndarray) -> None:
    figures = "".join(f" {value:6.2f}" for value in row)
    print(f"{kind:12} {name:8} {figures}   {row[3] / row[0]:6.2f}   {row[2] / row[0]:6.2f}", flush=True)


def faults(takes: dict[str, SuitTake]) -> None:
    """Each fault alone and all together, with the aims."""
    sums = table(takes, list(ALONE))
    aims = {"slip": 0.25, "all but lag": 0.4, "all": 0.55}
    print("\nAims with poses at both ends (both / raw):")
    for kind, aim in aims.items():
        print(f"{kind:12} {sums[kind][3] / sums[kind][0]:5.2f} (aim: {aim})")
    print(f"Dropout, both / cubic: {sums['dropout'][3] / sums['dropout'][8]:5.2f} (aim: 0.6)")
    print("Aim without any pose (none / raw): 0.8")
    for kind in ("drift", "all but lag", "all"):
        print(f"{kind:12} {sums[kind][2] / sums[kind][0]:5.2f}")


def _line(take: SuitTake, fault: Faulty) -> Motion:
    """The drift less a straight line between its values in the two poses, which is all that those tell."""
    joints, world = sensed(take.body), fault.motion.model()[0].copy()
    at = [take.start // 2, (len(world) + take.stop) // 2]
    gained = fault.heading[at][:, joints]
    gained = gained - np.median(gained, axis=1, keepdims=True)
    line = np.stack([np.interp(np.arange(len(world)), at, one) for one in gained.T], axis=1)
    world[:, joints] = quat.mul(quat.from_yaw(-line), world[:, joints])
    return with_world(take.motion, world, joints).slice(take.start, take.stop)


def drift(takes: dict[str, SuitTake]) -> None:
    """Drift alone beside what a straight line between the poses leaves.

    Once with the pose called one and the same at both ends, once as a T that says how sensors sit, too.
    """
    print("\nDrift alone: a straight line between two poses, and ours (aim: 0.8)")
    whole = []
    for name, take in takes.items():
        rows = []
        ends = (take.start / suit_takes.RATE, take.stop / suit_takes.RATE, len(take.motion) / suit_takes.RATE)
        same = replace(FREE, same_pose_s=((0.0, ends[0]), (ends[1], ends[2])))
        for seed in SEEDS:
            fault = with_faults(take.motion, take.body, seed, ALONE["drift"], take.inner)
            truth = take.motion.slice(take.start, take.stop)
            made = [
                fault.motion.slice(take.start, take.stop),
                _line(take, fault),
                repaired(take, fault.motion, True, True, same),
                repaired(take, fault.motion, True, True, POSED),
            ]
            rows.append([error_deg(one, truth) for one in made])
        whole.append(np.mean(rows, axis=0))
        _print_drift(name, whole[-1])
    _print_drift("mean", np.mean(whole, axis=0))


def _print_drift(name: str, row: np.ndarray) -> None:
    raw, line, same, posed = row
    print(
        f"{name:8} raw {raw:5.2f}  line {line:5.2f}  same pose {same:5.2f}  a T {posed:5.2f}"
        f"  same/line {same / line:5.2f}  T/line {posed / line:5.2f}",
        flush=True,
    )


def dropout(takes: dict[str, SuitTake]) -> None:
    """Dropouts of half a second beside a cubic bridge of the same joint, in the gap's frames alone."""
    print("\nDropouts: RMS degrees of the segment in the gap (aim: 0.6 of a cubic's)")
    whole = []
    damage = replace(ALONE["dropout"], noise_deg=0.25)
    for name, take in takes.items():
        rows = []
        moving = moving_joints(take.motion)
        for seed in range(1, 25):
            fault = with_faults(take.motion, take.body, seed, damage, take.inner)
            assert fault.dropout is not None
            joint, start, stop = fault.dropout
            if not moving[joint]:
                continue
            inside = slice(start - take.start, stop - take.start)
            bad = np.zeros(len(take.motion), bool)
            bad[start:stop] = True
            truth = take.motion.rotations[start:stop, joint]
            local = fault.motion.rotations[:, joint]
            cubic = bridge(local, bad, len(bad))[0][start:stop]
            ours = repaired(take, fault.motion, False, False, replace(FREE, jitter=False)).rotations[
                inside, joint
            ]
            rows.append(
                [
                    np.degrees(np.sqrt(np.mean(quat.angle_between(one, truth) ** 2)))
                    for one in (local[start:stop], cubic, ours)
                ]
            )
        whole.append(np.mean(rows, axis=0))
        held, cubic, ours = whole[-1]
        print(
            f"{name:8} held {held:6.2f}  cubic {cubic:6.2f}  ours {ours:6.2f}  ours/cubic {ours / cubic:5.2f}",
            flush=True,
        )
    held, cubic, ours = np.mean(whole, axis=0)
    print(
        f"{'mean':8} held {held:6.2f}  cubic {cubic:6.2f}  ours {ours:6.2f}  ours/cubic {ours / cubic:5.2f}"
    )


def found(takes: dict[str, SuitTake]) -> None:
    """How often the slip, the dropout and the lag of a take with all faults are found, and what else is."""
    print("\nFound in takes with all faults, without poses: of so many, right / wrong (another sensor)")
    for name, take in takes.items():
        counts = {"sensor_slip": [0, 0], "dropout": [0, 0], "late_sensor": [0, 0]}
        for seed in range(1, 9):
            fault = with_faults(take.motion, take.body, seed, ALONE["all"], take.inner)
            part = replace(take, motion=fault.motion).posed_at(False, False)
            assert fault.slip
            assert fault.dropout
            assert fault.lag
            real = {"sensor_slip": fault.slip[0], "dropout": fault.dropout[0], "late_sensor": fault.lag[0]}
            for one in check(part.motion, part.body).findings:
                if one.kind in counts:
                    joint = part.motion.skeleton.index(one.joint)
                    counts[one.kind][joint != real[one.kind]] += 1
        print(
            f"{name:8} "
            + "   ".join(f"{kind} 8: {right} / {wrong}" for kind, (right, wrong) in counts.items()),
            flush=True,
        )


def named(takes: dict[str, SuitTake]) -> None:
    """Of takes on the set, between two poses: how often the faulty sensor is named, and others are (aim: all, none)."""
    print(
        "\nNamed on the set (takemill watch): takes in which the faulty sensor is named / of; takes with others named"
    )
    noise = replace(NONE, noise_deg=0.25)
    kinds = {f"slip of {deg}": replace(noise, slip_deg=float(deg)) for deg in (10, 15, 20, 30, 45)}
    kinds |= {f"lost for {s:g} s": replace(noise, dropout_s=s) for s in (0.1, 0.3, 2.0)}
    for name, take in takes.items():
        row = []
        for label, faults in {"clean": noise, **kinds}.items():
            right = wrong = 0
            for seed in range(1, 9):
                fault = with_faults(take.motion, take.body, seed, faults, take.inner)
                found = judge_take_alone(name, fault.motion, take.body, Recipe()).problems
                bad = fault.slip or fault.dropout
                joint = take.motion.skeleton.names[bad[0]] if bad else ""
                word = sensor_word(joint, take.motion.skeleton, take.body)
                right += any(word in one.text for one in found) if bad else not found
                wrong += any(not bad or word not in one.text for one in found)
            row.append(f"{label} {right}/8 {wrong}")
        print(f"{name:8} {'  '.join(row)}", flush=True)


def hinges(takes: dict[str, SuitTake]) -> None:
    """The heading between hinged segments beside qmt.headingCorrection on the same orientations."""
    import qmt  # type: ignore[import-untyped]

    from takemill.maths import series
    from takemill.sensors.segment_drift import find_segment_drift, sample_frames
    from takemill.sensors.segments import find_segments, world_from_local

    print("\nHeading between hinged segments that drift, RMS degrees about its mean, without poses")
    print("qmt: headingCorrection 1d, window 8 s, centred, its unfiltered and filtered estimates")
    for name, take in takes.items():
        rows = []
        for seed in SEEDS:
            damage = replace(ALONE["drift"], noise_deg=0.25)
            fault = with_faults(take.motion, take.body, seed, damage, take.inner)
            motion = fault.motion.slice(take.start, take.stop)
            segments = find_segments(motion.skeleton, take.body)
            world = quat.continuous(world_from_local(motion.skeleton, segments, motion.rotations))
            rest = motion.skeleton.reference_model[0][segments.joints]
            picks = sample_frames(len(motion), motion.rate, 10, 6000)
            ours = find_segment_drift(world[picks], segments, rest, 10.0)
            times = np.arange(len(motion)) / motion.rate
            said = ours.at(times) if ours else np.zeros((len(motion), len(segments)))
            for place, part in enumerate(segments.parts):
                if not part.endswith(("LowerArm", "LowerLeg")):
                    continue
                parent = segments.parents[place]
                pair = [segments.joints[parent], segments.joints[place]]
                true = np.diff(fault.heading[take.inner][:, pair], axis=1)[:, 0]
                turned = quat.mul(quat.inv(world[:, parent]), world[:, place])
                axes = np.linalg.eigh(turned.T @ turned)[1]
                axis = quat.mul(quat.inv(axes[:, 3]), axes[:, 2])[1:]
                # qmt wants one axis for both segments: the lower one in a frame that has the upper's at rest.
                upright = quat.mul(world[:, place], quat.inv(axes[:, 3]))
                axis = quat.rotate(axes[:, 3], axis / np.linalg.norm(axis))
                rates = [
                    quat.rotate(quat.inv(q), series.angular_velocity(q, 60.0))
                    for q in (world[:, parent], upright)
                ]
                settings = {"alignment": "center", "windowTime": 8.0, "estimationRate": 1.0, "dataRate": 5.0}
                _, raw, filtered, _, _ = qmt.headingCorrection(
                    *rates, world[:, parent], upright, times, axis, {}, settings
                )
                between = said[:, place] - said[:, parent]
                estimates = (0 * true, between, -np.unwrap(np.ravel(raw)), -np.unwrap(np.ravel(filtered)))
                rows.append([np.degrees(np.std(true - one)) for one in estimates])
        raw, ours_deg, theirs, smooth = np.sqrt(np.mean(np.square(rows), axis=0))
        print(
            f"{name:8} drift {raw:5.2f}  ours {ours_deg:5.2f}  qmt {theirs:5.2f}  qmt filtered {smooth:5.2f}",
            flush=True,
        )


def clean(takes: dict[str, SuitTake]) -> None:
    """Takes without a fault at 30 and 60 frames a second: what these steps report and change."""
    import open_data
    from takemill.body.body_map import find_body_map

    print("\nClean takes: findings of these steps, change in degrees RMS (aims: none, 0.1)")
    motions = {name: suit_takes.repeated(name, 8) for name in open_data.HUMANOID3D}
    motions |= {f"{name} with poses": take.motion for name, take in takes.items()}
    only = replace(FREE, frozen=False, spikes=False, jitter=False)
    kinds = ("dropout", "late_sensor", "sensor_slip", "heading_drift")
    for name, motion in motions.items():
        for rate in (30.0, 60.0):
            take = motion.resampled(rate) if rate < motion.rate else motion
            changed, findings = repair(take, find_body_map(take.skeleton), only)
            count = sum(one.kind in kinds for one in findings)
            print(f"{name:24} {rate:3.0f} fps  {count} findings  {error_deg(changed, take):6.4f}", flush=True)


QUESTIONS: dict[str, Callable[[dict[str, SuitTake]], None]] = {
    one.__name__: one for one in (faults, drift, dropout, found, named, hinges, clean)
}

if __name__ == "__main__":
    files = [Path(one) for one in sys.argv[1:] if one.endswith(".bvh")]
    asked = [one for one in sys.argv[1:] if one in QUESTIONS]
    chosen = [one for one in sys.argv[1:] if one in NAMES]
    takes = {name: suit_take(name) for name in (chosen or ([] if files else NAMES))}
    takes |= {path.stem: file_take(path) for path in files}
    for question in asked or QUESTIONS:
        QUESTIONS[question](takes)
