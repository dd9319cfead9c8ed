"""A dispatch as a table: one row a step, and what its columns are called."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from optimiser.dispatch import Dispatch
from optimiser.equipment.storage import voltage_at


def dispatch_table(dispatch: Dispatch) -> pd.DataFrame:
    """One row a step: powers in kW, energies in kWh at the end of the step, prices per kWh.

    Returns
    -------
    DataFrame
        Indexed by `interval_start` in UTC, with the local start as text.
    """
    scenario, values, flows = dispatch.scenario, dispatch.values, dispatch.flows
    site, data = scenario.site, scenario.data
    steps = scenario.timeline.steps
    zero = np.zeros(steps)
    columns: dict[str, Any] = {}
    loads = {phase: site.load_kw(data, phase) for phase in site.phase_names}
    columns["site.load_kw"] = sum(loads.values(), zero)
    solar = {f"controller.{c.name}": c.available(data) for c in site.solar_controller}
    solar |= {f"ac_solar.{s.name}": s.available(data) for s in site.ac_solar}
    columns["site.solar_kw"] = sum((values[f"{name}.solar_kw"] for name in solar), zero)
    columns["site.solar_available_kw"] = sum(solar.values(), zero)
    banks = flows.banks
    columns["site.charge_kw"] = sum((f.taken_kw for f in banks.values()), zero)
    columns["site.discharge_kw"] = sum((f.given_kw for f in banks.values()), zero)
    columns["site.stored_kwh"] = sum((f.end_kwh for f in banks.values()), zero)
    columns["meter.import_kw"], columns["meter.export_kw"] = flows.meter.import_kw, flows.meter.export_kw
    if np.any(flows.meter.crossing_kw):
        columns["meter.crossing_kw"] = flows.meter.crossing_kw
    columns["price.import_per_kwh"] = scenario.tariff.import_price(data)
    columns["price.export_per_kwh"] = scenario.tariff.export_price(data)
    for name, worth in dispatch.worth_per_kwh.items():
        columns[f"worth.{name}.stored_per_kwh"] = worth
    if dispatch.worth_per_kwh:
        columns["worth.stored_per_kwh"] = next(iter(dispatch.worth_per_kwh.values()))
    for phase in site.phase_names:
        columns[f"phase.{phase}.load_kw"] = loads[phase]
        columns[f"phase.{phase}.net_import_kw"] = flows.phases[phase].net_import_kw
    if site.registers == "per_phase":
        for phase in site.phase_names:
            for way in ("import_kw", "export_kw"):
                crossing = flows.meter.crossing_kw / site.phases
                columns[f"phase.{phase}.{way}"] = values[f"meter.{phase}.{way}"] + crossing
    for name in flows.inverters:
        for way in ("output_kw", "input_kw"):
            columns[f"inverter.{name}.{way}"] = values[f"inverter.{name}.{way}"]
    for name, available in solar.items():
        columns[f"{name}.solar_kw"], columns[f"{name}.available_kw"] = values[f"{name}.solar_kw"], available
    for bank in scenario.storage:
        flow = banks[bank.name]
        columns[f"storage.{bank.name}.charge_kw"] = flow.taken_kw
        columns[f"storage.{bank.name}.discharge_kw"] = flow.given_kw
        if np.any(flow.worn_kw != flow.given_kw):
            columns[f"storage.{bank.name}.called_charge_kw"] = flow.called_charge_kw + zero
            columns[f"storage.{bank.name}.called_discharge_kw"] = flow.called_discharge_kw
        columns[f"storage.{bank.name}.stored_kwh"] = flow.end_kwh
        columns[f"storage.{bank.name}.bus_voltage_v"] = voltage_at(bank, flow.end_kwh)
    for offer in dispatch.offers:
        columns[f"service.{offer.product.name}.offer_kw"] = offer.offered_kw
        columns[f"service.{offer.product.name}.price_per_kw_h"] = offer.product.price_per_kw_hour(data)
    index = scenario.timeline.starts.rename("interval_start")
    table = pd.DataFrame({name: np.asarray(numbers, float) for name, numbers in columns.items()}, index=index)
    local = scenario.timeline.local()
    # Text, so that the hour that the clock repeats stays two different stamps.
    table.insert(0, "interval_start_local", pd.Index([stamp.isoformat() for stamp in local]))
    return table
