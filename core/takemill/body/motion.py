"""A skeleton moving: what every stage takes and gives."""

from __future__ import annotations

from collections.abc import Mapping
from copy import copy
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from ..base.checks import Array, expect_finite, expect_positive, expect_shape, owned
from ..base.errors import InputError
from ..maths import kinematics, quat, series
from .skeleton import Skeleton


@dataclass(frozen=True)
class Motion:
    """F frames of a skeleton of J joints; all arrays are read-only float64.

    Rotations and translations are whole local transforms, the rest included, as a glTF node holds them:
    the rest pose is `rotations == skeleton.rest_rotation`, not the identity.

    Attributes:
        skeleton: the joints at rest.
        rate: frames per second; frame f lies at f / rate seconds.
        rotations: (F, J, 4) in the parent's space, unit, hemisphere-continuous in time.
        root_translation: (F, 3) of joint 0, metres.
        translations: joint -> (F, 3) in the parent's space, metres, for the other joints that move apart
            from their parent; all others keep their rest translation.
    """

    skeleton: Skeleton
    rate: float
    rotations: Array
    root_translation: Array
    translations: Mapping[int, Array] = field(default_factory=dict)

    def __post_init__(self) -> None:
        expect_positive(self.rate, "motion rate")
        count = len(self.skeleton)
        rotations = np.asarray(self.rotations, dtype=np.float64)
        expect_shape(rotations, (None, count, 4), "motion rotations")
        frames = len(rotations)
        if frames == 0:
            raise InputError("motion: it has no frames")
        expect_finite(rotations, "motion rotations")
        tracks = {0: self.root_translation, **self.translations}
        if len(tracks) != len(self.translations) + 1:
            raise InputError("motion: joint 0 moves by root_translation, not by translations")
        for joint, track in tracks.items():
            if not 0 <= joint < count:
                raise InputError(f"motion: a translation track for joint {joint} of {count}")
            tracks[joint] = owned(track)
            expect_shape(tracks[joint], (frames, 3), f"translation of {self.skeleton.names[joint]!r}")
            expect_finite(tracks[joint], f"translation of {self.skeleton.names[joint]!r}")
        object.__setattr__(self, "rate", float(self.rate))
        rotations = quat.normalize(rotations)
        quat.make_continuous(rotations)
        rotations.setflags(write=False)
        object.__setattr__(self, "rotations", rotations)
        object.__setattr__(self, "root_translation", tracks.pop(0))
        object.__setattr__(self, "translations", MappingProxyType(dict(sorted(tracks.items()))))

    @classmethod
    def trusted(
        cls,
        skeleton: Skeleton,
        rate: float,
        rotations: Array,
        root_translation: Array,
        translations: Mapping[int, Array],
    ) -> Motion:
        """A motion of good arrays, (F, J, 4) and (F, 3), that nobody else writes to: not looked at again.

        They are unit, continuous, float64 and of the skeleton's joints, as those of a motion they come from.
        """
        out = object.__new__(cls)
        tracks = dict(sorted(translations.items()))
        for array in (rotations, root_translation, *tracks.values()):
            array.setflags(write=False)
        out.__dict__.update(
            skeleton=skeleton,
            rate=rate,
            rotations=rotations,
            root_translation=root_translation,
            translations=MappingProxyType(tracks),
        )
        return out

    def __len__(self) -> int:
        return len(self.rotations)

    @property
    def duration_s(self) -> float:
        """Seconds from the first frame to the last."""
        return (len(self) - 1) / self.rate

    def local_translations(self) -> Array:
        """The local translation of every joint (F, J, 3), metres."""
        out = np.broadcast_to(self.skeleton.rest_translation, (len(self), len(self.skeleton), 3)).copy()
        out[:, 0] = self.root_translation
        for joint, track in self.translations.items():
            out[:, joint] = track
        return out

    def model(self) -> tuple[Array, Array]:
        """Model space: rotations (F, J, 4) and joint positions (F, J, 3), metres."""
        return kinematics.model_from_local(self.skeleton.parents, self.rotations, self.local_translations())

    def with_skeleton(self, skeleton: Skeleton) -> Motion:
        """The same motion on another skeleton with as many joints, without another look at its arrays.

        Raises:
            InputError: the skeleton has more or fewer joints.
        """
        if len(skeleton) != len(self.skeleton):
            raise InputError(f"motion: of {len(self.skeleton)} joints, the skeleton has {len(skeleton)}")
        out = copy(self)
        object.__setattr__(out, "skeleton", skeleton)
        return out

    def with_rotations(self, rotations: Array) -> Motion:
        """The same motion with other local rotations (F, J, 4)."""
        return replace(self, rotations=rotations)

    def with_joints(self, rotations: Mapping[int, Array]) -> Motion:
        """The same motion with other local rotations (F, 4) of some joints; only they are looked at again."""
        out = np.array(self.rotations, order="C")
        for joint, turns in rotations.items():
            expect_finite(turns, f"rotations of {self.skeleton.names[joint]!r}")
            turns = quat.normalize(turns)
            quat.make_continuous(turns)
            out[:, joint] = turns
        return Motion.trusted(self.skeleton, self.rate, out, self.root_translation, self.translations)

    def with_translation(self, joint: int, track: Array) -> Motion:
        """The same motion with another local translation (F, 3), metres, of one joint."""
        if joint == 0:
            return replace(self, root_translation=track)
        return replace(self, translations={**self.translations, joint: track})

    def translation_of(self, joint: int) -> Array:
        """The local translation (F, 3), metres, of one joint."""
        if joint == 0:
            return self.root_translation
        if joint in self.translations:
            return self.translations[joint]
        return np.broadcast_to(self.skeleton.rest_translation[joint], (len(self), 3))

    def slice(self, start: int, stop: int) -> Motion:
        """Frames `start` up to and without `stop`.

        Raises:
            InputError: the range is empty or leaves the motion.
        """
        if not 0 <= start < stop <= len(self):
            raise InputError(f"frames {start} to {stop}: outside the motion's 0 to {len(self)}")
        return replace(
            self,
            rotations=self.rotations[start:stop],
            root_translation=self.root_translation[start:stop],
            translations={j: track[start:stop] for j, track in self.translations.items()},
        )

    def resampled(self, rate: float, loop: bool = False) -> Motion:
        """The same motion at another rate: slerp and straight lines between frames, no low-pass.

        Frame 0 stays; the last frame is the last that the motion still covers. A loop keeps both its ends
        (see `series.frames_at`).
        """
        expect_positive(rate, "rate")
        return self.sampled(series.frames_at(len(self), self.rate, rate, loop), rate)

    def sampled(self, frames: Array, rate: float) -> Motion:
        """The motion at fractional frame numbers (N,), called frames 0 to N - 1 at `rate`."""
        return Motion(
            self.skeleton,
            rate,
            series.sample_rotations(self.rotations, frames),
            series.sample_vectors(self.root_translation, frames),
            {j: series.sample_vectors(track, frames) for j, track in self.translations.items()},
        )
