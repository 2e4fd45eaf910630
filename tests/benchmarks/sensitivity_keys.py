"""What the constants of the packed keys are worth: each made a third smaller, and half as large again.

`python tests/benchmarks/sensitivity_keys.py`, some minutes. Printed are ratios to the bytes of all keys and to
the largest error with the constant as it is, for straight keys and for cubic ones. The clips are nine open
motions (clean_takes.py), two of them at 30 frames a second.
"""

from __future__ import annotations

import contextlib
import importlib
import sys
from pathlib import Path
from unittest import mock

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from clean_takes import clean_take
from takemill.body.motion import Motion
from takemill.keys import reduce
from takemill.keys.reduce import ReduceSettings, largest_error_m, reduce_clips

FACTORS = (2 / 3, 3 / 2)
CONSTANTS = {
    "clip_channels": "_MAX_LOOKS _BOUND_MULTIPLE",
    "displacement": "_MIN_REACH_M",
    "key_times": "MAX_SPAN_TURN_RAD _COMPARED_BLOCKS TIMES_JSON_BYTES _PLAN_OVERRUN_FACTOR",
    "key_values": "_MAX_STEPS",
    "reduce": "_BATCH_FRAMES",
    "reduce_cubic": "_STRAIGHTNESS_WEIGHT _MAX_SPAN_FRAMES",
    "reduce_search": "_MAX_INT8_BOUND_SHARE _MIN_INT8_ERROR_RAD _MAX_ROUNDS _CAPTURE_RATE_HZ _MAX_BENT_SHARE "
    "_CUBIC_KEY_COST _MAX_CHANGED_SHARE",
}


def measure(motions: list[Motion]) -> np.ndarray:
    """Bytes, and the largest error (metres): (2, 2), for straight and for cubic keys."""
    rows = []
    for settings in (ReduceSettings(), ReduceSettings(interpolation="cubic")):
        tracks = reduce_clips(motions, settings)
        size = sum(reduce._count_bytes(one) for one in tracks)
        rows.append(
            [size, max(largest_error_m(m, one, settings) for m, one in zip(motions, tracks, strict=True))]
        )
    return np.array(rows)


def main() -> None:
    motions = [clean_take(name) for name in ("walk", "run", "punch", "kick", "dance_a", "jump", "spin")]
    motions += [clean_take(name).resampled(30.0) for name in ("dance_b", "cartwheel")]
    usual = measure(motions)
    print(f"{'':54}straight: bytes  error   cubic: bytes  error")
    for file, names in CONSTANTS.items():
        home = importlib.import_module(f"takemill.keys.{file}")
        for name in names.split():
            value = getattr(home, name)
            users = [
                one
                for key, one in sys.modules.items()
                if key.startswith("takemill.keys") and hasattr(one, name)
            ]
            users = [one for one in users if one is home or not name.startswith("_")]
            for factor in FACTORS:
                other = max(round(value * factor), 1) if isinstance(value, int) else value * factor
                with contextlib.ExitStack() as changed:
                    for one in users:
                        changed.enter_context(mock.patch.object(one, name, other))
                    ratio = measure(motions) / usual
                cells = "".join(f"{bytes_:15.3f}{error:7.3f}" for bytes_, error in ratio)
                print(f"{file + ' ' + name:38} {value:7.4g} {other:7.4g}{cells}", flush=True)


if __name__ == "__main__":
    main()
