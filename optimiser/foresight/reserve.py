"""What a controller must keep out of its own reach so that services that are sold stay available.

Every rule of services is a row of the program. The room that a plan leaves in it, on the load that there really is,
says how far inverters and stores may depart from the plan.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from optimiser.columns import of_bank, of_inverter
from optimiser.engine.tiling import Problem
from optimiser.plant.walk import Caps
from optimiser.scenario.file import Scenario
from optimiser.timeline import STEP

TOLERANCE = 1e-7
SERVICE_RULES = ("up ", "down ", "stored energy for ")  # how their rows' names begin


@dataclass(frozen=True)
class Room:
    """How far a window may depart from its plan.

    Attributes
    ----------
    high_kw, low_kw : array of shape (steps, inverters)
        The most and the least output less input.
    floor_kwh, ceiling_kwh : array of shape (steps, banks)
    """

    high_kw: np.ndarray
    low_kw: np.ndarray
    floor_kwh: np.ndarray
    ceiling_kwh: np.ndarray

    def caps(self, steps: int, first: int, source_kw: np.ndarray, ac_solar_kw: np.ndarray) -> Caps:
        """As the plant takes it, at the window's place in the timeline."""
        parts = [
            placed(part, steps, first)
            for part in (
                self.high_kw,
                -self.low_kw,
                self.floor_kwh,
                self.ceiling_kwh,
                source_kw,
                ac_solar_kw,
            )
        ]
        return Caps(*parts)


def placed(window: np.ndarray, steps: int, first: int) -> np.ndarray:
    """A window's rows at their place in the timeline."""
    whole = np.zeros((steps, window.shape[1]))
    whole[first : first + len(window)] = window
    return whole


class ServiceRoom:
    """The rows of services of a program, and where inverters and stores stand in them.

    Parameters
    ----------
    scenario : Scenario
    problem : Problem
        On what happens.
    """

    def __init__(self, scenario: Scenario, problem: Problem):
        self._problem = problem
        names = [f.name for f in problem.rows if f.per == STEP and f.name.startswith(SERVICE_RULES)]
        self._rows = np.array([problem.row_places[name][0] for name in names], int)
        self.output = [of_inverter(i.name, "output_kw") for i in scenario.site.inverter]
        self.into = [of_inverter(i.name, "input_kw") for i in scenario.site.inverter]
        self.stored = [of_bank(bank.name, "stored_kwh") for bank in scenario.storage]
        self._rating = np.array([i.output_kw + i.input_kw for i in scenario.site.inverter])
        self._capacity = np.array([bank.capacity_kwh for bank in scenario.storage])

    def room(self, x: np.ndarray, first: int, stop: int) -> Room:
        """How far a window may depart from what is planned.

        Parameters
        ----------
        x : array of shape (columns,)
            The plan, with the AC solar that there will be.
        first, stop : int
        """
        problem = self._problem
        steps = np.arange(first, stop)
        net = self._of(x, self.output, steps) - self._of(x, self.into, steps)
        end = self._of(x, self.stored, steps)
        far = np.full_like(net, np.inf), np.full_like(end, np.inf)
        high, low, floor, ceiling = far[0], -far[0], -far[1], far[1]
        if len(self._rows):
            rows = (steps[:, None] * problem.step_rows + self._rows).ravel()
            part: Any = problem.matrix[rows]
            room = problem.row_upper[rows] - part @ x
            shape = (len(steps), len(self._rows))
            room = room.reshape(shape)
            out, into = (self._entries(part, names, steps, 0, shape) for names in (self.output, self.into))
            rise = np.maximum(np.maximum(out, -into), 0.0)
            fall = np.maximum(np.maximum(-out, into), 0.0)
            high = net + _least(room, rise, self._rating)
            low = net - _least(room, fall, self._rating)
            now, before = (self._entries(part, self.stored, steps, lag, shape) for lag in (0, 1))
            floor, ceiling = end - _least(room, -now, self._capacity), end + _least(room, now, self._capacity)
            # What holds at the start of a step holds at the end of the one before.
            start = end[:-1] - _least(room, -before, self._capacity)[1:]
            floor[:-1] = np.maximum(floor[:-1], start)
            ceiling[:-1] = np.minimum(ceiling[:-1], end[:-1] + _least(room, before, self._capacity)[1:])
        middle = np.clip(net, np.minimum(low, high), np.maximum(low, high))
        crossed = low > high
        return Room(np.where(crossed, middle, high), np.where(crossed, middle, low), floor, ceiling)

    def broken(self, x: np.ndarray, first: int, stop: int) -> np.ndarray:
        """In which steps a rule of services is broken, of shape (steps,)."""
        steps = np.arange(first, stop)
        if not len(self._rows):
            return np.zeros(len(steps), bool)
        rows = (steps[:, None] * self._problem.step_rows + self._rows).ravel()
        over = self._problem.matrix[rows] @ x - self._problem.row_upper[rows]
        made: np.ndarray = over.reshape(len(steps), -1).max(axis=1) > TOLERANCE
        return made

    def _of(self, x: np.ndarray, names: list[str], steps: np.ndarray) -> np.ndarray:
        return np.array([x[self._problem.places[name][steps]] for name in names]).reshape(len(names), -1).T

    def _entries(
        self, part: Any, names: list[str], steps: np.ndarray, lag: int, shape: tuple[int, int]
    ) -> np.ndarray:
        """Coefficients of some columns in each row, of shape (steps, rows, names)."""
        wide = self._problem.step_columns
        found = np.zeros((*shape, len(names)))
        entries = part.tocoo()
        row, column = entries.coords
        step = row // shape[1]
        for number, name in enumerate(names):
            own = (column % wide == self._problem.places[name][0] % wide) & (
                column // wide == steps[step] - lag
            )
            own &= column < wide * self._problem.timeline.steps
            found[step[own], row[own] % shape[1], number] = entries.data[own]
        return found


def _least(room: np.ndarray, slope: np.ndarray, size: np.ndarray) -> np.ndarray:
    """How far each may move before a row is full, of shape (steps, names); a row of several is shared by their size."""
    there = slope > 0
    whole = (there * size).sum(axis=2, keepdims=True)
    share = np.divide(size * there, whole, out=np.zeros_like(slope), where=whole > 0)
    far = np.divide(share * room[:, :, None], slope, out=np.full_like(slope, np.inf), where=there)
    return far.min(axis=1) if far.shape[1] else np.full((len(far), len(size)), np.inf)
