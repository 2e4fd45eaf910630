"""Reading and writing BVH: ours against numpy's own text reader and writer, and Blender's parser, in one run.

    python tests/benchmarks/bvh_speed.py [FRAMES JOINTS]

numpy.loadtxt and numpy.savetxt do the block of numbers alone; Blender's importer is timed up to its tree of
nodes, before it makes any bone. Without bpy that row is left out.
"""

from __future__ import annotations

import io
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.files.bvh import read_bvh, write_bvh
from takemill.maths import quat


def long_take(frames: int, joints: int) -> Motion:
    rng = np.random.default_rng(0)
    skeleton = Skeleton(
        tuple(f"joint_{number}" for number in range(joints)),
        tuple(range(-1, joints - 1)),
        rng.normal(size=(joints, 3)),
        np.tile(quat.IDENTITY, (joints, 1)),
    )
    turns = np.cumsum(0.05 * rng.normal(size=(frames, joints, 3)), axis=0)
    return Motion(skeleton, 120.0, quat.exp(turns), np.cumsum(0.01 * rng.normal(size=(frames, 3)), axis=0))


def seconds(work: Callable[[], object], times: int = 3) -> float:
    best = np.inf
    for _ in range(times):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best


def main(frames: int = 5000, joints: int = 60) -> None:
    motion = long_take(frames, joints)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.bvh"
        rows = [
            ("write, ours", seconds(lambda: write_bvh(path, motion))),
            ("read, ours", seconds(lambda: read_bvh(path))),
        ]
        numbers = path.read_text().partition("Frame Time:")[2].partition("\n")[2]
        values = np.loadtxt(io.StringIO(numbers))
        rows += [
            (
                "write, numpy.savetxt, numbers only",
                seconds(lambda: np.savetxt(io.StringIO(), values, "%.6f"), 1),
            ),
            ("read, numpy.loadtxt, numbers only", seconds(lambda: np.loadtxt(io.StringIO(numbers)), 1)),
        ]
        try:
            import bpy
            from io_anim_bvh import import_bvh
        except ImportError:
            pass
        else:
            blender = seconds(lambda: import_bvh.read_bvh(bpy.context, str(path), global_scale=0.01), 1)
            rows.append(("read, Blender's parser", blender))
    print(f"{frames} frames of {joints} joints")
    ours = {"write": rows[0][1], "read": rows[1][1]}
    for name, took in rows:
        print(f"  {name:<36}{took:8.2f} s{took / ours[name.partition(',')[0]]:8.1f} x ours")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
