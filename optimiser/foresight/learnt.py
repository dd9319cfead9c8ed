"""A forecaster that learns from the past up to now: like days, put right by what today has shown so far.

For each series it takes the weighted mean of like days before the plan's own (workday or not, the latest the
heaviest) and adds a part of the error that the last hours have shown against it. How large a part, and how it fades
with the hours ahead, is learnt from all earlier plans whose hours have come to pass: least squares, one figure an hour
ahead. Load and sun are corrected by a ratio, so that a night stays a night; prices by a difference, since they may be
negative. Nothing after the plan's moment is used: a test scrambles it.

References
----------
.. [1] R. J. Hyndman, G. Athanasopoulos, "Forecasting: Principles and Practice", 3rd edition (2021), chapter 5
   (seasonal benchmark methods) and chapter 10 (regression with errors that last).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimiser.foresight.facts import Columns, Facts, Plans
from optimiser.scenario.foresight import Role

RECENT_HOURS = 3.0  # of today, whose error tells of the hours to come
HALF_LIFE_DAYS = 5.0  # after which a like day counts half
LEAST_EVIDENCE = 10.0  # plans' worth of evidence that no error lasts, before the first plan
SMALL_SHARE = 0.05  # of a like day's highest, below which a ratio tells nothing
RATIO_WITHIN = (0.2, 3.0)  # how far today may differ from like days: sunrise makes any ratio
HELD_DAYS = 60  # like days further back count for nothing that can be seen


@dataclass(frozen=True)
class Learnt:
    """Expects like days, put right by what today has shown so far."""

    name: str = "learnt"
    sure: bool = False
    words: str = (
        "expects each hour as on like days, corrected by today's error as far as errors have lasted before"
    )

    def known(self, facts: Facts, plans: Plans, lead: int) -> Columns:
        """What plans expected of each step `lead` windows ahead; nan on the first day."""
        moments = plans.moments(lead)
        return {
            reference: expected(facts, reference, moments, np.asarray(plans.edges[:-1]))
            for reference in facts.foretold()
        }


def expected(facts: Facts, reference: str, moments: np.ndarray, made: np.ndarray) -> np.ndarray:
    """What was expected of each step at a moment before it.

    Parameters
    ----------
    facts : Facts
    reference : str
        A series of the scenario.
    moments : int array of shape (steps,)
        For each step, the first step that is not known yet; negative where no plan sees it.
    made : int array of shape (plans,)
        The first steps of all plans, from which it is learnt how errors last.

    Returns
    -------
    array of shape (steps,)
        nan where there is no like day yet.
    """
    values, role = facts.scenario.columns[reference], facts.roles[reference]
    like = LikeDays(facts, values)
    seen = moments >= 0
    steps = np.flatnonzero(seen)
    base = np.full(len(values), np.nan)
    base[steps] = like.at(steps, moments[steps])
    starts, number = np.unique(moments[steps], return_inverse=True)
    recent = recent_error(like, values, starts, role, facts.timeline.step_hours)[number]
    ahead = np.rint((steps - moments[steps]) * facts.timeline.step_hours).astype(int)
    part = _lasting(like, values, made, role, facts.timeline.step_hours, int(ahead.max(initial=0)) + 1)
    plan = np.searchsorted(made, moments[steps], side="right") - 1
    share = part[np.maximum(plan, 0), ahead]
    base[steps] = _corrected(base[steps], share * recent, role)
    return base


def _corrected(base: np.ndarray, error: np.ndarray, role: Role) -> np.ndarray:
    """A ratio for what cannot be negative, a difference for prices."""
    return np.maximum(base * (1.0 + error), 0.0) if role in ("load", "solar") else base + error


class LikeDays:
    """Weighted means of like days: every mean of a day is made once, when it is first asked for."""

    def __init__(self, facts: Facts, values: np.ndarray):
        self.day, self.slot, self.workday = facts.days
        self.grid = np.full((len(self.workday), int(self.slot.max()) + 1), np.nan)
        self.grid[self.day, self.slot] = values
        self._means: dict[tuple[int, bool], np.ndarray] = {}

    def at(self, steps: np.ndarray, moments: np.ndarray) -> np.ndarray:
        """What like days say of steps, at moments before them; nan where there is none."""
        made = np.full(len(steps), np.nan)
        today = self.day[np.minimum(moments, len(self.day) - 1)]
        kind = self.workday[self.day[steps]]
        for (known, work), inside in _alike(today, kind):
            made[inside] = self._mean(known, work)[self.slot[steps[inside]]]
        return made

    def peak(self, moments: np.ndarray) -> np.ndarray:
        """The highest that like days say of a day, as known at moments; what is small is told by it."""
        today, number = np.unique(self.day[np.minimum(moments, len(self.day) - 1)], return_inverse=True)
        highest = [
            max(np.nanmax(np.append(self._mean(int(d), w), 0.0)) for w in (False, True)) for d in today
        ]
        return np.asarray(highest)[number]

    def _mean(self, today: int, work: bool) -> np.ndarray:
        """The mean of days before `today` of a kind; of either kind where there is none of it."""
        key = (today, work)
        if key not in self._means:
            past = np.flatnonzero(self.workday[:today] == work)
            past = (past if len(past) else np.arange(today))[-HELD_DAYS:]
            self._means[key] = _weighted(self.grid[past], 0.5 ** ((today - past) / HALF_LIFE_DAYS))
        return self._means[key]


def _alike(today: np.ndarray, kind: np.ndarray) -> list[tuple[tuple[int, bool], np.ndarray]]:
    """The places of each pair of a day and a kind."""
    pairs, number = np.unique(today * 2 + kind, return_inverse=True)
    order = np.argsort(number, kind="stable")
    parts = np.split(order, np.cumsum(np.bincount(number))[:-1])
    return [((int(pair) // 2, bool(pair % 2)), part) for pair, part in zip(pairs, parts, strict=True)]


def _weighted(rows: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Weighted mean of each column, leaving out what a clock change skips; that of the place before where all do."""
    if not len(rows):
        return np.full(rows.shape[1], np.nan)
    there = ~np.isnan(rows)
    total = weights @ there
    mean: np.ndarray = np.divide(
        weights @ np.where(there, rows, 0.0), total, out=np.zeros(len(total)), where=total > 0
    )
    for place in np.flatnonzero(total == 0):
        mean[place] = mean[place - 1]
    return mean


def recent_error(
    like: LikeDays, values: np.ndarray, moments: np.ndarray, role: Role, hours: float
) -> np.ndarray:
    """The error of like days in the hours before moments: a ratio less one, or a mean difference; 0 if unknown."""
    count = max(1, round(RECENT_HOURS / hours))
    before = moments[:, None] - np.arange(1, count + 1)
    steps = np.maximum(before, 0)
    said = like.at(steps.ravel(), steps.ravel()).reshape(steps.shape)  # as said before their own day
    usable = (before >= 0) & ~np.isnan(said)
    said, came = np.where(usable, said, 0.0), np.where(usable, values[steps], 0.0)
    if role in ("load", "solar"):
        total = said.sum(axis=1)
        small = SMALL_SHARE * like.peak(moments) * count
        ratio = np.divide(came.sum(axis=1), total, out=np.ones(len(total)), where=total > small)
        beyond: np.ndarray = np.clip(ratio, *RATIO_WITHIN) - 1.0
        return beyond
    met = usable.sum(axis=1)
    made: np.ndarray = np.divide((came - said).sum(axis=1), met, out=np.zeros(len(met)), where=met > 0)
    return made


def _lasting(
    like: LikeDays, values: np.ndarray, made: np.ndarray, role: Role, hours: float, most: int
) -> np.ndarray:
    """Which part of the recent error was left, by hours ahead, as known at each plan: shape (plans, most).

    Least squares through the origin over the plans before, each once its hours have passed.
    """
    every = max(1, round(1.0 / hours))
    sums = np.zeros((2, len(made), most))
    recent = recent_error(like, values, made, role, hours)
    for ahead in range(most):
        steps = made + ahead * every
        inside = steps + every <= len(values)
        at = np.minimum(steps, len(values) - every)
        came = np.mean([values[at + place] for place in range(every)], axis=0)
        said = np.mean([like.at(at + place, made) for place in range(every)], axis=0)
        left = _left(came, said, role, like.peak(made))
        fit = inside & ~np.isnan(left)
        # A plan's hour has passed for the plans that are made after it.
        known_from = np.searchsorted(made, steps + every, side="left")
        for kind, amount in enumerate((recent * left, recent * recent)):
            amounts = np.bincount(known_from[fit], amount[fit], minlength=len(made) + 1)[: len(made)]
            sums[kind, :, ahead] = np.cumsum(amounts)
    doubt = LEAST_EVIDENCE * np.cumsum(recent**2) / np.arange(1, len(recent) + 1)
    total = sums[1] + doubt[:, None]
    found: np.ndarray = np.clip(
        np.divide(sums[0], total, out=np.zeros_like(total), where=total > 0), 0.0, 1.0
    )
    return found


def _left(came: np.ndarray, said: np.ndarray, role: Role, peak: np.ndarray) -> np.ndarray:
    """The error of an hour, as its role counts errors; nan where nothing is learnt from it."""
    if role in ("load", "solar"):
        usable = said > SMALL_SHARE * peak
        ratio = np.divide(came, said, out=np.full(len(said), np.nan), where=usable)
        beyond: np.ndarray = np.clip(ratio, *RATIO_WITHIN) - 1.0
        return beyond
    made: np.ndarray = came - said
    return made
