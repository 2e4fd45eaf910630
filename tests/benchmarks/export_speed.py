"""Packing 20 clips of 120 frames on 60 bones: ours against Blender's bundled exporter, in the same run.

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


def ours(rig, actions, tracks) -> bytes:
    base, bones, clips = export_rig(bpy.context, rig), read_rig(rig), []
    for action in actions:
        inside = read_in_armature(bpy.context, rig, action, bones).motion
        clips.append(glb.GlbClip(action.name, inside.rate, inside.skeleton, tracks(inside)))
    return glb.append_animations(base, clips)


def best_of(times: int, work) -> tuple[float, bytes]:
    """The shortest time, and what the last run made."""
    best = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        out = work()
        best = min(best, time.perf_counter() - start)
    return best, out


def main(clips: int = 20, frames: int = 120, bones: int = 60) -> None:
    empty_scene(30)
    rig = odd_rig(bones, hinges=0, modes=("QUATERNION",))
    actions = [
        random_take(rig, frames, seed=seed, start=0, name=f"clip {seed:02}", moving="roots")
        for seed in range(clips)
    ]
    rig.select_set(True)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        rows = [
            ("bundled, sampled", *best_of(1, lambda: bundled(folder, export_optimize_animation_size=False))),
            ("bundled, its defaults", *best_of(1, lambda: bundled(folder))),
            ("ours, every frame", *best_of(3, lambda: ours(rig, actions, reduce.dense_tracks))),
        ]
        if hasattr(reduce, "reduce_keys"):
            rows.append(
                ("ours, reduced to 0.5 mm", *best_of(1, lambda: ours(rig, actions, reduce.reduce_keys)))
            )
    print(f"Blender {bpy.app.version_string}: {clips} clips x {frames} frames x {bones} bones")
    for name, seconds, data in rows:
        print(f"{name:<26} {seconds:8.2f} s {len(data) / 1e6:8.2f} MB {rows[0][1] / seconds:8.1f} x")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
