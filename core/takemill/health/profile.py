"""What recorded a take: a suit, cameras, or nobody any more; it decides what a repair may touch.

A suit's sensors leave white noise in every joint, much the same in all of them, and its path is inferred.
Cameras measure the path, and their noise is a tenth of that. A take that was cleaned, keyed or resampled has
none.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb
from typing import Literal

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..feet.bearing import keep_bearing
from ..feet.contacts import find_contacts
from ..feet.soles import foot_points
from ..feet.walks_in_place import walked_in_place_m
from ..maths.series import runs

Kind = Literal["suit", "optical", "cleaned"]
KINDS: tuple[Kind, ...] = ("suit", "optical", "cleaned")

_ORDERS = (2, 4, 6, 8)  # of differences: white noise has the same size in all, motion a smaller one in each
_QUIET_SHARE = 0.2  # of the frames, in which a joint moves least: as in denoise.noise_deviation
_CHI3_QUIET = 1.0026  # the lower fifth of the chi distribution with 3 degrees of freedom
_SAMPLES = 8192  # differences that show the noise to a hundredth
_MIN_FRAMES = 20  # fewer leave no dozen of the highest differences
_MIN_RATE = 20.0  # below it motion itself differs from frame to frame as noise does (a back flip at 16)
# Share of the lowest differences that the highest ones keep, times the quieter joints' share of the median
# joint's noise. By trial on the open motions at 24 to 240 frames a second: clean ones reach 0.41, with noise
# of 0.25 degrees they have 0.44 or more, but for a run at 24 (0.32).
_MIN_WHITENESS = 0.43
# Degrees about one axis, in the quieter joints. Suits have 0.1 to 0.5, cameras 0.02 (markers that tremble by
# 0.1 mm on bones of 0.3 m); common practice, no source. What was repaired has less than 0.004.
_MIN_SUIT_DEG, _MIN_OPTICAL_DEG = 0.04, 0.005
# Feet that lie flat slide together, in this many stances at least, at this speed or more, and each like the
# median one but for this share: the place was inferred. By trial: clean open motions slide to and fro, or
# below 1 cm/s; with the drift of 10 % of the way that the tests have, at 4 to 26.
_MIN_STANCES, _MIN_SLIDE_M_S, _MAX_SLIDE_SPREAD = 6, 0.03, 0.4
_MIN_STANCE_S, _STANCE_EDGE_SHARE = 0.12, 0.3  # shorter ones, and their ends, roll


@dataclass(frozen=True)
class Profile:
    """What recorded a take.

    Attributes:
        kind: "suit", "optical" or "cleaned".
        noise_deg: white noise of its quieter joints, standard deviation about one axis; 0 where none shows.
        slide_m_s: what flat feet slide together; 0 where they do not.
        in_place_m: how far feet walk while the hips stay in place; 0 where the take has its path.
    """

    kind: Kind
    noise_deg: float = 0.0
    slide_m_s: float = 0.0
    in_place_m: float = 0.0

    def text(self) -> str:
        """In a few words, for a person."""
        seen = [f"{self.noise_deg:.2f} degrees of sensor noise"] if self.noise_deg >= _MIN_OPTICAL_DEG else []
        seen += [f"feet slide together at {100 * self.slide_m_s:.0f} cm/s"] if self.slide_m_s else []
        return f"{self.kind} ({', '.join(seen) or 'no sensor noise'}){in_place_text(self.in_place_m)}"


def in_place_text(walked_m: float) -> str:
    """What a line adds of a take whose feet walk so far while its hips stay in place; "" for 0."""
    return f", feet walk about {walked_m:.1f} m while the hips stay in place" if walked_m else ""


def find_profile(motion: Motion, body: BodyMap) -> Profile:
    """What recorded a take, by the noise of its joints and by how its feet stand."""
    whiteness, noise = _white_noise(motion, body)
    noise_deg = float(np.degrees(noise)) if whiteness >= _MIN_WHITENESS else 0.0
    in_place_m = walked_in_place_m(motion, body)
    if noise_deg >= _MIN_SUIT_DEG:
        return Profile("suit", noise_deg, 0.0, in_place_m)
    slide = 0.0 if in_place_m else _common_slide_m_s(motion, body)
    if slide:
        return Profile("suit", noise_deg, slide)
    return Profile("optical" if noise_deg >= _MIN_OPTICAL_DEG else "cleaned", noise_deg, 0.0, in_place_m)


def _white_noise(motion: Motion, body: BodyMap) -> tuple[float, float]:
    """How white the fastest changes are, 0 to about 1, and how large in the quieter joints, radians."""
    if len(motion) < _MIN_FRAMES or motion.rate < _MIN_RATE:
        return 0.0, 0.0
    mapped = sorted(joint for part, joint in body.joints.items() if part != "root")
    tracks = (motion.rotations[:, joint] for joint in mapped or range(len(motion.skeleton)))
    noises = np.array([_noise_by_order(track) for track in tracks if np.ptp(track, axis=0).max() > 1e-6])
    if not len(noises):
        return 0.0, 0.0
    least = noises.min(axis=1)
    quiet, middle = (float(np.quantile(least, share)) for share in (0.25, 0.5))
    kept = noises[:, -1] / np.maximum(noises[:, 0], 1e-12)
    return float(np.median(kept)) * quiet / max(middle, 1e-12), quiet


def _noise_by_order(track: Array) -> list[float]:
    """What the differences of each order show of noise in rotations (F, 4), radians about one axis."""
    every = max(len(track) // _SAMPLES, 1)
    found = []
    for order in _ORDERS:
        weights = [(-1) ** k * comb(order, k) for k in range(order + 1)]
        count = len(track) - order
        change = sum(weight * track[k : k + count : every] for k, weight in enumerate(weights))
        size = np.einsum("fi,fi->f", change, change)
        rank = int(len(size) * _QUIET_SHARE)
        gain = np.sqrt(np.square(weights).sum())
        found.append(2 * float(np.sqrt(np.partition(size, rank)[rank]) / (_CHI3_QUIET * gain)))
    return found


def _common_slide_m_s(motion: Motion, body: BodyMap) -> float:
    """The speed at which flat feet slide, all the same way amid their stances; 0 if they do not."""
    if not body.feet or "hips" not in body.joints or len(motion) < _MIN_FRAMES:
        return 0.0
    contacts = keep_bearing(motion, body, find_contacts(motion, body))
    points = foot_points(motion, body)
    flat, speeds = contacts.heel & contacts.toe, []
    for k in range(points.shape[1]):
        for start, stop in zip(*(edges.tolist() for edges in runs(flat[:, k])), strict=True):
            edge = int(_STANCE_EDGE_SHARE * (stop - start))
            first, last = start + edge, stop - edge - 1
            if stop - start >= _MIN_STANCE_S * motion.rate and last > first:
                way = (points[last, k, :, :2] - points[first, k, :, :2]).mean(axis=0)
                speeds.append(way * motion.rate / (last - first))
    if len(speeds) < _MIN_STANCES:
        return 0.0
    common = np.median(speeds, axis=0)
    slide = float(np.linalg.norm(common))
    spread = float(np.median(np.linalg.norm(speeds - common, axis=1)))
    return slide if slide >= _MIN_SLIDE_M_S and spread <= _MAX_SLIDE_SPREAD * slide else 0.0
