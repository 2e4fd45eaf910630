"""Bytes of packed clips: ours against gltfpack and gltf-transform, in the same run.

    npm ci --prefix tests/benchmarks && python tests/benchmarks/size_table.py

Bytes are those that the animations add to a file (data and JSON). The error is the largest displacement in
model space, against the dense clips, of anything within a joint's reach and of its tips, looked at four
times a frame; all rows are measured by the same code on the files themselves. gltf-transform is run at
several tolerances: the rows are the smallest file and the largest tolerance that keep the bound. All clips
lie in one file per set. At the end: every aim beside what was reached, and what stands in the way.

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
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
from scipy.interpolate import CubicSpline

sys.path.insert(0, str(Path(__file__).parents[1]))

from size_floor import PLACE_BYTES, ROTATION_BYTES, least_bytes

import glb_reader
import open_data
from glb_reader import Glb, read_glb
from takemill.body.body_map import find_body_map
from takemill.body.motion import Motion
from takemill.files.bvh import read_bvh
from takemill.files.glb import GlbClip, append_animations, skeleton_glb
from takemill.files.glb_axes import motions_in_gltf
from takemill.keys.displacement import displacements, reaches
from takemill.keys.reduce import ReduceSettings, Track, dense_tracks, reduce_clips
from takemill.maths import kinematics, quat
from takemill.repair.repair import repair

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
    repaired, _ = repair(take, find_body_map(take.skeleton))
    repaired = repaired.resampled(rate)
    length = int(4 * rate) + 1
    starts = range(0, len(repaired) - length, length)
    return {f"piece {start}": repaired.slice(start, start + length) for start in starts}


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
    inside = motions_in_gltf(list(clips.values()))
    found = zip(clips, inside, keys(inside), strict=True)
    made = [GlbClip(name, motion.rate, motion.skeleton, tracks) for name, motion, tracks in found]
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


class Row(NamedTuple):
    label: str
    size: int
    error: float
    seconds: float


@dataclass(frozen=True)
class Found:
    """What a table has found, for the summary."""

    title: str
    gltfpack: int
    resample_largest: int
    resample_smallest: int
    ours: int
    json: int
    parts: tuple[int, int, int, int, int]  # bytes of values, if all were dense, least; channels, dense ones


def table(title: str, clips: Clips) -> Found:
    base = skeleton_glb(next(iter(clips.values())).skeleton)
    dense = packed(clips, each(sampled_bones))
    rows: list[Row] = []

    def add(label: str, made: tuple[bytes, float], empty: int) -> int:
        rows.append(Row(label, len(made[0]) - empty, largest_error_mm(made[0], clips), made[1]))
        return rows[-1].size

    add("every bone sampled, float32", timed(lambda: packed(clips, each(sampled_bones))), len(base))
    bare = len(shrunk("gltfpack", base, 0))
    gltfpack = add("gltfpack, no mesh compression", timed(lambda: shrunk("gltfpack", dense, 0)), bare)
    smallest, largest = resampled(dense, base, clips, add)
    add("ours, every frame, float32", timed(lambda: packed(clips, each(dense_tracks))), len(base))
    settings = ReduceSettings(max_error_m=BOUND_M)
    made = timed(lambda: packed(clips, lambda motions: reduce_clips(motions, settings)))
    ours = add("ours, reduced", made, len(base))
    bent = replace(settings, interpolation="smallest")
    cubic = timed(lambda: packed(clips, lambda motions: reduce_clips(motions, bent)))
    add("ours, cubic where smaller", cubic, len(base))
    frames, joints = sum(map(len, clips.values())), len(next(iter(clips.values())).skeleton)
    print(f"\n{title}: {len(clips)} clips, {frames} frames, {joints} joints")
    print(f"{'':38}{'bytes':>10}{'of gltfpack':>13}{'of resample':>13}{'error mm':>10}{'s':>7}")
    for row in rows:
        ratios = f"{row.size / gltfpack:>13.3f}{row.size / largest:>13.3f}"
        print(f"{row.label:38}{row.size:>10}{ratios}{row.error:>10.4f}{row.seconds:>7.1f}", flush=True)
    json = json_bytes(made[0]) - json_bytes(base)
    return Found(title, gltfpack, largest, smallest, ours, json, parts(clips, settings))


def resampled(dense: bytes, base: bytes, clips: Clips, add) -> tuple[int, int]:
    """Bytes of gltf-transform's smallest file that keeps the bound, and of its largest tolerance that does."""
    bare = len(shrunk("resample", base, 1e-4))
    tried = {number: timed(lambda number=number: shrunk("resample", dense, number)) for number in TOLERANCES}
    good = {n: made for n, made in tried.items() if largest_error_mm(made[0], clips) <= 1000 * BOUND_M}
    best = min(good, key=lambda number: len(good[number][0]))
    sizes = {n: add(f"gltf-transform resample, {n:g}", good[n], bare) for n in sorted({best, max(good)})}
    return sizes[best], sizes[max(good)]


def parts(clips: Clips, settings: ReduceSettings) -> tuple[int, int, int, int, int]:
    """Bytes of our values, of dense int16 ones, and of the fewest straight keys; channels, and dense ones."""
    width = {"rotation": ROTATION_BYTES, "translation": PLACE_BYTES}
    motions = motions_in_gltf(list(clips.values()))
    pairs = [
        (motion, track)
        for motion, tracks in zip(motions, reduce_clips(motions, settings), strict=True)
        for track in tracks
        if len(track.frames) > 1
    ]
    return (
        sum(width[track.path] * len(track.frames) for _, track in pairs),
        sum(width[track.path] * len(motion) for motion, track in pairs),
        sum(least_bytes(motion, settings) for motion in motions),
        len(pairs),
        sum(len(track.frames) == len(motion) for motion, track in pairs),
    )


AIMS = {30: (0.9, 0.5), 120: (0.6, 0.3)}


def summary(found: list[tuple[int, Found]]) -> None:
    print("\nAims: of gltfpack, and of gltf-transform resample at its largest tolerance that keeps 0.5 mm")
    print(f"{'':38}{'of gltfpack':>12}{'aim':>6}{'of resample':>13}{'aim':>6}{'of its smallest file':>22}")
    for rate, one in found:
        first, second = AIMS[rate]
        print(
            f"{one.title:38}{one.ours / one.gltfpack:>12.3f}{first:>6}"
            f"{one.ours / one.resample_largest:>13.3f}{second:>6}{one.ours / one.resample_smallest:>22.3f}"
        )
    print("\nWhat stands in the way: bytes, and the same as parts of gltfpack's and of resample's")
    print(
        f"{'':38}{'values':>8}{'times':>8}{'JSON':>8}{'a channel':>10}{'dense':>7}"
        f"{'all dense':>14}{'JSON free':>14}{'floor':>14}"
    )
    for _, one in found:
        values, all_dense, least, channels, dense = one.parts
        times = one.ours - values - one.json
        ends = (one.json + all_dense, one.ours - one.json, one.json + least)
        pairs = [f"{size / one.gltfpack:.3f}/{size / one.resample_largest:.3f}" for size in ends]
        print(
            f"{one.title:38}{values:>8}{times:>8}{one.json:>8}{one.json / channels:>10.0f}"
            f"{dense / channels:>7.0%}" + "".join(f"{pair:>14}" for pair in pairs)
        )
    print(
        "dense: channels with a key on every frame. all dense: our JSON and int16 on every frame, times free.\n"
        "JSON free: our values and times alone. floor: our JSON, times free, and the fewest straight int16 keys\n"
        "on frames if each channel had the whole bound for itself and values jumped at keys (size_floor.py)."
    )


def main() -> None:
    sets = (
        (30, "open references, 30 fps", lambda: {name: smooth(m, 30.0) for name, m in humanoid().items()}),
        (120, "open references, 120 fps by slerp", lambda: {n: m.resampled(120.0) for n, m in humanoid().items()}),
        (120, "open references, 120 fps by splines", lambda: {n: smooth(m, 120.0) for n, m in humanoid().items()}),
        (30, "sample take, repaired, 30 fps", lambda: sample_take(30.0)),
        (120, "sample take, repaired, 120 fps", lambda: sample_take(120.0)),
    )  # fmt: skip
    summary([(rate, table(title, make())) for rate, title, make in sets])


if __name__ == "__main__":
    main()
