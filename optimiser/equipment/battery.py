"""Batteries."""

from __future__ import annotations

from typing import Literal

from pydantic import model_validator

from optimiser.equipment.bank import StorageBank
from optimiser.fields import choice, quantity


class Battery(StorageBank):
    """A battery bank: its voltage is taken as constant.

    Metered at its DC terminals. Leaves out how limits move with temperature and state of charge; efficiency is
    constant, falls with power by an internal resistance, or follows measured points.

    References
    ----------
    .. [1] Resistance loss: discharge efficiency (V - I R)/V, charge efficiency V/(V + I R), elementary circuit
       theory.
    """

    kind: Literal["battery"] = choice("technology")
    unit_kwh: float = quantity("kWh", "usable energy of a unit", above=0)
    voltage_v: float = quantity("V", "voltage of the bank", at_least=1)
    lowest_voltage_v: float | None = quantity(
        "V", "lowest voltage in use, for the hardware checks only", default=None, at_least=1
    )

    @model_validator(mode="after")
    def _check(self) -> Battery:
        if self.lowest_voltage_v is not None and self.lowest_voltage_v > self.voltage_v:
            raise ValueError(
                f"lowest_voltage_v must be at most voltage_v, got {self.lowest_voltage_v:g} V and "
                f"{self.voltage_v:g} V; correct one of them"
            )
        self._check_resistance()
        return self

    @property
    def usable_kwh(self) -> float:
        """Usable energy of a unit. [kWh]"""
        return self.unit_kwh

    @property
    def voltages(self) -> tuple[float, float]:
        """Lowest and highest voltage as the schedule sees them. [V]"""
        return self.voltage_v, self.voltage_v
