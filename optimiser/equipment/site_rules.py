"""A site in the verbs of terms: its columns, the balances of bus and meter, the rules of equipment and connection."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from optimiser.columns import of_ac_solar, of_controller, of_inverter, register_of
from optimiser.equipment import giving_way, limits
from optimiser.equipment.bank import StorageBank
from optimiser.equipment.inverter import Inverter
from optimiser.equipment.site import Site
from optimiser.equipment.storage import bank_on_bus, capacity_shares
from optimiser.equipment.voltage import limit_current
from optimiser.flows import (
    Activation,
    BankFlows,
    ConnectionFlows,
    FlexibleFlows,
    InverterFlows,
    MeterFlows,
    Series,
    SiteFlows,
)
from optimiser.terms.verbs import Terms


def site_flows(
    site: Site, terms: Terms, banks: Sequence[StorageBank], activation: Activation | None = None
) -> SiteFlows:
    """Make the site's columns, its balances and the rules of its equipment and connection.

    Parameters
    ----------
    site : Site
    terms : Terms
    banks : sequence of StorageBank
    activation : Activation or None
        What activated services are expected to move; None: nothing.
    """
    inverters = {inverter.name: _inverter_flows(terms, inverter) for inverter in site.inverter}
    sources = {name: terms.column(name, at_most=most) for name, most in site.bus_sources(terms).items()}
    solar = {c.name: sources[of_controller(c.name, "solar_kw")] for c in site.solar_controller}
    activation = activation or Activation()
    bank_flows = {
        bank.name: bank.flows(terms, floor, activation.charge_kw * share, activation.discharge_kw * share)
        for bank, floor, share in zip(
            banks, site.floor_kwh(terms, banks), capacity_shares(banks), strict=True
        )
    }
    flexible = {load.name: load.flows(terms) for load in site.flexible_load}
    _dc_balance(site, terms, banks, inverters, sources, flexible, bank_flows)
    _current_rules(site, terms, banks, inverters, solar, bank_flows)
    least = giving_way.least_given_kw(site, terms)
    ac_solar = {
        s.name: terms.column(
            of_ac_solar(s.name, "solar_kw"), at_most=s.available(terms), at_least=least.get(s.name, 0.0)
        )
        for s in site.ac_solar
    }
    nets = _phase_nets(site, terms, inverters, ac_solar, flexible, activation.metered_kw)
    meter, connection, phases = _meter(site, terms, nets, activation.metered_most_kw)
    meter = meter.crossed(activation.crossing_kw, activation.crossing_most_kw)
    _connection_rules(site, terms, nets, inverters, activation.metered_most_kw)
    held_back = giving_way.held_back(site, terms, nets, ac_solar, least, activation.metered_most_kw)
    return SiteFlows(meter, inverters, bank_flows, connection, phases, solar, ac_solar, held_back, flexible)


def _inverter_flows(terms: Terms, inverter: Inverter) -> InverterFlows:
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
    return InverterFlows(output, into, output / inverter.output_efficiency, into * inverter.input_efficiency)


def _dc_balance(
    site: Site,
    terms: Terms,
    banks: Sequence[StorageBank],
    inverters: Mapping[str, InverterFlows],
    brought: Mapping[str, Series],
    flexible: Mapping[str, FlexibleFlows],
    bank_flows: Mapping[str, BankFlows],
) -> None:
    fixed = terms.series(site.dc_needs_kw(terms, banks))
    sources = [*brought.values(), *(f.discharge_kw for f in bank_flows.values())]
    sources += [f.dc_input_kw for f in inverters.values()]
    sinks = [f.charge_kw for f in bank_flows.values()] + [f.dc_draw_kw for f in inverters.values()]
    sinks += [flexible[load.name].power_kw for load in site.flexible_load if load.on_bus]
    if sources or sinks:
        zero = np.zeros(len(fixed))
        terms.equal("balance of the DC bus", sum(sources, zero), sum(sinks, fixed))


def _current_rules(
    site: Site,
    terms: Terms,
    banks: Sequence[StorageBank],
    inverters: Mapping[str, InverterFlows],
    solar: Mapping[str, Series],
    bank_flows: Mapping[str, BankFlows],
) -> None:
    on_bus, lowest_v = bank_on_bus(banks), site.lowest_bus_voltage(banks)
    for current in site.bus_currents(terms):
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
            limit_current(terms, current.rule, power, current.amperes, on_bus, bank_flows[on_bus.name])
    for bank in banks:
        bank.current_rules(terms, bank_flows[bank.name])


def _phase_nets(
    site: Site,
    terms: Terms,
    inverters: Mapping[str, InverterFlows],
    ac_solar: Mapping[str, Series],
    flexible: Mapping[str, FlexibleFlows],
    activated_kw: Any,
) -> dict[str, Any]:
    nets = {}
    for phase in site.phase_names:
        net = terms.series(site.load_kw(terms, phase)) - activated_kw / site.phases
        for load in site.flexible_load:
            if share := site.share(load, phase):
                net = net + share * flexible[load.name].power_kw
        for system in site.ac_solar:
            if share := site.share(system, phase):
                net = net - share * ac_solar[system.name]
        for inverter in site.inverter:
            if share := site.share(inverter, phase):
                flow = inverters[inverter.name]
                net = net - share * flow.output_kw + share * flow.input_kw
        nets[phase] = net
    return nets


def _meter(
    site: Site, terms: Terms, nets: dict[str, Any], activated_most_kw: float
) -> tuple[MeterFlows, ConnectionFlows, dict[str, ConnectionFlows]]:
    """The registers, and the signed power at the connection and each phase."""
    phase_in, phase_out = site.phase_most_kw(terms, activated_most_kw)
    limit_in, limit_out = (
        terms.values(site.connection.import_limit_kw),
        terms.values(site.connection.export_limit_kw),
    )
    total_net = sum(list(nets.values())[1:], nets[site.phase_names[0]])
    if site.phases == 1 or site.registers == "netted":
        most_in = np.minimum(limit_in, sum(site.reach_kw(terms)[0].values()) + activated_most_kw)
        # Phases may feed one another, so the netted export is bounded by all output less all load.
        output = sum(i.output_kw for i in site.inverter) + sum(
            (s.available(terms) for s in site.ac_solar), np.zeros(len(limit_in))
        )
        load = site.whole_load_kw(terms)
        most_out = np.minimum(limit_out, np.maximum(output - load + activated_most_kw, 0))
        imported, exported = _register(terms, register_of(), total_net, most_in, most_out)
        meter = MeterFlows(imported, exported, most_in, most_out, load)
        phases = {phase: ConnectionFlows(net, None, None) for phase, net in nets.items()}
        return meter, ConnectionFlows(total_net, imported, exported), phases
    phases, most_in, most_out = {}, np.zeros(len(limit_in)), np.zeros(len(limit_in))
    for phase, net in nets.items():
        imported, exported = _register(terms, register_of(phase), net, phase_in[phase], phase_out[phase])
        phases[phase] = ConnectionFlows(net, imported, exported)
        most_in, most_out = most_in + phase_in[phase], most_out + phase_out[phase]
    imports: list[Any] = [point.import_kw for point in phases.values()]
    exports: list[Any] = [point.export_kw for point in phases.values()]
    imported, exported = sum(imports[1:], imports[0]), sum(exports[1:], exports[0])
    terms.at_most(limits.IMPORT.rule, total_net, terms.series(limit_in))
    terms.at_most(limits.EXPORT.rule, -total_net, terms.series(limit_out))
    return (
        MeterFlows(imported, exported, most_in, most_out, site.whole_load_kw(terms)),
        ConnectionFlows(total_net, None, None),
        phases,
    )


def _register(
    terms: Terms, name: str, net: Any, most_in: np.ndarray, most_out: np.ndarray
) -> tuple[Any, Any]:
    into, out = f"{name}.import_kw", f"{name}.export_kw"
    imported, exported = terms.column(into, at_most=most_in), terms.column(out, at_most=most_out)
    terms.equal(f"balance of {name.replace('.', ' ')}", imported - exported, net)
    terms.one_direction(name.replace(".", " "), into, out, most_in, most_out)
    return imported, exported


def _connection_rules(
    site: Site,
    terms: Terms,
    nets: dict[str, Any],
    inverters: Mapping[str, InverterFlows],
    activated_most_kw: float,
) -> None:
    made = site.net_limits(terms)
    most_in, most_out = site.phase_most_kw(terms, activated_most_kw)
    for phase, net in nets.items():
        # Registers of a phase's own carry its limits as bounds.
        for limit in made if site.registers == "netted" else ():
            if limit.phase == phase:
                terms.between(limit.rules[0], -most_out[phase], net, most_in[phase])
        _keep_through(site, terms, phase, net, inverters, max(most_in[phase].max(), most_out[phase].max()))
    for limit in made:
        if limit.of_pair:
            one, other = limit.weights
            terms.between(limit.rules[0], -limit.most_out_kw, nets[one] - nets[other], limit.most_in_kw)


def _keep_through(
    site: Site,
    terms: Terms,
    phase: str,
    net: Any,
    inverters: Mapping[str, InverterFlows],
    phase_most_kw: float,
) -> None:
    ratings = {i.name: max(i.output_kw, i.input_kw) for i in site.inverter}
    for line in site.through(terms, phase):
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
