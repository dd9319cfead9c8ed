"""Peak currents on the DC bus: what a bank must hold so that its voltage lasts through them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from optimiser.equipment import laws
from optimiser.equipment.bank import StorageBank
from optimiser.equipment.load import DcLoad
from optimiser.terms.data import InputData


class Drawing(Protocol):
    """An inverter, by what it draws from the bus at its most."""

    def drawn_most_kw(self, volts: np.ndarray) -> np.ndarray:
        """The most that it draws at a voltage of the bus. [kW]"""


@dataclass(frozen=True)
class Peak:
    """What the peaks of all loads ask of the bank on the bus in each step, arrays of shape (steps,).

    Attributes
    ----------
    amperes : array
        Of the loads themselves, zero where none may peak. [A]
    beside_a : array
        Of all else on the bus: other loads, standby, inverters at their most. [A]
    terminal_v : array
        Least voltage at the bank's terminals. [V]
    open_v : array
        Voltage of the bank with nothing flowing, before the peak, at which that is kept to the peak's end. [V]
    stored_kwh : array
        Energy that it then holds; infinite where no energy gives that voltage. [kWh]
    """

    amperes: np.ndarray
    beside_a: np.ndarray
    terminal_v: np.ndarray
    open_v: np.ndarray
    stored_kwh: np.ndarray

    @property
    def floor_kwh(self) -> np.ndarray:
        """Least energy at the end of each step: a peak may come at any moment of it and of the next. [kWh]"""
        made: np.ndarray = np.maximum(self.stored_kwh, np.append(self.stored_kwh[1:], 0.0))
        return made


def peak_of(
    loads: Sequence[DcLoad],
    bank: StorageBank,
    data: InputData,
    always_kw: float,
    inverters: Iterable[Drawing],
) -> Peak | None:
    """What the loads' peaks ask of the bank on the bus; None where no load has one.

    The hardest case is taken: all peaks that a step allows end at the same moment, each after its own duration, while
    the other loads run, standby is drawn and every inverter gives its most, and neither sun nor grid bring anything.

    Parameters
    ----------
    loads : sequence of DcLoad
    bank : StorageBank
        The one on the bus.
    data : InputData
    always_kw : float
        Of all electronics on the bus, and of chargers there at their most. [kW]
    inverters : iterable of Drawing

    References
    ----------
    .. [1] Ohm's law for the fall of voltage in the bank and the cables; dV = dQ / C for a capacitance, elementary
       circuit theory. Powers beside the loads are held, so their current is taken at the lowest voltage.
    """
    peaking = [load for load in loads if load.peak_a is not None]
    if not peaking:
        return None
    none = np.zeros(data.timeline.steps)
    amperes, charge_as, seconds, terminal_v = none, none, none, none
    beside_kw = none + always_kw
    for load in loads:
        running = data.values(load.power_kw)
        if load.peak_a is None or load.peak_seconds is None or load.least_terminal_v is None:
            beside_kw = beside_kw + running
            continue
        may = data.timeline.mask(load.peak_when, data.timeline.zone)
        beside_kw = beside_kw + (1 - may) * running
        amperes = amperes + may * load.peak_a
        charge_as = charge_as + may * load.peak_a * load.peak_seconds
        seconds = np.maximum(seconds, may * load.peak_seconds)
        at_bank = laws.open_voltage_v(load.least_terminal_v, load.peak_a, load.cable_ohm)
        terminal_v = np.maximum(terminal_v, may * at_bank)
    lowest, highest = bank.voltages
    volts = np.maximum(terminal_v, lowest / 2)  # where nothing peaks, any will do
    beside_kw = beside_kw + sum((i.drawn_most_kw(volts) for i in inverters), none)
    beside_a = laws.current_a(beside_kw, volts)
    whole_as = (charge_as + beside_a * seconds) / bank.discharge_efficiency
    at_end = laws.open_voltage_v(terminal_v, amperes + beside_a, bank.peak_ohm)
    if lowest == highest:
        open_v = at_end
        stored = np.where(at_end <= lowest + 1e-9, laws.charge_kwh(whole_as, lowest), np.inf)
    else:
        farads = laws.capacitance_f(bank.capacity_kwh, lowest, highest)
        open_v = np.maximum(at_end, lowest) + whole_as / farads
        stored = laws.share_at(open_v, lowest, highest) * bank.capacity_kwh
    stored = np.where(stored <= bank.capacity_kwh * (1 + 1e-9), stored, np.inf)
    peaks = amperes > 0
    return Peak(
        amperes,
        np.where(peaks, beside_a, 0.0),
        np.where(peaks, terminal_v, 0.0),
        np.where(peaks, open_v, 0.0),
        np.where(peaks, stored, 0.0),
    )
