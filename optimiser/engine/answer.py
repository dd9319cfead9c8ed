"""From a problem to its best schedule with a bound: the linear program, then one direction where it is broken."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from optimiser.engine import directions, path, proof
from optimiser.engine.decisions import SearchOutcome, decisions
from optimiser.engine.diagnosis import search as diagnosis
from optimiser.engine.pooling import banks
from optimiser.engine.solver import Basis, Highs, Solution
from optimiser.engine.tiling import Problem
from optimiser.engine.windows import Periods, Windows, by_days, cores, is_shared, sharing
from optimiser.errors import InfeasibleError
from optimiser.scenario.file import Scenario, Solve

MOST_ROWS_WHOLE = 40_000
MOST_ROWS_FINISHED = 3_000_000
# A path says what is stored where periods meet, so they need not be joined in one program: half of the memory.
MOST_ROWS_FOLLOWED = 1_000_000
COUNTED_CHAINS = 2
FOR_EVER_S = 1e9


@dataclass(frozen=True)
class Start:
    """Where a run of the same shape with other data may start: a basis, and the solver that it is in, if that was kept.

    The basis is that of the linear program before decisions. One run at a time may go on with a solver.
    """

    basis: Basis
    highs: Highs | None = None


@dataclass(frozen=True)
class Answer:
    """A schedule, what bounds it, and where the next may start.

    Attributes
    ----------
    x : array of shape (columns,)
    row_dual : array of shape (rows,)
        Of the last linear program, directions fixed.
    bound : float
        The most money that any schedule can make.
    route : str
        How the solve went about it.
    decided : int
        Steps in which an integer decision was made.
    remaining : int
        Steps in which the one-direction rule is still broken.
    start : Start
    trail : tuple of (float, float)
        How the proven gap fell: seconds since the linear program began, and the gap as a share of the turnover.
    ended : str
        Why the search went no further; empty on the way, and where the gap is as small as was asked for.
    """

    x: np.ndarray
    row_dual: np.ndarray
    bound: float
    route: str
    decided: int
    remaining: int
    start: Start
    trail: tuple[tuple[float, float], ...] = ()
    ended: str = ""


def answer(
    problem: Problem,
    scenario: Scenario,
    say: Callable[[str], None],
    start: Start | None = None,
    keep_solver: bool = False,
    better: Callable[[Answer], None] | None = None,
) -> Answer:
    """Solve a problem to its proven best.

    Parameters
    ----------
    problem : Problem
    scenario : Scenario
        Its `solve` says the gap and the time.
    say : callable
        Told in a phrase what is being done.
    start : Start or None
        Of a problem with the same columns and rows and other data; one of another shape is not used.
    keep_solver : bool
        Whether the next run is to go on with this one's solver, which takes its memory.
    better : callable, optional
        Handed the best so far whenever more is known.

    Raises
    ------
    InfeasibleError
        If no schedule keeps every limit.
    UnprovenError
        If none is found in time.
    """
    if scenario.solve.rounds is not None and not is_shared():
        # The cuts of the first pass decide which of several best schedules is found; a count is to find the same one.
        with sharing(COUNTED_CHAINS, cores()):
            return _answer(problem, scenario, say, start, keep_solver, better)
    return _answer(problem, scenario, say, start, keep_solver, better)


def _answer(
    problem: Problem,
    scenario: Scenario,
    say: Callable[[str], None],
    start: Start | None,
    keep_solver: bool,
    better: Callable[[Answer], None] | None,
) -> Answer:
    """The same with the cores shared as they are to be."""
    options = scenario.solve
    began = time.perf_counter()
    counted = options.rounds is not None and options.time_limit_s is None
    deadline = began + (min(options.most_seconds, FOR_EVER_S) if not counted else math.inf)
    holder, route = _started(problem, scenario, say, start)
    if isinstance(holder, Highs):
        say("solving the whole linear program")
    relaxed = holder.solve()
    if relaxed.verdict == "infeasible":
        raise InfeasibleError("no schedule keeps every limit")
    basis = holder.basis()
    every, trail = decisions(problem), list[tuple[float, float]]()

    def known(outcome: SearchOutcome, kept: Start, ended: str = "") -> Answer:
        solution = outcome.solution
        words = f"{route}, then {outcome.words}" if outcome.words else route
        decided = len(np.unique(every.step[outcome.flagged]))
        remaining = int(every.broken(problem, solution.x).sum())
        way = (words, decided, remaining, kept, tuple(trail), ended)
        return Answer(solution.x, solution.row_dual, outcome.bound, *way)

    def note(outcome: SearchOutcome) -> None:
        trail.append((time.perf_counter() - began, outcome.gaps[-1]))
        if better is not None:
            better(known(outcome, Start(basis)))

    outcome = directions.keep_one_direction(
        problem,
        relaxed,
        holder,
        options.gap_tolerance,
        deadline,
        say,
        note,
        options.rounds,
        soon=better is not None,
    )
    kept = Start(basis, holder if keep_solver and isinstance(holder, Highs) else None)
    return known(outcome, kept, _ended(outcome, options, deadline))


def _ended(outcome: SearchOutcome, options: Solve, deadline: float) -> str:
    """Why a search ended with a gap that is wider than was asked for."""
    if not outcome.gaps or outcome.gaps[-1] <= options.gap_tolerance:
        return ""
    if time.perf_counter() > deadline:
        return "the time was used up"
    if options.rounds is not None and outcome.rounds >= options.rounds:
        return "the rounds were used up"
    return "the search led no further; more time would not narrow the gap"


def _started(
    problem: Problem, scenario: Scenario, say: Callable[[str], None], start: Start | None
) -> tuple[Highs | Periods, str]:
    """What holds the problem and where it starts from, and the route in words."""
    if start is not None and start.basis.fits(problem):
        highs = start.highs
        if highs is None or not highs.change(problem, start.basis):
            highs = Highs(problem)
            highs.set_basis(start.basis)
        return highs, "from the answer to an earlier run of the same shape"
    chosen, rows = scenario.solve.route, len(problem.row_upper)
    if chosen == "auto" and rows <= MOST_ROWS_WHOLE:
        chosen = "whole"
    if chosen == "whole":
        return Highs(problem), "the whole run at once"
    windows = Windows(problem)
    spans = windows.periods()
    draft = by_days(problem, windows, spans, say)
    if draft is None:
        # A day without an answer may be its own fault (it began too empty) or the sign of a site without one.
        diagnosis.check_weeks(scenario)
        return Highs(problem), "the whole run at once"
    periods = Periods(problem, draft, windows, spans, say)
    words = "days first, then billing periods"
    found = periods.solve()
    close = found.verdict == "optimal" and _gap(problem, found) <= scenario.solve.gap_tolerance / 4
    if rows <= MOST_ROWS_FOLLOWED:
        # Periods meet at what each bank holds, of which a path through the energy of several says nothing.
        apart = close and not (len(banks(problem)) > 1 and _walked(problem, found))
    else:
        apart = close or rows > MOST_ROWS_FINISHED or _walked(problem, found)
    if chosen == "periods" or (chosen == "auto" and apart):
        return periods, words
    highs = Highs(problem)
    highs.set_basis(periods.basis())
    if found.verdict == "infeasible":
        words = "days first"
    return highs, f"{words}, then the whole run from there"


def _walked(problem: Problem, found: Solution) -> bool:
    """Whether what comes next is a path through what is stored."""
    every = decisions(problem)
    return found.verdict == "optimal" and path.suits(every, every.broken(problem, found.x))


def _gap(problem: Problem, solution: Solution) -> float:
    turnover = proof.turnover(problem, solution.x)
    return proof.relative_gap(proof.upper_bound(problem, solution.row_dual), solution.objective, turnover)
