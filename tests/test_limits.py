"""Electrical laws against arithmetic done here, and that nothing says them a second time."""

from __future__ import annotations

import re
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

import optimiser
from optimiser.equipment import binding, laws, limits

PACKAGE = Path(optimiser.__file__).parent


def test_standby_is_of_each_inverter_and_of_each_unit_of_a_bank():
    """Two inverters of 30 and 18 W and a bank of four units of 6 W draw 72 W."""
    inverters = [SimpleNamespace(standby_w=30.0), SimpleNamespace(standby_w=18.0)]
    banks = [SimpleNamespace(units=4, standby_w=6.0)]
    assert 0.072 == pytest.approx(laws.standby_kw(inverters, banks), rel=1e-12)


def test_a_power_is_a_current_at_a_voltage():
    """40 A at 230 V are 9.2 kW, and the other way round."""
    assert 9.2 == pytest.approx(laws.power_kw(40.0, 230.0))
    assert 40.0 == pytest.approx(laws.current_a(9.2, 230.0))


def test_what_is_wired_before_an_inverter_does_not_pass_it():
    """9.2 kW may pass and 1.5 kW are wired before: the phase may take 10.7 kW and give 7.7 kW."""
    line = binding.Through(limits.PASS_THROUGH, "a", "L1", 40.0, 230.0, 1.0, True, np.array([1.5]))
    assert (10.7, -7.7) == pytest.approx((line.highest_net_kw[0], line.lowest_net_kw[0]))


@pytest.mark.parametrize(("volts", "loss_w"), [(29.0, 466.0), (41.0, 208.1), (56.0, 106.4)])
def test_resistance_loss_rises_as_the_voltage_falls(volts, loss_w):
    """4.2 kW at the terminals through 18 mOhm, discharging: I from V I - I^2 R = P, loss I^2 R.

    The quadratic is solved here by NumPy's companion matrix; the watts were reckoned by hand beforehand to a tenth.
    """
    amperes = min(np.roots([0.018, -volts, 4200.0]).real)
    assert loss_w == pytest.approx(amperes**2 * 0.018, abs=0.05)
    open_kw = laws.open_power_kw(4.2, volts, 0.018, discharging=True)
    assert amperes**2 * 0.018 / 1000 == pytest.approx(open_kw - 4.2, rel=1e-9)
    assert open_kw - 4.2 == pytest.approx(laws.resistance_loss_kw(open_kw, volts, 0.018), rel=1e-9)


def test_charging_loses_what_does_not_reach_the_store():
    """3 kW into 40 V through 20 mOhm: V I + I^2 R = P."""
    amperes = max(np.roots([0.020, 40.0, -3000.0]).real)
    open_kw = laws.open_power_kw(3.0, 40.0, 0.020, discharging=False)
    assert 40.0 * amperes / 1000 == pytest.approx(open_kw, rel=1e-9)
    assert 3.0 - open_kw == pytest.approx(laws.resistance_loss_kw(open_kw, 40.0, 0.020), rel=1e-9)


def test_a_source_gives_at_most_a_quarter_of_its_short_circuit_power():
    """V^2 / 4R: 40 V behind 50 mOhm give 8 kW, at half the voltage."""
    assert 8.0 == pytest.approx(laws.most_power_kw(40.0, 0.05))
    assert 40.0 * 400.0 / 1000 == pytest.approx(laws.open_power_kw(8.0, 40.0, 0.05, discharging=True))


def test_a_capacitance_holds_energy_by_the_square_of_its_voltage():
    """Between 20 and 50 V half of the energy is left at sqrt((400 + 2500) / 2) = 38.079 V."""
    assert np.sqrt(1450.0) == pytest.approx(laws.voltage_v(0.5, 20.0, 50.0))
    assert 0.5 == pytest.approx(laws.share_at(np.sqrt(1450.0), 20.0, 50.0))


READ_TO_BE_SHOWN = {"report/diagram.py", "scenario/checks/peaks.py"}
SAID_ONCE = {
    "standby of a site": (r"units \* \w+\.standby_w|sum\(.*\bstandby_w", "equipment/laws.py"),
    "a power is a current at a voltage": (
        r"(?:amperes|_a)\w* (?:/ 1000 )?\*.*(?:volts|lowest|/ 1000)|\* 1000 / [a-z_]*(?:volts|lowest|amperes|_a)\b",
        "equipment/laws.py",
    ),
    "roots of the resistance law": (r"4 \* lost \*", "equipment/laws.py"),
    "load wired before an inverter": (r"1 - \w+\.backed_up_share", "equipment/site.py"),
    "current that passes an inverter": (r"\.pass_through_limit_a", "equipment/inverter.py"),
    "current of an AC breaker": (r"\.ac_breaker_a\b", "equipment/inverter.py"),
    "current on the bus": (r"\.dc_current_limit_a", "equipment/inverter.py"),
    "current of a controller": (r"\.current_limit_a", "equipment/solar.py"),
    "current of a bank": (r"\.(?:dis)?charge_current_a", "equipment/bank.py"),
    "imbalance of phases": (r"full\(.*\.imbalance_limit_kw", "equipment/connection.py"),
}


@pytest.mark.parametrize("law", SAID_ONCE)
def test_no_other_file_says_a_law_again(law):
    """Besides the laws, and the one place where a part applies one to its own figures; pages and checks read ratings to
    show them, or to hold one against another."""
    pattern, place = SAID_ONCE[law]
    said = [
        path.relative_to(PACKAGE).as_posix()
        for path in sorted(PACKAGE.rglob("*.py"))
        if re.search(pattern, path.read_text(encoding="utf-8"))
    ]
    assert set(said) - READ_TO_BE_SHOWN <= {place}
