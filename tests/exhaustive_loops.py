"""The slow twin of the loop search: each pair of frames at the full rate, none left out."""

from __future__ import annotations

import numpy as np

from takemill.base.checks import Array, Mask
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.clip.clouds import cloud, main_joints
from takemill.clip.events import foot_events
from takemill.feet.contacts import Contacts, find_contacts
from takemill.loops.loop_search import LoopSettings


def pair_costs(motion: Motion, body: BodyMap, window_s: float = 0.12) -> Array:
    """(F, F) metres: distance of the windowed poses, and how far the jerk at both carries in 10 ms."""
    places = motion.model()[1][:, main_joints(body)]
    count, window = len(places), max(1, round(window_s * motion.rate))
    poses = cloud(places, window)
    distance = poses.distances(slice(None), slice(None))
    size = np.linalg.norm(np.diff(places, 3, axis=0), axis=-1).mean(axis=1)
    reach = min(window, 3)
    jerk = np.zeros(count)
    for frame in range(count):
        first, last = max(0, frame - reach), min(count - 1, frame + reach)
        jerk[frame] = size[first : max(first, last - 2)].max(initial=0.0)
    return np.asarray(distance + (jerk[:, None] + jerk) / 2 * (motion.rate * 0.010) ** 3)


def whole_cycles(contacts: Contacts) -> Mask:
    """(F, F) whether each foot makes at least three quarters of a stride from one frame to another.

    Between two landings its stride goes on evenly; before the first and after the last as beside them.
    """
    frames = np.arange(len(contacts.planted))
    fits = frames > frames[:, None]
    for foot in contacts.feet:
        down = [event.frame for event in foot_events(contacts, loop=False) if event.name == f"{foot}.down"]
        known = [2 * down[0] - down[1], *down, 2 * down[-1] - down[-2]]
        stride = np.interp(frames, known, range(len(known)))
        fits &= stride - stride[:, None] >= 0.75
    return fits


def best_gait_loop(
    motion: Motion, body: BodyMap, settings: LoopSettings, contacts: Contacts | None = None
) -> tuple[int, int, Array]:
    """Start and end of the cheapest of the shortest good loops, and the costs (F, F) of all pairs.

    Good are those that cost at most half as much again, and 3 mm more, than the cheapest.
    """
    costs = pair_costs(motion, body, settings.window_s)
    frames = np.arange(len(costs))
    length = (frames - frames[:, None]) / motion.rate
    fits = (length >= (settings.shortest_s or 0.5) - 1e-9) & (length <= (settings.longest_s or 4.0) + 1e-9)
    fits &= whole_cycles(contacts or find_contacts(motion, body))
    wanted = np.where(fits, costs, np.inf)
    good = wanted <= 1.5 * wanted.min() + 0.003
    cycles = np.round(length / length[good].min())
    start, end = np.unravel_index(int(np.where(good & (cycles == 1), costs, np.inf).argmin()), costs.shape)
    return int(start), int(end), costs


def best_idle_loop(
    motion: Motion, body: BodyMap, shortest_s: float = 2.0, longest_s: float = 20.0, window_s: float = 0.12
) -> tuple[int, int, Array]:
    """Start and end of the calmest long range that closes well, and the scores (F, F) of all pairs.

    Low for pairs that cost little and come back to their place, long after, with little stir in between.
    """
    places = motion.model()[1][:, main_joints(body)]
    costs = pair_costs(motion, body, window_s)
    count = len(places)
    speed = np.linalg.norm(np.diff(places, axis=0, prepend=places[:1]), axis=-1).mean(axis=1)
    effort = np.concatenate([[0.0], np.cumsum((speed / np.median(speed)) ** 2)])
    floor = places[..., :2].mean(axis=1)
    scores = np.full((count, count), np.inf)
    for start in range(count):
        for end in range(start + round(shortest_s * motion.rate), count):
            length = end - start
            if length > longest_s * motion.rate:
                break
            stir = np.sqrt((effort[end + 1] - effort[start]) / length)
            worth = length**0.7 / (0.5 + 0.5 * stir)
            drift = np.linalg.norm(floor[end] - floor[start])
            scores[start, end] = (0.005 + costs[start, end] + drift) / worth
    start, end = np.unravel_index(int(scores.argmin()), scores.shape)
    return int(start), int(end), scores
