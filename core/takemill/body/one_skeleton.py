"""Takes of one performer brought onto one skeleton: where files differ only in what a motion says anew."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from .motion import Motion


def with_one_skeleton(motions: Mapping[str, Motion]) -> dict[str, Motion]:
    """Takes, by name, with the first one's skeleton and the most upright of their reference poses.

    Joints that a take places anew in each frame may rest anywhere, since some exporters write their place in
    frame 0 as OFFSET. A take of another skeleton stays as it is.
    """
    first, *others = motions
    out = {first: motions[first]} | {name: _onto(motions[first], motions[name]) for name in others}
    alike = [name for name, one in out.items() if not one.skeleton.difference(motions[first].skeleton)]
    best = max(alike, key=lambda name: motions[name].skeleton.reference_score)  # of equals the first
    reference = motions[best].skeleton.reference
    if reference is not None and reference.origin.startswith("frame") and len(alike) > 1:
        reference = replace(reference, origin=f"{reference.origin} of {best}")
    whole = motions[first].skeleton.with_reference(reference)
    return {name: one.with_skeleton(whole) if name in alike else one for name, one in out.items()}


def _onto(first: Motion, other: Motion) -> Motion:
    """The motion on the first one's skeleton, where that changes nothing that is seen."""
    placed = [{0, *one.translations} for one in (first, other)]
    either = placed[0] | placed[1]
    if first.skeleton.difference(other.skeleton, either):
        return other
    moved = first.skeleton.difference(other.skeleton, placed[1]) != ""
    for joint in sorted(either - placed[1]) if moved else ():
        other = other.with_translation(joint, other.translation_of(joint))
    return other.with_skeleton(first.skeleton)
