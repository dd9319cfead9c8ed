"""The forecaster of boosted trees: scrambled futures, medians, a missing library, and a real load beside a reference.

References are scikit-learn's own linear models and NumPy; the real load is read where it lies and skipped where absent.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from real_data import HOME_FILE
from test_foresight import scrambled, series, site

from optimiser.errors import OptimiserError
from optimiser.foresight import boosted
from optimiser.foresight.boosted import Boosted
from optimiser.foresight.errors import forecast_errors
from optimiser.foresight.facts import Facts, Plans
from optimiser.foresight.learnt import Learnt
from optimiser.foresight.policies import Backcast

DAYS = 49


def facts_of(tmp_path, columns=None, days: int = DAYS) -> Facts:
    return Facts.of(site(tmp_path, days, columns or series(days)))


def with_series(facts: Facts, role: str, values: np.ndarray) -> tuple[Facts, str]:
    """The same facts with other numbers of the first series of a role, and its name."""
    name = next(name for name, is_of in facts.roles.items() if is_of == role)
    columns = {**facts.scenario.columns, name: values}
    return dataclasses.replace(facts, scenario=dataclasses.replace(facts.scenario, columns=columns)), name


def test_a_missing_library_is_said(monkeypatch, tmp_path):
    """One sentence with the way out."""

    def missing(name: str) -> None:
        raise ImportError(name)

    monkeypatch.setattr(boosted, "import_module", missing)
    facts = facts_of(tmp_path, days=4)
    with pytest.raises(
        OptimiserError, match=r"boosted needs scikit-learn.*pip install 'optimiser\[forecast\]'"
    ):
        Boosted().known(facts, Plans.of(facts.timeline, 24, 24), 0)


def test_a_scrambled_future_changes_nothing_before_it(tmp_path):
    """All series from a step on in another order: what plans up to then expected stays to the last digit."""
    pytest.importorskip("sklearn")
    columns, stop = series(DAYS), 24 * 45
    one = facts_of(tmp_path / "one", columns)
    other = facts_of(tmp_path / "other", scrambled(columns, stop, 1))
    plans = Plans.of(one.timeline, 24, 48)
    for lead in (0, 1):
        before = plans.moments(lead) <= stop
        known, known_too = Boosted().known(one, plans, lead), Boosted().known(other, plans, lead)
        for name in known:
            np.testing.assert_array_equal(known[name][before], known_too[name][before], err_msg=name)


def test_prices_are_foretold_by_their_median(tmp_path):
    """A price that is 30, and 1000 in one hour of ten at random: the median is 30 (closed form), the mean 127."""
    pytest.importorskip("sklearn")
    random = np.random.default_rng(3)
    spiky = np.where(random.uniform(size=24 * DAYS) < 0.1, 1000.0, 30.0)
    facts, name = with_series(facts_of(tmp_path), "price", spiky)
    plans = Plans.of(facts.timeline, 24, 24)
    late = Boosted().known(facts, plans, 0)[name][24 * 30 :]
    assert np.median(late) == pytest.approx(30.0, abs=1.0)
    assert np.mean(np.abs(late - 30.0) < 30.0) > 0.9


@pytest.mark.skipif(not HOME_FILE.is_file(), reason="the real load is not beside the checkout")
def test_a_real_load_is_foretold_about_as_well_as_by_a_linear_model(tmp_path):
    """A home's hourly load over 24 weeks, six hours at a time: mean absolute errors of the last eight weeks.

    The reference: least absolute deviations of scikit-learn (`QuantileRegressor`), fitted once on the first 16 weeks,
    on the load of the last three hours, of a day and a week before, and the hour as dummies.
    """
    linear = pytest.importorskip("sklearn.linear_model")
    days = 168
    load = pd.read_csv(HOME_FILE)["GC"].to_numpy()[: 48 * days].reshape(-1, 2).mean(axis=1)
    facts, name = with_series(facts_of(tmp_path, days=days), "load", load)
    plans, first = Plans.of(facts.timeline, 6, 6), 24 * 112
    moments, steps = plans.moments(0), np.arange(24 * 7, len(load))
    before = [load[moments[steps] - back] for back in (1, 2, 3)]
    hours = np.eye(24)[steps % 24]
    told = np.column_stack([*before, load[steps - 24], load[steps - 168], hours])
    past = steps < first
    model = linear.QuantileRegressor(alpha=1e-4).fit(told[past], load[steps[past]])
    reference = np.abs(model.predict(told[~past]) - load[steps[~past]]).mean()
    errors = {
        policy.name: np.abs(policy.known(facts, plans, 0)[name][first:] - load[first:]).mean()
        for policy in (Learnt(), Boosted(), Backcast(10))
    }
    persistence = np.abs(load[first:] - load[first - 24 : -24]).mean()
    assert errors["learnt"] < 1.15 * reference, (errors, reference, persistence)
    assert errors["boosted"] < 1.15 * reference, (errors, reference, persistence)
    assert max(errors.values()) < persistence, (errors, reference, persistence)


def test_its_errors_stand_in_the_table(tmp_path):
    """By hours ahead and by hour of the day, beside persistence, as every forecaster's."""
    pytest.importorskip("sklearn")
    facts = facts_of(tmp_path, days=20)
    by_lead, by_hour = forecast_errors(facts, Plans.of(facts.timeline, 24, 48), [Boosted()])
    assert {"boosted"} == set(by_lead["policy"]) == set(by_hour["policy"])
    assert (by_lead["mean_absolute_error"] >= 0).all()
