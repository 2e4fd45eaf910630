"""The operators, in the order of the work."""

import bpy

from . import (
    body,
    body_map,
    characters,
    clips,
    contacts,
    curves,
    cuts,
    face,
    findings,
    fit,
    guide,
    idle,
    import_take,
    in_time,
    loop,
    make_clips,
    overlays,
    pack,
    recipe,
    repair,
    seams,
    sheet,
    shoot,
    springs,
    thin,
    variants,
)

CLASSES = (
    *import_take.CLASSES,
    *recipe.CLASSES,
    *body.CLASSES,
    *body_map.CLASSES,
    *findings.CLASSES,
    *curves.CLASSES,
    *repair.CLASSES,
    *contacts.CLASSES,
    *cuts.CLASSES,
    *idle.CLASSES,
    *characters.CLASSES,
    *fit.CLASSES,
    *springs.CLASSES,
    *make_clips.CLASSES,
    *clips.CLASSES,
    *loop.CLASSES,
    *seams.CLASSES,
    *thin.CLASSES,
    *variants.CLASSES,
    *sheet.CLASSES,
    *face.CLASSES,
    *pack.CLASSES,
    *shoot.CLASSES,
    *guide.CLASSES,
    *in_time.CLASSES,
    *overlays.CLASSES,
)

HANDLERS = (import_take.TAKEMILL_FH_take,)
"""What takes files that are dropped onto a window."""


def attach() -> None:
    """Add the entries of Blender's own menus."""
    bpy.types.TOPBAR_MT_file_import.append(import_take.draw_in_menu)
    in_time.attach()


def detach() -> None:
    """Take them away again."""
    in_time.detach()
    bpy.types.TOPBAR_MT_file_import.remove(import_take.draw_in_menu)
