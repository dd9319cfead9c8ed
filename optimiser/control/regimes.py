"""Price regimes, learnt from past prices: how high a price is, how tense the hours before it were, what follows.

Prices of dispatch markets are calm for weeks and then, for some hours, a hundred times as high. What stored energy is
worth hangs on how likely that is from here, so the highest prices are told apart by a ladder of levels and remembered
from all of the past, others by quantiles of the last weeks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

QUANTILES = (0.5, 0.9, 0.98)  # of the last weeks' prices
LEVELS, RATIO = 2, 5.0  # further levels above the highest of them, each so many times the one before
TENSE_QUANTILE, TENSE_DAYS = 0.9, 90  # a price above this of so many days is high
TENSE_HOURS, TENSE_SHARES = 3.0, (0.2, 0.7)  # shares of the last hours with high prices, which part tensions
PARTS = 24  # of a day
FADING_DAYS = 90.0  # half-life of what is remembered of how regimes follow each other
POOLED, WIDELY = 20.0, 20.0  # steps that all parts of the day, and all tensions, count in each of them
POINTS = 5  # prices that stand for a high regime
REMEMBERED = 3000


@dataclass(frozen=True)
class Regimes:
    """What is learnt of prices up to a moment.

    Attributes
    ----------
    levels : array of shape (regimes - 1,)
        Prices at which each regime but the first begins. [currency/kWh]
    high_from : float
        Price from which hours count as tense. [currency/kWh]
    own : int
        Regimes below this are common enough to be sampled by days.
    follow : array of shape (parts, tensions, regimes, regimes)
    tension : array of shape (parts, tensions, 2, tensions)
    points : int array of shape (regimes, points)
        Steps of the past whose prices stand for each regime; -1 where there was none yet.
    """

    levels: np.ndarray
    high_from: float
    own: int
    follow: np.ndarray
    tension: np.ndarray
    points: np.ndarray

    @property
    def shape(self) -> tuple[int, int]:
        """Regimes and tensions."""
        return len(self.levels) + 1, self.tension.shape[1]

    def of(self, price: np.ndarray | float) -> np.ndarray:
        """The regime of each price."""
        return np.searchsorted(self.levels, price, side="right")


NO_MARKET = Regimes(np.zeros(0), np.inf, 1, np.ones((1, 1, 1, 1)), np.ones((1, 1, 2, 1)), np.full((1, 1), -1))


def tensions(price: np.ndarray, high_from: float, per_hour: float) -> np.ndarray:
    """How tense the hours up to and with each step were."""
    width = max(1, round(TENSE_HOURS * per_hour))
    high = np.concatenate([[0], np.cumsum(price >= high_from)])
    first = np.maximum(np.arange(len(price)) + 1 - width, 0)
    share = (high[1:] - high[first]) / (np.arange(len(price)) + 1 - first)
    made: np.ndarray = np.searchsorted(TENSE_SHARES, share, side="right")
    return made


@njit(cache=True)
def _counted(
    regime: np.ndarray,
    tension: np.ndarray,
    part: np.ndarray,
    fading: float,
    regimes: int,
    tensions: int,
    high: int,
) -> tuple[np.ndarray, np.ndarray]:
    follow = np.zeros((PARTS, tensions, regimes, regimes))
    tense = np.zeros((PARTS, tensions, 2, tensions))
    weight = 1.0
    for at in range(len(regime) - 1, 0, -1):
        before, was = regime[at - 1], tension[at - 1]
        follow[part[at], was, before, regime[at]] += weight
        tense[part[at], was, 1 if before >= high else 0, tension[at]] += weight
        weight *= fading
    return follow, tense


HIGH = 2  # regimes from the second quantile on


def learnt(price: np.ndarray, part: np.ndarray, per_day: int, memory_days: int) -> Regimes:
    """What the past says of prices.

    Parameters
    ----------
    price : array of shape (steps so far,)
        [currency/kWh]
    part : int array of shape (steps so far,)
        Part of the day of each.
    per_day : int
        Steps of a day.
    memory_days : int
        Days whose quantiles part the common regimes.
    """
    lower = np.quantile(price[-memory_days * per_day :], QUANTILES)
    top = lower[-1]
    spread = max(top - lower[0], 1e-6)
    upper = np.array([max(top * RATIO**n, top + spread * (RATIO**n - 1)) for n in range(1, LEVELS + 1)])
    levels = np.unique(np.concatenate([lower, upper]))
    own = int(np.searchsorted(levels, top, side="right"))
    high_from = float(np.quantile(price[-TENSE_DAYS * per_day :], TENSE_QUANTILE))
    regime = np.searchsorted(levels, price, side="right")
    tension = tensions(price, high_from, per_day / 24)
    count, kinds = len(levels) + 1, len(TENSE_SHARES) + 1
    follow, tense = _counted(regime, tension, part, 0.5 ** (1 / (FADING_DAYS * per_day)), count, kinds, HIGH)
    pooled = follow.sum(axis=(0, 1)) + 1e-3 + 0.2 * np.eye(count)
    pooled /= pooled.sum(axis=-1, keepdims=True)
    by_tension = follow.sum(axis=0)
    by_tension = (by_tension + WIDELY * pooled) / (by_tension.sum(axis=-1, keepdims=True) + WIDELY)
    # Where a part of the day has seen little, regimes follow each other as in all of it, but each as often as there.
    often = follow.sum(axis=(1, 2))
    common = often.sum(axis=0) + 1e-3
    common /= common.sum()
    often = (often + POOLED * common) / (often.sum(axis=-1, keepdims=True) + POOLED) / common
    expected = by_tension[None] * often[:, None, None, :]
    expected /= expected.sum(axis=-1, keepdims=True)
    follow = (follow + POOLED * expected) / (follow.sum(axis=-1, keepdims=True) + POOLED)
    widely = tense.sum(axis=0) + 1e-3 + np.eye(kinds)[:, None, :]
    widely /= widely.sum(axis=-1, keepdims=True)
    tense = (tense + POOLED * widely) / (tense.sum(axis=-1, keepdims=True) + POOLED)
    points = np.full((count, POINTS), -1)
    for number in range(count):
        steps = np.flatnonzero(regime == number)[-REMEMBERED:]
        if len(steps):
            ordered = steps[np.argsort(price[steps], kind="stable")]
            points[number] = ordered[((np.arange(POINTS) + 0.5) / POINTS * len(ordered)).astype(int)]
    return Regimes(levels, high_from, max(own, 1), follow, tense, points)
