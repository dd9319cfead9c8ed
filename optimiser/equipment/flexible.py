"""Loads whose time is free within what the file allows: each is a store of its own behind a load on a phase or the bus.

What is asked of it is said once, as a `Need`: what the schedule, the case before and whatever steers it step by step
keep to alike. Energy that is missed is no way out: what cannot be met is found when the file is read.
"""

from __future__ import annotations

import datetime
import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
import pandas as pd
from pydantic import Field, StrictStr, model_validator

from optimiser.columns import of_flexible
from optimiser.equipment.connection import Phase, Place
from optimiser.fields import ClockMinutes, Column, Component, Several, choice, column, quantity, text, zone_of
from optimiser.flows import FlexibleFlows
from optimiser.terms.data import InputData
from optimiser.terms.line import Line
from optimiser.terms.verbs import Terms
from optimiser.timeline import Timeline, Window

WATER_KWH_PER_LITRE_K = 4.186 / 3600  # 4.186 kJ/kg K at 15 C, a litre taken as a kilogram
SHORT_KWH = 1e-6  # of energy, what rounding may leave
MOST_SHOWN = 3  # sessions of a load that a fault names

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


@dataclass(frozen=True)
class Span:
    """A session on a timeline: its steps, what it needs, and how people name it."""

    first: int
    stop: int
    need_kwh: float
    words: str
    arrival: pd.Timestamp
    departure: pd.Timestamp


class Session(Component):
    """One session: it is there from arrival to departure, on the site's clock unless the stamps carry an offset."""

    arrival: datetime.datetime = Field(description="when it is plugged in, such as 2025-03-01T18:00:00")
    departure: datetime.datetime = Field(description="when it has to be done")
    energy_kwh: float = quantity("kWh", "energy that has to be stored by departure", at_least=0)


class Habit(Component):
    """Sessions by the calendar: on each of some days, from a clock time to the next departure."""

    when: Window | None = Field(default=None, description="days on which it is plugged in; left out: all")
    plugged_in: ClockMinutes = Field(description='clock time at which it is plugged in, "18:00"')
    departure: ClockMinutes = Field(
        description='clock time at which it has to be done, the next day if not later than plugged_in, "07:00"'
    )
    energy_kwh: float = quantity("kWh", "energy that has to be stored by departure", at_least=0)

    @model_validator(mode="after")
    def _whole_days(self) -> Habit:
        if self.when is not None and (self.when.from_, self.when.to) != (0, 24 * 60):
            raise ValueError(
                "when of a habit names days and seasons; give its hours as plugged_in and departure"
            )
        return self


class SessionLoad(Flexible):
    """Energy by a deadline: a vehicle that is charged while it is plugged in, a batch of a machine.

    A session needs its energy stored by departure, no more and no less; what is stored is `efficiency` of what is
    taken. It takes power in steps that lie wholly between arrival and departure. A session that is not over within the
    timeline is left out, of the case before too.

    On the DC bus what is taken is the bus's power. Before, a charger of its own stored the same energy from a phase,
    `before_efficiency` of what it took, at the same rate unless `before_power_kw` says otherwise; or it is new.

    References
    ----------
    .. [1] Charging of vehicles by a deadline as a linear program: common practice, no source.
    """

    kind: Literal["sessions"] = choice("sessions")
    power_kw: float = quantity("kW", "the most power that it takes on its phase or the bus", above=0)
    efficiency: float = quantity(
        "-", "energy stored over energy taken from the phase", default=1.0, above=0, at_most=1
    )
    habit: Several[Habit] = ()
    session: Several[Session] = ()
    sessions: StrictStr | None = Field(
        default=None, description="CSV file of sessions with the columns arrival, departure, energy_kwh"
    )
    before_mode: Literal["on arrival", "timer", "new"] = Field(
        alias="before",
        description='how it was charged before: "on arrival" at full power until done, "timer" from before_from on, or '
        '"new" if it was not there',
    )
    before_phase: Phase | None = choice("on the bus: phase that its charger before was on", default=None)
    before_efficiency: float | None = quantity(
        "-", "on the bus: energy stored over energy its charger before took", default=None, above=0, at_most=1
    )
    before_power_kw: float | None = quantity(
        "kW",
        "on the bus: the most that its charger before took; left out: the same rate",
        default=None,
        above=0,
    )
    before_from: ClockMinutes | None = Field(
        default=None, description='clock time from which the timer let it charge, "23:00"'
    )

    @model_validator(mode="after")
    def _said(self) -> SessionLoad:
        if not (self.habit or self.session or self.sessions):
            raise ValueError(
                "no session is given; add [[site.flexible_load.habit]], or sessions with a CSV file"
            )
        _needs_clock(self.before_mode == "timer", self.before_from is not None, '"timer"', "before_from")
        keys = ("before_phase", "before_efficiency", "before_power_kw")
        given = [key for key in keys if getattr(self, key) is not None]
        own_charger = self.on_bus and self.before_mode != "new"
        if own_charger and not {"before_phase", "before_efficiency"} <= set(given):
            raise ValueError(
                'phase = "bus" needs before_phase and before_efficiency of the charger before, or before = "new"; add '
                "what is missing"
            )
        if given and not own_charger:
            raise ValueError(
                f'{" and ".join(given)} goes with phase = "bus" and a charger before only; remove it'
            )
        return self

    @property
    def phase_before(self) -> Place | None:
        """Phase that it was on in the case before."""
        return self.before_phase if self.on_bus else self.phase

    def need_before(self, data: InputData) -> Need:
        """The same energy by the same departures, through the charger that there was."""
        need = self.need(data)
        if self.before_efficiency is None:
            return need
        most_kw = self.before_power_kw or self.power_kw * self.efficiency / self.before_efficiency
        there = need.most_kw > 0
        return replace(
            need, gain=np.full(len(there), self.before_efficiency), most_kw=np.where(there, most_kw, 0.0)
        )

    def before_kw(self, data: InputData) -> np.ndarray:
        """Power that it took in the case before, of shape (steps,). [kW]"""
        if self.before_mode == "new":
            return np.zeros(data.timeline.steps)
        return super().before_kw(data)

    def spans(self, timeline: Timeline) -> list[Span]:
        """Its sessions within a timeline, in the order of their arrivals."""
        found = [span for one in self.session for span in _of_session(one, timeline)]
        found += [span for habit in self.habit for span in _of_habit(habit, timeline)]
        return sorted(found, key=lambda span: span.arrival)

    def need(self, data: InputData) -> Need:
        """Each session's energy by its departure; nothing between sessions."""
        steps, hours = data.timeline.steps, data.timeline.step_hours
        kept, most = np.ones(steps), np.zeros(steps)
        low, high = np.zeros(steps), np.zeros(steps)
        for span in self.spans(data.timeline):
            most[span.first : span.stop] = self.power_kw
            high[span.first : span.stop] = span.need_kwh
            low[span.stop - 1] = span.need_kwh
            if span.stop < steps:
                kept[span.stop] = 0.0
        return Need(kept, np.full(steps, self.efficiency), np.zeros(steps), low, high, most, 0.0, hours)

    def before(self, data: InputData, need: Need) -> Wanted:
        """Full power from arrival on, or from a clock time on; in time for departure in any case."""
        if self.before_from is None:
            return lambda step, stored: float(need.most_kw[step])
        timeline = data.timeline
        local = timeline.local()
        minute = np.asarray(local.hour * 60 + local.minute)
        free = np.zeros(timeline.steps, bool)
        for span in self.spans(timeline):
            inside = slice(span.first, span.stop)
            begun = np.flatnonzero(
                minute[inside] // timeline.step_minutes == self.before_from // timeline.step_minutes
            )
            free[span.first + (int(begun[0]) if len(begun) else 0) : span.stop] = True
        return lambda step, stored: float(need.most_kw[step]) if free[step] else 0.0

    def faults(self, data: InputData) -> Iterator[str]:
        """Deadlines before arrival, sessions that overlap, energy that the charger cannot give in time."""
        timeline, rate = data.timeline, self.power_kw * self.efficiency
        before_rate = (self.before_power_kw or math.inf) * (self.before_efficiency or 1.0)
        slow = []
        turned, late, over = [], [], []
        last: Span | None = None
        for span in self.spans(timeline):
            if span.departure <= span.arrival:
                turned.append(f"{span.words} departs before it arrives")
                continue
            most = max(0, span.stop - span.first) * timeline.step_hours * rate
            if span.need_kwh > most + SHORT_KWH:
                late.append(
                    f"{span.words} needs {span.need_kwh:g} kWh and gets {most:.4g} kWh at the most, "
                    f"{span.need_kwh - most:.4g} kWh are missing"
                )
            before = max(0, span.stop - span.first) * timeline.step_hours * before_rate
            if before + SHORT_KWH < span.need_kwh <= most + SHORT_KWH:
                slow.append(
                    f"{span.words} needs {span.need_kwh:g} kWh, of which the charger before gave {before:.4g} kWh at "
                    "the most"
                )
            if last is not None and span.first < last.stop:
                over.append(f"{span.words} begins before {last.words} is over")
            last = span
        yield from _several(turned, "Check both stamps.")
        yield from _several(late, "Raise power_kw, lengthen the session, or ask for less energy.")
        yield from _several(
            slow, "Raise before_power_kw, or check the session; both cases serve the same needs."
        )
        yield from _several(
            over, "Give each vehicle or machine a flexible load of its own, or part the sessions."
        )


class HeatLoad(Flexible):
    """A thermal store: hot water, or a cold room that stores cold.

    Either `litres` of water between two temperatures, or `capacity_kwh` of heat or cold within the band that is
    allowed. Of water the heat that is lost rises with its temperature above the room's; of a capacity it is the same at
    any time. It ends no emptier than it did in the case before, so that both serve the same needs.

    References
    ----------
    .. [1] A fully mixed store, dQ/dt = P - U A (T - T_room) - draw: common practice, no source.
    """

    kind: Literal["heat"] = choice("heat")
    power_kw: float = quantity("kW", "the most power that it takes on the AC side", above=0)
    litres: float | None = quantity("l", "water that is stored", default=None, above=0)
    lowest_c: float | None = quantity("degrees C", "temperature that the water keeps at least", default=None)
    highest_c: float | None = quantity(
        "degrees C", "temperature that the water reaches at most", default=None
    )
    room_c: float = quantity("degrees C", "temperature of the room around the water", default=20.0)
    capacity_kwh: float | None = quantity(
        "kWh", "heat or cold between the two ends of the band, where it is no water", default=None, above=0
    )
    standing_loss_kwh_per_day: float = quantity(
        "kWh",
        "heat lost in a day: of water while kept at highest_c, else at any time",
        default=0.0,
        at_least=0,
    )
    performance: Column = column(
        "-",
        "heat or cold stored for each kWh taken; 1 for an immersion heater, above it for a heat pump",
        default=1.0,
        at_least=0.1,
    )
    draw_kw: Column = column("kW", "heat or cold that is drawn", at_least=0)
    start_fraction: float = quantity(
        "-", "share of the band that is stored at the start", default=0.5, at_least=0, at_most=1
    )
    before_mode: Literal["thermostat", "timer"] = Field(
        alias="before",
        description='how it ran before: "thermostat" heats from the bottom of the band to its top whenever it comes '
        'there; "timer" heats to the top between before_from and before_to, else no more than the bottom asks for',
    )
    before_from: ClockMinutes | None = Field(default=None, description='start of the timer, "22:00"')
    before_to: ClockMinutes | None = Field(default=None, description='end of the timer, "06:00"')

    @model_validator(mode="after")
    def _said(self) -> HeatLoad:
        if self.on_bus:
            raise ValueError('phase = "bus" is for sessions; heat is made on a phase, name it')
        water = (self.litres, self.lowest_c, self.highest_c)
        if self.capacity_kwh is None:
            if None in water:
                raise ValueError(
                    "give litres, lowest_c and highest_c of the water, or capacity_kwh of another store"
                )
        elif water != (None, None, None):
            raise ValueError("capacity_kwh goes without litres, lowest_c and highest_c; keep one of both")
        if self.lowest_c is not None and self.highest_c is not None and self.lowest_c >= self.highest_c:
            raise ValueError(
                f"the band is upside down: lowest_c is {self.lowest_c:g}, highest_c {self.highest_c:g}; swap them"
            )
        if self.highest_c is not None and self.room_c >= self.highest_c:
            raise ValueError(
                f"room_c of {self.room_c:g} is not below highest_c of {self.highest_c:g}; check both"
            )
        clocks = self.before_from is not None and self.before_to is not None
        _needs_clock(self.before_mode == "timer", clocks, '"timer"', "before_from and before_to")
        if clocks and self.before_from == self.before_to:
            raise ValueError("before_from and before_to are the same clock time; give the timer some hours")
        return self

    @property
    def band_kwh(self) -> float:
        """Heat or cold between the two ends of the band. [kWh]"""
        if self.capacity_kwh is not None:
            return self.capacity_kwh
        return (self.litres or 0.0) * WATER_KWH_PER_LITRE_K * (self._highest_c - self._lowest_c)

    @property
    def _lowest_c(self) -> float:
        return 0.0 if self.lowest_c is None else self.lowest_c

    @property
    def _highest_c(self) -> float:
        return 0.0 if self.highest_c is None else self.highest_c

    def losses(self) -> tuple[float, float]:
        """Loss at the bottom of the band, and the share of what is stored that is lost in an hour. [kW], [1/h]"""
        mean_kw = self.standing_loss_kwh_per_day / 24
        if self.capacity_kwh is not None:
            return mean_kw, 0.0
        above = (self._lowest_c - self.room_c) / (self._highest_c - self.room_c)
        return mean_kw * above, mean_kw * (1 - above) / self.band_kwh

    def need(self, data: InputData) -> Need:
        """What is stored stays within the band, and ends no lower than it did before."""
        need, (_, held) = self.need_before(data), self.run_before(data)
        low = need.low_kwh.copy()
        low[-1] = max(0.0, min(float(held[-1]), self.band_kwh))
        return replace(need, low_kwh=low)

    def need_before(self, data: InputData) -> Need:
        """What is stored stays within the band."""
        steps, hours = data.timeline.steps, data.timeline.step_hours
        fixed_kw, per_hour = self.losses()
        return Need(
            np.full(steps, math.exp(-per_hour * hours)),
            data.values(self.performance).copy(),
            data.values(self.draw_kw) + fixed_kw,
            np.zeros(steps),
            np.full(steps, self.band_kwh),
            np.full(steps, self.power_kw),
            self.start_fraction * self.band_kwh,
            hours,
        )

    def before(self, data: InputData, need: Need) -> Wanted:
        """As the thermostat or the timer had it; what is coming is heated for in time in any case."""
        if self.before_from is not None and self.before_to is not None:
            hours = Window.model_validate({"from": _clock(self.before_from), "to": _clock(self.before_to)})
            free = data.timeline.mask(hours, data.timeline.zone) > 0
            return lambda step, stored: self.power_kw if free[step] else 0.0
        return _Thermostat(need)

    def faults(self, data: InputData) -> Iterator[str]:
        """Draw beyond what the heater and the store can serve."""
        need = self.need_before(data)
        least = need.least_kwh
        # What the first step can reach at the most, and every later one from a full store.
        over = least - need.high_kwh
        first = need.kept[0] * need.start_kwh + need.hours * (
            need.gain[0] * need.most_kw[0] - need.draw_kw[0]
        )
        over[0] = max(over[0], least[0] - min(first, self.band_kwh))
        if (worst := int(np.argmax(over))) is not None and over[worst] > SHORT_KWH:
            yield (
                f": it draws more than its {self.power_kw:g} kW and its store of {self.band_kwh:.4g} kWh can serve: "
                f"{over[worst]:.4g} kWh are missing for what is drawn after {data.timeline.when(worst)}. Raise "
                "power_kw or the store, or check draw_kw and standing_loss_kwh_per_day."
            )


class ShedLoad(Flexible):
    """A load that may be shed at a price, now and for good: nothing of it is made up for later.

    What is shed of it is paid for by the kWh, as a line of the bill after; before, it was never shed.

    References
    ----------
    .. [1] Interruptible load paid by the energy not served: common practice, no source.
    """

    kind: Literal["shed"] = choice("shed")
    load_kw: Column = column("kW", "what it takes where nothing is shed", at_least=0)
    share: float = quantity("-", "share of it that may be shed", default=1.0, above=0, at_most=1)
    price_per_kwh: float = quantity("currency/kWh", "what is paid for a kWh that is shed", at_least=0)

    @model_validator(mode="after")
    def _on_a_phase(self) -> ShedLoad:
        if self.on_bus:
            raise ValueError('phase = "bus" is for sessions; name the phase of what may be shed')
        return self

    def need(self, data: InputData) -> Need:
        """A store that holds no more than its step: what has to be taken and what may be."""
        steps, hours = data.timeline.steps, data.timeline.step_hours
        load = data.values(self.load_kw)
        least = (1 - self.share) * load
        none = np.zeros(steps)
        return Need(none, np.ones(steps), none, hours * least, hours * load, load, 0.0, hours)

    def before(self, data: InputData, need: Need) -> Wanted:
        """All of it."""
        return lambda step, stored: float(need.most_kw[step])

    def faults(self, data: InputData) -> Iterator[str]:
        """Nothing: what may be shed can always be met."""
        return iter(())

    def lines(self, flows: FlexibleFlows, terms: Terms) -> list[Line]:
        """What is paid for what is shed."""
        shed = (terms.series(terms.values(self.load_kw)) - flows.power_kw) * terms.step_hours
        name, amount = f"Shedding of {self.name}", -self.price_per_kwh * shed
        return [Line(name, "energy in", amount, quantity=shed, unit="kWh")]


class _Thermostat:
    """Heats from the bottom of the band, or from what is kept for what is coming, to its top."""

    def __init__(self, need: Need):
        self._need, self._least, self._on = need, need.least_kwh, False

    def __call__(self, step: int, stored: float) -> float:
        """Full power or none."""
        lowest, highest = self._need.reach_kw(step, stored, float(self._least[step]))
        full = float(self._need.most_kw[step])
        self._on = (self._on or lowest > 0) and highest > 0
        if self._on and highest < full:
            self._on = False
            return highest
        return full if self._on else 0.0


AnyFlexible = SessionLoad | HeatLoad | ShedLoad
KINDS: tuple[type[Flexible], ...] = (SessionLoad, HeatLoad, ShedLoad)


def _needs_clock(timer: bool, given: bool, word: str, keys: str) -> None:
    if timer and not given:
        raise ValueError(f"before = {word} needs {keys}; add it")
    if given and not timer:
        raise ValueError(f"{keys} goes with before = {word} only; remove it, or say {word}")


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _several(faults: Sequence[str], way: str) -> Iterator[str]:
    """The first of like faults in one sentence each, and how many more there are."""
    for fault in faults[:MOST_SHOWN]:
        yield f": the session {fault}. {way}"
    if len(faults) > MOST_SHOWN:
        yield f": it has {len(faults) - MOST_SHOWN} more of them. {way}"


def _of_session(session: Session, timeline: Timeline) -> Iterator[Span]:
    zone = zone_of(timeline.zone)

    def moment(stamp: datetime.datetime) -> pd.Timestamp:
        made = pd.Timestamp(stamp)
        return made if made.tz else made.tz_localize(zone, ambiguous=True, nonexistent="shift_forward")

    yield from _within(moment(session.arrival), moment(session.departure), session.energy_kwh, timeline)


def _of_habit(habit: Habit, timeline: Timeline) -> Iterator[Span]:
    zone = zone_of(timeline.zone)
    days, day, _ = timeline.slots()
    first = np.searchsorted(day, np.arange(len(days)))
    chosen = timeline.mask(habit.when, timeline.zone)[first] > 0
    later = habit.departure + (0 if habit.departure > habit.plugged_in else 24 * 60)

    def at(minutes: int) -> pd.DatetimeIndex:
        clock = days + pd.Timedelta(minutes=minutes)
        return clock.tz_localize(zone, ambiguous=np.ones(len(days), bool), nonexistent="shift_forward")

    for arrival, departure, taken in zip(at(habit.plugged_in), at(later), chosen, strict=True):
        if taken:
            yield from _within(arrival, departure, habit.energy_kwh, timeline)


def _within(arrival: Any, departure: Any, energy_kwh: float, timeline: Timeline) -> Iterator[Span]:
    """A session on the timeline's steps; none where it is not over within it."""
    step = pd.Timedelta(minutes=timeline.step_minutes)
    first = -(-(arrival - timeline.starts[0]) // step)
    stop = (departure - timeline.starts[0]) // step
    if first < 0 or stop > timeline.steps or (departure <= arrival and first >= timeline.steps):
        return
    local = [
        stamp.tz_convert(zone_of(timeline.zone)).strftime("%Y-%m-%d %H:%M") for stamp in (arrival, departure)
    ]
    yield Span(int(first), int(max(stop, first)), energy_kwh, f"{local[0]} to {local[1]}", arrival, departure)
