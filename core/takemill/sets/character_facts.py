"""What is said of a character once, and how its clips stand on it, measured in the file that is written."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from ..body.body_map import BodyMap
from ..files.glb import append_animations
from ..files.glb_clip import GlbClip
from ..files.glb_read import GlbScene
from ..files.glb_read_skin import SkinnedMesh
from ..pipeline.finish_clip import FinishedClip
from .clip_facts import Facts, round_number
from .played_feet import FootReader, PlayedFoot, has_path

_MAX_OFF_MM, _MAX_OFF_CM_S = 0.3, 0.3  # between two readings of one file: what rounding may leave


@dataclass(frozen=True)
class CharacterFacts:
    """A character whose clips are packed.

    Attributes:
        name: what it is called beside others.
        unmapped: parts that the performer has and the character lacks: they are not moved.
        constrained: its bones that something else than keys moves, too.
    """

    name: str = ""
    unmapped: tuple[str, ...] = ()
    constrained: tuple[str, ...] = ()

    @classmethod
    def of(
        cls, name: str, performers: Iterable[Iterable[str]], body: BodyMap, constrained: Iterable[str] = ()
    ) -> CharacterFacts:
        """What a character lacks of the parts of the bodies that were fitted to it."""
        theirs = {part for one in performers for part in one if not _is_extra(part)}
        return cls(name, tuple(sorted(theirs - {*body.joints})), tuple(sorted(constrained)))


# A fit shares the turns of the trunk and of the neck among those that are there.
_SHARED = ("root", "spine", "chest", "upperChest", "neck")


def _is_extra(part: str) -> bool:
    return part in _SHARED or part.startswith(("tail.", "prop."))


def describe_character(character: CharacterFacts | None, mesh: SkinnedMesh | None) -> Facts | None:
    """What clips.json says of a character; None for a set on the performer's own skeleton."""
    if character is None:
        return None
    return {
        "mesh": mesh is not None,
        "unmapped": list(character.unmapped),
        "constrained": list(character.constrained),
    }


def measure_feet(
    base_glb: bytes,
    mesh: SkinnedMesh,
    clips: Sequence[FinishedClip],
    written: Sequence[GlbClip],
    facts: Sequence[Facts],
) -> None:
    """Fills in, in the facts of clips that are to be `written`, how their feet stand as a file plays them.

    Raises:
        GlbError: the base is malformed.
    """
    scene = GlbScene(append_animations(base_glb, written), "the set")
    names = {scene.names[joint] for joint in scene.joints}
    reader = FootReader(scene, mesh, names, clips[0].body.names(clips[0].motion.skeleton))
    for clip, said in zip(clips, facts, strict=True):
        found = reader.measure(said, None if has_path(said) else clip.restore_points)
        said["soles"] = {foot: describe_foot(one) for foot, one in found.items()}


def describe_foot(foot: PlayedFoot) -> dict[str, float | int | None]:
    """A foot as the list has it."""
    return {
        "slide_cm_s": None if foot.slide_m_s is None else round_number(100 * foot.slide_m_s, 2),
        "slide_frame": foot.slide_frame,
        "under_mm": round_number(1000 * foot.under_m, 1),
        "under_frame": foot.under_frame,
        "over_mm": None if foot.over_m is None else round_number(1000 * foot.over_m, 1),
        "over_frame": foot.over_frame,
    }
