"""Storage banks on numbers, for many cases at once: what each can take and give in a step, and what it then holds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from optimiser.equipment.bank import StorageBank
from optimiser.equipment.laws import volts_of
from optimiser.equipment.storage import bank_on_bus
from optimiser.equipment.voltage import stored_at, voltage_at, voltage_chords
from optimiser.timeline import Timeline

SPARE_KWH = 1e-9  # of energy, what rounding may take
HALVINGS = 40  # of an interval: far below a watt


class Stores:
    """The banks of a site, as what steers them and outages find them.

    Whoever follows a schedule keeps within its straight lines below the curve of a voltage (`reach`); an outage goes
    as far as the law lets it (`most_given`, `most_taken`). What a power does to the energy held is one (`rates`).

    Parameters
    ----------
    banks : tuple of Battery or CapacitorBank
    timeline : Timeline
    lowest_voltage_v : float
        Of the bus. [V]
    floors_kwh : sequence of arrays of shape (steps,)
        What each holds at the end of each step at the least. [kWh]

    Attributes
    ----------
    activation_kw : array of shape (steps, banks)
        Rate at which activated services drain each; nothing until it is said otherwise. [kW]
    """

    def __init__(
        self,
        banks: Sequence[StorageBank],
        timeline: Timeline,
        lowest_voltage_v: float,
        floors_kwh: Sequence[np.ndarray],
    ):
        self.banks, self.hours = banks, timeline.step_hours
        self.capacity_kwh = np.array([bank.capacity_kwh for bank in banks])
        self.start_kwh = np.array([bank.start_kwh for bank in banks])
        self.kept = np.array([bank.kept(self.hours) for bank in banks])
        self.charging = [bank.charge_curve() for bank in banks]
        self.discharging = [bank.discharge_curve() for bank in banks]
        self.activation_kw = np.zeros((timeline.steps, len(banks)))
        floors = []
        for bank, least in zip(banks, floors_kwh, strict=True):
            floor = least.copy()
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
        made: np.ndarray = np.maximum(ceiling - idle, 0.0) / self.hours
        return made

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
        bank_kw: np.ndarray = base
        for room, part in ((into, np.maximum(rest, 0.0)), (-out, np.maximum(-rest, 0.0))):
            whole = np.abs(room).sum(axis=1)
            share = np.divide(part, whole, out=np.zeros(len(whole)), where=whole > 0)
            bank_kw = bank_kw + room * np.minimum(share, 1.0)[:, None]
        return bank_kw

    def after(self, step: Any, stored: np.ndarray, bank_kw: np.ndarray) -> np.ndarray:
        """Energy at the end of a step, of shape (cases, banks). [kWh]"""
        end = self.kept * stored - self.hours * self.activation_kw[step]
        made: np.ndarray = end + self.hours * self.rates(bank_kw, (stored + end) / 2, self.hours)
        return made

    def rates(self, bank_kw: np.ndarray, idle_kwh: np.ndarray, hours: Any) -> np.ndarray:
        """Rate at which each bank fills, negative where it drains, at net charge powers. [kW]

        `idle_kwh` is the energy that would be held if nothing flowed, `hours` how long it flows; losses that follow the
        voltage depend on both.
        """
        rates = np.zeros_like(bank_kw)
        for number in range(len(self.banks)):
            power, idle = bank_kw[:, number], idle_kwh[:, number]
            into = self.charging[number].rate(np.maximum(power, 0.0), idle, hours)
            rates[:, number] = into - self.discharging[number].rate(np.maximum(-power, 0.0), idle, hours)
        return rates

    def voltage_by_law(self, held: np.ndarray) -> np.ndarray:
        """Bus voltage at the energies held, off no chord, of shape (cases,). [V]"""
        if self.on_bus is None:
            return np.full(len(held), self._lowest_v)
        volts: np.ndarray = voltage_at(self.banks[self.on_bus], held[:, self.on_bus])
        return volts

    def most_given(self, held: np.ndarray, hours: np.ndarray, least_v: np.ndarray) -> np.ndarray:
        """The most that each bank can give through `hours`, by energy and by its current at the voltage it then has.

        Parameters
        ----------
        held : array of shape (cases, banks)
            Energy at the start. [kWh]
        hours, least_v : array of shape (cases,)
            How long, and the bus voltage below which it must not fall. [h], [V]

        Returns
        -------
        array of shape (cases, banks)
            On the bus. [kW]
        """
        most = np.zeros_like(held)
        for number, bank in enumerate(self.banks):
            own, giving = held[:, number], self.discharging[number]
            least = stored_at(bank, least_v) if number == self.on_bus else np.zeros(len(held))
            spare = np.maximum(own - least, 0.0)
            rate = np.divide(spare, hours, out=np.full(len(held), np.inf), where=hours > 0)
            given = np.where(own >= least - SPARE_KWH, giving.power(rate, own, hours), 0.0)
            tight = ~self._carried(number, given, own, hours)
            if tight.any():
                given[tight] = self._within_current(number, given[tight], own[tight], hours[tight])
            most[:, number] = given
        return most

    def _carried(self, number: int, given: np.ndarray, held: np.ndarray, hours: np.ndarray) -> np.ndarray:
        """Whether a bank's current is within its limit at the voltage that is left after giving so much."""
        bank, current = self.banks[number], self.banks[number].current(out=True)
        needed: Any = 0.0
        if current is not None:
            needed = stored_at(bank, volts_of(given / bank.converter_efficiency, current.amperes))
        drained = self.discharging[number].rate(given, held, hours)
        return np.asarray(hours * drained + needed <= held + SPARE_KWH)

    def _within_current(
        self, number: int, most: np.ndarray, held: np.ndarray, hours: np.ndarray
    ) -> np.ndarray:
        low, high = np.zeros(len(most)), most
        for _ in range(HALVINGS):
            middle = (low + high) / 2
            kept = self._carried(number, middle, held, hours)
            low, high = np.where(kept, middle, low), np.where(kept, high, middle)
        return low

    def most_taken(self, held: np.ndarray) -> np.ndarray:
        """The most that each bank can take through a step until it is full, of shape (cases, banks). [kW]"""
        most = np.zeros_like(held)
        for number, bank in enumerate(self.banks):
            own, current = held[:, number], bank.current(out=False)
            room = self._energy_room(bank.capacity_kwh, own)
            most[:, number] = self.charging[number].power(room, own, self.hours)
            if current is not None:
                by_current = current.most_kw(voltage_at(bank, own)) / bank.converter_efficiency
                most[:, number] = np.minimum(most[:, number], by_current)
        return most

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
