"""The exact best of a small part of a problem, every decision kept: branch and bound over its own linear program.

A decision needs no binary: a branch closes one of its two columns, fills the first of an order, or moves a bound of a
whole number. That changes bounds alone, so each node starts from the basis of the last. The bound of a node is computed
here from its duals. What takes too many nodes is handed to the integer solver, whose bound is taken as it says.
"""

from __future__ import annotations

import heapq
import time
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from optimiser.engine import proof
from optimiser.engine.decisions import ORDER, PAIR, WHOLE, Decisions
from optimiser.engine.solver import Basis, Extra, Highs, Piece
from optimiser.engine.tiling import Problem
from optimiser.errors import UnprovenError

MOST_NODES = 960
DIVE_EVERY = 40
QUICK_NODES = 240
FIRST_TRIES = 20
MANY_WHOLE = 100
INTEGER_SECONDS_PER_NODE = 0.02


@dataclass(frozen=True)
class WindowOptimum:
    """What a part can make at some prices.

    Attributes
    ----------
    bound : float
        No schedule of the part makes more. [currency]
    objective : float
        What the best one found makes; minus infinity if none was found.
    x : array of shape (columns,) or None
        It.
    """

    bound: float
    objective: float
    x: np.ndarray | None


@dataclass(frozen=True)
class _Node:
    """A branch: what its parent promised, and the decisions made.

    Each is a place among the part's decisions, whether its second alternative is taken, and the value between them
    where it is a whole number.
    """

    promised: float
    decided: tuple[tuple[int, bool, float], ...] = ()


class _Nodes:
    """Open branches, taken latest first or most promising first; begins with the root."""

    def __init__(self) -> None:
        self._open = {0: _Node(np.inf)}
        self._heap = [(-np.inf, 0)]
        self._made = 1
        self.taken = 0

    def __len__(self) -> int:
        return len(self._open)

    def add(self, node: _Node) -> None:
        """One more branch."""
        self._open[self._made] = node
        heapq.heappush(self._heap, (-node.promised, self._made))
        self._made += 1

    def latest(self) -> _Node:
        """Take the branch that was added last."""
        self.taken += 1
        return self._open.popitem()[1]

    def most_promising(self) -> _Node:
        """Take the branch that promises most."""
        self.taken += 1
        while (number := heapq.heappop(self._heap)[1]) not in self._open:
            pass
        return self._open.pop(number)

    def most_promised(self) -> float:
        """What the open branches promise at most."""
        return max((node.promised for node in self._open.values()), default=-np.inf)


class Part:
    """Some columns of a problem with the rows that touch nothing else, and the decisions among them.

    Parameters
    ----------
    problem : Problem or Piece
    columns, rows : int arrays
        Places in the problem, rising.
    every : Decisions
    inside : int array
        Decisions whose columns are all in the part.
    basis : Basis or None
        Of the whole problem, to start from.
    """

    def __init__(
        self,
        problem: Problem | Piece,
        columns: np.ndarray,
        rows: np.ndarray,
        every: Decisions,
        inside: np.ndarray,
        basis: Basis | None = None,
    ):
        self.columns, self.rows = columns, rows
        self._one = np.searchsorted(columns, every.first[inside])
        self._other = np.searchsorted(columns, every.second[inside])
        self._kind = every.kind[inside]
        self.matrix = sparse.csr_array(problem.matrix[rows][:, columns])
        self._problem = Piece(
            self.matrix,
            problem.row_lower[rows],
            problem.row_upper[rows],
            problem.lower[columns],
            problem.upper[columns],
            np.zeros(len(columns)),
        )
        self._basis = None if basis is None else Basis(basis.columns[columns], basis.rows[rows])
        self._solver: Highs | None = None
        self._places = np.arange(len(columns))

    @property
    def _highs(self) -> Highs:
        if self._solver is None:
            self._solver = Highs(self._problem)
            if self._basis is not None:
                self._solver.set_basis(self._basis)
        return self._solver

    def release(self) -> None:
        """Give back the solver's memory; only its basis is kept."""
        if self._solver is not None:
            self._basis, self._solver = self._solver.basis(), None

    def best(
        self, prices: np.ndarray, start: np.ndarray | None, spare: float, most_nodes: int, deadline: float
    ) -> WindowOptimum:
        """The most that the part can make.

        Parameters
        ----------
        prices : array of shape (columns,)
            Money that a unit of each column brings.
        start : array of shape (columns,) or None
            A schedule that keeps every decision, to beat.
        spare : float
            Branches that promise less than this beyond the best known are left. [currency]
        most_nodes : int
            Linear programs to solve at most once a schedule is known. Beyond `MOST_NODES`, or with many whole numbers,
            the integer solver, which copes better with steps that are alike, has a try in between: after a quick
            search, before the long one. So it has where the search finds no schedule at all.
        deadline : float
            `time.perf_counter()` at which to stop with what there is; infinite where nodes alone are counted.
        """
        self._highs.change_costs(self._places, prices)
        many = np.count_nonzero(self._kind == WHOLE) > MANY_WHOLE
        if most_nodes <= MOST_NODES and not many:
            known = self._search(prices, start, spare, most_nodes, deadline)
            if known.x is not None or known.bound == -np.inf:
                return known
        else:
            known = self._search(prices, start, spare, QUICK_NODES, deadline)
        if known.bound > known.objective + spare:
            nodes = max(most_nodes, MOST_NODES)
            limit = min(INTEGER_SECONDS_PER_NODE * nodes, deadline - time.perf_counter())
            # Where work is counted no clock may decide what is found.
            counted = deadline == np.inf
            known = self._by_integers(prices, known, spare, np.inf if counted else limit, nodes)
        if known.bound > known.objective + spare:
            found = self._search(prices, known.x, spare, most_nodes, deadline, patient=True)
            known = replace(found, bound=min(found.bound, known.bound))
        return known

    def _search(
        self,
        prices: np.ndarray,
        start: np.ndarray | None,
        spare: float,
        most_nodes: int,
        deadline: float,
        *,
        patient: bool = False,
    ) -> WindowOptimum:
        """Branch and bound; `patient`: until a schedule is found, however many nodes that takes."""
        best = self._first(prices) if start is None else start
        objective = -np.inf if best is None else float(prices @ best)
        closed, nodes, diving = -np.inf, _Nodes(), True
        while nodes:
            # Down one branch at first and now and then, which finds schedules; else where most is promised.
            node = nodes.latest() if diving else nodes.most_promising()
            if node.promised <= objective + spare:
                closed, diving = max(closed, node.promised), best is None
                continue
            # Without a schedule the integer solver is asked before branches are followed for ever.
            most = most_nodes if best is not None else max(most_nodes, QUICK_NODES)
            enough = nodes.taken > most and (best is not None or not patient)
            if enough or time.perf_counter() > deadline:
                closed = max(closed, node.promised, nodes.most_promised())
                break
            diving = diving or nodes.taken % DIVE_EVERY == 0
            found = self._relaxed(prices, node)
            if found is None:
                diving = best is None
                continue
            promised, x = found
            place = self._worst(x, prices)
            if place is not None:
                likely, at = self._leaning(place, x), float(x[self._one[place]])
                nodes.add(_Node(promised, (*node.decided, (place, not likely, at))))
                nodes.add(_Node(promised, (*node.decided, (place, likely, at))))
                continue
            closed, diving = max(closed, promised), False
            if (made := float(prices @ x)) > objective:
                best, objective = x, made
        return WindowOptimum(max(closed, objective), objective, best)

    def _first(self, prices: np.ndarray) -> np.ndarray | None:
        """A schedule soon, not the best: what is broken is taken as it leans, whole numbers down; None if that fails.

        A smaller bid is hardly ever one that cannot be kept, while going up and back again can take for ever.
        """
        lower, upper = self._problem.lower.copy(), self._problem.upper.copy()
        for _ in range(FIRST_TRIES):
            found = self._solved(prices, lower, upper, np.inf)
            if found is None:
                return None
            x = found[1]
            one, other = x[self._one], x[self._other]
            most = self._problem.upper[self._one]
            broken = np.flatnonzero(Decisions.broken_at(one, other, most, self._kind))
            if not len(broken):
                return x
            leans = np.array([self._kind[p] != WHOLE and self._leaning(int(p), x) for p in broken])
            first, then = self._one[broken], self._other[broken]
            take(lower, upper, first, then, self._kind[broken], leans, one[broken])
        return None

    def _relaxed(self, prices: np.ndarray, node: _Node) -> tuple[float, np.ndarray] | None:
        """Bound and schedule of the linear program with some decisions taken; None where it has none."""
        lower, upper = self._problem.lower.copy(), self._problem.upper.copy()
        for place, second, at in node.decided:
            take(lower, upper, self._one[place], self._other[place], self._kind[place], second, at)
        return self._solved(prices, lower, upper, node.promised)

    def _solved(
        self, prices: np.ndarray, lower: np.ndarray, upper: np.ndarray, promised: float
    ) -> tuple[float, np.ndarray] | None:
        """Bound and schedule within some bounds of the columns; None where there is none."""
        if (lower > upper).any():
            return None
        self._highs.change_column_bounds(self._places, lower, upper)
        solution = self._highs.solve()
        if solution.verdict == "infeasible":
            return None
        sides = (self._problem.row_lower, self._problem.row_upper)
        bound = proof.boxed_bound(self.matrix, sides, (lower, upper), prices, solution.row_dual)
        return min(bound, promised), np.clip(solution.x, lower, upper)

    def _worst(self, x: np.ndarray, prices: np.ndarray) -> int | None:
        """The broken decision with the most in it, whole numbers first; None if all are kept."""
        one, other = x[self._one], x[self._other]
        most = self._problem.upper[self._one]
        broken = Decisions.broken_at(one, other, most, self._kind)
        if not broken.any():
            return None
        stake = np.where(self._kind == ORDER, np.minimum(most - one, other), np.minimum(one, other))
        invited = np.maximum(0.0, prices[self._one] + prices[self._other])
        score = np.sqrt(np.maximum(stake, 0.0)) * (1e-3 + invited)
        # A whole number stands for a block or a month; what is decided in a step follows from it.
        whole = self._kind == WHOLE
        score[whole] = 1e9 + np.abs(one - np.round(one))[whole]
        return int(np.argmax(np.where(broken, score, -1.0)))

    def _leaning(self, place: int, x: np.ndarray) -> bool:
        """Which way the linear program leans: True for the second."""
        one, other, upper = self._one[place], self._other[place], self._problem.upper
        if self._kind[place] == PAIR:
            return bool(x[other] * upper[one] > x[one] * upper[other])
        return bool(Decisions.seconds_at(x[one], x[other], upper[one], self._kind[place]))

    def _by_integers(
        self, prices: np.ndarray, known: WindowOptimum, spare: float, limit_s: float, most_nodes: int
    ) -> WindowOptimum:
        """The same from the integer solver, with a binary a decision; at worst what is known already."""
        if limit_s <= 0:
            return known
        priced = replace(self._problem, objective=prices)
        extra = binaries(priced, self._one, self._other, self._kind)
        if limit_s == np.inf:
            highs = Highs(priced, extra, absolute_gap=spare, most_nodes=most_nodes)
        else:
            highs = Highs(priced, extra, time_limit_s=limit_s, absolute_gap=spare)
        try:
            solution = highs.solve()
        except UnprovenError:
            return known
        if solution.verdict == "infeasible" or self._worst(solution.x, prices) is not None:
            return known
        bound = min(known.bound, max(solution.bound, known.objective))
        made = float(prices @ solution.x)
        return (
            WindowOptimum(bound, made, solution.x) if made > known.objective else replace(known, bound=bound)
        )


def take(
    lower: np.ndarray,
    upper: np.ndarray,
    one: np.ndarray | int,
    other: np.ndarray | int,
    kind: np.ndarray | int,
    second: np.ndarray | bool,
    at: np.ndarray | float,
) -> None:
    """Change bounds so that decisions are taken.

    The second alternative of a pair closes its first column, that of an order fills it, and that of a whole number
    `at` some value between two is to be above it.
    """
    one, other, kind, second, at = np.broadcast_arrays(*np.atleast_1d(one, other, kind, second, at))
    upper[one[(kind == PAIR) & second]] = 0.0
    upper[other[(kind != WHOLE) & ~second]] = 0.0
    full = one[(kind == ORDER) & second]
    lower[full] = upper[full]
    up, down = (kind == WHOLE) & second, (kind == WHOLE) & ~second
    lower[one[up]] = np.floor(at[up]) + 1
    upper[one[down]] = np.floor(at[down])


def binaries(problem: Problem | Piece, one: np.ndarray, other: np.ndarray, kind: np.ndarray) -> Extra:
    """One binary a pair or order, which is 1 to keep the first of a pair or fill the first of an order."""
    wholes = one[kind == WHOLE]
    one, other, ordered = one[kind != WHOLE], other[kind != WHOLE], kind[kind != WHOLE] == ORDER
    count, wide = len(one), len(problem.lower)
    most_one, most_other = problem.upper[one], problem.upper[other]
    binary = wide + np.arange(count)
    rows = np.arange(count)
    # pair: one - most b <= 0 and other + most b <= most; order: most b - one <= 0 and other - most b <= 0
    sign = np.where(ordered, -1.0, 1.0)
    values = np.concatenate(
        [sign, -sign * most_one, np.ones(count), np.where(ordered, -most_other, most_other)]
    )
    number = np.concatenate([rows, rows, count + rows, count + rows])
    column = np.concatenate([one, binary, other, binary])
    matrix = sparse.csr_array(sparse.coo_array((values, (number, column)), shape=(2 * count, wide + count)))
    upper = np.concatenate([np.zeros(count), np.where(ordered, 0.0, most_other)])
    return Extra(count, matrix, np.full(2 * count, -np.inf), upper, wholes)
