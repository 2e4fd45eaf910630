"""Who is seen beside a character in its report: the performer, and the other characters of the same pack."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from ..base.errors import TakemillError
from ..files.glb_animations import without_animations
from ..files.glb_read import GlbScene
from ..pipeline import stages
from ..pipeline.finish_clip import FinishedClip
from ..pipeline.plan_clips import Plan
from ..pipeline.prepare_take import PreparedTake
from .report_figures import Companion
from .report_mesh import mesh_of

PERFORMER = "performer"
"""What the performer is called beside the characters."""


def performers_clips(takes: Sequence[PreparedTake], plan: Plan) -> tuple[FinishedClip, ...]:
    """The clips of a plan on the performer's own skeleton; those that cannot be made are left out."""
    try:
        return stages.resample_clips(stages.make_clips(takes, plan, failed=_leave_out))
    except TakemillError:  # the only clip, or the neutral one: then there is nothing to show
        return ()


def _leave_out(name: str, problem: TakemillError) -> None:
    del name, problem


def seen_beside(
    performed: Sequence[FinishedClip], characters: Iterable[tuple[str, bytes, Sequence[FinishedClip]]]
) -> dict[str, list[Companion]]:
    """By character, all others: the performer first.

    Args:
        performed: the performer's clips; none where they are not known.
        characters: name, GLB with the mesh, and clips of each.

    Raises:
        GlbError: a mesh is malformed.
    """
    everybody = [
        Companion(name, clips, mesh_of(GlbScene(without_animations(glb), name), clips[0].motion.skeleton))
        for name, glb, clips in characters
    ]
    first = [Companion(PERFORMER, performed)] if performed else []
    return {one.name: [*first, *(other for other in everybody if other is not one)] for one in everybody}
