"""Measured times of sweeps, printed and never asserted: `pytest -m benchmark -s tests/test_sweep_benchmark.py`.

The site is the shipped home, a year at 30 min, invented. Beside it, each case from scratch through Pyomo's own
interface to HiGHS: the same formulation with numbers in place, without the one-direction rule, on a month times 12.17.
"""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from test_benchmark import PYOMO_DAYS, Stopwatch, machine, solved_by_pyomo, stated_by_pyomo

from optimiser import vary
from optimiser.batch.sweep import sweep as road
from optimiser.batch.sweep.plan import read_plan

pytestmark = [pytest.mark.benchmark, pytest.mark.timeout(3000)]

HOME = Path(__file__).resolve().parents[1] / "scenarios" / "single-phase-home"
CASES = 16


def keys(start: str) -> dict:
    """Battery and rate of the home, a few cases."""
    return {
        "title": "Benchmark (invented)",
        "scenario": str(HOME),
        "record": ["headline.ceiling_saving"],
        "start": start,
        "design": {"kind": "latin_hypercube", "cases": CASES},
        "factor": [
            {"name": "battery", "path": "storage.0.unit_kwh", "low": 5.0, "high": 20.0},
            {"name": "rate", "path": "tariff.component.0.rates.0.rate_per_kwh", "low": 0.25, "high": 0.4},
        ],
    }


def test_seconds_a_case_and_from_one_process_to_two():
    """From the base and from nothing, on one process and on two, then through Pyomo."""
    print(f"\n{machine()}")
    for start in ("base", "nothing"):
        for workers in (1, 2):
            plan = read_plan(keys(start))
            with road.open_store(plan, None) as store, road.pool_of(workers, None, None) as pool:
                model = road.model_of(
                    plan, road.start_of(plan, store, lambda words: None), road.chains_of(store)
                )
                # One case each first, so that processes have read the package.
                road.work_out(plan, store, pool, model=model, only=plan.cases[:workers])
                began = time.perf_counter()
                road.work_out(plan, store, pool, model=model)
                seconds = (time.perf_counter() - began) / (CASES - workers)
            print(f"from {start:8s} {workers} at work {seconds:8.2f} s a case", flush=True)
    watch = Stopwatch()
    scenario = vary(read_plan(keys("base")).base, {"timeline.days": PYOMO_DAYS})
    times = 365 / PYOMO_DAYS
    model = watch.time("Pyomo, build", lambda: stated_by_pyomo(scenario), times)
    watch.time("Pyomo, solve", lambda: solved_by_pyomo(model), times)
