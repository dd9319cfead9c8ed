"""What the mean of a step hides: a closed form against numerical integration, and a meter's minutes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from optimiser import read_scenario, vary
from optimiser.accounts.within_step import effect_before, positive_part
from optimiser.results.approximations import within_step

ROOT = Path(__file__).parent.parent
SAMPLE = ROOT.parent / "shared" / "data" / "three-phase-sample" / "site_1min_3phase.csv.gz"


@pytest.mark.parametrize(("mean", "spread"), [(0.0, 1.0), (1.5, 0.7), (-2.0, 1.2), (-0.1, 3.0)])
def test_the_positive_part_is_the_integral(mean, spread):
    """The closed form equals SciPy's integral of x f(x) over x > 0."""
    whole, _ = quad(lambda x: x * norm.pdf(x, mean, spread), 0, mean + 40 * spread, epsabs=1e-12, limit=200)
    assert positive_part(np.array([mean]), spread)[0] == pytest.approx(whole, abs=1e-8)


def test_no_spread_is_the_mean_itself():
    """What registers see of means alone."""
    assert [0.0, 2.0] == positive_part(np.array([-1.0, 2.0]), 0.0).tolist()


@pytest.mark.skipif(not SAMPLE.exists(), reason="the sample of a meter's minutes is not there")
def test_half_hours_with_their_spread_hold_what_minutes_do():
    """A metered home, phases netted: means of 30 min hold 8 % less import and 15 % less export than the minutes; with
    the spread of each half-hour both are within 2 %."""
    table = pd.read_csv(SAMPLE, parse_dates=["timestamp"]).set_index("timestamp")
    net = sum(table[f"l{n}_import_w"] - table[f"l{n}_export_w"] for n in (1, 2, 3)) / 1000
    halves = net.groupby(net.index.floor("30min"))
    mean, spread, minutes = halves.mean(), halves.std(ddof=0), halves.size()
    imported, exported = net.clip(lower=0).sum(), (-net).clip(lower=0).sum()
    assert (mean.clip(lower=0) * minutes).sum() / imported == pytest.approx(0.92, abs=0.005)
    assert ((-mean).clip(lower=0) * minutes).sum() / exported == pytest.approx(0.85, abs=0.005)
    part = positive_part(mean.to_numpy(), spread.to_numpy())
    assert (part * minutes).sum() == pytest.approx(imported, rel=0.02)
    assert ((part - mean) * minutes).sum() == pytest.approx(exported, rel=0.02)


def test_the_page_names_the_effect():
    """Half-hours are told of; a spread brings figures: as much more import as export, at the prices of the contract."""
    home = vary(read_scenario(ROOT / "scenarios" / "single-phase-home"), {"timeline.days": 2})
    assert "30-minute means hold 8 % less import" in within_step(home)[0]
    told = vary(home, {"settlement.spread_within_step_kw": 0.4})
    imported, exported, paid = effect_before(told)
    assert imported == pytest.approx(exported)
    assert imported > 0
    pays, gets = (price(home.data) for price in (home.tariff.import_price, home.tariff.export_price))
    assert imported * (pays - gets).min() - 1e-6 <= paid <= imported * (pays - gets).max() + 1e-6
    assert "With a spread of 0.4 kW" in within_step(told)[0]
