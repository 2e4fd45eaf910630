"""play_fbx.py FBX REQUEST ANSWER: what Blender's own importer makes of an FBX, on each frame.

REQUEST is a JSON file {"joints": [...], "frames": n}. ANSWER becomes {"rate": frames per second,
"clips": {clip: one}}, of each clip by frame: "joints", [x, y, z] of each; "points", [x, y, z] of
each vertex of skinned meshes; "weights", {shape: weight}. Run in a process of its own,
since it empties the scene.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import bpy
import numpy as np

source, request, answer = sys.argv[1:]
asked = json.loads(Path(request).read_text())
bpy.ops.wm.read_factory_settings(use_empty=True)
bpy.ops.wm.fbx_import(filepath=source, anim_offset=0.0)
scene = bpy.context.scene
armature = next(ob for ob in scene.objects if ob.type == "ARMATURE")
meshes = [ob for ob in scene.objects if ob.type == "MESH"]
shaped = [ob.data.shape_keys for ob in meshes if ob.data.shape_keys]


def play(item: bpy.types.ID, action: bpy.types.Action) -> None:
    data = item.animation_data_create()
    data.action = action
    slots = {slot.name_display: slot for slot in data.action_suitable_slots}
    data.action_slot = slots.get(item.name) or data.action_suitable_slots[0]


def points_of(mesh: bpy.types.Object) -> list[list[float]]:
    evaluated = mesh.evaluated_get(bpy.context.evaluated_depsgraph_get())
    vertices = evaluated.data.vertices
    found = np.empty(3 * len(vertices), np.float32)
    vertices.foreach_get("co", found)
    place = np.array(evaluated.matrix_world)
    return (found.reshape(-1, 3) @ place[:3, :3].T + place[:3, 3]).tolist()


clips = {}
for action in bpy.data.actions:
    play(armature, action)
    for keys in shaped:
        play(keys, action)
    found: dict[str, list] = {"joints": [], "points": [], "weights": []}
    for frame in range(asked["frames"]):
        scene.frame_set(frame)
        bones = [armature.pose.bones[name] for name in asked["joints"]]
        found["joints"].append([list(armature.matrix_world @ bone.head) for bone in bones])
        found["points"].append([one for mesh in meshes if mesh.vertex_groups for one in points_of(mesh)])
        blocks = [block for keys in shaped for block in keys.key_blocks[1:]]
        found["weights"].append({block.name: block.value for block in blocks})
    clips[action.name] = found
Path(answer).write_text(json.dumps({"rate": scene.render.fps / scene.render.fps_base, "clips": clips}))
sys.stdout.flush()
os._exit(0)  # the 4.5 module can wait forever at a normal exit
