"""A recipe in which each key of each table, and of the clips, stands at something else than its default."""

from __future__ import annotations

import json

ABOVE = {
    "name": "ferry set",
    "naming": "{kind}_{n:03}",
    "character": "courier",
    "neutral": "calm",
    "blend_frames": 5,
}

TABLES: dict[str, dict[str, object]] = {
    "intake": {"reference": "rest", "unit_m": 0.01, "up": "Y", "accept": True},
    "repair": {
        "profile": "suit",
        "frozen": False, "spikes": False, "jitter": False, "heading": False, "path": False, "floor": False,
        "calibration": True, "trim": True, "pin": False, "frozen_min_frames": 4, "longest_bridge_s": 0.2,
        "path_from": "feet",
        "spike_min_deg": 6.0, "spike_min_rate": 50.0, "joints": ["head"], "ranges_s": [[0.5, 6.0]],
        "dropouts": False, "late_sensors": False, "slips": False, "sensor_heading": False,
        "longest_dropout_s": 0.8, "same_pose_s": [[0.5, 1.0], [5.0, 5.5]],
        "leave_s": [["head", 1.0, 1.5], ["", 2.0, 2.5]], "amount": 0.75,
    },
    "health": {
        "frozen_min_frames": 4, "spike_min_deg": 6.0, "jitter_min_deg": 0.3, "skating_min_cm_s": 3.0,
        "floor_min_mm": 6.0,
    },
    "contacts": {
        "speed_in": 0.5, "speed_out": 0.65, "speed_usual": 5.0, "speed_share": 0.25, "speed_top": 1.0,
        "near_s": 0.9, "height_in": 0.06, "height_out": 0.09, "min_planted_s": 0.07, "min_lifted_s": 0.06,
        "cutoff_hz": 7.0, "passes": 4,
    },
    "pin": {"blend_s": 0.12, "longest_slip": 0.05, "straight": 0.99},
    "cuts": {
        "combinations": "parts", "gaits": "whole", "shot_list": ["calm", "walk"], "idle_s": 1.4,
        "visit_s": 0.3, "snap_s": 0.5, "shortest_s": 0.4, "turn_deg": 45.0, "strike_speed": 5.5,
        "kick_speed": 4.5, "jump_s": 0.2, "jump_rise": 0.12,
    },
    "loop": {
        "kind": "locomotion", "cycles": 2, "shortest_s": 0.6, "longest_s": 2.5, "window_s": 0.1,
        "coarse_hz": 20.0, "count": 5, "bad_seam": "one_shot",
    },
    "close": {"spread": "whole", "seam_s": 0.15, "pin": False, "warp": True},
    "root_motion": {"planar": False, "turn": False, "height": True, "smooth_hz": 1.5},
    "events": {
        "strike_speed": 3.0, "kick_speed": 4.5, "strike_gap_s": 0.3, "stop_s": 0.25, "cutoff_hz": 10.0,
        "air_s": 0.2,
    },
    "reduce": {
        "max_error_m": 0.0008, "planted_error_m": 0.0004, "max_error_deg": 1.5, "probe_m": 0.12,
        "storage": "float32", "interpolation": "smallest", "max_error_weight": 0.001,
    },
    "fit": {
        "path_scale": 1.1, "floor_m": 0.01, "arm_clearance_deg": 6.0, "plant_feet": False,
        "clear_arms": False, "posture": "match", "hand_pose": "fist", "rest_pose": "stand",
        "goals": ["hands", "floor"], "without_goals": ["leftHand on floor 1.20s"],
        "part": "upper_body", "part_blend_s": 0.3,
    },
}  # fmt: skip


def text(clips: str = "", **changes: dict[str, object] | None) -> str:
    """The recipe as TOML; `changes` are merged into tables by name, a table of None is left out."""
    lines = [f"{key} = {json.dumps(value)}" for key, value in ABOVE.items()]
    for name, table in TABLES.items():
        change = changes.get(name, {})
        if change is None:
            continue
        lines += [f"[{name}]", *(f"{key} = {json.dumps(value)}" for key, value in (table | change).items())]
    return "\n".join([*lines, clips or CLIPS])


CLIPS = """
[[clip]]
name = "calm"
from = "30f"
to = 2.5
loop = true
search = false
root_motion = "in_place"
kind = "idle"

[[clip]]
name = "stroll"
from = 4.0
to = 8.0
loop = true
root_motion = "root"
planar = "root"
turn = "keep"
height = "remove"
smooth_hz = 0.8
events = [{name = "lantern", at = 6.0}]
kind = "locomotion"

[[clip]]
name = "once"
from = 3.0
to = 7.0
blend_frames = 8
straight = true
constant_speed = true
turn_deg = 0.0
rate = 24.0

[[clip]]
name = "long"
stretches = [["10f", "59f"], ["30f", "99f"]]
search = false
loop = true
kind = "idle"
length_s = 2.0
seed = 3

[[clip]]
name = "both"
stretches = [[0.5, 2.4], ["600f", "700f"]]

[[clip]]
name = "saunter"
from = 1.5
to = 10.0
in_parts = true

[[clip]]
name = "off"
from = 7.0
to = 9.0
follows = "stroll"

[[clip]]
name = "on"
from = 3.0
to = 4.0
leads_to = "stroll"

[[variant]]
of = "stroll"
name = "limp"
mirror = true
speed = 1.2

[[variant]]
of = "stroll"
additive_to = "calm"
against = "pose"
"""
