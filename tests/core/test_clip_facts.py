"""What clips.json says of clips, against the clips and the takes they were made of."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from clip_takes import REST, STRIDE, clip, make, take
from takemill.clip.measure import set_gaps
from takemill.files import glb
from takemill.keys.reduce import dense_tracks
from takemill.pipeline.stages import make_set
from takemill.recipe.recipe import parse_recipe
from takemill.sets import clip_facts, clip_set
from takemill.sets.verify import verify_set

SCHEMA = json.loads(Path(clip_facts.__file__).with_name("clips.schema.json").read_bytes())

EVERYTHING = (
    'neutral = "rest"\nblend_frames = 6\nrate = 30\n'
    + REST
    + clip("walk", "stroll", 4, 8, STRIDE + "smooth_hz = 0.5")
    + clip("bare", "stroll", 2.5, 9, 'kind = "locomotion"\nturn = "keep"\nblend_frames = 0')
    + clip("sway", "stroll", 4, 8, STRIDE + 'turn = "keep"')
    + clip("pivot", "stroll", 3, 6, 'planar = "remove"\nblend_frames = 0')
    + clip("glide", "stroll", 4, 8, STRIDE + 'turn = "remove"\nheight = "root"')
    + clip("stay", "stroll", 4, 8, STRIDE + 'root_motion = "in_place"')
    + clip("hips", "stroll", 4, 8, STRIDE + 'root_motion = "keep"')
    + clip("turn", "turn", 0.6, 5.4, 'turn_deg = 180\nkind = "turn"')
    + clip("blow", "blow", 0.5, 3.5, 'kind = "strike"\nevents = [{name = "lantern", at = 2.0}]')
    + '[[clip]]\nname = "long"\ntake = "rest"\nstretches = [[1, 5], [6, 10]]\nroot_motion = "keep"\n'
    + "".join(
        f"[[variant]]\nof = {of}\n"
        for of in (
            '"turn"\nmirror = true',
            '"walk"\nspeed = 1.25',
            '"blow"\nadditive_to = "rest"',
            '"walk"\nname = "walk_over"\nadditive_to = "rest"\nagainst = "clip"',
        )
    )
)
TAKES = ("rest", "stroll", "turn", "blow")


def facts_of(text: str, *names: str, rooted: bool = False) -> dict[str, dict]:
    clips = make(text, *names, rooted=rooted)
    return {
        name: clip_facts.describe_clip(one, "x.glb", dense_tracks(one.motion), 0.0, {})
        for name, one in clips.items()
    }


@pytest.fixture(scope="module", params=[False, True], ids=["plain", "rigged"])
def packed(request, tmp_path_factory):
    """A set with everything, from a body with and without a root joint of its own."""
    recipe = parse_recipe(EVERYTHING)
    takes = [take(name, request.param) for name in TAKES]
    clips = make_set(takes, recipe)
    folder = tmp_path_factory.mktemp("sets") / "all"
    base = glb.skeleton_glb(clips[0].motion.skeleton)
    clip_set.write_clip_set(folder, base, "all", takes, clips, recipe)
    return folder, clips


def test_a_set_with_everything_keeps_the_schema_and_verifies(packed):
    folder, clips = packed
    jsonschema.validate(json.loads((folder / "clips.json").read_bytes()), SCHEMA)
    wrong, verdicts = verify_set(folder, {one.name: one.motion for one in clips})
    assert wrong == ()
    assert {one.name: one.problems for one in verdicts if one.problems} == {}
    assert {one.name for one in verdicts if one.root_motion_mm is not None} == {
        "walk", "bare", "sway", "pivot", "glide", "turn", "blow", "turn_mirrored", "walk_x1.25"
    }  # fmt: skip


def test_the_matrix_tells_pose_and_speed_of_all_but_additive_clips(packed):
    folder, clips = packed
    gaps = json.loads((folder / "clips.json").read_bytes())["gaps"]
    poses = {one.name: one.world_motion for one in clips if not one.additive}
    assert gaps["clips"] == list(poses)
    assert "walk_over" not in poses
    right = set_gaps(poses, clips[0].body)
    for unit in ("cm", "deg", "cm_s"):
        assert np.abs(np.array(gaps[unit]) - getattr(right, unit)).max() <= 0.00501
    assert gaps["worst"] == [[list(one) for one in row] for row in right.worst]
    row = gaps["clips"].index
    assert gaps["cm"][row("turn")][row("rest")] == 0
    # A removed way is no standstill: what the character does counts, wherever it is stored.
    assert gaps["cm_s"][row("stay")][row("hips")] < 0.3 * gaps["cm_s"][row("stay")][row("rest")]


def test_a_clip_tells_what_was_asked_of_it_and_one_from_elsewhere_nothing():
    (one,) = make(clip("pivot", "stroll", 3, 6, 'planar = "remove"\nkind = "other"'), "stroll").values()
    for given in (one, replace(one, asked=None)):
        told = clip_facts.describe_clip(given, "x.glb", dense_tracks(given.motion), 0.0, {})["asked"]
        if given.asked is None:
            assert told is None
        else:
            assert (told["from"], told["to"], told["planar"], told["kind"]) == (3, 6, "remove", "other")
            assert not {"name", "take"} & told.keys()


def test_travel_is_told_whole_per_clip_and_per_stride():
    facts = facts_of(
        clip("all", "stroll", 3.2, 8.7, 'kind = "locomotion"')
        + clip("kept", "stroll", 3.2, 8.7, 'kind = "locomotion"\nroot_motion = "keep"')
        + clip("loop", "stroll", 4, 8, STRIDE)
        + clip("spin", "turn", 0.6, 5.4, 'kind = "turn"')
        + REST,
        "stroll", "turn", "rest",
    )  # fmt: skip
    way = facts["all"]["root_motion"]
    assert way["cycle"]["count"] == pytest.approx(5.5 / 1.1, rel=0.02)  # two steps take 1.1 s
    speed = 6 / 6.875  # what synthetic.walk does between its ramps
    assert way["path_m"] == pytest.approx(speed * 5.5, rel=0.03)
    assert way["speed_m_s"] == pytest.approx(way["distance_m"] / facts["all"]["duration_s"], abs=1e-4)
    assert way["cycle"]["distance_m"] == pytest.approx(way["distance_m"] / way["cycle"]["count"], abs=1e-4)
    assert way["cycle"]["duration_s"] == pytest.approx(1.1, rel=0.02)
    assert way["cycle"]["turn_deg"] == pytest.approx(way["turn_deg"] / way["cycle"]["count"], abs=1e-3)
    assert abs(way["turn_deg"]) > 20
    kept = facts["kept"]["root_motion"]
    assert (kept["mode"], kept["joint"], way["mode"], way["joint"]) == ("keep", None, "root", "root")
    for key in ("offset_m", "distance_m", "turn_deg", "speed_m_s", "cycle"):
        assert kept[key] == way[key]
    loop = facts["loop"]["root_motion"]
    assert loop["cycle"] == {
        "count": 1.0,
        "duration_s": facts["loop"]["duration_s"],
        "distance_m": loop["distance_m"],
        "turn_deg": loop["turn_deg"],
    }
    assert loop["turn_deg"] == pytest.approx(-60 * 1.1 * speed / 6, abs=0.5)
    assert facts["spin"]["root_motion"]["cycle"] is None
    assert facts["rest"]["root_motion"]["cycle"]["count"] == 1.0


def test_the_gait_is_told_by_its_knots():
    text = clip("all", "stroll", 3.2, 8.7, 'kind = "locomotion"') + clip("loop", "stroll", 4, 8, STRIDE)
    clips, facts = make(text, "stroll"), facts_of(text, "stroll")
    for name, one in clips.items():
        times, strides = np.array(facts[name]["gait"]).T
        right = one.strides
        told = np.interp(np.arange(len(right)) / one.motion.rate, times, strides)
        assert np.abs(told - right).max() < 1e-5
        downs = [event["time_s"] for event in facts[name]["events"] if event["name"] == "leftFoot.down"]
        whole = np.interp(downs, times, strides)
        assert np.abs(whole - np.round(whole)).max() < 1e-5
        assert len(times) == len({0.0, times[-1], *downs})
    assert facts_of(REST, "rest")["rest"]["gait"] is None


def test_what_clips_were_made_of_and_how():
    text = EVERYTHING
    facts = facts_of(text, *TAKES)
    assert facts["long"]["source"]["stretches"] == [[60, 301], [360, 601]]
    assert facts["long"]["source"]["frames"] == [60, 601]
    assert facts["walk"]["source"]["stretches"] == []
    assert facts["walk"]["variant"] is None
    assert facts["turn_mirrored"]["variant"] == {
        "of": "turn", "mirror": True, "speed": 1.0, "additive_to": None, "against": None
    }  # fmt: skip
    over = facts["walk_over"]
    assert (over["additive"], over["loop"], over["root_motion"]["mode"]) == (True, True, "in_place")
    assert (over["variant"]["additive_to"], over["variant"]["against"]) == ("rest", "clip")
    assert not facts["walk"]["additive"]
    assert [facts[name]["blend_frames"] for name in ("turn", "bare", "walk", "rest")] == [6, 0, 0, 0]
    assert {event["name"] for event in facts["blow"]["events"]} >= {"lantern", "rightHand.strike"}
    glide = facts["glide"]["root_motion"]
    assert (glide["planar"], glide["turn"], glide["height"]) == ("root", "remove", "root")
