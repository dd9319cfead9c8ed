"""A load that may be shed at a price."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np
from pydantic import model_validator

from optimiser.equipment.waiting import Flexible, Need, Wanted
from optimiser.fields import Column, choice, column, quantity
from optimiser.flows import FlexibleFlows
from optimiser.terms.data import InputData
from optimiser.terms.line import Line
from optimiser.terms.verbs import Terms


class ShedLoad(Flexible):
    """A load that may be shed at a price, now and for good: nothing of it is made up for later.

    What is shed of it is paid for by the kWh, as a line of the bill after; before, it was never shed.

    References
    ----------
    .. [1] Interruptible load paid by the energy not served: common practice, no source.
    """

    kind: Literal["shed"] = choice("shed")
    load_kw: Column = column("kW", "what it takes where nothing is shed", at_least=0)
    share: float = quantity("-", "share of it that may be shed", default=1.0, above=0, at_most=1)
    price_per_kwh: float = quantity("currency/kWh", "what is paid for a kWh that is shed", at_least=0)

    @model_validator(mode="after")
    def _on_a_phase(self) -> ShedLoad:
        if self.on_bus:
            raise ValueError('phase = "bus" is for sessions; name the phase of what may be shed')
        return self

    def need(self, data: InputData) -> Need:
        """A store that holds no more than its step: what has to be taken and what may be."""
        steps, hours = data.timeline.steps, data.timeline.step_hours
        load = data.values(self.load_kw)
        least = (1 - self.share) * load
        none = np.zeros(steps)
        return Need(none, np.ones(steps), none, hours * least, hours * load, load, 0.0, hours)

    def before(self, data: InputData, need: Need) -> Wanted:
        """All of it."""
        return lambda step, stored: float(need.most_kw[step])

    def faults(self, data: InputData) -> Iterator[str]:
        """Nothing: what may be shed can always be met."""
        return iter(())

    def lines(self, flows: FlexibleFlows, terms: Terms) -> list[Line]:
        """What is paid for what is shed."""
        shed = (terms.series(terms.values(self.load_kw)) - flows.power_kw) * terms.step_hours
        name, amount = f"Shedding of {self.name}", -self.price_per_kwh * shed
        return [Line(name, "energy in", amount, quantity=shed, unit="kWh")]
