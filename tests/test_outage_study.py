"""Outages against closed forms, handbook capacitor formulas and a plain loop of small time steps."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from conftest import SPOT, battery, inverter, table, write_site

import optimiser
from optimiser.equipment.backup import Backup
from optimiser.errors import ScenarioError
from optimiser.plant.outages import EMPTY, ENDINGS, LASTS, LIMIT, RATING, follow, island_of
from optimiser.report import render
from optimiser.report.results import Results
from optimiser.starter import write_starter

WIDE = {"import_limit_kw": 1000.0, "export_limit_kw": 1000.0}


def scenario_of(tmp_path, *, load_kw=2.0, site=None, store=None, hours=24, days=2, columns=None, **more):
    """A site with a constant load and one bank, by default a battery of 10 kWh."""
    columns = {"price": np.full(24 * days, 50.0), **(columns or {})}
    phases = {"phases": 1, "connection": WIDE, "load": [{"power_kw": load_kw}], "inverter": [inverter(5.0)]}
    stores = [store or battery(10.0, 5.0)] if not isinstance(store, list) else store
    text = table(
        days=days,
        site=phases | (site or {}),
        storage=stores,
        components=SPOT,
        backup={"hours": hours},
        **more,
    )
    return optimiser.read_scenario(write_site(tmp_path, text, columns))


def lasts(scenario, stored, first=0, hours=24.0):
    """Hours and ending of one outage."""
    backup = scenario.file.backup or Backup()
    held = np.array(stored, float).reshape(len(scenario.storage), 1)
    found = follow(island_of(scenario, backup), held, np.array([first]), hours)
    return float(found.hours[0]), int(found.ending[0])


def test_constant_load_lasts_as_the_autonomy_formula_says(tmp_path):
    """Energy x efficiency of the store / (load / efficiency of the inverter + standby).

    The autonomy of stand-alone systems; common practice, no source. Worked by hand: 8 kWh x 0.95 / (1.5 kW / 0.9 +
    0.04 kW) = 7.6 / 1.70667 = 4.453125 h.
    """
    site = {"inverter": [inverter(5.0, 0.9, standby_w=30.0)], "load": [{"power_kw": 1.5}]}
    scenario = scenario_of(tmp_path, site=site, store=battery(10.0, 5.0, 0.95, standby_w=10.0))
    hours, ending = lasts(scenario, [8.0])
    assert hours == pytest.approx(4.453125, abs=1e-6)
    assert EMPTY == ending


def test_capacitors_follow_the_textbook_discharge_at_constant_power(tmp_path):
    """t = C (V1^2 - V2^2) / 2P down to the lowest voltage, or to P / I where a current limit of 100 A binds first.

    E = C V^2 / 2, elementary circuit theory. 50,000 F from 54 V to 42 V hold 8 kWh; at 4.5 kW and 100 A the limit
    binds at 45 V, 50,000 (54^2 - 45^2) / (2 x 4,500) = 4,950 s.
    """
    bank = {
        "kind": "capacitor_bank",
        "name": "store",
        "lowest_voltage_v": 42.0,
        "highest_voltage_v": 54.0,
        "capacitance_f": 50_000.0,
        "charge_kw": 20.0,
        "discharge_kw": 20.0,
    }
    free = scenario_of(tmp_path / "a", load_kw=4.5, store=bank)
    hours, ending = lasts(free, [8.0])
    assert hours == pytest.approx(50_000 * (54**2 - 42**2) / 2 / 4500 / 3600, rel=1e-9)
    assert EMPTY == ending
    for place, limited in (
        ("b", scenario_of(tmp_path / "b", load_kw=4.5, store=bank | {"discharge_current_a": 100.0})),
        (
            "c",
            scenario_of(
                tmp_path / "c",
                load_kw=4.5,
                store=bank,
                site={"inverter": [inverter(5.0, dc_current_limit_a=100.0)]},
            ),
        ),
    ):
        hours, ending = lasts(limited, [8.0])
        assert hours == pytest.approx(4950 / 3600, abs=1e-6), place
        assert LIMIT == ending


def test_each_phase_keeps_its_own_rating(tmp_path):
    """A phase that asks for more than its inverter gives ends an outage at once, however much the others could give."""
    inverters = [
        inverter(5.0) | {"name": name, "phase": phase}
        for name, phase in zip("abc", ("L1", "L2", "L3"), strict=True)
    ]
    loads = [{"phase": "L1", "power_kw": "data.oven"}, {"phase": "L2", "power_kw": 1.0}]
    columns = {"oven": np.where(np.arange(48) % 24 == 6, 5.1, 1.0)}
    site = {"phases": 3, "registers": "netted", "load": loads, "inverter": inverters}
    scenario = scenario_of(tmp_path, site=site, store=battery(100.0, 20.0), columns=columns)
    assert (4.0, RATING) == lasts(scenario, [100.0], first=2)
    assert (0.0, RATING) == lasts(scenario, [100.0], first=6)
    shared = [inverter(15.3) | {"phase": "all"}]
    scenario = scenario_of(
        tmp_path / "b", site=site | {"inverter": shared}, store=battery(100.0, 20.0), columns=columns
    )
    assert (24.0, LASTS) == lasts(scenario, [100.0], first=2)


def test_sun_on_the_bus_goes_on_charging(tmp_path):
    """Four hours of 3 kW of sun from an empty store at 1 kW of load: 4 h and the 8 kWh stored last 12 h in all.

    Worked by hand without losses; at night an empty store lasts nothing; a full one takes no more.
    """
    sun = np.tile(np.where((np.arange(24) >= 10) & (np.arange(24) < 14), 3.0, 0.0), 2)
    site = {"solar_controller": [{"name": "roof", "available_kw": "data.sun", "efficiency": 1.0}]}
    scenario = scenario_of(tmp_path, load_kw=1.0, site=site, columns={"sun": sun})
    assert lasts(scenario, [0.0], first=10)[0] == pytest.approx(12.0, abs=1e-6)
    assert (0.0, EMPTY) == lasts(scenario, [0.0], first=20)
    assert lasts(scenario, [10.0], first=10)[0] == pytest.approx(14.0, abs=1e-6)
    slow = scenario_of(
        tmp_path / "slow",
        load_kw=1.0,
        site=site,
        columns={"sun": sun},
        store=battery(10.0, 5.0) | {"charge_kw": 0.5},
    )
    assert lasts(slow, [0.0], first=10)[0] == pytest.approx(6.0, abs=1e-6)


def test_sun_on_the_ac_side_counts_only_where_it_is_said(tmp_path):
    """Off unless [backup] says that it runs; then it carries its phase and the rest charges the store."""
    site = {"ac_solar": [{"name": "shed", "available_kw": 3.0}]}
    scenario = scenario_of(tmp_path, load_kw=1.0, site=site)
    assert lasts(scenario, [2.0])[0] == pytest.approx(2.0)
    runs = optimiser.vary(scenario, {"backup.ac_solar": True})
    assert (24.0, LASTS) == lasts(runs, [0.0])


def test_several_banks_give_as_long_as_any_of_them_can(tmp_path):
    """A bank behind a small converter helps with what it can: 4 kW from 8 kWh on the bus and 6 kWh behind 1 kW.

    Worked by hand: the small one gives at most 1 kW, so the other at least 3 kW, and the whole lasts 8 / 3 h.
    """
    small = battery(6.0, 5.0) | {"name": "far", "converter": {"rating_kw": 1.0, "efficiency": 1.0}}
    scenario = scenario_of(tmp_path, load_kw=4.0, store=[battery(8.0, 5.0), small])
    assert lasts(scenario, [8.0, 6.0])[0] == pytest.approx(8 / 3, abs=1e-6)
    alone = scenario_of(tmp_path / "b", load_kw=0.5, store=[battery(8.0, 5.0), small])
    assert lasts(alone, [0.0, 6.0])[0] == pytest.approx(12.0, abs=1e-6)


def slow_loop(start_kwh, first, data, seconds=10.0, hours=24.0):
    """The bakery's outage by small steps of time, written from the equations: one bank of four capacitor units.

    Euler's method; voltage from stored energy, solar and inverter currents from voltage, loss between two measured
    points straight.
    """
    capacity, stored, after = 4 * 5.6, start_kwh, 0.0
    curve_kw = 4 * np.array([0.0, 0.8, 5.9])
    half = np.sqrt([1.0, 0.982, 0.948])
    while after < hours - 1e-9:
        row = data[(first + int(after / 0.5 + 1e-9)) % len(data)]
        volts = math.sqrt(80**2 + max(stored, 0.0) / capacity * (104**2 - 80**2))
        loads = row[:3]
        if (loads > 6.5 + 1e-9).any() or (loads / 0.946 * 1000 > 110 * volts).any():
            return after
        solar = sum(
            min(0.98 * kwp * row[3], amperes * volts / 1000)
            for kwp, amperes in ((4.7, 58), (5.2, 64), (4.3, 53))
        )
        net = loads.sum() / 0.946 + 3 * 0.028 + 4 * 0.006 - solar
        if net > min(23.6, 260 * volts / 1000):
            return after
        if net > 0:
            rate = -np.interp(net, curve_kw, curve_kw / half)
        else:
            rate = np.interp(min(-net, 23.6, 260 * volts / 1000), curve_kw, curve_kw * half)
        stored = min(stored * 0.988 ** (seconds / 86400) + rate * seconds / 3600, capacity)
        if stored < 0:
            return after
        after += seconds / 3600
    return hours


def test_bakery_agrees_with_a_plain_loop_of_small_steps():
    """Forty outages of the shipped three-phase bakery, within two minutes of a loop of ten-second steps.

    The difference is the half hour over which the solar limit's voltage is held, and Euler's method.
    """
    scenario = optimiser.vary(optimiser.read_scenario("scenarios/three-phase-bakery"), {"timeline.days": 60})
    island = island_of(scenario, Backup())
    data = np.column_stack(
        [scenario.columns[f"site.load_{phase}_kw"] for phase in ("l1", "l2", "l3")]
        + [scenario.columns["site.solar_kw_per_kwp"]]
    )
    chance = np.random.default_rng(3)
    first = chance.integers(0, scenario.timeline.steps, 40)
    stored = chance.uniform(0, 22.4, 40)
    found = follow(island, stored[None, :], first, 24.0)
    expected = [slow_loop(*pair, data) for pair in zip(stored, first, strict=True)]
    assert np.abs(found.hours - expected).max() < 2 / 60
    assert len(set(found.ending.tolist())) > 1
    assert 3 < np.max(expected)


@pytest.fixture(scope="module")
def starter(tmp_path_factory):
    """The starter's week, which keeps a reserve, with a critical load listed and both studies made."""
    folder = tmp_path_factory.mktemp("ride") / "site"
    write_starter(folder)
    scenario = optimiser.read_scenario(folder)
    backup = {"load": [{"load_share": 0.4, "surge_kw": 5.0}], "wanted_hours": 4.0}
    scenario = optimiser.vary(
        scenario, {"backup": backup, "timeline.days": 3, "site.inverter.0.surge_kw": 5.5}
    )
    return optimiser.run(scenario, studies=["outages", "reserve_cost"])


def test_study_counts_what_its_starts_say(starter):
    """Shares, median and months are those of the table of starts; the reserve alone never lasts longer."""
    study = starter.studies["outages"]
    starts, spans = study.tables["starts"], study.tables["spans"]
    assert starter.scenario.timeline.steps == len(starts)
    for row in spans.itertuples():
        assert row[2] == pytest.approx(np.mean(starts["hours"] >= row.at_least_hours - 1e-9))
        assert row[3] <= row[2]
    assert study.summary["cases"]["as scheduled"]["median_hours"] == pytest.approx(starts["hours"].median())
    assert set(starts["ends_by"]) <= set(ENDINGS)
    assert len(starts) == study.tables["hours"]["starts"].sum()
    worst = study.tables["worst"]
    assert starts["hours"].min() == worst["hours"].iloc[0]
    assert 3 == len(worst)


def test_surge_is_held_against_the_rating_for_a_moment(starter):
    """5 kW of surge beside 0.4 of the load within 5.5 kW: counted step by step from the load itself."""
    load = 0.4 * starter.dispatch_table["phase.L1.load_kw"]
    row = starter.studies["outages"].summary["phases"][0]
    assert row["share_surge_carried"] == pytest.approx(np.mean(load + 5.0 <= 5.5))
    assert any("starting surge" in words for words in starter.summary.warnings)


def test_reserve_costs_what_it_keeps_from_earning(starter):
    """Without the reserve nothing less is earned, and nothing lasts longer at the least."""
    found = starter.studies["reserve_cost"].summary
    assert found["cost"] == pytest.approx(found["saving_without"] - found["saving_with"])
    assert found["cost"] >= -0.01
    free = optimiser.vary(starter.scenario, {"storage.0.reserve": []})
    assert found["saving_without"] == pytest.approx(
        optimiser.run(free, studies=[]).statement.saving, abs=0.01
    )
    assert 0.1 * 6.8 == pytest.approx(found["mean_reserve_kwh"])


def test_page_shows_outages(starter):
    """Its section is there with the study and gone without; a bare run of a site without reserve has no study."""
    tables = {
        f"{name}-{part}": frame
        for name, study in starter.studies.items()
        for part, frame in study.tables.items()
    }
    page = render(Results(starter.summary, starter.dispatch_table, starter.statement.table, tables))
    for words in ("When the grid fails", "What the reserve costs", "Worst moments"):
        assert words in page
    bare = dataclasses.replace(starter, summary=starter.summary.model_copy(update={"studies": {}}))
    assert "When the grid fails" not in render(
        Results(bare.summary, bare.dispatch_table, bare.statement.table)
    )


def test_question_does_not_arise_without_reserve_or_critical_load(tmp_path):
    """Nothing is named, nothing is said."""
    scenario = optimiser.vary(scenario_of(tmp_path), {})
    raw = {key: value for key, value in scenario.raw.items() if key != "backup"}
    scenario = dataclasses.replace(scenario, file=scenario.file.model_copy(update={"backup": None}), raw=raw)
    made = optimiser.run(scenario, studies=["outages", "reserve_cost"])
    assert {} == made.studies


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"backup.load": [{"surge_kw": 1.0}]}, "give either power_kw or load_share"),
        ({"backup.wanted_hours": 48.0}, "wanted_hours must be at most hours, got 48 and 24"),
        (
            {"backup.load": [{"phase": "L3", "power_kw": 1.0}]},
            "backup.load.0.phase is L3 but the site has one phase",
        ),
        ({"backup.load": [{"power_kw": -1.0}]}, "backup.load.0.power_kw must be at least 0"),
        ({"site.inverter.0.surge_kw": 2.0}, "surge_kw must be at least output_kw, got 2 and 5"),
        ({"site.inverter": [], "storage": []}, "backup.load can be fed by nothing"),
    ],
)
def test_slips_are_named(tmp_path, changes, words):
    """Each says its place, the rule and what came."""
    with pytest.raises(ScenarioError, match=words.replace(".", r"\.")):
        optimiser.vary(scenario_of(tmp_path), changes)
