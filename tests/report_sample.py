"""An invented run for trying out the report: numbers that agree with themselves, of no real place."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pandas as pd

from optimiser.report import Results
from optimiser.summary.run import BasisFigures, Summary
from optimiser.versions import LIBRARIES

CURRENCY = "AUD"
ZONE = "Australia/Sydney"
CAPACITY_KWH = 60.0
POWER_KW = 25.0
EFFICIENCY_FRACTION = 0.95
STANDBY_KW = 0.15
CAPITAL = 48_000.0
LIFE_YEARS = 15
UPKEEP = 250.0
DISCOUNT_FRACTION = 0.06
PHASE_SHARES = {"L1": 0.5, "L2": 0.3, "L3": 0.2}
SERVICES = {"raise": ("up", 0.006), "lower": ("down", 0.003)}
DEMAND_RATE_PER_KW = 9.5
FIXED_PER_DAY = 1.35
TAX_FRACTION = 0.10


def sample_results(days: int = 365, step_minutes: int = 30, start: str = "2025-01-01") -> Results:
    """A site with solar and two banks, worked by a plain rule; every figure is invented."""
    dispatch = sample_dispatch(days, step_minutes, start)
    statement = sample_statement(dispatch, step_minutes)
    return Results(summary_of(sample_summary(dispatch, statement, step_minutes)), dispatch, statement)


def summary_of(entries: dict[str, Any]) -> Summary:
    """A typed summary of plain entries."""
    return Summary.model_validate_json(json.dumps(entries))


def sample_dispatch(days: int, step_minutes: int, start: str) -> pd.DataFrame:
    """Powers, energy and prices of every step."""
    first = pd.Timestamp(start, tz=ZONE)
    last = pd.Timestamp(start) + pd.Timedelta(days=days)
    index = pd.date_range(first, last.tz_localize(ZONE), freq=f"{step_minutes}min", inclusive="left")
    hours = step_minutes / 60
    chance = np.random.default_rng(7)
    clock = (index.hour + index.minute / 60).to_numpy()
    season = np.cos(2 * np.pi * (index.day_of_year.to_numpy() - 10) / 365)
    cloud = chance.uniform(0.25, 1.0, days + 1)[np.cumsum(np.r_[0, np.diff(index.day_of_year) != 0])]
    load = 8 + 6 * np.exp(-((clock - 12.5) ** 2) / 18) + 5 * np.exp(-((clock - 18.5) ** 2) / 3)
    load *= np.where(index.day_of_week < 5, 1.0, 0.6) * (1 + 0.1 * season)
    load += chance.normal(0, 0.5, len(index)).clip(-1.5, 3)
    sun = np.sin(np.pi * (clock - 5.5) / (13 + 1.5 * season)).clip(0) * (clock > 5.5)
    available = 30 * sun * cloud * (0.8 + 0.2 * season)
    import_price = np.where(
        (clock >= 15) & (clock < 21), 0.42, np.where((clock >= 10) & (clock < 14), 0.16, 0.24)
    )
    import_price = import_price + chance.normal(0, 0.01, len(index))
    spikes = chance.random(len(index)) < 0.001
    export_price = np.where(sun > 0.5, 0.02, 0.08) - 0.06 * (chance.random(len(index)) < 0.02)
    import_price = np.where(spikes, import_price + chance.uniform(1, 12, len(index)), import_price)

    charge, discharge, stored, solar = (np.zeros(len(index)) for _ in range(4))
    held = 12.0
    for step in range(len(index)):
        use = load[step] + STANDBY_KW
        surplus = available[step] - use
        room = (CAPACITY_KWH - held) / EFFICIENCY_FRACTION / hours
        if surplus > 0 or import_price[step] < 0.18:
            charge[step] = min(POWER_KW, room, max(surplus, 8.0 if import_price[step] < 0.18 else 0.0))
        elif import_price[step] > 0.35:
            discharge[step] = min(POWER_KW, (held - 3) * EFFICIENCY_FRACTION / hours, max(-surplus, 0.0))
        solar[step] = min(available[step], use + charge[step] + 15.0)
        held += (charge[step] * EFFICIENCY_FRACTION - discharge[step] / EFFICIENCY_FRACTION) * hours
        stored[step] = held
    net = load + STANDBY_KW + charge - discharge - solar
    columns: dict[str, Any] = {
        "interval_start_local": [moment.isoformat() for moment in index],
        "site.load_kw": load,
        "site.solar_kw": solar,
        "site.solar_available_kw": available,
        "site.charge_kw": charge,
        "site.discharge_kw": discharge,
        "site.stored_kwh": stored,
        "meter.import_kw": net.clip(0),
        "meter.export_kw": (-net).clip(0),
        "price.import_per_kwh": import_price,
        "price.export_per_kwh": export_price,
        "worth.stored_per_kwh": np.where(stored > 30, 0.22, 0.30),
    }
    for phase, share in PHASE_SHARES.items():
        columns[f"phase.{phase}.load_kw"] = load * share
        columns[f"phase.{phase}.net_import_kw"] = net * share
    for bank, share in (("cells", 0.75), ("capacitors", 0.25)):
        columns[f"storage.{bank}.charge_kw"] = charge * share
        columns[f"storage.{bank}.discharge_kw"] = discharge * share
        columns[f"storage.{bank}.stored_kwh"] = stored * share
        columns[f"storage.{bank}.bus_voltage_v"] = 720 + 60 * stored / CAPACITY_KWH
    columns["inverter.main.output_kw"] = (solar + discharge - charge).clip(0)
    columns["inverter.main.input_kw"] = (charge - solar - discharge).clip(0)
    columns["controller.roof.solar_kw"] = solar
    columns["controller.roof.available_kw"] = available
    columns["service.raise.offer_kw"] = (POWER_KW - discharge).clip(0) * (stored > 10)
    columns["service.lower.offer_kw"] = (POWER_KW - charge).clip(0) * (stored < 50)
    frame = pd.DataFrame(columns, index=index.tz_convert("UTC"))
    frame.index.name = "interval_start"
    return frame


def sample_statement(dispatch: pd.DataFrame, step_minutes: int) -> pd.DataFrame:
    """The bill of each month, before (sun only) and after (sun and storage)."""
    hours = step_minutes / 60
    rows: list[dict[str, Any]] = []
    for period, part in dispatch.groupby(dispatch["interval_start_local"].str[:7]):
        plain = part["site.load_kw"] - part["site.solar_available_kw"]
        cases = {
            "before": (plain.clip(lower=0), (-plain).clip(lower=0)),
            "after": (part["meter.import_kw"], part["meter.export_kw"]),
        }
        for case, (taken, given) in cases.items():
            cost = float((taken * part["price.import_per_kwh"]).sum() * hours)
            income = float((given * part["price.export_per_kwh"]).sum() * hours)
            length = len(part) * hours / 24
            lines = [
                ("energy in", "Energy imported", taken.sum() * hours, "kWh", -cost, True),
                ("energy out", "Feed-in", given.sum() * hours, "kWh", income, True),
                ("demand", "Monthly demand", taken.max(), "kW", -DEMAND_RATE_PER_KW * taken.max(), True),
                ("fixed", "Supply charge", length, "days", -FIXED_PER_DAY * length, True),
            ]
            net = sum(line[4] for line in lines)
            lines.append(("tax", "Tax on the bill", -net, CURRENCY, TAX_FRACTION * net, True))
            if case == "after":
                for name, (_, price) in SERVICES.items():
                    offered = part[f"service.{name}.offer_kw"].sum() * hours
                    lines.append(("availability", f"Service {name}", offered, "kW·h", price * offered, True))
                moved = part["site.discharge_kw"].sum() * hours
                lines.append(("wear", "Wear of cells", moved, "kWh", -0.02 * moved, False))
                lines.append(("tie-break", "Tie-break", moved, "kWh", -1e-6 * moved, False))
            for group, line, quantity, unit, amount, cash in lines:
                rows.append(
                    {"case": case, "billing_period": period, "group": group, "line": line,
                     "quantity": float(quantity), "unit": unit, "amount": float(amount), "cash": cash}
                )  # fmt: skip
    return pd.DataFrame(rows)


def total(statement: pd.DataFrame, case: str, *, services: bool) -> float:
    """Sum of the cash amounts of a case, of services or of everything else."""
    chosen = statement["cash"] & (statement["case"] == case)
    chosen &= (statement["group"] == "availability") == services
    return math.fsum(statement.loc[chosen, "amount"])


def sample_summary(dispatch: pd.DataFrame, statement: pd.DataFrame, step_minutes: int) -> dict[str, Any]:
    """Everything else that the page shows."""
    hours = step_minutes / 60
    days = len(dispatch) * hours / 24
    bill_before = -total(statement, "before", services=False)
    bill_after = -total(statement, "after", services=False)
    services_income = total(statement, "after", services=True)
    scaled = abs(days - 365) > 1
    saving = (bill_before - bill_after + services_income) * (365 / days if scaled else 1)
    flow = cash_flow(saving)
    lines = (
        statement.groupby(["case", "group", "line", "cash"], sort=False)["amount"]
        .agg(math.fsum)
        .reset_index()
        .to_dict("records")
    )
    settled = -bill_after + services_income
    turnover = abs(bill_after) + services_income
    energy = {
        name: float(dispatch[column].sum() * hours)
        for name, column in (
            ("load", "site.load_kw"), ("solar", "site.solar_kw"), ("import", "meter.import_kw"),
            ("export", "meter.export_kw"), ("charge", "site.charge_kw"), ("discharge", "site.discharge_kw"),
        )
    }  # fmt: skip
    energy["curtailed"] = float(
        (dispatch["site.solar_available_kw"] - dispatch["site.solar_kw"]).sum() * hours
    )
    energy["standby"] = STANDBY_KW * len(dispatch) * hours
    gained = float(dispatch["site.stored_kwh"].iloc[-1]) - 12.0
    losses = energy["charge"] - energy["discharge"] - gained
    return {
        "run": "0123456789ab",
        "title": "Invented workshop with solar and two banks",
        "description": "A made-up workshop, to show what the page looks like. Storage follows a plain rule.",
        "invented": True,
        "currency": CURRENCY,
        "zone": ZONE,
        "start": dispatch["interval_start_local"].iloc[0],
        "end": dispatch["interval_start_local"].iloc[-1],
        "step_minutes": step_minutes,
        "steps": len(dispatch),
        "phases": len(PHASE_SHARES),
        "state": {"stage": "final", "searching": False, "waiting": [], "seconds": 12.0},
        "headline": {
            "bill_before": bill_before,
            "ceiling_bill_after": bill_after,
            "ceiling_saving": bill_before - bill_after + services_income,
            "ceiling_saving_per_year": saving,
            "ceiling_services_income": services_income,
            "capital_cost": CAPITAL,
            "ceiling_payback_years": CAPITAL / saving if saving > 0 else None,
            "ceiling_npv": flow[-1]["discounted_cumulative"],
            **{f"forecast_driven_{name}": None for name in BasisFigures.model_fields},
            "yearly_cost": UPKEEP,
            "discount_rate_fraction": DISCOUNT_FRACTION,
            "life_years": LIFE_YEARS,
            "rests_on": "ceiling",
            "bases": {
                "ceiling": "ceiling: perfect foresight, the whole run planned at once",
                "forecast_driven": None,
            },
            "scaled_to_year": scaled,
        },
        "lines": lines,
        "energy_kwh": energy,
        "balance": {
            "in": {"solar": energy["solar"], "import": energy["import"]},
            "out": {"load": energy["load"], "export": energy["export"], "losses": losses,
                    "standby": energy["standby"], "stored more than at the start": gained},
        },
        "services": [
            {
                "name": name,
                "direction": direction,
                "product": "",
                "rules": [],
                "source": "",
                "rules_as_of": "",
                "offered_kw_hours": float(dispatch[f"service.{name}.offer_kw"].sum() * hours),
                "paid": math.fsum(statement.loc[statement["line"] == f"Service {name}", "amount"]),
                "best_one_percent_share": share,
            }
            for (name, (direction, _)), share in zip(SERVICES.items(), (0.63, 0.02), strict=True)
        ],
        "storage": [
            {"name": "cells", "technology": "lithium cells", "capacity_kwh": 45.0,
             "cycles": energy["discharge"] / CAPACITY_KWH, "discharged_kwh": 0.75 * energy["discharge"],
             "discharged_for_calls_kwh": 0.0,
             "losses_kwh": 0.75 * losses},
            {"name": "capacitors", "technology": "double-layer capacitors", "capacity_kwh": 15.0,
             "cycles": energy["discharge"] / CAPACITY_KWH, "discharged_kwh": 0.25 * energy["discharge"],
             "discharged_for_calls_kwh": 0.0,
             "losses_kwh": 0.25 * losses},
        ],
        "proof": {
            "verdict": "proven",
            "route": "linear program, dual bound worked out apart from the solver",
            "bound": settled + 0.0004,
            "settled": settled,
            "gap_absolute": 0.0004,
            "gap_relative": 0.0004 / turnover,
            "turnover": turnover,
            "tolerance_relative": 1e-6,
            "primal_violation": 3.2e-9,
            "replay_violation": 0.0,
            "seconds_a_digit": None,
            "ended": "",
            "direction": {"tested_pairs": 3, "inverted_steps": 41, "binding_steps": 7,
                          "remaining_violations": 0},
        },
        "crossing": None,
        "cash_flow": flow,
        "appraisal": None,
        "studies": {},
        "warnings": ["Invented: one load value in March stands in for a missing one."],
        "approximations": ["The demand peak is taken at the step of the run, not at the meter's."],
        "data_notes": ["Load, solar and prices were drawn at random from a fixed seed."],
        "provenance": {
            "package_version": "0.1.0", "code_sha256": "3" * 64, "python": "3.11",
            **dict.fromkeys(LIBRARIES, "1.0"), "created_at": "2026-01-02T03:04:05+00:00",
            "scenario_sha256": "0" * 64, "files": {"load.csv": "1" * 64, "prices.csv": "2" * 64},
            "options": {"threads": 1, "window": "whole run"},
            "seconds": {"read": 0.41, "build": 2.2, "solve": 8.75, "settle": 0.3},
        },
    }  # fmt: skip


def cash_flow(saving: float) -> list[dict[str, Any]]:
    """Capital in year 0, then the saving less upkeep."""
    rows, cumulative, discounted = [], 0.0, 0.0
    for year in range(LIFE_YEARS + 1):
        amount = -CAPITAL if year == 0 else saving - UPKEEP
        cumulative += amount
        discounted += amount / (1 + DISCOUNT_FRACTION) ** year
        rows.append(
            {
                "year": year,
                "items": {},
                "amount": amount,
                "cumulative": cumulative,
                "discounted_cumulative": discounted,
            }
        )
    return rows
