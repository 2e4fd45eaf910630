"""Packing 200 clips of 120 frames on 60 bones: ours against Blender's bundled exporter, in the same run.

Two kinds of clips: slow waves, in which most keys can be spared, and random walks, in which none can.

    python tests/benchmarks/export_speed.py [CLIPS FRAMES BONES [REFERENCE]]

Ours: the rig once through the bundled exporter without animation, then every Action read in bulk and
appended. Dense keys, so that both files hold the same; reduced keys, as a clip set is packed; and with the
error of each clip, as `clips.json` tells it. Each is the median of five runs, two before and three after the
bundled exporter's only one, since other work on the machine comes and goes. Processor time is that of all
threads: of what waits for others it says nothing.

REFERENCE clips, all by default, go through the bundled exporter; with fewer its time is scaled up, and said
to be. Of random walks there are twenty at most.
"""

from __future__ import annotations

import contextlib
import io
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import bpy
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from blender_scene import empty_scene, odd_rig, random_take
from takemill.files import glb
from takemill.files.glb_axes import motions_in_gltf
from takemill.keys import reduce
from takemill.keys.reduce_error import largest_errors_m
from takemill_addon.bridge.motion.read_action import read_in_armature
from takemill_addon.bridge.rigs.export_rig import export_rig
from takemill_addon.bridge.rigs.rig import read_rig


def bundled(**options) -> bytes:
    with contextlib.redirect_stdout(io.StringIO()), tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "bundled.glb")
        bpy.ops.export_scene.gltf(
            filepath=str(path),
            export_format="GLB",
            use_selection=True,
            export_animation_mode="ACTIONS",
            **options,
        )
        return path.read_bytes()


def ours(rig, actions, keys, tell: bool = False) -> bytes:
    base, bones = export_rig(bpy.context, rig), read_rig(rig)
    motions = read(rig, actions, bones)
    tracks = keys(motions)
    told = largest_errors_m(motions, tracks) if tell else [0.0] * len(motions)
    clips = [
        glb.GlbClip(action.name, one.rate, one.skeleton, some, {"max_error_m": far})
        for action, one, some, far in zip(actions, motions, tracks, told, strict=True)
    ]
    return glb.append_animations(base, clips)


def read(rig, actions, bones) -> list:
    return motions_in_gltf([read_in_armature(bpy.context, rig, action, bones).motion for action in actions])


def dense(motions) -> list:
    return [reduce.dense_tracks(motion) for motion in motions]


WAYS = {
    "ours, every frame": lambda rig, actions: ours(rig, actions, dense),
    "ours, reduced to 0.5 mm": lambda rig, actions: ours(rig, actions, reduce.reduce_clips),
    "ours, and errors told": lambda rig, actions: ours(rig, actions, reduce.reduce_clips, tell=True),
}


def waves(rig, frames: int, seed: int, name: str) -> bpy.types.Action:
    """A take of slow waves on every bone's rotation."""
    action = random_take(rig, frames, seed=seed, start=0, name=name, moving="roots")
    rng, when = np.random.default_rng(seed), np.arange(frames) / 30
    (bag,) = (bag for layer in action.layers for strip in layer.strips for bag in strip.channelbags)
    for curve in bag.fcurves:
        turns = curve.data_path.endswith("rotation_quaternion")
        wave = 0.15 * np.sin(rng.uniform(1, 3) * when + rng.uniform(0, 6))
        values = wave + (turns and curve.array_index == 0)
        co = np.stack([np.arange(frames), values], axis=-1).astype(np.float32)
        curve.keyframe_points.foreach_set("co", co.ravel())
    return action


class Run(NamedTuple):
    """Seconds by the clock and of the processor, and the bytes that were made."""

    wall: float
    cpu: float
    size: int


def timed(work) -> Run:
    wall, cpu = time.perf_counter(), time.process_time()
    data = work()
    size = len(data) if isinstance(data, bytes) else 0
    return Run(time.perf_counter() - wall, time.process_time() - cpu, size)


def median(runs: list[Run]) -> Run:
    return Run(*(statistics.median(column) for column in zip(*runs, strict=True)))


def scaled(run: Run, by: float) -> Run:
    return Run(run.wall * by, run.cpu * by, round(run.size * by))


def per_clip(run: Run, clips: int) -> str:
    return f"{run.wall:8.2f} s {1000 * run.wall / clips:7.1f} ms a clip {1000 * run.cpu / clips:7.1f} of processor"


def table(title: str, make, clips: int, reference: int, bones: int) -> None:
    """All ways to write `clips` clips, beside the bundled exporter's on the first `reference` of them."""
    empty_scene(30)
    rig = odd_rig(bones, hinges=0, modes=("QUATERNION",))
    rig.select_set(True)
    print(f"\n{title}: {clips} clips")
    actions = [make(rig, seed) for seed in range(reference)]
    early = {name: [timed(lambda way=way: way(rig, actions)) for _ in range(2)] for name, way in WAYS.items()}
    by = clips / reference
    theirs = timed(lambda: bundled(export_optimize_animation_size=False))
    theirs = Run(theirs.wall * by, theirs.cpu * by, round(theirs.size * by))
    scaled = "" if by == 1 else f" (of {reference} clips, times {by:g})"
    print(
        f"{'bundled, sampled':<26}{per_clip(theirs, clips)} {theirs.size / 1e6:6.2f} MB{scaled}", flush=True
    )
    actions += [make(rig, seed) for seed in range(reference, clips)]
    for name, way in WAYS.items():
        late = [timed(lambda way=way: way(rig, actions)) for _ in range(3)]
        mine = median([*(early[name] if by == 1 else []), *late])
        print(
            f"{name:<26}{per_clip(mine, clips)} {mine.size / 1e6:6.2f} MB {theirs.wall / mine.wall:6.1f} x"
            f" {theirs.cpu / mine.cpu:6.1f} x of processor",
            flush=True,
        )
    parts(rig, actions)
    counts = sorted({min(10, clips), min(50, clips), clips})
    name, way = list(WAYS.items())[-1]
    found = {n: median([timed(lambda n=n: way(rig, actions[:n])) for _ in range(3)]) for n in counts}
    print(f"{name}, ms a clip, clock and processor: " + ", ".join(
        f"{n} clips {1000 * run.wall / n:.1f} and {1000 * run.cpu / n:.1f}" for n, run in found.items()
    ))  # fmt: skip


def parts(rig, actions: list) -> None:
    """Where the time goes."""
    bones, base = read_rig(rig), export_rig(bpy.context, rig)
    motions = read(rig, actions, bones)
    tracks = reduce.reduce_clips(motions)
    clips = [
        glb.GlbClip(a.name, m.rate, m.skeleton, t) for a, m, t in zip(actions, motions, tracks, strict=True)
    ]
    works = {
        "the rig": lambda: export_rig(bpy.context, rig),
        "reading": lambda: read(rig, actions, bones),
        "reduction": lambda: reduce.reduce_clips(motions),
        "errors": lambda: largest_errors_m(motions, tracks),
        "bytes": lambda: glb.append_animations(base, clips),
    }
    runs = {name: median([timed(work) for _ in range(3)]) for name, work in works.items()}
    print("of it, ms a clip, clock and processor: " + ", ".join(
        f"{name} {1000 * run.wall / len(actions):.1f} and {1000 * run.cpu / len(actions):.1f}"
        for name, run in runs.items()
    ))  # fmt: skip


def main(clips: int = 200, frames: int = 120, bones: int = 60, reference: int = 0) -> None:
    print(f"Blender {bpy.app.version_string}: {frames} frames x {bones} bones, {os.cpu_count()} processors")
    few, named = min(clips, 20), "clip {:03}"
    table("slow waves", lambda rig, seed: waves(rig, frames, seed, named.format(seed)),
          clips, min(reference or clips, clips), bones)  # fmt: skip
    table("random walks", lambda rig, seed: random_take(
        rig, frames, seed=seed, start=0, name=named.format(seed), moving="roots"
    ), few, few, bones)  # fmt: skip


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
