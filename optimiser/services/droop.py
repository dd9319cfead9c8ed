"""How much of a rating a droop setting delivers at a frequency, and what of it a service could credit."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from optimiser.errors import OptimiserError

NOMINAL_HZ = 50.0


@dataclass(frozen=True)
class Droop:
    """A proportional response to frequency.

    Parameters
    ----------
    droop_percent : float
        Change of frequency beyond the dead band, as a percentage of the nominal one, that calls for the whole
        rating. [%]
    dead_band_hz : float
        Deviation that is answered by nothing. [Hz]
    nominal_hz : float
        [Hz]

    Notes
    -----
    Share of the rating = (|deviation| - dead band) / (droop x nominal), between 0 and 1. The form is common
    practice; which setting a market asks for is an input.
    """

    droop_percent: float
    dead_band_hz: float = 0.015
    nominal_hz: float = NOMINAL_HZ

    @property
    def full_hz(self) -> float:
        """Deviation at which the whole rating is called for. [Hz]"""
        return self.dead_band_hz + self.droop_percent / 100 * self.nominal_hz

    def share(self, deviation_hz: float | np.ndarray) -> np.ndarray:
        """Share of the rating that a deviation calls for, whatever its sign. [-]"""
        beyond = np.abs(np.asarray(deviation_hz, float)) - self.dead_band_hz
        made: np.ndarray = np.clip(beyond / (self.droop_percent / 100 * self.nominal_hz), 0.0, 1.0)
        return made


@dataclass(frozen=True)
class Service:
    """What a service looks at: how far frequency goes, and by when power must be there.

    Parameters
    ----------
    name : str
    deviation_hz : float
        Excursion at which the response is credited. [Hz]
    seconds : float
        Time in which the response must stand. [s]
    """

    name: str
    deviation_hz: float
    seconds: float


# Response times of the Australian contingency services, and the excursion of 0.5 Hz, are from memory. Both are inputs:
# what a market's registration credits is the operator's to say.
SERVICES = (
    Service("1 s", 0.5, 1.0),
    Service("6 s", 0.5, 6.0),
    Service("60 s", 0.5, 60.0),
    Service("5 min", 0.5, 300.0),
)


@dataclass(frozen=True)
class Credit:
    """What one service could credit.

    Attributes
    ----------
    service : Service
    share : float
        Of the rating, called for by the droop. [-]
    ramped_kw : float
        The most that delay and ramp let stand in time. [kW]
    kw : float
        The lesser of the two. [kW]
    per_kw : float
        Creditable kW per kW of rating, for `derating` of a product. [-]
    limited_by : str
        "droop", "ramp" or "rating".
    """

    service: Service
    share: float
    ramped_kw: float
    kw: float
    per_kw: float
    limited_by: str


def creditable(
    rating_kw: float,
    droop: Droop,
    services: Iterable[Service] = SERVICES,
    *,
    delay_seconds: float = 0.2,
    ramp_kw_per_second: float | None = None,
) -> list[Credit]:
    """Power that each service could credit, from rating, droop and speed.

    Parameters
    ----------
    rating_kw : float
        Continuous rating that answers. [kW]
    droop : Droop
    services : iterable of Service
    delay_seconds : float
        Until the response starts; 0.2 s from memory for small inverters. [s]
    ramp_kw_per_second : float or None
        How fast power moves then; None: at once. [kW/s]

    Raises
    ------
    OptimiserError
        With every figure that cannot be meant.
    """
    services = list(services)
    _check(rating_kw, droop, services, delay_seconds, ramp_kw_per_second)
    made = []
    for service in services:
        share = float(droop.share(service.deviation_hz))
        moving = service.seconds - delay_seconds
        ramped = rating_kw if moving >= 0 else 0.0
        if ramp_kw_per_second is not None:
            ramped = min(rating_kw, ramp_kw_per_second * max(moving, 0.0))
        kw = min(share * rating_kw, ramped)
        limit = "ramp" if ramped < share * rating_kw else "rating" if share >= 1 else "droop"
        made.append(Credit(service, share, ramped, kw, kw / rating_kw, limit))
    return made


def _check(rating_kw: float, droop: Droop, services: list[Service], delay: float, ramp: float | None) -> None:
    faults = []
    for name, value, low, high, hint in (
        ("rating", rating_kw, 0.0, 1e6, "Give the continuous rating in kW."),
        ("droop", droop.droop_percent, 0.0, 100.0, "Give a percentage, such as 1.7."),
        ("nominal frequency", droop.nominal_hz, 0.0, 400.0, "Give 50 or 60 Hz."),
        *(("ramp", ramp, 0.0, 1e6, "Give kW per second."),)[: ramp is not None],
        *((f"time of {s.name}", s.seconds, 0.0, 86400.0, "Give seconds.") for s in services),
    ):
        if value is None or not low < value <= high:
            faults.append(f"{name} must be above {low:g} and at most {high:g}, got {value:g}. {hint}")
    for name, value, high, hint in (
        ("dead band", droop.dead_band_hz, 5.0, "Give Hz, such as 0.015."),
        ("delay", delay, 3600.0, "Give seconds."),
        *((f"excursion of {s.name}", s.deviation_hz, 10.0, "Give Hz.") for s in services),
    ):
        if not 0 <= value <= high:
            faults.append(f"{name} must be between 0 and {high:g}, got {value:g}. {hint}")
    if faults:
        raise OptimiserError("\n".join(faults))
