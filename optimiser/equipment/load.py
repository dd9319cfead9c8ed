"""Power that the site uses, on its phases and on the DC bus."""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import StrictStr, model_validator

from optimiser.equipment import limits
from optimiser.equipment.connection import Phase
from optimiser.fields import Column, Component, choice, column, quantity, text
from optimiser.terms.data import InputData
from optimiser.timeline import Window


class Load(Component):
    """Power that the site uses on the AC side of a phase, metered behind the connection."""

    phase: Phase = choice('phase it is on; "all" shares it equally', default="all")
    power_kw: Column = column("kW", "load", at_least=0)
    scale: float = quantity("-", "multiplies power_kw", default=1.0, at_least=0, at_most=1000)


class DcLoad(Component):
    """A load on the DC bus, and what fed it in the case before.

    Both cases serve the same needs: a rectifier, or a charger of the load's own, drew power_kw / before_efficiency from
    its phase, active power alone, which the system now spares; a load that is new is in the case after only.
    """

    name: StrictStr = text("name of the load")
    power_kw: Column = column("kW", "load on the DC bus", at_least=0)
    before: Literal["rectifier", "charger", "new"] = choice(
        'what fed it before: a "rectifier" or a "charger" of its own, with before_efficiency and before_phase, or '
        '"new" if it was not there'
    )
    before_efficiency: float | None = quantity(
        "-", "DC power given over AC power taken of what fed it before", default=None, above=0, at_most=1
    )
    before_phase: Phase | None = choice(
        'phase that what fed it before was on; "all" shared it equally', default=None
    )

    regenerated_kw: Column | None = column(
        "kW",
        "power that it can give back to the bus; what nothing there takes is burnt in its own resistor",
        default=None,
        at_least=0,
    )
    shed_below: float | None = quantity(
        "-",
        "outages: share of all stored energy below which it is disconnected, and with which the order is said; left "
        "out: it stays on",
        default=None,
        above=0,
        at_most=1,
    )
    peak_a: float | None = limits.PEAK.number()
    peak_seconds: float | None = quantity(
        "s", "how long its peak current lasts", default=None, above=0, at_most=3600
    )
    least_terminal_v: float | None = quantity(
        "V", "least voltage at its own terminals to the end of its peak", default=None, above=0
    )
    peak_when: Window | None = None
    cable_ohm: float = quantity(
        "ohm", "resistance of its cable from the bus and back", default=0.0, at_least=0
    )
    cable_a: float | None = quantity(
        "A", "continuous current of that cable, for the checks only", default=None, above=0
    )
    breaker_a: float | None = quantity(
        "A", "rating of its breaker or fuse, for the checks only", default=None, above=0
    )

    @model_validator(mode="after")
    def _peak(self) -> DcLoad:
        keys = ("peak_a", "peak_seconds", "least_terminal_v")
        missing = [key for key in keys if getattr(self, key) is None]
        if missing and (len(missing) < len(keys) or self.peak_when is not None):
            raise ValueError(
                f"a peak current needs {', '.join(keys)}: how much, for how long, and the voltage that the load needs "
                f"at its terminals; add {' and '.join(missing)}"
            )
        return self

    @model_validator(mode="after")
    def _before(self) -> DcLoad:
        keys = ("before_efficiency", "before_phase")
        given = [key for key in keys if getattr(self, key) is not None]
        if self.before != "new" and len(given) < 2:
            raise ValueError(f'before = "{self.before}" needs {" and ".join(keys)}; add what is missing')
        if self.before == "new" and given:
            raise ValueError(
                f'before = "new" goes without {" and ".join(given)}; remove it, or say what fed the load: "rectifier" '
                'or "charger"'
            )
        return self

    @property
    def phase(self) -> Phase | None:
        """Phase that it was fed from in the case before; None where it is new."""
        return self.before_phase

    def taken_before_kw(self, data: InputData) -> np.ndarray:
        """AC power that fed it in the case before, of shape (steps,). [kW]"""
        if self.before_efficiency is None:
            return np.zeros(data.timeline.steps)
        taken: np.ndarray = data.values(self.power_kw) / self.before_efficiency
        return taken
