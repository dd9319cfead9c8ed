"""The worth of stored energy carried back along a few paths ahead, each a way in which a forecast may err."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from optimiser.control.backward import CORNERS, GRID, Step, Unit, best_of_all, worth_at

SHORT_OF_FLOOR = 1e2  # what a kWh below what is kept for backup costs [currency]


class Ahead(NamedTuple):
    """What may come, of shape (paths, steps), and what is fixed for each step, of shape (steps,).

    Attributes
    ----------
    load_kw, ac_solar_kw, dc_solar_kw, fixed_kw : array
    pays, gets : array
        [currency/kWh]
    floor_kwh : array of shape (steps,)
        Energy kept at the end of each step.
    above : array of shape (steps,)
        What a kWh above the ceiling of import costs more. [currency/kWh]
    ceiling_kw : float
    """

    load_kw: np.ndarray
    ac_solar_kw: np.ndarray
    dc_solar_kw: np.ndarray
    fixed_kw: np.ndarray
    pays: np.ndarray
    gets: np.ndarray
    floor_kwh: np.ndarray
    above: np.ndarray
    ceiling_kw: float

    def cut(self, first: int | None, stop: int | None) -> Ahead:
        """Some of the steps."""
        part = slice(first, stop)
        return Ahead(
            np.ascontiguousarray(self.load_kw[:, part]),
            np.ascontiguousarray(self.ac_solar_kw[:, part]),
            np.ascontiguousarray(self.dc_solar_kw[:, part]),
            np.ascontiguousarray(self.fixed_kw[:, part]),
            np.ascontiguousarray(self.pays[:, part]),
            np.ascontiguousarray(self.gets[:, part]),
            self.floor_kwh[part],
            self.above[part],
            self.ceiling_kw,
        )


@njit(cache=True, nogil=True)
def carried_back(ahead: Ahead, last: np.ndarray, unit: Unit) -> np.ndarray:
    """Carry the worth of stored energy back over the steps to come; each step may turn out as on any of the paths.

    Parameters
    ----------
    ahead : Ahead
    last : array of shape (GRID,)
        The worth after the last step.
    unit : Unit

    Returns
    -------
    array of shape (GRID,)
        The worth before the first step, nothing for an empty store.
    """
    paths, steps = ahead.load_kw.shape
    worth, mean = last.copy(), np.empty(GRID)
    alone, found = np.empty(GRID), np.empty(CORNERS)
    cell = unit.capacity_kwh / (GRID - 1)
    for at in range(steps - 1, -1, -1):
        if ahead.floor_kwh[at] > 0:
            for i in range(GRID):
                worth[i] -= SHORT_OF_FLOOR * max(ahead.floor_kwh[at] - i * cell, 0.0)
        mean[:] = 0.0
        for path in range(paths):
            step = Step(
                ahead.load_kw[path, at],
                ahead.ac_solar_kw[path, at],
                ahead.dc_solar_kw[path, at],
                ahead.fixed_kw[path, at],
                ahead.pays[path, at],
                ahead.gets[path, at],
                ahead.ceiling_kw,
                ahead.above[at],
            )
            best_of_all(step, unit, worth, alone, found)
            for i in range(GRID):
                mean[i] += alone[i]
        for i in range(GRID):
            worth[i] = mean[i] / paths
        if unit.kept < 1:
            alone[:] = worth
            for i in range(GRID):
                worth[i] = worth_at(alone, unit.kept * i * cell, unit)
        worth -= worth[0]
    return worth
