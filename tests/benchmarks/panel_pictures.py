"""Pictures of every panel and overlay: `python tests/benchmarks/panel_pictures.py FOLDER [STATE ...]`.

Each state of the work is taken in a sidebar of 292 and of 202 pixels, at scales of 1 and 2, in a dark and a light
theme, all closed parts open: to be looked at for words that are cut off, empty boxes and jumping layouts. One
picture for a state and a scale: 292 dark, 292 light, 202 dark, 202 light, from the left. TAKEMILL_BLENDER is the
command of a desktop Blender whose screen is at least as large as SIZE, and FOLDER one that it sees, such as
dist/panels; ImageMagick takes the pictures.
"""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

HOME = Path(__file__).resolve().parents[2]
BLEND = str(HOME / "sample_blends/marsh_ferry.blend")
SIZE = (1900, 2200)  # pixels of the window
WIDTHS, SCALES, THEMES = (292, 202), (1.0, 2.0), ("Dark", "Light")
WAIT_S = 1.0  # for the window to be drawn
STATES = {  # the panels that are shown
    "new": ("take", "body", "check", "repair", "cuts", "characters", "clips", "pack", "recipe", "guide"),
    "take": ("take", "body"),
    "check": ("check",),
    "repair": ("repair",),
    "preview": ("repair",),
    "cuts": ("cuts",),
    "characters": ("characters",),
    "clips": ("clips",),
    "pack": ("pack", "recipe", "guide"),
    "overlays": ("overlays",),
}
IN_VIEW = ("overlays",)  # what is drawn in the editors is taken, too


def main(folder: Path, states: list[str]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    command = shlex.split(os.environ.get("TAKEMILL_BLENDER", "blender"))
    window = ["--window-geometry", "0", "0", *map(str, SIZE), "--enable-event-simulate", "--factory-startup"]
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        addon = Path(scratch) / "takemill_addon"
        shutil.copytree(HOME / "blender_addon/takemill_addon", addon)
        for path in (addon / "panels").glob("*.py"):  # a script cannot open a closed part
            text = path.read_text(encoding="utf-8").replace("default_closed=True", "default_closed=False")
            path.write_text(text.replace('bl_options = {"DEFAULT_CLOSED"}', ""), encoding="utf-8")
        inside = ["--python", __file__, "--", scratch, str(folder), *(states or STATES)]
        subprocess.run([*command, *window, BLEND, *inside], check=True, cwd=HOME)


class Inside:
    """The work in Blender, a step at a time, each with the window drawn before it."""

    def __init__(self, scratch: str, folder: str, states: list[str]) -> None:
        sys.path[:0] = [str(HOME / "core"), scratch, str(HOME / "docs")]
        import bpy
        import take_pictures

        import takemill_addon

        takemill_addon.register()
        self.bpy, self.panels, self.taken = bpy, takemill_addon.panels.CLASSES, take_pictures
        self.folder, self.states, self.scratch = Path(folder), states, scratch
        view = bpy.context.preferences.view
        view.show_splash, bpy.context.preferences.use_preferences_save = False, False
        steps = self.steps()

        def go_on() -> float | None:
            try:
                next(steps)
            except StopIteration:
                bpy.ops.wm.quit_blender()
                return None
            return WAIT_S

        bpy.app.timers.register(go_on, first_interval=WAIT_S, persistent=True)

    def steps(self) -> Iterator[None]:
        self.taken.in_view(lambda _: None)
        yield
        window = self.bpy.context.window_manager.windows[0]
        if window.width < SIZE[0] or window.height < SIZE[1]:
            print(
                f"the screen is too small for a window of {SIZE[0]} x {SIZE[1]}: nothing is taken", flush=True
            )
            os._exit(1)
        self.taken._show_tab()
        yield
        for state in self.states:
            self.bpy.ops.wm.open_mainfile(filepath=BLEND, load_ui=False)
            self.show(STATES[state])
            yield
            self.taken.in_view(getattr(self, f"do_{state}"))
            yield
            for scale in SCALES:
                crops = []
                for width in WIDTHS:
                    self.bpy.context.preferences.view.ui_scale = scale
                    yield
                    yield from self.drag(round(width * scale))
                    for theme in THEMES:
                        self.set_theme(theme)
                        yield
                        yield
                        name = f"{state}-{scale:g}-{width}-{theme}"
                        crops.append(self.crop(name, "VIEW_3D", "UI"))
                        if state in IN_VIEW and width == WIDTHS[0]:
                            self.crop(f"view-{name}", "VIEW_3D", "WINDOW")
                            self.crop(f"time-{name}", "DOPESHEET_EDITOR", "WINDOW")
                together = str(self.folder / f"{state}-{scale:g}.png")
                subprocess.run(["convert", *crops, "+append", "-fuzz", "1%", together], check=True)
                for one in crops:
                    Path(one).unlink()
                print("picture:", together, flush=True)

    def show(self, names: tuple[str, ...]) -> None:
        """Register just these panels, in their order."""
        steps = [cls for cls in self.panels if cls.__name__.startswith("TAKEMILL_PT_")]
        for cls in steps:
            if cls.is_registered:
                self.bpy.utils.unregister_class(cls)
        for cls in steps:
            if cls.__name__[12:] in names:
                self.bpy.utils.register_class(cls)

    def region(self, area_type: str, kind: str):
        window = self.bpy.context.window_manager.windows[0]
        area = max(
            (one for one in window.screen.areas if one.type == area_type),
            key=lambda one: one.width * one.height,
        )
        return window, next(one for one in area.regions if one.type == kind)

    def drag(self, width: int) -> Iterator[None]:
        """Drag the sidebar's edge until it is so wide."""
        for _ in range(6):
            window, region = self.region("VIEW_3D", "UI")
            if abs(region.width - width) <= 2:
                return
            place = {
                "x": region.x,
                "y": region.y + region.height - 40,
            }  # beside a panel: below them is no edge
            window.event_simulate("MOUSEMOVE", "NOTHING", **place)
            yield
            window.event_simulate("LEFTMOUSE", "PRESS", **place)
            yield
            place["x"] += region.width - width
            window.event_simulate("MOUSEMOVE", "NOTHING", **place)
            yield
            window.event_simulate("LEFTMOUSE", "RELEASE", **place)
            yield
        print(f"! the sidebar is {region.width} pixels wide, wanted {width}", flush=True)

    def set_theme(self, name: str) -> None:
        (place,) = self.bpy.utils.preset_paths("interface_theme")[:1]
        path = str(Path(place) / f"Blender_{name}.xml")
        if Path(path).is_file():
            self.bpy.ops.script.execute_preset(
                filepath=path, menu_idname="USERPREF_MT_interface_theme_presets"
            )
        else:  # the theme of a new Blender
            self.bpy.ops.preferences.reset_default_theme()

    def crop(self, name: str, area_type: str, kind: str) -> str:
        _, region = self.region(area_type, kind)
        path = str(self.folder / f"{name}.png")
        size = f"{region.width}x{region.height}+{region.x}+{region.y}"
        cut = ["-gravity", "SouthWest", "-crop", size, "+repage"]
        subprocess.run(["import", "-window", "root", *cut, path], check=True)
        return path

    def do_new(self, context) -> None:
        self.taken._work_on(context, "Suit")

    def do_take(self, context) -> None:
        self.taken._import(context)

    def do_check(self, context) -> None:
        self.taken._check(context)

    def do_preview(self, context) -> None:
        self.taken._check(context)
        context.scene.takemill.repair_frames = "PREVIEW"

    def do_repair(self, context) -> None:
        self.taken._work_on(context, "Suit")
        self.bpy.ops.takemill.map_body()
        self.bpy.ops.takemill.check_take()
        context.scene.takemill.repair_same_pose_s = "0.5 1.5 40"

    def do_cuts(self, context) -> None:
        self.taken._cuts(context)

    def do_characters(self, context) -> None:
        self.taken._fit(context)
        self.bpy.ops.takemill.find_contacts()
        row = context.scene.takemill.characters[context.scene.takemill.character_index]
        row.own = True
        self.taken._work_on(context, row.armature.name)
        self.bpy.ops.takemill.find_chains()

    def do_clips(self, context) -> None:
        self.taken.clips(context)

    def do_pack(self, context) -> None:
        self.taken.clips(context)
        chosen = context.scene.takemill
        chosen.set_folder, chosen.set_rate_own = str(Path(self.scratch) / "set"), True
        self.bpy.ops.takemill.stop_loop()
        self.bpy.ops.takemill.pack_set()
        chosen.set_folder = "/projects/ferry/clips"

    def do_overlays(self, context) -> None:
        from mathutils import Euler

        self.taken.overlays(context)
        self.taken._switch_on(context, self.names())
        view = context.space_data.region_3d
        view.view_perspective, view.view_distance = "PERSP", 3.6
        view.view_rotation = Euler((1.15, 0, 0.5)).to_quaternion()

    def names(self) -> list[str]:
        from takemill_addon.properties.preferences import names_of

        return [name.removeprefix("show_") for name in names_of("show_")]


if __name__ == "__main__":
    if "--" in sys.argv and "bpy" in sys.modules:
        _scratch, _folder, *_states = sys.argv[sys.argv.index("--") + 1 :]
        Inside(_scratch, _folder, _states)
    else:
        main(Path(sys.argv[1]).resolve(), sys.argv[2:])
