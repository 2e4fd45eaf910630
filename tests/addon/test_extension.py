"""The built extension, installed into a Blender that knows nothing of this checkout."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import zipfile
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

HOME = Path(__file__).parents[2]
sys.path.insert(0, str(HOME / "blender_addon"))

import build_extension  # noqa: E402

_INSTALL = """
import sys
from pathlib import Path
ours = ("takemill", "takemill_addon")
is_ours = lambda path: any(Path(path, name, "__init__.py").is_file() for name in ours)
sys.path[:] = [path for path in sys.path if not is_ours(path)]
import bpy
bpy.ops.extensions.package_install_files(filepath=sys.argv[1], repo="user_default", enable_on_install=True)
import takemill
print("core from", takemill.__file__)
"""
_OPEN = """
import addon_utils
addon_utils.enable("bl_ext.user_default.takemill", default_set=True)
print("opened", bpy.ops.takemill.open_guide(), bpy.ops.takemill.open_engine_scripts())
"""
_MAP = """
sys.path.append(sys.argv[2])
import blender_scene, synthetic
blender_scene.empty_scene()
import addon_utils
addon_utils.enable("bl_ext.user_default.takemill", default_set=True)
rig = blender_scene.import_bvh(synthetic.walk().motion, Path(sys.argv[3]))
print("mapped", bpy.ops.takemill.map_body(), len(rig.takemill.parts))
"""


@pytest.fixture(scope="module")
def archive(tmp_path_factory) -> Path:
    return build_extension.main(["--out", str(tmp_path_factory.mktemp("dist"))])


def in_fresh_blender(code: str, resources: Path, *arguments: object) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        env=os.environ | {"BLENDER_USER_RESOURCES": str(resources)},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout
    return done.stdout


def test_holds_the_add_on_and_only_the_core(archive):
    with zipfile.ZipFile(archive) as zipped:
        names = zipped.namelist()
        wheel = next(name for name in names if name.endswith(".whl"))
        zipped.extract(wheel, archive.parent)
    assert {"__init__.py", "blender_manifest.toml", "LICENSE"} <= set(names)
    with zipfile.ZipFile(archive.parent / wheel) as inner:
        tops = {name.split("/")[0] for name in inner.namelist()}
        assert tops == {"takemill", wheel.split("/")[1].removesuffix("-py3-none-any.whl") + ".dist-info"}
        assert "takemill/body/motion.py" in inner.namelist()
        assert not [name for name in inner.namelist() if "samples/" in name or name.endswith(".pyc")]


def test_carries_the_guide_and_the_engine_scripts(archive):
    """Pages, links and pictures of docs/, as HTML that is well-formed XML; scripts with their licence."""
    with zipfile.ZipFile(archive) as zipped:
        names = set(zipped.namelist())
        pages = {name: zipped.read(name).decode() for name in names if name.endswith(".html")}
    assert {f"docs/{path.stem}.html" for path in (HOME / "docs").glob("*.md")} == set(pages)
    engines = {path.relative_to(HOME).as_posix() for path in (HOME / "engines").rglob("*") if path.is_file()}
    assert engines <= names
    assert "engines/LICENSE" in engines
    for name, text in pages.items():
        tree = ET.fromstring(text.removeprefix("<!DOCTYPE html>\n"))
        ids = {one.get("id") for one in tree.iter()}
        for link in (one.get("href") or one.get("src") for one in tree.iter() if one.tag in ("a", "img")):
            target, _, part = link.partition("#")
            assert (
                link.startswith("http") or not target or f"docs/{target}" in names or target.startswith("..")
            ), link
            assert target or part in ids, f"{name} links to #{part}"
        source = (HOME / "docs" / f"{Path(name).stem}.md").read_text(encoding="utf-8")
        heads = re.findall(r"^#+ (.+)$", re.sub(r"```.*?```", "", source, flags=re.DOTALL), re.MULTILINE)
        assert sum(len(list(tree.iter(f"h{k}"))) for k in (1, 2, 3)) == len(heads)
        code = {id(one) for tag in ("pre", "code") for part in tree.iter(tag) for one in part.iter()}
        plain = "".join(one.text or "" for one in tree.iter() if id(one) not in code)
        plain += "".join(one.tail or "" for one in tree.iter() if id(one) not in code or one.tag == "code")
        assert "**" not in plain, "bold that the page shows as stars"


def test_an_installed_extension_opens_its_guide(archive, tmp_path):
    printed = in_fresh_blender(_INSTALL + _OPEN, tmp_path / "user", archive)
    assert "opened {'FINISHED'} {'FINISHED'}" in printed
    guide = Path(re.search(r"the guide is (.+\.html)", printed)[1])
    assert guide.is_relative_to(tmp_path)
    assert "Extract Root Motion" in guide.read_text(encoding="utf-8")


def test_equal_sources_give_equal_wheels(tmp_path):
    first, second = (build_extension.build_wheel(tmp_path / name) for name in ("a", "b"))
    assert first.name == second.name
    assert first.read_bytes() == second.read_bytes()


def test_pip_reads_the_wheel(tmp_path):
    """Source: pip's own reading of the format."""
    wheel = build_extension.build_wheel(tmp_path)
    target = tmp_path / "site"
    command = [
        sys.executable,
        "-m",
        "pip",
        "install",
        "-q",
        "--no-deps",
        "--no-index",
        "--target",
        target,
        wheel,
    ]
    subprocess.run(list(map(str, command)), check=True, timeout=60)
    assert (target / "takemill" / "body" / "motion.py").is_file()


def test_installs_enables_and_runs_an_operator(archive, tmp_path):
    printed = in_fresh_blender(_INSTALL + _MAP, tmp_path / "user", archive, HOME / "tests", tmp_path)
    assert str(tmp_path / "user") in printed.split("core from")[1].splitlines()[0]
    assert "mapped {'FINISHED'}" in printed


def test_a_later_build_replaces_the_core(archive, tmp_path, monkeypatch):
    """Blender keeps a wheel of the same version: each content has a version of its own."""
    in_fresh_blender(_INSTALL, tmp_path / "user", archive)
    changed = tmp_path / "core" / "takemill"
    build_extension.shutil.copytree(build_extension.CORE, changed)
    with (changed / "__init__.py").open("a") as stream:
        stream.write("NEW = 'the new core'\n")
    monkeypatch.setattr(build_extension, "CORE", changed)
    later = build_extension.main(["--out", str(tmp_path / "later")])
    printed = in_fresh_blender(_INSTALL + "print(takemill.NEW)", tmp_path / "user", later)
    assert "the new core" in printed
    assert printed.count("takemill-0.1.0") < 3
