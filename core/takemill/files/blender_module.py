"""Blender in a process of its own, for what only Blender reads or writes.

So no scene of a user is touched, and no fault of its importers and exporters ends the shell.
No Blender is imported here: where its module is missing, who needs it is told what to install.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import importlib.util
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from ..base.errors import FileError

_LOOK_S = 0.02  # between two looks at whether it has ended: Blender needs a second to start
_INSTALL = 'in a checkout, python -m pip install ".[blender]" (Python 3.11 or 3.13) installs it'
_CODE = """
import sys, importlib.util
sys.path.insert(0, {0})
found = importlib.util.spec_from_file_location("takemill_addon", {1} + "/__init__.py")
addon = sys.modules["takemill_addon"] = importlib.util.module_from_spec(found)
found.loader.exec_module(addon)
from takemill_addon.{2} import main
raise SystemExit(main({3}))
"""


@dataclass(frozen=True)
class Blender:
    """A Blender that runs code of the add-on.

    Attributes:
        head: the command, up to its last argument, which is Python code.
        engine: the folder that holds the package `takemill`.
        addon: the folder of the add-on's own files, whatever it is called where it is installed.
        version: of Blender, and of the add-on's files.
    """

    head: tuple[str, ...]
    engine: str
    addon: str
    version: str

    def run(self, module: str, *arguments: str) -> str:
        """Call `main` of a module of the add-on with a list of arguments, and wait for its end.

        It is killed when whoever waits is stopped.

        Returns:
            The last line that it said of a fault; "" for none.
        """
        code = _CODE.format(repr(self.engine), repr(self.addon), module, list(arguments))
        # The exporter of FBX numbers things by Python's hashes: so they are the same in each run.
        environment = os.environ | {"PYTHONHASHSEED": "0"}
        with tempfile.TemporaryFile() as said:
            process = subprocess.Popen(
                [*self.head, code], env=environment, stdout=subprocess.DEVNULL, stderr=said
            )
            try:
                while process.poll() is None:
                    time.sleep(_LOOK_S)
            finally:
                process.kill()
                process.wait()
            said.seek(0)
            lines = said.read().decode(errors="replace").strip().splitlines()
        return lines[-1] if lines else ""


@cache  # a build asks for it with each of its sets
def find_blender(what: str, way_out: str) -> Blender:
    """Blender's module and the add-on, as this Python has them.

    Args:
        what: is done by them, for the message: "take.fbx: .fbx files are read".
        way_out: what to do without them.

    Raises:
        FileError: one is not installed.
    """
    for module, name in (("bpy", "Blender's module"), ("takemill_addon", "the Blender add-on")):
        if importlib.util.find_spec(module) is None:
            raise FileError(f"{what} by {name}, which is not installed; {_INSTALL}; or {way_out}")
    try:
        version = importlib.metadata.version("bpy")
    except importlib.metadata.PackageNotFoundError:  # somebody built it
        version = ""
    engine, addon = (_folder_of(name) for name in ("takemill", "takemill_addon"))
    return Blender((sys.executable, "-c"), str(engine.parent), str(addon), version_of(version, addon))


def _folder_of(package: str) -> Path:
    found = importlib.util.find_spec(package)
    return Path((found and found.origin) or "").parent


def version_of(blender: str, addon: Path) -> str:
    """What a result depends on that Blender makes: its version, and the add-on's own files."""
    out = hashlib.sha256(blender.encode())
    for path in sorted(addon.rglob("*.py")):
        out.update(path.read_bytes())
    return out.hexdigest()
