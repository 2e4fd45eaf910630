"""What it costs to read poses that Blender must evaluate, beside Blender's own bake of the same frames.

    python tests/benchmarks/evaluate_table.py

The rigs are the sample's performer under a constraint, with the sample's characters in the scene, and the
control rig that the bundled generator makes of the human metarig. Seconds are of the processor; the bake is
`bpy_extras.anim_utils.bake_action_objects`, visual keys, poses only, which is what Bake Action runs.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import bpy
import numpy as np
from bpy_extras import anim_utils

HOME = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(HOME / "core"), str(HOME / "blender_addon"), str(HOME / "tests")]
import control_rigs  # noqa: E402  # the paths come first
import takemill_addon  # noqa: E402
from takemill_addon.bridge.rigs.evaluate import evaluated_poses  # noqa: E402
from takemill_addon.bridge.rigs.rig import read_rig  # noqa: E402
from takemill_addon.bridge.scene import actions  # noqa: E402
from takemill_addon.bridge.scene.steps import drain  # noqa: E402

PERFORMER, GENERATED = 7200, 300
"""Frames."""


def main() -> None:
    takemill_addon.register()
    print(f"{'rig':28}{'bones':>6}{'frames':>8}{'ours s':>9}{'bake s':>9}{'bake / ours':>13}")
    bpy.ops.wm.open_mainfile(filepath=str(HOME / "sample_blends/marsh_ferry.blend"))
    suit = bpy.data.objects["Suit"]
    suit.pose.bones[0].constraints.new("LIMIT_SCALE")
    row("performer, one constraint", suit, PERFORMER)
    bpy.ops.wm.read_homefile(use_empty=True)
    with control_rigs.generator():
        _, rig = control_rigs.generated()
        swing(rig)
        row("generated control rig", rig, GENERATED)


def swing(rig) -> None:
    """Keys on the torso and the arms' controls."""
    action, slot, bag = actions.new_action(rig, "swing")
    for name in ("torso", "chest", "upper_arm_fk.L", "upper_arm_fk.R", "head"):
        for index in range(4):
            curve = bag.fcurves.new(f'pose.bones["{name}"].rotation_quaternion', index=index)
            frames = np.arange(1, GENERATED + 1, dtype=np.float32)
            values = np.cos(frames / 20) * 0.1 + (1 if index == 0 else 0)
            curve.keyframe_points.add(len(frames))
            curve.keyframe_points.foreach_set("co", np.stack([frames, values], -1).astype(np.float32).ravel())
            curve.update()
    actions.assign(rig, action, slot)


def row(name: str, rig, count: int) -> None:
    data, frames = rig.animation_data, range(1, count + 1)
    start = time.process_time()
    drain(evaluated_poses(bpy.context, rig, data.action, data.action_slot, frames, read_rig(rig)))
    ours = time.process_time() - start
    options = anim_utils.BakeOptions(
        only_selected=False, do_pose=True, do_object=False, do_visual_keying=True, do_constraint_clear=False,
        do_parents_clear=False, do_clean=False, do_location=True, do_rotation=True, do_scale=True,
        do_bbone=False, do_custom_props=False,
    )  # fmt: skip
    start = time.process_time()
    anim_utils.bake_action_objects([(rig, None)], frames=frames, bake_options=options)
    bake = time.process_time() - start
    print(f"{name:28}{len(rig.pose.bones):6}{count:8}{ours:9.2f}{bake:9.2f}{bake / ours:13.1f}", flush=True)


main()
