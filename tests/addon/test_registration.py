"""What `register` adds, `unregister` takes away."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import bpy

import takemill_addon
from takemill_addon.overlays import draw, facts


def registered() -> dict[str, object]:
    """Everything that an add-on can leave behind."""
    handlers = {
        name: list(map(id, funcs))
        for name in dir(bpy.app.handlers)
        if isinstance(funcs := getattr(bpy.app.handlers, name), list)
    }
    menus = {
        name: list(map(id, draw._draw_funcs))
        for name in dir(bpy.types)
        if hasattr(kind := getattr(bpy.types, name), "draw") and hasattr(draw := kind.draw, "_draw_funcs")
    }
    properties = {
        kind.__name__: sorted(item.identifier for item in kind.bl_rna.properties)
        for kind in (bpy.types.Action, bpy.types.Object, bpy.types.Scene, bpy.types.WindowManager)
    }
    classes = sorted(name for name in dir(bpy.types) if "TAKEMILL" in name)
    classes += [cls.__name__ for cls in takemill_addon.CLASSES if cls.is_registered]
    operators = list(dir(bpy.ops.takemill)) if "takemill" in dir(bpy.ops) else []
    keymaps = bpy.context.window_manager.keyconfigs.addon.keymaps
    keys = [(item.idname, item.active) for keymap in keymaps for item in keymap.keymap_items]
    return {
        "keys": keys,
        "help": [one.__module__ for one in bpy.utils._manual_map],
        "handlers": handlers,
        "menus": menus,
        "properties": properties,
        "classes": classes,
        "operators": operators,
    }


def test_enable_disable_enable():
    takemill_addon.unregister()
    clean = registered()
    takemill_addon.register()
    on = registered()
    takemill_addon.unregister()
    assert registered() == clean
    takemill_addon.register()
    assert registered() == on
    assert set(on["classes"]) == {cls.__name__ for cls in takemill_addon.CLASSES}
    assert clean["classes"] == []
    assert "takemill" in on["properties"]["Scene"]
    assert ("takemill.pick_in_time", False) in on["keys"]  # a user switches it on
    assert on["help"] != clean["help"]
    takemill_addon.unregister()
    takemill_addon.unregister()
    assert registered() == clean


def test_fifty_times_on_and_off_leaves_nothing():
    takemill_addon.unregister()
    clean = registered()
    for _ in range(50):
        takemill_addon.register()
        takemill_addon.unregister()
    assert registered() == clean
    assert not draw._STATE.handles
    assert not draw._STATE.kept
    assert not bpy.app.timers.is_registered(facts._step)


def test_every_class_has_its_words():
    """An operator without a tooltip, or a panel outside the tab, is a slip."""
    for cls in takemill_addon.CLASSES:
        if issubclass(cls, bpy.types.Operator):
            assert cls.__doc__, cls
            assert not cls.__doc__.endswith("."), cls
            assert "UNDO" in cls.bl_options or "INTERNAL" in cls.bl_options, cls
    panels = [cls for cls in takemill_addon.CLASSES if issubclass(cls, bpy.types.Panel)]
    for cls in panels:
        in_tab = getattr(cls, "bl_category", "") == "Takemill"
        assert in_tab or cls.bl_parent_id == "VIEW3D_PT_overlay", cls
    steps = [cls.bl_label for cls in panels if not hasattr(cls, "bl_parent_id")]
    assert steps == sorted(steps)


def test_a_process_that_registered_ends():
    """The 4.5 module hangs at exit while a class with Python functions is registered."""
    code = "import takemill_addon; takemill_addon.register()"
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


def test_operators_and_functions_stay_small():
    """The house rule: `execute` and `run` under 40 lines, any function under 50, any file under 400."""
    folder = Path(takemill_addon.__file__).parent
    for path in folder.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert len(text.splitlines()) < 400, path.name
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.FunctionDef):
                limit = 40 if node.name in ("execute", "run") else 50
                assert node.end_lineno - node.lineno < limit, (path.name, node.name)
