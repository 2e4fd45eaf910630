"""Blender's context help (F1 over a button, or its Online Manual): the guide's page, at the place."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import bpy

from ..operators.guide import guide_path

PLACES: dict[str, tuple[str, ...]] = {
    "what-is-drawn-in-the-editors": ("ops.read_take", "ops.pick_in_time", "types.*_overlays.*"),
    "body": (
        *("ops.map_body", "ops.*_part", "ops.*_body_map", "ops.*_root_bone", "ops.reference_here"),
        *("types.*_part.*", "types.*.part_index", "types.*.intake_*"),
    ),
    "take": ("ops.import_take",),
    "check": (
        *("ops.check_take", "ops.*_finding", "ops.show_curves", "ops.*_finding_markers", "ops.health_page"),
        *("types.*_finding.*", "types.*.finding_*"),
    ),
    "repair": ("ops.*_repair", "ops.repair_*", "ops.trim_pose", "types.*.repair_*"),
    "cuts": (
        *("ops.suggest_*", "ops.*_cut", "ops.list_seams", "ops.play_seam", "ops.use_seam"),
        *("types.*_cut.*", "types.*_seam.*", "types.*.cut_*", "types.*.loop_*", "types.*.seam_*"),
        "types.*.root_motion_*",
    ),
    "characters": (
        *("ops.fit_take", "ops.*_character", "ops.*_characters", "ops.go_to_armature", "ops.find_contacts"),
        *("ops.*_chain", "ops.*_chains", "ops.*_collider", "ops.preview_swing"),
        *("types.*_character.*", "types.*.character_*", "types.*.fit_*", "types.*_contact.*"),
        *("types.*.contact_*", "types.*_chain.*", "types.*.chain_*", "types.*_collider.*"),
        "types.*.collider_*",
    ),
    "clips": (
        *("ops.make_clips", "ops.*_clip", "ops.*_loop", "ops.other_seams", "ops.contact_sheet"),
        *("ops.extract_root_motion", "ops.add_contact_events", "ops.add_event", "ops.thin_keys"),
        *("ops.play_source", "ops.*_recipe", "types.*_clip.*", "types.*.clip_*", "types.*.performer_clips"),
    ),
    "pack": (
        *(
            "ops.pack_*",
            "ops.align_face",
            "ops.open_report",
            "ops.open_folder",
            "ops.build_shoot",
            "types.*.pack_*",
        ),
        *("types.*.set_*", "types.*.max_error_mm", "types.*.deform_only", "types.*.face_*"),
    ),
    "in-blender": ("ops.*", "types.takemill_*"),
}
"""By anchor of the guide's page, what it is about: operators and properties of ours; the first that fits."""


def manual() -> tuple[str, list[tuple[str, str]]]:
    """The page and its map, as `bpy.utils.register_manual_map` wants them; no map where there is no page."""
    page = guide_path()
    return (page.as_uri(), list(_map())) if page.is_file() else ("", [])


def _map() -> Iterator[tuple[str, str]]:
    for anchor, patterns in PLACES.items():
        for pattern in patterns:
            kind, _, name = pattern.partition(".")
            ours = "takemill." if kind == "ops" else "" if name.startswith("takemill_") else "takemill_"
            yield f"bpy.{kind}.{ours}{name}", f"#{anchor}"


def attach() -> None:
    """Let Blender look into our map too."""
    detach()
    bpy.utils.register_manual_map(manual)


def detach() -> None:
    """Let it look there no more; a second call does nothing."""
    with contextlib.suppress(ValueError):  # Blender has no way to ask whether it is there
        bpy.utils.unregister_manual_map(manual)
