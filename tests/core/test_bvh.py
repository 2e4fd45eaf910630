"""BVH files to motions and back: against a slow reader, and read after write."""

from __future__ import annotations

import re
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import bvh_samples
import open_data
from reference import reordered
from takemill.base.errors import BvhError, InputError
from takemill.body.body_map import find_body_map, rest_facing
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.files.bvh import BvhLayout, format_bvh, parse_bvh, read_bvh, write_bvh
from takemill.maths import quat

Y_TO_Z = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])


def assert_equals_slow_reader(text: str, up: str, unit_m: float) -> None:
    motion, _ = parse_bvh(text, up=up, unit_m=unit_m)
    names, turns, places = bvh_samples.slow_read(text)
    change = Y_TO_Z if up == "Y" else np.eye(3)
    rotations, positions = motion.model()
    assert list(motion.skeleton.names) == names
    np.testing.assert_allclose(quat.to_matrix(rotations), change @ turns @ change.T, atol=1e-12)
    np.testing.assert_allclose(positions, unit_m * places @ change.T, atol=1e-12)


@pytest.mark.parametrize("up", ["Y", "Z"])
def test_every_joint_is_where_the_slow_reader_finds_it(up):
    assert_equals_slow_reader(bvh_samples.small(), up, 0.01)


@pytest.mark.parametrize("number", [0, 1])
def test_real_files_are_read_as_the_slow_reader_reads_them(number):
    """The example files of bvhtoolbox; the first frames are enough for a reader that takes its time."""
    text = open_data.bvh_files()[number].read_text().replace("\r", "")
    head, _, rows = text.partition("Frame Time:")
    few = re.sub(r"Frames:\s*\d+", "Frames: 12", head) + "Frame Time:" + "\n".join(rows.split("\n")[:13])
    assert_equals_slow_reader(few, "Y", 0.01)


def test_rest_pose_and_tips_are_the_offsets_in_metres_and_z_up():
    skeleton = parse_bvh(bvh_samples.small())[0].skeleton
    assert skeleton.parents == (-1, 0, 0, 2, 0)
    np.testing.assert_allclose(skeleton.rest_translation[0], [0.005, 0.0025, 0.9])
    np.testing.assert_allclose(skeleton.rest_rotation, np.tile(quat.IDENTITY, (5, 1)))
    assert skeleton.tip_joints == (1, 3, 3, 4)  # two end sites on one joint
    np.testing.assert_allclose(skeleton.tip_offsets[1:3], [[0, 0.05, -0.45], [0, -0.15, -0.45]])


def test_position_channels_are_absolute():
    """They replace the OFFSET; a joint without them keeps it, and a missing axis keeps its part of it."""
    text = bvh_samples.small(1).replace("3 Zrotation Xrotation Yrotation", "2 Yposition Zrotation")
    text = text.rsplit("\n", 2)[0] + "\n1 2 3 0 0 0 50 0 0 0 0 0 0 0 0\n"
    motion, _ = parse_bvh(text, unit_m=0.01, up="Z")
    np.testing.assert_allclose(motion.root_translation, [[0.01, 0.02, 0.03]])
    assert list(motion.translations) == [1]
    np.testing.assert_allclose(motion.translations[1], [[0.0, 0.5, 0.01]])


VARIANTS = {
    "lines end with CR LF": lambda text: text.replace("\n", "\r\n"),
    "lines end with CR": lambda text: text.replace("\n", "\r"),
    "spaces for tabs": lambda text: text.replace("\t", "  "),
    "tabs between words": lambda text: text.replace(" ", "\t").replace("End\tSite", "End Site"),
    "empty lines": lambda text: text.replace("\n", "\n\n"),
    "space around lines": lambda text: text.replace("\n", " \t\n  "),
    "no line end at the end": lambda text: text.rstrip("\n"),
    "more than one line end at the end": lambda text: text + "\n \n",
    "braces behind names": lambda text: re.sub(r"\n\s*\{", " {", text),
    "small letters": lambda text: re.sub(
        r"HIERARCHY|OFFSET|CHANNELS|\w+position|\w+rotation|Frame Time|MOTION",
        lambda found: found[0].lower(), text),
    "an event of the byte order": lambda text: "\ufeff" + text,
    "plus signs": lambda text: re.sub(r"(?<=[ \n])(?=\d)", "+", text.partition("Time")[2]).join(
        (text.partition("Time")[0] + "Time", "")),
    "scientific notation": lambda text: text.partition("0.0083333")[0] + "8.3333E-3" + re.sub(
        r"-?\d+\.\d+", lambda found: f"{float(found[0]):.10e}", text.partition("0.0083333")[2]),
    "no zero in front of the point": lambda text: re.sub(r"(?<![\d])0\.(?=\d)", ".", text),
}  # fmt: skip


@pytest.mark.parametrize("name", list(VARIANTS))
def test_other_ways_of_writing_the_same_file_read_alike(name):
    text = bvh_samples.small(7)
    changed = VARIANTS[name](text)
    assert changed != text
    motion, layout = parse_bvh(text)
    again, layout_again = parse_bvh(changed)
    assert layout_again == layout
    assert_same(again, motion, 1e-12, 1e-12)


def test_two_roots_stand_beside_each_other():
    body = "OFFSET 0 0 0\nCHANNELS 3 Xposition Yposition Zposition\nEnd Site\n{{\nOFFSET 0 1 0\n}}"
    head = f"ROOT {{}}\n{{{{\n{body}\n}}}}\n"
    text = f"HIERARCHY\n{head.format('a')}{head.format('b')}MOTION\nFrames: 1\nFrame Time: 0.1\n1 2 3 4 5 6\n"
    motion, layout = parse_bvh(text, unit_m=1.0, up="Z")
    assert motion.skeleton.parents == (-1, -1)
    np.testing.assert_allclose(motion.translations[1], [[4, 5, 6]])
    assert_same(parse_bvh(format_bvh(motion, layout), unit_m=1.0, up="Z")[0], motion)


# Read after write ---------------------------------------------------------------------------------


def assert_same(got: Motion, wanted: Motion, rad: float = 1e-6, metres: float = 1e-7) -> None:
    assert got.skeleton.names == wanted.skeleton.names
    assert got.skeleton.parents == wanted.skeleton.parents
    assert got.skeleton.tip_joints == wanted.skeleton.tip_joints
    assert got.rate == pytest.approx(wanted.rate, rel=1e-11)
    np.testing.assert_allclose(got.skeleton.rest_translation, wanted.skeleton.rest_translation, atol=metres)
    np.testing.assert_allclose(got.skeleton.tip_offsets, wanted.skeleton.tip_offsets, atol=metres)
    assert quat.angle_between(got.rotations, wanted.rotations).max() < rad
    np.testing.assert_allclose(got.local_translations(), wanted.local_translations(), atol=metres)


@st.composite
def motions(draw: st.DrawFn) -> Motion:
    """Random trees in depth-first order with random turns, at the poles of Euler angles too."""
    joints, frames = draw(st.integers(1, 6)), draw(st.integers(1, 5))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    parents = [-1]
    for joint in range(1, joints):
        chain = [joint - 1]
        while chain[-1] >= 0:
            chain.append(parents[chain[-1]])
        parents.append(int(rng.choice(chain[:-1])))
    leaves = [joint for joint in range(joints) if joint not in parents]
    tipped = [joint for joint in leaves if rng.random() < 0.7]
    skeleton = Skeleton(
        tuple(f"joint {number}" for number in range(joints)),
        tuple(parents),
        rng.normal(size=(joints, 3)),
        np.tile(quat.IDENTITY, (joints, 1)),
        tuple(tipped),
        rng.normal(size=(len(tipped), 3)) + 0.1,
    )
    turns = rng.normal(size=(frames, joints, 4))
    quarter = quat.from_euler(np.pi / 2 * rng.integers(-2, 3, size=(frames, joints, 3)), "XYZ")
    rotations = np.where(rng.random((frames, joints, 1)) < 0.4, quarter, quat.normalize(turns))
    moving = {j: rng.normal(size=(frames, 3)) for j in range(1, joints) if rng.random() < 0.3}
    return Motion(skeleton, float(rng.uniform(10, 300)), rotations, rng.normal(size=(frames, 3)), moving)


@st.composite
def layouts(draw: st.DrawFn, joints: int) -> BvhLayout:
    channels = st.lists(st.sampled_from(
        ["Xposition", "Yposition", "Zposition", "Xrotation", "Yrotation", "Zrotation"]
    ), unique=True)  # fmt: skip
    return BvhLayout(
        tuple(tuple(draw(channels)) for _ in range(joints)),
        draw(st.sampled_from([1.0, 0.01, 0.001, 0.0254])),
        draw(st.sampled_from(["Y", "Z"])),
    )


@settings(deadline=None, max_examples=80)
@given(data=st.data())
def test_what_is_written_reads_back(data):
    """In any channel order, unit and up axis; channels that a motion needs and the layout lacks are added."""
    motion = data.draw(motions())
    layout = data.draw(st.none() | layouts(len(motion.skeleton)))
    text = format_bvh(motion, layout)
    layout = layout or BvhLayout.default(motion.skeleton)
    again, found = parse_bvh(text, unit_m=layout.unit_m, up=layout.up)
    assert_same(again, motion)
    for kept, channels in zip(layout.channels, found.channels, strict=True):
        assert channels[: len(kept)] == kept


@pytest.mark.parametrize("number", [0, 1])
def test_a_real_file_comes_back_with_its_own_layout(number):
    motion, layout = read_bvh(open_data.bvh_files()[number])
    again, layout_again = parse_bvh(format_bvh(motion, layout))
    assert layout_again == layout
    assert again.rate == motion.rate == 30.0
    assert_same(again, motion)


def test_angles_run_on_where_the_motion_does():
    """Three turns about the vertical, then a tumble: no step between frames is larger than its own."""
    turns = quat.from_yaw(np.linspace(0, 6 * np.pi, 300))
    tumble = quat.from_axis_angle(np.array([0.3, 1.0, 0.2]), np.linspace(0, 0.7, 300))
    skeleton = Skeleton(("a",), (-1,), np.zeros((1, 3)), quat.IDENTITY[None])
    motion = Motion(skeleton, 60.0, quat.mul(turns, tumble)[:, None], np.zeros((300, 3)))
    text = format_bvh(motion)
    rows = np.array(text.partition("Frame Time:")[2].split()[1:], float).reshape(300, 6)[:, 3:]
    assert np.abs(np.diff(rows, axis=0)).max() < 2 * np.degrees(6 * np.pi / 299)
    assert np.ptp(rows, axis=0).max() > 1000


def test_rest_rotations_are_written_as_offsets():
    """The CMU model has rest rotations, which BVH lacks: every joint and tip keeps its place in the world."""
    motion = open_data.cmu()
    again, _ = parse_bvh(format_bvh(motion))
    np.testing.assert_allclose(again.model()[1], motion.model()[1], atol=1e-7)
    np.testing.assert_allclose(again.skeleton.rest_model[1], motion.skeleton.rest_model[1], atol=1e-9)
    np.testing.assert_allclose(again.skeleton.rest_tips, motion.skeleton.rest_tips, atol=1e-9)
    body = find_body_map(again.skeleton)
    assert body.names(again.skeleton) == find_body_map(motion.skeleton).names(motion.skeleton)


def test_joints_that_do_not_stand_depth_first_are_written_so():
    motion, layout = parse_bvh(bvh_samples.small())
    order = [0, 1, 2, 4, 3]
    shuffled = Motion(
        reordered(motion.skeleton, order), motion.rate, motion.rotations[:, order], motion.root_translation
    )
    channels = tuple(layout.channels[joint] for joint in order)
    again, _ = parse_bvh(format_bvh(shuffled, replace(layout, channels=channels)))
    assert_same(again, motion)


def test_a_joint_that_leaves_its_single_axis_gets_the_others():
    motion, layout = parse_bvh(bvh_samples.small())
    assert layout.channels[3] == ("Xrotation",)
    tilted = motion.rotations.copy()
    tilted[:, 3] = quat.mul(tilted[:, 3], quat.from_axis_angle(np.array([0.0, 0.0, 1.0]), np.full(4, 0.2)))
    again, found = parse_bvh(format_bvh(motion.with_rotations(tilted), layout))
    assert_same(again, motion.with_rotations(tilted))
    assert found.channels[3] == ("Xrotation", "Zrotation", "Yrotation")


def test_reading_and_writing_change_nothing_given(tmp_path):
    motion, layout = parse_bvh(bvh_samples.small())
    before = motion.rotations.tobytes()
    write_bvh(tmp_path / "a.bvh", motion, layout)
    assert motion.rotations.tobytes() == before
    assert (tmp_path / "a.bvh").read_text() == format_bvh(motion, layout)


@pytest.mark.parametrize("name", ["", " a", "a ", "a{", "a\nb", "\ud800"])
def test_a_name_that_no_bvh_file_can_hold_is_refused(name, tmp_path):
    motion = Motion(
        Skeleton((name,), (-1,), np.zeros((1, 3)), quat.IDENTITY[None]),
        30.0,
        quat.IDENTITY[None, None],
        [[0, 0, 0]],
    )
    (tmp_path / "a.bvh").write_text("old")
    with pytest.raises(BvhError, match="rename the bone"):
        write_bvh(tmp_path / "a.bvh", motion)
    assert [(p.name, p.read_text()) for p in tmp_path.iterdir()] == [("a.bvh", "old")]


def test_a_layout_for_other_joints_is_refused():
    motion, layout = parse_bvh(bvh_samples.small())
    with pytest.raises(BvhError, match="4 joints"):
        format_bvh(motion, replace(layout, channels=layout.channels[:4]))


@pytest.mark.parametrize(
    "wrong",
    [{"unit_m": 0.0}, {"unit_m": np.nan}, {"up": "W"}, {"channels": (("Wrotation",),)},
     {"channels": (("Xrotation", "Xrotation"),)}],
)  # fmt: skip
def test_a_layout_that_makes_no_sense_is_refused(wrong):
    with pytest.raises(InputError, match="BVH"):
        BvhLayout(**({"channels": ()} | wrong))


def test_wrong_settings_of_the_reader_are_refused():
    with pytest.raises(InputError, match="unit_m"):
        parse_bvh(bvh_samples.small(), unit_m=-1.0)
    with pytest.raises(InputError, match="up axis"):
        parse_bvh(bvh_samples.small(), up="y")


def test_places_that_cannot_be_read_or_written(tmp_path):
    motion, layout = parse_bvh(bvh_samples.small())
    for path in (tmp_path / "missing.bvh", tmp_path, tmp_path / "nul\0.bvh"):
        with pytest.raises(BvhError, match="cannot read"):
            read_bvh(path)
    for path in (tmp_path / "missing" / "a.bvh", tmp_path, tmp_path / "nul\0.bvh"):
        with pytest.raises(BvhError, match="cannot write"):
            write_bvh(path, motion, layout)
    assert not list(tmp_path.iterdir())


def test_memory_stays_within_six_times_the_take(tmp_path):
    """design.md, Numbers: at most 6 times the take's own arrays at the peak, for reading and for writing."""
    rng = np.random.default_rng(0)
    joints, frames = 60, 1500
    skeleton = Skeleton(
        tuple(f"j{j}" for j in range(joints)), tuple(range(-1, joints - 1)), rng.normal(size=(joints, 3)),
        np.tile(quat.IDENTITY, (joints, 1)),
    )  # fmt: skip
    motion = Motion(
        skeleton, 120.0, quat.exp(rng.normal(size=(frames, joints, 3))), rng.normal(size=(frames, 3))
    )
    take = motion.rotations.nbytes + motion.root_translation.nbytes
    for work in (lambda: write_bvh(tmp_path / "a.bvh", motion), lambda: read_bvh(tmp_path / "a.bvh")):
        tracemalloc.start()
        work()
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert peak < 6 * take


# What a file leaves open --------------------------------------------------------------------------


def test_a_facing_is_found_whatever_the_file_says_is_up():
    """The same performer, Y-up and Z-up, facing four ways, with and without telling names."""
    motion, layout = read_bvh(open_data.bvh_files()[0])
    for heading_deg in (0, 90, 180, -90):
        turn = quat.from_yaw(np.radians(heading_deg))
        skeleton = motion.skeleton
        offsets = quat.rotate(turn, skeleton.rest_translation)
        tips = quat.rotate(turn, skeleton.tip_offsets)
        for named in (True, False):
            names = skeleton.names if named else tuple(f"j{j}" for j in range(len(skeleton)))
            other = Skeleton(
                names, skeleton.parents, offsets, skeleton.rest_rotation, skeleton.tip_joints, tips
            )
            rest = Motion(other, 30.0, other.rest_rotation[None], motion.root_translation[:1])
            for up in ("Y", "Z"):
                again, found = parse_bvh(format_bvh(rest, replace(layout, up=up)))
                assert (found.up, found.unit_m) == (up, 0.01)
                facing = np.degrees(rest_facing(again.skeleton, find_body_map(again.skeleton)))
                assert abs((facing - heading_deg + 180) % 360 - 180) < 1.0
