"""Banks by themselves: capacity, losses, voltage, and the rules of their fields.

Circuit theory: E = C V^2 / 2, losses I^2 R. Figures are made up unless a source is named.
"""

from __future__ import annotations

import datetime
import math
from typing import Any

import numpy as np
import pytest
from conftest import battery, inverter, table, write_site
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from optimiser import read_scenario, settle, solve
from optimiser.equipment.battery import Battery
from optimiser.equipment.capacitor_bank import CapacitorBank
from optimiser.equipment.storage import KINDS
from optimiser.equipment.voltage import voltage_at, voltage_chords
from optimiser.results.frame import dispatch_table
from optimiser.timeline import Timeline

DAY = Timeline(datetime.datetime(2025, 1, 1, tzinfo=datetime.UTC), 60, 24, "UTC")


def capacitors(**fields: Any) -> CapacitorBank:
    """A bank of 3.9 kWh between 31 and 41 V."""
    least = {
        "kind": "capacitor_bank",
        "name": "bank",
        "charge_kw": 6.0,
        "discharge_kw": 6.0,
        "unit_usable_kwh": 3.9,
        "lowest_voltage_v": 31.0,
        "highest_voltage_v": 41.0,
    }
    return CapacitorBank.model_validate(least | fields)


def cells(**fields: Any) -> Battery:
    """A battery of 10 kWh and 5 kW."""
    return Battery.model_validate(battery(10.0, 5.0) | fields)


def test_units_multiply_energy_and_power():
    """Three units hold and carry three times what one does."""
    one, three = cells(), cells(units=3)
    assert 3 * one.capacity_kwh == three.capacity_kwh
    assert 3 * one.charge_limit_kw == three.charge_limit_kw
    assert 3 * one.discharge_limit_kw == three.discharge_limit_kw


def test_units_share_a_resistance():
    """Units in parallel share the current: the efficiency of three at thrice the power is that of one (I^2
    R).
    """
    one, three = cells(resistance_ohm=0.03), cells(resistance_ohm=0.03, units=3)
    assert pytest.approx(3 * one.stored_kw(4.0)) == three.stored_kw(12.0)
    assert pytest.approx(3 * one.drained_kw(4.0)) == three.drained_kw(12.0)


@given(st.floats(0.01, 5.0), st.floats(1e-4, 0.02))
def test_resistance_loss_is_current_squared_times_resistance(power_kw, ohms):
    """What goes in and is not stored is I^2 R, with I = stored power over voltage; the same way out."""
    bank = cells(resistance_ohm=ohms)
    for inside, outside in ((bank.stored_kw(power_kw), power_kw), (bank.drained_kw(power_kw), power_kw)):
        amperes = inside * 1000 / 50.0
        assert pytest.approx(amperes**2 * ohms / 1000, rel=1e-6, abs=1e-12) == abs(outside - inside)


@given(st.floats(0.0, 0.05), st.floats(0.8, 1.0))
def test_losses_rise_with_power(ohms, efficiency):
    """Pieces get worse in order, so a linear program fills the best first; none creates energy."""
    bank = cells(resistance_ohm=ohms, charge_efficiency=efficiency, discharge_efficiency=efficiency)
    for pieces in (bank.charge_pieces(), bank.discharge_pieces()):
        efficiencies = [e for _, e in pieces]
        assert np.diff(efficiencies).max(initial=0) <= 1e-9
        assert efficiencies[0] <= 1 + 1e-12
        assert pytest.approx(5.0) == sum(width for width, _ in pieces)


def test_pieces_are_exact_at_their_ends():
    """At its full power a bank's pieces lose what the curve says."""
    bank = cells(resistance_ohm=0.02)
    assert pytest.approx(bank.stored_kw(5.0)) == sum(width * e for width, e in bank.charge_pieces())
    assert pytest.approx(bank.drained_kw(5.0)) == sum(width / e for width, e in bank.discharge_pieces())


@pytest.mark.parametrize("bank", [cells(), cells(resistance_ohm=0.02), capacitors(resistance_ohm=0.002)])
def test_next_to_no_power_loses_nothing_in_the_resistance(bank):
    """Losses rise with the square of the current, so the efficiency as power vanishes is the one without them.

    Where losses are straight pieces, the first piece is meant: a tenth of a watt.
    """
    for curve in (bank.charge_curve(), bank.discharge_curve()):
        power = np.array([1e-4])
        middle = np.array([bank.capacity_kwh / 2])
        assert pytest.approx(curve.at_low_power, rel=1e-6) == curve.rate(power, middle, 1.0)[0] / power[0]
        if bank.voltage_moves_losses:
            assert pytest.approx(1.0) == curve.at_low_power


def test_resistance_that_cannot_carry_the_power_is_refused():
    """A source gives at most V^2/4R; 5 kW from 50 V behind 0.2 ohm (3.125 kW) is refused by name, not by a
    crash.
    """
    with pytest.raises(ValidationError, match="resistance_ohm"):
        cells(resistance_ohm=0.2)


@pytest.mark.parametrize("one_way", [0.9, 0.97])
def test_efficiency_of_a_round_trip(one_way):
    """One-way efficiencies multiply: a round trip at low rate is their product."""
    bank = cells(charge_efficiency=one_way, discharge_efficiency=one_way)
    assert pytest.approx(one_way**2) == bank.stored_kw(2.0) / bank.drained_kw(2.0)


def test_converter_losses_are_taken_once_each_way():
    """Behind a converter of 0.95, 2 kW of the bus store 1.9 x 0.96 and drain 2 / 0.95 / 0.96."""
    bank = cells(
        charge_efficiency=0.96, discharge_efficiency=0.96, converter={"rating_kw": 3.0, "efficiency": 0.95}
    )
    ((in_kw, into),), ((out_kw, out),) = bank.charge_pieces(), bank.discharge_pieces()
    assert (3.0, 3.0) == (in_kw, out_kw)
    assert pytest.approx(0.95 * 0.96) == into
    assert pytest.approx(0.95 * 0.96) == out


def test_what_a_bank_behind_a_converter_did_is_told_at_its_terminals(tmp_path):
    """A load of 3 kW through a converter of 0.75 takes 4 kW from the units: 4 kWh an hour are worn, shown and counted.

    Arithmetic on the words of the file: charge_kw and discharge_kw are "of a unit at its DC terminals".
    """
    bank = battery(20.0, 8.0, start_fraction=1.0, end_fraction=0.0, wear_per_kwh=0.01)
    bank |= {"converter": {"rating_kw": 8.0, "efficiency": 0.75}}
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 50.0, "export_limit_kw": 0.0},
        "load": [{"power_kw": "data.load_kw"}],
        "inverter": [inverter(10.0)],
        "dc_voltage_v": 50.0,
    }
    words = table(
        site=site,
        components=[{"kind": "energy_charge", "rates": [{"name": "all", "rate_per_kwh": 0.3}]}],
        storage=[bank],
        step_minutes=60,
        days=1,
    )
    load = np.where(np.arange(24) < 2, 3.0, 0.0)
    dispatch = solve(read_scenario(write_site(tmp_path, words, {"load_kw": load})))
    rows = dispatch_table(dispatch)
    assert [4.0, 4.0, 0.0] == pytest.approx(rows["storage.store.discharge_kw"].iloc[:3].tolist(), abs=1e-6)
    wear = next(line for line in dispatch.lines if line.group == "wear")
    assert -0.08 == pytest.approx(float(wear.values.sum()), abs=1e-9)
    totals = settle(dispatch).energy_kwh
    assert 8.0 == pytest.approx(totals["store discharge"], abs=1e-6)
    assert (0.0, 2.0) == pytest.approx((totals["store losses"], totals["store converter losses"]), abs=1e-6)


def test_converter_moves_the_limit_to_the_bus():
    """5 kW at the terminals are 5/0.8 kW taken from the bus and 5 x 0.8 kW given to it, if the rating
    allows.
    """
    bank = cells(converter={"rating_kw": 20.0, "efficiency": 0.8})
    assert pytest.approx(6.25) == bank.charge_limit_kw
    assert pytest.approx(4.0) == bank.discharge_limit_kw


@pytest.mark.parametrize(("hours", "kept"), [(24, 0.9), (48, 0.81), (12, math.sqrt(0.9))])
def test_self_discharge_compounds(hours, kept):
    """10 % a day leaves 0.9 after a day, 0.81 after two, the square root after half a day."""
    assert pytest.approx(kept) == cells(self_discharge_per_day=0.1).kept(hours)


def test_reserve_is_kept_in_its_window():
    """20 % always, half from 18:00 to 22:00: the highest that holds counts."""
    bank = cells(reserve=[{"fraction": 0.2}, {"fraction": 0.5, "when": {"from": "18:00", "to": "22:00"}}])
    expected = np.where((np.arange(24) >= 18) & (np.arange(24) < 22), 5.0, 2.0)
    np.testing.assert_allclose(bank.reserve_kwh(DAY), expected)


@given(st.floats(0, 1), st.floats(1, 100), st.floats(1.01, 3))
def test_voltage_follows_the_energy(share, lowest, ratio):
    """The energy above the lowest voltage is C (V^2 - Vmin^2) / 2, so V squared is linear in it."""
    bank = capacitors(lowest_voltage_v=lowest, highest_voltage_v=lowest * ratio)
    volts = voltage_at(bank, share * bank.capacity_kwh)
    highest = lowest * ratio
    assert pytest.approx(share, abs=1e-9) == (volts**2 - lowest**2) / (highest**2 - lowest**2)


@given(st.floats(0, 1), st.floats(10, 100), st.floats(1.01, 3))
def test_straight_lines_never_exceed_the_voltage(share, lowest, ratio):
    """The square root is concave, so chords lie below it: a limit from them is safe, and no more than 1 %
    low.
    """
    bank = capacitors(lowest_voltage_v=lowest, highest_voltage_v=lowest * ratio)
    exact = float(voltage_at(bank, share * bank.capacity_kwh))
    line = min(base + slope * share for base, slope in voltage_chords(bank))
    assert exact * 0.9899 <= line <= exact * (1 + 1e-9)


def test_capacity_from_capacitance():
    """C (41^2 - 31^2) / 2 is 3.9 kWh for 3.9 x 3.6e6 x 2 / 720 F."""
    farads = 3.9 * 3.6e6 * 2 / (41**2 - 31**2)
    bank = capacitors(unit_usable_kwh=None, capacitance_f=farads)
    assert pytest.approx(3.9) == bank.capacity_kwh


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"lowest_voltage_v": 41.0}, "lowest_voltage_v must be below highest_voltage_v"),
        ({"capacitance_f": 100.0}, "either capacitance_f or unit_usable_kwh"),
        ({"unit_usable_kwh": None}, "either capacitance_f or unit_usable_kwh"),
        (
            {"resistance_ohm": 0.01, "measured_points": [{"power_kw": 6.0, "round_trip_efficiency": 0.9}]},
            "either resistance_ohm or measured_points",
        ),
        (
            {"measured_points": [{"power_kw": 6.0, "round_trip_efficiency": e} for e in (0.9, 0.8)]},
            "two points at 6 kW, of round trips 0.9 and 0.8; keep one of them",
        ),
        # 3 kW drain 3 / sqrt(0.25) = 6 kW, 6 kW drain 6 / sqrt(1) = 6 kW: nothing more is drawn.
        (
            {
                "measured_points": [
                    {"power_kw": 3.0, "round_trip_efficiency": 0.25},
                    {"power_kw": 6.0, "round_trip_efficiency": 1.0},
                ]
            },
            "from 0.25 at 3 kW to 1 at 6 kW, so that at more power less is stored or drawn; check both",
        ),
        # 3 kW store 3 sqrt(1) = 3 kW, 6 kW store 6 sqrt(0.2) = 2.68 kW.
        (
            {
                "measured_points": [
                    {"power_kw": 3.0, "round_trip_efficiency": 1.0},
                    {"power_kw": 6.0, "round_trip_efficiency": 0.2},
                ]
            },
            "so that at more power less is stored or drawn",
        ),
        (
            {"measured_points": [{"power_kw": 3.0, "round_trip_efficiency": 0.9}]},
            "measured_points must reach",
        ),
        (
            {
                "measured_points": [
                    {"power_kw": 6.0, "round_trip_efficiency": 0.9},
                    {"power_kw": 2.0, "round_trip_efficiency": 0.95},
                ]
            },
            "in order of rising power_kw",
        ),
        (
            {"charge_efficiency": 0.9, "measured_points": [{"power_kw": 6.0, "round_trip_efficiency": 0.9}]},
            "already hold the losses",
        ),
    ],
)
def test_fields_that_contradict_are_refused(fields, words):
    """Losses and energy are given once, and voltages in order."""
    with pytest.raises(ValidationError, match=words):
        capacitors(**fields)


@pytest.mark.parametrize("rising", [(0.90, 0.97), (0.95, 0.96)])
def test_measured_points_that_get_better_with_power_create_no_energy(rising):
    """Standing losses make low power worse; then pieces come in another order, and still none creates
    energy.
    """
    low, high = rising
    points = [
        {"power_kw": 1.0, "round_trip_efficiency": low},
        {"power_kw": 6.0, "round_trip_efficiency": high},
    ]
    bank = capacitors(measured_points=points)
    for pieces in (bank.charge_pieces(), bank.discharge_pieces()):
        assert all(0 < efficiency <= 1 for _, efficiency in pieces), pieces


@pytest.mark.parametrize("kind", KINDS)
def test_a_bank_ends_no_emptier_than_it_starts(kind):
    """Without an end of its own, a bank keeps what it began with."""
    bank = cells(start_fraction=0.3) if kind is Battery else capacitors(start_fraction=0.3)
    assert bank.start_kwh == bank.end_kwh
    assert pytest.approx(0.3 * bank.capacity_kwh) == bank.start_kwh
