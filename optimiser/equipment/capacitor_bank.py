"""Banks of capacitors."""

from __future__ import annotations

from typing import Literal

from pydantic import model_validator

from optimiser.equipment import laws
from optimiser.equipment.bank import StorageBank
from optimiser.fields import choice, quantity


class CapacitorBank(StorageBank):
    """A bank of capacitors used between two voltages, so that every current limit falls as it empties.

    The stored energy fixes the voltage, V = sqrt(Vmin^2 + s (Vmax^2 - Vmin^2)) with s the share of the usable
    energy. Power limits from currents use straight lines below that curve, which is safe.

    References
    ----------
    .. [1] E = C V^2 / 2, elementary circuit theory.
    """

    kind: Literal["capacitor_bank"] = choice("technology")
    lowest_voltage_v: float = quantity("V", "lowest voltage in use", above=0)
    highest_voltage_v: float = quantity("V", "highest voltage in use", above=0)
    capacitance_f: float | None = quantity(
        "F", "capacitance of a unit (give this or unit_usable_kwh)", default=None, above=0
    )
    unit_usable_kwh: float | None = quantity(
        "kWh", "usable energy of a unit between the two voltages", default=None, above=0
    )

    @model_validator(mode="after")
    def _check(self) -> CapacitorBank:
        if self.lowest_voltage_v >= self.highest_voltage_v:
            raise ValueError(
                f"lowest_voltage_v must be below highest_voltage_v, got {self.lowest_voltage_v:g} V and "
                f"{self.highest_voltage_v:g} V; swap them"
            )
        if (self.capacitance_f is None) == (self.unit_usable_kwh is None):
            raise ValueError("give either capacitance_f or unit_usable_kwh")
        self._check_resistance()
        return self

    @property
    def usable_kwh(self) -> float:
        """Usable energy of a unit. [kWh]"""
        if self.unit_usable_kwh is not None:
            return self.unit_usable_kwh
        assert self.capacitance_f is not None
        square = self.highest_voltage_v**2 - self.lowest_voltage_v**2
        return self.capacitance_f * square / 2 / laws.JOULES_PER_KWH

    @property
    def voltages(self) -> tuple[float, float]:
        """Lowest and highest voltage. [V]"""
        return self.lowest_voltage_v, self.highest_voltage_v
