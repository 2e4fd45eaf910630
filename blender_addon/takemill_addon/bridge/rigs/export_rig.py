"""Rig and mesh as GLB bytes, once and without animation, by Blender's bundled exporter."""

from __future__ import annotations

import io
import tempfile
from collections.abc import Collection, Iterator
from contextlib import contextmanager, redirect_stdout
from pathlib import Path

import bpy

from takemill.base.errors import InputError
from takemill.files.glb_nodes import skins_on_top


def export_rig(
    context: bpy.types.Context, armature: bpy.types.Object, bones: Collection[str] | None = None
) -> bytes:
    """A GLB of `armature` at rest and of everything that hangs on it, bone and object names kept.

    Of the bones only `bones`, where they are given; the parents of each must be among them.

    Raises:
        InputError: the armature is not to be seen in the view layer, so that nothing would be exported.
    """
    parts = parts_of(context, armature)
    with (
        _selected(context, armature, parts),
        _marked(armature, bones),
        tempfile.TemporaryDirectory() as folder,
        redirect_stdout(io.StringIO()),  # the exporter talks of its progress; its log level option is broken
    ):
        path = Path(folder, "rig.glb")
        bpy.ops.export_scene.gltf(
            filepath=str(path),
            export_format="GLB",
            use_selection=True,
            export_animations=False,
            export_yup=True,
            export_apply=False,  # applied modifiers would cost the face shapes
            export_rest_position_armature=True,
            export_def_bones=bones is not None,
            export_hierarchy_flatten_bones=False,
            export_cameras=False,
            export_lights=False,
        )
        return skins_on_top(path.read_bytes())


def parts_of(context: bpy.types.Context, armature: bpy.types.Object) -> list[bpy.types.Object]:
    """What hangs on `armature`: the objects below it, and the meshes that it bends by a modifier."""
    below = set(armature.children_recursive)
    return [
        item
        for item in context.view_layer.objects
        if item.type != "ARMATURE"
        and (item in below or any(m.type == "ARMATURE" and m.object == armature for m in item.modifiers))
    ]


def hidden_parts_of(context: bpy.types.Context, armature: bpy.types.Object) -> list[str]:
    """The names of those that are not to be seen, and so are not exported."""
    layer = context.view_layer
    return [item.name for item in parts_of(context, armature) if not item.visible_get(view_layer=layer)]


@contextmanager
def _marked(armature: bpy.types.Object, bones: Collection[str] | None) -> Iterator[None]:
    """Just these bones marked as deforming: the only choice of bones that the exporter offers."""
    if bones is None:
        yield
        return
    before = {bone.name: bone.use_deform for bone in armature.data.bones}
    try:
        for bone in armature.data.bones:
            bone.use_deform = bone.name in bones
        yield
    finally:
        for bone in armature.data.bones:
            bone.use_deform = before[bone.name]


@contextmanager
def _selected(context, armature, parts) -> Iterator[None]:
    """Just these objects selected, in object mode; afterwards everything as it was."""
    layer = context.view_layer
    if armature.name not in layer.objects or not armature.visible_get(view_layer=layer):
        raise InputError(f"armature {armature.name!r}: show it, or the exporter will leave it out")
    selected, active = [item for item in layer.objects if item.select_get()], layer.objects.active
    mode = active.mode if active else "OBJECT"
    if mode != "OBJECT":
        bpy.ops.object.mode_set(mode="OBJECT")
    for item in layer.objects:
        item.select_set(item == armature or item in parts)  # without effect on hidden ones
    layer.objects.active = armature
    try:
        yield
    finally:
        for item in layer.objects:
            item.select_set(item in selected)
        layer.objects.active = active
        if mode != "OBJECT":
            bpy.ops.object.mode_set(mode=mode)
