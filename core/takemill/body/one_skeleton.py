"""Takes of one performer brought onto one skeleton: where files differ only in what a motion says anew."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from .motion import Motion
from .reference_pose import with_reference_of


def with_one_skeleton(motions: Mapping[str, Motion]) -> dict[str, Motion]:
    """Takes, by name, with the first one's skeleton and the most upright of their reference poses.

    Joints that a take places anew in each frame may rest anywhere, since some exporters write their place in
    frame 0 as OFFSET. A take of another skeleton stays as it is.
    """
    (first, motion), *others = motions.items()
    out = {first: motion}
    for name, other in others:
        out[name] = _onto(motion, other)
    alike = [name for name, one in out.items() if one.skeleton.difference(motion.skeleton) == ""]
    best = max(alike, key=lambda name: _score(motions[name]))  # of equals the first
    whole = out[best] if _score(motions[best]) > _score(motion) else motion
    origin = "rest" if whole.skeleton.reference is None else whole.skeleton.reference.origin
    for name in alike:
        same = origin if name == best or origin == "rest" else f"{origin} of {best}"
        out[name] = with_reference_of(out[name], motions[best].skeleton, same)
    if motions[best].skeleton.reference is None:
        return {
            name: replace(one, skeleton=one.skeleton.with_reference(None)) if name in alike else one
            for name, one in out.items()
        }
    return out


def _score(motion: Motion) -> float:
    return 1.0 if motion.skeleton.reference is None else motion.skeleton.reference.score


def _onto(first: Motion, other: Motion) -> Motion:
    """The motion on the first one's skeleton, where that changes nothing that is seen."""
    placed = [{0, *one.translations} for one in (first, other)]
    either = placed[0] | placed[1]
    if first.skeleton.difference(other.skeleton, either):
        return other
    moved = first.skeleton.difference(other.skeleton, placed[1]) != ""
    for joint in sorted(either - placed[1]) if moved else ():
        other = other.with_translation(joint, other.translation_of(joint))
    reference = other.skeleton.reference
    return replace(other, skeleton=first.skeleton.with_reference(reference))
