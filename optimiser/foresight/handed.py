"""A plan handed down as modes: in each step the device compares its price with what the plan says energy is worth.

Of a linear program's plan two things are kept for each step: what a kWh left in the store is worth (the dual of the
store's balance), and how much the plan leaves in it. Where a price is above or below that worth by more than a little,
the device takes what pays best at its own load, sun and price; in between it goes to the energy that the plan leaves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimiser.control.allowances import Demand
from optimiser.control.backward import GRID, Step, decide
from optimiser.control.modes import Device, Told
from optimiser.control.stored_worth import Prices, import_kw, knowledge, mode_of, unit_of
from optimiser.plant.walk import Orders, Plant, State

NEAR = 0.02  # share of a worth within which a price does not move the store away from its plan
LEAST_NEAR = 1e-4  # [currency/kWh]


@dataclass(frozen=True)
class Handed:
    """What a plan hands down for some steps, from the first on.

    Attributes
    ----------
    first : int
    worth : array of shape (steps,)
        Of a kWh left in the store after each step. [currency/kWh]
    left_kwh : array of shape (steps,)
    ceiling_kw : float
        The highest demand that the plan reckons with; a kW below it earns nothing.
    """

    first: int
    worth: np.ndarray
    left_kwh: np.ndarray
    ceiling_kw: float


class ByModes:
    """Carries out what plans hand down; without a plan the device covers its own load.

    Parameters
    ----------
    plant : Plant
    expected : (array, array) of shape (steps,)
        What an imported kWh costs and an exported one brings, as plans expect it: what counts where the price of a
        step is known no sooner than it ends. [currency/kWh]
    """

    def __init__(self, plant: Plant, expected: tuple[np.ndarray, np.ndarray]):
        scenario, prices = plant.scenario, Prices.of(plant.scenario)
        self.device, self.unit, self.demand = Device(plant), unit_of(plant), Demand.of(plant)
        after, _ = knowledge(scenario, 1)
        self.pays: np.ndarray = expected[0] if after else prices.pays_fixed + prices.pays_market
        self.gets: np.ndarray = expected[1] if after else prices.gets_fixed + prices.gets_market
        self.capacity_kwh, self.floor_kwh = plant.stores.capacity_kwh, plant.stores.floor_kwh.sum(axis=1)
        rating = self.device.members @ (plant.output_kw + plant.input_kw)
        self.share = rating / rating.sum() if rating.sum() else rating
        self.energies = np.linspace(0.0, self.unit.capacity_kwh, GRID)
        self.handed: Handed | None = None
        self.period, self.reached_kw = -1, 0.0

    def __call__(self, step: int, state: State) -> Orders:
        """What is wanted in a step, of one case."""
        at, gets, groups = int(step), float(self.gets[int(step)]), len(self.share)
        mode, power, mark = 0, 0.0, 0.0
        if self.handed is not None:
            mode, power, mark = self._decided(at, gets, self.handed, state)
        told = Told(
            np.full((1, groups), int(mode)), power * self.share[None], np.full((1, groups), mark), gets < 0
        )
        return self.device.orders(at, state, told)

    def _decided(self, at: int, gets: float, handed: Handed, state: State) -> tuple[int, float, float]:
        if self.demand.period[at] != self.period:
            self.period, self.reached_kw = int(self.demand.period[at]), 0.0
        above = float(self.demand.above[at])
        now = Step(
            float(np.sum(state.load_kw)),
            float(np.sum(state.ac_solar_kw)),
            float(np.sum(state.dc_solar_kw)),
            float(np.sum(state.fixed_kw)),
            float(self.pays[at]),
            gets,
            max(handed.ceiling_kw, self.reached_kw) if above > 0 else np.inf,
            above,
        )
        place = at - handed.first
        worth, left = float(handed.worth[place]), float(handed.left_kwh[place])
        near = max(NEAR * abs(worth), LEAST_NEAR)
        held = float(state.stored_fraction[0] @ self.capacity_kwh) * self.unit.kept
        gained = self.energies - held
        lean = np.where(gained > 0, np.minimum(gained, 2 * max(left - held, 0.0) - gained), -gained)
        after = worth * self.energies + near * lean
        floor = float(self.floor_kwh[at])
        power, mark_kwh = decide(held, floor, now, self.unit, after)
        if above > 0:
            self.reached_kw = max(self.reached_kw, import_kw(power, now, self.unit))
        return mode_of(power, mark_kwh, floor, now, self.unit)
