"""What binds: the yearly worth of one more unit of each limit of a site, from the multipliers of its answer."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from pydantic import Field

from optimiser.accounts.settlement import Statement
from optimiser.dispatch import Dispatch, Progress
from optimiser.engine.answer import answer
from optimiser.engine.margins import Margins, derivative, held_again, margins
from optimiser.engine.solver import Basis
from optimiser.engine.tiling import Problem, build_problem
from optimiser.equipment.limits import StatedLimit, stated
from optimiser.finance.yearly import is_year, per_year, weights
from optimiser.scenario.file import Scenario
from optimiser.study import Figures, Study

RELATIVE_MOVE = 1e-4
LEAST_SHARE = 1e-9
# A re-solve moves a figure by one percent of itself, a second one by so many times that.
STEP, WIDE = 0.01, 10
ALIKE = 0.01  # worths a unit that differ by less are one
# In a longer run only so many limits, those with the largest margins, are solved again.
FEW_STEPS, FEW = 2000, 6
MORE = "what binds.more"


class BindingFigures(Figures):
    """What more of each limit would bring, in words, and how that was found."""

    words: list[str]
    no_limit: list[str] = Field(description="limits of which a little more or less would change nothing")
    not_checked: list[str] = Field(description="limits that the program was not solved again with")
    checked: int
    steps: int
    scaled_to_year: bool
    decisions_held: int
    basis: str


@dataclass(frozen=True)
class Side:
    """What moving a limit one way came to, from problems solved again.

    Attributes
    ----------
    cash : float
        Cash of the ceiling that one unit brings (more) or costs (less), wear not taken off. [currency/year/unit]
    wear : float
        Wear that goes with it. [currency/year/unit]
    span : float
        Over how many units this is the worth of each, to a percent. [unit]
    """

    cash: float
    wear: float
    span: float


@dataclass(frozen=True)
class Worth:
    """What one more unit of a limit brings, and what one less costs.

    Attributes
    ----------
    limit : StatedLimit
    margin : float
        What the multipliers say of a small move, cash less wear; at a corner of the optimum it lies anywhere between
        the two sides. [currency/year/unit]
    steps : int
        Steps in which it was the limit.
    more, less : Side or None
        From re-solves; None where that was not checked, or no schedule keeps every limit there.
    checked : bool
        Whether it was solved again.
    """

    limit: StatedLimit
    margin: float
    steps: int
    more: Side | None = None
    less: Side | None = None
    checked: bool = False


def nudged(scenario: Scenario, path: str, by: float) -> Scenario:
    """The scenario with one figure a little larger, in every step where it is a series.

    The figure may leave what a file may say (2.0001 units): this is for slopes, not for runs.
    """
    parts = path.split(".")
    value: Any = scenario.file
    for part in parts:
        value = value[int(part)] if isinstance(value, tuple) else getattr(value, part)
    columns = scenario.columns
    if isinstance(value, str):
        columns = {**columns, MORE: columns[value] + by}
        value = MORE
    else:
        value += by
    return dataclasses.replace(scenario, file=_with(scenario.file, parts, value), columns=columns)


def _with(owner: Any, parts: Sequence[str], value: Any) -> Any:
    """A copy of a frozen model with the value at a path changed."""
    if not parts:
        return value
    if isinstance(owner, tuple):
        place = int(parts[0])
        return (*owner[:place], _with(owner[place], parts[1:], value), *owner[place + 1 :])
    return owner.model_copy(update={parts[0]: _with(getattr(owner, parts[0]), parts[1:], value)})


def worths(statement: Statement, say: Progress = lambda words: None, *, check: bool = True) -> list[Worth]:
    """What one more unit of each limit would bring in a year, and what one less would cost.

    Parameters
    ----------
    statement : Statement
    say : callable
        Told in a phrase what is being done.
    check : bool
        Whether the largest are solved again on both sides; else their margins alone are given.

    Returns
    -------
    list of Worth
        In the order of the file; empty where the solver gave no multipliers. Amounts of a shorter run are scaled as its
        saving is, demand by its billing periods.

    Notes
    -----
    First each limit is moved a little, the whole problem is stated again, and every row, bound, coefficient and amount
    that differs is valued at the multipliers of the answer (`engine.margins.moved`). So whatever a limit enters into
    is counted once, wherever its worth ended up. That margin is of the objective, which takes wear off, and at a corner
    of the optimum it promises more than one more unit brings. So the largest are checked: the limit is moved up and
    down, the program is solved again from the answer, and cash and wear are read off its lines. Decisions (one
    direction, whole numbers) stay as they are. In a run shorter than a year each line counts as often as the yearly
    saving counts it (`finance.yearly.weights`): a month's demand charge weighs less against the days than in the run's
    own sums.
    """
    dispatch = statement.dispatch
    if not dispatch.multipliers:
        return []
    scenario = dispatch.scenario
    counted = weights(dispatch.lines, scenario.tariff, scenario.timeline)
    at = _optimum(dispatch, counted)
    found = [_worth(scenario, counted, at, limit) for limit in stated(scenario)]
    if not check:
        return found
    ranked = sorted(found, key=lambda worth: -abs(worth.margin))
    checked = ranked if scenario.timeline.steps <= FEW_STEPS else [w for w in ranked if w.margin][:FEW]
    again = _Again(scenario, counted, at, dispatch.start.basis)
    by_path: dict[str, Worth] = {}
    for number, worth in enumerate(checked, 1):
        say(f"what binds: {worth.limit.words}, solved again ({number} of {len(checked)})")
        by_path[worth.limit.path] = again.checked(worth)
    return [by_path.get(worth.limit.path, worth) for worth in found]


class _Again:
    """The program solved again with a limit moved, from the answer, its decisions held."""

    def __init__(self, scenario: Scenario, counted: np.ndarray, at: Margins, basis: Basis):
        self.scenario, self.counted, self.at = scenario, counted, at
        self.yearly = per_year(scenario.timeline)
        # To the last digit: an answer within its tolerance is too coarse to be told apart from one a percent away.
        x, self.basis = held_again(at.problem, at, basis) or (at.x, basis)
        self.here = self._money(at.problem, x)

    def checked(self, worth: Worth) -> Worth:
        """A worth with both its sides."""
        step = STEP * max(1.0, worth.limit.size / worth.limit.per)
        sides = [self._side(worth.limit, way * step) for way in (1, -1)]
        return dataclasses.replace(worth, more=sides[0], less=sides[1], checked=True)

    def _side(self, limit: StatedLimit, step: float) -> Side | None:
        near = self._a_unit(limit, step)
        if near is None:
            return None
        far = self._a_unit(limit, WIDE * step)
        # The optimum is concave in a limit of a linear program: alike at the end is alike on the way.
        alike = far is not None and abs(sum(far) - sum(near)) <= ALIKE * max(abs(sum(near)), 0.01)
        return Side(*near, abs(step) * limit.per * (WIDE if alike else 1))

    def _a_unit(self, limit: StatedLimit, by: float) -> tuple[float, float] | None:
        """Cash and wear (an outgoing, as it is in the lines, turned round) a unit and year; None where none can be."""
        if limit.size / limit.per + by < 0:
            return None
        problem = build_problem(nudged(self.scenario, limit.path, by)).weighted(self.counted)
        found = held_again(problem, self.at, self.basis)
        if found is None:
            return None
        there = self._money(problem, found[0])
        cash, wear = (derivative - here for derivative, here in zip(there, self.here, strict=True))
        one = self.yearly / (by * limit.per)
        return cash * one, -wear * one

    @staticmethod
    def _money(problem: Problem, x: np.ndarray) -> tuple[float, float]:
        """Cash, and what of the objective is none (wear and tie-break)."""
        amounts = problem.by_line @ x + problem.line_offsets
        cash = np.array([line.cash for line in problem.lines])
        return float(amounts[cash].sum()), float(amounts[~cash].sum())


def _optimum(dispatch: Dispatch, counted: np.ndarray) -> Margins:
    """The answer with its multipliers; made again where a year counts the lines otherwise than the run."""
    scenario = dispatch.scenario
    problem = build_problem(scenario).weighted(counted)
    if (counted == 1.0).all():
        return margins(problem, dispatch.values, dispatch.multipliers, dispatch.start.basis)
    found = answer(problem, scenario, lambda words: None, dispatch.start, False)
    return margins(problem, problem.split(found.x), problem.by_rule(found.row_dual), found.start.basis)


def _worth(scenario: Scenario, counted: np.ndarray, at: Margins, limit: StatedLimit) -> Worth:
    by = RELATIVE_MOVE * max(1.0, limit.size / limit.per)
    change = derivative(at, build_problem(nudged(scenario, limit.path, by)).weighted(counted))
    one = 1 / (by * limit.per)
    worth = change.total * one * per_year(scenario.timeline)
    # What the numbers of the solver cannot tell from nothing is nothing.
    scale = abs(float(at.problem.objective @ at.x)) + 1.0
    by_step = np.abs(change.by_step * one)
    steps = int((by_step > LEAST_SHARE * scale).sum())
    return Worth(limit, worth if abs(worth) > 1e-7 * scale else 0.0, steps)


def study(statement: Statement, say: Progress) -> Study | None:
    """What binds, as a study of a run; None where the solver gave no multipliers."""
    found = worths(statement, say)
    if not found:
        return None
    scenario = statement.dispatch.scenario
    steps, currency = scenario.timeline.steps, scenario.file.currency
    ranked = sorted(found, key=lambda worth: -abs(_shown(worth)))
    table = pd.DataFrame([_row(worth, steps) for worth in ranked])
    checked = [worth for worth in ranked if worth.checked]
    telling = [
        worth for worth in checked if any(round(side.cash, 2) for side in (worth.more, worth.less) if side)
    ]
    figures = BindingFigures(
        words=[sentence(worth, steps, currency) for worth in telling],
        no_limit=[worth.limit.words for worth in checked if worth not in telling],
        not_checked=[worth.limit.words for worth in ranked if not worth.checked],
        checked=len(checked),
        steps=steps,
        scaled_to_year=not is_year(scenario.timeline.hours),
        decisions_held=statement.dispatch.proof.binding_steps,
        basis="cash of the ceiling, wear not taken off; real operation earns less",
    )
    return Study(figures.model_dump(), {"limits": table})


def _shown(worth: Worth) -> float:
    """What a worth is ranked by: cash of one more where it was solved again, else the margin."""
    sides = [abs(side.cash) for side in (worth.more, worth.less) if side is not None]
    return max(sides, default=abs(worth.margin))


def _row(worth: Worth, steps: int) -> dict[str, Any]:
    more, less = worth.more, worth.less
    return {
        "limit": worth.limit.words,
        "size": worth.limit.size,
        "unit": worth.limit.unit,
        "ceiling_cash_of_one_more_a_year": more.cash if more else None,
        "wear_of_one_more_a_year": more.wear if more else None,
        "holds_for_more": more.span if more else None,
        "ceiling_cash_of_one_less_a_year": -less.cash if less else None,
        "wear_of_one_less_a_year": -less.wear if less else None,
        "holds_for_less": less.span if less else None,
        "margin_less_wear_a_year": worth.margin,
        "checked": worth.checked,
        "steps_at_limit": worth.steps,
        "share_of_steps": worth.steps / steps,
        "path": worth.limit.path,
    }


def sentence(worth: Worth, steps: int, currency: str) -> str:
    """One limit in words: "One more kW of export limit would bring 41.00 AUD of cash a year, ...; ..."."""
    unit = worth.limit.unit.removesuffix(" of its energy")
    words = f"One more {unit} of {worth.limit.words} "
    more, less = worth.more, worth.less
    if more is None:
        words += "is beyond what any schedule can keep"
    else:
        words += _brings(more, currency) + f", each of the next {more.span:.3g} {unit}"
    if less is not None and (more is None or abs(less.cash - more.cash) > ALIKE * max(abs(less.cash), 0.01)):
        way = "costs" if less.cash >= 0 else "brings"
        words += f"; one less {way} {abs(less.cash):,.2f} {currency}, each of the last {less.span:.3g} {unit}"
    counted = (
        f"it counted in {worth.steps:,} of {steps:,} steps"
        if worth.steps
        else "through the peaks or the ends"
    )
    return f"{words}; {counted}."


def _brings(side: Side, currency: str) -> str:
    words = (
        f"would be worth {side.cash:,.2f} {currency} of cash a year"
        if side.cash >= 0
        else f"costs {-side.cash:,.2f} {currency} of cash a year"
    )
    if abs(side.wear) >= 0.005:
        words += f" and {'wears' if side.wear > 0 else 'spares'} storage by {abs(side.wear):,.2f}"
    return words
