"""The plant walked step by step, against the linear program's own schedules and every rule of the formulation.

The reference is outside the walk: the formulation is replayed on what happened (`dispatch.replay`), and the optimum of
the linear program, whose matrix other tests compare with Pyomo's, is walked again. Worked values say their arithmetic.
All data are made up from fixed seeds.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_oracle import FEATURES, RAMADAN, SPRING, base, case, made

import optimiser
from optimiser.dispatch import RULE_TOLERANCE, replay, solve
from optimiser.errors import InfeasibleError
from optimiser.plant.executed import activated, executed, settled_lines
from optimiser.plant.walk import Caps, Orders, Plant, State
from optimiser.scenario.file import Scenario
from optimiser.terms.books import SettledTerms
from optimiser.timeline import Timeline

SHIPPED = sorted(path.parent for path in (Path(__file__).parents[1] / "scenarios").glob("*/scenario.toml"))

SINGLE_PHASE = next(path for path in SHIPPED if path.name == "single-phase-home")


def commanded(scenario: Scenario, values: dict[str, np.ndarray]) -> tuple[np.ndarray, Caps]:
    """What a solved schedule asks of inverters, and the solar that it uses."""

    def stacked(names: list[str]) -> np.ndarray:
        steps = scenario.timeline.steps
        return np.stack([values[name] for name in names], axis=1) if names else np.zeros((steps, 0))

    site = scenario.site
    net = stacked([f"inverter.{i.name}.output_kw" for i in site.inverter]) - stacked(
        [f"inverter.{i.name}.input_kw" for i in site.inverter]
    )
    return net, Caps(
        source_kw=stacked([f"controller.{c.name}.solar_kw" for c in site.solar_controller]),
        ac_solar_kw=stacked([f"ac_solar.{s.name}.solar_kw" for s in site.ac_solar]),
    )


def served(scenario: Scenario, values: dict[str, np.ndarray]) -> Plant:
    """The plant with its flexible loads as a solved schedule has them."""
    plant, waiting = Plant(scenario), scenario.site.flexible_load
    if waiting:
        ways = ("power_kw", "stored_kwh")
        planned = [np.stack([values[f"flexible.{w.name}.{way}"] for w in waiting], axis=1) for way in ways]
        plant.serve(0, plant.steps, *planned)
    return plant


def first_days(folder: Path, days: int = 2, **more) -> Scenario:
    return optimiser.vary(optimiser.read_scenario(folder), {"timeline.days": days, **more})


@pytest.mark.parametrize("folder", SHIPPED, ids=lambda path: path.name)
def test_the_best_schedule_walked_again_is_the_same(folder):
    """The commands of the linear program give its flows and its money."""
    scenario = first_days(folder, service=[])
    if any(bank.voltage_moves_losses for bank in scenario.storage):
        pytest.skip("where losses follow the voltage the program is near only, see below")
    best = solve(scenario)
    net, caps = commanded(scenario, best.values)
    values, stated = executed(scenario, served(scenario, best.values).walk(net, caps=caps))
    for name, was in best.values.items():
        if name in values:
            assert values[name] == pytest.approx(was, abs=1e-6), name
    assert [line.values.sum() for line in stated.lines] == pytest.approx(
        [line.values.sum() for line in best.lines], abs=1e-6
    )


# One bank each: how two share what is left is the plant's own affair, not the program's. Where losses follow the
# voltage the program is near only, see below.
APART = ("measured", "resistance", "converter", "capacitor_resistance")
ALONE = [feature for feature in FEATURES if feature.__name__ not in APART]


@pytest.mark.parametrize("feature", ALONE, ids=lambda feature: feature.__name__)
def test_the_best_schedule_of_every_feature_is_walked_again(feature):
    scenario = without_services(case([feature]))
    best = solve(scenario)
    net, caps = commanded(scenario, best.values)
    plant, waiting = Plant(scenario), scenario.site.flexible_load
    if waiting:
        ways = ("power_kw", "stored_kwh")
        planned = [
            np.stack([best.values[f"flexible.{w.name}.{way}"] for w in waiting], axis=1) for way in ways
        ]
        plant.serve(0, plant.steps, *planned)
    values, _ = executed(scenario, plant.walk(net, caps=caps))
    # A rule holds the program to 1e-7 or so; what it leaves open moves a flow by no more.
    for name in values.keys() & best.values.keys():
        if name.startswith(("inverter", "storage", "meter")):
            assert values[name] == pytest.approx(best.values[name], abs=RULE_TOLERANCE), name


def test_the_walk_loses_what_the_program_says_within_its_tolerance():
    """Losses that follow the voltage: the program stays below the law by 1 % of a loss and 0.1 % of the power at most.

    The law is written here: P^2 R / V^2 with P the power at the open voltage and V^2 linear in the energy in the middle
    of the step, E = C V^2 / 2, elementary circuit theory.
    """
    features = [f for f in FEATURES if f.__name__ in ("capacitor_resistance", "spot")]
    scenario = without_services(case(features))
    best, (bank,) = solve(scenario), scenario.storage
    net, caps = commanded(scenario, best.values)
    walked, stated = executed(scenario, Plant(scenario).walk(net, caps=caps))
    rated = bank.units * max(bank.charge_kw, bank.discharge_kw)
    for values, near in ((walked, (0.0, 1e-9)), (best.values, (0.01, 0.001 * rated))):
        end = values["storage.main.stored_kwh"]
        middle = (np.r_[bank.start_kwh, end[:-1]] + end) / 2
        square = 29.0**2 + middle / bank.capacity_kwh * (56.0**2 - 29.0**2)
        into, out = values["storage.main.open_charge_kw"], values["storage.main.open_discharge_kw"]
        law = (into + out) ** 2 * (0.018 / 2 * 1000) / square
        loss = values["storage.main.charge_kw"] - into + out - values["storage.main.discharge_kw"]
        assert law.max() > 0.02
        assert (np.abs(loss - law) <= near[0] * law + near[1]).all()
        assert (loss <= law + 1e-6).all()
    settled = sum(float(line.values.sum()) for line in stated.lines)
    assert best.proof.bound - 0.05 < settled <= best.proof.bound + 1e-9


@pytest.mark.parametrize(
    "feature", ["up", "down", "symmetric", "shared", "blocks", "following", "utilisation"]
)
def test_the_best_schedule_with_services_sold_is_walked_again(feature):
    """Offers of a solved schedule, and what they are expected to move, are handed to the walk as they are."""
    scenario = case([f for f in FEATURES if f.__name__ == feature])
    best = solve(scenario)
    sold = {name: v for name, v in best.values.items() if name.startswith("service") or "_headroom_" in name}
    net, caps = commanded(scenario, best.values)
    plant = Plant(scenario, activated(scenario, sold))
    _, stated = executed(scenario, plant.walk(net, caps=caps), offers=sold)
    assert [line.values.sum() for line in stated.lines] == pytest.approx(
        [line.values.sum() for line in best.lines], abs=1e-5
    )


def without_services(scenario: Scenario) -> Scenario:
    raw = scenario.raw | {"service": []}
    return made(raw, scenario.timeline, dict(scenario.columns))


def everything(registers: str, timeline: Timeline = SPRING) -> Scenario:
    """A site with every feature of the plant."""
    names = {
        *("capacitor", "measured", "resistance", "converter", "ac_solar", "imbalance"),
        *(
            "pass_through",
            "ac_breaker",
            "phase_limits",
            "reserve",
            "up",
            "down",
            "blocks",
            "bids",
            "following",
            "shared",
        ),
    }
    chosen = [feature for feature in FEATURES if feature.__name__ in names | {registers}]
    return case(chosen, timeline)


@settings(max_examples=15, deadline=None, derandomize=True)
@given(
    seed=st.integers(0, 2**32 - 1),
    size=st.sampled_from([2.0, 8.0, 1e4]),
    feed=st.booleans(),
    registers=st.sampled_from(["netted", "per_phase"]),
)
def test_no_command_breaks_a_rule(seed, size, feed, registers):
    """Whatever is asked for, on a site with every feature: the formulation's rules hold within 1e-5."""
    scenario = everything(registers)
    walk = walked(scenario, seed, size, feed, cases=4)
    assert walk.short == pytest.approx(0.0, abs=1e-6)
    for number in range(walk.cases):
        executed(scenario, walk, number)


@pytest.mark.parametrize("feature", FEATURES, ids=lambda feature: feature.__name__)
@pytest.mark.parametrize("timeline", [SPRING, RAMADAN], ids=["spring", "ramadan"])
def test_no_command_breaks_a_rule_of_any_feature(feature, timeline):
    scenario = case([feature], timeline)
    walk = walked(scenario, 5, 8.0, True, cases=3)
    for number in range(walk.cases):
        executed(scenario, walk, number)


@pytest.mark.parametrize("folder", SHIPPED, ids=lambda path: path.name)
def test_no_command_breaks_a_rule_of_a_shipped_site(folder):
    scenario = first_days(folder)
    walk = walked(scenario, 7, 9.0, False, cases=8)
    for number in range(walk.cases):
        executed(scenario, walk, number)


def walked(scenario: Scenario, seed: int, size: float, feed: bool, cases: int):
    random = np.random.default_rng(seed)
    wanted = random.uniform(-size, size, (scenario.timeline.steps, cases, len(scenario.site.inverter)))
    return Plant(scenario).walk(lambda step, state: Orders(wanted[step], feed), cases=cases)


def test_cases_do_not_touch_each_other():
    """A case walked with others is what it is alone."""
    scenario = everything("netted")
    wanted = np.random.default_rng(3).uniform(-6, 6, (scenario.timeline.steps, 5, 3))
    plant = Plant(scenario)
    together, alone = plant.walk(wanted), plant.walk(wanted[:, 2:3])
    assert together.stored_kwh[:, 2] == pytest.approx(alone.stored_kwh[:, 0], abs=1e-7)


def test_a_controller_sees_nothing_of_later_steps():
    """What happens before a step stays the same when later load and sun are others, where no limit asks for more."""
    timeline = SPRING
    raw = base(timeline)
    raw["storage"][0] |= {"end_fraction": 0.0}
    raw["site"]["ac_solar"] = [{"name": "roof", "available_kw": "d.sun"}]
    sun, load = np.linspace(0, 3, timeline.steps), np.full(timeline.steps, 1.5)
    later = sun.copy()
    later[15:] = 0.0

    def own_load(step: int, state: State) -> np.ndarray:
        return (state.load_kw - state.ac_solar_kw)[None, :]

    walks = [
        Plant(made(raw, timeline, {"d.load1": load, "d.sun": series})).walk(own_load)
        for series in (sun, later)
    ]
    assert (walks[0].stored_kwh[:15] == walks[1].stored_kwh[:15]).all()
    assert (walks[0].stored_kwh[15:] != walks[1].stored_kwh[15:]).any()


def small(load_kw, *, solar_kw=0.0, **bank) -> Scenario:
    """An hour at 1 kW ratings and a store of 0.9 each way, half full of 2 kWh."""
    timeline = SPRING.slice(0, 1)
    raw = base(timeline)
    raw["site"]["load"] = [{"phase": "L1", "power_kw": load_kw}]
    raw["site"]["inverter"] = [
        {
            "name": "a",
            "phase": "L1",
            "output_kw": 1.0,
            "input_kw": 1.0,
            "output_efficiency": 0.8,
            "input_efficiency": 0.8,
        }
    ]
    raw["site"]["solar_controller"] = [{"name": "roof", "available_kw": solar_kw, "efficiency": 1.0}]
    raw["site"]["connection"] = {"import_limit_kw": 5.0, "export_limit_kw": 0.5}
    raw["storage"] = [
        {
            "kind": "battery",
            "name": "main",
            "unit_kwh": 2.0,
            "charge_kw": 2.0,
            "discharge_kw": 2.0,
            "charge_efficiency": 0.9,
            "discharge_efficiency": 0.9,
            "voltage_v": 50.0,
            "start_fraction": 0.5,
            "end_fraction": 0.0,
        }
        | bank
    ]
    return made(raw, Timeline(timeline.start, 60, 1, timeline.zone), {})


def test_too_much_export_stops_output():
    """1 kW asked for on a load of 0.2 with 0.5 to export at the most: 0.7 is given, 0.7 / 0.8 / 0.9 drained."""
    walk = Plant(small(0.2)).walk(np.array([[1.0]]))
    assert walk.net_kw[0, 0, 0] == pytest.approx(0.7)
    assert walk.export_kw[0, 0] == pytest.approx(0.5)
    assert walk.stored_kwh[0, 0, 0] == pytest.approx(1 - 0.7 / 0.8 / 0.9)


def test_a_full_store_stops_input_then_feeds_in_then_curtails():
    """1 kWh of room takes 1 / 0.9 = 1.1111 kW. Of 1.5 kW of sun, input goes first (nothing is left of 0.5 kW);
    0.3889 kW are fed in as 0.3111 kW, or curtailed."""
    scenario = small(0.1, solar_kw=1.5)
    for feed, output, used in ((False, 0.0, 1 / 0.9), (True, 0.8 * (1.5 - 1 / 0.9), 1.5)):
        walk = Plant(scenario).walk(lambda step, state, feed=feed: Orders(np.array([[-0.5]]), feed))
        assert walk.net_kw[0, 0, 0] == pytest.approx(output, abs=1e-9)
        assert walk.solar_kw[0, 0, 0] == pytest.approx(used)
        assert walk.stored_kwh[0, 0, 0] == pytest.approx(2.0)


def test_an_empty_store_stops_output_then_takes_in():
    """0.1 kWh gives 0.09 on the bus and 0.072 on the AC side; with nothing left, 50 W of standby ask for 62.5 W."""
    walk = Plant(small(2.0, start_fraction=0.05)).walk(np.array([[1.0]]))
    assert walk.net_kw[0, 0, 0] == pytest.approx(0.8 * 0.09)
    walk = Plant(small(2.0, start_fraction=0.0, standby_w=50.0)).walk(np.array([[1.0]]))
    assert walk.net_kw[0, 0, 0] == pytest.approx(-0.05 / 0.8)


def test_energy_asked_for_at_the_end_is_there():
    """A controller that only discharges is stopped in time, though it has never heard of the end."""
    scenario = first_days(SINGLE_PHASE)
    walk = Plant(scenario).walk(np.full((scenario.timeline.steps, 1), 5.0))
    bank = scenario.storage[0]
    assert walk.stored_kwh[-1, 0, 0] == pytest.approx(bank.end_kwh, abs=1e-6)
    assert walk.stored_kwh[:, 0, 0].min() == pytest.approx(0.1 * bank.capacity_kwh, abs=1e-6)


def test_caps_keep_power_and_energy_out_of_reach():
    scenario = small(5.0)
    caps = Caps(output_kw=np.array([[0.4]]))
    assert Plant(scenario).walk(np.array([[1.0]]), caps=caps).net_kw[0, 0, 0] == pytest.approx(0.4)
    # 0.2 kWh above the floor give 0.18 on the bus, 0.144 on the AC side.
    caps = Caps(floor_kwh=np.array([[0.8]]))
    assert Plant(scenario).walk(np.array([[1.0]]), caps=caps).net_kw[0, 0, 0] == pytest.approx(0.144)
    # 0.18 kWh below the ceiling take 0.2 from the bus, 0.25 from the AC side.
    caps = Caps(ceiling_kwh=np.array([[1.18]]))
    assert Plant(small(1.0)).walk(np.array([[-1.0]]), caps=caps).net_kw[0, 0, 0] == pytest.approx(-0.25)


def test_what_cannot_be_kept_is_said():
    """A load above the import limit with an empty store: the sentence says how much is missing, and when."""
    scenario = small(9.0, start_fraction=0.0)
    walk = Plant(scenario).walk(np.array([[0.0]]))
    assert walk.short[0] == pytest.approx(4.0)
    with pytest.raises(InfeasibleError, match="4 kW are missing at 2025-03-29"):
        executed(scenario, walk)


def test_lines_for_many_cases_are_those_of_the_books():
    """The quick way to a bill gives the lines of the slow one."""
    scenario = case(
        [f for f in FEATURES if f.__name__ in ("time_of_use", "peaks", "tiers", "minimum", "netted")]
    )
    walk = walked(scenario, 2, 6.0, True, cases=2)
    terms = SettledTerms(scenario.data)
    for number in range(2):
        _, stated = executed(scenario, walk, number)
        quick = settled_lines(scenario, walk, number, terms)
        of_books = [line for line in stated.lines if line.cash]
        assert [line.values.sum() for line in quick] == pytest.approx([li.values.sum() for li in of_books])


def test_replay_would_find_a_broken_rule():
    """The check itself is alive: a tenth of a kW more than there was is refused."""
    scenario = small(0.2)
    values, _ = executed(scenario, Plant(scenario).walk(np.array([[0.5]])))
    values["inverter.a.output_kw"] = values["inverter.a.output_kw"] + 0.1
    with pytest.raises(optimiser.errors.DriftError):
        replay(scenario, values)
