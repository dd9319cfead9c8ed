"""What equipment and the connection allow: phases, meter, inverters, solar controllers and the DC bus."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, permutations
from typing import Any, Literal

import numpy as np
from pydantic import Field, StrictStr, model_validator

from optimiser.columns import of_ac_solar, of_controller, of_inverter
from optimiser.equipment import binding, laws, limits, storage
from optimiser.fields import Column, Component, Several, choice, column, quantity, text
from optimiser.flows import BankFlows, ConnectionFlows, InverterFlows, MeterFlows, Series, SiteFlows
from optimiser.terms.data import InputData
from optimiser.terms.verbs import Terms

Phase = Literal["L1", "L2", "L3", "all"]
PHASES = ("L1", "L2", "L3")
HELD_BACK = (
    "held_back_kw at "  # what solar that nobody commands does not give, by the limit that it owes it to
)


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


class AcSolar(Component):
    """A solar system with its own grid inverter, on the AC side of a phase.

    A new one may be curtailed at will. An existing one gives way as its inverter always has: only while a limit of the
    connection on export or imbalance is reached that it adds to, and no further than before; unless the file says that
    the new system commands it.
    """

    name: StrictStr = text("name of the system")
    phase: Phase = choice('phase it is on; "all" shares it equally', default="all")
    available_kw: Column | None = column("kW", "available AC power", default=None, at_least=0)
    available_kw_per_kwp: Column | None = column(
        "kW/kWp", "available AC power per kWp", default=None, at_least=0
    )
    size_kwp: float | None = limits.AC_ARRAY.number()
    rating_kw: float | None = limits.AC_RATING.number()
    existing: bool = Field(default=False, description="already there in the before-case")
    commandable: bool | None = choice(limits.UNCOMMANDED.meaning, default=None)

    @model_validator(mode="after")
    def _one_of(self) -> AcSolar:
        _check_available(self.available_kw, self.available_kw_per_kwp, self.size_kwp)
        if self.commandable is not None and not self.existing:
            raise ValueError("commandable goes with existing = true, a new system always can be; remove it")
        return self

    @property
    def gives_way_alone(self) -> bool:
        """Whether it is there already and nobody commands it."""
        return self.existing and not self.commandable

    def available(self, data: InputData) -> np.ndarray:
        """Power that the sun allows in each step, of shape (steps,). [kW]"""
        power = _available(self, data)
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
    size_kwp: float | None = limits.CONTROLLER_ARRAY.number()
    efficiency: float = quantity(
        "-", "power to the bus over power from the array", default=0.98, above=0, at_most=1
    )
    current_limit_a: float | None = limits.CONTROLLER_CURRENT.number()

    @model_validator(mode="after")
    def _one_of(self) -> SolarController:
        _check_available(self.available_kw, self.available_kw_per_kwp, self.size_kwp)
        return self

    def bus_currents(self, most_kw: float = math.inf) -> list[binding.Current]:
        """The limit of its current on the bus, where its array could bring `most_kw` there."""
        made = []
        for limit in limits.of_form("bus current", "site.solar_controller"):
            if (amperes := limit.amperes(self, limit.key)) is not None:
                rule = limit.rule.format(name=self.name)
                made.append(binding.Current(limit, self.name, rule, True, amperes, most_kw))
        return made

    def available(self, data: InputData) -> np.ndarray:
        """Power that the array could bring to the bus in each step, of shape (steps,). [kW]"""
        return self.efficiency * _available(self, data)


def _check_available(power: Any, per_kwp: Any, size: Any) -> None:
    if (power is None) == (per_kwp is None) or (per_kwp is None) != (size is None):
        raise ValueError("give either available_kw, or available_kw_per_kwp together with size_kwp")


def _available(solar: AcSolar | SolarController, data: InputData) -> np.ndarray:
    if solar.available_kw is not None:
        return data.values(solar.available_kw)
    assert solar.size_kwp is not None  # as `_check_available` has seen
    assert solar.available_kw_per_kwp is not None
    return solar.size_kwp * data.values(solar.available_kw_per_kwp)


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


class Connection(Component):
    """Limits where the site meets the grid, as the network approved them."""

    import_limit_kw: Column = limits.IMPORT.series(at_least=0)
    export_limit_kw: Column = limits.EXPORT.series(at_least=0)
    import_limit_kw_per_phase: Column | None = limits.PHASE_IMPORT.series(default=None, at_least=0)
    export_limit_kw_per_phase: Column | None = limits.PHASE_EXPORT.series(default=None, at_least=0)
    imbalance_limit_kw: float | None = limits.IMBALANCE.number(default=None, at_least=0)
    phase_voltage_v: float = quantity("V", "phase to neutral voltage", default=230.0, above=0)


@dataclass(frozen=True)
class Activation:
    """What activated services are expected to move on average.

    Attributes
    ----------
    metered_kw : array or 0.0
        Net power given to the grid that the meter sees. [kW]
    crossing_kw : array or 0.0
        What runs through both of its registers beside that. [kW]
    metered_most_kw, crossing_most_kw : float
        The most that they can be, the first either way. [kW]
    charge_kw, discharge_kw : array or 0.0
        What all banks together are brought and give on the bus. [kW]
    """

    metered_kw: Any = 0.0
    crossing_kw: Any = 0.0
    metered_most_kw: float = 0.0
    crossing_most_kw: float = 0.0
    charge_kw: Any = 0.0
    discharge_kw: Any = 0.0


class Site(Component):
    """A site: its phases, meter, connection, loads and equipment on the AC and DC side."""

    phases: Literal[1, 3] = choice("number of phases")
    registers: Literal["netted", "per_phase"] | None = choice(
        "three phases: whether the meter nets them before its registers, or registers each by itself",
        default=None,
    )
    connection: Connection
    load: Several[Load] = ()
    ac_solar: Several[AcSolar] = ()
    inverter: Several[Inverter] = ()
    solar_controller: Several[SolarController] = ()
    dc_load: DcLoad | None = None
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
            raise ValueError(
                "dc_load_kw does not say what fed the load before; write "
                '[site.dc_load] with power_kw and before = "new", or before = "rectifier" with rectifier_efficiency '
                "and phase"
            )
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
            parts: dict[str, Sequence[Load | AcSolar | Inverter]] = {
                "load": self.load,
                "ac_solar": self.ac_solar,
                "inverter": self.inverter,
            }
            for name, items in parts.items():
                faults += [
                    f"{name}.{index}.phase is {item.phase} but the site has one phase; use L1 or all"
                    for index, item in enumerate(items)
                    if item.phase in ("L2", "L3")
                ]
            if self.dc_load is not None and self.dc_load.phase in ("L2", "L3"):
                faults.append(
                    f"dc_load.phase is {self.dc_load.phase} but the site has one phase; use L1 or all"
                )
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

    def load_kw(self, data: InputData, phase: str) -> np.ndarray:
        """Load of a phase, of shape (steps,). [kW]"""
        parts = [self.share(load, phase) * load.scale * data.values(load.power_kw) for load in self.load]
        return sum(parts, np.zeros(data.timeline.steps))

    def net_limits(self, data: InputData) -> tuple[binding.NetLimit, ...]:
        """What the connection allows: in all, on each phase, and of one phase against another."""
        connection, phases = self.connection, self.phase_names
        made = [
            binding.NetLimit(
                limits.IMPORT,
                limits.EXPORT,
                "connection",
                dict.fromkeys(phases, 1.0),
                data.values(connection.import_limit_kw),
                data.values(connection.export_limit_kw),
                (limits.IMPORT.rule, limits.EXPORT.rule),
                "meter",
            )
        ]
        if self.phases == 1:
            return tuple(made)
        own = connection.import_limit_kw_per_phase, connection.export_limit_kw_per_phase
        if own != (None, None):
            none = np.full(data.timeline.steps, np.inf)
            into, out = (none if limit is None else data.values(limit) for limit in own)
            made += [
                binding.NetLimit(
                    limits.PHASE_IMPORT,
                    limits.PHASE_EXPORT,
                    f"phase {phase}",
                    {phase: 1.0},
                    into,
                    out,
                    (f"limits of phase {phase}",) * 2,
                    f"meter.{phase}",
                )
                for phase in phases
            ]
        if connection.imbalance_limit_kw is not None:
            most = np.full(data.timeline.steps, connection.imbalance_limit_kw)
            made += [
                binding.NetLimit(
                    limits.IMBALANCE,
                    limits.IMBALANCE,
                    f"phases {one} and {other}",
                    {one: 1.0, other: -1.0},
                    most,
                    most,
                    (f"imbalance of phases {one} and {other}",) * 2,
                )
                for one, other in combinations(phases, 2)
            ]
        return tuple(made)

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
        """Load of a phase in the case before, with what a rectifier took for the DC load, of shape (steps,). [kW]"""
        load = self.load_kw(data, phase)
        if self.dc_load is None or self.dc_load.phase is None:
            return load
        return load + self.share(self.dc_load, phase) * self.dc_load.taken_before_kw(data)

    def dc_load_kw(self, data: InputData) -> np.ndarray:
        """Load on the DC bus, of shape (steps,). [kW]"""
        return np.zeros(data.timeline.steps) if self.dc_load is None else data.values(self.dc_load.power_kw)

    def dc_needs_kw(self, data: InputData, banks: Sequence[storage.StorageBank]) -> np.ndarray:
        """DC load and standby, what the bus has to serve in any case, of shape (steps,). [kW]"""
        return laws.standby_kw(self.inverter, banks) + self.dc_load_kw(data)

    def obeyed(self, data: InputData) -> tuple[laws.Obeyed, ...]:
        """The limits of the connection that existing solar has always obeyed."""
        phases, alone, against = self.phase_names, [], {}
        for limit in self.net_limits(data):
            if limit.phase and np.isfinite(limit.most_out_kw).all():
                alone.append(laws.Obeyed(limit.words, dict(limit.weights), limit.most_out_kw))
            elif limit.of_pair:
                for one, other in permutations(limit.weights):
                    weights = {one: 1.0, other: -1.0}
                    against[one, other] = laws.Obeyed(
                        f"phase {one} against {other}", weights, limit.most_out_kw
                    )
        whole = laws.Obeyed(
            "the connection", dict.fromkeys(phases, 1.0), data.values(self.connection.export_limit_kw)
        )
        return *alone, *(against[pair] for pair in permutations(phases, 2) if pair in against), whole

    def adds_to(self, system: AcSolar, limit: laws.Obeyed) -> float:
        """Part of a system's power that a limit of the connection sees. [-]"""
        return max(0.0, limit.part({phase: self.share(system, phase) for phase in self.phase_names}))

    def given_before_kw(self, data: InputData) -> dict[str, np.ndarray]:
        """AC power of each existing system in the case before, each of shape (steps,). [kW]"""
        needs = {phase: self.needs_before_kw(data, phase) for phase in self.phase_names}
        return self._within_limits(data, [s for s in self.ac_solar if s.existing], needs, {})

    def least_given_kw(self, data: InputData) -> dict[str, np.ndarray]:
        """What existing systems that nobody commands give at the least, each of shape (steps,). [kW]

        As much as limits let them give beside the load alone: whatever the new system takes in is room for more, and it
        never pushes them aside. On a phase against another, what inverters may take in on the other is left free.
        """
        loads = {phase: self.load_kw(data, phase) for phase in self.phase_names}
        inputs = {
            phase: sum(self.share(i, phase) * i.input_kw for i in self.inverter) for phase in self.phase_names
        }
        return self._within_limits(data, [s for s in self.ac_solar if s.gives_way_alone], loads, inputs)

    def _within_limits(
        self,
        data: InputData,
        systems: list[AcSolar],
        loads: dict[str, np.ndarray],
        taken: dict[str, float],
    ) -> dict[str, np.ndarray]:
        """Solar that gives way, all that add to a limit in proportion, until every limit is kept."""
        obeyed = self.obeyed(data)
        # What gives way for the whole connection may tilt the phases again.
        obeyed += tuple(limit for limit in obeyed if min(limit.weights.values()) < 0)
        available = {s.name: s.available(data) for s in systems}
        shares = {s.name: {phase: self.share(s, phase) for phase in self.phase_names} for s in systems}
        return laws.giving_way(available, shares, loads, taken, obeyed)

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
            imports[phase] = np.maximum(load + into, 0)
            exports[phase] = np.maximum(solar + output - load, 0)
        return imports, exports

    def flows(
        self, terms: Terms, banks: Sequence[storage.StorageBank], activation: Activation | None = None
    ) -> SiteFlows:
        """Make the site's columns, its balances and the rules of its equipment and connection.

        Parameters
        ----------
        terms : Terms
        banks : sequence of StorageBank
        activation : Activation or None
            What activated services are expected to move; None: nothing.
        """
        inverters = {inverter.name: self._inverter_flows(terms, inverter) for inverter in self.inverter}
        solar = {
            c.name: terms.column(of_controller(c.name, "solar_kw"), at_most=c.available(terms))
            for c in self.solar_controller
        }
        activation = activation or Activation()
        bank_flows = {
            bank.name: bank.flows(terms, activation.charge_kw * share, activation.discharge_kw * share)
            for bank, share in zip(banks, storage.capacity_shares(banks), strict=True)
        }
        self._dc_balance(terms, banks, inverters, solar, bank_flows)
        self._current_rules(terms, banks, inverters, solar, bank_flows)
        least = self.least_given_kw(terms)
        ac_solar = {
            s.name: terms.column(
                of_ac_solar(s.name, "solar_kw"), at_most=s.available(terms), at_least=least.get(s.name, 0.0)
            )
            for s in self.ac_solar
        }
        nets = self._phase_nets(terms, inverters, ac_solar, activation.metered_kw)
        meter, connection, phases = self._meter(terms, nets, activation.metered_most_kw)
        meter = meter.crossed(activation.crossing_kw, activation.crossing_most_kw)
        self._connection_rules(terms, nets, inverters, activation.metered_most_kw)
        held_back = self._giving_way(terms, nets, ac_solar, least, activation.metered_most_kw)
        return SiteFlows(meter, inverters, bank_flows, connection, phases, solar, ac_solar, held_back)

    def _giving_way(
        self,
        terms: Terms,
        nets: dict[str, Any],
        ac_solar: dict[str, Any],
        least: dict[str, np.ndarray],
        activated_most_kw: float,
    ) -> dict[str, Any]:
        """The rule that solar nobody commands gives way to a limit only while that limit is reached.

        What a system holds back is split by the limits that it may owe it to; of each part and the room that is left
        to its limit only one is above zero.
        """
        if not least:
            return {}
        most_in, most_out = self.phase_most_kw(terms, activated_most_kw)
        held_back: dict[str, list[Any]] = {name: [] for name in least}
        for limit in self.obeyed(terms):
            adding = [s for s in self.ac_solar if s.name in least and self.adds_to(s, limit)]
            if not adding:
                continue
            room_most = limit.limit_kw + sum(
                w * most_in[phase] if w > 0 else -w * most_out[phase] for phase, w in limit.weights.items()
            )
            place = f"export room of {limit.words}"
            room = terms.column(f"{place}.kw", at_most=room_most)
            net = sum(weight * nets[phase] for phase, weight in limit.weights.items())
            terms.equal(place, room, terms.series(limit.limit_kw) + net)
            for s in adding:
                most = s.available(terms) - least[s.name]
                column = held_back_column(s, limit)
                held_back[s.name].append(terms.column(column, at_most=most))
                terms.one_direction(
                    f"{s.name} giving way at {limit.words}", column, f"{place}.kw", most, room_most
                )
        for s in self.ac_solar:
            if s.name in least:
                available = terms.series(s.available(terms))
                terms.equal(f"what {s.name} holds back", ac_solar[s.name] + sum(held_back[s.name]), available)
        return {name: sum(parts) for name, parts in held_back.items()}

    def held_back_kw(
        self, data: InputData, given: dict[str, np.ndarray], nets: dict[str, np.ndarray]
    ) -> dict[str, np.ndarray]:
        """The columns of giving way for a schedule that is known: each system's owed to the limit with the least room.

        Parameters
        ----------
        data : InputData
        given : dict of str to array
            AC power of each system. [kW]
        nets : dict of str to array
            Signed power of each phase, import positive. [kW]
        """
        made: dict[str, np.ndarray] = {}
        rooms = {
            limit: limit.limit_kw + sum(w * nets[phase] for phase, w in limit.weights.items())
            for limit in self.obeyed(data)
        }
        for system in self.ac_solar:
            if not system.gives_way_alone:
                continue
            adding = [limit for limit in rooms if self.adds_to(system, limit)]
            tightest = np.argmin([rooms[limit] for limit in adding], axis=0)
            held = system.available(data) - given[system.name]
            for number, limit in enumerate(adding):
                made[f"export room of {limit.words}.kw"] = np.maximum(rooms[limit], 0.0)
                made[held_back_column(system, limit)] = np.where(tightest == number, held, 0.0)
        return made

    def _inverter_flows(self, terms: Terms, inverter: Inverter) -> InverterFlows:
        out_name, in_name = (of_inverter(inverter.name, way) for way in ("output_kw", "input_kw"))
        output = terms.column(out_name, at_most=inverter.output_kw)
        into = terms.column(in_name, at_most=inverter.input_kw)
        terms.one_direction(
            f"inverter {inverter.name.replace('.', ' ')}",
            out_name,
            in_name,
            inverter.output_kw,
            inverter.input_kw,
        )
        return InverterFlows(
            output, into, output / inverter.output_efficiency, into * inverter.input_efficiency
        )

    def _dc_balance(
        self,
        terms: Terms,
        banks: Sequence[storage.StorageBank],
        inverters: Mapping[str, InverterFlows],
        solar: Mapping[str, Series],
        bank_flows: Mapping[str, BankFlows],
    ) -> None:
        fixed = terms.series(self.dc_needs_kw(terms, banks))
        sources = [*solar.values(), *(f.discharge_kw for f in bank_flows.values())]
        sources += [f.dc_input_kw for f in inverters.values()]
        sinks = [f.charge_kw for f in bank_flows.values()] + [f.dc_draw_kw for f in inverters.values()]
        if sources or sinks:
            zero = np.zeros(len(fixed))
            terms.equal("balance of the DC bus", sum(sources, zero), sum(sinks, fixed))

    def _current_rules(
        self,
        terms: Terms,
        banks: Sequence[storage.StorageBank],
        inverters: Mapping[str, InverterFlows],
        solar: Mapping[str, Series],
        bank_flows: Mapping[str, BankFlows],
    ) -> None:
        on_bus, lowest_v = bank_on_bus(banks), self.lowest_bus_voltage(banks)
        for current in self.bus_currents(terms):
            if not current.binds_from(lowest_v):
                continue
            if current.limit.owner == "site.solar_controller":
                power = solar[current.part]
            else:
                flow = inverters[current.part]
                power = flow.dc_draw_kw if current.out else flow.dc_input_kw
            if on_bus is None:
                terms.at_most(current.rule, power, current.most_kw(lowest_v))
            else:
                storage.limit_current(
                    terms, current.rule, power, current.amperes, on_bus, bank_flows[on_bus.name]
                )
        for bank in banks:
            bank.current_rules(terms, bank_flows[bank.name])

    def lowest_bus_voltage(self, banks: Sequence[storage.StorageBank]) -> float:
        """Lowest voltage of the DC bus. [V]"""
        on_bus = bank_on_bus(banks)
        if on_bus is not None:
            return on_bus.voltages[0]
        return self.dc_voltage_v or 48.0

    def _load_kw(self, data: InputData) -> np.ndarray:
        """Load of all phases, of shape (steps,). [kW]"""
        return sum((self.load_kw(data, phase) for phase in self.phase_names), np.zeros(data.timeline.steps))

    def _phase_nets(
        self,
        terms: Terms,
        inverters: Mapping[str, InverterFlows],
        ac_solar: Mapping[str, Series],
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
                    net = net - share * flow.output_kw + share * flow.input_kw
            nets[phase] = net
        return nets

    def _meter(
        self, terms: Terms, nets: dict[str, Any], activated_most_kw: float
    ) -> tuple[MeterFlows, ConnectionFlows, dict[str, ConnectionFlows]]:
        """The registers, and the signed power at the connection and each phase."""
        phase_in, phase_out = self.phase_most_kw(terms, activated_most_kw)
        limit_in, limit_out = (
            terms.values(self.connection.import_limit_kw),
            terms.values(self.connection.export_limit_kw),
        )
        total_net = sum(list(nets.values())[1:], nets[self.phase_names[0]])
        if self.phases == 1 or self.registers == "netted":
            most_in = np.minimum(limit_in, sum(self.reach_kw(terms)[0].values()) + activated_most_kw)
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
            imported, exported = self._register(
                terms, f"meter.{phase}", net, phase_in[phase], phase_out[phase]
            )
            phases[phase] = ConnectionFlows(net, imported, exported)
            most_in, most_out = most_in + phase_in[phase], most_out + phase_out[phase]
        imports: list[Any] = [point.import_kw for point in phases.values()]
        exports: list[Any] = [point.export_kw for point in phases.values()]
        imported, exported = sum(imports[1:], imports[0]), sum(exports[1:], exports[0])
        terms.at_most(limits.IMPORT.rule, total_net, terms.series(limit_in))
        terms.at_most(limits.EXPORT.rule, -total_net, terms.series(limit_out))
        return (
            MeterFlows(imported, exported, most_in, most_out, self._load_kw(terms)),
            ConnectionFlows(total_net, None, None),
            phases,
        )

    @staticmethod
    def _register(
        terms: Terms, name: str, net: Any, most_in: np.ndarray, most_out: np.ndarray
    ) -> tuple[Any, Any]:
        imported = terms.column(f"{name}.import_kw", at_most=most_in)
        exported = terms.column(f"{name}.export_kw", at_most=most_out)
        terms.equal(f"balance of {name.replace('.', ' ')}", imported - exported, net)
        terms.one_direction(
            name.replace(".", " "), f"{name}.import_kw", f"{name}.export_kw", most_in, most_out
        )
        return imported, exported

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

    def _connection_rules(
        self,
        terms: Terms,
        nets: dict[str, Any],
        inverters: Mapping[str, InverterFlows],
        activated_most_kw: float,
    ) -> None:
        made = self.net_limits(terms)
        most_in, most_out = self.phase_most_kw(terms, activated_most_kw)
        for phase, net in nets.items():
            # Registers of a phase's own carry its limits as bounds.
            for limit in made if self.registers == "netted" else ():
                if limit.phase == phase:
                    terms.between(limit.rules[0], -most_out[phase], net, most_in[phase])
            self._keep_through(terms, phase, net, inverters, max(most_in[phase].max(), most_out[phase].max()))
        for limit in made:
            if limit.of_pair:
                one, other = limit.weights
                terms.between(limit.rules[0], -limit.most_out_kw, nets[one] - nets[other], limit.most_in_kw)

    def _keep_through(
        self,
        terms: Terms,
        phase: str,
        net: Any,
        inverters: Mapping[str, InverterFlows],
        phase_most_kw: float,
    ) -> None:
        ratings = {i.name: max(i.output_kw, i.input_kw) for i in self.inverter}
        for line in self.through(terms, phase):
            if line.in_line:
                before = line.before_kw
                through = net - terms.series(before) if before.any() else net
                needed = line.limit_kw < phase_most_kw or bool(before.any())
            else:
                flow = inverters[line.inverter]
                through = line.share * flow.input_kw - line.share * flow.output_kw
                needed = line.own_kw < ratings[line.inverter]
            if needed:
                terms.between(line.rule, -line.limit_kw, through, line.limit_kw)


def held_back_column(system: AcSolar, limit: laws.Obeyed) -> str:
    """The column of what a system holds back for a limit."""
    return f"ac_solar.{system.name}.{HELD_BACK}{limit.words}"


def bank_on_bus(banks: Sequence[storage.StorageBank]) -> storage.StorageBank | None:
    """The bank that fixes the bus voltage: the one without a converter of its own, if there is one."""
    direct = [bank for bank in banks if bank.converter is None]
    return direct[0] if direct else None
