"""The guide's first section done to the letter in Blender's window, by simulated input alone.

    python tests/benchmarks/guide_in_window.py

It runs in a desktop Blender (TAKEMILL_BLENDER, `window_start.py`), from a new file that was saved. Which panel is opened, which
button is pressed and which cuts are left ticked is read in docs/guide.md; a button is found by the words on it.
Printed: the seconds and those of the processor that each step takes, hands that feel for buttons included, how long
the work itself took, and what was packed.
"""

from __future__ import annotations

import json
import re
import shutil
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import window_start
from window_start import HOME, SAMPLES, SCRATCH

BLEND, TAKE = SCRATCH / "ferry.blend", SCRATCH / "marsh_take.bvh"
TICK = 0.13  # where the box of a list's row lies across the sidebar, as a share of it
ROW_PX = 20  # from one row of a list to the next, at a resolution scale of 1
SHOWN = 5  # rows of a list of cuts


def main() -> int:
    window_start.prepare()
    shutil.copy(SAMPLES / "marsh_take.bvh", TAKE)
    return window_start.run_inside(__file__)


def steps() -> list[tuple[str, str, list[str]]]:
    """The numbered steps of the guide: the panel, the button, and the names that stand in the text."""
    text = (HOME / "docs/guide.md").read_text(encoding="utf-8")
    part = text.partition("### Six clips in ten minutes\n")[2].partition("\n### ")[0]
    found = re.findall(r"^\d\. Panel (\w+): \*\*(.+?)\*\*\.((?:.*\n)(?: {3}.*\n)*)", part, re.MULTILINE)
    return [(panel, button, re.findall(r"`([a-z0-9_]+)`", more)) for panel, button, more in found]


def inside() -> None:
    import bpy
    from window_hands import Hands, perform

    bpy.context.preferences.view.show_splash = False
    bpy.context.preferences.use_preferences_save = False
    bpy.ops.wm.save_as_mainfile(filepath=str(BLEND))  # a new file, whose folder file browsers begin in
    hands = Hands()
    perform(hands, follow(bpy, hands))


def follow(bpy, hands):
    """Do what each step says, in the tab of the sidebar."""
    yield from window_start.install(hands)
    begun, busy = time.monotonic(), time.process_time()
    names = {getattr(bpy.ops.takemill, one).get_rna_type().name: one for one in dir(bpy.ops.takemill)}
    print("   seconds  processor  work", flush=True)
    for number, (panel, button, words) in enumerate(steps(), start=1):
        at, used = time.monotonic(), time.process_time()
        yield from hands.press(names[button], panel.lower())
        if button == "Import Take":
            yield from hands.choose_file(TAKE)
            yield from hands.until(lambda: TAKE.stem in bpy.data.actions, "the take is there")
            yield from hands.rest()
        work = hands.worked
        if words and panel == "Cuts":
            yield from leave_ticked(bpy, hands, words)
        seconds, used = time.monotonic() - at, time.process_time() - used
        print(f"{number}. {seconds:7.1f}  {used:9.1f}  {work:4.1f}  {panel}: {button}", flush=True)
    print(f"all: {time.monotonic() - begun:.0f} s, of the processor {time.process_time() - busy:.0f} s")
    tell(json.loads((SCRATCH / "clips/clips.json").read_text(encoding="utf-8")))
    assert (SCRATCH / "clips/report.html").is_file()


def leave_ticked(bpy, hands, wanted):
    """Go down the list and click the box of each row that is not wanted."""
    known = bpy.context.view_layer.objects.active.animation_data.action.takemill
    assert set(wanted) <= set(known.cuts.keys()), "cuts are missing"
    x, top = yield from hands.find(lambda text: text.endswith("cuts[0].use"), TICK)
    area, region = hands.area(), hands.region("UI")
    step = round(ROW_PX * hands.scale)
    for number, cut in enumerate(known.cuts):
        if number >= SHOWN:  # the wheel over a list brings the next row
            yield from hands.key("WHEELDOWNMOUSE")
            yield 0.2
        if cut.name in wanted:
            continue
        y = top - step * min(number, SHOWN - 1)
        found = yield from hands.feel(x, y, region, area)
        assert found.endswith(f"cuts[{number}].use"), f"row {number}: under the pointer is {found}"
        yield from hands.click(x, y)
        yield from hands.until(lambda cut=cut: not cut.use, f"{cut.name} is left out")
    assert {cut.name for cut in known.cuts if cut.use} == set(wanted)


def tell(facts) -> None:
    """What was packed."""
    print(f"{len(facts['clips'])} clips in {facts['name']}:")
    for clip in facts["clips"]:
        seam = clip["seam"]["quality"] if clip["loop"] else "no loop"
        print(f"  {clip['name']:24} {clip['kind']:12} {clip['duration_s']:5.2f} s  {seam}")


if __name__ == "__main__":
    if "inside" in sys.argv:
        inside()
    else:
        sys.exit(main())
