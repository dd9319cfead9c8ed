"""A run solved by days, by billing periods and as a whole: one optimum, and schedules that fit together.

The reference is the same linear program solved from nothing at once. All sites are invented.
"""

from __future__ import annotations

import os

import numpy as np
import pytest
from test_oracle import (
    base,
    blocks,
    capacitor,
    case,
    demand,
    down,
    following,
    made,
    measured,
    netted,
    phase_limits,
    reserve,
    shared,
    span,
    spot,
    tiled,
    up,
    utilisation,
)

from optimiser import progress
from optimiser.engine import pattern, proof, windows
from optimiser.engine.solver import Highs, Solution
from optimiser.engine.tiling import Problem, tile

# Nine days over a clock change, in periods of about three.
DAYS = span("Europe/Berlin", "2025-03-26T00:00", 60, 9 * 24 - 5)
FEW_DAYS = (2, 3, 4)
FEATURES = {
    "plain": [],
    "demand": [demand, spot],
    "more": [spot, up, blocks, demand],
    "lasting": [spot, following, demand],
    "three phases": [
        netted,
        capacitor,
        measured,
        phase_limits,
        spot,
        demand,
        up,
        down,
        shared,
        blocks,
        following,
    ],
    "reserve": [spot, demand, utilisation, reserve],
}


def silent(words: str) -> None:
    """Progress that nobody reads."""


@pytest.fixture
def few_days(monkeypatch):
    """Periods of days instead of months."""
    monkeypatch.setattr(windows, "PERIOD_DAYS", FEW_DAYS)


def in_periods(problem: Problem) -> tuple[windows.Periods, Solution]:
    """The problem by days, then by periods."""
    cuts = windows.Windows(problem)
    spans = cuts.periods()
    assert (spans[0][0], spans[-1][1]) == (0, problem.timeline.steps)
    assert len(spans) >= 2
    draft = windows.by_days(problem, cuts, spans, silent)
    assert draft is not None
    periods = windows.Periods(problem, draft, cuts, spans, silent)
    return periods, periods.solve()


@pytest.mark.usefixtures("few_days")
@pytest.mark.parametrize("cores", [1, 2])
@pytest.mark.parametrize("features", FEATURES.values(), ids=FEATURES.keys())
def test_periods_fit_together_and_lead_to_the_optimum(features, cores, monkeypatch):
    """Periods keep every row of the whole and are bounded by their duals; the whole starts from their basis."""
    monkeypatch.setattr(os, "cpu_count", lambda: cores)
    problem = tiled(case(features, DAYS, seed=5))
    best = Highs(problem).solve().objective
    periods, solution = in_periods(problem)
    assert solution.verdict == "optimal"
    assert proof.violation(problem, solution.x) < 1e-6
    assert solution.objective == pytest.approx(problem.objective @ solution.x + problem.offset, rel=1e-12)
    assert solution.objective <= best + 1e-6 * max(1, abs(best))
    assert proof.upper_bound(problem, solution.row_dual) >= best - 1e-6 * max(1, abs(best))
    warm = Highs(problem)
    warm.set_basis(periods.basis())
    whole = warm.solve()
    assert whole.objective == pytest.approx(best, rel=1e-9)
    assert proof.upper_bound(problem, whole.row_dual) == pytest.approx(best, rel=1e-7)


def test_periods_end_where_billing_periods_do():
    """Four months with a monthly demand charge: each cut is the first step of a month of the tariff's clock."""
    timeline = span("Europe/Berlin", "2025-01-01T00:00", 60, 120 * 24 - 1)
    problem = tiled(case([demand], timeline, seed=5))
    starts = {first for first, _ in windows.Windows(problem).periods()}
    local = timeline.local("Europe/Berlin")
    assert starts == {
        step for step in range(timeline.steps) if local[step].day == 1 and local[step].hour == 0
    }


def test_day_without_a_schedule_gives_no_draft():
    """A first pass that fails leaves the whole to be solved cold."""
    timeline = span("Europe/Berlin", "2025-03-26T00:00", 60, 72)
    raw = base(timeline)
    raw["site"]["load"] = [{"power_kw": 40.0}]
    problem = tile(pattern.compile_pattern(made(raw, timeline, {})), timeline)
    cuts = windows.Windows(problem)
    assert windows.by_days(problem, cuts, cuts.periods(), silent) is None


@pytest.mark.usefixtures("few_days")
def test_bounds_and_rows_changed_later_hold():
    """A limit on one column, then a row more: the periods keep both."""
    problem = tiled(case([spot], DAYS, seed=5))
    periods, free = in_periods(problem)
    charge = next(name for name in problem.places if name.endswith(".charge_kw"))
    places = problem.places[charge]
    limit = free.x[places].max() / 2
    periods.change_column_bounds(places, problem.lower[places], np.full(len(places), limit))
    assert periods.solve().x[places].max() <= limit + 1e-9


def test_how_far_is_said_at_most_once_a_second(monkeypatch):
    """Four parts of half a second each: after the second and the fourth, with the share that is done."""
    now = iter(np.arange(0.0, 10.0, 0.5))
    monkeypatch.setattr(progress.time, "perf_counter", lambda: next(now))
    said: list[str] = []
    countdown = progress.Countdown(said.append, "part", 4)
    for _ in range(4):
        countdown.step()
    assert said == ["part, 2 of 4", "part, 4 of 4"]
    assert [getattr(words, "share", None) for words in said] == [0.5, 1.0]
