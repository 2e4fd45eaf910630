"""Packing 20 clips of 120 frames on 60 bones: ours against Blender's bundled exporter, in the same run.

Two lines of clips: random walks, in which no key can be spared, and slow waves, in which most can.

    python tests/benchmarks/export_speed.py [CLIPS FRAMES BONES]

Ours: the rig once through the bundled exporter without animation, then every Action read in bulk and
appended. Dense keys, so that both files hold the same; and reduced keys, as a clip set is packed.
"""

from __future__ import annotations

import contextlib
import io
import sys
import tempfile
import time
from pathlib import Path

import bpy
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from blender_scene import empty_scene, odd_rig, random_take
from takemill import glb, reduce
from takemill_addon.export_rig import export_rig
from takemill_addon.read_action import read_in_armature
from takemill_addon.rig import read_rig


def bundled(folder: Path, **options) -> bytes:
    path = folder / "bundled.glb"
    with contextlib.redirect_stdout(io.StringIO()):
        bpy.ops.export_scene.gltf(
            filepath=str(path),
            export_format="GLB",
            use_selection=True,
            export_animation_mode="ACTIONS",
            **options,
        )
    return path.read_bytes()


def ours(rig, actions, keys) -> bytes:
    base, bones = export_rig(bpy.context, rig), read_rig(rig)
    motions = [read_in_armature(bpy.context, rig, action, bones).motion for action in actions]
    found = zip(actions, motions, keys(motions), strict=True)
    clips = [glb.GlbClip(action.name, one.rate, one.skeleton, tracks) for action, one, tracks in found]
    return glb.append_animations(base, clips)


def dense(motions) -> list:
    return [reduce.dense_tracks(motion) for motion in motions]


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


def best_of(times: int, work) -> tuple[float, bytes]:
    """The shortest time, and what the last run made."""
    best = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        out = work()
        best = min(best, time.perf_counter() - start)
    return best, out


def table(title: str, rig, actions: list) -> None:
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        rows = [
            ("bundled, sampled", *best_of(1, lambda: bundled(folder, export_optimize_animation_size=False))),
            ("bundled, its defaults", *best_of(1, lambda: bundled(folder))),
            ("ours, every frame", *best_of(3, lambda: ours(rig, actions, dense))),
            ("ours, reduced to 0.5 mm", *best_of(3, lambda: ours(rig, actions, reduce.reduce_clips))),
        ]
        part = actions[: len(actions) // 4]
        quarter, _ = best_of(3, lambda: ours(rig, part, reduce.reduce_clips))
    print(f"\n{title}")
    for name, seconds, data in rows:
        print(f"{name:<26} {seconds:8.2f} s {len(data) / 1e6:8.2f} MB {rows[0][1] / seconds:8.1f} x")
    each = 1000 * (rows[-1][1] - quarter) / (len(actions) - len(part))
    print(
        f"reduced: {1000 * quarter / len(part):.1f} ms a clip for {len(part)} clips, {each:.1f} ms for each more"
    )
    bones = read_rig(rig)
    read, motions = best_of(
        1, lambda: [read_in_armature(bpy.context, rig, action, bones).motion for action in actions]
    )
    cut, tracks = best_of(1, lambda: reduce.reduce_clips(motions))
    clips = [
        glb.GlbClip(a.name, m.rate, m.skeleton, t) for a, m, t in zip(actions, motions, tracks, strict=True)
    ]
    base = export_rig(bpy.context, rig)
    written, _ = best_of(1, lambda: glb.append_animations(base, clips))
    parts = (("reading F-curves", read), ("reduction", cut), ("bytes", written))
    print("of it, ms a clip: " + ", ".join(f"{name} {1000 * s / len(actions):.1f}" for name, s in parts))


def main(clips: int = 20, frames: int = 120, bones: int = 60) -> None:
    print(f"Blender {bpy.app.version_string}: {clips} clips x {frames} frames x {bones} bones")
    for title, make in (
        ("random walks", lambda rig, seed: random_take(
            rig, frames, seed=seed, start=0, name=f"clip {seed:03}", moving="roots"
        )),
        ("slow waves", lambda rig, seed: waves(rig, frames, seed, f"clip {seed:03}")),
    ):  # fmt: skip
        empty_scene(30)
        rig = odd_rig(bones, hinges=0, modes=("QUATERNION",))
        actions = [make(rig, seed) for seed in range(clips)]
        rig.select_set(True)
        table(title, rig, actions)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
