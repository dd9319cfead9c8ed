"""Every warning: given where it is due with its numbers, and not given where it is not.

Numbers are products of the ratings planted (P = V I, elementary circuit theory; arithmetic, no source
needed). Loading breakers to 80 % in continuous duty is common practice, from memory. All sites are made up.
"""

from __future__ import annotations

import copy
import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet
import pytest
from conftest import write_site

import optimiser
from optimiser.fields import Component, quantity
from optimiser.scenario.checks.review import warnings
from optimiser.scenario.read import read_scenario, vary
from optimiser.series.table import side_text
from optimiser.starter import write_starter

SITE = """
title = "Made-up site"
invented = true
currency = "EUR"
[timeline]
start = 2025-01-01
days = 1
step_minutes = 60
zone = "UTC"
[site]
phases = 1
[site.connection]
import_limit_kw = 12.0
export_limit_kw = 12.0
[[site.load]]
power_kw = "data.load"
[[site.solar_controller]]
name = "roof"
available_kw_per_kwp = "data.sun"
size_kwp = 5.0
efficiency = 1.0
current_limit_a = 150.0
[[site.inverter]]
name = "inv"
phase = "L1"
output_kw = 4.5
input_kw = 4.5
output_efficiency = 0.9
input_efficiency = 0.9
standby_w = 1.0
dc_current_limit_a = 200.0
[[storage]]
kind = "capacitor_bank"
name = "bank"
unit_usable_kwh = 20.0
lowest_voltage_v = 40.0
highest_voltage_v = 50.0
charge_kw = 6.0
discharge_kw = 6.0
charge_current_a = 200.0
discharge_current_a = 200.0
self_discharge_per_day = 0.01
[tariff]
name = "spot"
zone = "UTC"
[[tariff.component]]
kind = "spot_charge"
price_per_mwh = "data.spot"
[[tariff.component]]
kind = "demand_charge"
rate_per_kw = 5.0
interval_minutes = 60
[[tariff.component]]
kind = "energy_charge"
rates = [{ rate_per_kwh = 0.3, when = { from = "07:00", to = "21:00" } }, { rate_per_kwh = 0.2 }]
"""
SERVICE = {"name": "up", "direction": "up", "sustain_hours": 1.0, "price": 5.0, "price_unit": "per_mw_hour"}


@pytest.fixture
def site(tmp_path: Path) -> Any:
    """A site on which only its standby deserves a word; called with changes by path, and columns."""

    def made(changes: dict[str, Any] | None = None, **columns: list[float]) -> list[str]:
        data = {"load": [1.0] * 24, "sun": [0.0] * 10 + [0.8] * 4 + [0.0] * 10, "spot": [80.0] * 24} | columns
        scenario = read_scenario(write_site(tmp_path, SITE, data))
        return warnings(vary(scenario, copy.deepcopy(changes)) if changes else scenario)

    return made


def test_a_sound_site_gets_only_its_standby(site):
    """1 W all year is 8.76 kWh."""
    assert site() == [
        "standby of inverters and storage is 1 W, 8.76 kWh a year; "
        "switch units off in idle hours where they allow it."
    ]


THREE = {
    "site.phases": 3,
    "site.registers": "netted",
    "site.connection.import_limit_kw": 40.0,
    "site.load.0.phase": "L1",
}
THREE_INVERTERS = [
    {"name": f"i{n}", "phase": f"L{n}", "output_kw": kw, "input_kw": kw, "standby_w": 20.0}
    for n, kw in ((1, 4.0), (2, 1.0), (3, 1.0))
]

PLANTED: dict[str, tuple[dict[str, Any], dict[str, list[float]], list[str]]] = {
    # 110 A at 40 V are 4.4 kW, at 50 V 5.5 kW; the array is 5 kW.
    "controller at low voltage": (
        {"site.solar_controller.0.current_limit_a": 110.0},
        {},
        ["site.solar_controller.0 (roof)", "110 A carry 4.4 kW at 40 V and 5.5 kW at 50 V", "at the lowest"],
    ),
    "controller at any voltage": (
        {"site.solar_controller.0.current_limit_a": 90.0},
        {},
        ["90 A carry 3.6 kW at 40 V and 4.5 kW at 50 V", "even at the highest"],
    ),
    # 4.5 kW / 0.9 are 5 kW; 115 A at 40 V are 4.6 kW.
    "breaker below the rating": (
        {"site.inverter.0.dc_current_limit_a": 115.0},
        {},
        ["DC breaker of 115 A carries 4.6 kW at 40 V", "needs 5 kW"],
    ),
    # 5 kW at 40 V are 125 A, more than 80 % of 150 A (120 A).
    "breaker above its continuous share": (
        {"site.inverter.0.dc_current_limit_a": 150.0},
        {},
        ["125 A at 40 V", "80% of its DC breaker of 150 A", "local code governs"],
    ),
    # 95 A at 40 V are 3.8 kW, the inverter draws 5 kW or 125 A.
    "bank's discharge current": (
        {"storage.0.discharge_current_a": 95.0},
        {},
        ["discharge current limit of 95 A", "carries 3.8 kW at 40 V", "5 kW on the DC side (125 A)"],
    ),
    # 4.5 kW x 0.9 are 4.05 kW, at 40 V 101.25 A.
    "bank's charge current": (
        {"storage.0.charge_current_a": 95.0},
        {},
        ["charge current limit of 95 A", "4.05 kW on the DC side (101.2 A)"],
    ),
    "import limit below the inverters": (
        {"site.connection.import_limit_kw": 4.0},
        {},
        ["site.connection.import_limit_kw is 4 kW at its lowest", "take in 4.5 kW"],
    ),
    "export limit below the inverters": (
        {"site.connection.export_limit_kw": 4.0},
        {},
        ["site.connection.export_limit_kw is 4 kW at its lowest", "give out 4.5 kW"],
    ),
    "ratings unbalanced": (
        THREE | {"site.inverter": THREE_INVERTERS},
        {},
        ["output ratings differ between phases (L1 4, L2 1, L3 1 kW)"],
    ),
    "load unbalanced": (
        THREE | {"site.inverter.0.phase": "all"},
        {},
        ["100% of the load's energy is on L1", "mean 1 of 1 kW"],
    ),
    "ratings beyond the imbalance limit": (
        THREE | {"site.inverter": THREE_INVERTERS, "site.connection.imbalance_limit_kw": 2.0},
        {},
        ["imbalance_limit_kw is 2 kW", "differ by 3 kW"],
    ),
    # 20 A x 230 V are 4.6 kW.
    "pass-through below the load": (
        {"site.inverter.0.pass_through_limit_a": 20.0},
        {"load": [1.0] * 23 + [5.0]},
        ["20 A pass 4.6 kW a phase", "peaks at 5 kW"],
    ),
    "pass-through below the connection": (
        {"site.inverter.0.pass_through_limit_a": 20.0},
        {},
        ["20 A pass 4.6 kW a phase", "import limit of 12 kW"],
    ),
    # 0.8 x 20 A x 230 V are 3.68 kW.
    "AC breaker below the rating": (
        {"site.inverter.0.ac_breaker_a": 20.0, "site.inverter.0.ac_breaker_continuous_share": 0.8},
        {},
        ["site.inverter.0.ac_breaker_a", "16 A carry 3.68 kW in all for hours", "its rating is 4.5 kW"],
    ),
    # Three phases of 0.8 x 5 A x 230 V each, 2.76 kW.
    "AC breaker of three phases": (
        THREE
        | {
            "site.inverter.0.phase": "all",
            "site.inverter.0.ac_breaker_a": 5.0,
            "site.inverter.0.ac_breaker_continuous_share": 0.8,
        },
        {},
        ["site.inverter.0.ac_breaker_a", "4 A carry 2.76 kW in all for hours", "stay below the rating"],
    ),
    # 0 kW of export, 1 kW of load and 6 kW of charging against 10 kW.
    "solar beyond export, load and charging": (
        {"site.connection.export_limit_kw": 0.0, "site.solar_controller.0.size_kwp": 10.0},
        {},
        ["export_limit_kw is 0 kW", "10 kW of solar", "curtailment is likely"],
    ),
    "solar beyond inverter and charging": (
        {"site.solar_controller.0.size_kwp": 11.0},
        {},
        ["11 kW of arrays on the DC bus against 4.5 kW of inverter output and 6 kW of charging"],
    ),
    "storage weaker than the inverters": (
        {"storage.0.discharge_kw": 2.0},
        {},
        ["discharge at most 2 kW", "move 5 kW"],
    ),
    "storage stronger than the inverters": (
        {"storage.0.discharge_kw": 20.0},
        {},
        ["discharge up to 20 kW", "only 5 kW"],
    ),
    # Three inverters at 20 W: 60 W x 8760 h.
    "standby of three inverters": (
        THREE | {"site.inverter": THREE_INVERTERS},
        {},
        ["60 W, 525.6 kWh a year"],
    ),
    "standby forgotten": ({"site.inverter.0.standby_w": 0.0}, {}, ["0 W", "526 kWh a year"]),
    "self-discharge forgotten": (
        {"storage.0.self_discharge_per_day": 0.0},
        {},
        ["storage.0.self_discharge_per_day (bank) is 0"],
    ),
    # 5 % of 20 kWh.
    "self-discharge high": (
        {"storage.0.self_discharge_per_day": 0.05},
        {},
        ["5.0%", "1 kWh a day", "365 kWh a year"],
    ),
    # 20 kWh at 40 kW each way: one cycle an hour, 24 a day; 1,000,000 / 24 / 365 = 114.2 years
    # (a million cycles: common practice, no source).
    "calendar ends a capacitor's life": (
        {
            "storage.0.charge_kw": 40.0,
            "storage.0.discharge_kw": 40.0,
            "storage.0.life": {"cycle_life": 1e6, "calendar_life_years": 15.0},
        },
        {},
        [
            "1,000,000 cycles last 114.2 years even at 24 full cycles a day",
            "calendar life of 15 years counts for more",
        ],
    ),
    # 3650 cycles over 20 years are half a cycle a day; at one a day they last 10 years.
    "cycles end a battery's life": (
        {"storage.0.life": {"cycle_life": 3650, "calendar_life_years": 20.0}},
        {},
        ["0.5 a day", "in 10 years"],
    ),
    "demand interval shorter than the step": (
        {"tariff.component.1.interval_minutes": 30},
        {},
        ["tariff.component.1.interval_minutes is 30 min, steps are 60 min", "understated"],
    ),
    # From 07:30 on is billed from 08:00 on: 30 min.
    "window's edge inside a step": (
        {"tariff.component.2.rates.0.when.from": "07:30"},
        {},
        ["tariff.component.2.rates.0.when.from is 07:30, inside a step of 60 min", "30 min"],
    ),
    "reserve's edge inside a step": (
        {"storage.0.reserve": [{"fraction": 0.1, "when": {"from": "17:15"}}]},
        {},
        ["storage.0.reserve.0.when.from is 17:15", "45 min"],
    ),
    "service never valid": (
        {"service": [SERVICE | {"valid_from": "2026-01-01"}]},
        {},
        ["service.0 (up) is valid from 2026-01-01", "outside the timeline", "never be sold"],
    ),
    "service without a whole block": (
        {"service": [SERVICE | {"block_minutes": 240, "when": {"from": "01:00", "to": "04:00"}}]},
        {},
        ["service.0 (up) is sold in no step"],
    ),
    "spot price per kWh": (
        {},
        {"spot": [0.08] * 24},
        ["tariff.component.0.price_per_mwh", "0.08", "multiply them by 1000"],
    ),
    "rate in cents": (
        {"tariff.component.2.rates.0.rate_per_kwh": 30.0},
        {},
        ["tariff.component.2.rates.0.rate_per_kwh", "is 30 EUR/kWh", "divide it by 100"],
    ),
    "load in watts": (
        {},
        {"load": [1500.0] * 24},
        ["site.load.0.power_kw reaches 1,500 kW", "12 kW", "in W"],
    ),
    "sun in watts": ({}, {"sun": [0.0, 800.0] * 12}, ["available_kw_per_kwp reaches 800 kW per kWp"]),
    # 14 kW and 13 kW against 12 kW.
    "load above the connection": (
        {},
        {"load": [1.0] * 22 + [14.0, 13.0]},
        ["site.load: without the system", "in 2 steps, by up to 2 kW (2025-01-01 22:00)"],
    ),
    # Planted from the list of what an outside examination typed in without a warning.
    "loss factor": (
        {"tariff.component.0.transmission_loss_factor": 23.0},
        {},
        ["tariff.component.0.transmission_loss_factor (marginal loss factor) is 23", "hardly meant"],
    ),
    "volts": (
        {"storage.0.highest_voltage_v": 51_000_000.0},
        {},
        ["storage.0.highest_voltage_v (highest voltage in use) is 51,000,000 V", "1,500 is usual"],
    ),
    "life of an age": (
        {"storage.0.life": {"cycle_life": 1e6, "calendar_life_years": 15_000.0}},
        {},
        ["storage.0.life.calendar_life_years", "is 15,000 years", "hardly meant"],
    ),
    "rate of a fortune": (
        {"tariff.component.2.rates.1.rate_per_kwh": 200_000.0},
        {},
        ["tariff.component.2.rates.1.rate_per_kwh", "is 200,000 EUR/kWh"],
    ),
    # 5 A at 50 V are 0.25 kW; 20 kWh take 80 hours.
    "current that strangles": (
        {"storage.0.charge_current_a": 5.0},
        {},
        [
            "storage.0.charge_current_a (bank): 5 A in all carry 0.25 kW",
            "take 80 hours to charge",
            "strangles",
        ],
    ),
    "nothing charged": (
        {"tariff.component": [{"kind": "daily_charge", "rate_per_day": 1.0}]},
        {},
        ["tariff: nothing is charged on import"],
    ),
    "no sun": ({}, {"sun": [0.0] * 24}, ["site.solar_controller.0 (roof) brings nothing"]),
}


@pytest.mark.parametrize("name", PLANTED)
def test_warning_is_given_with_its_numbers(site, name):
    """What is planted is told in one sentence that holds the place and the numbers."""
    changes, columns, words = PLANTED[name]
    if "valid_from" in str(changes):
        changes = copy.deepcopy(changes)
        changes["service"][0]["valid_from"] = np.datetime64(changes["service"][0]["valid_from"]).item()
    found = site(changes, **columns)
    matching = [sentence for sentence in found if all(part in sentence for part in words)]
    assert len(matching) == 1, found
    assert matching[0].endswith(".")
    assert "\n" not in matching[0]


def test_a_demand_charge_alone_is_a_charge_on_import(site):
    """Import that costs by its peak is not free, nor is one that is charged by the step."""
    for component in (
        {"kind": "demand_charge", "rate_per_kw": 5.0},
        {"kind": "energy_charge", "rate_per_kwh": 0.2},
    ):
        assert not [w for w in site({"tariff.component": [component]}) if "nothing is charged" in w]


def test_every_field_with_a_unit_of_the_list_has_its_plausible_range():
    """A new field of such a unit is warned of without a word more in `checks`."""

    class New(Component):
        bus_v: float = quantity("V", "voltage of the bus")
        own_v: float = quantity("V", "another", plausible=(10.0, 60.0))

    ranges = [field.json_schema_extra["plausible"] for field in New.model_fields.values()]
    assert [[1.0, 1500.0], [10.0, 60.0]] == ranges


def test_what_is_done_to_data_is_told_by_check_and_on_the_first_screen(tmp_path):
    """Redating, averaging and what the file itself notes, such as repairs: each a warning, on the page too.

    From the contract: all data notes of all sources.
    """
    write_starter(tmp_path / "home")
    file = tmp_path / "home" / "scenario.toml"
    starts = pd.date_range("2024-01-01", periods=366 * 48, freq="30min", tz="UTC")
    own = pa.table({"interval_start": starts, "load_kw": np.full(len(starts), 0.5)})
    notes = side_text(["3 missing intervals filled from the day before."])
    own = own.replace_schema_metadata({**(own.schema.metadata or {}), **notes})
    pyarrow.parquet.write_table(own, tmp_path / "home" / "repaired.parquet")
    words = file.read_text() + (
        "\n[source.repaired]\nfile = 'repaired.parquet'\nstamps = 'start'\nstep_minutes = 30\nzone = 'UTC'\n"
        "redate = 'season_and_weekday'\n"
    )
    file.write_text(words)
    scenario = vary(
        read_scenario(tmp_path / "home"), {"timeline.days": 2, "site.load.0.power_kw": "repaired.load_kw"}
    )
    made = optimiser.run(scenario, studies=())
    page = optimiser.write_results(made, tmp_path / "out")["report"].read_text(encoding="utf-8")
    for told in ("3 missing intervals filled from the day before.", "re-dated to the timeline"):
        (words,) = [w for w in warnings(scenario) if told in w]
        assert words.startswith("source.repaired: ")
        assert words in made.summary.warnings
        assert told in page.partition('id="answer"')[2].partition("</section>")[0]


def test_service_valid_in_part(site):
    """A product whose last day falls within the timeline earns for a part of it."""
    until = np.datetime64("2025-01-02").item()
    assert not [w for w in site({"service": [SERVICE | {"valid_until": until}]}) if "service" in w]
    found = site({"timeline.days": 1, "service": [SERVICE | {"valid_from": until}]})
    assert any("outside the timeline" in w for w in found)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["single-phase-home", "three-phase-bakery", "price-event-workshop"])
def test_shipped_scenarios_can_be_checked(name):
    """Every shipped scenario is checked without an error; all have standby, which is told."""
    found = warnings(read_scenario(Path(__file__).parents[1] / "scenarios" / name))
    assert any("standby" in sentence for sentence in found)


def test_dates_of_a_tariff_outside_the_timeline(site):
    """A component that is never charged and reads that cut nothing are said; those that meet the timeline are not."""
    late = datetime.date(2026, 1, 1)
    charge = {"kind": "daily_charge", "rate_per_day": 1.0, "valid_from": late}
    flat = {"kind": "energy_charge", "rate_per_kwh": 0.3}
    found = site({"tariff.component": [flat, charge], "tariff.billing": {"read_dates": [late]}})
    words = [w for w in found if w.startswith("tariff")]
    assert 2 == len(words)
    assert "tariff.component.1 (Supply) holds from 2026-01-01, outside the timeline" in words[0]
    assert "tariff.billing.read_dates lie outside the timeline" in words[1]
    inside = {"tariff.component": [flat, charge | {"valid_from": datetime.date(2025, 1, 1)}]}
    assert not [w for w in site(inside) if w.startswith("tariff")]
