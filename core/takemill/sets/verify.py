"""A set of clips on disk judged from its files alone: what it says of itself, and what its clips play."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from ..base import disk
from ..base.errors import FileError, GlbError
from ..body.motion import Motion
from ..files.glb_read import GlbScene
from ..files.glb_read_skin import SkinnedMesh
from ..files.json_schema import problems
from .clip_facts import Facts
from .played_feet import FootReader, Restore
from .set_list import LIST
from .verify_face import face_problems
from .verify_facts import clip_problems, first_differences, take_problems
from .verify_feet import feet_problems, mesh_of_set
from .verify_files import fbx_problems, file_problems, find_strays, is_clip, read_list, read_listed
from .verify_joins import join_problems, played_problems
from .verify_own_joints import own_joint_problems
from .verify_play import (
    compare_motion,
    pose_gap_m,
    remove_scale,
    root_motion_error_m,
    standing_problems,
    start_problems,
    view_from_character,
)

SCHEMA = "clips.schema.json"

MAX_ERROR_M = 0.005
"""What a set may allow itself where no recipe says how far keys may be off: ten times the default."""

_MAX_TIME_OFF_S = 2e-6  # float32 seconds, and seconds rounded to a microsecond
_MAX_REST_OFF = 1e-6  # between two nodes' matrices: what float32 may leave


@dataclass(frozen=True)
class Verdict:
    """What was found of one clip.

    Attributes:
        name: of the clip.
        seconds: that it plays.
        seam_mm: how far a loop's last pose is from its first, root motion apart; None for a one-shot.
        root_motion_mm: how far its root joint ends from where the list says; None where none moves.
        error_mm: the largest distance of a joint from the motion it was made of; None where that is not
            at hand.
        problems: what is wrong; empty when nothing is.
    """

    name: str
    seconds: float
    seam_mm: float | None
    root_motion_mm: float | None
    error_mm: float | None
    problems: tuple[str, ...]


def set_folders(folder: str | Path) -> tuple[Path, ...]:
    """The folder itself if it holds a set, else those in it that do: the characters' ones.

    Raises:
        FileError: there is none.
    """
    folder = Path(folder)
    with disk.explain_errors("read", folder):
        if (folder / LIST).exists() or (folder / LIST).is_symlink():
            return (folder,)
        found = tuple(sorted(one.parent for one in folder.glob(f"*/{LIST}")))
    if not found:
        raise FileError(f"cannot read {folder / LIST}: there is no such file; name the folder of a set")
    return found


def verify_set(
    folder: str | Path,
    motions: Mapping[str, Motion] | None = None,
    again: Facts | None = None,
    most_error_m: float | None = None,
    paths: Mapping[str, Restore] = MappingProxyType({}),
) -> tuple[tuple[str, ...], tuple[Verdict, ...]]:
    """What is wrong with a set as a whole, and of each clip; nothing when both hold no problems.

    Args:
        folder: of the set.
        motions: by clip, what was packed, to compare with every frame and between them.
        again: what `describe_again` gives of it, to compare with the list.
        most_error_m: how far keys may be off, by the recipe; what the set says itself is believed only up to
            MAX_ERROR_M.
        paths: by clip, what puts the root motion back that was removed from it; without it the slide of such
            a clip's feet is not compared.

    Raises:
        FileError: the folder holds no list of clips.
    """
    folder = Path(folder)
    said = read_list(folder)
    schema = json.loads(Path(__file__).with_name(SCHEMA).read_bytes())
    wrong = list(_version_problems(said, schema)) or [
        f"{LIST}: {text}" for text in problems(said, schema, schema)
    ]
    if wrong:
        return tuple(wrong), ()
    wrong += [*file_problems(folder, said), *find_strays(folder, said)[0], *take_problems(said)]
    wrong += fbx_problems(folder, said)
    scenes: dict[str, GlbScene | None] = {}
    played = {clip["file"] for clip in said["clips"]}
    for file in sorted(played | {file["name"] for file in said["files"] if file["name"].endswith(".glb")}):
        try:
            scenes[file] = GlbScene(read_listed(folder, file), file)
        except (GlbError, FileError) as problem:
            wrong.append(str(problem))
            scenes[file] = None
    wrong += _name_problems(said, scenes)
    wrong += _path_problems(said, scenes)
    limit_m = most_error_m
    if limit_m is None:
        limit_m = said["packing"]["max_error_m"]
        if limit_m > MAX_ERROR_M:
            wrong.append(
                f"{LIST}: the set allows its keys to be {1000 * limit_m:g} mm off; more than "
                f"{1000 * MAX_ERROR_M:g} need the recipe that says so: --recipe"
            )
            limit_m = MAX_ERROR_M
    if again:
        rest = {key: value for key, value in again.items() if key != "clips"}
        wrong += [f"{LIST}: {text}" for text in first_differences(said, rest)]
    wrong += [*join_problems(said), *played_problems(said, scenes, 1000 * limit_m)]
    mesh, odd = mesh_of_set(said, scenes)
    wrong += odd
    judge = _Judge(said, scenes, motions or {}, (again or {}).get("clips", {}), 1000 * limit_m, mesh, paths)
    verdicts = (
        judge.clip(clip, scene)
        for clip in said["clips"]
        if (scene := scenes[clip["file"]]) and clip["name"] in scene.curves
    )
    return tuple(dict.fromkeys(wrong)), tuple(verdicts)


def notes_of(folder: str | Path) -> tuple[str, ...]:
    """What lies in a set's folder and is not of the set, where that is no fault.

    Raises:
        FileError: the folder holds no list of clips.
    """
    said = read_list(Path(folder))
    try:
        return tuple(find_strays(Path(folder), said)[1])
    except (TypeError, KeyError):  # `verify_set` says what is wrong with such a list
        return ()


def _version_problems(said: Any, schema: Mapping[str, Any]) -> Iterator[str]:
    """Whether the list is of a layout that is known: all else would follow from that."""
    known = schema["properties"]["schema_version"]["const"]
    found = said.get("schema_version") if isinstance(said, dict) else None
    if isinstance(found, int) and found != known:
        yield f"{LIST}: its layout is version {found}, and this verifies version {known}; pack the set again"


def _name_problems(said: Mapping[str, Any], scenes: Mapping[str, GlbScene | None]) -> Iterator[str]:
    names = [clip["name"] for clip in said["clips"]]
    for name in sorted({name for name in names if names.count(name) > 1}):
        yield f"two clips are called {name!r}"
    for clip in said["clips"]:
        scene = scenes[clip["file"]]
        if scene and clip["name"] not in scene.curves:
            yield f"clip {clip['name']!r}: there is no such animation in {clip['file']}"
    for file, scene in scenes.items():
        for name, extras in scene.extras.items() if scene else ():
            if is_clip(extras) and name not in names:
                yield f"{file}: it holds a clip {name!r}, which the list does not name"


def _path_problems(said: Mapping[str, Any], scenes: Mapping[str, GlbScene | None]) -> Iterator[str]:
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
            elif not np.allclose(scene.rest_of(node), whole.rest_of(there[path]), atol=_MAX_REST_OFF):
                yield f"{file}: {path} rests elsewhere than in the file with the mesh"


@dataclass(frozen=True)
class _Judge:
    """Judges clips.

    Attributes:
        said: the list.
        scenes: by file.
        motions, again: by clip, what it was made of and what the list should say, where that is at hand.
        most_mm: how far keys may be off.
        mesh: of the character; None for none.
        paths: by clip, what puts back what was removed of its root motion, where that is at hand.
    """

    said: Mapping[str, Any]
    scenes: Mapping[str, GlbScene | None]
    motions: Mapping[str, Motion]
    again: Mapping[str, Facts]
    most_mm: float
    mesh: SkinnedMesh | None
    paths: Mapping[str, Restore]

    def clip(self, clip: Mapping[str, Any], scene: GlbScene) -> Verdict:
        """What is found of a clip; a file that cannot be played is a problem of its own."""
        name = clip["name"]
        try:
            with np.errstate(all="ignore"):
                return self._judge_played(clip, scene)
        except GlbError as problem:
            return Verdict(name, scene.duration_s(name), None, None, None, (str(problem),))
        except (OverflowError, ZeroDivisionError, np.linalg.LinAlgError) as problem:
            text = f"it cannot be played: {problem}"
            return Verdict(name, scene.duration_s(name), None, None, None, (text,))

    def _judge_played(self, clip: Mapping[str, Any], scene: GlbScene) -> Verdict:
        name, seconds = clip["name"], scene.duration_s(clip["name"])
        counts = [len(curve.times) for curve in scene.curves[name]]
        wrong = list(clip_problems(clip, self.said, counts, len(scene.names)))
        if not scene.curves[name]:
            wrong.append("its animation moves nothing")
        if abs(seconds - clip["duration_s"]) > _MAX_TIME_OFF_S * max(1.0, seconds):
            wrong.append(f"it plays {seconds:.6f} s, the list says {clip['duration_s']:.6f}")
        listed_mm = clip["keys"]["max_error_mm"]
        if listed_mm > self.most_mm + 1e-3:
            wrong.append(
                f"the list says that its keys are {listed_mm:g} mm off; {self.most_mm:g} are allowed"
            )
        root_motion, seam = self._ends(clip, scene, wrong)
        names = {one.names[joint] for one in self.scenes.values() if one for joint in one.joints}
        skeleton = self.said["skeleton"]
        wrong += standing_problems(clip, scene, names, skeleton["body"])
        wrong += start_problems(clip, scene, names, skeleton["body"], skeleton["root"])
        error = None
        if name in self.motions:
            error, more = compare_motion(clip, scene, names, self.motions[name], self.most_mm)
            wrong += more
        wrong += face_problems(clip, scene)
        wrong += own_joint_problems(clip, scene)
        reader = FootReader(scene, self.mesh, names, skeleton["body"]) if self.mesh else None
        fitted = self.said["character"] is not None
        wrong += feet_problems(clip, fitted, reader, self.paths.get(name))
        if name in self.again:
            wrong += first_differences(clip, self.again[name])
        if scene.extras[name] != clip:
            wrong.append("its extras say something else than the list")
        return Verdict(name, seconds, seam, root_motion, error, tuple(wrong))

    def _ends(
        self, clip: Mapping[str, Any], scene: GlbScene, wrong: list[str]
    ) -> tuple[float | None, float | None]:
        """How far its root joint ends from where it should, and a loop's ends from each other, in mm."""
        name, root_motion_facts = clip["name"], clip["root_motion"]
        joints = scene.joints or scene.moved_by(name)
        names = {one.names[joint] for one in self.scenes.values() if one for joint in one.joints}
        ends = view_from_character(scene, names, scene.worlds(name, np.array([0.0, clip["duration_s"]])))
        root = self.said["skeleton"]["root"]
        moved = next((j for j in joints if scene.names[j] == root), None)
        if root_motion_facts["mode"] == "root" and moved is None:
            wrong.append(f"there is no joint {root!r} for the root motion")
        with_root_motion = root_motion_facts["mode"] == "root" and moved is not None
        seam = root_motion = None
        if with_root_motion and moved is not None:
            root_motion = 1000 * root_motion_error_m(ends[:, moved], root_motion_facts)
            if not root_motion <= 1.0:
                wrong.append(f"the root joint ends {root_motion:.1f} mm from where the list says")
        if clip["loop"]:
            root_matrices = remove_scale(ends[:, moved]) if with_root_motion else np.eye(4)[None]
            poses = (root_matrices[:1] @ np.linalg.inv(root_matrices))[
                :, None
            ] @ ends  # as if the root had stayed
            kept = "keep" in (
                root_motion_facts["planar"],
                root_motion_facts["turn"],
            )  # the body moves on, and a root joint does not
            body = [joint for joint in joints if not (kept and joint == moved)]
            seam = 1000 * pose_gap_m(poses[:, body][..., :3, 3], kept) if body else 0.0
            if not seam <= 0.1:
                wrong.append(f"the loop's ends are {seam:.2f} mm from each other")
        return root_motion, seam
