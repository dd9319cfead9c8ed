"""A forecaster of boosted trees, from scikit-learn: fitted on the past, anew each four weeks.

What it is told of a step: what like days say of it and how far off they have been today (as `learnt` does), what the
same time of the last whole day brought, the hour, the day of the week's kind, the season, and how far ahead it lies.
Loads and sun are foretold by their means, prices by their median, since a spike would lift the mean of every day.

References
----------
.. [1] J. H. Friedman, "Greedy function approximation: a gradient boosting machine", Annals of Statistics 29 (2001)
   1189-1232.
.. [2] F. Pedregosa et al., "Scikit-learn: machine learning in Python", Journal of Machine Learning Research 12 (2011)
   2825-2830.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from typing import Any

import numpy as np

from optimiser.errors import OptimiserError
from optimiser.foresight.facts import Columns, Facts, Plans
from optimiser.foresight.learnt import LikeDays, expected, recent_error

FIT_DAYS, LEAST_DAYS, MEMORY_DAYS = 28, 14, 365  # between fits, before the first, of the past that is fitted
TREES, LEAST_ROWS = 60, 40
SEED = 1


@dataclass(frozen=True)
class Boosted:
    """Expects what boosted trees make of like days, of today so far, of the hour and the season."""

    name: str = "boosted"
    sure: bool = False
    words: str = (
        "expects what boosted trees, fitted on the past anew each four weeks, make of like days, today's error, the "
        "hour and the season"
    )

    def known(self, facts: Facts, plans: Plans, lead: int) -> Columns:
        """What plans expected of each step `lead` windows ahead; as `learnt` before the first fit.

        Raises
        ------
        OptimiserError
            If scikit-learn is not installed.
        """
        trees = _trees()
        moments, made = plans.moments(lead), np.asarray(plans.edges[:-1])
        return {name: _expected(facts, name, moments, made, trees) for name in facts.foretold()}


def _trees() -> Any:
    """The regressor of the library, which is an extra.

    Raises
    ------
    OptimiserError
        If it is not installed.
    """
    try:
        return import_module("sklearn.ensemble").HistGradientBoostingRegressor
    except ImportError as missing:
        raise OptimiserError(
            "the policy boosted needs scikit-learn, which is not installed. Install the extra: "
            "pip install 'optimiser[forecast]'; or leave boosted out of [foresight] policies."
        ) from missing


def _expected(facts: Facts, reference: str, moments: np.ndarray, made: np.ndarray, trees: Any) -> np.ndarray:
    """What was expected of each step of a series at a moment before it."""
    values, role = facts.scenario.columns[reference], facts.roles[reference]
    found = expected(facts, reference, moments, made)
    if np.ptp(values) == 0:
        return found
    told, day = _told(facts, reference, found, moments), facts.days[0]
    steps = np.flatnonzero((moments >= 0) & ~np.isnan(found) & ~np.isnan(told).all(axis=1))
    since = day[moments[steps]]
    loss = {"loss": "quantile", "quantile": 0.5} if role in ("price", "service_price") else {}
    for first in range(LEAST_DAYS, int(day[-1]) + 1, FIT_DAYS):
        asked = steps[(since >= first) & (since < first + FIT_DAYS)]
        start = int(np.searchsorted(day, first))
        past = steps[(steps < start) & (day[steps] >= first - MEMORY_DAYS)]
        if not len(asked) or len(past) < LEAST_ROWS:
            continue
        model = trees(max_iter=TREES, early_stopping=False, random_state=SEED, **loss)
        model.fit(told[past], values[past])
        found[asked] = model.predict(told[asked])
    return np.maximum(found, 0.0) if role in ("load", "solar") else found


def _told(facts: Facts, reference: str, found: np.ndarray, moments: np.ndarray) -> np.ndarray:
    """What trees are told of each step, of shape (steps, features); nan where nothing is known."""
    values, role = facts.scenario.columns[reference], facts.roles[reference]
    (day, slot, workday), hours = facts.days, facts.timeline.step_hours
    seen = np.flatnonzero(moments >= 0)
    like = LikeDays(facts, values)
    base, recent, last = (np.full(len(values), np.nan) for _ in range(3))
    base[seen] = like.at(seen, moments[seen])
    starts, number = np.unique(moments[seen], return_inverse=True)
    recent[seen] = recent_error(like, values, starts, role, hours)[number]
    ended = day[moments[seen]] - 1
    last[seen] = np.where(ended >= 0, like.grid[np.maximum(ended, 0), slot[seen]], np.nan)
    season = 2 * np.pi * np.asarray(facts.timeline.local().day_of_year) / 365.25
    ahead = np.where(moments >= 0, np.arange(len(values)) - moments, 0) * hours
    hour, kind = slot * hours, workday[day]
    return np.stack([found, base, recent, last, ahead, hour, kind, np.sin(season), np.cos(season)], axis=1)
