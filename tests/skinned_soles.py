"""How high the soles of a packed character lie, as it is seen: vertices skinned with nothing of the engine's.

Source: glTF 2.0 specification (Khronos, 2021), section 3.7.3 (skins): a vertex is the weighted sum of what
joint matrix times inverse bind matrix make of it.
"""

from __future__ import annotations

import numpy as np

from glb_reader import Glb


def foot_vertices(glb: Glb, joints: set[int]) -> list[tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]]:
    """By primitive the vertices that hang on some nodes by half and more.

    Returns:
        Positions (N, 3), the nodes (N, 4) they hang on, weights (N, 4), inverse bind matrices (N, 4, 4, 4).
    """
    found = []
    for node in glb.json["nodes"]:
        if "mesh" not in node or "skin" not in node:
            continue
        skin = glb.json["skins"][node["skin"]]
        bones = np.array(skin["joints"])
        binds = glb.accessor(skin["inverseBindMatrices"]).reshape(-1, 4, 4).swapaxes(1, 2)
        for primitive in glb.json["meshes"][node["mesh"]]["primitives"]:
            given = primitive["attributes"]
            slots = glb.accessor(given["JOINTS_0"]).astype(int)
            weights = glb.accessor(given["WEIGHTS_0"])
            on_foot = (np.isin(bones[slots], sorted(joints)) * weights).sum(axis=1)
            mine = on_foot > 0.45 * weights.sum(axis=1)  # a heel hangs on foot and shin alike
            place = glb.accessor(given["POSITION"])[mine]
            found.append((place, bones[slots[mine]], weights[mine], binds[slots[mine]]))
    return found


def subtree(glb: Glb, node: int) -> set[int]:
    """A node and all below it."""
    return {node}.union(*(subtree(glb, child) for child in glb.json["nodes"][node].get("children", [])))


def sole_heights(glb: Glb, clip: str, times_s: np.ndarray, foot: str) -> np.ndarray:
    """The height (T,) of the lowest vertex that hangs on a foot, or on what hangs on it; metres over 0."""
    worlds = glb.worlds(clip, times_s)
    lowest = np.full(len(times_s), np.inf)
    for place, nodes, weights, binds in foot_vertices(glb, subtree(glb, glb.node(foot))):
        if not len(place):
            continue
        bound = np.einsum("nkij,nj->nki", binds, np.c_[place, np.ones(len(place))])  # (N, 4, 4)
        rows = worlds[:, :, 1]  # of the axis that points up
        each = np.einsum("tnki,nki->tnk", rows[:, nodes], bound)
        lowest = np.minimum(
            lowest, (each * weights / weights.sum(axis=1, keepdims=True)).sum(axis=2).min(axis=1)
        )
    return lowest
