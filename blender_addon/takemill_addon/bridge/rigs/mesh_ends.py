"""Where limbs end, by the mesh that an armature bends, as the engine tells it of a GLB: heels and toes too.

File formats other than BVH say of joints where they are, and not where the last ones lead; what importers
make of that is a guess, and counts for nothing.
"""

from __future__ import annotations

import bpy
import numpy as np

from takemill.base.checks import Array
from takemill.files.glb_place import Place
from takemill.files.glb_tips import limb_ends

from . import bone_ends
from .rig import ArmatureFrame, Rig, read_rig


def keep_ends(armature: bpy.types.Object) -> None:
    """Keep with the bones where the mesh ends at them; nothing where there is no mesh."""
    rig, frame = read_rig(armature), ArmatureFrame.of(armature).standing
    rotations, positions = frame.world_skeleton(rig.skeleton).rest_model
    stands = [Place(turn, at, frame.size) for turn, at in zip(rotations, positions, strict=True)]
    joints, places = limb_ends(_vertices(armature, rig), rig.parents, stands)
    ends = zip(joints, places, strict=True)
    bone_ends.keep(armature, ((rig.names[joint], place / frame.size) for joint, place in ends))


def _vertices(armature: bpy.types.Object, rig: Rig) -> dict[int, Array]:
    """The vertices (N, 3) of each bone, which is the strongest of theirs, in its own space."""
    index = {name: joint for joint, name in enumerate(rig.names)}
    own: dict[int, list[Array]] = {}
    for item in bpy.data.objects:
        if item.type != "MESH" or item.find_armature() != armature or not item.data.vertices:
            continue
        names = [group.name for group in item.vertex_groups]
        strongest = np.array([_strongest(vertex, names, index) for vertex in item.data.vertices])
        points = np.empty(len(strongest) * 3, np.float32)
        item.data.vertices.foreach_get("co", points)
        to_armature = np.array(armature.matrix_world.inverted() @ item.matrix_world, np.float64)
        inside = points.reshape(-1, 3) @ to_armature[:3, :3].T + to_armature[:3, 3]
        for joint in np.unique(strongest[strongest >= 0]).tolist():
            back = np.array(armature.data.bones[rig.names[joint]].matrix_local.inverted(), np.float64)
            own.setdefault(joint, []).append(inside[strongest == joint] @ back[:3, :3].T + back[:3, 3])
    return {joint: np.concatenate(parts) for joint, parts in own.items()}


def _strongest(vertex: bpy.types.MeshVertex, names: list[str], index: dict[str, int]) -> int:
    """The bone that moves a vertex most; -1 for none."""
    weights = [(group.weight, index.get(names[group.group], -1)) for group in vertex.groups]
    best = max(((weight, joint) for weight, joint in weights if joint >= 0), default=(0.0, -1))
    return best[1]
