"""Policies: what a plan knows of the steps that it sees.

A policy says, for each series of a scenario, what a plan that was made some windows earlier knew of each step; nan
where it knew nothing. Windows are the spans that plans are carried out for; each begins with a plan.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimiser.foresight.boosted import Boosted
from optimiser.foresight.facts import Columns, Facts, Plans, Policy
from optimiser.foresight.learnt import Learnt
from optimiser.scenario.file import Scenario
from optimiser.scenario.foresight import Errors, ForecastSeries
from optimiser.scenario.published import known_until


@dataclass(frozen=True)
class Rolling:
    """Sees what will happen, no further than the view: what the short view alone costs."""

    name: str = "rolling"
    sure: bool = True
    words: str = "sees what happens as far as its view goes, nothing beyond"

    def known(self, facts: Facts, plans: Plans, lead: int) -> Columns:
        """What happens."""
        return {reference: facts.scenario.columns[reference] for reference in facts.roles}


@dataclass(frozen=True)
class Backcast:
    """Takes for each step the mean of the same time of earlier days of the same type, workday or not.

    Only whole days before the plan's own count, the latest `memory_days` of the type. Where there is none of the type
    yet, days of either type stand in; on the first day nothing is known.

    References
    ----------
    .. [1] R. Sioshansi, P. Denholm, T. Jenkin, J. Weiss, "Estimating the value of electricity storage in PJM",
       Energy Economics 31 (2009) 269-277, section 3: schedules from the previous two weeks' prices.
    """

    memory_days: int
    name: str = "backcast"
    sure: bool = False

    @property
    def words(self) -> str:
        """What it sees."""
        return f"expects of each hour the mean of the last {self.memory_days} days of the same type"

    def known(self, facts: Facts, plans: Plans, lead: int) -> Columns:
        """Means of the past."""
        day, slot, workday = facts.days
        moments = plans.moments(lead)
        references = facts.foretold()
        grids = [
            _by_day(facts.scenario.columns[reference], day, slot, len(workday)) for reference in references
        ]
        made = {reference: np.full(len(day), np.nan) for reference in references}
        planned = np.where(moments >= 0, day[np.maximum(moments, 0)], -1)
        pairs, number = np.unique(np.stack([day, planned], axis=1), axis=0, return_inverse=True)
        steps = np.split(
            np.argsort(number.ravel(), kind="stable"), np.cumsum(np.bincount(number.ravel()))[:-1]
        )
        for (target, today), inside in zip(pairs.tolist(), steps, strict=True):
            if today <= 0:
                continue
            past = np.flatnonzero(workday[:today] == workday[target])
            past = past[-self.memory_days :] if len(past) else np.arange(today)[-self.memory_days :]
            for reference, grid in zip(references, grids, strict=True):
                made[reference][inside] = _mean(grid[past])[slot[inside]]
        return made


def _by_day(values: np.ndarray, day: np.ndarray, slot: np.ndarray, days: int) -> np.ndarray:
    """A series with a row a day and a column a place in the day; nan where a clock change skips one."""
    grid = np.full((days, int(slot.max()) + 1), np.nan)
    grid[day, slot] = values
    return grid


def _mean(rows: np.ndarray) -> np.ndarray:
    """Mean over days of each place; where every day lacks one, that of the place before."""
    there = ~np.isnan(rows)
    count = there.sum(axis=0)
    mean: np.ndarray = np.divide(
        np.where(there, rows, 0.0).sum(axis=0), count, out=np.zeros(rows.shape[1]), where=count > 0
    )
    for place in np.flatnonzero(count == 0):
        mean[place] = mean[place - 1]
    return mean


@dataclass(frozen=True)
class Forecast:
    """Takes the user's own forecasts; a series without one is foretold by another policy."""

    series: tuple[ForecastSeries, ...]
    otherwise: Policy
    name: str = "forecast"
    sure: bool = False

    @property
    def words(self) -> str:
        """What it sees."""
        named = ", ".join(item.of for item in self.series)
        return f"goes by your own forecasts of {named}; of all else {self.otherwise.words}"

    def known(self, facts: Facts, plans: Plans, lead: int) -> Columns:
        """The forecasts."""
        made = self.otherwise.known(facts, plans, lead)
        scenario, timeline = facts.scenario, facts.timeline
        starts = timeline.starts.as_unit("s").asi8
        moments = starts[np.maximum(plans.moments(lead), 0)]
        for item in self.series:
            if item.series is not None:
                made[item.of] = np.broadcast_to(
                    np.asarray(scenario.read(item.series), float), (timeline.steps,)
                )
            else:
                said = scenario.issued[item.of].latest(starts, moments)
                made[item.of] = np.where(np.isnan(said), made[item.of], said)
        return made


@dataclass(frozen=True)
class Uncertain:
    """Sees what happens with errors of a given size, which last and are drawn anew for each plan.

    Each series times one plus a first-order autoregressive error; drawn from the seed, so that a run can be repeated.
    """

    errors: Errors
    seed: int
    name: str = "uncertain"
    sure: bool = False

    @property
    def words(self) -> str:
        """What it sees."""
        e = self.errors
        return (
            f"sees what happens with errors of {e.price:.0%} of prices, {e.service_price:.0%} of prices of services, "
            f"{e.load:.0%} of load and {e.solar:.0%} of solar"
        )

    def known(self, facts: Facts, plans: Plans, lead: int) -> Columns:
        """What happens, blurred."""
        timeline, made = facts.timeline, {}
        longest = max(plans.span(number)[1] - plans.span(number)[0] for number in range(plans.count))
        kept = np.exp(-timeline.step_hours / self.errors.lasting_hours)
        moments = plans.moments(lead)
        plan = np.searchsorted(plans.edges, np.maximum(moments, 0), side="right") - 1
        ahead = np.arange(timeline.steps) - np.maximum(moments, 0)
        for number, reference in enumerate(facts.foretold()):
            role = facts.roles[reference]
            noise = np.random.default_rng((self.seed, number)).normal(size=(plans.count, longest))
            for step in range(1, longest):
                noise[:, step] = kept * noise[:, step - 1] + np.sqrt(1 - kept**2) * noise[:, step]
            actual = facts.scenario.columns[reference]
            error = getattr(self.errors, role) * noise[plan, np.minimum(ahead, longest - 1)]
            blurred = actual * (1 + error)
            made[reference] = np.maximum(blurred, 0.0) if role in ("load", "solar") else blurred
        return made


def as_known(policy: Policy, facts: Facts, plans: Plans, lead: int) -> Columns:
    """What plans knew of each series `lead` windows ahead: settings, prices published ahead, the policy's word.

    Returns
    -------
    dict of str to array of shape (steps,)
        nan where nothing was known.
    """
    columns, table = facts.scenario.columns, facts.scenario.foresight
    told = policy.known(facts, plans, lead)
    moments = plans.moments(lead)
    ahead_hours = (np.arange(facts.timeline.steps) - moments) * facts.timeline.step_hours
    published = {
        "price": table.prices_known_hours,
        "service_price": table.service_prices_known_hours,
        "limit": np.inf,
    }
    known = {}
    for reference, role in facts.roles.items():
        sure = (moments >= 0) & (ahead_hours < published.get(role, 0.0))
        if role == "price":
            until = known_until(facts.scenario, reference)[np.maximum(moments, 0)]
            # A plan is made before its window begins: what is known of the running step alone is the device's.
            sure |= (moments >= 0) & (until > moments + 1) & (np.arange(len(until)) < until)
        said = told.get(reference)
        known[reference] = np.where(sure, columns[reference], np.nan if said is None else said)
        known[reference][moments < 0] = np.nan
    return known


def policies_of(scenario: Scenario) -> list[Policy]:
    """The policies that a scenario asks for."""
    table = scenario.foresight
    backcast = Backcast(table.memory_days)
    made: dict[str, Policy] = {
        "rolling": Rolling(),
        "backcast": backcast,
        "learnt": Learnt(),
        "boosted": Boosted(),
        "forecast": Forecast(table.forecast, backcast),
        "uncertain": Uncertain(table.errors, table.seed),
    }
    return [made[name] for name in table.policies]
