"""The electrical laws that limits rest on, each said once: pure functions of numbers, arrays or expressions.

Whatever plans, walks, replays, checks or explains a site reads them here.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Protocol

import numpy as np

JOULES_PER_KWH = 3.6e6
Amount = Any  # a number, an array, or an array of expressions


class StandbyUnit(Protocol):
    """What draws standby power on its own."""

    @property
    def standby_w(self) -> float:
        """Power that it always draws. [W]"""


class StandbyUnits(Protocol):
    """Equal units, each of which draws standby power."""

    @property
    def units(self) -> int:
        """How many. [-]"""

    @property
    def standby_w(self) -> float:
        """Power that a unit always draws. [W]"""


def standby_kw(inverters: Iterable[StandbyUnit], banks: Iterable[StandbyUnits]) -> float:
    """Power that the electronics on the DC bus draw in every step, whatever is scheduled.

    Parameters
    ----------
    inverters, banks : iterables
        An inverter's figure is its own, a bank's is that of each of its units. [W]

    Returns
    -------
    float
        [kW]

    References
    ----------
    .. [1] Arithmetic on figures of data sheets; that standby is drawn from the DC side is common practice, no source.
    """
    watts = sum(inverter.standby_w for inverter in inverters)
    return (watts + sum(bank.units * bank.standby_w for bank in banks)) / 1000


def power_kw(amperes: Amount, volts: Amount) -> Amount:
    """Power of a current at a voltage, DC or AC at a power factor of 1.

    Parameters
    ----------
    amperes, volts : float or array
        [A], [V]

    Returns
    -------
    float or array
        [kW]

    References
    ----------
    .. [1] P = V I, elementary circuit theory.
    """
    return amperes * volts / 1000


def current_a(kilowatts: Amount, volts: Amount) -> Amount:
    """Current of a power at a voltage, `power_kw` the other way round. [A]"""
    return kilowatts * 1000 / volts


def drawn_kw(net_kw: float, output_efficiency: float, input_efficiency: float) -> float:
    """Power that an inverter draws from the DC bus for what it gives on the AC side.

    Parameters
    ----------
    net_kw : float
        Below zero what it takes in on the AC side. [kW]
    output_efficiency, input_efficiency : float
        AC power given over DC power drawn, DC power brought over AC power taken in. [-]

    Returns
    -------
    float
        Below zero what it brings to the bus. [kW]

    References
    ----------
    .. [1] The definition of an efficiency, output over input; that it is constant is common practice, no source.
    """
    return net_kw / output_efficiency if net_kw >= 0 else net_kw * input_efficiency


def given_kw(bus_kw: float, output_efficiency: float, input_efficiency: float) -> float:
    """Power that an inverter gives on the AC side for what it draws, `drawn_kw` the other way round. [kW]"""
    return bus_kw * output_efficiency if bus_kw >= 0 else bus_kw / input_efficiency


def volts_of(kilowatts: Amount, amperes: Amount) -> Amount:
    """Voltage at which a power is a current, `power_kw` the other way round. [V]"""
    return kilowatts * 1000 / amperes


def open_power_kw(
    terminal_kw: Amount, volts: Amount, ohms: float, *, discharging: bool, square_per_kw: Amount = 0.0
) -> Amount:
    """Power at the open voltage of a source behind a resistance: what its store loses or gains.

    With x that power, `x - R x^2 / V^2 = P` discharging and `x + R x^2 / V^2 = P` charging. Of the two roots the one
    that is zero without load is meant; beyond the most that a source gives, its power there is returned.

    Parameters
    ----------
    terminal_kw : float or array
        Power P at the terminals, at least zero. [kW]
    volts : float or array
        Open voltage, of the energy that would be held if nothing flowed. [V]
    ohms : float
        Resistance, of all parallel units together. [ohm]
    discharging : bool
    square_per_kw : float or array
        By how much each kW at the open voltage moves V^2 in the middle of a step. [V^2/kW]

    Returns
    -------
    float or array
        More than at the terminals when discharging, less when charging. [kW]

    References
    ----------
    .. [1] Ohm's law and the quadratic formula in its form without cancellation, elementary circuit theory.
    """
    sign = -1.0 if discharging else 1.0
    square, lost = volts**2, square_per_kw + ohms * 1000
    linear = square - sign * square_per_kw * terminal_kw
    root = np.sqrt(np.maximum(linear**2 + sign * 4 * lost * square * terminal_kw, 0.0))
    return 2 * square * terminal_kw / (linear + root)


def open_voltage_v(terminal_v: Amount, amperes: Amount, ohms: float) -> Amount:
    """Voltage before a resistance from that behind it while a current flows out, `V + I R`. [V]

    References
    ----------
    .. [1] Ohm's law, elementary circuit theory.
    """
    return terminal_v + amperes * ohms


def capacitance_f(capacity_kwh: float, lowest_v: float, highest_v: float) -> float:
    """Capacitance that holds so much energy between two voltages. [F]

    References
    ----------
    .. [1] E = C V^2 / 2, elementary circuit theory.
    """
    return 2 * capacity_kwh * JOULES_PER_KWH / (highest_v**2 - lowest_v**2)


def charge_kwh(ampere_seconds: Amount, volts: float) -> Amount:
    """Energy of a charge that leaves at a constant voltage. [kWh]"""
    return ampere_seconds * volts / JOULES_PER_KWH


def resistance_loss_kw(open_kw: Amount, volts: Amount, ohms: float) -> Amount:
    """Loss in a resistance, from the power at the open voltage: `P^2 R / V^2`.

    Parameters
    ----------
    open_kw : float or array
        Power at the open voltage. [kW]
    volts : float or array
        Open voltage. [V]
    ohms : float
        Resistance, of all parallel units together. [ohm]

    Returns
    -------
    float or array
        [kW]

    References
    ----------
    .. [1] I = P / V and I^2 R, elementary circuit theory.
    """
    return open_kw**2 * ohms / volts**2 * 1000


def most_power_kw(volts: float, ohms: float) -> float:
    """The most that a source behind a resistance gives at its terminals, `V^2 / 4R`; infinite without one. [kW]

    References
    ----------
    .. [1] Maximum power transfer: load and internal resistance alike, elementary circuit theory.
    """
    return volts**2 / (4 * ohms) / 1000 if ohms else float("inf")


def voltage_v(share: Amount, lowest_v: float, highest_v: float) -> Amount:
    """Voltage of a store of capacitance used between two voltages.

    Parameters
    ----------
    share : float or array
        Share of the usable energy held; beyond 0 and 1 the nearer of them counts. [-]
    lowest_v, highest_v : float
        Voltage when empty and when full; alike where the voltage is constant. [V]

    Returns
    -------
    float or array
        [V]

    References
    ----------
    .. [1] E = C V^2 / 2, elementary circuit theory: V^2 is linear in the energy held.
    """
    return np.sqrt(lowest_v**2 + np.clip(share, 0.0, 1.0) * (highest_v**2 - lowest_v**2))


def share_at(volts: Amount, lowest_v: float, highest_v: float) -> Amount:
    """Share of the usable energy at which a capacitance has a voltage, `voltage_v` the other way round. [-]"""
    return (volts**2 - lowest_v**2) / (highest_v**2 - lowest_v**2)
