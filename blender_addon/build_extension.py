"""Build the installable extension: `python blender_addon/build_extension.py [--out FOLDER]`.

The zip holds the add-on, the core as a wheel, the guide as a page, and the scripts for engines. It is
validated and built by the tool that comes with Blender (or with the bpy module); no network is needed.
Equal sources give an equal wheel.
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import importlib.util
import re
import shutil
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import guide_page

HOME = Path(__file__).resolve().parent.parent
CORE = HOME / "core" / "takemill"
ADDON = HOME / "blender_addon" / "takemill_addon"
_EPOCH = (1980, 1, 1, 0, 0, 0)  # the earliest date that a zip can hold


def main(arguments: list[str] | None = None) -> Path:
    """Build into `--out`; returns the zip's path."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=HOME / "dist", help="where the zip goes (default: dist/)")
    out = parser.parse_args(arguments).out
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        source = Path(scratch, "takemill")
        stage(source)
        run_tool("validate", str(source))
        archive = out.resolve() / f"takemill-{version()}.zip"
        run_tool("build", "--source-dir", str(source), "--output-filepath", str(archive))
    print(archive)
    return archive


def version() -> str:
    """The core's version, which the manifest must carry too."""
    found = re.search(r'^__version__ = "(.+)"$', (CORE / "__init__.py").read_text(), re.MULTILINE)
    manifest = re.search(r'^version = "(.+)"$', (ADDON / "blender_manifest.toml").read_text(), re.MULTILINE)
    if not found or not manifest or found[1] != manifest[1]:
        raise SystemExit("core/takemill/__init__.py and blender_manifest.toml name different versions")
    return found[1]


def stage(folder: Path) -> None:
    """Fill `folder` with what the extension holds: add-on, wheel, guide, engine scripts, and its manifest."""
    shutil.copytree(ADDON, folder, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(HOME / "LICENSE", folder)
    shutil.copytree(HOME / "engines", folder / "engines")
    put_guide(folder / "docs")
    wheel = build_wheel(folder / "wheels")
    manifest = folder / "blender_manifest.toml"
    line = f'wheels = ["./wheels/{wheel.name}"]\n\n[permissions]'
    manifest.write_text(manifest.read_text().replace("[permissions]", line))


def put_guide(folder: Path) -> None:
    """The pages of docs/ as HTML, with the pictures that they show."""
    folder.mkdir()
    for source in sorted((HOME / "docs").glob("*.md")):
        text = guide_page.page(source.read_text(encoding="utf-8"), f"Takemill: {source.stem}")
        (folder / f"{source.stem}.html").write_text(text, encoding="utf-8")
        for name in re.findall(r'<img src="([^"]+)"', text):
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(HOME / "docs" / name, folder / name)


def build_wheel(folder: Path) -> Path:
    """The core as a pure Python wheel (packaging.python.org, binary distribution format 1.0).

    Blender never replaces a wheel by one of the same version, so the version carries a digest of the content.
    """
    files = {
        f"takemill/{path.relative_to(CORE).as_posix()}": path.read_bytes()
        for path in sorted(CORE.rglob("*"))
        if path.is_file() and "__pycache__" not in path.parts and path.suffix != ".pyc"
    }
    digest = hashlib.sha256(b"".join(name.encode() + data for name, data in files.items())).hexdigest()
    stamped = f"{version()}.post{int(digest[:12], 16)}"
    info = f"takemill-{stamped}.dist-info"
    files[f"{info}/METADATA"] = (
        f"Metadata-Version: 2.1\nName: takemill\nVersion: {stamped}\nLicense: GPL-3.0-or-later\n"
        "Requires-Python: >=3.11\n"
    ).encode()
    files[f"{info}/WHEEL"] = (
        b"Wheel-Version: 1.0\nGenerator: takemill\nRoot-Is-Purelib: true\nTag: py3-none-any\n"
    )
    rows = [f"{name},sha256={_urlsafe(data)},{len(data)}" for name, data in files.items()]
    files[f"{info}/RECORD"] = "\n".join([*rows, f"{info}/RECORD,,\n"]).encode()
    folder.mkdir(parents=True, exist_ok=True)
    wheel = folder / f"takemill-{stamped}-py3-none-any.whl"
    with zipfile.ZipFile(wheel, "w") as archive:
        for name, data in files.items():
            entry = zipfile.ZipInfo(name, _EPOCH)
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, data, zipfile.ZIP_DEFLATED)
    return wheel


def _urlsafe(data: bytes) -> str:
    return base64.urlsafe_b64encode(hashlib.sha256(data).digest()).rstrip(b"=").decode()


def run_tool(*arguments: str) -> None:
    """Blender's own command for extensions, from the bpy module's files."""
    spec = importlib.util.find_spec("bpy")
    tools = (
        sorted(Path(spec.origin).parent.glob("*/scripts/addons_core/bl_pkg/cli/blender_ext.py"))
        if spec
        else []
    )
    if not tools:
        raise SystemExit(
            'Blender\'s extension tool was not found; install the bpy module: pip install ".[blender]"'
        )
    subprocess.run([sys.executable, str(tools[0]), *arguments], check=True)


if __name__ == "__main__":
    main()
