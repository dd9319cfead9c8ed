"""One direction at a time: the search against one integer program with a binary for every decision.

The references from outside are the branch and bound of HiGHS on the whole problem, and SCIP through PySCIPOpt
on rows and binaries that this file states by itself. All data are invented, from fixed seeds.
"""

from __future__ import annotations

import dataclasses
import functools
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import sparse
from test_oracle import (
    base,
    bids,
    capacitor,
    case,
    data,
    demand,
    made,
    measured,
    per_phase,
    span,
    spot,
    tiled,
    up,
)

from optimiser.dispatch import solve
from optimiser.engine import answer as answers
from optimiser.engine import branching, decisions, directions, proof
from optimiser.engine.decisions import implied_rows
from optimiser.engine.solver import Extra, Highs
from optimiser.engine.tiling import Problem
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import read_scenario, vary
from optimiser.starter import write_starter

SCENARIOS = Path(__file__).parent.parent / "scenarios"
GAP = 1e-6


def temptations(seed: int, *, steps: int = 24, step_minutes: int = 60) -> Scenario:
    """A site whose prices invite every kind of double use: inverted, negative both ways, lossy points on
    the bus."""
    timeline = span("Europe/Berlin", "2025-03-29T20:00", step_minutes, steps)
    random = np.random.default_rng(seed)
    columns = data(timeline, seed)
    columns["d.spot"] = np.round(random.normal(80, 150, steps), 3)
    columns["d.feed"] = np.round(columns["d.spot"] + random.normal(-20, 120, steps), 3)
    raw = base(timeline)
    points = [(1.0, 0.9), (2.5, 0.97), (4.5, 0.86)]
    raw["storage"][0] |= {
        "measured_points": [{"power_kw": p, "round_trip_efficiency": e} for p, e in points],
        "charge_efficiency": 1.0,
        "discharge_efficiency": 1.0,
        "unit_kwh": 6.0,
        "wear_per_kwh": 0.0,
    }
    raw["tariff"]["component"] = [
        {"kind": "spot_charge", "price_per_mwh": "d.spot", "fee_per_kwh": 0.02},
        {"kind": "spot_feed_in", "price_per_mwh": "d.feed"},
    ]
    raw["tariff"]["tax_fraction"] = 0.0
    raw["solve"] = {"gap_tolerance": GAP}
    return made(raw, timeline, columns)


def searched(problem: Problem, gap: float = GAP) -> tuple[directions.Outcome, float]:
    """What the search finds, and the plain linear program's optimum."""
    highs = Highs(problem)
    relaxed = highs.solve()
    assert relaxed.verdict == "optimal"
    outcome = directions.keep_one_direction(
        problem, relaxed, highs, gap, time.perf_counter() + 60, lambda words: None
    )
    return outcome, relaxed.objective


def whole(problem: Problem) -> float:
    """The optimum of the whole problem with a binary for every decision, by HiGHS."""
    every = directions.decisions(problem)
    extra = branching.binaries(problem, every.first, every.second, every.kind)
    solution = Highs(problem, extra, time_limit_s=60).solve()
    assert solution.verdict == "optimal"
    assert not every.broken(problem, solution.x).any()
    return solution.objective


def whole_by_scip(problem: Problem) -> float:
    """The same by SCIP, with rows and binaries stated here."""
    from pyscipopt import Model, quicksum

    model = Model()
    model.hideOutput()
    model.setParam("limits/gap", 0.0)
    x = [model.addVar(lb=low, ub=high) for low, high in zip(problem.lower, problem.upper, strict=True)]
    matrix = problem.matrix
    for row in range(matrix.shape[0]):
        here = slice(matrix.indptr[row], matrix.indptr[row + 1])
        body = quicksum(v * x[c] for v, c in zip(matrix.data[here], matrix.indices[here], strict=True))
        low, high = problem.row_lower[row], problem.row_upper[row]
        if here.start == here.stop:
            assert low <= 1e-12
            assert high >= -1e-12
        elif low == high:
            model.addCons(body == low)
        else:
            if np.isfinite(high):
                model.addCons(body <= high)
            if np.isfinite(low):
                model.addCons(body >= low)
    for step in range(problem.timeline.steps):
        for pair in problem.pairs.values():
            forth, back = problem.places[pair.forth][step], problem.places[pair.back][step]
            one = model.addVar(vtype="B")
            model.addCons(x[forth] <= problem.upper[forth] * one)
            model.addCons(x[back] <= problem.upper[back] * (1 - one))
        for sequel in problem.fill_orders.values():
            first, then = problem.places[sequel.first][step], problem.places[sequel.then][step]
            full = model.addVar(vtype="B")
            model.addCons(x[first] >= problem.upper[first] * full)
            model.addCons(x[then] <= problem.upper[then] * full)
    for name, family in problem.columns.items():
        if family.whole:
            for place in problem.places[name]:
                model.chgVarType(x[place], "I")
    model.setObjective(quicksum(p * v for p, v in zip(problem.objective, x, strict=True)), "maximize")
    model.optimize()
    assert model.getStatus() == "optimal"
    return float(model.getObjVal()) + problem.offset


def hold(problem: Problem, outcome: directions.Outcome, best: float, gap: float = GAP) -> None:
    """The schedule is valid, near the integer optimum, and the bound lies above it."""
    every = directions.decisions(problem)
    assert proof.violation(problem, outcome.solution.x) < 1e-6
    assert not every.broken(problem, outcome.solution.x).any()
    money = float(problem.objective @ outcome.solution.x + problem.offset)
    assert money == pytest.approx(outcome.solution.objective, rel=1e-9, abs=1e-6)
    size = max(1.0, abs(best))
    assert outcome.bound >= best - 1e-7 * size
    assert money <= best + 1e-6 * size
    turnover = proof.turnover(problem, outcome.solution.x)
    assert proof.relative_gap(outcome.bound, money, turnover) <= gap
    assert money >= best - gap * max(size, abs(outcome.bound), turnover)


@pytest.mark.parametrize("seed", [0, 1, 2, 3, 5])
def test_search_equals_the_whole_integer_program(seed):
    """Invented prices that tempt in both directions: the search ends at the optimum of the whole, and
    proves it."""
    problem = tiled(temptations(seed))
    outcome, relaxed = searched(problem)
    best = whole(problem)
    assert relaxed > best + 1e-3, "the case does not tempt; choose another seed"
    hold(problem, outcome, best)


@pytest.mark.parametrize("seed", [0, 3])
def test_search_equals_another_solver(seed):
    """SCIP finds the same optimum as HiGHS and the search."""
    problem = tiled(temptations(seed, steps=18))
    outcome, _ = searched(problem)
    best = whole_by_scip(problem)
    assert best == pytest.approx(whole(problem), rel=1e-6, abs=1e-6)
    hold(problem, outcome, best)


@pytest.mark.parametrize("registers", [[], [per_phase]], ids=["one register", "per phase"])
@pytest.mark.parametrize("seed", [1, 2])
def test_search_equals_the_whole_with_several_pairs(registers, seed):
    """A capacitor bank, a measured bank behind a converter and a service: several pairs and orders in each
    step."""
    timeline = span("Europe/Berlin", "2025-03-29T20:00", 60, 24)
    problem = tiled(case([*registers, capacitor, measured, spot, up], timeline, seed))
    outcome, _ = searched(problem)
    hold(problem, outcome, whole(problem))


@pytest.mark.parametrize("seed", [0, 5])
def test_small_windows_still_bound_and_prove(seed, monkeypatch):
    """With windows of an hour or two the rows between them are priced: the bound must hold even so."""
    monkeypatch.setattr(directions, "FIRST_MARGIN_HOURS", 0.25)
    problem = tiled(temptations(seed, steps=40, step_minutes=15))
    outcome, _ = searched(problem)
    best = whole(problem)
    size = max(1.0, abs(best))
    assert outcome.bound >= best - 1e-7 * size
    assert not directions.decisions(problem).broken(problem, outcome.solution.x).any()
    assert outcome.solution.objective <= best + 1e-6 * size
    turnover = proof.turnover(problem, outcome.solution.x)
    assert proof.relative_gap(outcome.bound, outcome.solution.objective, turnover) <= 1e-3


@pytest.mark.parametrize("margin_hours", [1.0, 3.0])
@pytest.mark.parametrize("scale", [0.0, 0.02, 0.3])
@pytest.mark.parametrize("most_nodes", [1, 60, 100_000])
def test_bound_holds_for_any_multipliers(margin_hours, scale, most_nodes, monkeypatch):
    """From multipliers far from optimal and windows cut short: a loose bound, never below the integer optimum."""
    monkeypatch.setattr(directions, "FIRST_MARGIN_HOURS", margin_hours)
    problem = tiled(temptations(5))
    highs = Highs(problem)
    every = directions.decisions(problem)
    search = directions._Search(problem, every, every.broken(problem, highs.solve().x), highs, print)
    y = search.relax().row_dual
    noise = scale * np.random.default_rng(4).normal(size=len(y))
    view = search.price(y + noise, None, 1e-6, most_nodes, time.perf_counter() + 60)
    best = _best_of_five()
    assert view.bound >= best - 1e-7 * max(1, abs(best))
    assert view.bound >= view.constant + view.slope @ view.y - 1e-6 * max(1, abs(best))
    fixed = search.fixed(view)
    assert fixed is None or fixed.objective <= best + 1e-6 * max(1, abs(best))


def test_windows_widen_until_they_are_the_whole():
    """Redrawn windows are looked at before they are widened; the whole run cannot be widened."""
    problem = tiled(temptations(5))
    highs = Highs(problem)
    every = directions.decisions(problem)
    search = directions._Search(problem, every, every.broken(problem, highs.solve().x), highs, print)
    relaxed = search.relax()
    before = search.spans
    assert search.widen(relaxed.x)
    assert search.spans == before
    for _ in range(12):
        view = search.price(relaxed.row_dual, None, 1e-3, 60, time.perf_counter() + 60)
        assert view.bound >= _best_of_five() - 1e-6
        widened = search.widen(relaxed.x)
    assert not widened
    assert search.spans == [(0, problem.timeline.steps)]


@pytest.mark.parametrize("seed", range(4))
def test_windows_never_overlap_and_bound_however_they_were_widened(seed):
    """A late window that reaches back over several earlier ones takes in all of them, and the bound holds.

    Were one of them left, what it costs would be counted twice and the bound come out too low.
    """
    problem = tiled(temptations(seed, steps=48, step_minutes=15))
    highs = Highs(problem)
    every = directions.decisions(problem)
    search = directions._Search(problem, every, every.broken(problem, highs.solve().x), highs, print)
    relaxed, random = search.relax(), np.random.default_rng(seed)
    best = whole(problem)
    for _ in range(8):
        search._margin[:] = random.choice([1, 1, 1, 1, 20], len(search._margin))
        search._draw(relaxed.x)
        assert (np.diff(np.ravel(search.spans)) >= 0).all()
        y = relaxed.row_dual + 0.05 * random.normal(size=len(relaxed.row_dual))
        view = search.price(y, None, 1e-6, 60, time.perf_counter() + 60)
        assert view.bound >= best - 1e-7 * max(1, abs(best))


@pytest.mark.parametrize("seed", range(3))
def test_implied_rows_cut_off_no_schedule(seed):
    """Schedules that keep every decision, best for money and for random aims, lie within the rows; the plain
    program's does not, and comes down with them."""
    problem = tiled(temptations(seed))
    every = directions.decisions(problem)
    matrix, upper = implied_rows(problem, every, np.arange(len(every.step)))
    extra = branching.binaries(problem, every.first, every.second, every.kind)
    random = np.random.default_rng(seed)
    for aim in (
        problem.objective,
        random.normal(size=len(problem.lower)),
        random.normal(size=len(problem.lower)),
    ):
        other = dataclasses.replace(problem, by_line=sparse.csr_array(aim[None, :]))
        kept = Highs(other, extra, time_limit_s=4).solve()
        assert not every.broken(problem, kept.x).any()
        assert (matrix @ kept.x - upper).max() <= 1e-5
    relaxed = Highs(problem).solve()
    tight = dataclasses.replace(
        problem,
        matrix=sparse.csr_array(sparse.vstack([problem.matrix, matrix])),
        row_lower=np.append(problem.row_lower, np.full(len(upper), -np.inf)),
        row_upper=np.append(problem.row_upper, upper),
    )
    assert (matrix @ relaxed.x - upper).max() > 1e-3
    assert Highs(tight).solve().objective < relaxed.objective - 1e-3


@functools.cache
def _best_of_five() -> float:
    return whole(tiled(temptations(5)))


@pytest.mark.parametrize("features", [[bids], [bids, demand, spot]], ids=["bids", "bids and demand"])
def test_whole_bids_equal_the_whole_integer_program(features):
    """Steps and a least bid in blocks over three days: the search ends where SCIP does."""
    timeline = span("Europe/Berlin", "2025-03-29T20:00", 60, 72)
    problem = tiled(case(features, timeline, seed=3))
    outcome, relaxed = searched(problem)
    best = whole_by_scip(problem)
    hold(problem, outcome, best)
    assert relaxed > best + 1e-3
    assert outcome.flagged.any()
    bid = outcome.solution.x[problem.places["service.stepped.offer_kw"]]
    assert np.allclose(bid / 0.75, np.round(bid / 0.75), atol=1e-6)
    assert ((bid < 1e-6) | (bid > 2.0 - 1e-6)).all()


def test_a_week_of_bids_in_steps_has_a_schedule_soon(tmp_path):
    """Hundreds of bids that share one store: a schedule with whole bids within seconds, its distance proven."""
    write_starter(tmp_path / "site")
    path = tmp_path / "site" / "scenario.toml"
    bid = """
        [[service]]
        name = "stepped"
        direction = "up"
        sustain_hours = 0.5
        price = 20.0
        price_unit = "per_mw_hour"
        bid_by = "site"
        least_bid_kw = 2.0
        bid_step_kw = 1.5
        [solve]
        time_limit_s = 5
        """
    path.write_text(path.read_text(encoding="utf-8") + bid, encoding="utf-8")
    dispatch = solve(read_scenario(path))
    offered = next(o.offered_kw for o in dispatch.offers if o.product.name == "stepped")
    assert np.allclose(offered / 1.5, np.round(offered / 1.5), atol=1e-6)
    assert dispatch.proof.gap_absolute < 10
    assert dispatch.proof.bound > dispatch.proof.settled


def test_untempted_schedule_is_left_as_it_is():
    """A flat rate above the feed-in rate breaks nothing: no rounds, and the linear program's own bound."""
    problem = tiled(case([]))
    outcome, relaxed = searched(problem)
    assert (len(outcome.gaps), bool(outcome.flagged.any())) == (0, False)
    assert outcome.bound == pytest.approx(relaxed, rel=1e-9)
    assert outcome.bound == pytest.approx(whole(problem), rel=1e-6)


def test_order_of_pieces_matters_at_negative_prices():
    """Paid to import, a plain program fills the lossy piece of a bank first; the rule of order forbids it."""
    broken = 0
    for seed in range(4):
        problem = tiled(temptations(seed))
        every = directions.decisions(problem)
        relaxed = Highs(problem).solve()
        broken += int((every.broken(problem, relaxed.x) & every.kind).sum())
    assert broken > 0


def test_binaries_say_what_a_decision_means():
    """One of a pair, or the second of an order only after the first: the four corners of each, by hand."""
    problem = tiled(temptations(0))
    every = directions.decisions(problem)
    for ordered in (False, True):
        chosen = np.flatnonzero(
            ((every.kind == decisions.ORDER) == ordered)
            & (problem.upper[every.first] > 0)
            & (problem.upper[every.second] > 0)
        )[:1]
        extra: Extra = branching.binaries(
            problem, every.first[chosen], every.second[chosen], every.kind[chosen]
        )
        first, second = int(every.first[chosen[0]]), int(every.second[chosen[0]])
        allowed = set()
        for one in (0, 1):
            for other in (0, 1):
                x = np.zeros(len(problem.lower) + 1)
                x[first], x[second] = one * problem.upper[first], other * problem.upper[second]
                for binary in (0, 1):
                    x[-1] = binary
                    if (sparse.csr_array(extra.matrix) @ x <= extra.row_upper + 1e-9).all():
                        allowed.add((one, other))
        expected = {(0, 0), (1, 0), (1, 1)} if ordered else {(0, 0), (1, 0), (0, 1)}
        assert expected == allowed


def routed(scenario: Scenario, route: str) -> Scenario:
    """The scenario with a route of its own."""
    solve = scenario.solve.model_copy(update={"route": route})
    return dataclasses.replace(scenario, file=scenario.file.model_copy(update={"solve": solve}))


def test_days_first_or_the_whole_at_once():
    """Either route, as the scenario asks, gives the same proven answer."""
    scenario = temptations(6, steps=56)
    problem = tiled(scenario)
    at_once, by_days = (
        answers.answer(problem, routed(scenario, route), lambda words: None) for route in ("whole", "days")
    )
    assert "whole" in at_once.route
    assert "days" in by_days.route
    assert (at_once.remaining, by_days.remaining) == (0, 0)
    for found, other in ((at_once, by_days), (by_days, at_once)):
        money = float(problem.objective @ found.x + problem.offset)
        assert proof.relative_gap(found.bound, money, proof.turnover(problem, found.x)) <= GAP
        assert other.bound >= money - 1e-7 * max(1, abs(money))


def test_shipped_home_is_proven_for_a_month():
    """The shipped single-phase home, 31 days at half hours: a proven gap of one in a million, nothing left
    broken."""
    from optimiser import solve

    month: Any = vary(
        read_scenario(SCENARIOS / "single-phase-home"), {"timeline.days": 31, "solve.gap_tolerance": 1e-6}
    )
    dispatch = solve(month)
    assert month.timeline.steps == 31 * 48
    assert dispatch.proof.gap_relative <= 1e-6
    assert dispatch.proof.remaining_violations == 0
    assert dispatch.proof.verdict == "optimal"
    assert dispatch.proof.primal_violation < 1e-6
    assert np.minimum(dispatch.values["meter.import_kw"], dispatch.values["meter.export_kw"]).max() <= 1e-6
    assert sum(line.values.sum() for line in dispatch.lines) == pytest.approx(
        dispatch.proof.settled, rel=1e-12
    )
