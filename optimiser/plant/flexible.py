"""Flexible loads that steer themselves: sun first, else the cheapest hours that are known, in time in any case.

Each goes by itself, the first of the file first, before the battery: it sees the sun that the other loads leave, what
the connection has to spare and the prices that are known as a step begins. So what it takes is the same whatever steers
the battery, and a walk finds it as it finds a load.

A price that nobody has published yet is taken to be that of the same time of the day before. A session is known from
when it is plugged in; of a thermal store it is taken that the coming day draws what the last one did. Energy is kept
for what is drawn next, however early that has to begin; it is the one thing for which a rule looks ahead, as a store's
reserve is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from optimiser.equipment.heat_load import HeatLoad
from optimiser.equipment.session_load import SessionLoad
from optimiser.equipment.shed_load import ShedLoad
from optimiser.equipment.waiting import Flexible, Need
from optimiser.scenario.file import Scenario
from optimiser.scenario.foresight import role_of
from optimiser.scenario.published import known_until

NEAR = 1e-9  # of a price, what is no difference


@dataclass(frozen=True)
class Waited:
    """What flexible loads do through a timeline, of shape (steps, loads) each. [kW], [kWh]"""

    power_kw: np.ndarray
    stored_kwh: np.ndarray

    def on_phases(self, scenario: Scenario) -> np.ndarray:
        """Their power on each phase, of shape (steps, phases). [kW]"""
        site = scenario.site
        shares = [[site.share(load, phase) for phase in site.phase_names] for load in site.flexible_load]
        made: np.ndarray = self.power_kw @ np.array(shares, float).reshape(len(shares), site.phases)
        return made

    def on_bus(self, scenario: Scenario) -> np.ndarray:
        """Their power on the DC bus, of shape (steps,). [kW]"""
        there = np.array([load.on_bus for load in scenario.site.flexible_load], float)
        made: np.ndarray = self.power_kw @ there if len(there) else np.zeros(len(self.power_kw))
        return made


def by_themselves(scenario: Scenario) -> Waited:
    """What flexible loads do where each steers itself."""
    loads, steps = scenario.site.flexible_load, scenario.timeline.steps
    power, stored = np.zeros((steps, len(loads))), np.zeros((steps, len(loads)))
    if not loads:
        return Waited(power, stored)
    prices, spare = Prices(scenario), _Spare(scenario)
    for number, load in enumerate(loads):
        need = load.need(scenario.data)
        wanted = _wanted(load, need, prices, spare, scenario)
        power[:, number], stored[:, number] = need.steered(wanted)
        spare.take(load, power[:, number])
    return Waited(power, stored)


class Prices:
    """Prices of import as they are known when a step begins."""

    def __init__(self, scenario: Scenario):
        data, steps = scenario.data, scenario.timeline.steps
        self.day = 24 * 60 // scenario.timeline.step_minutes
        self._price = np.nan_to_num(scenario.tariff.import_price(data))
        #: What is expected of each step as it begins.
        self.present = self._price
        self.export = np.nan_to_num(scenario.tariff.export_price(data))
        self._until = np.full(steps, steps)
        for place, reference in scenario.references():
            if place.startswith("tariff.") and role_of(place) == "price":
                self._until = np.minimum(self._until, known_until(scenario, reference))
        if (self._until <= np.arange(steps)).any():
            self.present = np.array([self.ahead(step, step + 1)[0] for step in range(steps)])

    def ahead(self, step: int, stop: int) -> np.ndarray:
        """What is expected of some steps as the first of them begins. [currency/kWh]"""
        until, at = int(self._until[step]), np.arange(step, stop)
        if until < stop:
            late = at >= until
            at[late] -= self.day * -(-(at[late] - until + 1) // self.day)
            at = np.maximum(at, 0) if until > 0 else np.zeros_like(at)
        found: np.ndarray = self._price[at]
        return found


class _Spare:
    """What each step has to spare for one more load: sun, and room at the connection."""

    def __init__(self, scenario: Scenario):
        site, data = scenario.site, scenario.data
        self._scenario, steps = scenario, scenario.timeline.steps
        phases = site.phase_names
        self.netted = site.phases == 1 or site.registers == "netted"
        self.net = np.stack([site.load_kw(data, phase) for phase in phases], axis=1)
        for system in site.ac_solar:
            share = np.array([site.share(system, phase) for phase in phases])
            self.net -= np.outer(system.available(data), share)
        # Sun on the bus reaches the phases as far as inverters go; each its part of them.
        on_bus = sum((c.available(data) for c in site.solar_controller), np.zeros(steps))
        ratings = sum(i.output_kw for i in site.inverter)
        for inverter in site.inverter:
            share = np.array([site.share(inverter, phase) for phase in phases])
            given = np.minimum(
                on_bus * inverter.output_efficiency * inverter.output_kw / ratings, inverter.output_kw
            )
            self.net -= np.outer(given, share)
        # What is on the bus is fed through the inverters, each its part, and by no bank that may be empty.
        into = sum(i.input_kw * i.input_efficiency for i in site.inverter)
        self._bus_room = np.maximum(into - site.dc_needs_kw(data, scenario.storage), 0.0)
        self._limit = data.values(site.connection.import_limit_kw)
        limits, _ = site.phase_limits_kw(data)
        self._phase_limit = np.stack([limits[phase] for phase in phases], axis=1)

    def take(self, load: Flexible, power_kw: np.ndarray) -> None:
        """Count a load's power among what others find."""
        self.net += np.outer(power_kw, self._shares(load))
        if load.on_bus:
            self._bus_room = np.maximum(self._bus_room - power_kw, 0.0)

    def of(self, load: Flexible) -> tuple[np.ndarray, np.ndarray]:
        """Sun that would be fed in, and room for import, for a load on its phase, each of shape (steps,). [kW]"""
        shares = self._shares(load)
        on, taken = shares > 0, shares.sum()
        if not on.any():  # inverters that cannot take in leave it what its deadlines ask for
            return np.zeros(len(self.net)), np.zeros(len(self.net))
        whole = self.net.sum(axis=1)
        room = np.minimum(
            (self._limit - whole) / taken, ((self._phase_limit - self.net)[:, on] / shares[on]).min(axis=1)
        )
        if load.on_bus:
            room = np.minimum(room, self._bus_room)
        sun = -whole / taken if self.netted else (-self.net[:, on] / shares[on]).min(axis=1)
        return np.maximum(sun, 0.0), np.maximum(room, 0.0)

    def _shares(self, load: Flexible) -> np.ndarray:
        """Power that a load takes from each phase for a kW of its own. [-]"""
        site = self._scenario.site
        if not load.on_bus:
            return np.array([site.share(load, phase) for phase in site.phase_names])
        whole = sum(i.input_kw * i.input_efficiency for i in site.inverter)
        taken = [sum(site.share(i, phase) * i.input_kw for i in site.inverter) for phase in site.phase_names]
        return np.array(taken) / whole if whole else np.zeros(len(taken))


def _wanted(
    load: Flexible, need: Need, prices: Prices, spare: _Spare, scenario: Scenario
) -> Callable[[int, float], float]:
    """The power that a load wants in a step, from what is stored behind it as the step begins."""
    sun, room = spare.of(load)
    if isinstance(load, ShedLoad):
        # Shed while a kWh costs more than it is paid for; of what sun brings to nothing more is spared.
        dear = (prices.present > load.price_per_kwh) & (sun < need.most_kw)
        return lambda step, stored: min(float(need.most_kw[step]) * (not dear[step]), float(room[step]))
    if isinstance(load, SessionLoad):
        ends = np.zeros(scenario.timeline.steps, int)
        for span in load.spans(scenario.timeline):
            ends[span.first : span.stop] = span.stop

        def ahead(step: int, stored: float) -> tuple[int, float]:
            """Until when, and how much is still to be stored by then."""
            stop = int(ends[step])
            return stop, float(need.high_kwh[step]) - float(need.kept[step]) * stored if stop else 0.0

    else:
        assert isinstance(load, HeatLoad)
        drawn = np.concatenate([[0.0], np.cumsum(need.draw_kw)]) * need.hours
        lost = 1 - float(need.kept[0]) ** prices.day

        def ahead(step: int, stored: float) -> tuple[int, float]:
            """The coming day draws what the last one did, the losses of what is stored beside it."""
            stop, since = min(step + prices.day, len(need.kept)), max(0, step - prices.day)
            length = step - since
            expected = (drawn[step] - drawn[since]) * (prices.day / length) if length else 0.0
            return stop, max(0.0, float(expected) + lost * stored - stored)

    def wanted(step: int, stored: float) -> float:
        most = float(need.most_kw[step])
        stop, energy = ahead(step, stored)
        if most <= 0 or stop <= step or (energy <= 0 and sun[step] <= 0):
            return 0.0
        known = prices.ahead(step, stop)
        kw, dearest = _cheapest(known, need, step, stop, energy)
        if sun[step] > 0 and prices.export[step] < dearest:
            kw = max(kw, min(most, float(sun[step])))
        return min(kw, float(room[step]))

    return wanted


def _cheapest(known: np.ndarray, need: Need, step: int, stop: int, energy: float) -> tuple[float, float]:
    """The power now if energy is stored in the cheapest of the steps ahead, and the price of the dearest of them.

    Among steps of one price what is left for them is spread evenly, which is kind to charges on peaks.
    """
    able = need.hours * need.gain[step:stop] * need.most_kw[step:stop]
    order = np.argsort(known, kind="stable")
    reached = np.cumsum(able[order])
    last = min(int(np.searchsorted(reached, energy - 1e-9)), len(order) - 1)
    dearest = float(known[order[last]])
    if known[0] > dearest + NEAR:
        return 0.0, dearest
    if known[0] < dearest - NEAR:
        return float(need.most_kw[step]), dearest
    cheaper, level = known < dearest - NEAR, np.abs(known - dearest) <= NEAR
    left = max(0.0, energy - float(able[cheaper].sum()))
    whole = float(able[level].sum())
    return float(need.most_kw[step]) * min(1.0, left / whole) if whole > 0 else 0.0, dearest
