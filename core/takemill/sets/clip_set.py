"""A set of clips on disk: its GLB files, `clips.json` and `report.html`, replaced together or not at all."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..base.checks import Mask
from ..base.errors import InputError
from ..files.blender_module import Blender
from ..files.fbx import find_exporter, write_fbx
from ..files.glb import GlbClip, append_animations
from ..files.glb_animations import without_animations
from ..files.glb_axes import motions_in_gltf
from ..files.glb_nodes import nodes_only
from ..files.glb_read import GlbScene
from ..files.glb_read_skin import read_skinned
from ..keys.reduce import reduce_clips
from ..keys.reduce_error import largest_errors_m
from ..keys.weight_keys import weight_track
from ..pipeline.finish_clip import FinishedClip
from ..pipeline.prepare_take import PreparedTake, Progress, ignore_progress
from ..recipe.recipe import FILES, Recipe, expect_name, expect_unique
from .character_facts import CharacterFacts, describe_character, measure_feet
from .clip_facts import Facts, describe_clip, describe_set
from .fit_quality import judge_clip
from .report import render_report
from .report_figures import Companion
from .report_mesh import mesh_of
from .set_folder import LIST, expect_free, replace_folder, replace_folders
from .set_list import add_seal

REPORT = "report.html"


def say_nothing(line: str) -> None:
    """A listener that shows nothing."""
    del line


def expect_place(out_dir: str | Path, name: str, fbx: str = "none", blender: Blender | None = None) -> None:
    """Insist, before the long work, on a folder that can be written to, and a writer of FBX.

    Raises:
        FileError: it is a file, not writable, or holds a file of that name that Takemill did not write; or
            an FBX is asked for and no Blender is there.
    """
    if fbx != "none" and blender is None:
        find_exporter()
    expect_free(out_dir, [f"{name}.glb", *([f"{name}.fbx"] if fbx == "one" else ()), LIST, REPORT])


@dataclass(frozen=True)
class ClipSet:
    """A set that is made and not yet written.

    Attributes:
        facts: what its list says of each clip.
        files: what its folder will hold, by relative name.
    """

    facts: list[Facts]
    files: Mapping[str, bytes]


def write_clip_set(
    out_dir: str | Path,
    base_glb: bytes,
    name: str,
    takes: Sequence[PreparedTake],
    clips: Sequence[FinishedClip],
    recipe: Recipe,
    progress: Progress = ignore_progress,
    place: Callable[[GlbClip], GlbClip] | None = None,
    say: Callable[[str], None] = say_nothing,
) -> list[Facts]:
    """Write `out_dir` with NAME.glb (or more files, by `recipe.files`), clips.json and report.html.

    The folder's old set is replaced whole or not at all; files that Takemill did not write stay, and those
    that were changed since are kept beside.

    Args:
        out_dir: the folder; made where there is none.
        base_glb: rig and mesh, its joints named as the clips' are.
        name: of the set.
        takes: what the clips come from, for the report; may be empty.
        clips: of one skeleton, with names of their own.
        recipe: the settings that made them.
        progress: called with the share that is done.
        place: brings a clip from the motions' space to that of the base's joints, where the two differ.
        say: called with a line for each file that is kept under another name.

    Returns:
        What clips.json says of each clip.

    Raises:
        TakemillError: as for `build_clip_set`, or the folder cannot be written; it is untouched.
    """
    expect_place(out_dir, _check_set(name, clips, recipe), recipe.fbx)
    built = build_clip_set(base_glb, name, takes, clips, recipe, progress, place)
    for line in replace_folder(out_dir, built.files):
        say(line)
    return built.facts


def write_clip_sets(built: Mapping[str | Path, ClipSet]) -> tuple[str, ...]:
    """Write sets side by side, each into its folder: all old ones are replaced, or none.

    Returns:
        What is to be said of files that are kept under other names.

    Raises:
        FileError: a folder cannot be written; all are untouched.
        InputError: they do not lie side by side.
    """
    return replace_folders({folder: one.files for folder, one in built.items()})


def build_clip_set(
    base_glb: bytes,
    name: str,
    takes: Sequence[PreparedTake],
    clips: Sequence[FinishedClip],
    recipe: Recipe,
    progress: Progress = ignore_progress,
    place: Callable[[GlbClip], GlbClip] | None = None,
    character: CharacterFacts | None = None,
    companions: Sequence[Companion] = (),
    blender: Blender | None = None,
) -> ClipSet:
    """All that `write_clip_set` would write.

    With a `character`, how its feet stand is measured on the base's mesh, and the report draws that, beside
    `companions`. FBX files, where the recipe asks for them, are written by `blender`; None for its module.

    Raises:
        RecipeError: a name that file systems refuse, or twice the same.
        InputError: no clips, or clips of several skeletons.
        GlbError: the base is malformed or lacks a joint.
        FileError: Blender is not there, or fails.
    """
    name = _check_set(name, clips, recipe)
    by_name = {take.name: take for take in takes}
    written, facts = [], []
    progress("keys", 0.0)
    inside = motions_in_gltf([clip.motion for clip in clips])
    reduced = reduce_clips(
        inside,
        recipe.reduce,
        [planted_joints(clip) for clip in clips],
        [root_motion_joint(clip) for clip in clips],
    )
    progress("errors of keys", 0.6)
    errors = largest_errors_m(inside, reduced)
    each = zip(clips, inside, reduced, errors, strict=True)
    for number, (clip, motion, tracks, error_m) in enumerate(each):
        progress(f"facts of {clip.name}", 0.8 + 0.1 * number / len(clips))
        weights = tuple(weight_track(face, recipe.reduce.max_error_weight) for face in clip.faces)
        file = _clip_file(clip.name, name, recipe.files)
        fbx = _fbx_file(clip.name, name, recipe.fbx)
        facts.append(describe_clip(clip, file, tracks, error_m, by_name, weights, fbx))
        one = GlbClip(clip.name, motion.rate, motion.skeleton, tracks, facts[-1], weights)
        written.append(place(one) if place else one)
    bare = without_animations(base_glb) if character else base_glb
    scene = GlbScene(bare, name) if character else None
    mesh = read_skinned(scene) if scene else None
    shown = mesh_of(scene, clips[0].motion.skeleton) if scene else None
    if mesh:
        progress("feet on the floor", 0.88)
        measure_feet(bare, mesh, clips, written, facts)
    for said in facts if character else ():
        said["fit_quality"] = judge_clip(said)
    progress("writing", 0.9)
    files = _build_glbs(base_glb, name, written, recipe.files)
    if recipe.fbx != "none":
        progress("FBX", 0.92)
        files |= _build_fbx(base_glb, name, written, facts, files, blender or find_exporter())
    said = describe_set(name, takes, clips, recipe)
    said |= {"character": describe_character(character, mesh), "clips": facts}
    who = character.name if character else ""
    files[REPORT] = render_report(said, takes, clips, shown, companions, who).encode()
    said["files"] = [
        {"name": file, "bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
        for file, data in sorted(files.items())
    ]
    files[LIST] = (json.dumps(add_seal(said), indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()
    return ClipSet(facts, files)


def _clip_file(clip: str, name: str, files: str) -> str:
    """The file of a clip, relative to the set's folder."""
    return {"one": f"{name}.glb", "each": f"{clip}.glb", "separate": f"clips/{clip}.glb"}[files]


def _fbx_file(clip: str, name: str, fbx: str) -> str | None:
    """The FBX of a clip, relative to the set's folder; None for none."""
    return {"none": None, "one": f"{name}.fbx", "each": f"{clip}.fbx"}[fbx]


def _build_fbx(
    base_glb: bytes,
    name: str,
    clips: Sequence[GlbClip],
    facts: Sequence[Facts],
    glbs: Mapping[str, bytes],
    blender: Blender,
) -> dict[str, bytes]:
    """The FBX files of a set, made of a GLB with all its clips."""
    held: dict[str, list[str]] = {}
    for one in facts:
        held.setdefault(one["fbx"], []).append(one["name"])
    whole = glbs[facts[0]["file"]] if len(glbs) == 1 else append_animations(base_glb, clips)
    return write_fbx(whole, f"{name}.fbx", held, blender)


def _build_glbs(base_glb: bytes, name: str, clips: Sequence[GlbClip], files: str) -> dict[str, bytes]:
    if files == "one":
        return {f"{name}.glb": append_animations(base_glb, clips)}
    separate = files == "separate"
    base = nodes_only(base_glb) if separate else base_glb
    each = {_clip_file(clip.name, name, files): append_animations(base, [clip]) for clip in clips}
    return ({f"{name}.glb": base_glb} if separate else {}) | each


def _check_set(name: str, clips: Sequence[FinishedClip], recipe: Recipe) -> str:
    if recipe.files not in FILES:
        raise InputError(f"files of a set: expected one of {', '.join(FILES)}, got {recipe.files!r}")
    if not clips:
        raise InputError("a set needs at least one clip")
    rates = sorted({clip.motion.rate for clip in clips})
    if recipe.fbx == "one" and len(rates) > 1:
        raise InputError(
            f"one FBX has one frame rate, and clips have {rates[0]:g} and {rates[-1]:g}; write fbx = "
            '"each" (in Blender: FBX), or give all clips one rate'
        )
    for clip in clips:
        expect_name(clip.name, f"clip {clip.name!r}")
        if clip.faces and recipe.files == "separate":
            raise InputError(
                f"clip {clip.name!r}: it moves shapes of a mesh, which files without a mesh cannot hold; "
                'write files = "one" or "each" (in Blender: Files)'
            )
        if clip.motion.skeleton.names != clips[0].motion.skeleton.names:
            raise InputError(f"clip {clip.name!r} has other joints than {clips[0].name!r}")
    expect_unique((clip.name for clip in clips), "clip set")
    return expect_name(name, "name of the set")


def root_motion_joint(clip: FinishedClip) -> int | None:
    """The joint that carries the root motion, where one does."""
    return clip.body.get("root") if clip.root_motion_mode == "root" else None


def planted_joints(clip: FinishedClip) -> Mask:
    """Which joints are in contact (F, J): feet and toes while their foot stands, hands while they strike.

    A hand or foot strikes from its event `strike` to its event `stop`, and all that hangs on it does.
    """
    skeleton = clip.motion.skeleton
    mask = np.zeros((len(clip.motion), len(skeleton)), bool)
    for k, foot in enumerate(clip.contacts.feet):
        for part in (foot, foot.replace("Foot", "Toes")):
            joint = clip.body.get(part)
            if joint is not None:
                mask[:, joint] = clip.contacts.planted[:, k]
    begun: dict[str, int] = {}
    for event in sorted(clip.events, key=lambda event: event.frame):
        part, _, what = event.name.partition(".")
        joint = clip.body.get(part)
        if what == "strike":
            begun[part] = event.frame
        elif what == "stop" and part in begun and joint is not None:
            mask[begun.pop(part) : event.frame + 1, skeleton.subtree(joint)] = True
    return mask
