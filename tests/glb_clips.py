"""Clips for GLB files from motions in the core's axes."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from takemill.body.motion import Motion
from takemill.files.glb import GlbClip
from takemill.files.glb_axes import motions_in_gltf
from takemill.keys.tracks import Track, dense_tracks


def in_gltf(motion: Motion) -> Motion:
    """The motion in glTF's axes."""
    return motions_in_gltf([motion])[0]


def clip_of(
    name: str,
    motion: Motion,
    keys: Callable[[Motion], tuple[Track, ...]] = dense_tracks,
    extras: Mapping[str, object] | None = None,
) -> GlbClip:
    """A clip with the keys that a function makes of the motion in glTF's axes."""
    inside = in_gltf(motion)
    return GlbClip(name, inside.rate, inside.skeleton, keys(inside), extras or {})
