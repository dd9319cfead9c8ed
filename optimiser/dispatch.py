"""The plan of a scenario: built, solved, proven, and every rule and line replayed on the numbers."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np

from optimiser.engine import proof
from optimiser.engine.answer import Answer, Start, answer
from optimiser.engine.diagnosis import search as diagnosis
from optimiser.engine.diagnosis.supply import check_supply
from optimiser.engine.tiling import Problem, build_problem
from optimiser.errors import DriftError, InfeasibleError
from optimiser.formulation import Formulation, formulate
from optimiser.progress import Say, Step
from optimiser.scenario.file import Scenario
from optimiser.terms.books import SettledTerms
from optimiser.terms.line import Line

RULE_TOLERANCE = 1e-5
MONEY_TOLERANCE = 1e-4
OPTIMAL = "optimal"  # the verdict on what is proven within tolerance

Progress = Say


@dataclass(frozen=True)
class Proof:
    """What is known of a schedule, computed by this package.

    Attributes
    ----------
    verdict : str
        "optimal" where the gap is within tolerance, else "best found, within x %".
    route : str
        How the solve went about it.
    bound : float
        The most money that any schedule can make. [currency]
    settled : float
        What the books make of this one, wear and tie-break included. [currency]
    gap_absolute, gap_relative : float
        Between the two, as money and as a share of the turnover. [currency, -]
    turnover : float
        The sum of all amounts that are paid either way, each by itself. [currency]
    tolerance_relative : float
        The gap that counts as optimal.
    primal_violation : float
        Largest amount by which a row or bound of the linear program is broken, in its own unit.
    replay_violation : float
        The same for every rule replayed from the formulation.
    seconds_a_digit : float or None
        What a gap of a tenth would have taken, at the pace at which the last rounds of the search narrowed it; None
        where that is not known. [s]
    ended : str
        Why the search ended where the gap is not within tolerance; empty elsewhere and on the way.
    tested_pairs, remaining_violations, inverted_steps, binding_steps : int
        Of the one-direction rule: pairs tested in every step, violations left (always none), steps in which an
        exported kWh brings more than an imported one costs, and steps that needed an integer decision.
    """

    verdict: str
    route: str
    bound: float
    settled: float
    gap_absolute: float
    gap_relative: float
    turnover: float
    tolerance_relative: float
    primal_violation: float
    replay_violation: float
    seconds_a_digit: float | None
    ended: str
    tested_pairs: int
    remaining_violations: int
    inverted_steps: int
    binding_steps: int


@dataclass(frozen=True)
class Dispatch:
    """A solved scenario.

    Attributes
    ----------
    scenario : Scenario
    values : dict of str to array
        Every decision by the name of its column.
    lines : tuple of Line
        Every amount of money, settled.
    flows : SiteFlows
        The flows as numbers.
    offers : tuple of Offer
        What is offered of each product, as numbers.
    worth_per_kwh : dict of str to array
        Marginal worth of stored energy of each bank in each step. [currency/kWh]
    proof : Proof
    seconds : dict of str to float
        Time taken by each part. [s]
    start : Start
        Where a run of the same shape with other data may start.
    multipliers : dict of str to array
        Money that one more unit of each rule's right-hand side brings, by name of rule, directions fixed; empty where
        the solver gave none.
    """

    scenario: Scenario
    values: dict[str, np.ndarray]
    lines: tuple[Line, ...]
    flows: Any
    offers: tuple[Any, ...]
    worth_per_kwh: dict[str, np.ndarray]
    proof: Proof
    seconds: dict[str, float]
    start: Start = field(repr=False)
    multipliers: dict[str, np.ndarray] = field(default_factory=dict, repr=False)


def solve(
    scenario: Scenario,
    *,
    start: Dispatch | Start | None = None,
    keep_solver: bool = False,
    progress: Progress | None = None,
    better: Callable[[Callable[[], Dispatch]], None] | None = None,
) -> Dispatch:
    """Find the schedule that makes the most money within every limit, and prove it.

    Parameters
    ----------
    scenario : Scenario
    start : Dispatch or Start, optional
        A solved scenario of the same shape, or its `start`, other prices, limits or efficiencies in it; the linear
        program starts from there, which is quicker. The answer is proven all the same.
    keep_solver : bool
        Keep the solver in the answer, so that the run that starts from it need not load the problem again: one after
        the other, each from the last. It takes memory, a gigabyte for the largest.
    progress : callable, optional
        Told in a phrase what is being done.
    better : callable, optional
        Handed, whenever more is known, what makes a `Dispatch` of the best schedule so far: replayed and proven like
        the last one, in whatever thread it is called. The first comes soon.

    Raises
    ------
    InfeasibleError
        If no schedule keeps every limit: which, when, by how much.
    UnprovenError
        If the solver ends without a schedule.
    DriftError
        If the schedule breaks a rule or the books disagree with the objective.
    """
    say = progress or (lambda words: None)
    began = time.perf_counter()
    check_supply(scenario)
    say(Step("building the linear program", afresh=True))
    problem = build_problem(scenario)
    _check_auxiliaries(problem)
    built = time.perf_counter()

    def handed(found: Answer) -> None:
        assert better is not None
        better(partial(_dispatched, scenario, problem, found, built - began, time.perf_counter() - built))

    try:
        begin = start.start if isinstance(start, Dispatch) else start
        found = answer(problem, scenario, say, begin, keep_solver, None if better is None else handed)
    except InfeasibleError:
        say("looking for the limit that cannot be kept")
        raise diagnosis.explained(scenario) from None
    solved = time.perf_counter()
    say(Step("replaying every rule and line", afresh=True))
    return _dispatched(scenario, problem, found, built - began, solved - built)


def _dispatched(
    scenario: Scenario, problem: Problem, found: Answer, build_s: float, solve_s: float
) -> Dispatch:
    """An answer as a dispatch: every rule replayed, every line settled, the gap proven."""
    began = time.perf_counter()
    values = problem.split(found.x)
    stated, replay_violation = replay(scenario, values)
    _check_money(problem, found.x, stated.lines)
    seconds = {"build": build_s, "solve": solve_s, "replay": time.perf_counter() - began}
    return Dispatch(
        scenario,
        values,
        tuple(stated.lines),
        stated.flows,
        tuple(stated.offers),
        _worth(scenario, problem, found),
        _proof(scenario, problem, found, stated, replay_violation),
        seconds,
        found.start,
        problem.by_rule(found.row_dual),
    )


def replay(scenario: Scenario, values: dict[str, np.ndarray]) -> tuple[Formulation, float]:
    """State the problem again on solved numbers; refuse them if any rule is broken.

    Returns
    -------
    (Formulation, float)
        The lines and flows as numbers, and the largest amount by which a rule is broken.

    Raises
    ------
    DriftError
        If a rule is broken by more than 1e-5 of its unit.
    """
    terms = SettledTerms(scenario.data, values)
    stated = formulate(scenario, terms)
    worst = max(terms.replays, key=lambda replayed: replayed.worst)
    if worst.worst > RULE_TOLERANCE:
        step = int(np.argmax(worst.excess))
        raise DriftError(
            f"the schedule breaks the rule '{worst.name}' by {worst.worst:.6g} {worst.unit} in group or step {step}. "
        )
    return stated, worst.worst


def _check_auxiliaries(problem: Problem) -> None:
    """Refuse a rewarded auxiliary: rows hold it up, so only money that pushes it down gives its true value."""
    for family in problem.columns.values():
        if family.auxiliary and (problem.objective[problem.places[family.name]] > 0).any():
            raise DriftError(
                f"{family.name} would be paid for being higher than what it measures; no schedule is valid"
            )


def _check_money(problem: Problem, x: np.ndarray, lines: list[Line]) -> None:
    """Each line must be worth in the books what it was worth in the objective, joined lines between them.

    Where a line approximates, the objective may see more money than the books: the gap of the proof, which is between
    the bound and the books, holds the difference. It may never see less.
    """
    together: dict[str, list[tuple[float, Line]]] = {}
    for number, (amount, line) in enumerate(
        zip(problem.by_line @ x + problem.line_offsets, lines, strict=True)
    ):
        together.setdefault(line.joined or f"line {number}", []).append((float(amount), line))
    for same in together.values():
        amount, settled = sum(a for a, _ in same), sum(float(line.values.sum()) for _, line in same)
        names = "', '".join(dict.fromkeys(line.name for _, line in same))
        tolerance = MONEY_TOLERANCE + 1e-7 * max(abs(settled), *(abs(a) for a, _ in same))
        optimistic = any(line.approximates for _, line in same)
        if amount - settled < -tolerance or (amount - settled > tolerance and not optimistic):
            raise DriftError(
                f"the line '{names}' is {amount:.6f} in the objective and {settled:.6f} in the books. "
            )


def seconds_a_digit(trail: Sequence[tuple[float, float]]) -> float | None:
    """What a gap of a tenth would take, at the pace at which it was last narrowed; None where that is not known.

    Parameters
    ----------
    trail : sequence of (float, float)
        Seconds and the gap then, in the order of time.

    Returns
    -------
    float or None
        [s]
    """
    if len(trail) < 2:
        return None
    end, gap = trail[-1]
    before = [(then, wide) for then, wide in trail if wide > gap * (1 + 1e-6)]
    if not before or gap <= 0:
        return None
    then, wide = before[-1]
    return (end - then) / math.log10(wide / gap)


def _worth(scenario: Scenario, problem: Problem, found: Answer) -> dict[str, np.ndarray]:
    """Marginal worth of energy stored at the end of each step, from the duals of the energy balances."""
    worth = {}
    for bank in scenario.storage:
        rows = problem.row_places[f"energy of {bank.name}"]
        worth[bank.name] = found.row_dual[rows] if len(found.row_dual) else np.full(len(rows), np.nan)
    return worth


def _proof(
    scenario: Scenario, problem: Problem, found: Answer, stated: Formulation, replay_violation: float
) -> Proof:
    settled = float(sum(line.values.sum() for line in stated.lines))
    size = sum(float(np.abs(line.values).sum()) for line in stated.lines)
    if settled - found.bound > MONEY_TOLERANCE + 1e-7 * size:
        raise DriftError(
            f"the schedule makes {settled:.6f}, more than the bound of {found.bound:.6f} over every schedule. "
        )
    gap = max(0.0, found.bound - settled)
    turnover = sum(float(np.abs(line.values).sum()) for line in stated.lines if line.cash)
    relative = proof.relative_gap(found.bound, settled, turnover)
    tolerance = scenario.solve.gap_tolerance
    verdict = OPTIMAL
    if relative > tolerance:
        money = f"{gap:,.2f} {scenario.file.currency}"
        verdict = f"best found, within {proof.within(relative)} of turnover ({money})"
    data = scenario.data
    inverted = scenario.tariff.export_price(data) > scenario.tariff.import_price(data)
    return Proof(
        verdict,
        found.route,
        found.bound,
        settled,
        gap,
        relative,
        turnover,
        tolerance,
        proof.violation(problem, found.x),
        replay_violation,
        seconds_a_digit(found.trail),
        found.ended,
        len(problem.pairs),
        found.remaining,
        int(inverted.sum()),
        found.decided,
    )
