"""A store of heat or cold behind a heater or heat pump: hot water, a cold room."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Literal

import numpy as np
from pydantic import Field, model_validator

from optimiser.equipment.waiting import SHORT_KWH, Flexible, Need, Wanted, needs_clock
from optimiser.fields import ClockMinutes, Column, choice, column, quantity
from optimiser.terms.data import InputData
from optimiser.timeline import Window

WATER_KWH_PER_LITRE_K = 4.186 / 3600  # 4.186 kJ/kg K at 15 C, a litre taken as a kilogram


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
        needs_clock(self.before_mode == "timer", clocks, '"timer"', "before_from and before_to")
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


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"
