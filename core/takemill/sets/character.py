"""A character from its GLB file: who plays the clips, with rig, mesh, springs and face."""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
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
from ..fit.fit import FitSettings
from ..fit.own_poses import pose_by_names, with_rest_pose
from ..pipeline.character_springs import springs_of
from ..pipeline.prepare_take import body_of
from ..recipe.recipe import Recipe, expect_name
from ..recipe.recipe_face import FaceSpec
from ..shape.body_shape import body_shape
from ..shape.capsules import Capsules
from ..springs.springs import Springs
from .own_animations import OwnAnimations, face_of


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

    @cached_property
    def animations(self) -> frozenset[str]:
        """The names of its file's own."""
        return frozenset(animation_names(self.glb))

    def make_room(self, clips: Collection[str], same_names: str) -> bytes:
        """The GLB, made such that clips of these names can be added to it, by the recipe's `same_names`.

        Raises:
            GlbError: it has an animation of such a name, and the recipe does not say what becomes of it.
        """
        own = self.animations
        both = sorted(own & set(clips))
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
