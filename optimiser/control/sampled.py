"""Candidates walked through some weeks of a timeline side by side: quick, for many variants of a site.

Where every amount that the system changes is charged by the step or the day, a week's money hangs on what is done in it
and on what was stored at its start, which a day walked beforehand makes the candidate's own. What a candidate has
learnt by then is of all days before, walked or not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from optimiser.control.chosen import LEAST_BETTER, Candidate
from optimiser.control.learning import money_by_step
from optimiser.plant.walk import SHORT, Commands, Orders, Plant, State, Walk
from optimiser.terms.books import SettledTerms

WEEK_DAYS, APART_DAYS, FIRST_DAY, LEAD_DAYS = 7, 28, 10, 2
FEWEST_WEEKS = 6


@dataclass(frozen=True)
class Weeks:
    """Weeks evenly spread over a timeline.

    Attributes
    ----------
    firsts : int array of shape (weeks,)
        First step of each.
    steps, lead : int
        Of a week, and of the day before it.
    all_weeks : float
        Weeks of the timeline.
    """

    firsts: np.ndarray
    steps: int
    lead: int
    all_weeks: float

    @classmethod
    def of(cls, plant: Plant) -> Weeks | None:
        """Those of a plant's timeline; None where it is too short for as many as tell of its seasons."""
        per_day = round(24 / plant.hours)
        firsts = np.arange(FIRST_DAY * per_day, plant.steps - WEEK_DAYS * per_day + 1, APART_DAYS * per_day)
        if len(firsts) < FEWEST_WEEKS:
            return None
        return cls(firsts, WEEK_DAYS * per_day, LEAD_DAYS * per_day, plant.steps / per_day / WEEK_DAYS)

    def sums(self, money: np.ndarray) -> np.ndarray:
        """An amount a step, summed over each week."""
        return np.array([money[first : first + self.steps].sum() for first in self.firsts])


class _Spans:
    """A controller for each span, asked for a step of its own at a time."""

    def __init__(self, controllers: Sequence[Commands]):
        self.controllers = controllers

    def __call__(self, step: np.ndarray, state: State) -> Orders:
        """What each wants in its step."""
        made = []
        for case, controller in enumerate(self.controllers):
            told = controller(int(step[case]), _of_case(state, case))
            told = told if isinstance(told, Orders) else Orders(told)
            wanted = np.broadcast_to(np.asarray(told.wanted_kw, float), (1, np.shape(told.wanted_kw)[-1]))[0]
            made.append((wanted, np.ravel(told.feed_surplus)[0], np.ravel(told.hold_back)[0]))
        return Orders(*(np.stack(part) for part in zip(*made, strict=True)))


def _of_case(state: State, case: int) -> State:
    def own(numbers: Any) -> Any:
        return numbers[case]

    return State(
        state.step[case],
        state.stored_fraction[case : case + 1],
        own(state.load_kw),
        own(state.ac_solar_kw),
        own(state.dc_solar_kw),
        own(state.fixed_kw),
    )


def week_by_week(plant: Plant, weeks: Weeks, candidates: Sequence[Candidate]) -> np.ndarray:
    """What each candidate makes in each week, cash alone, of shape (candidates, weeks); -inf where a limit broke.

    Parameters
    ----------
    plant : Plant
    weeks : Weeks
    candidates : sequence of Candidate
    """
    count = len(weeks.firsts)
    spans = _Spans([candidate.make(plant) for candidate in candidates for _ in range(count)])
    starts = np.tile(weeks.firsts - weeks.lead, len(candidates))
    rows = starts + np.arange(weeks.lead + weeks.steps)[:, None]
    walk = plant.walk(spans, cases=rows.shape[1], keep="meter", steps=rows)
    terms = SettledTerms(plant.scenario.data)
    made = np.zeros((len(candidates), count))
    for number in range(len(candidates)):
        mine = slice(number * count, (number + 1) * count)
        whole = _laid_out(plant.steps, rows[:, mine], walk, mine)
        made[number] = weeks.sums(money_by_step(plant.scenario, whole, 0, terms, wear=False))
        made[number, walk.short[mine] > SHORT] = -np.inf
    return made


def _laid_out(steps: int, rows: np.ndarray, walk: Walk, mine: slice) -> Walk:
    """Spans of one candidate put back onto the timeline as a case, nothing elsewhere."""
    made = {}
    for name in ("import_kw", "export_kw", "discharge_kw", "short_kw", "stored_kwh"):
        values = getattr(walk, name)[:, mine]
        whole = np.zeros((steps, 1, *values.shape[2:]))
        whole[rows, 0] = values
        made[name] = whole
    return Walk(**made)


def chosen_in_turn(made: np.ndarray) -> np.ndarray:
    """The candidate that runs each week: what made most in the weeks before; the first of all in the first week."""
    before = np.cumsum(made, axis=1) - made
    best = before.argmax(axis=0)
    better = before[best, np.arange(made.shape[1])] > before[0] + LEAST_BETTER
    ran: np.ndarray = np.where(better, best, 0)
    return ran
