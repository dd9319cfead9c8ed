"""Loads that wait: against closed forms, and kept by everything that steers."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import battery, inverter, table, write_site

import optimiser
from optimiser.control.own_use import OwnUse
from optimiser.equipment.heat_load import HeatLoad
from optimiser.errors import ScenarioError
from optimiser.foresight.policies import Backcast, Rolling
from optimiser.foresight.running import run_under
from optimiser.plant.executed import executed
from optimiser.plant.walk import Plant
from optimiser.report import render
from optimiser.report.dispatch import panels
from optimiser.report.results import Results
from optimiser.scenario.file import Scenario
from optimiser.studies import flexible_loads

SPOT = {"kind": "spot_charge", "name": "energy", "price_per_mwh": "data.price"}


def vehicle(**more: Any) -> dict[str, Any]:
    """A charger of 7 kW without losses."""
    return {"kind": "sessions", "name": "vehicle", "power_kw": 7.0, "before": "on arrival"} | more


def habit(plugged_in: str, departure: str, energy_kwh: float, **more: Any) -> dict[str, Any]:
    return {"plugged_in": plugged_in, "departure": departure, "energy_kwh": energy_kwh} | more


def water(**more: Any) -> dict[str, Any]:
    """300 l between 50 and 65 C."""
    made = {"kind": "heat", "name": "hot water", "power_kw": 2.4, "litres": 300.0, "lowest_c": 50.0}
    made |= {"highest_c": 65.0, "draw_kw": 0.25, "before": "thermostat"}
    return made | more


def site_of(
    folder: Path, *loads: dict[str, Any], price: Any, days: int = 1, step_minutes: int = 60, **more: Any
) -> Scenario:
    """A home without other load, at a price of its own in each step. [currency/kWh]"""
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 20.0, "export_limit_kw": 5.0},
        "flexible_load": list(loads),
    }
    site |= more.pop("site", {})
    columns = {"price": 1000 * np.asarray(price, float), **more.pop("columns", {})}
    text = table(site=site, components=[SPOT], days=days, step_minutes=step_minutes, **more)
    return optimiser.read_scenario(write_site(folder, text, columns, step_minutes))


def faults_of(folder: Path, *loads: dict[str, Any], **more: Any) -> str:
    with pytest.raises(ScenarioError) as refused:
        site_of(folder, *loads, price=np.ones(24), **more)
    return str(refused.value)


def test_a_deadline_fills_the_cheapest_hours(tmp_path):
    """12 kWh through 7 kW in hours at 10, 20, 30, 40 c: 7 kWh at 10 and 5 at 20, 1.70. Closed form."""
    price = np.r_[0.4, 0.2, 0.1, 0.3, np.full(20, 0.05)]
    scenario = site_of(tmp_path, vehicle(habit=[habit("00:00", "04:00", 12.0)]), price=price)
    statement = optimiser.settle(optimiser.solve(scenario))
    assert statement.bill_after == pytest.approx(1.70, abs=1e-7)
    assert statement.bill_before == pytest.approx(7 * 0.4 + 5 * 0.2, abs=1e-7)  # on arrival


@pytest.mark.parametrize("seed", range(6))
def test_sessions_of_a_month_cost_what_sorting_says(tmp_path, seed):
    """A session under prices by the hour fills the cheapest hours: sort. Closed form, each night by itself."""
    random = np.random.default_rng(seed)
    price, energy = random.uniform(-0.1, 0.5, 20 * 24), float(np.round(random.uniform(5, 60), 2))
    load = vehicle(efficiency=0.9, habit=[habit("19:00", "06:00", energy)])
    statement = optimiser.settle(optimiser.solve(site_of(tmp_path, load, price=price, days=20)))
    expected, early = 0.0, 0.0
    full, rest = divmod(energy / 0.9 / 7, 1)
    for day in range(19):
        hours = price[24 * day + 19 : 24 * day + 30]
        for total, order in ((0, np.sort(hours)), (1, hours)):
            cost = 7 * (order[: int(full)].sum() + rest * order[int(full)])
            expected, early = (expected + cost, early) if not total else (expected, early + cost)
    assert statement.bill_after == pytest.approx(expected, abs=1e-6)
    assert statement.bill_before == pytest.approx(early, abs=1e-6)


def test_heat_of_water():
    """300 l from 50 to 65 C hold 5.23 kWh, 180 l from 55 to 65 C 2.09: a public utility prints 5.2 and 2.1."""
    large = HeatLoad.model_validate(water())
    small = HeatLoad.model_validate(water(litres=180.0, lowest_c=55.0))
    assert large.band_kwh == pytest.approx(5.23, abs=0.005)
    assert small.band_kwh == pytest.approx(2.09, abs=0.005)


def test_a_tank_carries_a_cheap_hour_as_far_as_it_holds(tmp_path):
    """One cheap hour at noon, no losses: what the band holds is taken there, the rest when it is drawn. Closed form."""
    price = np.full(24, 0.3)
    price[12] = 0.1
    load = water(
        power_kw=6.0, draw_kw=0.6, start_fraction=0.0, before="timer", before_from="10:00", before_to="11:00"
    )
    scenario = site_of(tmp_path, load, price=price)
    dispatch = optimiser.solve(scenario)
    band = 300 * 4.186 / 3600 * 15
    # Before, the timer filled it at 10; both cases end with what that left after eleven more hours.
    left = scenario.site.flexible_load[0].run_before(scenario.data)[1][-1]
    assert left == pytest.approx(0.0, abs=1e-9)
    bought = min(band + 0.6, 12 * 0.6, 6.0)
    assert -dispatch.proof.settled == pytest.approx(0.1 * bought + 0.3 * (24 * 0.6 - bought), abs=1e-6)


def test_losses_of_water_follow_its_temperature(tmp_path):
    """Kept at the top it loses what the label says, at the bottom less by the temperatures: Newton's law of cooling."""
    load = HeatLoad.model_validate(water(standing_loss_kwh_per_day=1.8, room_c=20.0))
    fixed, per_hour = load.losses()
    assert 24 * (fixed + per_hour * load.band_kwh) == pytest.approx(1.8)
    assert 24 * fixed == pytest.approx(1.8 * 30 / 45)


def test_a_thermostat_heats_from_bottom_to_top(tmp_path):
    """What a thermostat takes is what is drawn and what is left in the tank; it runs in few long spells."""
    load = water(draw_kw=0.5, power_kw=2.0)
    scenario = site_of(tmp_path, load, price=np.ones(96), days=2, step_minutes=30)
    tank = scenario.site.flexible_load[0]
    power, held = tank.run_before(scenario.data)
    assert power.sum() / 2 == pytest.approx(48 * 0.5 + held[-1] - tank.band_kwh / 2)
    assert held.min() >= -1e-9
    assert held.max() <= tank.band_kwh + 1e-9
    starts = ((power > 0) & (np.r_[0.0, power[:-1]] == 0)).sum()
    assert starts == pytest.approx(24 / tank.band_kwh, abs=1.5)


def test_a_timer_waits_for_its_clock_time_and_is_in_time_all_the_same(tmp_path):
    night = vehicle(before="timer", before_from="23:00", habit=[habit("18:00", "02:00", 28.0)])
    scenario = site_of(tmp_path, night, price=np.ones(48), days=2)
    before = scenario.site.flexible_load[0].before_kw(scenario.data)
    np.testing.assert_allclose(before[18:27], [0, 0, 0, 0, 7, 7, 7, 7, 0])


def test_a_load_is_shed_where_import_costs_more_than_it_is_paid(tmp_path):
    """Half of 2 kW may be shed at 0.35: in each hour the cheaper of both counts. Closed form."""
    price = np.random.default_rng(3).uniform(0.1, 0.6, 48)
    load = {"kind": "shed", "name": "cooling", "load_kw": 2.0, "share": 0.5, "price_per_kwh": 0.35}
    scenario = site_of(tmp_path, load, price=price, days=2)
    statement = optimiser.settle(optimiser.solve(scenario))
    assert statement.bill_before == pytest.approx(2 * price.sum())
    assert statement.bill_after == pytest.approx(price.sum() + np.minimum(price, 0.35).sum())
    paid = statement.table.set_index("line").loc["Shedding of cooling"]
    assert paid["quantity"] == pytest.approx((price > 0.35).sum())
    plant = Plant(scenario)
    np.testing.assert_allclose(plant.waited.power_kw[:, 0], np.where(price > 0.35, 1.0, 2.0))
    _, stated = executed(scenario, plant.walk(OwnUse(plant)))
    assert -sum(float(line.values.sum()) for line in stated.lines) == pytest.approx(statement.bill_after)


HOME = {"load": [{"power_kw": 0.4}], "inverter": [inverter(5.0, 0.95)]}
HOME |= {"solar_controller": [{"name": "roof", "available_kw": "data.sun", "efficiency": 0.98}]}


def home(folder: Path, days: int = 12) -> Scenario:
    """A home with a battery, sun, a vehicle and hot water; prices by the hour."""
    random, hour = np.random.default_rng(5), np.arange(24 * days) % 24
    sun = np.maximum(0.0, 4 * np.sin((hour - 6) / 12 * np.pi)) * np.repeat(random.uniform(0.1, 1, days), 24)
    price = 0.2 + 0.1 * np.sin(hour / 24 * 2 * np.pi) + random.uniform(-0.05, 0.3, len(hour))
    draw = np.round(np.where((hour == 7) | (hour == 19), random.uniform(0.5, 1.8, len(hour)), 0.1), 3)
    night = habit("18:00", "07:00", 11.0, when={"days": ["workday"]})
    return site_of(
        folder,
        vehicle(efficiency=0.92, habit=[night]),
        water(draw_kw="data.draw", standing_loss_kwh_per_day=1.5),
        {"kind": "shed", "name": "cooling", "load_kw": "data.cool", "share": 0.4, "price_per_kwh": 0.28},
        price=price,
        days=days,
        site=HOME,
        storage=[battery(6.0, 3.0, 0.96)],
        columns={"sun": sun, "draw": draw, "cool": np.round(random.uniform(0.2, 1.0, len(hour)), 3)},
        foresight={"keep_hours": 24, "view_hours": 48.0, "policies": ["rolling", "backcast"]},
    )


def holds(scenario: Scenario, values: dict[str, np.ndarray]) -> None:
    """Every session has its energy by departure, nothing comes from nowhere, the water keeps its band."""
    car, tank, _ = scenario.site.flexible_load
    cool, whole = values["flexible.cooling.power_kw"], scenario.columns["data.cool"]
    assert (cool <= whole + 1e-7).all()
    assert (cool >= 0.6 * whole - 1e-7).all()
    assert 0 < (cool < whole - 1e-6).mean() < 0.6
    power = values["flexible.vehicle.power_kw"]
    for span in car.spans(scenario.timeline):
        stored = car.efficiency * power[span.first : span.stop].sum()
        assert stored == pytest.approx(span.need_kwh, abs=1e-6)
        power[span.first : span.stop] = 0.0
    assert np.abs(power).max() < 1e-9
    need, held = tank.need(scenario.data), values["flexible.hot water.stored_kwh"]
    before = np.r_[need.start_kwh, held[:-1]]
    gained = values["flexible.hot water.power_kw"] - need.draw_kw - (1 - need.kept) * before
    np.testing.assert_allclose(np.cumsum(gained), held - need.start_kwh, atol=1e-6)
    assert held.min() >= -1e-6
    assert held.max() <= tank.band_kwh + 1e-6
    assert held[-1] >= tank.run_before(scenario.data)[1][-1] - 1e-6


@pytest.fixture(scope="module")
def solved(tmp_path_factory):
    """The home and its ceiling."""
    scenario = home(tmp_path_factory.mktemp("home"))
    return scenario, optimiser.solve(scenario)


def test_the_ceiling_keeps_what_is_asked(solved):
    scenario, ceiling = solved
    holds(scenario, {name: values.copy() for name, values in ceiling.values.items()})


def test_loads_that_steer_themselves_keep_what_is_asked_and_cost_no_less_than_the_ceiling(solved):
    scenario, ceiling = solved
    plant = Plant(scenario)
    values, stated = executed(scenario, plant.walk(OwnUse(plant)))
    holds(scenario, values)
    assert sum(float(line.values.sum()) for line in stated.lines) <= ceiling.proof.bound + 1e-6


@pytest.mark.parametrize("policy", [Rolling(), Backcast(5)], ids=["rolling", "backcast"])
def test_plans_are_carried_out_so_that_nothing_is_missed(solved, policy):
    """Draws come otherwise than a backcast has them; what must be taken is taken all the same."""
    scenario, ceiling = solved
    run = run_under(scenario, policy, ceiling)
    holds(scenario, {name: values.copy() for name, values in run.dispatch.values.items()})
    assert run.without_plan <= 1
    assert run.dispatch.proof.settled <= ceiling.proof.bound + 1e-6


def test_a_rule_knows_nothing_of_what_comes(solved):
    """Prices and sun of the last days scrambled: what loads did by themselves before them stays the same."""
    scenario, _ = solved
    other = dict(scenario.columns)
    for name in ("data.price", "data.sun"):
        other[name] = np.r_[other[name][:200], other[name][200:][::-1]]
    first, second = (Plant(one).waited for one in (scenario, dataclasses.replace(scenario, columns=other)))
    np.testing.assert_array_equal(first.power_kw[:200], second.power_kw[:200])
    assert np.abs(first.power_kw - second.power_kw).max() > 0.1


def test_sun_is_taken_first_and_flat_prices_are_spread(tmp_path):
    """Without sun and at one price a session is spread evenly; sun that would be fed in is taken in its place."""
    day = vehicle(habit=[habit("08:00", "18:00", 20.0)])
    dull = Plant(site_of(tmp_path / "a", day, price=np.full(24, 0.2))).waited.power_kw[:, 0]
    np.testing.assert_allclose(dull[8:18], 2.0)
    sun = np.zeros(24)
    sun[8:10] = 5.0
    roof = {"name": "roof", "available_kw": "data.sun"}
    bright = site_of(
        tmp_path / "b", day, price=np.full(24, 0.2), site={"ac_solar": [roof]}, columns={"sun": sun}
    )
    np.testing.assert_allclose(Plant(bright).waited.power_kw[8:10, 0], 5.0)


def test_the_study_tells_what_timing_is_worth(solved):
    """The ceiling with the loads free less that with the same powers as plain loads, written as such a scenario."""
    scenario, ceiling = solved
    statement = optimiser.settle(ceiling)
    found = flexible_loads.study(statement, lambda words: None)
    loads = [
        {"power_kw": 0.4},
        *({"power_kw": f"data.{name}"} for name in ("car", "tank", "cool")),
    ]
    car, tank, cool = (load.before_kw(scenario.data) for load in scenario.site.flexible_load)
    columns = {name: scenario.columns[f"data.{name}"] for name in ("sun", "draw")} | {
        "car": car,
        "tank": tank,
        "cool": cool,
    }
    fixed = site_of(
        scenario.path.parent.with_name("fixed"),
        price=scenario.columns["data.price"] / 1000,
        days=12,
        site=HOME | {"load": loads, "flexible_load": []},
        storage=[battery(6.0, 3.0, 0.96)],
        columns=columns,
    )
    as_before = optimiser.settle(optimiser.solve(fixed))
    assert as_before.bill_before == pytest.approx(statement.bill_before, abs=1e-6)
    assert found.summary["timing_ceiling"] == pytest.approx(statement.saving - as_before.saving, abs=1e-3)
    assert min(found.summary["timing_ceiling"], found.summary["timing_own_use"]) > 0
    assert found.summary["missed_kwh"] == 0
    rows = found.tables["loads"].set_index("name")
    assert rows.loc["vehicle", "taken_kwh"] == pytest.approx(rows.loc["vehicle", "taken_before_kwh"])
    assert (rows["timing_ceiling"] > 0).all()


def test_the_page_shows_the_loads(solved, tmp_path):
    """A section, a band in the picture of the day, and both sides of the energy balance equal."""
    scenario, _ = solved
    made = optimiser.run(optimiser.vary(scenario, {"timeline.days": 4}), studies=("flexible_loads",))
    tables = {
        f"flexible_loads-{name}": table for name, table in made.studies["flexible_loads"].tables.items()
    }
    results = Results(made.summary, made.dispatch_table, made.statement.table, tables)
    assert "What moving loads is worth" in render(results)
    drawn = {entry["column"] for panel in panels(results.dispatch) for entry in panel.traces}
    assert {"site.flexible_kw", "flexible.vehicle.power_kw", "flexible.hot water.before_kw"} <= drawn
    balance = made.summary.balance
    assert sum(balance.into.values()) == pytest.approx(sum(balance.out.values()), abs=1e-3)
    assert balance.out["flexible loads"] > 0


def test_sessions_of_a_file_are_those_of_the_habit(tmp_path):
    """The same sessions by a CSV file; one that is not over within the timeline is left out."""
    prices = np.random.default_rng(1).uniform(0, 1, 72)
    by_habit = site_of(tmp_path / "a", vehicle(habit=[habit("18:00", "07:00", 9.0)]), price=prices, days=3)
    folder = tmp_path / "b"
    folder.mkdir()
    rows = [f"2025-01-0{day}T18:00,2025-01-0{day + 1}T07:00:00Z,9" for day in (1, 2, 3)]
    (folder / "trips.csv").write_text("\n".join(["arrival,departure,energy_kwh", *rows]))
    by_file = site_of(folder, vehicle(sessions="trips.csv"), price=prices, days=3)
    spans = [one.site.flexible_load[0].spans(one.timeline) for one in (by_habit, by_file)]
    assert len(spans[0]) == 2
    assert [dataclasses.astuple(s)[:3] for s in spans[0]] == [dataclasses.astuple(s)[:3] for s in spans[1]]
    assert any("sessions of vehicle" in file.name for file in by_file.files)


def test_what_cannot_be_met_is_said_at_once(tmp_path):
    """Each fault in a sentence with its session, its amount and the way out."""
    late = vehicle(habit=[habit("20:00", "22:00", 20.0)])
    said = faults_of(tmp_path / "a", late, water(name="tank", draw_kw=3.0))
    assert "site.flexible_load.0: the session 2025-01-01 20:00 to 2025-01-01 22:00 needs 20 kWh" in said
    assert "6 kWh are missing. Raise power_kw" in said
    assert "site.flexible_load.1: it draws more than its 2.4 kW and its store of 5.232 kWh can serve" in said
    assert "has 2 faults" in said
    one = {"arrival": "date:2025-01-01T10:00:00", "departure": "date:2025-01-01T09:00:00", "energy_kwh": 1.0}
    assert "departs before it arrives. Check both stamps." in faults_of(
        tmp_path / "b", vehicle(session=[one])
    )
    two = [habit("08:00", "12:00", 1.0), habit("11:00", "13:00", 1.0)]
    said = faults_of(tmp_path / "c", vehicle(habit=two))
    assert "11:00 to 2025-01-01 13:00 begins before 2025-01-01 08:00 to 2025-01-01 12:00 is over" in said
    said = faults_of(tmp_path / "d", water(lowest_c=70.0))
    assert "the band is upside down: lowest_c is 70, highest_c 65; swap them" in said
    said = faults_of(tmp_path / "e", vehicle(before="timer", habit=[habit("08:00", "12:00", 1.0)]))
    assert 'before = "timer" needs before_from; add it' in said
    assert "no session is given" in faults_of(tmp_path / "f", vehicle())
    (tmp_path / "g").mkdir()
    (tmp_path / "g" / "trips.csv").write_text("arrival,departure,energy_kwh\nmonday,tuesday,9\n")
    said = faults_of(tmp_path / "g", vehicle(sessions="trips.csv"))
    assert "line 2 is no session, got monday, tuesday, 9" in said


def test_services_do_not_count_on_a_load_that_may_not_be_there(tmp_path):
    offer = {"name": "up", "direction": "up", "sustain_hours": 0.5, "price": 1.0, "price_unit": "per_mw_hour"}
    site = HOME | {"solar_controller": [], "firm_load_fraction": 0.5}
    said = faults_of(tmp_path, vehicle(habit=[habit("18:00", "20:00", 5.0)]), site=site, service=[offer])
    assert "site.firm_load_fraction lets services count on the load" in said
