"""The picture of the sample scene, rendered by Blender's module without a window."""

from __future__ import annotations

import math

from . import work
from .places import BLEND, PICTURES

SCENE = "marsh_ferry"
_MOMENTS = {  # seconds of the take, and how far each is turned on the spot in degrees
    "Ferrywoman": (34.6, 0),
    "Lamplighter": (2.0, 0),
    "Courier": (62.35, 214),
    "Suit": (83.9, -66),
}


def take() -> None:
    """The take's performer and the three characters that it is fitted to, each at a moment of the take."""
    import bpy

    work.register_once()
    bpy.ops.wm.open_mainfile(filepath=str(BLEND))
    scene = bpy.context.scene
    work.activate(bpy.context, "Suit")
    bpy.ops.takemill.map_body()
    bpy.ops.takemill.repair_take()
    bpy.ops.takemill.add_characters()
    bpy.ops.takemill.fit_take()
    poses = {name: _pose_at(scene.objects[name], *moment) for name, moment in _MOMENTS.items()}
    for name, pose in poses.items():
        scene.objects[name].animation_data.action = None
        for bone, matrix in pose.items():
            scene.objects[name].pose.bones[bone].matrix_basis = matrix
    scene.render.engine, scene.cycles.device, scene.cycles.samples = "CYCLES", "CPU", 64
    scene.render.resolution_x, scene.render.resolution_y = 1200, 600
    scene.render.image_settings.file_format = "PNG"
    scene.render.image_settings.compression = 100
    for name in dir(scene.render):  # what would be written into the file, a path of this machine among it
        if name.startswith("use_stamp_"):
            setattr(scene.render, name, False)
    scene.render.filepath = str(PICTURES / f"{SCENE}.png")
    bpy.ops.render.render(write_still=True)


def _pose_at(rig, seconds: float, turn_deg: float) -> dict:
    """What each bone of a rig does then, at the place where the rig stands."""
    import bpy
    from mathutils import Matrix

    scene = bpy.context.scene
    scene.frame_set(scene.frame_start + round(seconds * scene.render.fps))
    hips = rig.pose.bones[next(part.bone for part in rig.takemill.parts if part.name == "hips")]
    root = next((bone for bone in hips.parent_recursive if bone.parent is None), hips)
    there, place = (rig.matrix_world @ hips.matrix).translation, rig.matrix_world.translation
    moved = Matrix.Translation((*place.xy, 0)) @ Matrix.Rotation(math.radians(turn_deg), 4, "Z")
    moved @= Matrix.Translation((*-there.xy, 0))
    root.matrix = rig.matrix_world.inverted() @ moved @ rig.matrix_world @ root.matrix
    return {bone.name: bone.matrix_basis.copy() for bone in rig.pose.bones}
