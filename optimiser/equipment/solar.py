"""Solar: systems with a grid inverter of their own, and charge controllers on the DC bus."""

from __future__ import annotations

import math

import numpy as np
from pydantic import Field, StrictStr, model_validator

from optimiser.equipment import binding, limits
from optimiser.equipment.connection import Phase
from optimiser.fields import Column, Component, choice, column, quantity, text
from optimiser.terms.data import InputData


class AcSolar(Component):
    """A solar system with its own grid inverter, on the AC side of a phase.

    A new one may be curtailed at will. An existing one gives way as its inverter always has: only while a limit of the
    connection on export or imbalance is reached that it adds to, and no further than before; unless the file says that
    the new system commands it.
    """

    name: StrictStr = text("name of the system")
    phase: Phase = choice('phase it is on; "all" shares it equally', default="all")
    available_kw: Column | None = column("kW", "available AC power", default=None, at_least=0)
    available_kw_per_kwp: Column | None = column(
        "kW/kWp", "available AC power per kWp", default=None, at_least=0
    )
    size_kwp: float | None = limits.AC_ARRAY.number()
    rating_kw: float | None = limits.AC_RATING.number()
    existing: bool = Field(default=False, description="already there in the before-case")
    commandable: bool | None = choice(limits.UNCOMMANDED.meaning, default=None)

    @model_validator(mode="after")
    def _one_of(self) -> AcSolar:
        _check_available(self.available_kw, self.available_kw_per_kwp, self.size_kwp)
        if self.commandable is not None and not self.existing:
            raise ValueError("commandable goes with existing = true, a new system always can be; remove it")
        return self

    @property
    def gives_way_alone(self) -> bool:
        """Whether it is there already and nobody commands it."""
        return self.existing and not self.commandable

    def available(self, data: InputData) -> np.ndarray:
        """Power that the sun allows in each step, of shape (steps,). [kW]"""
        power = _available(self, data)
        return power if self.rating_kw is None else np.minimum(power, self.rating_kw)


class SolarController(Component):
    """A solar charge controller between an array and the DC bus; curtailment is always allowed.

    Its output current limit times the bus voltage limits its power, so it falls as a capacitor bank empties.
    """

    name: StrictStr = text("name of the controller")
    available_kw: Column | None = column("kW", "available DC power of the array", default=None, at_least=0)
    available_kw_per_kwp: Column | None = column(
        "kW/kWp", "available DC power per kWp", default=None, at_least=0
    )
    size_kwp: float | None = limits.CONTROLLER_ARRAY.number()
    efficiency: float = quantity(
        "-", "power to the bus over power from the array", default=0.98, above=0, at_most=1
    )
    current_limit_a: float | None = limits.CONTROLLER_CURRENT.number()

    @model_validator(mode="after")
    def _one_of(self) -> SolarController:
        _check_available(self.available_kw, self.available_kw_per_kwp, self.size_kwp)
        return self

    def bus_currents(self, most_kw: float = math.inf) -> list[binding.Current]:
        """The limit of its current on the bus, where its array could bring `most_kw` there."""
        made = []
        for limit in limits.of_form("bus current", "site.solar_controller"):
            if (amperes := limit.amperes(self, limit.key)) is not None:
                rule = limit.rule.format(name=self.name)
                made.append(binding.Current(limit, self.name, rule, True, amperes, most_kw))
        return made

    def available(self, data: InputData) -> np.ndarray:
        """Power that the array could bring to the bus in each step, of shape (steps,). [kW]"""
        return self.efficiency * _available(self, data)


def _check_available(power: Column | None, per_kwp: Column | None, size: float | None) -> None:
    if (power is None) == (per_kwp is None) or (per_kwp is None) != (size is None):
        raise ValueError("give either available_kw, or available_kw_per_kwp together with size_kwp")


def _available(solar: AcSolar | SolarController, data: InputData) -> np.ndarray:
    if solar.available_kw is not None:
        return data.values(solar.available_kw)
    assert solar.size_kwp is not None  # as `_check_available` has seen
    assert solar.available_kw_per_kwp is not None
    return solar.size_kwp * data.values(solar.available_kw_per_kwp)
