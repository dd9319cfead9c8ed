"""A controller that plans the hours to come anew within the day, and hands the device a mode for each step.

A plan is the worth of stored energy, carried back from a day ahead along what load, sun and prices are expected to be
by the forecaster `learnt`, each hour of which may turn out as plans made before have erred: of load and sun those of
the same hour on the days before, of prices those that were made when prices stood as they do now. The mean of that
worth and of the one that the days before have taught (`control.stored_worth`), which errs in its own way, decides what
the running step does, at the load, sun and price that it has.

References
----------
.. [1] R. Bellman, "Dynamic Programming", Princeton University Press, 1957: the backward pass.
.. [2] M. V. F. Pereira, L. M. V. G. Pinto, "Multi-stage stochastic optimization applied to energy planning",
   Mathematical Programming 52 (1991) 359-375: stages that are independent of each other, each a sample; from memory.
"""

from __future__ import annotations

import numpy as np

from optimiser.control.ahead import Ahead, carried_back
from optimiser.control.backward import GRID
from optimiser.control.stored_worth import LEAST_DAYS, NOTHING, Seen, StoredWorth
from optimiser.foresight.paths import Clock, Standing, errors_before, foretold
from optimiser.plant.walk import Plant

PLAN_MINUTES = 30  # of a step of a plan, and of the time between plans where nothing is new
PATHS = 14
VIEW_HOURS, LONGEST_VIEW_HOURS = 24, 36
NEWS = 0.5  # change of a price, as it stands among the last weeks', that asks for a plan at once
POWERS, PRICES = ("load_kw", "ac_kw", "dc_kw", "fixed_kw"), ("pays_market", "gets_market")


class Replanned(StoredWorth):
    """The controller, of any number of cases.

    Parameters
    ----------
    plant : Plant
    paths : int
        Ways in which each hour ahead may turn out.
    joined : bool
        Whether what the days before say of the worth counts half.

    Attributes
    ----------
    plans : int
        Made so far.
    """

    def __init__(self, plant: Plant, paths: int = PATHS, joined: bool = True):
        super().__init__(plant)
        timeline, steps = plant.scenario.timeline, len(self.known)
        self.paths, self.plans, self.joined = paths, 0, joined
        self.block = max(1, PLAN_MINUTES // (timeline.step_minutes * self.times))
        fine = self.block * self.times
        self.coarse = Seen.of(plant, self.prices, fine)
        self.clock = Clock.of(plant.scenario, fine)
        until = self.known - np.arange(steps)
        longest = min(int(until.max()) // self.block, round(LONGEST_VIEW_HOURS / self.clock.hours))
        self.view = max(round(VIEW_HOURS / self.clock.hours), longest)
        self.planning_unit = self.unit._replace(hours=self.clock.hours, kept=self.unit.kept**fine)
        self.tables = {
            name: foretold(getattr(self.coarse, name), self.clock, self.view, name in POWERS)
            for name in (*POWERS, *PRICES)
            if np.ptp(getattr(self.coarse, name)) > NOTHING
        }
        running = np.roll(self.seen.market, 1) if self.after else self.seen.market
        self.standing = Standing(self.coarse.market, running[:: self.block], self.clock)
        self.running = running
        self.planned_above = np.maximum.reduceat(self.above, np.arange(0, steps, self.block))
        #: What stored energy was worth at each time of the day, as the last plan made then had it.
        self.begins: list[np.ndarray | None] = [None] * self.clock.per_day
        self.daily, self.lessons = self.lessons, np.ones(steps, bool)
        self.planned_at, self.planned_level = -1, np.inf

    def learn(self, at: int) -> None:
        """Plan anew where a block begins, or the price has moved since the last plan."""
        if self.daily[at] and at != self.learnt_at:
            super().learn(at)
        number, inside = divmod(at, self.block)
        if at == self.planned_at or number < LEAST_DAYS * self.clock.per_day:
            return
        level = self.standing.level(self.running[at], number)
        if inside and self.planned_at >= 0 and abs(level - self.planned_level) < NEWS:
            return
        self.planned_level, self.planned_at = level, at
        self.plan(number, at, level)

    def plan(self, number: int, at: int, level: float) -> None:
        """Carry the worth of stored energy back to the end of a block, from what is known at one of its steps."""
        self.plans += 1
        self.planning_unit = self.planning_unit._replace(wear_per_kwh=self.unit.wear_per_kwh)
        seen, view, per_day = self.coarse, self.view, self.clock.per_day
        count = max(1, min(self.paths, number // per_day - 1))
        coming = np.minimum(number + np.arange(view), len(seen.load_kw) - 1)
        known = min(max(int(self.known[at]) // self.block - number, 0), view)
        like = self.standing.alike(number, level, view, count)
        load, ac, dc, fixed = (self._powers(name, number, count, coming) for name in POWERS)
        pays, gets = (self._prices(name, number, like, coming, known) for name in PRICES)
        ceiling = max(self.ceiling_kw, float(self.reached_kw.max(initial=0.0)))
        whole = Ahead(
            load,
            ac,
            dc,
            fixed,
            pays + seen.pays_fixed[coming],
            gets + seen.gets_fixed[coming],
            seen.floor_kwh[coming],
            self.planned_above[coming],
            ceiling,
        )
        place = (number + view) % per_day
        last = self.begins[place]
        if last is None:
            typical = float(np.mean(seen.pays_fixed[coming] + pays.mean(axis=0))) * self.unit.out
            last = np.linspace(0.0, max(typical, 0.0) * self.unit.capacity_kwh / 2, GRID)
        self.first, later = whole.cut(None, 1), whole.cut(1, None)
        self.expects = float(pays[:, 0].mean()), float(gets[:, 0].mean())
        self.after_block = carried_back(later, last, self.planning_unit)
        if at == number * self.block:
            self.begins[number % per_day] = carried_back(self.first, self.after_block, self.planning_unit)

    def _powers(self, name: str, number: int, count: int, coming: np.ndarray) -> np.ndarray:
        values = getattr(self.coarse, name)
        if name not in self.tables:
            return np.tile(values[coming], (count, 1))
        made = self.tables[name]
        error = errors_before(values, made, number, count, self.clock.per_day)
        path: np.ndarray = np.maximum(made[number] + error, 0.0)
        return path

    def _prices(self, name: str, number: int, like: np.ndarray, coming: np.ndarray, known: int) -> np.ndarray:
        values = getattr(self.coarse, name)
        if name not in self.tables:
            return np.tile(values[coming], (len(like), 1))
        made = self.tables[name]
        path: np.ndarray = made[number] + values[like[:, None] + np.arange(self.view)] - made[like]
        path[:, :known] = values[coming[:known]]
        return path

    def expected(self, step: int, at: int) -> tuple[float, float, np.ndarray | None]:
        """What an imported and an exported kWh are taken to cost and bring, and the worth of what is left in the store.

        Where prices are known no sooner than they end, the means of the plan's paths; else what they are. The worth is
        None as long as nothing is learnt.
        """
        pays, gets, before = super().expected(step, at)
        if self.planned_at < 0:
            return pays, gets, before
        if self.after:
            pays = float(self.prices.pays_fixed[step]) + self.expects[0]
            gets = float(self.prices.gets_fixed[step]) + self.expects[1]
        left = self.block - 1 - at % self.block
        ahead = self.after_block
        if left:
            unit = self.learning_unit
            rest = unit._replace(hours=unit.hours * left, kept=unit.kept**left)
            ahead = carried_back(self.first, ahead, rest)
        if before is None or not self.joined:
            return pays, gets, ahead
        return pays, gets, (ahead + before - before[0]) / 2
