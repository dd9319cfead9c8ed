"""The forecaster that learns: worked values, an independent fit, scrambled futures, and its table of errors.

All series are made up; the references are NumPy's least squares and SciPy's autoregressive theory as named beside each.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from test_foresight import scrambled, series, site

from optimiser.foresight.errors import forecast_errors
from optimiser.foresight.facts import Facts, Plans
from optimiser.foresight.learnt import HALF_LIFE_DAYS, LEAST_EVIDENCE, Learnt, expected
from optimiser.foresight.policies import Backcast, Rolling


def facts_of(tmp_path, days=9, columns=None) -> Facts:
    return Facts.of(site(tmp_path / "site", days, columns))


def with_series(facts: Facts, name: str, values: np.ndarray) -> Facts:
    """The same facts with other numbers of one series."""
    scenario = facts.scenario
    return dataclasses.replace(
        facts, scenario=dataclasses.replace(scenario, columns={**scenario.columns, name: values})
    )


def a_price(facts: Facts) -> str:
    return next(name for name, role in facts.roles.items() if role == "price")


def test_a_series_alike_each_day_is_known_from_the_second_day_on(tmp_path):
    """Closed form: what repeats daily is expected as it comes, whatever the weights."""
    facts = facts_of(tmp_path)
    day = 10 + np.sin(np.arange(24) / 24 * 2 * np.pi)
    facts = with_series(facts, a_price(facts), np.tile(day, 9))
    plans = Plans.of(facts.timeline, 24, 48)
    for lead in (0, 1):
        known = Learnt().known(facts, plans, lead)[a_price(facts)]
        assert np.isnan(known[: 24 * (lead + 1)]).all()
        np.testing.assert_allclose(known[24 * (lead + 1) :], np.tile(day, 8 - lead), rtol=1e-12)


def test_like_days_fade_by_their_half_life(tmp_path):
    """Worked: two days before the third, 10 and 20, weigh 0.5^(2/5) and 0.5^(1/5); no recent error lasts yet."""
    facts = facts_of(tmp_path)
    values = np.repeat([10.0, 20.0, *[20.0] * 7], 24)
    facts = with_series(facts, a_price(facts), values)
    workday = facts.days[2]
    assert workday[:3].all()
    weights = 0.5 ** (np.array([2, 1]) / HALF_LIFE_DAYS)
    mean = float(weights @ [10.0, 20.0] / weights.sum())
    known = Learnt().known(facts, Plans.of(facts.timeline, 24, 24), 0)[a_price(facts)]
    # The only plan before, of the second day, had seen no error yet: it tells nothing of how errors last.
    np.testing.assert_allclose(known[48:72], mean, rtol=1e-12)


def test_what_lasts_is_fitted_as_least_squares_say(tmp_path):
    """The part that is left of an error an hour ahead, against NumPy's least squares with a row for the doubt.

    Errors of a price that are first-order autoregressive with 0.9 an hour around a daily shape.
    """
    facts, days = facts_of(tmp_path, 28), 28
    random = np.random.default_rng(4)
    noise = np.zeros(24 * days)
    for step in range(1, len(noise)):
        noise[step] = 0.9 * noise[step - 1] + random.normal()
    shape = np.tile(20 + 5 * np.cos(np.arange(24) / 24 * 2 * np.pi), days)
    facts = with_series(facts, a_price(facts), shape + noise)
    plans = Plans.of(facts.timeline, 1, 6)
    made = np.asarray(plans.edges[:-1])
    plain = with_series(facts, a_price(facts), shape + noise)
    moments = np.full(24 * days, -1)
    moments[24 * 27 + 2] = 24 * 27  # two hours ahead of one plan on the last day
    got = expected(plain, a_price(facts), moments, made)[24 * 27 + 2]

    def like(step: int, moment: int) -> float:
        today, hour, work = moment // 24, step % 24, facts.days[2]
        past = [d for d in range(today) if work[d] == work[step // 24]] or list(range(today))
        if not past:
            return np.nan
        weights = 0.5 ** ((today - np.array(past)) / HALF_LIFE_DAYS)
        values = facts.scenario.columns[a_price(facts)][np.array(past) * 24 + hour]
        return float(weights @ values / weights.sum())

    values = facts.scenario.columns[a_price(facts)]

    def recent(moment: int) -> float:
        errors = [values[s] - like(s, s) for s in range(moment - 3, moment) if s >= 0]
        errors = [e for e in errors if not np.isnan(e)]
        return float(np.mean(errors)) if errors else 0.0

    now = 24 * 27
    pairs = [(recent(m), values[m + 2] - like(m + 2, m)) for m in range(now) if m + 3 <= now]
    pairs = [(x, y) for x, y in pairs if not np.isnan(y)]
    doubt = LEAST_EVIDENCE * np.mean([recent(m) ** 2 for m in range(now + 1)])
    x = np.array([*(p[0] for p in pairs), np.sqrt(doubt)])
    y = np.array([*(p[1] for p in pairs), 0.0])
    part = np.linalg.lstsq(x[:, None], y, rcond=None)[0][0]
    assert 0.3 < part < 1.0
    assert got == pytest.approx(like(now + 2, now) + part * recent(now), rel=1e-9)


@pytest.mark.parametrize("keep_hours", [24, 6, 1])
def test_a_scrambled_future_changes_nothing_before_it(keep_hours, tmp_path):
    """All series from a step on in another order: what plans up to then expected stays to the last digit."""
    columns, stop = series(9), 24 * 5
    one = facts_of(tmp_path, 9, columns)
    other = Facts.of(site(tmp_path / "other", 9, scrambled(columns, stop, 1)))
    plans = Plans.of(one.timeline, keep_hours, 2 * keep_hours)
    for lead in (0, 1):
        before = plans.moments(lead) <= stop
        known, known_too = Learnt().known(one, plans, lead), Learnt().known(other, plans, lead)
        for name in known:
            np.testing.assert_array_equal(known[name][before], known_too[name][before], err_msg=name)


def test_the_table_of_errors_is_what_its_words_say(tmp_path):
    """Means worked out apart with pandas: error, bias, that of the last day's same hour; none for foresight."""
    facts = facts_of(tmp_path)
    plans = Plans.of(facts.timeline, 24, 48)
    by_lead, by_hour = forecast_errors(facts, plans, [Backcast(5), Rolling()])
    name = next(name for name, role in facts.roles.items() if role == "load")
    actual = pd.Series(facts.scenario.columns[name])
    known = Backcast(5).known(facts, plans, 0)[name]
    error = (pd.Series(known) - actual)[24:]
    rows = by_lead[(by_lead["policy"] == "backcast") & (by_lead["series"] == name)]
    first_day = rows[rows["hours_to"] <= 24]
    weights = first_day["steps"]
    assert (first_day["mean_absolute_error"] * weights).sum() / weights.sum() == pytest.approx(
        error.abs().mean()
    )
    assert (first_day["bias"] * weights).sum() / weights.sum() == pytest.approx(error.mean())
    yesterday = (actual.shift(24) - actual)[24:].abs()
    assert (first_day["persistence"] * weights).sum() / weights.sum() == pytest.approx(yesterday.mean())
    assert (by_lead[by_lead["policy"] == "rolling"]["mean_absolute_error"] == 0).all()
    assert set(by_hour["hour_of_day"]) == set(range(24))


def test_today_tells_of_the_hours_to_come(tmp_path):
    """On errors that last, an hourly replanned forecast is nearer than like days alone (autoregressive theory)."""
    facts, days = facts_of(tmp_path, 28), 28
    random = np.random.default_rng(7)
    noise = np.zeros(24 * days)
    for step in range(1, len(noise)):
        noise[step] = 0.95 * noise[step - 1] + random.normal()
    facts = with_series(facts, a_price(facts), 50 + noise)
    plans = Plans.of(facts.timeline, 1, 3)
    by_lead, _ = forecast_errors(facts, plans, [Learnt(), Backcast(10)])
    one = by_lead[(by_lead["series"] == a_price(facts)) & (by_lead["hours_from"] == 0)]
    errors = one.set_index("policy")["mean_absolute_error"]
    assert errors["learnt"] < 0.75 * errors["backcast"]
