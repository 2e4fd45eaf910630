"""From BVH files to sets of clips on characters: a GLB each, with rig and mesh."""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

from ..base import disk
from ..base.checks import Array
from ..base.errors import BodyMapError, GlbError, InputError, RecipeError
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..body.skeleton import Skeleton
from ..files.glb_animations import animation_names, renamed_animations, without_animations
from ..files.glb_nodes import skins_on_top
from ..files.glb_rig import GlbRig, read_rig
from ..files.glb_root import with_root
from ..files.glb_skin import read_skin
from ..files.glb_springs import read_springs
from ..files.glb_take import read_glb_takes, take_names
from ..files.take_motion import takes_in
from ..fit.fit import FitSettings
from ..fit.own_poses import pose_by_names, with_rest_pose
from ..pipeline import stages
from ..pipeline.character_face import face_offset_s
from ..pipeline.character_springs import springs_of
from ..pipeline.face_clips import describe_faceless, face_clips
from ..pipeline.finish_clip import FinishedClip
from ..pipeline.fit_notes import fit_notes, unused_settings
from ..pipeline.fit_take import fit_take
from ..pipeline.plan_clips import OnFailure, plan_clips
from ..pipeline.prepare_take import PreparedTake, Progress, body_of
from ..pipeline.swing_clips import describe_mixed, swing_clips
from ..recipe.recipe import Recipe, expect_name
from ..recipe.recipe_face import FaceSpec
from ..shape.body_shape import body_shape
from ..shape.capsules import Capsules
from ..springs.springs import Springs
from . import clip_set
from .character_facts import CharacterFacts
from .clip_facts import Facts
from .fit_quality import fit_lines
from .own_animations import OwnAnimations, describe_own, face_of, with_own_joints
from .packing import choose_set_name, partial_progress, prepare_takes, read_takes
from .take_files import OnIntake, ignore_intake


@dataclass(frozen=True)
class Character:
    """Who plays the clips.

    Attributes:
        name: the file's, without its ending.
        glb: rig and mesh.
        rig: what the GLB holds of a skeleton.
        body: which joint plays which part.
    """

    name: str
    glb: bytes
    rig: GlbRig
    body: BodyMap

    @classmethod
    def read(cls, path: str | Path, recipe: Recipe) -> Character:
        """A character from its file; its body map is corrected by the recipe's [characters].

        Raises:
            FileError: the file cannot be read.
            GlbError: it holds no rig.
            BodyMapError: its parts cannot be determined, or the recipe names no joint or no part.
        """
        data = disk.read_bytes(path)
        rig = read_rig(data, str(path))
        name = expect_name(Path(path).stem, "character")
        try:
            body = body_of(rig.skeleton, recipe.of_character(name))
        except BodyMapError as problem:
            raise BodyMapError(
                f"{path}: {problem}; correct it in the recipe's [characters.{name}.body]"
            ) from problem
        return cls(name, skins_on_top(data), rig, body)

    @cached_property
    def shape(self) -> Capsules:
        """Its surface, as its mesh shows it.

        Raises:
            GlbError: a mesh is malformed.
        """
        return body_shape(self.rig.skeleton, self.body, read_skin(self.glb, self.rig, self.name))

    def make_room(self, clips: Collection[str], same_names: str) -> bytes:
        """The GLB, made such that clips of these names can be added to it, by the recipe's `same_names`.

        Raises:
            GlbError: it has an animation of such a name, and the recipe does not say what becomes of it.
        """
        own = animation_names(self.glb)
        both = sorted(set(own) & set(clips))
        if not both:
            return self.glb
        if same_names == "replace":
            return without_animations(self.glb, both)
        if same_names == "prefix":
            taken = {*own, *clips}
            return renamed_animations(self.glb, {name: _free_name(name, taken) for name in both})
        raise GlbError(
            f"{self.name}.glb already holds an animation {both[0]!r}, as a clip is called; write into the "
            'recipe same_names = "replace" (it goes) or "prefix" (it becomes own_NAME), or rename the clip'
        )

    def springs(self, recipe: Recipe) -> Springs:
        """The chains and colliders that swing, by a recipe for this character.

        Raises:
            GlbError: its file's own cannot be read.
            InputError: the recipe names what is not there, or they cannot be simulated.
        """
        if not recipe.springs:
            return Springs()
        try:
            own = read_springs(self.glb, self.rig, f"{self.name}.glb")
            return springs_of(recipe.springs, self.rig.skeleton, self.body, own)
        except InputError as problem:
            raise InputError(f"[characters.{self.name}.springs]: {problem}") from problem

    def own(self, spec: FaceSpec, offset_s: float = 0.0) -> OwnAnimations:
        """The animations of its file that it plays beside the takes, so much later."""
        return OwnAnimations(self.name, self.glb, self.rig, spec, offset_s)

    def hand_pose(self, fit: FitSettings) -> Array | None:
        """The pose (J, 4) that hands without fingers hold, local rotations; None where none is asked for.

        Raises:
            InputError: the character has no such animation.
        """
        if not fit.hand_pose:
            return None
        return pose_by_names(self.rig.skeleton, self._own_motion(fit.hand_pose, "hand_pose"))

    def rest_skeleton(self, fit: FitSettings) -> Skeleton:
        """The skeleton, with the pose that stands for its rest.

        Raises:
            TakemillError: the character has no such animation, or does not stand upright in it.
        """
        if not fit.rest_pose:
            return self.rig.skeleton
        motion = self._own_motion(fit.rest_pose, "rest_pose")
        return with_rest_pose(self.rig.skeleton, self.body, motion, fit.rest_pose)

    def _own_motion(self, name: str, setting: str) -> Motion:
        own = take_names(self.glb, f"{self.name}.glb")
        if name not in own:
            has = (
                f"it has {', '.join(map(repr, own))}" if own else "it has none; export the character with it"
            )
            raise InputError(f"[fit] {setting}: {self.name}.glb has no animation {name!r}; {has}")
        (motion,) = read_glb_takes(self.glb, f"{self.name}.glb", name).motions.values()
        return motion

    def with_root(self) -> Character:
        """The character with a root joint for root motion; itself where it has one."""
        if self.body.get("root") is not None:
            return self
        glb, name = with_root(self.glb, self.rig)
        rig = read_rig(glb, self.name)
        names = self.body.names(self.rig.skeleton) | {"root": name}
        return Character(self.name, glb, rig, BodyMap.from_names(rig.skeleton, names))


def _free_name(name: str, taken: Collection[str]) -> str:
    """The name with a prefix, or with several."""
    while name in taken:
        name = f"own_{name}"
    return name


def read_characters(paths: Sequence[str | Path], recipe: Recipe) -> list[Character]:
    """Some characters, with names of their own.

    Raises:
        TakemillError: one cannot be read, two files have one name, or the recipe has one's name misspelt.
    """
    names = [Path(path).stem for path in paths]
    plain = [name for name in names if recipe.said_of(name) is None]
    given = {name.casefold() for name in names}
    for name in (one for one in recipe.characters if one.casefold() not in given):
        for near in difflib.get_close_matches(name, plain, n=1):
            raise RecipeError(
                f"[characters.{name}]: no character of this name is given; did you mean {near!r}?"
            )
    found = [Character.read(path, recipe) for path in paths]
    name, count = Counter(one.name.casefold() for one in found).most_common(1)[0]
    if count > 1:
        raise InputError(f"two characters are called {name!r}; each needs a file name of its own")
    for one in found:
        one.springs(recipe.of_character(one.name))  # what is wrong with them is said before the work
        one.own(face_of(recipe, one.name)).expect(one.body)
    return found


def pack_characters(
    paths: Sequence[str | Path],
    rigs: Sequence[str | Path],
    recipe: Recipe,
    out_dir: str | Path,
    progress: Progress,
    on_intake: OnIntake = ignore_intake,
    say: Callable[[str], None] = clip_set.say_nothing,
    failed: OnFailure | None = None,
) -> dict[str, list[Facts]]:
    """Takes fitted to characters and packed; by character, what clips.json says of each clip.

    One character's set is `out_dir`; several have a folder each in it, called as they are. Seams are looked
    for once, on the performer, so that all characters' clips are of the same frames. All sets are
    written, or none. `say` is called with a line for each file that is kept under another name, and for
    contacts of hands and body that a character does not reach. With `failed` a clip that cannot be made is
    told of, and the sets are made of the others.

    Raises:
        TakemillError: anything is wrong; then nothing is written.
    """
    characters = read_characters(rigs, recipe)
    named = [spec.name for spec in recipe.clips] + [spec.name for spec in recipe.variants]
    for one in characters:  # clips that are named later are looked at when they are
        one.make_room(named, recipe.same_names)
    paths = takes_in(paths)
    read = read_takes(paths, recipe, partial_progress(progress, 0.0, 0.1), on_intake)
    name = choose_set_name(recipe, next(iter(read)))
    for one in characters:
        clip_set.expect_place(character_folder(out_dir, one.name, len(characters)), name)
    takes = prepare_takes(paths, read, recipe, partial_progress(progress, 0.1, 0.4))
    rest = partial_progress(progress, 0.5, 0.5)
    return pack_prepared_for(takes, characters, name, recipe, out_dir, rest, say, failed)


def pack_prepared_for(
    takes: Sequence[PreparedTake],
    characters: Sequence[Character],
    name: str,
    recipe: Recipe,
    out_dir: str | Path,
    progress: Progress,
    say: Callable[[str], None] = clip_set.say_nothing,
    failed: OnFailure | None = None,
) -> dict[str, list[Facts]]:
    """Prepared takes, fitted to characters and packed under a set's name; by character, as `pack_characters`.

    Raises:
        TakemillError: anything is wrong; then nothing is written.
    """
    places = {one.name: character_folder(out_dir, one.name, len(characters)) for one in characters}
    fitted = list(
        _fit_characters(takes, characters, recipe, partial_progress(progress, 0.0, 0.4), failed, say)
    )
    for line in _spring_lines(recipe, fitted):
        say(line)
    sets = {}
    for number, (one, own_recipe, clips) in enumerate(fitted):
        part = partial_progress(progress, 0.4 + 0.6 * number / len(fitted), 0.6 / len(fitted))
        glb = one.make_room([clip.name for clip in clips], recipe.same_names)
        lacks = CharacterFacts.of((take.body for take in takes), one.body)
        sets[one.name] = clip_set.build_clip_set(
            glb, name, takes, clips, own_recipe, part, one.rig.placed, lacks
        )
        for line in fit_lines(sets[one.name].facts, one.name, own_recipe.fit):
            say(line)
    for line in clip_set.write_clip_sets({places[character]: one for character, one in sets.items()}):
        say(line)
    return {character: one.facts for character, one in sets.items()}


def _spring_lines(
    recipe: Recipe, fitted: Sequence[tuple[Character, Recipe, tuple[FinishedClip, ...]]]
) -> Iterator[str]:
    """What is to be said of springs that a recipe asks for and that no character has, and of mixed loops."""
    if recipe.springs:
        yield "[springs] are those of the take's own skeleton; a character's are [characters.NAME.springs]"
    for one, _, clips in fitted:
        yield from (f"{one.name}: {line}" for line in describe_mixed(clips))


def make_character_clips(
    paths: Sequence[str | Path],
    rigs: Sequence[str | Path],
    recipe: Recipe,
    progress: Progress,
    on_intake: OnIntake = ignore_intake,
    failed: OnFailure | None = None,
) -> dict[str, tuple[FinishedClip, ...]]:
    """By character, the clips as `pack_characters` would write them.

    Raises:
        TakemillError: anything is wrong.
    """
    characters = read_characters(rigs, recipe)
    paths = takes_in(paths)
    read = read_takes(paths, recipe, partial_progress(progress, 0.0, 0.2), on_intake)
    takes = prepare_takes(paths, read, recipe, partial_progress(progress, 0.2, 0.4))
    return {
        one.name: clips
        for one, _, clips in _fit_characters(
            takes, characters, recipe, partial_progress(progress, 0.6, 0.4), failed
        )
    }


def character_folder(out_dir: str | Path, character: str, count: int) -> Path:
    """The folder of a character's set, of so many."""
    return Path(out_dir) if count == 1 else Path(out_dir) / character


def _fit_characters(
    takes: Sequence[PreparedTake],
    characters: Sequence[Character],
    recipe: Recipe,
    progress: Progress,
    failed: OnFailure | None = None,
    say: Callable[[str], None] = clip_set.say_nothing,
) -> Iterator[tuple[Character, Recipe, tuple[FinishedClip, ...]]]:
    """Each character, its recipe, and its clips."""
    work_share = 1 / (len(characters) + 1)
    begins: dict[str, tuple[str, float]] = {}
    for one in characters:
        if spec := face_of(recipe, one.name):
            begins[one.name] = face_offset_s(one.name, spec, takes)
        fit = recipe.of_character(one.name).fit
        one.rest_skeleton(fit)
        one.hand_pose(fit)  # what is wrong with it is said before the work
        for line in unused_settings(takes, fit):
            say(f"{one.name}: {line}")
    plan = plan_clips(takes, recipe, (), failed)
    progress("looking for seams", 0.0)
    shared_plan = stages.settle_seams(takes, plan, failed)
    for number, one in enumerate(characters, 1):
        part = partial_progress(progress, number * work_share, work_share)
        part(f"fitting {one.name}", 0.0)
        own = shared_plan.for_character(one.name)
        if own.is_rooted:
            one = one.with_root()
        fit, hands = own.recipe.fit, one.hand_pose(own.recipe.fit)
        skeleton = one.rest_skeleton(fit)
        fitted = [fit_take(take, skeleton, one.body, fit, hands, one.shape) for take in takes]
        for pair in zip(takes, fitted, strict=True):
            for line in fit_notes(*pair, fit, f"{one.name}, {pair[0].name}"):
                say(line)
        name, offset_s = begins.get(one.name, ("", 0.0))
        brought = one.own(face_of(recipe, one.name), offset_s)
        played: tuple[int, ...] = ()
        if layer := brought.joints():
            place = [take.name for take in fitted].index(name)
            fitted[place], played = with_own_joints(fitted[place], layer, brought.spec.take_wins)
            names = [skeleton.names[joint] for joint in played]
            say(f"{one.name}: {describe_own(layer.animation, names, name, offset_s)}")
        clips = stages.resample_clips(stages.make_clips(fitted, own, part))
        clips = tuple(replace(clip, own_joints=played if clip.source == name else ()) for clip in clips)
        clips = swing_clips(clips, one.springs(own.recipe), own.recipe.neutral)
        if faces := {name: brought.faces()} if brought.spec.animation else {}:
            clips = face_clips(
                clips, faces, {take.name: take.motion.rate for take in takes}, own.recipe.neutral
            )
            if faces[name]:
                say(f"{one.name}: its face {brought.spec.animation!r} begins at {offset_s:.3f} s of {name}")
            for line in describe_faceless(clips, faces):
                say(f"{one.name}: {line}")
        yield one, own.recipe, clips
