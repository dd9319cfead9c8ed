"""What must stay on when the grid fails: the critical load, its starting surge, how far outages are followed."""

from __future__ import annotations

import numpy as np
from pydantic import Field, model_validator

from optimiser.equipment.connection import Phase
from optimiser.equipment.site import Site
from optimiser.fields import Column, Component, Several, choice, column, quantity
from optimiser.terms.data import InputData


class CriticalLoad(Component):
    """Load on the AC side that must stay on: a power of its own, or a share of the site's load on its phase."""

    phase: Phase = choice(
        'phase it is on; "all" shares a power equally and takes a share of each', default="all"
    )
    power_kw: Column | None = column("kW", "power that must stay on", default=None, at_least=0)
    load_share: float | None = quantity(
        "-", "share of the site's load that must stay on", default=None, at_least=0, at_most=1
    )
    surge_kw: float = quantity(
        "kW", "power beyond the running load that its motors draw at start", default=0.0, at_least=0
    )

    @model_validator(mode="after")
    def _one_of(self) -> CriticalLoad:
        if (self.power_kw is None) == (self.load_share is None):
            raise ValueError("give either power_kw or load_share")
        return self


class Backup(Component):
    """What an outage asks of the site; it binds no schedule (a reserve of a bank does)."""

    load: Several[CriticalLoad] = ()
    hours: int = quantity("h", "hours that an outage is followed", default=24, above=0, at_most=168)
    wanted_hours: float | None = quantity(
        "h", "hours that the critical load should last", default=None, above=0
    )
    ac_solar: bool = Field(
        default=False,
        description="whether solar on the AC side keeps running beside the inverters while the grid is away",
    )

    @model_validator(mode="after")
    def _within(self) -> Backup:
        if self.wanted_hours is not None and self.wanted_hours > self.hours:
            raise ValueError(
                f"wanted_hours must be at most hours, got {self.wanted_hours:g} and {self.hours}; raise hours"
            )
        return self

    def critical_kw(self, data: InputData, site: Site, phase: str) -> np.ndarray:
        """Load of a phase that must stay on, of shape (steps,); where none is listed, all that is backed up. [kW]"""
        if not self.load:
            return backed_up_share(site, phase) * site.load_kw(data, phase)
        total = np.zeros(data.timeline.steps)
        for load in self.load:
            if load.power_kw is not None:
                total = total + site.share(load, phase) * data.values(load.power_kw)
            elif load.load_share is not None and load.phase in ("all", phase):
                total = total + load.load_share * site.load_kw(data, phase)
        return total

    def surge_kw(self, site: Site, phase: str) -> float:
        """What starting motors of a phase draw beyond its running load. [kW]"""
        return sum(site.share(load, phase) * load.surge_kw for load in self.load)

    def faults(self, site: Site) -> list[str]:
        """What does not fit the site: place within the table, rule, way out."""
        found = [
            f"load.{index}.phase is {load.phase} but the site has one phase; use L1 or all."
            for index, load in enumerate(self.load)
            if site.phases == 1 and load.phase in ("L2", "L3")
        ]
        if not site.inverter:
            found.append("load can be fed by nothing: site.inverter is empty. Add the inverter.")
        return found


def backed_up_share(site: Site, phase: str) -> float:
    """Share of a phase's load that is wired behind its inverters; all of it unless an in-line one says less. [-]"""
    inline = [i.backed_up_share for i in site.inverter if i.in_line and site.share(i, phase) > 0]
    return min(inline, default=1.0)
