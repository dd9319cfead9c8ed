"""Concentration of what services earn, and what depends on what.

Sites are made up; concentration is checked against closed forms and a general library's integral.
"""

from __future__ import annotations

import numpy as np
import pytest
from conftest import BAKERY, bakery_columns, write_site
from scipy import integrate

import optimiser
from optimiser import read_scenario, settle, solve, vary
from optimiser.studies.concentration import best_share, gini, make_concentration, steps_for
from optimiser.studies.stack import make_stack, streams

TWO_MORE = """
[[service]]
name = "raise too"
direction = "up"
response_group = "shared"
sustain_hours = 0.25
price = 8.0
price_unit = "per_mw_hour"

[[service]]
name = "raise as well"
direction = "up"
response_group = "shared"
sustain_hours = 0.25
price = "data.price"
price_unit = "per_mw_hour"

[[service]]
name = "lower"
direction = "down"
sustain_hours = 0.25
price = 60.0
price_unit = "per_mw_hour"
utilisation_net = 0.1
utilisation_gross = 0.15
"""


@pytest.fixture(scope="module")
def statement(tmp_path_factory):
    """A bakery's day with four services in three groups, services paid twenty times as well as usual."""
    columns = bakery_columns()
    folder = write_site(
        tmp_path_factory.mktemp("bakery"), BAKERY + TWO_MORE, columns | {"price": 20 * columns["price"]}
    )
    return settle(solve(read_scenario(folder)))


def silent(words):
    """Nothing is told."""


def test_gini_of_the_ends():
    """0 where all have the same, 1 - 1/n where one of n has all, (n - 1)/(3 n) of the numbers 1 to n.

    Source: closed forms of the coefficient, common practice; for 1..n: 2 (n+1)(2n+1)/6 / (n (n+1)/2) - (n+1)/n.
    """
    assert pytest.approx(0.0, abs=1e-12) == gini(np.full(7, 3.2))
    assert pytest.approx(1 - 1 / 8) == gini(np.array([0, 0, 0, 5.0, 0, 0, 0, 0]))
    for n in (2, 5, 100):
        assert pytest.approx((n - 1) / (3 * n)) == gini(np.arange(1, n + 1))
    assert np.isnan(gini(np.zeros(4)))


def test_gini_is_twice_the_area_beside_the_line():
    """One less twice the area below the Lorenz curve, by SciPy's trapezoid rule; the mean difference by definition."""
    values = np.random.default_rng(3).lognormal(size=400)
    ordered = np.sort(values)
    curve = np.r_[0, np.cumsum(ordered) / ordered.sum()]
    area = integrate.trapezoid(curve, np.linspace(0, 1, len(curve)))
    assert pytest.approx(1 - 2 * area) == gini(values)
    mean_difference = np.abs(values[:, None] - values[None, :]).mean()
    assert pytest.approx(mean_difference / (2 * values.mean())) == gini(values)


def test_the_best_steps():
    """Of 100 steps one of which pays half, the best 1 % is that one."""
    values = np.r_[99.0, np.ones(99)]
    assert 0.5 == best_share(values, 0.01)
    assert 1 == steps_for(values, 0.5)
    assert 100 == steps_for(values, 1.0)
    assert (0.0, 0) == (best_share(np.zeros(3), 0.1), steps_for(np.zeros(3), 0.5))


def test_concentration_agrees_with_the_statement(statement):
    """Tables add up to what the statement says that services were paid, by service and by month."""
    found = make_concentration(statement, silent)
    services, months = found.tables["services"], found.tables["months"]
    own = services[services["service"] != "together"]
    paid = statement.total("after", "availability")
    assert [pytest.approx(paid)] * 3 == [found.summary["paid"], own["paid"].sum(), months["paid"].sum()]
    offer = next(o for o in statement.dispatch.offers if o.product.name == "lower")
    lower = services.set_index("service").loc["lower"]
    hours = float(np.sum(offer.offered_kw)) * statement.dispatch.scenario.timeline.step_hours
    assert pytest.approx(-0.1 * hours) == lower["delivered_kwh"]
    assert pytest.approx(0.15 * hours) == lower["moved_kwh"]
    assert lower["delivered_amount"] < 0
    assert found.tables["curve"].groupby("service")["share_of_income"].max().to_numpy() == pytest.approx(1.0)


def test_without_services_the_question_does_not_arise(bakery):
    """Neither study says anything of a site that sells nothing."""
    scenario = read_scenario(bakery)
    silent_site = vary(scenario, {"service": []})
    settled = settle(solve(silent_site))
    assert make_concentration(settled, silent) is None
    assert make_stack(settled, silent) is None


def test_the_whole_is_at_least_each_part_and_at_most_their_sum(statement):
    """Switching a stream off never earns more, all together never more than each at its best.

    Follows from what a maximum is; no source.
    """
    found = make_stack(statement, silent)
    cases = found.tables["cases"].set_index("case")
    best = cases.loc["everything"]
    tolerance = 1e-6 * abs(best["worth"]) + cases["gap"].max()
    assert (cases["worth"] <= best["worth"] + tolerance).all()
    assert {"raise", "shared", "lower"} == set(found.tables["streams"]["stream"])
    summary = found.summary
    assert summary["ceiling_saving"] <= summary["sum_of_parts"] + tolerance
    assert summary["services_at_most"] >= summary["services_paid"] - tolerance
    assert cases.loc["services first", "services_income"] >= best["services_income"] - tolerance


def test_leaving_out_is_solving_without(statement):
    """A stream that is switched off leaves what a scenario without its products earns."""
    scenario = statement.dispatch.scenario
    found = make_stack(statement, silent).tables["cases"].set_index("case")
    for name, members in streams(scenario).items():
        rest = [s for s in scenario.raw["service"] if s["name"] not in members]
        alone = settle(solve(vary(scenario, {"service": rest})))
        assert pytest.approx(alone.dispatch.proof.settled, abs=1e-4) == found.loc[f"without {name}", "worth"]


def test_all_of_it_is_in_the_report(statement, tmp_path):
    """The studies reach the page, each as a section or a figure with its table."""
    made = optimiser.run(statement.dispatch.scenario, studies=["concentration", "activation", "stack"])
    page = optimiser.write_results(made, tmp_path / "out")["report"].read_text(encoding="utf-8")
    for words in ("What depends on what", "When services are called", "Income from the best steps"):
        assert words in page


def test_a_service_left_out_by_itself_is_a_solve_without_it(statement):
    """Each row equals the site solved without that product; one that shares its kW loses no more than it was paid."""
    found = make_stack(statement, silent)
    rows = found.tables["services"].to_dict("records")
    scenario = statement.dispatch.scenario
    assert [row["service"] for row in rows] == [product.name for product in scenario.service]
    for row in rows:
        kept = [table for table in scenario.raw["service"] if table["name"] != row["service"]]
        alone = settle(solve(vary(scenario, {"service": kept})))
        lost = statement.saving - alone.saving
        assert row["lost_if_left_out"] == pytest.approx(lost, abs=1e-3 + 1e-5 * abs(statement.saving))
        if scenario.service[0].group == row["stream"]:
            assert row["lost_if_left_out"] <= row["paid_in_plan"] + 1e-3
