"""The named powers and energies of a site, each with its side (AC, DC, meter) and direction.

Everything is kW averaged over a step, or kWh at its end; never negative unless the name says `net`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

# One a step or a group: numbers in the books, expressions (which have no type of NumPy's) in the linear program.
Series = npt.NDArray[Any]
Amount = Series | float


@dataclass(frozen=True)
class MeterFlows:
    """What the meter's registers see, summed over registers; all that a tariff knows of a site.

    `import_most_kw` and `export_most_kw` are step series that the two can never exceed; `load_kw` is the site's load
    on the AC side, for what a contract derives from it (reactive power). `crossing_kw` is what calls of services run
    through both registers beside what nets within a step, at most `crossing_most_kw`.
    """

    import_kw: Series
    export_kw: Series
    import_most_kw: np.ndarray
    export_most_kw: np.ndarray
    load_kw: np.ndarray
    crossing_kw: Amount = 0.0
    crossing_most_kw: float = 0.0

    def crossed(self, kw: Amount, most_kw: float) -> MeterFlows:
        """The same registers with so much more running through both of them in a step."""
        return MeterFlows(
            self.import_kw + kw,
            self.export_kw + kw,
            self.import_most_kw + most_kw,
            self.export_most_kw + most_kw,
            self.load_kw,
            self.crossing_kw + kw,
            self.crossing_most_kw + most_kw,
        )


@dataclass(frozen=True)
class InverterFlows:
    """AC power of one inverter, and what it draws from and brings to the DC bus."""

    output_kw: Series
    input_kw: Series
    dc_draw_kw: Series
    dc_input_kw: Series


@dataclass(frozen=True)
class BankFlows:
    """Power of one storage bank on the DC bus, and its stored energy at the start and end of each step.

    `taken_kw` and `given_kw` are the same powers at the terminals of the bank's units, behind its converter if it has
    one; `filling_kw` and `draining_kw` are the rates at the store, losses included; `kept_kwh` is what is left of
    the energy at the start when the step ends. `called_charge_kw` and `called_discharge_kw` are what calls of services
    are expected to bring to and draw from the terminals beside the plan.
    """

    charge_kw: Series
    discharge_kw: Series
    taken_kw: Series
    given_kw: Series
    filling_kw: Series
    draining_kw: Series
    kept_kwh: Series
    start_kwh: Series
    end_kwh: Series
    called_charge_kw: Amount = 0.0
    called_discharge_kw: Amount = 0.0

    @property
    def worn_kw(self) -> Series:
        """All that leaves the terminals, planned and called for: what wears the bank. [kW]"""
        return self.given_kw + self.called_discharge_kw


@dataclass(frozen=True)
class FlexibleFlows:
    """Power of one load whose time is free, on the AC side, and what is stored behind it at the end of each step."""

    power_kw: Series
    stored_kwh: Series


@dataclass(frozen=True)
class ConnectionFlows:
    """Signed power at the whole connection or one phase of it, split in two where a rule needs the parts."""

    net_import_kw: Series
    import_kw: Series | None
    export_kw: Series | None


@dataclass(frozen=True)
class SiteFlows:
    """All flows of a site; `controllers` in kW on the DC bus, `ac_solar` in AC kW.

    `held_back` is what existing solar that nobody commands does not give while a limit of the connection is reached.
    """

    meter: MeterFlows
    inverters: dict[str, InverterFlows]
    banks: dict[str, BankFlows]
    connection: ConnectionFlows
    phases: dict[str, ConnectionFlows]
    controllers: dict[str, Series]
    ac_solar: dict[str, Series]
    held_back: dict[str, Series]
    flexible: dict[str, FlexibleFlows]


@dataclass(frozen=True)
class Activation:
    """What activated services are expected to move on average.

    Attributes
    ----------
    metered_kw : array or float
        Net power given to the grid that the meter sees. [kW]
    crossing_kw : array or float
        What runs through both of its registers beside that. [kW]
    metered_most_kw, crossing_most_kw : float
        The most that they can be, the first either way. [kW]
    charge_kw, discharge_kw : array or float
        What all banks together are brought and give on the bus. [kW]
    """

    metered_kw: Amount = 0.0
    crossing_kw: Amount = 0.0
    metered_most_kw: float = 0.0
    crossing_most_kw: float = 0.0
    charge_kw: Amount = 0.0
    discharge_kw: Amount = 0.0
