"""What can be said of a schedule without trusting the solver: a bound, the gap to it, and the worst violation."""

from __future__ import annotations

import numpy as np

from optimiser.engine.tiling import Problem


def upper_bound(problem: Problem, row_dual: np.ndarray) -> float:
    """The most money that any schedule can make, from any multipliers of the rows.

    Parameters
    ----------
    problem : Problem
    row_dual : array of shape (rows,)
        Money that one more unit of each row's right-hand side brings; any numbers give a valid bound, the
        optimal ones a tight one.

    Returns
    -------
    float
        [currency]

    Notes
    -----
    Weak duality with every column boxed: for x within rows and bounds and any multipliers y with a finite side,
    c x = y (A x) + (c - y A) x <= sum(max over the row's side) + sum(max over the box).
    """
    y = np.where(np.isfinite(problem.row_lower) | (row_dual > 0), row_dual, 0.0)
    y = np.where(np.isfinite(problem.row_upper) | (y < 0), y, 0.0)
    used = y != 0
    side = np.where(y > 0, problem.row_upper, problem.row_lower)
    reduced = problem.purse - problem.matrix.T @ y
    boxed = np.maximum(problem.lower * reduced, problem.upper * reduced)
    return float(problem.offset + (y[used] * side[used]).sum() + boxed.sum())


def violation(problem: Problem, x: np.ndarray) -> float:
    """The largest amount by which a schedule breaks a row or a bound, in the row's own unit."""
    activity = problem.matrix @ x
    rows = np.maximum(activity - problem.row_upper, problem.row_lower - activity).max(initial=0.0)
    columns = np.maximum(x - problem.upper, problem.lower - x).max(initial=0.0)
    return float(max(rows, columns))


def within(gap: float) -> str:
    """A relative gap as a percentage of two figures, rounded up, so that it never promises too much."""
    percent = 100 * gap
    step = 10.0 ** (np.floor(np.log10(percent)) - 1)
    return f"{np.ceil(percent / step - 1e-9) * step:.2g} %"


def relative_gap(bound: float, made: float) -> float:
    """The gap between what was made and what can be made, over the larger of the two and one unit of money."""
    return max(0.0, bound - made) / max(1.0, abs(made), abs(bound))
