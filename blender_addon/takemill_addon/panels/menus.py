"""The operators in Blender's own menus, where its search finds each of them."""

from __future__ import annotations

import bpy

from ..operators import pack, shoot

_GROUPS = (
    ("import_take", "map_body", "add_part", "mirror_body_map", "load_body_map", "save_body_map"),
    ("add_root_bone", "reference_here", "check_take", "step_finding", "accept_finding", "show_curves"),
    ("add_finding_markers", "clear_finding_markers", "health_page", "preview_repair", "compare_repair"),
    ("keep_repair", "drop_repair", "repair_take", "trim_pose", "suggest_cuts", "suggest_idle", "add_cut"),
    ("name_cut", "trim_cut", "list_seams", "play_seam", "use_seam"),
    ("add_characters", "find_contacts", "fit_take"),
    ("find_chains", "add_chain", "add_collider", "preview_swing", "swing_chains", "make_clips", "add_clip"),
    ("other_seams", "preview_loop", "stop_loop", "mirror_clip", "retime_clip", "difference_clip"),
    ("close_loop", "extract_root_motion", "add_contact_events", "add_event", "thin_keys", "contact_sheet"),
    ("play_source", "align_face", "pack_set", "open_report", "open_folder", "build_shoot"),
    ("load_recipe", "save_recipe", "clear_recipe", "open_guide", "open_engine_scripts"),
)
"""The operators by step, as the menu lists them."""


class TAKEMILL_MT_work(bpy.types.Menu):
    bl_label = "Takemill"

    def draw(self, _) -> None:
        for number, group in enumerate(_GROUPS):
            if number:
                self.layout.separator()
            for name in group:
                self.layout.operator(f"takemill.{name}")


def _draw_work(menu: bpy.types.Menu, _: bpy.types.Context) -> None:
    menu.layout.separator()
    menu.layout.menu(TAKEMILL_MT_work.__name__)


def attach() -> None:
    """Add the menus: Pose > Animation, which is Object > Animation too, and File > Export."""
    bpy.types.VIEW3D_MT_object_animation.append(_draw_work)
    bpy.types.TOPBAR_MT_file_export.append(pack.draw_in_menu)
    bpy.types.TOPBAR_MT_file_export.append(shoot.draw_in_menu)


def detach() -> None:
    """Take them away again; a second call does nothing."""
    bpy.types.TOPBAR_MT_file_export.remove(shoot.draw_in_menu)
    bpy.types.TOPBAR_MT_file_export.remove(pack.draw_in_menu)
    bpy.types.VIEW3D_MT_object_animation.remove(_draw_work)


CLASSES = (TAKEMILL_MT_work,)
