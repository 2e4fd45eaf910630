"""The order of an idle's parts, beside every chain that there is."""

from __future__ import annotations

import numpy as np
import pytest

import exhaustive_idles as slow
from takemill.idle import idle_order
from takemill.idle.idle_order import _Chains, _places_left, find_order, is_valley, steps_to_repeat


def test_the_order_is_about_as_good_as_the_best_of_all(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its worst join beside that of the best of all chains in which nothing comes back too soon.

    And of chains about as good, none waits much longer before a place comes back.
    """
    monkeypatch.setattr(idle_order, "_SAME", 1)  # of 16 places, four are not "hardly different"
    worse, sooner = [], []
    for seed in range(16):
        cost, stretch = slow.problem(seed)
        found = find_order(cost, stretch, 14, 3, seed)
        assert found is not None
        assert sum(last - first for first, last in found.parts) == 14
        assert found.worst == pytest.approx(slow.worst_of(found.parts, cost))
        assert found.repeats_after == slow.repeats_after(found.parts)
        valleys = np.where(is_valley(cost), cost, np.inf)
        every = [
            (slow.worst_of(one, cost), slow.repeats_after(one), min(last - first for first, last in one))
            for one in slow.chains(valleys, stretch, 14, 3)
        ]
        apart = [one for one in every if one[1] > one[2]] or every
        least = min(worst for worst, _, _ in apart)
        worse.append(found.worst / least)
        sooner.append(found.repeats_after / max(wait for worst, wait, _ in apart if worst <= 1.5 * least))
    assert max(worse) < 2.0
    assert np.median(worse) < 1.1
    assert np.median(sooner) > 0.7


@pytest.mark.parametrize("seed", range(4))
def test_what_is_left_to_pay_is_exact(seed: int) -> None:
    cost, stretch = slow.problem(seed)
    for start in (0, 4, 9):
        chains = _Chains(cost**2, _places_left(stretch), 11, 0, 3, start)
        prices = [
            slow.sum_of(one, cost**2) for one in slow.chains(cost, stretch, 11, 3) if one[0][0] == start
        ]
        least = chains.to_end[11, start]
        assert least == pytest.approx(min(prices)) if prices else np.isinf(least)


def test_how_long_until_it_repeats() -> None:
    rng = np.random.default_rng(3)
    for _ in range(50):
        firsts = rng.integers(0, 12, rng.integers(1, 5))
        parts = tuple((int(a), int(a) + int(rng.integers(1, 8))) for a in firsts)
        assert steps_to_repeat(parts) == slow.repeats_after(parts)
    assert steps_to_repeat(((0, 5),)) == 5
    assert steps_to_repeat(((0, 5), (2, 7))) == 3


def test_seeds_give_other_orders_and_a_seed_the_same() -> None:
    rng = np.random.default_rng(0)
    ways = np.cumsum(rng.standard_normal((80, 4)), axis=0)
    cost = np.linalg.norm(ways[:, None] - ways, axis=-1) + 0.01
    near = np.abs(np.arange(80)[:, None] - np.arange(80)) < 8
    cost, stretch = np.where(near, np.inf, cost), np.zeros(80, int)
    orders = [find_order(cost, stretch, 120, 8, seed) for seed in (1, 1, 2, 3)]
    assert orders[0] == orders[1]
    assert len({one.parts for one in orders if one}) == 3
    assert all(one and one.is_apart for one in orders)


def test_what_cannot_close_is_none() -> None:
    stretch = np.zeros(10, int)
    assert find_order(np.full((10, 10), np.inf), stretch, 12, 3, 0) is None
    cost = np.full((10, 10), np.inf)
    cost[9, 0] = 1.0  # nine steps round, and nothing else
    assert find_order(cost, stretch, 12, 3, 0) is None
    found = find_order(cost, stretch, 9, 3, 0)
    assert found is not None
    assert found.parts == ((0, 9),)
    assert find_order(cost, stretch, 12, 3, 0, slack=3) == found
