"""The scene of a contact sheet: figures side by side, lit, and seen by a camera; and its picture."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import bpy
import numpy as np
from mathutils import Matrix

from .sheet_poses import Pose

# The layout of the sheet was chosen by eye.
COLUMNS = 8
TITLE_ROWS = 0.16  # height of the title, as a part of a row's
_MARGIN_HEIGHTS, _LABEL_HEIGHTS = (
    0.06,
    0.14,
)  # around a figure and below it, as parts of the tallest one's height
_PAPER, _INK, _CLAY = (0.75, 0.76, 0.78), (0.02, 0.02, 0.02), (0.1, 0.16, 0.2)  # linear RGB
_CAMERA_DEPTH = 1000.0  # metres that the camera sees: farther than any figure reaches


def sheet_scene(
    cast: Sequence[Sequence[Pose]], title: str, row_px: int, names: Sequence[str] = ()
) -> bpy.types.Scene:
    """A new scene of as many poses of each figure, COLUMNS in a row, a title above all.

    Each figure begins a row of its own, at whose first pose its name stands if `names` are given; a row is
    `row_px` high.
    """
    columns = min(len(cast[0]), COLUMNS)
    each = math.ceil(len(cast[0]) / columns)
    rows, poses = each * len(cast), [pose for one in cast for pose in one]
    places = [(k // columns, k % columns) for k in range(len(cast[0]))]
    cells = [(each * figure + row, column) for figure in range(len(cast)) for row, column in places]
    top = max(float(pose.high[2]) for pose in poses)
    bottom = min(0.0, *(float(pose.low[2]) for pose in poses))
    tall = max(top - bottom, 1e-6)
    reach = max(float(np.abs([pose.low[0], pose.high[0]]).max()) for pose in poses)
    wide, high = 2 * reach + 2 * _MARGIN_HEIGHTS * tall, tall * (1 + 2 * _MARGIN_HEIGHTS + _LABEL_HEIGHTS)
    wide = max(wide, 0.48 * high)  # room for the label
    scene = bpy.data.scenes.new("contact sheet")
    ink, clay = _material("ink", _INK), _material("clay", _CLAY)
    for (row, column), pose in zip(cells, poses, strict=True):
        x, z = column * wide, -row * high
        for mesh, matrix in pose.meshes:
            if not mesh.materials:
                mesh.materials.append(clay)
            _add(scene, mesh, Matrix.Translation((x, 0, z)) @ matrix)
        text = f"{pose.phase:.0%}, frame {pose.frame:.4g}"
        if names and not column and not row % each:
            text = names[row // each]
        _write(scene, ink, text, 0.055 * high, (x, z + bottom - 0.1 * high), "CENTER")
        _add(scene, _floor(wide, 0.003 * high, ink), Matrix.Translation((x, _CAMERA_DEPTH / 2, z)))
    _write(scene, ink, title, 0.5 * TITLE_ROWS * high, (-wide / 2 + 0.03 * high, top + 0.11 * high), "LEFT")
    size = (columns * wide, (rows + TITLE_ROWS) * high)
    ceiling = top + _MARGIN_HEIGHTS * tall + TITLE_ROWS * high
    _light(scene)
    _look(scene, ((columns - 1) * wide / 2, ceiling - size[1] / 2), max(size))
    render = scene.render
    render.resolution_x, render.resolution_y = (round(part * row_px / high) for part in size)
    return scene


def render(scene: bpy.types.Scene, path: Path) -> None:
    """Write a scene's picture, a PNG, by Cycles on the processor: the same with a window and without."""
    how = scene.render
    how.engine, how.resolution_percentage = "CYCLES", 100  # type: ignore[assignment]  # an add-on's
    how.image_settings.file_format, how.image_settings.color_mode = "PNG", "RGB"
    how.use_file_extension, how.filepath = True, str(path)
    scene.view_settings.view_transform = "Standard"
    cycles = scene.cycles
    cycles.device, cycles.samples, cycles.max_bounces = "CPU", 16, 1
    cycles.use_denoising = cycles.use_adaptive_sampling = False
    bpy.ops.render.render(write_still=True, scene=scene.name)


def _add(scene: bpy.types.Scene, data, matrix: Matrix) -> bpy.types.Object:
    item = bpy.data.objects.new(data.name if data else "", data)
    item.matrix_world = matrix
    scene.collection.objects.link(item)
    return item


def _write(scene, ink, text: str, size: float, place: tuple[float, float], align: str) -> None:
    """Text that faces the viewer, before all figures; its baseline begins or has its middle at `place`."""
    curve = bpy.data.curves.new("text", "FONT")
    curve.body, curve.size, curve.align_x = text, size, align
    curve.materials.append(ink)
    matrix = Matrix.Translation((place[0], -_CAMERA_DEPTH / 2, place[1])) @ Matrix.Rotation(
        math.pi / 2, 4, "X"
    )
    _add(scene, curve, matrix)


def _floor(wide: float, thick: float, ink) -> bpy.types.Mesh:
    """A line below the feet, behind all figures."""
    mesh = bpy.data.meshes.new("floor")
    corners = [(x * wide / 2, 0, z) for x, z in ((-1, -thick), (1, -thick), (1, 0), (-1, 0))]
    mesh.from_pydata(corners, [], [(0, 1, 2, 3)])
    mesh.materials.append(ink)
    return mesh


def _light(scene: bpy.types.Scene) -> None:
    """Even light from all around and some from above the viewer's left shoulder."""
    scene.world = bpy.data.worlds.new("paper")
    _paint(scene.world, "BACKGROUND", _PAPER)
    sun = bpy.data.lights.new("sun", "SUN")
    sun.energy, sun.angle = 2.0, 0.2
    _add(scene, sun, Matrix.Rotation(-0.5, 4, "Z") @ Matrix.Rotation(math.radians(50), 4, "X"))


def _look(scene: bpy.types.Scene, middle: tuple[float, float], wide: float) -> None:
    camera = bpy.data.cameras.new("viewer")
    camera.type, camera.ortho_scale, camera.clip_end = "ORTHO", wide, 3 * _CAMERA_DEPTH
    place = Matrix.Translation((middle[0], -_CAMERA_DEPTH, middle[1])) @ Matrix.Rotation(math.pi / 2, 4, "X")
    scene.camera = _add(scene, camera, place)


def _material(name: str, colour: tuple[float, float, float]) -> bpy.types.Material:
    material = bpy.data.materials.new(name)
    material.diffuse_color = (*colour, 1)  # type: ignore[assignment]  # the stubs lack its setter
    _paint(material, "BSDF_PRINCIPLED", colour)
    return material


def _paint(holder, node_type: str, colour: tuple[float, float, float]) -> None:
    """Colour a world or a material, by the node of that type where it has nodes (as all have from 5.0 on)."""
    nodes = holder.node_tree.nodes if holder.node_tree else ()
    node = next((node for node in nodes if node.type == node_type), None)
    if node:
        node.inputs[0].default_value[:3] = colour
    elif hasattr(holder, "color"):
        holder.color = colour
