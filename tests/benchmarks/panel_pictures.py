"""Pictures of every panel and overlay: `python tests/benchmarks/panel_pictures.py FOLDER [STATE ...]`.

Each state of the work is taken in a sidebar of 292 and of 202 pixels, at scales of 1 and 2, in a dark and a light
theme, all closed parts open: to be looked at for words that are cut off, empty boxes and jumping layouts. One
picture for a state and a scale: 292 dark, 292 light, 202 dark, 202 light, from the left; of overlays also what the
editors show. TAKEMILL_BLENDER is the command of a desktop Blender whose screen is at least as large as SIZE, and
FOLDER one that it sees, such as dist/panels; ImageMagick takes the pictures.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

HOME = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(HOME / "docs"))

from taking import window, work  # noqa: E402
from taking.places import BLEND  # noqa: E402

SIZE = (1900, 2200)  # pixels of the window
WIDTHS, SCALES, THEMES = (292, 202), (1.0, 2.0), ("Dark", "Light")
WAIT_S = 1.0  # for the window to be drawn
STATES = {  # the panels that are shown
    "new": ("take", "body", "check", "repair"),
    "new_later": ("cuts", "characters", "clips", "pack", "recipe", "guide"),
    "take": ("take", "body"),
    "check": ("check",),
    "repair": ("repair",),
    "preview": ("repair",),
    "cuts": ("cuts",),
    "suggested": ("cuts", "clips"),
    "characters": ("characters",),
    "clips": ("clips",),
    "pack": ("pack", "recipe", "guide"),
    "overlays": ("overlays",),
}
IN_VIEW = ("overlays",)  # what is drawn in the editors is taken, too
LONG = ("new", "new_later", "cuts", "suggested", "characters")  # at a scale of 2 longer than the screen


def main(folder: Path, states: list[str]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        addon = Path(scratch) / "takemill_addon"
        shutil.copytree(HOME / "blender_addon/takemill_addon", addon)
        for path in (addon / "panels").glob("*.py"):  # a script cannot open a closed part
            text = path.read_text(encoding="utf-8").replace("default_closed=True", "default_closed=False")
            path.write_text(text, encoding="utf-8")
        window.run_inside(__file__, SIZE, scratch, str(folder), *(states or STATES))


class Inside:
    """The work in Blender, a step at a time, each with the window drawn before it."""

    def __init__(self, scratch: str, folder: str, states: list[str]) -> None:
        sys.path[:0] = [str(HOME / "core"), scratch]
        import bpy

        import takemill_addon

        takemill_addon.register()
        self.bpy, self.folder, self.states, self.scratch = bpy, Path(folder), states, scratch
        window.perform(self.steps(), WAIT_S)

    def steps(self) -> Iterator[None]:
        window.show_panels(STATES[self.states[0]], opened=True)  # one that is drawn closed stays so
        window.in_view(lambda _: None)
        yield
        seen, _ = window.largest("VIEW_3D")
        if seen.width < SIZE[0] or seen.height < SIZE[1]:
            print(
                f"the screen is too small for a window of {SIZE[0]} x {SIZE[1]}: nothing is taken", flush=True
            )
            os._exit(1)
        window.show_tab()
        yield
        for state in self.states:
            self.bpy.ops.wm.open_mainfile(filepath=str(BLEND), load_ui=False)
            window.show_panels(STATES[state], opened=True)
            yield
            window.in_view(getattr(self, f"do_{state}"))
            yield
            for scale in SCALES:
                yield from self.take(state, scale)

    def take(self, state: str, scale: float) -> Iterator[None]:
        """The pictures of a state at a scale, joined to one."""
        crops: list[Path] = []
        ends: list[Path] = []  # of panels that are longer than the screen
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
                if state in LONG and scale > 1:
                    yield from self.scroll("WHEELDOWNMOUSE")
                    ends.append(self.crop(f"{name}-end", "VIEW_3D", "UI"))
                    yield from self.scroll("WHEELUPMOUSE")
                if state in IN_VIEW and width == WIDTHS[0]:
                    self.crop(f"view-{name}", "VIEW_3D", "WINDOW")
                    self.crop(f"time-{name}", "DOPESHEET_EDITOR", "WINDOW")
        self.join(crops, f"{state}-{scale:g}")
        if ends:
            self.join(ends, f"{state}-{scale:g}-end")

    def join(self, crops: list[Path], name: str) -> None:
        together = self.folder / f"{name}.png"
        subprocess.run(["convert", *map(str, crops), "+append", "-fuzz", "1%", str(together)], check=True)
        for one in crops:
            one.unlink()
        print("picture:", together, flush=True)

    def scroll(self, wheel: str) -> Iterator[None]:
        """To the end of the sidebar, or back."""
        seen, region = self.region("VIEW_3D", "UI")
        place = {"x": region.x + 12, "y": region.y + region.height // 2}  # beside lists: they scroll, too
        seen.event_simulate("MOUSEMOVE", "NOTHING", **place)
        for _ in range(40):
            seen.event_simulate(wheel, "PRESS", **place)
        yield
        yield

    def region(self, area_type: str, kind: str):
        seen, area = window.largest(area_type)
        return seen, window.region_of(area, kind)

    def drag(self, width: int) -> Iterator[None]:
        """Drag the sidebar's edge until it is so wide."""
        for _ in range(6):
            seen, region = self.region("VIEW_3D", "UI")
            if abs(region.width - width) <= 2:
                return
            place = {
                "x": region.x,
                "y": region.y + region.height - 40,
            }  # beside a panel: below them is no edge
            seen.event_simulate("MOUSEMOVE", "NOTHING", **place)
            yield
            seen.event_simulate("LEFTMOUSE", "PRESS", **place)
            yield
            place["x"] += region.width - width
            seen.event_simulate("MOUSEMOVE", "NOTHING", **place)
            yield
            seen.event_simulate("LEFTMOUSE", "RELEASE", **place)
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

    def crop(self, name: str, area_type: str, kind: str) -> Path:
        _, region = self.region(area_type, kind)
        path = self.folder / f"{name}.png"
        window.shoot(path, region.width, region.height, region.x, region.y)
        return path

    def do_new(self, context) -> None:
        work.activate(context, "Suit")

    def do_take(self, context) -> None:
        work.imported(context)

    def do_check(self, context) -> None:
        work.checked(context)

    def do_preview(self, context) -> None:
        work.checked(context)
        context.scene.takemill.repair_frames = "PREVIEW"

    def do_repair(self, context) -> None:
        work.activate(context, "Suit")
        self.bpy.ops.takemill.map_body()
        self.bpy.ops.takemill.check_take()
        context.scene.takemill.repair_same_pose_s = "0.5 1.5 40"

    def do_cuts(self, context) -> None:
        work.cut(context)

    def do_new_later(self, context) -> None:
        work.activate(context, "Suit")

    def do_suggested(self, context) -> None:
        """Names as long as suggested ones are."""
        suit = work.activate(context, "Suit")
        self.bpy.ops.takemill.map_body()
        self.bpy.ops.takemill.add_root_bone()
        self.bpy.ops.takemill.repair_take()
        self.bpy.ops.takemill.suggest_cuts()
        known = suit.animation_data.action.takemill
        known.cut_index = known.cuts.find("walk_forward_start_01")
        self.bpy.ops.takemill.make_clips()
        suit.takemill.clip_index = suit.takemill.clips.find("walk_forward_start_01")

    def do_characters(self, context) -> None:
        work.fitted(context)
        take = work.activate(context, "Suit").animation_data.action.takemill
        for name, off_mm in (
            ("leftHand on head 12.30s", 4.0),
            ("rightHand on leftUpperLeg 103.25s", 23.0),
        ):
            contact = take.contacts.add()  # the sample has none
            contact.name, contact.off_mm, take.contact_index = name, off_mm, 1
        row = context.scene.takemill.characters[context.scene.takemill.character_index]
        row.own = True
        work.activate(context, row.armature.name)
        self.bpy.ops.takemill.find_chains()
        context.object.data.bones.active = context.object.data.bones[0]
        self.bpy.ops.takemill.add_collider()

    def do_clips(self, context) -> None:
        work.clips_made(context)

    def do_pack(self, context) -> None:
        work.clips_made(context)
        chosen = context.scene.takemill
        chosen.set_folder, chosen.set_rate_own = str(Path(self.scratch) / "set"), True
        self.bpy.ops.takemill.stop_loop()
        self.bpy.ops.takemill.pack_set()
        chosen.set_folder = "/projects/ferry/clips"

    def do_overlays(self, context) -> None:
        work.overlaid(context)
        work.switch_on(context, None)
        window.look_down(context)


if __name__ == "__main__":
    if "--" in sys.argv and "bpy" in sys.modules:
        _scratch, _folder, *_states = sys.argv[sys.argv.index("--") + 1 :]
        Inside(_scratch, _folder, _states)
    else:
        main(Path(sys.argv[1]).resolve(), sys.argv[2:])
