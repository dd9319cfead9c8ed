"""Years as paths through what is stored: against an integer program of another model and solver, against a plain grid,
and against laws that hold for any path and any bound.

The references from outside are SCIP through PySCIPOpt, on a model that imports nothing of the package (`independent`),
and a dynamic program over a grid of stored energies written out here. All data are invented, from fixed seeds.
"""

from __future__ import annotations

import datetime
import shutil
import time
from pathlib import Path

import numpy as np
import pytest
from independent import as_scenario, solve_reference
from test_directions import temptations, whole, whole_by_scip
from test_oracle import tiled

import optimiser
from optimiser.engine import path, proof
from optimiser.engine.chain import _bridged, _fewer, _higher
from optimiser.engine.decisions import decisions
from optimiser.engine.envelopes import Envelopes
from optimiser.engine.levels import Levels
from optimiser.engine.solver import Highs
from optimiser.engine.stage import stage_of
from optimiser.engine.tiling import build_problem

GAP = 1e-7


@pytest.fixture(autouse=True)
def _always_paths(monkeypatch):
    """Paths, however few steps invite both directions."""
    monkeypatch.setattr(path, "FEWEST_STEPS", 1)


# --- Weeks of an independent model -----------------------------------------------------------------------------------


def week(seed: int, *, phases: int = 1, kind: str = "battery", days: int = 7, worst: str = "") -> dict:
    """A site in a week in which export often pays more than import costs; `worst` names a hard shape of it."""
    random = np.random.default_rng(seed)
    steps, names = 24 * days, ["L1", "L2", "L3"][:phases]
    sun = np.maximum(np.sin((np.arange(steps) % 24 - 6) / 12 * np.pi), 0.0) * random.uniform(0.3, 1.0, steps)
    capacity = {"tiny store": 0.4, "huge store": 150.0}.get(worst, 9.0)
    bank = {
        "kind": "battery",
        "voltage_v": 51.2,
        "capacity_kwh": capacity,
        "charge_kw": 4.0,
        "discharge_kw": 5.0,
        "charge_efficiency": 0.96,
        "discharge_efficiency": 0.95,
        "self_discharge_per_day": 0.01,
        "standby_w": 8.0,
        "floor_kwh": round(0.1 * capacity, 3),
        "reserve_hours": None,
        "start_kwh": round(0.5 * capacity, 3),
        "end_kwh": None,
        "current_limit_a": None,
    }
    if kind == "capacitor_bank":
        del bank["voltage_v"], bank["charge_efficiency"], bank["discharge_efficiency"]
        bank |= {"kind": kind, "lowest_voltage_v": 40.0, "highest_voltage_v": 56.0, "current_limit_a": 100.0}
        bank |= {"measured_points": [(1.5, 0.985), (5.0, 0.955)]}
    inverter = {"output_kw": 4.0, "input_kw": 3.5, "output_efficiency": 0.95, "input_efficiency": 0.94}
    inverter |= {"standby_w": 20.0, "dc_current_limit_a": 90.0}
    load = {name: np.round(random.uniform(0.1, 1.5, steps), 3) for name in names}
    if worst == "load above the inverter":
        load = {name: np.round(random.uniform(4.5, 6.0, steps), 3) for name in names}
    buy = np.round(random.uniform(0.15, 0.4, steps), 4)
    invert = random.random(steps) < 0.2
    more = np.round(random.uniform(0.01, 0.6, steps), 4)
    if worst == "long flat inversion":
        buy, invert, more = np.full(steps, 0.25), (np.arange(steps) // 12) % 3 == 1, np.full(steps, 0.1)
    elif worst == "alternating prices":
        invert = np.arange(steps) % 2 == 0
    sell = np.where(invert, buy + more, np.round(0.3 * buy, 4))
    return {
        "first_day": datetime.date(2025, 1, 6),
        "step_hours": 1.0,
        "steps": steps,
        "phases": names,
        "load_kw": load,
        "registers": "per_phase" if phases == 3 and seed % 2 else "netted",
        "import_limit_kw": 30.0,
        "export_limit_kw": 9.0,
        "phase_export_limit_kw": 4.0 if phases == 3 else None,
        "imbalance_limit_kw": 6.0 if phases == 3 else None,
        "inverters": [{"phase": name} | inverter for name in names],
        "controllers": [{"available_kw": np.round(5 * sun, 3), "efficiency": 0.97, "current_limit_a": 85.0}],
        "banks": [bank],
        "import_price": buy,
        "export_price": sell,
        "wear_per_kwh": 0.0,
        "services": [],
    }


WORST = [
    "tiny store",
    "huge store",
    "load above the inverter",
    "long flat inversion",
    "alternating prices",
]
CASES = [
    *((seed, 1, kind, 7, "") for seed in (1, 2) for kind in ("battery", "capacitor_bank")),
    *((seed, 3, kind, 1, "") for seed in (1, 2) for kind in ("battery", "capacitor_bank")),
    *((5, 1, kind, 2, worst) for worst in WORST for kind in ("battery", "capacitor_bank")),
    *((6, 3, "capacitor_bank", 1, worst) for worst in WORST),
]


@pytest.mark.parametrize(("seed", "phases", "kind", "days", "worst"), CASES)
def test_paths_equal_the_integer_program_of_another_model(seed, phases, kind, days, worst, tmp_path):
    """Same money as SCIP on a model of its own, proven by a bound of ours."""
    site = week(seed, phases=phases, kind=kind, days=days, worst=worst)
    solved = optimiser.solve(optimiser.read_scenario(as_scenario(site, tmp_path)))
    best = solve_reference(site)["money"]
    assert solved.proof.bound >= best - 1e-7 * max(1.0, abs(best))
    assert best == pytest.approx(solved.proof.settled, rel=1e-6, abs=1e-6)
    assert solved.proof.gap_relative <= 1e-5
    if worst != "load above the inverter":
        assert "paths" in solved.proof.route


@pytest.mark.slow
@pytest.mark.parametrize("phases", [1, 3])
@pytest.mark.parametrize("kind", ["battery", "capacitor_bank"])
@pytest.mark.parametrize("seed", range(10, 35))
def test_paths_equal_the_integer_program_on_more_weeks(seed, phases, kind, tmp_path):
    """The same on a hundred more; three phases for a day, since SCIP takes minutes for more."""
    site = week(seed, phases=phases, kind=kind, days=7 if phases == 1 else 1)
    solved = optimiser.solve(optimiser.read_scenario(as_scenario(site, tmp_path)))
    best = solve_reference(site)["money"]
    assert solved.proof.bound >= best - 1e-7 * max(1.0, abs(best))
    assert best == pytest.approx(solved.proof.settled, rel=1e-6, abs=1e-6)


SLOW_FROM = 135  # SCIP takes minutes for a day of three phases
JOINED = ["", "peak", "fee", "credit by the day", "service"]


def joined(seed: int) -> dict:
    """A site of a random week of inverted prices: shape, kind of store, phases and what joins its hours by the seed."""
    what, worst = JOINED[seed % len(JOINED)], ["", *WORST][(seed // len(JOINED)) % (1 + len(WORST))]
    phases, kind = (
        (3 if seed % 4 == 3 and seed >= SLOW_FROM else 1),
        ("battery", "capacitor_bank")[(seed // 2) % 2],
    )
    site = week(seed, phases=phases, kind=kind, days=1 if phases == 3 or seed < SLOW_FROM else 2, worst=worst)
    if what == "peak":
        return with_peak(site, rate=2.0)
    if what == "fee":
        tops, fees = [4.0, 7.0, 12.0], [5.0, 9.0, 16.0, 30.0]
        return site | {"charges": [{"what": "steps", "ends_kw": tops, "fees": fees, "slot_steps": 1}]}
    if what == "credit by the day":
        return site | {"charges": [{"what": "tiers", "ends_kwh": [4.0, 9.0], "rates": [0.05, 0.1, 0.2]}]}
    if what == "service":
        price = np.round(np.random.default_rng(seed).uniform(0.0, 0.2, site["steps"]), 4)
        offered = {"direction": "up", "group": "", "sustain_hours": 0.5, "maximum_kw": 3.0}
        return site | {"services": [offered | {"price_per_kw_h": price, "block_hours": 4.0}]}
    return site


def hold_joined(seed: int, folder: Path) -> None:
    """The money of SCIP on a model of its own, within 0.1 % of turnover, and a bound that lies above it."""
    site = joined(seed)
    scenario = optimiser.read_scenario(as_scenario(site, folder))
    proven = optimiser.solve(
        optimiser.vary(scenario, {"solve.gap_tolerance": 1e-4, "solve.time_limit_s": 60.0})
    ).proof
    best = solve_reference(site)["money"]
    # A peak may lie a watt above its step in the program, which the books allow.
    assert proven.bound >= best - 1e-3
    assert best == pytest.approx(proven.settled, abs=2e-3 + 1e-3 * proven.turnover)
    assert proven.gap_relative <= 1e-3


@pytest.mark.parametrize("seed", range(115, SLOW_FROM))
def test_inverted_days_with_what_joins_hours_equal_another_model(seed, tmp_path):
    """Twenty days with peaks, fees, credits by the day and services, in the worst shapes."""
    hold_joined(seed, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(SLOW_FROM, SLOW_FROM + 100))
def test_more_inverted_weeks_with_what_joins_hours_equal_another_model(seed, tmp_path):
    """A hundred more."""
    hold_joined(seed, tmp_path)


# --- Every kind of double use, against integer programs of the same rows ---------------------------------------------


def searched(problem, gap=GAP):
    """What paths find for a problem."""
    highs = Highs(problem)
    relaxed = highs.solve()
    every = decisions(problem)
    broken = every.broken(problem, relaxed.x)
    deadline = time.perf_counter() + 60
    return path.search(problem, every, broken, relaxed, highs, gap, deadline, lambda words: None)


@pytest.mark.parametrize("seed", [*range(12), 23, 32, 38])
def test_paths_equal_the_whole_integer_program(seed):
    """Prices that tempt in both directions at the meter and on the bus, and losses that pay: seeds 23, 32 and 38 once
    stopped short."""
    problem = tiled(temptations(seed))
    found, best = searched(problem), whole(problem)
    assert not decisions(problem).broken(problem, found.solution.x).any()
    assert proof.violation(problem, found.solution.x) < 1e-6
    assert found.bound >= best - 1e-7 * max(1.0, abs(best))
    assert best == pytest.approx(found.solution.objective, rel=1e-6, abs=1e-6)
    turnover = proof.turnover(problem, found.solution.x)
    assert proof.relative_gap(found.bound, found.solution.objective, turnover) <= GAP


def test_paths_equal_another_solver():
    """SCIP finds the same optimum of the same rows."""
    problem = tiled(temptations(4, steps=18))
    assert whole_by_scip(problem) == pytest.approx(searched(problem).solution.objective, rel=1e-6, abs=1e-6)


def with_peak(site: dict, rate: float = 1.5, hours: tuple[int, int] | None = None) -> dict:
    """A site with a charge on the highest hour of each month, within some hours of the day."""
    return site | {"demand_rate_per_kw": rate, "demand_slot_steps": 1, "demand_hours": hours}


@pytest.mark.parametrize(
    ("phases", "kind", "days", "first_day", "registers"),
    [
        (1, "battery", 3, 6, "netted"),
        (1, "capacitor_bank", 2, 31, "netted"),  # two months, two peaks
        (3, "capacitor_bank", 1, 6, "netted"),
        (3, "capacitor_bank", 1, 6, "per_phase"),
    ],
)
def test_a_peak_is_closed_by_intervals(phases, kind, days, first_day, registers, tmp_path):
    """A demand charge, over two months or within some hours: the money of SCIP, proven by a bound of ours."""
    site = week(1, phases=phases, kind=kind, days=days)
    site |= {"first_day": datetime.date(2025, 1, first_day), "registers": registers}
    site = with_peak(site, hours=(6, 18) if phases == 3 else None)
    problem = build_problem(optimiser.read_scenario(as_scenario(site, tmp_path)))
    found, best = searched(problem, gap=1e-5), solve_reference(site)["money"]
    turnover = proof.turnover(problem, found.solution.x)
    assert not stage_of(problem).joining.any()
    assert found.bound >= best - 1e-7 * max(1.0, abs(best))
    assert best - 1e-5 * turnover <= found.solution.objective <= best + 1e-6 * max(1.0, abs(best))
    assert proof.relative_gap(found.bound, found.solution.objective, turnover) <= 1e-5


@pytest.mark.parametrize("seed", range(3))
def test_intervals_only_lower_the_bound(seed, tmp_path):
    """However an unpriced peak's intervals are cut, no bound falls below the best schedule or rises by a cut."""
    site = with_peak(week(3, days=2), rate=2.0)
    problem, stage, choices = taken_apart(site, tmp_path)
    best = optimiser.solve(optimiser.read_scenario(tmp_path)).proof.settled
    relaxed = Highs(problem).solve()
    priced, envelopes = stage.priced(np.zeros(len(problem.row_upper))), Envelopes(stage)
    envelopes.sample(priced, choices, np.diff(choices.first)[choices.step] > 1)
    levels = Levels(stage, envelopes, site["banks"][0]["start_kwh"])
    random, bounds = np.random.default_rng(seed), []
    for _ in range(8):
        found = levels.best_path(priced, choices, np.zeros(stage.steps), 1e-9)
        bounds.append(found.bound + levels.outside(priced))
        somewhere = relaxed.x.copy()
        somewhere[stage.groups] = random.uniform(0, 8, len(somewhere) - stage.groups.start)
        levels.split(priced, somewhere, 0.0)
    assert bounds[-1] >= best - 1e-6
    assert (np.diff(bounds) <= 1e-6).all()
    assert bounds[-1] < bounds[0] - 1e-3


@pytest.mark.parametrize("seed", range(4))
def test_any_prices_of_joining_rows_bound(seed, tmp_path):
    """Prices far from the best give a looser bound, never one below the best schedule."""
    site = with_peak(week(3, days=2), rate=2.0)
    problem, stage, choices = taken_apart(site, tmp_path)
    best = solve_reference(site)["money"]
    y = np.abs(np.random.default_rng(seed).normal(size=len(problem.row_upper))) * stage.joining
    priced, envelopes = stage.priced(y), Envelopes(stage)
    envelopes.sample(priced, choices, np.diff(choices.first)[choices.step] > 1)
    levels = Levels(stage, envelopes, site["banks"][0]["start_kwh"])
    found = levels.best_path(priced, choices, np.zeros(stage.steps), 1e-6)
    assert found.bound + levels.outside(priced) >= best - 1e-6


# --- A plain grid ----------------------------------------------------------------------------------------------------


def by_grid(site: dict, points: int) -> float:
    """The best of a one-phase site with a battery whose stored energy is always one of some points.

    Written out from the physics: at the bus, solar + discharge + input x efficiency = charge + output / efficiency +
    standby. Solar is curtailed freely; the best power of the inverter is one of a few corners.
    """
    bank, inverter, solar = site["banks"][0], site["inverters"][0], site["controllers"][0]
    kept = (1 - bank["self_discharge_per_day"]) ** (site["step_hours"] / 24)
    levels = np.linspace(bank["floor_kwh"], bank["capacity_kwh"], points)
    standby = (bank["standby_w"] + inverter["standby_w"]) / 1000
    change = levels[None, :] - kept * levels[:, None]
    power = np.where(
        change > 0, -change / bank["charge_efficiency"], -change * bank["discharge_efficiency"]
    )  # given to the bus [kW], steps of an hour
    allowed = (power <= bank["discharge_kw"] + 1e-9) & (power >= -bank["charge_kw"] - 1e-9)
    worth = np.where(levels >= bank["start_kwh"] - 1e-9, 0.0, -np.inf)
    for step in range(site["steps"] - 1, -1, -1):
        sun = solar["efficiency"] * solar["available_kw"][step]
        # 85 A at 51.2 V and 90 A at 51.2 V: the limits of the controller and of the inverter's breaker.
        sun = min(sun, 0.001 * solar["current_limit_a"] * bank["voltage_v"])
        load, buy, sell = (
            site["load_kw"]["L1"][step],
            site["import_price"][step],
            site["export_price"][step],
        )
        most_out = min(inverter["output_kw"], site["export_limit_kw"] + load)
        given = power - standby
        gain = np.full(power.shape, -np.inf)
        for used in (sun, 0.0, load / inverter["output_efficiency"] - given, -given):
            used = np.broadcast_to(used, power.shape)
            net = given + used
            output = np.where(net > 0, net * inverter["output_efficiency"], 0.0)
            into = np.where(net < 0, -net / inverter["input_efficiency"], 0.0)
            fits = allowed & (used >= -1e-9) & (used <= sun + 1e-9) & (into <= inverter["input_kw"] + 1e-9)
            excess = np.maximum(output - most_out, 0.0)  # curtailed as far as there is sun
            fits &= excess / inverter["output_efficiency"] <= used + 1e-9
            meter = load - np.minimum(output, most_out) + into
            money = np.where(meter > 0, -buy * meter, -sell * meter)
            gain = np.maximum(gain, np.where(fits, money, -np.inf))
        worth = (gain + worth[None, :]).max(axis=1)
    return float(np.interp(bank["start_kwh"], levels, worth))


@pytest.mark.parametrize("seed", [3, 4])
def test_paths_lie_just_above_plain_grids(seed, tmp_path):
    """A schedule on a grid earns less, and 800 points come closer than 400; both stay below the bound."""
    site = week(seed)
    site["banks"][0]["start_kwh"] = 4.5
    solved = optimiser.solve(optimiser.read_scenario(as_scenario(site, tmp_path)))
    coarse, fine = by_grid(site, 400), by_grid(site, 800)
    assert coarse <= solved.proof.bound + 1e-6
    assert fine <= solved.proof.bound + 1e-6
    assert fine >= solved.proof.settled - 0.01 * abs(solved.proof.settled)
    assert solved.proof.settled - fine <= solved.proof.settled - coarse + 1e-9


# --- Laws ------------------------------------------------------------------------------------------------------------


def taken_apart(site, folder):
    """Stage, prices, choices and envelopes of a site, every tempting pair decided."""
    problem = build_problem(optimiser.read_scenario(as_scenario(site, folder)))
    stage, every = stage_of(problem), decisions(problem)
    choices, _ = path._choices(stage, every, every.tempting)
    return problem, stage, choices


def test_a_bound_from_few_samples_is_looser_and_still_one(tmp_path, monkeypatch):
    """Any multipliers bound: with ever fewer samples the bound rises, and never falls below the best schedule."""
    site = week(1, kind="capacitor_bank", days=3)
    problem, stage, choices = taken_apart(site, tmp_path)
    best = optimiser.solve(optimiser.read_scenario(tmp_path)).proof.settled
    priced, bounds = stage.priced(np.zeros(len(problem.row_upper))), []
    for samples in (4000, 20, 6):
        monkeypatch.setattr("optimiser.engine.envelopes.SAMPLES", samples)
        envelopes = Envelopes(stage)
        envelopes.sample(priced, choices, np.diff(choices.first)[choices.step] > 1)
        levels = Levels(stage, envelopes, site["banks"][0]["start_kwh"])
        found = levels.best_path(priced, choices, np.zeros(stage.steps), 1e-9)
        bounds.append(found.bound + priced.constant)
        assert found.bound >= found.made - 1e-9
    assert bounds[0] >= best - 1e-6
    assert bounds[0] <= bounds[1] + 1e-6
    assert bounds[1] <= bounds[2] + 1e-6


def test_what_is_added_to_the_worth_bounds_the_gap(tmp_path):
    """The path lies below the bound by no more than what may be added in each step."""
    site = week(2, days=3)
    problem, stage, choices = taken_apart(site, tmp_path)
    priced, envelopes = stage.priced(np.zeros(len(problem.row_upper))), Envelopes(stage)
    envelopes.sample(priced, choices, np.ones(len(choices.step), bool))
    near = np.zeros(stage.steps)
    exact = Levels(stage, envelopes, site["banks"][0]["start_kwh"]).best_path(priced, choices, near, 1e-12)
    for added in (1e-6, 1e-4, 1e-2):
        levels = Levels(stage, envelopes, site["banks"][0]["start_kwh"])
        found = levels.best_path(priced, choices, near, added)
        assert exact.bound - 1e-6 <= found.bound <= exact.bound + stage.steps * added
        assert found.bound - stage.steps * added <= found.made <= exact.bound + 1e-6


@pytest.mark.parametrize("kind", ["battery", "capacitor_bank"])
def test_more_storage_never_earns_less(kind, tmp_path):
    """All else the same, under perfect foresight, inverted prices or not."""
    earned = []
    for number, capacity in enumerate((3.0, 6.0, 12.0)):
        site = week(7, kind=kind, days=3)
        site["banks"][0] |= {"capacity_kwh": capacity, "floor_kwh": 0.0, "start_kwh": 0.0, "end_kwh": 0.0}
        folder = tmp_path / str(number)
        folder.mkdir()
        earned.append(optimiser.solve(optimiser.read_scenario(as_scenario(site, folder))).proof.settled)
    assert earned == sorted(earned)


def curve(random, count, left=0.0, right=10.0):
    """A curve of straight pieces with room for more breakpoints."""
    made = np.zeros((2, 20_000))
    made[0, :count] = np.sort(random.uniform(left, right, count))
    made[0, 0], made[0, count - 1] = left, right
    made[1, :count] = random.normal(size=count)
    return made


@pytest.mark.parametrize("seed", range(30))
def test_curves_are_thinned_from_above_and_joined_at_their_highest(seed):
    """What is left of a curve lies above it by no more than was allowed; the higher of two is their maximum."""
    random = np.random.default_rng(seed)
    one, other, out = curve(random, 40), curve(random, 25), np.zeros((2, 20_000))
    grid = np.linspace(0, 10, 20_001)
    before, second = np.interp(grid, one[0, :40], one[1, :40]), np.interp(grid, other[0, :25], other[1, :25])
    made = _higher(one.copy(), 40, other.copy(), 25, out)
    joined = np.interp(grid, out[0, :made], out[1, :made])
    assert joined == pytest.approx(np.maximum(before, second), abs=1e-2)
    assert (joined >= np.maximum(before, second) - 1e-9).all()
    for thin in (_bridged, _fewer):
        made = thin(one.copy(), 40, 0.2, out)
        left = np.interp(grid, out[0, :made], out[1, :made])
        assert made <= 40
        assert (left >= before - 1e-9).all()
        assert (left <= before + 0.2 + 1e-9).all()


# --- Seconds ---------------------------------------------------------------------------------------------------------

INVERTED_YEAR = Path(__file__).resolve().parents[2] / "shared" / "cases" / "inverted-year"


@pytest.mark.benchmark
@pytest.mark.skipif(not INVERTED_YEAR.is_dir(), reason="the case lies beside the checkout")
def test_an_inverted_year_closes_in_seconds(monkeypatch, tmp_path):
    """Three phases, one capacitor bank, spot prices of a real year at 30 minutes: seconds to 0.1 % and 0.001 % of
    turnover, and what windows leave open in a minute."""
    shutil.copy(INVERTED_YEAR / "series.parquet", tmp_path)
    text = (INVERTED_YEAR / "scenario.toml").read_text(encoding="utf-8")
    # Keys of the case that have other names by now.
    (tmp_path / "scenario.toml").write_text(text.replace("intake_", "input_"), encoding="utf-8")
    scenario = optimiser.read_scenario(tmp_path)
    for words, gap, seconds, fewest in (
        ("first run", 1e-3, 20, 1),
        ("paths", 1e-3, 20, 1),
        ("paths", 1e-5, 60, 1),
        ("windows", 1e-3, None, 10**9),
    ):
        monkeypatch.setattr(path, "FEWEST_STEPS", fewest)
        began = time.process_time()
        changes = {"solve.gap_tolerance": gap, "solve.time_limit_s": 60.0}
        proven = optimiser.solve(optimiser.vary(scenario, changes)).proof
        took = time.process_time() - began
        print(
            f"{words}: {took:.1f} CPU s, settled {proven.settled:.2f}, bound {proven.bound:.2f}, gap "
            f"{proven.gap_absolute:.4f} of {proven.turnover:.0f} turnover, {proven.gap_relative:.1e}"
        )
        if seconds and words != "first run":
            assert proven.gap_relative <= gap
            assert took <= seconds
