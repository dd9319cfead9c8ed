"""What can be said of a schedule without trusting the solver: a bound, the gap to it, and the worst violation."""

from __future__ import annotations

import numpy as np
from scipy import sparse

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
    rows, columns = (problem.row_lower, problem.row_upper), (problem.lower, problem.upper)
    return problem.offset + boxed_bound(problem.matrix, rows, columns, problem.objective, row_dual)


def boxed_bound(
    matrix: sparse.csr_array,
    rows: tuple[np.ndarray, np.ndarray],
    columns: tuple[np.ndarray, np.ndarray],
    objective: np.ndarray,
    row_dual: np.ndarray,
) -> float:
    """The same from the parts: a matrix, lower and upper sides of its rows and columns, and what columns bring."""
    y = usable(row_dual, *rows)
    used = y != 0
    side = np.where(y > 0, rows[1], rows[0])
    reduced = objective - matrix.T @ y
    boxed = np.maximum(columns[0] * reduced, columns[1] * reduced)
    return float((y[used] * side[used]).sum() + boxed.sum())


def usable(row_dual: np.ndarray, row_lower: np.ndarray, row_upper: np.ndarray) -> np.ndarray:
    """Multipliers without those that push a row towards a side it does not have."""
    y = np.where(np.isfinite(row_lower) | (row_dual > 0), row_dual, 0.0)
    return np.where(np.isfinite(row_upper) | (y < 0), y, 0.0)


def violation(problem: Problem, x: np.ndarray) -> float:
    """The largest amount by which a schedule breaks a row or a bound, in the row's own unit."""
    activity = problem.matrix @ x
    rows = np.maximum(activity - problem.row_upper, problem.row_lower - activity).max(initial=0.0)
    columns = np.maximum(x - problem.upper, problem.lower - x).max(initial=0.0)
    return float(max(rows, columns))


def within(gap: float) -> str:
    """A relative gap as a percentage of two figures, rounded up, so that it never promises too much."""
    if gap <= 0:
        return "0 %"
    percent = 100 * gap
    step = 10.0 ** (np.floor(np.log10(percent)) - 1)
    return f"{np.ceil(percent / step - 1e-9) * step:.2g} %"


def relative_gap(bound: float, made: float, turnover: float) -> float:
    """The gap between what was made and what can be made, as a share of the turnover, of one unit of money at least.

    Not of the bill: what comes and goes may leave one near zero in a year of much trade, so that says little.
    """
    return max(0.0, bound - made) / max(1.0, turnover)


def turnover(problem: Problem, x: np.ndarray) -> float:
    """The sum of all amounts that are paid either way under a schedule, each by itself. [currency]"""
    cash = np.array([line.cash for line in problem.lines], float)
    amounts = np.abs(problem.by_line) @ np.abs(x) + np.abs(problem.line_offsets)
    return float(cash @ amounts)
