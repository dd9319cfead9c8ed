"""What a store gains and loses at a power on the bus: straight pieces, or a resistance at the voltage there is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from optimiser.equipment import laws

# How near a linear program comes to the loss in a resistance: so much of the loss and so much of the bank's power.
OF_LOSS, OF_POWER = 0.01, 0.001
MARGIN = 0.8  # of that, since chords lie a little further off than tangents do where these meet


class PieceCurve:
    """Straight pieces from power on the bus to the rate at which a store fills or drains.

    `idle_kwh`, the energy held in the middle of a step if nothing flows, and `hours`, its length, change nothing here.

    Attributes
    ----------
    widths, slopes : list of float
        Power [kW] of each piece, and rate at the store over power on the bus there. [-]
    """

    def __init__(self, pieces: Sequence[tuple[float, float]], out: bool):
        self.widths = [width for width, _ in pieces]
        self.slopes = [1 / efficiency if out else efficiency for _, efficiency in pieces]

    @property
    def at_low_power(self) -> float:
        """Rate at the store over power on the bus where next to nothing flows. [-]"""
        return self.slopes[0]

    def rate(self, power: np.ndarray, idle_kwh: Any, hours: Any) -> np.ndarray:
        """Rate at the store. [kW]"""
        total: Any = 0.0
        for width, slope in zip(self.widths, self.slopes, strict=True):
            part = np.minimum(power, width)
            total, power = total + slope * part, power - part
        return np.asarray(total)

    def power(self, rate: np.ndarray, idle_kwh: Any, hours: Any) -> np.ndarray:
        """Power on the bus at which the store fills or drains at a rate, no more than all pieces together. [kW]"""
        power = np.zeros_like(rate)
        for width, slope in zip(self.widths, self.slopes, strict=True):
            part = np.minimum(rate, width * slope)
            power, rate = power + part / slope, rate - part
        return power

    def until(
        self, value: np.ndarray, gain: float, per_rate: float, idle_kwh: Any, hours: float
    ) -> np.ndarray:
        """The power at which `gain x power + per_rate x rate` reaches a value at or above zero. [kW]"""
        power = np.zeros_like(value)
        for width, slope in zip(self.widths, self.slopes, strict=True):
            steep = gain + per_rate * slope
            if steep <= 0:
                power, value = power + width, value - width * steep
                continue
            part = np.clip(value / steep, 0.0, width)
            power, value = power + part, value - part * steep
        return power

    def cautious_rate(self, power: np.ndarray) -> np.ndarray:
        """The rate at which the store fills at the least, or drains at the most. [kW]"""
        return self.rate(power, 0.0, 0.0)


@dataclass(frozen=True)
class ResistanceCurve:
    """The same for a capacitance behind a resistance, at the voltage of the energy held in the middle of the step.

    That voltage depends on what flows, so each law is a quadratic equation of the power at the open voltage.

    Attributes
    ----------
    lowest_v, highest_v : float
        Voltage when empty and when full. [V]
    capacity_kwh : float
        Between the two. [kWh]
    ohms : float
        Resistance of all units together. [ohm]
    limit_kw : float
        The most power on the bus. [kW]
    at_terminals : float
        Power at the terminals over power on the bus. [-]
    at_store : float
        Rate at the store over power at the open voltage. [-]
    out : bool
        Whether it gives.

    References
    ----------
    .. [1] P = V I, losses I^2 R, E = C V^2 / 2, elementary circuit theory.
    """

    lowest_v: float
    highest_v: float
    capacity_kwh: float
    ohms: float
    limit_kw: float
    at_terminals: float
    at_store: float
    out: bool

    @property
    def at_low_power(self) -> float:
        """Rate at the store over power on the bus where next to nothing flows, and so nothing is lost. [-]"""
        return self.at_terminals * self.at_store

    def _square(self, idle_kwh: Any, hours: Any) -> tuple[Any, Any]:
        """Square of the idle voltage [V^2], and by how much a kW at the open voltage moves it. [V^2/kW]"""
        square = laws.voltage_v(idle_kwh / self.capacity_kwh, self.lowest_v, self.highest_v) ** 2
        per_kwh = (self.highest_v**2 - self.lowest_v**2) / self.capacity_kwh
        return square, per_kwh * hours / 2 * self.at_store

    def rate(self, power: np.ndarray, idle_kwh: Any, hours: Any) -> np.ndarray:
        """Rate at the store. [kW]"""
        square, moved = self._square(idle_kwh, hours)
        terminals = power * self.at_terminals
        open_kw = laws.open_power_kw(
            terminals, np.sqrt(square), self.ohms, discharging=self.out, square_per_kw=moved
        )
        return np.asarray(open_kw * self.at_store)

    def power(self, rate: np.ndarray, idle_kwh: Any, hours: Any) -> np.ndarray:
        """Power on the bus at which the store fills or drains at a rate, no more than the limit. [kW]"""
        square, moved = self._square(idle_kwh, hours)
        made: np.ndarray = np.minimum(self._on_bus(rate / self.at_store, square, moved), self.limit_kw)
        return made

    def _on_bus(self, open_kw: Any, square: Any, moved: Any) -> Any:
        """Power on the bus at a power at the open voltage; beyond the most that a source gives, that most."""
        sign, ohms = (-1.0 if self.out else 1.0), self.ohms * 1000
        if self.out:
            # d/dx of x - R x^2 / (V^2 - m x) is zero where x / V^2 at that x is this ratio.
            ratio = 1 / (ohms + np.sqrt(ohms**2 + ohms * moved))
            open_kw = np.minimum(open_kw, square * ratio / (1 + moved * ratio))
        else:
            open_kw = np.minimum(open_kw, self.limit_kw * self.at_terminals)
        loss = laws.resistance_loss_kw(open_kw, np.sqrt(square + sign * moved * open_kw), self.ohms)
        return (open_kw + sign * loss) / self.at_terminals

    def until(
        self, value: np.ndarray, gain: float, per_rate: float, idle_kwh: Any, hours: float
    ) -> np.ndarray:
        """The power at which `gain x power + per_rate x rate` reaches a value at or above zero. [kW]"""
        square, moved = self._square(idle_kwh, hours)
        sign, ohms = (-1.0 if self.out else 1.0), self.ohms * 1000
        gain = gain / self.at_terminals
        straight = gain + per_rate * self.at_store
        curved = sign * (straight * moved + gain * ohms)
        slope = straight * square - sign * moved * value
        root = slope**2 + 4 * curved * value * square
        below = slope + np.sqrt(np.maximum(root, 0.0))
        reached = (root >= 0) & (below > 0)
        open_kw = np.divide(2 * value * square, below, out=np.full(np.shape(value), np.inf), where=reached)
        made: np.ndarray = np.minimum(self._on_bus(open_kw, square, moved), self.limit_kw)
        return made

    def cautious_rate(self, power: np.ndarray) -> np.ndarray:
        """The rate at which the store fills at the least, or drains at the most: at the lowest voltage. [kW]"""
        return self.rate(power, 0.0, 0.0)


Curve = PieceCurve | ResistanceCurve


def touching(most: float, ohms: float, power_kw: float, highest_v: float) -> list[float]:
    """Ratios of power at the open voltage to the square of the voltage at which tangents touch the law of losses.

    With k the ratio P / V^2, the loss P^2 R / V^2 is V^2 R k^2 and its tangents V^2 R (2 k t - t^2): as few are taken
    as stay within `OF_LOSS` of the loss and `OF_POWER` of the power below it, wherever power and voltage can be.

    Parameters
    ----------
    most : float
        Largest ratio. [kW/V^2]
    ohms : float
        [ohm]
    power_kw, highest_v : float
        Rated power, and highest voltage. [kW], [V]

    Returns
    -------
    list of float
        Rising, from 0. [kW/V^2]

    References
    ----------
    .. [1] A convex function of two numbers that grows in proportion with both is the envelope of its tangents
       (perspective of a square): Boyd and Vandenberghe, Convex Optimization, 2004, section 3.2.6.
    """

    def room(ratio: float) -> float:
        square = min(highest_v**2, power_kw / ratio)
        return MARGIN * (OF_LOSS * ratio**2 + OF_POWER * power_kw / (ohms * 1000 * square))

    touched = [0.0]
    while (most - touched[-1]) ** 2 > room(most):
        low, high = touched[-1], most
        for _ in range(40):
            middle = (low + high) / 2
            fits = ((middle - touched[-1]) / 2) ** 2 <= room((middle + touched[-1]) / 2)
            low, high = (middle, high) if fits else (low, middle)
        touched.append(low)
    return touched
