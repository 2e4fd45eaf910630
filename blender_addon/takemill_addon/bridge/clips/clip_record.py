"""A finished clip's facts, kept with its Action as JSON, and the clip made whole again from both."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from functools import lru_cache

import bpy
import numpy as np

from takemill.base.checks import Mask
from takemill.base.errors import InputError, RecipeError
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.clip.chain import Join
from takemill.clip.events import Event, foot_events
from takemill.clip.root_motion import RootMotion, RootMotionSettings, find_root_motion
from takemill.clip.root_motion_parts import RootMotionParts
from takemill.feet.contacts import Contacts, find_contacts
from takemill.idle.idle import IdleFacts
from takemill.loops.loop_search import LoopCandidate
from takemill.maths import quat
from takemill.pipeline.finish_clip import FinishedClip, Swinging
from takemill.recipe.recipe import ClipSpec, Recipe, VariantSpec, recipe_from_settings
from takemill.recipe.recipe_clip import clip_from
from takemill.recipe.recipe_write import clip_table, settings_table

from ..scene import stored
from ..scene.pose_markers import shows_finding
from ..scene.steps import Steps, apart, stepwise
from ..takes import stage

_CONTACTS = ("contacts", "touches")


@dataclass(frozen=True)
class ClipRecord:
    """What an Action alone does not say about a clip.

    Attributes:
        kind, loop, candidate, source, source_range: as in `FinishedClip`.
        root_motion_mode: "keep", "root" or "in_place".
        parts: where each part of the root motion goes, where they differ; else None.
        root_motion: of a clip that has not all of it left in its pose; else None, read from the pose.
        contacts: None to be found in the pose.
        events: None where they are the footfalls of the contacts.
        stretches, blend_frames, variant, asked, settings, touches, swinging,
            idle, no_loop, stretch_joins: as in `FinishedClip`.
    """

    kind: str = "other"
    loop: bool = False
    root_motion_mode: str = "keep"
    candidate: LoopCandidate | None = None
    source: str = ""
    source_range: tuple[int, int] = (0, 0)
    root_motion: RootMotion | None = None
    contacts: Contacts | None = None
    parts: RootMotionParts | None = None
    events: tuple[Event, ...] | None = None
    stretches: tuple[tuple[int, int], ...] = ()
    blend_frames: int = 0
    variant: VariantSpec | None = None
    asked: ClipSpec | None = None
    settings: Recipe | None = None
    touches: Contacts | None = None
    swinging: Swinging | None = None
    idle: IdleFacts | None = None
    no_loop: str = ""
    stretch_joins: tuple[Join, ...] = ()

    @classmethod
    def of_clip(cls, clip: FinishedClip) -> ClipRecord:
        """The record of a clip that the core made."""
        return cls(
            clip.kind,
            clip.loop,
            clip.root_motion_mode,
            clip.candidate,
            clip.source,
            clip.source_range,
            clip.root_motion
            if clip.parts not in (RootMotionParts.of("keep"), RootMotionParts.of("root"))
            else None,
            clip.contacts,
            clip.parts if clip.parts != RootMotionParts.of(clip.root_motion_mode) else None,
            clip.events,
            clip.stretches,
            clip.blend_frames,
            clip.variant,
            clip.asked,
            clip.settings,
            clip.touches,
            clip.swinging,
            clip.idle,
            clip.no_loop,
            clip.stretch_joins,
        )

    @classmethod
    def of_action(cls, action: bpy.types.Action) -> ClipRecord:
        """The record kept with `action`; a plain one where there is none.

        Raises:
            InputError: somebody has changed the text.
        """
        if not action.takemill.record:
            return cls(source=action.name)
        try:
            return _parsed(action.takemill.record)
        except (ValueError, InputError, RecipeError) as problem:
            raise InputError(
                f"action {action.name!r}: its clip record is damaged ({problem}); make the clip again"
            ) from None

    def keep(self, action: bpy.types.Action) -> None:
        """Store the record with `action`."""
        plain = replace(self, root_motion=None, contacts=None, touches=None, asked=None, settings=None)
        facts = {key: value for key, value in asdict(plain).items() if key != "swinging"}
        if self.swinging is not None:
            facts["swinging"] = {"chains": dict(self.swinging.chains), "gap_m": self.swinging.gap_m}
        facts["asked"] = clip_table(self.asked) if self.asked else None
        facts["settings"] = settings_table(self.settings) if self.settings else None
        if self.root_motion:
            facts["root_motion"] = {
                name: np.round(getattr(self.root_motion, name), 6).tolist()
                for name in ("position", "heading")
            }
        for name in _CONTACTS:
            known = getattr(self, name)
            facts[name] = known and {
                "floor_m": known.floor_m,
                "feet": known.feet,
                **{part: getattr(known, part).astype(int).tolist() for part in ("heel", "toe")},
                **({} if known.rise_m is None else {"rise_m": np.round(known.rise_m, 6).tolist()}),
            }
        action.takemill.record = json.dumps({"rate": self._rate(), **facts})

    def _rate(self) -> float | None:
        known = self.root_motion or self.contacts
        return known.rate if known else None


@lru_cache(maxsize=64)  # buttons ask for it whenever the panel is drawn
def _parsed(text: str) -> ClipRecord:
    facts = stored.record(text)
    rate, root_motion, contacts, seam = (
        facts[key] for key in ("rate", "root_motion", "contacts", "candidate")
    )
    events, variant = facts["events"], facts["variant"]
    return ClipRecord(
        facts["kind"],
        facts["loop"],
        facts["root_motion_mode"],
        LoopCandidate(**seam) if seam else None,
        facts["source"],
        tuple(facts["source_range"]),
        RootMotion(rate, np.array(root_motion["position"]), np.array(root_motion["heading"]))
        if root_motion
        else None,
        _contacts(contacts, rate),
        RootMotionParts(**facts["parts"]) if facts["parts"] else None,
        None if events is None else tuple(Event(**one) for one in events),
        tuple(map(tuple, facts["stretches"])),
        facts["blend_frames"],
        VariantSpec(**variant) if variant else None,
        clip_from(facts["asked"], "asked", unnamed=True) if facts.get("asked") else None,
        recipe_from_settings(facts["settings"], "settings") if facts.get("settings") else None,
        _contacts(facts.get("touches"), rate),
        _swinging(facts.get("swinging")),
        _idle(facts.get("idle")),
        facts["no_loop"],
        tuple(Join(**one) for one in facts["stretch_joins"]),
    )


def _idle(said) -> IdleFacts | None:
    if not said:
        return None
    return IdleFacts(tuple(said["joins"]), said["repeats"], said["breaths"], said["pace"])


def _contacts(said, rate: float) -> Contacts | None:
    if not said:
        return None
    rise = said.get("rise_m")
    return Contacts(
        rate,
        tuple(said["feet"]),
        _mask(said["heel"]),
        _mask(said["toe"]),
        said["floor_m"],
        None if rise is None else np.array(rise, float),
    )


def _swinging(said) -> Swinging | None:
    if not said:
        return None
    chains = tuple((name, tuple(joints)) for name, joints in said["chains"].items())
    return Swinging(chains, said["gap_m"])


def _mask(rows) -> Mask:
    return np.array(rows, dtype=bool).reshape(len(rows), -1)


def finished(name: str, motion: Motion, body: BodyMap, record: ClipRecord) -> FinishedClip:
    """The clip called `name`, its pose from its Action and the rest from its record.

    Raises:
        InputError: the Action has other frames than when the record was made.
    """
    for known in (record.root_motion, record.contacts, record.touches):
        count = (
            len(motion)
            if known is None
            else len(known.heading if known is record.root_motion else known.heel)
        )
        if count != len(motion):
            raise InputError(
                f"clip {name!r}: its action has {len(motion)} frames, not {count} any more; make it again"
            )
    contacts = record.contacts or find_contacts(motion, body)
    contacts = replace(contacts, rate=motion.rate)
    return FinishedClip(
        name=name,
        kind=record.kind,
        motion=motion,
        body=body,
        loop=record.loop,
        parts=record.parts or RootMotionParts.of(record.root_motion_mode),
        root_motion=root_motion_of(motion, body, record),
        events=foot_events(contacts, record.loop) if record.events is None else record.events,
        candidate=record.candidate,
        source=record.source,
        source_range=record.source_range,
        contacts=contacts,
        stretches=record.stretches,
        blend_frames=record.blend_frames,
        variant=record.variant,
        asked=record.asked,
        settings=record.settings,
        touches=record.touches and replace(record.touches, rate=motion.rate),
        swinging=record.swinging,
        idle=record.idle,
        no_loop=record.no_loop,
        stretch_joins=record.stretch_joins,
    )


@stepwise
def clip_of(
    name: str, action: bpy.types.Action, motion: Motion, body: BodyMap, start: int
) -> Steps[FinishedClip]:
    """The clip called `name` that `action` holds from scene frame `start` on, its events as they are now.

    A clip that was made with its events has just those that its pose markers show, moved, renamed, added and
    removed as they may be. Another has its footfalls, and the markers that bear no footfall's name.

    Raises:
        InputError: the Action has other frames than when its record was made.
    """
    record = ClipRecord.of_action(action)
    clip = yield from apart(finished, name, motion, body, record)
    shown = [
        Event(marker.name, marker.frame - start)
        for marker in action.pose_markers
        if not shows_finding(marker) and 0 <= marker.frame - start < len(motion)
    ]
    if record.events is None:
        known = {event.name for event in clip.events}
        shown = [*clip.events, *(event for event in shown if event.name not in known)]
    return replace(clip, events=tuple(sorted(shown, key=lambda event: (event.frame, event.name))))


def root_motion_of(motion: Motion, body: BodyMap, record: ClipRecord) -> RootMotion:
    """The root track of a clip: on its root bone, as it was taken away, or still on the hips."""
    if record.root_motion is not None:
        return replace(record.root_motion, rate=motion.rate)
    root = body.get("root")
    if record.root_motion_mode != "root" or root is None:
        return find_root_motion(motion, body, RootMotionSettings(), record.loop).relative()
    rest_turn, rest_at = (part[root] for part in motion.skeleton.reference_model)
    turns, at = (part[:, root] for part in motion.model())
    turn = quat.mul(turns, quat.inv(rest_turn))
    return RootMotion(motion.rate, at - quat.rotate(turn, rest_at), np.unwrap(quat.yaw(turn)))


@stepwise
def read_clip(
    context: bpy.types.Context, armature: bpy.types.Object, name: str, action: bpy.types.Action
) -> Steps[FinishedClip]:
    """The clip called `name` that `action` holds for `armature`.

    Raises:
        TakemillError: the Action cannot be read, or has other frames than when its record was made.
    """
    work = yield from stage.work_on.steps(context, armature, action)
    return (yield from clip_of.steps(name, action, work.take.motion, work.body, work.take.start))
