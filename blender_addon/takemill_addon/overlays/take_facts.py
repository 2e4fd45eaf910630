"""What overlays show of a take: its contacts, soles and root, as the engine finds them. Arrays alone."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import count

import numpy as np
from mathutils import Matrix

from takemill.base.checks import Array, Index
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.body.posed import joint_in_model
from takemill.clip.measure import planted_steps
from takemill.clip.root_motion import RootMotion, find_root_motion
from takemill.feet.contacts import Contacts, find_contacts
from takemill.feet.soles import foot_points
from takemill.goals.goal_figures import Figure, figures, floor_low, posed
from takemill.goals.goal_pose import GoalPose
from takemill.goals.goals import FLOOR, SURROUNDINGS
from takemill.recipe.recipe import Recipe

from .simplify import simplified

_NUMBERS = count()
_PATH_OFF_M = (
    0.003  # of a path as it is drawn from the whole one: less than a pixel where a body fills a window
)
_MAX_POINTS = 1000  # of a path as it is drawn: each is worked out on the processor without a graphics card
_FRAMES_TOGETHER = 64  # posed at once: they take no longer than three, one by one


@dataclass(frozen=True)
class Plant:
    """A foot that stands.

    Attributes:
        foot: its part.
        start, stop: frames of the take, half-open.
        place: (3,) the middle of the sole at first, metres.
        slide: (2,) how far it slides over the floor meanwhile, metres.
        floor_m: how high the floor under it is.
    """

    foot: str
    start: int
    stop: int
    place: Array
    slide: Array
    floor_m: float


class _Touched:
    """What parts touch in N frames, worked out when it is first asked for."""

    def __init__(self, figure: Figure, pose: GoalPose) -> None:
        self._figure, self._pose = figure, pose
        self._known: dict[tuple[str, str], tuple[Array, Array] | None] = {}

    def between(self, part: str, other: str) -> tuple[Array, Array] | None:
        """Lines (N, 2, 3) and gaps (N,); None where the body has no such parts.

        Of a part on a support a line to its own lowest height, which is the gap.
        """
        if (part, other) not in self._known:
            self._known[part, other] = self._find(part, other)
        return self._known[part, other]

    def _find(self, part: str, other: str) -> tuple[Array, Array] | None:
        figure, pose = self._figure, self._pose
        if part not in figure.anchors or other not in (*figure.anchors, *SURROUNDINGS):
            return None
        if other in SURROUNDINGS:
            height, point = floor_low(figure, pose, part)
            below = height if other == FLOOR else point[:, 2] - height
            return np.stack([point, point - below[:, None] * [0.0, 0.0, 1.0]], axis=1), height
        anchors = (figure.anchors[one] for one in (part, other))
        middles = [pose.point(anchor.joint, anchor.on_axis(0.5)) for anchor in anchors]
        return np.stack(middles, axis=1), figure.gap(pose, part, other)


@dataclass(frozen=True)
class Facts:
    """A take of F frames, in metres, as the character itself sees it.

    Attributes:
        motion, body, contacts: the engine's.
        start: the scene frame that is frame 0.
        soles: (F, K, 3) the middle between heel and toe of each foot.
        plants: when and where feet stand.
        root: the root's track.
        path: (K,) the frames of it that its path is drawn by.
        hips: (F, 3)
        from_take: from the take's space to the armature's.
        number: no other facts have it.
    """

    motion: Motion
    body: BodyMap
    contacts: Contacts
    start: int
    soles: Array
    plants: tuple[Plant, ...]
    root: RootMotion
    path: Index
    hips: Array
    from_take: Matrix
    number: int

    def index(self, frame: float) -> int:
        """The frame of the take nearest to one of the scene."""
        return min(max(round(frame) - self.start, 0), len(self.motion) - 1)

    @cached_property
    def plant_ends(self) -> tuple[Index, Index]:
        """The first frame of each plant, and the one after its last."""
        ends = np.array([(one.start, one.stop) for one in self.plants], np.intp).reshape(-1, 2)
        return ends[:, 0], ends[:, 1]

    def touch(self, part: str, other: str, index: int) -> tuple[Array, float] | None:
        """From a part to what it touches (2, 3) at a frame, and the gap between their surfaces, metres.

        None where the body has no such parts.
        """
        block, row = divmod(index, _FRAMES_TOGETHER)
        if block not in self._touched:
            self._touched.clear()
            first = block * _FRAMES_TOGETHER
            frames = self.motion.slice(first, min(first + _FRAMES_TOGETHER, len(self.motion)))
            self._touched[block] = _Touched(self.figure, posed(self.figure, frames))
        found = self._touched[block].between(part, other)
        return found and (found[0][row], float(found[1][row]))

    @cached_property
    def _touched(self) -> dict[int, _Touched]:
        """The last frames that were posed, by the number of their block."""
        return {}

    @cached_property
    def figure(self) -> Figure:
        """The body with its surface, as contacts of hands are found on it."""
        own = self.motion.skeleton, self.body
        return figures(*own, *own)[0]


def find_facts(
    motion: Motion,
    body: BodyMap,
    start: int,
    settings: Recipe,
    to_take: Matrix,
    known: Contacts | None = None,
) -> Facts:
    """The facts of a take that begins at a scene frame, with its contacts where they are known.

    Raises:
        TakemillError: the settings do not fit the take.
    """
    contacts = known or find_contacts(motion, body, settings.contacts)
    points = foot_points(motion, body)
    soles = points.mean(axis=2)
    steps, stands = planted_steps(points, np.stack([contacts.heel, contacts.toe], axis=-1))
    steps = np.where(stands[..., None], steps, 0.0)
    plants = []
    for k, foot in enumerate(contacts.feet):
        levels = contacts.levels_of(foot)
        for (first, stop), level in zip(contacts.ranges(foot), levels, strict=True):
            slide = steps[first : stop - 1, k].sum(axis=0)
            plants.append(Plant(foot, first, stop, soles[first, k], slide, level))
    root = find_root_motion(motion, body, settings.root_motion)
    hips = joint_in_model(motion, body.require("hips"))[1]
    return Facts(
        motion,
        body,
        contacts,
        start,
        soles,
        tuple(plants),
        root,
        simplified(root.position, _PATH_OFF_M, _MAX_POINTS),
        hips,
        to_take.inverted_safe(),
        next(_NUMBERS),
    )
