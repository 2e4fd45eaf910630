"""How clips stand on a character: soles and slide as played, legs, hands, words, lines, what verify tells."""

from __future__ import annotations

import json
import shutil
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest

import fit_bodies
import hand_takes
import rigs
import small_takes
import takemill
from damaged_sets import problems, relist
from glb_clips import clip_of
from glb_reader import read_glb
from skinned_soles import sole_heights
from takemill.base.errors import GlbError
from takemill.body.body_map import find_body_map, leg_length
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.clip.root_motion import RootMotion
from takemill.clip.root_motion_parts import RootMotionParts, restore_points
from takemill.files.bvh import BvhLayout
from takemill.files.glb import append_animations
from takemill.files.glb_read import GlbScene
from takemill.files.glb_read_skin import read_skinned
from takemill.fit.fit import FitSettings
from takemill.maths import quat
from takemill.pipeline.fit_notes import fit_notes
from takemill.pipeline.fit_take import fit_take
from takemill.pipeline.leg_reach import find_leg_reach
from takemill.pipeline.prepare_take import prepare_take
from takemill.recipe.recipe import Recipe
from takemill.sets.fit_quality import LIMITS, fit_lines, judge, judge_clip
from takemill.sets.played_feet import FootReader, PlayedFoot
from takemill.sets.report_fit import describe_lacks, fit_rows
from takemill.sets.report_mesh import shown_mesh
from takemill.shell import cli

RATE, FRAMES = 30.0, 20
SKELETON, BODY = fit_bodies.body(fit_bodies.TOON)
RECIPE = "".join(
    f'[[clip]]\nname = "{name}"\nfrom = {start}\nto = {stop}\nloop = {loop}\nroot_motion = "{root_motion}"\n'
    for name, start, stop, loop, root_motion in (
        ("walk", 3.5, 8, "true", "root"),
        ("pace", 3.5, 8, "true", "in_place"),
        ("off", 1.5, 4, "false", "keep"),
    )
)


def standing(way: np.ndarray) -> Motion:
    """The body at rest, moved by (F, 3) metres from where it rests."""
    rest = np.broadcast_to(SKELETON.rest_rotation, (len(way), len(SKELETON), 4))
    return Motion(SKELETON, RATE, rest, SKELETON.rest_translation[0] + way)


def measured(motion: Motion, restore=None, **changes) -> dict[str, PlayedFoot]:
    """The feet of a motion, packed on a character of its skeleton; both are planted in frames 5 to 14."""
    glb = append_animations(rigs.character(SKELETON), [clip_of("clip", motion)])
    scene = GlbScene(glb, "it")
    names = {scene.names[joint] for joint in scene.joints}
    mesh = read_skinned(scene)
    assert mesh is not None
    clip = {
        "name": "clip", "frames": len(motion), "rate": motion.rate, "loop": False, "additive": False,
        "root_motion": {"planar": "keep", "turn": "keep", "height": "keep"},
        "contacts": {"leftFoot": [[5, 15]], "rightFoot": [[5, 15]]}, "floors_m": None,
    } | changes  # fmt: skip
    return FootReader(scene, mesh, names, BODY.names(SKELETON)).measure(clip, restore)


def test_depth_height_and_slide_are_those_that_were_made() -> None:
    """Lowered by 12 mm in one frame, raised by 5 mm in another, moved aside at 10 cm/s all the time."""
    way = np.zeros((FRAMES, 3))
    way[:, 0] = 0.1 * np.arange(FRAMES) / RATE
    way[17, 2], way[8, 2] = -0.012, 0.005
    low = float(sole_heights(read_glb(append_animations(
        rigs.character(SKELETON), [clip_of("clip", standing(0 * way))])), "clip", np.zeros(1),
        SKELETON.names[BODY.require("leftFoot")])[0])  # fmt: skip
    for foot in measured(standing(way)).values():
        assert foot.under_m == pytest.approx(0.012 - low, abs=1e-5)
        assert foot.under_frame == 17
        assert foot.over_m == pytest.approx(0.005 + low, abs=1e-5)
        assert foot.over_frame == 8
        assert foot.slide_m_s == pytest.approx(0.1, rel=1e-3)
        assert foot.slide_frame == 5


def test_a_path_that_was_removed_is_put_back_or_the_slide_is_not_told() -> None:
    """A clip in place slides as little as it did on its path, which `restore` knows."""
    way = np.zeros((FRAMES, 3))
    way[:, 1] = -0.5 * np.arange(FRAMES) / RATE
    track, parts = RootMotion(RATE, way, np.zeros(FRAMES)), RootMotionParts.of("in_place")
    gone = {"root_motion": {"planar": "remove", "turn": "remove", "height": "keep"}}
    still = standing(0 * way)
    assert {foot.slide_m_s for foot in measured(still, **gone).values()} == {None}
    back = measured(still, lambda points: restore_points(points, track, parts), **gone)
    assert [foot.slide_m_s for foot in back.values()] == pytest.approx([0.5, 0.5], rel=1e-3)


def test_a_foot_that_turns_about_its_heel_does_not_slide() -> None:
    """The stillest of its vertices counts; the other foot goes round it."""
    joint, turned = BODY.require("leftFoot"), standing(np.zeros((FRAMES, 3)))
    at = turned.model()[1][0, joint]
    yaw = np.linspace(0.0, 1.0, FRAMES)
    rotations = turned.rotations.copy()
    rotations[:, 0] = quat.mul(quat.from_yaw(yaw), rotations[:, 0])
    root = at + quat.rotate(quat.from_yaw(yaw), SKELETON.rest_translation[0] - at)
    spun = measured(replace(turned, rotations=rotations, root_translation=root))
    assert spun["leftFoot"].slide_m_s < 0.1  # the nearest vertex is 5 cm away, at 1.6 radians a second
    assert spun["rightFoot"].slide_m_s > 0.2


def test_a_contact_over_the_seam_of_a_loop_is_one() -> None:
    """The fast end of it is shared by the whole of it; a one-shot has two contacts."""
    way = np.zeros((FRAMES, 3))
    way[15:, 0] = 0.03 * np.arange(5)
    split = {"contacts": {"leftFoot": [[0, 12], [15, FRAMES]], "rightFoot": []}}
    twice = measured(standing(way), **split)
    once = measured(standing(way), loop=True, **split)
    assert twice["leftFoot"].slide_m_s == pytest.approx(0.9, rel=1e-3)
    assert once["leftFoot"].slide_m_s == pytest.approx(0.9 * 4 / 15, rel=1e-3)
    assert once["rightFoot"].slide_m_s is once["rightFoot"].over_m is None


def test_long_clips_are_measured_in_parts_as_in_one(monkeypatch) -> None:
    rng = np.random.default_rng(1)
    motion = standing(0.01 * rng.standard_normal((FRAMES, 3)))
    whole = measured(motion)
    monkeypatch.setattr("takemill.sets.played_feet._CHUNK", 6)
    parts = measured(motion)
    assert parts.keys() == whole.keys()
    for foot, one in whole.items():
        # Products of fewer frames may be summed in another order, which is rounding; a frame that is lost or
        # counted twice is a step of the body, 10 mm at random.
        assert asdict(parts[foot]) == pytest.approx(asdict(one), rel=0, abs=1e-9)


def test_differences_and_clips_without_their_height_are_not_measured() -> None:
    motion = standing(np.zeros((FRAMES, 3)))
    assert measured(motion, additive=True) == {}
    assert measured(motion, root_motion={"planar": "keep", "turn": "keep", "height": "remove"}) == {}


def test_floors_at_several_heights_are_those_of_the_contacts() -> None:
    way = np.zeros((FRAMES, 3))
    way[:, 2] = 0.3
    floors = {"leftFoot": [0.3], "rightFoot": [0.31]}
    feet, level = measured(standing(way), floors_m=floors), measured(standing(0 * way))
    assert feet["leftFoot"].under_m == pytest.approx(level["leftFoot"].under_m, abs=1e-5)
    assert feet["rightFoot"].under_m - feet["leftFoot"].under_m == pytest.approx(0.01, abs=1e-5)


def test_lowered_hips_and_straight_legs_are_told_by_how_much() -> None:
    motion = small_takes.stand_and_walk()
    body = find_body_map(motion.skeleton)
    low = replace(motion, root_translation=motion.root_translation - [0.0, 0.0, 0.02])
    reach = find_leg_reach(motion, body, low, body)
    np.testing.assert_allclose(reach.lowered_m, 0.02, atol=1e-9)
    assert (reach.lowered_share, reach.straight_share) == (1.0, 0.0)
    knee = body.require("leftLowerLeg")
    rotations = motion.rotations.copy()
    rotations[10:20, knee] = motion.skeleton.rest_rotation[knee]  # straight
    bent = find_leg_reach(motion, body, replace(motion, rotations=rotations), body)
    assert bent.straight_share == pytest.approx(10 / len(motion), abs=1e-9)
    assert bent.within([(0, 10), (20, 25)]).straight_share == 0.0
    assert bent.within([(10, 20)]).straight_share == 1.0


def test_strides_that_are_too_long_straighten_legs_or_lower_hips() -> None:
    motion = small_takes.stand_and_walk()
    take = prepare_take("day", motion, find_body_map(motion.skeleton), Recipe())
    fitted = [
        fit_take(take, motion.skeleton, take.body, FitSettings(path_scale=scale)).reach
        for scale in (1.0, 1.6)
    ]
    assert fitted[0].lowered_m.max() < 0.002
    assert fitted[1].lowered_m.max() > 0.03


def test_hands_on_the_floor_tell_how_they_slide() -> None:
    case = hand_takes.floor()
    take = prepare_take("floor", case.motion, case.body, Recipe())
    take = replace(take, motion=case.motion)
    fitted = fit_take(take, SKELETON, BODY, FitSettings())
    slides = {one.goal.part: one.slide_m_s for one in fitted.goals}
    assert {part for part, slide in slides.items() if slide is not None} == {"leftHand", "rightHand"}
    assert max(slides.values()) < 0.001
    moving = replace(case.motion, root_translation=case.motion.root_translation + carried(case.motion))
    fitted = fit_take(replace(take, motion=moving), SKELETON, BODY, FitSettings())
    scale = leg_length(SKELETON, BODY) / leg_length(case.motion.skeleton, case.body)
    slides = [one.slide_m_s for one in fitted.goals if one.goal.part.endswith("Hand")]
    assert slides == pytest.approx([0.2 * scale] * 2, rel=0.05)


def carried(motion: Motion) -> np.ndarray:
    """A way (F, 3) aside at 0.2 m/s."""
    return np.arange(len(motion))[:, None] * np.array([0.2 / motion.rate, 0.0, 0.0])


def clip_facts(**changes):
    """What a list may say of a clip, all of it good."""
    foot = {"slide_cm_s": 0.1, "slide_frame": 0, "under_mm": 0.0, "under_frame": 12, "over_mm": 0.2,
            "over_frame": 3}  # fmt: skip
    return {
        "name": "walk", "rate": 30.0, "soles": {"leftFoot": dict(foot), "rightFoot": dict(foot)}, "goals": [],
        "arms_in_body_mm": {"before": 40.0, "after": 0.0},
        "legs": {"straight_share": 0.0, "straight_deg": 0.0, "lowered_share": 0.0, "lowered_mm": 0.0,
                 "performer_slides_cm_s": {"leftFoot": 0.4}},
        "fit_quality": "good",
    } | changes  # fmt: skip


@pytest.mark.parametrize("name", sorted(LIMITS))
def test_values_are_called_by_their_limits(name) -> None:
    for limit, (word, worse) in zip(
        LIMITS[name], (("good", "fair"), ("fair", "poor"), ("poor", "bad")), strict=True
    ):
        assert (judge(name, limit), judge(name, limit + 1e-6)) == (word, worse)


def test_the_worst_part_names_the_clip_and_a_line_says_a_way_out() -> None:
    good = clip_facts()
    assert judge_clip(good) == "good"
    assert fit_lines([good], "courier", FitSettings()) == []
    deep = clip_facts()
    deep["soles"]["leftFoot"] |= {"under_mm": 12.0}
    assert judge_clip(deep) == "poor"
    (line,) = fit_lines([good, deep], "courier", FitSettings())
    assert line.startswith(
        "walk on courier (poor): the sole of the left foot is 12 mm under the floor at 0.40 s; "
    )
    assert "mapped" in line
    (line,) = fit_lines([deep], "courier", FitSettings(plant_feet=False))
    assert line.endswith("; set [fit] plant_feet = true")
    hand = {
        "name": "leftHand on floor 3.10s",
        "kind": "floor",
        "off_mm": 3.0,
        "reached": True,
        "slide_cm_s": 20.0,
    }
    for wrong, said in (
        ({"arms_in_body_mm": {"before": 60.0, "after": 31.0}}, "an arm is 31 mm deep in the body; a higher"),
        ({"legs": good["legs"] | {"straight_share": 0.5}}, "in 50 % of the frames; a lower [fit] path_scale"),
        ({"goals": [hand]}, "leftHand on floor 3.10s slides at 20 cm/s; look"),
    ):
        (line,) = fit_lines([clip_facts(**wrong)], "courier", FitSettings())
        assert "(bad)" in line
        assert said in line
    slides = clip_facts()
    slides["soles"]["leftFoot"] |= {"slide_cm_s": 8.0}
    (line,) = fit_lines([slides], "courier", FitSettings())
    assert "slides at 8 cm/s from 0.00 s on; look" in line
    slides["legs"]["performer_slides_cm_s"]["leftFoot"] = 7.0
    (line,) = fit_lines([slides], "courier", FitSettings())
    assert 'on, as the performer\'s does; [repair] profile = "suit" pins' in line
    many = [deep | {"name": f"walk {k}"} for k in range(9)]
    assert (
        fit_lines(many, "courier", FitSettings())[-1]
        == "4 more clips on courier are poor or bad: see report.html"
    )


def test_the_report_has_a_row_for_each_part_and_says_what_a_character_lacks() -> None:
    clip = clip_facts(fit_quality="poor")
    clip["soles"]["leftFoot"] |= {"under_mm": 12.0}
    rows = dict(fit_rows(clip))
    assert rows["fit"] == '<span class="bad">poor</span>'
    assert '<span class="bad">12.0 mm under the floor</span> at 0.40 s' in rows["left foot"]
    assert rows["right foot"].endswith("the sole on the floor within 0.5 mm")
    assert rows["legs"] == "they reach, and the hips are as high as the performer's"
    said = describe_lacks({"mesh": False, "unmapped": ["leftToes"], "constrained": ["<hand>"]})
    assert "no mesh" in said
    assert "left toes" in said
    assert "&lt;hand&gt;" in said
    assert describe_lacks(None) == describe_lacks({"mesh": True, "unmapped": [], "constrained": []}) == ""


@pytest.fixture(scope="module")
def packed(tmp_path_factory) -> Path:
    """A set on a short character that has no toes."""
    folder = tmp_path_factory.mktemp("fit")
    small_takes.write(folder)
    (folder / "r.toml").write_text(RECIPE + '[characters.toon.body]\nleftToes = ""\n')
    (folder / "toon.glb").write_bytes(rigs.character(SKELETON))
    assert run("pack", folder, "--out", str(folder / "set")) == 0
    return folder


def run(verb: str, folder: Path, *more: str) -> int:
    files = [str(folder / "walk.bvh"), "--recipe", str(folder / "r.toml"), "--to", str(folder / "toon.glb")]
    return cli.main([verb, *([more[0], *files] if verb == "verify" else [*files, *more])])


def test_a_packed_set_says_how_it_stands_by_a_skinning_of_its_own(packed) -> None:
    """Heights beside a reader and a skinning that share nothing with the engine (tests/skinned_soles.py)."""
    said = json.loads((packed / "set" / "clips.json").read_text())
    assert said["character"] == {"mesh": True, "unmapped": ["leftToes"], "constrained": []}
    for clip in said["clips"]:
        assert clip["fit_quality"] == judge_clip(clip) is not None
        assert set(clip["soles"]) == {"leftFoot", "rightFoot"}
        glb = read_glb((packed / "set" / clip["file"]).read_bytes())
        for foot, found in clip["soles"].items():
            heights = 1000 * sole_heights(
                glb,
                clip["name"],
                np.arange(clip["frames"]) / clip["rate"],
                SKELETON.names[BODY.require(foot)],
            )
            planted = np.concatenate([heights[slice(*span)] for span in clip["contacts"][foot]])
            assert found["under_mm"] == pytest.approx(max(-heights.min(), 0.0), abs=0.06)
            assert found["over_mm"] == pytest.approx(max(planted.max(), 0.0), abs=0.06)
            assert found["slide_cm_s"] is not None


def test_verify_measures_it_again_in_the_files(packed, tmp_path) -> None:
    assert problems(packed / "set") == []
    for change, said in (
        (lambda s: s["clips"][0]["soles"]["leftFoot"].update(under_mm=9.0), "under_mm of leftFoot is 9.0"),
        (
            lambda s: s["clips"][0]["soles"]["rightFoot"].update(slide_cm_s=9.0),
            "slide_cm_s of rightFoot is 9.0",
        ),
        (lambda s: s["clips"][2]["soles"]["rightFoot"].update(over_mm=None), "over_mm of rightFoot is None"),
        (lambda s: s["clips"][0]["soles"].pop("leftFoot"), "stand, its file shows ['leftFoot', 'rightFoot']"),
        (lambda s: s["clips"][0].update(fit_quality="bad"), "its fit is called bad, and is"),
        (lambda s: s["character"].update(mesh=False), "whether the character has a mesh"),
        (lambda s: s["character"]["unmapped"].append("hips"), "'hips' is said to be unmapped"),
    ):
        folder = tmp_path / str(len(list(tmp_path.iterdir())))
        shutil.copytree(packed / "set", folder)
        relist(folder, change)
        assert any(said in text for text in problems(folder)), said


def test_with_the_take_verify_knows_the_slide_of_clips_in_place(packed, tmp_path, capsys) -> None:
    assert run("verify", packed, str(packed / "set")) == 0
    shutil.copytree(packed / "set", tmp_path / "set")
    relist(tmp_path / "set", lambda s: s["clips"][1]["soles"]["leftFoot"].update(slide_cm_s=30.0))
    assert not any("slide" in text for text in problems(tmp_path / "set"))
    capsys.readouterr()
    assert run("verify", packed, str(tmp_path / "set")) == 1
    assert "slide_cm_s of leftFoot is 30.0" in capsys.readouterr().out


def test_a_set_on_the_performers_own_skeleton_says_nothing_of_a_fit(tmp_path) -> None:
    take = small_takes.write(tmp_path)
    (tmp_path / "r.toml").write_text(RECIPE)
    out = tmp_path / "set"
    assert cli.main(["pack", str(take), "--recipe", str(tmp_path / "r.toml"), "--out", str(out)]) == 0
    said = json.loads((out / "clips.json").read_text())
    assert said["character"] is None
    assert [(clip["soles"], clip["legs"], clip["fit_quality"]) for clip in said["clips"]] == [
        ({}, None, None)
    ] * 3


def test_python_says_what_a_fit_cannot_keep(tmp_path) -> None:
    """As the shell does: in lines for who listens, else as warnings."""
    case = hand_takes.clap()
    (tmp_path / "broad.glb").write_bytes(rigs.character(fit_bodies.body(fit_bodies.BROAD)[0]))
    layout = BvhLayout.default(case.motion.skeleton)
    take, said = takemill.Take("clap", case.motion, case.body, layout), []
    recipe = takemill.parse_recipe('[fit]\nwithout_goals = ["leftHand on moon 1.00s"]\n')
    takemill.fit_take(take, tmp_path / "broad.glb", recipe, say=said.append)
    assert said[0].startswith("[fit] without_goals: no take has 'leftHand on moon 1.00s'")
    with pytest.warns(UserWarning, match="no take has 'leftHand on moon"):
        takemill.fit_take(take, tmp_path / "broad.glb", recipe)


def test_the_notes_of_a_fit_name_contacts_that_are_missed() -> None:
    take = prepare_take("clap", (case := hand_takes.clap()).motion, case.body, Recipe())
    fitted = fit_take(take, SKELETON, BODY, FitSettings())
    assert fitted.goals
    missed = replace(fitted, goals=tuple(replace(one, worst_m=0.05) for one in fitted.goals))
    lines = [list(fit_notes(take, one, FitSettings(), "toon, clap")) for one in (fitted, missed)]
    assert [any("not reached" in line for line in some) for some in lines] == [False, True]


@pytest.mark.parametrize(
    "change",
    [
        lambda json: json["meshes"][0]["primitives"][0]["attributes"].update(POSITION=10**6),
        lambda json: json["skins"][0].update(joints=json["skins"][0]["joints"][:3]),
        lambda json: json["meshes"][0]["primitives"][0]["attributes"].update(
            POSITION=json["meshes"][0]["primitives"][0]["attributes"]["WEIGHTS_0"]
        ),
        lambda json: json["meshes"][0]["primitives"][0].update(material=99),
    ],
)
def test_a_mesh_that_is_malformed_is_refused_in_words(change) -> None:
    scene = GlbScene(rigs.changed(rigs.character(SKELETON), change), "it")
    with pytest.raises(GlbError):
        read_skinned(scene)


def test_a_list_cannot_ask_for_days_of_work() -> None:
    assert measured(standing(np.zeros((FRAMES, 3))), frames=10**9) == {}


def test_the_page_gets_the_mesh_out_of_the_file() -> None:
    """Bones that clips do not know hang on the next above; loose vertices and endless meshes are left out."""
    scene = GlbScene(rigs.character(SKELETON), "it")
    mesh = read_skinned(scene)
    shown = shown_mesh(scene, mesh, SKELETON)
    assert shown["turning"] == sorted(set(shown["turning"]))
    assert len(shown["palette"]) == 1
    toes = SKELETON.names[BODY.require("leftToes")]
    fewer = SKELETON.names.index(toes)
    keep = [k for k in range(len(SKELETON)) if k != fewer and k not in SKELETON.subtree(fewer)]
    place = {joint: k for k, joint in enumerate(keep)}
    short = Skeleton(
        tuple(SKELETON.names[k] for k in keep),
        tuple(place.get(SKELETON.parents[k], -1) for k in keep),
        SKELETON.rest_translation[keep],
        SKELETON.rest_rotation[keep],
    )
    cut = shown_mesh(scene, mesh, short)
    at, foot = mesh.joints.index(toes), place[BODY.require("leftFoot")]
    bind = cut["binds"][sorted(np.unique(mesh.slots)).index(at)]
    assert cut["turning"][bind[0]] == foot
    node = scene.names.index(toes)
    np.testing.assert_allclose(
        np.reshape(bind[1], (3, 4)), (scene.rest_of(node) @ mesh.binds[at])[:3], atol=1e-5
    )
    loose = replace(mesh, weights=np.where(np.arange(len(mesh.points))[:, None] == 0, 0.0, mesh.weights))
    faces = [len(shown_mesh(scene, one, SKELETON)["triangles"]) for one in (mesh, loose)]
    assert faces[1] < faces[0]
    many = replace(mesh, triangles=np.zeros((150_001, 3), np.intp), colours=np.zeros((150_001, 3)))
    assert shown_mesh(scene, many, SKELETON) is None
