"""Power that the site uses, on its phases and on the DC bus."""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import model_validator

from optimiser.equipment.connection import Phase
from optimiser.fields import Column, Component, choice, column, quantity
from optimiser.terms.data import InputData


class Load(Component):
    """Power that the site uses on the AC side of a phase, metered behind the connection."""

    phase: Phase = choice('phase it is on; "all" shares it equally', default="all")
    power_kw: Column = column("kW", "load", at_least=0)
    scale: float = quantity("-", "multiplies power_kw", default=1.0, at_least=0, at_most=1000)


class DcLoad(Component):
    """Load on the DC bus, and what fed it in the case before.

    Both cases serve the same needs: a rectifier drew power_kw / rectifier_efficiency from its phase, active power
    alone, which the system now spares; a load that is new is in the case after only.
    """

    power_kw: Column = column("kW", "load on the DC bus", at_least=0)
    before: Literal["rectifier", "new"] = choice(
        'what fed it before: "rectifier", with its efficiency and phase, or "new" if it was not there'
    )
    rectifier_efficiency: float | None = quantity(
        "-", "DC power given over AC power taken of the rectifier before", default=None, above=0, at_most=1
    )
    phase: Phase | None = choice('phase that the rectifier was on; "all" shared it equally', default=None)

    @model_validator(mode="after")
    def _before(self) -> DcLoad:
        given = [key for key in ("rectifier_efficiency", "phase") if getattr(self, key) is not None]
        if self.before == "rectifier" and len(given) < 2:
            raise ValueError('before = "rectifier" needs rectifier_efficiency and phase; add what is missing')
        if self.before == "new" and given:
            raise ValueError(
                f'before = "new" goes without {" and ".join(given)}; remove it, or say "rectifier"'
            )
        return self

    def taken_before_kw(self, data: InputData) -> np.ndarray:
        """AC power that the rectifier took in the case before, of shape (steps,). [kW]"""
        if self.rectifier_efficiency is None:
            return np.zeros(data.timeline.steps)
        taken: np.ndarray = data.values(self.power_kw) / self.rectifier_efficiency
        return taken
