"""A dispatch as a table: one row a step, and what its columns are called."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from optimiser.columns import (
    CEILING_STORED,
    CHARGE,
    CROSSING,
    DISCHARGE,
    EXPORT,
    EXPORT_PRICE,
    FLEXIBLE,
    IMPORT,
    IMPORT_PRICE,
    LOAD,
    SOLAR,
    SOLAR_AVAILABLE,
    START,
    START_LOCAL,
    STORED,
    STORED_WORTH,
    of_ac_solar,
    of_bank,
    of_controller,
    of_dc_load,
    of_flexible,
    of_inverter,
    of_phase,
    of_register,
    of_service,
    worth_of,
)
from optimiser.dispatch import Dispatch
from optimiser.equipment.voltage import voltage_at


def beside_ceiling(paid: pd.DataFrame, ceiling: pd.DataFrame) -> pd.DataFrame:
    """The schedule that payback rests on, with what the ceiling holds in store; without columns that say nothing."""
    told = paid.dropna(axis="columns", how="all")
    return told.assign(**{CEILING_STORED: ceiling[STORED]}) if STORED in ceiling else told


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
    columns[LOAD] = sum(loads.values(), zero)
    if flows.flexible:
        columns[FLEXIBLE] = sum((f.power_kw for f in flows.flexible.values()), zero)
    solar = [(partial(of_controller, c.name), c.available(data)) for c in site.solar_controller]
    solar += [(partial(of_ac_solar, s.name), s.available(data)) for s in site.ac_solar]
    columns[SOLAR] = sum((values[of("solar_kw")] for of, _ in solar), zero)
    columns[SOLAR_AVAILABLE] = sum((available for _, available in solar), zero)
    banks = flows.banks
    columns[CHARGE] = sum((f.taken_kw for f in banks.values()), zero)
    columns[DISCHARGE] = sum((f.given_kw for f in banks.values()), zero)
    columns[STORED] = sum((f.end_kwh for f in banks.values()), zero)
    columns[IMPORT], columns[EXPORT] = flows.meter.import_kw, flows.meter.export_kw
    if np.any(flows.meter.crossing_kw):
        columns[CROSSING] = flows.meter.crossing_kw
    columns[IMPORT_PRICE] = scenario.tariff.import_price(data)
    columns[EXPORT_PRICE] = scenario.tariff.export_price(data)
    for name, worth in dispatch.worth_per_kwh.items():
        columns[worth_of(name)] = worth
    if dispatch.worth_per_kwh:
        columns[STORED_WORTH] = next(iter(dispatch.worth_per_kwh.values()))
    for phase in site.phase_names:
        columns[of_phase(phase, "load_kw")] = loads[phase]
        columns[of_phase(phase, "net_import_kw")] = flows.phases[phase].net_import_kw
    if site.registers == "per_phase":
        for phase in site.phase_names:
            for way in ("import_kw", "export_kw"):
                crossing = flows.meter.crossing_kw / site.phases
                columns[of_phase(phase, f"{way}")] = values[of_register(phase, f"{way}")] + crossing
    for name in flows.inverters:
        for way in ("output_kw", "input_kw"):
            columns[of_inverter(name, f"{way}")] = values[of_inverter(name, f"{way}")]
    for of, available in solar:
        columns[of("solar_kw")], columns[of("available_kw")] = values[of("solar_kw")], available
    for dc_load in site.dc_load:
        columns[of_dc_load(dc_load.name, "power_kw")] = data.values(dc_load.power_kw)
        if dc_load.regenerated_kw is not None:
            name = of_dc_load(dc_load.name, "regenerated_kw")
            columns[name] = values[name]
    for bank in scenario.storage:
        flow = banks[bank.name]
        columns[of_bank(bank.name, "charge_kw")] = flow.taken_kw
        columns[of_bank(bank.name, "discharge_kw")] = flow.given_kw
        if np.any(flow.worn_kw != flow.given_kw):
            columns[of_bank(bank.name, "called_charge_kw")] = flow.called_charge_kw + zero
            columns[of_bank(bank.name, "called_discharge_kw")] = flow.called_discharge_kw
        columns[of_bank(bank.name, "stored_kwh")] = flow.end_kwh
        columns[of_bank(bank.name, "bus_voltage_v")] = voltage_at(bank, flow.end_kwh)
    for load in site.flexible_load:
        columns[of_flexible(load.name, "power_kw")] = flows.flexible[load.name].power_kw
        columns[of_flexible(load.name, "before_kw")] = load.before_kw(data)
        columns[of_flexible(load.name, "stored_kwh")] = flows.flexible[load.name].stored_kwh
    for offer in dispatch.offers:
        columns[of_service(offer.product.name, "offer_kw")] = offer.offered_kw
        columns[of_service(offer.product.name, "price_per_kw_h")] = offer.product.price_per_kw_hour(data)
    index = scenario.timeline.starts.rename(START)
    table = pd.DataFrame({name: np.asarray(numbers, float) for name, numbers in columns.items()}, index=index)
    local = scenario.timeline.local()
    # Text, so that the hour that the clock repeats stays two different stamps.
    table.insert(0, START_LOCAL, pd.Index([stamp.isoformat() for stamp in local]))
    return table
