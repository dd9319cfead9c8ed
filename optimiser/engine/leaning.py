"""A schedule soon: decisions taken as the linear program leans, long before the search for the best ones is over."""

from __future__ import annotations

import numpy as np

from optimiser.engine.branching import take
from optimiser.engine.decisions import TOLERANCE_KW, WHOLE, Decisions
from optimiser.engine.solver import Highs, Solution
from optimiser.engine.tiling import Problem
from optimiser.engine.windows import Periods
from optimiser.errors import UnprovenError

MOST_TRIES = 6


def leaning(problem: Problem, every: Decisions, relaxed: Solution, highs: Highs | Periods) -> Solution | None:
    """A schedule that keeps every decision, each taken as a relaxed one leans; None if that leads nowhere.

    Not the best, but something to show after a few linear programs, and a bound is known beside it.

    Parameters
    ----------
    problem : Problem
    every : Decisions
    relaxed : Solution
        Optimal without the decisions.
    highs : Highs or Periods
        What holds the problem, with the basis of `relaxed`; it is left as it was.
    """
    places = np.arange(len(problem.lower))
    basis = highs.basis()
    try:
        # A smaller bid can hardly ever not be kept; of the steps of a fee, though, one has to be chosen.
        down = _settled(problem, every, relaxed, highs, places, nearest=False)
        if down is not None or not (every.kind == WHOLE).any():
            return down
        return _settled(problem, every, relaxed, highs, places, nearest=True)
    except UnprovenError:
        return None
    finally:
        highs.change_column_bounds(places, problem.lower, problem.upper)
        if isinstance(highs, Periods):
            highs.move(places, relaxed.x)
        else:
            highs.set_basis(basis)


def _settled(
    problem: Problem,
    every: Decisions,
    relaxed: Solution,
    highs: Highs | Periods,
    places: np.ndarray,
    *,
    nearest: bool,
) -> Solution | None:
    """The linear program with what breaks taken as it leans, until nothing breaks.

    Whole numbers are rounded down, or to the `nearest`.
    """
    solution, whole = relaxed, every.kind == WHOLE
    used = np.maximum(relaxed.x[every.first], relaxed.x[every.second]) > TOLERANCE_KW
    held = every.tempting & used & ~whole
    lower, upper = problem.lower.copy(), problem.upper.copy()
    for _ in range(MOST_TRIES):
        broken = every.broken(problem, solution.x)
        if not broken.any():
            return solution if solution is not relaxed else None
        new = broken | held
        held = np.zeros_like(held)
        first, second = every.first[new], every.second[new]
        at = solution.x[first]
        leans = every.seconds(problem, solution.x)[new] & (nearest | ~whole[new])
        take(lower, upper, first, second, every.kind[new], leans, at)
        if (lower > upper).any():
            return None
        highs.change_column_bounds(places, lower, upper)
        solution = highs.solve()
        if solution.verdict == "infeasible":
            return None
    return None
