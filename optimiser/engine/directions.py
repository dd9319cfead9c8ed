"""One direction at a time, exactly: windows as small integer programs, a final linear program, a bound over both.

A linear program imports and exports at once where that pays. Where the test in every step finds it, the steps
around it become a window with one binary a decision. Rows that join a window to the rest are priced by the duals of
the last linear program, so each window can be solved by itself, and the sum of all parts bounds what any schedule
can make (Lagrangian relaxation). The windows' decisions are then fixed and the linear program solved again; its
duals price the next round, until the gap closes or time is up.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from scipy import sparse

from optimiser.engine import proof
from optimiser.engine.solver import Extra, Highs, Solution
from optimiser.engine.tiling import Problem
from optimiser.errors import UnprovenError

TOLERANCE_KW = 1e-6
ROUNDS = 40


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
        one, other = x[self.first], x[self.second]
        both = np.minimum(one, other) > TOLERANCE_KW
        early = (one < problem.upper[self.first] - TOLERANCE_KW) & (other > TOLERANCE_KW)
        return np.where(self.ordered, early, both)


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


@dataclass
class Outcome:
    """The best schedule with every decision kept, and the bound over all schedules."""

    solution: Solution
    bound: float
    flagged: np.ndarray
    rounds: int = 0
    gaps: list[float] = field(default_factory=list)


def keep_one_direction(
    problem: Problem,
    relaxed: Solution,
    highs: Highs,
    gap: float,
    deadline: float,
    say: Callable[[str], None],
) -> Outcome:
    """Make a relaxed schedule keep every decision, with a proven gap.

    Parameters
    ----------
    problem : Problem
    relaxed : Solution
        Optimal without the decisions.
    highs : Highs
        The solver that holds the problem, with the basis of `relaxed`.
    gap : float
        Relative gap at which to stop.
    deadline : float
        `time.perf_counter()` at which to stop with what there is.
    say : callable
    """
    every = decisions(problem)
    broken = every.broken(problem, relaxed.x)
    bound = proof.upper_bound(problem, relaxed.row_dual)
    if not broken.any():
        return Outcome(relaxed, bound, broken)
    search = _Search(problem, every, highs, broken, relaxed)
    best: Solution | None = None
    margin_hours = 6.0
    outcome = Outcome(relaxed, bound, broken)
    last_gap, stalled = np.inf, 0
    for round_number in range(ROUNDS):
        windows = search.windows(margin_hours)
        bound = min(bound, search.price_windows(windows, deadline))
        solution = search.fixed()
        if solution is not None and (best is None or solution.purse > best.purse):
            best = solution
        left = proof.relative_gap(bound, best.purse) if best is not None else np.inf
        outcome.gaps.append(left)
        say(f"one direction, round {round_number + 1}: {len(windows)} windows, proven gap {100 * left:.2g} %")
        if left <= gap or time.perf_counter() > deadline:
            break
        stalled = stalled + 1 if left > 0.7 * last_gap else 0
        last_gap = min(last_gap, left)
        if stalled >= 2:
            margin_hours, stalled = margin_hours * 2, 0
    if best is None:
        raise UnprovenError(
            "no schedule was found that never imports and exports at once; give solve.time_limit_s more time"
        )
    outcome.solution, outcome.bound, outcome.flagged, outcome.rounds = best, bound, search.flagged, round_number + 1
    return outcome


class _Search:
    """What the rounds share: flagged decisions, the choice made for each, the last duals."""

    def __init__(self, problem: Problem, every: Decisions, highs: Highs, broken: np.ndarray, relaxed: Solution):
        self.problem, self.every, self.highs = problem, every, highs
        self.flagged = broken.copy()
        self.second_chosen = np.zeros(len(broken), bool)
        self.x, self.y = relaxed.x, relaxed.row_dual
        self._solved: dict[tuple, tuple[np.ndarray, float, np.ndarray, np.ndarray]] = {}
        self._rows_of_column = problem.matrix.tocsc()

    def windows(self, margin_hours: float) -> list[tuple[int, int]]:
        """Spans of steps around flagged decisions, cut where storage is full or empty if that is near."""
        problem, steps = self.problem, self.problem.timeline.steps
        margin = max(1, round(margin_hours * 60 / problem.timeline.step_minutes))
        cut = np.zeros(steps, bool)
        for name, family in problem.columns.items():
            if name.startswith("storage.") and name.endswith(".stored_kwh"):
                stored = self.x[problem.places[name]]
                slack = np.minimum(stored - family.lower, family.upper - stored)
                cut |= slack <= 1e-6 * np.maximum(1, family.upper)
        cuts = np.flatnonzero(cut) + 1
        spans: list[tuple[int, int]] = []
        for step in np.unique(self.every.step[self.flagged]):
            before, after = cuts[cuts <= step - margin], cuts[cuts >= step + margin]
            first = max(int(before[-1]) if len(before) else 0, step - 6 * margin, 0)
            stop = min(int(after[0]) if len(after) else steps, step + 6 * margin, steps)
            if spans and first <= spans[-1][1]:
                spans[-1] = (spans[-1][0], max(stop, spans[-1][1]))
            else:
                spans.append((first, stop))
        return spans

    def price_windows(self, spans: list[tuple[int, int]], deadline: float) -> float:
        """Solve each window at the present prices; the bound over all schedules that follows."""
        problem = self.problem
        inside = np.full(len(problem.lower), -1)
        for number, (first, stop) in enumerate(spans):
            inside[first * problem.step_columns : stop * problem.step_columns] = number
            self._flag_tempting(first, stop)
        owner = self._owner_of_rows(inside, len(spans))
        outside = owner < 0
        y = np.where(outside, self.y, 0.0)
        y = np.where(np.isfinite(problem.row_lower) | (y > 0), y, 0.0)
        y = np.where(np.isfinite(problem.row_upper) | (y < 0), y, 0.0)
        used = y != 0
        side = np.where(y > 0, problem.row_upper, problem.row_lower)
        reduced = problem.purse - problem.matrix.T @ y
        boxed = np.maximum(problem.lower * reduced, problem.upper * reduced)
        bound = problem.offset + (y[used] * side[used]).sum() + boxed[inside < 0].sum()
        for number, (first, stop) in enumerate(spans):
            bound += self._window(first, stop, np.flatnonzero(owner == number), reduced, deadline)
        return float(bound)

    def _flag_tempting(self, first: int, stop: int) -> None:
        here = (self.every.step >= first) & (self.every.step < stop)
        if (here & self.flagged).any():
            self.flagged |= here & self.every.tempting

    def _owner_of_rows(self, inside: np.ndarray, count: int) -> np.ndarray:
        """The window that holds all columns of a row, or -1."""
        matrix = self.problem.matrix
        number = inside[matrix.indices]
        starts = matrix.indptr[:-1]
        filled = np.diff(matrix.indptr) > 0
        low, high = np.full(matrix.shape[0], -1), np.full(matrix.shape[0], -1)
        low[filled] = np.minimum.reduceat(number, starts[filled])
        high[filled] = np.maximum.reduceat(number, starts[filled])
        return np.where((low == high) & (low < count), low, -1)

    def _window(self, first: int, stop: int, rows: np.ndarray, reduced: np.ndarray, deadline: float) -> float:
        """The most that a window can make at the present prices; remembers its decisions."""
        problem, wide = self.problem, self.problem.step_columns
        here = slice(first * wide, stop * wide)
        chosen = np.flatnonzero(
            self.flagged & (self.every.step >= first) & (self.every.step < stop)
        )
        key = (first, stop, len(chosen))
        known = self._solved.get(key)
        if known is not None and np.array_equal(known[0], reduced[here]) and np.array_equal(known[2], chosen):
            self.second_chosen[chosen] = known[3]
            return known[1]
        part = problem.matrix[rows][:, here]
        small = replace(
            problem,
            matrix=sparse.csr_array(part),
            row_lower=problem.row_lower[rows],
            row_upper=problem.row_upper[rows],
            lower=problem.lower[here],
            upper=problem.upper[here],
            by_line=sparse.csr_array(reduced[here][None, :]),
            line_offsets=np.zeros(1),
        )
        extra = _binaries(problem, self.every, chosen, first * wide, stop * wide)
        limit = max(2.0, min(60.0, deadline - time.perf_counter()))
        try:
            solution = Highs(small, extra, time_limit_s=limit).solve()
        except UnprovenError:
            # Without an integer answer in time, the window is bounded by its box.
            return float(np.maximum(small.lower * reduced[here], small.upper * reduced[here]).sum())
        if solution.verdict == "infeasible":
            raise UnprovenError("a window has no schedule that keeps one direction at a time")
        # A violation among decisions not yet flagged is flagged for the next round.
        full = np.zeros(len(problem.lower))
        full[here] = solution.x
        seen = (self.every.step >= first) & (self.every.step < stop)
        self.flagged |= seen & self.every.broken(problem, full)
        picks = np.where(self.every.ordered[chosen], solution.binaries > 0.5, solution.binaries < 0.5)
        self.second_chosen[chosen] = picks
        self._solved[key] = (reduced[here].copy(), solution.bound, chosen, picks)
        return solution.bound

    def fixed(self) -> Solution | None:
        """The linear program with all flagged decisions fixed; None if they cannot be kept together."""
        problem, every = self.problem, self.every
        lower, upper = problem.lower.copy(), problem.upper.copy()
        for _ in range(12):
            lower[:], upper[:] = problem.lower, problem.upper
            # Decisions flagged since the windows were solved follow the larger of the two flows.
            take_second = self.flagged & self.second_chosen & ~every.ordered
            take_first = self.flagged & ~self.second_chosen & ~every.ordered
            upper[every.first[take_second]] = np.minimum(0.0, upper[every.first[take_second]])
            upper[every.second[take_first]] = 0.0
            full = self.flagged & every.ordered & self.second_chosen
            never = self.flagged & every.ordered & ~self.second_chosen
            lower[every.first[full]] = problem.upper[every.first[full]]
            upper[every.second[never]] = 0.0
            places = np.arange(len(lower))
            self.highs.change_column_bounds(places, lower, upper)
            solution = self.highs.solve()
            if solution.verdict == "infeasible":
                return None
            broken = every.broken(problem, solution.x) & ~self.flagged
            if not broken.any():
                self.x, self.y = solution.x, solution.row_dual
                return solution
            self.flagged |= broken
            self.second_chosen[broken] = np.where(
                every.ordered[broken], False, solution.x[every.second[broken]] > solution.x[every.first[broken]]
            )
        return None


def _binaries(problem: Problem, every: Decisions, chosen: np.ndarray, first: int, stop: int) -> Extra:
    """One binary a decision: 1 keeps the first of a pair, or fills the first of an order."""
    count, wide = len(chosen), stop - first
    one, other = every.first[chosen] - first, every.second[chosen] - first
    most_one, most_other = problem.upper[every.first[chosen]], problem.upper[every.second[chosen]]
    ordered = every.ordered[chosen]
    binary = wide + np.arange(count)
    rows = np.arange(count)
    # pair: one - most b <= 0 and other + most b <= most; order: most b - one <= 0 and other - most b <= 0
    sign = np.where(ordered, -1.0, 1.0)
    values = np.concatenate([sign, -sign * most_one, np.ones(count), np.where(ordered, -most_other, most_other)])
    number = np.concatenate([rows, rows, count + rows, count + rows])
    column = np.concatenate([one, binary, other, binary])
    matrix = sparse.csr_array(sparse.coo_array((values, (number, column)), shape=(2 * count, wide + count)))
    upper = np.concatenate([np.zeros(count), np.where(ordered, 0.0, most_other)])
    return Extra(count, matrix, np.full(2 * count, -np.inf), upper)
