"""Bytes of packed clips: ours against gltfpack and gltf-transform, in the same run.

    npm ci --prefix tests/benchmarks && python tests/benchmarks/size_table.py

Bytes are those that the animations add to a file (data and JSON). The error is the largest displacement in
model space, against the dense clips, of anything within a joint's reach and of its tips, looked at four
times a frame; all rows are measured by the same code on the files themselves. gltf-transform is run at
several tolerances: the row is the smallest file that keeps the bound. All clips lie in one file per set.

Sets: the reference motions of the pybullet wheel (DeepMimic, Peng et al. 2018) at 30 fps; at 120 fps by
slerp, as our own resampling gives them; at 120 fps by cubic splines, which have no straight stretches and are
the hardest case; and the sample take, repaired and cut into pieces of four seconds.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.interpolate import CubicSpline

sys.path.insert(0, str(Path(__file__).parents[1]))

import glb_reader
import open_data
from glb_reader import Glb, read_glb
from takemill import kinematics, quat
from takemill.body_map import find_body_map
from takemill.bvh import read_bvh
from takemill.displacement import displacements, reaches
from takemill.glb import GlbClip, append_animations, skeleton_glb
from takemill.motion import Motion
from takemill.reduce import ReduceSettings, Track, dense_tracks, reduce_clips
from takemill.repair import repair

HERE = Path(__file__).parent
BOUND_M = 0.0005
TOLERANCES = (1e-6, 3e-6, 1e-5, 3e-5, 6e-5, 1e-4)
Clips = dict[str, Motion]


def humanoid() -> Clips:
    return {name.replace("/", " "): open_data.humanoid3d(name)[0] for name in open_data.HUMANOID3D}


def smooth(motion: Motion, rate: float) -> Motion:
    """The motion at another rate by cubic splines through its frames."""
    seconds = np.arange(len(motion)) / motion.rate
    new = np.arange(int(motion.duration_s * rate + 1e-6) + 1) / rate
    rotations = quat.normalize(CubicSpline(seconds, motion.rotations)(new))
    return Motion(motion.skeleton, rate, rotations, CubicSpline(seconds, motion.root_translation)(new))


def sample_take(rate: float) -> Clips:
    take, _ = read_bvh(HERE.parents[1] / "sample_blends" / "marsh_take.bvh")
    mended, _ = repair(take, find_body_map(take.skeleton))
    mended = mended.resampled(rate)
    length = int(4 * rate) + 1
    starts = range(0, len(mended) - length, length)
    return {f"piece {start}": mended.slice(start, start + length) for start in starts}


def sampled_bones(motion: Motion) -> tuple[Track, ...]:
    """Every channel of every joint at every frame, as exporters write when all bones are sampled."""
    frames = np.arange(len(motion), dtype=np.float64)
    places = motion.local_translations()
    out: list[Track] = []
    for joint in range(len(motion.skeleton)):
        out.append(Track(joint, "translation", frames, places[:, joint]))
        out.append(Track(joint, "rotation", frames, motion.rotations[:, joint]))
    return tuple(out)


def packed(clips: Clips, keys) -> bytes:
    skeleton = next(iter(clips.values())).skeleton
    found = zip(clips.items(), keys(list(clips.values())), strict=True)
    made = [GlbClip(name, motion.rate, skeleton, tracks) for (name, motion), tracks in found]
    return append_animations(skeleton_glb(skeleton), made)


def each(keys):
    return lambda motions: list(map(keys, motions))


def json_bytes(data: bytes) -> int:
    return int.from_bytes(data[12:16], "little")


def largest_error_mm(data: bytes, clips: Clips) -> float:
    glb = read_glb(data)
    return 1000 * max(error_m(glb, name, motion) for name, motion in clips.items())


def error_m(glb: Glb, name: str, motion: Motion) -> float:
    skeleton = motion.skeleton
    seconds = np.arange((len(motion) - 1) * 4 + 1) / 4 / motion.rate
    local_q, local_p = played(glb, name, seconds, skeleton.names)
    for joint, parent in enumerate(skeleton.parents):
        if parent < 0:
            back = quat.from_axis_angle(np.array([1.0, 0, 0]), np.pi / 2)
            local_q[:, joint] = quat.mul(back, local_q[:, joint])
            local_p[:, joint] = quat.rotate(back, local_p[:, joint])
    found_q, found_p = kinematics.model_from_local(skeleton.parents, local_q, local_p)
    right_q, right_p = motion.sampled(seconds * motion.rate, motion.rate).model()
    turns = quat.log(quat.mul(found_q, quat.inv(right_q)))
    reach = reaches(skeleton, ReduceSettings().probe_m)
    return float(displacements(skeleton, reach, right_q, found_p - right_p, turns).max())


def played(
    glb: Glb, name: str, seconds: np.ndarray, joints: tuple[str, ...]
) -> tuple[np.ndarray, np.ndarray]:
    """Local rotations (T, J, 4), w x y z, and translations (T, J, 3) of a clip in the file's axes."""
    nodes = [glb.node(joint) for joint in joints]
    rests = [glb.json["nodes"][node] for node in nodes]
    rotations = np.tile([rest.get("rotation", [0, 0, 0, 1]) for rest in rests], (len(seconds), 1, 1))
    rotations = rotations[..., [3, 0, 1, 2]].astype(float)
    places = np.tile([rest.get("translation", [0, 0, 0]) for rest in rests], (len(seconds), 1, 1)).astype(
        float
    )
    animation = glb.animation(name)
    for channel in animation["channels"]:
        target, sampler = channel["target"], animation["samplers"][channel["sampler"]]
        if target["node"] not in nodes or target["path"] == "scale":
            continue
        times, values = glb.accessor(sampler["input"]), glb.accessor(sampler["output"])
        joint = nodes.index(target["node"])
        if sampler.get("interpolation") == "CUBICSPLINE":
            turns = target["path"] == "rotation"
            found = glb_reader.curved(times, values, seconds, turns)
            if turns:
                rotations[:, joint] = found[:, [3, 0, 1, 2]]
            else:
                places[:, joint] = found
            continue
        at = np.interp(seconds, times, np.arange(len(times)))
        low = at.astype(int)
        high, part = np.minimum(low + 1, len(times) - 1), at - low
        if sampler.get("interpolation") == "STEP":
            part = np.zeros_like(part)
        if target["path"] == "rotation":
            values = quat.normalize(values[:, [3, 0, 1, 2]])
            rotations[:, joint] = quat.slerp(values[low], values[high], part)
        else:
            places[:, joint] = values[low] * (1 - part[:, None]) + values[high] * part[:, None]
    return rotations, places


def shrunk(tool: str, data: bytes, number: float) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        source, target = Path(folder, "in.glb"), Path(folder, "out.glb")
        source.write_bytes(data)
        command = [
            str(shutil.which("node")),
            str(HERE / "shrink.mjs"),
            tool,
            str(source),
            str(target),
            str(number),
        ]
        subprocess.run(command, check=True, capture_output=True)
        return target.read_bytes()


def timed(work) -> tuple[bytes, float]:
    start = time.perf_counter()
    return work(), time.perf_counter() - start


def table(title: str, clips: Clips) -> None:
    base = skeleton_glb(next(iter(clips.values())).skeleton)
    dense = packed(clips, each(sampled_bones))
    rows: list[tuple[str, int, float, float]] = []

    def add(label: str, made: tuple[bytes, float], empty: int) -> None:
        rows.append((label, len(made[0]) - empty, largest_error_mm(made[0], clips), made[1]))

    add("every bone sampled, float32", timed(lambda: packed(clips, each(sampled_bones))), len(base))
    bare = len(shrunk("gltfpack", base, 0))
    add("gltfpack, no mesh compression", timed(lambda: shrunk("gltfpack", dense, 0)), bare)
    bare = len(shrunk("resample", base, 1e-4))
    tried = {number: timed(lambda number=number: shrunk("resample", dense, number)) for number in TOLERANCES}
    good = {n: made for n, made in tried.items() if largest_error_mm(made[0], clips) <= 1000 * BOUND_M}
    best = min(good, key=lambda number: len(good[number][0]))
    add(f"gltf-transform resample, {best:g}", good[best], bare)
    if max(good) != best:
        add(f"gltf-transform resample, {max(good):g}", good[max(good)], bare)
    settings = ReduceSettings(max_error_m=BOUND_M)
    add("ours, every frame, float32", timed(lambda: packed(clips, each(dense_tracks))), len(base))
    made = timed(lambda: packed(clips, lambda motions: reduce_clips(motions, settings)))
    add("ours, reduced", made, len(base))
    bent = replace(settings, interpolation="smallest")
    add(
        "ours, cubic where smaller",
        timed(lambda: packed(clips, lambda motions: reduce_clips(motions, bent))),
        len(base),
    )
    frames, joints = sum(map(len, clips.values())), len(next(iter(clips.values())).skeleton)
    print(f"\n{title}: {len(clips)} clips, {frames} frames, {joints} joints")
    print(f"{'':38}{'bytes':>10}{'of gltfpack':>13}{'of resample':>13}{'error mm':>10}{'s':>7}")
    for label, size, error, seconds in rows:
        ratios = f"{size / rows[1][1]:>13.3f}{size / rows[2][1]:>13.3f}"
        print(f"{label:38}{size:>10}{ratios}{error:>10.4f}{seconds:>7.1f}")
    print(f"JSON in ours, reduced: {json_bytes(made[0]) - json_bytes(base)} bytes")


def main() -> None:
    table("open references, 30 fps", {name: smooth(motion, 30.0) for name, motion in humanoid().items()})
    table("open references, 120 fps by slerp", {name: m.resampled(120.0) for name, m in humanoid().items()})
    table("open references, 120 fps by splines", {name: smooth(m, 120.0) for name, m in humanoid().items()})
    table("sample take, repaired, 30 fps", sample_take(30.0))
    table("sample take, repaired, 120 fps", sample_take(120.0))


if __name__ == "__main__":
    main()
