"""What is known of a take between two steps of its repair."""

from __future__ import annotations

from dataclasses import dataclass

from ..base.checks import Array, Index
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..feet.contacts import Contacts
from ..feet.rests import Rests
from ..health.finding import Finding
from ..health.profile import Kind
from .settings import RepairSettings


@dataclass(frozen=True)
class LowerBody:
    """The joints that carry the feet, as a motion of their own, and when the feet bear the body.

    Attributes:
        motion: of those joints alone.
        body: its body map.
        joints: (N,) their numbers in the whole skeleton.
        contacts: when the feet bear the body; the floor they stand on.
        rests: what carries it while no foot does; None where feet always do.
        is_changed: whether a step has moved them.
    """

    motion: Motion
    body: BodyMap
    joints: Index
    contacts: Contacts
    rests: Rests | None = None
    is_changed: bool = False


@dataclass(frozen=True)
class RepairState:
    """A take between two steps of its repair.

    Attributes:
        raw: the take as it came, but for the jitter of a path that joints below the root have.
        body: its body map.
        settings: which faults are repaired, and how far.
        profile: what recorded the take.
        rotations: (F, J, 4) local, as repaired so far.
        root: (F, 3) the path of joint 0, metres, as repaired so far.
        in_place_m: how far its feet walk while its hips stay in place, metres; 0 where the take has its path.
        has_path_from_feet: whether the path was found from the feet.
        lower: the joints that carry the feet, once contacts are found; from then on it says where they and
            the root are. None before, and where no foot bears the body.
        findings: what was found so far.
    """

    raw: Motion
    body: BodyMap
    settings: RepairSettings
    profile: Kind
    rotations: Array
    root: Array
    in_place_m: float = 0.0
    has_path_from_feet: bool = False
    lower: LowerBody | None = None
    findings: tuple[Finding, ...] = ()

    @property
    def stays_in_place(self) -> bool:
        """Whether the body walks in place and is meant to: its feet move over the floor as on a belt."""
        return self.in_place_m > 0 and not self.has_path_from_feet
