"""From a problem to its best schedule with a bound: the linear program, then one direction where it is broken."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from optimiser.engine import directions, path, proof
from optimiser.engine.decisions import decisions
from optimiser.engine.diagnosis import search as diagnosis
from optimiser.engine.solver import Basis, Highs, Solution
from optimiser.engine.tiling import Problem
from optimiser.engine.windows import Periods, Windows, by_days
from optimiser.errors import InfeasibleError
from optimiser.scenario.file import Scenario

MOST_ROWS_WHOLE = 40_000
MOST_ROWS_FINISHED = 3_000_000
# A path says what is stored where periods meet, so they need not be joined in one program: half of the memory.
MOST_ROWS_FOLLOWED = 1_000_000


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
    """

    x: np.ndarray
    row_dual: np.ndarray
    bound: float
    route: str
    decided: int
    remaining: int
    start: Start


def answer(
    problem: Problem,
    scenario: Scenario,
    say: Callable[[str], None],
    start: Start | None = None,
    keep_solver: bool = False,
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

    Raises
    ------
    InfeasibleError
        If no schedule keeps every limit.
    UnprovenError
        If none is found in time.
    """
    deadline = time.perf_counter() + scenario.solve.time_limit_s
    holder, route = _started(problem, scenario, say, start)
    if isinstance(holder, Highs):
        say("solving the whole linear program")
    relaxed = holder.solve()
    if relaxed.verdict == "infeasible":
        raise InfeasibleError("no schedule keeps every limit")
    basis = holder.basis()
    outcome = directions.keep_one_direction(
        problem, relaxed, holder, scenario.solve.gap_tolerance, deadline, say
    )
    every = decisions(problem)
    if outcome.words:
        route += f", then {outcome.words}"
    decided = len(np.unique(every.step[outcome.flagged]))
    remaining = int(every.broken(problem, outcome.solution.x).sum())
    kept = Start(basis, holder if keep_solver and isinstance(holder, Highs) else None)
    return Answer(
        outcome.solution.x, outcome.solution.row_dual, outcome.bound, route, decided, remaining, kept
    )


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
    apart = close or rows > MOST_ROWS_FINISHED or (rows > MOST_ROWS_FOLLOWED and _walked(problem, found))
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
    return proof.relative_gap(proof.upper_bound(problem, solution.row_dual), solution.objective)
