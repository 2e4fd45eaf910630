"""Face Offset and Clap in Face of a character, as a recipe says them: on the clock of an exported animation.

Blender's own exporter puts scene frame F at F / rate seconds of an animation; a take begins at 0 seconds.
"""

from __future__ import annotations

import bpy

from takemill.base.errors import InputError
from takemill.clip.clap import find_claps
from takemill.recipe.recipe_face import FaceSpec

from ..scene import scene_time
from ..takes import stage, takes
from . import faces

_LEAST_S = 1e-3  # the least number of seconds that a recipe takes


def face_spec(context: bpy.types.Context, armature: bpy.types.Object, work: stage.Work) -> FaceSpec | None:
    """What a recipe says of an armature's face beside the take of `work`; None where its fields say nothing.

    A clap is kept as one where the take has it.
    """
    kept = armature.takemill
    if not (kept.face_offset or kept.face_clap) or not faces.has_faces(context, armature):
        return None
    rate, start = scene_time.frame_rate(context.scene), work.take.start
    name, plain = faces.action_names(context, armature)[0], (kept.face_offset - start) / rate
    if kept.face_clap:
        try:
            clap_s = float(find_claps(work.take.motion, work.body)[0])
        except InputError:
            return FaceSpec(name, offset_s=_short(plain))
        return FaceSpec(
            name,
            offset_s=_short(plain + kept.face_clap / rate - clap_s),
            clap_s=_short(kept.face_clap / rate),
        )
    return FaceSpec(name, offset_s=_short(plain))


def face_fields(
    context: bpy.types.Context, armature: bpy.types.Object, spec: FaceSpec, work: stage.Work
) -> tuple[float, float] | None:
    """Face Offset and Clap in Face as a recipe says them; None where it is of another take or another face.

    Raises:
        InputError: its clap is to be found, and the take has none.
    """
    of_take = spec.take in ("", takes.take_name(work.action))
    if not of_take or spec.animation not in faces.action_names(context, armature):
        return None
    rate, offset_s = scene_time.frame_rate(context.scene), spec.offset_s
    if spec.clap_s is None:
        return work.take.start + offset_s * rate, armature.takemill.face_clap
    offset_s += float(find_claps(work.take.motion, work.body)[0]) - spec.clap_s
    return work.take.start + offset_s * rate, spec.clap_s * rate


def _short(value: float) -> float:
    """Seconds as a recipe takes them: to a hundredth of a millisecond, and none below a millisecond."""
    return round(value, 5) if abs(value) >= _LEAST_S else 0.0
