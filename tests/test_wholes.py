"""Whole numbers of months, days and blocks by branches with paths: the money of an independent model.

The reference from outside is SCIP through PySCIPOpt, on a model that imports nothing of the package (`independent`).
All data are invented, from fixed seeds.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from independent import as_scenario, solve_reference
from test_directions import whole, whole_by_scip
from test_oracle import bids, case, span, tiled
from test_path import week

import optimiser
from optimiser.engine import directions, proof, wholes
from optimiser.engine.decisions import decisions
from optimiser.engine.solver import Highs
from optimiser.engine.tiling import build_problem

GAP = 1e-4

CHARGES = {
    "fee": {"what": "steps", "ends_kw": [2.0, 5.0, 10.0], "fees": [8.0, 14.0, 24.0, 36.0], "slot_steps": 1},
    "credit by the day": {"what": "tiers", "ends_kwh": [4.0, 9.0], "rates": [0.05, 0.12, 0.2]},
    "falling blocks": {"what": "blocks", "ends_kwh": [20.0, 40.0], "rates": [0.12, 0.06, 0.02]},
    "volume": {"what": "volume", "ends_kwh": [25.0, 50.0], "rates": [0.15, 0.1, 0.05]},
    "least": {"what": "least", "least": 12.0},
}


def evenings(seed: int, phases: int, days: int) -> dict:
    """A site of inverted hours with load in the evenings."""
    site = week(seed, phases=phases, kind="battery" if phases == 1 else "capacitor_bank", days=days)
    random, hours = np.random.default_rng(seed), np.arange(24 * days) % 24
    for name in site["phases"]:
        evening = ((hours >= 17) & (hours < 21)) * random.uniform(1.0, 4.0, len(hours))
        site["load_kw"][name] = np.round(random.uniform(0.2, 1.5, len(hours)) + evening, 3)
    return site


def branched(problem):
    """What branches find for a problem, with the bound of its linear program."""
    relaxed, every = Highs(problem).solve(), decisions(problem)
    bound, deadline = proof.upper_bound(problem, relaxed.row_dual), time.perf_counter() + 300
    broken = every.broken(problem, relaxed.x)
    found = wholes.search(problem, every, broken, None, bound, GAP, deadline, lambda words: None)
    assert not every.broken(problem, found.solution.x).any()
    assert proof.violation(problem, found.solution.x) < 1e-6
    return found, proof.turnover(problem, found.solution.x)


CASES = [
    *((name, seed, 1, 2) for name in ("fee", "credit by the day") for seed in (1, 2)),
    ("fee", 1, 3, 1),
    ("credit by the day", 1, 3, 1),
]


@pytest.mark.parametrize(("name", "seed", "phases", "days"), CASES)
def test_branches_equal_the_integer_program_of_another_model(name, seed, phases, days, tmp_path):
    """Same money as SCIP on a model of its own, within what was asked for, and a bound that lies above it."""
    site = evenings(seed, phases, days) | {"charges": [CHARGES[name]]}
    problem = build_problem(optimiser.read_scenario(as_scenario(site, tmp_path)))
    (found, turnover), best = branched(problem), solve_reference(site)["money"]
    # A peak may lie a watt above its step here, and not there.
    assert found.bound >= best - 1e-3
    assert found.solution.objective == pytest.approx(best, abs=1e-3 + GAP * turnover)
    assert proof.relative_gap(found.bound, found.solution.objective, turnover) <= GAP


@pytest.mark.parametrize("name", ["falling blocks", "volume", "least"])
@pytest.mark.parametrize("seed", [1, 2])
def test_branches_equal_the_whole_integer_program(name, seed, tmp_path):
    """Same money as the branch and bound of HiGHS on the same rows, with a binary for every decision."""
    site = evenings(seed, 1, 2) | {"charges": [CHARGES[name]]}
    problem = build_problem(optimiser.read_scenario(as_scenario(site, tmp_path)))
    (found, turnover), best = branched(problem), whole(problem)
    assert found.bound >= best - 1e-6
    assert found.solution.objective == pytest.approx(best, abs=1e-6 + 2 * GAP * turnover)
    assert proof.relative_gap(found.bound, found.solution.objective, turnover) <= 10 * GAP


def test_bids_of_hours_are_one_integer_program():
    """Bids in whole steps and blocks of hours over three days: the money of SCIP on rows and binaries of its own."""
    problem = tiled(case([bids], span("Europe/Berlin", "2025-03-29T20:00", 60, 72), seed=3))
    (found, turnover), best = branched(problem), whole_by_scip(problem)
    assert "integer program" in found.words
    assert found.bound >= best - 1e-6
    assert found.solution.objective == pytest.approx(best, abs=1e-6 + GAP * turnover)


def test_a_search_without_time_still_gives_a_schedule(tmp_path, monkeypatch):
    """With no time left for windows, what the linear program leans to is handed over with its gap."""
    monkeypatch.setattr(directions.wholes, "MOST_ROWS", 0)
    site = evenings(1, 1, 3)
    problem = build_problem(optimiser.read_scenario(as_scenario(site, tmp_path)))
    highs = Highs(problem)
    relaxed = highs.solve()
    found = directions.keep_one_direction(problem, relaxed, highs, 1e-6, 0.0, lambda words: None)
    assert not decisions(problem).broken(problem, found.solution.x).any()
    assert found.bound >= found.solution.objective
    assert len(found.gaps) >= 1
