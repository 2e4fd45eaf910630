"""A take in a script's hands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from ..base.checks import Array
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..feet.contacts import Contacts
from ..files.bvh_layout import BvhLayout
from ..health.finding import Finding


@dataclass(frozen=True)
class Take:
    """A take and what is known of it; the verbs give changed copies and leave it as it is.

    Example:
        >>> take = takemill.read_take("take.bvh")
        >>> take.name, take.frames, take.rate, take.body["leftFoot"]

    Attributes:
        name: of the take; a set's takes have names of their own.
        motion: F frames of J joints (internal).
        body_map: which joint each part is mapped to (internal; `body` has it by names).
        layout: how its file stores it (internal).
        digest: SHA-256 of what was read, in hexadecimal; "" for a take from elsewhere.
        path: the file; None for a take from elsewhere. It is never changed.
        raw: the take as it came, once it is repaired (internal).
        findings: what its repair found.
        contacts: when its feet are planted, where that is known better than from its motion (internal).
    """

    name: str
    motion: Motion
    body_map: BodyMap
    layout: BvhLayout
    digest: str = ""
    path: Path | None = None
    raw: Motion | None = None
    findings: tuple[Finding, ...] = ()
    contacts: Contacts | None = None

    @property
    def frames(self) -> int:
        """How many frames it has."""
        return len(self.motion)

    @property
    def rate(self) -> float:
        """Frames per second; frame f lies at f / rate seconds."""
        return self.motion.rate

    @property
    def duration_s(self) -> float:
        """Seconds from the first frame to the last."""
        return self.motion.duration_s

    @property
    def joints(self) -> tuple[str, ...]:
        """The names of its J joints."""
        return self.motion.skeleton.names

    @property
    def body(self) -> Mapping[str, str]:
        """The joint that plays each part; parts carry the bone names of VRM 1.0."""
        return self.body_map.names(self.motion.skeleton)

    @property
    def is_repaired(self) -> bool:
        """Whether `repair_take` made it."""
        return self.raw is not None

    def positions(self) -> Array:
        """Where its joints are (F, J, 3): metres, Z up, facing -Y at heading 0."""
        return self.motion.model()[1]
