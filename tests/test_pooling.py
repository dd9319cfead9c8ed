"""Several banks followed as one: the same program, and the same money as another model makes.

From outside: SCIP through PySCIPOpt on a model that imports nothing of the package (`independent`). That a change of
variables leaves an optimum where it was, and that any multipliers bound it, are laws of linear programs. All data are
invented, from fixed seeds.
"""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import numpy as np
import pytest
from independent import as_scenario, solve_reference
from test_path import week

import optimiser
from optimiser.engine import path, proof
from optimiser.engine.pooling import pooled
from optimiser.engine.solver import Highs
from optimiser.engine.stage import stage_of
from optimiser.engine.tiling import build_problem


def with_second_bank(seed: int, *, days: int, phases: int = 1, third: bool = False) -> dict:
    """A week with a capacitor bank on the bus, and one or two batteries behind converters."""
    site = week(seed, phases=phases, kind="capacitor_bank", days=days)
    battery = {
        **week(seed)["banks"][0],
        "capacity_kwh": 6.0,
        "charge_kw": 2.0,
        "discharge_kw": 2.5,
        "floor_kwh": 0.6,
        "start_kwh": 2.0,
        "self_discharge_per_day": 0.001,
        "converter_kw": 2.4,
        "converter_efficiency": 0.98,
    }
    other = battery | {"capacity_kwh": 3.0, "start_kwh": 1.0, "floor_kwh": 0.0, "converter_kw": 1.5}
    site["banks"] += [battery, other] if third else [battery]
    return site


@pytest.mark.parametrize("third", [False, True])
def test_the_pooled_program_is_the_same_program(third, tmp_path):
    """Same optimum; a schedule moved over keeps every row and bound, and makes the same."""
    site = with_second_bank(1, days=3, third=third)
    problem = build_problem(optimiser.read_scenario(as_scenario(site, tmp_path)))
    pool = pooled(problem)
    solved, again = Highs(problem).solve(), Highs(pool.problem).solve()
    assert again.objective == pytest.approx(solved.objective, abs=1e-7)
    x, same = pool.schedule(solved.x), pool.problem
    rows = same.matrix @ x
    assert (rows >= same.row_lower - 1e-7).all()
    assert (rows <= same.row_upper + 1e-7).all()
    assert (x >= same.lower - 1e-7).all()
    assert (x <= same.upper + 1e-7).all()
    assert same.objective @ x + same.offset == pytest.approx(solved.objective, abs=1e-9)
    bound = proof.upper_bound(same, pool.prices(solved.row_dual))
    assert bound >= solved.objective - 1e-7
    stage = stage_of(same)
    count = len(site["banks"])
    assert stage.state == pool.state
    assert stage.joining.sum() == (count - 1) * stage.steps  # nothing but how the energy is split


def test_one_bank_is_not_pooled(tmp_path):
    """Nothing is to be split."""
    assert pooled(build_problem(optimiser.read_scenario(as_scenario(week(1, days=1), tmp_path)))) is None


@pytest.mark.parametrize(
    ("seed", "phases", "days", "third"),
    [(1, 1, 3, False), (2, 1, 3, False), (3, 1, 3, True), (1, 3, 1, False), (2, 3, 1, False)],
)
def test_paths_of_several_banks_equal_the_integer_program_of_another_model(
    seed, phases, days, third, tmp_path, monkeypatch
):
    """Same money as SCIP on a model of its own, and no bound of a path below it."""
    monkeypatch.setattr(path, "FEWEST_STEPS", 1)
    bounds = []
    search = path.search

    def noted(*arguments, **more):
        found = search(*arguments, **more)
        bounds.append(np.inf if found is None else found.bound)
        return found

    monkeypatch.setattr(path, "search", noted)
    site = with_second_bank(seed, days=days, phases=phases, third=third)
    solved = optimiser.solve(optimiser.read_scenario(as_scenario(site, tmp_path)))
    best = solve_reference(site)["money"]
    assert np.isfinite(bounds).all()
    assert bounds[0] >= best - 1e-7 * max(1.0, abs(best))
    assert solved.proof.bound >= best - 1e-7 * max(1.0, abs(best))
    assert best == pytest.approx(solved.proof.settled, rel=1e-5, abs=1e-5)


INVERTED_YEAR = Path(__file__).resolve().parents[2] / "shared" / "cases" / "inverted-year"
BATTERY = """
[[storage]]
kind = "battery"
name = "battery"
unit_kwh = 10.0
voltage_v = 51.2
charge_kw = 5.0
discharge_kw = 5.0
charge_efficiency = 0.97
discharge_efficiency = 0.97
self_discharge_per_day = 0.001
wear_per_kwh = 0.01
converter = { efficiency = 0.98, rating_kw = 5.0 }
reserve = [{ fraction = 0.1 }]

[tariff]
"""


@pytest.mark.benchmark
@pytest.mark.timeout(1200)
@pytest.mark.skipif(not INVERTED_YEAR.is_dir(), reason="the case lies beside the checkout")
def test_an_inverted_year_with_two_banks_closes(tmp_path):
    """Three phases, a capacitor bank and a battery, spot prices of a real year at 30 min: to 0.1 % of turnover."""
    shutil.copy(INVERTED_YEAR / "series.parquet", tmp_path)
    text = (INVERTED_YEAR / "scenario.toml").read_text(encoding="utf-8")
    # Keys of the case that have other names by now.
    text = text.replace("intake_", "input_").replace("[tariff]\n", BATTERY, 1)
    (tmp_path / "scenario.toml").write_text(text, encoding="utf-8")
    scenario = optimiser.read_scenario(tmp_path)
    began = time.process_time()
    changes = {"solve.gap_tolerance": 1e-3, "solve.time_limit_s": 600.0}
    proven = optimiser.solve(optimiser.vary(scenario, changes)).proof
    print(
        f"{time.process_time() - began:.1f} CPU s, {proven.gap_relative:.1e} of {proven.turnover:.0f} turnover"
    )
    assert proven.gap_relative <= 1e-3
