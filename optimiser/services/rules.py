"""What offers ask of a site: power, energy and room to deliver, within every limit, in the state that a call leaves."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from optimiser.columns import of_ac_solar, of_bank, of_controller, of_group, of_inverter
from optimiser.equipment.bank import StorageBank
from optimiser.equipment.binding import NetLimit, Through
from optimiser.equipment.laws import power_kw
from optimiser.equipment.site import Site
from optimiser.equipment.storage import bank_on_bus
from optimiser.equipment.voltage import voltage_chords
from optimiser.flows import BankFlows, ConnectionFlows, SiteFlows
from optimiser.services.offers import most_kw, steps_following, summed
from optimiser.services.product import Offer
from optimiser.terms.verbs import Terms


@dataclass(frozen=True)
class _Held:
    """Power of one response group held in one direction, and how long it lasts."""

    name: str
    kw: Any
    most_kw: float
    sustain_hours: float
    following: int
    from_solar: bool
    solar_kw: Any = None

    @property
    def stored_kw(self) -> Any:
        """What stored energy has to last for. [kW]"""
        return self.kw if self.solar_kw is None else self.kw - self.solar_kw

    def stored_kw_before(self, terms: Terms, lag: int) -> Any:
        """The same some steps earlier. [kW]"""
        if not lag:
            return self.stored_kw
        kw = terms.previous(self.kw, lag)
        return kw if self.solar_kw is None else kw - terms.previous(self.solar_kw, lag)


@dataclass(frozen=True)
class _Reduced:
    """Solar that down offers count on being reduced: AC systems in AC kW, controllers in kW on the bus."""

    ac_kw: dict[str, Any]
    dc_kw: dict[str, Any]


def rules(
    terms: Terms, site: Site, banks: Sequence[StorageBank], flows: SiteFlows, made: list[Offer]
) -> None:
    """What offers ask of inverters, storage, connection and stored energy, in each direction."""
    for direction in ("up", "down"):
        held = _groups(terms, site, made, direction)
        extra = [
            offer.offered_kw * offer.product.opposite_share
            for offer in made
            if offer.product.opposite_share and direction not in offer.product.directions()
        ]
        extra += [
            offer.offered_kw * offer.product.opposite_share
            for offer in made
            if offer.product.opposite_share and offer.product.direction == "symmetric"
        ]
        if not held and not extra:
            continue
        parts = [group.kw for group in held] + extra
        total = sum(parts[1:], parts[0])
        reduced = _Reduced({}, {})
        if direction == "down" and any(group.from_solar for group in held):
            held, reduced = _solar_rules(terms, site, flows, held)
        by_inverters = total - summed([*reduced.ac_kw.values()]) if reduced.ac_kw else total
        headroom = _inverter_rules(terms, site, flows, by_inverters, direction)
        _storage_rules(terms, site, banks, flows, headroom, held, direction, reduced)
        _connection_rules(terms, site, flows, total, headroom, direction, reduced)
        _energy_rules(terms, site, banks, flows, held, direction)


def _groups(terms: Terms, site: Site, made: list[Offer], direction: str) -> list[_Held]:
    """The kW that each response group holds in a direction."""
    members: dict[str, list[Offer]] = {}
    for offer in made:
        if direction in offer.product.directions():
            members.setdefault(offer.product.group, []).append(offer)
    held = []
    for name, group in members.items():
        sustain = max(offer.product.sustain_hours for offer in group)
        following = max(steps_following(offer.product, terms.step_hours) for offer in group)
        most = max(most_kw(site, offer.product) / offer.product.derating for offer in group)
        from_solar = all(offer.product.from_solar for offer in group)
        needs = {offer.bundle: offer.bundle_kw / offer.product.derating for offer in group}
        if len(needs) == 1 and not following:
            held.append(_Held(name, next(iter(needs.values())), most, sustain, 0, from_solar))
            continue
        kw = terms.column(of_group(name, f"{direction}_kw"), at_most=most)
        for bundle, need in needs.items():
            terms.at_most(
                f"{bundle.split('.')[1]} within the {direction} power of {name}, {bundle}", need, kw
            )
        held.append(_Held(name, kw, most, sustain, following, from_solar))
    return held


def _solar_rules(
    terms: Terms, site: Site, flows: SiteFlows, held: list[_Held]
) -> tuple[list[_Held], _Reduced]:
    """The part of down offers that is met by reducing solar, which has to run as long as the offer may last.

    Solar that nobody commands cannot be reduced.

    A kW that a controller brings to the bus counts as its least worth at the connection, the worst output
    efficiency. What is met so needs no room in the store; on the AC side it needs no inverter either.
    """
    lags = range(1 + max(group.following for group in held if group.from_solar))
    running = {
        ("ac solar", s.name): (of_ac_solar, flows.ac_solar[s.name], s.available(terms))
        for s in site.ac_solar
        if not s.gives_way_alone
    }
    running |= {
        ("controller", c.name): (of_controller, flows.controllers[c.name], c.available(terms))
        for c in site.solar_controller
    }
    reduced = _Reduced({}, {})
    for (kind, name), (named, solar_kw, most) in running.items():
        kw = terms.column(named(name, "down_kw"), at_most=most)
        for lag in lags:
            rule = f"down offers met by {kind} {name}" + (f", {lag} steps on" if lag else "")
            terms.at_most(rule, terms.previous(kw, lag) if lag else kw, solar_kw)
        (reduced.ac_kw if kind == "ac solar" else reduced.dc_kw)[name] = kw
    least = min((i.output_efficiency for i in site.inverter), default=1.0)
    parts = [*reduced.ac_kw.values(), *(least * kw for kw in reduced.dc_kw.values())]
    shared = []
    for group in held:
        if group.from_solar and parts:
            kw = terms.column(of_group(group.name, "from_solar_kw"), at_most=group.most_kw)
            terms.at_most(f"solar's part of the down power of {group.name}", kw, group.kw)
            group = dataclasses.replace(group, solar_kw=kw)
        shared.append(group)
    from_solar = [group.solar_kw for group in shared if group.solar_kw is not None]
    if from_solar:
        terms.at_most("solar's part of all down offers", summed(from_solar), summed(parts))
    return shared, reduced


def _inverter_rules(terms: Terms, site: Site, flows: SiteFlows, total: Any, direction: str) -> dict[str, Any]:
    """The headroom of each inverter, whose sum covers all that is held."""
    headroom: dict[str, Any] = {}
    for inverter in site.inverter:
        flow = flows.inverters[inverter.name]
        turned_round = inverter.output_kw + inverter.input_kw
        kw = total
        if len(site.inverter) > 1:
            kw = terms.column(of_inverter(inverter.name, f"{direction}_headroom_kw"), at_most=turned_round)
        room = (
            inverter.output_kw - flow.output_kw + flow.input_kw
            if direction == "up"
            else inverter.input_kw - flow.input_kw + flow.output_kw
        )
        terms.at_most(f"{direction} power of inverter {inverter.name}", kw, room)
        headroom[inverter.name] = kw
    if len(site.inverter) > 1:
        kws = list(headroom.values())
        terms.at_most(f"{direction} power of all inverters", total, sum(kws[1:], kws[0]))
    return headroom


def _storage_rules(
    terms: Terms,
    site: Site,
    banks: Sequence[StorageBank],
    flows: SiteFlows,
    headroom: dict[str, Any],
    held: list[_Held],
    direction: str,
    reduced: _Reduced,
) -> None:
    """Power that the banks can still give or take, at the voltage that is left after the activation.

    A kW at the connection is taken as its largest worth on the bus, 1 / output efficiency, both ways: a rule that
    told output that stops from input that starts would not be linear and vanish without an offer.
    """
    change = summed([headroom[i.name] / i.output_efficiency for i in site.inverter])
    reduced_kw = [*reduced.dc_kw.values()]
    if not banks:
        terms.at_most(f"{direction} power of storage", change, summed(reduced_kw))
        return
    drained = summed([group.sustain_hours * _per_kwh(site, banks, "up") * group.kw for group in held])
    drained = drained if direction == "up" else 0.0
    rooms = reduced_kw
    for bank in banks:
        flow = flows.banks[bank.name]
        net = flow.discharge_kw - flow.charge_kw
        rooms.append(_reach(terms, bank, flow, drained, direction) + (-net if direction == "up" else net))
    terms.at_most(f"{direction} power of storage", change, summed(rooms))
    _breaker_rules(terms, site, banks, flows, headroom, drained, direction)


def _reach(terms: Terms, bank: StorageBank, flow: BankFlows, drained: Any, direction: str) -> Any:
    """The most that a bank can give or take on the bus in the activated state. [kW]"""
    up = direction == "up"
    limit_kw, current = bank.discharge_limit_kw if up else bank.charge_limit_kw, bank.current(out=up)
    if current is None or not current.binds_from(bank.voltages[0]):
        return limit_kw
    reach = terms.column(of_bank(bank.name, f"{direction}_reach_kw"), at_most=limit_kw)
    at_bank = reach / bank.converter_efficiency if up else reach * bank.converter_efficiency
    _limit_activated(
        terms, f"{direction} current of {bank.name}", at_bank, current.amperes, bank, flow, drained
    )
    return reach


def _breaker_rules(
    terms: Terms,
    site: Site,
    banks: Sequence[StorageBank],
    flows: SiteFlows,
    headroom: dict[str, Any],
    drained: Any,
    direction: str,
) -> None:
    """Current limits of the inverters' DC breakers in the activated state."""
    up, bank, lowest_v = direction == "up", bank_on_bus(banks), site.lowest_bus_voltage(banks)
    for inverter in site.inverter:
        for current in inverter.bus_currents():
            if current.out != up or not current.binds_from(lowest_v):
                continue
            own, kw = flows.inverters[inverter.name], headroom[inverter.name]
            net = own.output_kw - own.input_kw
            power = (net + kw) / inverter.output_efficiency if up else (kw - net) * inverter.input_efficiency
            name = f"{direction} current of inverter {inverter.name}"
            if bank is None:
                terms.at_most(name, power, current.most_kw(lowest_v))
            else:
                _limit_activated(terms, name, power, current.amperes, bank, flows.banks[bank.name], drained)


def _limit_activated(
    terms: Terms, name: str, kilowatts: Any, amperes: float, bank: StorageBank, flow: BankFlows, drained: Any
) -> None:
    """A current limit at the voltage that is left after the activation, at the start and the end of the step."""
    for index, (base, slope) in enumerate(voltage_chords(bank)):
        if not slope:
            terms.at_most(name, kilowatts, power_kw(amperes, base))
            continue
        for edge, stored in (("start", flow.start_kwh), ("end", flow.end_kwh)):
            volts = base + slope / bank.capacity_kwh * (stored - drained)
            terms.at_most(f"{name} at {edge} of step, line {index + 1}", kilowatts, power_kw(amperes, volts))


def _connection_rules(
    terms: Terms,
    site: Site,
    flows: SiteFlows,
    total: Any,
    headroom: dict[str, Any],
    direction: str,
    reduced: _Reduced,
) -> None:
    """The activated state keeps the limits of the connection, in all and per phase."""
    into = summed([flow.input_kw for flow in flows.inverters.values()])
    of_phases: dict[str, NetLimit] = {}
    for limit in site.net_limits(terms):
        if limit.of_all:
            both: tuple[Any, Any] = (limit.most_in_kw, limit.most_out_kw)
            _connection_rule(terms, site, limit.words, flows.connection, total, into, direction, both)
        elif limit.phase:
            of_phases[limit.phase] = limit
    for phase, point in flows.phases.items():
        shares = [(i.name, site.share(i, phase)) for i in site.inverter if site.share(i, phase)]
        solar = [s for s in site.ac_solar if s.name in reduced.ac_kw and site.share(s, phase)]
        if not shares and not solar:
            continue
        parts = [share * headroom[name] for name, share in shares]
        kw = summed(parts + [site.share(s, phase) * reduced.ac_kw[s.name] for s in solar])
        into = summed([share * flows.inverters[name].input_kw for name, share in shares])
        own = np.full(terms.timeline.steps, np.inf)
        if phase in of_phases:
            both = (of_phases[phase].most_in_kw, of_phases[phase].most_out_kw)
            own = both[direction == "up"]
        if np.isfinite(own).all():
            _connection_rule(terms, site, f"phase {phase}", point, kw, into, direction, both)
        for line in site.through(terms, phase):
            if not line.in_line:
                _supply_rule(terms, site, line, flows, headroom[line.inverter], direction)
                continue
            before = line.before_kw
            if not before.any() and own.max() <= line.limit_kw:
                continue  # the phase's own limit is the tighter one
            through = ConnectionFlows(point.net_import_kw - terms.series(before), None, None)
            both = (line.limit_kw, line.limit_kw)
            _connection_rule(terms, site, line.rule, through, kw, into, direction, both)


def _supply_rule(terms: Terms, site: Site, line: Through, flows: SiteFlows, kw: Any, direction: str) -> None:
    """The activated state of an inverter beside the loads keeps what its AC supply passes."""
    rating = next(i.output_kw + i.input_kw for i in site.inverter if i.name == line.inverter)
    if line.own_kw >= rating:
        return
    flow, up = flows.inverters[line.inverter], direction == "up"
    given = flow.output_kw - flow.input_kw if up else flow.input_kw - flow.output_kw
    terms.at_most(f"{direction} power within the {line.rule}", line.share * (kw + given), line.limit_kw)


def _connection_rule(
    terms: Terms,
    site: Site,
    name: str,
    point: ConnectionFlows,
    kw: Any,
    input_kw: Any,
    direction: str,
    limits: tuple[Any, Any],
) -> None:
    """Down: what import is left. Up: what export is left, plus charging from the grid that stops, plus firm load.

    Charging from the grid is the lesser of input and import, so the rule for up is two rows; without an offer
    both vanish, since net import never falls below the export limit.
    """
    net = point.net_import_kw
    if direction == "down":
        limit = terms.series(terms.values(limits[0]))
        terms.at_most(f"down offer within the import limit of the {name}", kw, limit - net)
        return
    limit, firm = terms.series(terms.values(limits[1])), site.firm_load_fraction
    terms.at_most(f"up offer within the export limit of the {name}", kw, limit + net)
    if firm < 1:
        terms.at_most(
            f"up offer within charging that can stop at the {name}",
            kw,
            limit + (1 - firm) * input_kw + firm * net,
        )


def _per_kwh(site: Site, banks: Sequence[StorageBank], direction: str) -> float:
    """Stored energy that a kWh of an offer moves, at the most. [kWh]"""
    if direction == "up":
        return 1 / (
            min(i.output_efficiency for i in site.inverter) * min(b.least_efficiency[1] for b in banks)
        )
    return max(i.input_efficiency for i in site.inverter) * max(b.best_efficiency[0] for b in banks)


def _energy_rules(
    terms: Terms,
    site: Site,
    banks: Sequence[StorageBank],
    flows: SiteFlows,
    held: list[_Held],
    direction: str,
) -> None:
    """Stored energy lasts through an activation at every moment of the step.

    A call that starts with the step has, when a group's time is up, moved all that the groups asked for until then,
    less the planned charging (or discharging) that stood still for it, beside a planned flow of its own direction; of
    the energy at the start, self-discharge has taken what it takes until then. At the end of the step, and of the steps
    that a call reaches into, the whole offer is covered by what is stored then, and nothing counts as stopped: the
    next step's plan need not charge. Between these moments the plan's energy moves one way, so no other asks for more.
    """
    if not banks or not held:
        return
    up = direction == "up"
    per_kwh = _per_kwh(site, banks, direction)
    for lasting in sorted({group.sustain_hours for group in held}):
        offered = summed([min(group.sustain_hours, lasting) * per_kwh * group.stored_kw for group in held])
        stopped, along = _planned(site, banks, flows, up)
        need = offered - lasting * stopped + min(lasting, terms.step_hours) * along
        name = f"stored energy for {direction} offers of {lasting * 60:g} min at start of step"
        room = _room_at_start(terms, site, banks, flows, up, min(lasting, terms.step_hours))
        terms.at_most(name, need, room, unit="kWh")
    at_end = _room_at_end(terms, site, banks, flows, up)
    for lag in range(max(group.following for group in held) + 1):
        parts = [
            group.sustain_hours * per_kwh * group.stored_kw_before(terms, lag)
            for group in held
            if group.following >= lag
        ]
        name = (
            f"stored energy for {direction} offers, {lag} steps on"
            if lag
            else f"stored energy for {direction} offers"
        )
        terms.at_most(f"{name}, at end of step", summed(parts), at_end, unit="kWh")


def _planned(site: Site, banks: Sequence[StorageBank], flows: SiteFlows, up: bool) -> tuple[Any, Any]:
    """Rates at the store of planned flows that an activation stops, at the least, and that run along. [kW]

    A kW that no longer leaves the bus spares the inverter's losses out and in of the offer that is counted in full:
    first an inverter stops giving, only what is left of the call does it take in.
    """
    if up:
        best = max(bank.best_efficiency[1] for bank in banks)
        stopped = summed([flow.charge_kw for flow in flows.banks.values()]) / best
        return stopped, summed([flow.draining_kw for flow in flows.banks.values()])
    least = min(bank.least_efficiency[0] for bank in banks)
    least *= min(i.output_efficiency * i.input_efficiency for i in site.inverter)
    stopped = summed([flow.discharge_kw for flow in flows.banks.values()]) * least
    return stopped, summed([flow.filling_kw for flow in flows.banks.values()])


def _room_at_start(
    terms: Terms, site: Site, banks: Sequence[StorageBank], flows: SiteFlows, up: bool, hours: float
) -> Any:
    """What all banks held at the start of the step, `hours` later, above the floor or below the ceiling. [kWh]"""
    parts = []
    for bank, floor in zip(banks, site.floor_kwh(terms, banks), strict=True):
        kept = bank.kept(hours)
        stored = kept * flows.banks[bank.name].start_kwh
        if up:
            # A floor that rises within the step is reached by its end; what leaks at the floor is made good.
            before = np.concatenate([[bank.start_kwh], floor[:-1]])
            parts.append(stored - terms.series(kept * np.minimum(floor, before)))
        else:
            parts.append(bank.capacity_kwh - stored)
    return summed(parts)


def _room_at_end(terms: Terms, site: Site, banks: Sequence[StorageBank], flows: SiteFlows, up: bool) -> Any:
    """What all banks hold at the end of the step above the floor, or below the ceiling. [kWh]"""
    if up:
        return summed(
            [
                flows.banks[b.name].end_kwh - terms.series(floor)
                for b, floor in zip(banks, site.floor_kwh(terms, banks), strict=True)
            ]
        )
    return summed([b.capacity_kwh - flows.banks[b.name].end_kwh for b in banks])
