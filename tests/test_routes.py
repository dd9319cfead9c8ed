"""The same money by every route: the whole run at once, or days first. All sites are invented, from fixed seeds.

What is compared is the package with itself; `test_against_independent.py` compares it with another solver.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from independent import as_scenario, random_site

from optimiser import read_scenario, solve, vary

SEEDS = [*range(100, 130), *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(130, 200))]
RELATIVE = 1e-6


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
