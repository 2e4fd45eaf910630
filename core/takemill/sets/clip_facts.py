"""What `clips.json` says of a set and its clips; `clips.schema.json` describes it.

Numbers are rounded to what they are worth, so that the same input gives the same text on every machine.
Offsets are in glTF's axes (metres, +Y up, +Z ahead at heading 0), turns counter-clockwise seen from above.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

from .. import __version__
from ..base.checks import Array
from ..body.skeleton import Skeleton
from ..clip.face import Face
from ..clip.measure import SetGaps, set_gaps
from ..clip.mirror import other_side
from ..feet.contacts import Contacts
from ..files.glb_axes import to_y_up
from ..health.table import KINDS, outcome
from ..keys.tracks import Track
from ..keys.weight_keys import WeightTrack, weight_error
from ..pipeline.finish_clip import FinishedClip
from ..pipeline.leg_reach import LegReach
from ..pipeline.prepare_take import PreparedTake
from ..recipe.recipe import ClipSpec, Recipe, VariantSpec
from ..recipe.recipe_write import clip_table, settings_table
from .clip_joins import describe_joins
from .idle_facts import describe_idle
from .own_joint_facts import describe_own_joints

VERSION = 7
"""Of the layout of clips.json; it changes when a reader of the old one would fail."""

# Of one key's value: components (rotations have four) times the size of one.
_VALUE_BYTES = {
    ("rotation", "float32"): 16,
    ("rotation", "int16"): 8,
    ("rotation", "int8"): 4,
    ("translation", "float32"): 12,
}
_MAX_PAIRED_CLIPS = 512  # of which every pair is compared: lists grow with the square (chosen by eye)

Facts = dict[str, Any]

UNKNOWN = "unknown"
"""Stands for the settings of a clip that came from elsewhere."""


def describe_set(
    name: str, takes: Sequence[PreparedTake], clips: Sequence[FinishedClip], recipe: Recipe
) -> Facts:
    """What is said of the set as a whole; `clips` and `files` are to be added."""
    skeleton, body = clips[0].motion.skeleton, clips[0].body
    root = body.get("root")
    settings = [clip.settings for clip in clips if clip.settings is not None]
    gaps = _measure_gaps([clip for clip in clips if not clip.additive])
    return {
        "schema_version": VERSION,
        "tool": {"name": "takemill", "version": __version__},
        "name": name,
        "skeleton": {
            "sha256": skeleton_digest(skeleton),
            "joints": len(skeleton),
            "root": skeleton.names[root] if root is not None else None,
            "body": dict(sorted(body.names(skeleton).items())),
        },
        "takes": [_describe_take(take) for take in takes],
        "gaps": gaps and _describe_gaps(gaps),
        "joins": describe_joins(clips, gaps),
        "settings": {settings_key(one): _settings_tables(one) for one in settings},
        "packing": settings_table(recipe)["reduce"],
        "character": None,
    }


def describe_clip(
    clip: FinishedClip,
    file: str,
    tracks: Sequence[Track],
    error_m: float,
    takes: Mapping[str, PreparedTake],
    weights: Sequence[WeightTrack] = (),
    fbx: str | None = None,
) -> Facts:
    """What is said of one clip; `tracks` are the keys that were written, so far from its motion at most.

    `weights` are those of its faces, `fbx` the other file that holds it. How its feet stand on a character is
    not known yet (`measure_feet`).
    """
    motion, last, seam = clip.motion, len(clip.motion) - 1, clip.candidate
    return {
        "name": clip.name,
        "kind": clip.kind,
        "file": file,
        "fbx": fbx,
        "frames": len(motion),
        "rate": round_number(motion.rate),
        "duration_s": round_number(motion.duration_s),
        "loop": clip.loop,
        "no_loop": clip.no_loop or None,
        "additive": clip.additive,
        "blend_frames": clip.blend_frames,
        "root_motion": _describe_root_motion(clip),
        "gait": _describe_gait(clip),
        "seam": seam
        and {
            "gap_cm": round_number(seam.gap_cm, 3),
            "gap_deg": round_number(seam.gap_deg, 3),
            "gap_cm_s": round_number(seam.gap_cm_s, 2),
            "quality": seam.quality,
        },
        "idle": describe_idle(clip),
        "events": [
            {
                "name": event.name,
                "frame": event.frame,
                "time_s": round_number(event.frame / motion.rate),
                "phase": round_number(event.frame / last if last else 0.0),
            }
            for event in clip.events
        ],
        "contacts": {
            foot: [list(planted) for planted in clip.contacts.ranges(foot)] for foot in clip.contacts.feet
        },
        "floors_m": _describe_floors(clip.contacts),
        "springs": clip.swinging
        and {
            "chains": {name: list(joints) for name, joints in clip.swinging.chains},
            "gap_mm": round_number(1000 * clip.swinging.gap_m, 3),
        },
        "faces": {face.mesh: _describe_face(face) for face in clip.faces},
        "own_joints": describe_own_joints(clip),
        "goals": [
            {
                "name": one.goal.name,
                "kind": one.goal.kind,
                "off_mm": round_number(1000 * one.worst_m, 1),
                "reached": one.reached,
                "slide_cm_s": None
                if one.slide_m_s is None
                else round_number(100 * one.slide_m_s * (clip.variant.speed if clip.variant else 1.0), 2),
            }
            for one in clip.goals
        ],
        "arms_in_body_mm": clip.clearance
        and {
            "before": round_number(1000 * clip.clearance.before_m, 1),
            "after": round_number(1000 * clip.clearance.after_m, 1),
        },
        "legs": clip.reach and _describe_legs(clip.reach, clip.variant),
        "soles": {},
        "fit_quality": None,
        "source": {
            "take": clip.source,
            "sha256": takes[clip.source].digest if clip.source in takes else None,
            "frames": list(clip.source_range),
            "stretches": [list(one) for one in clip.stretches],
        },
        "variant": clip.variant
        and {
            "of": clip.variant.of,
            "mirror": clip.variant.mirror,
            "speed": round_number(clip.variant.speed),
            "additive_to": clip.variant.additive_to or None,
            "against": clip.variant.against if clip.additive else None,
        },
        "settings": UNKNOWN if clip.settings is None else settings_key(clip.settings),
        "asked": None if clip.asked is None else _describe_asked(clip.asked),
        "keys": {
            "count": sum(len(track.frames) for track in tracks),
            "bytes": _key_bytes(tracks),
            "max_error_mm": round_number(1000 * error_m, 4),
            "weights": sum(len(one.frames) for one in weights),
            "max_error_weight": round_number(
                max((weight_error(*pair) for pair in zip(clip.faces, weights, strict=False)), default=0.0)
            ),
        },
    }


def _describe_legs(reach: LegReach, variant: VariantSpec | None) -> Facts:
    """What the legs of a character lack, and how the performer's own feet slide."""
    speed, mirror = (variant.speed, variant.mirror) if variant else (1.0, False)
    return {
        "straight_share": round_number(reach.straight_share, 3),
        "straight_deg": round_number(math.degrees(max(float(reach.beyond_rad.max(initial=0.0)), 0.0)), 1),
        "lowered_share": round_number(reach.lowered_share, 3),
        "lowered_mm": round_number(1000 * float(reach.lowered_m.max(initial=0.0)), 1),
        "performer_slides_cm_s": {
            other_side(foot) if mirror else foot: round_number(100 * speed * slide, 2)
            for foot, slide in sorted(reach.worst_slides_m_s.items())
        },
    }


def _describe_face(face: Face) -> dict[str, list[float]]:
    """By shape, the least and the largest weight that it plays."""
    low, high = face.values.min(axis=0), face.values.max(axis=0)
    return {
        name: [round_number(one, 4), round_number(other, 4)]
        for name, one, other in zip(face.names, low, high, strict=True)
    }


def _describe_floors(contacts: Contacts) -> dict[str, list[float]] | None:
    """The floor's heights of each contact; None where it is one level floor."""
    if contacts.rise_m is None:
        return None
    return {foot: [round_number(one, 4) for one in contacts.levels_of(foot)] for foot in contacts.feet}


_COMPARED_KEYS = (
    "skeleton",
    "gaps",
    "joins",
    "settings",
    "packing",
)  # keys of a list that follow from its clips


def describe_again(clips: Sequence[FinishedClip], recipe: Recipe) -> Facts:
    """What a list should say of clips that were made again; what keys and files hold is left out."""
    out = {key: value for key, value in describe_set("", (), clips, recipe).items() if key in _COMPARED_KEYS}
    found = {clip.name: describe_clip(clip, "", (), 0.0, {}) for clip in clips}
    for facts in found.values():
        del facts["file"], facts["fbx"], facts["keys"], facts["source"]["sha256"], facts["no_loop"]
        del facts["soles"], facts["fit_quality"]  # which `verify` measures in the files
    return out | {"clips": found}


def _describe_root_motion(clip: FinishedClip) -> Facts:
    root_motion, parts = clip.root_motion.relative(), clip.parts
    root = clip.body.get("root") if parts.mode == "root" else None
    return {
        "mode": parts.mode,
        "joint": clip.motion.skeleton.names[root] if root is not None else None,
        "planar": parts.planar,
        "turn": parts.turn,
        "height": parts.height,
        "offset_m": [round_number(offset, 5) for offset in to_y_up(root_motion.position[-1])],
        "distance_m": round_number(root_motion.distance_m, 5),
        "path_m": round_number(root_motion.path_m, 5),
        "turn_deg": round_number(root_motion.turn_deg, 4),
        "speed_m_s": round_number(root_motion.speed_m_s, 4),
        "cycle": _describe_cycle(clip),
    }


def _describe_cycle(clip: FinishedClip) -> Facts | None:
    """A clip's root motion shared among its strides; a loop of another kind is one cycle, a one-shot none."""
    strides = clip.strides
    count = float(strides[-1] - strides[0]) if strides is not None else float(clip.loop)
    if not count:
        return None
    return {
        "count": round_number(count, 4),
        "duration_s": round_number(clip.motion.duration_s / count),
        "distance_m": round_number(clip.root_motion.distance_m / count, 5),
        "turn_deg": round_number(clip.root_motion.turn_deg / count, 4),
    }


def _describe_gait(clip: FinishedClip) -> list[list[float]] | None:
    """Seconds and strides between which the strides run evenly; their fraction is the phase."""
    strides = clip.strides
    if strides is None:
        return None
    downs = {event.frame for event in clip.events if event.name == "leftFoot.down"}
    frames = sorted({0, *downs, len(strides) - 1})
    return [[round_number(frame / clip.motion.rate), round_number(strides[frame])] for frame in frames]


def _measure_gaps(clips: Sequence[FinishedClip]) -> SetGaps | None:
    """From each clip's end to each clip's start; None for a set too large to compare."""
    if not 0 < len(clips) <= _MAX_PAIRED_CLIPS:
        return None
    return set_gaps({clip.name: clip.world_motion for clip in clips}, clips[0].body)


def _describe_gaps(gaps: SetGaps) -> Facts:
    return {
        "clips": list(gaps.names),
        **{
            unit: [[round_number(gap, 2) for gap in row] for row in getattr(gaps, unit)]
            for unit in ("cm", "deg", "cm_s")
        },
        "worst": [[list(worst) for worst in row] for row in gaps.worst],
    }


def _key_bytes(tracks: Sequence[Track]) -> int:
    """What the keys of a clip take in the file, before clips share equal ones."""
    values = sum(
        len(track.frames) * _VALUE_BYTES[track.path, track.storage] * (1 if track.slopes is None else 3)
        for track in tracks
    )
    return values + 4 * sum(map(len, {track.frames.tobytes(): track.frames for track in tracks}.values()))


def describe_source(take: PreparedTake) -> Facts:
    """Which take it is, and how long."""
    return {
        "name": take.name,
        "sha256": take.digest,
        "frames": len(take.raw),
        "rate": round_number(take.raw.rate),
        "duration_s": round_number(take.raw.duration_s),
    }


def _describe_take(take: PreparedTake) -> Facts:
    return {
        **describe_source(take),
        "health": {name: round_number(value, 3) for name, value in take.health.measures.items()},
        "findings": _count_findings(take),
    }


def _count_findings(take: PreparedTake) -> list[Facts]:
    """By kind, how many findings the repair removed, and how many are left."""
    outcomes = outcome(take.findings, take.health.findings, take.findings)
    counts = {
        kind: tuple(
            sum(one.kind == kind and one.repaired is done for one in outcomes) for done in (True, False)
        )
        for kind in KINDS
    }
    return [
        {"kind": kind, "repaired": done, "left": rest}
        for kind, (done, rest) in counts.items()
        if done or rest
    ]


def settings_key(recipe: Recipe) -> str:
    """The key under which a list has a clip's settings: the first digits of the SHA-256 of their tables."""
    return hashlib.sha256(json.dumps(_settings_tables(recipe), sort_keys=True).encode()).hexdigest()[:12]


def _settings_tables(recipe: Recipe) -> Facts:
    """The settings that clips are made with; how they are packed is the set's."""
    return {name: one for name, one in settings_table(recipe).items() if name != "reduce"}


def _describe_asked(spec: ClipSpec) -> Facts:
    """A [[clip]] as the recipe has it; the take stands under `source`."""
    return {key: value for key, value in clip_table(spec).items() if key not in ("name", "take")}


def skeleton_digest(skeleton: Skeleton) -> str:
    """SHA-256, in hexadecimal, of a skeleton's names, parents and rest pose to 0.01 mm."""
    text = json.dumps(
        [
            skeleton.names,
            skeleton.parents,
            *map(_round_rows, (skeleton.rest_translation, skeleton.rest_rotation)),
        ]
    )
    return hashlib.sha256(text.encode()).hexdigest()


def _round_rows(array: Array) -> list[list[float]]:
    return [[round_number(value, 5) for value in row] for row in array]


def round_number(value: float, digits: int = 6) -> float:
    """A plain float of so many decimals, without a negative zero."""
    return round(float(value), digits) + 0.0
