"""The voltage of a bank by what it holds, and the rules of currents at it."""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np

from optimiser.equipment import laws
from optimiser.flows import BankFlows
from optimiser.terms.verbs import Terms

MOST_LINES = 20  # below the curve of a voltage


class Store(Protocol):
    """What has a voltage by what it holds."""

    @property
    def capacity_kwh(self) -> float:
        """Usable energy. [kWh]"""

    @property
    def voltages(self) -> tuple[float, float]:
        """Lowest and highest voltage. [V]"""


def voltage_at(bank: Store, stored_kwh: Any) -> Any:
    """Voltage of a bank at a stored energy.

    Parameters
    ----------
    bank : Store
    stored_kwh : float or array
        Usable energy held by the whole bank. [kWh]

    Returns
    -------
    float or array
        [V]
    """
    lowest, highest = bank.voltages
    return laws.voltage_v(np.asarray(stored_kwh) / bank.capacity_kwh, lowest, highest)


def stored_at(bank: Store, volts: Any) -> Any:
    """Stored energy of a bank at which its voltage falls to `volts`: `voltage_at` the other way round.

    Parameters
    ----------
    bank : Store
    volts : array
        [V]

    Returns
    -------
    array
        Usable energy of the whole bank; 0 where the voltage never falls so low, infinite or more than it holds where it
        never is so high. [kWh]
    """
    lowest, highest = bank.voltages
    if lowest == highest:
        return np.where(np.asarray(volts) <= lowest + 1e-9, 0.0, np.inf)
    return np.maximum(laws.share_at(np.asarray(volts), lowest, highest), 0.0) * bank.capacity_kwh


def voltage_chords(bank: Store, tolerance: float = 0.01) -> list[tuple[float, float]]:
    """Straight lines that never exceed a bank's voltage between empty and full.

    Parameters
    ----------
    bank : Store
    tolerance : float
        Largest relative shortfall allowed between the curve and the lines. [-]

    Returns
    -------
    list of (float, float)
        Voltage at empty [V] and slope over the share of usable energy [V]; the least of the lines counts.
    """
    lowest, highest = bank.voltages
    if lowest == highest:
        return [(lowest, 0.0)]
    grid = np.linspace(0, 1, 2001)
    exact = voltage_at(bank, grid * bank.capacity_kwh)
    for pieces in range(1, MOST_LINES):
        # Equal steps of voltage put more breakpoints where the curve bends most.
        volts = np.linspace(lowest, highest, pieces + 1)
        shares = laws.share_at(volts, lowest, highest)
        slopes = np.diff(volts) / np.diff(shares)
        lines = [
            (float(v - slope * s), float(slope)) for v, s, slope in zip(volts, shares, slopes, strict=False)
        ]
        if (1 - np.min([a + b * grid for a, b in lines], axis=0) / exact).max() <= tolerance:
            break
    return lines


def limit_current(
    terms: Terms, name: str, power_kw: Any, amperes: float, bank: Store, flows: BankFlows
) -> None:
    """The rule that a power at a bank's terminals keeps a current limit at the start and end of every step."""
    for index, (base, slope) in enumerate(voltage_chords(bank)):
        suffix = f", line {index + 1}" if index else ""
        if not slope:
            terms.at_most(f"{name}{suffix}", power_kw, laws.power_kw(amperes, base))
            continue
        for edge, stored in (("start", flows.start_kwh), ("end", flows.end_kwh)):
            volts = base + slope / bank.capacity_kwh * stored
            terms.at_most(f"{name} at {edge} of step{suffix}", power_kw, laws.power_kw(amperes, volts))


def current_rows(name: str) -> list[str]:
    """Every name that rows of a current limit can have: one of a constant voltage, else lines at both edges."""
    lines = ["", *(f", line {index}" for index in range(2, MOST_LINES + 1))]
    edges = ["", " at start of step", " at end of step"]
    return [f"{name}{edge}{line}" for edge in edges for line in lines]
