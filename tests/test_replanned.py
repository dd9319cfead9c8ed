"""Plans made anew within the day: against a linear program, a forecast of the truth, scrambled futures, random sites.

All sites are invented.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from independent import as_scenario, random_site
from test_foresight import series, site
from test_oracle import made
from test_stored_worth import UNIT, home, optional_without_services, settle_of, value_by_linear_program
from test_timetable import two_prices

from optimiser import read_scenario, settle, solve
from optimiser.control.ahead import Ahead, carried_back
from optimiser.control.backward import GRID, Step, decide, worth_at
from optimiser.control.modes import Device, Mode, Told
from optimiser.control.own_use import OwnUse
from optimiser.control.stored_worth import mode_of, unit_of
from optimiser.errors import InfeasibleError
from optimiser.foresight import replanned
from optimiser.foresight.facts import Facts, Plans
from optimiser.foresight.learnt import Learnt
from optimiser.foresight.paths import Clock, errors_before, foretold
from optimiser.foresight.policies import Backcast, Rolling
from optimiser.foresight.replanned import Replanned
from optimiser.foresight.running import run_under
from optimiser.plant.executed import executed, settled_walk
from optimiser.plant.walk import Plant

DAY_AHEAD = {"published": [{"of": "data.price", "when": "day_ahead"}]}
AFTER = {"published": [{"of": "data.price", "when": "after"}]}


def a_day(seed: int) -> tuple[np.ndarray, ...]:
    """Load, sun, what import costs and export brings, of 24 hours."""
    random = np.random.default_rng(seed)
    load, sun = random.uniform(0.2, 4.0, 24), np.maximum(random.uniform(-3.0, 5.0, 24), 0.0)
    pays = random.uniform(0.1, 0.6, 24)
    return load, sun, pays, pays - random.uniform(0.0, 0.3, 24)


@pytest.mark.parametrize("seed", range(3))
def test_one_path_is_a_linear_program(seed):
    """The worth before a day that can turn out in one way only, as scipy's HiGHS has it of a program stated afresh.

    Energies of the grid alone are known, so a little may be lost: 3e-3 of the day's turnover.
    """
    load, sun, pays, gets = a_day(seed)
    zero = np.zeros((1, 24))
    ahead = Ahead(
        load[None], sun[None], zero, zero, pays[None], gets[None], np.zeros(24), np.zeros(24), np.inf
    )
    worth = carried_back(ahead, np.zeros(GRID), UNIT)
    nothing = value_by_linear_program(0.0, load, sun, pays, gets)
    for kwh in (2.5, 6.0, 10.0):
        value = value_by_linear_program(kwh, load, sun, pays, gets) - nothing
        assert worth_at(worth, kwh, UNIT) == pytest.approx(value, abs=3e-3 * float(pays @ load))
    # Cut in two and joined, and every path alike: the same.
    first, rest = ahead.cut(None, 9), ahead.cut(9, None)
    twice = carried_back(first, carried_back(rest, np.zeros(GRID), UNIT), UNIT)
    np.testing.assert_allclose(twice, worth, atol=1e-9)
    many = Ahead(*(np.tile(one, (5, 1)) for one in ahead[:6]), *ahead[6:])
    np.testing.assert_allclose(carried_back(many, np.zeros(GRID), UNIT), worth, atol=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_a_mode_makes_of_a_step_what_was_decided(seed):
    """Sun on the AC side, load and prices drawn: the store holds after the step what the best power leaves in it.

    By the balance of the bus, from the decision alone; a mode that fed out less while the sun shone would be seen.
    """
    random = np.random.default_rng(seed)
    scenario = home(1)
    load, sun = random.uniform(0.2, 3.0), random.uniform(0.0, 4.0)
    columns = {"data.load": np.full(48, load), "data.sun": np.full(48, sun)}
    scenario = made({**scenario.raw}, scenario.timeline, scenario.columns | columns)
    plant = Plant(scenario)
    unit, device = unit_of(plant), Device(plant)
    pays, gets = 0.3, float(random.choice([0.05, 0.5, 4.0]))
    step = Step(load, sun, 0.0, 0.0, pays, gets, np.inf, 0.0)
    worth = np.sqrt(np.linspace(0.0, 10.0, GRID))
    power, mark = decide(5.0, 1.0, step, unit, worth)
    mode, kw, until = mode_of(power, mark, 1.0, step, unit)
    told = Told(np.array([[int(mode)]]), np.array([[kw]]), np.array([[until]]))
    start = np.array([[5.0]])
    walk = plant.walk(lambda at, state: device.orders(at, state, told), steps=np.array([0]), start_kwh=start)
    rate = power * unit.into if power > 0 else power / unit.out
    assert walk.stored_kwh[0, 0, 0] == pytest.approx(5.0 + 0.5 * rate, abs=1e-6)


def test_what_is_foretold_is_what_the_policy_learnt_expects(tmp_path):
    """All moments at once against the policy's own windows of an hour, whose fit is checked with NumPy elsewhere."""
    facts = Facts.of(site(tmp_path, 20, series(20)))
    plans, scenario = Plans.of(facts.timeline, 1, 6), facts.scenario
    clock = Clock.of(scenario, 1)
    for lead in (0, 3, 5):
        known = Learnt().known(facts, plans, lead)
        for name, role in facts.roles.items():
            if role not in ("load", "solar"):
                continue
            table = foretold(scenario.columns[name], clock, 6, sign_kept=True)
            steps = np.arange(72, 480 - lead)
            np.testing.assert_allclose(table[steps, lead], known[name][steps + lead], rtol=1e-9, atol=1e-9)


def test_errors_before_are_those_of_the_same_hour():
    """Worked by hand: forecasts of nothing err by what came, of the latest day whose hour is over."""
    values = np.arange(10.0)  # two steps a day
    error = errors_before(values, np.zeros((10, 4)), 8, 2, 2)
    # Of the plan at 6: 6, 7; its steps 8 and 9 have not come, so those of the plan at 4, two and three steps ahead.
    np.testing.assert_array_equal(error[0], [6, 7, 6, 7])
    np.testing.assert_array_equal(error[1], [4, 5, 4, 5])


@pytest.mark.parametrize("more", [{}, DAY_AHEAD, AFTER], ids=["as it begins", "day ahead", "after"])
@pytest.mark.parametrize("day", [4, 9])
def test_what_comes_later_moves_nothing_before_it(day, more):
    """Load, sun and prices from a step on in another order: stored energy before it is the same to the last digit."""
    plain = home(12)
    first = made({**plain.raw, "foresight": more}, plain.timeline, dict(plain.columns))
    stop = 48 * day + (26 if more is DAY_AHEAD else 17)  # after 13:00 the next day's prices are known
    random = np.random.default_rng(day)
    changed = {}
    for name, values in first.columns.items():
        changed[name] = values.copy()
        since = 48 * (day + 2) if more is DAY_AHEAD and name == "data.price" else stop
        changed[name][since:] = 2 * random.permutation(values[since:])
    other = made({**first.raw}, first.timeline, changed)
    stored = [plant.walk(Replanned(plant), keep="meter").stored_kwh for plant in (Plant(first), Plant(other))]
    np.testing.assert_array_equal(stored[0][:stop], stored[1][:stop])
    assert np.abs(stored[0][stop:] - stored[1][stop:]).max() > 0.1


def test_the_truth_replanned_each_step_comes_near_the_rolling_ceiling(monkeypatch):
    """A forecast of what happens, made anew every half-hour: within 1 % of plans that see what happens for two days.

    Both are bounded by the ceiling, a linear program with whole directions.
    """
    scenario = home(10)
    steps = scenario.timeline.steps

    def truth(values: np.ndarray, clock: Clock, ahead: int, sign_kept: bool) -> np.ndarray:
        return values[np.minimum(np.arange(steps)[:, None] + np.arange(ahead), steps - 1)]

    monkeypatch.setattr(replanned, "foretold", truth)
    monkeypatch.setattr(replanned, "errors_before", lambda *given: np.zeros((given[3], given[1].shape[1])))
    monkeypatch.setattr(replanned, "LEAST_DAYS", 0)
    monkeypatch.setattr(replanned, "VIEW_HOURS", 48)
    ceiling = solve(scenario)
    rolling = settle(run_under(scenario, Rolling(), ceiling).dispatch).saving
    plant = Plant(scenario)
    got = settle_of(ceiling, plant.walk(Replanned(plant, joined=False)))
    assert 0.99 * rolling <= got <= settle(ceiling).saving + 1e-6


def test_it_earns_more_than_own_use_and_less_than_the_ceiling():
    """A spot export with rare peaks: above plain own use by a good part, below the bound; every rule is replayed."""
    scenario = home(28)
    ceiling = solve(scenario)
    plant = Plant(scenario)
    controller = Replanned(plant)
    own, got = settle_of(ceiling, plant.walk(OwnUse(plant))), settle_of(ceiling, plant.walk(controller))
    most = settle(ceiling).saving
    assert own + 0.25 * (most - own) < got <= most + 1e-6
    assert controller.plans >= 25 * 48
    assert {int(mode) for mode in controller.modes} >= {Mode.COVER_LOAD, Mode.FEED_OUT}


def test_steps_of_five_minutes_are_planned_where_the_price_moves():
    """At 5 minutes, a plan each half-hour and more of them where the price of a step jumps."""
    scenario = home_at_five_minutes(5)
    plant = Plant(scenario)
    calm, jumpy = Replanned(plant), Replanned(Plant(scenario))
    jumpy.running = jumpy.running * np.where(np.arange(len(jumpy.running)) % 3 == 1, 8.0, 1.0)
    for controller in (calm, jumpy):
        plant.walk(controller, keep="meter")
    assert 2 * 48 <= calm.plans < jumpy.plans


def home_at_five_minutes(days: int):
    """The home with each half-hour's figures in six steps."""
    coarse = home(days)
    timeline = dataclasses.replace(coarse.timeline, step_minutes=5, steps=coarse.timeline.steps * 6)
    columns = {name: np.repeat(values, 6) for name, values in coarse.columns.items()}
    raw = {**coarse.raw, "timeline": {**coarse.raw["timeline"], "step_minutes": 5}}
    return made(raw, timeline, columns)


@pytest.mark.parametrize(
    "seed", [*range(300, 306), *(pytest.param(s, marks=pytest.mark.slow) for s in range(306, 340))]
)
def test_no_plan_beats_the_ceiling_and_every_rule_is_kept(seed, tmp_path, monkeypatch):
    """Random sites with every feature but services: what is carried out replays and stays below the bound."""
    monkeypatch.setattr(replanned, "LEAST_DAYS", 1)
    scenario = optional_without_services(read_scenario(as_scenario(random_site(seed), tmp_path)))
    if scenario is None:
        return
    ceiling = solve(scenario)
    plant = Plant(scenario)
    try:
        got = settled_walk(ceiling, plant.walk(Replanned(plant)))
    except InfeasibleError:
        return  # drawn so tight that plain devices cannot keep every limit
    assert got.saving <= settle(ceiling).saving + ceiling.proof.gap_absolute + 1e-6


def test_a_warranty_that_is_kept_is_not_passed():
    """4 kWh a day may be given where prices invite 9: each month's sum stays below its days' share, from the walk."""
    life = {
        "warranted_kwh_per_year": 4.0 * 365,
        "keep_warranty": True,
        "cycle_life": 6000,
        "calendar_life_years": 15,
    }
    scenario = two_prices(45, 0.35, life=life)
    plant = Plant(scenario)
    walk = plant.walk(Replanned(plant))
    executed(scenario, walk)
    month = np.array([stamp.month for stamp in scenario.timeline.local()])
    for number in sorted(set(month))[:-1]:
        given = walk.discharge_kw[month == number].sum()
        days = (month == number).sum() / 24
        assert 0.5 * 4.0 * days <= given <= 4.0 * days + 1e-6


def test_a_plan_by_modes_comes_near_own_use_on_a_flat_contract():
    """At one price for import and little for export plain own use is the best there is; a day's plans come near it.

    Bounds of own use: it is the optimum where nothing but the sun fills the store (common practice, no source).
    """
    scenario = home(14)
    flat = [
        {"kind": "energy_charge", "rate_per_kwh": 0.30},
        {"kind": "feed_in", "rate_per_kwh": 0.05},
    ]
    raw = {**scenario.raw, "tariff": {**scenario.raw["tariff"], "component": flat}}
    scenario = made(raw, scenario.timeline, dict(scenario.columns))
    ceiling, plant = solve(scenario), Plant(scenario)
    own = settled_walk(ceiling, plant.walk(OwnUse(plant))).saving
    by_modes = settle(run_under(scenario, Backcast(10), ceiling).dispatch).saving
    assert 0.93 * own < by_modes <= settle(ceiling).saving + 1e-6
