"""What overlays cost and show in a desktop Blender: `python tests/benchmarks/overlays_table.py`.

TAKEMILL_BLENDER is the command of a desktop Blender (4.5 or later) that can open a window, on a virtual screen
too; it runs this file again inside. On a rig of 60 bones, each overlay alone: milliseconds of a redraw with the
view turned and with the frame moved on, beside Blender's whole redraw; and whether its pixels are there, where
bones are that it shows, and gone when it is off and when the add-on is. Then a cut's end is dragged by events.

With `--before FOLDER`, the folder `takemill_addon` of another state of the add-on, what that costs stands beside,
in turns with this one in the same window: `git archive main blender_addon | tar -x -C dist/before` makes it.
"""

from __future__ import annotations

import importlib.util
import os
import shlex
import subprocess
import sys
import time
from pathlib import Path

HOME = Path(__file__).resolve().parents[2]
BONES = 60
REDRAWS = 9
FIRST = 1950  # the first frame that is shown: the performer walks
STAND = (FIRST - 20, FIRST + 100)  # frames of findings, contacts and a cut
PINK = (1.0, 0.0, 1.0)  # a colour that nothing else has


def main() -> None:
    command = shlex.split(os.environ.get("TAKEMILL_BLENDER", "blender"))
    size = ["--window-geometry", "0", "0", "1320", "900", "--enable-event-simulate", "--factory-startup"]
    blend = str(HOME / "sample_blends/marsh_ferry.blend")
    done = subprocess.run(
        [*command, *size, blend, "--python", __file__, "--", "inside", *sys.argv[1:]],
        cwd=HOME,
        capture_output=True,
        text=True,
    )
    rows = [line for line in done.stdout.splitlines() if line.startswith(("|", "!"))]
    print("\n".join(rows))
    if not rows or any(line.startswith("!") for line in rows):
        raise SystemExit(f"something is wrong:\n{done.stdout[-2000:]}\n{done.stderr[-2000:]}")


class Side:
    """One state of the add-on: what its overlays cost in a redraw while it is `on`."""

    def __init__(self, package: str) -> None:
        names = ("draw", "draw_time", "facts", "view")
        modules = [importlib.import_module(f"{package}.overlays.{name}") for name in names]
        self.draw, self.draw_time, self.facts, self.view = modules
        self.overlays = importlib.import_module(f"{package}.overlays")
        self.on, self.spent, self.after = False, list[float](), lambda: None

    def attach(self) -> None:
        """Let Blender draw them, timed."""
        self.draw._draw_strokes = self.timed(self.draw._draw_strokes, False)
        self.draw._draw_texts = self.timed(self.draw._draw_texts, True)
        self.draw_time._draw = self.timed(self.draw_time._draw, True)
        self.overlays.attach()

    def timed(self, function, is_last: bool):
        def wrapped() -> None:
            if not self.on:
                return
            begun = time.thread_time()  # of the processor: other work on the machine is none of ours
            function()
            self.spent.append(time.thread_time() - begun)
            if is_last:
                self.after()

        return wrapped


def other_package(folder: str) -> str:
    """The add-on of another folder, as a package that is imported and not registered."""
    name = "takemill_addon_before"
    spec = importlib.util.spec_from_file_location(
        name, Path(folder, "__init__.py"), submodule_search_locations=[folder]
    )
    sys.modules[name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(sys.modules[name])
    return name


def say(name: str, same: list[float], moved: list[float], between: str) -> None:
    """A row of the table: this state, and beside it the other one."""
    beside = "".join(f" {a:.2f} | {b:.2f} |" for a, b in zip(same[1:], moved[1:], strict=True))
    print(f"| {name} | {same[0]:.2f} | {moved[0]:.2f} |{between}{beside}", flush=True)


class Inside:
    """The work in Blender, a step at a time, each with the window drawn before it."""

    def __init__(self) -> None:
        sys.path[:0] = [str(HOME / "core"), str(HOME / "blender_addon")]
        import bpy

        import takemill_addon

        takemill_addon.register()
        self.bpy, self.addon = bpy, takemill_addon
        from takemill_addon.properties.preferences import names_of, overlay_settings

        self.names_of, self.settings = names_of, overlay_settings(bpy.context)
        self.now, self.pixels = Side("takemill_addon"), None
        self.sides = [self.now]
        if "--before" in sys.argv:
            folder = str(Path(sys.argv[sys.argv.index("--before") + 1]).resolve())
            self.sides.append(Side(other_package(folder)))
        bpy.context.preferences.view.show_splash = False
        bpy.context.preferences.use_preferences_save = False
        bpy.context.preferences.view.smooth_view = 0
        for name in names_of("show_"):
            setattr(self.settings, name, False)

    def run(self) -> None:
        steps = iter((self.build, self.measure, self.drag, self.undo, self.gone))

        def go_on() -> float | None:
            step = next(steps, None)
            if step is None:
                self.bpy.ops.wm.quit_blender()
                return None
            try:
                step()
            except Exception as problem:  # a script in Blender: said in the table, and the window closes
                print(f"! {step.__name__}: {type(problem).__name__}: {problem}", flush=True)
                self.bpy.ops.wm.quit_blender()
                return None
            return 1.5

        self.bpy.app.timers.register(go_on, first_interval=1.5)

    def area(self, kind: str):
        window = self.bpy.context.window_manager.windows[0]
        area = max(window.screen.areas, key=lambda one: (one.type == kind, one.width * one.height))
        return window, area, next(one for one in area.regions if one.type == "WINDOW")

    def build(self) -> None:
        """The sample's performer with more bones, keyed on each frame, and with all that overlays show."""
        import numpy as np
        from mathutils import Euler

        from takemill_addon.bridge.scene import actions
        from takemill_addon.bridge.takes import stage

        bpy = self.bpy
        window, area, region = self.area("VIEW_3D")
        with bpy.context.temp_override(window=window, area=area, region=region):
            rig = bpy.data.objects["Suit"]
            stage.activate(bpy.context, rig)
            bpy.ops.object.mode_set(mode="EDIT")
            bones = rig.data.edit_bones
            hands = [bones["LeftHand"], bones["RightHand"]]
            for k in range(BONES - len(bones)):
                one = bones.new(f"more_{k:02}")
                one.parent = hands[k % 2]
                one.head = one.parent.tail
                one.tail = one.head + (one.parent.tail - one.parent.head) * (0.2 + 0.01 * k)
            bpy.ops.object.mode_set(mode="OBJECT")
            raw = rig.animation_data.action
            bag = actions.channelbag(raw, actions.slot_for(raw, rig))
            frames = np.arange(1, 7201, dtype=np.float32)
            for bone in [one.name for one in rig.data.bones if one.name.startswith("more_")]:
                rig.pose.bones[bone].rotation_mode = "QUATERNION"
                for k in range(4):
                    curve = bag.fcurves.new(f'pose.bones["{bone}"].rotation_quaternion', index=k)
                    curve.keyframe_points.add(len(frames))
                    values = np.full_like(frames, 1.0 if k == 0 else 0.0)
                    curve.keyframe_points.foreach_set("co", np.stack([frames, values], 1).ravel())
                    curve.update()
            bpy.ops.takemill.map_body()
            repaired = raw.copy()
            repaired.takemill.source, repaired.takemill.repaired = raw, True
            actions.assign(rig, repaired, repaired.slots[0])
            self.fill(rig, repaired)
            view = area.spaces.active.region_3d
            view.view_perspective, view.view_distance = "ORTHO", 3.5
            view.view_rotation = Euler((1.2, 0, 0.5)).to_quaternion()
            bpy.context.scene.frame_set(FIRST)
            view.view_location = rig.matrix_world @ rig.pose.bones["Hips"].head
            for item in bpy.context.view_layer.objects:  # without a window's own graphics they take long
                item.hide_set(item != rig)
        self.rig = rig

    def fill(self, rig, action) -> None:
        known = action.takemill
        for k, bone in enumerate(rig.data.bones):
            for start in range(1, 7000, 1000):
                one = known.findings.add()
                one.kind, one.joint = ("spike", "frozen", "skating", "jitter")[k % 4], bone.name
                one.start, one.stop = start, start + 999
        chain = rig.takemill.chains.add()
        chain.name, chain.first, chain.last = "tail", "more_00", "more_00"
        cut = known.cuts.add()
        cut.name, cut.start, cut.end, cut.loop = "walk", *STAND, True
        touch = known.contacts.add()
        touch.name, touch.part, touch.on, touch.kind = "hands", "leftHand", "rightHand", "hands"
        touch.start, touch.stop = STAND
        action.pose_markers.new("clap").frame = FIRST + 10

    def read(self) -> tuple[float, str]:
        """Have the take read as an operator does; milliseconds, and why it cannot be."""
        window, area, region = self.area("VIEW_3D")
        with self.bpy.context.temp_override(window=window, area=area, region=region):
            for side in reversed(self.sides):
                begun = time.perf_counter()
                problem = side.facts.read_now(side.view.View.of(self.bpy.context))
                took = time.perf_counter() - begun
        return 1000 * took, problem

    def grab_now(self) -> None:
        if self.wanted:
            self.pixels = self.grab()

    def grab(self):
        import gpu
        import numpy as np

        width, height = gpu.state.viewport_get()[2:]
        left, low = gpu.state.viewport_get()[:2]
        buffer = gpu.state.active_framebuffer_get().read_color(left, low, width, height, 4, 0, "FLOAT")
        buffer.dimensions = width * height * 4
        return np.array(buffer, np.float32).reshape(height, width, 4)[..., :3]

    def redraw(self, kind: str) -> float:
        """Draw an editor once; how long all of that takes, seconds."""
        window, area, region = self.area(kind)
        with self.bpy.context.temp_override(window=window, area=area, region=region):
            begun = time.perf_counter()
            self.bpy.ops.wm.redraw_timer(type="DRAW", iterations=1)
            return time.perf_counter() - begun

    def measure(self) -> None:
        """The table."""
        self.addon.overlays.detach()
        self.wanted = False
        for side in self.sides:
            side.attach()
        self.now.on, self.now.after = True, self.grab_now
        self.redraw("VIEW_3D")
        print("| the take is read and worked out: {:.0f} ms {} |".format(*self.read()))
        window = self.bpy.context.window_manager.windows[0]
        high = next(one for one in window.screen.areas if one.type == "PROPERTIES")
        high.type = "DOPESHEET_EDITOR"  # high enough for lanes
        high.spaces.active.mode = "TIMELINE"
        high.spaces.active.show_region_channels = False
        self.redraw("DOPESHEET_EDITOR")
        window, area, region = self.area("DOPESHEET_EDITOR")
        scene = window.scene
        scene.use_preview_range = True
        scene.frame_preview_start, scene.frame_preview_end = STAND[0] - 20, STAND[1] + 40
        with self.bpy.context.temp_override(window=window, area=area, region=region):
            self.bpy.ops.action.view_all()
        beside = " ".join("before: same ms | next ms |" for _ in self.sides[1:])
        print(
            f"| overlay | same frame ms | next frame ms | whole redraw ms | its pixels: on | off | {beside}"
        )
        print("|---" * (6 + 2 * len(self.sides[1:])) + "|")
        for name in self.names_of("show_"):
            kind = "DOPESHEET_EDITOR" if name.startswith("show_time_") else "VIEW_3D"
            setattr(self.settings, name, True)
            self.read()  # no timer runs while this loop does
            same, moved = self.costs(kind, 0), self.costs(kind, 1)
            whole = self.redraw(kind)
            on = self.pink(name, kind)
            setattr(self.settings, name, False)
            off = self.pink(name, kind)
            say(f"{name[5:]}", same, moved, f" {1000 * whole:.0f} | {on} | {off} |")
            if on < 20 or off:
                print(f"! {name}: its pixels are {on} while it is on and {off} while it is off")
        for name in self.names_of("show_"):
            setattr(self.settings, name, True)
        self.read()
        for kind in ("VIEW_3D", "DOPESHEET_EDITOR"):
            say(f"all, {kind}", self.costs(kind, 0), self.costs(kind, 1), " | | |")

    def costs(self, kind: str, step: int) -> list[float]:
        """Milliseconds of drawing in one redraw, the median of many, of each side: they take turns."""
        sums = [list[float]() for _ in self.sides]
        for k in range(REDRAWS + 1):
            self.bpy.context.window_manager.windows[0].scene.frame_set(FIRST + k * step)
            for side, sums_of_it in list(zip(self.sides, sums, strict=True))[:: 1 - 2 * (k % 2)]:
                self.now.on, side.on = False, True
                side.spent.clear()
                self.redraw(kind)
                sums_of_it.append(sum(side.spent))
                side.on = False
        self.now.on = True
        return [1000 * sorted(one[1:])[REDRAWS // 2] for one in sums]

    def pink(self, name: str, kind: str) -> int:
        """How many pixels are pink with all colours of ours pink; of those in theme colours, that differ."""
        before = {one: tuple(getattr(self.settings, one)) for one in self.names_of("colour_")}
        theme = self.bpy.context.preferences.themes[0].view_3d
        plain = {one: tuple(getattr(theme, one)) for one in ("object_active", "object_selected", "grid")}
        text = tuple(theme.space.text_hi)
        for one in before:
            setattr(self.settings, one, PINK)
        theme.space.text_hi = PINK
        if kind != "VIEW_3D":  # there Blender itself draws in them
            for one in plain:
                setattr(theme, one, (*PINK, 1.0)[: len(plain[one])])
        elif name == "show_floor":
            theme.grid = (*PINK, 1.0)
        self.bpy.context.window_manager.windows[0].scene.frame_set(FIRST)
        self.wanted = True
        self.now.draw._STATE.kept.clear()
        self.now.draw_time.forget()
        if kind == "VIEW_3D":  # what Blender draws in those colours is left out
            overlay = self.area("VIEW_3D")[1].spaces.active.overlay
            overlay.show_floor = overlay.show_text = overlay.show_ortho_grid = False
        self.redraw(kind)
        self.wanted = False
        count = int(self.is_pink().sum())
        for one, value in before.items():
            setattr(self.settings, one, value)
        for one, value in plain.items():
            setattr(theme, one, value)
        theme.space.text_hi = text
        return count

    def is_pink(self):
        red, green, blue = (self.pixels[..., k] for k in range(3))
        return (red > 0.6) & (blue > 0.6) & (green < 0.45 * (red + blue) / 2)

    def drag(self) -> None:
        """The end of the cut is dragged by ten frames."""
        from takemill_addon.operators.in_time import key_of_user
        from takemill_addon.overlays.view import View

        bpy = self.bpy
        key_of_user(bpy.context).active = True
        window, area, region = self.area("DOPESHEET_EDITOR")
        for name in self.names_of("show_"):
            setattr(self.settings, name, name == "show_time_cuts")
        with bpy.context.temp_override(window=window, area=area, region=region):
            self.redraw("DOPESHEET_EDITOR")
            kept = self.now.draw_time.lanes_of(View.of(bpy.context), region.height)
        zero, each = self.now.draw_time._across(region)
        low, high = kept.ends["cuts"]
        bpy.ops.ed.undo_push(message="before the drag")
        x, y = round(zero + each * (STAND[1] + 1)), round((low + high) / 2)
        self.to = round(x + 10 * each)
        place = {"x": region.x + x, "y": region.y + y}
        window.event_simulate("MOUSEMOVE", "NOTHING", **place)
        window.event_simulate("LEFTMOUSE", "PRESS", **place)
        place["x"] = region.x + self.to
        window.event_simulate("MOUSEMOVE", "NOTHING", **place)
        window.event_simulate("LEFTMOUSE", "RELEASE", **place)
        self.wanted_end = round(self.now.draw_time.frame_at(region, self.to)) - 1

    def undo(self) -> None:
        cut = self.rig.animation_data.action.takemill.cuts[0]
        print(f"| the end of the cut was dragged from {STAND[1]} to {cut.end}, wanted {self.wanted_end} |")
        if cut.end != self.wanted_end or cut.end == STAND[1]:
            print("! the end of the cut was not dragged")
        window, _, region = self.area("DOPESHEET_EDITOR")
        window.event_simulate("Z", "PRESS", ctrl=True, x=region.x + 300, y=region.y + 5)

    def gone(self) -> None:
        cut = self.bpy.data.objects["Suit"].animation_data.action.takemill.cuts[0]
        print(f"| undone: the cut ends at {cut.end} |")
        if cut.end != STAND[1]:
            print("! the drag was not undone")
        for side in self.sides[1:]:
            side.overlays.detach()
        self.addon.unregister()
        handle = self.bpy.types.SpaceView3D.draw_handler_add(
            lambda: setattr(self, "pixels", self.grab()), (), "WINDOW", "POST_PIXEL"
        )
        self.redraw("VIEW_3D")
        self.bpy.types.SpaceView3D.draw_handler_remove(handle, "WINDOW")
        print(f"| pixels of ours with the add-on off: {int(self.is_pink().sum())} |", flush=True)


if __name__ == "__main__":
    if "--" in sys.argv and "inside" in sys.argv:
        Inside().run()
    else:
        main()
