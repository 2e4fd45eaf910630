"""The order of an idle's parts: a closed chain of parts of calm stretches, of a given length, by seed.

Of all chains whose joins look alike that one is sought whose seconds come back latest. What a chain still
costs to its end is found from the end on for each place and time (Bellman's principle), so that the search
forward, which alone knows what was played before, follows chains only where an end is within reach.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index, Mask

# Chosen on the sample and on open idles (tests/benchmarks/idles_table.py).
_ENTRIES = 16  # the best joins of each place
_CHAINS, _BRANCHES = 40, 8  # that are followed at once, and of each of them
_LOOKED_AT = 96  # ways to go on with a chain
_SAME = 4  # places or steps apart: of chains that hardly differ one is enough
_STARTS = 6  # places to start from that are tried
# Standard deviation of the logarithm of a join's cost, by seed: orders that look as well differ.
_CHANCE = 0.2
_POWER = 4  # of a cost, so that the worst join counts most
_REPEAT_SHARES = (0.9, 0.75, 0.6, 0.45, 0.3, 0.15)  # of what there is to play, before a place comes back
_WORSE_TIMES = 1.5  # as much may the worst join cost, so that seconds come back later or the length is nearer


@dataclass(frozen=True)
class Order:
    """A closed chain of parts of N places.

    Attributes:
        parts: first and last place of each; the last one's pose goes over into the next part's first.
        repeats_after: so many steps pass, at least, before a place is played again; the chain goes round.
        worst: the cost of its worst join.
    """

    parts: tuple[tuple[int, int], ...]
    repeats_after: int
    worst: float

    @property
    def is_apart(self) -> bool:
        """Whether no place comes back sooner than the shortest part lasts, with room for moving its ends."""
        return self.repeats_after >= min(last - first for first, last in self.parts) + _SAME


def find_order(
    cost: Array, stretch: Index, steps: int, shortest: int, seed: int, slack: int = 0
) -> Order | None:
    """The order of an idle of about so many steps; None where no chain closes.

    Args:
        cost: (N, N) of leaving a place for another, above 0; inf where that must not be.
        stretch: (N,) number of the stretch that a place is of.
        steps: the length of the chain that is wanted.
        shortest: least length of a part.
        seed: of the chance between orders that look as well.
        slack: by how many steps the chain may be longer or shorter, where it closes better then.
    """
    rng = np.random.default_rng([seed, 15])
    valley = is_valley(cost)
    chance = np.exp(_CHANCE * rng.standard_normal(cost.shape))
    price = np.asarray((np.where(valley, cost, np.inf) * chance) ** _POWER, np.float64)
    left = _places_left(stretch)
    able = np.flatnonzero((left >= shortest) & np.isfinite(price).any(axis=0))
    chains = [
        _Chains(price, left, steps, slack, shortest, int(start)) for start in rng.permutation(able)[:_STARTS]
    ]
    chains = [one for one in chains if one.steps]
    plain = [order for one in chains if (order := one.follow(shortest, cost))]
    if not plain:
        return None
    fair = max(_WORSE_TIMES * min(one.worst for one in plain), float(np.median(cost[valley])))
    for share in _REPEAT_SHARES:
        later = [order for one in chains if (order := one.follow(round(share * len(cost)), cost))]
        later = [one for one in later if one.worst <= fair and one.is_apart]
        if later:
            return max(later, key=lambda one: (one.repeats_after, -one.worst))
    return max(plain, key=lambda one: (one.is_apart, one.repeats_after, -one.worst))


def is_valley(cost: Array) -> Mask:
    """Which joins (N, N) cost no more than those to the places beside the one that they lead to."""
    wide = np.pad(cost, ((0, 0), (1, 1)), constant_values=np.inf)
    return np.isfinite(cost) & (cost <= wide[:, :-2]) & (cost <= wide[:, 2:])


def _worst(parts: tuple[tuple[int, int], ...], cost: Array) -> float:
    following = (*parts[1:], parts[0])
    return max(float(cost[last, first]) for (_, last), (first, _) in zip(parts, following, strict=True))


def steps_to_repeat(parts: Sequence[tuple[int, int]]) -> int:
    """After how many steps, at least, a place of parts [first, last) is played again; at most all of them."""
    places = np.concatenate([np.arange(first, last) for first, last in parts])
    order = np.argsort(places, kind="stable")
    same = np.diff(places[order]) == 0
    starts = np.flatnonzero(np.append(True, ~same))
    # And from the last time that a place is played around to the first.
    firsts, lasts = order[starts], order[np.append(starts[1:], len(order)) - 1]
    return int(min(np.diff(order)[same].min(initial=len(places)), (len(places) - lasts + firsts).min()))


def _places_left(stretch: Index) -> Index:
    """How many places of its stretch come after each (N,)."""
    stops = np.append(np.flatnonzero(np.diff(stretch)) + 1, len(stretch))
    here = np.arange(len(stretch))
    return np.asarray(stops[np.searchsorted(stops, here, side="right")] - 1 - here)


@dataclass(frozen=True)
class _Chain:
    """Parts up to a time: when each place was played first and last, where and when the next part begins."""

    parts: tuple[tuple[int, int], ...]
    paid: float
    place: int
    time: int
    first: Index
    last: Index


class _Chains:
    """The chains from one place on that close there after so many steps."""

    def __init__(self, price: Array, left: Index, steps: int, slack: int, shortest: int, start: int) -> None:
        self.price, self.left, self.shortest, self.start = price, left, shortest, start
        self.entries = np.argsort(price, axis=1, kind="stable")[:, :_ENTRIES]
        self.costs = np.take_along_axis(price, self.entries, axis=1)
        self.to_end = self._cost_to_end(steps + slack)
        # Of lengths that close as well the nearest; 0 if none closes.
        lengths = np.arange(max(shortest, steps - slack), steps + slack + 1)
        closing = self.to_end[lengths, start]
        good = np.isfinite(closing) & (closing <= _WORSE_TIMES**_POWER * closing.min(initial=np.inf))
        self.steps = int(min(lengths[good], key=lambda one: (abs(one - steps), one))) if good.any() else 0

    def _cost_to_end(self, most: int) -> Array:
        """The least cost (most + 1, N) of what follows a part's beginning, by the steps that are left."""
        count, size = len(self.left), self.shortest
        long_enough = np.flatnonzero(self.left >= size)
        out = np.full((most + 1, count), np.inf)
        leaving = np.full((size + 1, count), np.inf)  # by place, for the last numbers of steps
        later = leaving[0] = self.price[:, self.start]
        for steps in range(1, most + 1):
            if steps >= size:
                out[steps, long_enough] = leaving[(steps - size) % (size + 1), long_enough + size]
            on = np.where(self.left > 0, np.append(later[1:], np.inf), np.inf)
            later = np.minimum((self.costs + out[steps][self.entries]).min(axis=1), on)
            leaving[steps % (size + 1)] = later
        return out

    def follow(self, wait: int, cost: Array) -> Order | None:
        """The cheapest chain found in which no place comes back within `wait` steps."""
        parts = self._follow(wait)
        if parts is None:
            return None
        return Order(parts, steps_to_repeat(parts), _worst(parts, cost))

    def _follow(self, wait: int) -> tuple[tuple[int, int], ...] | None:
        never = np.full(len(self.left), -self.steps - wait)
        chains = [_Chain((), 0.0, self.start, 0, np.full(len(self.left), self.steps + wait), never)]
        best: tuple[float, tuple[tuple[int, int], ...]] | None = None
        if not np.isfinite(self.to_end[self.steps, self.start]):
            return None
        for _ in range(self.steps // self.shortest):
            following: dict[tuple[int, int], tuple[float, _Chain]] = {}
            for chain in chains:
                ends = self._ends(chain, wait)
                close = self._closed(chain, ends)
                if close and (best is None or close[0] < best[0]):
                    best = close
                for bound, one in self._grown(chain, ends, wait):
                    key = one.place // _SAME, one.time // _SAME
                    if (best is None or bound < best[0]) and (
                        key not in following or bound < following[key][0]
                    ):
                        following[key] = bound, one
            kept = sorted(following.values(), key=lambda pair: (pair[0], pair[1].parts))[:_CHAINS]
            chains = [one for _, one in kept]
            if not chains:
                break
        return best[1] if best else None

    def _ends(self, chain: _Chain, wait: int) -> Index:
        """The places at which the part that a chain is at may end."""
        most = min(int(self.left[chain.place]), self.steps - chain.time)
        here, when = slice(chain.place, chain.place + most), chain.time + np.arange(most)
        fits = (when - chain.last[here] >= wait) & (self.steps - when + chain.first[here] >= wait)
        most = most if fits.all() else int(np.argmin(fits))
        return np.arange(chain.place + self.shortest, chain.place + most + 1)

    def _closed(self, chain: _Chain, ends: Index) -> tuple[float, tuple[tuple[int, int], ...]] | None:
        end = chain.place + self.steps - chain.time
        if not len(ends) or ends[-1] != end or not np.isfinite(self.price[end, self.start]):
            return None
        return chain.paid + float(self.price[end, self.start]), (*chain.parts, (chain.place, end))

    def _grown(self, chain: _Chain, ends: Index, wait: int) -> list[tuple[float, _Chain]]:
        """The cheapest ways to go on with another part: what they cost at least, and the chains."""
        times = chain.time + ends - chain.place
        bounds = chain.paid + self.costs[ends] + self.to_end[self.steps - times[:, None], self.entries[ends]]
        some = np.flatnonzero(np.isfinite(bounds))
        some = some[np.argsort(bounds.ravel()[some], kind="stable")][:_LOOKED_AT]
        rows, columns = np.divmod(some, bounds.shape[1])
        entries, into = self.entries[ends[rows], columns], self.costs[ends[rows], columns]
        late = self._late_enough(chain, ends[rows], entries, wait)
        out: list[tuple[float, _Chain]] = []
        for k in np.flatnonzero(late):
            end, entry, time = int(ends[rows[k]]), int(entries[k]), int(times[rows[k]])
            if any(abs(end - one.parts[-1][1]) + abs(entry - one.place) < _SAME for _, one in out):
                continue
            first, last = chain.first.copy(), chain.last.copy()
            when = np.arange(chain.time, time)
            first[chain.place : end] = np.minimum(first[chain.place : end], when)
            last[chain.place : end] = when
            parts = (*chain.parts, (chain.place, end))
            one = _Chain(parts, chain.paid + float(into[k]), entry, time, first, last)
            out.append((float(bounds.flat[some[k]]), one))
            if len(out) == _BRANCHES:
                break
        return out

    def _late_enough(self, chain: _Chain, ends: Index, entries: Index, wait: int) -> Mask:
        """Whether the shortest part from entries (M,) on, after one that ends at `ends`, comes back late."""
        ahead = np.arange(self.shortest)
        places = entries[:, None] + ahead
        when = chain.time + (ends - chain.place)[:, None] + ahead
        own = (places >= chain.place) & (places < ends[:, None])
        played = chain.time + places - chain.place  # in the part that the chain is at
        last = np.where(own, played, chain.last[places])
        first = np.where(own, np.minimum(played, chain.first[places]), chain.first[places])
        return np.asarray(((when - last >= wait) & (self.steps - when + first >= wait)).all(axis=1))
