"""A desktop Blender with a window of its own, the extension installed from its zip, for hands that work in it.

TAKEMILL_BLENDER is the command of a desktop Blender (4.5 or later) that can open a window, on a virtual screen too.
"""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

HOME = Path(__file__).resolve().parents[2]
SAMPLES = HOME / "sample_blends"
SCRATCH = HOME / "dist/window"  # below the checkout: a sandbox of a desktop Blender sees it, too


def prepare() -> None:
    """Empty the scratch folder, and build the extension into it."""
    shutil.rmtree(SCRATCH, ignore_errors=True)
    SCRATCH.mkdir(parents=True)
    build = [sys.executable, str(HOME / "blender_addon/build_extension.py"), "--out", str(SCRATCH)]
    subprocess.run(build, check=True, stdout=subprocess.DEVNULL)


def run_inside(script: str, *files: str) -> int:
    """Run a script inside of Blender, with the word "inside", on these files; what Blender ends with."""
    command = shlex.split(os.environ.get("TAKEMILL_BLENDER", "blender"))
    how = ["--enable-event-simulate", "--factory-startup", *files, "--python", script, "--", "inside"]
    env = {**os.environ, "BLENDER_USER_RESOURCES": str(SCRATCH / "user"), "KEEP": "1"}
    return subprocess.run([*command, *how], cwd=HOME, env=env).returncode


def install(hands):
    """The zip, by the operator behind Install from Disk; the file is chosen in the browser."""
    import bpy

    archive = next(SCRATCH.glob("takemill-*.zip"))
    bpy.ops.extensions.package_install_files("INVOKE_DEFAULT", repo="user_default")
    yield from hands.choose_file(archive)
    known = bpy.context.preferences.addons
    yield from hands.until(lambda: "bl_ext.user_default.takemill" in known, "the extension is on")
    yield from hands.open_tab()
