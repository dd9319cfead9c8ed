"""One direction at a time, exactly: windows as small integer programs, a final linear program, a bound over both.

A linear program imports and exports at once where that pays. Where the test in every step finds it, the steps
around it become a window with one binary a decision. Rows that join a window to the rest are priced by the duals of
the last linear program, so each window can be solved by itself, and the sum of all parts bounds what any schedule
can make (Lagrangian relaxation). The windows' decisions are then fixed and the linear program solved again; its
duals price the next round, until the gap closes or time is up.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np
from scipy import sparse

from optimiser.engine import proof
from optimiser.engine.solver import Extra, Highs, Solution
from optimiser.engine.tiling import Problem
from optimiser.errors import UnprovenError

TOLERANCE_KW = 1e-6
ROUNDS = 40
FIRST_MARGIN_HOURS = 4.0
LONGEST_WINDOW_S = 200.0
PATIENCE = 8
MOST_JOINED = 60
LONGEST_JOIN_S = 30.0
MOST_MISSES = 2
MOST_DECISIONS_WHOLE = 1000
MOST_ROWS_WHOLE = 40_000


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
    gaps: list[float] = []
    contested: list[tuple[int, int]] = []
    at_best, misses = False, 0
    for round_number in range(1, ROUNDS + 1):
        windows = search.windows()
        before = bound
        # Wider windows are tried first; a small problem that they do not close is finished whole.
        stalled = len(gaps) > PATIENCE and gaps[-1] > 0.5 * gaps[-1 - PATIENCE]
        small = len(problem.row_upper) <= MOST_ROWS_WHOLE and search.decided_in_all() <= MOST_DECISIONS_WHOLE
        if stalled and small:
            windows = [(0, problem.timeline.steps)]
            bound = min(bound, search.price_whole(gap, deadline))
        else:
            found, open_windows = search.price_windows(windows, gap, deadline)
            bound = min(bound, found)
            if at_best:
                contested = open_windows
            if best is not None and contested and search.joinable(contested):
                bound = min(bound, search.join(contested, bound, best.purse, gap, deadline))
        solution = search.fixed()
        at_best = solution is not None and (best is None or solution.purse > best.purse + _hair(best))
        if at_best:
            best = solution
            misses = 0
        elif best is not None:
            misses = misses + 1 if bound > before - _hair(best) else 0
            if misses > MOST_MISSES or solution is None:
                # Neither better schedules nor better bounds: look at more steps around the windows that differ.
                search.widen(contested)
                search.y, at_best, misses = best.row_dual, True, 0
                solution = None
        if solution is not None:
            search.y = solution.row_dual
        if best is not None:
            search.x = best.x
        left = proof.relative_gap(bound, best.purse) if best is not None else np.inf
        gaps.append(left)
        say(
            f"one direction, round {round_number}: {len(windows)} windows, {len(contested)} of them contested, "
            f"proven gap {100 * left:.2g} %"
        )
        if left <= gap or time.perf_counter() > deadline:
            break
    if best is None:
        raise UnprovenError(
            "no schedule was found that never imports and exports at once; give solve.time_limit_s more time"
        )
    return Outcome(best, bound, search.flagged, round_number, gaps)


def _hair(solution: Solution) -> float:
    """Money too small to count as better."""
    return 1e-9 * max(1.0, abs(solution.purse))


@dataclass(frozen=True)
class _Priced:
    """A window solved at some prices: what it can make, its decisions, and decisions it breaks unflagged."""

    bound: float
    prices: np.ndarray
    chosen: np.ndarray
    second: np.ndarray
    broken: np.ndarray


@dataclass(frozen=True)
class _Cut:
    """What one round of prices says: the worth of all that is in no window, the prices, the worth of each window."""

    rest: float
    prices: np.ndarray
    windows: dict[tuple[int, int], float]


class _Search:
    """What the rounds share: flagged decisions, the choice made for each, the last duals."""

    def __init__(
        self, problem: Problem, every: Decisions, highs: Highs, broken: np.ndarray, relaxed: Solution
    ):
        self.problem, self.every, self.highs = problem, every, highs
        self.flagged = broken.copy()
        self.second_chosen = np.zeros(len(broken), bool)
        self.x, self.y = relaxed.x, relaxed.row_dual
        self.margin = np.full(
            problem.timeline.steps, max(1, round(FIRST_MARGIN_HOURS / problem.timeline.step_hours))
        )
        self._solved: dict[tuple[int, int], _Priced] = {}
        self._spans: list[tuple[int, int]] = []
        self._rows: dict[tuple[int, int], np.ndarray] = {}
        self._cuts: list[_Cut] = []

    def widen(self, spans: list[tuple[int, int]]) -> None:
        """Look twice as far around the flagged steps of some windows from now on."""
        for first, stop in spans:
            self.margin[first:stop] *= 2

    def windows(self) -> list[tuple[int, int]]:
        """Spans of steps around flagged decisions, cut where storage is full or empty if that is near."""
        problem, steps = self.problem, self.problem.timeline.steps
        cut = np.zeros(steps, bool)
        for name, family in problem.columns.items():
            if name.startswith("storage.") and name.endswith(".stored_kwh"):
                stored = self.x[problem.places[name]]
                slack = np.minimum(stored - family.lower, family.upper - stored)
                cut |= slack <= 1e-6 * np.maximum(1, family.upper)
        cuts = np.flatnonzero(cut) + 1
        spans: list[tuple[int, int]] = []
        for step in np.unique(self.every.step[self.flagged]):
            margin = self.margin[step]
            before = cuts[(cuts <= step - margin) & (cuts > step - 4 * margin)]
            after = cuts[(cuts > step + margin) & (cuts <= step + 4 * margin)]
            first = int(before[-1]) if len(before) else max(0, step - margin)
            stop = int(after[0]) if len(after) else min(steps, step + margin + 1)
            if spans and first < spans[-1][1]:
                spans[-1] = (spans[-1][0], max(stop, spans[-1][1]))
            else:
                spans.append((first, stop))
        return spans

    def price_windows(
        self, spans: list[tuple[int, int]], gap: float, deadline: float
    ) -> tuple[float, list[tuple[int, int]]]:
        """Solve each window at the present prices.

        Returns
        -------
        (float, list)
            The bound over all schedules that follows, and the windows that could make more than the present
            schedule does in them.
        """
        problem = self.problem
        inside = np.full(len(problem.lower), -1)
        for number, (first, stop) in enumerate(spans):
            inside[first * problem.step_columns : stop * problem.step_columns] = number
            self._flag_tempting(first, stop)
        owner = self._owner_of_rows(inside, len(spans))
        y = np.where(owner < 0, self.y, 0.0)
        y = np.where(np.isfinite(problem.row_lower) | (y > 0), y, 0.0)
        y = np.where(np.isfinite(problem.row_upper) | (y < 0), y, 0.0)
        used = y != 0
        side = np.where(y > 0, problem.row_upper, problem.row_lower)
        reduced = problem.purse - problem.matrix.T @ y
        boxed = np.maximum(problem.lower * reduced, problem.upper * reduced)
        bound = problem.offset + (y[used] * side[used]).sum() + boxed[inside < 0].sum()
        rows = np.argsort(owner, kind="stable")
        edges = np.searchsorted(owner[rows], np.arange(len(spans) + 1))
        parts = [rows[edges[number] : edges[number + 1]] for number in range(len(spans))]
        # HiGHS runs outside the interpreter's lock, so threads share the cores.
        pool = ThreadPoolExecutor(os.cpu_count() or 1)
        try:
            priced = list(
                pool.map(lambda span, part: self._window(span, part, reduced, deadline), spans, parts)
            )
        finally:
            # After an interruption nobody waits for the windows that are still at work.
            pool.shutdown(wait=False, cancel_futures=True)
        spare = gap * max(1.0, abs(bound)) / (2 * len(spans))
        if spans != self._spans:
            self._spans, self._cuts = list(spans), []
        self._rows = dict(zip(spans, parts, strict=True))
        worth = {span: result.bound for span, result in zip(spans, priced, strict=True)}
        self._cuts.append(_Cut(float(bound), reduced, worth))
        still_open = []
        for span, result in zip(spans, priced, strict=True):
            bound += result.bound
            here = slice(span[0] * problem.step_columns, span[1] * problem.step_columns)
            if result.bound - reduced[here] @ self.x[here] > spare:
                still_open.append(span)
            self._solved[span] = result
            self.second_chosen[result.chosen] = result.second
            self.flagged[result.broken] = True
        return float(bound), still_open

    def joinable(self, contested: list[tuple[int, int]]) -> bool:
        """Whether contested windows are few enough for one integer program, and still the windows that were priced."""
        if not set(contested) <= set(self._spans):
            return False
        within = np.zeros(len(self.every.step), bool)
        for first, stop in contested:
            within |= (self.every.step >= first) & (self.every.step < stop)
        return int((within & self.flagged).sum()) <= MOST_JOINED

    def join(
        self, contested: list[tuple[int, int]], bound: float, made: float, gap: float, deadline: float
    ) -> float:
        """Solve the contested windows together against everything that is known of the rest.

        Each round of prices bounds the rest of the year, whatever the contested windows do, by a straight line in
        what they do. The least of these lines is maximised with the windows' own decisions (Benders
        decomposition), which sees what one set of prices cannot: that energy taken from the rest grows dearer.

        Returns
        -------
        float
            A bound over all schedules.
        """
        problem, every, wide = self.problem, self.every, self.problem.step_columns
        places = np.concatenate([np.arange(first * wide, stop * wide) for first, stop in contested])
        local = np.full(len(problem.lower), -1)
        local[places] = np.arange(len(places))
        rows = np.concatenate([self._rows[span] for span in contested])
        within = np.zeros(len(every.step), bool)
        for first, stop in contested:
            within |= (every.step >= first) & (every.step < stop)
        chosen = np.flatnonzero(self.flagged & within)
        # The last column is the money of the whole year beyond `made`.
        lines = np.array([np.concatenate([-cut.prices[places], [1.0]]) for cut in self._cuts])
        rest = np.array(
            [
                cut.rest + sum(worth for span, worth in cut.windows.items() if span not in contested)
                for cut in self._cuts
            ]
        )
        inner = sparse.csr_array(problem.matrix[rows][:, places])
        inner = sparse.hstack([inner, sparse.csr_array((len(rows), 1))], format="csr")
        small = replace(
            problem,
            matrix=sparse.csr_array(sparse.vstack([inner, sparse.csr_array(lines)], format="csr")),
            row_lower=np.concatenate([problem.row_lower[rows], np.full(len(rest), -np.inf)]),
            row_upper=np.concatenate([problem.row_upper[rows], rest - made]),
            lower=np.append(problem.lower[places], 0.0),
            upper=np.append(problem.upper[places], max(bound - made, 0.0) + 1e-6),
            by_line=sparse.csr_array(np.append(np.zeros(len(places)), 1.0)[None, :]),
            line_offsets=np.zeros(1),
        )
        extra = _binaries_at(problem, every, chosen, local, len(places) + 1)
        limit = max(2.0, min(LONGEST_JOIN_S, deadline - time.perf_counter()))
        try:
            solution = Highs(
                small, extra, time_limit_s=limit, absolute_gap=gap * max(1.0, abs(made)) / 4
            ).solve()
        except UnprovenError:
            return bound
        if solution.verdict == "infeasible":
            # No decision of theirs makes more than what was made already.
            return made
        self.second_chosen[chosen] = np.where(
            every.ordered[chosen], solution.binaries > 0.5, solution.binaries < 0.5
        )
        return made + solution.bound

    def decided_in_all(self) -> int:
        """Decisions that are flagged, with all that prices invite."""
        return int((self.flagged | self.every.tempting).sum())

    def price_whole(self, gap: float, deadline: float) -> float:
        """Solve all flagged decisions in one integer program; the bound over all schedules that follows.

        Rows that join windows through blocks, peaks and lasting offers then have no price that could be wrong.
        """
        problem = self.problem
        self.flagged |= self.every.tempting
        while True:
            chosen = np.flatnonzero(self.flagged)
            extra = _binaries(problem, self.every, chosen, 0, len(problem.lower))
            limit = max(2.0, deadline - time.perf_counter())
            try:
                solution = Highs(problem, extra, time_limit_s=limit, gap=gap / 2).solve()
            except UnprovenError:
                return np.inf
            if solution.verdict == "infeasible":
                raise UnprovenError("no schedule keeps one direction at a time")
            self.second_chosen[chosen] = np.where(
                self.every.ordered[chosen], solution.binaries > 0.5, solution.binaries < 0.5
            )
            broken = self.every.broken(problem, solution.x) & ~self.flagged
            if not broken.any() or time.perf_counter() > deadline:
                return solution.bound
            self.flagged |= broken

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

    def _window(
        self, span: tuple[int, int], rows: np.ndarray, reduced: np.ndarray, deadline: float
    ) -> _Priced:
        """The most that a window can make at the present prices, and its decisions."""
        problem, every, wide = self.problem, self.every, self.problem.step_columns
        first, stop = span
        here = slice(first * wide, stop * wide)
        within = (every.step >= first) & (every.step < stop)
        chosen = np.flatnonzero(self.flagged & within)
        known = self._solved.get(span)
        if (
            known is not None
            and np.array_equal(known.chosen, chosen)
            and np.array_equal(known.prices, reduced[here])
        ):
            return known
        small = replace(
            problem,
            matrix=sparse.csr_array(problem.matrix[rows][:, here]),
            row_lower=problem.row_lower[rows],
            row_upper=problem.row_upper[rows],
            lower=problem.lower[here],
            upper=problem.upper[here],
            by_line=sparse.csr_array(reduced[here][None, :]),
            line_offsets=np.zeros(1),
        )
        extra = _binaries(problem, every, chosen, first * wide, stop * wide)
        limit = max(2.0, min(LONGEST_WINDOW_S, deadline - time.perf_counter()))
        nothing = np.zeros(0, int)
        try:
            solution = Highs(small, extra, time_limit_s=limit).solve()
        except UnprovenError:
            # Without an integer answer in time, the window is bounded by its box and keeps its decisions.
            box = float(np.maximum(small.lower * reduced[here], small.upper * reduced[here]).sum())
            return _Priced(box, reduced[here].copy(), chosen, self.second_chosen[chosen], nothing)
        if solution.verdict == "infeasible":
            raise UnprovenError("a window has no schedule that keeps one direction at a time")
        full = np.zeros(len(problem.lower))
        full[here] = solution.x
        second = np.where(every.ordered[chosen], solution.binaries > 0.5, solution.binaries < 0.5)
        broken = np.flatnonzero(within & every.broken(problem, full) & ~self.flagged)
        return _Priced(solution.bound, reduced[here].copy(), chosen, second, broken)

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
                return solution
            self.flagged |= broken
            self.second_chosen[broken] = np.where(
                every.ordered[broken],
                False,
                solution.x[every.second[broken]] > solution.x[every.first[broken]],
            )
        return None


def _binaries(problem: Problem, every: Decisions, chosen: np.ndarray, first: int, stop: int) -> Extra:
    """One binary a decision, over the columns from `first` to `stop`."""
    local = np.arange(len(problem.lower)) - first
    return _binaries_at(problem, every, chosen, local, stop - first)


def _binaries_at(
    problem: Problem, every: Decisions, chosen: np.ndarray, local: np.ndarray, wide: int
) -> Extra:
    """One binary a decision: 1 keeps the first of a pair, or fills the first of an order.

    `local` is where each column of the problem stands among the `wide` columns of the part.
    """
    count = len(chosen)
    one, other = local[every.first[chosen]], local[every.second[chosen]]
    most_one, most_other = problem.upper[every.first[chosen]], problem.upper[every.second[chosen]]
    ordered = every.ordered[chosen]
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
    return Extra(count, matrix, np.full(2 * count, -np.inf), upper)
