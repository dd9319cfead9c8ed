"""The plant walked step by step under commands, within the same limits that the linear program keeps.

A command is the net AC power that each inverter is asked for. The store takes the rest of the DC bus. What cannot be
kept gives way in a stated order, so that limits always hold:

1. an inverter keeps its ratings and breaker;
2. at the connection too much import stops input, then calls for output; too much export stops output, then curtails AC
   solar (that which nobody commands no further than it would without the system), then takes in;
3. a full store stops input, then (where surplus is fed in) raises output, then curtails solar on the bus;
4. an empty store stops output, then takes in what standby, DC load and the kept energy ask for.

Many cases are walked at once: each array of a step has the shape (cases, ...).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from optimiser.equipment.binding import Current
from optimiser.equipment.giving_way import least_given_kw
from optimiser.equipment.laws import power_kw
from optimiser.equipment.storage import capacity_shares
from optimiser.flows import Activation
from optimiser.plant.connection import NEAR, Connected, at_connection
from optimiser.plant.flexible import by_themselves
from optimiser.plant.stores import Stores
from optimiser.scenario.file import Scenario

SHORT = 1e-6  # power that counts as missing [kW]


@dataclass(frozen=True)
class State:
    """What a controller may know at the start of a step: nothing of later ones.

    Attributes
    ----------
    step : int, or array of shape (cases,)
    stored_fraction : array of shape (cases, banks)
        Stored energy over usable capacity. [-]
    load_kw : array of shape (phases,) or (cases, phases)
        Load of each phase, as it will be in the step: a controller follows its meter within it.
    ac_solar_kw : array of shape (phases,) or (cases, phases)
        Power that the sun allows on the AC side of each phase.
    dc_solar_kw : float, or array of shape (cases,)
        Power that the sun allows on the DC bus, with what loads there give back.
    fixed_kw : float, or array of shape (cases,)
        Standby, DC load and flexible loads on the bus.
    """

    step: Any
    stored_fraction: np.ndarray
    load_kw: np.ndarray
    ac_solar_kw: np.ndarray
    dc_solar_kw: Any
    fixed_kw: Any


@dataclass(frozen=True)
class Orders:
    """Commands of a step.

    Attributes
    ----------
    wanted_kw : array of shape (cases, inverters) or (inverters,)
        Output less input, on the AC side. [kW]
    feed_surplus : bool or array of shape (cases,)
        Whether solar that the store cannot take is fed in, rather than curtailed.
    hold_back : bool or array of shape (cases,)
        Whether AC solar that somebody commands is curtailed as far as it would be fed in.
    """

    wanted_kw: np.ndarray
    feed_surplus: Any = False
    hold_back: Any = False


@dataclass(frozen=True)
class Caps:
    """What is kept out of a controller's reach, such as headroom for sold services; None leaves the plant's limits.

    Attributes
    ----------
    output_kw, input_kw : array of shape (steps, inverters), optional
        The most that each inverter may give and take. [kW]
    floor_kwh, ceiling_kwh : array of shape (steps, banks), optional
        Energy below which a store is not drained, above which it is not filled; a store beyond is left where it is.
    source_kw, ac_solar_kw : array of shape (steps, sources) and (steps, systems), optional
        The most that sources of the bus and solar on the AC side may give. [kW]
    """

    output_kw: np.ndarray | None = None
    input_kw: np.ndarray | None = None
    floor_kwh: np.ndarray | None = None
    ceiling_kwh: np.ndarray | None = None
    source_kw: np.ndarray | None = None
    ac_solar_kw: np.ndarray | None = None


def _nothing() -> np.ndarray:
    return np.zeros(0)


@dataclass(frozen=True)
class Walk:
    """What happened, in arrays of shape (steps, cases, ...); a "meter" walk keeps no more than the first five.

    Attributes
    ----------
    import_kw, export_kw : array of shape (steps, cases)
        What the registers see in all.
    discharge_kw : array of shape (steps, cases, banks)
    short_kw : array of shape (steps, cases)
        Power that no order of giving way could find, or by which a limit of the connection is broken. [kW]
    stored_kwh : array of shape (steps, cases, banks)
        At the end of each step.
    net_kw : array of shape (steps, cases, inverters)
        Output less input.
    ac_solar_kw, solar_kw : array of shape (steps, cases, systems) and (steps, cases, sources)
        On the AC side, and of the bus's sources: controllers, then what loads give back.
    charge_kw : array of shape (steps, cases, banks)
        On the bus, as the discharge is.
    phase_kw : array of shape (steps, cases, phases)
        Net import of each phase.
    flexible_kw, flexible_kwh : array of shape (steps, cases, loads)
        Power of flexible loads, and what is stored behind them at the end of each step.
    """

    import_kw: np.ndarray
    export_kw: np.ndarray
    discharge_kw: np.ndarray
    short_kw: np.ndarray
    stored_kwh: np.ndarray
    net_kw: np.ndarray = field(default_factory=_nothing)
    ac_solar_kw: np.ndarray = field(default_factory=_nothing)
    solar_kw: np.ndarray = field(default_factory=_nothing)
    charge_kw: np.ndarray = field(default_factory=_nothing)
    phase_kw: np.ndarray = field(default_factory=_nothing)
    flexible_kw: np.ndarray = field(default_factory=_nothing)
    flexible_kwh: np.ndarray = field(default_factory=_nothing)

    @property
    def cases(self) -> int:
        """How many were walked at once."""
        return int(self.import_kw.shape[1])

    @property
    def short(self) -> np.ndarray:
        """The most that was missing in any step of each case, of shape (cases,). [kW]"""
        most: np.ndarray = self.short_kw.max(axis=0, initial=0.0)
        return most


Commands = Callable[[Any, State], "Orders | np.ndarray"]


class Plant:
    """A scenario's equipment, ready to be walked.

    Parameters
    ----------
    scenario : Scenario
    expected : Activation, optional
        What activated services are expected to move in each step; left out: nothing.

    Notes
    -----
    Energy is kept for what is known to come: reserves by the clock, the energy asked for at the end, and load above the
    import limit. How early charging has to begin for them is worked out from the load and sun of the data, which
    is the one place where a walk looks ahead; it decides nothing else.
    """

    def __init__(
        self,
        scenario: Scenario,
        expected: Activation | None = None,
    ):
        site, banks = scenario.site, scenario.storage
        data = scenario.data
        steps = scenario.timeline.steps
        self.scenario, self.hours, self.steps = scenario, scenario.timeline.step_hours, steps
        self._own_load_kw = np.stack([site.load_kw(data, phase) for phase in site.phase_names], axis=1)
        self.waited = by_themselves(scenario)
        self.load_kw = self._own_load_kw + self.waited.on_phases(scenario)
        self.connected = Connected(site, data, self.load_kw.copy())
        self.crossing_kw = np.zeros(steps)
        self.ac_kw = _columns([s.available(data) for s in site.ac_solar], steps)
        least = least_given_kw(site, data)
        self.ac_least_kw = _columns([least.get(s.name, np.zeros(steps)) for s in site.ac_solar], steps)
        self.ac_alone = np.array([s.gives_way_alone for s in site.ac_solar], bool)
        self.dc_kw = _columns(list(site.bus_sources(data).values()), steps)
        most = np.array([site.ac_most_kw(data, i) for i in site.inverter]).reshape(-1, 2)
        self.output_kw, self.input_kw = most[:, 0], most[:, 1]
        self.out_efficiency = np.array([i.output_efficiency for i in site.inverter])
        self.in_efficiency = np.array([i.input_efficiency for i in site.inverter])
        self.fixed_kw = site.dc_needs_kw(data, banks)
        if not (site.inverter or banks or site.solar_controller):
            self.fixed_kw = np.zeros(steps)  # there is no bus
        self._own_fixed_kw = self.fixed_kw
        self.fixed_kw = self._own_fixed_kw + self.waited.on_bus(scenario)
        currents = site.bus_currents(data)
        self.out_amperes = _amperes("site.inverter", site.inverter, currents, out=True)
        self.in_amperes = _amperes("site.inverter", site.inverter, currents, out=False)
        # What loads give back has no limit of its own.
        self.source_amperes = np.full(self.dc_kw.shape[1], np.inf)
        controllers = _amperes("site.solar_controller", site.solar_controller, currents, out=True)
        self.source_amperes[: len(controllers)] = controllers
        floors = site.floor_kwh(data, banks)
        self.stores = Stores(banks, scenario.timeline, site.lowest_bus_voltage(banks), floors)
        self.expect(0, steps, expected or Activation())
        # Whether a limit of a breaker or controller follows the voltage at the end of the step.
        self._coupled = self.stores.voltage_moves and bool(currents)
        self.kept_kwh = self._kept()

    def serve(self, first: int, stop: int, power_kw: np.ndarray, stored_kwh: np.ndarray) -> None:
        """Change what flexible loads do in some steps; arrays of shape (steps, loads). [kW], [kWh]"""
        if not power_kw.shape[1]:
            return
        span = slice(first, stop)
        self.waited.power_kw[span], self.waited.stored_kwh[span] = power_kw, stored_kwh
        before = self.load_kw[span].copy()
        self.load_kw[span] = self._own_load_kw[span] + self.waited.on_phases(self.scenario)[span]
        self.fixed_kw[span] = self._own_fixed_kw[span] + self.waited.on_bus(self.scenario)[span]
        self.connected.load_kw[span] += self.load_kw[span] - before

    def expect(self, first: int, stop: int, expected: Activation) -> None:
        """Change what activated services are expected to move in some steps; arrays of shape (steps of all,)."""

        def inside(kw: Any) -> np.ndarray:
            return np.broadcast_to(kw, (self.steps,))[first:stop]

        metered = inside(expected.metered_kw)[:, None] / self.load_kw.shape[1]
        self.connected.load_kw[first:stop] = self.load_kw[first:stop] - metered
        self.crossing_kw[first:stop] = inside(expected.crossing_kw)
        banks = self.scenario.storage
        for number, (bank, share) in enumerate(zip(banks, capacity_shares(banks), strict=True)):
            charge, discharge = inside(expected.charge_kw), inside(expected.discharge_kw)
            self.stores.activation_kw[first:stop, number] = bank.drained_by_calls(
                charge * share, discharge * share
            )

    def walk(
        self,
        commands: Commands | np.ndarray,
        *,
        cases: int = 1,
        caps: Caps | None = None,
        keep: str = "all",
        steps: np.ndarray | None = None,
        start_kwh: np.ndarray | None = None,
    ) -> Walk:
        """Walk the plant through the timeline, or some steps of it.

        Parameters
        ----------
        commands : callable (step, State) -> Orders or array; or array of shape (steps, inverters) or (steps, cases,
            inverters)
            What is wanted in each step. [kW]
        cases : int
            How many are walked at once.
        caps : Caps, optional
        keep : "all" or "meter"
            All columns, or what money needs.
        steps : array of shape (length,) or (length, cases), optional
            Steps to walk one after the other, of all cases or of each; left out: all. Spans that lie apart are so
            walked side by side.
        start_kwh : array of shape (cases, banks), optional
            Energy held at the start; left out: the scenario's.
        """
        order = np.arange(self.steps) if steps is None else steps
        caps = caps or Caps()
        if not callable(commands):
            wanted = np.asarray(commands, float)
            cases = wanted.shape[1] if wanted.ndim == 3 else cases
        stored = np.broadcast_to(
            self.stores.start_kwh if start_kwh is None else start_kwh, (cases, len(self.stores.start_kwh))
        ).astype(float)
        kept: dict[str, list[np.ndarray]] = {name: [] for name in (METER if keep == "meter" else ALL)}
        for step in order:
            if callable(commands):
                orders = commands(step, self._state(step, stored))
                orders = orders if isinstance(orders, Orders) else Orders(orders)
            else:
                orders = Orders(wanted[step])
            made = self._step(step, stored, orders, caps, cases)
            stored = made["stored_kwh"]
            for name, found in kept.items():
                found.append(made[name])
        return Walk(**{name: np.stack(found) for name, found in kept.items()})

    def _state(self, step: Any, stored: np.ndarray) -> State:
        return State(
            step,
            stored / self.stores.capacity_kwh,
            self.load_kw[step],
            self.ac_kw[step] @ self.connected.ac_share,
            self.dc_kw[step].sum(axis=-1),
            self.fixed_kw[step],
        )

    def _step(
        self, step: Any, stored: np.ndarray, orders: Orders, caps: Caps, cases: int
    ) -> dict[str, np.ndarray]:
        wanted = np.broadcast_to(np.asarray(orders.wanted_kw, float), (cases, len(self.output_kw)))
        feed = np.broadcast_to(orders.feed_surplus, (cases,))
        stores = self.stores
        output = (
            self.output_kw if caps.output_kw is None else np.minimum(caps.output_kw[step], self.output_kw)
        )
        into = self.input_kw if caps.input_kw is None else np.minimum(caps.input_kw[step], self.input_kw)
        dc = (
            self.dc_kw[step] if caps.source_kw is None else np.minimum(caps.source_kw[step], self.dc_kw[step])
        )
        ac = (
            self.ac_kw[step]
            if caps.ac_solar_kw is None
            else np.minimum(caps.ac_solar_kw[step], self.ac_kw[step])
        )
        floor = None if caps.floor_kwh is None else caps.floor_kwh[step]
        ceiling = None if caps.ceiling_kwh is None else caps.ceiling_kwh[step]
        ac_most = np.broadcast_to(ac, (cases, ac.shape[-1]))
        ac_least = np.minimum(self.ac_least_kw[step], ac_most)
        end = stored
        # Current limits hold at the end of the step too, whose voltage depends on what they allow.
        for attempt in range(MOST_ATTEMPTS):
            volts = stores.bus_voltage(stored, end)
            solar = np.minimum(dc, power_kw(self.source_amperes, volts[:, None]))
            low, high = self._inverter_ends(into, output, volts[:, None])
            least, most = stores.reach(step, stored, self.kept_kwh[step], floor, ceiling)
            net, used, missing = self._settled(
                step,
                (wanted, low, high),
                (ac_least, ac_most),
                solar.sum(axis=1),
                least.sum(axis=1),
                most.sum(axis=1),
                feed,
            )
            surplus = solar.sum(axis=1) - self.fixed_kw[step] - self._drawn(net)
            curtailed = np.clip(surplus - most.sum(axis=1), 0.0, solar.sum(axis=1))
            bank_kw = stores.shared_out(surplus - curtailed, least, most)
            moved = end
            end = stores.after(step, stored, bank_kw)
            if not self._coupled:
                break
            if np.abs(end - moved).max(initial=0.0) < 1e-9:
                break
            if attempt > 6:
                end = (end + moved) / 2
        if np.any(orders.hold_back):
            used = self._held_back(step, net, used, ac_least, np.broadcast_to(orders.hold_back, (cases,)))
        whole = solar.sum(axis=1)
        given = solar * (1 - np.divide(curtailed, whole, out=np.zeros(cases), where=whole > 0))[:, None]
        phases = self.connected.nets(step, net, used)
        imported, exported = self.connected.registers(phases)
        unmet = np.abs(surplus - curtailed - bank_kw.sum(axis=1))
        return {
            "net_kw": net,
            "ac_solar_kw": used,
            "solar_kw": given,
            "charge_kw": np.maximum(bank_kw, 0.0),
            "discharge_kw": np.maximum(-bank_kw, 0.0),
            "stored_kwh": stores.after(step, stored, bank_kw),
            "phase_kw": phases,
            "import_kw": imported + self.crossing_kw[step],
            "export_kw": exported + self.crossing_kw[step],
            "flexible_kw": np.broadcast_to(
                self.waited.power_kw[step], (cases, self.waited.power_kw.shape[1])
            ),
            "flexible_kwh": np.broadcast_to(
                self.waited.stored_kwh[step], (cases, self.waited.stored_kwh.shape[1])
            ),
            "short_kw": np.maximum(missing, np.where(unmet > SHORT, unmet, 0.0)),
        }

    def _inverter_ends(self, into: Any, output: Any, volts: Any) -> tuple[np.ndarray, np.ndarray]:
        """The least and the most net output of each inverter: its ratings, or less, and its currents. [kW]"""
        high = np.minimum(output, power_kw(self.out_amperes, volts) * self.out_efficiency)
        low = -np.minimum(into, power_kw(self.in_amperes, volts) / self.in_efficiency)
        return low, high

    def _drawn(self, net: np.ndarray) -> np.ndarray:
        """Power that inverters draw from the bus, less what they bring to it, of shape (rows,). [kW]"""
        made: np.ndarray = np.where(net > 0, net / self.out_efficiency, net * self.in_efficiency).sum(axis=1)
        return made

    def _settled(
        self,
        step: Any,
        powers: tuple[np.ndarray, np.ndarray, np.ndarray],
        ac: tuple[np.ndarray, np.ndarray],
        solar: np.ndarray,
        least: np.ndarray,
        most: np.ndarray,
        feed: np.ndarray,
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Inverters and AC solar, once connection and stores have had their way.

        Each leg leads from one set of powers that the connection allows to another, so all between are allowed
        too: the rules are straight.
        """
        wanted, low, high = powers
        ac_least, ac_most = ac
        net, used, missing = at_connection(self.connected, step, wanted, low, high, ac_most, ac_least)
        surplus = solar - self.fixed_kw[step] - self._drawn(net)
        for target in (np.minimum(net, 0.0), low):
            lack = least - surplus
            if not (lack > 1e-12).any():
                break
            net, used, surplus = self._leg(step, net, used, target, (low, high), ac, -lack, surplus)
        if ((lack := least - surplus) > SHORT).any():
            # Nothing comes from nowhere: an empty store gives nothing, whatever the connection asks for.
            given = self._drawn(np.maximum(net, 0.0))
            wrong = (lack > SHORT) & (given > 0)
            share = np.divide(lack, given, out=np.zeros(len(net)), where=wrong)
            net = np.where(net > 0, net * (1 - np.clip(share, 0.0, 1.0))[:, None], net)
            missing = self.connected.broken(step, self.connected.nets(step, net, used))
            surplus = solar - self.fixed_kw[step] - self._drawn(net)
        over = surplus - most
        for target, asked in ((np.maximum(net, 0.0), True), (high, feed)):
            more = np.where(asked, over, 0.0)
            if not (more > 1e-12).any():
                continue
            net, used, surplus = self._leg(step, net, used, target, (low, high), ac, more, surplus)
            over = surplus - most
        return net, self._let_give(step, net, used, ac), missing

    def _let_give(
        self, step: Any, net: np.ndarray, used: np.ndarray, ac: tuple[np.ndarray, np.ndarray]
    ) -> np.ndarray:
        """AC solar, where what nobody commands gives all that the connection allows beside what else is settled."""
        least, most = ac
        if not (self.ac_alone & (used < most - NEAR)).any():
            return used
        _, given, _ = at_connection(
            self.connected, step, net, net, net, np.where(self.ac_alone, most, used), np.minimum(least, used)
        )
        return np.where(self.ac_alone, given, used)

    def _held_back(
        self, step: Any, net: np.ndarray, used: np.ndarray, least: np.ndarray, asked: np.ndarray
    ) -> np.ndarray:
        """AC solar, where asked no more of it than the registers let the site use, unless a limit would break."""
        connected = self.connected
        phases = connected.nets(step, net, used)
        room = np.where(self.ac_alone, 0.0, used - least) * asked[:, None]
        if connected.netted:
            part = room.sum(axis=1)
            over = np.maximum(-phases.sum(axis=1), 0.0)
            share = np.divide(over, part, out=np.zeros(len(part)), where=part > 0)[:, None]
        else:
            part = room @ connected.ac_own
            over = np.maximum(-phases, 0.0)
            share = np.divide(over, part, out=np.zeros_like(part), where=part > 0) @ connected.ac_own.T
        lower: np.ndarray = used - room * np.clip(share, 0.0, 1.0)
        worse = connected.broken(step, connected.nets(step, net, lower)) > NEAR
        return np.where(worse[:, None], used, lower)

    def _leg(
        self,
        step: Any,
        net: np.ndarray,
        used: np.ndarray,
        target: np.ndarray,
        bounds: tuple[np.ndarray, np.ndarray],
        ac: tuple[np.ndarray, np.ndarray],
        change: np.ndarray,
        surplus: np.ndarray,
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Go towards a target until the bus's surplus is less by `change`, as far as that goes."""
        least, most = ac
        there, used_there, _ = at_connection(self.connected, step, target, *bounds, most, least)
        gained = self._drawn(there) - self._drawn(net)
        share = np.divide(change, gained, out=np.zeros(len(gained)), where=np.abs(gained) > 1e-12)
        share = np.clip(share, 0.0, 1.0)[:, None]
        moved, used = net + share * (there - net), used + share * (used_there - used)
        return moved, used, surplus + self._drawn(net) - self._drawn(moved)

    def _kept(self) -> np.ndarray:
        """Least energy at the end of each step from which the floors to come can be kept, (steps, banks). [kWh]"""
        stores, every = self.stores, slice(None)
        volts = stores.bus_voltage(np.zeros((1, len(stores.start_kwh))), np.zeros((1, len(stores.start_kwh))))
        solar = np.minimum(self.dc_kw, power_kw(self.source_amperes, volts[:, None])).sum(axis=1)
        shape = (self.steps, len(self.output_kw))
        ends = self._inverter_ends(self.input_kw, self.output_kw, volts[0])
        low, high = (np.broadcast_to(end, shape) for end in ends)
        net, _, _ = at_connection(self.connected, every, low, low, high, self.ac_kw, self.ac_least_kw)
        return stores.kept_for_later(solar - self.fixed_kw - self._drawn(net))


METER = ("import_kw", "export_kw", "discharge_kw", "short_kw", "stored_kwh")
ALL = (*METER, "net_kw", "ac_solar_kw", "solar_kw", "charge_kw", "phase_kw", "flexible_kw", "flexible_kwh")
MOST_ATTEMPTS = 60


def _columns(series: list[np.ndarray], steps: int) -> np.ndarray:
    return np.stack(series, axis=1) if series else np.zeros((steps, 0))


def _amperes(owner: str, parts: Any, currents: list[Current], *, out: bool) -> np.ndarray:
    """The least current that limits allow each part of a list, infinite where none does. [A]"""
    least = {part.name: np.inf for part in parts}
    for current in currents:
        if current.limit.owner == owner and current.out == out:
            least[current.part] = min(least[current.part], current.amperes)
    return np.array([least[part.name] for part in parts], float)
