"""Packing: the listed clips, with rig and mesh, as a set that an engine loads."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import bpy

from takemill.base.errors import InputError, TakemillError
from takemill.pipeline.finish_clip import FinishedClip
from takemill.pipeline.prepare_take import PreparedTake
from takemill.recipe.recipe import Recipe, expect_name
from takemill.sets.character_facts import CharacterFacts
from takemill.sets.clip_set import ClipSet, build_clip_set, expect_place, write_clip_sets
from takemill.sets.fit_quality import fit_lines
from takemill.sets.packing_beside import seen_beside
from takemill.sets.packing_characters import character_folder

from ..bridge.characters.character_facts import facts_of, performers_of
from ..bridge.characters.faces import with_faces
from ..bridge.clips.packing import Stock, clips_of, expect_plausible, sources_of, takes_of
from ..bridge.rigs.export_rig import export_rig, hidden_parts_of
from ..bridge.scene import paths, renamed_actions
from ..bridge.scene.own_process import same_blender
from ..bridge.scene.steps import Steps, Tell, apart_told, apart_whole, within
from ..bridge.takes import characters, recipe, stage, states


@dataclass(frozen=True)
class _Order:
    """Where a character's set goes and how it is written."""

    folder: Path
    name: str
    deform_only: bool
    recipe: Recipe


@dataclass(frozen=True)
class _Load:
    """All that goes into a character's set, the bones whose scale does not, and what is said of it."""

    order: _Order
    stock: Stock
    clips: tuple[FinishedClip, ...]
    takes: list[PreparedTake]
    base: bytes
    unscaled: tuple[str, ...]
    notes: tuple[str, ...]
    character: CharacterFacts | None


def characters_of(context: bpy.types.Context) -> list[bpy.types.Object]:
    """The armatures whose sets are packed: the ticked characters by name, or else the active one."""
    active, ticked = stage.armature_of(context), list[bpy.types.Object]()
    if context.scene.takemill.pack_characters == "TICKED":
        ticked = characters.ticked(context.scene)
    return sorted(ticked, key=lambda one: one.name) or ([active] if active else [])


def bodies(context: bpy.types.Context) -> str:
    """Needs a mapped body of each character."""
    for one in characters_of(context):
        if not stage.any_part(one):
            return f"Map the body of {one.name} first"
    return ""


def some_clips(context: bpy.types.Context) -> str:
    """Needs a ticked clip of each character."""
    for one in characters_of(context):
        if not any(clip.use for clip in one.takemill.clips):
            return f"Make clips for {one.name} first, and leave one ticked"
    return ""


def an_exporter(_: bpy.types.Context) -> str:
    """Needs Blender's bundled glTF add-on."""
    found = hasattr(bpy.types, "EXPORT_SCENE_OT_gltf")
    return "" if found else "Enable Blender's own glTF 2.0 add-on in the preferences"


class TAKEMILL_OT_pack_set(stage.Stage, bpy.types.Operator):
    """Write the ticked clips with rig and mesh: a GLB, clips.json and a report, over an older set"""

    bl_idname = "takemill.pack_set"
    bl_label = "Pack Clip Set"
    needs = (stage.an_armature, bodies, some_clips, an_exporter)

    def run(self, context: bpy.types.Context) -> Steps[str]:
        loads = yield from within(_loads(context), 0.0, 0.25)
        performed = yield from within(_performed(context, loads), 0.25, 0.3)
        sets = yield from within(apart_told(lambda tell: _sets(loads, performed, tell)), 0.3, 1.0)
        packed = [(one, states.pack_asked(one.stock.armature)) for one in loads]
        kept = yield from apart_whole(write_clip_sets, sets)
        for one, text in packed:
            known = one.stock.armature.takemill
            known.packed, known.packed_to = text, str(one.order.folder)
        notes = (note for one in loads for note in _notes(context, one, sets[one.order.folder]))
        return "; ".join((*notes, *kept))


def a_set(context: bpy.types.Context) -> str:
    """Needs a set that was packed."""
    return "" if _folders(context) else "Pack the set first"


def _folders(context: bpy.types.Context) -> list[Path]:
    """Where the sets were packed to, as far as they are still there."""
    places = (Path(one.takemill.packed_to) for one in characters_of(context) if one.takemill.packed_to)
    return [one for one in places if one.is_dir()]


class TAKEMILL_OT_open_report(stage.Stage, bpy.types.Operator):
    """Open the report of each packed set in the web browser"""

    bl_idname = "takemill.open_report"
    bl_label = "Open Report"
    needs = (stage.an_armature, a_set)

    def run(self, context: bpy.types.Context) -> str:
        pages = [page for one in _folders(context) if (page := one / "report.html").is_file()]
        if not pages:
            raise InputError("the report is gone; pack the set again")
        for page in pages if not bpy.app.background else ():
            bpy.ops.wm.url_open(url=page.as_uri())
        return f"the report is {', '.join(map(str, pages))}"


class TAKEMILL_OT_open_folder(stage.Stage, bpy.types.Operator):
    """Open the folder that the sets were packed into"""

    bl_idname = "takemill.open_folder"
    bl_label = "Open Folder"
    needs = (stage.an_armature, a_set)

    def run(self, context: bpy.types.Context) -> str:
        folders = _folders(context)
        folder = folders[0] if len(folders) == 1 else folders[0].parent
        if not bpy.app.background:
            bpy.ops.wm.path_open(filepath=str(folder))
        return f"the folder is {folder}"


def draw_in_menu(menu: bpy.types.Menu, _: bpy.types.Context) -> None:
    """The entry in File > Export."""
    menu.layout.operator(TAKEMILL_OT_pack_set.bl_idname, text="Takemill Clip Set (.glb)")


def _performed(context: bpy.types.Context, loads: list[_Load]) -> Steps[tuple[FinishedClip, ...]]:
    """The clips of the one performer whose take was fitted, to be seen beside; none where it is not known."""
    cast = [one.stock.armature for one in loads]
    listed = [clip.action for one in cast for clip in one.takemill.clips if clip.use and clip.action]
    found = performers_of(listed)
    if len(found) != 1 or found[0] in cast or not any(clip.use for clip in found[0].takemill.clips):
        return ()
    try:
        stock = yield from Stock.of.steps(context, found[0])
        return (yield from clips_of.steps(context, stock, loads[0].order.recipe))[0]
    except TakemillError:  # its own pack says what is wrong with them
        return ()


def _sets(loads: list[_Load], performed: tuple[FinishedClip, ...], tell: Tell) -> dict[Path, ClipSet]:
    beside = seen_beside(performed, [(one.stock.armature.name, one.base, one.clips) for one in loads])
    return {
        one.order.folder: build_clip_set(
            one.base,
            one.order.name,
            one.takes,
            one.clips,
            one.order.recipe,
            lambda _, part, k=number: tell((k + part) / len(loads)),
            one.stock.placed,
            one.character,
            beside[one.stock.armature.name],
            same_blender(),
        )
        for number, one in enumerate(loads)
    }


def _loads(context: bpy.types.Context) -> Steps[list[_Load]]:
    """Everything read and checked, for all characters, before the first set is written."""
    cast = characters_of(context)
    names = [one.name.casefold() for one in cast]
    twice = next((one.name for one in cast if names.count(one.name.casefold()) > 1), None)
    if twice:
        raise InputError(f"armature {twice!r}: another one has this name but for small and large letters")
    orders = [_order(context.scene, one, len(cast)) for one in cast]
    for order in orders:
        expect_place(order.folder, order.name, order.recipe.fbx, same_blender())
    loads, count = [], len(cast)
    for number, (one, order) in enumerate(zip(cast, orders, strict=True)):
        loads.append((yield from within(_load(context, one, order), number / count, (number + 1) / count)))
    return loads


def _load(context: bpy.types.Context, armature: bpy.types.Object, order: _Order) -> Steps[_Load]:
    renamed_actions.follow_renamed(armature)
    stock = yield from Stock.of.steps(context, armature, order.deform_only)
    clips, unscaled = yield from clips_of.steps(context, stock, order.recipe)
    clips, notes = with_faces(context, armature, clips, sources_of(stock, clips), order.recipe.neutral)
    yield from expect_plausible.steps(context, armature, order.recipe)
    takes = yield from takes_of.steps(context, stock, clips)
    base = export_rig(context, armature, stock.packed_skeleton.names if order.deform_only else None)
    listed = (one.action for one in armature.takemill.clips if one.use)
    return _Load(order, stock, clips, takes, base, unscaled, notes, facts_of(armature, stock.body, listed))


def _notes(context: bpy.types.Context, load: _Load, made: ClipSet) -> list[str]:
    """What to say of a set."""
    hidden = hidden_parts_of(context, load.stock.armature)
    alone = load.order.recipe.files == "one"
    there = load.order.folder / f"{load.order.name}.glb" if alone else load.order.folder
    notes = [f"{len(load.clips)} clips packed into {there}"]
    notes += [f"hidden and left out: {', '.join(hidden)}"] * bool(hidden)
    notes += load.notes
    name = load.stock.armature.name
    notes += fit_lines(made.facts, name, load.order.recipe.of_character(name).fit)
    return notes + [f"without the scale of {', '.join(load.unscaled)}"] * bool(load.unscaled)


def _order(scene: bpy.types.Scene, armature: bpy.types.Object, count: int) -> _Order:
    chosen = scene.takemill
    folder = paths.absolute(chosen.set_folder or "//", "the folder")
    folder = character_folder(folder, expect_name(armature.name, "character"), count) if count > 1 else folder
    name = expect_name(chosen.set_name or armature.name, "name of the set")
    settings = replace(recipe.recipe_of(scene), name=name)
    return _Order(folder, name, chosen.deform_only, settings)


CLASSES = (TAKEMILL_OT_pack_set, TAKEMILL_OT_open_report, TAKEMILL_OT_open_folder)
