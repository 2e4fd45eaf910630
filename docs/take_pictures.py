"""Take the pictures of README and guide anew: `python docs/take_pictures.py [NAME ...]`.

The pages are packed from the samples and shown by Chromium. marsh_ferry is rendered by Blender's module
(bpy), without a window. For the pictures of Blender's window, TAKEMILL_BLENDER is the command of a desktop
Blender (4.5 or later) that can open one, on a virtual screen too; it runs this file again inside.
"""

from __future__ import annotations

import math
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HOME = Path(__file__).resolve().parents[1]
PICTURES = HOME / "docs/pictures"
SAMPLES = HOME / "sample_blends"
PAGES = {
    "health-page": (1200, 1600),
    "report": (1100, 1160),
    "report-side-by-side": (1100, 1125),
    "watch-page": (1200, 1250),
}  # width and height in pixels
VIEWS = {  # the panels that are open in a picture
    "blender-import": ("take", "body"),
    "blender-check": ("take", "check", "repair"),
    "blender-cuts": ("take", "cuts"),
    "blender-fit": ("take", "characters"),
    "blender-clips": ("take", "clips", "pack"),
    "blender-overlays": ("overlays",),
    "blender-in-time": (),
}
SCENE = "marsh_ferry"
_MOMENTS = {  # seconds of the take, and how far each is turned on the spot in degrees, in SCENE
    "Ferrywoman": (34.6, 0),
    "Lamplighter": (2.0, 0),
    "Courier": (62.35, 214),
    "Suit": (83.9, -66),
}
_WIDTH, _HEIGHT = 1320, 900
_SEEN = {"blender-in-time": 300}  # how much of the window's height is kept, from below, where not all
_WAIT_S = 1.5  # for the window to be drawn


def main(names: list[str]) -> None:
    """Take all pictures, or those that are named."""
    sys.path[:0] = [str(HOME / "core"), str(HOME / "tests")]
    from moving_pictures import MOVING

    wanted = names or [SCENE, *PAGES, *VIEWS, *MOVING]
    with tempfile.TemporaryDirectory() as scratch:
        for name in wanted:
            if name == SCENE:
                _scene()
            elif name in PAGES:
                _page(name, Path(scratch))
            elif name in MOVING:
                _view(f"{name}.gif", MOVING[name].window)
            else:
                _view(f"{name}.png")
            print(name, flush=True)


def _page(name: str, scratch: Path) -> None:
    from chromium import browse
    from takemill.shell import cli

    if name == "watch-page":
        _watched(scratch)
        return
    take = str(SAMPLES / "marsh_take.bvh")
    page = scratch / "page.html"
    if name == "health-page":
        cli.main(["check", take, "--html", str(page)])
    elif name == "report-side-by-side":
        page = _side_by_side(scratch, take)
    else:
        recipe = str(SAMPLES / "marsh_set.toml")
        cli.main(["pack", take, "--recipe", recipe, "--out", str(scratch / "set")])
        page = scratch / "set" / "report.html"
    width, height = PAGES[name]
    browse(page, f"--screenshot={PICTURES / name}.png", width=width, height=height)


def _watched(scratch: Path) -> None:
    """The page of a watched folder: parts of the sample take, whose right forearm's sensor grows worse."""
    import numpy as np

    from chromium import browse_address
    from takemill.files.bvh import read_bvh
    from takemill.maths import quat
    from takemill.recipe.recipe import Recipe
    from takemill.sets.take_files import body_in
    from takemill.watch.loopback import Board, served
    from takemill.watch.session import judge_session
    from takemill.watch.take_verdict import judge_take_alone
    from takemill.watch.watcher import Shown

    whole, _ = read_bvh(SAMPLES / "marsh_take.bvh")
    body, rng = body_in(whole, Recipe()), np.random.default_rng(19)
    arm, hand, shin = map(body.require, ("rightLowerArm", "rightHand", "leftLowerLeg"))
    names = [f"{word}_{n:02}" for n in (1, 2) for word in ("wade", "pole", "shove", "look_out", "turn")]
    takes = []
    for k, name in enumerate(names):
        part = whole.slice(600 * k, 600 * (k + 1))
        turns = part.rotations.copy()
        noise = rng.normal(0.0, np.radians(0.15 * k), (len(part), 3))
        turns[:, arm] = quat.mul(turns[:, arm], quat.exp(noise))
        turns[:, hand] = quat.mul(quat.exp(-noise), turns[:, hand])  # its own sensor is as it was
        for start in {6: (200,), 9: (100, 220, 400)}.get(k, ()):
            turns[start : start + 9, shin] = turns[start, shin]
        takes.append(judge_take_alone(name, part.with_rotations(turns), body, Recipe(), True))
    shots = {
        "wade": "locomotion",
        "pole": "",
        "shove": "",
        "cast_off": "strike",
        "look_out": "idle",
        "moor": "",
    }
    board = Board(Shown("tuesday", judge_session(takes, shots), ("moor_01.bvh",)))
    width, height = PAGES["watch-page"]
    with served(board, 0) as address:
        shot = f"--screenshot={PICTURES / 'watch-page.png'}"
        browse_address(address, scratch / "profile", shot, width=width, height=height)


def _side_by_side(scratch: Path, take: str) -> Path:
    """The card of a clip in a report for the samples' three characters, its moments unfolded."""
    import bpy

    sys.path.insert(0, str(HOME / "blender_addon"))
    import takemill_addon
    from takemill.shell import cli
    from takemill_addon.bridge.rigs.export_rig import export_rig

    takemill_addon.register()
    bpy.ops.wm.open_mainfile(filepath=str(SAMPLES / "marsh_ferry.blend"))
    more = []
    for one in ("Courier", "Ferrywoman", "Lamplighter"):
        rig = scratch / f"{one.lower()}.glb"
        rig.write_bytes(export_rig(bpy.context, bpy.data.objects[one]))
        more += ["--to", str(rig)]
    recipe = scratch / "set.toml"
    recipe.write_text('[[clip]]\nname = "walk"\nfrom = 31.0\nto = 42.0\nloop = true\nroot_motion = "root"\n')
    cli.main(["pack", take, "--recipe", str(recipe), *more, "--out", str(scratch / "sets")])
    text = (scratch / "sets" / "courier" / "report.html").read_text(encoding="utf-8")
    hidden = "body > *, main > *, .clip > .halves { display: none }"
    alone = f"<style>{hidden} main, main > .clip {{ display: block }} "
    text = text.replace("</head>", f"{alone}</style></head>").replace(
        "<details><summary>The", "<details open><summary>The"
    )
    page = scratch / "page" / "page.html"
    page.parent.mkdir()
    page.write_text(text, encoding="utf-8")
    return page


def _scene() -> None:
    """The take's performer and the three characters that it is fitted to, each at a moment of the take."""
    import bpy

    sys.path.insert(0, str(HOME / "blender_addon"))
    import takemill_addon

    takemill_addon.register()
    bpy.ops.wm.open_mainfile(filepath=str(SAMPLES / "marsh_ferry.blend"))
    scene = bpy.context.scene
    _work_on(bpy.context, "Suit")
    bpy.ops.takemill.map_body()
    bpy.ops.takemill.repair_take()
    bpy.ops.takemill.add_characters()
    bpy.ops.takemill.fit_take()
    poses = {name: _pose_at(scene.objects[name], *moment) for name, moment in _MOMENTS.items()}
    for name, pose in poses.items():
        scene.objects[name].animation_data.action = None
        for bone, matrix in pose.items():
            scene.objects[name].pose.bones[bone].matrix_basis = matrix
    scene.render.engine, scene.cycles.device, scene.cycles.samples = "CYCLES", "CPU", 64
    scene.render.resolution_x, scene.render.resolution_y = 1200, 600
    scene.render.image_settings.file_format = "PNG"
    scene.render.image_settings.compression = 100
    for name in dir(scene.render):  # what would be written into the file, a path of this machine among it
        if name.startswith("use_stamp_"):
            setattr(scene.render, name, False)
    scene.render.filepath = str(PICTURES / f"{SCENE}.png")
    bpy.ops.render.render(write_still=True)


def _pose_at(rig, seconds: float, turn_deg: float) -> dict:
    """What each bone of a rig does then, at the place where the rig stands."""
    import bpy
    from mathutils import Matrix

    scene = bpy.context.scene
    scene.frame_set(scene.frame_start + round(seconds * scene.render.fps))
    hips = rig.pose.bones[next(part.bone for part in rig.takemill.parts if part.name == "hips")]
    root = next((bone for bone in hips.parent_recursive if bone.parent is None), hips)
    there, place = (rig.matrix_world @ hips.matrix).translation, rig.matrix_world.translation
    moved = Matrix.Translation((*place.xy, 0)) @ Matrix.Rotation(math.radians(turn_deg), 4, "Z")
    moved @= Matrix.Translation((*-there.xy, 0))
    root.matrix = rig.matrix_world.inverted() @ moved @ rig.matrix_world @ root.matrix
    return {bone.name: bone.matrix_basis.copy() for bone in rig.pose.bones}


def _view(file: str, window: tuple[int, int] = (_WIDTH, _HEIGHT)) -> None:
    name = file.partition(".")[0]
    command = shlex.split(os.environ.get("TAKEMILL_BLENDER", "blender"))
    size = ["--window-geometry", "0", "0", *map(str, window)]
    blend = str(SAMPLES / "marsh_ferry.blend")
    subprocess.run(
        [*command, "--factory-startup", *size, blend, "--python", __file__, "--", name], check=True, cwd=HOME
    )
    if not (PICTURES / file).is_file():
        raise SystemExit(f"{name}: Blender left no picture")


def in_blender(name: str) -> None:
    """Bring the scene into the state that a picture shows, wait till it is drawn, and save the window."""
    import bpy

    sys.path[:0] = [str(HOME / "core"), str(HOME / "blender_addon"), str(HOME / "docs")]
    import moving_pictures

    import takemill_addon
    from takemill_addon import panels

    takemill_addon.register()
    for cls in panels.CLASSES:  # whether a panel is open cannot be set: the others are left out
        if cls.__name__.startswith("TAKEMILL_PT_") and cls.__name__[12:] not in VIEWS.get(name, ()):
            bpy.utils.unregister_class(cls)
        elif getattr(cls, "bl_options", None) == {"DEFAULT_CLOSED"}:
            bpy.utils.unregister_class(cls)
            cls.bl_options = set()
            bpy.utils.register_class(cls)
    bpy.context.preferences.view.show_splash = False

    bpy.context.preferences.use_preferences_save = False
    still = (
        lambda: in_view(_STATES[name]),
        lambda: in_view(_AFTER.get(name, _maximise)),
        _show_tab,
        lambda: shoot(PICTURES / f"{name}.png", _WIDTH, _SEEN.get(name, _HEIGHT)),
    )
    steps = moving_pictures.steps(name) if name in moving_pictures.MOVING else iter(still)

    def go_on() -> float | None:
        """One step after the other, each with the window drawn before it."""
        step = next(steps, None)
        if step is None:
            bpy.ops.wm.quit_blender()
            return None
        step()
        return _WAIT_S

    bpy.app.timers.register(go_on, first_interval=_WAIT_S)


def in_view(step) -> None:
    """Do a step in the largest 3D view, its sidebar shown."""
    import bpy

    window = bpy.context.window_manager.windows[0]
    area = max(window.screen.areas, key=lambda one: (one.type == "VIEW_3D", one.width * one.height))
    area.spaces.active.show_region_ui = True
    region = next(one for one in area.regions if one.type == "WINDOW")
    with bpy.context.temp_override(window=window, area=area, region=region):
        step(bpy.context)


def _maximise(context) -> None:
    """The view alone, in front of those who stand on the landing."""
    import bpy
    from mathutils import Euler

    view = context.space_data.region_3d
    view.view_perspective, view.view_distance = "PERSP", 7.0
    context.space_data.overlay.show_extras = False  # frames of cameras and lamps
    view.view_location = context.view_layer.objects.active.matrix_world.translation * 0.5
    view.view_location.z = 0.9
    view.view_rotation = Euler((1.45, 0, 0)).to_quaternion()
    bpy.ops.screen.screen_full_area()


def maximise_over_body(context) -> None:
    """The view alone, nearer than where the landing is seen, from above."""
    from mathutils import Euler

    place = context.space_data.region_3d.view_location.copy()
    _maximise(context)
    view = context.space_data.region_3d
    view.view_location, view.view_distance = place, 3.6
    view.view_rotation = Euler((1.15, 0, 0.5)).to_quaternion()


def maximise_time(context) -> None:
    """The Timeline alone, over the preview range."""
    import bpy

    context.space_data.show_region_ui = context.space_data.show_region_channels = False
    bpy.ops.action.view_all()
    bpy.ops.screen.screen_full_area()


def _show_tab() -> None:
    import bpy

    for area in bpy.context.window_manager.windows[0].screen.areas:
        for region in area.regions:
            if area.type == "VIEW_3D" and region.type == "UI":
                region.active_panel_category = "Takemill"
                area.tag_redraw()


def shoot(path: Path, width: int, height: int) -> None:
    """Save what is seen of the window, so much of it from below."""
    import bpy

    # Of ImageMagick: what a virtual screen shows; there Blender's own picture is black.
    if shutil.which("import"):
        crop = ["-gravity", "SouthWest", "-crop", f"{width}x{height}+0+0", "+repage"]
        subprocess.run(["import", "-window", "root", *crop, str(path)], check=True)
        return
    with bpy.context.temp_override(window=bpy.context.window_manager.windows[0]):
        bpy.ops.screen.screenshot(filepath=str(path))


def _work_on(context, name: str):
    from takemill_addon.bridge.takes import stage

    armature = context.scene.objects[name]
    stage.activate(context, armature)
    return armature


def _import(context) -> None:
    """The take brought in from its file, its body mapped, and what it was read as."""
    import bpy

    for item in context.scene.objects:
        item.select_set(False)
    context.view_layer.objects.active = None
    bpy.ops.takemill.import_take(filepath=str(SAMPLES / "marsh_take.bvh"))
    bpy.ops.takemill.map_body()
    context.scene.frame_set(1960)


def _check(context) -> None:
    """The take checked and its repair previewed, a spike chosen."""
    import bpy

    suit = _work_on(context, "Suit")
    bpy.ops.takemill.map_body()
    bpy.ops.takemill.check_take()
    bpy.ops.takemill.preview_repair()
    known = suit.animation_data.action.takemill
    known.finding_index = next(k for k, one in enumerate(known.findings) if one.kind == "spike")


def _cuts(context) -> None:
    """The cuts of the recipe, and the seams that the walk could have."""
    import bpy

    suit = _work_on(context, "Suit")
    bpy.ops.takemill.map_body()
    bpy.ops.takemill.repair_take()
    bpy.ops.takemill.load_recipe(filepath=str(SAMPLES / "marsh_set.toml"))
    known = suit.animation_data.action.takemill
    known.cut_index = known.cuts.find("walk")
    bpy.ops.takemill.list_seams()
    context.scene.frame_set(1960)


def _fit(context, cuts: bool = False) -> None:
    """The repaired take on the ferrywoman, in a step; with the recipe's cuts, if they are wanted."""
    import bpy

    _work_on(context, "Suit")
    bpy.ops.takemill.map_body()
    bpy.ops.takemill.repair_take()
    if cuts:
        bpy.ops.takemill.load_recipe(filepath=str(SAMPLES / "marsh_set.toml"))
    bpy.ops.takemill.add_characters()
    for number, row in enumerate(context.scene.takemill.characters):
        row.use = row.armature.name == "Ferrywoman"
        if row.use:
            context.scene.takemill.character_index = number
    bpy.ops.takemill.fit_take()
    context.scene.frame_set(1960)


def clips(context) -> None:
    """The recipe's clips, and the walk previewed with its seam in the middle."""
    import bpy

    _fit(context, cuts=True)
    bpy.ops.takemill.make_clips()
    _work_on(context, "Ferrywoman")
    clips = context.view_layer.objects.active.takemill.clips
    bpy.ops.takemill.play_clip(index=clips.find("walk"))
    bpy.ops.takemill.preview_loop(centred=True, with_root_motion=False)
    bpy.ops.screen.animation_cancel(restore_frame=False)
    context.scene.takemill.set_folder = "/projects/ferry/clips"  # whole paths are shown: no path of a machine


def overlays(context) -> None:
    """The take and its repair on a walk, with what shows both."""
    import bpy

    suit = _with_lists(context)
    bpy.ops.takemill.check_take()
    bpy.ops.takemill.repair_take()
    known = suit.animation_data.action.takemill
    known.cut_index = known.cuts.find("walk")
    _switch_on(context, ("findings", "ghost", "feet", "root_path", "floor", "seam"))
    context.scene.frame_set(1995)
    bpy.ops.takemill.read_take()
    hips = suit.matrix_world @ suit.pose.bones["Hips"].head
    context.space_data.region_3d.view_location = hips


def in_time(context) -> None:
    """Findings, cuts, planted feet and events of the take, in a high timeline."""
    import bpy

    _with_lists(context)
    bpy.ops.takemill.check_take()
    _switch_on(context, ("time_findings", "time_cuts", "time_contacts", "time_events"))
    bpy.ops.takemill.read_take()
    context.scene.frame_set(1995)
    area = context.area
    area.type = "DOPESHEET_EDITOR"
    area.spaces.active.mode = "TIMELINE"


def _with_lists(context):
    """The performer, with the recipe's cuts."""
    import bpy

    suit = _work_on(context, "Suit")
    bpy.ops.takemill.map_body()
    bpy.ops.takemill.load_recipe(filepath=str(SAMPLES / "marsh_set.toml"))
    return suit


def _switch_on(context, names) -> None:
    """Just these overlays."""
    from takemill_addon.properties.preferences import names_of, overlay_settings

    settings = overlay_settings(context)
    for name in names_of("show_"):
        setattr(settings, name, name[5:] in names)


_STATES = {
    "blender-overlays": overlays,
    "blender-in-time": in_time,
    "blender-import": _import,
    "blender-check": _check,
    "blender-cuts": _cuts,
    "blender-fit": _fit,
    "blender-clips": clips,
}
_AFTER = {"blender-overlays": maximise_over_body, "blender-in-time": maximise_time}
"""What shows the state, where it is not the landing."""


if __name__ == "__main__":
    if "--" in sys.argv and "bpy" in sys.modules:
        in_blender(sys.argv[sys.argv.index("--") + 1])
    else:
        main(sys.argv[1:])
