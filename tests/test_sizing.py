"""Sizes: against solving every combination, the same choice written independently, and handbook finance.

What is written is checked by `jsonschema`, an independent implementation of JSON Schema draft 2020-12
(https://json-schema.org/draft/2020-12).
"""

from __future__ import annotations

import itertools
import json
import math
from pathlib import Path

import jsonschema
import numpy as np
import numpy_financial
import pytest
from click.testing import CliRunner
from conftest import battery, inverter, table, write_site
from pyscipopt import Model, quicksum

import optimiser
from optimiser.batch.sizing.file import read_choices
from optimiser.batch.sizing.search import annuity
from optimiser.batch.sizing.shares import Share
from optimiser.batch.sizing.sizes import find_sizes
from optimiser.batch.sizing.write import write_sizing
from optimiser.cli import main
from optimiser.engine.cuts import best_under
from optimiser.engine.margins import bound_of
from optimiser.engine.tiling import build_problem
from optimiser.errors import OptimiserError, ScenarioError
from optimiser.finance.yearly import yearly_saving
from optimiser.starter import write_starter
from optimiser.summary.schemas import SCHEMAS

LISTS = """
[[choice]]
name = "batteries"
path = ["storage.0.units"]
options = [1, 2, 3]
cost_per_unit = 900
life_years = 15

[[choice]]
name = "inverter"
path = ["site.inverter.0.output_kw", "site.inverter.0.input_kw"]
options = [3.0, 5.0, 8.0]
cost_per_unit = 150
yearly_per_unit = 5
life_years = 12
"""

BETWEEN = """
gap_tolerance = 1e-5

[[choice]]
name = "store"
path = ["storage.0.unit_kwh"]
at_least = 1
at_most = 60
cost_per_unit = 500
life_years = 10

[[choice]]
name = "inverter"
path = ["site.inverter.0.output_kw"]
at_least = 0.5
at_most = 10
cost_per_unit = 700
life_years = 10
"""


@pytest.fixture
def home(tmp_path):
    """The starter's home, three days of it."""
    write_starter(tmp_path / "home")
    return optimiser.vary(optimiser.read_scenario(tmp_path / "home"), {"timeline.days": 3})


def choices(tmp_path, text, scenario):
    """A file of choices, read."""
    (tmp_path / "size.toml").write_text(text, encoding="utf-8")
    return read_choices(tmp_path / "size.toml", scenario)


def net_of(scenario, sizes, years=(15, 12)):
    """What a combination of LISTS leaves a year, from a run of its own."""
    units, kw = sizes
    run = optimiser.run(
        optimiser.vary(
            scenario,
            {"storage.0.units": units, "site.inverter.0.output_kw": kw, "site.inverter.0.input_kw": kw},
        ),
        studies=(),
    )
    cost = -numpy_financial.pmt(0.06, years[0], 900 * units)
    cost += -numpy_financial.pmt(0.06, years[1], 2 * 150 * kw) + 2 * 5 * kw
    return run.statement.saving * 8760 / scenario.timeline.hours - cost


def test_the_best_of_a_list_is_the_best_of_all_runs(home, tmp_path):
    """Every combination run by itself: none leaves more, and the best found is one of them."""
    made = find_sizes(home, choices(tmp_path, LISTS, home), share=1.0)
    nets = {sizes: net_of(home, sizes) for sizes in itertools.product((1, 2, 3), (3.0, 5.0, 8.0))}
    best = made.summary.best
    assert "best" == best.verdict
    assert best.net_a_year == pytest.approx(nets[(best.sizes["batteries"], best.sizes["inverter"])], abs=0.01)
    assert max(nets.values()) <= best.net_bound_a_year + 0.01
    assert max(nets.values()) - best.net_a_year <= 1e-3 * best.ceiling_saving_a_year


@pytest.mark.parametrize("budget", [2000.0, 3500.0, 5000.0])
def test_a_budget_is_kept_and_used_best(budget, home, tmp_path):
    """Under a budget the best is the best of the runs that it buys."""
    made = find_sizes(home, choices(tmp_path, f"budget = {budget}\n{LISTS}", home), share=1.0)
    nets = {
        (units, kw): net_of(home, (units, kw))
        for units, kw in itertools.product((1, 2, 3), (3.0, 5.0, 8.0))
        if 900 * units + 300 * kw <= budget
    }
    best = made.summary.best
    assert best.capital <= budget
    assert max(nets.values()) - best.net_a_year <= 1e-3 * best.ceiling_saving_a_year + 0.01


def test_multipliers_of_one_run_bound_every_other(home):
    """Weak duality: whatever sizes differ, also in coefficients and rules, no run makes more than the bound says."""
    solved = {
        units: optimiser.solve(
            optimiser.vary(home, {"storage.0.units": units, "site.inverter.0.output_kw": kw})
        )
        for units, kw in ((1, 2.0), (2, 5.0), (4, 9.0))
    }
    for one, other in itertools.permutations(solved.values(), 2):
        bound = bound_of(build_problem(other.scenario), one.multipliers)
        assert other.proof.settled <= bound + 1e-6


def independent_sizes(load_kw, price, days, budget=math.inf):
    """The choice of BETWEEN as one linear program with the sizes as variables, in SCIP; import only."""
    model = Model()
    model.hideOutput()
    steps, yearly = len(load_kw), 365 / days
    size, rating = model.addVar(lb=1, ub=60), model.addVar(lb=0.5, ub=10)
    charge = [model.addVar(ub=20) for _ in range(steps)]
    discharge = [model.addVar(ub=20) for _ in range(steps)]
    stored = [model.addVar() for _ in range(steps)]
    imported = [model.addVar(ub=100) for _ in range(steps)]
    for t in range(steps):
        before = stored[t - 1] if t else 0.0
        model.addCons(stored[t] == before + 0.9 * 0.95 * charge[t] - discharge[t] / (0.95 * 0.9))
        model.addCons(stored[t] <= size)
        model.addCons(discharge[t] <= rating)
        model.addCons(imported[t] == load_kw[t] + charge[t] - discharge[t])
    recovery = -numpy_financial.pmt(0.06, 10, 1)
    model.addCons(500 * size + 700 * rating <= min(budget, 1e6))
    saved = quicksum(price[t] * (load_kw[t] - imported[t]) for t in range(steps))
    net = model.addVar(lb=None)
    model.addCons(net == yearly * saved - recovery * (500 * size + 700 * rating))
    model.setObjective(net, "maximize")
    model.optimize()
    return model.getObjVal(), model.getVal(size), model.getVal(rating)


@pytest.mark.parametrize("budget", [math.inf, 4000.0])
def test_sizes_as_variables_of_an_independent_program_agree(budget, tmp_path):
    """Cutting planes on re-solves come to what one program over schedule and sizes comes to (SCIP)."""
    days, random = 4, np.random.default_rng(7)
    load = np.round(random.uniform(1, 8, 24 * days), 3)
    price = np.tile(np.where((np.arange(24) >= 17) & (np.arange(24) < 21), 0.60, 0.15), days)
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 100.0, "export_limit_kw": 0.0},
        "load": [{"power_kw": "data.load"}],
        "inverter": [inverter(20.0, 0.9)],
    }
    energy = {
        "kind": "energy_charge",
        "rates": [
            {"name": "evening", "rate_per_kwh": 0.60, "when": {"from": "17:00", "to": "21:00"}},
            {"name": "other hours", "rate_per_kwh": 0.15},
        ],
    }
    text = table(
        days=days, site=site, components=[energy], storage=[battery(4.0, 50.0, 0.95, start_fraction=0.0)]
    )
    scenario = optimiser.read_scenario(write_site(tmp_path / "site", text, {"load": load}))
    top = "" if math.isinf(budget) else f"budget = {budget}\n"
    best = find_sizes(scenario, choices(tmp_path, top + BETWEEN, scenario), share=1.0).summary.best
    net, _, _ = independent_sizes(load, price, days, budget)
    assert best.capital <= budget
    assert best.net_bound_a_year is not None
    # The bound is never below the optimum; what was found is within the grid of sizes of it.
    assert net - 1e-4 * abs(net) <= best.net_bound_a_year
    assert best.net_a_year <= net + 1e-4 * abs(net)
    assert best.net_a_year == pytest.approx(net, rel=5e-3)


@pytest.mark.parametrize(("rate", "years"), [(0.06, 15), (0.0, 10), (0.12, 25), (0.01, 1)])
def test_capital_is_spread_as_a_level_payment(rate, years):
    """The annuity is a loan's level payment (numpy-financial, `pmt`)."""
    assert annuity(rate, years) == pytest.approx(-numpy_financial.pmt(rate, years, 1))


def test_planes_meet_where_they_should():
    """min(2 + x, 6 - x) is highest at 2, where it is 4; a budget of 1 allows 3. Worked by hand."""
    heights, slopes = np.array([2.0, 6.0]), np.array([[1.0], [-1.0]])
    ends = (np.array([0.0]), np.array([10.0]), np.array([1.0]))
    free, bound = best_under(heights, slopes, *ends, math.inf), best_under(heights, slopes, *ends, 1.0)
    assert free is not None
    assert (2.0, 4.0) == (pytest.approx(free[0][0]), pytest.approx(free[1]))
    assert bound is not None
    assert (1.0, 3.0) == (pytest.approx(bound[0][0]), pytest.approx(bound[1]))
    assert best_under(heights, slopes, *ends, -1.0) is None


@pytest.mark.parametrize("between", [False, True])
def test_a_short_run_is_scaled_as_a_run_scales_it(between, tmp_path):
    """With a monthly demand charge every size saves what a run with it says, and the bound holds for all of them."""
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 100.0, "export_limit_kw": 0.0},
        "load": [{"power_kw": "data.load_kw"}],
        "inverter": [inverter(20.0, 0.95)],
    }
    rates = [{"name": "day", "rate_per_kwh": 0.4, "when": {"from": "07:00", "to": "22:00"}}]
    components = [
        {"kind": "energy_charge", "rates": [*rates, {"name": "night", "rate_per_kwh": 0.2}]},
        {"kind": "demand_charge", "rate_per_kw": 9.0, "when": {"from": "16:00", "to": "20:00"}},
    ]
    bank = battery(8.0, 20.0, start_fraction=0.0, wear_per_kwh=0.05)
    text = table(days=4, site=site, components=components, storage=[bank])
    load = np.random.default_rng(5).uniform(1, 6, 96)
    scenario = optimiser.read_scenario(write_site(tmp_path / "short", text, {"load_kw": load}))
    bounds = "at_least = 2\nat_most = 40" if between else "options = [2, 8, 14, 20, 40]"
    words = f"""[[choice]]
name = "store"
path = ["storage.0.unit_kwh"]
{bounds}
cost_per_unit = 600
life_years = 10
"""
    made = find_sizes(scenario, choices(tmp_path, words, scenario), share=1.0)
    best = made.summary.best

    def figures(kwh):
        run = optimiser.run(optimiser.vary(scenario, {"storage.0.unit_kwh": kwh}), studies=())
        saving = yearly_saving(run.statement)
        return saving, saving + numpy_financial.pmt(0.06, 10, 600 * kwh)

    for row in made.tried.to_dict("records"):
        saving, net = figures(row["store"])
        assert row["ceiling_saving_a_year"] == pytest.approx(saving, abs=0.01)
        assert row["net_a_year"] == pytest.approx(net, abs=0.01)
    nets = [figures(float(kwh))[1] for kwh in (2, 8, 14, 20, 40)]
    assert best.net_bound_a_year >= max(nets) - 0.01
    if not between:
        assert best.net_a_year == pytest.approx(max(nets), abs=max(0.01, 1e-3 * best.ceiling_saving_a_year))
    assert "by its billing periods, as in a run" in made.summary.warnings[0]


def test_faults_of_a_file_are_told_together(home, tmp_path):
    """A path that stands nowhere, a size that the scenario refuses and a mix are each one sentence."""
    wrong = LISTS.replace("storage.0.units", "storage.7.units").replace("options = [3.0", "options = [-3.0")
    with pytest.raises(ScenarioError) as told:
        choices(tmp_path, wrong, home)
    assert "storage.7.units stands nowhere" in str(told.value)
    assert "the scenario refuses -3.0 for site.inverter.0.output_kw" in str(told.value)
    with pytest.raises(ScenarioError, match="mixes lists and bounds"):
        choices(tmp_path, LISTS + BETWEEN.partition("\n\n")[2].replace('"inverter"', '"other"'), home)
    with pytest.raises(ScenarioError, match="stands for another column"):
        choices(tmp_path, LISTS.replace('"batteries"', '"capital"'), home)


def test_a_budget_that_buys_nothing_is_told(home, tmp_path):
    """Nothing is shown where nothing fits."""
    with pytest.raises(OptimiserError, match=r"no sizes fit the budget of 100\.00"):
        find_sizes(home, choices(tmp_path, f"budget = 100.0\n{LISTS}", home), share=1.0)


def test_a_share_scales_the_saving_alone(home, tmp_path):
    """With a share the counted saving is that part of the ceiling, and says so; costs stay."""
    row = find_sizes(home, choices(tmp_path, LISTS, home), share=0.7).summary
    best = row.best
    assert best.counted_saving_a_year == pytest.approx(0.7 * best.ceiling_saving_a_year)
    assert best.net_a_year == pytest.approx(best.counted_saving_a_year - best.cost_a_year)
    assert "70 % of the ceiling" in row.basis


def test_the_share_is_measured_where_none_is_given(home, tmp_path):
    """What is counted on is what a run of the best sizes earns without foresight; a missing policy is told.

    From the contract: the measured share is used unless another is given; three days are walked whole.
    """
    made = find_sizes(home, choices(tmp_path, LISTS, home)).summary
    units, kw = made.best.sizes.values()
    changes = {
        "storage.0.units": units,
        "site.inverter.0.output_kw": kw,
        "site.inverter.0.input_kw": kw,
    }
    head = optimiser.run(optimiser.vary(home, changes), studies=("without_foresight",)).summary.headline
    assert head.forecast_driven_saving_per_year is not None
    share = head.forecast_driven_saving_per_year / head.ceiling_saving_per_year
    assert 0 < share < 1
    assert made.best.share_of_ceiling == pytest.approx(share, rel=1e-6)
    assert made.best.counted_saving_a_year == pytest.approx(share * made.best.ceiling_saving_a_year)
    assert "measured at" in made.basis
    assert {units, kw} == set(made.measured_shares[-1].sizes.values())
    blind = optimiser.vary(home, {"foresight.policies": []})
    told = find_sizes(blind, choices(tmp_path, LISTS, blind)).summary
    assert told.best.share_of_ceiling == 1.0
    assert any("Sizes count on the whole ceiling" in words for words in told.warnings)


def test_shares_between_measured_sizes_are_their_weighted_means():
    """At a measured size its own, midway between two their mean, never beyond either.

    Shepard 1968, from memory; worked by hand: of ranges of 1, a place at 0.25 weighs 1/0.0625 = 16 and 1/0.5625 = 16/9,
    so 0.4 and 0.8 make (16 * 0.4 + 16/9 * 0.8) / (16 + 16/9) = 0.44.
    """
    share = Share("", None, {(0.0,): 0.4, (4.0,): 0.8}, (0.0,), (4.0,))
    assert [0.4, 0.6, 0.8] == pytest.approx([share.of((at,)) for at in (0.0, 2.0, 4.0)])
    assert share.of((1.0,)) == pytest.approx(0.44)


def test_runs_that_run_out_are_called_best_found(home, tmp_path):
    """One run proves nothing of the others: the verdict gives the distance that is left."""
    made = find_sizes(home, choices(tmp_path, f"most_runs = 1\n{LISTS}", home), share=1.0)
    assert made.summary.best.verdict.startswith("best found, within")
    assert 1 == len(made.tried)


def test_the_command_writes_page_tables_and_summary(home, tmp_path):
    """`size` ends with 0 where the best is proven, and all its files are there."""
    (tmp_path / "size.toml").write_text(LISTS, encoding="utf-8")
    arguments = ["size", str(tmp_path / "home"), "--choices", str(tmp_path / "size.toml")]
    ran = CliRunner().invoke(main, [*arguments, "--out", str(tmp_path / "out")])
    assert 0 == ran.exit_code, ran.output
    assert "left a year" in ran.output
    summary = json.loads((tmp_path / "out" / "sizes.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(SCHEMAS["sizes"]()).validate(summary)
    page = (tmp_path / "out" / "sizes.html").read_text(encoding="utf-8")
    assert f"{summary['best']['net_a_year']:,.2f}" in page
    assert {"sizes.html", "sizes.json", "sizes-tried.csv", "sizes-frontier.csv"} == {
        path.name for path in (tmp_path / "out").iterdir()
    }
    (tmp_path / "file").write_text("")
    made = find_sizes(home, choices(tmp_path, LISTS, home), share=1.0)
    with pytest.raises(OptimiserError, match="cannot be written to"):
        write_sizing(made, tmp_path / "file")


def test_the_shipped_choices_fit_their_scenario():
    """The file that README names is read with the scenario beside it."""
    folder = Path(optimiser.__file__).parent.parent / "scenarios" / "single-phase-home"
    file = read_choices(folder / "sizes.toml", optimiser.read_scenario(folder))
    assert [3, 3] == [len(choice.options) for choice in file.choice]
