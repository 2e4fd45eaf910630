"""The sample scene, from raw take to packed set: what `takemill demo` runs where Blender is at hand."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import bpy

from takemill.base.errors import InputError, TakemillError
from takemill.recipe.recipe import Recipe
from takemill.sets.packing_characters import character_folder
from takemill.shell import samples

from . import register
from .bridge.takes import stage
from .bridge.takes.characters import add

_SUIT, _RECIPE, _NAME = "Suit", "marsh_set.toml", "marsh_ferry"
CHARACTERS = ("Courier", "Ferrywoman", "Lamplighter")
"""Who plays the clips: with a tail that swings, a strap that swings, and a face that speaks."""

Call = tuple[str, float, Callable[..., set[str]], dict[str, str]]
"""An operator: what it does, the share of the work done before it, and its arguments."""


def run_demo(
    blend: Path,
    out_dir: Path,
    progress: Callable[[str, float], None],
    characters: Sequence[str] = CHARACTERS,
) -> list[dict]:
    """Open `blend`, run the operators over its take as a user would, and pack into `out_dir`.

    Several characters have a folder each in it, by their names.

    Returns:
        A row of facts for each clip, to be shown as a table.

    Raises:
        TakemillError: the scene lacks the suit or a character, or the folder cannot be written.
    """
    if not hasattr(bpy.types.Scene, "takemill"):
        register()
    with _quiet():
        progress(f"opening {blend.name}", 0.0)
        bpy.ops.wm.open_mainfile(filepath=str(blend), load_ui=False)
        context, call = bpy.context, bpy.ops.takemill
        suit, *rigs = (_armature(context, name) for name in (_SUIT, *characters))
        chosen = context.scene.takemill
        chosen.set_name, chosen.set_folder = _NAME, str(out_dir.resolve())
        chosen.performer_clips = False
        for rig in rigs:
            add(context.scene, rig, Recipe())
        stage.activate(context, suit)
        _run(
            progress,
            ("mapping the body", 0.02, call.map_body, {}),
            ("checking the take", 0.03, call.check_take, {}),
            ("repairing the take", 0.06, call.repair_take, {}),
            ("looking for cuts", 0.12, call.suggest_cuts, {}),
            ("naming them by the recipe", 0.15, call.load_recipe, {"filepath": str(samples.path(_RECIPE))}),
            (f"fitting it to {', '.join(characters)}", 0.17, call.fit_take, {}),
            (f"making clips of {', '.join(characters)}", 0.40, call.make_clips, {}),
            ("packing", 0.70, call.pack_set, {}),
        )
    progress("done", 1.0)
    rows = []
    for name in characters:
        folder = character_folder(out_dir, name, len(characters))
        said = json.loads((folder / "clips.json").read_text(encoding="utf-8"))
        rows += [{"character": name, **_row(clip)} for clip in said["clips"]]
    return rows


def _run(progress: Callable[[str, float], None], *calls: Call) -> None:
    for text, part, operator, arguments in calls:
        progress(text, part)
        try:
            operator(**arguments)
        except RuntimeError as problem:  # how an operator's report reaches a Python caller
            raise TakemillError(str(problem).removeprefix("Error: ").strip()) from problem


def _armature(context: bpy.types.Context, name: str) -> bpy.types.Object:
    found = context.scene.objects.get(name)
    if found is None or found.type != "ARMATURE":
        raise InputError(f"the sample scene has no armature {name!r}; build it again with sample_blends/")
    return found


def _row(clip: dict) -> dict:
    seam, root_motion = clip["seam"], clip["root_motion"]
    return {
        "clip": clip["name"],
        "kind": clip["kind"],
        "seconds": clip["duration_s"],
        "fps": round(clip["rate"]),
        "seam of the loop": f"{seam['gap_cm']:.2f} cm, {seam['quality']}" if seam else "",
        "root motion": root_motion["mode"],
        "metres": root_motion["distance_m"],
        "turn": round(root_motion["turn_deg"]),
        "events": len(clip["events"]),
        "swings": ", ".join(clip["springs"]["chains"]) if clip["springs"] else "",
        "face": _spoken(clip["faces"]),
    }


def _spoken(faces: dict[str, dict[str, list[float]]]) -> str:
    """How many shapes of a clip's faces move."""
    count = sum(low < high for shapes in faces.values() for low, high in shapes.values())
    return f"{count} shapes" if count else ""


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Without the lines that Blender prints about every file and report, from Python and from C."""
    sys.stdout.flush()
    with open(os.devnull, "w") as nowhere:
        kept = os.dup(1)
        os.dup2(nowhere.fileno(), 1)
        try:
            with contextlib.redirect_stdout(nowhere):
                yield
        finally:
            os.dup2(kept, 1)
            os.close(kept)
