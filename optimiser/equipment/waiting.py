"""What every load whose time is free has and keeps: a store of its own behind a load on a phase or the bus.

What is asked of it is said once, as a `Need`: what the schedule, the case before and whatever steers it step by step
keep to alike. Energy that is missed is no way out: what cannot be met is found when the file is read.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from pydantic import StrictStr

from optimiser.columns import of_flexible
from optimiser.equipment.connection import Place
from optimiser.fields import Component, choice, text
from optimiser.flows import FlexibleFlows
from optimiser.terms.data import InputData
from optimiser.terms.line import Line
from optimiser.terms.verbs import Terms

SHORT_KWH = 1e-6  # of energy, what rounding may leave

Wanted = Callable[[int, float], float]


@dataclass(frozen=True)
class Need:
    """What a load asks for, on a timeline: `stored = kept * stored before + hours * (gain * power - draw)`.

    Attributes
    ----------
    kept : array of shape (steps,)
        Share of what was stored that is left as a step ends; nothing where a session is over. [-]
    gain : array of shape (steps,)
        What is stored of a kWh taken from the phase. [-]
    draw_kw : array of shape (steps,)
        What leaves the store whatever is decided. [kW]
    low_kwh, high_kwh : array of shape (steps,)
        What has to be stored at the end of each step, and the most that may be. [kWh]
    most_kw : array of shape (steps,)
        The most power that it takes from the phase; nothing where it is not there. [kW]
    start_kwh : float
        Stored before the first step. [kWh]
    hours : float
        Length of a step. [h]
    """

    kept: np.ndarray
    gain: np.ndarray
    draw_kw: np.ndarray
    low_kwh: np.ndarray
    high_kwh: np.ndarray
    most_kw: np.ndarray
    start_kwh: float
    hours: float

    @cached_property
    def least_kwh(self) -> np.ndarray:
        """What has to be stored at the end of each step so that all that is asked later can be met. [kWh]

        Every schedule that meets the need keeps to it: it takes nothing away. Above `high_kwh` where there is none.
        """
        least = self.low_kwh.copy()
        kept, reach = self.kept.tolist(), (self.hours * (self.gain * self.most_kw - self.draw_kw)).tolist()
        low = least.tolist()
        for step in range(len(low) - 2, -1, -1):
            if kept[step + 1] > 0:
                low[step] = max(low[step], (low[step + 1] - reach[step + 1]) / kept[step + 1])
        return np.asarray(low)

    def steered(
        self, wanted: Wanted, first: int = 0, stop: int | None = None, stored_kwh: float | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """Power and what is stored where some power is wanted in each step, made to meet the need.

        Parameters
        ----------
        wanted : callable (step, stored energy as the step begins) -> power
            [kWh], [kW]
        first, stop : int
            The steps; left out: all.
        stored_kwh : float, optional
            As the first of them begins; left out: `start_kwh`.

        Returns
        -------
        (array, array)
            Of shape (steps walked,). [kW], [kWh]
        """
        stop = len(self.kept) if stop is None else stop
        stored = self.start_kwh if stored_kwh is None else stored_kwh
        least = self.least_kwh
        power, held = np.zeros(stop - first), np.zeros(stop - first)
        for at, step in enumerate(range(first, stop)):
            lowest, highest = self.reach_kw(step, stored, float(least[step]))
            kw = min(max(wanted(step, stored), lowest), highest)
            stored = self.after(step, stored, kw)
            power[at], held[at] = kw, stored
        return power, held

    def reach_kw(self, step: int, stored: float, least_kwh: float) -> tuple[float, float]:
        """The least power that it must take in a step and the most that it may. [kW]"""
        rest = float(self.kept[step]) * stored - self.hours * float(self.draw_kw[step])
        per_kw = self.hours * float(self.gain[step])
        most = min(float(self.most_kw[step]), max(0.0, (float(self.high_kwh[step]) - rest) / per_kw))
        return max(0.0, (least_kwh - rest) / per_kw), most

    def after(self, step: int, stored: float, power_kw: float) -> float:
        """What is stored at the end of a step. [kWh]"""
        moved = self.hours * (float(self.gain[step]) * power_kw - float(self.draw_kw[step]))
        return float(self.kept[step]) * stored + moved


class Flexible(Component, ABC):
    """What every kind has and tells of itself."""

    name: StrictStr = text("name of the load")
    phase: Place = choice(
        'phase it is on; "all" shares it equally; "bus", of sessions: the DC bus', default="all"
    )

    @property
    def on_bus(self) -> bool:
        """Whether it is on the DC bus."""
        return self.phase == "bus"

    @property
    def phase_before(self) -> Place | None:
        """Phase that it was on in the case before."""
        return self.phase

    @abstractmethod
    def need(self, data: InputData) -> Need:
        """What it asks for."""

    @abstractmethod
    def before(self, data: InputData, need: Need) -> Wanted:
        """The power that it wanted in the case before."""

    @abstractmethod
    def faults(self, data: InputData) -> Iterator[str]:
        """What of it cannot be met, a sentence each, to stand behind its place in the file."""

    def before_kw(self, data: InputData) -> np.ndarray:
        """Power that it took in the case before, of shape (steps,). [kW]"""
        return self.run_before(data)[0]

    def run_before(self, data: InputData) -> tuple[np.ndarray, np.ndarray]:
        """Power that it took in the case before and what was stored behind it, of shape (steps,). [kW], [kWh]"""
        need = self.need_before(data)
        return need.steered(self.before(data, need))

    def need_before(self, data: InputData) -> Need:
        """What was asked of it before."""
        return self.need(data)

    def most_kw(self, data: InputData) -> np.ndarray:
        """The most power that it takes in each step, of shape (steps,). [kW]"""
        return self.need(data).most_kw

    def flows(self, terms: Terms) -> FlexibleFlows:
        """Make its columns and the rule that it keeps."""
        need = self.need(terms)
        # What has to be stored for later is implied; as a bound it makes each window of a plan feasible by itself.
        least = np.minimum(need.least_kwh, need.high_kwh)
        power = terms.column(of_flexible(self.name, "power_kw"), at_most=need.most_kw)
        stored = terms.column(
            of_flexible(self.name, "stored_kwh"),
            at_least=least,
            at_most=need.high_kwh,
            before=need.start_kwh,
            unit="kWh",
        )
        kept = terms.series(need.kept) * terms.previous(stored)
        moved = terms.series(need.hours * need.gain) * power - terms.series(need.hours * need.draw_kw)
        terms.equal(self.rule, stored, kept + moved, unit="kWh")
        return FlexibleFlows(power, stored)

    def lines(self, flows: FlexibleFlows, terms: Terms) -> list[Line]:
        """What its owner is paid for it."""
        return []

    @property
    def rule(self) -> str:
        """The name of its energy balance."""
        return f"energy of flexible load {self.name}"


def needs_clock(timer: bool, given: bool, word: str, keys: str) -> None:
    """Refuse clock times that do not go with how it ran before, and their absence where it ran by them."""
    if timer and not given:
        raise ValueError(f"before = {word} needs {keys}; add it")
    if given and not timer:
        raise ValueError(f"{keys} goes with before = {word} only; remove it, or say {word}")
