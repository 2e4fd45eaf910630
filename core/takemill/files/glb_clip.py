"""A clip for a GLB file, and how it goes below the nodes of one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from ..body.skeleton import Skeleton
from ..keys.tracks import Track, turn_track
from ..keys.weight_keys import WeightTrack
from .glb_axes import Y_UP
from .glb_place import Place


@dataclass(frozen=True)
class GlbClip:
    """A clip to be written, in glTF's axes: of a motion from `glb_axes.motions_in_gltf`.

    Attributes:
        name: what the engine calls it.
        rate: frames per second of the tracks' frame numbers.
        skeleton: the joints that the tracks move; the file knows them by their names.
        tracks: the channels; a joint without one stands at its rest.
        extras: facts to carry along, of the types that JSON knows.
        weights: what its meshes' shapes play.
    """

    name: str
    rate: float
    skeleton: Skeleton
    tracks: tuple[Track, ...]
    extras: Mapping[str, object] = field(default_factory=dict)
    weights: tuple[WeightTrack, ...] = ()

    def placed(self, place: Place, skeleton: Skeleton) -> GlbClip:
        """The clip as joints play it that hang elsewhere.

        Args:
            place: from the space that the clip was made in to that of the file's topmost joints, both in the
                core's axes.
            skeleton: the joints at rest there, in glTF's axes: one for all clips, since it is looked up.
        """
        there = Place(Y_UP, np.zeros(3))
        seen, parents = there @ place @ there.inverse, self.skeleton.parents
        tracks = tuple(
            turn_track(
                track, seen.rotation, seen.scale, seen.translation if parents[track.joint] < 0 else None
            )
            for track in self.tracks
        )
        return replace(self, skeleton=skeleton, tracks=tracks)
