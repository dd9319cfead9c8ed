"""The best of sizes between bounds, by cutting planes."""

from __future__ import annotations

import math

import numpy as np

from optimiser.batch.sizing.search import BestSizes, Search
from optimiser.engine.cuts import best_under
from optimiser.engine.margins import bound_of
from optimiser.errors import OptimiserError

RELATIVE_MOVE = 1e-3
FINEST = 1e-3
MOST_HALVINGS = 6


class Between:
    """The best of sizes between bounds, by cutting planes.

    A run's multipliers bound all sizes. Where sizes enter limits alone, that bound is a plane, and the best under all
    planes is where to look next; its height is a bound on everything. Where a size enters coefficients too (a
    capacitor bank's voltage), the bound bends, and what the planes promise is no proof.
    """

    def __init__(self, search: Search):
        self.search = search
        choices = search.file.choice
        self.lower = np.array([choice.at_least for choice in choices], float)
        self.upper = np.array([choice.at_most for choice in choices], float)
        self.straight = True
        self._heights: list[float] = []
        self._slopes: list[np.ndarray] = []

    def best(self, budget: float) -> BestSizes:
        """The best under a budget, and the height of the planes there."""
        search = self.search
        if search.capital(tuple(self.lower)) > budget * (1 + 1e-9):
            return BestSizes(budget, None, -math.inf, True)
        if not self._heights:
            self._cut((self.lower + self.upper) / 2)
        bound = math.inf
        while True:
            place = best_under(
                np.array(self._heights),
                np.array(self._slopes),
                self.lower,
                self.upper,
                search.capital_per,
                budget,
            )
            if place is None:
                break
            bound = min(bound, place[1])
            found = search.best_tried(budget)
            # On a grid, so that the search ends where planes are only looser than the runs; down, to keep the budget.
            grid = (self.upper - self.lower) * FINEST
            sizes = self.lower + np.floor((place[0] - self.lower) / grid + 1e-6) * grid
            known = tuple(sizes.tolist()) in search.tried
            if search.full or known or (found and bound <= found.net + search.spare(found)):
                break
            self._cut(sizes)
        found = search.best_tried(budget)
        return BestSizes(budget, found, max(bound, found.net if found else -math.inf), self.straight)

    def _cut(self, place: np.ndarray) -> None:
        """Solve some sizes and keep the plane that their multipliers make."""
        search = self.search
        sizes = tuple(float(size) for size in place)
        run = search.solved(sizes)
        if not run.multipliers:
            raise OptimiserError(
                f"no schedule keeps every limit with {', '.join(search.named(sizes))}. Raise at_least of a choice."
            )

        def height(at: np.ndarray) -> tuple[float, set[str]]:
            problem = search.problem(at.tolist())
            return search.net(bound_of(problem, run.multipliers), at.tolist()), set(problem.row_places)

        here, rules = height(place)
        slope = np.zeros(len(place))
        far = np.where(place > (self.lower + self.upper) / 2, self.lower, self.upper) - place
        for number, move in enumerate(np.diag(far)):
            # Towards the farther end, so that no size leaves its bounds.
            slope[number] = (height(place + RELATIVE_MOVE * move)[0] - here) / (RELATIVE_MOVE * move[number])
        for move in (*np.diag(far), far):
            # A rule that cannot bind is not stated there; the plane counts it, which no schedule minds.
            for halving in range(MOST_HALVINGS):
                part = move * 0.5**halving
                there, stated = height(place + part)
                if stated == rules:
                    break
            apart = abs(there - here - slope @ part)
            self.straight &= bool(apart <= 1e-5 * max(1.0, abs(here), abs(run.saving or 0.0)))
        self._heights.append(here - float(slope @ place))
        self._slopes.append(slope)
