"""Build the samples: `python sample_blends/build_samples.py`, with the bpy of Blender 4.5.

Both 4.5 and 5.2 open what 4.5 saves without a complaint.

Writes beside itself: marsh_take.bvh (the take as recorded), marsh_truth.json (what is known of it) and
marsh_ferry.blend (the suit with the take, three characters, a dock).
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

import bpy  # noqa: E402
import ferry_scene  # noqa: E402
import ferry_take  # noqa: E402
import numpy as np  # noqa: E402

from takemill.body.motion import Motion  # noqa: E402
from takemill.files.bvh import format_bvh, read_bvh  # noqa: E402

TAKE, TRUTH, SCENE = (HERE / name for name in ("marsh_take.bvh", "marsh_truth.json", "marsh_ferry.blend"))


def main() -> None:
    """Build all three files; the scene holds the take as it stands in the BVH file."""
    _, recorded, truth = ferry_take.build()
    TAKE.write_text(short_bvh(recorded), encoding="utf-8", newline="\n")
    TRUTH.write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8", newline="\n")
    ferry_scene.build(read_bvh(TAKE)[0], ferry_take.SEED)
    bpy.context.preferences.filepaths.save_version = 0
    bpy.ops.wm.save_as_mainfile(filepath=str(SCENE), compress=True)
    for path in (TAKE, TRUTH, SCENE):
        print(f"{path.name}: {path.stat().st_size / 1e6:.2f} MB")


def short_bvh(motion: Motion) -> str:
    """The motion as BVH text with two digits: 0.1 mm and 0.01 degrees, far below the suit's own noise."""
    head, _, numbers = format_bvh(motion).partition("Frame Time: ")
    time, _, rows = numbers.partition("\n")
    table = np.array(rows.split(), np.float64).reshape(len(motion), -1)
    row = " ".join(["%.2f"] * table.shape[1]) + "\n"
    return f"{head}Frame Time: {time}\n" + (row * len(table)) % tuple(table.ravel())


if __name__ == "__main__":
    main()
