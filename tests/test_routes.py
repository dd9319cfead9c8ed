"""The same money by every route: the whole run at once, days first, or billing periods alone.

All sites are invented, from fixed seeds. What is compared is the package with itself; `test_against_independent.py`
compares it with another solver.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from independent import as_scenario, random_site

from optimiser import read_scenario, solve, vary
from optimiser.engine import windows

SEEDS = [*range(100, 130), *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(130, 200))]
RELATIVE = 1e-6
ROOT = Path(__file__).parent.parent


def by(scenario: Any, route: str) -> Any:
    """The proof of a solve by one route."""
    return solve(vary(scenario, {"solve.route": route, "solve.gap_tolerance": 1e-7})).proof


@pytest.mark.parametrize("seed", SEEDS)
def test_routes_agree(seed: int, tmp_path: Path) -> None:
    """Both are within what they prove, and so within it of each other."""
    scenario = read_scenario(as_scenario(random_site(seed), tmp_path))
    whole, days = by(scenario, "whole"), by(scenario, "days")
    assert ("at once" in whole.route, "days" in days.route) == (True, True)
    size = max(1.0, abs(whole.settled))
    assert abs(whole.settled - days.settled) <= RELATIVE * size
    for one, other in ((whole, days), (days, whole)):
        assert one.remaining_violations == 0
        assert one.bound >= other.settled - 1e-7 * size


@pytest.mark.parametrize("seed", SEEDS[::3])
def test_periods_alone_stay_within_what_they_prove(seed: int, tmp_path: Path, monkeypatch: Any) -> None:
    """Periods of a day or two: a valid schedule, a valid bound, and no better than the whole's."""
    monkeypatch.setattr(windows, "PERIOD_DAYS", (1, 2, 3))
    scenario = read_scenario(as_scenario(random_site(seed), tmp_path))
    whole, periods = by(scenario, "whole"), by(scenario, "periods")
    size = max(1.0, abs(whole.settled))
    assert periods.remaining_violations == 0
    assert periods.settled <= whole.bound + 1e-7 * size
    assert periods.bound >= whole.settled - 1e-7 * size


CHANGES = {
    "nothing": {},
    "price": {"tariff.component.0.rates.0.rate_per_kwh": 0.31},
    "limit": {"site.connection.export_limit_kw": 9.0},
    "capacity": {"storage.0.unit_usable_kwh": 6.0},
    "efficiency": {"site.inverter.0.output_efficiency": 0.93},
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_run_that_starts_from_another_ends_where_a_cold_one_does(change: str, week: Any) -> None:
    """Same structure, new data: the basis of the bakery's week leads to the same proven money."""
    scenario = vary(week.scenario, CHANGES[change])
    warm, cold = solve(scenario, start=week).proof, solve(scenario).proof
    assert "earlier run" in warm.route
    assert "earlier run" not in cold.route
    assert (warm.verdict, cold.verdict) == ("optimal", "optimal")
    assert abs(warm.settled - cold.settled) <= 2 * RELATIVE * max(1.0, abs(cold.settled))


def test_a_series_of_runs_goes_on_with_one_solver(week: Any) -> None:
    """Each run from the last, its solver taken over where the matrix is the same: the money of cold runs."""
    last = solve(week.scenario, keep_solver=True)
    for change in ("price", "limit", "nothing", "capacity"):
        scenario, before = vary(week.scenario, CHANGES[change]), last.start.highs
        last, cold = solve(scenario, start=last, keep_solver=True), solve(scenario).proof
        assert (last.start.highs is before) == (change != "capacity")
        assert last.proof.verdict == "optimal"
        assert abs(last.proof.settled - cold.settled) <= 2 * RELATIVE * max(1.0, abs(cold.settled))


def test_a_run_of_another_shape_is_not_started_from(week: Any) -> None:
    """Two days have fewer rows than a week."""
    assert "earlier run" not in solve(vary(week.scenario, {"timeline.days": 2}), start=week).proof.route


@pytest.fixture(scope="module")
def week() -> Any:
    """The bakery's first week, solved."""
    return solve(vary(read_scenario(ROOT / "scenarios" / "three-phase-bakery"), {"timeline.days": 7}))
