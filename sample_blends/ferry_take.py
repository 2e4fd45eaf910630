"""The marsh take: two minutes of a performer in a suit, as it was and as it was recorded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

import ferry_damage
import numpy as np
from ferry_body import perform
from ferry_damage import Fault
from ferry_feet import FootTrack
from ferry_script import Performer, act
from ferry_suit import body_parts

from takemill.body.motion import Motion

RATE = 60.0
FRAMES = 7200
SEED = 1907

Truth = dict[str, object]


def build(seed: int = SEED) -> tuple[Motion, Motion, Truth]:
    """The clean take, the recorded take, and what is known of both.

    The truth holds plain JSON values; its frames are 0-based and its ranges half-open.
    """
    rng = np.random.default_rng(seed)
    performer = act(rng, FRAMES / RATE)
    clean, feet = perform(performer, FRAMES, RATE)
    recorded, faults = ferry_damage.damage(clean, rng)
    return clean, recorded, _truth(seed, performer, feet, faults)


def _truth(seed: int, performer: Performer, feet: Sequence[FootTrack], faults: list[Fault]) -> Truth:
    return {
        "about": "Marsh ferry sample: what is true of marsh_take.bvh; frames are 0-based, ranges half-open.",
        "seed": seed,
        "rate": RATE,
        "frames": FRAMES,
        "body": body_parts(),
        "segments": [
            {
                "name": segment.name,
                "kind": segment.kind,
                "start_s": segment.start_s,
                "end_s": segment.end_s,
                **segment.facts,
            }
            for segment in performer.segments
        ],
        "contacts": {
            part: {"planted": foot.planted, "heel": foot.heel, "toe": foot.toe}
            for part, foot in zip(("leftFoot", "rightFoot"), feet, strict=True)
        },
        "damage": {
            "white_deg": ferry_damage.WHITE_DEG,
            "heading_deg_per_min": ferry_damage.HEADING_DEG_PER_MIN,
            "drift_m": ferry_damage.DRIFT_M,
            "floor_m": ferry_damage.FLOOR_M,
            "faults": [asdict(fault) for fault in faults],
        },
    }
