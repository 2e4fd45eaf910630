"""Takes read from GLB files: compared with a reader that shares no code, and with the motions written."""

from __future__ import annotations

import json

import numpy as np
import pytest

import small_takes
import synthetic
from glb_clips import clip_of
from glb_reader import read_glb
from rigs import character
from takemill.base.errors import FileError, GlbError, TakemillError
from takemill.body.intake import IntakeSettings
from takemill.body.motion import Motion
from takemill.files.bvh import write_bvh
from takemill.files.glb import append_animations
from takemill.files.glb_format import Document, pack, parse
from takemill.files.glb_take import read_glb_takes, take_names
from takemill.files.key_rate import rate_of_keys
from takemill.files.take_address import file_of, inside, name_of
from takemill.files.take_motion import digest_of_file, read_motion, takes_in
from takemill.keys.reduce import ReduceSettings, reduce_keys
from takemill.recipe.recipe import Recipe
from takemill.sets.take_files import intake_of, read_take
from takemill.shell import cli

NEAR_M = 1e-4  # a tenth of a millimetre, as issue 12 has it


@pytest.fixture(scope="module")
def walk() -> Motion:
    return synthetic.walk(rate=60.0, steps=4).motion


def glb_of(motion: Motion, *names: str, **top: object) -> bytes:
    """A character that plays a motion under some names."""
    base = character(motion.skeleton, **top)
    return append_animations(base, [clip_of(name, motion) for name in names])


def edited(glb: bytes, change) -> bytes:
    document = parse(glb)
    said = json.loads(json.dumps(document.json))
    change(said)
    return pack(Document(said, document.binary))


def off_m(motion: Motion, other: Motion) -> float:
    order = [motion.skeleton.index(name) for name in other.skeleton.names]
    return float(np.linalg.norm(motion.model()[1][:, order] - other.model()[1], axis=-1).max())


def test_an_animation_is_the_motion_that_was_written(walk):
    data = glb_of(walk, "walk")
    found = read_glb_takes(data, "walk.glb").motions["walk"]
    assert (found.rate, len(found)) == (walk.rate, len(walk))
    assert off_m(found, walk) < NEAR_M


def test_it_is_what_another_reader_plays(walk):
    """tests/glb_reader.py: numpy and json alone."""
    data = glb_of(walk, "walk")
    found = read_glb_takes(data, "walk.glb").motions["walk"]
    names = found.skeleton.names
    wanted = read_glb(data).positions("walk", np.arange(len(found)) / found.rate, names)
    assert np.abs(found.model()[1] - wanted).max() < 1e-5


@pytest.mark.parametrize(
    "top",
    [
        {"scale": (0.01, 0.01, 0.01)},
        {"rotation": (-np.sqrt(0.5), 0, 0, np.sqrt(0.5))},
        {"translation": (0.0, 0.25, 0.0), "scale": (0.0254,) * 3},
    ],
)
def test_what_carries_the_skeleton_counts(top, walk):
    """A scale, a tilt and a height of the object above the joints; its place and heading do not count."""
    data = glb_of(walk, "walk", **top)
    found = read_glb_takes(data, "walk.glb").motions["walk"]
    wanted = read_glb(data).positions("walk", np.arange(len(found)) / found.rate, found.skeleton.names)
    assert np.abs(found.model()[1] - wanted).max() < 1e-5


def test_a_carrier_that_is_animated_carries_the_joints(walk):
    """Root motion on the object above: the joints' own channels stay, the world does not."""
    data = glb_of(walk, "walk")

    def moved(json) -> None:
        top = json["scenes"][0]["nodes"][0]
        animation = json["animations"][0]
        hips = json["skins"][0]["joints"][0]
        channel = next(
            one for one in animation["channels"]
            if one["target"] == {"node": hips, "path": "translation"}
        )  # fmt: skip
        animation["channels"].append({**channel, "target": {"node": top, "path": "translation"}})

    twice = edited(data, moved)
    found = read_glb_takes(twice, "walk.glb").motions["walk"]
    wanted = read_glb(twice).positions("walk", np.arange(len(found)) / found.rate, found.skeleton.names)
    assert np.abs(found.model()[1] - wanted).max() < 1e-5
    assert np.ptp(wanted[:, 0, 1]) > 1.9 * np.ptp(walk.root_translation[:, 1])


def test_steps_hold_their_value(walk):
    """GlTF 2.0, appendix C.2. The keys of one joint lie on each fourth frame, those of the others on all."""
    data = glb_of(walk, "walk")

    def stepped(json) -> None:
        for sampler in json["animations"][0]["samplers"]:
            sampler["interpolation"] = "STEP"

    found = read_glb_takes(edited(data, stepped), "walk.glb").motions["walk"]
    assert off_m(found, walk) < NEAR_M


def test_cubic_splines_are_played_as_the_standard_says(walk):
    """GlTF 2.0, appendix C.5, by our writer's smallest keys; tests/glb_reader.py plays them on its own."""
    settings = ReduceSettings(interpolation="cubic", max_error_m=0.002)
    clip = clip_of("walk", walk, lambda motion: reduce_keys(motion, settings))
    data = append_animations(character(walk.skeleton), [clip])
    kinds = {one.get("interpolation") for one in parse(data).json["animations"][0]["samplers"]}
    assert "CUBICSPLINE" in kinds
    found = read_glb_takes(data, "walk.glb").motions["walk"]
    assert found.rate == walk.rate
    times = np.arange(len(found)) / found.rate
    wanted = read_glb(data).positions("walk", times, found.skeleton.names)
    assert np.abs(found.model()[1] - wanted).max() < NEAR_M


def test_the_rate_is_what_the_keys_tell():
    rng = np.random.default_rng(0)
    for rate in (24, 25, 30, 60, 90, 120, 240, 30 / 1.001, 47.0, 12.5):
        times = np.arange(700) / rate + 0.3
        assert rate_of_keys(times.astype(np.float32)) == pytest.approx(rate, rel=1e-6), rate
    for rate in (30, 60, 120):
        frames = np.sort(rng.choice(900, 200, replace=False))
        frames = np.union1d(frames, [0, 1, 899])  # reduced, but not to every other frame
        assert rate_of_keys((frames / rate).astype(np.float32)) == rate
    assert rate_of_keys(np.array([1.0])) == 30.0
    assert rate_of_keys(np.array([0.0, 1.0])) == 24.0


def test_several_takes_are_named_each(walk, tmp_path, capsys):
    path = tmp_path / "day.glb"
    data = append_animations(
        character(walk.skeleton), [clip_of("walk", walk), clip_of("stroll", walk.slice(10, 200))]
    )
    path.write_bytes(data)
    assert take_names(data, "day.glb") == ("walk", "stroll")
    assert takes_in([path]) == [f"{path}:walk", f"{path}:stroll"]
    assert takes_in([f"{path}:walk"]) == [f"{path}:walk"]
    with pytest.raises(FileError, match=r"2 takes, 'walk', 'stroll'; name one, as in day\.glb:walk"):
        read_take(path, Recipe())
    motion, _, _ = read_take(f"{path}:stroll", Recipe())
    assert len(motion) == 190
    with pytest.raises(GlbError, match="no animation 'run'"):
        read_take(f"{path}:run", Recipe())
    assert digest_of_file(f"{path}:walk") != digest_of_file(f"{path}:stroll")
    assert cli.main(["check", str(path)]) == 0
    out = capsys.readouterr().out
    assert "walk: unit m, Y up" in out
    assert "stroll: unit m, Y up" in out
    assert cli.main(["cuts", str(path)]) == 2
    assert "name one" in capsys.readouterr().err
    assert cli.main(["cuts", f"{path}:stroll"]) == 0
    assert cli.main(["pack", str(path), "--out", str(tmp_path / "set")]) == 0
    facts = json.loads((tmp_path / "set" / "clips.json").read_text(encoding="utf-8"))
    assert {clip["source"]["take"] for clip in facts["clips"]} == {"walk", "stroll"}
    assert cli.main(["verify", str(tmp_path / "set"), str(path)]) == 0


def test_an_address_is_a_file_and_a_name(tmp_path):
    assert (file_of("a/b.glb:walk 2"), inside("a/b.glb:walk 2")) == (file_of("a/b.glb"), "walk 2")
    assert (name_of("a/b.glb:x:y"), name_of("a/b.glb"), name_of("c.bvh")) == ("x:y", "b", "c")
    assert inside("C:/takes/b.bvh") == ""
    odd = tmp_path / "b.glb:walk"
    odd.write_bytes(b"")
    assert inside(odd) == ""


def test_the_shell_makes_the_same_of_a_glb_as_of_a_bvh(tmp_path):
    """The same body, cuts and intake, and a repaired file that can be written."""
    motion = small_takes.stand_and_walk()
    (tmp_path / "take.glb").write_bytes(glb_of(motion, "take"))
    write_bvh(tmp_path / "take.bvh", motion)
    glb, bvh = (read_take(tmp_path / f"take.{kind}", Recipe()) for kind in ("glb", "bvh"))
    assert glb[1].names(glb[0].skeleton) == bvh[1].names(bvh[0].skeleton)
    assert off_m(glb[0], bvh[0]) < NEAR_M
    one, other = intake_of(glb), intake_of(bvh)
    assert one.line().split(", ")[2:] == other.line().split(", ")[2:]
    assert (one.unit_m, one.up) == (1.0, "Y")
    assert cli.main(["repair", str(tmp_path / "take.glb"), "-o", str(tmp_path / "repaired.bvh")]) == 0
    again, layout = read_motion(tmp_path / "repaired.bvh", IntakeSettings())
    assert layout.unit_m == 1.0
    assert len(again) == len(motion)
    assert cli.main(["repair", str(tmp_path / "take.glb"), "-o", str(tmp_path / "take.glb")]) == 2


def test_unit_and_up_can_be_said_of_a_file_that_breaks_the_standard(walk, tmp_path):
    """Centimetres where glTF 2.0, section 3.4, has metres; Z up where it has Y up."""
    path = tmp_path / "walk.glb"
    path.write_bytes(glb_of(walk, "walk", scale=(100.0,) * 3))
    found = intake_of(read_take(path, Recipe()))
    assert any("--unit-m" in problem for problem in found.problems)
    said = Recipe(intake=IntakeSettings(unit_m=0.01))
    motion, _, _ = read_take(path, said)
    assert off_m(motion, walk) < NEAR_M
    assert not intake_of(read_take(path, said)).problems
    path.write_bytes(glb_of(walk, "walk", rotation=(-np.sqrt(0.5), 0, 0, np.sqrt(0.5))))
    assert any("--up" in problem for problem in intake_of(read_take(path, Recipe())).problems)
    for up in ("Z", "-Z"):
        found = intake_of(read_take(path, Recipe(intake=IntakeSettings(up=up))))
        assert bool(found.problems) == (up == "Z")


# Bad input ----------------------------------------------------------------------------------------


def static(json) -> None:
    """A mesh, and nothing that bends or moves it."""
    json.pop("skins")
    json.pop("animations")
    for node in json["nodes"]:
        node.pop("skin", None)


def morphs(json) -> None:
    """No skin; the animation moves morph targets."""
    static_animations = json["animations"]
    static(json)
    json["animations"] = static_animations
    for channel in json["animations"][0]["channels"]:
        channel["target"]["path"] = "weights"


def still(json) -> None:
    json.pop("animations")


def twins(json) -> None:
    """The same skeleton once more, with names of its own, beside the first."""
    nodes, (skin,) = json["nodes"], json["skins"]
    joints = skin["joints"]
    place = {joint: len(nodes) + k for k, joint in enumerate(joints)}
    for joint in joints:
        copy = {**nodes[joint], "name": f"other {nodes[joint]['name']}"}
        copy["children"] = [place[child] for child in copy.get("children", []) if child in place]
        nodes.append({key: value for key, value in copy.items() if value != []})
    json["skins"].append({**skin, "joints": [place[joint] for joint in joints]})
    json["skins"][1].pop("skeleton", None)
    json["scenes"][0]["nodes"].append(place[joints[0]])


def nothing_moved(json) -> None:
    """The animation moves an object that is no joint."""
    json["nodes"].append({"name": "lamp"})
    json["scenes"][0]["nodes"].append(len(json["nodes"]) - 1)
    json["animations"][0]["channels"] = json["animations"][0]["channels"][:1]
    json["animations"][0]["channels"][0]["target"]["node"] = len(json["nodes"]) - 1


def short_view(json) -> None:
    """The last time of a key reaches a byte beyond the view that is to hold it."""
    times = json["accessors"][json["animations"][0]["samplers"][0]["input"]]
    view = json["bufferViews"][times["bufferView"]]
    view["byteLength"] = times.get("byteOffset", 0) + 4 * times["count"] - 1


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (static, "a mesh without skeleton or animation; export the armature"),
        (morphs, "morph targets only; export the armature"),
        (still, "a skeleton and no animation, so no take; export the animation too"),
        (twins, "two bodies in it, below 'hips' and 'other hips'; export one alone"),
        (nothing_moved, "moves no joint; export the armature's animation"),
        (lambda json: json["animations"][0]["channels"][0].update(sampler=99), "malformed"),
        (lambda json: json["animations"][0]["samplers"][0].update(interpolation="BEZIER"), "BEZIER"),
        (short_view, " leaves its data"),
        (lambda json: json["animations"][0]["channels"][0]["target"].update(node="hips"), "malformed"),
        (lambda json: json["animations"][0].update(samplers={}), "malformed"),
    ],
)
def test_a_file_without_a_take_is_an_error_with_a_way_out(change, words, walk, tmp_path, capsys):
    path = tmp_path / "walk.glb"
    path.write_bytes(edited(glb_of(walk, "walk"), change))
    with pytest.raises(GlbError, match=words) as caught:
        read_take(path, Recipe())
    assert str(caught.value).startswith(f"{path}: ")
    assert cli.main(["check", str(path)]) == 2
    assert words.split(";")[0] in capsys.readouterr().err


def test_bytes_that_are_cut_off_or_changed_are_refused_and_never_thrown_about(walk, tmp_path):
    """Some hundred seeded mutations: a take, or a TakemillError."""
    data, rng = glb_of(walk.slice(0, 5), "walk"), np.random.default_rng(5)
    path = tmp_path / "walk.glb"
    read = 0
    for _ in range(150):
        raw = bytearray(data)
        for place in rng.integers(0, len(raw), rng.integers(1, 4)):
            raw[place] = rng.integers(0, 256)
        path.write_bytes(bytes(raw[: rng.integers(12, len(raw))] if rng.random() < 0.2 else raw))
        try:
            motion, _ = read_motion(path, IntakeSettings())
        except TakemillError:
            continue
        read += 1
        assert np.isfinite(motion.rotations).all()
    assert read > 15


def test_a_scale_that_is_animated_is_left_out_and_said(walk):
    data = glb_of(walk, "walk")

    def grows(json) -> None:
        animation = json["animations"][0]
        way = next(one for one in animation["channels"] if one["target"]["path"] == "translation")
        joint = json["skins"][0]["joints"][5]
        animation["channels"].append({**way, "target": {"node": joint, "path": "scale"}})

    found = read_glb_takes(edited(data, grows), "walk.glb")
    assert off_m(found.motions["walk"], walk) < NEAR_M
    assert "scale of 1 joints is left out" in found.notes[0]
