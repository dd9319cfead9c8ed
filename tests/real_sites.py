"""Real homes at real prices behind invented plants and contracts, for measuring what controllers earn.

The data lie beside the checkout (`real_data`); they are put together in memory, a load of one year beside prices of
another by the day of the year, so sums are those of no real home. Half-hours of load are spread within themselves by a
stated, invented factor where steps are shorter. Plants, fees and rates are invented.
"""

from __future__ import annotations

import datetime
import functools
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import real_data as real
from test_oracle import base, made, span

from optimiser.scenario.file import Scenario

TAS1_FILE = real.DATA / "nem-5min-2022-tas1" / "PRICE_AND_DEMAND_2022_TAS1.csv.gz"
FILES = (*real.FILES, TAS1_FILE)
DAYS = 365
SPREAD = 0.35  # standard deviation of the logarithm of a load within its half-hour, invented
ARRAY_KWP = {"home": 6.6, "other home": 6.6, "three phases": 10.0}
RECORDED_KWP = 1.04  # of the array that the file's sun comes from, according to its author
CONTRACTS = ("flat", "two rates", "time-of-use and spot", "spot both ways")


@dataclass(frozen=True)
class Case:
    """A row of the table.

    Attributes
    ----------
    prices : str
        "SA1", "NSW1", "VIC1" (2024), "TAS1" (2022), "NL" (2024) or "ERCOT" (2023).
    contract : str
        One of CONTRACTS.
    site : str
        "home", "other home" or "three phases".
    step_minutes : int
    when : str
        When prices are known, as in the scenario's table.
    days : int
    """

    prices: str
    contract: str
    site: str = "home"
    step_minutes: int = 5
    when: str = "interval_start"
    days: int = DAYS

    @property
    def name(self) -> str:
        """In words."""
        known = {"interval_start": "", "day_ahead": ", known a day ahead", "after": ", known after"}[
            self.when
        ]
        return f"{self.prices}, {self.contract}{known}, {self.site}, {self.step_minutes} min"


@functools.cache
def prices(name: str, step_minutes: int) -> tuple[np.ndarray, np.ndarray]:
    """What a MWh costs and brings at wholesale in steps of a year, on a clock without summer time."""
    if name == "NL":
        table, own = real.dutch_prices(), 15
        short, long = table["short"].to_numpy(), table["long"].to_numpy()
    elif name == "ERCOT":
        short, own = pd.read_csv(real.POINTS_FILE)["LZ_AEN"].to_numpy(float), 60
        long = short
    else:
        file, own = (TAS1_FILE if name == "TAS1" else real.region_file(name)), 5
        short = pd.read_csv(file)["RRP"].to_numpy(float)
        long = short
    return _stepped(short, own, step_minutes), _stepped(long, own, step_minutes)


def _stepped(values: np.ndarray, own: int, wanted: int) -> np.ndarray:
    """Means of longer steps, or the same in shorter ones; a year of 365 days."""
    values = values[: DAYS * 24 * 60 // own]
    if wanted >= own:
        means: np.ndarray = values.reshape(-1, wanted // own).mean(axis=1)
        return means
    return np.repeat(values, own // wanted)


@functools.cache
def powers(site: str, step_minutes: int) -> tuple[np.ndarray, np.ndarray]:
    """Load of each phase, of shape (steps, phases), and sun of a year from 1 January on. [kW]"""
    home = pd.read_csv(real.HOME_FILE)
    half = 184 * 48  # the file runs from July to June
    turned = {
        name: np.concatenate([home[name].to_numpy()[half:], home[name].to_numpy()[:half]])[: DAYS * 48]
        for name in ("GC", "GG")
    }
    others = pd.read_csv(real.THREE_HOMES_FILE)
    load = {
        "home": turned["GC"][:, None],
        "other home": 2 * others[["h07"]].to_numpy(float),
        "three phases": 2 * others[["h05", "h08", "h11"]].to_numpy(float),
    }[site]
    sun = turned["GG"] * ARRAY_KWP[site] / RECORDED_KWP
    if step_minutes < 30:
        random = np.random.default_rng(1)
        load, sun = np.repeat(load, 30 // step_minutes, axis=0), np.repeat(sun, 30 // step_minutes)
        load = load * np.exp(random.normal(0.0, SPREAD, load.shape) - SPREAD**2 / 2)
    elif step_minutes > 30:
        load = load.reshape(-1, step_minutes // 30, load.shape[1]).mean(axis=1)
        sun = sun.reshape(-1, step_minutes // 30).mean(axis=1)
    return load, sun


def components(contract: str) -> list[dict[str, Any]]:
    """Of a contract's tariff; rates before a tax of 10 % on what is imported."""
    two_rates = {
        "kind": "energy_charge",
        "rates": [{"rate_per_kwh": 0.45, "when": {"from": "15:00", "to": "21:00"}}, {"rate_per_kwh": 0.28}],
    }
    spot_feed_in = {"kind": "spot_feed_in", "price_per_mwh": "data.gets", "fee_per_kwh": 0.01}
    return {
        "flat": [{"kind": "energy_charge", "rate_per_kwh": 0.24}, {"kind": "feed_in", "rate_per_kwh": 0.06}],
        "two rates": [two_rates, {"kind": "feed_in", "rate_per_kwh": 0.05}],
        "time-of-use and spot": [two_rates, spot_feed_in],
        "spot both ways": [
            {"kind": "spot_charge", "price_per_mwh": "data.pays", "fee_per_kwh": 0.14},
            spot_feed_in,
        ],
    }[contract]


def scenario(case: Case) -> Scenario:
    """The row as a scenario."""
    steps = case.days * 24 * 60 // case.step_minutes
    year = "2022" if case.prices == "TAS1" else "2023" if case.prices == "ERCOT" else "2024"
    timeline = span("Etc/GMT-10", f"{year}-01-01T00:00", case.step_minutes, steps)
    load, sun = powers(case.site, case.step_minutes)
    pays, gets = prices(case.prices, case.step_minutes)
    columns = {f"data.load{n}": load[:steps, n] for n in range(load.shape[1])}
    columns |= {"data.sun": sun[:steps], "data.pays": pays[:steps], "data.gets": gets[:steps]}
    raw = base(timeline)
    raw["timeline"] |= {
        "start": datetime.date(int(year), 1, 1),
        "days": case.days,
        "step_minutes": case.step_minutes,
    }
    raw["solve"] = {"gap_tolerance": 1e-4}
    phases = load.shape[1]
    size = 1 if phases == 1 else 2
    raw["site"] = {
        "phases": phases,
        "connection": {"import_limit_kw": 20.0 * size, "export_limit_kw": 5.0 * size},
        "load": [{"phase": f"L{n + 1}", "power_kw": f"data.load{n}"} for n in range(phases)],
        "ac_solar": [{"name": "roof", "phase": "L1" if phases == 1 else "all", "available_kw": "data.sun"}],
        "inverter": [
            {"name": "store", "phase": "L1" if phases == 1 else "all"}
            | {"output_kw": 5.0 * size, "input_kw": 5.0 * size}
            | {"output_efficiency": 0.97, "input_efficiency": 0.97}
        ],
    }
    if phases > 1:
        raw["site"]["registers"] = "netted"
    raw["storage"] = [
        {"kind": "battery", "name": "battery", "unit_kwh": 10.0, "units": size, "voltage_v": 51.2}
        | {"charge_kw": 5.2, "discharge_kw": 5.2, "charge_efficiency": 0.98, "discharge_efficiency": 0.98}
    ]
    raw["tariff"] = {"name": case.contract, "zone": timeline.zone, "component": components(case.contract)}
    raw["tariff"] |= {"tax_fraction": 0.1}
    if case.when != "interval_start" and "spot" in case.contract:
        names = sorted({"data.gets", *(["data.pays"] if case.contract == "spot both ways" else [])})
        raw["foresight"] = {"published": [{"of": name, "when": case.when} for name in names]}
    return made(raw, timeline, columns)
