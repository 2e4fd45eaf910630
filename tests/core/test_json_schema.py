"""Our part of JSON Schema against the jsonschema package (its own implementation of draft 2020-12)."""

from __future__ import annotations

import copy
import json
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from takemill.files import json_schema
from takemill.sets import clip_set

SCHEMA = json.loads(Path(clip_set.__file__).with_name("clips.schema.json").read_bytes())
ORACLE = jsonschema.Draft202012Validator(SCHEMA)
SHA = "0123456789abcdef" * 4
GOOD = {
    "schema_version": 7,
    "tool": {"name": "takemill", "version": "0.1.0"},
    "name": "ferry",
    "skeleton": {"sha256": SHA, "joints": 2, "root": None, "body": {"hips": "Hips"}},
    "takes": [
        {
            "name": "day",
            "sha256": SHA,
            "frames": 10,
            "rate": 60.0,
            "duration_s": 0.15,
            "health": {"jitter_deg": 0.5},
            "findings": [{"kind": "spike", "repaired": 3, "left": 0}],
        }
    ],
    "gaps": {
        "clips": ["walk"],
        "cm": [[0.0]],
        "deg": [[0.0]],
        "cm_s": [[1.5]],
        "worst": [[["head", "hand"]]],
    },
    "joins": [
        {
            "from": "off",
            "to": "walk",
            "gap_cm": 0.0,
            "gap_deg": 0.1,
            "gap_cm_s": 20.0,
            "foot": "leftFoot",
            "phase": 0.0,
        }
    ],
    "settings": {"0123456789ab": {"loop": {"kind": "auto"}}},
    "packing": {
        "max_error_m": 0.0005,
        "planted_error_m": 0.00025,
        "max_error_weight": 0.0005,
        "max_error_deg": 1.0,
        "probe_m": 0.1,
        "storage": "smallest",
        "interpolation": "linear",
    },
    "clips": [
        {
            "name": "walk",
            "kind": "locomotion",
            "file": "ferry.glb",
            "fbx": None,
            "frames": 10,
            "rate": 60,
            "duration_s": 0.15,
            "loop": True,
            "no_loop": None,
            "additive": False,
            "blend_frames": 0,
            "root_motion": {
                "mode": "root",
                "joint": "root",
                "planar": "root",
                "turn": "remove",
                "height": "keep",
                "offset_m": [0, 0, 1.5],
                "distance_m": 1.5,
                "path_m": 1.6,
                "turn_deg": -3.0,
                "speed_m_s": 1.0,
                "cycle": {"count": 1.0, "duration_s": 0.15, "distance_m": 1.5, "turn_deg": -3.0},
            },
            "gait": [[0.0, 0.25], [0.05, 1.0], [0.15, 1.25]],
            "seam": {"gap_cm": 0.5, "gap_deg": 1.0, "gap_cm_s": 2.0, "quality": "good"},
            "events": [{"name": "leftFoot.down", "frame": 3, "time_s": 0.05, "phase": 0.33}],
            "contacts": {"leftFoot": [[0, 3], [5, 10]]},
            "floors_m": None,
            "springs": None,
            "faces": {},
            "own_joints": {"jaw": {"turn_deg": 12.5, "move_m": 0.0}},
            "goals": [
                {
                    "name": "leftHand on head 1.20s",
                    "kind": "body",
                    "off_mm": 0.4,
                    "reached": True,
                    "slide_cm_s": None,
                }
            ],
            "arms_in_body_mm": {"before": 38.5, "after": 0.4},
            "legs": {
                "straight_share": 0.1,
                "straight_deg": 2.5,
                "lowered_share": 0.0,
                "lowered_mm": 1.2,
                "performer_slides_cm_s": {"leftFoot": 0.4},
            },
            "soles": {
                "leftFoot": {
                    "slide_cm_s": 0.3,
                    "slide_frame": 5,
                    "under_mm": 0.0,
                    "under_frame": 0,
                    "over_mm": 1.1,
                    "over_frame": 2,
                },
                "rightFoot": {
                    "slide_cm_s": None,
                    "slide_frame": None,
                    "under_mm": 3.4,
                    "under_frame": 0,
                    "over_mm": None,
                    "over_frame": None,
                },
            },
            "fit_quality": "fair",
            "idle": None,
            "source": {"take": "day", "sha256": None, "frames": [0, 10], "stretches": []},
            "variant": {"of": "run", "mirror": True, "speed": 1.0, "additive_to": None, "against": None},
            "settings": "0123456789ab",
            "asked": None,
            "keys": {"count": 40, "bytes": 800, "weights": 0, "max_error_weight": 0.0, "max_error_mm": 0.4},
        }
    ],
    "character": {"mesh": True, "unmapped": ["leftToes"], "constrained": []},
    "files": [{"name": "ferry.glb", "bytes": 1000, "sha256": SHA}],
    "sha256": SHA,
}


def ours(value) -> list[str]:
    return list(json_schema.problems(value, SCHEMA, SCHEMA))


def test_a_good_list_has_no_problems():
    assert ours(GOOD) == []
    assert ORACLE.is_valid(GOOD)


def paths(value, here=()):
    yield here
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, one in items:
        yield from paths(one, (*here, key))


ODD = [
    None,
    True,
    False,
    0,
    1,
    -1,
    1.5,
    -0.5,
    2,
    10**9,
    "",
    "x",
    SHA,
    SHA + "0",
    SHA.upper(),
    "root",
    "good",
    [],
    [0],
    [0, 1],
    [0, 1, 2],
    [[0, 1]],
    [1.0, 2.0],
    ["a", "b"],
    {},
    {"a": 1},
    {"hips": 3},
    {"name": "takemill"},
]


@settings(max_examples=600)
@given(
    st.lists(
        st.tuples(st.sampled_from(sorted(paths(GOOD), key=str)), st.sampled_from(ODD), st.integers(0, 2)),
        min_size=1,
        max_size=3,
    )
)
def test_damaged_lists_are_judged_as_the_package_judges_them(changes):
    value = copy.deepcopy(GOOD)
    for path, odd, how in changes:
        try:
            part = value
            for key in path[:-1]:
                part = part[key]
            if not path:
                value = odd
            elif how == 0:
                part[path[-1]] = copy.deepcopy(odd)
            elif how == 1:
                del part[path[-1]]
            else:
                part["unheard of"] = copy.deepcopy(odd)
        except (KeyError, IndexError, TypeError):
            continue
    assert (ours(value) == []) == ORACLE.is_valid(value)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda d: d.update(schema_version=1), "schema_version: const 7 does not hold"),
        (lambda d: d.pop("files"), "the top: 'files' is missing"),
        (lambda d: d["packing"].pop("max_error_m"), "packing: 'max_error_m' is missing"),
        (lambda d: d["clips"][0].update(colour="red"), "clips[0].colour: unknown"),
        (
            lambda d: d["clips"][0]["events"][0].update(phase=2),
            "clips[0].events[0].phase: maximum 1 does not hold",
        ),
        (lambda d: d["clips"][0].update(loop=1), "clips[0].loop: expected boolean"),
        (
            lambda d: d["clips"][0]["source"].update(sha256="x"),
            "clips[0].source.sha256: fits none of what it may be",
        ),
    ],
)
def test_problems_say_where(change, message):
    value = copy.deepcopy(GOOD)
    change(value)
    assert ours(value) == [message]


def test_a_keyword_that_is_not_known_is_no_silent_pass():
    with pytest.raises(KeyError):
        list(json_schema.problems(3, {"multipleOf": 2}, {}))
