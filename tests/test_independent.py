"""The reference problem, judged on its own against values from outside and values worked by hand.

"Computed by hand" beside a value means that its arithmetic stands in the test.
"""

import copy
import datetime

import numpy as np
import pytest
from independent import random_site, solve_reference

CENT = 0.005  # money is compared to half a cent
PHYSICS = 1e-3  # relative; the printed figures have four digits


def trading_site(prices, *, capacity_kwh=1.0, start_kwh=0.0, end_kwh=0.0, step_hours=1.0, wear_per_kwh=0.0):
    """A lossless 1 kW inverter and a store of 0.9 each way, buying and selling at one price."""
    prices = np.asarray(prices, dtype=float)
    return {
        "step_hours": step_hours,
        "steps": len(prices),
        "phases": ["L1"],
        "load_kw": {"L1": np.zeros(len(prices))},
        "registers": "netted",
        "inverters": [inverter(1.0)],
        "banks": [bank(capacity_kwh, 1.0, efficiency=0.9, start_kwh=start_kwh, end_kwh=end_kwh)],
        "import_price": prices,
        "export_price": prices,
        "wear_per_kwh": wear_per_kwh,
    }


def inverter(rating_kw, efficiency=1.0, **more):
    return {
        "phase": "L1",
        "output_kw": rating_kw,
        "input_kw": rating_kw,
        "output_efficiency": efficiency,
        "input_efficiency": efficiency,
        **more,
    }


def bank(capacity_kwh, rating_kw, *, efficiency=1.0, start_kwh=0.0, end_kwh=None, **more):
    return {
        "kind": "battery",
        "voltage_v": 51.2,
        "capacity_kwh": capacity_kwh,
        "charge_kw": rating_kw,
        "discharge_kw": rating_kw,
        "charge_efficiency": efficiency,
        "discharge_efficiency": efficiency,
        "start_kwh": start_kwh,
        "end_kwh": end_kwh,
        **more,
    }


# --- Energy trading: all computed by hand, from prices and a store of 0.9 each way --------------------


def test_trade_between_two_prices_earns_the_spread_after_losses():
    """Buy 1 at 20, store 0.9, sell 0.81 at 100: 81 - 20 = 61."""
    answer = solve_reference(trading_site([20, 100]))
    assert answer["money"] == pytest.approx(61.00, abs=CENT)
    assert answer["import_kw"].sum() == pytest.approx(1.0, rel=PHYSICS)
    assert answer["export_kw"].sum() == pytest.approx(0.81, rel=PHYSICS)


def test_no_trade_when_losses_exceed_the_spread():
    """60 x 0.81 = 48.60 is less than the 50 paid."""
    assert solve_reference(trading_site([50, 60]))["money"] == pytest.approx(0.0, abs=CENT)


@pytest.mark.parametrize(
    ("wear_per_kwh", "expected"),
    [
        # Buys 1 at 10 and 1 at 20, holds 1.8, sells 1.62, of it 1 at 90: 90 + 0.62 x 80 - 30 = 109.60.
        (0.0, 109.60),
        # Every one of the 1.62 kWh discharged costs 30: 109.60 - 48.60 = 61.00.
        (30.0, 61.00),
        # At 60 the sales leave 30 and 20 a kWh. What is bought at 20 for the second earns only 0.81 x 20, so
        # only 1 is sold, which needs 1 / 0.81 = 1.23457 bought: 30 - 10 - 0.23457 x 20 = 15.31.
        (60.0, 15.31),
    ],
)
def test_wear_holds_trade_back(wear_per_kwh, expected):
    answer = solve_reference(trading_site([10, 20, 80, 90], capacity_kwh=2.0, wear_per_kwh=wear_per_kwh))
    assert answer["money"] == pytest.approx(expected, abs=CENT)


def test_the_length_of_a_step_does_not_move_the_money():
    """The trade of 20 and 100 in steps of 5 minutes: 61 again."""
    site = trading_site([20] * 12 + [100] * 12, step_hours=1 / 12)
    assert solve_reference(site)["money"] == pytest.approx(61.00, abs=CENT)


def test_negative_prices_tempt_only_the_naive_problem():
    """Full at -100: charging 1 while discharging 0.81 would be paid 100 - 81 = 19; one direction earns 0."""
    site = trading_site([-100], start_kwh=1.0, end_kwh=1.0)
    assert solve_reference(site, one_direction=False)["money"] == pytest.approx(19.00, abs=CENT)
    assert solve_reference(site)["money"] == pytest.approx(0.0, abs=CENT)


def test_export_limit_caps_what_is_bought():
    """0.4 sold needs 0.4 / 0.81 = 0.4938 bought: 40 - 9.877 = 30.12."""
    site = trading_site([20, 100]) | {"export_limit_kw": 0.4}
    answer = solve_reference(site)
    assert answer["money"] == pytest.approx(30.12, abs=CENT)
    assert answer["import_kw"].sum() == pytest.approx(0.4938, rel=PHYSICS)


def test_a_free_end_sells_the_initial_charge():
    """0.5 stored gives 0.45 at 50 = 22.50; with the start kept there is nothing to earn at one price."""
    site = trading_site([50, 50], start_kwh=0.5, end_kwh=0.0)
    assert solve_reference(site)["money"] == pytest.approx(22.50, abs=CENT)
    site["banks"][0]["end_kwh"] = None
    assert solve_reference(site)["money"] == pytest.approx(0.0, abs=CENT)


def test_self_consumption_saves_the_import_price():
    """Surplus 2 kW, then load 2 kW, at 0.30 in and 0.08 out.

    Without a store 2 x 0.30 - 2 x 0.08 = 0.440; with it 0.81 x 0.30 - 0.08 = 0.163 less.
    """
    site = trading_site([0.30, 0.30])
    site["export_price"] = np.array([0.08, 0.08])
    site["load_kw"] = {"L1": np.array([0.0, 2.0])}
    site["ac_solar"] = [{"phase": "L1", "available_kw": np.array([2.0, 0.0])}]
    with_store = solve_reference(site)["money"]
    without = solve_reference(site | {"banks": [], "inverters": []})["money"]
    assert without == pytest.approx(-0.440, abs=5e-4)
    assert with_store == pytest.approx(-0.277, abs=5e-4)


@pytest.mark.parametrize(("end_kwh", "peak_kw"), [(0.0, 5.0), (4.0, 6.0)])
def test_demand_peak_is_shaved_by_what_the_store_holds(end_kwh, peak_kw):
    """Loads 3, 9, 3 and 4 kWh: 9 - 4 = 5 kW; if it must be refilled, 9 - x = 3 + x, so 6 kW. 10 a kW."""
    site = trading_site([0, 0, 0])
    site["load_kw"] = {"L1": np.array([3.0, 9.0, 3.0])}
    site["inverters"] = [inverter(4.0)]
    site["banks"] = [bank(4.0, 4.0, start_kwh=4.0, end_kwh=end_kwh)]
    site["demand_rate_per_kw"] = 10.0
    assert solve_reference(site)["money"] == pytest.approx(-10.0 * peak_kw, abs=CENT)


# --- Phases and ratings ----------------------------------------


@pytest.mark.parametrize(("registers", "cost"), [("per_phase", 0.44), ("netted", 0.0)])
def test_registers_decide_what_solar_on_one_phase_is_worth(registers, cost):
    """Published example, SEANZ, 30 September 2016: 1 kW of load on each phase, 3 kW of solar on one.

    At 30 c and 8 c: 2 kWh in and 2 kWh out, 60 - 16 = 44 c with registers per phase, nothing when netted.
    """
    site = {
        "step_hours": 1.0,
        "steps": 1,
        "phases": ["L1", "L2", "L3"],
        "load_kw": {phase: np.ones(1) for phase in ("L1", "L2", "L3")},
        "ac_solar": [{"phase": "L1", "available_kw": np.array([3.0])}],
        "registers": registers,
        "import_price": np.array([0.30]),
        "export_price": np.array([0.08]),
    }
    assert -solve_reference(site)["money"] == pytest.approx(cost, abs=1e-6)


def test_controller_current_limits_its_power():
    """Computed by hand: 100 A x 51.2 V = 5,120 W."""
    site = trading_site([1.0])
    site["inverters"] = [inverter(10.0)]
    site["controllers"] = [{"available_kw": np.array([10.0]), "efficiency": 1.0, "current_limit_a": 100.0}]
    site["banks"] = [bank(1.0, 0.0)]
    assert solve_reference(site)["export_kw"][0] == pytest.approx(5.120, rel=1e-6)


def test_pass_through_current_limits_its_phase():
    """Computed by hand: 21.7 A x 230 V = 4,991 VA."""
    site = trading_site([1.0])
    site["inverters"] = [inverter(10.0, pass_through_a=21.7, ac_voltage_v=230.0)]
    site["banks"] = [bank(10.0, 10.0, start_kwh=10.0, end_kwh=0.0)]
    assert solve_reference(site)["export_kw"][0] == pytest.approx(4.991, rel=1e-6)


def test_imbalance_limit_holds_a_single_phase_back():
    """At most 4.6 kVA between phases (VDE-AR-N 4100 s. 5.5, read in a summary of the VDE FNN note)."""
    phases = ["L1", "L2", "L3"]
    site = trading_site([1.0]) | {"phases": phases, "load_kw": {phase: np.zeros(1) for phase in phases}}
    site |= {"inverters": [inverter(10.0)], "imbalance_limit_kw": 4.6}
    site["banks"] = [bank(10.0, 10.0, start_kwh=10.0, end_kwh=0.0)]
    assert solve_reference(site)["export_kw"][0] == pytest.approx(4.6, rel=1e-6)


def test_demand_is_the_highest_average_of_a_slot():
    """Computed by hand: slots of two steps average 2 and 6 to 4, 3 and 4 to 3.5, 1 and 1 to 1, at 10 a kW.

    Counted from 00:30 to 01:00 only, the second slot is left: 35.
    """
    site = trading_site(np.zeros(6), step_hours=0.25)
    site["load_kw"] = {"L1": np.array([2.0, 6.0, 3.0, 4.0, 1.0, 1.0])}
    site |= {"banks": [], "inverters": [], "demand_rate_per_kw": 10.0, "demand_slot_steps": 2}
    assert solve_reference(site)["money"] == pytest.approx(-40.0, abs=CENT)
    site["demand_hours"] = (0.5, 1.0)
    assert solve_reference(site)["money"] == pytest.approx(-35.0, abs=CENT)


def test_demand_is_charged_in_each_calendar_month():
    """Computed by hand: 4 kW at most on 31 January and 1 kW on 1 February, at 10 a kW: 40 + 10."""
    site = trading_site(np.zeros(48)) | {"first_day": datetime.date(2025, 1, 31)}
    site["load_kw"] = {"L1": np.where(np.arange(48) == 5, 4.0, 1.0)}
    site |= {"banks": [], "inverters": [], "demand_rate_per_kw": 10.0}
    assert solve_reference(site)["money"] == pytest.approx(-50.0, abs=CENT)


@pytest.mark.parametrize(
    ("stored_kwh", "lowest_v", "limit_kw"),
    [
        (0.0, 42.0, 4.200),
        (50.0, 42.0, 4.800),  # one chord, whose middle is (42 + 54) / 2 = 48 V; the curve has 48.374 V
        (100.0, 42.0, 5.400),
        # Four chords from 24 V: corners at 31.5, 39 and 46.5 V; 39 V is (39^2 - 24^2) / (54^2 - 24^2) full.
        (100.0 * 945.0 / 2340.0, 24.0, 3.900),
    ],
)
def test_capacitor_current_limit_falls_with_its_voltage(stored_kwh, lowest_v, limit_kw):
    """Computed by hand, at 100 A: E = C V^2 / 2, chords touch the curve at their ends.

    A second moves hardly any energy.
    """
    empty = stored_kwh == 0.0  # an empty bank can only be charged, the others are discharged
    site = trading_site([-1.0 if empty else 1.0], step_hours=1 / 3600)
    site["inverters"] = [inverter(10.0)]
    capacitor = bank(100.0, 10.0, start_kwh=stored_kwh, end_kwh=0.0, current_limit_a=100.0)
    capacitor |= {"kind": "capacitor_bank", "lowest_voltage_v": lowest_v, "highest_voltage_v": 54.0}
    site["banks"] = [capacitor]
    answer = solve_reference(site)
    moved_kw = answer["charge_kw"][0][0] + answer["discharge_kw"][0][0]
    assert moved_kw == pytest.approx(limit_kw, rel=1e-4)


def test_pieces_are_filled_best_first_even_where_waste_is_paid():
    """Computed by hand: 0.81 there and back at 0.5 kW, 0.49 at 1 kW, so 0.9 and 0.7 one way.

    Paid 1 a kWh, 1 kW stores 0.7 kWh, of it 0.45 in the first half of the power and 0.25 in the second. With
    room for 0.45 kWh only the first half may run, though the second alone would take 0.9 kW.
    """
    store = bank(0.70, 1.0, end_kwh=0.0, measured_points=[(0.5, 0.81), (1.0, 0.49)])
    site = trading_site([-1.0]) | {"banks": [store]}
    assert solve_reference(site)["money"] == pytest.approx(1.0, abs=1e-6)
    site["banks"] = [store | {"capacity_kwh": 0.45}]
    assert solve_reference(site)["money"] == pytest.approx(0.5, abs=1e-6)


# --- Services ----------------------------------------


def service(direction, group, price, steps, *, sustain_hours=1 / 3600, **more):
    prices = np.full(steps, float(price))
    return {
        "direction": direction,
        "group": group,
        "sustain_hours": sustain_hours,
        "price_per_kw_h": prices,
        **more,
    }


def test_availability_of_a_day_is_paid_per_hour_not_per_interval():
    """Computed by hand: 0.1 MW all day in 288 intervals at 12 a MW and hour is 0.1 x 12 x 24 = 28.80."""
    steps = 288
    site = trading_site(np.zeros(steps), step_hours=1 / 12, start_kwh=0.5, end_kwh=0.5)
    site["services"] = [service("up", "contingency", 0.012, steps, maximum_kw=100.0)]
    site["inverters"] = [inverter(200.0)]
    site["banks"] = [bank(1000.0, 200.0, start_kwh=500.0)]
    assert solve_reference(site)["lines"]["services"] == pytest.approx(28.80, abs=CENT)


@pytest.mark.parametrize(
    ("load_kw", "import_limit_kw", "import_price", "regulation_kw", "contingency_kw"),
    [
        (60.0, 0.0, 0.0, 10.0, 30.0),  # the load can only be met by discharging 60: 100 - 60 - 10
        (0.0, 60.0, -1e3, 0.0, 160.0),  # being paid to take 60, the limit, it charges 60: 100 + 60 - 0
    ],
)
def test_contingency_is_what_energy_and_regulation_leave(
    load_kw, import_limit_kw, import_price, regulation_kw, contingency_kw
):
    """Battery of 100 kW each way: regulation adds to each contingency service, these share their kW.

    Rule: AEMO, FCAS Model in NEMDE, May 2017, s. 6.1-6.3 (joint capacity, one inequality for each contingency
    service). The figures are computed by hand.
    """
    site = trading_site([import_price])
    site["load_kw"] = {"L1": np.array([load_kw])}
    site["import_limit_kw"] = import_limit_kw
    site["inverters"] = [inverter(100.0)]
    site["banks"] = [bank(1000.0, 100.0, start_kwh=500.0, end_kwh=0.0)]
    site["services"] = [
        service("up", "regulation", 5.0, 1, maximum_kw=regulation_kw),
        service("up", "contingency", 1.0, 1),
        service("up", "contingency", 1.0, 1),
    ]
    regulation, fast, slow = (kw[0] for kw in solve_reference(site)["offered_kw"])
    assert regulation == pytest.approx(regulation_kw, abs=1e-6)
    assert fast == pytest.approx(contingency_kw, rel=1e-6)
    assert slow == pytest.approx(contingency_kw, rel=1e-6)


@pytest.mark.parametrize("step_hours", [1.0, 1 / 12])
def test_raise_needs_its_energy_in_store(step_hours):
    """Computed by hand: 40 kW for 10 min is 6.667 kWh AC, 7.018 kWh stored at 0.95; so 7.018 kWh carry 40 kW.

    With steps of 5 minutes the call reaches into the next step and needs no more than that.
    """
    site = trading_site(np.zeros(3), step_hours=step_hours)
    site["export_price"] = np.full(3, -1.0)
    site["import_limit_kw"] = 0.0
    site["inverters"] = [inverter(100.0)]
    site["banks"] = [bank(7.018, 100.0, start_kwh=7.018) | {"discharge_efficiency": 0.95}]
    site["services"] = [service("up", "contingency", 1.0, 3, sustain_hours=1 / 6)]
    assert solve_reference(site)["offered_kw"][0] == pytest.approx(np.full(3, 40.0), rel=PHYSICS)


@pytest.mark.parametrize(("groups", "needed_kwh"), [(("a", "b"), 5.263), (("a", "a"), 3.509)])
def test_a_shared_group_holds_its_energy_once(groups, needed_kwh):
    """Computed by hand: 20 kW for 10 min and 20 kW for 5 min.

    Apart they need (20 / 6 + 20 / 12) / 0.95 = 5.263 kWh in store, in one group 20 / 6 / 0.95 = 3.509.
    """
    for factor in (1.001, 0.999):  # a little more holds both in full, a little less does not
        kwh = needed_kwh * factor
        site = trading_site([0.0]) | {"export_price": np.array([-1.0]), "import_limit_kw": 0.0}
        site["inverters"] = [inverter(100.0)]
        site["banks"] = [bank(kwh, 100.0, start_kwh=kwh) | {"discharge_efficiency": 0.95}]
        site["services"] = [
            service("up", groups[0], 1.0, 1, sustain_hours=1 / 6, maximum_kw=20.0),
            service("up", groups[1], 1.0, 1, sustain_hours=1 / 12, maximum_kw=20.0),
        ]
        in_full = sum(kw[0] for kw in solve_reference(site)["offered_kw"]) > 40.0 - 1e-6
        assert in_full == (factor > 1.0)


def test_down_fits_below_the_ceiling_and_stops_the_discharge():
    """Computed by hand: 100 kW each way, discharging 60 into a load, can come down by 160 kW.

    With 5 kWh of room at the start of the step and a call of half an hour, 60 kW stop the discharge and what
    fits beyond is 5 / 0.5 = 10 kW: 70 kW. At the end there is room for 65 / 0.5 = 130 kW.
    """
    site = trading_site([0.0]) | {"load_kw": {"L1": np.array([60.0])}}
    site |= {
        "import_limit_kw": 1000.0,
        "export_limit_kw": 0.0,
        "inverters": [inverter(100.0)],
        "import_price": np.array([1e3]),
    }
    site["services"] = [service("down", None, 1.0, 1)]
    site["banks"] = [bank(1000.0, 100.0, start_kwh=500.0, end_kwh=0.0)]
    assert solve_reference(site)["offered_kw"][0][0] == pytest.approx(160.0, rel=1e-6)
    site["banks"] = [bank(505.0, 100.0, start_kwh=500.0, end_kwh=0.0)]
    site["services"] = [service("down", None, 1.0, 1, sustain_hours=0.5)]
    assert solve_reference(site)["offered_kw"][0][0] == pytest.approx(70.0, rel=1e-6)


def test_a_call_is_covered_beside_the_planned_discharge_and_at_the_end_of_the_step():
    """Computed by hand: 10 kWh in store, 2 kW of load, an hour's step and a call of an hour.

    The plan takes 2 kWh, so at the start 10 - 2 and at the end 8 kWh are left for the call: 8 kW.
    """
    site = trading_site([1e3]) | {"load_kw": {"L1": np.array([2.0])}, "inverters": [inverter(100.0)]}
    site["export_price"] = np.array([-1e3])
    site["banks"] = [bank(20.0, 100.0, start_kwh=10.0, end_kwh=0.0)]
    site["services"] = [service("up", None, 1.0, 1, sustain_hours=1.0)]
    assert solve_reference(site)["offered_kw"][0][0] == pytest.approx(8.0, rel=1e-6)


def test_zero_export_site_sells_up_by_stopping_its_charge():
    """Computed by hand: 3 kW of charge from the grid can be stopped; beyond that only firm load takes power.

    Paid to import, it takes 5 kW: 2 kW of load and 3 kW of charge. With half of the load firm, 3 + 1 = 4 kW.
    """
    site = trading_site([-100.0])
    site["load_kw"] = {"L1": np.array([2.0])}
    site |= {"export_limit_kw": 0.0, "import_limit_kw": 5.0, "inverters": [inverter(10.0)]}
    site["banks"] = [bank(1000.0, 10.0, start_kwh=500.0, end_kwh=0.0)]
    site["services"] = [service("up", None, 1.0, 1)]
    assert solve_reference(site)["offered_kw"][0][0] == pytest.approx(3.0, rel=1e-6)
    site["firm_load_fraction"] = 0.5
    assert solve_reference(site)["offered_kw"][0][0] == pytest.approx(4.0, rel=1e-6)


def test_being_allowed_to_offer_never_costs_money():
    """No offer is always an offer: with the services the best money is at least that without them."""
    for seed in (2, 4, 9):
        site = random_site(seed)
        without = solve_reference(site | {"services": []})["money"]
        assert solve_reference(site)["money"] >= without - 1e-6


def test_a_service_without_a_price_changes_nothing():
    """An offer of zero must leave the schedule free: a zero-export site still covers its own load."""
    site = trading_site([20.0, 100.0])
    site["load_kw"] = {"L1": np.array([1.0, 1.0])}
    site |= {"export_limit_kw": 0.0, "import_limit_kw": 3.0}
    plain = solve_reference(site)["money"]
    site["services"] = [service("up", None, 0.0, 2), service("down", None, 0.0, 2)]
    assert solve_reference(site)["money"] == pytest.approx(plain, abs=1e-6)


def test_a_service_without_a_price_leaves_a_reserve_that_begins_free():
    """Computed by hand: 4 kWh of reserve from 01:00 on, filled at 20 in the very hour in which it begins."""
    site = trading_site([50.0, 20.0, 30.0])
    site["banks"] = [bank(4.0, 10.0, floor_kwh=4.0, reserve_hours=(1, 24), end_kwh=0.0)]
    site["inverters"] = [inverter(10.0)]
    plain = solve_reference(site)["money"]
    assert plain == pytest.approx(-80.0, abs=CENT)
    site["services"] = [service("up", None, 0.0, 3)]
    assert solve_reference(site)["money"] == pytest.approx(plain, abs=CENT)


# --- Random sites ----------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_a_random_site_has_an_answer_that_balances(seed):
    """Recomputed from the flows alone: the bus, the store and one direction at a time."""
    site = random_site(seed)
    before = copy.deepcopy(site)
    answer = solve_reference(site)
    assert repr(before) == repr(site)
    for step in range(site["steps"]):
        surplus_kw = -sum(load["power_kw"][step] for load in site["dc_loads"])
        for k, inv in enumerate(site["inverters"]):
            out, into = answer["output_kw"][k][step], answer["input_kw"][k][step]
            assert min(out, into) == pytest.approx(0.0, abs=1e-6)
            surplus_kw += (
                into * inv["input_efficiency"] - out / inv["output_efficiency"] - inv["standby_w"] / 1e3
            )
        for k, store in enumerate(site["banks"]):
            charge, discharge = answer["charge_kw"][k][step], answer["discharge_kw"][k][step]
            assert min(charge, discharge) == pytest.approx(0.0, abs=1e-6)
            surplus_kw += discharge - charge - store["standby_w"] / 1e3
        surplus_kw += sum(solar[step] for solar in answer["dc_solar_kw"])
        assert surplus_kw == pytest.approx(0.0, abs=1e-6)
