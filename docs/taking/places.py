"""Where things lie in the checkout."""

from __future__ import annotations

import sys
from pathlib import Path

HOME = Path(__file__).resolve().parents[2]
PICTURES = HOME / "docs/pictures"
SAMPLES = HOME / "sample_blends"
BLEND = SAMPLES / "marsh_ferry.blend"
TAKE = SAMPLES / "marsh_take.bvh"
RECIPE = SAMPLES / "marsh_set.toml"


def import_ours() -> None:
    """Let this process import the engine, the add-on and what tests share, as the checkout has them."""
    for folder in ("core", "blender_addon", "tests"):
        if str(HOME / folder) not in sys.path:
            sys.path.insert(0, str(HOME / folder))
