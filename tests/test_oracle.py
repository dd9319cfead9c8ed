"""The tiled linear program against the slow oracle, entry by entry.

The oracle is the same formulation stated by Pyomo over the whole horizon with numbers in place: its own
standard form and its own HiGHS interface are the references from outside (Bynum et al., "Pyomo - Optimization
Modeling in Python", 3rd ed., Springer 2021). All data here are made up from a fixed seed.
"""

from __future__ import annotations

import datetime
import functools
from collections.abc import Callable, Iterable
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pyomo.environ as pyo
import pytest
from pyomo.common.gc_manager import PauseGC
from pyomo.contrib.appsi.solvers import Highs as PyomoHighs
from pyomo.repn.plugins.standard_form import LinearStandardFormCompiler
from scipy import sparse

from optimiser.engine.pattern import compile_pattern
from optimiser.engine.solver import Highs
from optimiser.engine.tiling import Problem, tile
from optimiser.formulation import formulate
from optimiser.scenario.file import Scenario, ScenarioFile
from optimiser.terms.program import LpTerms
from optimiser.timeline import Grouping, Timeline

TOLERANCE = 1e-12

# --- small cases ------------------------------------------------------------------------------------------


def span(zone: str, start: str, step_minutes: int, steps: int) -> Timeline:
    """A timeline from a local start."""
    first = datetime.datetime.fromisoformat(start).replace(tzinfo=ZoneInfo(zone))
    return Timeline(first, step_minutes, steps, zone)


# Summer time starts on 30 March 2025 at 02:00 in Berlin; the month ends two days later.
SPRING = span("Europe/Berlin", "2025-03-29T20:00", 120, 29)
# Summer time ends on 6 April 2025 at 03:00 in Sydney; starts in the last hours of March.
AUTUMN = span("Australia/Sydney", "2025-03-31T19:00", 60, 138)
# Morocco leaves its summer time for Ramadan only, 23 February to 6 April 2025 (tz database), so that
# forty-six days hold two clock changes and three billing periods.
RAMADAN = span("Africa/Casablanca", "2025-02-20T08:00", 240, 277)


def block_minutes(timeline: Timeline) -> int:
    """A block of several steps: 4 h of hourly steps, longer ones of longer steps, dividing a day."""
    return {60: 240, 120: 480, 240: 720}[timeline.step_minutes]


def test_spans_hold_what_they_are_chosen_for():
    """The three timelines cross month ends, clock changes and cut the last block, by the tz database."""

    def changes(timeline: Timeline) -> int:
        offsets = [stamp.utcoffset() for stamp in timeline.local()]
        return sum(one != other for one, other in pairwise(offsets))

    def months(timeline: Timeline) -> int:
        return timeline.groups(Grouping("month", timeline.zone)).count

    assert [changes(t) for t in (SPRING, AUTUMN, RAMADAN)] == [1, 1, 2]
    assert [months(t) for t in (SPRING, AUTUMN, RAMADAN)] == [2, 2, 3]
    for timeline in (SPRING, AUTUMN, RAMADAN):
        step, minutes = timeline.step_minutes, block_minutes(timeline)
        sizes = timeline.groups(Grouping("block", timeline.zone, minutes, step)).sizes
        assert sizes[-1] * step < minutes


def data(timeline: Timeline, seed: int) -> dict[str, np.ndarray]:
    """Loads, sun and prices without pattern or symmetry, prices often inverted and sometimes negative."""
    random = np.random.default_rng(seed)
    steps = timeline.steps
    hour = np.asarray(timeline.local().hour) + 0.5
    sun = np.maximum(0, np.cos((hour - 12) * np.pi / 12)) * random.uniform(0.2, 1, steps)
    columns = {f"d.load{n}": random.uniform(0.2, 3, steps) for n in (1, 2, 3)}
    columns["d.sun"] = sun
    columns["d.dc_load"] = random.uniform(0, 0.2, steps)
    for n in (1, 2, 3, 4):
        columns[f"d.price{n}"] = random.uniform(-5, 40, steps)
    columns["d.spot"] = random.uniform(-200, 600, steps)
    columns["d.export_limit"] = random.choice([3.0, 8.0, 12.0], steps)
    columns["d.performance"] = 1.2 + random.uniform(0, 2.0, steps)
    return {name: np.round(values, 6) for name, values in columns.items()}


def base(timeline: Timeline) -> dict[str, Any]:
    """The least that every case has: a load, an inverter, a battery with limits and self-discharge, a flat
    rate."""
    return {
        "title": "small case",
        "invented": True,
        "currency": "EUR",
        "timeline": {
            "start": datetime.date(2025, 1, 1),
            "days": 1,
            "step_minutes": 60,
            "zone": timeline.zone,
        },
        "site": {
            "phases": 1,
            "connection": {"import_limit_kw": 25.0, "export_limit_kw": 11.0},
            "load": [{"phase": "L1", "power_kw": "d.load1"}],
            "inverter": [_inverter("a", "L1")],
        },
        "storage": [
            {
                "kind": "battery",
                "name": "main",
                "unit_kwh": 9.0,
                "charge_kw": 4.0,
                "discharge_kw": 4.5,
                "charge_efficiency": 0.96,
                "discharge_efficiency": 0.95,
                "self_discharge_per_day": 0.01,
                "voltage_v": 50.0,
                "standby_w": 11.0,
                "wear_per_kwh": 0.013,
            }
        ],
        "tariff": {
            "name": "made up",
            "zone": timeline.zone,
            "tax_fraction": 0.1,
            "component": [
                {"kind": "energy_charge", "rate_per_kwh": 0.31},
                {"kind": "feed_in", "rate_per_kwh": 0.06},
            ],
        },
        "service": [],
    }


def _inverter(name: str, phase: str) -> dict[str, Any]:
    return {
        "name": name,
        "phase": phase,
        "output_kw": 5.0,
        "input_kw": 4.0,
        "output_efficiency": 0.94,
        "input_efficiency": 0.93,
        "standby_w": 20.0,
    }


def _product(name: str, direction: str, price: str, **more: Any) -> dict[str, Any]:
    return {
        "name": name,
        "direction": direction,
        "sustain_hours": 0.5,
        "price": price,
        "price_unit": "per_mw_hour",
        "site_share": 0.8,
    } | more


def _three_phases(raw: dict[str, Any], registers: str | None = None) -> None:
    site = raw["site"]
    if site["phases"] == 1:
        site["phases"] = 3
        site["registers"] = "netted"
        site["load"] = [{"phase": f"L{n}", "power_kw": f"d.load{n}"} for n in (1, 2, 3)]
        site["inverter"] = [_inverter("a", "L1"), _inverter("b", "L2"), _inverter("c", "all")]
    if registers:
        site["registers"] = registers


def _bank(name: str, **more: Any) -> dict[str, Any]:
    return {
        "kind": "battery",
        "name": name,
        "unit_kwh": 6.0,
        "units": 2,
        "charge_kw": 2.0,
        "discharge_kw": 2.0,
        "voltage_v": 48.0,
        "converter": {"rating_kw": 3.5, "efficiency": 0.97},
    } | more


def capacitor(raw: dict[str, Any], timeline: Timeline) -> None:
    """The bank on the bus becomes one of capacitors, with current limits of its own, of a breaker and a
    controller."""
    raw["storage"][0] = {
        "kind": "capacitor_bank",
        "name": "main",
        "units": 2,
        "unit_usable_kwh": 4.0,
        "lowest_voltage_v": 42.0,
        "highest_voltage_v": 54.0,
        "charge_kw": 3.0,
        "discharge_kw": 3.0,
        "charge_efficiency": 0.99,
        "charge_current_a": 60.0,
        "discharge_current_a": 62.0,
    }
    raw["site"]["inverter"][0]["dc_current_limit_a"] = 90.0
    raw["site"]["solar_controller"] = [
        {"name": "roof", "available_kw_per_kwp": "d.sun", "size_kwp": 4.0, "current_limit_a": 60.0}
    ]
    raw["site"]["dc_load"] = [
        {
            "name": "racks",
            "power_kw": "d.dc_load",
            "before": "rectifier",
            "before_efficiency": 0.9,
            "before_phase": "L1",
        },
        {
            "name": "truck",
            "power_kw": 0.05,
            "regenerated_kw": "d.sun",
            "before": "new",
            "peak_a": 60.0,
            "peak_seconds": 20.0,
            "least_terminal_v": 42.0,
            "peak_when": {"from": "06:00", "to": "20:00"},
            "cable_ohm": 0.01,
        },
    ]


def capacitor_resistance(raw: dict[str, Any], timeline: Timeline) -> None:
    """Capacitors behind a resistance, whose losses follow their voltage."""
    raw["storage"][0] = {
        "kind": "capacitor_bank",
        "name": "main",
        "units": 2,
        "unit_usable_kwh": 2.5,
        "lowest_voltage_v": 29.0,
        "highest_voltage_v": 56.0,
        "charge_kw": 3.0,
        "discharge_kw": 4.2,
        "charge_efficiency": 0.99,
        "discharge_efficiency": 0.985,
        "charge_current_a": 100.0,
        "discharge_current_a": 140.0,
        "resistance_ohm": 0.018,
        "self_discharge_per_day": 0.02,
    }


def measured(raw: dict[str, Any], timeline: Timeline) -> None:
    """A bank behind a converter whose losses are given at measured powers."""
    points = [(0.5, 0.95), (1.2, 0.93), (2.0, 0.88)]
    raw["storage"].append(
        _bank("measured", measured_points=[{"power_kw": p, "round_trip_efficiency": e} for p, e in points])
    )


def resistance(raw: dict[str, Any], timeline: Timeline) -> None:
    """A bank whose losses rise with power."""
    raw["storage"].append(_bank("resistive", resistance_ohm=0.02, charge_efficiency=0.99))


def converter(raw: dict[str, Any], timeline: Timeline) -> None:
    """A lossless bank that ends fuller than it starts and is held to its warranty."""
    life = {"cycle_life": 5000.0, "calendar_life_years": 15.0, "keep_warranty": True}
    life |= {"warranted_cycles_per_year": 250.0, "warranted_kwh_per_year": 900.0}
    raw["storage"].append(_bank("behind", start_fraction=0.2, end_fraction=0.4, life=life))


def ac_solar(raw: dict[str, Any], timeline: Timeline) -> None:
    """Solar on the AC side, and some that is there already and that nobody commands."""
    raw["site"]["ac_solar"] = [
        {"name": "shed", "available_kw_per_kwp": "d.sun", "size_kwp": 5.0, "rating_kw": 3.8},
        {"name": "old roof", "available_kw_per_kwp": "d.sun", "size_kwp": 9.0, "existing": True},
    ]


def per_phase(raw: dict[str, Any], timeline: Timeline) -> None:
    """Registers of each phase."""
    _three_phases(raw, "per_phase")


def netted(raw: dict[str, Any], timeline: Timeline) -> None:
    """Three phases that the meter nets."""
    _three_phases(raw, "netted")


def imbalance(raw: dict[str, Any], timeline: Timeline) -> None:
    """A limit to the difference of phases."""
    _three_phases(raw)
    raw["site"]["connection"]["imbalance_limit_kw"] = 6.0


def phase_limits(raw: dict[str, Any], timeline: Timeline) -> None:
    """Limits of each phase, and a limit of the connection that moves."""
    _three_phases(raw)
    raw["site"]["connection"] |= {
        "import_limit_kw_per_phase": 8.0,
        "export_limit_kw_per_phase": 4.5,
        "export_limit_kw": "d.export_limit",
    }


def pass_through(raw: dict[str, Any], timeline: Timeline) -> None:
    """An inverter in line, with a part of the load elsewhere."""
    raw["site"]["inverter"][0] |= {"pass_through_limit_a": 35.0, "backed_up_share": 0.7}


def ac_breaker(raw: dict[str, Any], timeline: Timeline) -> None:
    """A breaker in the supply of an inverter beside the loads."""
    raw["site"]["inverter"][0] |= {"ac_breaker_a": 12.0, "ac_breaker_continuous_share": 0.8}


def demand(raw: dict[str, Any], timeline: Timeline) -> None:
    """One demand charge over slots of two steps in a window, and one of single steps."""
    raw["tariff"]["component"] += [
        {
            "kind": "demand_charge",
            "name": "slots",
            "rate_per_kw": 7.0,
            "interval_minutes": 2 * timeline.step_minutes,
            "when": {"from": "08:00", "to": "20:00"},
        },
        {
            "kind": "demand_charge",
            "name": "steps",
            "rate_per_kw": 1.5,
            "interval_minutes": timeline.step_minutes,
        },
    ]


def time_of_use(raw: dict[str, Any], timeline: Timeline) -> None:
    """Rates by the hour, both ways."""
    evening = {"days": ["workday"], "from": "16:00", "to": "22:00"}
    raw["tariff"]["component"][0] = {
        "kind": "energy_charge",
        "rates": [
            {"name": "evening", "rate_per_kwh": 0.45, "when": evening},
            {"name": "rest", "rate_per_kwh": 0.2},
        ],
    }
    raw["tariff"]["component"][1] = {
        "kind": "feed_in",
        "rates": [
            {"name": "night", "rate_per_kwh": -0.01, "when": {"from": "22:00", "to": "06:00"}},
            {"name": "rest", "rate_per_kwh": 0.08},
        ],
    }


def spot(raw: dict[str, Any], timeline: Timeline) -> None:
    """Spot prices both ways."""
    raw["tariff"]["component"] += [
        {
            "kind": "spot_charge",
            "price_per_mwh": "d.spot",
            "fee_per_kwh": 0.05,
            "distribution_loss_factor": 1.04,
        },
        {"kind": "spot_feed_in", "price_per_mwh": "d.spot", "fee_per_kwh": 0.01},
    ]


def volumes(raw: dict[str, Any], timeline: Timeline) -> None:
    """Blocks that get dearer, blocks that get cheaper within a window, and a rebate that the volume picks."""
    raw["tariff"]["component"] += [
        {
            "kind": "block_charge",
            "name": "rising",
            "blocks": [{"up_to_kwh": 3.0, "rate_per_kwh": 0.02}, {"rate_per_kwh": 0.05}],
            "ends_per": "day",
        },
        {
            "kind": "block_charge",
            "name": "falling",
            "blocks": [
                {"up_to_kwh": 40.0, "rate_per_kwh": 0.06},
                {"up_to_kwh": 200.0, "rate_per_kwh": 0.03},
                {"rate_per_kwh": 0.01},
            ],
            "when": {"from": "10:00", "to": "23:00"},
        },
        {
            "kind": "volume_charge",
            "name": "rebate",
            "blocks": [{"up_to_kwh": 150.0, "rate_per_kwh": -0.02}, {"rate_per_kwh": 0.0}],
        },
    ]


def tiers(raw: dict[str, Any], timeline: Timeline) -> None:
    """Export in tiers of each day, one way round and the other, and a charge above a free level."""
    raw["tariff"]["component"] += [
        {
            "kind": "tiered_feed_in",
            "name": "first",
            "blocks": [{"up_to_kwh": 2.0, "rate_per_kwh": 0.09}, {"rate_per_kwh": 0.02}],
        },
        {
            "kind": "tiered_feed_in",
            "name": "later",
            "blocks": [{"up_to_kwh": 3.0, "rate_per_kwh": 0.01}, {"rate_per_kwh": 0.04}],
        },
        {
            "kind": "subscribed_capacity",
            "subscribed_kw": 2.5,
            "rate_per_kw": 1.0,
            "excess_rate_per_kwh": 0.2,
            "interval_minutes": 2 * timeline.step_minutes,
            "when": {"from": "05:00", "to": "20:00"},
        },
        {
            "kind": "export_charge",
            "rate_per_kwh": 0.03,
            "free_kwh": 20.0,
            "when": {"from": "10:00", "to": "16:00"},
        },
    ]


def peaks(raw: dict[str, Any], timeline: Timeline) -> None:
    """Apparent power, the mean of the highest with and without different days, a ratchet, a fee by steps."""
    step = timeline.step_minutes
    raw["tariff"]["component"] += [
        {
            "kind": "apparent_demand_charge",
            "rate_per_kva": 2.0,
            "reactive_kvar": "d.load2",
            "interval_minutes": 2 * step,
            "when": {"from": "06:00", "to": "22:00"},
        },
        {
            "kind": "demand_charge",
            "name": "highest days",
            "rate_per_kw": 0.1,
            "rate_basis": "day",
            "interval_minutes": 2 * step,
            "highest": 3,
            "distinct_days": True,
            "ratchet": {"fraction": 0.8, "periods": 3, "past_peaks": [4.0, 2.0]},
        },
        {
            "kind": "demand_charge",
            "name": "highest steps",
            "rate_per_kw": 0.7,
            "interval_minutes": step,
            "highest": 4,
            "at_least_kw": 1.0,
            "pro_rata": True,
        },
        {
            "kind": "capacity_fee",
            "interval_minutes": step,
            "highest": 2,
            "distinct_days": True,
            "steps": [{"up_to_kw": 2.0, "fee": 3.0}, {"up_to_kw": 5.0, "fee": 8.0}, {"fee": 20.0}],
        },
    ]


def minimum(raw: dict[str, Any], timeline: Timeline) -> None:
    """A least bill over charges of every kind of grouping, with tax said in every way and dates."""
    middle = timeline.local()[timeline.steps // 2].date()
    raw["tariff"]["component"] += [
        {
            "kind": "controlled_load",
            "load_kw": "d.load3",
            "rates": [
                {"rate_per_kwh": 0.1, "when": {"from": "22:00", "to": "06:00"}},
                {"rate_per_kwh": 0.2},
            ],
            "rate_per_day": 0.1,
            "tax_included": True,
        },
        {"kind": "period_charge", "rate_per_period": 5.0, "valid_from": middle, "tax_fraction": 0.2},
        {
            "kind": "spot_charge",
            "name": "until then",
            "price_per_mwh": "d.spot",
            "fees": [{"name": "scheme", "rate_per_kwh": 0.01, "with_losses": True}],
            "valid_until": middle,
        },
        {"kind": "minimum_charge", "at_least_per_period": 400.0, "compared_with": "bill"},
    ]


def reads(raw: dict[str, Any], timeline: Timeline) -> None:
    """Bills between reads of the meter; public holidays; a season across the new year."""
    local = timeline.local()
    raw["tariff"]["billing"] = {
        "read_dates": [local[timeline.steps // 3].date() + datetime.timedelta(days=1)]
    }
    raw["tariff"]["holidays"] = "AU-SA"
    raw["tariff"]["further_holidays"] = [local[timeline.steps // 2].date()]
    raw["tariff"]["component"] += [
        {
            "kind": "energy_charge",
            "name": "season",
            "rates": [
                {
                    "rate_per_kwh": 0.1,
                    "when": {"first_day": "11-01", "last_day": "03-31", "days": ["workday"], "from": "07:00"},
                },
                {"rate_per_kwh": 0.02},
            ],
        }
    ]


def versions(raw: dict[str, Any], timeline: Timeline) -> None:
    """Demand, fees and least bills that change within a bill, between reads of which the outer ones are missing."""
    local = timeline.local()
    middle = local[timeline.steps // 2].date()
    raw["tariff"]["billing"] = {
        "read_dates": [
            local[step].date() + datetime.timedelta(days=1) for step in (3, timeline.steps * 2 // 3)
        ]
    }
    dates = {"old": {"valid_until": middle}, "new": {"valid_from": middle}}
    step = timeline.step_minutes
    ratchet = {"fraction": 0.9, "periods": 2, "past_peaks": [3.0]}
    steps = [{"up_to_kw": 3.0, "fee": 4.0}, {"fee": 9.0}]
    raw["tariff"]["component"] += [
        {"name": name, "kind": "demand_charge", "interval_minutes": 2 * step, **more, **dates[name]}
        for name, more in (
            ("old", {"rate_per_kw": 2.0, "ratchet": ratchet}),
            ("new", {"rate_per_kw": 3.0, "peak_of": "own_days", "highest": 2}),
        )
    ]
    raw["tariff"]["component"] += [
        {"name": "later", "kind": "demand_charge", "rate_per_kw": 1.0, "ratchet": ratchet, **dates["new"]},
        {"name": "fee new", "kind": "capacity_fee", "steps": steps, "top_included": False, "pro_rata": True}
        | dates["new"],
        {"name": "least old", "kind": "minimum_charge", "at_least_per_period": 90.0, **dates["old"]},
        {"name": "least new", "kind": "minimum_charge", "at_least_per_period": 80.0, **dates["new"]},
    ]


def daily(raw: dict[str, Any], timeline: Timeline) -> None:
    """A fixed charge."""
    raw["tariff"]["component"].append({"kind": "daily_charge", "rate_per_day": 1.1})


def up(raw: dict[str, Any], timeline: Timeline) -> None:
    """A product that gives power."""
    raw["service"].append(
        _product("up", "up", "d.price1", derating=0.9, when={"from": "06:00", "to": "23:00"})
    )


def down(raw: dict[str, Any], timeline: Timeline) -> None:
    """A product that takes power and holds some of the other direction."""
    raw["service"].append(_product("down", "down", "d.price2", opposite_headroom_share=0.2))


def symmetric(raw: dict[str, Any], timeline: Timeline) -> None:
    """A product of both directions, part of the load counting as firm."""
    raw["service"].append(_product("both", "symmetric", "d.price3", most_kw=3.0, opposite_headroom_share=0.1))
    raw["site"]["firm_load_fraction"] = 0.3


def shared(raw: dict[str, Any], timeline: Timeline) -> None:
    """Three products of one group, two of them bundled and one not."""
    raw["service"] += [
        _product("fast", "up", "d.price1", response_group="together"),
        _product("slow", "up", "d.price2", response_group="together", sustain_hours=1.0),
        _product("less", "up", "d.price4", response_group="together", derating=0.8),
    ]


def blocks(raw: dict[str, Any], timeline: Timeline) -> None:
    """An offer constant over some steps of the clock, blocks that do not start at midnight."""
    step = timeline.step_minutes
    raw["service"].append(
        _product(
            "block",
            "down",
            "d.price3",
            price_unit="per_mw_block",
            block_minutes=block_minutes(timeline),
            block_start=f"{step // 60:02d}:00",
        )
    )


def bids(raw: dict[str, Any], timeline: Timeline) -> None:
    """A product in blocks, bid by the site in steps and not below a least amount."""
    rules = {
        "least_bid_kw": 2.0,
        "bid_step_kw": 0.75,
        "bid_by": "site",
        "block_minutes": block_minutes(timeline),
    }
    raw["service"].append(_product("stepped", "up", "d.price2", **rules))


def auctions(raw: dict[str, Any], timeline: Timeline) -> None:
    """A product paid as bid where its bid clears, and one that must win back what an activation takes."""
    raw["service"] += [
        _product("bid", "up", "d.price3", pricing="pay_as_bid", bid_price="d.price4"),
        _product("won back", "down", "d.price2", recovery_share=0.2, recovery_minutes=30, sustain_hours=1.0),
    ]


def from_solar(raw: dict[str, Any], timeline: Timeline) -> None:
    """Down products that may be met by reducing solar on both sides, for longer than a step, and one that may not."""
    raw["site"]["ac_solar"] = [
        *raw["site"].get("ac_solar", ()),
        {"name": "porch", "phase": "L1", "available_kw": 1.2},
    ]
    raw["site"]["solar_controller"] = [
        *raw["site"].get("solar_controller", ()),
        {"name": "shed", "available_kw": 1.5},
    ]
    lasting = 1.5 * timeline.step_hours
    raw["service"] += [
        _product("less sun", "down", "d.price1", from_solar=True, response_group="sun"),
        _product(
            "less sun, longer",
            "down",
            "d.price4",
            from_solar=True,
            response_group="sun",
            sustain_hours=lasting,
        ),
        _product("not sun", "down", "d.price2"),
    ]


def following(raw: dict[str, Any], timeline: Timeline) -> None:
    """Products that must last for two and a half steps: their energy is held in the steps that follow."""
    raw["service"] += [
        _product("long", "up", "d.price4", sustain_hours=2.5 * timeline.step_hours),
        _product("longer", "down", "d.price1", sustain_hours=4 * timeline.step_hours),
    ]


def utilisation(raw: dict[str, Any], timeline: Timeline) -> None:
    """Activated products, one settled at the meter and one at a price of its own."""
    raw["service"] += [
        _product("met", "up", "d.price1", utilisation_net=0.1, utilisation_gross=0.15, acceptance_share=0.9),
        _product(
            "priced",
            "down",
            "d.price2",
            utilisation_net=0.05,
            utilisation_gross=0.08,
            delivered_energy="price",
            delivered_price_per_mwh="d.spot",
        ),
    ]


def reserve(raw: dict[str, Any], timeline: Timeline) -> None:
    """Energy kept for backup in windows."""
    raw["storage"][0]["reserve"] = [
        {"fraction": 0.1},
        {"fraction": 0.35, "when": {"from": "17:00", "to": "07:00"}},
    ]


def waiting(raw: dict[str, Any], timeline: Timeline) -> None:
    """A vehicle plugged in over midnight, and hot water by a heat pump whose performance moves."""
    raw["site"]["flexible_load"] = [
        {
            "kind": "sessions",
            "name": "vehicle",
            "phase": "L1",
            "power_kw": 3.0,
            "efficiency": 0.9,
            "habit": [{"plugged_in": "19:00", "departure": "06:30", "energy_kwh": 7.0}],
            "before": "on arrival",
        },
        {
            "kind": "heat",
            "name": "water",
            "power_kw": 1.5,
            "litres": 200.0,
            "lowest_c": 48.0,
            "highest_c": 62.0,
            "standing_loss_kwh_per_day": 1.4,
            "performance": "d.performance",
            "draw_kw": "d.dc_load",
            "before": "timer",
            "before_from": "22:00",
            "before_to": "05:00",
        },
        {"kind": "shed", "name": "cooling", "load_kw": "d.performance", "share": 0.3, "price_per_kwh": 0.32},
    ]


Feature = Callable[[dict[str, Any], Timeline], None]
FEATURES: tuple[Feature, ...] = (
    # Those that remake the site or a bank come first, those that add to it after.
    netted,
    per_phase,
    capacitor,
    capacitor_resistance,
    measured,
    resistance,
    converter,
    ac_solar,
    imbalance,
    pass_through,
    ac_breaker,
    phase_limits,
    demand,
    time_of_use,
    spot,
    volumes,
    tiers,
    peaks,
    minimum,
    reads,
    versions,
    daily,
    up,
    down,
    symmetric,
    shared,
    blocks,
    bids,
    auctions,
    from_solar,
    following,
    utilisation,
    reserve,
    waiting,
)


def case(features: Iterable[Feature], timeline: Timeline = SPRING, seed: int = 1, **solve: Any) -> Scenario:
    """A scenario with some features, its data invented."""
    raw = base(timeline)
    raw["solve"] = {"gap_tolerance": 1e-6, **solve}
    for feature in features:
        feature(raw, timeline)
    return made(raw, timeline, data(timeline, seed))


def made(raw: dict[str, Any], timeline: Timeline, columns: dict[str, np.ndarray]) -> Scenario:
    """A scenario without files."""
    path = Path("small.toml")
    return Scenario(path, ScenarioFile.model_validate(raw), timeline, columns, {}, "", raw)


# --- the comparison ---------------------------------------------------------------------------------------


class Oracle:
    """The whole model as Pyomo states it, with rows and columns in the places of a tiled problem."""

    def __init__(self, scenario: Scenario, problem: Problem):
        self.problem = problem
        self.terms = LpTerms(scenario.data, steps=None)
        with PauseGC():
            self.lines = formulate(scenario, self.terms).lines
            self.model = self.terms.model
            self._state_lines()
            form = LinearStandardFormCompiler().write(self.model, mixed_form=True)
            self._read(form)

    def _state_lines(self) -> None:
        """One objective a line; a line of numbers alone is one too."""
        self.model.line = pyo.Objective(range(len(self.lines)))
        for number, line in enumerate(self.lines):
            self.model.line[number] = sum(np.asarray(line.values, dtype=object).ravel(), 0.0)

    def _read(self, form: Any) -> None:
        problem = self.problem
        column = {}
        for name in self.terms.columns:
            variables = self.model.component(f"column {name}")
            for index in variables:
                column[id(variables[index])] = problem.places[name][index]
        to_column = np.array([column[id(variable)] for variable in form.columns])
        row = {}
        for name in self.terms.rows:
            constraints = self.model.component(f"row {name}")
            for index in constraints:
                row[id(constraints[index])] = problem.row_places[name][index]
        to_row = np.array([row[id(entry.constraint)] for entry in form.rows])
        kind = np.array([entry.bound_type for entry in form.rows])
        side = np.asarray(form.rhs, float)
        shape = problem.matrix.shape
        self.lower, self.upper = np.full(shape[0], -np.inf), np.full(shape[0], np.inf)
        self.lower[to_row[kind <= 0]] = side[kind <= 0]
        self.upper[to_row[kind >= 0]] = side[kind >= 0]
        # A row that holds both ways comes twice; its coefficients count once.
        first = np.zeros(len(to_row), bool)
        first[np.unique(to_row, return_index=True)[1]] = True
        entries = form.A.tocoo()
        keep = first[entries.row]
        self.matrix = sparse.csr_array(
            sparse.coo_array(
                (entries.data[keep], (to_row[entries.row[keep]], to_column[entries.col[keep]])), shape=shape
            )
        )
        costs = form.c.tocoo()
        self.by_line = sparse.csr_array(
            sparse.coo_array((costs.data, (costs.row, to_column[costs.col])), shape=problem.by_line.shape)
        )
        self.line_offsets = np.asarray(form.c_offset, float)
        self.stated = np.zeros(shape[0], bool)
        self.stated[to_row] = True

    def optimum(self) -> float:
        """The most money by Pyomo's own interface to HiGHS."""
        for name, family in self.terms.columns.items():
            variables = self.model.component(f"column {name}")
            for index in variables:
                variables[index].setlb(float(family.lower[index]))
                variables[index].setub(float(family.upper[index]))
        self.model.line.deactivate()
        self.model.objective = pyo.Objective(
            expr=sum(objective.expr for objective in self.model.line.values())
        )
        self.model.objective.sense = pyo.maximize
        solver = PyomoHighs()
        solver.highs_options = {"threads": 1}
        solver.config.load_solution = False
        result = solver.solve(self.model)
        assert result.best_feasible_objective is not None
        return float(result.best_feasible_objective)


def tiled(scenario: Scenario) -> Problem:
    """The problem of a scenario as the engine makes it."""
    return tile(compile_pattern(scenario), scenario.timeline)


def _differ(problem: Problem, one: Any, other: Any, name_of: Callable[[int], str]) -> list[str]:
    """What differs by more than rounding between two matrices or vectors."""
    if sparse.issparse(one):
        gap = sparse.coo_array(abs(one - other))
        size = 1 + max(abs(one.data).max(initial=0), abs(other.data).max(initial=0))
        worst = np.flatnonzero(gap.data > TOLERANCE * size)
        return [
            f"{name_of(int(gap.coords[0][k]))}, column {gap.coords[1][k]}: {gap.data[k]:.3g}"
            for k in worst[:5]
        ]
    same = one == other  # settles the infinite sides
    near = np.isfinite(one) & np.isfinite(other)
    same[near] |= np.abs(one[near] - other[near]) <= TOLERANCE * (1 + np.abs(other[near]))
    return [f"{name_of(k)}: {one[k]!r} tiled, {other[k]!r} oracle" for k in np.flatnonzero(~same)[:5]]


def compare(scenario: Scenario) -> Oracle:
    """Hold the tiled problem to the oracle in every entry."""
    problem = tiled(scenario)
    oracle = Oracle(scenario, problem)

    def row(number: int) -> str:
        family, index = problem.name_of_row(number)
        return f"row {family.name} [{index}]"

    def line(number: int) -> str:
        return f"line {oracle.lines[number].name}"

    assert [line.name for line in oracle.lines] == [line.name for line in problem.lines]
    assert set(oracle.terms.columns) == set(problem.columns)
    assert set(oracle.terms.integers) == {name for name, family in problem.columns.items() if family.whole}
    assert list(oracle.terms.rows) == [family.name for family in problem.rows]
    assert oracle.terms.pairs.keys() == problem.pairs.keys()
    assert oracle.terms.fill_orders.keys() == problem.fill_orders.keys()
    for name, family in oracle.terms.columns.items():
        places = problem.places[name]
        assert len(places) == scenario.timeline.groups(family.per).count
        assert np.array_equal(problem.lower[places], family.lower), name
        assert np.array_equal(problem.upper[places], family.upper), name
        assert (family.per, family.before, family.auxiliary, family.derived, family.whole) == (
            problem.columns[name].per,
            problem.columns[name].before,
            problem.columns[name].auxiliary,
            problem.columns[name].derived,
            problem.columns[name].whole,
        )
    for family in problem.rows:
        other = oracle.terms.rows[family.name]
        assert (family.per, family.sense, family.unit) == (other.per, other.sense, other.unit)
    everywhere = np.concatenate(list(problem.places.values()))
    assert np.array_equal(np.sort(everywhere), np.arange(len(problem.lower)))
    assert _differ(problem, problem.matrix, oracle.matrix, row) == []
    assert _differ(problem, problem.by_line, oracle.by_line, line) == []
    assert _differ(problem, problem.line_offsets, oracle.line_offsets, line) == []
    here = np.flatnonzero(oracle.stated)
    assert _differ(problem, problem.row_lower[here], oracle.lower[here], lambda k: row(int(here[k]))) == []
    assert _differ(problem, problem.row_upper[here], oracle.upper[here], lambda k: row(int(here[k]))) == []
    # A row that has become a sentence about numbers alone is no row of Pyomo's; it must be a true one.
    silent = np.flatnonzero(~oracle.stated)
    assert not np.diff(problem.matrix.indptr)[silent].any()
    assert (problem.row_lower[silent] <= TOLERANCE).all()
    assert (problem.row_upper[silent] >= -TOLERANCE).all()
    return oracle


def hold_optimum(oracle: Oracle) -> None:
    """The same optimum from Pyomo's model through Pyomo's own interface."""
    found = Highs(oracle.problem).solve()
    assert found.verdict == "optimal"
    assert oracle.optimum() == pytest.approx(found.objective, rel=1e-9, abs=1e-7)


def _fits(features: Iterable[Feature]) -> bool:
    return not {netted, per_phase} <= set(features)


def _name(feature: Feature) -> str:
    return feature.__name__


@pytest.mark.parametrize("feature", FEATURES, ids=_name)
def test_each_feature_alone_is_tiled_as_stated(feature):
    """Each feature by itself: the same matrix, money and limits, and the same optimum."""
    hold_optimum(compare(case([feature])))


@pytest.mark.parametrize("feature", FEATURES, ids=_name)
def test_pairs_of_features_are_tiled_as_stated(feature):
    """Each feature with every one that follows it in the list: the same matrix, money and limits."""
    first = FEATURES.index(feature)
    for other in FEATURES[first + 1 :]:
        if _fits((feature, other)):
            compare(case((feature, other)))


def _everything(registers: Feature) -> list[Feature]:
    return [feature for feature in FEATURES if feature is registers or feature not in (netted, per_phase)]


@pytest.mark.parametrize("registers", [netted, per_phase], ids=_name)
@pytest.mark.parametrize("timeline", [SPRING, AUTUMN, RAMADAN], ids=["spring", "autumn", "three periods"])
def test_all_features_at_once_are_tiled_as_stated(registers, timeline):
    """All features, over a clock change each way, three billing periods and a cut block."""
    compare(case(_everything(registers), timeline, seed=2))


@pytest.mark.parametrize("registers", [netted, per_phase], ids=_name)
def test_all_features_at_once_have_the_optimum_of_the_oracle(registers):
    """All features: the optimum of Pyomo's own route."""
    scenario = case(_everything(registers), seed=3)
    hold_optimum(Oracle(scenario, tiled(scenario)))


@functools.cache
def _count_of_pairs() -> int:
    return sum(_fits(pair) for pair in combinations(FEATURES, 2))


def test_every_pair_is_among_the_cases():
    """The pairs that exclude each other are left out, no others."""
    assert _count_of_pairs() == len(FEATURES) * (len(FEATURES) - 1) // 2 - 1
