"""A set of clips on disk judged from its files alone: what it says of itself, and what its clips play."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Set
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..base import disk
from ..base.checks import Array
from ..base.errors import FileError, GlbError
from ..body.motion import Motion
from ..files.glb_read import GlbScene
from ..files.json_schema import problems

LIST = "clips.json"
SCHEMA = "clips.schema.json"

_TIME_S = 2e-6  # float32 seconds, and seconds rounded to a microsecond
_SAME_REST = 1e-6  # of a node's matrix
_SAME_MM = 0.02  # what rounding to float32 and to int16 may leave in a chain of joints
_PER_FRAME = 4  # times a frame that clips are compared


@dataclass(frozen=True)
class Verdict:
    """What was found of one clip.

    Attributes:
        name: of the clip.
        seconds: that it plays.
        seam_mm: how far a loop's last pose is from its first, travel apart; None for a one-shot.
        travel_mm: how far its root joint ends from where the list says; None where none travels.
        error_mm: the largest distance of a joint from the motion it was made of; None where that is not
            at hand.
        problems: what is wrong; empty when nothing is.
    """

    name: str
    seconds: float
    seam_mm: float | None
    travel_mm: float | None
    error_mm: float | None
    problems: tuple[str, ...]


def set_folders(folder: str | Path) -> tuple[Path, ...]:
    """The folder itself if it holds a set, else those in it that do: the characters' ones.

    Raises:
        FileError: there is none.
    """
    folder = Path(folder)
    with disk.naming("read", folder):
        if (folder / LIST).exists():
            return (folder,)
        found = tuple(sorted(one.parent for one in folder.glob(f"*/{LIST}")))
    if not found:
        raise FileError(f"cannot read {folder / LIST}: there is no such file; name the folder of a set")
    return found


def verify_set(
    folder: str | Path, motions: Mapping[str, Motion] | None = None
) -> tuple[tuple[str, ...], tuple[Verdict, ...]]:
    """What is wrong with a set as a whole, and of each clip; nothing when both hold no problems.

    Args:
        folder: of the set.
        motions: by clip, what was packed, to compare with every frame and between them.

    Raises:
        FileError: the folder holds no list of clips.
    """
    folder = Path(folder)
    try:
        said = json.loads(disk.read_bytes(folder / LIST))
    except (ValueError, RecursionError) as problem:
        raise FileError(f"{folder / LIST}: not JSON: {problem}") from problem
    schema = json.loads(Path(__file__).with_name(SCHEMA).read_bytes())
    wrong = list(_version(said, schema)) or [f"{LIST}: {text}" for text in problems(said, schema, schema)]
    if wrong:
        return tuple(wrong), ()
    wrong += _files(folder, said)
    scenes: dict[str, GlbScene | None] = {}
    played = {clip["file"] for clip in said["clips"]}
    for file in sorted(played | {file["name"] for file in said["files"] if file["name"].endswith(".glb")}):
        try:
            scenes[file] = GlbScene(disk.read_bytes(folder / file), file)
        except (GlbError, FileError) as problem:
            wrong.append(str(problem))
            scenes[file] = None
    wrong += _names(said, scenes)
    wrong += _paths(said, scenes)
    names = {scene.names[joint] for scene in scenes.values() if scene for joint in scene.joints}
    verdicts = (
        _clip(clip, scene, names, said, (motions or {}).get(clip["name"]))
        for clip in said["clips"]
        if (scene := scenes[clip["file"]]) and clip["name"] in scene.curves
    )
    return tuple(wrong), tuple(verdicts)


def _version(said: Any, schema: Mapping[str, Any]) -> Iterator[str]:
    """Whether the list is of a layout that is known: all else would follow from that."""
    known = schema["properties"]["schema_version"]["const"]
    found = said.get("schema_version") if isinstance(said, dict) else None
    if isinstance(found, int) and found != known:
        yield f"{LIST}: its layout is version {found}, and this verifies version {known}; pack the set again"


def _files(folder: Path, said: Mapping[str, Any]) -> Iterator[str]:
    listed = {file["name"] for file in said["files"]}
    for clip in said["clips"]:
        if clip["file"] not in listed:
            yield f"clip {clip['name']!r}: its file {clip['file']} is not among the set's files"
    for file in said["files"]:
        try:
            data = disk.read_bytes(folder / file["name"])
        except FileError as problem:
            yield str(problem)
            continue
        if (len(data), hashlib.sha256(data).hexdigest()) != (file["bytes"], file["sha256"]):
            yield f"{file['name']}: it was changed after it was written"


def _names(said: Mapping[str, Any], scenes: Mapping[str, GlbScene | None]) -> Iterator[str]:
    names = [clip["name"] for clip in said["clips"]]
    for name in sorted({name for name in names if names.count(name) > 1}):
        yield f"two clips are called {name!r}"
    for clip in said["clips"]:
        scene = scenes[clip["file"]]
        if scene and clip["name"] not in scene.curves:
            yield f"clip {clip['name']!r}: there is no such animation in {clip['file']}"
    for file, scene in scenes.items():
        for name, extras in scene.extras.items() if scene else ():
            ours = isinstance(extras, dict) and extras.keys() >= {"name", "source", "keys"}
            if ours and name not in names:  # a character may bring animations of its own
                yield f"{file}: it holds a clip {name!r}, which the list does not name"


def _paths(said: Mapping[str, Any], scenes: Mapping[str, GlbScene | None]) -> Iterator[str]:
    """Whether the joints are there, and whether clips in files without a mesh find them in the set's own."""
    parts: Mapping[str, str] = said["skeleton"]["body"]
    whole = next((scene for scene in scenes.values() if scene and scene.joints), None)
    there = {whole.path_of(node): node for node in range(len(whole.names))} if whole else {}
    for file, scene in scenes.items():
        for part, joint in parts.items() if scene else ():
            if scene and joint not in scene.names:
                yield f"{file}: there is no joint {joint!r}, which is {part}"
        if scene is None or scene.joints or whole is None:
            continue
        for node in sorted({curve.node for curves in scene.curves.values() for curve in curves}):
            path = scene.path_of(node)
            if path not in there:
                yield f"{file}: {path} is moved, and is not in the file with the mesh"
            elif not np.allclose(scene.rest_of(node), whole.rest_of(there[path]), atol=_SAME_REST):
                yield f"{file}: {path} rests elsewhere than in the file with the mesh"


def _clip(
    clip: Mapping[str, Any],
    scene: GlbScene,
    names: Set[str],
    said: Mapping[str, Any],
    motion: Motion | None,
) -> Verdict:
    name, seconds = clip["name"], scene.duration_s(clip["name"])
    wrong = list(_times(clip, seconds))
    most_mm, told_mm = 1000 * said["settings"]["reduce"]["max_error_m"], clip["keys"]["max_error_mm"]
    if told_mm > most_mm + 1e-3:
        wrong.append(f"the list says that its keys are {told_mm:g} mm off; {most_mm:g} are allowed")
    joints = scene.joints or scene.moved_by(name)
    ends = _seen(scene, names, scene.worlds(name, np.array([0.0, clip["duration_s"]])))
    root = said["skeleton"]["root"]
    moved = next((j for j in joints if scene.names[j] == root), None)
    way = clip["travel"]
    if way["mode"] == "root" and moved is None:
        wrong.append(f"there is no joint {root!r} to travel on")
    travels = way["mode"] == "root" and moved is not None
    seam = travel = error = None
    if travels and moved is not None:
        travel = 1000 * _travel_error(ends[:, moved], way)
        if travel > 1.0:
            wrong.append(f"the root joint ends {travel:.1f} mm from where the list says")
    if clip["loop"]:
        stands = _unscaled(ends[:, moved]) if travels else np.eye(4)[None]
        poses = (stands[:1] @ np.linalg.inv(stands))[:, None] @ ends  # as if the root had stayed
        kept = "keep" in (way["planar"], way["turn"])  # the body travels, and a root joint does not
        body = [joint for joint in joints if not (kept and joint == moved)]
        seam = 1000 * _pose_gap(poses[:, body][..., :3, 3], kept)
        if seam > 0.1:
            wrong.append(f"the loop's ends are {seam:.2f} mm apart")
    if motion is not None:
        error, more = _compared(name, scene, names, motion, said["settings"])
        wrong += more
    if scene.extras[name] != clip:
        wrong.append("its extras say something else than the list")
    return Verdict(name, seconds, seam, travel, error, tuple(wrong))


def _times(clip: Mapping[str, Any], seconds: float) -> Iterator[str]:
    last = clip["frames"] - 1
    if abs(seconds - clip["duration_s"]) > _TIME_S * max(1.0, seconds):
        yield f"it plays {seconds:.6f} s, the list says {clip['duration_s']:.6f}"
    if abs(clip["duration_s"] - last / clip["rate"]) > _TIME_S:
        yield f"{clip['frames']} frames at {clip['rate']:g} per second do not last {clip['duration_s']:.6f} s"
    for mark in clip["marks"]:
        if mark["frame"] > last or abs(mark["time_s"] - mark["frame"] / clip["rate"]) > _TIME_S:
            yield f"mark {mark['name']!r} lies at no frame of it"
    for foot, ranges in clip["contacts"].items():
        if any(not 0 <= start < stop <= clip["frames"] for start, stop in ranges):
            yield f"a contact of {foot} leaves it"


def _travel_error(ends: Array, travel: Mapping[str, Any]) -> float:
    """Metres between where a root joint (2, 4, 4) ends, seen from its start, and where the list says."""
    left, up, ahead = travel["offset_m"]
    planar, height, turned = (travel[part] == "root" for part in ("planar", "height", "turn"))
    offset = np.array([planar * left, height * up, planar * ahead])
    moved = ends[1, :3, 3] - ends[0, :3, 3]
    about_y = ends[1, :3, :3] @ ends[0, :3, :3].T
    turn = np.arctan2(about_y[0, 2], about_y[2, 2])
    miss = float(np.linalg.norm(moved - offset))
    right = turned * np.radians(travel["turn_deg"])
    return miss + abs(float(np.angle(np.exp(1j * (turn - right)))))  # a radian is a metre at arm's length


def _unscaled(matrices: Array) -> Array:
    """Matrices (..., 4, 4) without their scale."""
    out = matrices.copy()
    out[..., :3, :3] /= np.linalg.norm(out[..., :3, :3], axis=-2, keepdims=True)
    return out


def _seen(scene: GlbScene, joints: Set[str], worlds: Array) -> Array:
    """World matrices (T, N, 4, 4) as the character sees them, wherever its scene has put it on the floor."""
    tops = (
        node for node, name in enumerate(scene.names) if name in joints and not _below(scene, node, joints)
    )
    top = next(tops, -1)
    above, stand = scene.parents[top] if top >= 0 else -1, np.eye(4)
    while above >= 0:
        stand, above = scene.rest_of(above) @ stand, scene.parents[above]
    turn = _unscaled(stand)
    heading = np.arctan2(turn[0, 2] - turn[2, 0], turn[0, 0] + turn[2, 2])  # its twist about +Y
    c, s = np.cos(heading), np.sin(heading)
    place = np.array([[c, 0, s, stand[0, 3]], [0, 1, 0, 0], [-s, 0, c, stand[2, 3]], [0, 0, 0, 1.0]])
    return np.linalg.inv(place) @ worlds


def _below(scene: GlbScene, node: int, joints: Set[str]) -> bool:
    """Whether a node hangs below one of the joints."""
    above = scene.parents[node]
    return above >= 0 and (scene.names[above] in joints or _below(scene, above, joints))


def _pose_gap(ends: Array, travels: bool) -> float:
    """The largest distance, metres, between poses (2, J, 3), the best turn and shift apart if it travels."""
    first, last = ends
    if travels:
        first, last = (points - points.mean(axis=0) * [1.0, 0.0, 1.0] for points in (first, last))
        flat = [points[:, 2] + 1j * points[:, 0] for points in (first, last)]
        turn = np.vdot(flat[0], flat[1])
        back = flat[1] * np.conj(turn) / abs(turn) if abs(turn) else flat[1]
        last = np.stack([back.imag, last[:, 1], back.real], axis=-1)
    return float(np.linalg.norm(last - first, axis=1).max())


def _compared(
    name: str, scene: GlbScene, names: Set[str], motion: Motion, settings: Mapping[str, Any]
) -> tuple[float | None, list[str]]:
    """The largest distance, mm, between the joints as the file plays them and the motion, 4 times a frame."""
    nodes = {scene.names[node]: node for node in (*range(len(scene.names)), *scene.joints)}  # joints last
    missing = [joint for joint in motion.skeleton.names if joint not in nodes]
    if missing:
        return None, [f"the file has no joint {missing[0]!r}"]
    frames = np.arange((len(motion) - 1) * _PER_FRAME + 1) / _PER_FRAME
    right = motion.sampled(frames, motion.rate).model()[1]
    places = _seen(scene, names, scene.worlds(name, frames / motion.rate))[..., :3, 3]
    played = places[:, [nodes[joint] for joint in motion.skeleton.names]]
    played = np.stack([played[..., 0], -played[..., 2], played[..., 1]], axis=-1)  # +Y up to +Z up
    error = 1000 * float(np.linalg.norm(played - right, axis=-1).max())
    most = 1000 * settings["reduce"]["max_error_m"]
    return error, [f"a joint is {error:.2f} mm off; {most:g} are allowed"] if error > most + _SAME_MM else []
