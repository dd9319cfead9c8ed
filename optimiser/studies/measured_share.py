"""The study `measured_share`: what of the ceiling the headline earns, quickly, on the site's own contract.

Where nothing is sold the headline is what own use and stored worth make of the site, whichever would have earned more
before; they are walked through the whole run, or through weeks spread over it. Where services are sold it is the one
plan that the payback rests on.

References
----------
.. [1] W. G. Cochran, "Sampling Techniques", 3rd edition, Wiley, 1977, chapter 6: the ratio of two sums over a sample
   and its standard error; from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimiser.accounts.settlement import Statement, before_flows, settle
from optimiser.control.chosen import Candidate, choose
from optimiser.control.learning import by_step
from optimiser.control.own_use import OwnUse
from optimiser.control.sampled import Weeks, chosen_in_turn, week_by_week
from optimiser.control.stored_worth import StoredWorth
from optimiser.dispatch import Progress
from optimiser.errors import DriftError, InfeasibleError, UnprovenError
from optimiser.finance.appraisal import appraise, at_share
from optimiser.finance.yearly import yearly_saving
from optimiser.foresight.policies import policies_of
from optimiser.foresight.running import run_under
from optimiser.plant.executed import settled_walk
from optimiser.plant.walk import Plant
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import warmed_up
from optimiser.study import Figures, Study
from optimiser.terms.books import SettledTerms
from optimiser.terms.line import Line

CANDIDATES = (Candidate("own use", OwnUse), Candidate("stored worth", StoredWorth))
BY_DEVICES = "own use or stored worth, in each billing period what would have earned more in those before"
BY_WEEK = "own use or stored worth, in each week what would have earned more in those before"
ERRORS_OF_95 = 2.0  # standard errors either side within which 95 of 100 samples lie
WITHIN_A_DAY = ("step", "block", "day")


@dataclass(frozen=True)
class MeasuredShare:
    """What of the ceiling's yearly saving is earned without foresight.

    Attributes
    ----------
    of_ceiling : float
    spread : float
        Half the width of its 95 % interval, of the choice of weeks; 0 where the whole run was walked.
    words : str
        Who earned it.
    weeks, of_weeks : int
        Weeks walked, of how many; the same where all of the run was.
    """

    of_ceiling: float
    spread: float
    words: str
    weeks: int
    of_weeks: int

    @property
    def said(self) -> str:
        """The share with its spread, in words."""
        if self.weeks == self.of_weeks:
            return f"{100 * self.of_ceiling:.1f} %"
        return (
            f"{100 * self.of_ceiling:.1f} % (within {100 * self.spread:.1f} points, from {self.weeks} of "
            f"{self.of_weeks} weeks)"
        )


class ShareFigures(Figures):
    """What of the ceiling is earned without foresight, and what that makes of a year, of payback and present value."""

    share_of_ceiling: float
    spread: float
    weeks: int
    of_weeks: int
    words: str
    saving_per_year: float
    payback_years: float | None
    npv: float | None


def study(statement: Statement, say: Progress) -> Study | None:
    """The share, measured on weeks where the contract lets them tell, with saving, payback and present value."""
    found = measured(statement, say, sampled=True)
    if found is None:
        return None
    saving, payback, npv = at_share(statement, appraise(statement), found.of_ceiling)
    return Study(
        ShareFigures(
            share_of_ceiling=found.of_ceiling,
            spread=found.spread,
            weeks=found.weeks,
            of_weeks=found.of_weeks,
            words=found.words,
            saving_per_year=saving,
            payback_years=payback,
            npv=npv,
        ).model_dump()
    )


def measured(statement: Statement, say: Progress, *, sampled: bool = False) -> MeasuredShare | None:
    """What of a ceiling's yearly saving is earned without foresight.

    Parameters
    ----------
    statement : Statement
        Of the ceiling.
    say : callable
    sampled : bool
        Walk weeks spread over the run, where it is long enough and every amount that the system changes is charged by
        the step or the day; else, and where services are sold, the whole run.

    Returns
    -------
    MeasuredShare or None
        None where there is no storage or no policy ([foresight]), the ceiling saves nothing, or nobody could run the
        site within its limits.
    """
    scenario = statement.dispatch.scenario
    if not scenario.storage or not scenario.foresight.policies or yearly_saving(statement) <= 0:
        return None
    try:
        if scenario.service or scenario.foresight.headline is not None or not scenario.site.inverter:
            return _planned(statement, say)
        say("the same site by its own devices")
        sampled = sampled and not scenario.foresight.warm_up_days
        return (_by_weeks(statement) if sampled else None) or _walked(statement)
    except (InfeasibleError, UnprovenError, DriftError):
        return None


def _share_of(statement: Statement, earned: Statement, words: str) -> MeasuredShare:
    share = min(yearly_saving(earned) / yearly_saving(statement), 1.0)
    weeks = max(1, round(statement.dispatch.scenario.timeline.hours / 168))
    return MeasuredShare(share, 0.0, words, weeks, weeks)


def _planned(statement: Statement, say: Progress) -> MeasuredShare | None:
    """The one plan that the payback rests on, over the whole run."""
    scenario = statement.dispatch.scenario
    policy = next((p for p in policies_of(scenario) if p.name == scenario.foresight.rests_on), None)
    if policy is None:
        return None
    say(f"run under {policy.name}")
    earned = settle(run_under(scenario, policy, statement.dispatch, say).dispatch)
    return _share_of(statement, earned, f"{policy.name}, which {policy.words}")


def _walked(statement: Statement) -> MeasuredShare:
    """The devices over the whole run."""
    scenario = statement.dispatch.scenario
    choice = choose(Plant(warmed_up(scenario)), CANDIDATES, run=scenario)
    return _share_of(statement, settled_walk(statement.dispatch, choice.walk, len(choice.names)), BY_DEVICES)


def _by_weeks(statement: Statement) -> MeasuredShare | None:
    """The devices in weeks of the run; None where weeks do not tell of it."""
    dispatch = statement.dispatch
    scenario, terms = dispatch.scenario, SettledTerms(dispatch.scenario.data)
    plant = Plant(scenario)
    weeks = Weeks.of(plant)
    before = scenario.before_tariff.lines(before_flows(scenario), terms)
    if weeks is None or not _apart(before, dispatch.lines):
        return None
    without = weeks.sums(_by_step(scenario, before))
    most = weeks.sums(_by_step(scenario, dispatch.lines)) - without
    made = week_by_week(plant, weeks, CANDIDATES)
    earned = made[chosen_in_turn(made), np.arange(len(most))] - without
    if most.sum() <= 0 or not np.isfinite(earned).all():
        return None
    share, error = ratio(earned, most, weeks.all_weeks)
    return MeasuredShare(min(share, 1.0), ERRORS_OF_95 * error, BY_WEEK, len(most), round(weeks.all_weeks))


def ratio(earned: np.ndarray, most: np.ndarray, population: float) -> tuple[float, float]:
    """A ratio of sums over a sample, and its standard error (Cochran, chapter 6).

    Parameters
    ----------
    earned, most : array of shape (sample,)
    population : float
        How many the sample is taken from.
    """
    count, share = len(most), float(earned.sum() / most.sum())
    left = earned - share * most
    variance = (1 - count / population) / count * float(left @ left) / (count - 1)
    return share, math.sqrt(max(variance, 0.0)) / float(most.mean())


def _by_step(scenario: Scenario, lines: Sequence[Line]) -> np.ndarray:
    terms = SettledTerms(scenario.data)
    return sum((by_step(line, terms) for line in lines if line.cash), np.zeros(scenario.timeline.steps))


def _apart(before: Sequence[Line], after: Sequence[Line]) -> bool:
    """Whether what is charged over longer than a day is the same with the system and without: weeks stand alone."""
    sums = [
        sum(float(np.sum(line.values)) for line in lines if line.cash and line.per.kind not in WITHIN_A_DAY)
        for lines in (before, after)
    ]
    return abs(sums[0] - sums[1]) < 1e-6
