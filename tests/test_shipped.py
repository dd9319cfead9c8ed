"""The shipped scenarios, solved to a proof. Their data are invented; what is tested is that the proof closes.

The bound that a schedule is compared with is computed by the package from multipliers of the rows and from integer
programs of windows; `tests/test_directions.py` compares that machinery with another solver.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from optimiser import read_scenario, solve, vary

SCENARIOS = Path(__file__).parent.parent / "scenarios"


def proven(scenario):
    """Solve, and check what must hold of every answer that is called optimal."""
    proof = solve(scenario).proof
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
    proof = solve(scenario).proof
    assert proof.verdict == "optimal"
    assert proof.remaining_violations == 0


@pytest.mark.parametrize(
    "name", ["continental-reserve", "british-response", "texas-reserves", "two-way-regulation"]
)
def test_shipped_market_is_solved_exactly_and_sells_every_product(name):
    """All days, across a clock change or a change of rules; each product of the file is offered."""
    dispatch = solve(read_scenario(SCENARIOS / name))
    assert dispatch.proof.verdict == "optimal"
    assert dispatch.proof.gap_relative <= 1e-6
    assert all(offer.offered_kw.sum() > 0 for offer in dispatch.offers)


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
