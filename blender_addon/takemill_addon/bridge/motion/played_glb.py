"""A finished GLB in an empty file of Blender's: rig and mesh by its importer, the clips from the file itself.

The importer places keys by the scene's rate; read by the engine's reader, each clip has a key on each of its
own frames.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import bpy
import numpy as np
from mathutils import Matrix

from takemill.base.checks import Array
from takemill.base.errors import GlbError
from takemill.files.glb_animations import without_animations
from takemill.files.glb_bones import Bones, clear_rolls
from takemill.files.glb_read import GlbScene
from takemill.sets.verify_files import is_clip

from ..scene import actions
from ..scene.steps import drain
from .write_action import write_property

_WAY_OUT = "give all its joints, objects and clips short names of their own, or leave FBX out"


class PlayedGlb:
    """Rig and mesh of a GLB, and its clips.

    Attributes:
        scene: the file as an engine plays it.
        armature: what its joints became.
    """

    def __init__(self, glb: bytes, source: str, folder: Path) -> None:
        """Import rig and mesh; `folder` holds a file on the way.

        Raises:
            GlbError: it has no skeleton or several, or Blender gives a bone another name.
        """
        self.scene, self._source = GlbScene(glb, source), source
        bare = folder / "rig.glb"
        bare.write_bytes(without_animations(glb))
        bpy.ops.wm.read_factory_settings(use_empty=True)
        bpy.ops.import_scene.gltf(filepath=str(bare), bone_heuristic="BLENDER", disable_bone_shape=True)
        armatures = [one for one in bpy.data.objects if one.type == "ARMATURE"]
        if len(armatures) != 1:
            raise GlbError(f"{source}: an FBX of it needs one skeleton, and there are {len(armatures)}")
        self.armature: bpy.types.Object = armatures[0]
        self._nodes = self._nodes_of_bones()
        self._bones = self._rolled(self._read_bones())
        self._shapes = dict(self._drive_shapes())

    def add_clip(self, name: str, rate: float, frames: int) -> None:
        """A track of the armature that plays a clip: a key on each frame, from frame 0 on."""
        times, keys = np.arange(frames) / rate, np.arange(frames, dtype=np.float32)
        action, slot, bag = actions.new_action(self.armature, name)
        bases = self._bones.bases(self._joints(name, times))
        channels = [
            (f'pose.bones["{bpy.utils.escape_identifier(one)}"].{path}', values[:, bone])
            for path, values in zip(("location", "rotation_quaternion", "scale"), bases, strict=True)
            for bone, one in enumerate(self._nodes)
        ]
        group = bag.groups.new(self.armature.name)
        for place, values in (*channels, *self._weights(name, times)):
            drain(write_property(bag, group, place, keys, values))
        strip = self.armature.animation_data_create().nla_tracks.new().strips.new(name, 0, action)
        strip.name, strip.action_slot = name, slot
        strip.action_frame_start, strip.action_frame_end, strip.frame_end = 0, frames - 1, frames - 1
        if strip.name != name:
            raise GlbError(f"{self._source}: clip {name!r} is called otherwise by Blender; {_WAY_OUT}")

    def remove_clips(self) -> None:
        """Take all tracks away again."""
        data = self.armature.animation_data
        for track in list(data.nla_tracks):
            data.nla_tracks.remove(track)
        bpy.data.batch_remove(list(bpy.data.actions))

    def _nodes_of_bones(self) -> dict[str, int]:
        """By bone, parents first, the node that it was."""
        known = {self.scene.names[node]: node for node in (*range(len(self.scene.names)), *self.scene.joints)}
        found = {bone.name: known[bone.name] for bone in self.armature.data.bones if bone.name in known}
        moved = {curve.node for curves in self.scene.curves.values() for curve in curves}
        odd = [bone.name for bone in self.armature.data.bones if bone.name not in found]
        odd += sorted(self.scene.names[node] for node in moved - set(found.values()))
        if odd:
            raise GlbError(f"{self._source}: Blender has no bone {odd[0]!r} for its joint; {_WAY_OUT}")
        return found

    def _read_bones(self) -> Bones:
        bpy.context.view_layer.update()
        bones = [self.armature.pose.bones[name] for name in self._nodes]
        places = {bone.name: k for k, bone in enumerate(bones)}
        return Bones.of(
            [places[bone.parent.name] if bone.parent else -1 for bone in bones],
            np.array([bone.bone.matrix_local for bone in bones]),
            np.array([bone.matrix for bone in bones]),
            np.array([self.scene.rest_world(node) for node in self._nodes.values()]),
            np.array(self.armature.matrix_world),
        )

    def _rolled(self, bones: Bones) -> Bones:
        """The same, those rolled whose Euler angles, which FBX has, would not be well defined."""
        turns = [
            bones.turns(self._joints(name, np.arange(said["frames"]) / said["rate"])).astype(np.float32)
            for name, said in self.scene.extras.items()
            if is_clip(said)
        ]
        rest = np.array([self.scene.rest_world(node) for node in self._nodes.values()])
        rolls = clear_rolls(np.concatenate([bones.turns(rest[None]), *turns]), bones.parents)
        if not rolls.any():
            return bones
        bpy.context.view_layer.objects.active = self.armature
        bpy.ops.object.mode_set(mode="EDIT")
        for name, roll in zip(self._nodes, rolls, strict=True):
            bone = self.armature.data.edit_bones[name]
            bone.matrix = bone.matrix @ Matrix.Rotation(roll, 4, "Y")
        bpy.ops.object.mode_set(mode="OBJECT")
        return bones.rolled(rolls)

    def _joints(self, clip: str, times: Array) -> Array:
        """Where the joints of the bones are (F, B, 4, 4)."""
        return self.scene.worlds(clip, times)[:, list(self._nodes.values())]

    def _drive_shapes(self) -> Iterator[tuple[tuple[str, str], tuple[str, float]]]:
        """By node and shape, the armature's property that drives the shape, and its value at rest.

        The exporter bakes what the tracks of objects play: a property of the armature is one of them, the
        keys of a mesh's shapes are none.
        """
        for item in bpy.data.objects:
            keys = item.data.shape_keys if item.type == "MESH" else None
            for block in keys.key_blocks[1:] if keys else ():
                name = f"{item.name} {block.name}"
                self.armature[name] = block.value
                place = f'["{bpy.utils.escape_identifier(name)}"]'
                block.slider_min, block.slider_max = -10.0, 10.0
                driver = block.driver_add("value").driver
                driver.type = "SUM"
                target = driver.variables.new().targets[0]
                target.id, target.data_path = self.armature, place
                yield (item.name, block.name), (place, float(self.armature[name]))

    def _weights(self, clip: str, times: Array) -> Iterator[tuple[str, Array]]:
        """Where each driven shape's weight is keyed, and its values (F, 1) in a clip."""
        played = {
            (self.scene.names[curve.node], name): np.interp(times, curve.times, values)
            for curve in self.scene.weights[clip]
            for name, values in zip(curve.names, curve.values.T, strict=True)
        }
        if lost := sorted(played.keys() - self._shapes.keys()):
            raise GlbError(f"{self._source}: Blender has no shape {lost[0][1]!r} of its mesh; {_WAY_OUT}")
        for key, (place, rest) in self._shapes.items():
            yield place, played.get(key, np.full(len(times), rest))[:, None]
