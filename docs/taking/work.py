"""States of the work on the sample scene, as pictures show them; each is a function of Blender's context."""

from __future__ import annotations

from .places import RECIPE, TAKE

WALK_FRAME = 1960
"""A frame of the sample's walk, with both feet on the floor."""


def register_once() -> None:
    """Register the add-on, where this process has not done so yet."""
    import bpy

    import takemill_addon

    if not hasattr(bpy.types.Scene, "takemill"):
        takemill_addon.register()


def activate(context, name: str):
    """Make an armature the active one, in pose mode as the panels do."""
    from takemill_addon.bridge.takes import stage

    armature = context.scene.objects[name]
    stage.activate(context, armature)
    return armature


def imported(context) -> None:
    """The take brought in from its file, its body mapped, and what it was read as."""
    import bpy

    for item in context.scene.objects:
        item.select_set(False)
    context.view_layer.objects.active = None
    bpy.ops.takemill.import_take(filepath=str(TAKE))
    bpy.ops.takemill.map_body()
    context.scene.frame_set(WALK_FRAME)


def checked(context) -> None:
    """The take checked and its repair previewed, a spike chosen."""
    import bpy

    suit = activate(context, "Suit")
    bpy.ops.takemill.map_body()
    bpy.ops.takemill.check_take()
    bpy.ops.takemill.preview_repair()
    known = suit.animation_data.action.takemill
    known.finding_index = next(k for k, one in enumerate(known.findings) if one.kind == "spike")


def cut(context) -> None:
    """The cuts of the recipe, and the seams that the walk could have."""
    import bpy

    suit = activate(context, "Suit")
    bpy.ops.takemill.map_body()
    bpy.ops.takemill.repair_take()
    bpy.ops.takemill.load_recipe(filepath=str(RECIPE))
    known = suit.animation_data.action.takemill
    known.cut_index = known.cuts.find("walk")
    bpy.ops.takemill.list_seams()
    context.scene.frame_set(WALK_FRAME)


def fitted(context, cuts: bool = False) -> None:
    """The repaired take on the ferrywoman, in a step; with the recipe's cuts, if they are wanted."""
    import bpy

    activate(context, "Suit")
    bpy.ops.takemill.map_body()
    bpy.ops.takemill.repair_take()
    if cuts:
        bpy.ops.takemill.load_recipe(filepath=str(RECIPE))
    bpy.ops.takemill.add_characters()
    for number, row in enumerate(context.scene.takemill.characters):
        row.use = row.armature.name == "Ferrywoman"
        if row.use:
            context.scene.takemill.character_index = number
    bpy.ops.takemill.fit_take()
    context.scene.frame_set(WALK_FRAME)


def clips_made(context) -> None:
    """The recipe's clips, and the walk previewed with its seam in the middle."""
    import bpy

    fitted(context, cuts=True)
    bpy.ops.takemill.make_clips()
    activate(context, "Ferrywoman")
    clips = context.view_layer.objects.active.takemill.clips
    bpy.ops.takemill.play_clip(index=clips.find("walk"))
    bpy.ops.takemill.preview_loop(centred=True, with_root_motion=False)
    bpy.ops.screen.animation_cancel(restore_frame=False)
    context.scene.takemill.set_folder = "/projects/ferry/clips"  # whole paths are shown: no path of a machine


def overlaid(context) -> None:
    """The take and its repair on a walk, with what shows both."""
    import bpy

    suit = _with_cuts(context)
    bpy.ops.takemill.check_take()
    bpy.ops.takemill.repair_take()
    known = suit.animation_data.action.takemill
    known.cut_index = known.cuts.find("walk")
    switch_on(context, ("findings", "ghost", "feet", "root_path", "floor", "seam"))
    context.scene.frame_set(1995)
    bpy.ops.takemill.read_take()
    hips = suit.matrix_world @ suit.pose.bones["Hips"].head
    context.space_data.region_3d.view_location = hips


def in_time(context) -> None:
    """Findings, cuts, planted feet and events of the take, in a high timeline."""
    import bpy

    _with_cuts(context)
    bpy.ops.takemill.check_take()
    switch_on(context, ("time_findings", "time_cuts", "time_contacts", "time_events"))
    bpy.ops.takemill.read_take()
    context.scene.frame_set(1995)
    area = context.area
    area.type = "DOPESHEET_EDITOR"
    area.spaces.active.mode = "TIMELINE"


def switch_on(context, names) -> None:
    """Just these overlays, by their names without `show_`; all of them for None."""
    from takemill_addon.properties.preferences import names_of, overlay_settings

    settings = overlay_settings(context)
    for name in names_of("show_"):
        setattr(settings, name, names is None or name[5:] in names)


def _with_cuts(context):
    """The performer, with the recipe's cuts."""
    import bpy

    suit = activate(context, "Suit")
    bpy.ops.takemill.map_body()
    bpy.ops.takemill.load_recipe(filepath=str(RECIPE))
    return suit
