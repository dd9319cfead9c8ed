"""Truths about any solution, whatever the numbers. All data are made up from fixed seeds."""

from __future__ import annotations

import dataclasses
import re
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import BAKERY, SPOT, bakery_columns, battery, inverter, random_schedule, table, write_site

from optimiser import read_scenario, settle, solve, vary
from optimiser.dispatch import Dispatch, replay
from optimiser.engine.proof import violation
from optimiser.engine.solver import Highs
from optimiser.engine.tiling import build_problem
from optimiser.results.frame import dispatch_table
from optimiser.scenario.file import Scenario

KW = 1e-5  # rules are kept by the solver to about 1e-7 of their unit, sums of several to somewhat more
MONEY = 1e-4


def single_phase(tmp_path: Path, seed: int) -> Scenario:
    """The bakery's day: time of use, demand, a reserve product."""
    return read_scenario(write_site(tmp_path / f"single{seed}", BAKERY, bakery_columns(seed)))


def wild_prices(tmp_path: Path, seed: int, **export: Any) -> Scenario:
    """A store with solar on either side, where export is often worth more than import and prices fall
    below zero.
    """
    random = np.random.default_rng(seed)
    columns = {
        "load": random.uniform(0, 4, 48),
        "sun": np.maximum(0, np.sin((np.arange(48) / 2 - 6) * np.pi / 12)) * 6,
        "price": random.uniform(-300, 500, 48),
        "export_price": random.uniform(-300, 500, 48),
    }
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 12.0, "export_limit_kw": 7.0},
        "load": [{"power_kw": "data.load"}],
        "ac_solar": [{"name": "shed", "available_kw_per_kwp": "data.sun", "size_kwp": 0.3}],
        "solar_controller": [{"name": "roof", "available_kw": "data.sun", "efficiency": 0.97}],
        "inverter": [inverter(5.0, 0.94, standby_w=30.0)],
        "dc_load": [{"name": "racks", "power_kw": 0.1, "before": "new"}],
    }
    components = [
        {"kind": "spot_charge", "price_per_mwh": "data.price", "fee_per_kwh": 0.02},
        {"kind": "spot_feed_in", "price_per_mwh": "data.export_price"} | export,
    ]
    bank = battery(8.0, 4.0, 0.95, self_discharge_per_day=0.02, standby_w=10.0)
    text = table(step_minutes=30, site=site, components=components, storage=[bank], tax_fraction=0.1)
    return read_scenario(write_site(tmp_path / f"wild{seed}", text, columns, 30))


def capacitors_on_three_phases(tmp_path: Path, seed: int, registers: str = "netted") -> Scenario:
    """Three inverters, of which currents bind, on a bus with a capacitor bank whose efficiency falls with
    power.
    """
    random = np.random.default_rng(seed)
    sun = np.maximum(0, np.sin((np.arange(24) - 6) * np.pi / 12)) * 8
    columns = {f"l{n}": random.uniform(0, 4, 24) for n in (1, 2, 3)} | {
        "sun": sun,
        "price": random.uniform(-100, 500, 24),
    }
    site = {
        "phases": 3,
        "registers": registers,
        "connection": {
            "import_limit_kw": 30.0,
            "export_limit_kw": 9.0,
            "import_limit_kw_per_phase": 12.0,
            "export_limit_kw_per_phase": 5.0,
        },
        "load": [{"phase": f"L{n}", "power_kw": f"data.l{n}"} for n in (1, 2, 3)],
        "inverter": [
            inverter(4.0, 0.95, name=name, phase=phase, dc_current_limit_a=80.0)
            for name, phase in (("a", "L1"), ("b", "L2"), ("c", "L3"))
        ],
        "solar_controller": [{"name": "roof", "available_kw": "data.sun", "current_limit_a": 100.0}],
    }
    bank = {
        "kind": "capacitor_bank",
        "name": "store",
        "units": 2,
        "unit_usable_kwh": 3.0,
        "lowest_voltage_v": 42.0,
        "highest_voltage_v": 54.0,
        "charge_kw": 5.0,
        "discharge_kw": 5.0,
        "charge_current_a": 95.0,
        "discharge_current_a": 95.0,
        "measured_points": [
            {"power_kw": 1.0, "round_trip_efficiency": 0.984},
            {"power_kw": 5.0, "round_trip_efficiency": 0.957},
        ],
    }
    text = table(site=site, components=SPOT, storage=[bank])
    return read_scenario(write_site(tmp_path / f"three{seed}{registers}", text, columns))


CASES = {
    "bakery": single_phase,
    "wild prices": wild_prices,
    "netted": capacitors_on_three_phases,
    "per phase": lambda tmp_path, seed: capacitors_on_three_phases(tmp_path, seed, "per_phase"),
}


@pytest.fixture(
    scope="module", params=[(name, seed) for name in CASES for seed in (1, 2)], ids=lambda p: f"{p[0]} {p[1]}"
)
def dispatch(request, tmp_path_factory) -> Dispatch:
    """A solved case."""
    name, seed = request.param
    return solve(CASES[name](tmp_path_factory.mktemp("law"), seed))


def test_energy_balances_on_the_bus_and_at_the_meter(dispatch):
    """In every step what comes in goes out: on the DC bus and on the AC side.

    Energy is conserved; written here from the table of the schedule alone.
    """
    table, file = dispatch_table(dispatch), dispatch.scenario
    site = file.site
    bus = np.full(len(table), -sum((float(load.power_kw) for load in site.dc_load), 0.0))
    ac = table["meter.import_kw"] - table["meter.export_kw"] - table["site.load_kw"]
    for unit in site.inverter:
        output, into = table[f"inverter.{unit.name}.output_kw"], table[f"inverter.{unit.name}.input_kw"]
        bus += into * unit.input_efficiency - output / unit.output_efficiency - unit.standby_w / 1000
        ac += output - into
    for bank in file.storage:
        bus += table[f"storage.{bank.name}.discharge_kw"] - table[f"storage.{bank.name}.charge_kw"]
        bus -= bank.units * bank.standby_w / 1000
    for controller in site.solar_controller:
        bus += table[f"controller.{controller.name}.solar_kw"]
    for system in site.ac_solar:
        ac += table[f"ac_solar.{system.name}.solar_kw"]
    np.testing.assert_allclose(bus, 0, atol=KW)
    np.testing.assert_allclose(ac, 0, atol=KW)


def test_energy_of_the_store_follows_from_its_powers(dispatch):
    """next = kept x now + step x (into store - out of store), from the columns alone; limits hold; the end
    is kept.
    """
    file = dispatch.scenario
    (bank,) = file.storage
    hours = file.timeline.step_hours
    values = dispatch.values
    into = np.zeros(file.timeline.steps)
    for word, sign, pieces in (
        ("charge", 1, bank.charge_pieces()),
        ("discharge", -1, bank.discharge_pieces()),
    ):
        left = values[f"storage.{bank.name}.{word}_kw"].copy()
        for width, efficiency in pieces:
            part = np.minimum(left, width)
            into += sign * part * efficiency**sign
            left -= part
        np.testing.assert_allclose(left, 0, atol=KW)
    stored = bank.start_fraction * bank.capacity_kwh
    kept = (1 - bank.self_discharge_per_day) ** (hours / 24)
    for step, end in enumerate(values[f"storage.{bank.name}.stored_kwh"]):
        stored = kept * stored + hours * into[step]
        assert pytest.approx(stored, abs=KW * 10) == end
        assert -KW <= end <= bank.capacity_kwh + KW
        stored = end
    assert stored >= bank.start_fraction * bank.capacity_kwh - KW


def test_directions_are_kept_in_every_step(dispatch):
    """One register, one inverter, one store goes one way in a step, whatever the prices."""
    pairs = [("import_kw", "export_kw"), ("output_kw", "input_kw"), ("charge_kw", "discharge_kw")]
    tested = 0
    for name, forth in dispatch.values.items():
        for one, other in pairs:
            if name.endswith(f".{one}"):
                back = dispatch.values[name.removesuffix(one) + other]
                assert np.minimum(forth, back).max() <= KW
                tested += 1
    assert tested >= 3
    assert 0 == dispatch.proof.remaining_violations


def test_bound_holds_and_is_met(dispatch):
    """What was made is never above what can be made, and comes within the tolerance asked for."""
    assert dispatch.proof.settled <= dispatch.proof.bound + MONEY
    assert "optimal" == dispatch.proof.verdict
    assert (
        pytest.approx(sum(line.values.sum() for line in dispatch.lines), abs=MONEY) == dispatch.proof.settled
    )


def test_wild_prices_tempt_to_break_directions(tmp_path):
    """The cases above test something: without the rule, the wild prices would be answered by going both
    ways.
    """
    made = wild_prices(tmp_path, 1)
    values = build_problem(made).split(Highs(build_problem(made)).solve().x)
    assert np.minimum(values["meter.import_kw"], values["meter.export_kw"]).max() > 1
    assert solve(made).proof.inverted_steps > 0


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("case", ["bakery", "wild prices"])
def test_schedules_made_for_other_prices_earn_no_more(tmp_path, case, seed):
    """A schedule that is best under other prices is feasible here, and earns no more than the bound."""
    made = CASES[case](tmp_path, seed)
    best = solve(made).proof
    random = np.random.default_rng(seed)
    for _ in range(2):
        prices = {
            name: random.permutation(values) if "price" in name else values
            for name, values in made.columns.items()
        }
        other = solve(dataclasses.replace(made, columns=prices))
        lines = replay(made, other.values)[0].lines
        assert sum(line.values.sum() for line in lines) <= best.bound + MONEY


@pytest.mark.parametrize("case", list(CASES))
def test_random_schedules_earn_no_more(tmp_path, case):
    """Any point within the rows earns at most what the linear program says can be made."""
    problem = build_problem(CASES[case](tmp_path, 3))
    relaxed = Highs(problem).solve()
    for seed in range(4):
        x = random_schedule(problem, seed)
        assert violation(problem, x) <= KW
        assert problem.objective @ x + problem.offset <= relaxed.objective + MONEY


def test_no_storage_gives_the_plain_bill(tmp_path):
    """Without a system there is nothing to decide: the bill after is the bill before, and nothing is
    saved.
    """
    text = re.sub(r"\[\[(site\.(solar|inv)|storage|service).*?(?=\n\[|\Z)", "", BAKERY, flags=re.DOTALL)
    made = settle(solve(read_scenario(write_site(tmp_path, text, bakery_columns()))))
    assert made.bill_before > 10
    assert pytest.approx(made.bill_before, abs=MONEY) == made.bill_after
    assert pytest.approx(0, abs=MONEY) == made.saving


@pytest.mark.parametrize(
    ("place", "values"),
    [
        ("storage.0.unit_kwh", [1.0, 4.0, 10.0, 30.0]),
        ("storage.0.charge_kw", [1.0, 3.0, 8.0]),
        ("storage.0.discharge_kw", [1.0, 3.0, 8.0]),
        ("storage.0.charge_efficiency", [0.7, 0.9, 1.0]),
        ("site.inverter.0.output_kw", [1.0, 4.0, 9.0]),
        ("site.inverter.0.input_kw", [0.1, 2.0, 9.0]),
        ("site.connection.export_limit_kw", [0.0, 3.0, 20.0]),
        ("site.connection.import_limit_kw", [14.0, 20.0, 60.0]),
        ("service.0.most_kw", [0.0, 2.0, 9.0]),
    ],
)
def test_more_never_earns_less(tmp_path, place, values):
    """A larger store, a wider limit or a better efficiency allows all that the smaller one did.

    The store starts and may end empty and keeps its energy, since one that must stay half full costs by its
    size.
    """
    base = {"storage.0.start_fraction": 0.0, "storage.0.self_discharge_per_day": 0.0}
    bakery = single_phase(tmp_path, 1)
    earned = [solve(vary(bakery, base | {place: value})).proof.settled for value in values]
    assert all(more >= less - MONEY for less, more in pairwise(earned))
    assert earned[-1] > earned[0] + 0.001 or place.endswith("import_limit_kw")


@pytest.mark.parametrize("seed", [1, 2])
def test_twice_the_prices_make_twice_the_money(tmp_path, seed):
    """Doubling every price and rate doubles the best total (there is no tie-break here)."""
    twice = re.sub(
        r"((?:rate|wear)_per_\w+ = )([\d.]+)", lambda found: f"{found[1]}{float(found[2]) * 2}", BAKERY
    )
    columns = bakery_columns(seed)
    one = solve(read_scenario(write_site(tmp_path / "one", BAKERY, columns))).proof
    two = solve(
        read_scenario(write_site(tmp_path / "two", twice, columns | {"price": columns["price"] * 2}))
    ).proof
    assert pytest.approx(2 * one.settled, rel=1e-6) == two.settled


def test_currents_follow_the_voltage_of_the_bank(tmp_path):
    """No current limit is exceeded at the voltage that the stored energy leaves at the start and end of a
    step.

    V = sqrt(Vmin^2 + s (Vmax^2 - Vmin^2)) from E = C V^2 / 2.
    """
    reached, above_lowest = [], []
    for seed in (1, 2, 3):
        made = solve(capacitors_on_three_phases(tmp_path, seed))
        (bank,) = made.scenario.storage
        stored = np.r_[bank.start_kwh, made.values["storage.store.stored_kwh"]]
        volts = np.sqrt(42**2 + stored / 6.0 * (54**2 - 42**2))
        lowest = np.minimum(volts[:-1], volts[1:])
        limits = [("storage.store.charge_kw", 190.0, 1.0), ("storage.store.discharge_kw", 190.0, 1.0)]
        limits += [(f"inverter.{name}.output_kw", 80.0, 1 / 0.95) for name in "abc"]
        limits += [(f"inverter.{name}.input_kw", 80.0, 0.95) for name in "abc"]
        limits += [("controller.roof.solar_kw", 100.0, 1.0)]
        for name, amperes, factor in limits:
            watts = made.values[name] * factor * 1000
            reached.append((watts / lowest / amperes).max())
            above_lowest.append((watts / 42 / amperes).max())
    assert max(reached) <= 1 + KW
    # Limits do bind, to within the 1 % by which the straight lines lie low, and above those of the lowest
    # voltage.
    assert max(reached) > 0.98
    assert max(above_lowest) > 1.05
