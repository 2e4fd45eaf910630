"""The sample scene, from raw take to packed set: what `takemill demo` runs where Blender is at hand."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import bpy

from takemill.base.errors import InputError, TakemillError
from takemill.shell import samples

from . import register
from .bridge import stage

_SUIT, _CHARACTER, _RECIPE, _NAME = "Suit", "Ferrywoman", "marsh_set.toml", "marsh_ferry"


def run_demo(blend: Path, out_dir: Path, progress: Callable[[str, float], None]) -> list[dict]:
    """Open `blend`, run the operators over its take as a user would, and pack into `out_dir`.

    Returns:
        A row of facts for each clip, to be shown as a table.

    Raises:
        TakemillError: the scene lacks the suit or the character, or the folder cannot be written.
    """
    if not hasattr(bpy.types.Scene, "takemill"):
        register()
    with _quiet():
        progress(f"opening {blend.name}", 0.0)
        bpy.ops.wm.open_mainfile(filepath=str(blend), load_ui=False)
        context, call = bpy.context, bpy.ops.takemill
        suit, character = (_armature(context, name) for name in (_SUIT, _CHARACTER))
        chosen = context.scene.takemill
        chosen.fit_target, chosen.set_name, chosen.set_folder = character, _NAME, str(out_dir.resolve())
        stage.activate(context, suit)
        steps = (
            ("mapping the body", 0.04, call.map_body, {}),
            ("checking the take", 0.06, call.check_take, {}),
            ("repairing the take", 0.12, call.repair_take, {}),
            (f"fitting it to {character.name}", 0.25, call.fit_take, {}),
            ("looking for cuts", 0.35, call.suggest_cuts, {}),
            ("naming them by the recipe", 0.40, call.load_recipe, {"filepath": str(samples.path(_RECIPE))}),
            ("making clips", 0.45, call.make_clips, {}),
            ("packing", 0.60, call.pack_set, {}),
        )
        for text, part, operator, arguments in steps:
            progress(text, part)
            try:
                operator(**arguments)
            except RuntimeError as problem:  # how an operator's report reaches a Python caller
                raise TakemillError(str(problem).removeprefix("Error: ").strip()) from problem
    progress("done", 1.0)
    said = json.loads((out_dir / "clips.json").read_text(encoding="utf-8"))
    return [_row(clip) for clip in said["clips"]]


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
    }


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
