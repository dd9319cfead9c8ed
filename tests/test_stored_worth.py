"""The worth of stored energy: against a linear program and closed forms, what it may know, modes and their limits.

All sites are invented.
"""

from __future__ import annotations

import datetime
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from independent import as_scenario, random_site
from scipy.optimize import linprog
from test_oracle import base, made, span
from test_timetable import two_prices

from optimiser import read_scenario, settle, solve, vary
from optimiser.control.backward import GRID, Chain, Samples, Step, Unit, decide, learn, worth_at
from optimiser.control.chosen import Candidate, Followed, choose
from optimiser.control.modes import WORDS, Device, Mode, Told
from optimiser.control.own_use import OwnUse
from optimiser.control.stored_worth import LEAST_DAYS, StoredWorth, unusual
from optimiser.errors import InfeasibleError, ScenarioError
from optimiser.plant.executed import executed, settled_walk
from optimiser.plant.walk import Plant
from optimiser.scenario.published import known_until

SHIPPED = Path(__file__).parent.parent / "scenarios"
UNIT = Unit(10.0, 3.0, 4.0, 0.9, 0.95, 5.0, 5.0, 1.0, 1.0, 9.0, 4.5, 0.0, 1.0, 1.0)


def value_by_linear_program(
    start_kwh: float, load: np.ndarray, sun: np.ndarray, pays: np.ndarray, gets: np.ndarray
) -> float:
    """The most that a day earns from a stored energy, what is left being worth nothing: stated afresh, by scipy.

    Columns of each hour: charging, discharging, import, export, sun held back.
    """
    n = len(load)
    eye = np.eye(n)
    lower = np.tril(np.ones((n, n)))
    zero = np.zeros((n, n))
    balance = np.hstack(
        [eye, -eye, -eye, eye, eye]
    )  # charge - discharge - import + export + held = sun - load
    stored = np.hstack([UNIT.into * lower, -lower / UNIT.out, zero, zero, zero])
    found = linprog(
        np.concatenate([np.zeros(2 * n), pays, -gets, np.zeros(n)]),
        A_ub=np.vstack([stored, -stored]),
        b_ub=np.concatenate([np.full(n, UNIT.capacity_kwh - start_kwh), np.full(n, start_kwh)]),
        A_eq=balance,
        b_eq=sun - load,
        bounds=[(0, 3.0)] * n + [(0, 4.0)] * n + [(0, 9.0)] * n + [(0, 4.5)] * n + [(0, s) for s in sun],
    )
    assert found.status == 0, found.message
    return -found.fun


@pytest.mark.parametrize("seed", range(4))
def test_the_worth_of_a_day_known_for_sure_is_that_of_a_linear_program(seed):
    """With one day of one price regime the backward pass is the day's value function, which a linear program gives.

    Source: Bellman's principle; the program is stated here and solved by scipy (HiGHS). The pass knows energies of the
    grid and corners alone, so it may lose a little: 3e-3 of the day's turnover.
    """
    random = np.random.default_rng(seed)
    load, sun = random.uniform(0.2, 4.0, 24), np.maximum(random.uniform(-3.0, 5.0, 24), 0.0)
    pays = random.uniform(0.1, 0.6, 24)
    gets = pays - random.uniform(0.0, 0.3, 24)
    one = np.ones((1, 24))
    samples = Samples(
        load[None], sun[None], 0 * one, 0 * one, 0 * one, 0 * one, np.zeros((1, 24), int), one,
        pays, gets, np.zeros(24), np.full(24, np.inf), np.zeros(24),
    )  # fmt: skip
    chain = Chain(
        np.zeros(24, int),
        np.ones((1, 1, 1, 1)),
        np.ones((1, 1, 2, 1)),
        1,
        1,
        np.zeros((1, 1)),
        np.zeros((1, 1)),
    )
    room = np.zeros((24, 1, 1, GRID))
    worth = learn(samples, chain, np.zeros((1, 1, GRID)), UNIT, room)[0, 0]
    most = {kwh: value_by_linear_program(kwh, load, sun, pays, gets) for kwh in (0.0, 2.5, 6.0, 10.0)}
    turnover = float((pays * load).sum())
    for kwh, value in most.items():
        assert worth_at(worth, kwh, UNIT) == pytest.approx(value - most[0.0], abs=3e-3 * turnover), kwh
    # Decided step by step by what was learnt, the day earns what the program does.
    stored, earned = 6.0, 0.0
    for at in range(24):
        step = Step(load[at], sun[at], 0.0, 0.0, pays[at], gets[at], np.inf, 0.0)
        power, _ = decide(stored, 0.0, step, UNIT, room[at, 0, 0])
        meter = load[at] - sun[at] + power
        if meter > 0:
            earned -= pays[at] * meter
        else:
            earned += gets[at] * min(-meter, 4.5) if gets[at] > 0 else 0.0
        stored += power * UNIT.into if power > 0 else power / UNIT.out
    assert earned == pytest.approx(most[6.0], abs=3e-3 * turnover)


def money_by_day(scenario: Any, controller: Any) -> np.ndarray:
    """What a walk pays and gets each day, from its registers and the contract's prices in plain numbers."""
    plant = Plant(scenario)
    walk = plant.walk(controller(plant), keep="meter")
    hour = np.arange(plant.steps) % 24
    sells = scenario.tariff.component[1].rates[0].rate_per_kwh
    pays = np.where(hour < 6, 0.10, 0.40)
    gets = np.where((hour >= 17) & (hour < 21), sells, 0.02)
    money: np.ndarray = (
        (gets * walk.export_kw[:, 0] - pays * walk.import_kw[:, 0]).reshape(-1, 24).sum(axis=1)
    )
    return money


@pytest.mark.parametrize(("sell", "earns"), [(0.35, 0.35 * 9.0 - 0.10 * 10.0 / 0.9), (0.12, 0.0)])
def test_two_prices_in_closed_form(sell, earns):
    """10 kWh bought at 0.10 through 0.9 and sold at `sell` through 0.9 each day, where that pays, and nothing else.

    Closed form: capacity x (price x efficiency - cost / efficiency) where positive. It pays as soon as a worth has been
    learnt, but for the end, when the store has to be as empty as at the start anyway.
    """
    money = money_by_day(two_prices(14, sell), StoredWorth)
    np.testing.assert_allclose(money[LEAST_DAYS + 1 : -1], earns, atol=2e-3)
    assert abs(money[:LEAST_DAYS]).max() == 0.0


def home(days: int, seed: int = 1, **columns: np.ndarray) -> Any:
    """A house with sun and a store; import by time of use, export at spot, which at times is dear."""
    timeline = span("UTC", "2025-03-03T00:00", 30, 48 * days)
    random = np.random.default_rng(seed)
    hour = np.arange(48 * days) % 48 / 2
    data = {
        "data.load": 0.5 + 2.0 * ((hour >= 17) & (hour < 22)) * random.uniform(0.5, 1.5, 48 * days),
        "data.sun": np.maximum(np.sin((hour - 6) * np.pi / 12), 0) * 4 * random.uniform(0.4, 1.0, 48 * days),
        "data.price": 60
        + 80 * (hour >= 17) * random.uniform(0.5, 1.5, 48 * days)
        - 90 * ((hour > 10) & (hour < 14)),
    } | columns
    data["data.price"] = np.where(random.uniform(size=48 * days) > 0.985, 4000.0, data["data.price"])
    raw = base(timeline)
    raw["timeline"] |= {"start": datetime.date(2025, 3, 3), "days": days, "step_minutes": 30}
    raw["site"]["load"] = [{"phase": "L1", "power_kw": "data.load"}]
    raw["site"]["ac_solar"] = [{"name": "roof", "phase": "L1", "available_kw": "data.sun"}]
    raw["site"]["inverter"] = [
        {"name": "a", "phase": "L1", "output_kw": 5.0, "input_kw": 5.0, "output_efficiency": 0.96}
        | {"input_efficiency": 0.96}
    ]
    raw["storage"] = [
        {"kind": "battery", "name": "s", "unit_kwh": 10.0, "charge_kw": 5.0, "discharge_kw": 5.0}
        | {"charge_efficiency": 0.97, "discharge_efficiency": 0.97, "voltage_v": 50.0, "end_fraction": 0.0}
        | {"reserve": [{"fraction": 0.1}]}
    ]
    raw["tariff"] = {
        "name": "home",
        "zone": "UTC",
        "component": [
            {
                "kind": "energy_charge",
                "rates": [
                    {"rate_per_kwh": 0.45, "when": {"from": "15:00", "to": "21:00"}},
                    {"rate_per_kwh": 0.25},
                ],
            },
            {"kind": "spot_feed_in", "price_per_mwh": "data.price", "fee_per_kwh": 0.01},
        ],
    }
    return made(raw, timeline, data)


def test_it_earns_more_than_own_use_and_less_than_the_ceiling():
    """A spot export with rare peaks: above plain own use by a good part, below the bound; every rule is replayed."""
    scenario = home(28)
    ceiling = solve(scenario)
    plant = Plant(scenario)
    own, worth = (settle_of(ceiling, plant.walk(c(plant))) for c in (OwnUse, StoredWorth))
    most = settle(ceiling).saving
    assert own + 0.25 * (most - own) < worth <= most + 1e-6


def settle_of(ceiling: Any, walk: Any) -> float:
    """The saving of a walk, replayed rule by rule."""
    return float(settled_walk(ceiling, walk).saving)


@pytest.mark.parametrize("day", [4, 9, 12])
def test_what_comes_later_moves_nothing_before_it(day):
    """Load, sun and prices from a step on in another order: stored energy before it is the same to the last digit."""
    first = home(14)
    stop = 48 * day + 17
    random = np.random.default_rng(day)
    changed = {}
    for name, values in first.columns.items():
        changed[name] = values.copy()
        changed[name][stop:] = 2 * random.permutation(values[stop:])
    other = made({**first.raw}, first.timeline, changed)
    stored = [
        plant.walk(StoredWorth(plant), keep="meter").stored_kwh for plant in (Plant(first), Plant(other))
    ]
    np.testing.assert_array_equal(stored[0][:stop], stored[1][:stop])
    assert np.abs(stored[0][stop:] - stored[1][stop:]).max() > 0.1


@pytest.mark.parametrize(
    "seed", [*range(300, 308), *(pytest.param(s, marks=pytest.mark.slow) for s in range(308, 360))]
)
def test_no_worth_beats_the_ceiling_and_every_rule_is_kept(seed, tmp_path, monkeypatch):
    """Random sites with every feature but services: what is carried out replays and stays below the bound.

    Learnt from the second day on, since the sites are short.
    """
    monkeypatch.setattr("optimiser.control.stored_worth.LEAST_DAYS", 1)
    scenario = read_scenario(as_scenario(random_site(seed), tmp_path))
    if scenario.service or not scenario.site.inverter or not scenario.storage:
        scenario = optional_without_services(scenario)
    if scenario is None:
        return
    ceiling = solve(scenario)
    plant = Plant(scenario)
    try:
        made_of_it = settled_walk(ceiling, plant.walk(StoredWorth(plant)))
    except InfeasibleError:
        return  # drawn so tight that plain devices cannot keep every limit
    assert made_of_it.saving <= settle(ceiling).saving + ceiling.proof.gap_absolute + 1e-6


def optional_without_services(scenario: Any) -> Any:
    """The site with nothing sold; None where there is nothing to steer."""
    if not scenario.site.inverter or not scenario.storage:
        return None
    return vary(scenario, {"service": []})


# --- modes ---------------------------------------------------------------------------------------------------------


def bench(load: float, sun: float, start: float) -> Plant:
    """10 kWh without loss behind an inverter of 5 kW, an array on its bus, an hour."""
    timeline = span("UTC", "2025-03-03T00:00", 60, 4)
    raw = base(timeline)
    raw["timeline"] |= {"start": datetime.date(2025, 3, 3), "days": 1}
    raw["site"]["load"] = [{"phase": "L1", "power_kw": load}]
    raw["site"]["solar_controller"] = [{"name": "roof", "available_kw": sun, "efficiency": 1.0}]
    raw["site"]["inverter"] = [
        {"name": "a", "phase": "L1", "output_kw": 5.0, "input_kw": 5.0, "output_efficiency": 1.0}
        | {"input_efficiency": 1.0}
    ]
    raw["storage"] = [
        {"kind": "battery", "name": "s", "unit_kwh": 10.0, "charge_kw": 8.0, "discharge_kw": 8.0}
        | {"voltage_v": 50.0, "start_fraction": start, "end_fraction": 0.0}
    ]
    return Plant(made(raw, timeline, {}))


@pytest.mark.parametrize(
    ("mode", "power", "mark", "site", "meter", "stored"),
    [
        # Load 2, sun 0, 5 kWh held.
        (Mode.COVER_LOAD, 0.0, 0.0, (2.0, 0.0, 0.5), 0.0, 3.0),
        (Mode.COVER_LOAD, 0.0, 0.4, (2.0, 0.0, 0.5), 1.0, 4.0),  # stops at 40 %
        (Mode.CHARGE, 3.0, 1.0, (2.0, 0.0, 0.5), 5.0, 8.0),
        (Mode.CHARGE, 3.0, 0.6, (2.0, 0.0, 0.5), 3.0, 6.0),  # stops at 60 %
        (Mode.CHARGE, 3.0, 0.4, (2.0, 0.0, 0.5), 1.0, 4.0),  # above it, covers down to 40 %
        (Mode.FEED_OUT, 2.0, 0.0, (2.0, 0.0, 0.5), -2.0, 1.0),
        (Mode.FEED_OUT, 2.0, 0.2, (2.0, 0.0, 0.5), -1.0, 2.0),  # stops at 20 %
        (Mode.HOLD, 0.0, 0.0, (2.0, 0.0, 0.5), 2.0, 5.0),
        (Mode.SAVE_SUN, 0.0, 1.0, (2.0, 0.0, 0.5), 2.0, 5.0),
        (Mode.EXPORT_FIRST, 0.0, 0.0, (2.0, 0.0, 0.5), 0.0, 3.0),
        (Mode.EXPORT_FIRST, 0.0, 0.4, (2.0, 0.0, 0.5), 1.0, 4.0),
        (Mode.CUT_PEAKS, 1.5, 0.0, (2.0, 0.0, 0.5), 1.5, 4.5),
        (Mode.CUT_PEAKS, 3.0, 0.0, (2.0, 0.0, 0.5), 2.0, 5.0),
        # Load 1, sun 4 on the bus.
        (Mode.COVER_LOAD, 0.0, 0.0, (1.0, 4.0, 0.5), 0.0, 8.0),
        (Mode.HOLD, 0.0, 0.0, (1.0, 4.0, 0.5), -3.0, 5.0),
        (Mode.SAVE_SUN, 0.0, 1.0, (1.0, 4.0, 0.5), 0.0, 8.0),
        (Mode.SAVE_SUN, 0.0, 0.6, (1.0, 4.0, 0.5), -2.0, 6.0),  # the rest of the sun is fed in
        (Mode.EXPORT_FIRST, 0.0, 0.0, (1.0, 4.0, 0.5), -3.0, 5.0),
        (Mode.CUT_PEAKS, 0.5, 0.0, (1.0, 4.0, 0.5), -3.0, 5.0),
    ],
)
def test_a_mode_does_what_its_name_says(mode, power, mark, site, meter, stored):
    """One hour worked by hand: what the meter sees and the store holds, by the sum of powers at the bus."""
    plant = bench(*site)
    device = Device(plant)
    told = Told(np.array([[int(mode)]]), np.array([[power]]), np.array([[mark]]))
    walk = plant.walk(lambda step, state: device.orders(step, state, told), steps=np.array([0]))
    assert walk.import_kw[0, 0] - walk.export_kw[0, 0] == pytest.approx(meter, abs=1e-9)
    assert walk.stored_kwh[0, 0, 0] == pytest.approx(stored, abs=1e-9)


def test_every_mode_has_a_name():
    """One vocabulary: each mode, once."""
    assert set(Mode) == set(WORDS)
    assert len(set(WORDS.values())) == len(Mode)


def test_sun_is_held_back_where_feeding_it_in_costs():
    """AC sun of 4 kW, load 1, store full, export at a negative price: nothing is exported, sun gives 1 kW.

    Checked by the balance of the meter; the ceiling does the same, since a new system may be curtailed at will.
    """
    days = 5
    scenario = home(days, **{"data.price": np.full(48 * days, -100.0)})
    plant = Plant(scenario)
    walk = plant.walk(StoredWorth(plant))
    executed(scenario, walk)
    late = slice(48 * (LEAST_DAYS + 1), None)
    price = scenario.columns["data.price"][late]
    assert walk.export_kw[late, 0][price < 0].max() < 1e-9
    assert walk.ac_solar_kw[late, 0, 0].max() > 1.0


# --- chosen on the past ----------------------------------------------------------------------------------------------


def chosen(scenario: Any) -> Any:
    """Own use and the worth of stored energy, and the choice among them."""
    return choose(Plant(scenario), [Candidate("own use", OwnUse), Candidate("stored worth", StoredWorth)])


@pytest.mark.parametrize(
    ("sell", "words"),
    [
        (0.35, "own use in 2025-03, stored worth from 2025-04 to 2025-05"),
        (0.12, "own use from 2025-03 to 2025-05"),
    ],
)
def test_each_period_runs_what_earned_most_before(sell, words):
    """Where buying and selling pays, from the second month on; where it does not, own use throughout.

    By the closed form of `test_two_prices_in_closed_form`; the choice is settled from the prices in plain numbers.
    """
    made_of_it = chosen(two_prices(70, sell))
    assert words == made_of_it.words()
    hour = np.arange(24 * 70) % 24
    pays, gets = np.where(hour < 6, 0.10, 0.40), np.where((hour >= 17) & (hour < 21), sell, 0.02)
    march, april = slice(0, 24 * 29), slice(24 * 29, 24 * 59)
    walk = made_of_it.walk
    for case in range(2):
        money = gets * walk.export_kw[:, case] - pays * walk.import_kw[:, case]
        assert made_of_it.earned[case, 0] == pytest.approx(money[march].sum(), abs=1e-6)
        assert made_of_it.earned[case, 1] == pytest.approx(money[april].sum(), abs=1e-6)
    # The choice does what its candidates did, from wherever its store was.
    np.testing.assert_array_equal(walk.stored_kwh[march, 2], walk.stored_kwh[march, 0])


def test_a_month_has_no_say_in_who_runs_it():
    """Prices of a month and after turned upside down: who runs it stays, who runs the next may change."""
    days = 92
    first = home(days)
    turned = {**first.columns, "data.price": first.columns["data.price"].copy()}
    june = 48 * (29 + 30)  # from 1 May on, which 1 June follows
    turned["data.price"][june:] = -50.0
    one, other = chosen(first), chosen(made({**first.raw}, first.timeline, turned))
    assert list(one.ran[:3]) == list(other.ran[:3])
    np.testing.assert_array_equal(one.walk.stored_kwh[:june], other.walk.stored_kwh[:june])
    np.testing.assert_allclose(one.earned[:, :2], other.earned[:, :2])


def test_a_schedule_that_is_followed_is_made_again():
    """Followed from the same store, a walk's own powers give the same walk."""
    plant = Plant(home(4))
    own = plant.walk(OwnUse(plant))
    again = plant.walk(Followed(plant, own.net_kw[:, 0]))
    np.testing.assert_allclose(again.stored_kwh, own.stored_kwh, atol=1e-6)


# --- what is known when ----------------------------------------------------------------------------------------


def published(days: int, when: str | None, seed: int = 1) -> Any:
    """The home with its export price published as said."""
    scenario = home(days, seed)
    raw = {**scenario.raw}
    if when is not None:
        raw["foresight"] = {"published": [{"of": "data.price", "when": when}]}
    return made(raw, scenario.timeline, dict(scenario.columns))


def test_prices_are_known_as_they_are_published():
    """By the clock: at 13:00 all of tomorrow's, before it today's; at the start of a step its own; after it none.

    Berlin, 29 to 31 March 2025, of which the second day has 23 hours (tz database): by hand.
    """
    timeline = span("Europe/Berlin", "2025-03-29T00:00", 60, 24 + 23 + 24)
    raw = base(timeline)
    raw["timeline"] |= {"start": datetime.date(2025, 3, 29), "days": 3}
    raw["site"]["load"] = []
    columns = {"d.price": np.ones(71)}
    raw["tariff"]["component"] = [{"kind": "spot_charge", "price_per_mwh": "d.price"}]
    told: dict[str, np.ndarray] = {}
    for when in ("day_ahead", "interval_start", "after"):
        raw["foresight"] = {"published": [{"of": "d.price", "when": when}]}
        told[when] = known_until(made(raw, timeline, columns), "d.price")
    np.testing.assert_array_equal(told["interval_start"], np.arange(71) + 1)
    np.testing.assert_array_equal(told["after"], np.arange(71))
    by_hand = np.concatenate([np.full(13, 24), np.full(24 - 13 + 12, 47), np.full(11 + 24, 71)])
    np.testing.assert_array_equal(told["day_ahead"], by_hand)


def test_more_known_earns_no_less():
    """Over two months of three sites: prices a day ahead earn at least what prices at the start do, these than after.

    Common sense, no source; a mean, since single days may differ.
    """
    earned = {}
    for when in ("day_ahead", None, "after"):
        sums = []
        for seed in (1, 2, 3):
            scenario = published(60, when, seed)
            plant = Plant(scenario)
            walk = plant.walk(StoredWorth(plant), keep="meter")
            sums.append(settled_cash(scenario, walk))
        earned[when] = np.mean(sums)
    assert earned["day_ahead"] >= earned[None] >= earned["after"]


def settled_cash(scenario: Any, walk: Any) -> float:
    """What a walk's meter pays and gets, from the contract's prices in plain numbers."""
    hour = np.arange(len(walk.import_kw)) % 48 / 2
    pays = np.where((hour >= 15) & (hour < 21), 0.45, 0.25) * 1.0
    gets = scenario.columns["data.price"] / 1000 - 0.01
    return float((gets * walk.export_kw[:, 0] - pays * walk.import_kw[:, 0]).sum() / 2)


@pytest.mark.parametrize("when", ["day_ahead", "after"])
@pytest.mark.parametrize("day", [5, 9])
def test_what_is_published_later_moves_nothing_before_it(day, when):
    """Everything from a step on in another order, but prices that are published by then: nothing before it moves.

    At 17:30, a day ahead: prices of today and tomorrow are known; after: not that of the step itself.
    """
    first = published(14, when)
    stop = 48 * day + 35
    random = np.random.default_rng(day)
    changed = {}
    for name, values in first.columns.items():
        begin = stop
        if name == "data.price":
            begin = 48 * (day + 2) if when == "day_ahead" else stop - 1
        changed[name] = values.copy()
        changed[name][begin:] = 2 * random.permutation(values[begin:])
    other = made({**first.raw}, first.timeline, changed)
    stored = [
        plant.walk(StoredWorth(plant), keep="meter").stored_kwh for plant in (Plant(first), Plant(other))
    ]
    np.testing.assert_array_equal(stored[0][:stop], stored[1][:stop])


def test_a_series_that_no_tariff_takes_is_refused(tmp_path):
    """One sentence with file, place, value and way out."""
    folder = tmp_path / "home"
    shutil.copytree(SHIPPED / "single-phase-home", folder)
    file = folder / "scenario.toml"
    told = '\n[foresight]\npublished = [{ of = "market.spot_per_mw", when = "after" }]\n'
    file.write_text(file.read_text(encoding="utf-8") + told, encoding="utf-8")
    with pytest.raises(
        ScenarioError, match=r"published.0.of is 'market.spot_per_mw'.*did you mean market.spot_per_mwh"
    ):
        read_scenario(folder)


# --- demand and warranty -------------------------------------------------------------------------------------------


def test_charging_makes_no_new_peak_and_the_peak_is_cut():
    """Load 1 kW, 4 kW from 18:00 to 20:00; kW charged for at 20 each. Own use peaks at 4 kW, its store empty.

    Closed form of the least: 10 kWh without loss cover 8 kWh above nothing in two hours, so with 22 hours to fill it
    import can be even at the mean of the day, 30 kWh / 24 h = 1.25 kW. April begins with the store empty, and the
    device counts kWh above its ceiling, not the peak itself, so it comes to 2.5 kW at the most; cheap night rates
    alone would have it charge at 5 kW.
    """
    days = 32
    timeline = span("UTC", "2025-03-20T00:00", 60, 24 * days)
    raw = base(timeline)
    raw["timeline"] |= {"start": datetime.date(2025, 3, 20), "days": days}
    hour = np.arange(24 * days) % 24
    raw["site"]["load"] = [{"phase": "L1", "power_kw": "d.load"}]
    raw["site"]["inverter"] = [
        {"name": "a", "phase": "L1", "output_kw": 5.0, "input_kw": 5.0, "output_efficiency": 1.0}
        | {"input_efficiency": 1.0}
    ]
    raw["storage"] = [
        {"kind": "battery", "name": "s", "unit_kwh": 10.0, "charge_kw": 8.0, "discharge_kw": 8.0}
        | {"voltage_v": 50.0, "start_fraction": 0.5, "end_fraction": 0.0}
    ]
    raw["tariff"]["component"] = [
        {
            "kind": "energy_charge",
            "rates": [
                {"rate_per_kwh": 0.10, "when": {"from": "00:00", "to": "06:00"}},
                {"rate_per_kwh": 0.30},
            ],
        },
        {"kind": "demand_charge", "rate_per_kw": 20.0, "interval_minutes": 60},
    ]
    scenario = made(raw, timeline, {"d.load": np.where((hour >= 18) & (hour < 20), 4.0, 1.0)})
    plant = Plant(scenario)
    imported = plant.walk(StoredWorth(plant), keep="meter").import_kw[:, 0]
    # In March the days before anything was learnt have made the peak; April has one of its own.
    assert 1.25 - 1e-6 <= imported[24 * 12 :].max() <= 2.5


def test_a_warranty_that_is_kept_is_not_passed():
    """4 kWh a day may be given where prices invite 9: each month's sum stays below its days' share.

    By the sum of what the store gave, from the walk; the rule itself is replayed as the walk is settled.
    """
    life = {
        "warranted_kwh_per_year": 4.0 * 365,
        "keep_warranty": True,
        "cycle_life": 6000,
        "calendar_life_years": 15,
    }
    scenario = two_prices(60, 0.35, life=life)
    plant = Plant(scenario)
    walk = plant.walk(StoredWorth(plant))
    executed(scenario, walk)
    month = np.array([stamp.month for stamp in scenario.timeline.local()])
    for number in (3, 4):
        given = walk.discharge_kw[month == number].sum()
        days = (month == number).sum() / 24
        assert 0.7 * 4.0 * days <= given <= 4.0 * days + 1e-6


def test_what_is_unusual_is_told_from_days_before_alone():
    """Prices that repeat each day are unusual by nothing from the second on; one that is 5 dearer is so by 5.

    By hand; the median of the days before does not move for one of them, nor does a later price move an earlier figure.
    """
    day = 50.0 + 10.0 * np.repeat(
        np.arange(8), 3
    )  # equal hours beside each other, so that their mean is worked easily
    market = np.tile(day, 9)
    market[24 * 6 + 10] += 5.0
    made_of_it = unusual(market, 24, 28)
    middle = np.arange(24) % 3 == 1  # the hours either way are alike
    by_day = made_of_it.reshape(9, 24)[1:, middle]
    expected = np.zeros((8, 8))
    expected[5, 3] = 5.0
    np.testing.assert_allclose(by_day, expected, atol=1e-9)
    later = market.copy()
    later[24 * 5 + 7 :] = 1e3
    np.testing.assert_array_equal(unusual(later, 24, 28)[: 24 * 5 + 7], made_of_it[: 24 * 5 + 7])
