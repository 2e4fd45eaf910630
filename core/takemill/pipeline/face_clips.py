"""Finished clips with the faces that their takes were given: cut where they were, closed, blended, varied."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from ..base.checks import Array
from ..clip.chain import join_tracks
from ..clip.face import Face
from ..idle.idle_join import join_values
from ..loops.loop_close import CloseSettings, close_vectors
from ..maths import series
from .finish_clip import FinishedClip
from .meet_loops import loop_of, meeting
from .swing_clips import own_share


def face_clips(
    clips: Sequence[FinishedClip],
    faces: Mapping[str, Sequence[Face]],
    rates: Mapping[str, float],
    neutral: str = "",
) -> tuple[FinishedClip, ...]:
    """The clips with what their faces play, at the rates that they leave with.

    Weights run straight between the frames of a face and keep to its limits. Loops close as the body does,
    and what is joined of stretches or parts joins as it does. Ends of one-shots go over into the `neutral`
    clip's first weights, and ends that meet a loop into the loop's. Additive clips have none (`faceless`).

    Args:
        clips: at the rates that they leave with.
        faces: by take, on its clock.
        rates: by take, its frames per second.
        neutral: the clip that one-shots were blended onto.
    """
    played = {
        clip.name: tuple(_play(clip, face, rates[clip.source]) for face in faces.get(clip.source, ()))
        for clip in clips
        if not faceless(clip)
    }
    rest = {face.mesh: face.values[0] for face in played.get(neutral, ())}
    out = []
    for clip in clips:
        mine = played.get(clip.name, ())
        if clip.blend_frames:
            mine = tuple(
                _over(face, rest.get(face.mesh, face.values[0]), 1 - own_share(clip)) for face in mine
            )
        for key in clip.joins:
            loop = loop_of(clip, key, clips)
            cycles = {face.mesh: face for face in played.get(loop.name, ())} if loop else {}
            mine = tuple(
                _meet(face, cycles[face.mesh].values, key, clip.join_frames) if face.mesh in cycles else face
                for face in mine
            )
        out.append(replace(clip, faces=mine))
    return tuple(out)


def faceless(clip: FinishedClip) -> str:
    """Why a clip plays no face; "" for one that can."""
    return "it holds differences" if clip.additive else ""


def describe_faceless(clips: Sequence[FinishedClip], faces: Mapping[str, Sequence[Face]]) -> list[str]:
    """A line for all clips that leave their take's face out."""
    left = [f"{clip.name!r} ({why})" for clip in clips if faces.get(clip.source) and (why := faceless(clip))]
    return [f"without the face: clip {', '.join(left)}"] if left else []


def _play(clip: FinishedClip, face: Face, rate: float) -> Face:
    """A face in a clip of a take of this rate, closed where that repeats, mirrored where that is."""
    count, settings = len(clip.motion), clip.settings.close if clip.settings else CloseSettings()
    start, stop = clip.source_range
    if clip.stretch_joins:
        face, (start, stop) = _join(clip, face, rate)
    first, last = start / rate, (stop - 1) / rate
    step = (last - first) / max(count - 1, 1)
    if not clip.loop and not clip.blend_frames and not clip.joins:  # it ends on a whole frame of its rate
        step = (clip.variant.speed if clip.variant else 1.0) / clip.motion.rate
    lead_in = lead_out = 0
    if clip.loop and count > 1:
        reach = settings.seam_s * clip.motion.rate
        lead = min(int(reach), (count - 1) // 2)
        lead_in = min(lead, max(int((first - face.start_s) / step), 0)) if step > 0 else 0
        end_s = face.start_s + (len(face) - 1) / face.rate
        lead_out = min(lead, max(int((end_s - last) / step), 0)) if step > 0 else 0
    if clip.idle is not None:
        joined = join_values(rate, lambda frames: face.at(frames / rate), clip.stretches)
        values = series.sample_vectors(joined, np.linspace(0, len(joined) - 1, count))
    else:
        values = face.at(first + step * np.arange(-lead_in, count + lead_out))
    if clip.idle is None and clip.loop and count > 1:
        values = close_vectors(values, lead_in, lead_out, settings.seam_s * clip.motion.rate)
    out = Face(face.mesh, face.names, face.limits, clip.motion.rate, face.within_limits(values))
    return out.mirrored() if clip.variant and clip.variant.mirror else out


def _join(clip: FinishedClip, face: Face, rate: float) -> tuple[Face, tuple[int, int]]:
    """What a face plays in a clip's stretches, joined as these are, and which frames [start, stop) count."""
    parts = [face.at(np.arange(*one) / rate) for one in clip.stretches]
    joined = replace(face, rate=rate, values=join_tracks(parts, clip.stretch_joins), start_s=0.0)
    seam = clip.candidate
    return joined, (seam.start, seam.end + 1) if seam else (0, len(joined))


def _over(face: Face, weights: Array, part: Array) -> Face:
    """A face that is `weights` (W,) or (F, W) where `part` (F,) is 1."""
    return replace(face, values=face.values + part[:, None] * (weights - face.values))


def _meet(face: Face, cycle: Array, key: str, frames: int) -> Face:
    """A face that goes over into a loop's weights (N, W) within some frames of an end."""
    there, share = meeting(len(face), len(cycle), key, frames)
    return _over(face, cycle[there], share)
