"""One clip from the repaired take to what is written: cut, closed, put on its path, blended, with events."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from ..base.checks import Array
from ..base.errors import InputError, RecipeError
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..clip.chain import blend_ends, join_stretches
from ..clip.events import Event, foot_events, gait_phase, jump_events, strike_events
from ..clip.loop_close import close_range
from ..clip.loop_feet import pin_loop
from ..clip.loop_search import LoopCandidate, find_loops
from ..clip.mirror import mirrored, mirrored_contacts, mirrored_events
from ..clip.root_motion import (
    RootMotion,
    RootMotionSettings,
    at_origin,
    find_root_motion,
    through_ends,
    with_root_joint,
)
from ..clip.root_motion_parts import RootMotionParts, on_the_spot, part_root_motion, put_back
from ..clip.root_motion_shape import ShapeSettings, shape_root_motion
from ..clip.variants import additive
from ..feet.contacts import Contacts, find_contacts
from ..feet.pin import pin_feet
from ..maths.series import frames_at
from ..recipe.recipe import ClipSpec, Recipe, VariantSpec, parts_of, rate_of
from .prepare_take import PreparedTake

Number = TypeVar("Number", int, float)

_PINNED = ("locomotion", "idle")  # kinds of loops whose planted feet are pinned again
_STRIKING = ("strike", "other")
_JUMPING = ("jump", "strike", "other")  # a run's flights are no jumps
_TURN_SLACK_DEG = 45.0  # a turn that is further off was not meant


@dataclass(frozen=True)
class FinishedClip:
    """A clip ready to be written.

    Attributes:
        name: of the clip.
        kind: one of cuts.KINDS.
        motion: what plays (F frames), root motion parted.
        body: its body map; it has a root joint when any clip of the set travels by one.
        loop: whether it repeats; then its last pose equals its first, root motion apart.
        parts: where each part of its root motion went.
        root_motion: the whole root track (F,), from 0 on; also what was taken away or kept on the body.
        events: events, by frame of the clip.
        candidate: the seam of a loop, in frames of the take, or of the joined stretches; None for others.
        source: name of the take.
        source_range: frames [start, stop) of the take, from the first used to the last.
        contacts: of the clip; where its feet were pinned, when they stand still.
        stretches: frames [start, stop) of the take that were joined; empty for a clip of one stretch.
        blend_frames: in how many frames each end goes over into the set's neutral pose.
        variant: what it was made from, and how; None for a clip of the take.
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

    @property
    def root_motion_mode(self) -> str:
        """Its `parts` in a word: "keep", "root" or "in_place"."""
        return self.parts.mode

    @property
    def additive(self) -> bool:
        """Whether it holds offsets from the rest pose, to be added to other poses."""
        return self.variant is not None and bool(self.variant.additive_to)

    @property
    def in_world(self) -> Motion:
        """What plays, moving over the floor as it did: with what was removed of the root motion."""
        return put_back(self.motion, self.root_motion, self.parts)

    @property
    def strides(self) -> Array | None:
        """Strides (F,) made up to each frame, whole ones where the left foot comes down; None without a gait.

        Their fractions are the phase of the gait.
        """
        if self.kind != "locomotion" or self.additive:
            return None
        phase = gait_phase(self.events, len(self.motion), self.loop)
        return np.asarray(np.unwrap(phase, period=1)) if phase.any() else None


@dataclass(frozen=True)
class Piece:
    """A stretch of a take, cut out and, if it is to repeat, closed; at the take's rate.

    Attributes:
        motion: its frames.
        body: of its skeleton.
        contacts: of its frames.
        candidate: the seam of a loop; None for others.
        events: the user's, by frame.
        source, source_range, stretches: as in `FinishedClip`.
    """

    motion: Motion
    body: BodyMap
    contacts: Contacts
    candidate: LoopCandidate | None
    events: tuple[Event, ...]
    source: str
    source_range: tuple[int, int]
    stretches: tuple[tuple[int, int], ...]


def cut_out(take: PreparedTake, spec: ClipSpec, recipe: Recipe) -> Piece:
    """A clip's frames of a take, joined from its stretches and closed where it repeats.

    Raises:
        RecipeError: the clip leaves the take, has no loop in its range, or an event outside it.
    """
    ranges = spec.ranges(len(take.motion), take.motion.rate)
    whole, contacts, (start, stop) = take.motion, take.contacts, ranges[0]
    if len(ranges) > 1:
        try:
            whole = join_stretches([take.motion.slice(*one) for one in ranges], take.body)
        except InputError as problem:
            raise RecipeError(f"{spec}: {problem}") from problem
        contacts, start, stop = find_contacts(whole, take.body, recipe.contacts), 0, len(whole)
    candidate, motion = None, whole.slice(start, stop)
    if spec.loop:
        candidate = _seam(motion, take.body, spec, recipe)
        candidate = replace(candidate, start=start + candidate.start, end=start + candidate.end)
        start, stop = candidate.start, candidate.end + 1
        motion = close_range(whole, take.body, start, candidate.end, recipe.close)
    joined = ranges if len(ranges) > 1 else ()
    return Piece(
        motion,
        take.body,
        contacts.sliced(start, stop),
        candidate,
        () if joined else _named_events(spec, start, stop, take.motion.rate),
        take.name,
        (min(low for low, _ in ranges), max(high for _, high in ranges)) if joined else (start, stop),
        joined,
    )


def _seam(motion: Motion, body: BodyMap, spec: ClipSpec, recipe: Recipe) -> LoopCandidate:
    """The best loop of a clip's frames, or all of them when no search is wanted."""
    settings = recipe.loop
    if settings.kind == "auto" and spec.kind in ("locomotion", "idle"):
        settings = replace(settings, kind=spec.kind)
    if not spec.search:  # only the range's own ends are that far apart
        settings = replace(settings, shortest_s=motion.duration_s, longest_s=motion.duration_s, count=1)
    try:
        found = find_loops(motion, body, settings)
    except InputError as problem:
        raise RecipeError(f"{spec}: {problem}") from problem
    if not found:
        raise RecipeError(
            f"{spec}: no loop in its range; widen it, or set search = false to close it as it is"
        )
    return found[0]


def _named_events(spec: ClipSpec, start: int, stop: int, rate: float) -> tuple[Event, ...]:
    events = []
    for one in spec.events:
        frame = one.at.frame(rate)
        if not start <= frame < stop:
            raise RecipeError(
                f"{spec}: its event {one.name!r} at {one.at} lies outside it; "
                f"it holds {start / rate:.3f} s to {(stop - 1) / rate:.3f} s of the take"
            )
        events.append(Event(one.name, frame - start))
    return tuple(events)


def finish(
    piece: Piece,
    spec: ClipSpec,
    recipe: Recipe,
    rooted: bool,
    neutral: FinishedClip | None = None,
    variant: VariantSpec | None = None,
    reference: FinishedClip | None = None,
) -> FinishedClip:
    """The clip of a piece, or a variant of it.

    Args:
        piece: what `cut_out` gave for `spec`.
        spec: the clip.
        recipe: of the set.
        rooted: whether the set has a root joint: all its clips share one skeleton.
        neutral: the clip whose first pose a one-shot is blended onto, if its spec or the recipe wants that.
        variant: what to make of the clip.
        reference: of an additive variant.

    Raises:
        RecipeError: a number does not fit the clip.
    """
    who = str(variant or spec)
    speed = variant.speed if variant else 1.0
    motion, frames = _at_rate(piece.motion, rate_of(spec, recipe, piece.motion.rate), speed, spec.loop)
    if len(motion) < 2:
        raise RecipeError(f"{who}: {len(piece.motion)} frames become fewer than two; lower its speed")
    body, contacts = piece.body, piece.contacts.sampled(frames, motion.rate)
    events = tuple(replace(one, frame=int(np.argmin(np.abs(frames - one.frame)))) for one in piece.events)
    if variant and variant.mirror:
        motion, contacts, events = (
            mirrored(motion, body),
            mirrored_contacts(contacts),
            mirrored_events(events),
        )
    if rooted:
        motion, body = with_root_joint(motion, body)
    motion, root_motion, stands = _on_its_way(motion, body, contacts, spec, recipe)
    blend = 0 if spec.loop or neutral is None else _or(spec.blend_frames, recipe.blend_frames)
    if blend and neutral:
        motion = _blended(motion, body, neutral, blend, who)
        motion, root_motion = _ends_met(motion, body, root_motion, spec, recipe)
    clip = FinishedClip(
        name=variant.name if variant else spec.name,
        kind=spec.kind,
        motion=motion,
        body=body,
        loop=spec.loop,
        parts=parts_of(spec, recipe),
        root_motion=root_motion,
        events=_events(motion, body, contacts, spec, recipe, events),
        candidate=piece.candidate,
        source=piece.source,
        source_range=piece.source_range,
        contacts=stands,
        stretches=piece.stretches,
        blend_frames=blend,
        variant=variant,
    )
    if reference:
        return as_difference(clip, reference)
    return replace(clip, motion=part_root_motion(motion, body, root_motion, clip.parts))


def _or(own: Number | None, common: Number) -> Number:
    return common if own is None else own


def _at_rate(motion: Motion, rate: float, speed: float, loop: bool) -> tuple[Motion, Array]:
    """A piece played at a rate and a speed, and where its frames (N,) lie among those it had.

    A loop is warped by less than half a frame, so that it takes a whole number of them (series.frames_at).
    """
    if speed == 1 and math.isclose(rate, motion.rate, rel_tol=1e-4):  # 0.008333 s in a file are 120 a second
        return replace(motion, rate=rate), np.arange(len(motion), dtype=np.float64)
    frames = frames_at(len(motion), motion.rate * speed, rate, loop)
    return motion.sampled(frames, rate), frames


def _on_its_way(
    motion: Motion, body: BodyMap, contacts: Contacts, spec: ClipSpec, recipe: Recipe
) -> tuple[Motion, RootMotion, Contacts]:
    """The clip at the origin, facing forward, on a way of the wanted shape; feet stand where they stood."""
    settings = _tracked(spec, recipe, _or(spec.smooth_hz, recipe.root_motion.smooth_hz))
    motion, root_motion = at_origin(motion, find_root_motion(motion, body, settings, spec.loop))
    shape = ShapeSettings(spec.straight, spec.constant_speed, _turn_deg(spec, root_motion))
    shaped = shape != ShapeSettings()
    if shaped:
        motion, root_motion = at_origin(*shape_root_motion(motion, root_motion, shape, spec.loop))
    if spec.loop and ((recipe.close.pin and spec.kind in _PINNED) or shaped):
        motion, contacts = pin_loop(motion, body, contacts, recipe.pin)
    elif shaped:
        motion, contacts = pin_feet(motion, body, contacts, recipe.pin)
        motion, root_motion = _ends_met(motion, body, root_motion, spec, recipe)
    return motion, root_motion, contacts


def _ends_met(
    motion: Motion, body: BodyMap, root_motion: RootMotion, spec: ClipSpec, recipe: Recipe
) -> tuple[Motion, RootMotion]:
    """A one-shot whose root track starts, at the origin, and ends where its hips do."""
    hips = find_root_motion(motion, body, _tracked(spec, recipe, smooth_hz=0.0))
    return at_origin(motion, through_ends(root_motion, hips))


def _tracked(spec: ClipSpec, recipe: Recipe, smooth_hz: float) -> RootMotionSettings:
    """How the whole root track of a clip is found, whatever becomes of its parts."""
    return RootMotionSettings(height=parts_of(spec, recipe).height != "keep", smooth_hz=smooth_hz)


def _turn_deg(spec: ClipSpec, root_motion: RootMotion) -> float | None:
    """The wanted turn with the sign of the take's own."""
    if spec.turn_deg is None:
        return None
    wanted = math.copysign(spec.turn_deg, root_motion.turn_deg)
    if abs(wanted - root_motion.turn_deg) > _TURN_SLACK_DEG:
        raise RecipeError(
            f"{spec}: turn_deg = {spec.turn_deg:g} is far from the {abs(root_motion.turn_deg):.0f} degrees "
            f"that the take turns there; at most {_TURN_SLACK_DEG:g} can be made up"
        )
    return wanted


def _blended(motion: Motion, body: BodyMap, neutral: FinishedClip, frames: int, who: str) -> Motion:
    if len(motion) - 1 < 2 * frames:
        raise RecipeError(f"{who}: {len(motion)} frames are too few for blends of {frames} at both ends")
    seconds = frames / motion.rate
    return blend_ends(motion, body, neutral.motion, seconds, seconds)


def _events(
    motion: Motion,
    body: BodyMap,
    contacts: Contacts,
    spec: ClipSpec,
    recipe: Recipe,
    named: tuple[Event, ...],
) -> tuple[Event, ...]:
    events = [*foot_events(contacts, spec.loop), *named]
    if spec.kind in _STRIKING:
        events += strike_events(motion, body, recipe.events)
    if spec.kind in _JUMPING:
        events += jump_events(motion, body, contacts, recipe.events)
    return tuple(sorted(events, key=lambda event: (event.frame, event.name)))


def as_difference(clip: FinishedClip, reference: FinishedClip) -> FinishedClip:
    """What the clip does beyond another one, on the spot; its contacts are no longer those of a pose."""
    parts = RootMotionParts("remove", "remove", "keep")
    whole = clip.variant is not None and clip.variant.against == "clip"
    base = on_the_spot(reference.motion, reference.body, reference.root_motion, reference.parts)
    still = on_the_spot(clip.motion, clip.body, clip.root_motion, RootMotionParts("keep", "keep", "keep"))
    none = RootMotion(clip.motion.rate, np.zeros((len(still), 3)), np.zeros(len(still)))
    nowhere = np.zeros_like(clip.contacts.heel)
    return replace(
        clip,
        motion=additive(still, base if whole else base.slice(0, 1)),
        loop=clip.loop and (reference.loop or not whole),
        parts=parts,
        root_motion=none,
        contacts=replace(clip.contacts, heel=nowhere, toe=nowhere),
    )
