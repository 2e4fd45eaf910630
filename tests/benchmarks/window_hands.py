"""An animator's hands in a desktop Blender: they move the mouse, press keys and buttons, and type; all by simulated events.

What lies under the pointer tells itself as it does to a user: Ctrl C over a button copies the command of its
operator, and a field is the context's property. So buttons are found by feeling along the sidebar, by no place
in pixels; a panel's header by its number in the tab. Each verb is a generator of pauses in seconds, in which
Blender goes on with its work: `yield from hands.press("map_body")`.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
import traceback
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import bpy

Pauses = Iterator[float]
Wanted = Callable[[str], bool]
TAB = "Takemill"
PANELS = (
    "take",
    "body",
    "check",
    "repair",
    "cuts",
    "characters",
    "clips",
    "pack",
    "guide",
    "overlays",
    "recipe",
)
_TICK_S = 0.03  # for an event to arrive
_SETTLED_S = 0.3  # for a button to be the active one
_TRIES = 30  # looks whether an operator has begun, before its button is clicked again
_DRAWN_S = 0.4  # for a panel to be drawn anew
_HEAD_PX, _EACH_PX = (
    16,
    28,
)  # the middle of the first header below the region's top; a closed panel (seen in 5.2)
_ROW_PX = 8  # less than half a button's height
TABS_PX = 30  # the strip of tabs at the sidebar's edge
_COLUMNS = (0.4, 0.12, 0.7, 0.85, 0.95)  # of the sidebar's width, where buttons are felt for


class NotFoundError(Exception):
    """No button or field like this is to be felt."""


class Hands:
    """One pointer over Blender's windows; the sidebar of the largest 3D view is where it works."""

    def __init__(self) -> None:
        self.panel, self.felt, self.doing, self.at = "", "", "", (0, 0)
        self.owner: tuple[Any, str] | None = None  # of the field under the pointer, and its path there
        self.held: dict[str, float] = {}
        self.worked = 0.0  # seconds of the last press from the click to the end of its work

    @property
    def window(self) -> bpy.types.Window:
        """The newest window: a file browser's, while one is open."""
        return bpy.context.window_manager.windows[-1]

    @property
    def scale(self) -> float:
        return float(bpy.context.preferences.system.ui_scale)

    def area(self, kind: str = "VIEW_3D") -> bpy.types.Area:
        found = [one for one in self.window.screen.areas if one.type == kind]
        return max(found, key=lambda one: one.width * one.height)

    def region(self, kind: str, of: str = "VIEW_3D") -> bpy.types.Region:
        return next(one for one in self.area(of).regions if one.type == kind)

    # Events

    def send(self, key: str, value: str, x: int, y: int, **how: Any) -> None:
        self.window.event_simulate(key, value, x=x, y=y, **how)

    def move(self, x: int, y: int) -> Pauses:
        self.at = (x, y)
        self.send("MOUSEMOVE", "NOTHING", x - 1, y)  # leaves what was under the pointer
        self.send("MOUSEMOVE", "NOTHING", x, y)
        yield _TICK_S

    def key(self, key: str, **how: Any) -> Pauses:
        """Press and release a key where the pointer is."""
        self.send(key, "PRESS", *self.at, **how)
        self.send(key, "RELEASE", *self.at, **{name: on for name, on in how.items() if name != "unicode"})
        yield _TICK_S

    def click(self, x: int, y: int, **how: Any) -> Pauses:
        yield from self.move(x, y)
        yield _SETTLED_S
        yield from self.key("LEFTMOUSE", **how)

    def drag(self, start: tuple[int, int], stop: tuple[int, int]) -> Pauses:
        yield from self.move(*start)
        self.send("LEFTMOUSE", "PRESS", *start)
        for k in range(1, 5):
            yield from self.move(*(round(a + (b - a) * k / 4) for a, b in zip(start, stop, strict=True)))
        self.send("LEFTMOUSE", "RELEASE", *stop)
        yield _DRAWN_S

    def write(self, text: str) -> Pauses:
        """Type over all of a field that is being edited, and press Enter."""
        yield from self.key("A", ctrl=True)
        for letter in text:
            yield from self.key("A", unicode=letter)
        yield from self.key("RET")
        yield _DRAWN_S

    # What lies under the pointer

    def feel(self, x: int, y: int, region: bpy.types.Region, area: bpy.types.Area) -> Iterator[float]:
        """What the pointer finds: the command of an operator, the path of a field, or ""."""
        yield from self.move(x, y)
        with bpy.context.temp_override(window=self.window, area=area, region=region):
            found = bpy.context.property
        self.owner = found[:2] if found else None
        if found is not None:
            return f"{type(found[0]).__name__}.{found[1]}"
        clipboard = bpy.context.window_manager
        clipboard.clipboard = ""
        yield from self.key("C", ctrl=True)
        return str(clipboard.clipboard)

    def search(
        self,
        wanted: Wanted,
        region: bpy.types.Region,
        area: bpy.types.Area,
        top: int,
        across: Iterable[float],
    ) -> Iterator[float]:
        """Where in a region something lies that is wanted, from `top` down; None where it is not there."""
        width = region.width - (TABS_PX * self.scale if region.type == "UI" else 0)
        for place in across:
            x = round(region.x + place * width)
            for y in range(top, region.y + 8, -round(_ROW_PX * self.scale)):
                found = yield from self.feel(x, y, region, area)
                if os.environ.get("FELT"):
                    print(region.type, x, y, found, flush=True)
                if wanted(found):
                    self.felt = found
                    return x, y - round(0.75 * self.scale * _ROW_PX)
        return None

    def find(self, wanted: Wanted, across: float | None = None) -> Iterator[float]:
        """Where in the open panel of the sidebar something lies; the panel is scrolled where it is long.

        Raises:
            NotFoundError: it is not there.
        """
        columns = _COLUMNS if across is None else (across,)
        for turn in range(4):
            area, region = self.area(), self.region("UI")
            number = PANELS.index(self.panel) + 0.5 if turn == 0 else 0
            top = region.y + region.height - round(self.scale * (_HEAD_PX + _EACH_PX * number))
            place = yield from self.search(wanted, region, area, top, columns)
            if place is not None:
                return place
            yield from self.move(
                region.x + 12, region.y + region.height // 2
            )  # beside lists: they scroll, too
            for _ in range(16):
                yield from self.key("WHEELDOWNMOUSE")
            yield _DRAWN_S
        raise NotFoundError(f"in the panel {self.panel}")

    # The sidebar

    def open_tab(self) -> Pauses:
        """Open the sidebar by its key, and click along the tabs until ours is shown."""
        region = self.region("WINDOW")
        yield from self.move(region.x + region.width // 3, region.y + region.height // 2)
        if not self.area().spaces.active.show_region_ui:
            yield from self.key("N")
            yield 2 * _DRAWN_S
        region = self.region("UI")
        x = region.x + region.width - round(8 * self.scale)
        for y in range(region.y + region.height - 30, region.y + 20, -round(20 * self.scale)):
            yield from self.click(x, y)
            yield _DRAWN_S
            if region.active_panel_category == TAB:
                return
        raise NotFoundError(f"a tab {TAB}")

    def open_panel(self, name: str) -> Pauses:
        """Close all panels but this one: Ctrl and a click on the first header closes the others."""
        region = self.region("UI")
        x, top = region.x + round(60 * self.scale), region.y + region.height
        headers = [top - round(self.scale * (_HEAD_PX + _EACH_PX * k)) for k in range(len(PANELS))]
        yield from self.move(x, headers[0])
        yield from self.key("HOME")
        yield from self.click(x, headers[0], ctrl=True)
        yield 2 * _DRAWN_S
        yield from self.click(x, headers[0])
        yield 2 * _DRAWN_S
        yield from self.click(x, headers[PANELS.index(name)])
        yield 2 * _DRAWN_S
        self.panel = name

    def press(self, operator: str, panel: str = "", across: float | None = None, **how: Any) -> Pauses:
        """Find the button of an operator, with these settings, and click it; wait till its work is done."""
        place = yield from self.hover(operator, panel, across, **how)
        self.doing, before, windows = operator, _last_operator(), len(bpy.context.window_manager.windows)
        clicked = time.monotonic()
        for k in range(3 * _TRIES):
            if k % _TRIES == 0:  # a button that was drawn anew meanwhile hears nothing
                yield from self.click(*place)
            yield _SETTLED_S
            opened = len(bpy.context.window_manager.windows) > windows  # a file browser
            if opened or _at_work() or _last_operator() != before:
                break
        yield from self.rest()
        self.worked = time.monotonic() - clicked
        yield _DRAWN_S
        self.doing = ""

    def rest(self) -> Pauses:
        """Wait while an operator is at work."""
        while _at_work():
            yield _SETTLED_S

    def hover(
        self, operator: str, panel: str = "", across: float | None = None, **how: Any
    ) -> Iterator[float]:
        """Point at the button of an operator; where that is."""
        if panel:
            yield from self.open_panel(panel)
        start, parts = (
            f"bpy.ops.takemill.{operator}(",
            [f"{name}={_quoted(value)}" for name, value in how.items()],
        )
        place = yield from self.find(
            lambda text: text.startswith(start) and all(part in text for part in parts), across
        )
        yield from self.move(*place)
        return place

    def field(self, name: str, panel: str = "", across: float | None = None) -> Iterator[float]:
        """Point at a field, by its identifier; where it is."""
        if panel:
            yield from self.open_panel(panel)
        place = yield from self.find(lambda text: text.split(".")[-1] == name, across)
        yield from self.move(*place)
        return place

    def tick(self, name: str, panel: str = "", across: float | None = None) -> Pauses:
        """Click a box."""
        place = yield from self.field(name, panel, across)
        owner, path = self.owner
        before = owner.path_resolve(path)
        yield from self.click(*place)
        yield from self.until(lambda: owner.path_resolve(path) != before, f"{name} is ticked")

    def fill(self, name: str, text: str, panel: str = "", across: float | None = None) -> Pauses:
        """Edit a field: click into a text, or press Enter over a number, and type."""
        place = yield from self.field(name, panel, across)
        owner, path = self.owner
        before = owner.path_resolve(path)
        yield _SETTLED_S
        if isinstance(before, str):
            yield from self.click(*place)
        else:
            yield from self.key("RET")
        yield 2 * _DRAWN_S
        yield from self.write(text)
        yield from self.until(lambda: owner.path_resolve(path) != before, f"{name} has another value")

    def until(self, done: Callable[[], bool], what: str, seconds: float = 60.0) -> Pauses:
        """Wait for something to come; it is an error where it does not."""
        begun = time.monotonic()
        while not done():
            assert time.monotonic() - begun < seconds, what
            yield _DRAWN_S
        yield _DRAWN_S

    def choose_file(self, path: Path) -> Pauses:
        """In the file browser that has opened: click into the folder and the name, type, confirm."""
        yield from self.until(
            lambda: self.window.screen.areas[0].type == "FILE_BROWSER", "a file browser opens"
        )
        yield 3 * _DRAWN_S
        area = self.area("FILE_BROWSER")
        yield from self.move(area.x + area.width // 2, area.y + area.height // 2)
        yield _DRAWN_S
        head, foot = (next(one for one in area.regions if one.type == kind) for kind in ("UI", "EXECUTE"))
        top = head.y + head.height - 4
        place = yield from self.search(lambda text: text.endswith(".directory"), head, area, top, (0.35, 0.5))
        yield from self.click(*place)
        yield from self.write(f"{path.parent}/")
        yield from self.click(foot.x + foot.width // 4, foot.y + foot.height // 2)  # the only field there
        yield from self.write(path.name)
        top = foot.y + foot.height - 4
        place = yield from self.search(lambda text: "file.execute" in text, foot, area, top, (0.92, 0.85))
        windows = len(bpy.context.window_manager.windows)
        yield from self.click(*place)
        yield from self.until(
            lambda: len(bpy.context.window_manager.windows) < windows, "the file browser closes"
        )


def _at_work() -> bool:
    """Whether an operator of ours is."""
    background = next(
        one for name, one in sys.modules.items() if name.endswith("takemill.bridge.scene.background")
    )
    return bool(background.refusal())


def _last_operator() -> tuple[int, int]:
    """What tells whether another operator has run: how many have, and the last."""
    done = bpy.context.window_manager.operators
    return len(done), done[-1].as_pointer() if done else 0


def _quoted(value: Any) -> str:
    """As Blender writes it in a command."""
    return f'"{value}"' if isinstance(value, str) else repr(value)


def perform(hands: Hands, script: Pauses, first: float = 2.0) -> None:
    """Let the hands do all of a script, then close Blender: with 0, or with 1 and what was wrong.

    Between two looks Blender's main thread does what it does for a user; how long at most is kept in
    `hands.held`, in seconds of the processor by what was being done.
    """
    left = time.thread_time()

    def go_on() -> float | None:
        nonlocal left
        held = time.thread_time() - left
        hands.held[hands.doing] = max(held, hands.held.get(hands.doing, 0.0))
        try:
            pause = next(script)
        except StopIteration:
            end(0)
        except BaseException:
            traceback.print_exc()
            if picture := os.environ.get("SHOT"):  # of what is seen on a virtual screen, by ImageMagick
                subprocess.run(["import", "-window", "root", picture])
            end(1)
        left = time.thread_time()
        return pause

    def end(code: int) -> None:
        sys.stdout.flush()
        os._exit(code)

    bpy.app.timers.register(go_on, first_interval=first, persistent=True)
