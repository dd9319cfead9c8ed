"""The statement: the bill without the system and with it, earnings and energy, per billing period and line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from optimiser.accounts.billing import line_rows
from optimiser.columns import of_ac_solar, of_controller, of_dc_load
from optimiser.dispatch import Dispatch
from optimiser.equipment.giving_way import given_before_kw
from optimiser.equipment.laws import standby_kw
from optimiser.flows import MeterFlows
from optimiser.scenario.file import Scenario
from optimiser.terms.books import SettledTerms


@dataclass(frozen=True)
class Statement:
    """What a schedule comes to.

    Attributes
    ----------
    dispatch : Dispatch
    table : DataFrame
        One row a case, billing period and line: case ("before" or "after"), billing_period, group, line, quantity,
        unit, amount (income positive), cash.
    before_flows : MeterFlows
        What the meter sees without the system.
    energy_kwh : dict of str to float
        Totals over the timeline.
    """

    dispatch: Dispatch
    table: pd.DataFrame
    before_flows: MeterFlows
    energy_kwh: dict[str, float]

    def total(self, case: str, *groups: str, cash: bool = True) -> float:
        """Sum of a case's amounts, of some groups or of all. [currency]"""
        rows = self.table[(self.table["case"] == case) & (self.table["cash"] | (not cash))]
        if groups:
            rows = rows[rows["group"].isin(groups)]
        return float(rows["amount"].sum())

    @property
    def bill_before(self) -> float:
        """What is paid to the retailer without the system, positive. [currency]"""
        return 0.0 - self.total("before")

    @property
    def services_income(self) -> float:
        """Availability and the settlement of delivered energy. [currency]"""
        return self.total("after", "availability", "activation")

    @property
    def bill_after(self) -> float:
        """What is paid to the retailer with the system, services apart, positive. [currency]"""
        return -(self.total("after") - self.services_income)

    @property
    def saving(self) -> float:
        """Bill before less bill after, plus the services' income. [currency]"""
        return self.bill_before - self.bill_after + self.services_income


def settle(dispatch: Dispatch) -> Statement:
    """Put a schedule's lines, and those of the case without the system, into the books."""
    scenario = dispatch.scenario
    before = before_flows(scenario)
    terms = SettledTerms(scenario.data)
    lines = {"before": scenario.before_tariff.lines(before, terms), "after": list(dispatch.lines)}
    periods = {"before": scenario.before_tariff.period, "after": scenario.tariff.period}
    rows = [
        (case, *row) for case in lines for row in line_rows(lines[case], periods[case], scenario.timeline)
    ]
    table = pd.DataFrame(
        rows, columns=["case", "billing_period", "group", "line", "quantity", "unit", "amount", "cash"]
    )
    keys = ["case", "billing_period", "group", "line", "unit", "cash"]
    table = table.groupby(keys, sort=False, as_index=False, dropna=False)[["quantity", "amount"]].sum(
        min_count=1
    )
    order = ["case", "billing_period", "group", "line", "quantity", "unit", "amount", "cash"]
    return Statement(dispatch, table[order], before, energy_totals(dispatch))


def crossing_effect(statement: Statement) -> dict[str, float] | None:
    """What it changes that expected calls run through both registers, or None where none do.

    Returns
    -------
    dict of str to float
        "kwh" through each register beside what nets within its step; "amount", the bill's lines with it less the same
        lines without it (negative: a cost).
    """
    scenario, meter = statement.dispatch.scenario, statement.dispatch.flows.meter
    hours = scenario.timeline.step_hours
    if not np.any(meter.crossing_kw):
        return None
    terms = SettledTerms(scenario.data)
    netted = meter.crossed(-meter.crossing_kw, -meter.crossing_most_kw)
    both, one = (
        sum(float(np.sum(line.values)) for line in scenario.tariff.lines(flows, terms) if line.cash)
        for flows in (meter, netted)
    )
    return {"kwh": hours * float(np.sum(meter.crossing_kw)), "amount": both - one}


def before_flows(scenario: Scenario) -> MeterFlows:
    """What the meter sees without the system: load, what fed the DC loads then, solar that is there already.

    Existing solar gives way where a limit of the connection on export or imbalance asks for it. The reactive power that
    a contract derives from the load is the same in both cases.
    """
    site, data = scenario.site, scenario.data
    given = given_before_kw(site, data)
    nets = {}
    for phase in site.phase_names:
        nets[phase] = site.needs_before_kw(data, phase)
        for system in site.ac_solar:
            if system.existing:
                nets[phase] = nets[phase] - site.share(system, phase) * given[system.name]
    if site.phases == 1 or site.registers == "netted":
        total = sum(list(nets.values())[1:], nets[site.phase_names[0]])
        imported, exported = np.maximum(total, 0), np.maximum(-total, 0)
    else:
        imported = sum(np.maximum(net, 0) for net in nets.values())
        exported = sum(np.maximum(-net, 0) for net in nets.values())
    load = sum((site.load_kw(data, phase) for phase in site.phase_names), np.zeros(scenario.timeline.steps))
    return MeterFlows(imported, exported, imported, exported, load)


def energy_totals(dispatch: Dispatch) -> dict[str, float]:
    """Energy over the timeline, by name. [kWh]"""
    scenario, values, flows = dispatch.scenario, dispatch.values, dispatch.flows
    site, hours = scenario.site, scenario.timeline.step_hours
    data = scenario.data
    totals: dict[str, float] = {}
    totals["load"] = hours * sum(site.load_kw(data, phase).sum() for phase in site.phase_names)
    totals["flexible loads"] = 0.0
    for waiting in site.flexible_load:
        taken = hours * float(flows.flexible[waiting.name].power_kw.sum())
        totals["flexible loads"] += taken
        totals[f"flexible load {waiting.name}"] = taken
        totals[f"flexible load {waiting.name} before"] = hours * float(waiting.before_kw(data).sum())
    totals["DC load"] = float(site.dc_load_kw(data).sum()) * hours
    if any(load.before != "new" for load in site.dc_load):
        totals["taken for the DC load before"] = float(site.taken_before_kw(data).sum()) * hours
    totals["import"] = hours * flows.meter.import_kw.sum()
    totals["export"] = hours * flows.meter.export_kw.sum()
    available = used = 0.0
    for controller in site.solar_controller:
        available += hours * controller.available(data).sum()
        used += hours * values[of_controller(controller.name, "solar_kw")].sum()
    for system in site.ac_solar:
        available += hours * system.available(data).sum()
        used += hours * values[of_ac_solar(system.name, "solar_kw")].sum()
    totals["solar available"], totals["solar used"], totals["solar curtailed"] = (
        available,
        used,
        available - used,
    )
    for load in site.dc_load:
        if load.regenerated_kw is not None:
            taken = hours * values[of_dc_load(load.name, "regenerated_kw")].sum()
            totals["given back by DC loads"] = totals.get("given back by DC loads", 0.0) + taken
            burnt = hours * data.values(load.regenerated_kw).sum() - taken
            totals["burnt in DC loads' resistors"] = totals.get("burnt in DC loads' resistors", 0.0) + burnt
    totals["standby"] = standby_kw(site.inverter, scenario.storage) * scenario.timeline.hours
    totals["inverter losses"] = hours * sum(
        float((f.dc_draw_kw - f.output_kw + f.input_kw - f.dc_input_kw).sum())
        for f in flows.inverters.values()
    )
    activated = 0.0
    for bank in scenario.storage:
        flow = flows.banks[bank.name]
        totals[f"{bank.name} charge"] = hours * float(flow.taken_kw.sum())
        totals[f"{bank.name} discharge"] = hours * float(flow.given_kw.sum())
        totals[f"{bank.name} discharge for calls"] = hours * float(np.sum(flow.called_discharge_kw))
        totals[f"{bank.name} charge by calls"] = hours * float(np.sum(flow.called_charge_kw))
        change = float(flow.end_kwh[-1] - bank.start_kwh)
        totals[f"{bank.name} stored more at the end"] = change
        flow_losses = hours * float(
            (flow.taken_kw - flow.filling_kw + flow.draining_kw - flow.given_kw).sum()
        )
        leaked = float((flow.start_kwh - flow.kept_kwh).sum())
        totals[f"{bank.name} losses"] = flow_losses + leaked
        if bank.converter is not None:
            totals[f"{bank.name} converter losses"] = hours * float(
                (flow.charge_kw - flow.taken_kw + flow.given_kw - flow.discharge_kw).sum()
            )
        drained = float((flow.kept_kwh - flow.end_kwh).sum()) + hours * float(
            (flow.filling_kw - flow.draining_kw).sum()
        )
        activated += drained
    totals["delivered to activation, at the store"] = activated
    return {name: float(value) for name, value in totals.items()}
