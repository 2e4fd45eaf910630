"""How a character's feet stand, measured again in the files, against what the list says."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from ..base.errors import GlbError
from ..files.glb_read import GlbScene
from ..files.glb_read_skin import SkinnedMesh, read_skinned
from .character_facts import describe_foot
from .fit_quality import judge_clip
from .played_feet import FootReader, Restore, has_path

# Between two readings of one file: what rounding to float32, to int16 and to a decimal may leave.
_MAX_OFF = {"under_mm": 0.2, "over_mm": 0.2, "slide_cm_s": 0.1}


def mesh_of_set(
    said: Mapping[str, Any], scenes: Mapping[str, GlbScene | None]
) -> tuple[SkinnedMesh | None, list[str]]:
    """The mesh of a set's character, None where it has none; and what is wrong with what is said of it."""
    character = said["character"]
    if character is None:
        return None, []
    wrong = []
    for part in sorted({*character["unmapped"]} & {*said["skeleton"]["body"]}):
        wrong.append(f"{part!r} is said to be unmapped, and is {said['skeleton']['body'][part]!r}")
    whole = next((scene for scene in scenes.values() if scene and scene.joints), None)
    try:
        mesh = read_skinned(whole) if whole else None
    except GlbError as problem:
        return None, [*wrong, str(problem)]
    if whole and character["mesh"] != (mesh is not None):
        wrong.append("whether the character has a mesh is said otherwise than its file shows")
    return mesh, wrong


def feet_problems(
    clip: Mapping[str, Any], fitted: bool, reader: FootReader | None, restore: Restore | None = None
) -> Iterator[str]:
    """Whether the feet of a clip stand as the list says, and its fit is called by the right word.

    Args:
        clip: what the list says of it.
        fitted: whether its set is a character's.
        reader: of its file; None where no mesh is known.
        restore: puts the path back that was removed from it; without it such a clip's slide is not compared.
    """
    said = clip["soles"]
    found = reader.measure(clip, None if has_path(clip) else restore) if reader else {}
    if set(said) != set(found):
        yield f"the list says how {sorted(said)} stand, its file shows {sorted(found)}"
        return
    for foot, one in found.items():
        played = describe_foot(one)
        for key, most in _MAX_OFF.items():
            if key == "slide_cm_s" and not has_path(clip) and restore is None:
                continue
            here, there = said[foot][key], played[key]
            if (here is None) != (there is None) or abs((here or 0) - (there or 0)) > most:
                yield f"{key} of {foot} is {here}, its file plays {there}"
    word = judge_clip(clip) if fitted else None
    if clip["fit_quality"] != word:
        yield f"its fit is called {clip['fit_quality']}, and is {word}"
