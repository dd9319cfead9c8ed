"""Why no schedule exists: which limit asks for more than which other allows, when, and by how much.

Offers of services may always be zero and money forbids nothing, so both are left out and what remains is
small: the balances, the sun, the limits and what a warranty covers in a month. `check_supply` compares, step
by step, what must be served with the most that could serve it, and adds up the most that could be stored by
then. `explained` is asked once there is known to be no schedule: it walks the weeks with as much energy stored
as could be, until one cannot be done, finds the step by which it fails, and there asks of each limit by how
much it would have to be moved.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from optimiser.columns import alike, of_bank
from optimiser.engine.diagnosis.limits import TOLERANCE, WARRANTED, MovableLimit, limits_of
from optimiser.engine.diagnosis.window import DiagnosisWindow, bare_problem
from optimiser.engine.diagnosis.words import alternative_words, finding_of, fixed_kw, rule_words, sentence_of
from optimiser.engine.tiling import Problem
from optimiser.errors import DriftError, InfeasibleError
from optimiser.scenario.file import Scenario

MOST_COLUMNS_WHOLE = 40_000


SPAN_HOURS = 168


WALK_SECONDS = 8.0


NEAR_THE_MOST = 0.999


def explained(scenario: Scenario) -> InfeasibleError | DriftError:
    """The error that names what cannot be kept.

    Parameters
    ----------
    scenario : Scenario
        Its limits are stated afresh, without services.

    Returns
    -------
    InfeasibleError or DriftError
        Its `findings` name each limit that has to be moved, with the step, the local time and the amount. Where every
        limit can be kept after all, it is a defect of ours.
    """
    try:
        check_weeks(scenario)
    except InfeasibleError as error:
        return error
    bare = bare_problem(scenario)
    steps = bare.timeline.steps
    if not DiagnosisWindow(bare, [], 0, steps, None).possible():
        # Each span can be done from the most that could be stored before it, but not all of them together.
        return _together(scenario, bare, limits_of(scenario, bare), 0, steps, None, "")
    return DriftError(
        "the solver finds no schedule, yet every limit of site and storage can be kept, services may always be left "
        "unsold and no price forbids anything"
    )


def check_weeks(scenario: Scenario) -> None:
    """Walk the weeks of a scenario, or its months where a warranty counts by them, each from as much energy as could be
    stored before it.

    A short scenario is looked at as a whole, which is exact. Takes seconds for a year.

    Raises
    ------
    InfeasibleError
        If a week cannot be done, with the limit that has to be moved, the step and the amount.
    """
    problem = bare_problem(scenario)
    limits = limits_of(scenario, problem)
    found = _first_impossible(problem)
    if found is not None:
        raise told(scenario, problem, limits, *found)


def _first_impossible(problem: Problem) -> tuple[int, int, np.ndarray | None] | None:
    """The first week that cannot be done from as much energy as could be stored before it."""
    carried = None
    for first, stop in pairwise(_edges(problem, 0)):
        fullest = DiagnosisWindow(problem, [], first, stop, carried).fullest()
        if fullest is None:
            return first, stop, carried
        carried = fullest
    return None


def _edges(problem: Problem, first: int) -> list[int]:
    """A step and the ends of the spans after it: all that is left where that is short, else months or weeks."""
    steps = problem.timeline.steps
    if steps * problem.step_columns <= MOST_COLUMNS_WHOLE:
        return [first, steps]
    counted = [problem.columns[name] for name in alike(problem.columns, of_bank, WARRANTED)]
    if counted:
        ends = [int(start) for start in problem.timeline.groups(counted[0].per).first_step]
    else:
        ends = list(range(first, steps, max(1, round(SPAN_HOURS / problem.timeline.step_hours))))
    return [first, *(end for end in ends if first < end < steps), steps]


def _smallest(lowest: int, highest: int, holds: Callable[[int], bool]) -> int:
    """The smallest number from `lowest` to `highest` that holds, given that all after it hold too."""
    while lowest < highest:
        middle = (lowest + highest) // 2
        if holds(middle):
            highest = middle
        else:
            lowest = middle + 1
    return highest


def told(
    scenario: Scenario,
    problem: Problem,
    limits: list[MovableLimit],
    first: int,
    stop: int,
    carried: np.ndarray | None,
    also: str = "",
) -> InfeasibleError:
    """What has to give way in a span that cannot be done."""
    soonest = _smallest(
        first + 1, stop, lambda b: not DiagnosisWindow(problem, [], first, b, carried).possible()
    )
    alone = _cures(DiagnosisWindow(problem, limits, first, soonest, carried), limits)
    if not alone:
        return _together(scenario, problem, limits, first, soonest, carried, also)
    # Named is the limit that comes first by rank; among equals the one that has to be moved least.
    order = sorted(alone, key=lambda number: (limits[number].rank, alone[number]))
    whole = DiagnosisWindow(problem, limits, first, stop, carried)
    wholly = {number: moves for number in order if (moves := _least_of(whole, number)) is not None}
    number = next(iter(wholly), order[0])
    amount, worst, needed = alone[number], soonest, alone
    if number in wholly and stop - first > 1:
        hardest = _hardest(problem, limits[number], (first, stop, carried), wholly[number])
        first, stop, carried, amount = hardest.first, hardest.stop, hardest.carried, hardest.amount
        if hardest.looked_at < problem.timeline.steps and not also:
            since = scenario.timeline.when(hardest.looked_at)
            also = f"What follows {since} was not looked at and may need more."
        if amount > alone[number] * (1 + TOLERANCE):
            needed = _cures(DiagnosisWindow(problem, limits, first, stop, carried), limits)
            enough = amount * NEAR_THE_MOST
            worst = _smallest(
                first + 1,
                stop,
                lambda b: (
                    (_least_of(DiagnosisWindow(problem, [limits[number]], first, b, carried), 0) or 0.0)
                    >= enough
                ),
            )
    by_itself = not DiagnosisWindow(problem, [], worst - 1, worst, None).possible()
    window = DiagnosisWindow(problem, limits, first, worst, carried)
    window.least({number: 1.0})
    finding = finding_of(scenario, window, limits[number], amount, worst - 1)
    others = {other: needed[other] for other in order if other != number and other in needed}
    names = [rule_words(limits[other], "") for other in others if limits[other].rank < 5][:3]
    words = [sentence_of(scenario, window, limits[number], finding, names, by_itself)]
    instead = [alternative_words(limits[other], others[other]) for other in others][:3]
    if instead:
        words.append("Or instead: " + "; or ".join(instead) + ".")
    if worst != soonest:
        words.append(f"It is first missing at {scenario.timeline.when(soonest - 1)}.")
    finding["instead"] = [
        {"rule": rule_words(limits[other], ""), "amount": others[other], "unit": limits[other].unit}
        for other in others
    ]
    return InfeasibleError("no schedule keeps every limit: " + " ".join([*words, also]).strip(), [finding])


@dataclass(frozen=True)
class _Hardest:
    """The span in which a limit has to be moved most, by how much, and the step up to which was looked."""

    first: int
    stop: int
    carried: np.ndarray | None
    amount: float
    looked_at: int


def _hardest(problem: Problem, limit: MovableLimit, span: tuple[int, int, Any], amount: float) -> _Hardest:
    """Walk on from a span with a limit moved by what it lacks there, and further where that falls short."""
    began, steps = time.perf_counter(), problem.timeline.steps
    first, stop, carried = span
    hardest = span
    if steps * problem.step_columns <= MOST_COLUMNS_WHOLE:
        return _Hardest(*span, amount, stop)
    enough = {0: amount * (1 + TOLERANCE)}
    carried = DiagnosisWindow(problem, [limit], first, stop, carried).fullest(enough)
    for at, end in pairwise(_edges(problem, stop)):
        if at >= end or carried is None or time.perf_counter() - began >= WALK_SECONDS:
            break
        window = DiagnosisWindow(problem, [limit], at, end, carried)
        fullest = window.fullest(enough)
        if fullest is None:
            more = _least_of(window, 0)
            if more is None:
                break
            amount, hardest, enough = more, (at, end, carried), {0: more * (1 + TOLERANCE)}
            fullest = window.fullest(enough)
        carried, stop = fullest, end
    return _Hardest(*hardest, amount, stop)


def _least_of(window: DiagnosisWindow, number: int) -> float | None:
    """The least move of one limit alone that makes a schedule possible, if any does."""
    moves = window.least({number: 1.0})
    return None if moves is None else float(moves[number])


def _cures(window: DiagnosisWindow, limits: list[MovableLimit]) -> dict[int, float]:
    """The limits that make a schedule possible by being moved alone, and by how much."""
    moves = {number: _least_of(window, number) for number in range(len(limits))}
    return {number: move for number, move in moves.items() if move is not None and move > TOLERANCE}


def _together(
    scenario: Scenario,
    problem: Problem,
    limits: list[MovableLimit],
    start: int,
    stop: int,
    given: Any,
    also: str,
) -> InfeasibleError:
    """Several limits that have to be moved at once."""
    window = DiagnosisWindow(problem, limits, start, stop, given)
    moves = window.least({number: 4.0**limit.rank for number, limit in enumerate(limits)})
    when = scenario.timeline.when(stop - 1)
    if moves is None:
        return InfeasibleError(
            f"no schedule keeps every limit, and at {when} none that can be moved helps: the DC bus has no "
            "way to be supplied. Add an inverter that can take power in, or storage.",
            [
                {
                    "rule": "balance of the DC bus",
                    "step": stop - 1,
                    "when": when,
                    "amount": fixed_kw(scenario, stop - 1),
                    "unit": "kW",
                }
            ],
        )
    numbers = sorted(np.flatnonzero(moves > TOLERANCE), key=lambda number: limits[number].rank)
    findings = [finding_of(scenario, window, limits[n], float(moves[n]), stop - 1) for n in numbers]
    words = [sentence_of(scenario, window, limits[n], f) for n, f in zip(numbers, findings, strict=True)]
    listed = " And: ".join(words)
    text = f"no schedule keeps every limit, and {len(words)} have to be moved at once: {listed} {also}"
    return InfeasibleError(text.strip(), findings)
