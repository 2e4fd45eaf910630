"""The mesh of a character for the report: what `report_mesh.js` skins and draws, out of the GLB itself."""

from __future__ import annotations

import base64
from typing import Any

import numpy as np

from ..base.checks import Array, Index
from ..body.skeleton import Skeleton
from ..files.glb_read import GlbScene
from ..files.glb_read_skin import SkinnedMesh, read_drawn

MAX_TRIANGLES = 150_000
"""Of a mesh that is drawn: four times what a character of a game has, 5 MB of a page."""

_DARKEST = 0.1  # of what a screen shows: black clothes on a dark page would not be seen (chosen by eye)
_MAX_SHADES = 256  # of materials: as many as a byte tells apart


def mesh_of(scene: GlbScene, skeleton: Skeleton) -> dict[str, Any] | None:
    """What the page draws of a scene's character; None where nothing hangs on its joints.

    Raises:
        GlbError: a mesh is malformed or compressed.
    """
    mesh = read_drawn(scene)
    return shown_mesh(scene, mesh, skeleton) if mesh else None


def shown_mesh(scene: GlbScene, mesh: SkinnedMesh, skeleton: Skeleton) -> dict[str, Any] | None:
    """A mesh as the page reads it; None for one of too many triangles, or that hangs on none of the joints.

    Args:
        scene: the file that holds it.
        mesh: of the scene.
        skeleton: of the clips; its joints have the names of the scene's.
    """
    if not 0 < len(mesh.triangles) <= MAX_TRIANGLES:
        return None
    hangs = (mesh.weights.sum(axis=1) > 0)[mesh.triangles].all(axis=1)
    used, slots = np.unique(mesh.slots, return_inverse=True)
    held = [_bind(scene, mesh, skeleton, int(bind)) for bind in used]
    if all(joint is None for joint, _ in held):
        return None
    turning = sorted({joint or 0 for joint, _ in held})
    unit = float(np.abs(mesh.points).max()) / 32767 or 1.0
    colours, shades = np.unique(mesh.colours.round(3), axis=0, return_inverse=True)
    return {
        "points": _text(np.round(mesh.points / unit).astype("<i2")),
        "unit": unit,
        "slots": _text(slots.astype("<u2" if len(used) > 256 else "u1")),
        "weights": _text(np.round(255 * mesh.weights).astype("u1")),
        "triangles": _text(mesh.triangles[hangs].astype("<u4" if len(mesh.points) > 65536 else "<u2")),
        "shades": _text(np.minimum(shades, _MAX_SHADES - 1)[hangs].astype("u1")),
        "palette": [_on_screen(colour) for colour in colours[:_MAX_SHADES]],
        "binds": [
            [turning.index(joint or 0), np.round(matrix[:3].ravel(), 6).tolist()] for joint, matrix in held
        ],
        "turning": turning,
        "textured": _is_textured(scene),
    }


def _is_textured(scene: GlbScene) -> bool:
    """Whether a material has its base colour from a picture, which the page does not draw."""
    materials = scene.json.get("materials", ())
    return any("baseColorTexture" in one.get("pbrMetallicRoughness", {}) for one in materials)


def _bind(scene: GlbScene, mesh: SkinnedMesh, skeleton: Skeleton, bind: int) -> tuple[int | None, Array]:
    """The joint that a bind hangs on, and the matrix (4, 4) from the mesh's space to the joint's, metres.

    A node that is no joint of the skeleton hangs on the next one above it as it does at rest.
    """
    nodes = {scene.names[node]: node for node in (*range(len(scene.names)), *scene.joints)}
    node, matrix = nodes.get(mesh.joints[bind], -1), mesh.binds[bind]
    while node >= 0 and scene.names[node] not in skeleton.names:
        matrix, node = scene.rest_of(node) @ matrix, scene.parents[node]
    if node < 0:
        return None, np.zeros((4, 4))
    size = np.cbrt(abs(np.linalg.det(scene.rest_world(node)[:3, :3])))
    return skeleton.names.index(scene.names[node]), np.diag([size, size, size, 1.0]) @ matrix


def _on_screen(colour: Array) -> list[int]:
    """A linear colour (3,) as a screen's, 0 to 255 (IEC 61966-2-1)."""
    linear = np.clip(colour, 0.0, 1.0)
    srgb = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.round(255 * (_DARKEST + (1 - _DARKEST) * srgb)).astype(int).tolist()


def _text(array: Array | Index) -> str:
    return base64.b64encode(np.ascontiguousarray(array).tobytes()).decode()
