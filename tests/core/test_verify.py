"""Verifying a set: a good one is well; each damage is told."""

from __future__ import annotations

import contextlib
import copy
import hashlib
import json
import os
import re
import shutil
import struct
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import glb_reader
import small_takes
from takemill.base.errors import FileError, GlbError
from takemill.files import glb
from takemill.files.glb_read import GlbScene
from takemill.pipeline import stages
from takemill.pipeline.prepare_take import body_of, prepare_take
from takemill.recipe.recipe import Recipe, parse_recipe
from takemill.sets.clip_facts import describe_again
from takemill.sets.clip_set import write_clip_set
from takemill.sets.set_list import add_seal
from takemill.sets.verify import notes_of, verify_set
from takemill.sets.verify_files import file_problems
from takemill.shell import cli

RECIPE = "".join(
    f'[[clip]]\nname = "{name}"\nfrom = {start}\nto = {stop}\nloop = {loop}\nroot_motion = "{root_motion}"\n'
    for name, start, stop, loop, root_motion in (
        ("walk", 3.5, 8, "true", "root"),
        ("pace", 3.5, 8, "true", "in_place"),
        ("drift", 3.5, 8, "true", "keep"),
        ("off", 1.5, 4, "false", "root"),
    )
)


@pytest.fixture(scope="module", params=["linear", "cubic"])
def made(request, tmp_path_factory):
    """A folder with a set of straight or of curved keys, and the clips in it."""
    motion = small_takes.stand_and_walk()
    bounds = f'[reduce]\ninterpolation = "{request.param}"\nplanted_error_m = 0.0005\n'
    recipe = parse_recipe(bounds + RECIPE)
    take = prepare_take("day", motion, body_of(motion.skeleton, Recipe()), recipe)
    clips = stages.make_set(take, recipe)
    folder = tmp_path_factory.mktemp("set") / "set"
    write_clip_set(folder, glb.skeleton_glb(clips[0].motion.skeleton), "set", [take], clips, recipe)
    again = json.loads(json.dumps(describe_again(clips, recipe)))
    return folder, {clip.name: clip.motion for clip in clips}, again


@pytest.fixture
def folder(made, tmp_path):
    shutil.copytree(made[0], tmp_path / "set")
    return tmp_path / "set"


def problems(folder: Path, motions=None) -> list[str]:
    wrong, verdicts = verify_set(folder, motions)
    return [*wrong, *(f"{one.name}: {text}" for one in verdicts for text in one.problems)]


def test_a_good_set_is_well(made):
    folder, motions, again = made
    wrong, verdicts = verify_set(folder, motions, again, 0.0005)
    assert wrong == ()
    assert [one.name for one in verdicts] == ["walk", "pace", "drift", "off"]
    for one in verdicts:
        assert one.problems == ()
        assert one.seconds == pytest.approx(motions[one.name].duration_s, abs=1e-6)
        assert one.error_mm is not None
        assert 0.01 < one.error_mm < 0.5  # keys were left out, within the bound
        assert (one.seam_mm is None) == (one.name == "off")
        assert (one.root_motion_mm is None) == (one.name in ("pace", "drift"))
        assert (one.seam_mm or 0) < 0.05
        assert (one.root_motion_mm or 0) < 0.1


def rewrite(folder: Path, change, binary=None, file: str = "set.glb") -> None:
    """Change the GLB's JSON (and its bytes), then list the new file as if it had been written so."""
    path = folder / file
    data = path.read_bytes()
    size = struct.unpack_from("<I", data, 12)[0]
    text, rest = json.loads(data[20 : 20 + size]), bytearray(data[28 + size :])
    change(text)
    if binary:
        binary(text, rest)
    packed = json.dumps(text).encode()
    packed += b" " * (-len(packed) % 4)
    body = (
        struct.pack("<I4s", len(packed), b"JSON") + packed + struct.pack("<I4s", len(rest), b"BIN\0") + rest
    )
    path.write_bytes(struct.pack("<4sII", b"glTF", 2, 12 + len(body)) + body)
    relist(folder, nothing)


def relist(folder: Path, change, seal: bool = True) -> None:
    """Change the list; it bears its own digest then, as if it had been written so."""
    said = json.loads((folder / "clips.json").read_bytes())
    change(said)
    for file in said.get("files", ()):
        if (folder / file["name"]).is_file():
            data = (folder / file["name"]).read_bytes()
            file["bytes"], file["sha256"] = len(data), hashlib.sha256(data).hexdigest()
    (folder / "clips.json").write_text(json.dumps(add_seal(said) if seal else said))


def animation(text: dict, name: str) -> dict:
    return next(one for one in text["animations"] if one["name"] == name)


def nudge(path: str, by: float, clip: str, node: str, key: int = -1, part: int = 1):
    """Add to the first number of a key of a channel, in place in the binary.

    Of a curved key there are three parts: the slope towards it, itself, and the slope away from it.
    """

    def change(text: dict, rest: bytearray) -> None:
        one = animation(text, clip)
        names = [n.get("name") for n in text["nodes"]]
        channel = next(
            c for c in one["channels"] if names[c["target"]["node"]] == node and c["target"]["path"] == path
        )
        accessor = text["accessors"][one["samplers"][channel["sampler"]]["output"]]
        view = text["bufferViews"][accessor["bufferView"]]
        kind = {5126: "<f", 5122: "<h", 5120: "<b"}[accessor["componentType"]]
        width = {"VEC3": 3, "VEC4": 4}[accessor["type"]]
        item = struct.calcsize(kind)
        place = view.get("byteOffset", 0) + accessor.get("byteOffset", 0)
        curved = one["samplers"][channel["sampler"]].get("interpolation") == "CUBICSPLINE"
        row = 3 * (key % (accessor["count"] // 3)) + part if curved else key % accessor["count"]
        place += row * width * item
        scale = {"<f": 1.0, "<h": 32767, "<b": 127}[kind]
        value = struct.unpack_from(kind, rest, place)[0] + by * scale
        struct.pack_into(kind, rest, place, value if kind == "<f" else round(min(value, scale)))

    return change


def nothing(_):
    pass


DAMAGE = {
    "a byte of the GLB": (
        lambda f: (f / "set.glb").write_bytes((f / "set.glb").read_bytes()[:-1] + b"\1"),
        "set.glb: it was changed",
    ),
    "a GLB cut short": (
        lambda f: (f / "set.glb").write_bytes((f / "set.glb").read_bytes()[:-8]),
        "not a whole GLB file",
    ),
    "no GLB": (lambda f: (f / "set.glb").unlink(), "cannot read"),
    "no report": (lambda f: (f / "report.html").unlink(), "cannot read"),
    "an animation less": (
        lambda f: rewrite(f, lambda t: t["animations"].pop(0)),
        "'walk': there is no such animation",
    ),
    "an animation renamed": (
        lambda f: rewrite(f, lambda t: t["animations"][0].update(name="stroll")),
        "'walk': there is no such animation",
    ),
    "other extras": (
        lambda f: rewrite(f, lambda t: t["animations"][0]["extras"].update(loop=False)),
        "walk: its extras say",
    ),
    "a loop's end": (
        lambda f: rewrite(f, nothing, nudge("rotation", 0.05, "walk", "left_lower_leg")),
        "walk: the loop's ends are",
    ),
    "a loop's end in place": (
        lambda f: rewrite(f, nothing, nudge("translation", 0.01, "pace", "hips")),
        "pace: the loop's ends are",
    ),
    "the root's end": (
        lambda f: rewrite(f, nothing, nudge("translation", 0.01, "off", "root")),
        "off: the root joint ends 10.0 mm",
    ),
    "a number that is none": (
        lambda f: rewrite(f, nothing, nudge("translation", float("nan"), "off", "root")),
        "a number is not finite",
    ),
    "another offset": (
        lambda f: relist(f, lambda s: s["clips"][0]["root_motion"].update(offset_m=[0, 0, 2.0])),
        "walk: the root joint ends",
    ),
    "another turn": (
        lambda f: relist(f, lambda s: s["clips"][3]["root_motion"].update(turn_deg=20.0)),
        "off: the root joint ends",
    ),
    "another duration": (
        lambda f: relist(f, lambda s: s["clips"][0].update(duration_s=2.0)),
        "walk: it plays 1.",
    ),
    "another rate": (lambda f: relist(f, lambda s: s["clips"][0].update(rate=30)), "walk: 67 frames at 30"),
    "an event outside": (
        lambda f: relist(f, lambda s: s["clips"][0]["events"][0].update(frame=900)),
        "walk: event '",
    ),
    "a contact outside": (
        lambda f: relist(f, lambda s: s["clips"][0]["contacts"].update(leftFoot=[[0, 900]])),
        "a contact of leftFoot",
    ),
    "a clip off the list": (
        lambda f: relist(f, lambda s: s["clips"].pop(2)),
        "set.glb: it holds a clip 'drift', which the list does not name",
    ),
    "a larger error told": (
        lambda f: relist(f, lambda s: s["clips"][0]["keys"].update(max_error_mm=0.6)),
        "walk: the list says that its keys are 0.6 mm off; 0.5 are allowed",
    ),
    "a clip twice": (
        lambda f: relist(f, lambda s: s["clips"].append(s["clips"][0])),
        "two clips are called 'walk'",
    ),
    "an unknown key": (lambda f: relist(f, lambda s: s.update(colour="red")), "clips.json: colour: unknown"),
    "no root": (lambda f: relist(f, lambda s: s["skeleton"].update(root="tail")), "there is no joint 'tail'"),
    "a joint renamed": (
        lambda f: rewrite(
            f, lambda t: next(n for n in t["nodes"] if n.get("name") == "hips").update(name="pelvis")
        ),
        "set.glb: there is no joint 'hips', which is hips",
    ),
    "another layout": (
        lambda f: relist(f, lambda s: s.update(schema_version=1)),
        "clips.json: its layout is version 1, and this verifies version",
    ),
    "an unlisted file": (lambda f: relist(f, lambda s: s["files"].pop(1)), "is not among the set's files"),
}


@pytest.mark.parametrize("what", DAMAGE)
def test_each_damage_is_told(folder, what):
    change, message = DAMAGE[what]
    change(folder)
    assert any(message in text for text in problems(folder)), problems(folder)


def leaves(value, place=()):
    """The places of all numbers, words and truths in a JSON value."""
    parts = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, part in parts:
        yield from leaves(part, (*place, key))
    if not isinstance(value, dict | list):
        yield place


def edited(value):
    """Another value of the same type."""
    if isinstance(value, bool) or value is None:
        return not value
    return (
        value + "x"
        if isinstance(value, str)
        else value + (1 if isinstance(value, int) else 0.01 + 0.1 * value)
    )


def edit(said, place):
    holder = said
    for key in place[:-1]:
        holder = holder[key]
    holder[place[-1]] = edited(holder[place[-1]])


def places_of(made) -> list[tuple]:
    said = json.loads((made[0] / "clips.json").read_bytes())
    clips = [("clips", 0, *place) for place in leaves(said["clips"][0])]  # the others are like it
    return clips + [place for place in leaves(said) if place[0] != "clips"]


@pytest.mark.parametrize("made", ["linear"], indirect=True)
def test_no_value_of_the_list_can_be_edited_unnoticed(made, folder):
    """Its digest tells of every one."""
    whole, unnoticed = (folder / "clips.json").read_bytes(), []
    for place in places_of(made):
        said = json.loads(whole)
        edit(said, place)
        if not any("it was changed after it was written" in text for text in file_problems(folder, said)):
            unnoticed.append(place)
    relist(folder, lambda said: edit(said, ("clips", 0, "seam", "gap_cm")), seal=False)
    assert "clips.json: it was changed after it was written; pack the set again" in problems(folder)
    assert len(places_of(made)) > 150
    assert unnoticed == []


KNOWN_TO_NOBODY = {"tool", "takes", "name", "files", "sha256"}
"""Of the top: what the clips made again say nothing of; the digest alone guards it."""


@pytest.mark.long
@pytest.mark.parametrize("made", ["linear"], indirect=True)
def test_a_forged_list_is_told_by_what_is_made_again(made, folder):
    """Its digest is right, and the GLB says the same: all that the clips themselves tell is compared."""
    whole, glb_bytes = (folder / "clips.json").read_bytes(), (folder / "set.glb").read_bytes()
    unnoticed = []
    for place in places_of(made):
        relist(folder, lambda said, place=place: edit(said, place))
        if place[0] == "clips":
            new = json.loads((folder / "clips.json").read_bytes())["clips"][0]
            rewrite(folder, lambda text, new=new: text["animations"][0].update(extras=new))
        wrong, verdicts = verify_set(folder, made[1], made[2])
        if not wrong and not any(one.problems for one in verdicts):
            unnoticed.append(place)
        (folder / "clips.json").write_bytes(whole)
        (folder / "set.glb").write_bytes(glb_bytes)
    left = [place for place in unnoticed if place[0] not in KNOWN_TO_NOBODY]
    assert left == [("clips", 0, "keys", what) for what in ("count", "bytes", "max_error_mm")]  # by a little


def lifted(text: dict) -> None:
    next(node for node in text["nodes"] if node.get("name") == "skeleton")["translation"] = [0.0, 0.4, 0.0]


def test_a_body_that_is_moved_is_told_whatever_the_list_allows(folder, made):
    """The whole body 0.4 m above the floor, and a list that allows half a metre."""
    rewrite(folder, lifted)
    relist(folder, lambda said: said["packing"].update(max_error_m=0.5))
    found = problems(folder)
    assert any("0.4" in text and "m above the floor" in text for text in found), found
    assert any("the set allows its keys to be 500 mm off; more than 5 need" in text for text in found)
    _, verdicts = verify_set(folder, made[1], None, 0.0005)
    assert any("a joint is 400" in text for one in verdicts for text in one.problems), verdicts


def test_a_body_that_does_not_stand_is_told(folder):
    rewrite(folder, rest("skeleton", rotation=[1.0, 0.0, 0.0, 0.0]))
    assert any("above the floor" in text or "does not stand" in text for text in problems(folder))


@pytest.mark.parametrize(
    ("parts", "message"),
    [
        ({"scale": [0.0, 1.0, 1.0]}, "'spine' .*scaled to nothing at rest"),
        ({"rotation": [0.0, 0.0, 0.0, 0.0]}, "'spine' .*no unit quaternion"),
        ({"rotation": [0.0, 0.0, 0.0, 1e-320]}, "'spine' .*no unit quaternion"),
        ({"scale": [1e-320, 1e-320, 1e-320]}, "'spine' .*scaled to nothing at rest"),
        (
            {"scale": [1e150, 1e150, 1e150]},
            "the scale of node .* is not 3 finite numbers that a float32 holds",
        ),
        ({"translation": [0, float("nan"), 0]}, "the translation of node .* is not 3 finite numbers"),
    ],
)
def test_a_rest_pose_without_size_or_direction_is_a_finding(folder, parts, message):
    rewrite(folder, rest("spine", **parts))
    assert any(re.search(message, text) for text in problems(folder)), problems(folder)


@pytest.mark.parametrize("index", [True, -1, "0", 0.0, [0], 10**6, None])
def test_an_index_that_is_none_is_a_finding(folder, index):
    """Of a child, a joint, a sampler, a node and an accessor."""

    def change(what):
        def do(text):
            clip = animation(text, "off")
            holder, key = {
                "child": (
                    next(one for one in text["nodes"] if len(one.get("children", ())) > 1)["children"],
                    0,
                ),
                "joint": (text["skins"][0]["joints"], 1),
                "sampler": (clip["channels"][0], "sampler"),
                "node": (clip["channels"][0]["target"], "node"),
                "accessor": (clip["samplers"][0], "output"),
            }[what]
            holder[key] = index

        return do

    whole = (folder / "set.glb").read_bytes()
    for what in ("child", "joint", "sampler", "node", "accessor"):
        rewrite(folder, change(what))
        found = problems(folder)
        assert any(re.search("there is no (node|sampler|accessor) ", text) for text in found), (what, found)
        (folder / "set.glb").write_bytes(whole)


def test_a_deep_chain_is_a_finding(folder):
    def deepen(text):
        first = len(text["nodes"])
        text["nodes"] += [{"name": f"n{k}", "children": [first + k + 1]} for k in range(3000)] + [
            {"name": "end"}
        ]
        text["scenes"][0]["nodes"].append(first)

    rewrite(folder, deepen)
    assert any("a chain of 3001 nodes" in text for text in problems(folder)), problems(folder)


def test_an_animation_without_channels_is_a_finding(folder):
    rewrite(folder, lambda text: animation(text, "off").update(channels=[]))
    assert "off: its animation moves nothing" in problems(folder)


@pytest.mark.parametrize(("stride", "count"), [(0, 2_000_000_000), (4, 100), (0, 3)])
def test_an_accessor_whose_elements_lie_over_each_other_is_a_finding(folder, stride, count):
    def overlay(text):
        text["bufferViews"][-1]["byteStride"] = stride
        index = animation(text, "off")["samplers"][0]["output"]
        text["accessors"][index].update(count=count, bufferView=len(text["bufferViews"]) - 1)

    rewrite(folder, overlay)
    assert any("elements over each other" in text for text in problems(folder)), problems(folder)


def test_a_bad_seam_is_a_finding(folder):
    worst = json.loads(Path(glb.__file__).parents[1].joinpath("sets", "clips.schema.json").read_bytes())
    worst = worst["$defs"]["clip"]["properties"]["seam"]["properties"]["quality"]["enum"][-1]
    relist(folder, lambda said: said["clips"][0]["seam"].update(quality=worst, gap_cm=14.0))
    assert f"walk: its seam is {worst}: 14 cm; choose another range" in problems(folder)


@pytest.mark.skipif(os.name != "posix", reason="pipes, devices and links")
@pytest.mark.parametrize("name", ["../secret.html", "/dev/zero", "pipe", "link", "below/secret.html"])
def test_what_is_no_plain_file_of_the_folder_is_refused_and_not_opened(folder, name):
    (folder.parent / "secret.html").write_bytes(b"secret")
    os.mkfifo(folder / "pipe")  # to open it would wait for ever
    (folder / "link").symlink_to("report.html")
    (folder / "below").symlink_to("..")
    relist(folder, lambda said: said["files"].append({"name": name, "bytes": 6, "sha256": "0" * 64}))
    found = problems(folder)
    assert any("not opened" in text or "not followed" in text for text in found), found
    relist(folder, lambda said: said["clips"][0].update(file=name))
    assert any("not opened" in text or "not followed" in text for text in problems(folder))


@pytest.mark.skipif(os.name != "posix", reason="pipes")
def test_a_list_that_is_a_pipe_is_refused(folder):
    (folder / "clips.json").unlink()
    os.mkfifo(folder / "clips.json")
    with pytest.raises(FileError, match="no plain file"):
        verify_set(folder)


def test_stray_files_are_named(folder, capsys):
    """A clip of ours that the list lacks is a fault; what the user put there, or was kept, is only said."""
    (folder / "old").mkdir()
    shutil.copy(folder / "set.glb", folder / "old" / "SET.GLB")
    (found,) = problems(folder)
    assert found.startswith(
        "old/SET.GLB: it holds 4 clips of Takemill's (such as 'walk') and is not of the set;"
    )
    (folder / "old" / "SET.GLB").unlink()
    (folder / "lantern.glb").write_bytes(b"a lantern")
    (folder / "report.html.kept").write_bytes(b"notes")
    assert problems(folder) == []
    assert cli.main(["verify", str(folder)]) == 0
    out = capsys.readouterr().out
    assert "lantern.glb: a GLB that is not of the set" in out
    assert "report.html.kept: changed by somebody after an earlier pack, and kept" in out
    assert len(notes_of(folder)) == 2


@pytest.fixture(scope="module")
def parted(tmp_path_factory):
    """A set whose clips are apart from the mesh."""
    motion = small_takes.stand_and_walk()
    recipe = parse_recipe('files = "separate"\n' + RECIPE)
    take = prepare_take("day", motion, body_of(motion.skeleton, Recipe()), recipe)
    clips = stages.make_set(take, recipe)
    folder = tmp_path_factory.mktemp("parted") / "set"
    write_clip_set(folder, glb.skeleton_glb(clips[0].motion.skeleton), "set", [take], clips, recipe)
    return folder


def rest(joint: str, **parts):
    return lambda text: next(n for n in text["nodes"] if n.get("name") == joint).update(parts)


PARTED = {
    "nothing": ("set.glb", nothing, None),
    "a bone of another length": (
        "set.glb",
        rest("left_foot", translation=[0.0, 0.5, 0.0]),
        "clips/walk.glb: .*/left_foot rests elsewhere",
    ),
    "a bone turned in a clip's file": (
        "clips/off.glb",
        rest("left_foot", rotation=[0.0, 0.6, 0.0, 0.8]),
        "clips/off.glb: .*/left_foot rests elsewhere",
    ),
    "a bone renamed": (
        "set.glb",
        rest("spine", name="back"),
        "clips/walk.glb: .*/spine is moved, and is not in the file with the mesh",
    ),
    "another object above": ("set.glb", rest("skeleton", name="rig"), "is not in the file with the mesh"),
    "an empty file": ("set.glb", lambda t: t.clear(), "set.glb: there is no joint 'hips'"),
}


@pytest.mark.parametrize("what", PARTED)
def test_clips_apart_find_their_joints_by_path_in_the_file_with_the_mesh(parted, tmp_path, what):
    file, change, message = PARTED[what]
    folder = tmp_path / "set"
    shutil.copytree(parted, folder)
    rewrite(folder, change, file=file)
    found = problems(folder)
    if message is None:
        assert found == []
    else:
        assert any(re.search(message, text) for text in found), found


def test_a_pose_that_is_off_between_the_ends_is_told_where_the_take_is_at_hand(made, folder):
    rewrite(folder, nothing, nudge("rotation", 0.02, "off", "left_upper_arm", key=3))
    assert problems(folder) == []
    assert any("off: a joint is" in text for text in problems(folder, made[1]))


@pytest.mark.parametrize("made", ["cubic"], indirect=True)
def test_a_wrong_slope_of_a_curved_key_is_told_where_the_take_is_at_hand(made, folder):
    """The keys are where they were: only what is played between two of them is off."""
    rewrite(folder, nothing, nudge("rotation", 3.0, "walk", "left_upper_arm", key=3, part=2))
    assert problems(folder) == []
    assert any("walk: a joint is" in text for text in problems(folder, made[1]))


def test_the_two_sets_differ_in_what_they_are_named_for(made):
    """In the curved one most channels are CUBICSPLINE: all of a clip, or none."""
    recipe = json.loads((made[0] / "clips.json").read_bytes())["packing"]["interpolation"]
    text = glb_reader.read_glb((made[0] / "set.glb").read_bytes()).json
    ways = [one.get("interpolation", "LINEAR") for clip in text["animations"] for one in clip["samplers"]]
    assert (ways.count("CUBICSPLINE") > 0.7 * len(ways)) == (recipe == "cubic"), ways
    assert ("CUBICSPLINE" in ways) == (recipe == "cubic")


def test_the_players_agree_with_the_tests_own(made):
    """Our independent reader and the tests' (4 x 4 matrices) give the same worlds."""
    data = (made[0] / "set.glb").read_bytes()
    scene, other = GlbScene(data, "set.glb"), glb_reader.read_glb(data)
    times = np.random.default_rng(5).uniform(0, 1.2, 12)
    for name in scene.curves:
        worlds = scene.worlds(name, times)
        for k, time in enumerate(times):
            right = other.world_at(name, time)
            assert max(np.abs(worlds[k, node] - right[node]).max() for node in right) < 1e-9


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_damaged_files_raise_only_our_error(made, data):
    whole = (made[0] / "set.glb").read_bytes()
    damaged = bytearray(whole)
    for _ in range(data.draw(st.integers(1, 4))):
        damaged[data.draw(st.integers(0, min(6000, len(whole)) - 1))] = data.draw(st.integers(0, 255))
    if data.draw(st.booleans()):
        del damaged[data.draw(st.integers(0, len(whole))) :]
    with contextlib.suppress(GlbError):
        scene = GlbScene(bytes(damaged), "x")
        for name in scene.curves:
            scene.worlds(name, np.array([0.0, 0.5]))


def test_a_folder_without_a_set_is_an_error(tmp_path, capsys):
    with pytest.raises(FileError, match="cannot read"):
        verify_set(tmp_path)
    (tmp_path / "clips.json").write_text("[")
    with pytest.raises(FileError, match="not JSON"):
        verify_set(tmp_path)
    assert cli.main(["verify", str(tmp_path)]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_the_command_prints_a_table_and_tells_by_its_exit_code(folder, capsys):
    assert cli.main(["verify", str(folder)]) == 0
    out = capsys.readouterr().out
    assert "4 clips, all ok" in out
    assert out.count("  ok\n") == 4
    assert cli.main(["verify", str(folder), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["problems"] == []
    assert [clip["name"] for clip in said["clips"]] == ["walk", "pace", "drift", "off"]
    (folder / "report.html").unlink()
    assert cli.main(["verify", str(folder)]) == 1
    assert "1 problems" in capsys.readouterr().out


def test_the_command_makes_the_clips_again(capsys, tmp_path):
    take = small_takes.write(tmp_path)
    (tmp_path / "r.toml").write_text(RECIPE)
    recipe = ["--recipe", str(tmp_path / "r.toml")]
    assert cli.main(["pack", str(take), *recipe, "--out", str(tmp_path / "set")]) == 0
    capsys.readouterr()
    assert cli.main(["verify", str(tmp_path / "set"), str(take), *recipe, "--json"]) == 0
    assert all(0 < clip["error_mm"] <= 0.5 for clip in json.loads(capsys.readouterr().out)["clips"])
    (tmp_path / "r.toml").write_text(RECIPE + '[[clip]]\nname = "new"\nfrom = 0\nto = 1\n')
    assert cli.main(["verify", str(tmp_path / "set"), str(take), *recipe]) == 1
    assert "makes a clip 'new', which is not in the set" in capsys.readouterr().out


def test_nothing_is_changed_by_verifying(made, folder):
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    motions = copy.copy(made[1])
    verify_set(folder, motions)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
