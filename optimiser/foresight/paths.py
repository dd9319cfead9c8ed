"""What is expected of a series at every moment of the hours ahead, and how such expectations have erred before.

The forecast is that of the policy `learnt`, put down for all moments at once: like days, corrected by what today has
shown. A few paths around it are the errors of the plans made at the same hour on the days before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimiser.foresight.learnt import HALF_LIFE_DAYS, LEAST_EVIDENCE, RATIO_WITHIN, RECENT_HOURS, SMALL_SHARE
from optimiser.scenario.file import Scenario
from optimiser.timeline import Window

COMMON = (0.05, 0.95)  # quantiles within which a price shapes what like days say; spikes come with the paths
COMMON_DAYS = 28
ALIKE_DAYS, ALIKE_HOURS = 90, 1.0  # back, and about the hour, from which moments with like prices are taken
LATELY_HOURS, OLDER = (
    3.0,
    0.01,
)  # how prices stood lately; what a day of age counts beside a difference of level


@dataclass(frozen=True)
class Clock:
    """Where steps stand in their days.

    Attributes
    ----------
    day, slot : int array of shape (steps,)
        Number of the day, place in it by the clock.
    workday : bool array of shape (days,)
    hours : float
        Of a step.
    """

    day: np.ndarray
    slot: np.ndarray
    workday: np.ndarray
    hours: float

    @classmethod
    def of(cls, scenario: Scenario, times: int) -> Clock:
        """Of a scenario's steps, so many in one."""
        timeline = scenario.timeline
        _, day, slot = timeline.slots()
        workday = timeline.mask(
            Window(days=("workday",)), timeline.zone, scenario.tariff.holiday_dates(timeline)
        )
        first = np.searchsorted(day, np.arange(day[-1] + 1))
        return cls(day[::times], slot[::times] // times, workday[first] > 0, timeline.step_hours * times)

    @property
    def per_day(self) -> int:
        """Steps of 24 hours."""
        return round(24 / self.hours)


def foretold(values: np.ndarray, clock: Clock, ahead: int, sign_kept: bool) -> np.ndarray:
    """What is expected at each step of itself and the steps after it.

    Parameters
    ----------
    values : array of shape (steps,)
        What happens; a row of the answer uses no more than what stands before its step.
    clock : Clock
    ahead : int
        Steps that a row sees.
    sign_kept : bool
        Whether the series cannot be negative and is corrected by a ratio, as load and sun; prices by a difference.

    Returns
    -------
    array of shape (steps, ahead)
        Nothing but zeros on the first day.
    """
    steps, per_hour = len(values), max(1, round(1 / clock.hours))
    shaped = values if sign_kept else _common(values, clock)
    means = _like_days(shaped, clock)
    index = np.minimum(np.arange(steps)[:, None] + np.arange(ahead), steps - 1)
    kind = clock.workday.astype(int)[clock.day]
    base = means[clock.day[:, None], kind[index], clock.slot[index]]
    own = means[clock.day, kind, clock.slot]
    peak = means.max(axis=(1, 2))[clock.day]
    recent = _recent(shaped, own, peak, clock, sign_kept)
    came = _running_mean(shaped, per_hour)
    said = np.stack([base[:, a : a + per_hour].mean(axis=1) for a in range(0, ahead, per_hour)], axis=1)
    share = np.zeros_like(said)
    doubt = LEAST_EVIDENCE * np.cumsum(recent**2) / np.arange(1, steps + 1)
    for number, start in enumerate(range(0, ahead, per_hour)):
        happened = came[np.minimum(np.arange(steps) + start, len(came) - 1)]
        left = _error(happened, said[:, number], peak, sign_kept)
        left = np.where(clock.day > 0, left, np.nan)
        fit = ~np.isnan(left)
        products = np.cumsum(np.where(fit, recent * np.nan_to_num(left), 0.0))
        squares = np.cumsum(np.where(fit, recent**2, 0.0))
        late = start + per_hour  # steps after which a plan's hour has passed
        share[late:, number] = _quotient(products[:-late], squares[:-late] + doubt[late:])
    share = np.repeat(np.clip(share, 0.0, 1.0), per_hour, axis=1)[:, :ahead]
    error = share * recent[:, None]
    made: np.ndarray = np.maximum(base * (1 + error), 0.0) if sign_kept else base + error
    return made


def errors_before(values: np.ndarray, made: np.ndarray, at: int, days: int, per_day: int) -> np.ndarray:
    """How the plans made at a step's hour on the days before have erred so far, of shape (days, ahead).

    Where such a plan's step has not come yet, that of the plan a day earlier stands in.
    """
    ahead = made.shape[1]
    place = np.arange(ahead)
    late = (place // per_day)[None] + np.arange(1, days + 1)[:, None]
    rows = np.maximum(at - late * per_day, at % per_day)
    happened = np.minimum(rows + place, len(values) - 1)
    error: np.ndarray = np.where(rows + place < at, values[happened] - made[rows, place], 0.0)
    return error


class Standing:
    """How prices stand among those of the weeks before, and when they stood alike.

    Parameters
    ----------
    market : array of shape (steps,)
        [currency/kWh]
    running : array of shape (steps,)
        The latest price that is known as each step begins.
    clock : Clock
    """

    def __init__(self, market: np.ndarray, running: np.ndarray, clock: Clock):
        self.clock, steps, per_day = clock, len(market), clock.per_day
        self._middle, self._spread = np.zeros(steps), np.ones(steps)
        for first in range(per_day, steps, per_day):
            low, middle, high = np.quantile(
                market[max(0, first - COMMON_DAYS * per_day) : first], (COMMON[0], 0.5, COMMON[1])
            )
            self._middle[first : first + per_day] = middle
            self._spread[first : first + per_day] = max((high - low) / 4, 1e-6)
        count = max(1, round(LATELY_HOURS / clock.hours))
        self._levels = np.arcsinh((running - self._middle) / self._spread)
        self._lately = _sum_before(np.arcsinh((market - self._middle) / self._spread), count) / count

    def level(self, price: float, at: int) -> float:
        """A price among those of the weeks before a step: 0 in the middle, large where it is a spike."""
        return float(np.arcsinh((price - self._middle[at]) / self._spread[at]))

    def alike(self, at: int, level: float, ahead: int, count: int) -> np.ndarray:
        """Steps before, about the same hour, at which prices stood most alike, so many; all they saw has come."""
        per_day, reach = self.clock.per_day, round(ALIKE_HOURS / self.clock.hours)
        days = np.arange(1, min(ALIKE_DAYS, at // per_day - 1) + 1)
        rows = (at - days[:, None] * per_day + np.arange(-reach, reach + 1)).ravel()
        age = np.repeat(days, 2 * reach + 1)
        over = (rows + ahead <= at) & (rows >= per_day)
        rows, age = rows[over], age[over]
        far = np.abs(self._levels[rows] - level) + np.abs(self._lately[rows] - self._lately[at]) + OLDER * age
        near = rows[np.argsort(far, kind="stable")[:count]]
        return np.resize(near, count) if len(near) else np.full(count, at % per_day)


def _like_days(values: np.ndarray, clock: Clock) -> np.ndarray:
    """Fading means of the days before each day, by kind (off, work), of shape (days, 2, places)."""
    days, places = len(clock.workday), int(clock.slot.max()) + 1
    grid = np.full((days, places), np.nan)
    grid[clock.day, clock.slot] = values
    fade = 0.5 ** (1 / HALF_LIFE_DAYS)
    sums, weights = np.zeros((3, places)), np.zeros((3, places))
    made = np.zeros((days, 2, places))
    for today in range(days):
        either = _filled(_quotient(sums[2], weights[2]), weights[2])
        for kind in (0, 1):
            there = weights[kind].any()
            made[today, kind] = (
                _filled(_quotient(sums[kind], weights[kind]), weights[kind]) if there else either
            )
        row = grid[today]
        there = ~np.isnan(row)
        sums, weights = fade * sums, fade * weights
        for kind in (int(clock.workday[today]), 2):
            sums[kind] += np.where(there, row, 0.0)
            weights[kind] += there
    return made


def _filled(mean: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """What every day lacks at a place is taken from the place before."""
    for place in np.flatnonzero(weight == 0):
        mean[place] = mean[place - 1]
    return mean


def _recent(
    values: np.ndarray, own: np.ndarray, peak: np.ndarray, clock: Clock, sign_kept: bool
) -> np.ndarray:
    """The error of like days in the hours before each step: a ratio less one, or a mean difference; 0 if unknown."""
    count = max(1, round(RECENT_HOURS / clock.hours))
    usable = clock.day > 0
    came, said = _sum_before(np.where(usable, values, 0.0), count), _sum_before(own * usable, count)
    if not sign_kept:
        return _quotient(came - said, _sum_before(usable.astype(float), count))
    ratio = np.divide(came, said, out=np.ones(len(came)), where=said > SMALL_SHARE * peak * count)
    made: np.ndarray = np.clip(ratio, *RATIO_WITHIN) - 1.0
    return made


def _error(came: np.ndarray, said: np.ndarray, peak: np.ndarray, sign_kept: bool) -> np.ndarray:
    """The error of an hour, as the series counts errors; nan where nothing is learnt from it."""
    if not sign_kept:
        difference: np.ndarray = came - said
        return difference
    ratio = np.divide(came, said, out=np.full(len(said), np.nan), where=said > SMALL_SHARE * peak)
    made: np.ndarray = np.clip(ratio, *RATIO_WITHIN) - 1.0
    return made


def _common(values: np.ndarray, clock: Clock) -> np.ndarray:
    """Prices held within quantiles of the days before: one spike does not shape what like days say."""
    made, per_day = values.copy(), clock.per_day
    for first in range(per_day, len(values), per_day):
        low, high = np.quantile(values[max(0, first - COMMON_DAYS * per_day) : first], COMMON)
        made[first : first + per_day] = np.clip(values[first : first + per_day], low, high)
    return made


def _sum_before(values: np.ndarray, count: int) -> np.ndarray:
    """The sum of so many values before each."""
    whole = np.concatenate([[0.0], np.cumsum(values)])
    at = np.arange(len(values))
    made: np.ndarray = whole[at] - whole[np.maximum(at - count, 0)]
    return made


def _running_mean(values: np.ndarray, count: int) -> np.ndarray:
    """The mean of each value and those after it, so many in all."""
    made: np.ndarray = np.convolve(values, np.ones(count) / count, "valid")
    return made


def _quotient(part: np.ndarray, whole: np.ndarray) -> np.ndarray:
    made: np.ndarray = np.divide(part, whole, out=np.zeros(np.shape(part)), where=whole > 0)
    return made
