"""The GLB writer, read back by the tests' own reader."""

from __future__ import annotations

import contextlib
import json
import struct
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glb_clips import clip_of
from glb_reader import read_glb
from odd_motion import odd_motion, odd_skeleton
from takemill.base.errors import GlbError, InputError
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.files.glb import GlbClip, append_animations, skeleton_glb
from takemill.files.glb_format import ComponentType, Document, Writer, shortest
from takemill.keys.reduce import Track
from takemill.maths import quat

MOTION = odd_motion()
BASE = skeleton_glb(MOTION.skeleton)


def clip(motion: Motion = MOTION, name: str = "odd", **changes: object) -> GlbClip:
    return replace(clip_of(name, motion), **changes)


def rebuilt(data: bytes, change, binary: bytes | None = None) -> bytes:
    """The same GLB after `change` was applied to its JSON."""
    glb = read_glb(data)
    change(glb.json)
    text = json.dumps(glb.json).encode()
    text += b" " * (-len(text) % 4)
    binary = glb.binary if binary is None else binary
    body = struct.pack("<II", len(text), 0x4E4F534A) + text
    if binary:
        body += struct.pack("<II", len(binary), 0x004E4942) + binary
    return struct.pack("<4sII", b"glTF", 2, 12 + len(body)) + body


def test_joints_stand_where_the_core_says_at_and_between_keys():
    glb = read_glb(append_animations(BASE, [clip()]))
    times = np.concatenate(
        [[0, MOTION.duration_s], np.random.default_rng(0).uniform(0, MOTION.duration_s, 30)]
    )
    want = MOTION.sampled(times * MOTION.rate, MOTION.rate).model()[1]
    got = glb.positions("odd", times, MOTION.skeleton.names)
    np.testing.assert_allclose(got, want, atol=2e-6)  # float32 values on chains of about a metre


def test_times_are_float32_seconds_and_shared_with_bounds():
    glb = read_glb(append_animations(BASE, [clip(), clip(MOTION.slice(0, 9), "short")]))
    frames = np.arange(len(MOTION)) / 29.97
    inputs = {s["input"] for a in glb.json["animations"] for s in a["samplers"]}
    places = set()
    for accessor in (glb.json["accessors"][i] for i in inputs if glb.json["accessors"][i]["count"] > 1):
        count = accessor["count"]
        assert accessor["min"] == [0]
        assert np.float32(accessor["max"][0]) == np.float32(frames[count - 1])
        places.add((accessor["bufferView"], accessor.get("byteOffset", 0)))
    assert len(places) == 1  # the short clip's times are the beginning of the long one's
    longest = max(inputs, key=lambda i: glb.json["accessors"][i]["count"])
    np.testing.assert_array_equal(glb.accessor(longest), frames.astype(np.float32))


def test_what_stands_still_takes_one_key_or_none():
    glb = read_glb(append_animations(BASE, [clip()]))
    names = [node.get("name") for node in glb.json["nodes"]]
    counts = {}
    animation = glb.animation("odd")
    for channel in animation["channels"]:
        key = names[channel["target"]["node"]], channel["target"]["path"]
        counts[key] = glb.json["accessors"][animation["samplers"][channel["sampler"]]["output"]]["count"]
    assert ("at rest", "rotation") not in counts
    assert counts["held", "rotation"] == 1
    assert counts["sliding", "translation"] == len(MOTION)
    assert ("bent", "translation") not in counts


def test_rotations_never_change_sign_between_keys():
    rotations = MOTION.rotations * np.where(np.arange(len(MOTION)) % 3 == 1, -1, 1)[:, None, None]
    tracks = [Track(1, "rotation", np.arange(len(MOTION)), rotations[:, 1])]
    glb = read_glb(append_animations(BASE, [clip(tracks=tuple(tracks))]))
    animation = glb.animation("odd")
    moving = next(c for c in animation["channels"] if c["target"] == {"node": 1, "path": "rotation"})
    output = glb.accessor(animation["samplers"][moving["sampler"]]["output"])
    assert len(output) == len(MOTION)
    assert (np.einsum("ij,ij->i", output[1:], output[:-1]) > 0).all()


def test_equal_clips_share_all_their_data():
    one = append_animations(BASE, [clip()])
    two = append_animations(BASE, [clip(), clip(name="again")])
    assert len(read_glb(two).binary) == len(read_glb(one).binary)
    assert len(read_glb(two).json["accessors"]) == len(read_glb(one).json["accessors"])


def test_the_same_input_gives_the_same_bytes():
    assert append_animations(BASE, [clip()]) == append_animations(
        skeleton_glb(odd_skeleton()), [clip(odd_motion())]
    )


def test_noise_in_the_last_digits_of_a_double_changes_no_byte():
    """What another library's sums may leave: of each number's last digit, and where there should be 0."""
    rng = np.random.default_rng(5)
    still = Motion(
        MOTION.skeleton,
        MOTION.rate,
        np.broadcast_to(MOTION.skeleton.rest_rotation, MOTION.rotations.shape),
        np.linspace([0.0, 0.0, 0.0], [0.0, 2.0, 0.0], len(MOTION)),
    )
    noisy = still.with_translation(0, still.root_translation + 1e-16 * rng.standard_normal((len(still), 3)))
    assert append_animations(BASE, [clip(noisy)]) == append_animations(BASE, [clip(still)])


def test_what_the_file_held_stays():
    def change(base: dict) -> None:
        base["extras"] = {"note": "Fähre", "big": 12345678901234567890, "list": [1, 1.0, None]}
        base["bufferViews"].append({"buffer": 0, "byteOffset": 0, "byteLength": 3})
        base["images"] = [{"bufferView": len(base["bufferViews"]) - 1, "mimeType": "image/png"}]

    base = rebuilt(BASE, change)
    before, after = read_glb(base), read_glb(append_animations(base, [clip()]))
    for key, value in before.json.items():
        if key in ("accessors", "bufferViews"):
            assert after.json[key][: len(value)] == value
        elif key != "buffers":
            assert after.json[key] == value
    length = before.json["buffers"][0]["byteLength"]
    assert after.binary[:length] == before.binary[:length]
    assert len(after.json["buffers"]) == 1


def test_clips_can_be_added_in_two_goes():
    glb = read_glb(append_animations(append_animations(BASE, [clip()]), [clip(name="later")]))
    assert [a["name"] for a in glb.json["animations"]] == ["odd", "later"]
    np.testing.assert_array_equal(
        glb.positions("odd", [0.3], MOTION.skeleton.names),
        glb.positions("later", [0.3], MOTION.skeleton.names),
    )


def test_no_clips_leave_the_file_alone():
    assert append_animations(BASE, []) == BASE


def test_a_base_without_binary_data_gets_a_first_buffer():
    def strip(base: dict) -> None:
        for key in ("buffers", "bufferViews", "accessors", "meshes", "materials"):
            del base[key]
        base["nodes"][-1] = {"name": "empty"}
        del base["skins"][0]["inverseBindMatrices"]

    glb = read_glb(append_animations(rebuilt(BASE, strip, b""), [clip()]))
    assert glb.json["buffers"] == [{"byteLength": len(glb.binary)}]
    assert glb.duration_s("odd") == pytest.approx(MOTION.duration_s, abs=1e-6)


def test_a_base_whose_buffers_lie_elsewhere_keeps_them_behind_the_new_one():
    def move(base: dict) -> None:
        base["buffers"] = [{"uri": "data:application/octet-stream;base64,AAAA", "byteLength": 3}]
        base["bufferViews"] = [
            {"buffer": 0, "byteLength": 3, "extensions": {"X_packed": {"buffer": 0, "mode": 1}}}
        ]
        base["accessors"] = []

    glb = read_glb(append_animations(rebuilt(BASE, move, b""), [clip()]))
    assert [buffer.get("uri", "")[:5] for buffer in glb.json["buffers"]] == ["", "data:"]
    assert glb.json["bufferViews"][0]["buffer"] == 1
    assert glb.json["bufferViews"][0]["extensions"] == {"X_packed": {"buffer": 1, "mode": 1}}


def test_a_skins_joint_comes_before_an_object_of_the_same_name():
    def shadow(base: dict) -> None:
        base["nodes"].append(dict(base["nodes"][1], children=[]))
        base["nodes"] = [base["nodes"][-1], *base["nodes"][:-1]]
        for node in base["nodes"][1:]:
            node["children"] = [child + 1 for child in node.get("children", [])]
        base["skins"][0]["joints"] = [joint + 1 for joint in base["skins"][0]["joints"]]

    glb = read_glb(append_animations(rebuilt(BASE, shadow), [clip()]))
    assert 0 not in {c["target"]["node"] for c in glb.animation("odd")["channels"]}


def test_a_file_with_another_rest_gets_a_key_for_it():
    def bend(base: dict) -> None:
        base["nodes"][MOTION.skeleton.index("at rest")]["rotation"] = [1, 0, 0, 0]

    glb = read_glb(append_animations(rebuilt(BASE, bend), [clip()]))
    want = MOTION.sampled(np.array([3.0]), MOTION.rate).model()[1]
    got = glb.positions("odd", np.array([3 / MOTION.rate]), MOTION.skeleton.names)
    np.testing.assert_allclose(got, want, atol=2e-6)


def test_a_node_given_by_a_matrix_can_be_animated():
    def as_matrix(base: dict) -> None:
        node = base["nodes"][1]
        local = read_glb(plain).locals_at("none", 0)[1]
        node["matrix"] = (local @ np.diag([1, 2, -1, 1])).T.ravel().tolist()
        del node["rotation"], node["translation"]

    plain = append_animations(BASE, [clip(tracks=(), name="none")])
    base = rebuilt(plain, as_matrix)
    glb = read_glb(append_animations(base, [clip()]))
    assert "matrix" not in glb.json["nodes"][1]
    want = read_glb(append_animations(BASE, [clip()])).world_at("odd", 0.4)[1] @ np.diag([-1, 2, 1, 1])
    got = glb.world_at("odd", 0.4)[1]
    np.testing.assert_allclose(got[:3, 3], want[:3, 3], atol=2e-6)
    rest = glb.json["nodes"][1]
    assert np.prod(rest["scale"]) == pytest.approx(-2)


def test_extras_and_names_are_carried_as_they_are():
    glb = read_glb(
        append_animations(BASE, [clip(name="Fähre 渡し", extras={"loop": True, "root_motion_m": [1.5, 0.0]})])
    )
    animation = glb.animation("Fähre 渡し")
    assert animation["extras"] == {"loop": True, "root_motion_m": [1.5, 0.0]}


def test_a_clip_at_rest_still_has_a_channel_and_its_length():
    skeleton = MOTION.skeleton
    still = Motion(
        skeleton,
        30.0,
        np.tile(skeleton.rest_rotation, (31, 1, 1)),
        np.tile(skeleton.rest_translation[0], (31, 1)),
    )
    glb = read_glb(append_animations(BASE, [clip(still, "idle"), clip(tracks=(), name="bare")]))
    assert glb.duration_s("idle") == 1.0
    assert len(glb.animation("bare")["channels"]) == 1


def test_a_single_key_at_rest_is_left_out_whichever_sign_its_quaternion_has():
    rest = clip().skeleton.rest_rotation
    moving = Track(0, "rotation", np.array([0.0, 1.0]), rest[[1, 2]])
    for sign, off, channels in ((1, 0.0, 1), (-1, 0.0, 1), (1, 1e-4, 2), (-1, 1e-4, 2)):
        value = quat.mul(sign * rest[3], quat.exp(np.array([off, 0.0, 0.0])))
        key = Track(3, "rotation", np.zeros(1), value[None])
        glb = read_glb(append_animations(BASE, [clip(tracks=(moving, key))]))
        assert len(glb.animation("odd")["channels"]) == channels, (sign, off)


def test_integer_rotations_are_rounded_once():
    whole = tuple(
        Track(t.joint, t.path, t.frames, t.values, "int16") if t.path == "rotation" else t
        for t in clip().tracks
    )
    glb = read_glb(append_animations(BASE, [clip(tracks=whole)]))
    times = np.arange(len(MOTION)) / MOTION.rate
    gap = glb.positions("odd", times, MOTION.skeleton.names) - MOTION.model()[1]
    assert 1e-6 < np.abs(gap).max() < 2e-4  # half a quantum of 1/32767 on chains of about a metre
    values = {
        a["componentType"] for a in glb.json["accessors"] if a.get("normalized") and a["type"] == "VEC4"
    }
    assert 5122 in values


@pytest.mark.parametrize("count", [1, 300])
def test_a_skeleton_of_any_size_has_a_visible_mesh_that_its_joints_move(count):
    skeleton = Skeleton(
        tuple(f"joint {i}" for i in range(count)),
        tuple(range(-1, count - 1)),
        np.tile([0.0, 0.0, 0.1], (count, 1)),
        np.tile(quat.IDENTITY, (count, 1)),
    )
    glb = read_glb(skeleton_glb(skeleton))
    primitive = glb.json["meshes"][0]["primitives"][0]
    joints = glb.accessor(primitive["attributes"]["JOINTS_0"])
    assert set(joints[:, 0].astype(int)) == set(range(count))
    assert (glb.accessor(primitive["attributes"]["WEIGHTS_0"]).sum(axis=1) == 1).all()


def test_sticks_reach_from_joint_to_joint_and_to_tips_and_face_outwards():
    skeleton = odd_skeleton()
    glb = read_glb(skeleton_glb(skeleton))
    primitive = glb.json["meshes"][0]["primitives"][0]
    points = glb.accessor(primitive["attributes"]["POSITION"])
    wanted = np.concatenate([skeleton.rest_model[1], skeleton.rest_tips])
    wanted = np.stack([wanted[:, 0], wanted[:, 2], -wanted[:, 1]], axis=-1)
    nearest = np.linalg.norm(points[:, None] - wanted, axis=-1).min(axis=0)
    assert nearest.max() < 1e-6
    triangles = points[glb.accessor(primitive["indices"]).astype(int).reshape(-1, 8, 3)]
    centre = triangles.mean(axis=(1, 2), keepdims=True)
    normals = np.cross(triangles[:, :, 1] - triangles[:, :, 0], triangles[:, :, 2] - triangles[:, :, 0])
    assert (np.einsum("sti,sti->st", normals, triangles.mean(axis=2) - centre[:, 0]) > 0).all()


def test_the_skin_leaves_the_mesh_alone_at_rest():
    glb = read_glb(append_animations(BASE, [clip(tracks=(), name="rest")]))
    skin, world = glb.json["skins"][0], glb.world_at("rest", 0)
    inverse = glb.accessor(skin["inverseBindMatrices"]).reshape(-1, 4, 4).swapaxes(1, 2)
    for joint, matrix in zip(skin["joints"], inverse, strict=True):
        np.testing.assert_allclose(world[joint] @ matrix, np.eye(4), atol=1e-6)


def test_node_names_are_the_joints_and_the_group_gives_way():
    names = ("skeleton", "skeleton_sticks")
    skeleton = Skeleton(names, (-1, 0), np.eye(2, 3), np.tile(quat.IDENTITY, (2, 1)))
    found = [node["name"] for node in read_glb(skeleton_glb(skeleton)).json["nodes"]]
    assert found[:2] == list(names)
    assert len(set(found)) == len(found)


@pytest.mark.parametrize(
    ("clips", "message"),
    [
        ([clip(), clip()], "'odd' stands twice"),
        ([clip(name="")], "no name"),
        ([clip(extras={"bad": float("nan")})], "JSON"),
        ([clip(extras={"bad": object()})], "JSON"),
        ([clip(tracks=clip().tracks * 2)], "two tracks"),
        (
            [clip(tracks=(Track(0, "rotation", [1, 1 + 1e-9], np.tile(quat.IDENTITY, (2, 1))),))],
            "cannot part",
        ),
    ],
)
def test_clips_that_cannot_be_written_are_refused(clips, message):
    with pytest.raises(GlbError, match=message):
        append_animations(BASE, clips)


def test_a_clip_of_a_name_that_the_file_has_is_refused():
    with pytest.raises(GlbError, match="'odd' stands twice"):
        append_animations(append_animations(BASE, [clip()]), [clip()])


def test_a_number_that_no_float32_holds_is_refused():
    """3.4e38 is the largest, IEEE 754; beyond it a file would hold an infinity."""
    writer = Writer(Document({}, None))
    for values in (np.array([[0, 1e39, 0]]), np.array([[0, np.nan, 0]])):
        with pytest.raises(GlbError, match="too large for a float32"):
            writer.add(values, ComponentType.FLOAT)
        with pytest.raises(GlbError, match="too large for a float32"):
            shortest(values)
    assert shortest(np.array([-0.0, 3e38])) == [0, 3e38]


def test_a_rate_of_zero_is_refused():
    with pytest.raises(InputError, match="rate of clip 'odd'"):
        append_animations(BASE, [clip(rate=0.0)])


def test_a_missing_joint_is_named():
    def rename(base: dict) -> None:
        base["nodes"][2]["name"] = "other"

    with pytest.raises(GlbError, match=f"no joint '{MOTION.skeleton.names[2]}'"):
        append_animations(rebuilt(BASE, rename), [clip()])


def test_a_joint_that_hangs_elsewhere_is_named():
    def unhook(base: dict) -> None:
        parent = MOTION.skeleton.parents[2]
        base["nodes"][parent]["children"].remove(2)

    with pytest.raises(GlbError, match=MOTION.skeleton.names[2]):
        append_animations(rebuilt(BASE, unhook), [clip()])


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "not a GLB"),
        (b"glTF", "not a GLB"),
        (b"PK\3\4" + bytes(20), "not a GLB"),
        (struct.pack("<4sII", b"glTF", 1, 12), "version 1"),
        (struct.pack("<4sII", b"glTF", 2, 12), "no JSON chunk"),
        (struct.pack("<4sII", b"glTF", 2, 2**32 - 1), "cut short"),
        (struct.pack("<4sIIII", b"glTF", 2, 20, 0, 0x004E4942), "first chunk"),
        (struct.pack("<4sIIII", b"glTF", 2, 20, 2**31, 0x4E4F534A), "cut short"),
        (struct.pack("<4sIIII", b"glTF", 2, 24, 4, 0x4E4F534A) + b"[1] ", "not an object"),
        (struct.pack("<4sIIII", b"glTF", 2, 24, 4, 0x4E4F534A) + b"{\xff} ", "cannot be read"),
        (struct.pack("<4sIIII", b"glTF", 2, 32, 12, 0x4E4F534A) + b'{"a":NaN}   ', "cannot be read"),
    ],
)
def test_malformed_files_are_refused(data, message):
    with pytest.raises(GlbError, match=message):
        append_animations(data, [clip()])


@pytest.mark.parametrize("cut", range(1, len(BASE), 97))
def test_a_file_cut_short_is_refused(cut):
    with pytest.raises(GlbError):
        append_animations(BASE[:cut], [clip()])


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_a_file_with_changed_bytes_gives_a_file_or_a_clear_error(data):
    changed = bytearray(BASE)
    for _ in range(data.draw(st.integers(1, 8))):
        changed[data.draw(st.integers(0, len(BASE) - 1))] = data.draw(st.integers(0, 255))
    with contextlib.suppress(GlbError):
        append_animations(bytes(changed), [clip()])


_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=3),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=4,
)


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_a_file_with_changed_json_gives_a_file_or_a_clear_error(data):
    def change(base: dict) -> None:
        at: dict | list = base
        while True:
            keys = list(at) if isinstance(at, dict) else list(range(len(at)))
            key = data.draw(st.sampled_from(keys))
            if not (isinstance(at[key], (dict, list)) and at[key] and data.draw(st.booleans())):
                break
            at = at[key]
        at[key] = data.draw(_VALUES)

    with contextlib.suppress(GlbError):
        append_animations(rebuilt(BASE, change), [clip()])
