"""What the add-on keeps in the .blend.

With an armature its body map and clips, with an Action its findings and cuts, with the scene the settings,
whose defaults are the core's.
"""

from __future__ import annotations

import bpy
from bpy.props import (
    BoolProperty,
    CollectionProperty,
    FloatProperty,
    FloatVectorProperty,
    IntProperty,
    PointerProperty,
    StringProperty,
)

from ..bridge.characters import hand_contacts, live_swing
from ..bridge.clips import chosen_rows
from ..bridge.takes import findings
from . import characters, clips, contacts, preferences, repair, springs, take
from .characters import CharactersProperties
from .clips import TAKEMILL_PG_clip, TAKEMILL_PG_cut
from .contacts import TAKEMILL_PG_contact
from .overridable import KEPT, overridable
from .pack import PackProperties
from .preferences import TAKEMILL_PG_overlays
from .repair import TAKEMILL_PG_finding
from .springs import TAKEMILL_PG_chain, TAKEMILL_PG_collider
from .take import TAKEMILL_PG_part


class TAKEMILL_PG_action(bpy.types.PropertyGroup):
    """What is known of an Action.

    `source` names the Action that it was made from and keeps it from being lost on saving; `repaired` says
    that it is that one repaired, and `preview` that this is not yet kept, made with the settings that `asked`
    holds, as it does for repairs, fits and clips. `checked` is the digest of the motion that `measures` and
    `findings` are of. `keys` tells the keys that these are of, and `source_keys` those of `source` when this
    was made of it. `record` is a finished clip's facts as JSON, empty for takes. `made_with` holds the
    settings of the stage that made it, `performer` the armature whose take was fitted and `character` the one
    that it was fitted to, `moved` the bones that the fit moved, as JSON; `merged` says that a part of it is
    another take's. `made` grows with each that is made; `speed_m_s` is how fast a clip goes over the floor;
    `looping` says that this is only a preview of `source`; `centred` and `with_root_motion` say how that of a
    loop is shown, `posed` how bones stood that `source` does not key, as JSON. Of an imported take `file` is
    its file's name and `take_rate` the rate that it was recorded at; `unit_m` and `up` are the file's.
    `key_rate` is the scene's rate at which the keys lie right in time, 0 where nobody knows. `intake` is what
    the take was read as when it was last read, as JSON. `swings` says of a preview that it is one of swinging
    chains.
    """

    source: PointerProperty(type=bpy.types.Action)
    evaluated: StringProperty()
    repaired: BoolProperty()
    preview: BoolProperty()
    asked: StringProperty()
    checked: StringProperty()
    keys: StringProperty()
    source_keys: StringProperty()
    measures: StringProperty()
    findings: CollectionProperty(type=TAKEMILL_PG_finding)
    finding_index: IntProperty(
        name="Finding",
        default=-1,
        description="Click a finding: the timeline goes to its first frame and its bone is selected",
        update=findings.go_to_chosen,
    )
    contacts: CollectionProperty(type=TAKEMILL_PG_contact)
    contact_index: IntProperty(
        name="Contact",
        default=-1,
        description="Click a contact: the timeline goes to its first frame",
        update=hand_contacts.go_to_chosen,
    )
    cuts: CollectionProperty(type=TAKEMILL_PG_cut)
    cut_index: IntProperty(
        name="Cut",
        description="Click a cut: the Timeline and the Dope Sheet show its frames",
        update=chosen_rows.show_cut,
    )
    record: StringProperty()
    made_with: StringProperty()
    moved: StringProperty()
    merged: BoolProperty()
    performer: PointerProperty(type=bpy.types.Object)
    character: PointerProperty(type=bpy.types.Object)
    made: IntProperty()
    speed_m_s: FloatProperty()
    looping: BoolProperty()
    swings: BoolProperty()
    centred: BoolProperty()
    with_root_motion: BoolProperty()
    posed: StringProperty()
    file: StringProperty()
    unit_m: FloatProperty()
    up: StringProperty()
    take_rate: FloatProperty()
    key_rate: FloatProperty()
    intake: StringProperty()


@overridable
class TAKEMILL_PG_armature(bpy.types.PropertyGroup):
    """What is known of an armature object: its body map, reference pose (JSON), clips, springs, face."""

    reference: StringProperty()
    height_m: FloatProperty(description="How tall the body stood in the scene when it was mapped, metres")
    parts: CollectionProperty(type=TAKEMILL_PG_part)
    part_index: IntProperty()
    clips: CollectionProperty(type=TAKEMILL_PG_clip)
    clip_index: IntProperty(
        name="Clip",
        description="Click a clip: the Timeline and the Dope Sheet show its frames, or those of its take",
        update=chosen_rows.show_clip,
    )
    packed: StringProperty()
    packed_to: StringProperty()
    chains: CollectionProperty(type=TAKEMILL_PG_chain)
    chain_index: IntProperty()
    colliders: CollectionProperty(type=TAKEMILL_PG_collider)
    collider_index: IntProperty()
    face_clap: FloatProperty(
        name="Clap in Face",
        description="Frame of the shape keys' action at which the hands were heard or seen to clap",
        precision=2,
    )
    face_offset: FloatProperty(
        name="Face Offset",
        description="Frames of the scene by which Pack shifts what shape keys play, to later; parts of a "
        "frame count",
        precision=2,
    )


class TAKEMILL_PG_end(bpy.types.PropertyGroup):
    place: FloatVectorProperty(description="Where the body ends, in the bone's space and in its lengths")


class TAKEMILL_PG_bone(bpy.types.PropertyGroup):
    """Where the body ends at a bone, as the file says that it came from; else its tail is taken for that."""

    ends_known: BoolProperty()
    ends_rest: FloatVectorProperty(size=4, description="How the bone was turned at rest then, w x y z")
    ends: CollectionProperty(type=TAKEMILL_PG_end)


class TAKEMILL_PG_marker(bpy.types.PropertyGroup):
    finding: BoolProperty(description="The marker was put there for a finding, and goes when those go")


class TAKEMILL_PG_scene(
    bpy.types.PropertyGroup,
    take.IntakeProperties,
    repair.RepairProperties,
    take.FitProperties,
    CharactersProperties,
    clips.LoopProperties,
    PackProperties,
):
    """Settings of the stages, each stage's own in one base; `recipe` is the text of the loaded one."""

    recipe: StringProperty()


CLASSES = (
    *take.CLASSES,
    *characters.CLASSES,
    *contacts.CLASSES,
    *repair.CLASSES,
    *clips.CLASSES,
    *springs.CLASSES,
    TAKEMILL_PG_action,
    TAKEMILL_PG_armature,
    TAKEMILL_PG_end,
    TAKEMILL_PG_bone,
    TAKEMILL_PG_marker,
    TAKEMILL_PG_scene,
    *preferences.CLASSES,
)
_HOLDERS = (
    (bpy.types.Action, TAKEMILL_PG_action),
    (bpy.types.Object, TAKEMILL_PG_armature),
    (bpy.types.Bone, TAKEMILL_PG_bone),
    (bpy.types.TimelineMarker, TAKEMILL_PG_marker),
    (bpy.types.Scene, TAKEMILL_PG_scene),
)


def attach() -> None:
    """Give Actions, objects, bones, markers and scenes their `takemill` property."""
    for holder, group in _HOLDERS:
        holder.takemill = PointerProperty(type=group, override=KEPT)
    bpy.types.WindowManager.takemill_overlays = PointerProperty(type=TAKEMILL_PG_overlays)


def detach() -> None:
    """Take it away again; the data stays in the file."""
    live_swing.stop()
    if hasattr(bpy.types.WindowManager, "takemill_overlays"):
        del bpy.types.WindowManager.takemill_overlays
    for holder, _ in reversed(_HOLDERS):
        if hasattr(holder, "takemill"):
            del holder.takemill
