"""The text of a BVH file, strictly: hierarchy and numbers as they stand, in the file's own units and axes.

Source of the grammar: Meredith & Maddock, Motion Capture File Formats Explained, University of Sheffield,
CS-01-11, 2001, section 3. Keywords are read in any letter case; a frame stands on one line.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from ..base.checks import Array
from ..base.errors import BvhError
from ..base.plain import is_name
from .kinds import foreign_kind

CHANNELS = ("Xposition", "Yposition", "Zposition", "Xrotation", "Yrotation", "Zrotation")
MAX_JOINTS = 4096  # some ten times those of the most detailed body: more is damage (no source)
MIN_RATE, MAX_RATE = 1.0, 1000.0  # frames per second; suits record 60 to 240, optical systems up to 1000
MAX_NUMBER = 1e8  # larger offsets, places and angles are damage, and would overflow later

_MIN_FRAME_TIME_SHARE = 0.999  # of a frame time: its last digit is rounded
_CHANNEL_OF = {name.lower(): name for name in CHANNELS}
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_FRAMES = re.compile(r"frames\s*:\s*(\S+)", re.IGNORECASE)
_FRAME_TIME = re.compile(r"frame\s+time\s*:\s*(\S+)", re.IGNORECASE)
_CHUNK_BYTES = 1 << 18  # bytes of the number block that are read at once
# What Python takes for white space in bytes.
_IS_SPACE: NDArray[np.bool_] = np.isin(np.arange(256), list(b" \t\r\n\v\f"))


@dataclass
class BvhText:
    """What the file says.

    Attributes:
        names, parents: (J,) as in Skeleton.
        offsets: (J, 3) in file units and axes.
        channels: (J,) the channel names of each joint, in the order of the numbers.
        ends: the joint and the offset (3,) of each end site, in the file's order.
        frame_time: the number as it is written, in seconds.
        values: (F, C) one row per frame, one column per channel.
        notes: what was read otherwise than it stands there, a sentence each.
    """

    names: list[str] = field(default_factory=list)
    parents: list[int] = field(default_factory=list)
    offsets: list[list[float]] = field(default_factory=list)
    channels: list[tuple[str, ...]] = field(default_factory=list)
    ends: list[tuple[int, list[float]]] = field(default_factory=list)
    frame_time: str = ""
    values: Array = field(default_factory=lambda: np.zeros((0, 0)))
    notes: list[str] = field(default_factory=list)


def parse(data: bytes, source: str) -> BvhText:
    """The text of a BVH file, taken apart.

    Raises:
        BvhError: it is malformed; the message holds `source`, the line and what would repair it.
    """
    return _Parser(data, source).parse()


class _Parser:
    """One pass over the lines of the head, then over the block of numbers in large pieces."""

    def __init__(self, data: bytes, source: str) -> None:
        data = data.removeprefix(b"\xef\xbb\xbf")
        self.source = source
        self.data = data.replace(b"\r", b"\n") if b"\n" not in data else data
        self.line = 0  # number of the line that is being read, counted from 1
        self.place = 0  # byte where the next line starts
        self.out = BvhText()

    def error(self, message: str, line: int | None = None) -> BvhError:
        return BvhError(f"{self.source}, line {self.line if line is None else line}: {message}")

    def next_line(self, wanted: str) -> str:
        """The next line that is not empty, without the space around it."""
        while self.place < len(self.data):
            stop = self.data.find(b"\n", self.place)
            stop = len(self.data) if stop < 0 else stop
            raw, self.place, self.line = self.data[self.place : stop], stop + 1, self.line + 1
            try:
                text = raw.decode("utf-8").strip()
            except UnicodeDecodeError:
                raise self.error("the text is not UTF-8; is it a BVH file? Save it as UTF-8") from None
            if text:
                return text
        raise self.error(f"the file ends where {wanted} should stand; it is cut short: export it again")

    def parse(self) -> BvhText:
        if not self.data.strip():
            raise BvhError(f"{self.source}: the file is empty; export it again")
        if foreign := foreign_kind(self.data):
            kind, way_out = foreign
            raise BvhError(f"{self.source}: not a BVH file but {kind}: {way_out}")
        first = self.next_line("HIERARCHY")
        if first.upper() != "HIERARCHY":
            raise self.error(f"a BVH file begins with HIERARCHY, not with {_shown(first)}")
        self.hierarchy()
        self.motion()
        return self.out

    # The tree of joints ---------------------------------------------------------------------------

    def hierarchy(self) -> None:
        stack: list[int] = []  # joints whose braces are open
        seen: dict[str, int] = {}
        while True:
            text = self.next_line("JOINT, End Site, a closing brace or MOTION")
            word, rest = _cut(text)
            key = word.upper()
            if key == "MOTION" and not rest and not stack:
                break
            if key in ("ROOT", "JOINT"):
                self.open_joint(key, rest, stack, seen)
            elif key == "END" and stack:
                self.end_site(rest, stack[-1])
            elif key == "OFFSET" and stack:
                self.offset(rest, stack[-1])
            elif key == "CHANNELS" and stack:
                self.channel_list(rest, stack[-1])
            elif text == "}" and stack:
                self.close_joint(stack.pop())
            else:
                raise self.error(self.unexpected(text, stack))
        if not self.out.names:
            raise self.error("the hierarchy holds no ROOT")
        if not any(self.out.channels):
            raise self.error("no joint has CHANNELS, so nothing moves")

    def unexpected(self, text: str, stack: Sequence[int]) -> str:
        if text.upper() == "MOTION":
            return f"MOTION, but {self.out.names[stack[-1]]!r} is not closed; a brace '}}' is missing"
        where = f"inside {self.out.names[stack[-1]]!r}" if stack else "outside the braces of a ROOT"
        return f"did not expect {_shown(text)} {where}"

    def open_joint(self, key: str, rest: str, stack: list[int], seen: dict[str, int]) -> None:
        name, opened = (rest[:-1].rstrip(), True) if rest.endswith("{") else (rest, False)
        if (key == "ROOT") == bool(stack):
            raise self.error(f"{key} {_shown(name)} stands {'inside' if stack else 'outside'} another joint")
        if not name:
            raise self.error(f"{key} has no name")
        if not is_name(name):
            raise self.error(f"joint name {_shown(name)} holds a control character; rename the joint")
        if name in seen:
            name = self.another_name(name, seen)
        if len(seen) == MAX_JOINTS:
            raise self.error(f"more than {MAX_JOINTS} joints; is this a skeleton?")
        seen[name] = self.line
        if not opened:
            self.brace(name)
        self.out.names.append(name)
        self.out.parents.append(stack[-1] if stack else -1)
        self.out.offsets.append([])
        self.out.channels.append(())
        stack.append(len(self.out.names) - 1)

    def another_name(self, name: str, seen: dict[str, int]) -> str:
        """A name of its own for a joint that is called as one before it; said in the notes."""
        number = next(n for n in range(2, MAX_JOINTS + 2) if f"{name}.{n}" not in seen)
        new = f"{name}.{number}"
        self.out.notes.append(
            f"joint name {_shown(name)} stands twice (lines {seen[name]} and {self.line}): "
            f"the later one is read as {_shown(new)}"
        )
        return new

    def brace(self, name: str) -> None:
        text = self.next_line("an opening brace")
        if text != "{":
            raise self.error(f"expected '{{' after {_shown(name)}, not {_shown(text)}")

    def close_joint(self, joint: int) -> None:
        if not self.out.offsets[joint]:
            raise self.error(f"joint {self.out.names[joint]!r} has no OFFSET")

    def end_site(self, rest: str, joint: int) -> None:
        if not rest.endswith("{"):
            self.brace("End Site")
        word, rest = _cut(self.next_line("OFFSET"))
        if word.upper() != "OFFSET":
            raise self.error(f"an End Site holds an OFFSET, not {_shown(word)}")
        self.out.ends.append((joint, self.three(rest)))
        if (text := self.next_line("a closing brace")) != "}":
            raise self.error(f"expected '}}' after an End Site, not {_shown(text)}")

    def offset(self, rest: str, joint: int) -> None:
        if self.out.offsets[joint]:
            raise self.error(f"joint {self.out.names[joint]!r} has a second OFFSET")
        self.out.offsets[joint] = self.three(rest)

    def three(self, rest: str) -> list[float]:
        words = rest.split()
        if len(words) != 3:
            raise self.error(f"OFFSET needs 3 numbers, not {len(words)}")
        return [self.number(word, "OFFSET") for word in words]

    def number(self, word: str, what: str, line: int | None = None) -> float:
        value = float(word) if _NUMBER.fullmatch(word) else np.nan
        if not abs(value) < MAX_NUMBER:
            raise self.error(f"{what}: {_shown(word)} is not a usable number; export the file again", line)
        return value

    def channel_list(self, rest: str, joint: int) -> None:
        name = self.out.names[joint]
        count, *words = rest.split() or ["nothing"]
        channels = tuple(_CHANNEL_OF.get(word.lower(), "") for word in words)
        if "" in channels:
            wrong = words[channels.index("")]
            raise self.error(f"joint {name!r}: {_shown(wrong)} is no channel; they are {', '.join(CHANNELS)}")
        if count != str(len(words)):
            raise self.error(f"joint {name!r}: CHANNELS says {_shown(count)} but names {len(words)}")
        if len(set(channels)) < len(channels):
            raise self.error(f"joint {name!r}: a channel stands twice")
        if self.out.channels[joint]:
            raise self.error(f"joint {name!r} has a second CHANNELS line")
        self.out.channels[joint] = channels

    # The numbers ----------------------------------------------------------------------------------

    def motion(self) -> None:
        found = _FRAMES.fullmatch(self.next_line("Frames:"))
        if not found or not re.fullmatch(r"\d{1,15}", found[1], re.ASCII):
            raise self.error("expected 'Frames:' and a whole number after MOTION")
        claimed, claim_line = int(found[1]), self.line
        if claimed == 0:
            raise self.error("the file holds no frames (Frames: 0); record or export it again")
        time = _FRAME_TIME.fullmatch(self.next_line("Frame Time:"))
        if not time or not self.number(time[1], "Frame Time") > 0:
            raise self.error("expected 'Frame Time:' and seconds, such as 0.0083333 for 120 frames a second")
        self.expect_rate(float(time[1]))
        self.out.frame_time = time[1]
        width = sum(map(len, self.out.channels))
        blocks, lines = [np.zeros((0, width))], [np.zeros(0, np.intp)]
        for block, numbers in self.blocks(width):
            blocks.append(block)
            lines.append(numbers)
        self.out.values = np.concatenate(blocks)
        if (got := len(self.out.values)) != claimed:
            why = (
                "the file is cut short: export it again"
                if got < claimed
                else "the count is too low: correct it"
            )
            raise self.error(f"Frames: says {claimed} but there are {got}; {why}", claim_line)
        self.check_range(np.concatenate(lines))

    def expect_rate(self, seconds: float) -> None:
        """Insist on seconds: some exporters write milliseconds, or how many frames a second has."""
        if seconds > 1 / MIN_RATE:
            raise self.error(
                f"Frame Time: {seconds:g} seconds from frame to frame? If these are milliseconds, write "
                f"{seconds / 1000:.6g}; if frames per second, {1 / seconds:.6g}"
            )
        if seconds < _MIN_FRAME_TIME_SHARE / MAX_RATE:
            raise self.error(
                f"Frame Time: {seconds:g} makes {1 / seconds:.6g} frames a second; at most {MAX_RATE:g} can "
                "be read: export at a lower rate, or correct it"
            )

    def blocks(self, width: int) -> Iterator[tuple[Array, NDArray[np.intp]]]:
        """Rows (N, C) of numbers with the line of each; the pieces end at a line's end."""
        view = np.frombuffer(self.data, np.uint8)
        while self.place < len(self.data):
            stop = self.data.find(b"\n", min(self.place + _CHUNK_BYTES, len(self.data) - 1))
            stop = len(self.data) if stop < 0 else stop + 1
            piece = view[self.place : stop]
            spaces = _IS_SPACE[piece]
            starts = ~spaces
            starts[1:] &= spaces[:-1]
            ends = np.flatnonzero(piece == ord("\n"))
            if not len(ends) or ends[-1] != len(piece) - 1:
                ends = np.append(ends, len(piece) - 1)
            words = np.diff(np.cumsum(starts)[ends], prepend=0)
            full = np.flatnonzero(words)
            if len(wrong := full[words[full] != width]):
                self.wrong_width(int(wrong[0]), int(words[wrong[0]]), width, stop == len(self.data))
            yield self.numbers(stop, len(full), width), self.line + 1 + full
            self.line += int(np.count_nonzero(piece == ord("\n")))
            self.place = stop

    def wrong_width(self, line: int, words: int, width: int, last: bool) -> NoReturn:
        """One line has too few or too many numbers: say where, and whether the file is cut off there."""
        text = self.data[self.place :].split(b"\n", line + 1)[line]
        number = self.line + 1 + line
        for word in text.split()[:3]:
            self.number(word.decode("utf-8", "replace"), "a frame", number)
        rest = self.data[self.place :].split(b"\n", line + 1)[line + 1 :]
        cut = last and words < width and not (rest and rest[0].strip())
        advice = "the file is cut short here: export it again" if cut else "each frame stands on one line"
        raise self.error(f"{words} numbers where the hierarchy has {width} channels; {advice}", number)

    def numbers(self, stop: int, rows: int, width: int) -> Array:
        text = self.data[self.place : stop]
        if not rows:
            return np.zeros((0, width))
        with warnings.catch_warnings():
            warnings.simplefilter("error", DeprecationWarning)  # numpy stops at a word that is no number
            try:
                values = np.fromstring(text, dtype=np.float64, sep=" ")
            except (DeprecationWarning, ValueError):
                values = np.zeros(0)
        if len(values) != rows * width:
            self.blame(text)
        return values.reshape(rows, width)

    def blame(self, text: bytes) -> NoReturn:
        """Find the word that is no number, and say where it stands."""
        for place, line in enumerate(text.split(b"\n")):
            for column, word in enumerate(line.split()):
                self.number(word.decode("utf-8", "replace"), self.channel(column), self.line + 1 + place)
        raise self.error("the numbers cannot be read; export the file again", self.line + 1)

    def check_range(self, lines: NDArray[np.intp]) -> None:
        values = self.out.values
        fine = np.abs(values) < MAX_NUMBER
        if not fine.all():
            frame, column = (int(i) for i in np.argwhere(~fine)[0])
            raise self.error(
                f"frame {frame}, {self.channel(column)}: {values[frame, column]} is not a usable number; "
                "export the file again",
                int(lines[frame]),
            )

    def channel(self, column: int) -> str:
        names = [f"{c} of {n!r}" for n, cs in zip(self.out.names, self.out.channels, strict=True) for c in cs]
        return names[column] if column < len(names) else "a frame"


def _cut(text: str) -> tuple[str, str]:
    word, *rest = text.split(maxsplit=1)
    return word, rest[0] if rest else ""


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...")
