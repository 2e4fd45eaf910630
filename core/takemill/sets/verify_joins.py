"""Whether clips that a list lets follow each other do: by what the list says, and as the files play them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Set
from typing import Any

import numpy as np

from ..base.checks import Array
from ..base.errors import GlbError
from ..clip.clouds import is_main
from ..clip.measure import End, gap_between
from ..files.glb_read import GlbScene
from .clip_joins import MAX_JOIN_CM
from .verify_play import remove_scale, view_from_character

_MAX_OFF = 0.011  # between a gap and the same one in the table: both are rounded to 2 decimals


def join_problems(said: Mapping[str, Any]) -> Iterator[str]:
    """Whether the list's joins are of its clips, small, and those of its table of gaps."""
    clips = {clip["name"]: clip for clip in said["clips"]}
    gaps = said["gaps"]
    for one in said["joins"]:
        pair = f"{one['from']!r} to {one['to']!r}"
        if any(name not in clips or clips[name]["additive"] for name in (one["from"], one["to"])):
            yield f"a join from {pair}: there is no such pair of clips with poses"
            continue
        if one["gap_cm"] > MAX_JOIN_CM:
            yield f"from {pair} there are {one['gap_cm']:g} cm; at most {MAX_JOIN_CM:g} are no jump"
        if gaps and not _is_in_table(one, gaps):
            yield f"from {pair} joins and gaps say something else"
    told = {(one["from"], one["to"]) for one in said["joins"]}
    for clip in clips.values():
        asked = clip["asked"] or {}
        for key in ("follows", "leads_to") if clip["variant"] is None else ():
            name = asked.get(key)
            ends = (name, clip["name"]) if key == "follows" else (clip["name"], name)
            if isinstance(name, str) and name in clips and ends not in told:
                yield f"clip {clip['name']!r} {key} {name!r}, which the joins do not say"


def _is_in_table(one: Mapping[str, Any], gaps: Mapping[str, Any]) -> bool:
    """Whether a join's gaps are those of the table, as far as that has them."""
    if not {one["from"], one["to"]} <= {*gaps["clips"]}:
        return True
    row, column = (gaps["clips"].index(one[end]) for end in ("from", "to"))
    return all(
        len(gaps[unit]) <= row
        or len(gaps[unit][row]) <= column
        or abs(gaps[unit][row][column] - one[f"gap_{unit}"]) <= _MAX_OFF
        for unit in ("cm", "deg", "cm_s")
    )


def played_problems(
    said: Mapping[str, Any], scenes: Mapping[str, GlbScene | None], most_mm: float
) -> Iterator[str]:
    """Whether the files play the second clip of each join from where the first one ends.

    Poses are compared place and heading aside and, where the root joint carries the body, beside it.

    Args:
        said: the list.
        scenes: by file.
        most_mm: how far keys may be off.
    """
    clips = {clip["name"]: clip for clip in said["clips"]}
    names = {one.names[joint] for one in scenes.values() if one for joint in one.joints}
    limit_cm = MAX_JOIN_CM + 0.2 * most_mm
    for one in said["joins"]:
        pair = [clips.get(one[end]) for end in ("from", "to")]
        try:
            with np.errstate(all="ignore"):
                poses = [
                    _pose(said, clip, scene, names, clip["duration_s"] * (k == 0))
                    for k, clip in enumerate(pair)
                    if clip and (scene := scenes.get(clip["file"])) and clip["name"] in scene.curves
                ]
        except (GlbError, OverflowError, ZeroDivisionError, np.linalg.LinAlgError):
            continue  # which is said of the clip that cannot be played
        if len(poses) < 2 or any(len(pose[0]) != len(poses[0][0]) for pose in poses):
            continue
        (here, beside), (there, other) = poses
        gap_cm = gap_between(_end(here), _end(there)).cm
        if beside is not None and other is not None:
            gap_cm = max(gap_cm, 100 * float(np.linalg.norm(beside - other, axis=-1).mean()))
        if not gap_cm <= limit_cm:
            yield f"from {one['from']!r} to {one['to']!r} the files' poses jump by {gap_cm:.2f} cm"


def _end(places: Array) -> End:
    none = np.zeros(len(places))
    turns = np.tile([1.0, 0.0, 0.0, 0.0], (len(places), 1))
    return End(places, np.zeros_like(places), turns, tuple(none == 0))


def _pose(
    said: Mapping[str, Any], clip: Mapping[str, Any], scene: GlbScene, names: Set[str], time_s: float
) -> tuple[Array, Array | None]:
    """A clip's main joints at a time (P, 3), +Z up, and the same beside its root track, if that is whole."""
    nodes = {scene.names[node]: node for node in (*range(len(scene.names)), *scene.joints)}
    parts = {part: joint for part, joint in said["skeleton"]["body"].items() if is_main(part)}
    wanted = [nodes[joint] for _, joint in sorted(parts.items()) if joint in nodes]
    worlds = view_from_character(scene, names, scene.worlds(clip["name"], np.array([time_s])))[0]
    places = worlds[wanted][:, :3, 3]
    words = {clip["root_motion"][part] for part in ("planar", "turn")}
    root = nodes.get(said["skeleton"]["root"] or "")
    if root is None or words not in ({"remove"}, {"root"}):
        return _z_up(places), None
    back = np.linalg.inv(remove_scale(worlds[root]))
    return _z_up(places), places @ back[:3, :3].T + back[:3, 3]


def _z_up(places: Array) -> Array:
    return np.stack([places[:, 0], -places[:, 2], places[:, 1]], axis=-1)
