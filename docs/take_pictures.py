"""Take the pictures of README and guide anew: `python docs/take_pictures.py [NAME ...]`.

Pages are packed from the samples and shown by Chromium; the scene is rendered by Blender's module (bpy),
without a window; pictures of Blender's window need TAKEMILL_BLENDER (`taking/window.py`), which runs this
file again inside.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from taking import pages, scene, window
from taking.moving import MOVING
from taking.places import PICTURES, import_ours
from taking.stills import STILLS

WINDOW = {**STILLS, **MOVING}
_WAIT_S = 1.5  # for the window to be drawn


def main(names: list[str]) -> None:
    """Take all pictures, or those that are named."""
    import_ours()
    for name in names or [scene.SCENE, *pages.PAGES, *WINDOW]:
        if name == scene.SCENE:
            scene.take()
        elif name in pages.PAGES:
            with tempfile.TemporaryDirectory() as scratch:
                pages.PAGES[name].take(name, Path(scratch))
        elif name in WINDOW:
            window.run_inside(__file__, WINDOW[name].size, name)
        else:
            raise SystemExit(
                f"{name}: no such picture; there are {', '.join((scene.SCENE, *pages.PAGES, *WINDOW))}"
            )
        print(name, flush=True)


def inside(name: str) -> None:
    """In Blender's window: take one of its pictures."""
    import_ours()
    import takemill_addon

    takemill_addon.register()
    one = WINDOW[name]
    window.perform(one.steps(PICTURES / f"{name}{one.ending}"), _WAIT_S)


if __name__ == "__main__":
    if "--" in sys.argv and "bpy" in sys.modules:
        inside(sys.argv[sys.argv.index("--") + 1])
    else:
        main(sys.argv[1:])
