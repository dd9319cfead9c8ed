"""Storage banks on numbers, for many cases at once: what each can take and give in a step, and what it then holds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from optimiser.equipment.site import bank_on_bus
from optimiser.equipment.storage import StorageBank, voltage_chords
from optimiser.timeline import Timeline


class Stores:
    """The banks of a site.

    Parameters
    ----------
    banks : tuple of Battery or CapacitorBank
    timeline : Timeline
    lowest_voltage_v : float
        Of the bus.

    Attributes
    ----------
    activation_kw : array of shape (steps, banks)
        Rate at which activated services drain each; nothing until it is said otherwise. [kW]
    """

    def __init__(self, banks: Sequence[StorageBank], timeline: Timeline, lowest_voltage_v: float):
        self.banks, self.hours = banks, timeline.step_hours
        self.capacity_kwh = np.array([bank.capacity_kwh for bank in banks])
        self.start_kwh = np.array([bank.start_kwh for bank in banks])
        self.kept = np.array([bank.kept(self.hours) for bank in banks])
        self.charging = [bank.charge_curve() for bank in banks]
        self.discharging = [bank.discharge_curve() for bank in banks]
        self.activation_kw = np.zeros((timeline.steps, len(banks)))
        floors = []
        for bank in banks:
            floor = bank.floor_kwh(timeline).copy()
            floor[-1] = max(floor[-1], min(bank.end_kwh, bank.capacity_kwh))
            floors.append(floor)
        self.floor_kwh = np.stack(floors, axis=1) if floors else np.zeros((timeline.steps, 0))
        self.lines = [voltage_chords(bank) for bank in banks]
        on_bus = bank_on_bus(banks)
        self.on_bus = None if on_bus is None else list(banks).index(on_bus)
        self.voltage_moves = self.on_bus is not None and bool(self.lines[self.on_bus][0][1])
        self._lowest_v = lowest_voltage_v

    def voltage(self, number: int, stored: np.ndarray) -> np.ndarray:
        """Voltage of a bank as its current limits see it: on the chords below the curve. [V]"""
        share = stored / self.capacity_kwh[number]
        volts: np.ndarray = np.min([base + slope * share for base, slope in self.lines[number]], axis=0)
        return volts

    def bus_voltage(self, stored: np.ndarray, end: np.ndarray) -> np.ndarray:
        """The lower of the bus voltages at the start and the end of a step, of shape (rows,). [V]"""
        if not self.voltage_moves or self.on_bus is None:
            return np.full(len(stored), self._lowest_v)
        return self.voltage(self.on_bus, np.minimum(stored[:, self.on_bus], end[:, self.on_bus]))

    def reach(
        self,
        step: Any,
        stored: np.ndarray,
        kept_kwh: np.ndarray,
        floor_kwh: np.ndarray | None,
        ceiling_kwh: np.ndarray | None,
    ) -> tuple[np.ndarray, np.ndarray]:
        """The least and the most net charge power of each bank in a step, of shape (cases, banks). [kW]

        `kept_kwh` is held if need be by charging; a floor or ceiling beyond only stops the store from going there.
        """
        least, most = np.zeros_like(stored), np.zeros_like(stored)
        for number, bank in enumerate(self.banks):
            start = stored[:, number]
            idle = self.kept[number] * start - self.hours * self.activation_kw[step, number]
            middle, hours = (start + idle) / 2, self.hours
            charging, discharging = self.charging[number], self.discharging[number]
            room = self._energy_room(bank.capacity_kwh, idle)
            into = np.minimum(
                self._by_current(number, "charge", start, idle), charging.power(room, middle, hours)
            )
            spare = (idle - kept_kwh[..., number]) / hours
            needed = charging.power(np.maximum(-spare, 0.0), middle, hours)
            if ceiling_kwh is not None:
                own = charging.power(self._energy_room(ceiling_kwh[..., number], idle), middle, hours)
                into = np.minimum(into, np.maximum(own, needed))
            if floor_kwh is not None:
                spare = np.minimum(spare, (idle - floor_kwh[..., number]) / self.hours)
            out = np.minimum(
                self._by_current(number, "discharge", start, idle),
                discharging.power(np.maximum(spare, 0.0), middle, hours),
            )
            most[:, number] = into
            least[:, number] = np.minimum(np.where(needed > 0, needed, -out), into)
        return least, most

    def _energy_room(self, ceiling: Any, idle: np.ndarray) -> np.ndarray:
        return np.maximum(ceiling - idle, 0.0) / self.hours

    def _by_current(self, number: int, word: str, start: np.ndarray, idle: np.ndarray) -> np.ndarray:
        """Power on the bus that a bank's own limits allow, at the voltages of the start and the end of a step. [kW]"""
        bank, out = self.banks[number], word == "discharge"
        limit = bank.discharge_limit_kw if out else bank.charge_limit_kw
        current, power = bank.current(out=out), np.full(len(start), limit)
        if current is None or not current.binds_from(bank.voltages[0]):
            return power
        per_volt = current.most_kw(1.0)
        gain = 1 / bank.converter_efficiency if out else bank.converter_efficiency
        curve = self.discharging[number] if out else self.charging[number]
        for base, slope in self.lines[number]:
            rise = per_volt * slope / bank.capacity_kwh
            power = np.minimum(power, (per_volt * base + rise * start) / gain)
            at_end = np.maximum(per_volt * base + rise * idle, 0.0)
            per_rate = rise * self.hours * (1 if out else -1)
            reached = curve.until(at_end, gain, per_rate, (start + idle) / 2, self.hours)
            power = np.minimum(power, reached)
        return power

    def shared_out(self, power: np.ndarray, least: np.ndarray, most: np.ndarray) -> np.ndarray:
        """Net charge power of each bank: what must be charged first, the rest by what each can take or give. [kW]"""
        base = np.maximum(least, 0.0)
        rest = power - base.sum(axis=1)
        into, out = np.maximum(most - base, 0.0), np.maximum(-least, 0.0)
        bank_kw = base
        for room, part in ((into, np.maximum(rest, 0.0)), (-out, np.maximum(-rest, 0.0))):
            whole = np.abs(room).sum(axis=1)
            share = np.divide(part, whole, out=np.zeros(len(whole)), where=whole > 0)
            bank_kw = bank_kw + room * np.minimum(share, 1.0)[:, None]
        return bank_kw

    def after(self, step: Any, stored: np.ndarray, bank_kw: np.ndarray) -> np.ndarray:
        """Energy at the end of a step, of shape (cases, banks). [kWh]"""
        end = self.kept * stored - self.hours * self.activation_kw[step]
        middles = (stored + end) / 2
        for number in range(len(self.banks)):
            power, middle = bank_kw[:, number], middles[:, number]
            into = self.charging[number].rate(np.maximum(power, 0.0), middle, self.hours)
            out = self.discharging[number].rate(np.maximum(-power, 0.0), middle, self.hours)
            end[:, number] += self.hours * (into - out)
        return end

    def kept_for_later(self, surplus: np.ndarray) -> np.ndarray:
        """Least energy at the end of each step from which later floors can be kept, of shape (steps, banks). [kWh]

        Parameters
        ----------
        surplus : array of shape (steps,)
            The most net power that the bus can have for its stores, or the least that it asks of them. [kW]
        """
        rates = np.zeros_like(self.floor_kwh)
        limits = []
        for number in range(len(self.banks)):
            empty = np.zeros(1)
            limits.append(
                [self._by_current(number, word, empty, empty)[0] for word in ("charge", "discharge")]
            )
        whole = np.array(limits).reshape(-1, 2).sum(axis=0)
        for number, (into, out) in enumerate(limits):
            charge = np.minimum(np.maximum(surplus, 0.0) * (into / whole[0]), into)
            discharge = np.minimum(np.maximum(-surplus, 0.0) * (out / whole[1]), out)
            filled, drained = self.charging[number], self.discharging[number]
            rates[:, number] = filled.cautious_rate(charge) - drained.cautious_rate(discharge)
        rates -= self.activation_kw
        kept = self.floor_kwh.copy()
        for step in range(len(kept) - 2, -1, -1):
            earlier = (kept[step + 1] - self.hours * rates[step + 1]) / self.kept
            kept[step] = np.minimum(np.maximum(kept[step], earlier), self.capacity_kwh)
        return kept
