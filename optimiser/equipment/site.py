"""A site: its phases, meter, connection, loads and equipment, and what they add up to on each phase and the bus."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field, field_validator, model_validator

from optimiser.columns import of_controller, of_dc_load
from optimiser.equipment import binding, laws, limits, peaks
from optimiser.equipment.bank import StorageBank
from optimiser.equipment.connection import PHASES, Connection, OnPhase
from optimiser.equipment.flexible import AnyFlexible
from optimiser.equipment.inverter import Inverter
from optimiser.equipment.load import DcLoad, Load
from optimiser.equipment.session_load import SessionLoad
from optimiser.equipment.solar import AcSolar, SolarController
from optimiser.equipment.storage import bank_on_bus
from optimiser.equipment.waiting import Flexible
from optimiser.fields import Component, Several, choice, quantity
from optimiser.terms.data import InputData

DC_LOAD_FORM = (
    '[[site.dc_load]] with name, power_kw and before = "new", or before = "rectifier" or "charger" with '
    "before_efficiency and before_phase"
)


class Site(Component):
    """A site: its phases, meter, connection, loads and equipment on the AC and DC side."""

    phases: Literal[1, 3] = choice("number of phases")
    registers: Literal["netted", "per_phase"] | None = choice(
        "three phases: whether the meter nets them before its registers, or registers each by itself",
        default=None,
    )
    connection: Connection
    load: Several[Load] = ()
    flexible_load: Several[Annotated[AnyFlexible, Field(discriminator="kind")]] = ()
    ac_solar: Several[AcSolar] = ()
    inverter: Several[Inverter] = ()
    solar_controller: Several[SolarController] = ()
    dc_load: Several[DcLoad] = ()
    dc_voltage_v: float | None = quantity(
        "V", "bus voltage where no bank sits on the bus directly", default=None, above=0
    )
    firm_load_fraction: float = quantity(
        "-",
        "share of the load that a service may count on while it is activated",
        default=0.0,
        at_least=0,
        at_most=1,
    )

    @model_validator(mode="before")
    @classmethod
    def _former_key(cls, given: Any) -> Any:
        if isinstance(given, dict) and "dc_load_kw" in given:
            raise ValueError(f"dc_load_kw does not say what fed the load before; write {DC_LOAD_FORM}")
        return given

    @field_validator("dc_load", mode="before")
    @classmethod
    def _former_table(cls, given: Any) -> Any:
        if isinstance(given, dict):
            raise ValueError(f"loads on the DC bus are a list; write {DC_LOAD_FORM}")
        return given

    @model_validator(mode="after")
    def _check(self) -> Site:
        faults = []
        if self.phases == 3 and self.registers is None:
            faults.append(
                'registers is required on a three-phase site: "netted" if the meter sums the phases before it '
                'registers, "per_phase" if each phase has registers of its own (the bill differs)'
            )
        if self.phases == 1:
            parts: dict[str, Sequence[Load | Flexible | AcSolar | Inverter]] = {
                "load": self.load,
                "flexible_load": self.flexible_load,
                "ac_solar": self.ac_solar,
                "inverter": self.inverter,
            }
            for name, items in parts.items():
                faults += [
                    f"{name}.{index}.phase is {item.phase} but the site has one phase; use L1 or all"
                    for index, item in enumerate(items)
                    if item.phase in ("L2", "L3")
                ]
            faults += [
                f"dc_load.{index}.before_phase is {load.before_phase} but the site has one phase; use L1 or all"
                for index, load in enumerate(self.dc_load)
                if load.before_phase in ("L2", "L3")
            ]
            faults += [
                f"flexible_load.{index}.before_phase is {load.phase_before} but the site has one phase; use L1 or all"
                for index, load in enumerate(self.flexible_load)
                if load.on_bus and load.phase_before in ("L2", "L3")
            ]
            if self.connection.imbalance_limit_kw is not None:
                faults.append("connection.imbalance_limit_kw needs three phases; remove it")
        if faults:
            raise ValueError("; ".join(faults))
        return self

    @property
    def phase_names(self) -> tuple[str, ...]:
        """L1, or L1 to L3."""
        return PHASES[: self.phases]

    def share(self, part: OnPhase, phase: str) -> float:
        """Share of a part's power that is on a phase. [-]"""
        if part.phase == "all":
            return 1 / self.phases
        return 1.0 if part.phase == phase else 0.0

    def share_before(self, load: Flexible, phase: str) -> float:
        """Share of a flexible load's power that was on a phase in the case before. [-]"""
        return 1 / self.phases if load.phase_before == "all" else float(load.phase_before == phase)

    def load_kw(self, data: InputData, phase: str) -> np.ndarray:
        """Load of a phase, of shape (steps,). [kW]"""
        parts = [self.share(load, phase) * load.scale * data.values(load.power_kw) for load in self.load]
        return sum(parts, np.zeros(data.timeline.steps))

    def net_limits(self, data: InputData) -> tuple[binding.NetLimit, ...]:
        """What the connection allows: in all, on each phase, and of one phase against another."""
        return self.connection.net_limits(data, self.phase_names)

    def through(self, data: InputData, phase: str) -> list[binding.Through]:
        """What may pass the AC side of each inverter on a phase."""
        made, volts = [], self.connection.phase_voltage_v
        for inverter in self.inverter:
            share = self.share(inverter, phase)
            for limit in limits.of_form("through", "site.inverter") if share else ():
                amperes = limit.amperes(inverter, limit.key)
                if amperes is not None:
                    before = (1 - inverter.backed_up_share) * self.load_kw(data, phase)
                    made.append(
                        binding.Through(
                            limit, inverter.name, phase, amperes, volts, share, inverter.in_line, before
                        )
                    )
        return made

    def ac_most_kw(self, data: InputData, inverter: Inverter) -> tuple[float, float]:
        """The most AC power that an inverter gives and takes on the grid: its ratings, or what its supply passes."""
        lines = [line for phase in self.phase_names for line in self.through(data, phase)]
        passes = [line.own_kw for line in lines if line.inverter == inverter.name and not line.in_line]
        return min([inverter.output_kw, *passes]), min([inverter.input_kw, *passes])

    def bus_currents(self, data: InputData) -> list[binding.Current]:
        """Current limits on the bus, of controllers and of inverters either way."""
        made: list[binding.Current] = []
        for c in self.solar_controller:
            made += c.bus_currents(float(c.available(data).max()))
        for i in self.inverter:
            made += i.bus_currents()
        return made

    def needs_before_kw(self, data: InputData, phase: str) -> np.ndarray:
        """Load of a phase before, flexible loads and what fed the DC loads in it, of shape (steps,). [kW]"""
        taken = [self.share(load, phase) * load.taken_before_kw(data) for load in self.dc_load]
        taken += [self.share_before(load, phase) * load.before_kw(data) for load in self.flexible_load]
        return sum(taken, self.load_kw(data, phase))

    def taken_before_kw(self, data: InputData) -> np.ndarray:
        """AC power that fed the DC loads in the case before, sessions included, of shape (steps,). [kW]"""
        waiting = sum(
            (load.before_kw(data) for load in self.flexible_load if load.on_bus),
            np.zeros(data.timeline.steps),
        )
        return waiting + sum(
            (load.taken_before_kw(data) for load in self.dc_load), np.zeros(data.timeline.steps)
        )

    def dc_load_kw(self, data: InputData) -> np.ndarray:
        """Load on the DC bus, of shape (steps,). [kW]"""
        return sum((data.values(load.power_kw) for load in self.dc_load), np.zeros(data.timeline.steps))

    def dc_needs_kw(self, data: InputData, banks: Sequence[StorageBank]) -> np.ndarray:
        """DC load and standby, what the bus has to serve in any case, of shape (steps,). [kW]"""
        return laws.standby_kw(self.inverter, banks) + self.dc_load_kw(data)

    def bus_sources(self, data: InputData) -> dict[str, np.ndarray]:
        """What may be brought to the DC bus without being asked for, sun and what loads give back, by column. [kW]"""
        made = {of_controller(c.name, "solar_kw"): c.available(data) for c in self.solar_controller}
        return made | {
            of_dc_load(load.name, "regenerated_kw"): data.values(load.regenerated_kw)
            for load in self.dc_load
            if load.regenerated_kw is not None
        }

    def peak(
        self, data: InputData, banks: Sequence[StorageBank], loads: Sequence[DcLoad] | None = None
    ) -> peaks.Peak | None:
        """What peak currents of the DC loads ask of the bank on the bus; None where there are none, or no such bank.

        `loads` are those that run; left out: all.
        """
        on_bus = bank_on_bus(banks)
        if on_bus is None:
            return None
        running = self.dc_load if loads is None else loads
        beside_kw = laws.standby_kw(self.inverter, banks)
        if loads is None:  # in an outage what can wait does
            waiting = (load for load in self.flexible_load if isinstance(load, SessionLoad) and load.on_bus)
            beside_kw += sum(load.power_kw for load in waiting)
        return peaks.peak_of(running, on_bus, data, beside_kw, self.inverter)

    def floor_kwh(self, data: InputData, banks: Sequence[StorageBank]) -> list[np.ndarray]:
        """Least energy of each bank at the end of each step: its reserve, and what peaks on the bus ask of it. [kWh]"""
        made = [bank.reserve_kwh(data.timeline) for bank in banks]
        if (peak := self.peak(data, banks)) is not None:
            number = [bank.converter is None for bank in banks].index(True)
            made[number] = np.maximum(made[number], np.minimum(peak.floor_kwh, banks[number].capacity_kwh))
        return made

    def reach_kw(self, data: InputData) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
        """The most that each phase could import and export if its inverters did nothing else.

        Tight figures keep the two directions of a meter apart before any integer decision is made.
        """
        imports, exports = {}, {}
        for phase in self.phase_names:
            load = self.load_kw(data, phase)
            into = sum(self.share(i, phase) * i.input_kw for i in self.inverter)
            output = sum(self.share(i, phase) * i.output_kw for i in self.inverter)
            solar = sum(
                (self.share(s, phase) * s.available(data) for s in self.ac_solar), np.zeros(len(load))
            )
            waiting = sum(
                (self.share(f, phase) * f.most_kw(data) for f in self.flexible_load), np.zeros(len(load))
            )
            imports[phase] = np.maximum(load + waiting + into, 0)
            exports[phase] = np.maximum(solar + output - load, 0)
        return imports, exports

    def lowest_bus_voltage(self, banks: Sequence[StorageBank]) -> float:
        """Lowest voltage of the DC bus. [V]"""
        on_bus = bank_on_bus(banks)
        if on_bus is not None:
            return on_bus.voltages[0]
        return self.dc_voltage_v or 48.0

    def whole_load_kw(self, data: InputData) -> np.ndarray:
        """Load of all phases, of shape (steps,). [kW]"""
        return sum((self.load_kw(data, phase) for phase in self.phase_names), np.zeros(data.timeline.steps))

    def phase_limits_kw(self, data: InputData) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
        """The most that each phase may import and export by a limit of its own, infinite without one. [kW]"""
        none = np.full(data.timeline.steps, np.inf)
        most_in, most_out = dict.fromkeys(self.phase_names, none), dict.fromkeys(self.phase_names, none)
        for limit in self.net_limits(data):
            if limit.phase:
                most_in[limit.phase], most_out[limit.phase] = limit.most_in_kw, limit.most_out_kw
        return most_in, most_out

    def phase_most_kw(
        self, data: InputData, activated_most_kw: float = 0.0
    ) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
        """The most that each phase can import and export: its own limit, or what its load and equipment can reach. [kW]

        Without a limit of its own, a phase may carry what the others send back, beyond the connection's limit.
        """
        both = []
        for own, reach in zip(self.phase_limits_kw(data), self.reach_kw(data), strict=True):
            both.append({p: np.minimum(own[p], reach[p] + activated_most_kw) for p in self.phase_names})
        return both[0], both[1]

    def phase_most_of_any_load_kw(self, data: InputData) -> tuple[float, float]:
        """The most that a phase without a limit of its own can import and export, whatever its load. [kW]

        What it imports beyond the connection's limit the others have sent back. Of a solar system without a rating the
        highest of its series counts as one. Activated services move no more than inverters can.
        """
        turned = sum(i.output_kw + i.input_kw for i in self.inverter)
        sent = turned + sum(
            float(s.available(data).max()) if s.rating_kw is None else s.rating_kw for s in self.ac_solar
        )
        return float(data.values(self.connection.import_limit_kw).max()) + sent, sent
