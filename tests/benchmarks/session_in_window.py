"""An animator's work in Blender's window, from the extension's zip to packed sets, by simulated input alone.

    python tests/benchmarks/session_in_window.py

It runs in a desktop Blender (TAKEMILL_BLENDER, `window_start.py`). Each press is a click on a button that was found
under the pointer (`window_hands.py`). A finding is left on purpose and the bad seam of a loop is exchanged on the way; all is undone
back to the raw take, whose keys are as they came, done again, saved and opened again. What is wrong ends it.
Printed: each step, and how long at most Blender's main thread computed at a stretch.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import window_start
from window_start import SAMPLES, SCRATCH

CAST = ("Ferrywoman", "Lamplighter")
LEFT_OUT = "Courier"
LOOP = "walk_forward_loop_01"
# Where buttons lie across the sidebar, as shares of it: at the end of a list that is alone and of one with buttons
# beside it, those buttons, and the box at a row's start.
LOCK, IN_LIST, BESIDE_LIST, TICK, NEXT = 0.8, 0.7, 0.92, 0.13, 0.55
FRAMES = 3000  # of the take, at 60 a second
BEFORE_BUTTON_PX = 20  # in a list's row, a place that is no button


def main() -> int:
    window_start.prepare()
    shutil.copy(SAMPLES / "marsh_ferry.blend", SCRATCH)
    shorten(SAMPLES / "marsh_take.bvh", SCRATCH / "marsh_take.bvh")
    return window_start.run_inside(__file__, str(SCRATCH / "marsh_ferry.blend"))


def shorten(take: Path, place: Path) -> None:
    """The first frames of a take: an idle, a walk and a turn."""
    head, frames = take.read_text(encoding="utf-8").split("Frames:")
    _, each, *lines = frames.splitlines()
    text = "\n".join([f"{head}Frames: {FRAMES}", each, *lines[:FRAMES], ""])
    place.write_text(text, encoding="utf-8")


def inside() -> None:
    import bpy
    from window_hands import Hands, perform

    bpy.context.preferences.view.show_splash = False
    bpy.context.preferences.use_preferences_save = False
    bpy.context.preferences.edit.undo_steps = 64  # the whole way back
    bpy.data.objects.remove(bpy.data.objects["Suit"])  # the take is imported
    bpy.data.actions.remove(bpy.data.actions["marsh take"])
    for name in ("Dock", "Reeds", "Water", "Suit body"):  # without a window's own graphics they take long
        bpy.data.objects[name].hide_set(True)
    hands = Hands()
    perform(hands, Session(hands).run())


class Session:
    """The work, step after step; each is checked by what it left in the file."""

    def __init__(self, hands) -> None:
        import bpy

        self.bpy, self.hands = bpy, hands

    @property
    def rig(self):
        return self.bpy.context.view_layer.objects.active

    @property
    def action(self):
        return self.rig.animation_data.action

    @property
    def chosen(self):
        return self.bpy.context.scene.takemill

    def run(self):
        steps = (
            self.install, self.import_take, self.check, self.repair, self.cut, self.fit, self.make, self.exchange_seam,
            self.pack, self.undo, self.reopen,
        )  # fmt: skip
        for step in steps:
            yield from step()
            print(f"done: {step.__name__.replace('_', ' ')}", flush=True)
        print("the main thread computed at a stretch, at most, ms of the processor:")
        for name, seconds in sorted(self.hands.held.items(), key=lambda one: -one[1]):
            print(f"  {name or 'all else'}: {1000 * seconds:.0f}")

    def install(self):
        yield from window_start.install(self.hands)

    def import_take(self):
        yield from self.hands.press("import_take", "take")
        yield from self.hands.choose_file(SCRATCH / "marsh_take.bvh")
        yield from self.hands.until(lambda: "marsh_take" in self.bpy.data.actions, "the take is there")
        assert self.action.name == "marsh_take", self.action.name
        self.raw = digest(self.action)
        yield from self.hands.press("add_root_bone", "body")
        assert "root" in self.rig.data.bones

    def check(self):
        """A finding is clicked, which goes there, and is accepted by its lock."""
        yield from self.hands.press("check_take", "check")
        known = self.action.takemill
        assert len(known.findings) > 30, len(known.findings)
        number = next(k for k, one in enumerate(known.findings) if one.joint)
        self.finding = known.findings[number]
        yield from self.row("accept_finding", LOCK, known, "finding_index", number)
        assert self.bpy.context.scene.frame_current == self.finding.start, (
            self.bpy.context.scene.frame_current
        )
        assert self.rig.data.bones.active.name == self.finding.joint
        yield from self.hands.press("accept_finding", across=LOCK, index=number)
        assert known.findings[number].accepted
        self.finding = (self.finding.kind, self.finding.joint, self.finding.start)

    def repair(self):
        yield from self.hands.press("repair_take", "repair")
        assert self.action.name == "marsh_take repaired", self.action.name
        rows = {(one.kind, one.joint, one.start): one for one in self.action.takemill.findings}
        assert rows[self.finding].accepted
        assert not rows[self.finding].repaired, "it was repaired all the same"
        assert sum(one.repaired for one in rows.values()) > 30

    def cut(self):
        """The end of a loop is moved to where it does not meet its start."""
        yield from self.hands.press("suggest_cuts", "cuts")
        known = self.action.takemill
        assert len(known.cuts) > 5, len(known.cuts)
        number = known.cuts.find(LOOP)
        yield from self.row("preview_cut", IN_LIST, known, "cut_index", number)
        assert not known.cuts[LOOP].search, "a suggested loop of a gait has the ends that were found for it"
        end = known.cuts[LOOP].end + 20
        yield from self.hands.fill("end", str(end))
        assert known.cuts[LOOP].end == end, known.cuts[LOOP].end

    def row(self, operator, across, known, field, number):
        """Click the row of a list that has this button of an operator; it becomes the chosen one."""
        x, y = yield from self.hands.hover(operator, across=across, index=number)
        for _ in range(3):  # a list that is drawn anew meanwhile hears nothing
            yield from self.hands.click(x - BEFORE_BUTTON_PX, y)
            yield 2.0
            if getattr(known, field) == number:
                break
        assert getattr(known, field) == number, f"row {number} is not chosen"
        yield 1.0

    def fit(self):
        yield from self.hands.press("add_characters", "characters", BESIDE_LIST)
        rows = self.chosen.characters
        assert {one.armature.name for one in rows} == {*CAST, LEFT_OUT}
        number = next(k for k, one in enumerate(rows) if one.armature.name == LEFT_OUT)
        place = yield from self.hands.find(lambda text: text.endswith(f"characters[{number}].use"), TICK)
        yield from self.hands.click(*place)
        yield from self.hands.until(lambda: not rows[number].use, f"{LEFT_OUT} is left out")
        assert {one.armature.name for one in rows if one.use} == {*CAST}
        yield from self.hands.press("fit_take")
        for name in CAST:
            assert self.bpy.data.objects[name].animation_data.action.name == self.action.name + f" {name}"

    def make(self):
        yield from self.hands.press("make_clips", "clips")
        for name in (self.rig.name, *CAST):
            clips = self.bpy.data.objects[name].takemill.clips
            assert len(clips) > 5, (name, len(clips))
            assert not repeats(clips[LOOP]), "the spoiled loop was closed"

    def exchange_seam(self):
        """The clip leads to its other seams; the second is played, used, and the clips are made anew."""
        known = self.rig.takemill
        yield from self.row("play_clip", IN_LIST, known, "clip_index", known.clips.find(LOOP))
        yield from self.hands.press("other_seams")
        cut = self.action.takemill.cuts[LOOP]
        assert len(cut.seams) > 1
        yield from self.hands.press("play_seam", "cuts", NEXT, step=1)
        assert self.bpy.context.screen.is_animation_playing
        yield from self.hands.press("stop_loop", "clips")
        assert not self.bpy.context.screen.is_animation_playing
        seam = cut.seams[cut.seam_index]
        yield from self.hands.press("use_seam", "cuts", 0.8)
        cut = self.action.takemill.cuts[LOOP]
        assert (cut.start, cut.end) == (seam.start, seam.end)
        yield from self.hands.press("make_clips", "clips")
        for name in (self.rig.name, *CAST):
            assert repeats(self.bpy.data.objects[name].takemill.clips[LOOP]), name

    def pack(self):
        place = SCRATCH / "sets"
        yield from self.hands.fill("set_folder", str(place), "pack")
        yield from self.hands.fill("max_error_mm", "0.7")
        yield from self.hands.press("pack_set")
        for name in CAST:
            facts = json.loads((place / name / "clips.json").read_text(encoding="utf-8"))
            loops = {one["name"] for one in facts["clips"] if one["loop"]}
            assert LOOP in loops, name

    def undo(self):
        """Back to the take as it was imported, and all of it again."""
        done, back = settings(self.bpy), 0
        while any(one.takemill.repaired for one in self.bpy.data.actions) or "root" in self.rig.data.bones:
            yield from self.undone()
            back += 1
            assert back < 64, "the way back has no end"
        assert digest(self.action) == self.raw, "the raw take was changed"
        for _ in range(back):
            yield from self.undone(shift=True)
        assert settings(self.bpy) == done, "what was undone is not there again"
        assert digest(self.bpy.data.actions["marsh_take"]) == self.raw, "the raw take was changed"
        print(f"{back} steps undone and done again", flush=True)

    def undone(self, **how):
        region = self.hands.region("WINDOW")
        yield from self.hands.move(region.x + region.width // 3, region.y + region.height // 2)
        yield from self.hands.key("Z", ctrl=True, **how)
        yield 1.0

    def reopen(self):
        """Saved by Ctrl S, opened by Ctrl O: all settings are there."""
        done = settings(self.bpy)
        yield from self.hands.key("S", ctrl=True)
        yield from self.hands.until(lambda: not self.bpy.data.is_dirty, "the file is saved")
        yield from self.hands.key("O", ctrl=True)
        yield from self.hands.choose_file(SCRATCH / "marsh_ferry.blend")
        yield 3.0
        assert settings(self.bpy) == done, "something is not there again"
        assert digest(self.bpy.data.actions["marsh_take"]) == self.raw, "the raw take was changed"


def repeats(clip) -> bool:
    """Whether a clip of the list is a loop."""
    return bool(json.loads(clip.action.takemill.record).get("candidate"))


def settings(bpy) -> dict:
    """All that the add-on keeps in the file: of the scene, of armatures and of Actions, by name."""
    owners = [
        *bpy.data.scenes,
        *bpy.data.actions,
        *(one for one in bpy.data.objects if one.type == "ARMATURE"),
    ]
    return {one.name: values(one.takemill) for one in owners}


def values(group) -> dict:
    """The fields of a group of properties, with those of its rows."""
    found = {}
    for one in group.bl_rna.properties:
        value = getattr(group, one.identifier)
        if one.type == "COLLECTION":
            value = [values(row) for row in value]
        elif one.type == "POINTER":
            value = getattr(value, "name", None)
        elif getattr(one, "is_array", False):
            value = tuple(value)
        found[one.identifier] = value
    return found


def digest(action) -> str:
    """Of all keys of an Action, and of what it is."""
    import numpy as np

    found = hashlib.sha256()
    for curve in action.layers[0].strips[0].channelbags[0].fcurves:
        keys = np.empty(2 * len(curve.keyframe_points), np.float32)
        curve.keyframe_points.foreach_get("co", keys)
        found.update(f"{curve.data_path} {curve.array_index}".encode())
        found.update(keys.tobytes())
    return found.hexdigest()


if __name__ == "__main__":
    if "inside" in sys.argv:
        inside()
    else:
        sys.exit(main())
