"""What a character's file brings along to be played beside the takes: its face, and joints of its own."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from ..base.errors import InputError
from ..body.body_map import BodyMap
from ..clip.face import Face
from ..clip.own_joints import OwnJoints, own_of, play_own, rest_motion
from ..files.glb_faces import read_faces
from ..files.glb_own_joints import read_own_joints
from ..files.glb_rig import GlbRig
from ..pipeline.prepare_take import PreparedTake
from ..recipe.recipe import Recipe
from ..recipe.recipe_face import FaceSpec


def face_of(recipe: Recipe, name: str) -> FaceSpec:
    """What a recipe says of a character's face."""
    said = recipe.said_of(name)
    return said.face if said else FaceSpec()


@dataclass(frozen=True)
class OwnAnimations:
    """The animations of one character that a recipe asks for.

    Attributes:
        name: of the character.
        glb: its file.
        rig: what that holds of a skeleton.
        spec: what the recipe asks for.
        offset_s: how much later they begin than their take, seconds.
    """

    name: str
    glb: bytes
    rig: GlbRig
    spec: FaceSpec
    offset_s: float = 0.0

    def faces(self) -> tuple[Face, ...]:
        """What its meshes' shapes play; none where no animation is asked for.

        Raises:
            InputError: the file has no such animation, or it cannot be played.
        """
        if not self.spec.animation:
            return ()
        with self._named():
            return read_faces(self.glb, f"{self.name}.glb", self.spec.animation, self.offset_s)

    def joints(self) -> OwnJoints | None:
        """What its joints play of their own; None where no animation moves any.

        Raises:
            InputError: the file has no such animation, or it cannot be played.
        """
        if not self.spec:
            return None
        with self._named():
            wanted = self.spec.joints or self.spec.animation
            found = read_own_joints(self.glb, self.rig, f"{self.name}.glb", wanted, self.offset_s)
        return found if found.joints else None

    def expect(self, body: BodyMap) -> None:
        """Insist on animations that move what they are asked for.

        Raises:
            InputError: one is not there, or moves nothing that a take leaves free.
        """
        spec, own = self.spec, self.joints()
        free = own is not None and bool(own_of(rest_motion(self.rig.skeleton), body, own))
        no_joint = "no joint that the body leaves free, as a jaw, an eye, an ear, a finger or a prop"
        with self._named():
            if spec.joints and not free:
                raise InputError(f"{self.name}.glb: animation {spec.joints!r} moves {no_joint}")
            if spec.animation and not self.faces() and (spec.joints or not free):
                also = "" if spec.joints else f", and {no_joint}"
                raise InputError(
                    f"{self.name}.glb: animation {spec.animation!r} moves no shapes of a mesh{also}"
                )

    @contextlib.contextmanager
    def _named(self) -> Iterator[None]:
        """What is wrong inside says which table of the recipe asks for it."""
        try:
            yield
        except InputError as problem:
            if str(problem).startswith("[characters."):
                raise
            raise InputError(f"[characters.{self.name}.face]: {problem}") from problem


def with_own_joints(take: PreparedTake, own: OwnJoints, wins: bool) -> tuple[PreparedTake, tuple[int, ...]]:
    """A fitted take with what its character plays of its own, and the joints that do; as `play_own`."""
    joints = own_of(take.motion, take.body, own, wins)
    return replace(take, motion=play_own(take.motion, take.body, own, wins)), joints


def describe_own(animation: str, names: Sequence[str], take: str, offset_s: float) -> str:
    """What is said of joints that play an animation of their character's."""
    if not names:
        return f"the take moves all joints that {animation!r} moves, so it is not used"
    return f"{animation!r} begins at {offset_s:.3f} s of {take} and moves {', '.join(names)}"
