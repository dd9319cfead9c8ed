"""The best of every combination of listed sizes, proven by bounds from the answers already had."""

from __future__ import annotations

import itertools
import math

from optimiser.batch.sizing.search import BestSizes, Search
from optimiser.batch.sizing.shares import Sizes
from optimiser.engine.margins import bound_of


class Lists:
    """The best of every combination of listed sizes: solved where the bound promises more than the best.

    A run's multipliers bound every other combination (weak duality), in whatever way its sizes enter. So the answer
    holds for whole units, for voltages that move with the bank, and for decisions of direction.
    """

    def __init__(self, search: Search):
        self.search = search
        self.bounds = dict.fromkeys(
            itertools.product(*(choice.options for choice in search.file.choice)), math.inf
        )
        self._seen = dict.fromkeys(self.bounds, 0)

    def best(self, budget: float) -> BestSizes:
        """The best under a budget, and the most that any combination under it can leave."""
        search = self.search
        pool = [sizes for sizes in self.bounds if search.capital(sizes) <= budget * (1 + 1e-9)]
        if not pool:
            return BestSizes(budget, None, -math.inf, True)
        self.bounds |= {sizes: run.net_bound for sizes, run in search.tried.items() if sizes in self.bounds}
        while True:
            found = search.best_tried(budget)
            enough = (found.net if found else -math.inf) + search.spare(found)
            promising = [s for s in pool if s not in search.tried and self.bounds[s] > enough]
            if not promising:
                break
            likely = max(promising, key=lambda sizes: self.bounds[sizes])
            if self._seen[likely] < len(search.tried):
                self._refine(likely)
            elif search.full:
                break
            else:
                self.bounds[likely] = search.solved(likely).net_bound
        bound = max(self.bounds[sizes] for sizes in pool)
        found = search.best_tried(budget)
        return BestSizes(budget, found, max(bound, found.net if found else -math.inf), True)

    def _refine(self, sizes: Sizes) -> None:
        """Bound a combination by every run that it was not compared with yet."""
        search, runs = self.search, list(self.search.tried.values())
        problem = search.problem(sizes)
        for run in runs[self._seen[sizes] :]:
            if run.multipliers:
                bound = search.net(bound_of(problem, run.multipliers), sizes)
                self.bounds[sizes] = min(self.bounds[sizes], bound)
        self._seen[sizes] = len(runs)
