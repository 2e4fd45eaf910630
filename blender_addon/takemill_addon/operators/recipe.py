"""The recipe of a scene: read from a file, and written to one."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import bpy
from bpy_extras.io_utils import ExportHelper, ImportHelper

from takemill.base.disk import write_whole
from takemill.base.errors import BodyMapError, InputError, RecipeError
from takemill.body.body_map import BodyMap, find_body_map
from takemill.pipeline.plan_clips import plan_clips
from takemill.pipeline.prepare_take import body_of
from takemill.recipe.recipe import CharacterSpec, ClipSpec, Recipe, read_recipe
from takemill.recipe.recipe_write import recipe_toml

from ..bridge.characters.face_recipe import face_fields, face_spec
from ..bridge.characters.springs import kept_spec
from ..bridge.clips import cuts
from ..bridge.scene import actions, paths
from ..bridge.scene.steps import Steps, apart
from ..bridge.takes import findings, recipe, stage, takes
from ..bridge.takes.characters import cuts_holder


class TAKEMILL_OT_load_recipe(stage.Stage, bpy.types.Operator, ImportHelper):
    """Read the settings of a recipe (TOML) into the panels, and its clips as cuts of the active action"""

    bl_idname = "takemill.load_recipe"
    bl_label = "Load Recipe"
    filename_ext = ".toml"

    filepath: paths.property_of_a_file()
    filter_glob: bpy.props.StringProperty(default="*.toml", options={"HIDDEN"})

    def run(self, context: bpy.types.Context) -> Steps[str]:
        path = paths.absolute(self.filepath)
        loaded = read_recipe(path)
        recipe.expect_fields_hold(context.scene, loaded)
        work = yield from stage.work_from_context.steps(context, settings=loaded)
        body = _corrected_body(work, loaded)
        lines = _lines_of(work.action, loaded)
        specs: tuple[ClipSpec, ...] = ()
        if lines:
            name = takes.take_name(work.action)
            mine = [replace(loaded.clips[k], take=name, blend_frames=None) for k in lines]
            # One cut for each: what is in parts, or meets a loop, is found when it is made.
            alone = tuple(replace(spec, in_parts=False, follows="", leads_to="") for spec in mine)
            own = replace(loaded, clips=alone, variants=(), neutral="", blend_frames=0)
            prepared = yield from takes.prepare_work.steps(replace(work, body=body), loaded)
            planned = yield from apart(plan_clips, [prepared], own)
            specs = tuple(
                replace(spec, in_parts=line.in_parts, follows=line.follows, leads_to=line.leads_to)
                for spec, line in zip(planned.specs, mine, strict=True)
            )
        filled = _face_fields(context, loaded, work)
        # Nothing was changed until here.
        if loaded.body:
            stage.keep_body(work.armature, body, work.take.motion.skeleton)
        recipe.show_recipe(context.scene, loaded, path.read_text("utf-8-sig"))
        if specs:
            cuts.fill_cuts(cuts_holder(work.action), work.take, specs, lines)
        beyond = recipe.beyond_fields(loaded)
        others = len(loaded.clips) - len(lines)
        notes = [f"{len(specs)} cuts from {path}"]
        notes += [f"{others} clips of other takes stay in the recipe"] * bool(others)
        notes += [f"kept without a field: {', '.join(beyond)}"] * bool(beyond)
        for armature, fields in filter(None, filled.values()):
            armature.takemill.face_offset, armature.takemill.face_clap = fields
        if faces := [name for name, one in filled.items() if one is None]:
            notes.append(
                f"the face of {', '.join(faces)}: an animation of a GLB, for pack --to alone; here a face "
                "plays what its shape keys' own action plays"
            )
        return "; ".join(notes)


def _face_fields(
    context: bpy.types.Context, loaded: Recipe, work: stage.Work
) -> dict[str, tuple[bpy.types.Object, tuple[float, float]] | None]:
    """By character whose face a recipe speaks of, its armature here and the fields; None for a GLB alone."""
    armatures = {one.name.casefold(): one for one in context.scene.objects if one.type == "ARMATURE"}
    found = {}
    for name, said in loaded.characters.items():
        if said.face:
            armature = armatures.get(name.casefold())
            fields = face_fields(context, armature, said.face, work) if armature else None
            found[name] = (armature, fields) if armature and fields else None
    return found


def _lines_of(action: bpy.types.Action, loaded: Recipe) -> list[int]:
    """The lines of the recipe's clips that are of the take at hand: all, where they are of one take only."""
    names = {one.name for one in actions.ancestry(action)}
    lines = [k for k, spec in enumerate(loaded.clips) if not spec.take or spec.take in names]
    return lines if lines or len({spec.take for spec in loaded.clips}) > 1 else list(range(len(loaded.clips)))


def _corrected_body(work: stage.Work, loaded: Recipe) -> BodyMap:
    """The armature's body map with the recipe's corrections; the root bone that was added stays."""
    if not loaded.body:
        return work.body
    skeleton = work.take.motion.skeleton
    found = body_of(skeleton, loaded)
    root = work.body.get("root")
    if root is None or found.get("root") is not None:
        return found
    return BodyMap.from_names(skeleton, found.names(skeleton) | {"root": skeleton.names[root]})


class TAKEMILL_OT_save_recipe(stage.Stage, bpy.types.Operator, ExportHelper):
    """Write the settings of the panels and the cuts of the active action as a recipe (TOML)"""

    bl_idname = "takemill.save_recipe"
    bl_label = "Save Recipe"
    filename_ext = ".toml"

    filepath: paths.property_of_a_file()
    filter_glob: bpy.props.StringProperty(default="*.toml", options={"HIDDEN"})

    def invoke(self, context, event):
        name = takes.take_name(actions.active_action(stage.armature_of(context)))
        self.filepath = paths.beside(f"{bpy.path.clean_name(name)}.toml")
        return super().invoke(context, event)

    def run(self, context: bpy.types.Context) -> Steps[str]:
        path = paths.absolute(self.filepath)
        work = yield from self.read_work.steps(context)
        whole = scene_recipe(context.scene, work)
        write_whole(path, recipe_toml(whole).encode())
        return f"{len(whole.clips)} clips and all settings in {Path(path)}"


def scene_recipe(scene: bpy.types.Scene, work: stage.Work) -> Recipe:
    """All that a scene and its active take say, as a recipe.

    Raises:
        RecipeError: a cut has no name that files accept, or the kept text was changed.
    """
    whole, loaded = recipe.recipe_of(scene), recipe.loaded_recipe(scene)
    mine = set(_lines_of(work.action, loaded))
    rows = cuts_holder(work.action).takemill.cuts
    by_line = {cut.line: cuts.saved_spec(cut, work.take, loaded) for cut in rows if cut.line >= 0}
    specs = [by_line.get(k, spec) for k, spec in enumerate(loaded.clips) if k in by_line or k not in mine]
    several = len({spec.take for spec in loaded.clips} - {""}) > 1
    new = [cuts.saved_spec(cut, work.take, loaded) for cut in rows if cut.line < 0]
    name = takes.take_name(work.action) if several else ""
    specs += [replace(spec, take=name) for spec in new]
    body = _corrections(work, loaded)
    raw = actions.first_here(work.action)
    left = findings.left_s(raw, work.take.start, len(work.take.motion), work.take.motion.rate)
    left = tuple(dict.fromkeys((*whole.repair.leave_s, *left)))
    whole = replace(whole, repair=replace(whole.repair, leave_s=left))
    return replace(whole, clips=tuple(specs), body=body, characters=_characters(scene, whole, work))


def _characters(scene: bpy.types.Scene, recipe_: Recipe, work: stage.Work) -> dict[str, CharacterSpec]:
    """The recipe's characters, with the springs and faces that are kept with the scene's armatures."""
    found = dict(recipe_.characters)
    for one in scene.objects:
        if one.type == "ARMATURE" and one.takemill.chains:
            key = next((name for name in found if name.casefold() == one.name.casefold()), one.name)
            found[key] = replace(found.get(key, CharacterSpec()), springs=kept_spec(one))
        if one.type == "ARMATURE" and (face := face_spec(bpy.context, one, work)):
            key = next((name for name in found if name.casefold() == one.name.casefold()), one.name)
            known = found.get(key, CharacterSpec())
            said = {name: getattr(face, name) for name in ("animation", "offset_s", "clap_s")}
            found[key] = replace(known, face=replace(known.face, **said))
    return found


def _corrections(work: stage.Work, loaded: Recipe) -> dict[str, str]:
    """What of the armature's body map is not found by itself: part -> bone, "" for one that is taken away."""
    skeleton = work.take.motion.skeleton
    mine = {part: bone for part, bone in work.body.names(skeleton).items() if part != "root"}
    try:
        if mine == {k: v for k, v in body_of(skeleton, loaded).names(skeleton).items() if k != "root"}:
            return dict(loaded.body)
        found = find_body_map(skeleton).names(skeleton)
    except (BodyMapError, RecipeError):
        return mine
    changed = {part: bone for part, bone in mine.items() if found.get(part) != bone}
    return changed | {part: "" for part in found if part not in mine and part != "root"}


class TAKEMILL_OT_clear_recipe(stage.Stage, bpy.types.Operator):
    """Forget the loaded recipe: what has no field goes back to its default, fields and cuts stay"""

    bl_idname = "takemill.clear_recipe"
    bl_label = "Clear Recipe"
    needs = ()

    def run(self, context: bpy.types.Context) -> str:
        chosen = context.scene.takemill
        if not chosen.recipe:
            raise InputError("there is no loaded recipe to clear")
        chosen.recipe = ""
        for action in bpy.data.actions:
            for cut in action.takemill.cuts:
                cut.line = -1
        return "the loaded recipe is forgotten; fields and cuts stay"


CLASSES = (TAKEMILL_OT_load_recipe, TAKEMILL_OT_save_recipe, TAKEMILL_OT_clear_recipe)
