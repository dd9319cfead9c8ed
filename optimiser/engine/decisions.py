"""Pairs of columns of which only one may be used, and orders of columns: every decision of a problem, by step."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from optimiser.engine.tiling import Problem

TOLERANCE_KW = 1e-6


@dataclass(frozen=True)
class Decisions:
    """Pairs of columns of which only one may be used, or the second only once the first is full.

    Attributes
    ----------
    step, first, second : int arrays of shape (decisions,)
        Step, and places of the two columns.
    ordered : bool array of shape (decisions,)
        True where the second needs the first to be full.
    tempting : bool array of shape (decisions,)
        True where prices alone invite the use of both.
    """

    step: np.ndarray
    first: np.ndarray
    second: np.ndarray
    ordered: np.ndarray
    tempting: np.ndarray

    def broken(self, problem: Problem, x: np.ndarray) -> np.ndarray:
        """True where a schedule breaks the rule."""
        return self.broken_at(x[self.first], x[self.second], problem.upper[self.first], self.ordered)

    def seconds(self, problem: Problem, x: np.ndarray) -> np.ndarray:
        """True where a schedule leans to the second of a pair, or has enough for the second of an order."""
        one, other = x[self.first], x[self.second]
        full = one + other >= problem.upper[self.first] - TOLERANCE_KW
        return np.where(self.ordered, full, other > one)

    @staticmethod
    def broken_at(one: np.ndarray, other: np.ndarray, most: np.ndarray, ordered: np.ndarray) -> np.ndarray:
        """True where two values break the rule; `most` fills the first."""
        both = np.minimum(one, other) > TOLERANCE_KW
        early = (one < most - TOLERANCE_KW) & (other > TOLERANCE_KW)
        return np.where(ordered, early, both)


def decisions(problem: Problem) -> Decisions:
    """Every decision that the one-direction and ordering rules of a problem make, in every step."""
    steps = np.arange(problem.timeline.steps)
    parts = [(p.forth, p.back, False) for p in problem.pairs.values()]
    parts += [(s.first, s.then, True) for s in problem.sequels.values()]
    if not parts:
        empty = np.zeros(0, int)
        return Decisions(empty, empty, empty, empty.astype(bool), empty.astype(bool))
    first = np.concatenate([problem.places[one] for one, _, _ in parts])
    second = np.concatenate([problem.places[other] for _, other, _ in parts])
    ordered = np.repeat([kind for _, _, kind in parts], len(steps))
    tempting = ~ordered & (problem.purse[first] + problem.purse[second] > 0)
    return Decisions(np.tile(steps, len(parts)), first, second, ordered, tempting)


def implied_rows(
    problem: Problem, every: Decisions, chosen: np.ndarray
) -> tuple[sparse.csr_array, np.ndarray]:
    """Rows `matrix @ x <= upper` that hold whichever way some decisions go, and that tighten the linear program.

    Two for a pair, one for an order. With `a` and `b` the values of a pair and A and B the most that they can be:

    - `a / A + b / B <= 1`, what a binary would imply.
    - Where a balance `a + P = b + N + r` holds them, with all its other parts never negative and r >= 0:
      `b (1 + r / B) <= P`. Used alone, b leaves P - r at most; used not at all, it needs nothing. Without this row a
      linear program passes power from import to export and spares it the losses of the way through the plant.

    Returns
    -------
    (csr_array of shape (rows, columns), array of shape (rows,))
    """
    one, other, ordered = every.first[chosen], every.second[chosen], every.ordered[chosen]
    most_one, most_other = problem.upper[one], problem.upper[other]
    open_ = (most_one > 0) & (most_other > 0)
    one, other, ordered = one[open_], other[open_], ordered[open_]
    most_one, most_other = most_one[open_], most_other[open_]
    # order: other / most - one / most <= 0
    values = np.concatenate([np.where(ordered, -1.0, 1.0) / most_one, 1.0 / most_other])
    number = np.tile(np.arange(len(one)), 2)
    shape = (len(one), len(problem.lower))
    hull = sparse.csr_array(sparse.coo_array((values, (number, np.concatenate([one, other]))), shape=shape))
    passed = _passing_rows(problem, one[~ordered], other[~ordered])
    matrix = sparse.csr_array(sparse.vstack([hull, passed], format="csr"))
    return matrix, np.concatenate([np.where(ordered, 0.0, 1.0), np.zeros(passed.shape[0])])


def _passing_rows(problem: Problem, one: np.ndarray, other: np.ndarray) -> sparse.csr_array:
    """For each pair in a balance: what leaves by one side has to come from somewhere else than the other."""
    equal = np.flatnonzero(problem.row_lower == problem.row_upper)
    balances = sparse.csr_array(problem.matrix[equal])
    by_column = sparse.csc_array(balances)

    def entries(columns: np.ndarray) -> np.ndarray:
        """Pair and row, as one number, of every entry of some columns."""
        counts = by_column.indptr[columns + 1] - by_column.indptr[columns]
        pair = np.repeat(np.arange(len(columns)), counts)
        offsets = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
        rows = by_column.indices[by_column.indptr[columns][pair] + offsets]
        return pair * len(equal) + rows

    common = np.intersect1d(entries(one), entries(other))
    pair, row = common // max(1, len(equal)), common % max(1, len(equal))
    part = balances[row].tocoo()
    number, column, value = part.coords[0], part.coords[1], part.data
    right = problem.row_upper[equal][row]
    # Signs so that the right side is never negative; then the side with the negative entry is b.
    value = value * np.where(right < 0, -1.0, 1.0)[number]
    right = np.abs(right)
    ours = (column == one[pair][number]) | (column == other[pair][number])
    b = ours & (value < 0)
    kept = np.bincount(number[b], minlength=len(row)) == 1
    kept &= np.bincount(number[~ours & (problem.lower[column] < 0)], minlength=len(row)) == 0
    scale = np.zeros(len(row))
    scale[number[b]] = 1.0 + right[number[b]] / (-value[b] * problem.upper[column[b]])
    entry = np.where(b, -value * scale[number], np.where(~ours & (value > 0), -value, 0.0))
    used = kept[number] & (entry != 0)
    place = np.cumsum(kept) - 1
    shape = (int(kept.sum()), len(problem.lower))
    matrix = sparse.coo_array((entry[used], (place[number[used]], column[used])), shape=shape)
    return sparse.csr_array(matrix)
