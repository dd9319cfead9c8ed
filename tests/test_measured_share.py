"""What of the ceiling is earned without foresight, measured: on the whole run, and on weeks of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimiser import read_scenario, vary
from optimiser.accounts.settlement import settle
from optimiser.control.chosen import Candidate
from optimiser.control.own_use import OwnUse
from optimiser.control.sampled import Weeks, chosen_in_turn, week_by_week
from optimiser.dispatch import solve
from optimiser.flows import MeterFlows
from optimiser.plant.walk import Plant
from optimiser.studies.measured_share import measured, ratio
from optimiser.terms.books import SettledTerms

HOME = Path(__file__).parent.parent / "scenarios" / "single-phase-home"


def test_a_ratio_s_error_is_that_of_the_handbook():
    """The other form of the same variance, by variances and the covariance: s_y2 - 2 R s_yx + R2 s_x2.

    W. G. Cochran, "Sampling Techniques", 1977, chapter 6 (from memory).
    """
    rng = np.random.default_rng(7)
    most = rng.uniform(20, 60, 13)
    earned = 0.8 * most + rng.normal(0, 3, 13)
    share, error = ratio(earned, most, 52)
    assert share == pytest.approx(earned.mean() / most.mean())
    moments = np.cov(earned, most)
    # Residuals about the line through nothing have no mean of their own, so the two forms agree to the last digit.
    variance = moments[0, 0] - 2 * share * moments[0, 1] + share**2 * moments[1, 1]
    assert error == pytest.approx(np.sqrt((1 - 13 / 52) / 13 * variance) / most.mean())


def test_nothing_of_a_week_decides_who_runs_it():
    """The first runs the first; later weeks by the sums before them."""
    made = np.array([[5.0, 1.0, 1.0, 9.0], [4.0, 3.0, 3.0, 0.0]])
    assert [0, 0, 1, 1] == chosen_in_turn(made).tolist()
    assert [0, 0, 1, 1] == chosen_in_turn(made + np.array([0, 0, 0, 1e6])).tolist()


def test_weeks_side_by_side_are_the_weeks_of_a_walk():
    """Own use of half a year: each week's money is near that of a walk through all of it.

    From the contract: two days walked beforehand make the store the candidate's own.
    """
    home = vary(read_scenario(HOME), {"timeline.days": 182})
    plant = Plant(home)
    weeks = Weeks.of(plant)
    assert weeks is not None
    apart = week_by_week(plant, weeks, [Candidate("own use", OwnUse)])[0]
    walk = plant.walk(OwnUse(plant))
    pays, gets = home.tariff.import_price(home.data), home.tariff.export_price(home.data)
    zero = np.zeros(plant.steps)
    idle = home.tariff.lines(MeterFlows(zero, zero, zero, zero, zero), SettledTerms(home.data))
    fixed = sum(float(np.sum(line.values)) for line in idle if line.cash)
    money = (walk.export_kw[:, 0] * gets - walk.import_kw[:, 0] * pays) * home.timeline.step_hours
    whole = weeks.sums(money + fixed / plant.steps)
    assert apart == pytest.approx(whole, abs=1.0)
    assert apart.sum() == pytest.approx(whole.sum(), rel=0.02)


@pytest.mark.slow
@pytest.mark.parametrize("changes", [{}, {"storage.0.units": 2}])
def test_the_share_of_weeks_is_near_that_of_the_year(changes):
    """Within the spread that is stated, on the shipped home's year."""
    statement = settle(solve(vary(read_scenario(HOME), changes) if changes else read_scenario(HOME)))
    some, every = (measured(statement, print, sampled=sampled) for sampled in (True, False))
    assert some is not None
    assert every is not None
    assert some.weeks < some.of_weeks
    assert every.spread == 0
    assert abs(some.of_ceiling - every.of_ceiling) <= some.spread
