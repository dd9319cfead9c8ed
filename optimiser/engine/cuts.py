"""The best of a concave function that is known by straight lines above it: a small linear program."""

from __future__ import annotations

import numpy as np
from scipy.optimize import linprog


def best_under(
    heights: np.ndarray,
    slopes: np.ndarray,
    lower: np.ndarray,
    upper: np.ndarray,
    price: np.ndarray,
    budget: float,
) -> tuple[np.ndarray, float] | None:
    """Where the least of some planes is highest, within bounds and a budget.

    Parameters
    ----------
    heights : array of shape (planes,)
        Each plane's height at the origin.
    slopes : array of shape (planes, sizes)
    lower, upper : array of shape (sizes,)
        Finite bounds of the sizes.
    price : array of shape (sizes,)
        What a unit of each size takes from the budget.
    budget : float
        May be infinite.

    Returns
    -------
    (array of shape (sizes,), float) or None
        The place and the height there, which nothing under all planes exceeds; None if the budget buys nothing.

    References
    ----------
    .. [1] J. E. Kelley, "The cutting-plane method for solving convex programs", J. SIAM 8(4), 1960 (from memory).
    """
    planes, sizes = slopes.shape
    rows, right = np.hstack([-slopes, np.ones((planes, 1))]), heights
    if np.isfinite(budget):
        rows, right = np.vstack([rows, np.append(price, 0.0)]), np.append(right, budget)
    found = linprog(
        np.append(np.zeros(sizes), -1.0),
        A_ub=rows,
        b_ub=right,
        bounds=[*zip(lower, upper, strict=True), (None, None)],
    )
    if not found.success:
        return None
    return np.clip(found.x[:sizes], lower, upper), float(found.x[-1])
