"""Whole numbers of months, days and blocks by branching, each branch bounded by paths through what is stored.

A fee by the step that a peak lies in, credits by blocks that are filled in order, bids in whole steps: between their
whole numbers a linear program pays parts of several, and windows of whole months are more than a search of directions
copes with. With some of them fixed, what is left is directions, and a path through what is stored finds those at once.
The bases that paths learn hold in every branch, since branches differ in bounds alone. Bids of hours are too many to
branch on so; over a few days one integer program does better than windows.

Of three phases over 72 hours of inverted prices, a capacity fee by the mean of the highest hours of three days left
0.6 % of turnover after 14 CPU seconds of windows, credits by the day in three blocks 3 to 14 % after 8.
"""

from __future__ import annotations

import heapq
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from optimiser.engine import path, proof
from optimiser.engine.branching import binaries, take
from optimiser.engine.decisions import WHOLE, Better, Decisions, SearchOutcome, counted, so_far
from optimiser.engine.envelopes import Envelopes
from optimiser.engine.solver import Highs, Solution
from optimiser.engine.stage import Stage, stage_of
from optimiser.engine.tiling import Problem
from optimiser.errors import UnprovenError

MOST_ROWS = 40_000
MOST_WHOLES = 60
SHORTEST_HOURS = 20  # of what a whole number is about; bids of hours are too many, and windows hold them
MOST_ROWS_AT_ONCE, NODES_AT_ONCE = 5000, 2000
SHARE_OF_TIME = 0.6  # of what is left; windows have the rest
MOST_BRANCHES = 600
ROUNDS_A_BRANCH = 2
ROUNDS_ALONE = 4  # where there is no whole number to branch on
TIGHTENINGS = 10
WHOLE_SECONDS, WHOLE_NODES = 5.0, 500
MOST_TRIES = 4


def search(
    problem: Problem,
    every: Decisions,
    broken: np.ndarray,
    best: Solution | None,
    bound: float,
    gap: float,
    deadline: float,
    say: Callable[[str], None],
    better: Better = lambda found: None,
) -> SearchOutcome | None:
    """The best schedule found by branching, else by one integer program; None where neither suits the problem.

    Parameters
    ----------
    problem : Problem
    every : Decisions
    broken : bool array of shape (decisions,)
        Decisions that a relaxed schedule breaks.
    best : Solution or None
        A schedule to beat.
    bound : float
        What no schedule makes more than, as far as is known. [currency]
    gap : float
        Gap at which to stop, a share of the turnover.
    deadline : float
        `time.perf_counter()` at which to stop with what there is.
    say : callable
    better : callable
        Handed the best so far after each branch.
    """
    if deadline < np.inf:
        now = time.perf_counter()
        deadline = now + SHARE_OF_TIME * (deadline - now)
    whole, rows = every.kind == WHOLE, len(problem.row_upper)
    hours = (every.last - every.step + 1)[whole] * problem.timeline.step_hours
    if len(hours) > MOST_WHOLES or (hours < SHORTEST_HOURS).any():
        say("looking for the best schedule by one integer program")
        return at_once(problem, every, best, bound, gap, deadline)
    stage = stage_of(problem) if rows <= MOST_ROWS else None
    if stage is None:
        return None
    say("looking for the best paths through what is stored, by whole numbers")
    return _Branches(problem, every, broken, stage, best, bound).run(gap, deadline, say, better)


def at_once(
    problem: Problem, every: Decisions, best: Solution | None, bound: float, gap: float, deadline: float
) -> SearchOutcome | None:
    """The integer program of a small problem as a whole, a binary a decision; None where it is large or none is found.

    Parameters are those of `search`. The bound is taken as the integer solver says.
    """
    if len(problem.row_upper) > MOST_ROWS_AT_ONCE:
        return None
    turnover = max(1.0, abs(bound) if best is None else proof.turnover(problem, best.x))
    extra = binaries(problem, every.first, every.second, every.kind)
    limit = (
        {"most_nodes": NODES_AT_ONCE}
        if deadline == np.inf
        else {"time_limit_s": max(0.1, deadline - time.perf_counter())}
    )
    try:
        found = Highs(problem, extra, absolute_gap=gap * turnover / 2, **limit).solve()
    except UnprovenError:
        return None
    if found.verdict == "infeasible":
        return None
    lower, upper, whole = problem.lower.copy(), problem.upper.copy(), every.kind == WHOLE
    lower[every.first[whole]] = upper[every.first[whole]] = np.round(found.x[every.first[whole]])
    first, second, kind = every.first[~whole], every.second[~whole], every.kind[~whole]
    take(lower, upper, first, second, kind, every.seconds(problem, found.x)[~whole], 0.0)
    highs = Highs(problem)
    highs.change_column_bounds(np.arange(len(lower)), lower, upper)
    settled = highs.solve()
    if settled.verdict != "infeasible" and (best is None or settled.objective > best.objective):
        best = settled
    if best is None:
        return None
    bound = max(min(bound, found.bound), best.objective)
    wide = proof.relative_gap(bound, best.objective, proof.turnover(problem, best.x))
    flagged = np.ones(len(every.step), bool)
    return SearchOutcome(best, bound, flagged, [wide], "one integer program", done=False, rounds=1)


@dataclass(frozen=True)
class _Branch:
    """Bounds of the columns of groups, what the branch promises, and prices to begin with."""

    promised: float
    lower: np.ndarray
    upper: np.ndarray
    y: np.ndarray | None = None


class _Branches:
    """What branches share: the solver, the steps taken apart, the bases learnt, and the best so far."""

    def __init__(
        self,
        problem: Problem,
        every: Decisions,
        broken: np.ndarray,
        stage: Stage,
        best: Solution | None,
        bound: float,
    ):
        self._problem, self._every, self._stage = problem, every, stage
        self._highs, self._envelopes = Highs(problem), Envelopes(stage)
        self._contested = path.contested_in(every, broken)
        self._wholes = np.unique(every.first[every.kind == WHOLE])
        self._rows = _rows_alone(problem, stage.groups.start)
        self._best, self._bound = best, bound
        self._gaps: list[float] = []

    def run(
        self, gap: float, deadline: float, say: Callable[[str], None], better: Better
    ) -> SearchOutcome | None:
        """Branches by what they promise, until the best so far is near enough."""
        groups, problem = self._stage.groups, self._problem
        waiting = [(-self._bound, 0, _Branch(self._bound, problem.lower[groups], problem.upper[groups]))]
        closed, made = -np.inf, 1
        while waiting and made < MOST_BRANCHES:
            branch = heapq.heappop(waiting)[2]
            promised, rounds = self._look(branch, gap, deadline)
            late = time.perf_counter() > deadline
            parts = (
                [] if rounds is None or late or self._near(promised, gap) else self._parts(rounds, promised)
            )
            if not parts:
                closed = max(closed, promised)
            for part in parts:
                heapq.heappush(waiting, (-part.promised, made, part))
                made += 1
            self._bound = min(self._bound, max(closed, -waiting[0][0] if waiting else -np.inf))
            self._note(len(waiting), gap, deadline, say, better)
            if late or self._gaps[-1] <= gap:
                break
        return self._outcome()

    def _note(
        self, left: int, gap: float, deadline: float, say: Callable[[str], None], better: Better
    ) -> None:
        """Say how far it is after a branch."""
        wide = np.inf
        if self._best is not None:
            self._bound = max(self._bound, self._best.objective)
            turnover = proof.turnover(self._problem, self._best.x)
            wide = proof.relative_gap(self._bound, self._best.objective, turnover)
        self._gaps.append(wide)
        say(so_far(f"branch {len(self._gaps)} of whole numbers, {left} left", wide, gap, deadline))
        if (found := self._outcome()) is not None:
            better(found)

    def _outcome(self) -> SearchOutcome | None:
        if self._best is None:
            return None
        count = len(self._gaps)
        words = "paths through what is stored"
        if len(self._wholes):
            words = f"{counted(count, 'branch', 'branches')} of whole numbers with {words}"
        flagged = self._contested | np.isin(self._every.first, self._wholes)
        return SearchOutcome(
            self._best, self._bound, flagged, list(self._gaps), words, done=False, rounds=count
        )

    def _near(self, promised: float, gap: float) -> bool:
        """Whether a branch promises too little beyond the best to be looked into."""
        if promised == -np.inf:
            return True
        best = self._best
        return best is not None and promised <= best.objective + gap * max(
            1.0, proof.turnover(self._problem, best.x)
        )

    def _look(self, branch: _Branch, gap: float, deadline: float) -> tuple[float, path.Rounds | None]:
        """What a branch promises, with the paths that say so; none where it promises too little anyway."""
        if self._near(branch.promised, gap):
            return branch.promised, None
        problem, groups = self._problem, self._stage.groups
        lower, upper = problem.lower.copy(), problem.upper.copy()
        lower[groups], upper[groups] = branch.lower, branch.upper
        if not self._tightened(lower, upper):
            return -np.inf, None
        own = replace(problem, lower=lower, upper=upper)
        self._highs.change_column_bounds(np.arange(len(lower)), lower, upper)
        relaxed = self._highs.solve()
        if relaxed.verdict == "infeasible":
            return -np.inf, None
        promised = min(branch.promised, proof.upper_bound(own, relaxed.row_dual))
        if self._near(promised, gap):
            return promised, None
        stage = replace(self._stage, problem=own)
        rounds = path.Rounds(own, self._every, self._contested, stage, self._highs, self._envelopes)
        open_ = bool((lower < upper)[self._wholes].any())
        most = ROUNDS_A_BRANCH if open_ else None if len(self._wholes) else ROUNDS_ALONE
        # Prices of the branch before lead on; where nothing is left to branch on, those of its own come first.
        for y in (branch.y,) if open_ or branch.y is None else (None, branch.y):
            found = rounds.run(
                relaxed, gap, deadline, lambda words: None, lambda found: None, most, self._best, y, promised
            )
            promised = min(promised, rounds.bound)
            if found is not None:
                self._take(found.solution)
            if self._near(promised, gap):
                break
        self._contested = rounds.contested
        self._round(rounds, gap, deadline)
        return promised, rounds

    def _take(self, solution: Solution) -> None:
        if self._best is None or solution.objective > self._best.objective:
            self._best = solution

    def _round(self, rounds: path.Rounds, gap: float, deadline: float) -> None:
        """A schedule that goes as the last path does, its whole numbers chosen by the integer solver."""
        found = rounds.followed
        if found is None or not len(self._wholes) or self._near(found.objective, gap):
            return
        every, columns = self._every, np.arange(len(found.x))
        lower, upper = (side.copy() for side in rounds.taken)
        kinds = np.full(len(self._wholes), WHOLE)
        own = replace(rounds.problem, lower=lower, upper=upper)
        extra = binaries(own, self._wholes, self._wholes, kinds)
        limit = min(WHOLE_SECONDS, deadline - time.perf_counter())
        if limit <= 0:
            return
        spare = gap * max(1.0, abs(found.objective)) / 4
        try:
            if deadline == np.inf:
                whole = Highs(own, extra, absolute_gap=spare, most_nodes=WHOLE_NODES).solve()
            else:
                whole = Highs(own, extra, time_limit_s=limit, absolute_gap=spare).solve()
        except UnprovenError:
            return
        if whole.verdict == "infeasible":
            return
        lower[self._wholes] = upper[self._wholes] = np.round(whole.x[self._wholes])
        for _ in range(MOST_TRIES):
            self._highs.change_column_bounds(columns, lower, upper)
            found = self._highs.solve()
            if found.verdict == "infeasible":
                return
            broken = np.flatnonzero(every.broken(self._problem, found.x))
            if not len(broken):
                self._take(found)
                return
            leans = every.seconds(self._problem, found.x)[broken]
            take(lower, upper, every.first[broken], every.second[broken], every.kind[broken], leans, 0.0)

    def _parts(self, rounds: path.Rounds, promised: float) -> list[_Branch]:
        """The branches that a branch falls into, cut where its whole numbers lie most in between."""
        problem, wholes = rounds.problem, self._wholes
        low, high = problem.lower[wholes], problem.upper[wholes]
        open_ = np.flatnonzero(high - low > 0.5)
        if not len(open_):
            return []
        found, y = rounds.followed, None
        at = 0.5 * (low + high)
        if found is not None:
            at, y = np.clip(found.x[wholes], low, high), found.row_dual
        between = np.abs(at - np.round(at))
        chosen = open_[np.argmax(between[open_] + 1e-3 * (high - low)[open_])]
        place, cut = wholes[chosen] - self._stage.groups.start, np.floor(at[chosen])
        if cut >= high[chosen]:
            cut -= 1.0
        groups, parts = self._stage.groups, []
        for first, last in ((low[chosen], cut), (cut + 1.0, high[chosen])):
            lower, upper = problem.lower[groups].copy(), problem.upper[groups].copy()
            lower[place], upper[place] = first, last
            parts.append(_Branch(promised, lower, upper, y))
        return parts

    def _tightened(self, lower: np.ndarray, upper: np.ndarray) -> bool:
        """Draw bounds of columns of groups closer by the rows that hold them alone; False where none are left.

        A fee's step closes the others and caps the peak; a block that is full opens the next.
        """
        for _ in range(TIGHTENINGS):
            before = lower.sum(), upper.sum()
            for columns, values, least, most in self._rows:
                one, other = values * lower[columns], values * upper[columns]
                low, high = np.minimum(one, other), np.maximum(one, other)
                # What the other columns of the row leave to each.
                down, up = (least - (high.sum() - high)) / values, (most - (low.sum() - low)) / values
                down, up = np.where(values > 0, down, up), np.where(values > 0, up, down)
                whole = np.isin(columns, self._wholes)
                down[whole], up[whole] = np.ceil(down[whole] - 1e-6), np.floor(up[whole] + 1e-6)
                slack = 1e-9 * np.maximum(1.0, np.abs(upper[columns]))
                lower[columns] = np.maximum(
                    lower[columns], np.where(np.isfinite(down), down - slack, -np.inf)
                )
                upper[columns] = np.minimum(upper[columns], np.where(np.isfinite(up), up + slack, np.inf))
                lower[columns[whole]], upper[columns[whole]] = (
                    np.round(lower[columns[whole]]),
                    np.round(upper[columns[whole]]),
                )
                if (lower[columns] > upper[columns] + 1e-7).any():
                    return False
                lower[columns] = np.minimum(lower[columns], upper[columns])
            if (lower.sum(), upper.sum()) == before:
                break
        return True


def _rows_alone(problem: Problem, start: int) -> list[tuple[np.ndarray, np.ndarray, float, float]]:
    """Columns, coefficients and sides of the rows that hold columns from a place on alone."""
    matrix = sparse.csr_array(problem.matrix)
    made = []
    for row in range(matrix.shape[0]):
        mine = slice(matrix.indptr[row], matrix.indptr[row + 1])
        columns, values = matrix.indices[mine], matrix.data[mine]
        if len(columns) and columns.min() >= start and (values != 0).all():
            made.append((columns, values, float(problem.row_lower[row]), float(problem.row_upper[row])))
    return made
