"""Build Shoot: the shell's build, in a process of its own, from a shoot file chosen in Blender."""

from __future__ import annotations

import subprocess

import bpy
import pytest

import small_shoots
from takemill_addon.bridge.scene import shoot_process

pytestmark = pytest.mark.usefixtures("addon")


def test_a_shoot_is_built_as_by_the_shell_and_what_is_missing_is_told(tmp_path):
    shoot = small_shoots.write_shoot(tmp_path / "s", count=1)
    assert bpy.ops.takemill.build_shoot(filepath=str(shoot)) == {"FINISHED"}
    (tmp_path / "t").mkdir()
    again = small_shoots.copy(tmp_path / "s/takes", tmp_path / "t/takes").parent.parent
    small_shoots.write_characters(again)
    (again / "shoot.toml").write_text(small_shoots.SHOOT)
    small_shoots.build(again / "shoot.toml")
    assert small_shoots.results(tmp_path / "s/build") == small_shoots.results(again / "out")
    shoot.write_text("takes = []")
    with pytest.raises(RuntimeError, match="it names no takes"):
        bpy.ops.takemill.build_shoot(filepath=str(shoot))
    shoot.write_text('takes = ["none/*.bvh"]')
    with pytest.raises(RuntimeError, match="matches no file"):
        bpy.ops.takemill.build_shoot(filepath=str(shoot))


def test_esc_ends_the_process_with_the_work(tmp_path, monkeypatch):
    began = []
    begin = subprocess.Popen
    monkeypatch.setattr(
        shoot_process.subprocess, "Popen", lambda *a, **k: began.append(begin(*a, **k)) or began[0]
    )
    steps = shoot_process.build_apart(small_shoots.write_shoot(tmp_path, count=1), tmp_path / "out")
    next(steps)
    assert began[0].poll() is None
    steps.close()
    assert began[0].poll() is not None
