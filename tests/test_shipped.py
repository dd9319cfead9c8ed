"""The shipped scenarios, solved to a proof. Their data are invented; what is tested is that the proof closes.

The bound that a schedule is compared with is computed by the package from multipliers of the rows and from integer
programs of windows; `tests/test_directions.py` compares that machinery with another solver.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from optimiser import read_scenario, run, solve, vary
from optimiser.foresight.policies import policies_of
from optimiser.foresight.running import run_under
from optimiser.scenario.checks.review import warnings
from optimiser.starter import STARTERS, write_starter

SCENARIOS = Path(__file__).parent.parent / "scenarios"


def to_the_millionth(scenario):
    """The scenario with a tolerance of 1e-6."""
    return vary(scenario, {"solve.gap_tolerance": 1e-6})


def proven(scenario):
    """Solve, and check what must hold of every answer that is called optimal."""
    proof = solve(to_the_millionth(scenario)).proof
    assert proof.verdict == "optimal"
    assert proof.gap_relative <= 1e-6
    assert proof.remaining_violations == 0
    assert proof.replay_violation <= 1e-5
    assert proof.inverted_steps >= 0.05 * scenario.timeline.steps
    assert proof.binding_steps > 0
    return proof


def test_shipped_home_is_solved_exactly_over_its_year():
    """A year of half-hours with an inverted price in more than 5 % of the steps is proven to 1e-6."""
    proven(read_scenario(SCENARIOS / "single-phase-home"))


def test_shipped_bakery_is_solved_exactly_over_a_month():
    """Three phases, a capacitor bank, demand and eight services over January, proven to 1e-6."""
    proven(vary(read_scenario(SCENARIOS / "three-phase-bakery"), {"timeline.days": 31}))


def test_shipped_workshop_is_solved_exactly_over_three_weeks_of_five_minutes():
    """Five-minute steps, proven to 1e-6."""
    scenario = vary(read_scenario(SCENARIOS / "price-event-workshop"), {"timeline.days": 21})
    proof = solve(to_the_millionth(scenario)).proof
    assert proof.verdict == "optimal"
    assert proof.remaining_violations == 0


@pytest.mark.parametrize(
    "name", ["continental-reserve", "british-response", "texas-reserves", "two-way-regulation"]
)
def test_shipped_market_is_solved_exactly_and_sells_every_product(name):
    """All days, across a clock change or a change of rules; each product of the file is offered."""
    dispatch = solve(to_the_millionth(read_scenario(SCENARIOS / name)))
    assert dispatch.proof.verdict == "optimal"
    assert dispatch.proof.gap_relative <= 1e-6
    assert all(offer.offered_kw.sum() > 0 for offer in dispatch.offers)


def equipment(scenario):
    """What would tell one make from another: ratings, currents, efficiencies and voltages of a site's parts."""
    unit, bank = scenario.site.inverter[0], scenario.storage[0]
    size = bank.unit_kwh if bank.kind == "battery" else bank.unit_usable_kwh
    volts = bank.voltage_v if bank.kind == "battery" else bank.highest_voltage_v
    return {
        "output": unit.output_kw,
        "efficiency of the inverter": unit.output_efficiency,
        "standby": unit.standby_w,
        "unit of storage": size,
        "power of a unit": bank.discharge_kw,
        "voltage": volts,
    }


def test_equipment_is_invented_apart_fits_and_is_said_to_be_invented(tmp_path):
    """No two shipped sites share a figure of their equipment, each says that it is invented, and `check` finds only
    the standby that every inverter has: currents at the lowest voltage carry the ratings (P = V I), lives are
    plausible.
    """
    folders = [path.parent for path in SCENARIOS.glob("*/scenario.toml")]
    folders += [write_starter(tmp_path / name, phases).parent for phases, name in STARTERS.items()]
    figures = {}
    for folder in folders:
        scenario = read_scenario(folder)
        assert not [words for words in warnings(scenario) if not words.startswith("standby of inverters")]
        assert "equipment too" in (folder / "scenario.toml").read_text(encoding="utf-8")
        figures[folder.name] = equipment(scenario)
        bank = scenario.storage[0]
        if bank.kind == "capacitor_bank":  # power falls with the voltage, which is what the example shows
            assert bank.discharge_current_a * bank.lowest_voltage_v / 1000 < bank.discharge_kw
    for key in next(iter(figures.values())):
        values = [found[key] for found in figures.values()]
        assert len(set(values)) == len(values), key


@pytest.mark.parametrize("name", ["british-response", "two-way-regulation"])
def test_shipped_market_is_run_without_foresight_by_every_policy(name):
    """Blocks that begin before a day's edge (23:00 in Britain) and move energy are carried out or given up whole.

    Each schedule is replayed rule by rule as it is settled, so one that does not hold is missing here.
    """
    found = run(SCENARIOS / name, studies=("without_foresight",)).summary.studies["without_foresight"]
    assert {"rolling", "backcast"} <= {row["name"] for row in found["outcomes"]}
    assert [] == found["missing"]


def test_shipped_warehouse_keeps_its_floor_and_charges_in_time_under_every_policy():
    """Peaks on the bus of a capacitor bank behind a resistance, sessions on the bus; a week, each window of plans kept.

    The chargers take fewer than 30 lines of the file.
    """
    folder = SCENARIOS / "motive-warehouse"
    scenario = vary(read_scenario(folder), {"timeline.days": 7})
    floor = scenario.site.floor_kwh(scenario.data, scenario.storage)[0]
    assert 0.1 < floor.min() / scenario.storage[0].capacity_kwh < 0.5
    ceiling = solve(scenario)
    assert ceiling.proof.verdict == "optimal"
    assert (ceiling.flows.banks["capacitors"].end_kwh >= floor - 1e-6).all()
    for policy in policies_of(scenario):
        run = run_under(scenario, policy, ceiling).dispatch
        assert (run.flows.banks["capacitors"].end_kwh >= floor - 1e-6).all()
        for load in scenario.site.flexible_load:
            stored = run.flows.flexible[load.name].stored_kwh
            assert all(stored[s.stop - 1] > s.need_kwh - 1e-5 for s in load.spans(scenario.timeline))
    text = (folder / "scenario.toml").read_text(encoding="utf-8")
    tables = text[text.index("[[site.flexible_load]]") : text.index("[[site.dc_load]]")]
    assert len(tables.split("\n")) < 30


WEAR = re.compile(r"# Wear: ([\d,]+) to buy it again over ([\d,]+) cycles of ([\d.]+) kWh \(invented\)\.")


def test_wear_is_what_buying_the_bank_again_costs_over_what_it_can_give(tmp_path):
    """Each shipped price of wear is replacement cost / (cycle life x usable kWh) of its own bank, to four places.

    Source: arithmetic on the figures that the file states (straight-line use of a bank bought for its cycles).
    """
    folders = [path.parent for path in SCENARIOS.glob("*/scenario.toml")]
    folders += [write_starter(tmp_path / name, phases).parent for phases, name in STARTERS.items()]
    for folder in folders:
        (said,) = WEAR.findall((folder / "scenario.toml").read_text(encoding="utf-8"))
        cost, cycles, kwh = (float(figure.replace(",", "")) for figure in said)
        scenario = read_scenario(folder)
        (bank,) = scenario.storage
        if scenario.file.cost is not None and scenario.file.cost.replacement:
            assert [cost] == [item.amount for item in scenario.file.cost.replacement]
        assert (bank.life.cycle_life, bank.capacity_kwh) == (cycles, pytest.approx(kwh))
        assert bank.wear_per_kwh == pytest.approx(cost / (cycles * kwh), abs=5.1e-5)


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_shipped_bakery_is_solved_exactly_over_its_year():
    """The whole year of the three-phase site."""
    scenario = read_scenario(SCENARIOS / "three-phase-bakery")
    proven(vary(scenario, {"solve.time_limit_s": 1500.0}))


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_shipped_workshop_is_solved_exactly_over_its_year_at_half_hours():
    """The five-minute scenario averaged to half-hours."""
    changes = {
        "timeline.step_minutes": 30,
        "source.site.coarsen": "mean",
        "source.market.coarsen": "mean",
        "solve.time_limit_s": 1500.0,
    }
    proven(vary(read_scenario(SCENARIOS / "price-event-workshop"), changes))
