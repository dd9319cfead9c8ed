"""Loads on the DC bus: what fed them before, and peak currents as a floor under stored energy.

All sites are made up; what is expected is elementary circuit theory, written beside each.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import SPOT, battery, inverter, table, write_site
from scipy.integrate import solve_ivp

import optimiser
from optimiser.control.own_use import OwnUse
from optimiser.equipment.backup import Backup, CriticalLoad
from optimiser.errors import ScenarioError
from optimiser.foresight.policies import Backcast, Rolling
from optimiser.foresight.running import run_under
from optimiser.plant.executed import executed
from optimiser.plant.outages import follow, island_of
from optimiser.plant.walk import Plant
from optimiser.scenario.checks import review
from optimiser.scenario.file import Scenario
from optimiser.studies import flexible_loads

HOURS = np.arange(24)
COLUMNS = {"price": np.where(HOURS < 6, 50.0, 400.0), "dc": np.where(HOURS < 12, 0.5, 0.1)}
PEAK = {"peak_a": 140.0, "peak_seconds": 0.001, "least_terminal_v": 42.0}


def capacitors(**more: Any) -> dict[str, Any]:
    """The bank of check 91: 40 to 57 V, 18 mOhm."""
    return {
        "kind": "capacitor_bank",
        "name": "bank",
        "unit_usable_kwh": 10.0,
        "lowest_voltage_v": 40.0,
        "highest_voltage_v": 57.0,
        "charge_kw": 8.0,
        "discharge_kw": 8.0,
        "resistance_ohm": 0.018,
    } | more


def load(**more: Any) -> dict[str, Any]:
    """A load that is new."""
    return {"name": "truck", "power_kw": 0.0, "before": "new"} | more


def read(
    tmp_path: Path,
    loads: list[dict[str, Any]],
    bank: dict[str, Any] | None = None,
    inverters: list[dict[str, Any]] | None = None,
    **more: Any,
) -> Scenario:
    """A site with loads on its bus that buys cheap and sells dear."""
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 30.0, "export_limit_kw": 30.0},
        "load": [{"power_kw": 1.0}],
        "dc_load": loads,
        "inverter": inverters or [inverter(1e-6, input_kw=8.0)],
    }
    text = table(site=site, components=SPOT, storage=[bank or capacitors()], **more)
    return optimiser.read_scenario(write_site(tmp_path, text, COLUMNS))


def test_a_single_table_is_told_the_list(tmp_path):
    """The former form cannot be meant by mistake: the fault says what to write."""
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 9.0, "export_limit_kw": 0.0},
        "inverter": [inverter(1.0)],
        "dc_load": {"power_kw": 0.2, "before": "new"},
    }
    with pytest.raises(ScenarioError) as caught:
        optimiser.read_scenario(write_site(tmp_path, table(site=site, components=SPOT), COLUMNS))
    for words in ("site.dc_load", "list", "[[site.dc_load]]", "name", "before_efficiency"):
        assert words in str(caught.value)


def test_each_load_says_what_fed_it(tmp_path):
    """0.9 kW through a rectifier of 0.9 and 0.4 kW through a charger of 0.8 took 1.5 kW before; the new one nothing."""
    fed = [
        load(name="racks", power_kw=0.9, before="rectifier", before_efficiency=0.9, before_phase="L1"),
        load(name="truck", power_kw=0.4, before="charger", before_efficiency=0.8, before_phase="L1"),
        load(name="fans", power_kw=0.3),
    ]
    scenario = read(tmp_path, fed, inverters=[inverter(8.0)])
    assert scenario.site.needs_before_kw(scenario.data, "L1") == pytest.approx(np.full(24, 1.0 + 1.5))
    assert scenario.site.dc_load_kw(scenario.data) == pytest.approx(np.full(24, 1.6))
    energy = optimiser.settle(optimiser.solve(scenario)).energy_kwh
    assert energy["taken for the DC load before"] == pytest.approx(24 * 1.5)
    assert energy["DC load"] == pytest.approx(24 * 1.6)


def test_names_of_loads_differ(tmp_path):
    with pytest.raises(ScenarioError, match=r"site\.dc_load\.1\.name is 'truck', like site\.dc_load\.0"):
        read(tmp_path, [load(), load()])


# --- Peak currents ----------------------------------------


def test_check_91_through_the_whole_program(tmp_path):
    """42 V + 140 A x 18 mOhm = 44.52 V open; (44.52^2 - 40^2) / (57^2 - 40^2) = 23.17 % of the usable energy.

    E = C V^2 / 2 and Ohm's law. The plan sells down to it and no further, and so does whatever walks the plant.
    """
    bank = capacitors(start_fraction=0.5, end_fraction=0.0)
    scenario = read(tmp_path, [load(**PEAK)], bank, inverters=[inverter(8.0, dc_current_limit_a=0.5)])
    peak = scenario.site.peak(scenario.data, scenario.storage)
    beside = 0.5 * 0.018  # the inverter at its most, 0.5 A
    assert peak.open_v == pytest.approx(np.full(24, 44.52 + beside), abs=1e-4)
    share = ((44.52 + beside) ** 2 - 1600) / (57**2 - 1600)
    assert share == pytest.approx(0.2317, abs=6e-4)
    scenario = read(tmp_path / "two", [load(**PEAK)], bank, inverters=[inverter(1e-6, input_kw=8.0)])
    floor = scenario.site.floor_kwh(scenario.data, scenario.storage)[0]
    assert floor / 10.0 == pytest.approx(np.full(24, 0.2317), abs=5e-5)


@pytest.mark.parametrize("who", ["plan", "walk", "own use"])
def test_plan_and_walk_keep_the_floor(tmp_path, who):
    """Beside an inverter at its most: 42 V at the load, 1 mOhm of cable, 2 kW / 0.95 and 0.1 kW of another load."""
    loads = [load(**PEAK, cable_ohm=0.001), load(name="fans", power_kw="data.dc")]
    bank = capacitors(start_fraction=0.9, end_fraction=0.0, standby_w=30.0)
    scenario = read(tmp_path, loads, bank, inverters=[inverter(2.0, 0.95, standby_w=20.0)])
    at_bank = 42.0 + 140 * 0.001
    share = []
    for running in COLUMNS["dc"]:
        beside = (2.0 / 0.95 + running + 0.05) * 1000 / at_bank
        open_v = at_bank + (140.0 + beside) * 0.018
        share.append((open_v**2 - 1600) / (57**2 - 1600))
    expected = np.maximum(share, [*share[1:], 0.0])
    if who == "plan":
        held = optimiser.solve(scenario).flows.banks["bank"].end_kwh
    else:
        plant = Plant(scenario)
        walk = plant.walk(np.full((24, 1), 50.0) if who == "walk" else OwnUse(plant))
        held = walk.stored_kwh[:, 0, 0]
        assert walk.short.max() < 1e-6
    assert (held / 10.0 >= expected - 1e-6).all()
    if who != "own use":
        assert (held / 10.0 - expected).min() == pytest.approx(0.0, abs=2e-5)


@pytest.mark.parametrize("seconds", [0.5, 30.0, 600.0])
def test_the_voltage_holds_to_the_end_of_the_peak(tmp_path, seconds):
    """The bank as a capacitor behind its resistance, integrated in time from the floor on by another library.

    C dV/dt = -I, V at the load = V - R I - R_cable I_load; loads beside hold their power. It must end at or a little
    above the least voltage: their current is taken as that of the end.
    """
    truck = load(peak_a=140.0, peak_seconds=seconds, least_terminal_v=42.0, cable_ohm=0.002)
    bank = capacitors(unit_usable_kwh=5.0, standby_w=200.0, start_fraction=1.0)
    scenario = read(tmp_path, [truck], bank, inverters=[inverter(1.5, 0.9)])
    peak = scenario.site.peak(scenario.data, scenario.storage)
    farads = 2 * 5.0 * 3.6e6 / (57.0**2 - 40.0**2)
    beside_w = 1500 / 0.9 + 200.0

    def terminal(volts: float) -> float:
        # V_t = V - R (140 + P / V_t), its upper root.
        half = (volts - 0.018 * 140.0) / 2
        return half + np.sqrt(half**2 - 0.018 * beside_w)

    def fall(_: float, state: np.ndarray) -> list[float]:
        return [-(140.0 + beside_w / terminal(state[0])) / farads]

    found = solve_ivp(fall, (0.0, seconds), [float(peak.open_v[0])], rtol=1e-10, atol=1e-10)
    at_load = terminal(found.y[0, -1]) - 140.0 * 0.002
    assert 42.0 - 1e-6 <= at_load <= 42.0 + 0.1
    by_energy = (float(peak.open_v[0]) ** 2 - 1600) / (57.0**2 - 1600) * 5.0
    assert float(peak.stored_kwh[0]) == pytest.approx(by_energy)


def test_peaks_come_together_and_only_when_said(tmp_path):
    """Two peaks in the morning share the fall in the bank; in the afternoon there is one, in the night none."""
    day = {"from": "08:00", "to": "18:00"}
    loads = [
        load(**PEAK, peak_when={"from": "08:00", "to": "12:00"}),
        load(name="lift", peak_a=60.0, peak_seconds=0.001, least_terminal_v=43.0, peak_when=day),
    ]
    scenario = read(tmp_path, loads, capacitors(start_fraction=0.9))
    open_v = scenario.site.peak(scenario.data, scenario.storage).open_v
    beside = 1e-6 * 1000 / 43.0
    expected = np.zeros(24)
    expected[8:12] = 43.0 + (200.0 + beside) * 0.018
    expected[12:18] = 43.0 + (60.0 + beside) * 0.018
    assert open_v == pytest.approx(expected, abs=1e-4)
    floor = scenario.site.floor_kwh(scenario.data, scenario.storage)[0]
    assert floor[7] == pytest.approx(floor[8])
    assert [value > 0 for value in floor[[6, 7, 17, 18]]] == [False, True, True, False]


def test_a_battery_keeps_the_energy_of_the_peak(tmp_path):
    """50 V less 20 mOhm x 140 A are 47.2 V; 140 A x 600 s at 50 V / 0.9 are 1.296 kWh."""
    bank = battery(10.0, 8.0, resistance_ohm=0.02, discharge_efficiency=0.9, end_fraction=0.0)
    truck = load(peak_a=140.0, peak_seconds=600.0, least_terminal_v=47.0)
    scenario = read(tmp_path, [truck], bank)
    floor = scenario.site.floor_kwh(scenario.data, scenario.storage)[0]
    assert floor == pytest.approx(np.full(24, 140 * 600 * 50 / 0.9 / 3.6e6), rel=1e-3)
    with pytest.raises(ScenarioError, match="no stored energy can carry"):
        read(tmp_path / "low", [load(peak_a=140.0, peak_seconds=5.0, least_terminal_v=47.5)], bank)


def test_an_outage_ends_where_a_peak_could_not_be_carried(tmp_path):
    """1 kW for as long as the bank is above the floor: (1 - 0.2317...) x 10 kWh less losses, as the same outage says
    of a bank that holds so much less."""
    inverters = [inverter(1.0)]
    with_peak = read(tmp_path / "one", [load(**PEAK)], capacitors(start_fraction=0.9), inverters)
    without = read(tmp_path / "two", [load()], capacitors(start_fraction=0.9), inverters)
    lasted = []
    for scenario in (with_peak, without):
        island = island_of(scenario, Backup(hours=24))
        lasted.append(follow(island, np.array([[9.0]]), np.array([0]), 24.0).hours[0])
    floor = float(with_peak.site.floor_kwh(with_peak.data, with_peak.storage)[0][0])
    assert lasted[1] - lasted[0] == pytest.approx(floor, rel=0.02)


@pytest.mark.parametrize(
    ("given", "bank", "words"),
    [
        (
            {**PEAK, "peak_a": 900.0},
            {},
            ["900 A of peaks", "58.2 V", "57 V", "1.2 V too little", "storage.0.units"],
        ),
        (
            {**PEAK, "peak_seconds": 3600.0},
            {"unit_usable_kwh": 1.0},
            ["too little", "no stored energy can carry"],
        ),
        (PEAK, {"start_fraction": 0.1}, ["start_fraction is 0.1", "1 kWh", "2.317 kWh", "at least 0.231"]),
        (PEAK, {"converter": {"rating_kw": 9.0, "efficiency": 0.98}}, ["directly on the DC bus"]),
        ({"peak_a": 140.0}, {}, ["peak_seconds", "least_terminal_v"]),
        ({"peak_when": {"from": "08:00", "to": "09:00"}}, {}, ["a peak current needs"]),
    ],
)
def test_a_peak_that_cannot_be_carried_is_a_fault(tmp_path, given, bank, words):
    with pytest.raises(ScenarioError) as caught:
        read(tmp_path, [load(**given)], capacitors(**bank))
    for word in words:
        assert word in str(caught.value), str(caught.value)


def test_what_a_practitioner_warns_of(tmp_path):
    """Cable, breaker and bank against the peak, with the usual cautions."""
    truck = load(**PEAK, cable_a=90.0, breaker_a=100.0)
    bank = capacitors(discharge_current_a=120.0, resistance_ohm=0.0, units=2)
    told = "\n".join(review.warnings(read(tmp_path, [truck], bank, inverters=[inverter(8.0)])))
    for words in (
        "breaker of 100 A does not protect a cable for 90 A",
        "above the 90 A that its cable carries",
        "1.40 times its breaker of 100 A, which may trip",
        "licensed electrician",
        "above the 240 A that it gives continuously",
        "storage.0.peak_discharge_a",
        "resistance_ohm is 0",
    ):
        assert words in told, told
    seconds = bank | {"peak_discharge_a": 100.0}
    told = "\n".join(review.warnings(read(tmp_path / "two", [load(**PEAK)], seconds, [inverter(8.0)])))
    assert "compared with no cable and no breaker" in told
    assert "above the 200 A that it gives for seconds" in told
    high = capacitors(start_fraction=0.9)
    told = "\n".join(review.warnings(read(tmp_path / "three", [load(**PEAK)], high, [inverter(12.0)])))
    assert "of its energy from use" in told


# --- Given back, and shed ----------------------------------------


def test_what_a_load_gives_back_is_stored_or_burnt(tmp_path):
    """2 kW from noon to six into a lossless 5 kWh that is sold dear after six: 12 kWh come, 1 kWh a step is exported.

    With nothing to buy (both prices alike) and 1 kW of load, the bus takes what fits: an inverter of 1 kW gives 6 kWh
    meanwhile and 5 kWh fit the store, so that one kWh is burnt.
    """
    given = {"back": np.where((HOURS >= 12) & (HOURS < 18), 2.0, 0.0)}
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 30.0, "export_limit_kw": 0.0},
        "load": [{"power_kw": 1.0}],
        "dc_load": [load(regenerated_kw="data.back")],
        "inverter": [inverter(1.0)],
    }
    bank = battery(5.0, 5.0, start_fraction=0.0, end_fraction=0.0)
    rate = [{"kind": "energy_charge", "rate_per_kwh": 0.3}]
    scenario = optimiser.read_scenario(
        write_site(tmp_path, table(site=site, components=rate, storage=[bank]), given)
    )
    statement = optimiser.settle(optimiser.solve(scenario))
    energy = statement.energy_kwh
    assert energy["given back by DC loads"] == pytest.approx(11.0)
    assert energy["burnt in DC loads' resistors"] == pytest.approx(1.0)
    assert statement.saving == pytest.approx(0.3 * 11.0)
    plant = Plant(scenario)
    walk = plant.walk(OwnUse(plant))
    assert walk.solar_kw[:, 0, 0].sum() == pytest.approx(11.0)
    assert walk.import_kw.sum() == pytest.approx(24.0 - 11.0)


@pytest.mark.parametrize("kind", ["battery", "capacitors"])
def test_energy_is_conserved_in_walks_with_loads_that_give_back(tmp_path, kind):
    """What comes to the bus leaves it, in every step: sun, what loads give back, banks, inverters; losses apart."""
    columns = COLUMNS | {
        "back": np.where(HOURS % 5 == 0, 3.0, 0.0),
        "sun": np.maximum(0, 3 - abs(HOURS - 12.0)),
    }
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 30.0, "export_limit_kw": 2.0},
        "load": [{"power_kw": 1.0}],
        "dc_load": [load(power_kw="data.dc", regenerated_kw="data.back"), load(name="fans", power_kw=0.2)],
        "inverter": [inverter(3.0, 0.9, standby_w=40.0, dc_current_limit_a=60.0)],
        "solar_controller": [
            {"name": "roof", "available_kw": "data.sun", "efficiency": 0.97, "current_limit_a": 45.0}
        ],
    }
    bank = battery(5.0, 4.0, 0.95) if kind == "battery" else capacitors(unit_usable_kwh=5.0)
    scenario = optimiser.read_scenario(
        write_site(tmp_path, table(site=site, components=SPOT, storage=[bank]), columns)
    )
    plant = Plant(scenario)
    for command in (np.tile([[4.0], [-4.0], [0.5]], (8, 1)), OwnUse(plant)):
        walk = plant.walk(command)
        assert walk.short.max() < 1e-6
        net = walk.net_kw[:, 0, 0]
        brought = walk.solar_kw[:, 0].sum(axis=1) + walk.discharge_kw[:, 0, 0]
        taken = walk.charge_kw[:, 0, 0] + columns["dc"] + 0.2 + 0.04 + np.where(net > 0, net / 0.9, net * 0.9)
        assert brought == pytest.approx(taken)
        assert walk.import_kw[:, 0] - walk.export_kw[:, 0] == pytest.approx(1.0 - net)
        assert (walk.solar_kw[:, 0, 1] <= columns["back"] + 1e-9).all()
        assert walk.solar_kw[:, 0, 1].sum() > 1.0


def test_loads_are_shed_in_their_order(tmp_path):
    """10 kWh without loss; 1 kW stays, 1 kW is shed below 50 %, 2 kW below 80 %, looked at each hour.

    4 kW leave 6 kWh after an hour, 2 kW leave 4 after two, 1 kW lasts four more: 6 h. Nothing shed: 2.5 h.
    """
    loads = [
        load(name="radios", power_kw=1.0),
        load(name="fans", power_kw=1.0),
        load(name="truck", power_kw=2.0),
    ]
    bank = battery(10.0, 8.0)
    lasted = []
    for number, shed in enumerate(((None, None, None), (None, 0.5, 0.8))):
        given = [
            one | ({} if at is None else {"shed_below": at}) for one, at in zip(loads, shed, strict=True)
        ]
        scenario = read(tmp_path / str(number), given, bank)
        none = Backup(hours=24, load=(CriticalLoad(power_kw=0.0),))
        found = follow(island_of(scenario, none), np.array([[10.0]]), np.array([0]), 24.0)
        lasted.append(float(found.hours[0]))
    assert lasted == pytest.approx([2.5, 6.0])


# --- Sessions on the bus ----------------------------------------


def charger(**more: Any) -> dict[str, Any]:
    """Sessions of 6 kW on the bus that a charger of 0.9 on L1 fed before."""
    made = {"kind": "sessions", "name": "trucks", "phase": "bus", "power_kw": 6.0, "efficiency": 0.96}
    made |= {"before": "on arrival", "before_phase": "L1", "before_efficiency": 0.8}
    return made | {"habit": [{"plugged_in": "00:00", "departure": "04:00", "energy_kwh": 12.0}]} | more


def warehouse(folder: Path, load: dict[str, Any], price: Any, **more: Any) -> Scenario:
    """A site with sessions on its bus and an inverter of 0.95, at a price of its own in each hour. [currency/kWh]"""
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 20.0, "export_limit_kw": 0.0},
        "flexible_load": [load],
        "inverter": [inverter(9.0, 0.95, standby_w=20.0)],
    } | more.pop("site", {})
    columns = {"price": 1000 * np.asarray(price, float)} | more.pop("columns", {})
    text = table(site=site, components=SPOT[:1], **more)
    return optimiser.read_scenario(write_site(folder, text, columns))


def test_sessions_on_the_bus_fill_the_cheapest_hours_through_the_inverter(tmp_path):
    """12 kWh stored are 12.5 on the bus, of which 6 at 10 and 6 at 20 c and 0.5 at 30; standby beside, through 0.95.

    Before, the charger took 12 / 0.8 = 15 kWh at the same rate at the store, 7.2 kW, on arrival: 40, 20, then 0.6 at
    10 c. Sort, a closed form.
    """
    price = np.r_[0.4, 0.2, 0.1, 0.3, np.full(20, 0.05)]
    statement = optimiser.settle(optimiser.solve(warehouse(tmp_path, charger(), price)))
    standby = 0.02 * price.sum()
    expected = (6 * 0.1 + 6 * 0.2 + 0.5 * 0.3 + standby) / 0.95
    assert statement.bill_after == pytest.approx(expected, abs=1e-6)
    assert statement.bill_before == pytest.approx(7.2 * 0.4 + 7.2 * 0.2 + 0.6 * 0.1, abs=1e-6)


@pytest.mark.parametrize("before", ["on arrival", "new"])
def test_what_the_timing_of_chargers_on_the_bus_earns(tmp_path, before):
    """Held as before, 12 kWh are stored on arrival at 5.76 kWh an hour, 6 kWh on the bus at 0.96: at 40, 20, then 10 c.

    Free, they fill the cheapest hours: sort. New ones are held as if they began on arrival.
    """
    price = np.r_[0.4, 0.2, 0.1, 0.3, np.full(20, 0.05)]
    made = charger(before=before)
    if before == "new":
        made = {key: value for key, value in made.items() if not key.startswith("before_")}
    statement = optimiser.settle(optimiser.solve(warehouse(tmp_path, made, price)))
    found = flexible_loads.study(statement, lambda words: None)
    assert found is not None
    held, free = 6 * 0.4 + 6 * 0.2 + 0.5 * 0.1, 6 * 0.1 + 6 * 0.2 + 0.5 * 0.3
    assert found.summary["timing_ceiling"] == pytest.approx((held - free) / 0.95, abs=1e-6)
    assert found.summary["missed_kwh"] == 0.0


@pytest.mark.parametrize("policy", [Rolling(), Backcast(3)], ids=["rolling", "backcast"])
def test_sessions_on_the_bus_are_met_by_plans_and_walks(tmp_path, policy):
    """Each departs with its energy, whatever steers; bus and meter balance in every step, recomputed from flows."""
    days, random = 8, np.random.default_rng(3)
    hour = np.arange(24 * days) % 24
    price = 0.2 + 0.1 * np.sin(hour / 24 * 2 * np.pi) + random.uniform(-0.05, 0.3, len(hour))
    night = [{"plugged_in": "17:00", "departure": "06:00", "energy_kwh": 20.0}]
    scenario = warehouse(
        tmp_path,
        charger(habit=night),
        price,
        days=days,
        storage=[battery(8.0, 5.0, 0.96)],
        site={"load": [{"power_kw": 1.0}], "dc_load": [load(power_kw=0.3, regenerated_kw="data.back")]},
        columns={"back": np.where(hour == 10, 2.0, 0.0)},
        foresight={"keep_hours": 24, "view_hours": 48.0, "policies": ["rolling", "backcast"]},
    )
    ceiling = optimiser.solve(scenario)
    plant = Plant(scenario)
    run = run_under(scenario, policy, ceiling)
    trucks = scenario.site.flexible_load[0]
    for values in (ceiling.values, executed(scenario, plant.walk(OwnUse(plant)))[0], run.dispatch.values):
        power = values["flexible.trucks.power_kw"]
        spans = trucks.spans(scenario.timeline)
        assert len(spans) == days - 1
        for span in spans:
            assert 0.96 * power[span.first : span.stop].sum() == pytest.approx(20.0, abs=1e-6)
        out, into = values["inverter.main.output_kw"], values["inverter.main.input_kw"]
        bus = (
            values["storage.store.discharge_kw"]
            - values["storage.store.charge_kw"]
            + 0.95 * into
            - out / 0.95
        )
        bus += values["dc_load.truck.regenerated_kw"]
        assert bus == pytest.approx(power + 0.3 + 0.02, abs=1e-6)
        assert values["meter.import_kw"] - values["meter.export_kw"] == pytest.approx(
            1.0 + into - out, abs=1e-6
        )
    assert run.dispatch.proof.settled <= ceiling.proof.bound + 1e-6


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"before_phase": None}, "needs before_phase and before_efficiency"),
        ({"before": "new"}, "goes with phase"),
        ({"phase": "L1"}, "goes with phase"),
        ({"before_phase": "L2"}, "flexible_load.0.before_phase is L2 but the site has one phase"),
        ({"before_power_kw": 2.0}, "of which the charger before gave 6.4 kWh at the most"),
        (
            {"habit": [{"plugged_in": "00:00", "departure": "02:00", "energy_kwh": 12.0}]},
            "0.48 kWh are missing",
        ),
    ],
)
def test_sessions_on_the_bus_say_what_charged_them_before(tmp_path, given, words):
    made = {key: value for key, value in (charger() | given).items() if value is not None}
    with pytest.raises(ScenarioError) as caught:
        warehouse(tmp_path, made, np.ones(24))
    assert words in str(caught.value)


def test_new_sessions_are_on_no_bill_before(tmp_path):
    new = {key: value for key, value in charger(before="new").items() if not key.startswith("before_")}
    statement = optimiser.settle(optimiser.solve(warehouse(tmp_path, new, np.ones(24))))
    assert statement.bill_before == pytest.approx(0.0)
    assert statement.bill_after == pytest.approx((12.5 + 24 * 0.02) / 0.95, abs=1e-6)
