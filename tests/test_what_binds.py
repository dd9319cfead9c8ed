"""What binds: against closed forms, re-solves with the limit moved, and an independent formulation."""

from __future__ import annotations

import copy

import numpy as np
import pytest
from conftest import battery, inverter, table, write_site
from independent import as_scenario, random_site, solve_reference

import optimiser
from optimiser.errors import OptimiserError
from optimiser.finance.yearly import yearly_saving
from optimiser.starter import write_starter
from optimiser.studies import catalogue as studies
from optimiser.studies import what_binds

ENERGY = {
    "kind": "energy_charge",
    "rates": [
        {"name": "evening", "rate_per_kwh": 0.50, "when": {"from": "17:00", "to": "21:00"}},
        {"name": "other hours", "rate_per_kwh": 0.20},
    ],
}


def valued(scenario):
    """A solved scenario and the worth of one more unit of each limit, by path."""
    solved = optimiser.solve(scenario)
    return solved, {worth.limit.path: worth for worth in what_binds.worths(optimiser.settle(solved))}


def test_one_cycle_a_day_has_a_closed_form(tmp_path):
    """A kWh of a price-taker's store is worth (peak x discharge - off-peak / charge efficiency) a day, 365 days.

    Common practice, no source: bought once a day at 0.20 through 0.9 x 0.95, sold at 0.50 through 0.95 x 0.9.
    """
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 100.0, "export_limit_kw": 0.0},
        "load": [{"power_kw": 10.0}],
        "inverter": [inverter(50.0, 0.9)],
    }
    text = table(
        days=5,
        site=site,
        components=[ENERGY],
        storage=[battery(4.0, 50.0, 0.95, start_fraction=0.0)],
    )
    _, found = valued(optimiser.read_scenario(write_site(tmp_path / "one", text, {})))
    a_kwh = 365 * (0.50 * 0.95 * 0.9 - 0.20 / (0.95 * 0.9))
    assert found["storage.0.unit_kwh"].margin == pytest.approx(a_kwh, rel=1e-9)
    assert found["storage.0.unit_kwh"].more.cash == pytest.approx(a_kwh, rel=1e-4)
    assert {0.0} == {worth.margin for path, worth in found.items() if path != "storage.0.unit_kwh"}


def test_a_lossless_kw_of_inverter_has_a_closed_form(tmp_path):
    """Four peak hours a day: one more kW out saves 4 kWh x 0.50 and costs 4 kWh x 0.20, at no losses, 365 days."""
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 100.0, "export_limit_kw": 0.0},
        "load": [{"power_kw": 10.0}],
        "inverter": [inverter(50.0) | {"output_kw": 2.0}],
    }
    text = table(days=5, site=site, components=[ENERGY], storage=[battery(100.0, 50.0, start_fraction=0.0)])
    _, found = valued(optimiser.read_scenario(write_site(tmp_path / "two", text, {})))
    assert found["site.inverter.0.output_kw"].margin == pytest.approx(365 * 4 * (0.50 - 0.20), rel=1e-9)
    assert 5 * 4 == found["site.inverter.0.output_kw"].steps


def test_a_monthly_peak_counts_twelve_times_a_year(tmp_path):
    """A kWh spares 1 kW of the one hour that is metered, at 8.00 a kW and month: 96.00 a year, whatever days are run.

    Common practice, no source: twelve bills a year, each with its peak. Energy costs the same at all hours.
    """
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 100.0, "export_limit_kw": 0.0},
        "load": [{"power_kw": 10.0}],
        "inverter": [inverter(50.0)],
    }
    components = [
        {"kind": "energy_charge", "rates": [{"name": "all", "rate_per_kwh": 0.20}]},
        {"kind": "demand_charge", "rate_per_kw": 8.0, "when": {"from": "17:00", "to": "18:00"}},
    ]
    store = [battery(2.0, 50.0, start_fraction=0.0)]
    text = table(days=5, site=site, components=components, storage=store)
    scenario = optimiser.read_scenario(write_site(tmp_path / "peak", text, {}))
    solved, found = valued(scenario)
    assert found["storage.0.unit_kwh"].margin == pytest.approx(12 * 8.0, rel=1e-6)
    assert yearly_saving(optimiser.settle(solved)) == pytest.approx(12 * 8.0 * 2, rel=1e-6)


def test_wear_is_told_apart_from_cash(tmp_path):
    """A kWh of store, cycled once a day, earns 365 x (0.50 - 0.20) of cash and wears 365 x 0.05 beside it.

    Arithmetic of one cycle a day; the multipliers alone net the two. By two runs the cash is the same.
    """
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 100.0, "export_limit_kw": 0.0},
        "load": [{"power_kw": 10.0}],
        "inverter": [inverter(50.0)],
    }
    store = [battery(4.0, 50.0, start_fraction=0.0, wear_per_kwh=0.05)]
    text = table(days=5, site=site, components=[ENERGY], storage=store)
    scenario = optimiser.read_scenario(write_site(tmp_path / "wear", text, {}))
    solved, found = valued(scenario)
    worth = found["storage.0.unit_kwh"]
    assert worth.more.cash == pytest.approx(365 * (0.50 - 0.20), rel=1e-4)
    assert worth.more.wear == pytest.approx(365 * 0.05, rel=1e-4)
    assert worth.margin == pytest.approx(365 * (0.50 - 0.20 - 0.05), rel=1e-4)
    larger = optimiser.solve(optimiser.vary(scenario, {"storage.0.unit_kwh": 4.04}))
    gain = yearly_saving(optimiser.settle(larger)) - yearly_saving(optimiser.settle(solved))
    assert gain / 0.04 == pytest.approx(worth.more.cash, rel=1e-4)


def test_a_corner_is_told_from_both_sides(tmp_path):
    """Where the store and the inverter run out together, one more kW of inverter alone brings nothing, one less costs.

    8 kWh at 2 kW are the four evening hours; a kW less leaves 4 kWh a day unsold: 365 x 4 x (0.50 - 0.20). Arithmetic.
    The multipliers may promise anything between zero and that.
    """
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 100.0, "export_limit_kw": 0.0},
        "load": [{"power_kw": 10.0}],
        "inverter": [inverter(50.0) | {"output_kw": 2.0}],
    }
    text = table(days=5, site=site, components=[ENERGY], storage=[battery(8.0, 50.0, start_fraction=0.0)])
    _, found = valued(optimiser.read_scenario(write_site(tmp_path / "corner", text, {})))
    rating, store = found["site.inverter.0.output_kw"], found["storage.0.unit_kwh"]
    assert rating.more.cash == pytest.approx(0.0, abs=0.05)
    assert rating.less.cash == pytest.approx(365 * 4 * 0.30, rel=1e-3)
    assert store.more.cash == pytest.approx(0.0, abs=0.05)
    assert store.less.cash == pytest.approx(365 * 0.30, rel=1e-3)
    assert rating.less.span == pytest.approx(0.2)
    assert "one less costs 438.00" in what_binds.sentence(rating, 120, "AUD")


def test_only_the_largest_of_a_long_run_are_solved_again(tmp_path, monkeypatch):
    """Which were not is said, in the table and in words."""
    write_starter(tmp_path / "site")
    scenario = optimiser.vary(optimiser.read_scenario(tmp_path / "site"), {"timeline.days": 2})
    monkeypatch.setattr(what_binds, "FEW_STEPS", 10)
    monkeypatch.setattr(what_binds, "FEW", 2)
    told = []
    made = what_binds.study(optimiser.settle(optimiser.solve(scenario)), told.append)
    frame = made.tables["limits"]
    assert 2 == made.summary["checked"] == frame["checked"].sum() == len(told)
    assert sorted(made.summary["not_checked"]) == sorted(frame[~frame["checked"]]["limit"])
    assert frame[~frame["checked"]]["ceiling_cash_of_one_more_a_year"].isna().all()


@pytest.mark.parametrize("phases", [1, 3])
def test_every_worth_lies_between_a_step_up_and_a_step_down(phases, tmp_path):
    """The optimum is concave in a limit: a step up gains no more than the slope says, a step down loses no less.

    Each limit is moved and the site solved again. Left out: powers of banks whose losses follow measured points,
    which the limit itself redraws.
    """
    write_starter(tmp_path / "site", phases)
    scenario = optimiser.vary(optimiser.read_scenario(tmp_path / "site"), {"timeline.days": 3})
    _, found = valued(scenario)
    yearly = 8760 / scenario.timeline.hours
    # What a year counts, written as a scenario: its twelve bills spread over so many runs of three days.
    rates = {
        f"tariff.component.{number}.rate_per_kw": component.rate_per_kw * 12 / yearly
        for number, component in enumerate(scenario.tariff.component)
        if component.kind == "demand_charge"
    }
    assert (phases == 3) == bool(rates)
    scenario = optimiser.vary(scenario, rates)
    solved = optimiser.solve(scenario)
    seen = 0
    for path, worth in found.items():
        if path.endswith("charge_kw") and scenario.storage[0].measured_points:
            continue
        step = 0.01 * max(0.5, worth.limit.size / worth.limit.per)
        gains = []
        for by in (step, -step):
            other = optimiser.solve(what_binds.nudged(scenario, path, by), start=solved)
            gains.append((other.proof.settled - solved.proof.settled) / (by * worth.limit.per) * yearly)
        slack = 1e-3 + 1e-3 * abs(worth.margin)
        assert gains[0] - slack <= worth.margin <= gains[1] + slack, path
        seen += worth.margin != 0
    assert seen >= 3


@pytest.mark.parametrize("seed", [1, 3, 5, 8])
def test_an_independent_formulation_agrees(seed, tmp_path):
    """A limit moved in the same problem written independently (SCIP) moves its optimum between the two slopes."""
    site = random_site(seed)
    scenario = optimiser.read_scenario(as_scenario(site, tmp_path))
    _, found = valued(scenario)
    hours = scenario.timeline.hours
    # A year has twelve bills, not as many as the run has when it is repeated.
    site["demand_rate_per_kw"] = site.get("demand_rate_per_kw", 0.0) * 12 * hours / 8760
    base = solve_reference(site)["money"]
    for key, path in (("output_kw", "site.inverter.0.output_kw"), ("input_kw", "site.inverter.0.input_kw")):
        step = 0.01
        gains = []
        for by in (step, -step):
            other = copy.deepcopy(site)
            other["inverters"][0][key] += by
            gains.append((solve_reference(other)["money"] - base) / by * 8760 / hours)
        slack = 0.05 + 1e-2 * abs(found[path].margin)
        assert min(gains) - slack <= found[path].margin <= max(gains) + slack, (path, gains)


def test_a_limit_that_is_a_series_is_moved_in_every_step(tmp_path):
    """An export limit from a file is worth what the same limit as a number is worth."""
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 50.0, "export_limit_kw": 3.0},
        "load": [{"power_kw": 1.0}],
        "ac_solar": [{"name": "roof", "available_kw": "data.sun"}],
    }
    parts = [ENERGY, {"kind": "feed_in", "rate_per_kwh": 0.05}]
    columns = {"sun": np.r_[np.zeros(8), np.full(8, 9.0), np.zeros(8)], "limit": np.full(24, 3.0)}
    worth = []
    for name, limit in (("number", 3.0), ("series", "data.limit")):
        site["connection"]["export_limit_kw"] = limit
        folder = write_site(tmp_path / name, table(site=site, components=parts), columns)
        worth.append(valued(optimiser.read_scenario(folder))[1]["site.connection.export_limit_kw"])
    assert worth[0].margin == pytest.approx(365 * 8 * 0.05)
    assert worth[1].margin == pytest.approx(worth[0].margin)
    assert (8, 8) == (worth[0].steps, worth[1].steps)


def test_the_study_reaches_the_summary_the_files_and_the_report(tmp_path):
    """A run asked for it says in words what binds, and ranks it in a table and on the page."""
    write_starter(tmp_path / "site")
    scenario = optimiser.vary(optimiser.read_scenario(tmp_path / "site"), {"timeline.days": 2})
    made = optimiser.run(scenario, studies=("what_binds",))
    paths = optimiser.write_results(made, tmp_path / "out")
    study = made.summary.studies["what_binds"]
    assert study["scaled_to_year"]
    assert "One more k" in study["words"][0]
    frame = made.studies["what_binds"].tables["limits"]
    sides = frame[["ceiling_cash_of_one_more_a_year", "ceiling_cash_of_one_less_a_year"]].abs().max(axis=1)
    assert sides.is_monotonic_decreasing
    assert frame["checked"].all()
    page = paths["report"].read_text(encoding="utf-8")
    assert "What binds" in page
    assert study["words"][0] in page.replace("&#39;", "'")


def test_without_foresight_a_kwh_earns_on_the_days_that_were_planned(tmp_path):
    """The cycle a day of the closed form above, but nothing is known on the first of five days: four fifths of it.

    A policy that sees what happens (rolling) plans all five. Both stand beside the ceiling's, in the file and on the
    page.
    """
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 100.0, "export_limit_kw": 0.0},
        "load": [{"power_kw": "data.load"}],
        "inverter": [inverter(50.0, 0.9)],
    }
    a_kwh = 365 * (0.50 * 0.95 * 0.9 - 0.20 / (0.95 * 0.9))
    for policy, days in (("rolling", 5), ("backcast", 4)):
        text = table(
            days=5, site=site, components=[ENERGY], storage=[battery(4.0, 50.0, 0.95, start_fraction=0.0)]
        )
        folder = write_site(tmp_path / policy, text, {"load": np.full(5 * 24, 10.0)})
        scenario = optimiser.vary(
            optimiser.read_scenario(folder),
            {"foresight.policies": [policy], "foresight.headline": policy},
        )
        made = optimiser.run(scenario, studies=("without_foresight", "driven_limits"))
        (row,) = made.studies["driven_limits"].tables["limits"].to_dict("records")
        assert ("usable energy of store", "kWh") == (row["limit"], row["unit"])
        assert row["added"] == pytest.approx(0.4)
        assert row["ceiling_cash_of_one_more_a_year"] == pytest.approx(a_kwh, rel=1e-6)
        assert row["forecast_driven_cash_of_one_more_a_year"] == pytest.approx(a_kwh * days / 5, rel=1e-6)
        paths = optimiser.write_results(made, tmp_path / f"{policy}-out")
        assert f"run again under {policy}" in paths["report"].read_text(encoding="utf-8")
        assert paths["driven_limits-limits"].is_file()


def test_a_misspelt_study_is_answered():
    """The list of studies knows it by name."""
    with pytest.raises(OptimiserError, match="Did you mean what_binds"):
        studies.chosen(("what_bind",), ())
