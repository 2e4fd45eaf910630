"""The demo: in Blender through the add-on's operators where there is one, else through the core alone."""

from __future__ import annotations

import importlib
import importlib.util
from pathlib import Path

from ..pipeline.prepare_take import Progress
from ..recipe.recipe import read_recipe
from ..sets.packing import pack_takes
from . import console, samples

RECIPE = "marsh_set.toml"
_HOW = (
    'in a checkout, python -m pip install ".[blender]" (Python 3.11 or 3.13) lets the demo run in Blender, '
    "on a character"
)


def run(out_dir: Path, progress: Progress, core: bool = False) -> str:
    """Fill `out_dir` and say what is in it; `core` leaves Blender out even where there is one.

    Raises:
        TakemillError: a sample is missing or the folder cannot be written.
    """
    if core:
        return _core(out_dir, progress)
    why = _why_no_blender()
    if why:
        return f"{why}; {_HOW}.\nThis is the same take through the core alone:\n\n" + _core(out_dir, progress)
    demo = importlib.import_module("takemill_addon.demo")
    rows = demo.run_demo(samples.path("marsh_ferry.blend"), out_dir, progress)
    return f"{console.any_table(rows)}\n\nThe sets are in {out_dir}"


def _why_no_blender() -> str:
    """Why the demo cannot run in Blender; "" when it can."""
    try:
        importlib.import_module("bpy")
    except ImportError as problem:
        there = importlib.util.find_spec("bpy") is not None
        return (
            f"Blender's module does not start ({problem})" if there else "Blender's module is not installed"
        )
    if importlib.util.find_spec("takemill_addon") is None:
        return "the Blender add-on is not installed"
    return ""


def _core(out_dir: Path, progress: Progress) -> str:
    recipe = read_recipe(samples.path(RECIPE))
    kept: list[str] = []
    facts = pack_takes([samples.path("marsh_take.bvh")], recipe, out_dir, progress, say=kept.append)
    kept_lines = "".join(f"{line}\n" for line in kept)
    return (
        f"{console.clips_table(facts)}\n\n{kept_lines}{len(facts)} clips in {out_dir}; begin with report.html"
    )
