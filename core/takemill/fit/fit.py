"""The same motion on another body (retarget): the order of the steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, expect_positive, expect_shape
from ..base.errors import InputError
from ..body.body_map import BodyMap, leg_length
from ..body.motion import Motion
from ..body.posed import Posed
from ..body.skeleton import Skeleton
from ..feet.contacts import Contacts, find_contacts
from ..goals.find_goals import find_goals
from ..goals.goal_figures import figures, posed
from ..goals.goal_results import GoalResult, after_moves
from ..goals.goals import KINDS, SURROUNDINGS, arm_weights, wanted_goals
from ..goals.solve_goals import keep_goals
from ..shape.capsules import Capsules
from ..shape.scale import Scale
from .arms_out import hold_arms_out
from .clearance import Clearance, clear_arms
from .fingers import hold_hand_pose
from .fit_feet import plant_feet
from .fit_rotations import fit_rotations
from .part_of_body import PARTS
from .rest_match import POSTURES
from .twist import share_twist


@dataclass(frozen=True)
class FitSettings:
    """How a motion is carried over.

    Attributes:
        path_scale: target metres per source metre along the floor; None takes the ratio of leg lengths,
            with which feet that stood keep standing.
        floor_m: height of the floor that the performer stands on; the target's floor is at 0.
        arm_clearance_deg: hanging arms are held out this much further, for a body broader than the
            performer's; it fades as an arm is raised to the shoulder.
        plant_feet: bend the target's legs so that planted feet stand, not only point, as the performer's.
        clear_arms: turn arms out of trunk, head and thighs where the character's mesh would meet itself.
        posture: "keep" the character's own: what the performer turns away from rest is added to how the
            character holds hips, trunk, head and collar bones at rest. Or "match" the performer's: both rest
            poses are compared there too.
        hand_pose: the character's own Action or animation whose first frame hands hold while the take has no
            fingers; "" for none. Who calls `fit` reads it.
        rest_pose: another one, whose first frame stands beside the performer's rest pose; "" for its rest.
        goals: which contacts of hands and body are kept: "hands" (one on the other), "prop" (both on one
            thing), "body" (a hand on the own body), "floor" (hands, elbows, knees or hips on the floor),
            "support" (the same on a chair, a box or a bench, whose height is scaled as the legs are).
        without_goals: those of them that are left out, by their names: "leftHand on head 12.30s".
        part: "whole", or what alone is fitted and merged onto another motion: "upper_body", "arms",
            "left_arm", "right_arm" or "legs" (see part_of_body).
        part_blend_s: how long such a part comes and goes where the take begins or ends inside that motion.
    """

    path_scale: float | None = None
    floor_m: float = 0.0
    arm_clearance_deg: float = 0.0
    plant_feet: bool = True
    clear_arms: bool = True
    posture: str = "keep"
    hand_pose: str = ""
    rest_pose: str = ""
    goals: tuple[str, ...] = KINDS
    without_goals: tuple[str, ...] = ()
    part: str = "whole"
    part_blend_s: float = 0.2

    def __post_init__(self) -> None:
        if self.part not in PARTS:
            raise InputError(f"fit part: expected one of {', '.join(PARTS)}, got {self.part!r}")
        if not 0 <= self.part_blend_s < np.inf:
            raise InputError(f"fit part_blend_s: expected 0 s or more, got {self.part_blend_s}")
        for kind in self.goals:
            if kind not in KINDS:
                raise InputError(f"fit goals: expected some of {', '.join(KINDS)}, got {kind!r}")


@dataclass(frozen=True)
class Fitted:
    """A motion on its target, and what became of the contacts that it should keep.

    Attributes:
        motion: of the target.
        goals: the contacts of hands and body, in the order of time.
        clearance: how deep arms lay in the body, and lie; None where they were not cleared.
    """

    motion: Motion
    goals: tuple[GoalResult, ...]
    clearance: Clearance | None = None


def fit(
    motion: Motion,
    body: BodyMap,
    target: Skeleton,
    target_body: BodyMap,
    settings: FitSettings = FitSettings(),
    contacts: Contacts | None = None,
    hand_pose: Array | None = None,
    shape: Capsules | None = None,
) -> Motion:
    """The motion on `target`: bones point where the performer's point, in the same model space.

    Parts that both bodies have take the source's turn through frames that mean the same on both (see
    rest_frames). The turn from hips to chest and from chest to head is spread over the target's joints
    between them, however many either has. Parts and joints that only the target has keep their rest; so
    does a root above the hips, unless the source has one too. The middle of the hip joints takes the
    source's path, scaled; its height is scaled above the standing ankles', so that soles keep to the floor.
    Where `contacts` (found on the source when None) say that a foot is planted, it stands (see fit_feet).
    Hands whose fingers the source lacks hold `hand_pose`, local rotations (J, 4) of the target, if given.
    Hands and body touch what the performer's touch (see goals). Twist joints get their share (see twist).
    With the target's surface, `shape`, its arms stay out of its body (see clearance).

    Returns:
        F frames at the same rate; only the hips (and a root that both have) move apart from their parent.

    Raises:
        BodyMapError: hips or a leg joint are not mapped.
        InputError: a body map names joints that its skeleton lacks, a scale is not above 0, or contacts have
            another number of frames.
    """
    given = (motion, body, target, target_body, settings, contacts, hand_pose, shape)
    return fit_with_goals(*given).motion


def fit_with_goals(
    motion: Motion,
    body: BodyMap,
    target: Skeleton,
    target_body: BodyMap,
    settings: FitSettings = FitSettings(),
    contacts: Contacts | None = None,
    hand_pose: Array | None = None,
    shape: Capsules | None = None,
) -> Fitted:
    """What `fit` gives, with a hand pose (J, 4) or none, and how near its goals are."""
    _expect_fitting(motion, body, target, target_body, settings, contacts, hand_pose)
    ratio = leg_length(target, target_body) / leg_length(motion.skeleton, body)
    scale = Scale(settings.path_scale or ratio, ratio, settings.floor_m)
    performer = Posed(motion)
    fitted = fit_rotations(performer, body, target, target_body, scale, settings.posture)
    if hand_pose is not None:
        fitted = hold_hand_pose(fitted, target_body, body, hand_pose)
    if settings.arm_clearance_deg:
        fitted = hold_arms_out(fitted, target_body, np.radians(settings.arm_clearance_deg))
    if settings.plant_feet:
        contacts = contacts or find_contacts(motion, body)
        fitted = plant_feet(performer, body, contacts, fitted, target_body, scale)
    clears, clearance = (shape if settings.clear_arms else None), None
    if not settings.goals:
        if clears is not None:
            fitted, clearance = clear_arms(fitted, target_body, clears)
        return Fitted(share_twist(fitted, target_body), (), clearance)
    bodies = figures(motion.skeleton, body, target, target_body, target_shape=shape)
    source = posed(bodies[0], motion)
    goals = find_goals(source, bodies[0], settings.floor_m)
    goals = wanted_goals(goals, settings.goals, settings.without_goals)
    standing = contacts if settings.plant_feet else None
    fitted, results = keep_goals(fitted, goals, source, bodies, scale, standing)
    if clears is not None:
        reached = [one.goal for one in results if one.reached]
        touching = [goal for goal in reached if goal.kind in ("body", *SURROUNDINGS)]
        held, touches = (arm_weights(some, len(motion), motion.rate) for some in (reached, touching))
        cleared, clearance = clear_arms(fitted, target_body, clears, held, touches)
        if clearance.moved:
            results = after_moves(results, fitted, cleared, target_body)
        fitted = cleared
    return Fitted(share_twist(fitted, target_body), results, clearance)


def _expect_fitting(
    motion: Motion,
    body: BodyMap,
    target: Skeleton,
    target_body: BodyMap,
    settings: FitSettings,
    contacts: Contacts | None,
    hand_pose: Array | None,
) -> None:
    """Refuses what no fit can be made of, before any work."""
    for skeleton, parts, name in ((motion.skeleton, body, "source"), (target, target_body, "target")):
        if max(parts.joints.values(), default=0) >= len(skeleton):
            raise InputError(
                f"fit: the {name}'s body map names joint {max(parts.joints.values())} of {len(skeleton)}"
            )
    if settings.path_scale is not None:
        expect_positive(settings.path_scale, "fit path_scale")
    if not abs(settings.arm_clearance_deg) <= 90:
        raise InputError(f"fit arm_clearance_deg: expected -90 to 90, got {settings.arm_clearance_deg}")
    if settings.posture not in POSTURES:
        raise InputError(f"fit posture: expected one of {', '.join(POSTURES)}, got {settings.posture!r}")
    if hand_pose is not None:
        expect_shape(hand_pose, (len(target), 4), "fit hand_pose")
    if contacts is not None and len(contacts.heel) != len(motion):
        raise InputError(f"fit: contacts of {len(contacts.heel)} frames for a motion of {len(motion)}")
