"""How long each operator keeps Blender's window from drawing, on a take of ten minutes.

Run by a desktop Blender with a window, on a virtual screen too:

    blender --enable-event-simulate --python tests/benchmarks/redraw_table.py -- [MINUTES [OPERATOR ...]]

Printed for each operator, in milliseconds: the longest time between two redraws of the 3D view while it works,
what the main thread computed of it, what of that is our own, and our longest piece, which no slice of time can
divide; time, processor and our own at its end, when Blender itself keeps the undo step and evaluates the new
Action; the processor of an undo step in the same file, pushed once more with nothing of ours at work and
nothing changed; the seconds to its end. The last rows are an Action that Blender alone copies and assigns, with
its undo step, and its evaluation with a redraw. The first row is the window on its own: what one redraw costs. Rows of Esc: the time from the key until Blender hands it to us, from there to the
end of the work, and how many Actions are left of it; the third time nobody asks for redraws of the view, as it
is for a user. Bones alone are shown, as sticks: without a graphics card surfaces take most of a redraw.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import bpy
import numpy as np

HOME = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(HOME / "core"), str(HOME / "blender_addon")]
import takemill_addon  # noqa: E402  # the paths come first
from takemill_addon.bridge.scene import background  # noqa: E402
from takemill_addon.bridge.takes import characters  # noqa: E402
from takemill_addon.bridge.takes.recipe import recipe_of  # noqa: E402

GIVEN = sys.argv[sys.argv.index("--") + 1 :] if "--" in sys.argv else []
MINUTES = float(GIVEN[0]) if GIVEN else 10.0
NEEDED = ("map_body", "add_root_bone", "suggest_cuts", "make_clips")  # by others, where these are asked for
OF_CLIPS = ("make_clips", "pack_set", "play_clip", "mirror_clip", "retime_clip", "contact_sheet")
EVERY_S = 0.01  # a redraw is asked for
draws: list[tuple[float, float]] = []  # when the view was drawn: wall, and processor time of this thread
ends: list[float] = []
spent = [0.0]  # seconds of the processor in our own part of the main thread since the last redraw
ours: list[float] = []  # the same in each redraw
pieces: list[float] = []  # seconds of the processor from yield to yield of the work
seen_esc: list[float] = []
asking = [True]


def now() -> tuple[float, float]:
    return time.perf_counter(), time.thread_time()


def main() -> None:
    takemill_addon.register()
    bpy.context.preferences.edit.undo_steps = 3  # each step holds a new Action of 240 MB
    bpy.context.preferences.view.show_splash = False
    bpy.ops.wm.open_mainfile(filepath=str(HOME / "sample_blends/marsh_ferry.blend"))
    lengthen(bpy.data.actions["marsh take"], round(MINUTES * 3600))
    show_bones_alone()
    bpy.types.SpaceView3D.draw_handler_add(note_draw, (), "WINDOW", "POST_PIXEL")
    end, runs = background.Job.end, background.Job.runs
    background.Job.end = lambda job, context: (end(job, context), ends.append(time.perf_counter()))
    begin = background.Job.__init__
    background.Job.__init__ = lambda job, context, title, steps: begin(job, context, title, Timed(steps))
    background.Job.runs = lambda job, context, event: timed(runs, job, context, event)
    bpy.app.timers.register(ask_for_redraw, first_interval=1.0, persistent=True)
    script = session()
    bpy.app.timers.register(lambda: next(script, None), first_interval=4.0, persistent=True)


class Timed:
    """Steps of which each piece is timed."""

    def __init__(self, steps) -> None:
        self.steps, self.close = steps, steps.close

    def __next__(self):
        begun = time.thread_time()
        try:
            return next(self.steps)
        finally:
            pieces.append(time.thread_time() - begun)


def note_draw() -> None:
    draws.append(now())
    ours.append(spent[0])
    spent[0] = 0.0


def timed(runs, job, context, event) -> bool:
    """A look at the work, and what it cost this thread."""
    if event.type == "ESC" and event.value == "PRESS":
        seen_esc.append(time.perf_counter())
    begun = time.thread_time()
    try:
        return runs(job, context, event)
    finally:
        spent[0] += time.thread_time() - begun


def show_bones_alone() -> None:
    view()["area"].spaces.active.shading.type = "WIREFRAME"
    for item in bpy.context.view_layer.objects:
        if item.type == "ARMATURE":
            item.data.display_type = "STICK"
        else:
            item.hide_set(True)


def lengthen(action, frames: int) -> None:
    """Play the take forth and back until it has so many frames: no joint jumps where it turns."""
    bag = action.layers[0].strips[0].channelbags[0]
    for curve in bag.fcurves:
        points = curve.keyframe_points
        keys = np.empty(2 * len(points), np.float32)
        points.foreach_get("co", keys)
        values = keys[1::2]
        if len(values) < 2:
            continue
        values = np.resize(np.concatenate([values, values[-2:0:-1]]), frames)
        points.clear()
        points.add(frames)
        keys = np.stack([np.arange(1, frames + 1, dtype=np.float32), values], axis=-1)
        points.foreach_set("co", keys.ravel())
        points.foreach_set("interpolation", np.ones(frames, np.uint8))
        curve.update()
    action.frame_end = frames
    bpy.context.scene.frame_end = frames


def window():
    return bpy.context.window_manager.windows[0]


def view() -> dict:
    area = next(one for one in window().screen.areas if one.type == "VIEW_3D")
    region = next(one for one in area.regions if one.type == "WINDOW")
    return {"window": window(), "area": area, "region": region}


def ask_for_redraw() -> float:
    if asking[0]:
        view()["area"].tag_redraw()
    return EVERY_S


def activate(name: str) -> None:
    for item in bpy.context.view_layer.objects:
        item.select_set(item.name == name)
    bpy.context.view_layer.objects.active = bpy.data.objects[name]


def say(name: str, start: tuple[float, float], stop: float, note: str = "") -> None:
    """A row: gaps between redraws from the start to the end of the work, and from there to a second later."""
    rows = [k for k, one in enumerate(draws) if start[0] <= one[0] <= stop]
    inside = [start, *(draws[k] for k in rows)]
    own = max((ours[k] for k in rows), default=0.0)
    own_end = next((ours[k] for k, one in enumerate(draws) if one[0] > stop), 0.0)
    last = inside[-1]
    after = [last, *(one for one in draws if one[0] > stop)]
    gaps = np.diff([*(one[0] for one in inside), stop])
    work = np.diff([one[1] for one in inside]) if len(inside) > 1 else np.zeros(1)
    tail = np.diff(after[:3], axis=0) if len(after) > 1 else np.zeros((1, 2))
    piece = max(pieces, default=0.0)
    figures = 1000 * np.array([gaps.max(), work.max(), own, piece, *tail.max(axis=0), own_end, undo_alone()])
    row = " ".join(f"{value:9.0f}" for value in figures)
    print(f"{name:26}{row}{stop - start[0]:9.1f}  {note}", flush=True)


def undo_alone() -> float:
    """Seconds of the processor in an undo step, with nothing of ours."""
    begun = time.thread_time()
    with bpy.context.temp_override(**view()):
        bpy.ops.ed.undo_push(message="nothing")
    return time.thread_time() - begun


def blender_alone():
    """The same of an Action that is copied and assigned: its undo step, and its evaluation with a redraw."""
    suit = bpy.data.objects["Suit"]
    suit.animation_data.action = suit.animation_data.action.copy()
    push, begun = undo_alone(), time.thread_time()
    with bpy.context.temp_override(**view()):
        bpy.context.view_layer.update()
        bpy.ops.wm.redraw_timer(type="DRAW_WIN", iterations=1)
    redraw = time.thread_time() - begun
    print(f"an Action copied: undo step {1000 * push:.0f} ms, evaluated {1000 * redraw:.0f}", flush=True)
    yield 0.5


def needed() -> tuple[str, ...]:
    return NEEDED if any(one in OF_CLIPS for one in GIVEN[1:]) else NEEDED[:2]


def work_of(name: str, dialog: bool = False, stop_after_s: float | None = None, **how):
    """Press an operator and wait for its end; in steps, since this is a timer of Blender's own."""
    operator = getattr(bpy.ops.takemill, name)
    if GIVEN[1:] and name not in (*GIVEN[1:], *needed()):
        return
    ends.clear()
    seen_esc.clear()
    pieces.clear()
    start = now()
    try:
        with bpy.context.temp_override(**view()):
            operator("INVOKE_DEFAULT", True, **how)
    except RuntimeError as problem:
        print(f"{name:26}{str(problem).strip()[:120]}", flush=True)
        return
    if dialog:
        yield 0.5
        start = now()
        for value in ("PRESS", "RELEASE"):
            window().event_simulate(type="RET", value=value)
        yield 0.1
    if not background.refusal():
        stop = time.perf_counter()
        if ends:
            stop = ends[-1]
        yield 1.5
        say(name, start, stop, "" if ends else "straight through")
        return
    while background.refusal():
        if stop_after_s is not None and time.perf_counter() - start[0] > stop_after_s:
            stop_after_s, count, start = None, len(bpy.data.actions), now()
            for value in ("PRESS", "RELEASE"):
                window().event_simulate(type="ESC", value=value)
            yield 0.02
            while background.refusal():
                yield 0.01
            seen = seen_esc[0] if seen_esc else ends[-1]
            waits, stops = 1000 * (seen - start[0]), 1000 * (ends[-1] - seen)
            left = f"Actions {count} -> {len(bpy.data.actions)} {stopped_left()}"
            print(f"{name:26}Esc: seen after {waits:.0f} ms, {stops:.0f} to the end; {left}", flush=True)
            return
        yield 0.05
    yield 1.5
    say(name, start, ends[-1])


def stopped_left() -> list[str]:
    return [one.name for one in bpy.data.actions if one.name.endswith((" repaired", " thin"))]


def without_browser(name: str) -> None:
    """Let an operator of files begin at once, with the file that it is given."""
    getattr(bpy.types, f"TAKEMILL_OT_{name}").invoke = lambda self, context, _: self.begin(context)


def written_take() -> str:
    """A BVH file of the take."""
    from takemill.files.bvh import write_bvh
    from takemill_addon.bridge.takes import stage

    path, suit = str(Path(bpy.app.tempdir, "long.bvh")), bpy.data.objects["Suit"]
    write_bvh(path, stage.work_on(bpy.context, suit, suit.animation_data.action).take.motion)
    return path


def session():
    """What is pressed, in the order of the work."""
    print(f"{MINUTES:g} minutes; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors; Blender "
          f"{bpy.app.version_string}", flush=True)  # fmt: skip
    heads = ("redraw", "of it", "of that", "longest", "at its", "of it", "of that", "undo", "")
    print(f"{'':26}{' '.join(f'{head:>9}' for head in heads)}", flush=True)
    heads = ("ms", "processor", "ours", "piece", "end", "processor", "ours", "alone", "s")
    print(f"{'operator':26}{' '.join(f'{head:>9}' for head in heads)}", flush=True)
    start = now()
    yield 3.0
    say("(nothing)", start, time.perf_counter())
    if "import_take" in GIVEN[1:] or not GIVEN[1:]:
        without_browser("import_take")
        yield from work_of("import_take", filepath=written_take())
    activate("Suit")
    yield from work_of("map_body")
    yield from work_of("add_root_bone")
    yield from work_of("repair_take", stop_after_s=1.0)
    yield from work_of("repair_take", stop_after_s=6.0)
    asking[0] = False
    yield from work_of("repair_take", stop_after_s=3.0)
    asking[0] = True
    yield from work_of("check_take")
    yield from work_of("find_contacts")
    yield from work_of("suggest_cuts")
    yield from work_of("make_clips")
    yield from work_of("suggest_idle")
    yield from work_of("trim_pose")
    count = len(bpy.data.actions)
    yield from work_of("repair_take")
    yield from undone(count)
    scene = bpy.context.scene.takemill
    characters.add(bpy.context.scene, bpy.data.objects["Courier"], recipe_of(bpy.context.scene))
    yield from work_of("fit_take")
    activate("Suit")
    yield from work_of("thin_keys")
    clip = next((k for k, one in enumerate(bpy.data.objects["Suit"].takemill.clips)), None)
    if clip is not None:
        scene.set_folder, scene.pack_characters = bpy.app.tempdir, "ACTIVE"
        yield from work_of("pack_set")
        yield from work_of("play_clip", index=clip)
        yield from work_of("mirror_clip")
        yield from work_of("retime_clip", dialog=True)
        without_browser("contact_sheet")
        sheet = Path(bpy.app.tempdir, "sheet.png")
        for stop_after_s in (8.0, None):
            yield from work_of("contact_sheet", stop_after_s=stop_after_s, filepath=str(sheet))
            if "contact_sheet" in GIVEN[1:] or not GIVEN[1:]:
                print(
                    f"{'':26}the picture is there: {sheet.exists()}; scenes {len(bpy.data.scenes)}",
                    flush=True,
                )
    yield from blender_alone()
    bound()
    yield from work_of("check_take")
    print("done", flush=True)
    os._exit(0)


def undone(before: int):
    """One undo takes the last operator back, whole."""
    made = len(bpy.data.actions)
    if made == before:
        return
    with bpy.context.temp_override(**view()):
        bpy.ops.ed.undo()
    yield 1.0
    print(f"{'':26}Actions {before}, {made} with it, {len(bpy.data.actions)} after one undo", flush=True)


def bound() -> None:
    """The raw take again, under a constraint, so that its poses must be evaluated."""
    suit, raw = bpy.data.objects["Suit"], bpy.data.actions["marsh take"]
    suit.animation_data.action, suit.animation_data.action_slot = raw, raw.slots[0]
    suit.pose.bones[0].constraints.new("LIMIT_SCALE")
    print("with a constraint:", flush=True)


main()
