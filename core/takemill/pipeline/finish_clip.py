"""A cut clip finished at the take's rate: put on its path, pinned, blended, with its events, and parted."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from ..base.checks import Array
from ..base.errors import RecipeError
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..clip.chain import Join, blend_ends
from ..clip.events import Event, foot_events, gait_phase, jump_events, strike_events
from ..clip.face import Face
from ..clip.root_motion import (
    RootMotion,
    RootMotionSettings,
    add_root_joint,
    bend_to_ends,
    find_root_motion,
    move_to_origin,
    steady_root_motion,
)
from ..clip.root_motion_parts import (
    RootMotionParts,
    restore_points,
    restore_root_motion,
    split_root_motion,
)
from ..clip.root_motion_shape import ShapeSettings, shape_root_motion
from ..feet.contacts import Contacts
from ..feet.pin import pin_feet
from ..fit.clearance import Clearance
from ..goals.goal_results import GoalResult
from ..idle.idle import IdleFacts
from ..loops.gait_join import Moved, follow_on, lead_into
from ..loops.loop_feet import pin_loop
from ..loops.loop_search import LoopCandidate
from ..maths import quat
from ..recipe.recipe import ClipSpec, Recipe, VariantSpec, parts_of, rate_of
from .cut_clip import Piece
from .leg_reach import LegReach

PINNED_KINDS = ("locomotion", "idle")
"""Kinds of loops whose planted feet are pinned again."""

_STRIKING_KINDS = ("strike", "other")
_JUMPING_KINDS = ("jump", "strike", "roll", "other")  # the flights of a run are no jumps
_MAX_TURN_CHANGE_DEG = 45.0  # a wanted turn that is further off is taken for a slip (chosen by eye)


@dataclass(frozen=True)
class Swinging:
    """What swings in a clip.

    Attributes:
        chains: names of the joints that swing, by chain.
        gap_m: how far the ends of two cycles of a loop lay apart when they were mixed; 0 where they met.
    """

    chains: tuple[tuple[str, tuple[str, ...]], ...]
    gap_m: float = 0.0


@dataclass(frozen=True)
class FinishedClip:
    """A clip ready to be written.

    Attributes:
        name: of the clip.
        kind: one of cuts.KINDS.
        motion: what plays (F frames), root motion split.
        body: its body map; it has a root joint when any clip of the set has its root motion there.
        loop: whether it repeats; then its last pose equals its first, root motion apart.
        parts: where each part of its root motion went.
        root_motion: the whole root track (F,), from 0 on, with what was removed or kept on the body.
        events: events, by frame of the clip.
        candidate: the seam of a loop, in frames of the take, or of the joined stretches; None for others.
        source: name of the take.
        source_range: frames [start, stop) of the take, from the first used to the last.
        contacts: of the clip; where its feet were pinned, when they stand still.
        stretches: frames [start, stop) of the take that were joined; empty for a clip of one stretch.
        blend_frames: in how many frames each end goes over into the set's neutral pose.
        variant: what it was made from, and how; None for a clip of the take.
        asked: the clip as the recipe asked for it; None for one that came from elsewhere.
        settings: the recipe whose tables made it; None for one that came from elsewhere.
        touches: contacts as they were found, before pinning dropped those that cannot stand: foot events come
            from these, and pinning at another rate. None: they are not known.
        swinging: the chains that swing in it; None for none.
        goals: what became of the contacts of hands and body in its frames; of a fitted take.
        idle: of an idle with a length, how it was put together; None for others.
        no_loop: why a clip that was to be a loop is none; "" for others.
        clearance: how deep arms lay in the body in its frames, and lie; None where they were not cleared.
        reach: what the character's legs lack in its frames; None where nothing was fitted.
        faces: what the shapes of its character's meshes play, in its frames.
        own_joints: those that play what the character's file brings for them.
        stretch_joins: where its stretches go over into each other; empty for an idle with a length.
    """

    name: str
    kind: str
    motion: Motion
    body: BodyMap
    loop: bool
    parts: RootMotionParts
    root_motion: RootMotion
    events: tuple[Event, ...]
    candidate: LoopCandidate | None
    source: str
    source_range: tuple[int, int]
    contacts: Contacts
    stretches: tuple[tuple[int, int], ...] = ()
    blend_frames: int = 0
    variant: VariantSpec | None = None
    asked: ClipSpec | None = None
    settings: Recipe | None = None
    touches: Contacts | None = None
    swinging: Swinging | None = None
    goals: tuple[GoalResult, ...] = ()
    idle: IdleFacts | None = None
    no_loop: str = ""
    clearance: Clearance | None = None
    reach: LegReach | None = None
    faces: tuple[Face, ...] = ()
    own_joints: tuple[int, ...] = ()
    stretch_joins: tuple[Join, ...] = ()

    @property
    def root_motion_mode(self) -> str:
        """Its `parts` in a word: "keep", "root" or "in_place"."""
        return self.parts.mode

    @property
    def additive(self) -> bool:
        """Whether it holds offsets from the rest pose, to be added to other poses."""
        return self.variant is not None and bool(self.variant.additive_to)

    @property
    def world_motion(self) -> Motion:
        """What plays, moving over the floor as it did: with what was removed of the root motion."""
        return restore_root_motion(self.motion, self.root_motion, self.parts)

    def restore_points(self, points: Array) -> Array:
        """Model-space points (F, ..., 3) with what was removed of its root motion put back."""
        return restore_points(points, self.root_motion, self.parts)

    @property
    def strides(self) -> Array | None:
        """Strides (F,) made up to each frame, whole ones where the left foot comes down; None without a gait.

        Their fractions are the phase of the gait.
        """
        if self.kind != "locomotion" or self.additive:
            return None
        phase = gait_phase(self.events, len(self.motion), self.loop)
        return np.asarray(np.unwrap(phase, period=1)) if phase.any() else None

    @property
    def joins(self) -> dict[str, str]:
        """The loops that its ends meet, by "follows" and "leads_to"; of a variant, those of its clip."""
        return {} if self.asked is None or self.additive else self.asked.loops

    @property
    def join_frames(self) -> int:
        """In how many frames such an end goes over into its loop."""
        return 0 if not self.joins or self.settings is None else join_frames(self.settings, self.motion.rate)

    @property
    def is_pinned(self) -> bool:
        """Whether its planted feet were pinned when it was finished, and are again at another rate."""
        if self.asked is None or self.settings is None or self.additive:
            return False
        return is_pinned(self.asked, self.settings)


def finish_clip(
    piece: Piece,
    spec: ClipSpec,
    recipe: Recipe,
    rooted: bool,
    neutral: FinishedClip | None = None,
    made: Mapping[str, FinishedClip] = MappingProxyType({}),
) -> FinishedClip:
    """The clip of a piece, at the piece's rate.

    Args:
        piece: what `cut_clip` gave for `spec`.
        spec: the clip.
        recipe: of the set.
        rooted: whether the set has a root joint: all its clips share one skeleton.
        neutral: the clip whose first pose a one-shot is blended onto, if its spec or the recipe wants that.
        made: clips by name, the loops that its ends go over into among them.

    Raises:
        RecipeError: a number does not fit the clip, or such a loop is missing.
    """
    motion, body = piece.motion, piece.body
    if rooted:
        motion, body = add_root_joint(motion, body)
    motion, root_motion, standing = _put_on_path(motion, body, piece, spec, recipe)
    touches, named = piece.contacts, piece.events
    blend = 0 if neutral is None or len(spec.loops) > 1 else blend_frames_of(spec, recipe, motion.rate)
    if blend and neutral:
        motion = blend_onto(motion, body, neutral, blend, spec)
        motion, root_motion = meet_ends(motion, body, root_motion, spec, recipe, neutral)
    if spec.loops:
        moved = join_loops(Moved(motion, root_motion, standing, touches), body, spec, recipe, made, blend)
        motion, root_motion = move_to_origin(moved.motion, moved.root_motion)
        standing, touches = moved.contacts, moved.touches
    parts = parts_of(spec, recipe)
    return FinishedClip(
        name=spec.name,
        kind=spec.kind,
        motion=split_root_motion(motion, body, root_motion, parts),
        body=body,
        loop=spec.loop,
        parts=parts,
        root_motion=root_motion,
        events=meet_events(
            _find_events(motion, body, touches, spec, recipe, named), len(motion), spec.loops, made
        ),
        candidate=piece.candidate,
        source=piece.source,
        source_range=piece.source_range,
        contacts=standing,
        stretches=piece.stretches,
        blend_frames=blend,
        asked=spec,
        settings=recipe,
        touches=touches,
        goals=piece.goals,
        idle=piece.idle,
        clearance=piece.clearance,
        reach=piece.reach,
        stretch_joins=piece.stretch_joins,
    )


def blend_frames_of(spec: ClipSpec, recipe: Recipe, rate: float) -> int:
    """In how many frames at `rate` a one-shot goes over into the neutral pose at each end; 0 for a loop.

    The recipe counts them at the rate that the clip leaves with.
    """
    if spec.loop:
        return 0
    frames = recipe.blend_frames if spec.blend_frames is None else spec.blend_frames
    return round(frames * rate / rate_of(spec, recipe, rate))


def is_pinned(spec: ClipSpec, recipe: Recipe) -> bool:
    """Whether the planted feet of a clip are pinned once it is on its path."""
    if spec.straight or spec.constant_speed or spec.turn_deg is not None:
        return True
    return spec.loop and recipe.close.pin and spec.kind in PINNED_KINDS


def _put_on_path(
    motion: Motion, body: BodyMap, piece: Piece, spec: ClipSpec, recipe: Recipe
) -> tuple[Motion, RootMotion, Contacts]:
    """The clip at the origin, facing forward, on a path of the wanted shape; feet stand where they stood."""
    smooth_hz = recipe.root_motion.smooth_hz if spec.smooth_hz is None else spec.smooth_hz
    settings, contacts = _track_settings(spec, recipe, smooth_hz), piece.contacts
    track = find_root_motion(motion, body, settings, spec.loop)
    if piece.idle:  # it stands at one place, so that hips which sway are no root motion
        track = _mean_place(track)
    elif spec.loop and spec.kind == "idle":  # so does a plain one, but for what its ends are apart
        steady = steady_root_motion(track)
        track = replace(steady, position=np.append(steady.position[:, :2], track.position[:, 2:], axis=1))
    motion, root_motion = move_to_origin(motion, track)
    shape = ShapeSettings(spec.straight, spec.constant_speed, _wanted_turn_deg(spec, root_motion))
    shaped = shape != ShapeSettings()
    if shaped:
        motion, root_motion = move_to_origin(*shape_root_motion(motion, root_motion, shape, spec.loop))
    if spec.loop and ((recipe.close.pin and spec.kind in PINNED_KINDS) or shaped):
        motion, contacts = pin_loop(motion, body, contacts, recipe.pin)
    elif shaped:
        motion, contacts = pin_feet(motion, body, contacts, recipe.pin)
        motion, root_motion = meet_ends(motion, body, root_motion, spec, recipe)
    return motion, root_motion, contacts


def _mean_place(track: RootMotion) -> RootMotion:
    """A root track (F,) that rests at the mean of another one."""
    count = len(track)
    position = np.tile(track.position.mean(axis=0) * [1.0, 1.0, 0.0], (count, 1))
    return RootMotion(track.rate, position, np.full(count, track.heading.mean()))


def meet_ends(
    motion: Motion,
    body: BodyMap,
    root_motion: RootMotion,
    spec: ClipSpec,
    recipe: Recipe,
    neutral: FinishedClip | None = None,
) -> tuple[Motion, RootMotion]:
    """A one-shot whose root track starts, at the origin, and ends where its hips do.

    With a `neutral` clip, in whose pose its ends lie, as far beside them as that clip's track is in it.
    """
    settings = _track_settings(spec, recipe, smooth_hz=0.0)
    hips = find_root_motion(motion, body, settings)
    if neutral is not None:
        pose = find_root_motion(neutral.world_motion, neutral.body, settings)
        turn = pose.heading[0] - neutral.root_motion.heading[0]
        away = quat.rotate(
            quat.from_yaw(-neutral.root_motion.heading[0]),
            pose.position[0] - neutral.root_motion.position[0],
        )
        heading = hips.heading - turn
        hips = RootMotion(hips.rate, hips.position - quat.rotate(quat.from_yaw(heading), away), heading)
    return move_to_origin(motion, bend_to_ends(root_motion, hips))


def _track_settings(spec: ClipSpec, recipe: Recipe, smooth_hz: float) -> RootMotionSettings:
    """How the whole root track of a clip is found, whatever becomes of its parts."""
    return RootMotionSettings(height=parts_of(spec, recipe).height != "keep", smooth_hz=smooth_hz)


def _wanted_turn_deg(spec: ClipSpec, root_motion: RootMotion) -> float | None:
    """The wanted turn with the sign of the take's own."""
    if spec.turn_deg is None:
        return None
    wanted = math.copysign(spec.turn_deg, root_motion.turn_deg)
    if abs(wanted - root_motion.turn_deg) > _MAX_TURN_CHANGE_DEG:
        raise RecipeError(
            f"{spec}: turn_deg = {spec.turn_deg:g} is far from the {abs(root_motion.turn_deg):.0f} degrees "
            f"that the take turns there; at most {_MAX_TURN_CHANGE_DEG:g} can be added or removed"
        )
    return wanted


def blend_onto(
    motion: Motion, body: BodyMap, neutral: FinishedClip, frames: int, spec: ClipSpec | None, who: str = ""
) -> Motion:
    """A one-shot whose ends go over into the neutral clip's first pose, each within so many frames.

    Ends that go over into a loop do not.

    Raises:
        RecipeError: the blends are longer than the clip.
    """
    loops = spec.loops if spec else {}
    if len(motion) - 1 < (2 - len(loops)) * frames:
        where = "at both ends" if not loops else "at one end"
        raise RecipeError(f"{who or spec}: {len(motion)} frames are too few for blends of {frames} {where}")
    start, end = (0.0 if key in loops else frames / motion.rate for key in ("follows", "leads_to"))
    return blend_ends(motion, body, neutral.motion, start, end)


def join_frames(recipe: Recipe, rate: float) -> int:
    """In how many frames at `rate` an end goes over into a loop: as far as a seam's blending reaches."""
    return max(1, round(recipe.close.seam_s * rate))


def join_loops(
    clip: Moved, body: BodyMap, spec: ClipSpec, recipe: Recipe, made: Mapping[str, FinishedClip], blend: int
) -> Moved:
    """A clip whose ends are the first pose, the speed and the heading of the loops that its spec names.

    Raises:
        RecipeError: one was not made or is no loop of this take's rate, or the clip is too short.
    """
    rate = clip.motion.rate
    over = min(join_frames(recipe, rate), (len(clip.motion) - 1 - blend) // len(spec.loops))
    if over < 1:
        raise RecipeError(f"{spec}: {len(clip.motion)} frames are too few to go over into a loop")
    step = max(round(recipe.pin.blend_s * rate), 1)
    for key, name in spec.loops.items():
        loop = made.get(name)
        if loop is None or not loop.loop or not math.isclose(loop.motion.rate, rate):
            what = "was not made" if loop is None else "is no loop" if not loop.loop else "is of another rate"
            raise RecipeError(f"{spec}: its {key} {name!r} {what}")
        track = loop.root_motion
        if parts_of(spec, recipe).height == "keep":  # then the clip's track has none
            track = replace(track, position=track.position * [1.0, 1.0, 0.0])
        cycle = Moved(loop.world_motion, track, loop.contacts, loop.touches or loop.contacts)
        clip = (follow_on if key == "follows" else lead_into)(clip, cycle, body, over, step)
    return clip


def meet_events(
    events: tuple[Event, ...], frames: int, loops: Mapping[str, str], made: Mapping[str, FinishedClip]
) -> tuple[Event, ...]:
    """Events of which each moment has its own once: what clips share, the clip that begins there has."""
    if "leads_to" in loops:
        events = tuple(one for one in events if one.frame < frames - 1)
    if "follows" in loops:
        first = tuple(one for one in made[loops["follows"]].events if one.frame == 0)
        events = (*first, *(one for one in events if one.frame > 0))
    return events


def _find_events(
    motion: Motion,
    body: BodyMap,
    contacts: Contacts,
    spec: ClipSpec,
    recipe: Recipe,
    named: tuple[Event, ...],
) -> tuple[Event, ...]:
    events = [*foot_events(contacts, spec.loop), *named]
    if spec.kind in _STRIKING_KINDS:
        events += strike_events(motion, body, recipe.events)
    if spec.kind in _JUMPING_KINDS:
        events += jump_events(motion, body, contacts, recipe.events)
    return tuple(sorted(events, key=lambda event: (event.frame, event.name)))
