"""One direction at a time where prices invite both in many steps: the year as a path through what is stored.

What is lost by deciding steps by themselves is lost between them, so windows do not close such years. With one store a
step knows of the others only the energy stored: `envelopes` bound what each direction of a step can make between two
energies, `chain` finds the best path and a bound on all. The path's directions are taken and the linear program solved;
where it cannot make what the path promised, the envelopes are learnt better there. Of a figure that steps share (a
peak) each has a copy, and `levels` closes in on it by intervals. Rows that join steps otherwise are priced by the duals
of the last linear program, which gives a bound for any prices (Lagrangian relaxation).

What each idea gave on an inverted year of three phases at 30 min with a monthly demand charge, turnover 6,400, in CPU
seconds of the whole solve:

- the peak's rows priced, 8 rounds of mean prices: 1.6 % left after 39 s; windows after that: 1.5 % after 68 s
- a copy of the peak in each step instead, at the same prices: 1.6 %, no better by itself
- intervals of the peak, the one that the path takes cut about the schedule's amount: 0.08 % after 91 s
- all intervals cut that promise too much, month by month, as the worth of stored energy tells: 0.06 % after 102 s
- planes of a month kept from interval to interval, chosen anew among forty: a third of the time, 0.08 % after 66 s
- prices of each round's new intervals from the mean of all duals so far: 0.09 % after 38 s
- left: prices in proportion to what a path's steps would pay for more of the peak. At its corners that is anything
  between nothing and the price of what cannot be, and bounds were worse by a third of the gap.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import TypeGuard

import numpy as np

from optimiser.engine import proof
from optimiser.engine.branching import take
from optimiser.engine.chain import Path
from optimiser.engine.decisions import ORDER, PAIR, WHOLE, Better, Decisions, SearchOutcome, counted, so_far
from optimiser.engine.envelopes import Choices, Envelopes
from optimiser.engine.levels import Levels
from optimiser.engine.pooling import Pool, pooled
from optimiser.engine.solver import Highs, Solution
from optimiser.engine.stage import Priced, Stage, stage_of
from optimiser.engine.tiling import Problem
from optimiser.engine.windows import Periods

FEWEST_STEPS = 100
MOST_DECIDED = 6
MOST_UNDECIDED = 0.1  # of the contested steps may have more decisions than that
ROUNDS = 40
ALLOWED = 0.8  # of the gap at which to stop, for what intervals promise too much
MOST_TRIES = 12
MOST_LEARNT = 1500
MOST_ROWS_LOOKED_AT_AGAIN = 40_000  # where paths leave a gap: windows of more would only take time
MOST_ROWS_JOINED = 40  # beyond, as with services, a round takes longer than windows need


def search(
    problem: Problem,
    every: Decisions,
    broken: np.ndarray,
    relaxed: Solution,
    highs: Highs | Periods,
    gap: float,
    deadline: float,
    say: Callable[[str], None],
    better: Better = lambda found: None,
    most_rounds: int | None = None,
) -> SearchOutcome | None:
    """The best schedule found by paths, with its bound; None where paths do not suit the problem.

    Parameters
    ----------
    problem : Problem
    every : Decisions
    broken : bool array of shape (decisions,)
        Decisions that the relaxed schedule breaks.
    relaxed : Solution
    highs : Highs or Periods
        What holds the problem, with the basis of `relaxed`; bounds of columns are changed.
    gap : float
        Gap at which to stop, a share of the turnover.
    deadline : float
        `time.perf_counter()` at which to stop with what there is.
    say : callable
    better : callable
        Handed the best so far after each round.
    most_rounds : int or None
        Rounds after which to stop with what there is.
    """
    if not suits(every, broken):
        return None
    contested = contested_in(every, broken)
    # Periods meet at what each bank holds, which a path through the energy of all does not say.
    pool = None if isinstance(highs, Periods) else pooled(problem)
    stage = stage_of(problem if pool is None else pool.problem)
    if stage is None or (stage.joined and len(stage.inner) > MOST_ROWS_JOINED):
        return None
    say("looking for the best path through what is stored")
    rounds = Rounds(problem, every, contested, stage, highs, pool=pool)
    found = rounds.run(relaxed, gap, deadline, say, better, most_rounds)
    if found is None or not found.done:
        # What goes on from here finds the solver as it was: open bounds, and periods joined at the relaxed energies.
        highs.change_column_bounds(np.arange(len(problem.lower)), problem.lower, problem.upper)
        rounds.join_periods_at(relaxed.x[rounds.stored_places])
    return found


def suits(every: Decisions, broken: np.ndarray) -> bool:
    """Whether decisions are wanted in so many steps, few of them in each, that paths find them sooner than windows.

    `broken` marks those that a relaxed schedule breaks.
    """
    if (broken & (every.kind == WHOLE)).any():
        return False
    in_step = np.unique(every.step[contested_in(every, broken)], return_counts=True)[1]
    return len(in_step) >= FEWEST_STEPS and bool(np.mean(in_step > MOST_DECIDED) <= MOST_UNDECIDED)


def contested_in(every: Decisions, broken: np.ndarray) -> np.ndarray:
    """True for decisions that a path takes."""
    made: np.ndarray = (broken | every.tempting) & (every.kind != WHOLE)
    return made


class Rounds:
    """What the rounds share: the steps taken apart, what is known of them, and the decisions that are contested."""

    def __init__(
        self,
        problem: Problem,
        every: Decisions,
        contested: np.ndarray,
        stage: Stage,
        highs: Highs | Periods,
        envelopes: Envelopes | None = None,
        pool: Pool | None = None,
    ):
        self.problem, self.every, self.contested = problem, every, contested
        self.stage, self._highs = stage, highs
        self._envelopes = envelopes or Envelopes(stage)
        self._pool = pool
        staged = stage.problem
        name = next(name for name, places in staged.places.items() if places[0] == stage.state)
        self._start_kwh = float(staged.columns[name].before)
        moved = (
            every
            if pool is None
            else replace(every, first=pool.columns(every.first), second=pool.columns(every.second))
        )
        self._in_stage = moved
        self._near = np.full(stage.steps, self._start_kwh)
        self._levels = Levels(stage, self._envelopes, self._start_kwh)
        self._y = np.zeros(len(problem.row_upper))
        self._priced = stage.priced(self._prices(self._y))
        self.bound = np.inf
        self.followed: Solution | None = None
        self.taken = problem.lower, problem.upper

    def run(
        self,
        relaxed: Solution,
        gap: float,
        deadline: float,
        say: Callable[[str], None],
        better: Better,
        most_rounds: int | None,
        best: Solution | None = None,
        y: np.ndarray | None = None,
        known: float = np.inf,
    ) -> SearchOutcome | None:
        """Rounds of paths and linear programs until the gap is closed, or they lead no further.

        `best` is a schedule to beat, `y` are prices to begin with in place of those of `relaxed`, `known` a bound.
        Afterwards `bound` is what no schedule exceeds, `followed` the last linear program, whose whole numbers may lie
        between, and `taken` its bounds.
        """
        bound = min(known, proof.upper_bound(self.problem, relaxed.row_dual))
        y = relaxed.row_dual if y is None else y
        gaps: list[float] = []
        prices, narrowing, turnover = 0, False, abs(bound)
        for _ in range(ROUNDS):
            contested = np.count_nonzero(self.contested)
            spare = gap * max(1.0, turnover)
            path, at_prices, solution = self._round(y, spare, afresh=not narrowing)
            bound = self.bound = min(bound, at_prices)
            if self._keeps(solution) and (best is None or solution.objective > best.objective):
                best = solution
            turnover = abs(bound) if best is None else proof.turnover(self.problem, best.x)
            gaps.append(np.inf if best is None else proof.relative_gap(bound, best.objective, turnover))
            say(so_far(f"path {len(gaps)} through {len(path.stored)} steps", gaps[-1], gap, deadline))
            words = f"{counted(len(gaps))} of paths through what is stored"
            if best is not None:
                better(SearchOutcome(best, bound, self.contested, list(gaps), words, rounds=len(gaps)))
            if gaps[-1] <= gap or time.perf_counter() > deadline or len(gaps) == most_rounds:
                break
            idle = len(gaps) > 2 and gaps[-1] > 0.9 * gaps[-3]
            idle = idle and contested == np.count_nonzero(self.contested)
            # Where steps share figures alone, intervals close what is open; other rows need their prices first.
            if best is not None and self._levels.figures and (idle or not self.stage.joining.any()):
                narrowing = True
            allowed = ALLOWED * gap * max(1.0, turnover)
            if (
                narrowing
                and best is not None
                and not self._levels.split(self._priced, self._schedule(best.x), allowed)
            ):
                break
            if idle and not narrowing:
                break
            if solution is not None and (not narrowing or self._levels.alone):
                # A linear program puts a peak's price on few steps, which the next path would only avoid: means are
                # better prices, and any prices bound.
                y = (prices * y + solution.row_dual) / (prices + 1)
                prices += 1
        if best is None:
            return None
        large = len(self.problem.row_upper) > MOST_ROWS_LOOKED_AT_AGAIN
        done = gaps[-1] <= gap or (large and not self.stage.joining.any())
        return SearchOutcome(best, bound, self.contested, gaps, words, done, len(gaps))

    def _keeps(self, solution: Solution | None) -> TypeGuard[Solution]:
        """Whether there is a schedule, and its whole numbers are whole."""
        if solution is None:
            return False
        return not (self.every.broken(self.problem, solution.x) & (self.every.kind == WHOLE)).any()

    def _round(self, y: np.ndarray, spare: float, *, afresh: bool) -> tuple[Path, float, Solution | None]:
        """The best path at some prices, the bound that it gives, and the linear program that follows it.

        `afresh` where the prices are others than before.
        """
        stage, levels = self.stage, self._levels
        if y is not self._y:
            self._y, self._priced = y, stage.priced(self._prices(y))
        if afresh:
            levels.forget()
        priced = self._priced
        choices, decided = _choices(stage, self._in_stage, self.contested)
        if not self._envelopes.size:
            busy = np.diff(choices.first)[choices.step] > 1
            self._envelopes.sample(priced, choices, busy)
        path = levels.best_path(priced, choices, self._near, spare / (4 * stage.steps))
        solution = self.followed = self._follow(path, choices, decided)
        where = self._doubtful(priced, choices, path, solution)
        before = self._starts(path.stored)
        lower, upper = levels.bounds()
        bounds = lower[where], upper[where]
        own = self._envelopes.learn(priced, where, bounds, before[where], path.stored[where])
        self._contest(where, own)
        self._near = before
        return path, levels.outside(priced) + path.bound, solution

    def _doubtful(
        self, priced: Priced, choices: Choices, path: Path, solution: Solution | None
    ) -> np.ndarray:
        """Steps in which a schedule does not go or make what the path promised, the worst first.

        There the envelopes may be too high, or a step may break a decision that was not thought of.
        """
        stage = self.stage
        if solution is None:
            ways = np.diff(choices.first)
            return np.argsort(-ways, kind="stable")[:MOST_LEARNT]
        x = self._schedule(solution.x)
        ends = stage.states(x)
        before, after = self._starts(path.stored), self._starts(ends)
        short = self._levels.most(after, ends) - stage.made(priced, x)
        apart = np.abs(path.stored - ends) + np.abs(before - after)
        worst = np.maximum(short, 1e-3 * apart)
        return np.argsort(-worst)[: min(MOST_LEARNT, np.count_nonzero(worst > 1e-12))]

    def _contest(self, where: np.ndarray, own: np.ndarray) -> None:
        """Decide on what some steps by themselves break, their columns given."""
        stage, every = self.stage, self.every
        x = np.zeros(len(self.problem.lower))
        there = np.flatnonzero(stage.columns < self.problem.step_columns)
        x[where[:, None] * self.problem.step_columns + stage.columns[there]] = own[:, there]
        looked_at = np.zeros(stage.steps, bool)
        looked_at[where] = True
        broken = every.broken(self.problem, x) & (every.kind != WHOLE) & looked_at[every.step]
        self.contested = self.contested | broken

    def _prices(self, y: np.ndarray) -> np.ndarray:
        """Prices of the problem's rows for the rows of the stages' problem."""
        return y if self._pool is None else self._pool.prices(y)

    def _schedule(self, x: np.ndarray) -> np.ndarray:
        """A schedule in the columns of the stages' problem."""
        return x if self._pool is None else self._pool.schedule(x)

    @property
    def stored_places(self) -> np.ndarray:
        """Where stored energy stands among the columns, of shape (steps,)."""
        return np.arange(self.stage.steps) * self.problem.step_columns + self.stage.state

    def join_periods_at(self, stored: np.ndarray) -> None:
        """Have periods that are solved apart meet at these stored energies, of shape (steps,). [kWh]"""
        if isinstance(self._highs, Periods):
            self._highs.move(self.stored_places, stored)

    def _starts(self, ends: np.ndarray) -> np.ndarray:
        """Stored when each step begins."""
        return np.append(self._start_kwh, ends[:-1])

    def _follow(self, path: Path, choices: Choices, decided: np.ndarray) -> Solution | None:
        """The linear program with the path's decisions taken, and those that break then, until none does.

        Whole numbers are not for paths: they may lie between.
        """
        problem, every = self.problem, self.every
        held = np.zeros(len(every.step), bool)
        held[decided] = True
        second = np.zeros(len(every.step), bool)
        code = choices.code[path.choice]
        second[decided] = (code[every.step[decided]] >> _place_in_step(every.step[decided])) & 1
        self.join_periods_at(path.stored)
        for _ in range(MOST_TRIES):
            lower, upper = problem.lower.copy(), problem.upper.copy()
            take(lower, upper, every.first[held], every.second[held], every.kind[held], second[held], 0.0)
            self._highs.change_column_bounds(np.arange(len(lower)), lower, upper)
            solution = self._highs.solve()
            if solution.verdict == "infeasible":
                return None
            broken = every.broken(problem, solution.x) & (every.kind != WHOLE)
            if (broken & held).any():
                # What leaned several ways at once is for the next path to decide.
                return None
            if not broken.any():
                self.taken = lower, upper
                return solution
            second = np.where(broken, every.seconds(problem, solution.x), second)
            held, self.contested = held | broken, self.contested | broken
        return None


def _place_in_step(step: np.ndarray) -> np.ndarray:
    """Which of its step's each is, of steps in rising order."""
    _, first, count = np.unique(step, return_index=True, return_counts=True)
    return np.arange(len(step)) - np.repeat(first, count)


def _choices(stage: Stage, every: Decisions, contested: np.ndarray) -> tuple[Choices, np.ndarray]:
    """Every way that contested decisions may go in a step, and those decisions in order of their steps.

    A choice's code says in binary which of them take their second alternative. Beyond `MOST_DECIDED` a step's are
    left open, which loosens the bound.
    """
    decided = np.flatnonzero(contested)
    decided = decided[np.lexsort((decided, every.step[decided]))]
    decided = decided[_place_in_step(every.step[decided]) < MOST_DECIDED]
    ways = 1 << np.bincount(every.step[decided], minlength=stage.steps)
    first = np.concatenate([[0], np.cumsum(ways)])
    step = np.repeat(np.arange(stage.steps), ways)
    code = np.arange(len(step)) - first[step]
    lower, upper = stage.lower[step], stage.upper[step]
    _take_in_choices(stage, every, decided, (first, code), lower, upper)
    open_ = stage.may_hold(step, lower, upper)
    first = np.concatenate([[0], np.cumsum(np.bincount(step[open_], minlength=stage.steps))])
    return Choices(step[open_], lower[open_], upper[open_], code[open_], first), decided


def _take_in_choices(
    stage: Stage,
    every: Decisions,
    decided: np.ndarray,
    choices: tuple[np.ndarray, np.ndarray],
    lower: np.ndarray,
    upper: np.ndarray,
) -> None:
    """Change the bounds of all choices, given by their steps' first places and their codes, as their codes say."""
    first, codes = choices
    column = np.full(stage.problem.step_columns, -1)
    column[stage.columns] = np.arange(len(stage.columns))
    ways, place = np.diff(first), _place_in_step(every.step[decided])
    count = ways[every.step[decided]]
    owner = np.repeat(decided, count)
    choice = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + first[every.step[owner]]
    second = (codes[choice] >> np.repeat(place, count)) & 1 == 1
    own = every.step[owner] * stage.problem.step_columns
    one, other = column[every.first[owner] - own], column[every.second[owner] - own]
    pair, order = every.kind[owner] == PAIR, every.kind[owner] == ORDER
    upper[choice[pair & second], one[pair & second]] = 0.0
    upper[choice[~second], other[~second]] = 0.0
    full = choice[order & second], one[order & second]
    lower[full] = stage.upper[every.step[owner][order & second], full[1]]
