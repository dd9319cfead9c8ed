"""What equipment and the connection allow: phases, meter, inverters, solar controllers and the DC bus."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Literal

import numpy as np
from pydantic import Field, StrictStr, model_validator

from optimiser import storage
from optimiser.equipment import limits
from optimiser.fields import Column, Component, choice, column, quantity, several, text
from optimiser.flows import ConnectionFlows, InverterFlows, MeterFlows, SiteFlows

Phase = Literal["L1", "L2", "L3", "all"]
PHASES = ("L1", "L2", "L3")


class Load(Component):
    """Power that the site uses on the AC side of a phase, metered behind the connection."""

    phase: Phase = choice('phase it is on; "all" shares it equally', default="all")
    power_kw: Column = column("kW", "load", at_least=0)
    scale: float = quantity("-", "multiplies power_kw", default=1.0, at_least=0, at_most=1000)


class AcSolar(Component):
    """A solar system with its own grid inverter, on the AC side of a phase; curtailment is always allowed."""

    name: StrictStr = text("name of the system")
    phase: Phase = choice('phase it is on; "all" shares it equally', default="all")
    available_kw: Column | None = column("kW", "available AC power", default=None, at_least=0)
    available_kw_per_kwp: Column | None = column(
        "kW/kWp", "available AC power per kWp", default=None, at_least=0
    )
    size_kwp: float | None = quantity(
        "kWp", "size of the array, with available_kw_per_kwp", default=None, above=0
    )
    rating_kw: float | None = quantity(
        "kW", "rating of its inverter; left out: no limit", default=None, above=0
    )
    existing: bool = Field(default=False, description="already there in the before-case")

    @model_validator(mode="after")
    def _one_of(self) -> AcSolar:
        _check_available(self.available_kw, self.available_kw_per_kwp, self.size_kwp)
        return self

    def available(self, terms: Any) -> np.ndarray:
        """Power that the sun allows in each step, of shape (steps,). [kW]"""
        power = _available(self, terms)
        return power if self.rating_kw is None else np.minimum(power, self.rating_kw)


class SolarController(Component):
    """A solar charge controller between an array and the DC bus; curtailment is always allowed.

    Its output current limit times the bus voltage limits its power, so it falls as a capacitor bank empties.
    """

    name: StrictStr = text("name of the controller")
    available_kw: Column | None = column("kW", "available DC power of the array", default=None, at_least=0)
    available_kw_per_kwp: Column | None = column(
        "kW/kWp", "available DC power per kWp", default=None, at_least=0
    )
    size_kwp: float | None = quantity(
        "kWp", "size of the array, with available_kw_per_kwp", default=None, above=0
    )
    efficiency: float = quantity(
        "-", "power to the bus over power from the array", default=0.98, above=0, at_most=1
    )
    current_limit_a: float | None = quantity("A", "output current limit", default=None, above=0)

    @model_validator(mode="after")
    def _one_of(self) -> SolarController:
        _check_available(self.available_kw, self.available_kw_per_kwp, self.size_kwp)
        return self

    def available(self, terms: Any) -> np.ndarray:
        """Power that the array could bring to the bus in each step, of shape (steps,). [kW]"""
        return self.efficiency * _available(self, terms)


def _check_available(power: Any, per_kwp: Any, size: Any) -> None:
    if (power is None) == (per_kwp is None) or (per_kwp is None) != (size is None):
        raise ValueError("give either available_kw, or available_kw_per_kwp together with size_kwp")


def _available(solar: AcSolar | SolarController, terms: Any) -> np.ndarray:
    if solar.available_kw is not None:
        return terms.values(solar.available_kw)
    return solar.size_kwp * terms.values(solar.available_kw_per_kwp)


class Inverter(Component):
    """An inverter-charger between the DC bus and one phase, or all three shared equally.

    Ratings are continuous AC powers; surge ratings never schedule energy. Its standby power is drawn from the DC
    bus always. Wired in line between supply and switchboard, all that its phase takes from or gives to the grid
    passes through it.
    """

    name: StrictStr = text("name of the inverter")
    phase: Phase = choice('phase it is on; "all" for a three-phase unit or a single-phase site')
    output_kw: float = quantity("kW", "continuous AC output rating", above=0)
    intake_kw: float = quantity("kW", "continuous AC intake rating when charging; 0 if it cannot", at_least=0)
    output_efficiency: float = quantity("-", "AC out over DC drawn", default=0.95, above=0, at_most=1)
    intake_efficiency: float = quantity(
        "-", "DC brought to the bus over AC taken in", default=0.95, above=0, at_most=1
    )
    surge_kw: float | None = quantity(
        "kW", "AC power that it gives for a few seconds; for the check of outages only", default=None, above=0
    )
    standby_w: float = quantity("W", "power that it always draws from the DC bus", default=0.0, at_least=0)
    dc_current_limit_a: float | None = quantity(
        "A", "continuous current that its DC breaker allows", default=None, above=0
    )
    pass_through_limit_a: float | None = quantity(
        "A", "in-line wiring: current that may pass through it per phase", default=None, above=0
    )
    backed_up_share: float = quantity(
        "-", "in-line wiring: share of the phase's load wired behind it", default=1.0, at_least=0, at_most=1
    )

    @model_validator(mode="after")
    def _surge(self) -> Inverter:
        if self.surge_kw is not None and self.surge_kw < self.output_kw:
            raise ValueError(
                f"surge_kw must be at least output_kw, got {self.surge_kw:g} and {self.output_kw:g}; "
                "leave it out if unknown"
            )
        return self


class Connection(Component):
    """Limits where the site meets the grid, as the network approved them."""

    import_limit_kw: Column = column("kW", "most that the site may import in all", at_least=0)
    export_limit_kw: Column = column("kW", "most that the site may export in all", at_least=0)
    import_limit_kw_per_phase: Column | None = column(
        "kW", "most that a phase may import", default=None, at_least=0
    )
    export_limit_kw_per_phase: Column | None = column(
        "kW", "most that a phase may export", default=None, at_least=0
    )
    imbalance_limit_kw: float | None = quantity(
        "kW", "largest difference between the signed powers of two phases", default=None, at_least=0
    )
    phase_voltage_v: float = quantity("V", "phase to neutral voltage", default=230.0, above=0)


@dataclass(frozen=True)
class Activation:
    """What activated services are expected to move on average.

    Attributes
    ----------
    metered_kw : array or 0.0
        Net power given to the grid that the meter sees. [kW]
    metered_most_kw : float
        The most that it can be either way. [kW]
    drained_kw : array or 0.0
        Rate at which the banks' stored energy falls, losses of both ways included. [kW]
    """

    metered_kw: Any = 0.0
    metered_most_kw: float = 0.0
    drained_kw: Any = 0.0


class Site(Component):
    """A site: its phases, meter, connection, loads and equipment on the AC and DC side."""

    phases: Literal[1, 3] = choice("number of phases")
    registers: Literal["netted", "per_phase"] | None = choice(
        "three phases: whether the meter nets them before its registers, or registers each by itself",
        default=None,
    )
    connection: Connection
    load: several(Load) = ()  # type: ignore[valid-type]
    ac_solar: several(AcSolar) = ()  # type: ignore[valid-type]
    inverter: several(Inverter) = ()  # type: ignore[valid-type]
    solar_controller: several(SolarController) = ()  # type: ignore[valid-type]
    dc_load_kw: Column = column("kW", "load on the DC bus", default=0.0, at_least=0)
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

    @model_validator(mode="after")
    def _check(self) -> Site:
        faults = []
        if self.phases == 3 and self.registers is None:
            faults.append(
                'registers is required on a three-phase site: "netted" if the meter sums the phases before it '
                'registers, "per_phase" if each phase has registers of its own (the bill differs)'
            )
        if self.phases == 1:
            for name, items in (
                ("load", self.load),
                ("ac_solar", self.ac_solar),
                ("inverter", self.inverter),
            ):
                faults += [
                    f"{name}.{index}.phase is {item.phase} but the site has one phase; use L1 or all"
                    for index, item in enumerate(items)
                    if item.phase in ("L2", "L3")
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

    def share(self, part: Any, phase: str) -> float:
        """Share of a part's power that is on a phase. [-]"""
        if part.phase == "all":
            return 1 / self.phases
        return 1.0 if part.phase == phase else 0.0

    def load_kw(self, terms: Any, phase: str) -> np.ndarray:
        """Load of a phase, of shape (steps,). [kW]"""
        parts = [self.share(load, phase) * load.scale * terms.values(load.power_kw) for load in self.load]
        return sum(parts, np.zeros(terms.timeline.steps))

    def pass_through_kw(self, inverter: Inverter) -> float:
        """Power that may pass through an inverter on each of its phases; infinite where it is not in line. [kW]"""
        amperes = inverter.pass_through_limit_a
        return math.inf if amperes is None else limits.power_kw(amperes, self.connection.phase_voltage_v)

    def pass_through(self, terms: Any, phase: str) -> list[limits.PassThrough]:
        """What may pass through each inverter in line on a phase."""
        return [
            limits.PassThrough(
                inverter.name,
                inverter.pass_through_limit_a,
                self.connection.phase_voltage_v,
                (1 - inverter.backed_up_share) * self.load_kw(terms, phase),
            )
            for inverter in self.inverter
            if inverter.pass_through_limit_a is not None and self.share(inverter, phase)
        ]

    def existing_solar_kw(self, terms: Any, phase: str) -> np.ndarray:
        """Solar of a phase that is there in the before-case, of shape (steps,). [kW]"""
        parts = [self.share(s, phase) * s.available(terms) for s in self.ac_solar if s.existing]
        return sum(parts, np.zeros(terms.timeline.steps))

    def reach_kw(self, terms: Any) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
        """The most that each phase could import and export if its inverters did nothing else.

        Tight figures keep the two directions of a meter apart before any integer decision is made.
        """
        imports, exports = {}, {}
        for phase in self.phase_names:
            load = self.load_kw(terms, phase)
            intake = sum(self.share(i, phase) * i.intake_kw for i in self.inverter)
            output = sum(self.share(i, phase) * i.output_kw for i in self.inverter)
            solar = sum(
                (self.share(s, phase) * s.available(terms) for s in self.ac_solar), np.zeros(len(load))
            )
            imports[phase] = np.maximum(load + intake, 0)
            exports[phase] = np.maximum(solar + output - load, 0)
        return imports, exports

    def flows(self, terms: Any, banks: tuple[Any, ...], activation: Activation | None = None) -> SiteFlows:
        """Make the site's columns, its balances and the rules of its equipment and connection.

        Parameters
        ----------
        terms : LpTerms or SettledTerms
        banks : tuple of Battery or CapacitorBank
        activation : Activation or None
            What activated services are expected to move; None: nothing.
        """
        inverters = {inverter.name: self._inverter_flows(terms, inverter) for inverter in self.inverter}
        solar = {
            c.name: terms.column(f"controller.{c.name}.solar_kw", at_most=c.available(terms))
            for c in self.solar_controller
        }
        activation = activation or Activation()
        capacity = sum(bank.capacity_kwh for bank in banks)
        bank_flows = {
            bank.name: bank.flows(terms, activation.drained_kw * (bank.capacity_kwh / capacity))
            for bank in banks
        }
        self._dc_balance(terms, banks, inverters, solar, bank_flows)
        self._current_rules(terms, banks, inverters, solar, bank_flows)
        ac_solar = {
            s.name: terms.column(f"ac_solar.{s.name}.solar_kw", at_most=s.available(terms))
            for s in self.ac_solar
        }
        nets = self._phase_nets(terms, inverters, ac_solar, activation.metered_kw)
        meter, connection, phases = self._meter(terms, nets, activation.metered_most_kw)
        self._connection_rules(terms, nets)
        return SiteFlows(meter, inverters, bank_flows, connection, phases, solar, ac_solar)

    def _inverter_flows(self, terms: Any, inverter: Inverter) -> InverterFlows:
        name = f"inverter.{inverter.name}"
        output = terms.column(f"{name}.output_kw", at_most=inverter.output_kw)
        intake = terms.column(f"{name}.intake_kw", at_most=inverter.intake_kw)
        terms.one_direction(
            name.replace(".", " "),
            f"{name}.output_kw",
            f"{name}.intake_kw",
            inverter.output_kw,
            inverter.intake_kw,
        )
        return InverterFlows(
            output, intake, output / inverter.output_efficiency, intake * inverter.intake_efficiency
        )

    def _dc_balance(
        self,
        terms: Any,
        banks: Any,
        inverters: Mapping[str, InverterFlows],
        solar: Mapping[str, Any],
        bank_flows: Any,
    ) -> None:
        fixed = limits.standby_kw(self.inverter, banks) + terms.series(
            self._constant_or_values(terms, self.dc_load_kw)
        )
        sources = [*solar.values(), *(f.discharge_kw for f in bank_flows.values())]
        sources += [f.dc_intake_kw for f in inverters.values()]
        sinks = [f.charge_kw for f in bank_flows.values()] + [f.dc_draw_kw for f in inverters.values()]
        if sources or sinks:
            zero = np.zeros(len(fixed))
            terms.equal("balance of the DC bus", sum(sources, zero), sum(sinks, fixed))

    @staticmethod
    def _constant_or_values(terms: Any, reference: Any) -> Any:
        return reference if isinstance(reference, (int, float)) else terms.values(reference)

    def _current_rules(self, terms: Any, banks: Any, inverters: Any, solar: Any, bank_flows: Any) -> None:
        on_bus = bank_on_bus(banks)
        rules: list[tuple[str, Any, float | None, float]] = []
        for c in self.solar_controller:
            rules.append(
                (
                    f"current of controller {c.name}",
                    solar[c.name],
                    c.current_limit_a,
                    float(c.available(terms).max()),
                )
            )
        for i in self.inverter:
            flow, amperes = inverters[i.name], i.dc_current_limit_a
            rules.append(
                (
                    f"DC current of inverter {i.name}, out",
                    flow.dc_draw_kw,
                    amperes,
                    i.output_kw / i.output_efficiency,
                )
            )
            rules.append(
                (
                    f"DC current of inverter {i.name}, in",
                    flow.dc_intake_kw,
                    amperes,
                    i.intake_kw * i.intake_efficiency,
                )
            )
        lowest_v = self.lowest_bus_voltage(banks)
        for name, power, amperes, most_kw in rules:
            if amperes is None or limits.power_kw(amperes, lowest_v) >= most_kw:
                continue
            if on_bus is None:
                terms.at_most(name, power, limits.power_kw(amperes, lowest_v))
            else:
                storage.limit_current(terms, name, power, amperes, on_bus, bank_flows[on_bus.name])
        for bank in banks:
            bank.current_rules(terms, bank_flows[bank.name])

    def lowest_bus_voltage(self, banks: Any) -> float:
        """Lowest voltage of the DC bus. [V]"""
        on_bus = bank_on_bus(banks)
        if on_bus is not None:
            return on_bus.voltages[0]
        return self.dc_voltage_v or 48.0

    def _load_kw(self, terms: Any) -> np.ndarray:
        """Load of all phases, of shape (steps,). [kW]"""
        return sum((self.load_kw(terms, phase) for phase in self.phase_names), np.zeros(terms.timeline.steps))

    def _phase_nets(
        self,
        terms: Any,
        inverters: Mapping[str, InverterFlows],
        ac_solar: Mapping[str, Any],
        activated_kw: Any,
    ) -> dict[str, Any]:
        nets = {}
        for phase in self.phase_names:
            net = terms.series(self.load_kw(terms, phase)) - activated_kw / self.phases
            for system in self.ac_solar:
                if share := self.share(system, phase):
                    net = net - share * ac_solar[system.name]
            for inverter in self.inverter:
                if share := self.share(inverter, phase):
                    flow = inverters[inverter.name]
                    net = net - share * flow.output_kw + share * flow.intake_kw
            nets[phase] = net
        return nets

    def _meter(
        self, terms: Any, nets: dict[str, Any], activated_most_kw: float
    ) -> tuple[MeterFlows, ConnectionFlows, dict[str, ConnectionFlows]]:
        """The registers, and the signed power at the connection and each phase."""
        reach_in, reach_out = self.reach_kw(terms)
        limit_in, limit_out = (
            terms.values(self.connection.import_limit_kw),
            terms.values(self.connection.export_limit_kw),
        )
        phase_in, phase_out = self.phase_limits_kw(terms)
        total_net = sum(list(nets.values())[1:], nets[self.phase_names[0]])
        if self.phases == 1 or self.registers == "netted":
            most_in = np.minimum(limit_in, sum(reach_in.values()) + activated_most_kw)
            # Phases may feed one another, so the netted export is bounded by all output less all load.
            output = sum(i.output_kw for i in self.inverter) + sum(
                (s.available(terms) for s in self.ac_solar), np.zeros(len(limit_in))
            )
            load = self._load_kw(terms)
            most_out = np.minimum(limit_out, np.maximum(output - load + activated_most_kw, 0))
            imported, exported = self._register(terms, "meter", total_net, most_in, most_out)
            meter = MeterFlows(imported, exported, most_in, most_out, load)
            phases = {phase: ConnectionFlows(net, None, None) for phase, net in nets.items()}
            return meter, ConnectionFlows(total_net, imported, exported), phases
        phases, most_in, most_out = {}, np.zeros(len(limit_in)), np.zeros(len(limit_in))
        for phase, net in nets.items():
            phase_most_in = np.minimum(phase_in[phase], reach_in[phase] + activated_most_kw)
            phase_most_out = np.minimum(phase_out[phase], reach_out[phase] + activated_most_kw)
            imported, exported = self._register(terms, f"meter.{phase}", net, phase_most_in, phase_most_out)
            phases[phase] = ConnectionFlows(net, imported, exported)
            most_in, most_out = most_in + phase_most_in, most_out + phase_most_out
        imports: list[Any] = [point.import_kw for point in phases.values()]
        exports: list[Any] = [point.export_kw for point in phases.values()]
        imported, exported = sum(imports[1:], imports[0]), sum(exports[1:], exports[0])
        terms.at_most("import limit of the connection", total_net, terms.series(limit_in))
        terms.at_most("export limit of the connection", -total_net, terms.series(limit_out))
        return (
            MeterFlows(imported, exported, most_in, most_out, self._load_kw(terms)),
            ConnectionFlows(total_net, None, None),
            phases,
        )

    @staticmethod
    def _register(
        terms: Any, name: str, net: Any, most_in: np.ndarray, most_out: np.ndarray
    ) -> tuple[Any, Any]:
        imported = terms.column(f"{name}.import_kw", at_most=most_in)
        exported = terms.column(f"{name}.export_kw", at_most=most_out)
        terms.equal(f"balance of {name.replace('.', ' ')}", imported - exported, net)
        terms.one_direction(
            name.replace(".", " "), f"{name}.import_kw", f"{name}.export_kw", most_in, most_out
        )
        return imported, exported

    def phase_limits_kw(self, terms: Any) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
        """The most that each phase may import and export: its own limit, or the whole connection's."""
        connection = self.connection
        both = []
        for own, whole in (
            (connection.import_limit_kw_per_phase, connection.import_limit_kw),
            (connection.export_limit_kw_per_phase, connection.export_limit_kw),
        ):
            # Without a limit of its own, a phase may carry what the others send back through the connection.
            limit = terms.values(own) if own is not None else terms.values(whole) + 1000.0
            both.append(dict.fromkeys(self.phase_names, limit))
        return both[0], both[1]

    def _connection_rules(self, terms: Any, nets: dict[str, Any]) -> None:
        connection = self.connection
        own_in, own_out = connection.import_limit_kw_per_phase, connection.export_limit_kw_per_phase
        most_in, most_out = self.phase_limits_kw(terms)
        for phase, net in nets.items():
            # Registers of a phase's own carry its limits as bounds.
            if (
                self.phases == 3
                and self.registers == "netted"
                and (own_in is not None or own_out is not None)
            ):
                terms.between(f"limits of phase {phase}", -most_out[phase], net, most_in[phase])
            self._keep_pass_through(terms, phase, net, max(most_in[phase].max(), most_out[phase].max()))
        if connection.imbalance_limit_kw is not None:
            limit = connection.imbalance_limit_kw
            for one, other in combinations(nets, 2):
                terms.between(
                    f"imbalance of phases {one} and {other}", -limit, nets[one] - nets[other], limit
                )

    def _keep_pass_through(self, terms: Any, phase: str, net: Any, phase_most_kw: float) -> None:
        for line in self.pass_through(terms, phase):
            before = line.before_kw
            through = net - terms.series(before) if before.any() else net
            if line.limit_kw < phase_most_kw or before.any():
                terms.between(
                    f"pass-through current of inverter {line.inverter} on {phase}",
                    -line.limit_kw,
                    through,
                    line.limit_kw,
                )


def bank_on_bus(banks: Any) -> Any:
    """The bank that fixes the bus voltage: the one without a converter of its own, if there is one."""
    direct = [bank for bank in banks if bank.converter is None]
    return direct[0] if direct else None
