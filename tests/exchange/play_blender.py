"""play_blender.py FILE REQUEST ANSWER: where Blender's own importer puts the joints of a GLB.

REQUEST is a JSON file {"fps": n, "joints": [...], "clips": {clip: [frame, ...]}}; ANSWER becomes
{clip: [[[x, y, z] per joint] per frame]}. Run in a process of its own, since it empties the scene.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import bpy

source, request, answer = sys.argv[1:]
asked = json.loads(Path(request).read_text())
bpy.ops.wm.read_factory_settings(use_empty=True)
scene = bpy.context.scene
scene.render.fps, scene.render.fps_base = asked["fps"], 1.0  # keys are placed at seconds * fps
bpy.ops.import_scene.gltf(filepath=source, disable_bone_shape=True)
armature = next(ob for ob in scene.objects if ob.type == "ARMATURE")
data = armature.animation_data
for track in list(data.nla_tracks):
    data.nla_tracks.remove(track)
found = {}
for clip, frames in asked["clips"].items():
    action = next(a for a in bpy.data.actions if a.name == clip or a.name == f"{clip}_{armature.name}")
    for bone in armature.pose.bones:
        bone.matrix_basis.identity()
    data.action = action
    data.action_slot = data.action_suitable_slots[0]
    found[clip] = []
    for frame in frames:
        scene.frame_set(frame)
        bones = [armature.pose.bones[name] for name in asked["joints"]]
        found[clip].append([list(armature.matrix_world @ bone.head) for bone in bones])
Path(answer).write_text(json.dumps(found))
sys.stdout.flush()
os._exit(0)  # the 4.5 module can wait forever at a normal exit
