"""A year run without knowing it: plans see no more than they may, what is carried out keeps every rule, no policy
beats the ceiling.

All sites are invented. Real price years are in `test_real_foresight.py`.
"""

from __future__ import annotations

import dataclasses
import datetime
import json
import re
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from conftest import SPOT, battery, inverter, table, write_site
from independent import as_scenario, random_site

import optimiser
from optimiser import read_scenario, settle, solve, vary
from optimiser.accounts.billing import make_bills
from optimiser.errors import DriftError, InfeasibleError, ScenarioError
from optimiser.foresight import planner as planning
from optimiser.foresight import running
from optimiser.foresight.facts import Facts, Plans
from optimiser.foresight.policies import Backcast, Rolling, Uncertain, as_known, policies_of
from optimiser.foresight.running import run_under
from optimiser.results.summarise import resting_on
from optimiser.scenario.checks.review import warnings as check_warnings
from optimiser.scenario.contract import read_tariff
from optimiser.scenario.foresight import Errors
from optimiser.services.product import Product
from optimiser.studies import without_foresight
from optimiser.studies.without_foresight import WithoutForesight, study
from optimiser.terms.books import SettledTerms
from optimiser.terms.data import InputData
from optimiser.timeline import Timeline

ROOT = Path(__file__).parent.parent
DEMAND = {"kind": "demand_charge", "rate_per_kw": 3.0, "interval_minutes": 60}


def silent(words: str) -> None:
    """Progress that nobody reads."""


def series(days: int, seed: int = 1) -> dict[str, np.ndarray]:
    """Made-up hours of a site: evening load, sun at noon, a price with a morning and an evening peak."""
    random = np.random.default_rng(seed)
    hour = np.tile(np.arange(24), days)
    noise = random.uniform(0.7, 1.3, (3, 24 * days))
    return {
        "load": np.round((1.0 + 3.0 * ((hour >= 17) & (hour < 22))) * noise[0], 3),
        "sun": np.round(np.maximum(0, np.sin((hour - 6) * np.pi / 12)) * 4 * noise[1], 3),
        "price": np.round((60 + 80 * ((hour >= 18) | ((hour > 6) & (hour < 9)))) * noise[2], 2),
        "reserve": np.round(20 * noise[0] * noise[2], 2),
    }


SERVICE = {
    "name": "raise",
    "direction": "up",
    "sustain_hours": 1.0,
    "price": "data.reserve",
    "price_unit": "per_mw_hour",
}


def site(folder: Path, days: int = 8, columns: dict[str, np.ndarray] | None = None, **more: Any) -> Any:
    """A house with sun and a battery at spot, with a demand charge and a reserve product."""
    text = table(
        days=days,
        site={
            "phases": 1,
            "connection": {"import_limit_kw": 12.0, "export_limit_kw": 5.0},
            "load": [{"power_kw": "data.load"}],
            "solar_controller": [{"name": "roof", "available_kw": "data.sun"}],
            "inverter": [inverter(5.0, 0.95)],
        },
        storage=[battery(10.0, 4.0, 0.96, self_discharge_per_day=0.01)],
        components=[*SPOT, DEMAND],
        service=[SERVICE],
        **more,
    )
    return read_scenario(write_site(folder, text, columns or series(days)))


def test_a_view_to_the_end_earns_what_perfect_foresight_does(tmp_path):
    """Plans that see everything that is left, made anew every day, carry out the optimum: a week to 1e-6."""
    scenario = site(tmp_path, 7, foresight={"view_hours": 7 * 24.0, "keep_hours": 24})
    ceiling = solve(scenario)
    executed = run_under(scenario, Rolling(), ceiling)
    assert ceiling.proof.settled == pytest.approx(executed.dispatch.proof.settled, rel=1e-6)
    assert (0, 7) == (executed.without_plan, executed.plans)


def test_a_policys_bill_can_be_made_again_from_its_file(tmp_path):
    """From the steps of each policy, read back from the files alone, by the words of the contract.

    Import and export at spot, the highest hour's kW of each month at 3.00, what is offered at the market's price: sums
    of the file's columns and of the site's data, in plain numbers. `optimiser bill` makes the same of the file.
    """
    scenario = site(tmp_path / "site", foresight={"policies": ["rolling", "backcast"]})
    paths = optimiser.write_results(optimiser.run(scenario, studies=("without_foresight",)), tmp_path / "out")
    data = pd.read_csv(next((tmp_path / "site").glob("*.csv")))
    lines = pd.read_csv(paths["without_foresight-lines"]).set_index("line")
    head = json.loads(paths["summary"].read_text(encoding="utf-8"))["headline"]
    for name in ("rolling", "backcast", "own use", "no storage"):
        steps = pd.read_parquet(
            tmp_path / "out" / f"without_foresight-schedule-{name.replace(' ', '-')}.parquet"
        )
        into, out = steps["meter.import_kw"].to_numpy(), steps["meter.export_kw"].to_numpy()
        month = steps["interval_start_local"].str[:7].to_numpy()
        pay = float(((into - out) * data["price"].to_numpy()).sum() / 1000)
        pay += sum(3.0 * float(into[month == one].max()) for one in set(month))
        load, alone = data["load"].to_numpy(), float((data["load"] * data["price"]).sum() / 1000)
        alone += sum(3.0 * float(load[month == one].max()) for one in set(month))
        paid = 0.0
        if "service.raise.offer_kw" in steps:
            paid = float(
                (steps["service.raise.offer_kw"].to_numpy() * data["reserve"].to_numpy()).sum() / 1000
            )
        assert paid == pytest.approx(lines[name].get("Availability, raise", 0.0), abs=0.005)
        assert alone - pay + paid == pytest.approx(lines[name].sum(), abs=0.005), name
        if name == "backcast":
            assert pay == pytest.approx(head["forecast_driven_bill_after"], abs=0.005)
            made = make_bills(
                paths["without_foresight-schedule-backcast"],
                read_tariff(tmp_path / "site"),
                import_column="meter.import_kw",
                export_column="meter.export_kw",
            )
            assert pay == pytest.approx(made.table["to_pay"].sum(), abs=0.005)
            assert paid == pytest.approx(head["forecast_driven_services_income"], abs=0.005)
            assert paid > 0


@pytest.mark.parametrize("name", ["single-phase-home", "three-phase-bakery", "price-event-workshop"])
def test_shipped_sites_come_near_the_ceiling_with_a_view_of_two_days(name):
    """Four days on the shipped sites: every rule is kept, nothing beats the bound, and rolling comes within 1 %."""
    changes = {
        "timeline.days": 4,
        "solve.gap_tolerance": 1e-4,
        "foresight.policies": ["rolling", "uncertain"],
    }
    scenario = vary(read_scenario(ROOT / "scenarios" / name), changes)
    ceiling = solve(scenario)
    rolling, uncertain = (
        run_under(scenario, policy, ceiling).dispatch.proof for policy in policies_of(scenario)
    )
    room = 1e-6 * max(1.0, abs(ceiling.proof.bound))
    assert max(rolling.settled, uncertain.settled) <= ceiling.proof.bound + room
    whole = settle(ceiling).saving
    assert rolling.settled >= ceiling.proof.settled - 0.01 * abs(whole)


@pytest.mark.parametrize(
    "seed", [*range(300, 312), *(pytest.param(s, marks=pytest.mark.slow) for s in range(312, 360))]
)
def test_no_policy_beats_the_ceiling_and_every_rule_is_kept(seed, tmp_path):
    """Random sites with every feature: what is carried out replays within tolerance and stays below the bound."""
    scenario = read_scenario(as_scenario(random_site(seed), tmp_path))
    scenario = vary(scenario, {"foresight.policies": ["rolling", "backcast", "uncertain"], "foresight.keep_hours": 6,
                               "foresight.view_hours": 12.0})  # fmt: skip
    ceiling = solve(scenario)
    for policy in policies_of(scenario):
        try:
            proof = run_under(scenario, policy, ceiling).dispatch.proof
        except InfeasibleError:
            continue  # drawn so tight that the first hours, of which nothing is known, leave the store too empty
        assert proof.settled <= ceiling.proof.bound + 1e-6 * max(1.0, abs(ceiling.proof.bound)), policy.name
        assert proof.replay_violation <= 1e-5


# --- only the past is used ---------------------------------------------------------------------------------------


@dataclasses.dataclass(frozen=True)
class Peeking:
    """A planted policy: the last days' mean of everything, but tomorrow's highest price as it will be."""

    name: str = "peeking"
    words: str = "reads tomorrow's peak"
    sure: bool = False

    def known(self, facts: Facts, plans: Plans, lead: int) -> dict[str, np.ndarray]:
        """The backcast, stretched to the peak of the day that is seen."""
        made = Backcast(5).known(facts, plans, lead)
        day, _, workday = facts.days
        actual = facts.scenario.columns["data.price"]
        peaks = np.array([actual[day == number].max() for number in range(len(workday))])[day]
        return made | {"data.price": made["data.price"] * peaks / 200}


def decided(scenario: Any, policy: Any, stop: int) -> dict[str, np.ndarray]:
    """What a site did in the steps before `stop`: stored energy, grid power and offers."""
    ceiling = solve(scenario)
    values = run_under(scenario, policy, ceiling).dispatch.values
    names = ("storage.store.stored_kwh", "meter.import_kw", "meter.export_kw", "service.raise.offer_kw")
    return {name: values[name][:stop] for name in names}


def scrambled(columns: dict[str, np.ndarray], first: int, seed: int) -> dict[str, np.ndarray]:
    """The same series with everything from a step on in another order."""
    random = np.random.default_rng(seed)
    made = {name: values.copy() for name, values in columns.items()}
    for values in made.values():
        values[first:] = random.permutation(values[first:])
    return made


@pytest.mark.parametrize("day", [2, 5, 7])
def test_what_comes_after_a_plan_moves_nothing_before_it(day, tmp_path):
    """Prices, prices of services, load and sun from a plan's moment on in another order: nothing before it changes."""
    columns = series(9)
    first = decided(site(tmp_path / "one", 9, columns), Backcast(5), 24 * day)
    other = decided(site(tmp_path / "two", 9, scrambled(columns, 24 * day, day)), Backcast(5), 24 * day)
    for name, values in first.items():
        np.testing.assert_allclose(values, other[name], atol=1e-6, err_msg=name)


def test_a_policy_that_peeks_is_caught(tmp_path):
    """The same scrambling moves what a policy did that reads the peak of the days that it sees."""
    columns, stop = series(9), 24 * 5
    first = decided(site(tmp_path / "one", 9, columns), Peeking(), stop)
    changed = scrambled(columns, stop, 5)
    changed["price"][stop : stop + 24] *= 4
    other = decided(site(tmp_path / "two", 9, changed), Peeking(), stop)
    assert any(np.abs(values - other[name]).max() > 1e-3 for name, values in first.items())


def sold_on(day: int, scenario: Any, monkeypatch: Any) -> tuple[np.ndarray, np.ndarray]:
    """What was offered for a day by its gate, and what of it was held, of shape (24,)."""
    made: list[Any] = []

    class Kept(planning.Planner):
        def __init__(self, *given: Any):
            super().__init__(*given)
            made.append(self)

    monkeypatch.setattr(running, "Planner", Kept)
    values = run_under(scenario, Backcast(5), solve(scenario)).dispatch.values
    hours = slice(24 * day, 24 * (day + 1))
    return made[0].committed("service.raise.offer_kw")[hours], values["service.raise.offer_kw"][hours]


def test_offers_are_fixed_at_their_gate(monkeypatch, tmp_path):
    """Offers of a day are fixed at eight the day before: no price, load or sun of that day or the next changes them.

    Without a gate they do change. What is held is a share of what was offered, or less.
    """
    day, columns = 5, series(9)
    changed = scrambled(columns, 24 * (day - 1), 3)
    gate = {"service.0.gate_days_before": 1, "service.0.gate_time": "08:00"}
    one = vary(site(tmp_path / "one", 9, columns), gate)
    other = vary(site(tmp_path / "two", 9, changed), gate)
    offered, held = sold_on(day, one, monkeypatch)
    offered_too, held_too = sold_on(day, other, monkeypatch)
    np.testing.assert_allclose(offered, offered_too, atol=1e-6)
    assert offered.max() > 0.5
    share = one.foresight.services_sold_share
    assert (held <= share * offered + 1e-6).all()
    assert (held_too <= share * offered + 1e-6).all()
    free = [
        decided(site(tmp_path / name, 9, data), Backcast(5), 24 * (day + 1))["service.raise.offer_kw"]
        for name, data in (("three", columns), ("four", changed))
    ]
    assert np.abs(free[0] - free[1])[24 * day :].max() > 1e-3


def test_gates_follow_the_markets_clock():
    """Berlin, 30 March 2025, when 02:00 becomes 03:00: 31 March has its gate at 08:00 the day before, 7 h on
    in a day of 23 hours; another gate closes 90 minutes before its block of four hours.
    """
    start = pd.Timestamp("2025-03-30", tz="Europe/Berlin")
    timeline = Timeline(start.to_pydatetime(), 60, 47, "Europe/Berlin")
    terms = SettledTerms(InputData(timeline, lambda reference: reference))
    base = {"name": "a", "direction": "up", "sustain_hours": 1.0, "price": 1.0, "price_unit": "per_mw_hour"}
    daily = Product(**base, gate_days_before=1, gate_time="08:00").gate_steps(terms)
    assert daily is not None
    assert (daily[:23] == -16).all()
    assert (daily[23:] == 7).all()
    late = Product(**base, block_minutes=240, gate_minutes_before=90).gate_steps(terms)
    assert late is not None
    assert [-2, 1, 5] == [late[0], late[3], late[7]]


# --- what policies know ------------------------------------------------------------------------------------------


def known(scenario: Any, policy: Any, lead: int = 0) -> dict[str, np.ndarray]:
    """What plans knew of each step."""
    table = scenario.foresight
    plans = Plans.of(scenario.timeline, table.keep_hours, table.view_hours)
    return as_known(policy, Facts.of(scenario), plans, lead)


def test_backcast_is_the_mean_of_the_last_days_of_the_same_type(tmp_path):
    """2025-01-01 is a Wednesday: by hand, for the second Monday and its view of Tuesday, three workdays back."""
    columns = series(14)
    scenario = site(tmp_path, 14, columns)
    load = columns["load"].reshape(14, 24)
    monday = 12  # 13 January; workdays before it: 10, 9, 8 January
    seen = known(scenario, Backcast(3))["data.load"].reshape(14, 24)
    np.testing.assert_allclose(load[[9, 8, 7]].mean(axis=0), seen[monday])
    # The plan of Monday does not know Monday yet when it looks at Tuesday.
    ahead = known(scenario, Backcast(3), lead=1)["data.load"].reshape(14, 24)
    np.testing.assert_allclose(load[[9, 8, 7]].mean(axis=0), ahead[monday + 1])
    saturday = 3  # the first: no weekend before it, so days of either type stand in
    np.testing.assert_allclose(load[[0, 1, 2]].mean(axis=0), seen[saturday])
    assert np.isnan(seen[0]).all()


def test_prices_may_be_known_ahead(tmp_path):
    """A day-ahead market: the day that begins is known, the next one is not."""
    scenario = site(tmp_path, 5, foresight={"prices_known_hours": 24.0})
    actual = scenario.columns["data.price"]
    np.testing.assert_array_equal(actual[24:], known(scenario, Backcast(3))["data.price"][24:])
    assert np.abs(actual[48:] - known(scenario, Backcast(3), lead=1)["data.price"][48:]).max() > 1
    assert (
        np.abs(scenario.columns["data.load"][24:] - known(scenario, Backcast(3))["data.load"][24:]).max()
        > 0.1
    )


def test_errors_are_of_the_size_asked_for_and_can_be_repeated(tmp_path):
    """A third of a year: standard deviations as given, the same from the same seed, others from another."""
    scenario = site(tmp_path, 120)
    errors = Errors(price=0.3, load=0.1)
    first = known(scenario, Uncertain(errors, 7))
    np.testing.assert_array_equal(first["data.price"], known(scenario, Uncertain(errors, 7))["data.price"])
    assert not np.array_equal(first["data.price"], known(scenario, Uncertain(errors, 8))["data.price"])
    for name, size in (("price", 0.3), ("load", 0.1)):
        relative = first[f"data.{name}"] / scenario.columns[f"data.{name}"] - 1
        assert size == pytest.approx(relative.std(), rel=0.1)


def test_a_forecast_that_comes_true_earns_what_rolling_does(tmp_path):
    """The user's own series, equal to what happens: the policy forecast is the policy rolling."""
    foretold = [
        {"of": f"data.{name}", "series": f"data.{name}"} for name in ("load", "sun", "price", "reserve")
    ]
    scenario = site(
        tmp_path, 6, foresight={"policies": ["forecast"], "forecast": foretold, "services_sold_share": 1.0}
    )
    ceiling = solve(scenario)
    made = [
        run_under(scenario, policy, ceiling).dispatch.proof.settled
        for policy in (*policies_of(scenario), Rolling())
    ]
    assert made[0] == pytest.approx(made[1], rel=1e-9)


def test_the_latest_issue_before_a_plan_counts(tmp_path):
    """Two issues a day, at 00:00 and 12:00: the plan at midnight has the one of its own moment, none of noon."""
    columns = series(4)
    hours = pd.date_range("2025-01-01", periods=96, freq="1h", tz="UTC")
    rows = [
        {
            "issued_at": issue.isoformat(),
            "interval_start": hour.isoformat(),
            "load": 100 * issue.day + issue.hour,
        }
        for issue in pd.date_range("2025-01-01", periods=8, freq="12h", tz="UTC")
        for hour in hours[(hours >= issue) & (hours < issue + pd.Timedelta(hours=36))]
    ]
    tmp_path.mkdir(exist_ok=True)
    pd.DataFrame(rows).to_csv(tmp_path / "issues.csv", index=False)
    issues = {"file": "issues.csv", "column": "load", "step_minutes": 60}
    told = {"policies": ["forecast"], "forecast": [{"of": "data.load", "issues": issues}]}
    scenario = site(tmp_path, 4, columns, foresight=told)
    (policy,) = policies_of(scenario)
    now, ahead = (known(scenario, policy, lead)["data.load"] for lead in (0, 1))
    assert [100.0, 200.0, 300.0, 400.0] == now[::24].tolist()
    # The issue of midnight speaks of the first twelve hours of the next day; of the rest the backcast does.
    assert 200.0 == ahead[48] == ahead[59]
    assert ahead[60] < 50
    pd.DataFrame([*rows, rows[5]]).to_csv(tmp_path / "issues.csv", index=False)
    with pytest.raises(
        ScenarioError, match=r"issues:.*issues.csv: data row \d+ repeats the interval and issue"
    ):
        site(tmp_path, 4, columns, foresight=told)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            {"issued_at": "2030-01-01T00:00Z"},
            "no forecast in it is for a step of the timeline and issued by then",
        ),
        (
            {"load": -5.0},
            r"column load has -5 in data row 1, and what it foretells cannot be below 0; 96 such rows",
        ),
    ],
)
def test_forecasts_that_never_count_or_cannot_be_are_refused(change, words, tmp_path):
    """Issued years after what they foretell; a load below zero."""
    hours = pd.date_range("2025-01-01", periods=96, freq="h", tz="UTC")
    rows = pd.DataFrame({"issued_at": "2024-12-31T00:00Z", "interval_start": hours, "load": 2.0}).assign(
        **change
    )
    told = {"policies": ["forecast"], "forecast": [{"of": "data.load", "issues": ISSUES}]}
    with pytest.raises(ScenarioError, match=words):
        _with_issues(tmp_path, rows, told)


def test_forecasts_with_holes_are_warned_of(tmp_path):
    """Half of the hours are foretold: the warning says so; the file's digest is with those of the data."""
    hours = pd.date_range("2025-01-01", periods=48, freq="h", tz="UTC")
    rows = pd.DataFrame({"issued_at": "2024-12-31T00:00Z", "interval_start": hours, "load": 2.0})
    told = {"policies": ["forecast"], "forecast": [{"of": "data.load", "issues": ISSUES}]}
    scenario = _with_issues(tmp_path, rows, told)
    share = scenario.issued["data.load"].share_foretold(scenario.timeline.starts.as_unit("s").asi8)
    assert 0 < share < 0.9
    assert any(f"says something of {share:.0%} of the steps" in words for words in check_warnings(scenario))
    assert "forecast of data.load" in [file.name for file in scenario.files]


ISSUES = {"file": "issues.csv", "column": "load", "step_minutes": 60}


def _with_issues(folder: Path, rows: pd.DataFrame, told: dict[str, Any]) -> Any:
    folder.mkdir(exist_ok=True)
    rows.to_csv(folder / "issues.csv", index=False)
    return site(folder, 4, foresight=told)


def test_windows_follow_the_clock_through_its_change():
    """Adelaide turns its clock back on 6 April 2025: that window has 25 hours, and the run goes through."""
    changes = {"timeline.start": "2025-04-04", "timeline.days": 4, "foresight.policies": ["backcast"]}
    scenario = read_scenario(ROOT / "scenarios" / "single-phase-home")
    changes["timeline.start"] = scenario.file.timeline.start.replace(month=4, day=4)
    scenario = vary(scenario, changes)
    plans = Plans.of(scenario.timeline, 24, 48.0)
    assert [48, 48, 50, 48] == np.diff(plans.edges).tolist()
    executed = run_under(scenario, policies_of(scenario)[0], solve(scenario))
    assert executed.dispatch.proof.replay_violation <= 1e-5


# --- how plans are solved and carried out ------------------------------------------------------------------------


def test_plans_from_an_earlier_basis_are_those_from_nothing(tmp_path, monkeypatch):
    """Every plan of nine days is solved a second time cold: the same money."""
    compared = []

    class Both(planning.Highs):
        """A solver that checks itself against a fresh one."""

        def solve(self) -> Any:
            """The warm answer."""
            warm, cold = super().solve(), planning_highs(self.problem).solve()
            compared.append((warm.objective, cold.objective, self._start is not None))
            return warm

    planning_highs = planning.Highs
    monkeypatch.setattr(planning, "Highs", Both)
    scenario = site(tmp_path, 9)
    run_under(scenario, Backcast(5), solve(scenario))
    assert sum(from_basis for *_, from_basis in compared) >= 7
    for warm, cold, _ in compared:
        assert warm == pytest.approx(cold, rel=1e-9, abs=1e-7)


def test_demand_of_the_last_period_is_the_target_of_the_next(tmp_path):
    """What the first month reached is what plans of the second need not stay below."""
    columns = series(40)
    columns["price"][:] = 100.0
    scenario = site(tmp_path, 40, columns, foresight={"policies": ["rolling"]})
    facts = Facts.of(scenario)
    plans = Plans.of(scenario.timeline, 24, 48.0)
    planner = planning.Planner(facts, plans, Rolling())
    places = planner.problem.places["demand.Demand"]
    planner.x[places[0]] = 3.3
    window = planner._windows.ahead(*plans.span(33), planner.x, planner.seen)
    planner._aim(window)
    at = np.searchsorted(window.columns, places[1])
    assert 3.3 == window.piece.lower[at]


@pytest.mark.parametrize(
    ("share", "quantile", "target"), [(1.0, 0.5, 4.0), (0.5, 0.0, 1.5), (1.0, 0.75, 4.5)]
)
def test_the_target_may_be_a_quantile_of_all_periods_before(share, quantile, target, tmp_path):
    """January reached 3 kW, February 5: half way is 4, three quarters of the way 4.5 (numpy's linear quantile)."""
    columns = series(70)
    columns["price"][:] = 100.0
    foresight = {"policies": ["rolling"], "demand_target": "quantile"}
    foresight |= {"demand_share": share, "demand_quantile": quantile}
    scenario = site(tmp_path, 70, columns, foresight=foresight)
    planner = planning.Planner(Facts.of(scenario), plans := Plans.of(scenario.timeline, 24, 48.0), Rolling())
    places = planner.problem.places["demand.Demand"]
    planner.x[places[:2]] = [3.0, 5.0]
    window = planner._windows.ahead(*plans.span(65), planner.x, planner.seen)
    planner._aim(window)
    assert target == window.piece.lower[np.searchsorted(window.columns, places[2])]


def test_a_sold_service_is_held_or_not_paid(tmp_path):
    """A share of what could be sold is sold, most of it is held, and what is paid is what is held."""
    scenario = site(tmp_path, 12, foresight={"policies": ["backcast"], "services_sold_share": 0.7})
    executed = run_under(scenario, policies_of(scenario)[0], solve(scenario))
    assert 0 < executed.held_kw_hours <= executed.sold_kw_hours + 1e-9
    assert executed.held_kw_hours >= 0.9 * executed.sold_kw_hours
    lines = {line.name: float(line.values.sum()) for line in executed.dispatch.lines}
    offers = executed.dispatch.values["service.raise.offer_kw"]
    assert float(offers @ scenario.columns["data.reserve"]) / 1000 == pytest.approx(
        lines["Availability, raise"]
    )


# --- the study ---------------------------------------------------------------------------------------------------


def test_the_study_compares_policies_with_the_ceiling_and_plain_running(tmp_path):
    """Lines and periods of each add up to its saving; the payback rests on the backcast; the ceiling is the most."""
    scenario = site(tmp_path, 10)
    statement = settle(solve(scenario))
    found = study(statement, silent)
    assert isinstance(found, WithoutForesight)
    rows = {row["name"]: row for row in found.summary["outcomes"]}
    assert ["ceiling", "rolling", "backcast", "own use", "stored worth", "replanned", "no storage"] == list(
        rows
    )
    for name, row in rows.items():
        assert row["saving"] == pytest.approx(found.tables["lines"][name].sum())
        assert row["saving"] == pytest.approx(found.tables["months"][name].sum())
        assert row["saving"] <= rows["ceiling"]["saving"] + 1e-6
    assert found.forecast_driven_saving == rows["backcast"]["saving"]
    assert resting_on(statement, {"without_foresight": found}).saving == rows["backcast"]["saving"]
    assert 1.0 == rows["ceiling"]["storage_share"]
    assert 0.0 == rows["no storage"]["storage_share"]


def test_the_page_puts_what_is_earned_without_foresight_first(tmp_path):
    """First screen, section, files and summary say the same figure; the ceiling stands beside it under its name."""
    cost = {"capital": 3000.0, "yearly": 10.0}
    made = optimiser.run(site(tmp_path / "site", 8, cost=cost), studies=("without_foresight",))
    paths = optimiser.write_results(made, tmp_path / "out")
    page = paths["report"].read_text(encoding="utf-8")
    head = made.summary.headline
    assert head.rests_on == "forecast_driven"
    assert head.forecast_driven_saving_per_year < head.ceiling_saving_per_year
    assert head.forecast_driven_payback_years > head.ceiling_payback_years
    for words in (
        "Worth a year<",
        "What is earned without knowing the year",
        "the plan expects of each hour",
        "From the bill before to the bill after, without foresight",
        "How sure: between",
        f"Year 1 saves AUD\u00a0{head.forecast_driven_saving_per_year:,.2f} less AUD\u00a010.00 of upkeep",
        "no inflation is counted",
    ):
        assert words in page
    # Of turnover, rounded up, so that it promises no more; the money beside it.
    (shown,) = re.findall("can be better by more than ([0-9.]+)\u00a0% of turnover", page)
    assert made.summary.proof.gap_relative <= float(shown) / 100
    saved = f"{head.forecast_driven_saving:,.2f}"
    (total,) = re.findall(
        r'<tr class="total"><th scope="row">Bill less income from services</th>(.*?)</tr>', page
    )
    assert re.findall(r"<td[^>]*>([^<]*)</td>", total)[-1] == saved
    assert {"without_foresight-lines", "without_foresight-months"} <= paths.keys()
    plain = optimiser.run(site(tmp_path / "site", 8, cost=cost), studies=())
    alone = plain.summary.headline
    assert alone.rests_on == "ceiling"
    assert alone.forecast_driven_saving_per_year is None
    assert alone.ceiling_saving_per_year == pytest.approx(head.ceiling_saving_per_year)


def test_plans_know_the_peaks_that_a_ratchet_counts_and_no_higher_ones(tmp_path):
    """What a planner keeps of each bill's peak is the peak, below the ratchet and before its first day too.

    By the meter: the highest hour of import in each bill.
    """
    reads = [datetime.date(2025, 1, day) for day in (1, 3, 5, 9)]
    ratchet = {"fraction": 0.9, "past_peaks": [6.0]}
    demand = DEMAND | {"ratchet": ratchet, "valid_from": datetime.date(2025, 1, 5)}
    made = site(tmp_path, contract={"billing": {"read_dates": reads}})
    scenario = vary(made, {"tariff.component": [*SPOT, demand], "service": []})
    seen: list[Any] = []

    class Kept(planning.Planner):
        def __init__(self, *words: Any):
            super().__init__(*words)
            seen.append(self)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(running, "Planner", Kept)
        executed = run_under(scenario, Rolling(), solve(scenario))
    kw = executed.dispatch.values["meter.import_kw"]
    peaks = [kw[first:stop].max() for first, stop in ((0, 48), (48, 96), (96, 192))]
    (planner,) = seen
    assert peaks == pytest.approx(list(planner.x[planner.problem.places["demand.Demand"]]), abs=1e-6)


@pytest.mark.parametrize("limit_kw", [0.3, 0.0])
def test_a_policy_that_falls_short_is_left_out_and_said(limit_kw):
    """A connection that only foresight makes do with: the ceiling stands, the policy's shortage is named."""
    scenario = read_scenario(ROOT / "scenarios" / "single-phase-home")
    tight = vary(scenario, {"timeline.days": 2, "site.connection.import_limit_kw": limit_kw})
    # Under a warranty the plans' powers are carried out as they are; by modes the store would meet the load.
    life = {"warranted_kwh_per_year": 9e3, "cycle_life": 6000, "calendar_life_years": 15}
    tight = vary(tight, {"storage.0.life": life | {"keep_warranty": True}})
    found = study(settle(solve(tight)), silent)
    words = next(words for words in found.summary["missing"] if words.startswith("backcast: "))
    assert re.search(
        r"cannot be carried out within the limits \(short by [\d.]+ kW in \d+ steps, the first", words
    )
    assert "ceiling" == found.summary["outcomes"][0]["name"]


def test_a_broken_rule_of_a_policy_does_not_lose_the_ceiling(tmp_path, monkeypatch):
    """Even a defect of the controller leaves the rest of the study, and is named."""

    def broken(*_):
        raise DriftError("a rule is broken")

    monkeypatch.setattr(without_foresight, "run_under", broken)
    found = study(settle(solve(site(tmp_path, days=2))), silent)
    told = f"rolling: a rule is broken. {DriftError.DEFECT}"
    assert told in found.summary["missing"]
    assert told in found.warnings
    assert found.headline is None


def test_a_site_without_storage_has_nothing_to_plan(tmp_path):
    """No storage, no study; no policies, no study."""
    scenario = site(tmp_path, 2)
    assert study(settle(solve(vary(scenario, {"foresight.policies": []}))), silent) is None
    assert study(settle(solve(vary(scenario, {"storage": [], "service": []}))), silent) is None


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"keep_hours": 7}, "keep_hours must divide a day, got 7"),
        ({"view_hours": 12.0}, "view_hours must be at least keep_hours"),
        ({"policies": ["forecast"]}, "needs \\[\\[foresight.forecast\\]\\]"),
        ({"policies": ["oracle"]}, "foresight.policies.0 must be one of"),
        ({"headline": "uncertain"}, "headline must be one of policies"),
        ({"demand_quantile": 0.9}, "counts only with demand_target"),
        ({"demand_share": 0.9, "demand_target": "so_far"}, "counts for nothing"),
        ({"forecast": [{"of": "data.load", "series": 1.0}] * 2}, "foretells 'data.load' twice"),
        ({"forecast": [{"of": "data.lod", "series": 1.0}]}, "'data.lod', .* did you mean data.load"),
    ],
)
def test_faults_of_the_table_are_named(given, words, tmp_path):
    """One sentence each, with the place, the rule, what came and the way out."""
    with pytest.raises(ScenarioError, match=words):
        site(tmp_path, 2, foresight=given)


def test_a_standard_demand_is_foreseen_from_days_of_its_type(monkeypatch, tmp_path):
    """The standard profile G0 (business) of BDEW as demandlib carries it, four weeks, at two rates.

    A demand that repeats by kind of day leaves a backcast little to miss: with the tariff known and 4 h of storage it
    earns beyond the 85 % of the yardstick published for day-ahead prices (R. Sioshansi et al., Energy Economics 31,
    2009, page 272), which prices of a market do not reach everywhere (`test_real_foresight.py`).
    """
    days = 28
    bdew = pytest.importorskip("demandlib.bdew")
    # The library turns all warnings into errors while it works, its own among them.
    monkeypatch.setattr(warnings, "simplefilter", lambda *_, **__: None)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore")
        profile = bdew.ElecSlp(2025).get_scaled_power_profiles({"g0": 20_000})["g0"]
    load = profile.resample("h").mean().to_numpy()[: 24 * days]
    two_rates = {
        "kind": "energy_charge",
        "rates": [
            {"rate_per_kwh": 0.40, "when": {"days": ["workday"], "from": "08:00", "to": "20:00"}},
            {"rate_per_kwh": 0.20},
        ],
    }
    text = table(
        days=days,
        site={
            "phases": 1,
            "connection": {"import_limit_kw": 30.0, "export_limit_kw": 0.0},
            "load": [{"power_kw": "data.load"}],
            "inverter": [inverter(5.0, 0.95)],
        },
        storage=[battery(12.0, 3.0, 0.96)],
        components=[two_rates],
    )
    scenario = read_scenario(write_site(tmp_path, text, {"load": np.round(load, 3)}))
    found = study(settle(solve(scenario)), silent)
    assert found is not None
    share = {row["name"]: row["storage_share"] for row in found.summary["outcomes"]}
    assert share["rolling"] > 0.99
    assert 0.85 < share["backcast"] <= 1.0
