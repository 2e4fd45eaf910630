"""Malformed BVH files: each a BvhError that names the file, the line and the remedy, and nothing else."""

from __future__ import annotations

import re
import tracemalloc

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

import bvh_samples
from takemill.base.errors import BvhError
from takemill.files import bvh_text
from takemill.files.bvh import parse_bvh, read_bvh

GOOD = bvh_samples.small(4)
LINES = GOOD.split("\n")
FIRST_FRAME = next(number for number, line in enumerate(LINES, 1) if line.startswith("Frame Time")) + 1


def swap(old: str, new: str, count: int = 1) -> str:
    assert old in GOOD
    return GOOD.replace(old, new, count)


def frame(number: int, new: str) -> str:
    lines = LINES.copy()
    lines[FIRST_FRAME - 1 + number] = new
    return "\n".join(lines)


def line_of(start: str, nth: int = 0) -> int:
    return [number for number, line in enumerate(LINES, 1) if line.strip().startswith(start)][nth]


NUMBERS = " ".join(["1.5"] * bvh_samples.WIDTH)
BAD = {
    "empty": ("", None, "empty"),
    "only space": (" \n\t\n", None, "empty"),
    "something else": ("hierarchies\n", 1, "begins with HIERARCHY"),
    "only the first word": ("HIERARCHY\n", 1, "cut short"),
    "no root": ("HIERARCHY\nMOTION\nFrames: 1\nFrame Time: 1\n1\n", 2, "no ROOT"),
    "cut in the tree": (GOOD[: GOOD.index("OFFSET 10.0")], None, "cut short"),
    "cut before the frames": (GOOD.partition("Frames")[0], line_of("MOTION"), "cut short"),
    "cut before the time": (GOOD.partition("Frame Time")[0], line_of("Frames"), "cut short"),
    "cut after the time": ("\n".join(LINES[: FIRST_FRAME - 1]), line_of("Frames"), "says 4 but there are 0"),
    "cut between frames": (
        "\n".join(LINES[: FIRST_FRAME + 1]), line_of("Frames"),
        "says 4 but there are 2; the file is cut",
    ),
    "cut in a frame": (GOOD[:-40], FIRST_FRAME + 3, "cut short here"),
    "a number too few": (
        frame(1, " ".join(["1"] * 15)), FIRST_FRAME + 1,
        "15 numbers where the hierarchy has 16 channels; each",
    ),
    "a number too many": (frame(1, NUMBERS + " 1"), FIRST_FRAME + 1, "17 numbers"),
    "a number moved to the next line": (
        frame(1, " ".join(["1"] * 15)).replace(LINES[FIRST_FRAME + 1], "1 " + LINES[FIRST_FRAME + 1]),
        FIRST_FRAME + 1, "15 numbers",
    ),
    "more frames than said": (GOOD + NUMBERS + "\n", line_of("Frames"), "says 4 but there are 5"),
    "words after the frames": (GOOD + "thank you\n", FIRST_FRAME + 4, "'thank' is not a usable number"),
    "not a number": (
        frame(2, NUMBERS.replace("1.5", "nan", 1)), FIRST_FRAME + 2,
        "frame 2, Xposition of 'Hips': nan",
    ),
    "infinite": (frame(0, NUMBERS[:-3] + "inf"), FIRST_FRAME, "frame 0, Xrotation of 'RightHip': inf"),
    "beyond float64": (frame(0, NUMBERS[:-3] + "1e999"), FIRST_FRAME, "Xrotation of 'RightHip'"),
    "damaged exponent": (frame(0, NUMBERS[:-3] + "1e12"), FIRST_FRAME, "not a usable number"),
    "a comma for a point": (
        frame(3, NUMBERS.replace("1.5", "1,5", 2)), FIRST_FRAME + 3,
        "Xposition of 'Hips': '1,5'",
    ),
    "a word for a number": (
        frame(3, NUMBERS[:-3] + "abc"), FIRST_FRAME + 3,
        "Xrotation of 'RightHip': 'abc'",
    ),
    "a hexadecimal number": (frame(3, NUMBERS[:-3] + "0x1"), FIRST_FRAME + 3, "'0x1'"),
    "an underscore in a number": (frame(3, NUMBERS[:-3] + "1_0"), FIRST_FRAME + 3, "'1_0'"),
    "a foreign digit": (frame(3, NUMBERS[:-3] + "\uff11"), FIRST_FRAME + 3, "not a usable number"),
    "a NUL among the numbers": (frame(3, NUMBERS[:-3] + "\0"), FIRST_FRAME + 3, "not a usable number"),
    "no frames": (swap("Frames: 4", "Frames: 0"), line_of("Frames"), "no frames"),
    "frames below none": (swap("Frames: 4", "Frames: -4"), line_of("Frames"), "whole number"),
    "half a frame": (swap("Frames: 4", "Frames: 4.5"), line_of("Frames"), "whole number"),
    "frames beyond memory": (swap("Frames: 4", "Frames: 2000000000"), line_of("Frames"), "there are 4"),
    "frames beyond any integer": (
        swap("Frames: 4", "Frames: " + "9" * 5000), line_of("Frames"),
        "whole number",
    ),
    "no count": (swap("Frames: 4\n", ""), line_of("Frames"), "'Frames:'"),
    "time zero": (swap("0.0083333", "0"), line_of("Frame Time"), "'Frame Time:'"),
    "time runs back": (swap("0.0083333", "-0.01"), line_of("Frame Time"), "'Frame Time:'"),
    "time is no number": (swap("0.0083333", "fast"), line_of("Frame Time"), "'fast'"),
    "milliseconds": (swap("0.0083333", "16.67"), line_of("Frame Time"), "milliseconds, write 0.01667;"),
    "more milliseconds": (swap("0.0083333", "33"), line_of("Frame Time"), "milliseconds, write 0.033;"),
    "a rate": (swap("0.0083333", "120"), line_of("Frame Time"), "frames per second, 0.00833333"),
    "half a frame a second": (swap("0.0083333", "2"), line_of("Frame Time"), "seconds from frame to frame?"),
    "1001 frames a second": (swap("0.0083333", "0.00099"), line_of("Frame Time"), "at most 1000 can be read"),
    "a rate beyond all": (swap("0.0083333", "1e-320"), line_of("Frame Time"), "frames a second; at most"),
    "a name that clears": (swap("ROOT Hips", "ROOT Hi\x1b[2J"), line_of("ROOT"), r"'Hi\x1b[2J' holds"),
    "a name with half a line": (swap("ROOT Hips", "ROOT Hi\u2028ps"), line_of("ROOT"), "holds a control"),
    "time is nan": (swap("0.0083333", "nan"), line_of("Frame Time"), "'nan'"),
    "no name": (swap("JOINT LeftHip", "JOINT"), line_of("JOINT LeftHip"), "no name"),
    "a second root inside": (
        swap("JOINT LeftHip", "ROOT LeftHip"), line_of("JOINT LeftHip"),
        "inside another",
    ),
    "a joint outside": ("HIERARCHY\nJOINT a\n{\n}\n", 2, "outside"),
    "no opening brace": (swap("\t{\n", "", 1), 7, "expected '{'"),
    "no closing brace": (GOOD.replace("}\nMOTION", "MOTION"), None, "'Hips' is not closed"),
    "a brace too many": (GOOD.replace("}\nMOTION", "}\n}\nMOTION"), None, "did not expect '}'"),
    "an offset of two": (
        swap("OFFSET 10.0 0.0 0.0", "OFFSET 10.0 0.0"), line_of("OFFSET 10.0"),
        "3 numbers, not 2",
    ),
    "an offset of a word": (swap("OFFSET 10.0 0.0", "OFFSET ten 0.0"), line_of("OFFSET 10.0"), "'ten'"),
    "an infinite offset": (swap("OFFSET 10.0 0.0", "OFFSET 1e300 0.0"), line_of("OFFSET 10.0"), "'1e300'"),
    "no offset": (swap("\t\tOFFSET 10.0 0.0 0.0\n", ""), None, "'LeftHip' has no OFFSET"),
    "two offsets": (
        swap("\t\tOFFSET 10.0 0.0 0.0\n", "\t\tOFFSET 10.0 0.0 0.0\n" * 2), None,
        "a second OFFSET",
    ),
    "a wrong channel": (
        swap("Yrotation\n", "Wrotation\n"), line_of("CHANNELS 6"),
        "'Wrotation' is no channel",
    ),
    "a channel twice": (
        swap("Xrotation Yrotation\n", "Yrotation Yrotation\n"), line_of("CHANNELS 6"),
        "twice",
    ),
    "a wrong channel count": (
        swap("CHANNELS 6", "CHANNELS 5"), line_of("CHANNELS 6"),
        "says '5' but names 6",
    ),
    "channels without a count": (
        swap("CHANNELS 6 Xposition", "CHANNELS Xposition"), line_of("CHANNELS 6"),
        "says",
    ),
    "channels of nothing": (swap("CHANNELS 1 Xrotation", "CHANNELS"), line_of("CHANNELS 1"), "'nothing'"),
    "channels twice": (
        swap("CHANNELS 1 Xrotation", "CHANNELS 1 Xrotation\nCHANNELS 1 Yrotation"), None,
        "a second CHANNELS",
    ),
    "no channels at all": (re.sub(r"CHANNELS.*", "CHANNELS 0", GOOD), line_of("MOTION"), "nothing moves"),
    "a word in the tree": (
        swap("\t\tOFFSET 10.0", "\t\tSCALE 10.0"), line_of("OFFSET 10.0"),
        "did not expect 'SCALE",
    ),
    "an end site without its offset": (
        swap("\t\t\tOFFSET 0.0 30.0 0.0\n", ""), None,
        "holds an OFFSET, not '}'",
    ),
    "an end site with more": (
        swap("OFFSET 0.0 30.0 0.0\n", "OFFSET 0.0 30.0 0.0\nJOINT x\n"), None,
        "expected '}'",
    ),
    "two brackets on a line": (swap("\t\t}\n\t}\n", "\t\t} }\n"), None, "expected '}' after an End Site"),
}  # fmt: skip


@pytest.mark.parametrize("case", list(BAD))
def test_a_malformed_file_is_refused_with_its_line(case):
    text, line, complaint = BAD[case]
    with pytest.raises(BvhError, match=re.escape(complaint)) as caught:
        parse_bvh(text, "take 7.bvh")
    message = str(caught.value)
    assert message.startswith("take 7.bvh")
    assert len(message) < 300
    if line:
        assert message.startswith(f"take 7.bvh, line {line}:")
    elif text.strip():
        assert re.match(r"take 7.bvh, line \d+:", message)


@pytest.mark.parametrize("piece", [64, 200, 1000])
@pytest.mark.parametrize(
    "case", ["a word for a number", "a number too few", "not a number", "cut in a frame"]
)
def test_the_line_is_right_in_whatever_pieces_a_file_is_read(case, piece, monkeypatch):
    monkeypatch.setattr(bvh_text, "_CHUNK_BYTES", piece)
    text, line, complaint = BAD[case]
    with pytest.raises(BvhError, match=f"line {line}:.*{re.escape(complaint)}"):
        parse_bvh(text)
    whole = bvh_text.parse(GOOD.encode(), "")
    np.testing.assert_array_equal(
        whole.values.ravel(), np.array(" ".join(LINES[FIRST_FRAME - 1 :]).split(), float)
    )


@pytest.mark.parametrize("data", [
    GOOD.encode().replace(b"LeftKnee", b"Left\xe9Knee"),
    GOOD.encode("utf-16"),
    GOOD.encode().replace(b"Frames", b"\xffFrames"),
])  # fmt: skip
def test_text_that_is_not_utf8_is_refused(data, tmp_path):
    (tmp_path / "take.bvh").write_bytes(data)
    with pytest.raises(BvhError, match=r"take\.bvh, line \d+: .*UTF-8"):
        read_bvh(tmp_path / "take.bvh")


def test_bytes_that_are_not_utf8_among_the_numbers_are_refused(tmp_path):
    (tmp_path / "take.bvh").write_bytes(GOOD.encode().replace(b"\n", b"\xe9\n", 60))
    (tmp_path / "end.bvh").write_bytes(GOOD.encode() + b"\xe9")
    for name in ("take.bvh", "end.bvh"):
        with pytest.raises(BvhError, match=r"line \d+"):
            read_bvh(tmp_path / name)


def test_a_claim_of_many_frames_takes_no_memory():
    """Two thousand million frames of 16 numbers would be 256 GB."""
    text = BAD["frames beyond memory"][0]
    tracemalloc.start()
    with pytest.raises(BvhError):
        parse_bvh(text)
    assert tracemalloc.get_traced_memory()[1] < 2e6
    tracemalloc.stop()


def test_too_many_joints_and_deep_nesting_are_refused_or_read():
    def nested(count: int) -> str:
        opening = "".join(
            f"{'JOINT' if j else 'ROOT'} j{j}\n{{\nOFFSET 0 1 0\nCHANNELS 1 Xrotation\n" for j in range(count)
        )
        numbers = " ".join(["0"] * count)
        return (
            f"HIERARCHY\n{opening}{'}' * 0}"
            + "}\n" * count
            + f"MOTION\nFrames: 1\nFrame Time: 1\n{numbers}\n"
        )

    assert len(parse_bvh(nested(1500))[0].skeleton) == 1500
    with pytest.raises(BvhError, match="more than 4096 joints"):
        parse_bvh(nested(4097))
    with pytest.raises(BvhError, match="did not expect"):
        parse_bvh("HIERARCHY\n" + "{" * 100_000)
    with pytest.raises(BvhError, match="no name"):
        parse_bvh("HIERARCHY\n" + "ROOT {\n" * 1000)


# Damage at random ---------------------------------------------------------------------------------

WORDS = [
    b"HIERARCHY", b"ROOT", b"JOINT", b"End Site", b"OFFSET", b"CHANNELS", b"MOTION", b"Frames:",
    b"Frame Time:", b"{", b"}", b"\n", b"\r\n", b"\r", b"\t", b" ", b"\0", b"\xff", b"\xc3\xa9", b"nan",
    b"-inf", b"1e308", b"-1e308", b"1e-320", b"0", b"-0", b"99999999", b"1e7", b"3", b"6", b"0.5",
    b"Xrotation", b"Yposition", b"\x0b", b"\x0c", b"\x1c", b"\xe2\x80\xa8", b"#", b",", b"",
]  # fmt: skip


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """A good file with words and bytes put in, taken out, doubled and moved."""
    data = draw(st.sampled_from([GOOD, bvh_samples.small(1), GOOD.replace("\n", "\r\n")])).encode()
    for _ in range(draw(st.integers(1, 6))):
        start = draw(st.integers(0, len(data)))
        stop = min(len(data), start + draw(st.sampled_from([0, 0, 1, 2, 5, 30, 200])))
        kind = draw(st.sampled_from(["word", "bytes", "double", "move", "cut"]))
        if kind == "word":
            data = data[:start] + draw(st.sampled_from(WORDS)) + data[stop:]
        elif kind == "bytes":
            data = data[:start] + draw(st.binary(max_size=4)) + data[stop:]
        elif kind == "double":
            data = data[:stop] + data[start:stop] + data[stop:]
        elif kind == "move":
            piece, data = data[start:stop], data[:start] + data[stop:]
            place = draw(st.integers(0, len(data)))
            data = data[:place] + piece + data[place:]
        else:
            data = data[:start]
    return data


@pytest.fixture(scope="module")
def scratch(tmp_path_factory: pytest.TempPathFactory):
    return tmp_path_factory.mktemp("fuzz") / "take.bvh"


@settings(max_examples=300)
@given(data=damaged())
@example(data=GOOD.encode()[:-1] + b"\0")
@example(data=GOOD.replace("OFFSET 0.0", "OFFSET 9e7").encode())
@example(data=GOOD.replace("OFFSET 0.0", "OFFSET 1e-320").encode())
def test_a_damaged_file_reads_or_is_refused_and_nothing_else(data, scratch):
    scratch.write_bytes(data)
    try:
        motion, layout = read_bvh(scratch)
    except BvhError as error:
        complaint = str(error)
    else:
        complaint = ""
    if complaint:
        assert complaint.startswith(str(scratch))
        return
    assert np.isfinite(motion.rotations).all()
    assert np.isfinite(motion.local_translations()).all()
    assert len(layout.channels) == len(motion.skeleton)


@settings(max_examples=100)
@given(data=st.binary(max_size=200) | st.lists(st.sampled_from(WORDS), max_size=60).map(b" ".join))
def test_rubbish_is_refused_and_nothing_else(data, scratch):
    scratch.write_bytes(data)
    with pytest.raises(BvhError):
        read_bvh(scratch)


def test_a_name_that_stands_twice_gets_a_suffix_and_is_told():
    motion, layout = parse_bvh(GOOD.replace("LeftKnee", "LeftHip"))
    again, same = parse_bvh(GOOD)
    names = [name.replace("LeftKnee", "LeftHip.2") for name in again.skeleton.names]
    assert list(motion.skeleton.names) == names
    (note,) = layout.notes
    assert "'LeftHip' stands twice (lines 15 and" in note
    assert "'LeftHip.2'" in note
    assert same.notes == ()


# First bytes: FBX (as importers test them), USD (crate files and usda), glTF 2.0 section 4.4.1,
# Blender files, C3D (c3d.org, User Guide, header section: the second byte is 50 hexadecimal), zip and gzip.
FOREIGN = {
    "an FBX file": b"Kaydara FBX Binary  \0\x1a\0",
    "a USD file": b"PXR-USDC\0\0",
    "a glTF binary": b"glTF\2\0\0\0",
    "a Blender file": b"BLENDER-v405",
    "a C3D file": bytes([2, 0x50]) + bytes(600),
    "an archive": b"PK\x03\x04",
    "a binary file of an unknown kind": bytes(range(256)) * 20,
}


@pytest.mark.parametrize("kind", list(FOREIGN))
def test_another_kind_of_file_is_named_and_pointed_on(kind, tmp_path):
    (tmp_path / "take.bvh").write_bytes(FOREIGN[kind])
    with pytest.raises(BvhError, match=rf"take\.bvh: not a BVH file but {kind}: \w+"):
        read_bvh(tmp_path / "take.bvh")
