"""Pairs of columns of which only one may be used, orders of columns, whole numbers: every decision of a problem."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy import sparse

from optimiser.engine.solver import Piece, Solution
from optimiser.engine.tiling import Problem
from optimiser.progress import Step

TOLERANCE_KW = 1e-6
TOLERANCE_WHOLE = 1e-6


PAIR, ORDER, WHOLE = 0, 1, 2
MOST_SECONDS_SAID = 1e7


@dataclass(frozen=True)
class Decisions:
    """Pairs of columns of which only one may be used, the second only once the first is full, or whole numbers.

    Each is between two alternatives, the first and the second of a pair; an order that ends in its first or goes on
    to its second; a number rounded down or up.

    Attributes
    ----------
    step, last : int arrays of shape (decisions,)
        First and last step that it is about; one step but for whole numbers of groups.
    first, second : int arrays of shape (decisions,)
        Places of the two columns; the same column twice for a whole number.
    kind : int array of shape (decisions,)
        PAIR, ORDER or WHOLE.
    tempting : bool array of shape (decisions,)
        True where prices alone invite the use of both of a pair.
    """

    step: np.ndarray
    last: np.ndarray
    first: np.ndarray
    second: np.ndarray
    kind: np.ndarray
    tempting: np.ndarray

    def broken(self, problem: Problem | Piece, x: np.ndarray) -> np.ndarray:
        """True where a schedule breaks the rule."""
        return self.broken_at(x[self.first], x[self.second], problem.upper[self.first], self.kind)

    def seconds(self, problem: Problem, x: np.ndarray) -> np.ndarray:
        """True where a schedule leans to the second alternative."""
        return self.seconds_at(x[self.first], x[self.second], problem.upper[self.first], self.kind)

    @staticmethod
    def broken_at(one: np.ndarray, other: np.ndarray, most: np.ndarray, kind: np.ndarray) -> np.ndarray:
        """True where values break the rule; `most` fills the first of an order."""
        both = np.minimum(one, other) > TOLERANCE_KW
        early = (one < most - TOLERANCE_KW) & (other > TOLERANCE_KW)
        between = np.abs(one - np.round(one)) > TOLERANCE_WHOLE
        return np.select([kind == PAIR, kind == ORDER], [both, early], between)

    @staticmethod
    def seconds_at(one: np.ndarray, other: np.ndarray, most: np.ndarray, kind: np.ndarray) -> np.ndarray:
        """True where values lean to the second alternative."""
        full = one + other >= most - TOLERANCE_KW
        return np.select([kind == PAIR, kind == ORDER], [other > one, full], one - np.floor(one) > 0.5)


@dataclass
class SearchOutcome:
    """The best schedule with every decision kept, and the bound over all schedules.

    `words` say how they were found; `done` means that looking in other ways would be of no use, `rounds` how
    many were gone through. On the way it is the best so far, which a `Better` is handed.
    """

    solution: Solution
    bound: float
    flagged: np.ndarray
    gaps: list[float] = field(default_factory=list)
    words: str = ""
    done: bool = True
    rounds: int = 0


Better = Callable[[SearchOutcome], None]


def counted(count: int, one: str = "round", many: str = "rounds") -> str:
    """A number of rounds, or of other things, in words."""
    return f"1 {one}" if count == 1 else f"{count} {many}"


def so_far(words: str, gap: float, aim: float, deadline: float) -> Step:
    """A phrase of progress about the search, with its gap."""
    found = "no schedule yet" if gap == np.inf else f"proven gap {100 * gap:.2g} % of turnover"
    left = deadline - time.perf_counter()
    return Step(
        f"one direction at a time: {words}, {found}",
        job="one direction at a time",
        gap=None if gap == np.inf else gap,
        aim=aim,
        seconds=None if left > MOST_SECONDS_SAID else max(0.0, left),
    )


def decisions(problem: Problem) -> Decisions:
    """Every decision that the one-direction, ordering and whole-number rules of a problem make."""
    pairs = [(p.forth, p.back) for p in problem.pairs.values()]
    orders = [(s.first, s.then) for s in problem.fill_orders.values()]
    wholes = [(name, name) for name, family in problem.columns.items() if family.whole]
    columns = [*pairs, *orders, *wholes]
    kinds = [PAIR] * len(pairs) + [ORDER] * len(orders) + [WHOLE] * len(wholes)
    reach = [_steps_of(problem, one) for one, _ in columns]
    nothing = [np.zeros(0, int)]
    first = np.concatenate([*(problem.places[one] for one, _ in columns), *nothing])
    second = np.concatenate([*(problem.places[other] for _, other in columns), *nothing])
    kind = np.concatenate(
        [
            *(np.full(len(problem.places[one]), k) for (one, _), k in zip(columns, kinds, strict=True)),
            *nothing,
        ]
    )
    return Decisions(
        np.concatenate([*(begin for begin, _ in reach), *nothing]),
        np.concatenate([*(end for _, end in reach), *nothing]),
        first,
        second,
        kind,
        (kind == PAIR) & (problem.objective[first] + problem.objective[second] > 0),
    )


def _steps_of(problem: Problem, name: str) -> tuple[np.ndarray, np.ndarray]:
    """First and last step of each element of a column."""
    groups = problem.timeline.groups(problem.columns[name].per)
    last = np.zeros(groups.count, int)
    np.maximum.at(last, groups.of_step, np.arange(problem.timeline.steps))
    return groups.first_step, last


def implied_rows(
    problem: Problem | Piece, every: Decisions, chosen: np.ndarray
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
    chosen = chosen[every.kind[chosen] != WHOLE]
    one, other, ordered = every.first[chosen], every.second[chosen], every.kind[chosen] == ORDER
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


def _passing_rows(problem: Problem | Piece, one: np.ndarray, other: np.ndarray) -> sparse.csr_array:
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
        made: np.ndarray = pair * len(equal) + rows
        return made

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


def stacked(matrix: sparse.csr_array, more: sparse.csr_array) -> sparse.csr_array:
    """A matrix with more rows at its end."""
    return sparse.csr_array(sparse.vstack([matrix, more], format="csr"))
