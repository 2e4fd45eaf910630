"""What intake costs beside the reading of a file: axes, unit, reference pose, body map and the intake line.

    python tests/benchmarks/intake_speed.py

A take of 72,000 frames (ten minutes at 120 a second) and 55 joints, made of the first file of bvhtoolbox, with its
own rest pose and with one that says nothing. Aim: half a second; the ratio is to the parsing of the text.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import forms
import open_data
from takemill.body.body_map import find_body_map
from takemill.body.intake import find_intake
from takemill.body.reference_pose import with_reference
from takemill.files.bvh import read_bvh
from takemill.files.bvh_layout import BvhLayout
from takemill.files.bvh_motion import motion_of
from takemill.files.bvh_text import parse
from takemill.files.bvh_units import guess_axes

FRAMES, RATE = 72_000, 120.0


def main() -> None:
    motion = read_bvh(open_data.bvh_files()[0])[0]
    motion = motion.sampled(np.linspace(0, len(motion) - 1, FRAMES), RATE)
    plain, parts = forms.plain(motion), find_body_map(motion.skeleton).joints
    print(f"{'rest pose':<14}{'parsing s':>10}{'intake s':>10}{'ratio':>8}")
    for name in ("as it is", "random turns"):
        data = forms.bvh_text(forms.resting(plain, forms.POSES[name](plain, parts))).encode()
        start = time.process_time()
        text = parse(data, name)
        parsed = time.process_time()
        up, unit_m, body = guess_axes(text)
        guessed = time.process_time()
        read, layout = motion_of(text, BvhLayout(tuple(text.channels), unit_m, up), RATE)
        begin = time.process_time()
        read = with_reference(read, body=body)
        intake = find_intake(read, find_body_map(read.skeleton), layout.unit_m, layout.up)
        cost = time.process_time() - begin + guessed - parsed
        assert intake is not None
        assert not intake.problems
        print(f"{name:<14}{parsed - start:>10.2f}{cost:>10.2f}{cost / (parsed - start):>8.3f}")


if __name__ == "__main__":
    main()
