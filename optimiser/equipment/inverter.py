"""Inverter-chargers between the DC bus and the phases."""

from __future__ import annotations

import numpy as np
from pydantic import StrictStr, model_validator

from optimiser.equipment import binding, limits
from optimiser.equipment.connection import Phase
from optimiser.fields import Component, choice, quantity, text


class Inverter(Component):
    """An inverter-charger between the DC bus and one phase, or all three shared equally.

    Ratings are continuous AC powers; surge ratings never schedule energy. Its standby power is drawn from the DC
    bus always. Wired in line between supply and switchboard, all that its phase takes from or gives to the grid
    passes through it.
    """

    name: StrictStr = text("name of the inverter")
    phase: Phase = choice('phase it is on; "all" for a three-phase unit or a single-phase site')
    output_kw: float = limits.OUTPUT.number(above=0)
    input_kw: float = limits.INPUT.number(at_least=0)
    output_efficiency: float = quantity("-", "AC out over DC drawn", default=0.95, above=0, at_most=1)
    input_efficiency: float = quantity(
        "-", "DC brought to the bus over AC taken in", default=0.95, above=0, at_most=1
    )
    surge_kw: float | None = quantity(
        "kW", "AC power that it gives for a few seconds; for the check of outages only", default=None, above=0
    )
    standby_w: float = quantity("W", "power that it always draws from the DC bus", default=0.0, at_least=0)
    dc_current_limit_a: float | None = limits.DC_CURRENT.number()
    pass_through_limit_a: float | None = limits.PASS_THROUGH.number()
    ac_breaker_a: float | None = limits.AC_BREAKER.number()
    ac_breaker_continuous_share: float | None = quantity(
        "-",
        "share of that breaker's rating that may flow for hours, 0.8 for many; needed with it",
        default=None,
        above=0,
        at_most=1,
    )
    backed_up_share: float = quantity(
        "-", "in-line wiring: share of the phase's load wired behind it", default=1.0, at_least=0, at_most=1
    )

    def drawn_most_kw(self, volts: np.ndarray) -> np.ndarray:
        """The most that it draws from the bus at a voltage: its rating, or less by its current. [kW]"""
        most = np.full(np.shape(volts), self.output_kw / self.output_efficiency)
        for current in (current for current in self.bus_currents() if current.out):
            most = np.minimum(most, current.most_kw(volts))
        return most

    @property
    def in_line(self) -> bool:
        """Whether it is wired in line between the supply and its phases' loads."""
        return self.pass_through_limit_a is not None

    def bus_currents(self) -> list[binding.Current]:
        """The limits of its current on the bus, out of it and in."""
        ways = (
            ("out", True, self.output_kw / self.output_efficiency),
            ("in", False, self.input_kw * self.input_efficiency),
        )
        made = []
        for limit in limits.of_form("bus current", "site.inverter"):
            if (amperes := limit.amperes(self, limit.key)) is not None:
                rule = limit.rule.format(name=self.name)
                made += [
                    binding.Current(limit, self.name, f"{rule}, {word}", out, amperes, most_kw)
                    for word, out, most_kw in ways
                ]
        return made

    @property
    def ac_breaker_current_a(self) -> float | None:
        """Current that the breaker in its AC supply carries for hours; None where no breaker is given. [A]

        References
        ----------
        .. [1] Breakers loaded to 80 % of their rating in continuous duty: common practice, from memory; local code and
           the breaker's own data govern, so the share is always stated.
        """
        if self.ac_breaker_a is None or self.ac_breaker_continuous_share is None:
            return None
        return self.ac_breaker_a * self.ac_breaker_continuous_share

    @model_validator(mode="after")
    def _breaker(self) -> Inverter:
        if (self.ac_breaker_a is None) != (self.ac_breaker_continuous_share is None):
            raise ValueError(
                "ac_breaker_a and ac_breaker_continuous_share go together: the rating, and the share of it that may "
                "flow for hours (0.8 for many breakers, 1 for those made for it; local code governs); add the other"
            )
        return self

    @model_validator(mode="after")
    def _surge(self) -> Inverter:
        if self.surge_kw is not None and self.surge_kw < self.output_kw:
            raise ValueError(
                f"surge_kw must be at least output_kw, got {self.surge_kw:g} and {self.output_kw:g}; "
                "leave it out if unknown"
            )
        return self
