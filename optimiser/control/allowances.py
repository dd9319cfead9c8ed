"""What a device keeps to over a billing period or a month: a ceiling of import that demand is charged for, a warranty.

A ceiling is learnt from past days: the lowest that the store could have held in all of them. What was reached in the
billing period so far counts instead where it is higher, since a kW below that earns nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from optimiser.control.backward import Unit
from optimiser.flows import MeterFlows
from optimiser.plant.walk import Plant
from optimiser.tariff.demand import KINDS as DEMAND
from optimiser.terms.books import SettledTerms
from optimiser.timeline import Grouping

HALVINGS = 20
SPARE = 0.02  # share of a warranty's month that is left alone, since what was given is read off the store
PATIENCE = 0.2  # how far a day moves the price of wear towards what its use asks for


@dataclass(frozen=True)
class Demand:
    """What a contract charges for power.

    Attributes
    ----------
    above : array of shape (steps,)
        What a kWh above the billing period's peak costs where it raises that. [currency/kWh]
    period : int array of shape (steps,)
        Billing period of each step.
    """

    above: np.ndarray
    period: np.ndarray

    @classmethod
    def of(cls, plant: Plant) -> Demand:
        """Of a plant's contract: how much dearer a period is at a peak than at half of it, for each component."""
        scenario, tariff = plant.scenario, plant.scenario.tariff
        steps, timeline = scenario.timeline.steps, scenario.timeline
        periods = timeline.groups(tariff.period)
        above, zero = np.zeros(steps), np.zeros(steps)
        peak = max(float(plant.load_kw.sum(axis=1).mean()), 1.0) * 2
        for component in tariff.component:
            if not isinstance(component, DEMAND):
                continue
            charged = []
            for level in (peak, peak / 2):
                flat = np.full(steps, level)
                flows = MeterFlows(flat, zero, flat, zero, flat)
                lines = component.lines(flows, SettledTerms(scenario.data), tariff)
                factor = (1 + component.tax(tariff)) * component.net_share(tariff)
                charged.append(-factor * sum(float(np.sum(line.values)) for line in lines))
            rate = max(charged[0] - charged[1], 0.0) / (peak / 2) / periods.count
            hours = max(component.interval_minutes, timeline.step_minutes) / 60
            window = timeline.mask(component.when, tariff.zone, tariff.holiday_dates(timeline))
            above += window * rate / (hours * component.highest)
        return cls(above, periods.of_step)

    @property
    def any(self) -> bool:
        """Whether power is charged for at all."""
        return bool(self.above.max(initial=0.0) > 0)


@njit(cache=True)
def _held(need: np.ndarray, counts: np.ndarray, level: float, unit: Unit) -> bool:
    """Whether a store that starts full could have kept import at a level wherever it counts."""
    stored = unit.capacity_kwh
    most_out = min(unit.output_kw, unit.discharge_kw * unit.output_efficiency)
    most_in = min(unit.input_kw, unit.charge_kw / unit.input_efficiency)
    out = unit.out * unit.output_efficiency
    into = unit.into * unit.input_efficiency
    for at in range(len(need)):
        if counts[at] > 0 and need[at] > level:
            if need[at] - level > most_out:
                return False
            stored -= (need[at] - level) * unit.hours / out
            if stored < 0:
                return False
        else:
            room = min(max(level - need[at], 0.0), most_in)
            stored = min(unit.capacity_kwh, stored + room * unit.hours * into)
    return True


def ceiling_kw(need: np.ndarray, counts: np.ndarray, unit: Unit) -> float:
    """The lowest import that a store could have held over past steps. [kW]

    Parameters
    ----------
    need : array of shape (steps,)
        Load less sun. [kW]
    counts : array of shape (steps,)
        Above nothing where import is charged for.
    unit : Unit
    """
    low, high = 0.0, max(float(need.max(initial=0.0)), 0.0)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (low, middle) if _held(need, counts, middle, unit) else (middle, high)
    return high


class Kept:
    """A month's warranty, kept by the walk of each case: what may still be given, and what wear is priced at.

    Parameters
    ----------
    plant : Plant
    """

    def __init__(self, plant: Plant):
        scenario, zone = plant.scenario, plant.scenario.timeline.zone
        self.months = scenario.timeline.groups(Grouping("month", zone))
        days = self.months.sum(scenario.timeline.share_of_day(zone))
        in_year = 366 if 365.5 < days.sum() < 366.5 else 365
        warranted = [bank for bank in scenario.storage if bank.life is not None and bank.life.keep_warranty]
        a_year = sum(
            bank.units * bank.life.most_kwh_per_year(bank.usable_kwh)
            for bank in warranted
            if bank.life is not None
        )
        self.any = bool(warranted)
        #: What each month may give at the terminals. [kWh]
        self.most_kwh = a_year * days / in_year
        self.given_kwh = np.zeros(0)
        self.wear_per_kwh = 0.0
        self._month, self._last = -1, np.zeros(0)
        self._day_kwh = 0.0

    def see(self, step: int, stored_kwh: np.ndarray) -> None:
        """Count what each case has given since the step before."""
        if len(self._last) != len(stored_kwh):
            self._last, self.given_kwh = stored_kwh.copy(), np.zeros(len(stored_kwh))
        month = int(self.months.of_step[step])
        if month != self._month:
            self._month, self.given_kwh = month, np.zeros(len(stored_kwh))
        drop = np.maximum(self._last - stored_kwh, 0.0)
        self.given_kwh = self.given_kwh + drop
        self._day_kwh += float(drop[-1])
        self._last = stored_kwh.copy()

    def spent(self) -> np.ndarray:
        """Whether each case has given all that the month may."""
        done: np.ndarray = self.given_kwh >= (1 - SPARE) * self.most_kwh[self._month]
        return done

    def reprice(self, step: int, typical: float) -> float:
        """The price of wear for the day that begins: dearer where the days so far gave more than their share.

        Parameters
        ----------
        step : int
        typical : float
            What a kWh usually costs. [currency/kWh]
        """
        if self._month >= 0:
            left = max(int(np.sum(self.months.of_step[step:] == self._month)), 1)
            days = left / max(int(self.months.sizes[self._month]), 1) * 30
            share = max(self.most_kwh[self._month] - float(self.given_kwh[-1]), 1e-3) / max(days, 1.0)
            change = PATIENCE * typical * float(np.clip(self._day_kwh / share - 1, -1.0, 1.0))
            self.wear_per_kwh = max(0.0, self.wear_per_kwh + change)
        self._day_kwh = 0.0
        return self.wear_per_kwh
