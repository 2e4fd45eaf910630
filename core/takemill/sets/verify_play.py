"""What a set's clips play: poses as the character sees them, and how far they are from what is right."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Set
from typing import Any

import numpy as np

from ..base.checks import Array
from ..body.motion import Motion
from ..files.glb_read import GlbScene

_MAX_ROUNDING_MM = 0.02  # what rounding to float32 and to int16 may leave in a chain of joints
_LOOKS_PER_FRAME = 4  # as the search for keys (keys/reduce_error.py)
_MAX_LOOKS = 6  # contacts of a foot, in whose middle its height is measured (chosen by eye)
# Of the leg: ankles or toes of a foot that stands; the tests' bodies: 0 to 0.12.
_MAX_SOLE_LEGS, _MIN_SOLE_LEGS = 0.25, -0.1
# Of the leg: hips over a foot that stands, in the deepest squat; common practice, no source.
_MIN_HIPS_LEGS = 0.1
_FEET = ("leftFoot", "rightFoot")
_MAX_ROOT_START_M = 0.005  # what keys may be off at most, unless a recipe says otherwise
_MAX_HIPS_START_LEGS = 0.3  # hips from where their smoothed path starts; on the tests' sets up to 0.1


def root_motion_error_m(ends: Array, root_motion: Mapping[str, Any]) -> float:
    """Metres between where a root joint (2, 4, 4) ends, seen from its start, and where the list says."""
    left, up, ahead = root_motion["offset_m"]
    planar, height, turned = (root_motion[part] == "root" for part in ("planar", "height", "turn"))
    offset = np.array([planar * left, height * up, planar * ahead])
    moved = ends[1, :3, 3] - ends[0, :3, 3]
    about_y = ends[1, :3, :3] @ ends[0, :3, :3].T
    turn = np.arctan2(about_y[0, 2], about_y[2, 2])
    miss = float(np.linalg.norm(moved - offset))
    right = turned * np.radians(root_motion["turn_deg"])
    return miss + abs(float(np.angle(np.exp(1j * (turn - right)))))  # a radian is a metre at arm's length


def remove_scale(matrices: Array) -> Array:
    """Matrices (..., 4, 4) without their scale."""
    out = matrices.copy()
    out[..., :3, :3] /= np.linalg.norm(out[..., :3, :3], axis=-2, keepdims=True)
    return out


def view_from_character(scene: GlbScene, joints: Set[str], worlds: Array) -> Array:
    """World matrices (T, N, 4, 4) as the character sees them, wherever its scene has put it on the floor."""
    top = next((node for node in scene.order if scene.names[node] in joints), -1)  # parents come first
    above, stand = scene.parents[top] if top >= 0 else -1, np.eye(4)
    while above >= 0:
        stand, above = scene.rest_of(above) @ stand, scene.parents[above]
    turn = remove_scale(stand)
    heading = np.arctan2(turn[0, 2] - turn[2, 0], turn[0, 0] + turn[2, 2])  # its twist about +Y
    c, s = np.cos(heading), np.sin(heading)
    place = np.array([[c, 0, s, stand[0, 3]], [0, 1, 0, 0], [-s, 0, c, stand[2, 3]], [0, 0, 0, 1.0]])
    return np.linalg.inv(place) @ worlds


def pose_gap_m(ends: Array, with_root_motion: bool) -> float:
    """The largest distance, metres, between poses (2, J, 3); with root motion, after the best turn."""
    first, last = ends
    if with_root_motion:
        first, last = (points - points.mean(axis=0) * [1.0, 0.0, 1.0] for points in (first, last))
        flat = [points[:, 2] + 1j * points[:, 0] for points in (first, last)]
        turn = np.vdot(flat[0], flat[1])
        back = flat[1] * np.conj(turn) / abs(turn) if abs(turn) else flat[1]
        last = np.stack([back.imag, last[:, 1], back.real], axis=-1)
    return float(np.linalg.norm(last - first, axis=1).max())


def standing_problems(
    clip: Mapping[str, Any], scene: GlbScene, names: Set[str], parts: Mapping[str, str]
) -> Iterator[str]:
    """Whether feet that the list says are planted stand on the floor, and carry the hips."""
    nodes = {scene.names[node]: node for node in (*range(len(scene.names)), *scene.joints)}
    hips = nodes.get(parts.get("hips", ""))
    if clip["additive"] or clip["root_motion"]["height"] == "remove" or hips is None:
        return
    for foot, ranges in clip["contacts"].items():
        ankle = nodes.get(parts.get(foot, ""))
        if ankle is None or not ranges:
            continue
        lowest = [
            ankle,
            *(nodes[toe] for toe in [parts.get(foot.replace("Foot", "Toes"), "")] if toe in nodes),
        ]
        middles = [(start + stop - 1) // 2 for start, stop in ranges]
        looks = slice(0, _MAX_LOOKS * max(1, len(middles) // _MAX_LOOKS), max(1, len(middles) // _MAX_LOOKS))
        frames = np.array(middles[looks])
        floors = np.array((clip["floors_m"] or {}).get(foot, [0.0] * len(middles))[looks])
        if len(floors) != len(frames):
            continue  # which verify_facts says
        heights = view_from_character(scene, names, scene.worlds(clip["name"], frames / clip["rate"]))[
            ..., 1, 3
        ]
        leg = _rest_length(scene, hips, ankle)
        low, carried = heights[:, lowest].min(axis=1) - floors, heights[:, hips] - floors
        worst = int(np.abs(low).argmax())
        if not _MIN_SOLE_LEGS * leg < low[worst] < _MAX_SOLE_LEGS * leg:
            yield f"{foot} is planted in frame {frames[worst]}, {low[worst]:.2f} m above the floor"
        elif (carried - low).min() < _MIN_HIPS_LEGS * leg:
            yield f"the body does not stand on {foot} in frame {frames[int((carried - low).argmin())]}"


def start_problems(
    clip: Mapping[str, Any], scene: GlbScene, names: Set[str], parts: Mapping[str, str], root: str
) -> Iterator[str]:
    """Whether a clip starts at the origin, as all do: its root joint exactly, its hips as near as they sway.

    Where the character stands in its own scene does not count. Nothing else in a set tells of a shift
    sideways: feet, seams and lengths stay.
    """
    nodes = {scene.names[node]: node for node in (*range(len(scene.names)), *scene.joints)}
    hips = nodes.get(parts.get("hips", ""))
    if clip["additive"] or hips is None:
        return
    worlds = view_from_character(scene, names, scene.worlds(clip["name"], np.array([0.0])))
    away = np.linalg.norm(worlds[0][:, [0, 2], 3], axis=1)
    legs = [_rest_length(scene, hips, nodes[parts[foot]]) for foot in _FEET if parts.get(foot) in nodes]
    if clip["root_motion"]["planar"] == "root" and root in nodes and away[nodes[root]] > _MAX_ROOT_START_M:
        yield f"its root joint starts {away[nodes[root]]:.3f} m from the origin"
    elif legs and away[hips] > _MAX_HIPS_START_LEGS * min(legs):
        yield f"its hips start {away[hips]:.2f} m from the origin"


def _rest_length(scene: GlbScene, hips: int, ankle: int) -> float:
    """Along the bones from the hips to an ankle, at rest and in the world's size, metres."""
    length, node = 0.0, ankle
    size = float(np.cbrt(abs(np.linalg.det(scene.rest_world(hips)[:3, :3]))))
    while node >= 0 and node != hips:
        length += float(np.linalg.norm(scene.rest_of(node)[:3, 3]))
        node = scene.parents[node]
    return length * size


def compare_motion(
    clip: Mapping[str, Any], scene: GlbScene, names: Set[str], motion: Motion, most_mm: float
) -> tuple[float | None, list[str]]:
    """The largest distance, mm, between the joints as the file plays them and the motion, 4 times a frame."""
    nodes = {scene.names[node]: node for node in (*range(len(scene.names)), *scene.joints)}  # joints last
    missing = [joint for joint in motion.skeleton.names if joint not in nodes]
    if missing:
        return None, [f"the file has no joint {missing[0]!r}"]
    if len(motion) != clip["frames"]:
        return None, [f"the list says that it has {clip['frames']} frames; made again it has {len(motion)}"]
    frames = np.arange((len(motion) - 1) * _LOOKS_PER_FRAME + 1) / _LOOKS_PER_FRAME
    right = motion.sampled(frames, motion.rate).model()[1]
    places = view_from_character(scene, names, scene.worlds(clip["name"], frames / motion.rate))[..., :3, 3]
    played = places[:, [nodes[joint] for joint in motion.skeleton.names]]
    played = np.stack([played[..., 0], -played[..., 2], played[..., 1]], axis=-1)  # +Y up to +Z up
    error = 1000 * float(np.linalg.norm(played - right, axis=-1).max())
    wrong = (
        [f"a joint is {error:.2f} mm off; {most_mm:g} are allowed"]
        if error > most_mm + _MAX_ROUNDING_MM
        else []
    )
    return error, wrong
